"""Whether a calibration's interval holds the truth, and what a calibration gains.

Run by hand:

    python tests/bench/calibrations.py                    300 boxes, five minutes on a free core
    python tests/bench/calibrations.py --jobs 2           the same on two cores
    python tests/bench/calibrations.py --benchmark 60     and what two readings gain, on 60 of them
    python tests/bench/calibrations.py --errors jar       probes that were compared, ±0.1 K
    python tests/bench/calibrations.py --json             one JSON object

Every box is drawn within handbook ranges and lives five to ten days in the weather of a record with
the controller in closed loop, on the factor 0.75 that it knows nothing about.  In that time
somebody reads a thermometer two to six times at the bases of the cuttings, between 7 and 22 h, at
hours that the command takes for steady.  The readings are paired and fitted as by the command.

Errors: the thermometer is wrong by one error common to its readings, 0.1 K (k = 1), which is told
as ± 0.2 °C, and 0.06 K more at each; each probe by a constant within ±0.5 K.  ``independent``: each
reading with another thermometer of that kind.  ``jar``: probes within ±0.1 K.

Judged is the 95 % interval of the callus zone at the calibrated spot, where the true callus zone
is steady at 25 °C in the rooms that were read in, in their mean, and in one 10 K colder.

The benchmark: 14 days in the room of ``stand`` (17 ± 3 °C, one day 8 K colder) with a mat of 1.3
times what 6 °C need; RMS of the true callus zone about 25 °C from the third day on.  The same box,
probes and noise with the fixed offset that the first reading gives, with the temperature factor and
with the heat flow that the first two give.  Everything is simulated.
"""

from __future__ import annotations

import argparse
import json
import math
import random
import statistics
import sys
import time
from collections.abc import Callable, Iterable, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from typing import Any

import stand
from scipy.stats import binomtest

from calibration_trials import (
    DOUBTS,
    UNCALIBRATED,
    Judged,
    draw,
    fitted,
    fixed_offset_of,
    flow_offset_of,
    judge,
    offset_of,
)
from calibration_world import live, settled_at

SCORED_FROM_H = 48.0
SPARE = 1.3
COLDEST_C = 6.0
TOLD_EVERY_S = 10.0


@dataclass(frozen=True, slots=True)
class Job:
    """One box: its seed, which errors, and whether the benchmark is run on it."""

    seed: int
    errors: str
    benchmark: bool


@dataclass(frozen=True, slots=True)
class Result:
    """What came of one box; ``rms_k`` by offset, K, empty without the benchmark."""

    seed: int
    readings: int
    refused: int
    judged: tuple[Judged, ...]
    two: tuple[Judged, ...]
    factor_error: float
    rms_k: dict[str, float]


def do(job: Job) -> Result:
    """Draw a box, calibrate it, judge it."""
    trial = draw(job.seed, DOUBTS[job.errors])
    taken = trial.taken
    if len(taken) < 2:
        return Result(job.seed, len(taken), trial.refused, (), (), math.nan, {})
    made = fitted(trial, taken[:2])
    rms_k: dict[str, float] = {}
    if job.benchmark:
        box = trial.box
        watts = 5.0 * math.ceil(SPARE * settled_at(box, COLDEST_C)[1] / 5.0)
        for name, offset in (
            ("factor 0.75", UNCALIBRATED),
            ("fixed", fixed_offset_of(taken[0])),
            ("temperature-factor", offset_of(made)),
            ("heat-flow", flow_offset_of(made)),
        ):
            if offset is None:
                continue
            history = live(
                box,
                offset,
                stand.bench_room(0.0),
                stand.DAYS,
                random.Random(f"benchmark {job.seed}"),
                biases=trial.history.biases,
                watts=watts,
            )
            rms_k[name] = history.rms_k(SCORED_FROM_H)
    return Result(
        job.seed,
        len(taken),
        trial.refused,
        tuple(judge(trial, taken)),
        tuple(judge(trial, taken[:2])),
        made.line.factor - trial.factor,
        rms_k,
    )


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
    run = [result.rms_k for result in results if result.rms_k]
    found = []
    for name in dict.fromkeys(name for rms_k in run for name in rms_k):
        pairs = [(rms_k[name], rms_k["fixed"]) for rms_k in run if name in rms_k]
        found.append(
            {
                "offset": name,
                "boxes": len(pairs),
                "median_rms_k": statistics.median(own for own, _ in pairs),
                "worst_rms_k": max(own for own, _ in pairs),
                "median_ratio_to_fixed": statistics.median(own / fixed for own, fixed in pairs),
                "better_than_fixed": sum(own < fixed for own, fixed in pairs),
            }
        )
    return found


def table(result: dict[str, Any]) -> str:
    """Everything as text."""
    lines = [
        f"errors: {result['errors']}; {result['boxes']} boxes from seed {result['seed']}, "
        f"{result['readings']} readings, {result['refused']} hours not steady, "
        f"{result['short']} boxes with fewer than two readings, left out"
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
        head = "boxes  median RMS  worst RMS  median of ratio to fixed  better than fixed"
        lines += ["", f"{'14 days, after two readings':34s} {head}"]
        for row in result["benchmark"]:
            lines.append(
                f"{row['offset']:35s}{row['boxes']:5d}  {row['median_rms_k']:8.3f} K "
                f"{row['worst_rms_k']:8.3f} K  {row['median_ratio_to_fixed']:17.3f}  "
                f"{row['better_than_fixed']:15d}"
            )
    return "\n".join(lines)


def run(
    count: int, seed: int, errors: str, *, jobs: int, benchmark: int, tell: Callable[[int], None]
) -> dict[str, Any]:
    """Run many boxes; ``tell`` is told how many are done."""
    todo = [Job(seed + i, errors, i < benchmark) for i in range(count)]
    results = []
    with ProcessPoolExecutor(jobs) as pool:
        for result in pool.map(do, todo):
            results.append(result)
            tell(len(results))
    good = [result for result in results if result.judged]
    return {
        "simulation": True,
        "errors": errors,
        "seed": seed,
        "boxes": len(good),
        "short": len(results) - len(good),
        "readings": sum(result.readings for result in good),
        "refused": sum(result.refused for result in results),
        "coverage": coverage(result.judged for result in good),
        "coverage_of_two": coverage(result.two for result in good),
        "benchmark": gains(good),
        "rows": [
            {
                "seed": result.seed,
                "readings": result.readings,
                "factor_error_of_two": result.factor_error,
                **{f"rms_k {name}": rms_k for name, rms_k in result.rms_k.items()},
            }
            for result in good
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
    parser.add_argument("--errors", choices=tuple(DOUBTS), default="common")
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
        options.errors,
        jobs=options.jobs,
        benchmark=options.benchmark,
        tell=tell,
    )
    print(json.dumps(result, allow_nan=False) if options.json else table(result))
    return 0


if __name__ == "__main__":
    sys.exit(main())
