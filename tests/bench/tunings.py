"""Tunings from a step, a relay run and days of log, judged on the true boxes.

    python tests/bench/tunings.py [--boxes 200] [--begin 0] [--seed 1] [--days 5]
                                  [--methods step,relay,log,drifting] [--lines FILE]

Each random box (`random_boxes`) is identified as a grower would have it done, with probes that lag
and have noise and steps of 1/16 K, and a room that drifts by 0.5 K/h.  For days of log that cannot
be one way, 60 K in five days: under ``drifting`` the room goes at 0.5 K/h all the time, down to
about the coldest in which the mat holds the box and up to 18 °C, and turns there; under ``log`` it
is a shed's in recorded weather, which may be colder than the mat can carry.  Rows of the log are
a minute apart; with the daemon's 10 s (``--cycle 10``) it takes six times as long.

What a rule then says is judged on the box's own exact frequency response, with the
probe's lag, the law's filter, the window and the law as the daemon samples it.  Printed: in how
many boxes the sensitivity peak Ms is at most 2, in how many the loop swings, the worst case, and
the median gain over what the rule would say of the box's best two lags.  What was refused, and why,
goes to standard error.  ``--lines`` appends a JSON object for each row as soon as it is known.
"""

from __future__ import annotations

import argparse
import json
import math
import os
import random
import sys
from collections.abc import Callable, Iterator
from dataclasses import asdict, dataclass
from functools import lru_cache
from pathlib import Path

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # the matrices are small

import numpy as np

from bottomheat import regulate
from bottomheat.errors import RefusedError
from bottomheat.identification.found import Found, NotEnough
from bottomheat.identification.passive import identify
from bottomheat.identification.relay import fit_relay
from bottomheat.identification.step import fit_step
from bottomheat.response import Response
from bottomheat.tuning import margins, offers
from bottomheat.tuning.margins import Margins, Ultimate
from bottomheat.tuning.rules import Gains

sys.path.append(str(Path(__file__).resolve().parents[1]))  # the bench is run as a script
import experiment_runs
import ordinary_log
from calibration_world import random_biases, shed_room
from random_boxes import Box, draw_boxes

DRIFT_K_PER_H = 0.5
WINDOW_S = 600.0
PROBE_LAG_S = 40.0
GOOD_PEAK = 2.0
METHODS = ("step", "relay", "log", "drifting")
WARMEST_C = 18.0
SPARE_K = 1.0
"""The drifting room turns at `WARMEST_C`, and so far above the coldest that the mat can carry."""


@dataclass(frozen=True, slots=True)
class Row:
    """One tuning on one box.

    Attributes:
        box: its name.
        way: how it was identified, and the rule.
        true: the loop on the true box; None where nothing was offered.
        why: why nothing was.
        lowered: gain offered over that of the rule.
        lead: gain offered over that of the same rule on the box's best two lags.
    """

    box: str
    way: str
    true: Margins | None
    why: str = ""
    lowered: float = 1.0
    lead: float = 1.0


def true_margins(box: Box, gains: Gains, window_s: float) -> Margins:
    """Margins on the exact box: its frequency response and what sampling folds into it."""
    length_s = margins.period_s(window_s)
    turn = 2 * math.pi / length_s
    law = margins.law(gains, length_s)

    def loop(w: float) -> complex:
        s = 1j * (w + turn * np.arange(-4, 5))
        held = -np.expm1(-s * length_s) / (s * length_s)
        seen = 1 / (1 + s * PROBE_LAG_S) / (1 + s * regulate.FILTER_S)
        return complex(np.sum(box.watts * box.answer(s.imag) * held * seen)) * law(w)

    slowest_s = max(float(box.lags_s[0]), gains.integral_s)
    return margins.margins(loop, 0.01 / slowest_s, math.pi / length_s)


@lru_cache(maxsize=2)
def two_lags(box: Box) -> Response:
    """The box's best two lags, worked out once for all rules."""
    return box.two_lags()


def bounds_of(found: Found) -> dict[str, tuple[float, float]]:
    return {name: (each.low, each.high) for name, each in found.intervals.items()}


def judged(
    box: Box, way: str, found: Found, rule: offers.Rule, measured: Ultimate | None = None
) -> Row:
    doubt = offers.doubt_of(found.response, bounds_of(found), relay=found.method == "relay")
    try:
        offer = offers.offer(
            found.response, box.watts, WINDOW_S, rule, doubt=doubt, measured=measured
        )
    except RefusedError as error:
        return Row(box.name, way, None, str(error))
    best = offers.offer(two_lags(box), box.watts, WINDOW_S, rule)
    return Row(
        box.name,
        way,
        true_margins(box, offer.gains, WINDOW_S),
        lowered=offer.gains.gain_per_k / offer.published.gain_per_k,
        lead=offer.gains.gain_per_k / best.published.gain_per_k,
    )


def stepped(box: Box, seed: int) -> Iterator[Row]:
    """A step of four hours."""
    found = fit_step(experiment_runs.step_run(box, seed, DRIFT_K_PER_H).stretch())
    if isinstance(found, NotEnough):
        yield from (Row(box.name, f"step {rule}", None, found.reasons[0]) for rule in offers.RULES)
        return
    for rule in offers.RULES:
        yield judged(box, f"step {rule}", found, rule)


def relayed(box: Box, seed: int) -> Iterator[Row]:
    """Four relay periods."""
    run, begun_s = experiment_runs.relay_run(box, seed, DRIFT_K_PER_H)
    found = fit_relay(run.stretch(), begun_s)
    if isinstance(found, NotEnough) or found.found is None:
        why = found.reasons[0] if isinstance(found, NotEnough) else "no model from the run"
        yield from (Row(box.name, f"relay {rule}", None, why) for rule in offers.RULES)
        return
    measured = Ultimate(found.ku_per_k, found.period_s)
    for rule in offers.RULES:
        yield judged(box, f"relay {rule}", found.found, rule, measured if rule == "relay" else None)


def triangle(low_c: float, high_c: float, begin_h: float) -> Callable[[float], float]:
    """A room that always drifts, up or down, and turns at two temperatures.

    Args:
        low_c: where it turns upwards, °C.
        high_c: where it turns downwards, °C.
        begin_h: time since it last turned upwards at the first row, h.

    Returns:
        Room in °C at a time in h.
    """
    leg_h = (high_c - low_c) / DRIFT_K_PER_H

    def room(now_h: float) -> float:
        gone_h = (now_h + begin_h) % (2.0 * leg_h)
        return low_c + DRIFT_K_PER_H * min(gone_h, 2.0 * leg_h - gone_h)

    return room


def logged(box: Box, seed: int, days: float, method: str, cycle_s: float = 60.0) -> Iterator[Row]:
    """Days of ordinary running from cold, in recorded weather or with a room that drifts."""
    rng = random.Random(seed)
    room: Callable[[float], float]
    if method == "log":
        room = shed_room(rng, days)
    else:
        low_c = box.coldest_c + SPARE_K
        period_h = 2.0 * (WARMEST_C - low_c) / DRIFT_K_PER_H
        room = triangle(low_c, WARMEST_C, rng.uniform(0.0, period_h))
    biases = random_biases(rng)
    run = ordinary_log.run(box, room, days, rng, biases=biases, cycle_s=cycle_s)
    fitted = identify([run.stretch])
    if isinstance(fitted, NotEnough):
        why = fitted.reasons[0]
        yield from (Row(box.name, f"{method} {rule}", None, why) for rule in offers.RULES)
        return
    for rule in offers.RULES:
        yield judged(box, f"{method} {rule}", fitted.found, rule)


def present(box: Box) -> Row:
    """The tunings in force without any of this: one rule for every box."""
    gains = Gains(regulate.GAIN_W_PER_K / box.watts, regulate.INTEGRAL_S, regulate.DERIVATIVE_S)
    return Row(box.name, "not tuned", true_margins(box, gains, WINDOW_S))


def rows(
    count: int,
    seed: int,
    methods: tuple[str, ...],
    days: float,
    cycle_s: float = 60.0,
    begin: int = 0,
) -> Iterator[Row]:
    """Every tuning on every box from one number on."""
    for number, box in enumerate(draw_boxes(count, seed)[begin:], begin):
        yield present(box)
        if "step" in methods:
            yield from stepped(box, seed * 100_000 + number)
        if "relay" in methods:
            yield from relayed(box, seed * 100_000 + number)
        for method in ("log", "drifting"):
            if method in methods:
                yield from logged(box, seed * 100_000 + number, days, method, cycle_s)


def table(every: list[Row]) -> str:
    """A line for each way: boxes, offered, Ms at most 2, unstable, median, 95 %, worst."""
    lines = [
        f"{'':15}{'boxes':>6}{'given':>6}{'Ms<=2':>7}{'share':>7}{'swings':>7}"
        f"{'median':>7}{'95 %':>6}{'worst':>7}{'gain':>6}  worst box"
    ]
    for way in dict.fromkeys(row.way for row in every):
        here = [row for row in every if row.way == way]
        given = [row for row in here if row.true is not None]
        if not given:
            lines.append(f"{way:15}{len(here):6}{0:6}")
            continue
        peaks = np.array([row.true.peak for row in given if row.true is not None])
        good = int(np.sum(peaks <= GOOD_PEAK))
        worst = given[int(np.argmax(peaks))]
        lines.append(
            f"{way:15}{len(here):6}{len(given):6}{good:7}{good / len(given):7.1%}"
            f"{int(np.sum(np.isinf(peaks))):7}{np.median(peaks):7.2f}"
            f"{np.quantile(peaks, 0.95, method='higher'):6.2f}{peaks.max():7.2f}"
            f"{np.median([row.lead for row in given]):6.2f}  {worst.box}"
        )
    return "\n".join(lines)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--boxes", type=int, default=200)
    parser.add_argument("--begin", type=int, default=0)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--days", type=float, default=5.0)
    parser.add_argument("--methods", default=",".join(METHODS))
    parser.add_argument("--cycle", type=float, default=60.0)
    parser.add_argument("--lines", type=Path)
    words = parser.parse_args()
    methods = tuple(words.methods.split(","))
    every = []
    for row in rows(words.boxes, words.seed, methods, words.days, words.cycle, words.begin):
        every.append(row)
        if words.lines is not None:
            with words.lines.open("a", encoding="utf-8") as file:
                print(json.dumps(asdict(row), ensure_ascii=False), file=file)
        if row.why:
            print(f"{row.box}, {row.way}: {row.why}", file=sys.stderr)
    print(table(every))


if __name__ == "__main__":
    main()
