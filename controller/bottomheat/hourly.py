"""Hours of a box in means: what foresight and drift go by.  Pure; a few numbers a box.

An hour counts where four fifths of its cycles had wet layer and room.  It is calm where nothing in
it would mislead a model of the box: lid on, nobody at work, heat allowed, no probe or mat in doubt.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from bottomheat.model import Alarm, Good, Place, Record

HOUR_S = 3600.0
ENOUGH_FRAC = 0.8
"""Share of an hour that has to be known; judgement."""

IN_DOUBT = frozenset(
    {
        Alarm.CUTOFF,
        Alarm.CALLUS_HOT,
        Alarm.CROSSED,
        Alarm.KEEPER_LATCHED,
        Alarm.NO_EFFECT,
        Alarm.PROBE_DISPLACED,
        Alarm.PROBE_FROZEN,
        Alarm.PROBE_LOST,
        Alarm.RELAY_STUCK_ON,
        Alarm.ROOM_DOUBTED,
        Alarm.ROOM_LOST,
        Alarm.SUBSTRATES_DISAGREE,
        Alarm.WARM_WITHOUT_HEAT,
    }
)
"""While one of these stands the box is not judged: its own detectors have the word."""


@dataclass(frozen=True, slots=True)
class Hour:
    """One hour of one box.

    Attributes:
        number: hours of the monotonic clock.
        layer_c: mean wet layer, °C.
        room_c: mean room, °C.
        watts: mean power of the mat, W.
        mat_c: mean mat, °C; None without a probe on it.
        callus_c: mean estimate of the callus zone, °C; None where it was not known.
        setpoint_c: of the callus zone at the end, °C.
        calm: nothing in it misleads.
    """

    number: int
    layer_c: float
    room_c: float
    watts: float
    mat_c: float | None
    callus_c: float | None
    setpoint_c: float
    calm: bool


@dataclass(frozen=True, slots=True)
class Gathering:
    """The hour that runs: sums over its cycles; ``whole``: it did not begin late."""

    number: int
    cycles: int = 0
    good: int = 0
    layer_c: float = 0.0
    room_c: float = 0.0
    heated: int = 0
    mats: int = 0
    mat_c: float = 0.0
    known: int = 0
    callus_c: float = 0.0
    setpoint_c: float = 0.0
    calm: bool = True
    whole: bool = True


def take(
    gathering: Gathering | None,
    record: Record,
    watts: float,
    now_s: float,
    *,
    calm: bool,
) -> tuple[Gathering, Hour | None]:
    """Add a cycle; an hour that this cycle ends is handed back.

    Args:
        gathering: of the cycle before; None at the start, when a first part of an hour is lost.
        record: what the cycle saw.
        watts: power of the mat while heat is on, W.
        now_s: monotonic time, s.
        calm: nothing misleads now.
    """
    number = math.floor(now_s / HOUR_S)
    ended = None
    if gathering is None:
        late = now_s - number * HOUR_S > (1.0 - ENOUGH_FRAC) * HOUR_S
        gathering = Gathering(number, whole=not late)
    elif number != gathering.number:
        ended = _ended(gathering, watts)
        gathering = Gathering(number)
    readings = dict(record.readings)
    layer, room, mat = (readings.get(p) for p in (Place.SUBSTRATE, Place.ROOM, Place.MAT))
    good = isinstance(layer, Good) and isinstance(room, Good)
    estimate = record.estimate
    return (
        Gathering(
            number,
            gathering.cycles + 1,
            gathering.good + good,
            gathering.layer_c + (layer.celsius if good and isinstance(layer, Good) else 0.0),
            gathering.room_c + (room.celsius if good and isinstance(room, Good) else 0.0),
            gathering.heated + record.heat,
            gathering.mats + isinstance(mat, Good),
            gathering.mat_c + (mat.celsius if isinstance(mat, Good) else 0.0),
            gathering.known + (estimate is not None),
            gathering.callus_c + (0.0 if estimate is None else estimate.celsius),
            record.setpoint_c,
            gathering.calm and calm and not record.alarms & IN_DOUBT,
            gathering.whole,
        ),
        ended,
    )


def _ended(sums: Gathering, watts: float) -> Hour | None:
    if not sums.whole or sums.good == 0 or sums.good < ENOUGH_FRAC * sums.cycles:
        return None
    enough = ENOUGH_FRAC * sums.cycles
    return Hour(
        sums.number,
        sums.layer_c / sums.good,
        sums.room_c / sums.good,
        watts * sums.heated / sums.cycles,
        sums.mat_c / sums.mats if sums.mats >= enough else None,
        sums.callus_c / sums.known if sums.known >= enough else None,
        sums.setpoint_c,
        sums.calm,
    )
