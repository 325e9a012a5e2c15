"""The warning "tonight the mat will not hold" over cold nights: hits, misses, false warnings.

    python tests/bench/tonight.py [BOXES] [DAYS] [SEED]

Random boxes in the rooms of sheds in recorded weather (vega-datasets), each with a mat that the
coldest tenth to half of its nights is too much for.  A night is 18:00 to 12:00.  It was *short*
where an hour's mean of the estimate was a kelvin below the setpoint, *held* where none was half a
kelvin below, and *near* between the two, which counts neither way.  It was *warned of* where the
warning stood before the first such hour; a false warning is one that was raised in the day before a
night that was held, or stood through it.  Gains carry the error of an identification.
"""

from __future__ import annotations

import random
import statistics
import sys
from dataclasses import dataclass, field
from pathlib import Path

sys.path.append(str(Path(__file__).resolve().parents[1]))

from bottomheat.capacity import Basis, Lift, capacity
from bottomheat.tonight import Night, advance_hour, rooms_ahead
from calibration_world import random_biases, shed_room
from cold_nights import SETPOINT_C, config_of, hours_of
from random_boxes import Box, draw_boxes

GAIN_SIGMA = 0.02
WARM_UP_DAYS = 3


@dataclass(slots=True)
class Count:
    """What came of the nights."""

    nights: int = 0
    short: int = 0
    near: int = 0
    hits: int = 0
    late: int = 0
    misses: int = 0
    false: int = 0
    raised: int = 0
    lead_h: list[float] = field(default_factory=list)
    error_k: list[float] = field(default_factory=list)
    rooms_k: list[float] = field(default_factory=list)


def watts_for(box: Box, lows_c: list[float], rng: random.Random) -> float:
    """A mat that the coldest tenth to half of the nights is too much for, W."""
    low_c = sorted(lows_c)[int(len(lows_c) * rng.uniform(0.1, 0.5))]
    return max(10.0, round((SETPOINT_C - low_c) / box.gain("callus")))


def trial(box: Box, index: int, days: float, seed: int, count: Count) -> None:
    """Let one box live and count its nights."""
    rng = random.Random(f"tonight {seed} {index}")
    room = shed_room(rng, days, span_k=8.0)
    lows_c = [min(room(24.0 * d + h / 2.0) for h in range(-12, 24)) for d in range(1, int(days))]
    watts = watts_for(box, lows_c, rng)
    biases = random_biases(rng)
    gain = box.gain_k_per_w * (1.0 + rng.gauss(0.0, GAIN_SIGMA))
    true = box.two_lags()
    load_k = biases.substrate_k - biases.room_k
    chamber = config_of(
        box.factor,
        watts,
        limits={"mat": 85.0, "substrate": 48.0},
        layer_ceiling=42.0,
        model={
            "gain": gain,
            "slow_lag": true.slow_s / 3600.0,
            "quick_lag": true.quick_s / 3600.0,
            "quick_share": true.quick_share,
            "dead_time": true.dead_s / 3600.0,
            "room_quick_share": true.room_quick_share,
            "load": load_k,
        },
    )
    lift = Lift(gain, Basis.MODEL, load_k, mat_k_per_w=box.gain("mat") - box.gain_k_per_w)
    assert capacity(chamber, lift, 0.0) is not None
    night = Night()
    lived_c: dict[int, float] = {}
    ahead: dict[int, list[float] | None] = {}
    stood: dict[int, tuple[bool, bool, float, float | None]] = {}
    for lived in hours_of(box.make(), chamber, room, days, rng, biases=biases):
        before = night.stands
        night = advance_hour(night, lived.hour, chamber, lift)
        assert lived.hour.callus_c is not None
        number = lived.hour.number
        lived_c[number] = lived.hour.room_c
        if 12 <= number % 24 <= 22:
            ahead[number] = rooms_ahead(night.rooms, number)
        foretold = None if night.outlook is None else night.outlook.lowest_c
        stood[lived.hour.number] = (
            night.stands,
            night.stands and not before,
            lived.hour.callus_c,
            foretold,
        )
    count.rooms_k += [
        room_c - lived_c[number + k]
        for number, rooms in ahead.items()
        for k, room_c in enumerate(rooms or (), 1)
        if number + k in lived_c
    ]
    for day in range(WARM_UP_DAYS, int(days) - 1):
        _night(stood, day, count)


def _night(
    stood: dict[int, tuple[bool, bool, float, float | None]], day: int, count: Count
) -> None:
    evening, noon = 24 * day + 18, 24 * day + 36
    hours = [h for h in range(evening, noon) if h in stood]
    low_c = min(stood[h][2] for h in hours)
    count.nights += 1
    count.raised += sum(stood[h][1] for h in range(evening - 9, noon) if h in stood)
    before = [h for h in range(evening - 9, evening + 1) if h in stood]
    short = [h for h in hours if stood[h][2] <= SETPOINT_C - 1.0]
    if (foretold := stood[evening][3]) is not None and min(foretold, low_c) < SETPOINT_C - 0.3:
        count.error_k.append(foretold - low_c)
    if short:
        count.short += 1
        stand = [h for h in range(evening - 9, short[0]) if stood.get(h, (False,))[0]]
        if stand:
            count.hits += 1
            count.lead_h.append(short[0] - stand[0])
        elif any(stood[h][0] for h in hours):
            count.late += 1
        else:
            count.misses += 1
    elif low_c > SETPOINT_C - 0.5:
        raised = any(stood[h][1] for h in (*before, *hours))
        count.false += raised or all(stood[h][0] for h in hours)
    else:
        count.near += 1


def run(boxes: int, days: float, seed: int) -> Count:
    """Try each box."""
    count = Count()
    for index, box in enumerate(draw_boxes(boxes, seed)):
        trial(box, index, days, seed, count)
    return count


def main() -> None:
    """Print the counts."""
    boxes = int(sys.argv[1]) if len(sys.argv) > 1 else 12
    days = float(sys.argv[2]) if len(sys.argv) > 2 else 30.0
    seed = int(sys.argv[3]) if len(sys.argv) > 3 else 8
    c = run(boxes, days, seed)
    held = c.nights - c.short - c.near
    print(
        f"{boxes} boxes, {c.nights} nights: {c.short} short, {c.near} near, {held} held\n"
        f"short: {c.hits} warned of before, {c.late} warned late, {c.misses} missed; "
        f"lead median {statistics.median(c.lead_h or [0]):.0f} h, "
        f"shortest {min(c.lead_h or [0]):.0f} h\n"
        f"held: {c.false} false warnings; raised {c.raised} times in all\n"
        f"foretold at 18:00 less what came, where it mattered: mean "
        f"{statistics.fmean(c.error_k or [0]):+.2f} K, RMS "
        f"{statistics.fmean([e * e for e in c.error_k] or [0]) ** 0.5:.2f} K\n"
        f"rooms foretold from noon to 22:00 for 18 h, less what came: RMS "
        f"{statistics.fmean([e * e for e in c.rooms_k] or [0]) ** 0.5:.2f} K"
    )


if __name__ == "__main__":
    main()
