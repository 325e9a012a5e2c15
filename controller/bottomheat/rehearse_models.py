"""Chambers of a rehearsal: what one has to know, and a watch over whoever's it is."""

from __future__ import annotations

import math
from typing import Protocol

from bottomheat.errors import InputError


class ChamberModel(Protocol):
    """Anything that warms and cools like a chamber."""

    def advance(self, seconds: float, heater_watts: float, room_c: float) -> None:
        """Go on with power and room held; the first call tells it the room it starts from."""
        ...

    def temperature(self, place: str) -> float:
        """Temperature now, °C, at "substrate", "callus", "mat" or "room", and perhaps "top"."""
        ...


class GuardedModel:
    """A chamber of whoever's making, watched: it fails in one clear sentence.

    Each place is read once a step at most.

    Args:
        model: the chamber.
        label: what to call it in a sentence.
    """

    def __init__(self, model: ChamberModel, label: str) -> None:
        self._model = model
        self._label = label
        self._read: dict[str, float] = {}

    def advance(self, seconds: float, heater_watts: float, room_c: float) -> None:
        """Go on.

        Raises:
            InputError: the chamber failed.
        """
        self._read.clear()
        try:
            self._model.advance(seconds, heater_watts, room_c)
        except (Exception, SystemExit) as error:
            raise InputError(
                f"the chamber {self._label} failed in advance({seconds:g}, {heater_watts:g}, "
                f"{room_c:g}) with {_said(error)}; put the chamber right."
            ) from error

    def temperature(self, place: str) -> float:
        """Read a place, °C.

        Raises:
            InputError: the chamber does not know the place, failed, or gave no finite number.
        """
        known = self._read.get(place)
        if known is not None:
            return known
        try:
            celsius = float(self._model.temperature(place))
        except (Exception, SystemExit) as error:
            raise InputError(
                f"the chamber {self._label} gives no temperature for {place!r}: it failed with "
                f"{_said(error)}; every chamber knows substrate, callus, mat and room."
            ) from error
        if not math.isfinite(celsius):
            raise InputError(
                f"the chamber {self._label} gives {celsius} °C for {place!r}; put the chamber "
                "right, it has to give finite numbers."
            )
        self._read[place] = celsius
        return celsius

    def require(self, place: str, why: str) -> None:
        """Ask for a place that not every chamber knows.

        Raises:
            InputError: it is not known, with ``why`` it was wanted.
        """
        try:
            self.temperature(place)
        except InputError as error:
            raise InputError(f"{why}, but the chamber {self._label} does not know it.") from error

    def require_hook(self, name: str, why: str) -> None:
        """Ask for a method that not every chamber has, such as ``open_lid``.

        Raises:
            InputError: it is missing, with ``why`` it was wanted.
        """
        if not callable(getattr(self._model, name, None)):
            raise InputError(f"{why} needs a chamber with {name}, which {self._label} lacks.")

    def do(self, name: str, *given: float | str) -> None:
        """Call such a method: what somebody, or the sun, does to the box.

        Raises:
            InputError: it is missing, or it failed.
        """
        self.require_hook(name, "this rehearsal")
        self._read.clear()
        try:
            getattr(self._model, name)(*given)
        except (Exception, SystemExit) as error:
            args = ", ".join(f"{value:g}" if isinstance(value, float) else value for value in given)
            raise InputError(
                f"the chamber {self._label} failed in {name}({args}) with {_said(error)}."
            ) from error


def _said(error: BaseException) -> str:
    first = str(error).partition("\n")[0]
    return f"{type(error).__name__}: {first}" if first else type(error).__name__
