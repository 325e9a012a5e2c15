"""What two days of a borrowed callus probe teach: f, how honest its uncertainty is, and control.

Run by hand:

    python tests/bench/borrowed.py                    about fourteen minutes on a free core
    python tests/bench/borrowed.py --jobs 2           the same on two cores
    python tests/bench/borrowed.py --boxes 100 --draws 0    f alone: a minute
    python tests/bench/borrowed.py --json             one JSON object

f: random boxes within handbook ranges in recorded weather (``calibration_world``), the estimate,
law and relay of the service in closed loop on a factor of 0.75 that it knows nothing about.  The
box has been on for 0 to 3 days when the probe is lent for 48 h.  Each probe was compared in a jar:
its constant error is within +-0.1 K, rectangular.  Judged: f against the steady state of the box,
and the callus zone in a steady state at 25 °C in the session's mean room and in one 10 K colder,
each against the stated standard uncertainty times 1.96.  Where one rectangular error rules, as in
the session's own room, an honest standard uncertainty times 1.96 holds nearly everything; so the
mean square of error over uncertainty is given too, which is 1 where that is honest.

Control: the task of ``run`` (17 ± 3 °C, one day 8 K colder, 14 days, all of the service) on
its four boxes.  Session: from cold in the same room without the cold day, the probe lent from 24 to
72 h.  Then the task with what was learned, and with the true f and the lags that ``stand.known``
fits to true temperatures; the same errors of the box's own probes in both, so that what is compared
is the price of not knowing f.  Pooled: root of the mean square of the RMS over all draws.

Everything is simulated.
"""

from __future__ import annotations

import argparse
import json
import math
import random
import statistics
import sys
from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import stand

from bottomheat.calibration.learned import Learned, Series, learn
from bottomheat.chamber import Chamber
from bottomheat.model import Place, Sample
from bottomheat.rehearse import GuardedModel, Stand, rehearse
from bottomheat.wiring import wiring_of
from bottomheat_drivers.simulated import SimulatedProbes, SimulatedThermometer
from bottomheat_drivers.simulated_relay import SimulatedRelay
from calibration_world import (
    HOUR_S,
    SETPOINT_C,
    Array,
    Biases,
    live,
    mat_for,
    random_biases,
    random_box,
    settled_at,
    shed_room,
    truth_factor,
)

HALF_WIDTH_K = 0.1
U_K = HALF_WIDTH_K / math.sqrt(3.0)
GUESS = {"method": "temperature-factor", "factor": 0.75}
SESSION_H = 48.0
ON_BEFORE_H = (0.0, 12.0, 36.0, 72.0)
STEP_S = 300.0
LENT_FROM_H = 24.0

GOALS = (
    ("f within 0.01", "%", ">=", 90.0),
    ("f in its 95 % interval", "%", ">=", 92.0),
    ("session's room", "%", ">=", 92.0),
    ("10 K colder", "%", ">=", 92.0),
    ("RMS over known, pooled", "", "<=", 1.3),
)


@dataclass(frozen=True, slots=True)
class Lesson:
    """One random box: error and stated standard uncertainty of each, and what was used."""

    seed: int
    factor: float
    factor_error: float
    factor_u: float
    room_error_k: float
    room_u_k: float
    colder_error_k: float
    colder_u_k: float
    resistance_error: float
    resistance_u: float
    difference_k: float
    hours: float
    warm_up_h: float


@dataclass(frozen=True, slots=True)
class Draw:
    """One session and two fortnights on a box of the bench, RMS in K."""

    chamber: str
    seed: int
    factor_error: float
    room_lag_h: float
    substrate_lag_h: float
    learned_rms_k: float
    known_rms_k: float


def told(series: Series) -> Learned:
    """What a record teaches, with probes that were compared in a jar."""
    return learn(series, u_substrate_k=U_K, u_room_k=U_K, u_callus_k=U_K)


def series_of(rows: Array, cycle_s: float, lent_from_h: float) -> Series:
    """Means of rows of substrate, room, callus, °C, and power, W; one row a cycle."""
    each = round(STEP_S / cycle_s)
    count = len(rows) // each
    means = rows[: count * each].reshape(count, each, 4).mean(axis=1)
    at_s = (np.arange(count) + 0.5) * STEP_S
    callus_c = np.where(at_s >= lent_from_h * HOUR_S, means[:, 2], np.nan)
    return Series(at_s, means[:, 0], means[:, 1], callus_c, means[:, 3])


def lesson(seed: int) -> Lesson:
    """A random box, and what its record teaches."""
    rng = random.Random(f"borrowed {seed}")
    box = random_box(rng)
    before_h = rng.choice(ON_BEFORE_H)
    days = (before_h + SESSION_H) / 24.0
    room = shed_room(rng, days)
    biases = random_biases(rng, HALF_WIDTH_K)
    watts = mat_for(box, room.coldest_c, rng)
    h = live(box, GUESS, room, days, rng, biases=biases, watts=watts)
    rows = np.column_stack([h.substrate_c, h.room_c, h.callus_c, h.heat * watts])
    found = told(series_of(rows, h.cycle_s, before_h))
    room_c = float(h.true_room_c[h.t_s > before_h * HOUR_S].mean())

    def at(true_room_c: float) -> tuple[float, float]:
        layer_c, _ = settled_at(box, true_room_c)
        read_c = true_room_c + biases.room_k
        difference_k = layer_c + biases.substrate_k - read_c
        estimate_c = read_c + found.factor * difference_k + found.intercept_k
        return estimate_c - SETPOINT_C, found.uncertainty_at(difference_k)

    chamber = Chamber(box)
    resistance = chamber.settled("substrate", 1.0, 0.0) - chamber.settled("callus", 1.0, 0.0)
    flow = found.flow
    factor = truth_factor(box)
    return Lesson(
        seed,
        factor,
        found.factor - factor,
        found.factor_uncertainty,
        *at(room_c),
        *at(room_c - 10.0),
        math.nan if flow is None else flow.resistance_k_per_w / resistance - 1.0,
        math.nan if flow is None else flow.resistance_uncertainty_k_per_w / resistance,
        found.difference_k,
        found.hours,
        found.warm_up_h,
    )


def rehearsed(
    chamber: str,
    offset: Mapping[str, Any],
    room: Callable[[float], float],
    days: float,
    seed: int,
    biases: Biases,
    watch: Callable[[float, Stand], None] | None = None,
) -> float | None:
    """RMS of the task, K, with constant errors of the box's own probes."""
    config = stand.bench_config(offset)
    kind = stand.CHAMBERS[chamber]
    stands = {stand.NAME: Stand(GuardedModel(kind(), chamber), SimulatedRelay(stand.NAME))}
    models = {name: each.model for name, each in stands.items()}
    places = {name: tuple(each.probes.by_place()) for name, each in config.chambers.items()}
    probes = SimulatedProbes(models, places, seed)
    for place in (Place.SUBSTRATE, Place.ROOM, Place.MAT):
        probes.thermometer(stand.NAME, place).offset_k = biases.of(place)
    outcomes = rehearse(
        config,
        wiring_of(config, Path("bench")).lines,
        stands,
        probes,
        SimulatedProbes(models, {stand.NAME: (Place.MAT,)}, seed + 1_000_003),
        room,
        days,
        on_cycle=None if watch is None else lambda now_s: watch(now_s, stands[stand.NAME]),
    )
    return outcomes[stand.NAME].score.rms_k


def session(chamber: str, seed: int, biases: Biases) -> Learned:
    """Three days from cold on a guess, a probe lent for the last two."""
    days = (LENT_FROM_H + SESSION_H) / 24.0
    cycle_s = stand.bench_config(GUESS).cycle_s
    places = (Place.SUBSTRATE, Place.ROOM, Place.CALLUS)
    thermometers = [SimulatedThermometer(random.Random(f"{seed} {place}")) for place in places]
    for place, thermometer in zip(places, thermometers, strict=True):
        thermometer.offset_k = biases.of(place)
    rows: list[tuple[float, ...]] = []

    def watch(now_s: float, box: Stand) -> None:
        read_c = []
        for place, thermometer in zip(places, thermometers, strict=True):
            thermometer.advance(cycle_s, box.model.temperature(place.value))
            raw = thermometer.read(now_s)
            assert isinstance(raw, Sample)
            read_c.append(raw.celsius)
        rows.append((*read_c, stand.WATTS * box.heated))

    room = stand.bench_room(6.0 * (seed % 4), days, snap=False)
    rehearsed(chamber, GUESS, room, days, seed, biases, watch)
    return told(series_of(np.array(rows), cycle_s, LENT_FROM_H))


def draw(chamber: str, seed: int, known: stand.Known) -> Draw | None:
    """One draw of the probes' errors; None where the box was never warm."""
    biases = random_biases(random.Random(f"{chamber} {seed}"), HALF_WIDTH_K)
    found = session(chamber, seed, biases)
    offset = {
        "method": "temperature-factor",
        "factor": found.factor,
        "intercept": found.intercept_k,
        "room_lag": found.room_lag_h,
        "substrate_lag": found.substrate_lag_h,
    }
    room = stand.bench_room(6.0 * (seed % 4))
    learned_k, known_k = (
        rehearsed(chamber, each, room, stand.DAYS, seed + 100, biases)
        for each in (offset, known.offset())
    )
    if learned_k is None or known_k is None:
        return None
    return Draw(
        chamber,
        seed,
        found.factor - known.factor,
        found.room_lag_h,
        found.substrate_lag_h,
        learned_k,
        known_k,
    )


def _known(chamber: str) -> stand.Known:
    return stand.known(stand.CHAMBERS[chamber])


def summary(lessons: Sequence[Lesson], draws: Sequence[Draw]) -> dict[str, Any]:
    """Figures of both parts."""
    found: dict[str, Any] = {}
    if lessons:
        errors = np.array([each.factor_error for each in lessons])
        found["boxes"] = len(lessons)
        found["f within 0.01"] = 100.0 * float(np.mean(np.abs(errors) <= 0.01))
        found["f rms error"] = float(np.sqrt(np.mean(errors**2)))
        found["f median uncertainty"] = statistics.median(each.factor_u for each in lessons)
        for name, error, u in (
            ("f in its 95 % interval", "factor_error", "factor_u"),
            ("session's room", "room_error_k", "room_u_k"),
            ("10 K colder", "colder_error_k", "colder_u_k"),
            ("R in its 95 % interval", "resistance_error", "resistance_u"),
        ):
            z = np.array([getattr(each, error) / getattr(each, u) for each in lessons])
            z = z[np.isfinite(z)]
            found[name] = 100.0 * float(np.mean(np.abs(z) <= 1.96))
            found[f"{name}: mean square"] = float(np.mean(z**2))
        for name, values in (
            ("session's room: rms error K", [each.room_error_k for each in lessons]),
            ("10 K colder: rms error K", [each.colder_error_k for each in lessons]),
            ("R: rms error, share", [each.resistance_error for each in lessons]),
        ):
            found[name] = float(np.sqrt(np.nanmean(np.square(values))))
    if draws:
        learned_k = np.array([each.learned_rms_k for each in draws])
        known_k = np.array([each.known_rms_k for each in draws])
        found["draws"] = len(draws)
        found["learned rms K, pooled"] = float(np.sqrt(np.mean(learned_k**2)))
        found["known rms K, pooled"] = float(np.sqrt(np.mean(known_k**2)))
        found["RMS over known, pooled"] = (
            found["learned rms K, pooled"] / found["known rms K, pooled"]
        )
        found["RMS over known, median"] = float(np.median(learned_k / known_k))
        found["RMS over known, worst"] = float(np.max(learned_k / known_k))
        found["learned rms K, median"] = float(np.median(learned_k))
        found["learned rms K, worst"] = float(np.max(learned_k))
    return found


def verdicts(found: Mapping[str, Any]) -> list[dict[str, Any]]:
    """Goals against what was reached, of the parts that were run."""
    return [
        {
            "goal": name,
            "unit": unit,
            "bound": f"{sign} {bound:g}",
            "reached": found[name],
            "met": found[name] >= bound if sign == ">=" else found[name] <= bound,
        }
        for name, unit, sign, bound in GOALS
        if name in found
    ]


def table(result: Mapping[str, Any]) -> str:
    """Everything as text."""
    lines = [f"{name:36s} {value:10.4g}" for name, value in result["summary"].items()]
    if result["draws"]:
        lines += ["", f"{'box':12s} seed  f error  lags h       learned K  known K  ratio"]
    for row in result["draws"]:
        lines.append(
            f"{row['chamber']:12s} {row['seed']:4d}  {row['factor_error']:+.4f}  "
            f"{row['room_lag_h']:5.2f} {row['substrate_lag_h']:5.2f}  "
            f"{row['learned_rms_k']:9.3f}  {row['known_rms_k']:7.3f}  "
            f"{row['learned_rms_k'] / row['known_rms_k']:5.2f}"
        )
    lines += ["", "goals:"]
    for verdict in result["goals"]:
        met = "met" if verdict["met"] else "NOT MET"
        lines.append(
            f"  {verdict['goal']:26s} {verdict['reached']:8.3f} {verdict['unit']:2s} "
            f"{verdict['bound']:8s} {met}"
        )
    return "\n".join(lines)


def main() -> int:
    """Run the bench; the exit status is 1 if a goal is missed."""
    parser = argparse.ArgumentParser(description="Bench of what a borrowed probe teaches.")
    parser.add_argument("--json", action="store_true", help="print one JSON object")
    parser.add_argument("--jobs", type=int, default=1, help="runs at a time")
    parser.add_argument("--boxes", type=int, default=100, help="random boxes; 0 for none")
    parser.add_argument("--draws", type=int, default=2, help="draws on each box of the bench")
    options = parser.parse_args()
    with ProcessPoolExecutor(options.jobs) as pool:
        lessons = list(pool.map(lesson, range(options.boxes), chunksize=5))
        todo = [(name, seed) for name in stand.CHAMBERS for seed in range(options.draws)]
        draws: list[Draw] = []
        never_warm = 0
        if todo:
            known = dict(zip(stand.CHAMBERS, pool.map(_known, stand.CHAMBERS), strict=True))
            names, seeds = zip(*todo, strict=True)
            made = list(pool.map(draw, names, seeds, [known[name] for name in names]))
            draws = [each for each in made if each is not None]
            never_warm = len(made) - len(draws)
    found = summary(lessons, draws)
    result: dict[str, Any] = {
        "simulation": True,
        "summary": {**found, **({"never warm": never_warm} if never_warm else {})},
        "lessons": [_plain(each) for each in lessons],
        "draws": [_plain(each) for each in draws],
        "goals": verdicts(found),
    }
    print(json.dumps(result) if options.json else table(result))
    return 0 if not never_warm and all(verdict["met"] for verdict in result["goals"]) else 1


def _plain(row: Lesson | Draw) -> dict[str, Any]:
    fields = ((name, getattr(row, name)) for name in type(row).__dataclass_fields__)
    return {
        name: None if isinstance(value, float) and not math.isfinite(value) else value
        for name, value in fields
    }


if __name__ == "__main__":
    sys.exit(main())
