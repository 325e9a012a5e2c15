"""What a diagnosis looks at: one box over a stretch of time, as the log has it.  Pure."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from bottomheat.config import ChamberConfig
from bottomheat.model import Alarm, Condition, EventKind, Fault, Place

Floats = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Said:
    """An event of the log, at a time in s; ``chamber`` None: of the house."""

    at_s: float
    kind: EventKind
    chamber: str | None
    text: str
    alarm: Alarm | None = None


@dataclass(frozen=True, slots=True)
class Tended:
    """The grower said that the box was open, from when to when, s."""

    from_s: float
    to_s: float
    doing: str


@dataclass(frozen=True, slots=True)
class Hole:
    """Nothing was recorded from when to when, s, and why as far as the log knows."""

    from_s: float
    to_s: float
    cause: str
    why: str = ""


@dataclass(frozen=True, slots=True, eq=False)
class Window:
    """One box over a stretch of time.

    All arrays are equally long; a value that is missing is NaN.

    Attributes:
        chamber: its name.
        config: the box as configured then.
        at_s: times of the rows, s from any start.
        celsius: readings by place, °C; places without a probe are missing.
        estimate_c: callus zone, °C.
        setpoint_c: what it should have been, °C.
        duty: share of the time that heat was asked for, 0 to 1.
        heat: whether the relay was commanded closed.
        condition: each row's word.
        faults: readings without a value: when, where and why; one entry per spell is enough.
        said: events of this box and of the house, oldest first.
        others: events of the other boxes.
        beside: readings of the other boxes at the times of these rows, °C, by box and place.
        tended: when the grower said it was open.
        holes: when nothing was recorded.
        ends_s: when the stretch ends, s; the last row where nothing is missing at the end.
    """

    chamber: str
    config: ChamberConfig
    at_s: Floats
    celsius: Mapping[Place, Floats]
    estimate_c: Floats
    setpoint_c: Floats
    duty: Floats
    heat: npt.NDArray[np.bool_]
    condition: Sequence[Condition]
    faults: Sequence[tuple[float, Place, Fault]] = ()
    said: Sequence[Said] = ()
    others: Sequence[Said] = ()
    beside: Mapping[str, Mapping[Place, Floats]] = field(default_factory=dict)
    tended: Sequence[Tended] = ()
    holes: Sequence[Hole] = field(default_factory=tuple)
    ends_s: float | None = None

    def raised(self, *alarms: Alarm) -> list[Said]:
        """Alarms of these kinds that were raised, of this box or of the house, oldest first."""
        kinds = (EventKind.ALARM_RAISED, EventKind.CUTOFF)
        return [each for each in self.said if each.kind in kinds and each.alarm in alarms]

    def at(self, place: Place) -> Floats:
        """Readings of a place, °C; all NaN where it has no probe."""
        found = self.celsius.get(place)
        return np.full(len(self.at_s), np.nan) if found is None else found

    def between(self, from_s: float, to_s: float) -> slice:
        """The rows from one time to another, the second left out."""
        first, last = np.searchsorted(self.at_s, (from_s, to_s))
        return slice(int(first), int(last))
