"""What several finders of causes need of a window, worked out once."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field

import numpy as np

from bottomheat.model import Alarm, EventKind, Fault, Place
from bottomheat.review.causes import Cause
from bottomheat.review.window import Said, Window

HOUR_S = 3600.0
APART_K = 4.0
"""With less between wet layer and room, a reading between them says little (judgement)."""


@dataclass(frozen=True, slots=True)
class Mark:
    """Something that speaks for a cause, or with a negative weight against it."""

    weight: float
    text: str
    at_s: float | None = None


@dataclass(frozen=True, slots=True)
class Candidate:
    """A cause with what was found; ``since_s`` is when its first mark was seen."""

    cause: Cause
    place: Place | None = None
    marks: tuple[Mark, ...] = field(default_factory=tuple)

    @property
    def weight(self) -> float:
        """Sum of its marks."""
        return sum(mark.weight for mark in self.marks)

    @property
    def since_s(self) -> float | None:
        """When the first mark for it was seen, s; None where no time belongs to any."""
        times = [m.at_s for m in self.marks if m.weight > 0 and m.at_s is not None]
        return min(times, default=None)


class Features:
    """What several finders need, worked out once."""

    def __init__(self, window: Window) -> None:
        self.window = window
        self.cycle_s = float(np.median(np.diff(window.at_s))) if len(window.at_s) > 1 else 10.0
        self.lost = {place: self._lost(place) for place in window.celsius}
        self.jumped = {place: self._jumped(place) for place in window.celsius}

    def _lost(self, place: Place) -> tuple[float, float, Fault | None] | None:
        """The first spell without good readings of a minute or more: from, to, and why."""
        bad = np.isnan(self.window.at(place))
        need = max(3, round(60.0 / self.cycle_s))
        for first, last in runs(bad):
            if last - first >= need:
                from_s = float(self.window.at_s[first])
                why = [f for at, p, f in self.window.faults if p is place and at >= from_s - 1.0]
                return from_s, float(self.window.at_s[last - 1]), why[0] if why else None
        return None

    def _jumped(self, place: Place) -> bool:
        """Whether readings of a place were rejected as jumps."""
        return any(p is place and f is Fault.JUMP for _, p, f in self.window.faults)

    def step(self, place: Place, at_s: float, span_s: float = 120.0) -> float:
        """How far a place moved from just before a time to ``span_s`` after it, K."""
        before = self.mean(place, at_s - 60.0, at_s)
        after = self.mean(place, at_s + span_s, at_s + span_s + 60.0)
        return after - before

    def mean(self, place: Place, from_s: float, to_s: float) -> float:
        """Mean reading of a place over a time, °C; NaN where there is none."""
        part = self.window.at(place)[self.window.between(from_s, to_s)]
        good = part[~np.isnan(part)]
        return float(good.mean()) if len(good) else math.nan

    def duty(self, from_s: float, to_s: float) -> float:
        """Share of the time that heat was commanded, 0 to 1; NaN where nothing is known."""
        part = self.window.heat[self.window.between(from_s, to_s)]
        return float(part.mean()) if len(part) else math.nan

    def still_s(self, place: Place) -> tuple[float, float]:
        """The longest stretch of one and the same reading, and when it began, s."""
        values = self.window.at(place)
        if len(values) < 2:
            return 0.0, math.nan
        same = np.append(False, np.diff(values) == 0.0)
        best, since = 0.0, math.nan
        for first, last in runs(same):
            length = float(self.window.at_s[last - 1] - self.window.at_s[first - 1])
            if length > best:
                best, since = length, float(self.window.at_s[first - 1])
        return best, since

    def between_room_and_layer(self, place: Place, from_s: float, to_s: float) -> float:
        """Where a place lies between the room (0) and the wet layer (1) over a time.

        NaN where it is not known, or where the two are within ``APART_K``.
        """
        room_c, layer_c = (self.mean(p, from_s, to_s) for p in (Place.ROOM, Place.SUBSTRATE))
        if math.isnan(room_c) or math.isnan(layer_c) or layer_c - room_c < APART_K:
            return math.nan
        return (self.mean(place, from_s, to_s) - room_c) / (layer_c - room_c)

    def room_change(self, at_s: float, hours: float) -> float:
        """How far the room has moved at a time, against ``hours`` before, K."""
        return self.mean(Place.ROOM, at_s - 900.0, at_s) - self.mean(
            Place.ROOM, at_s - hours * HOUR_S - 900.0, at_s - hours * HOUR_S
        )


def runs(flags: np.ndarray) -> Iterator[tuple[int, int]]:
    """Stretches of True: the first index and one past the last."""
    edges = np.flatnonzero(np.diff(np.concatenate(([0], flags.astype(np.int8), [0]))))
    yield from ((int(a), int(b)) for a, b in zip(edges[::2], edges[1::2], strict=True))


def is_raised(said: Said) -> bool:
    """Whether an event says that an alarm was raised."""
    return said.kind in (EventKind.ALARM_RAISED, EventKind.CUTOFF)


def text_marks(
    window: Window, weight: float, *parts: str, kinds: Sequence[EventKind] = ()
) -> list[Mark]:
    """One mark for the first event whose text holds one of these parts."""
    for said in window.said:
        if (not kinds or said.kind in kinds) and any(part in said.text for part in parts):
            return [Mark(weight, said.text, said.at_s)]
    return []


def alarm_marks(window: Window, weight: float, *alarms: Alarm) -> list[Mark]:
    """One mark for the first of these alarms."""
    raised = window.raised(*alarms)
    return [Mark(weight, raised[0].text, raised[0].at_s)] if raised else []
