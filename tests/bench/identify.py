"""How well ordinary running tells how a box answers, and whether the intervals hold the truth.

Run by hand:

    python tests/bench/identify.py                    120 boxes, five to ten minutes on a free core
    python tests/bench/identify.py --jobs 2           the same on two cores
    python tests/bench/identify.py --boxes 20 --days 3
    python tests/bench/identify.py --json             one JSON object

Random boxes (`random_boxes`, half of them of the second model) live for five days with estimate,
law and relay of the service in recorded weather; probes lag, have noise, round to 1/16 K and are
wrong by up to half a kelvin.  Two in three begin cold, so that the warm-up is in the log; the
others have run for half a day to two days before.  Sheds may be colder than a mat can carry.

Truth (`random_boxes`): gain exact; slow lag: the slowest mode that carries 5 % of the gain; quick
lag, its share and the dead time: two lags and a dead time fitted to the exact step response, plus
the lag of the probe, which the log cannot show apart; the load: the difference of the probes'
constant errors.  What is said of the callus zone is judged on a probe there.

Everything is simulated.
"""

from __future__ import annotations

import argparse
import json
import os
import random
import sys
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).parents[1]))
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # the matrices are small

import numpy as np

from bottomheat.identification.found import NotEnough
from bottomheat.identification.passive import Fitted, identify
from bottomheat_drivers.simulated import LAG_S
from calibration_world import random_biases, shed_room
from ordinary_log import run
from random_boxes import Box, draw_boxes

FIELDS = (
    "gain_k_per_w",
    "slow_s",
    "quick_s",
    "quick_share",
    "dead_s",
    "room_quick_share",
    "load_k",
)
COUNTED = (
    "gain_k_per_w",
    "slow_s",
    "quick_s",
    "quick_share",
    "dead_s",
    "room_quick_share",
    "load_k",
)
COUNTED_CALLUS = ("gain_k_per_w", "slow_s", "dead_s", "load_k")
"""Of the callus zone the two lags are often one: those that are told then."""


@dataclass(frozen=True, slots=True)
class Case:
    """What came of one box.

    Attributes:
        name: of the box.
        warm: the log begins with a warm bed.
        reasons: why there is no result; empty where there is one.
        values: by field: found, truth, low, high; the last two None where no interval was given.
        white: whether the one-step residuals pass.
    """

    name: str
    warm: bool
    reasons: tuple[str, ...]
    values: dict[str, tuple[float, float, float | None, float | None]] = field(default_factory=dict)
    white: bool = False


def case(number: int, *, boxes: int, seed: int, days: float) -> Case:
    """Let one box live, identify it, and put the truth beside it."""
    box = draw_boxes(boxes, seed)[number]
    rng = random.Random(f"identify {seed} {number}")
    before_days = 0.0 if number % 3 else rng.uniform(0.5, 2.0)
    room = shed_room(rng, days + 3.0)
    biases = random_biases(rng)
    made = run(box, room, days, rng, biases=biases, before_days=before_days)
    answer = identify([made.probed])
    warm = before_days > 0.0
    if isinstance(answer, NotEnough):
        return Case(box.name, warm, answer.reasons)
    load_k = {
        "substrate": biases.substrate_k - biases.room_k,
        "callus": biases.callus_k - biases.room_k,
    }
    values = {}
    for place in ("substrate", "callus"):
        values |= _beside(answer, box, place, load_k[place])
    return Case(box.name, warm, (), values, answer.found.white)


def _beside(
    answer: Fitted, box: Box, place: str, load_k: float
) -> dict[str, tuple[float, float, float | None, float | None]]:
    found = answer.found
    response = found.response if place == "substrate" else found.callus
    if response is None:
        return {}
    truth = box.two_lags(place)
    before = "" if place == "substrate" else "callus."
    beside = {}
    for name in FIELDS:
        true = load_k if name == "load_k" else getattr(truth, name)
        if name == "dead_s":
            true += LAG_S
        interval = found.intervals.get(before + name)
        low, high = (None, None) if interval is None else (interval.low, interval.high)
        beside[before + name] = (getattr(response, name), true, low, high)
    return beside


def table(cases: Sequence[Case]) -> dict[str, Any]:
    """Errors and coverage by field, and what the goal asks for."""
    told = [each for each in cases if not each.reasons]
    rows: dict[str, Any] = {}
    names = [*FIELDS, *(f"callus.{name}" for name in FIELDS)]
    for name in names:
        values = [each.values[name] for each in told if name in each.values]
        if not values:
            continue
        off = [abs(v - t) / (1.0 if name.endswith("load_k") else abs(t)) for v, t, *_ in values]
        given = [(t, low, high) for _, t, low, high in values if low is not None]
        rows[name] = {
            "count": len(values),
            "median": float(np.median(off)),
            "p90": float(np.quantile(off, 0.9)),
            "intervals": len(given),
            "held": sum(low <= t <= high for t, low, high in given),
        }
    counted = [*COUNTED, *(f"callus.{name}" for name in COUNTED_CALLUS)]

    def share(wanted: Sequence[str]) -> tuple[int, float]:
        many = sum(rows[name]["intervals"] for name in wanted if name in rows)
        held = sum(rows[name]["held"] for name in wanted if name in rows)
        return many, held / many if many else float("nan")

    layer, both = share(COUNTED), share(counted)
    return {
        "boxes": len(cases),
        "told": len(told),
        "warm_told": sum(each.warm for each in told),
        "white": sum(each.white for each in told),
        "fields": rows,
        "pairs_layer": layer[0],
        "held_layer": layer[1],
        "pairs": both[0],
        "held": both[1],
    }


def rows_of(found: dict[str, Any]) -> str:
    """The table as text."""
    lines = [
        f"{found['boxes']} boxes; {found['told']} told ({found['warm_told']} of them without a "
        f"warm-up), {found['white']} with white residuals",
        f"{'':26s}{'boxes':>6s}{'median':>9s}{'90 %':>9s}{'intervals':>11s}{'hold':>7s}",
    ]
    for name, row in found["fields"].items():
        held = row["held"] / row["intervals"] if row["intervals"] else float("nan")
        form = "9.3f" if name.endswith("load_k") else "9.2%"  # K, or of the truth
        off = f"{row['median']:{form}}{row['p90']:{form}}"
        lines.append(f"{name:26s}{row['count']:6d}{off}{row['intervals']:11d}{held:7.1%}")
    lines.append(
        f"intervals that hold the truth: {found['held_layer']:.1%} of {found['pairs_layer']} of "
        f"the wet layer, {found['held']:.1%} of {found['pairs']} with those of the callus zone"
    )
    return "\n".join(lines)


def cases_of(boxes: int, seed: int, days: float, jobs: int = 1) -> list[Case]:
    """All boxes."""
    work = partial(case, boxes=boxes, seed=seed, days=days)
    if jobs == 1:
        return [work(number) for number in range(boxes)]
    with ProcessPoolExecutor(jobs) as pool:
        return list(pool.map(work, range(boxes)))


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--boxes", type=int, default=120)
    parser.add_argument("--days", type=float, default=5.0)
    parser.add_argument("--seed", type=int, default=11)
    parser.add_argument("--jobs", type=int, default=1)
    parser.add_argument("--json", action="store_true")
    asked = parser.parse_args()
    cases = cases_of(asked.boxes, asked.seed, asked.days, asked.jobs)
    found = table(cases)
    if asked.json:
        print(json.dumps(found, indent=2))
        return
    for each in cases:
        for reason in each.reasons:
            print(f"{each.name}: {reason}")
    print(rows_of(found))


if __name__ == "__main__":
    main()
