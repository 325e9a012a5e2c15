"""The bench: how well the callus zone is held, beside simpler ways, and what a cycle costs.

Run by hand:

    python tests/bench/run.py                 about seven minutes
    python tests/bench/run.py --jobs 2        the same on two cores; costs are measured alone
    python tests/bench/run.py --json          one JSON object
    python tests/bench/run.py --write-room FILE.csv   the bench's room, for `bottomheat rehearse`

The task: 25.0 °C at the callus zone for 14 days with a 45 W mat, in a room of 17 ± 3 °C a day with
one day that is 8 K colder, from a box as cold as the room.  Four boxes: the built-in model and
three of a second model.  Mat probe, limits, window and tuning are the defaults; nothing is tuned
for a box.  f and the two lags of a box are known (``stand.known`` says how).  Scored on the true
callus temperature from 24 h after it first comes within ±0.5 K.  The full method is run at four
hours of the day, each with noise of its own; the others once.  Everything is simulated.
"""

from __future__ import annotations

import argparse
import json
import statistics
import sys
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import cost
import memory
import stand

STARTS = (0.0, 6.0, 12.0, 18.0)
FULL = "pid, f and lags"
FIXED_K = 1.5
ONOFF_FIXED = f"on/off, fixed {FIXED_K} K"
PID_FIXED = "pid, fixed for 17 °C"
FLOW = "pid, heat flow, no room"
METHODS = (FULL, "pid, f, default lags", FLOW, "on/off, f and lags", PID_FIXED, ONOFF_FIXED)

GOALS = (
    ("median RMS", "K", "<=", 0.12),
    ("worst RMS", "K", "<=", 0.20),
    ("least in band", "%", ">=", 99.5),
    ("most closings", "/day", "<=", 150.0),
    ("most overshoot", "K", "<=", 0.30),
)


@dataclass(frozen=True, slots=True)
class Job:
    """One rehearsal of the bench."""

    method: str
    chamber: str
    start_hour: float
    seed: int


def jobs() -> list[Job]:
    """Every rehearsal."""
    return [
        Job(method, chamber, start, seed)
        for method in METHODS
        for chamber in stand.CHAMBERS
        for seed, start in enumerate(STARTS if method == FULL else STARTS[:1], 1)
    ]


def do(job: Job, known: stand.Known) -> dict[str, Any]:
    """Run one; returns its figures."""
    law = "hysteresis" if job.method.startswith("on/off") else "pid"
    offset: dict[str, Any] = known.offset()
    if job.method == ONOFF_FIXED:
        offset = {"method": "fixed", "kelvin": FIXED_K}
    elif job.method == PID_FIXED:
        offset = {"method": "fixed", "kelvin": known.fixed_k(stand.ROOM_C)}
    elif "default lags" in job.method:
        offset = {"method": "temperature-factor", "factor": known.factor}
    if job.method == FLOW:
        resistance = round(stand.resistance_of(stand.CHAMBERS[job.chamber]), 4)
        offset = {"method": "heat-flow", "resistance": resistance}
    config = stand.bench_config(offset, law, room=job.method != FLOW)
    outcomes = stand.run(
        stand.CHAMBERS[job.chamber], config, stand.bench_room(job.start_hour), seed=job.seed
    )
    score = outcomes[stand.NAME].score
    return {
        "method": job.method,
        "chamber": job.chamber,
        "start_hour": job.start_hour,
        "seed": job.seed,
        "alarms": len(outcomes[stand.NAME].alarms),
        **{
            name: getattr(score, name)
            for name in (
                "warm_up_hours",
                "overshoot_k",
                "rms_k",
                "worst_k",
                "in_band_fraction",
                "closings_per_day",
                "mean_duty",
                "energy_kwh",
                "estimate_bias_k",
                "estimate_rms_k",
            )
        },
        "substrate_max_c": score.max_c["substrate"],
        "mat_max_c": score.max_c["mat"],
    }


def _known(chamber: str) -> stand.Known:
    return stand.known(stand.CHAMBERS[chamber])


def verdicts(rows: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """Goals against what the full method reached; a box never warm counts as failed."""
    full = [row for row in rows if row["method"] == FULL]
    if any(row["rms_k"] is None for row in full):
        return [{"goal": goal[0], "reached": None, "met": False} for goal in GOALS]
    reached = (
        statistics.median(row["rms_k"] for row in full),
        max(row["rms_k"] for row in full),
        100.0 * min(row["in_band_fraction"] for row in full),
        max(row["closings_per_day"] for row in full),
        max(row["overshoot_k"] for row in full),
    )
    return [
        {
            "goal": name,
            "unit": unit,
            "bound": f"{sign} {bound:g}",
            "reached": value,
            "met": value <= bound if sign == "<=" else value >= bound,
        }
        for (name, unit, sign, bound), value in zip(GOALS, reached, strict=True)
    ]


def ratios(rows: list[dict[str, Any]]) -> dict[str, float | None]:
    """Median RMS of each method over that of the full one, same boxes, same start."""
    found: dict[str, float | None] = {}
    medians: dict[str, float | None] = {}
    for method in METHODS:
        values = [
            row["rms_k"] for row in rows if row["method"] == method and row["start_hour"] == 0.0
        ]
        medians[method] = None if None in values else statistics.median(values)
    full = medians[FULL]
    for method, median in medians.items():
        found[method] = median / full if median is not None and full is not None else None
    return found


def table(result: dict[str, Any]) -> str:
    """Everything as text."""
    lines = ["known of each box: f, room lag h, substrate lag h; fixed 1.5 K is right in a room of"]
    for chamber, known in result["known"].items():
        lines.append(
            f"  {chamber:12s} {known['factor']:.4f}  {known['room_lag_h']:.2f}  "
            f"{known['substrate_lag_h']:.2f}   {known['fixed_right_at_c']:.1f} °C"
        )
    head = "warm h  over K   RMS K  worst K  in band %  closings  estimate bias/RMS K"
    lines += ["", f"{'':23s} {'':11s} start  {head}"]
    for row in result["runs"]:
        figures = (
            f"{_f(row['warm_up_hours'], '6.1f')}  {_f(row['overshoot_k'], '+6.2f')}  "
            f"{_f(row['rms_k'], '6.3f')}  {_f(row['worst_k'], '+7.2f')}  "
            f"{_f(row['in_band_fraction'], '9.2f', 100.0)}  {row['closings_per_day']:8.0f}  "
            f"{_f(row['estimate_bias_k'], '+.3f')} {_f(row['estimate_rms_k'], '.3f')}"
            + ("" if not row["alarms"] else f"  {row['alarms']} alarms")
        )
        lines.append(
            f"{row['method']:23s} {row['chamber']:11s} {row['start_hour']:5.0f}  {figures}"
        )
    lines += ["", "median RMS over that of the full method (start at midnight):"]
    lines += [f"  {method:23s} {_f(ratio, '.1f')}" for method, ratio in result["ratios"].items()]
    lines += ["", "goals, full method, all boxes and starts:"]
    for verdict in result["goals"]:
        met = "met" if verdict["met"] else "NOT MET"
        lines.append(
            f"  {verdict['goal']:15s} {_f(verdict['reached'], '8.3f')} {verdict.get('unit', ''):5s}"
            f"  {verdict.get('bound', '')}  {met}"
        )
    if "cost" in result:
        lines += ["", "cost:"]
        for name, value in result["cost"].items():
            if isinstance(value, dict):
                each = ", ".join(f"{count} chambers {us:.0f}" for count, us in value.items())
                lines.append(f"  {name:30s} {each}")
            else:
                lines.append(f"  {name:30s} {value:.1f}")
    return "\n".join(lines)


def _f(value: float | None, form: str, times: float = 1.0) -> str:
    return "-".rjust(6) if value is None else format(value * times, form)


def main() -> int:
    """Run the bench; the exit status is 1 if a goal is missed."""
    parser = argparse.ArgumentParser(description="Bench of the controller on calculated boxes.")
    parser.add_argument("--json", action="store_true", help="print one JSON object")
    parser.add_argument("--jobs", type=int, default=1, help="rehearsals at a time")
    parser.add_argument("--no-cost", action="store_true", help="leave the timings out")
    parser.add_argument("--write-room", type=Path, help="write the room as CSV and stop")
    options = parser.parse_args()
    if options.write_room is not None:
        options.write_room.write_text(stand.room_rows(STARTS[0]), encoding="utf-8")
        return 0
    todo = jobs()
    with ProcessPoolExecutor(options.jobs) as pool:
        known = dict(zip(stand.CHAMBERS, pool.map(_known, stand.CHAMBERS), strict=True))
        rows = list(pool.map(do, todo, [known[job.chamber] for job in todo]))
    result: dict[str, Any] = {
        "simulation": True,
        "known": {
            chamber: {
                "factor": found.factor,
                "room_lag_h": found.room_lag_h,
                "substrate_lag_h": found.substrate_lag_h,
                "fixed_right_at_c": found.right_at_c(FIXED_K),
            }
            for chamber, found in known.items()
        },
        "runs": rows,
        "ratios": ratios(rows),
        "goals": verdicts(rows),
    }
    if not options.no_cost:
        result["cost"] = {**cost.measure(known["built in"]), **memory.measure()}
    print(json.dumps(result, allow_nan=False) if options.json else table(result))
    return 0 if all(verdict["met"] for verdict in result["goals"]) else 1


if __name__ == "__main__":
    sys.exit(main())
