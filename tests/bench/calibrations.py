"""Whether a calibration's interval holds the truth, and what a calibration gains.

Run by hand:

    python tests/bench/calibrations.py                    300 boxes, seven minutes on a free core
    python tests/bench/calibrations.py --jobs 2           the same on two cores
    python tests/bench/calibrations.py --benchmark 60     and what two readings gain: ten more
    python tests/bench/calibrations.py --errors jar       with one kind of errors alone
    python tests/bench/calibrations.py --json             one JSON object

Every box is drawn within handbook ranges and lives five to ten days in the weather of a record with
the controller in closed loop, on the factor 0.75 that it knows nothing about.  In that time
somebody reads a thermometer two to six times at the bases of the cuttings, between 7 and 22 h, at
hours that the command takes for steady.  The readings are paired and fitted as by the command.

Errors: the thermometer is wrong by one error common to its readings, 0.1 K (k = 1), which is told
as ± 0.2 °C, and 0.06 K more at each; each probe by a constant within ±0.5 K.  ``independent``: each
reading with another thermometer of that kind.  ``jar``: the probes are compared afterwards, which
leaves ±0.1 K.

Judged is the 95 % interval of the callus zone at the calibrated spot, where the true callus zone
is steady at 25 °C in the rooms that were read in, in their mean, and in one 10 K colder.

The benchmark: 14 days in the room of ``stand`` (17 ± 3 °C, one day 8 K colder) with a mat of 1.3
times what 6 °C need; RMS of the true callus zone about 25 °C from the third day on.  The same box,
probes and noise with the fixed offset that the first reading gives, with the temperature factor and
with the heat flow that the first two give.  Then the same for a fortnight of recorded weather in a
shed, a mat of 1.3 times what its coldest hour needs.  ``inside``: share of the time in which the
true callus zone was within the interval that the service showed.  Everything is simulated.
"""

from __future__ import annotations

import argparse
import json
import math
import random
import statistics
import sys
import time
from collections.abc import Callable, Iterable, Mapping, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import asdict, dataclass
from typing import Any

import numpy as np
import stand
from scipy.stats import binomtest

from bottomheat.calibration.fit import Fit
from bottomheat.rooms import RoomSeries
from calibration_trials import (
    DOUBTS,
    UNCALIBRATED,
    Judged,
    Trial,
    draw,
    fitted,
    fixed_offset_of,
    flow_offset_of,
    judge,
    offset_of,
    read,
)
from calibration_world import HOUR_S, live, settled_at, shed_room

FIXED = "fixed"
SCORED_FROM_H = 48.0
SPARE = 1.3
COLDEST_C = 6.0
TOLD_EVERY_S = 10.0


@dataclass(frozen=True, slots=True)
class Job:
    """One box: its seed, which errors, and whether the benchmark is run on it
    with the first of them."""

    seed: int
    errors: tuple[str, ...]
    benchmark: bool


@dataclass(frozen=True, slots=True)
class Held:
    """A fortnight with one offset: RMS about the setpoint, K, and share of it inside."""

    rms_k: float
    inside: float


@dataclass(frozen=True, slots=True)
class Result:
    """What came of one box with one kind of errors.

    Attributes:
        errors: which.
        seed: of the box.
        readings: how many.
        refused: hours that were not steady.
        judged: with all readings.
        two: with the first two.
        factor_error: of the first two, dimensionless.
        held: by room and offset, empty without the benchmark.
    """

    errors: str
    seed: int
    readings: int
    refused: int
    judged: tuple[Judged, ...]
    two: tuple[Judged, ...]
    factor_error: float
    held: dict[str, dict[str, Held]]


def do(job: Job) -> list[Result]:
    """Draw a box, calibrate it, judge it."""
    life = draw(job.seed)
    if len(life.hours) < 2:
        return []
    results = []
    for errors in job.errors:
        trial = read(life, errors)
        two = trial.taken[:2]
        made = fitted(trial, two)
        results.append(
            Result(
                errors,
                job.seed,
                len(life.hours),
                life.refused,
                tuple(judge(trial, trial.taken)),
                tuple(judge(trial, two)),
                made.line.factor - life.factor,
                benchmark(trial, made) if job.benchmark and errors == job.errors[0] else {},
            )
        )
    return results


def benchmark(trial: Trial, made: Fit) -> dict[str, dict[str, Held]]:
    """Hold the box for a fortnight in either room with each offset."""
    offsets = {
        "factor 0.75": UNCALIBRATED,
        FIXED: fixed_offset_of(trial),
        "temperature-factor": offset_of(made),
        "heat-flow": flow_offset_of(made),
    }
    seed = trial.life.seed
    shed = shed_room(random.Random(f"benchmark shed {seed}"), stand.DAYS, span_k=6.0)
    return {
        where: {
            name: fortnight(trial, offset, room, coldest_c)
            for name, offset in offsets.items()
            if offset is not None
        }
        for where, room, coldest_c in (
            ("bench", stand.bench_room(0.0), COLDEST_C),
            ("shed", shed, shed.coldest_c),
        )
    }


def fortnight(trial: Trial, offset: Mapping[str, Any], room: RoomSeries, coldest_c: float) -> Held:
    """Hold a calibrated box for 14 days; the same seed is the same noise."""
    history = live(
        trial.life.box,
        offset,
        room,
        stand.DAYS,
        random.Random(f"benchmark {trial.life.seed}"),
        biases=trial.biases,
        watts=5.0 * math.ceil(SPARE * settled_at(trial.life.box, coldest_c)[1] / 5.0),
    )
    scored = history.t_s > SCORED_FROM_H * HOUR_S
    off_k = np.abs(history.estimate_c - history.true_callus_c)[scored]
    return Held(history.rms_k(SCORED_FROM_H), float(np.mean(off_k <= history.expanded_k[scored])))


def coverage(rows: Iterable[Sequence[Judged]]) -> list[dict[str, Any]]:
    """How often the interval held the truth, by method and state."""
    groups: dict[tuple[str, str], list[Judged]] = {}
    for each in rows:
        for judged in each:
            groups.setdefault((judged.method, judged.where), []).append(judged)
    found = []
    for (method, where), group in sorted(groups.items(), reverse=True):
        held = sum(judged.held for judged in group)
        exact = binomtest(held, len(group)).proportion_ci(0.95)
        found.append(
            {
                "method": method,
                "where": where,
                "boxes": len(group),
                "held": held,
                "share": held / len(group),
                "share_low": float(exact.low),
                "share_high": float(exact.high),
                "error_rms_k": math.sqrt(statistics.fmean(j.error_k**2 for j in group)),
                "error_mean_k": statistics.fmean(j.error_k for j in group),
                "normalised_rms": math.sqrt(
                    statistics.fmean((j.error_k / j.u_k) ** 2 for j in group)
                ),
                "median_expanded_k": 2.0 * statistics.median(j.u_k for j in group),
            }
        )
    return found


def gains(results: Sequence[Result]) -> list[dict[str, Any]]:
    """The benchmark: each offset against the fixed one of the same box."""
    found = []
    for where in ("bench", "shed"):
        run = [result.held[where] for result in results if result.held]
        for name in dict.fromkeys(name for held in run for name in held):
            pairs = [(held[name], held[FIXED]) for held in run if name in held]
            found.append(
                {
                    "room": where,
                    "offset": name,
                    "boxes": len(pairs),
                    "median_rms_k": statistics.median(own.rms_k for own, _ in pairs),
                    "worst_rms_k": max(own.rms_k for own, _ in pairs),
                    "median_ratio_to_fixed": statistics.median(
                        own.rms_k / fixed.rms_k for own, fixed in pairs
                    ),
                    "better_than_fixed": sum(own.rms_k < fixed.rms_k for own, fixed in pairs),
                    "inside": statistics.fmean(own.inside for own, _ in pairs),
                }
            )
    return found


def table(result: dict[str, Any]) -> str:
    """Everything as text."""
    lines = [
        f"errors: {result['errors']}; {result['boxes']} boxes, {result['readings']} readings, "
        f"{result['refused']} hours not steady"
    ]
    for title, key in (("all readings", "coverage"), ("the first two", "coverage_of_two")):
        head = "held     95 % interval of it   error RMS  mean   /u RMS  median ± (k = 2)"
        lines += ["", f"{title:34s} {head}"]
        for row in result[key]:
            lines.append(
                f"{row['method']:19s}{row['where']:14s}  {row['held']:3d}/{row['boxes']:3d} "
                f"{100 * row['share']:5.1f} %  {100 * row['share_low']:4.1f}-"
                f"{100 * row['share_high']:5.1f} %    {row['error_rms_k']:.3f} "
                f"{row['error_mean_k']:+.3f}  {row['normalised_rms']:6.2f}  "
                f"{row['median_expanded_k']:8.2f} K"
            )
    if result["benchmark"]:
        head = "boxes  median RMS  worst RMS  median of ratio  better    inside"
        lines += ["", f"{'14 days; ratio to fixed':35s}{head}"]
        for row in result["benchmark"]:
            lines.append(
                f"{row['room']:8s}{row['offset']:27s}{row['boxes']:5d} {row['median_rms_k']:9.3f} K"
                f" {row['worst_rms_k']:8.3f} K {row['median_ratio_to_fixed']:16.3f}"
                f" {row['better_than_fixed']:7d}   {100 * row['inside']:5.1f} %"
            )
    return "\n".join(lines)


def run(
    count: int,
    seed: int,
    errors: tuple[str, ...],
    *,
    jobs: int,
    benchmarks: int,
    tell: Callable[[int], None],
) -> dict[str, Any]:
    """Run many boxes; ``tell`` is told how many are done."""
    todo = [Job(seed + i, errors, i < benchmarks) for i in range(count)]
    each: list[list[Result]] = []
    with ProcessPoolExecutor(jobs) as pool:
        for results in pool.map(do, todo):
            each.append(results)
            tell(len(each))
    return {
        "simulation": True,
        "seed": seed,
        "boxes": count,
        "boxes_left_out": sum(not results for results in each),
        "errors": [
            summed(name, [r for rs in each for r in rs if r.errors == name]) for name in errors
        ],
    }


def summed(errors: str, results: Sequence[Result]) -> dict[str, Any]:
    """Sum up the boxes of one kind of errors."""
    return {
        "errors": errors,
        "boxes": len(results),
        "readings": sum(result.readings for result in results),
        "refused": sum(result.refused for result in results),
        "coverage": coverage(result.judged for result in results),
        "coverage_of_two": coverage(result.two for result in results),
        "benchmark": gains(results),
        "rows": [
            {
                "seed": result.seed,
                "readings": result.readings,
                "factor_error_of_two": result.factor_error,
                "benchmark": {
                    where: {name: asdict(held) for name, held in held_in.items()}
                    for where, held_in in result.held.items()
                },
            }
            for result in results
        ],
    }


def main() -> int:
    """Run the bench."""
    parser = argparse.ArgumentParser(description="Bench of calibrations on calculated boxes.")
    parser.add_argument("--count", type=int, default=300, help="boxes")
    parser.add_argument("--seed", type=int, default=1, help="of the first box; the rest count up")
    parser.add_argument("--jobs", type=int, default=1, help="boxes at a time")
    parser.add_argument(
        "--benchmark", type=int, default=0, metavar="COUNT", help="on so many boxes"
    )
    parser.add_argument("--errors", choices=tuple(DOUBTS), action="append", help="default: all")
    parser.add_argument("--json", action="store_true", help="print one JSON object")
    options = parser.parse_args()
    begun = told = time.perf_counter()

    def tell(done: int) -> None:
        nonlocal told
        now = time.perf_counter()
        if now - told >= TOLD_EVERY_S or done == options.count:
            told = now
            print(f"{done}/{options.count} boxes, {now - begun:.0f} s", file=sys.stderr, flush=True)

    result = run(
        options.count,
        options.seed,
        tuple(options.errors or DOUBTS),
        jobs=options.jobs,
        benchmarks=options.benchmark,
        tell=tell,
    )
    if options.json:
        print(json.dumps(result, allow_nan=False))
        return 0
    print("\n\n".join(table(each) for each in result["errors"]))
    print(f"\n{result['boxes_left_out']} boxes with fewer than two steady hours, left out")
    return 0


if __name__ == "__main__":
    sys.exit(main())
