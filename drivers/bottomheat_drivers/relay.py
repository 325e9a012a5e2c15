"""The relay on a GPIO line, through gpiozero; the sounder is switched in the same way."""

from __future__ import annotations

import atexit
import logging
import os
import signal
from collections.abc import Iterable
from pathlib import Path
from types import FrameType
from typing import Any, Self

from bottomheat.errors import DriverError
from bottomheat_drivers.pins import (
    MOCK_PINS,
    line_errors,
    load_lgpio,
    mirror_level,
    pin_factory,
    pin_kind,
)

__all__ = ["GpioRelay", "exit_on_signals", "open_lines", "pin_factory", "pin_kind"]

logger = logging.getLogger(__name__)


class GpioRelay:
    """A relay contact that is open unless somebody keeps saying otherwise.

    Open from the first instant, whatever the polarity; opened explicitly before the line is let
    go; opened at every end of the process that Python sees (``with``, normal exit, an exception,
    and SIGTERM, SIGHUP and SIGINT after ``exit_on_signals``).  SIGKILL is not one of them: that is
    what ``open_lines`` is for.

    Args:
        gpio: GPIO number (BCM).
        active_high: True if the contact closes when the line is high.
        factory: a pin factory of ``pin_factory``.
        sounder: it drives a buzzer or lamp, not heat: what goes wrong is said in other words.

    Raises:
        DriverError: the line is in use, does not exist, or may not be used.
    """

    def __init__(
        self, gpio: int, active_high: bool, factory: Any, *, sounder: bool = False
    ) -> None:
        # gpiozero is slow to import, and open_lines below must not wait for its devices
        from gpiozero import OutputDevice

        self._gpio = gpio
        self._thing = "sounder" if sounder else "relay"
        self._cure = (
            "unplug it if it goes on sounding" if sounder else "switch the mat off at its plug"
        )
        self._closings = 0
        self._closed_contact = False
        self._device: Any = None
        with line_errors(f"GPIO {gpio} cannot be set up for a {self._thing}"):
            self._device = OutputDevice(
                gpio, active_high=active_high, initial_value=False, pin_factory=factory
            )
        atexit.register(self.close)

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def set(self, closed: bool) -> None:
        """Close or open the contact, and read the level back.

        Raises:
            DriverError: the line did not take the level, or this relay was let go already.
        """
        if self._device is None:
            raise DriverError(f"GPIO {self._gpio} was let go already: it cannot be switched.")
        doing = f"GPIO {self._gpio} did not {self._verb(closed)} its {self._thing}"
        with line_errors(doing):
            (self._device.on if closed else self._device.off)()
            taken = bool(self._device.value)
        if taken is not closed:
            raise DriverError(
                f"{doing}: it reads back the other level; look for a short or a second driver on "
                "that line."
            )
        if closed and not self._closed_contact:
            self._closings += 1
        self._closed_contact = closed

    @property
    def is_closed(self) -> bool:
        """Whether the line is driven to the level that closes the contact, read back.

        Raises:
            DriverError: the line cannot be read.
        """
        if self._device is None:
            return False
        with line_errors(f"GPIO {self._gpio} cannot be read back"):
            return bool(self._device.value)

    @property
    def closings(self) -> int:
        """Closings since this object was made (never edges)."""
        return self._closings

    def close(self) -> None:
        """Open the contact, then let the line go; idempotent.

        Does not raise, so that one broken line cannot keep the next from being opened; what went
        wrong is in the program's messages.
        """
        device, self._device = self._device, None
        if device is None:
            return
        atexit.unregister(self.close)
        doing = f"GPIO {self._gpio} could not be opened at the end"
        try:
            with line_errors(doing):
                try:
                    device.off()
                    if device.value:
                        raise DriverError(f"{doing}: it reads back closed.")
                finally:
                    device.close()
        except DriverError as error:
            logger.critical("%s; %s.", error, self._cure)

    def _verb(self, closed: bool) -> str:
        if self._thing == "sounder":
            return "start" if closed else "stop"
        return "close" if closed else "open"


def exit_on_signals() -> None:
    """Make SIGTERM, SIGHUP and SIGINT end this process in order, with exit status 0.

    Left to their defaults, SIGTERM and SIGHUP end a process without any of its cleaning up, and
    the relay stays as it is.
    """
    for number in _ENDING:
        signal.signal(number, _end)


_ENDING = (signal.SIGTERM, signal.SIGHUP, signal.SIGINT)


def _end(_number: int, _frame: FrameType | None) -> None:
    for number in _ENDING:  # a second signal must not cut the cleaning up short
        signal.signal(number, signal.SIG_IGN)
    raise SystemExit(0)


def open_lines(lines: Iterable[tuple[int, bool]], *, chip: int | None = None) -> None:
    """Open every contact, for the time after a process has died with one closed.

    Independent of everything else here: it claims each line at its open level and lets it go.  A
    stock Pi kernel keeps that level; with strict_gpiod the line returns to its boot state and the
    external pull resistor keeps the relay open.

    Args:
        lines: GPIO number and whether the contact closes when the line is high.
        chip: number of the GPIO chip, where it is known; it is looked for otherwise.

    Raises:
        DriverError: at least one line could not be opened; all others were.
    """
    opener = _open_mock if pin_kind() == "mock" else _open_with_lgpio
    problems = opener(list(lines), chip)
    if problems:
        raise DriverError("; ".join(problems) + ". Switch the mat off at its plug.")


def _open_with_lgpio(lines: list[tuple[int, bool]], chip: int | None) -> list[str]:
    if chip is None:
        factory = pin_factory("lgpio")
        chip = int(factory.chip)
        factory.close()
    lgpio = load_lgpio()
    with line_errors("the GPIO lines cannot be opened"):
        handle = lgpio.gpiochip_open(chip)
    problems = []
    for gpio, active_high in lines:
        try:
            with line_errors(f"GPIO {gpio} could not be opened"):
                lgpio.gpio_claim_output(handle, gpio, 0 if active_high else 1)
        except DriverError as error:
            problems.append(str(error))
    with line_errors("the GPIO chip could not be let go"):
        lgpio.gpiochip_close(handle)
    return problems


def _open_mock(lines: list[tuple[int, bool]], _chip: int | None) -> list[str]:
    file = os.environ.get(MOCK_PINS)
    if file:
        for gpio, active_high in lines:
            mirror_level(Path(file), gpio, not active_high)
    return []
