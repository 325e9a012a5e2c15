"""Identification from ordinary running: warm-ups, windows of the relay, weather."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from bottomheat.identification.found import Found, Interval, Method, NotEnough
from bottomheat.identification.ladder import CALLUS, LAYER, Ladder, fitted
from bottomheat.identification.mat import mat_found
from bottomheat.identification.means import PARTS, Means, lagged, means
from bottomheat.identification.noise import whiteness
from bottomheat.identification.reduce import Reduced, reduced
from bottomheat.identification.stretch import Floats, Stretch
from bottomheat.response import Response

LEAST_H: Final = 24.0
SHORT_H: Final = 6.0
"""A record shorter than a day, or pieces shorter than six hours, tell nothing of lags of ten hours;
judgement."""

GAIN_FRAC: Final = 0.08
SLOW_LOG: Final = 0.35
"""Largest standard deviation of gain (share) and slow lag (logarithm) that is a result."""

HARDLY_FRAC: Final = 0.01
STEADY_FRAC: Final = 0.03
ALIKE: Final = 0.97
"""Heat below 1 % of full power is none.  Heat whose hourly means vary by less than 3 % of it is
steady; heat and room whose courses through a lag of 9 h are correlated more than that cannot be
told apart.  Judgement."""
LOOK_S: Final = 9.0 * 3600.0
DISTURBED_K: Final = 0.05
STILL: Final = "let it run through a warm-up or a cold night, or use --step"


@dataclass(frozen=True, slots=True, eq=False)
class Fitted:
    """A result with what a chart shows.

    Attributes:
        found: the result.
        time_s: middle of each mean that was compared, s, on the axis of the stretches.
        measured_c: wet layer, °C.
        model_c: what the model makes of heat and room, °C.
    """

    found: Found
    time_s: Floats
    measured_c: Floats
    model_c: Floats


def identify(stretches: Sequence[Stretch], method: Method = "log") -> Fitted | NotEnough:
    """Find how a box answers heat and room.

    Args:
        stretches: runs without gap, lid closed, nobody at the box, oldest first.
        method: what made them.
    """
    whole_h = sum(each.hours for each in stretches)
    runs = [run for each in stretches if (run := _run(each, "substrate")) is not None]
    hours = sum(run.hours for run in runs)
    if hours < LEAST_H:
        return NotEnough((_too_short(whole_h, hours),))
    full_w = max(each.watts for each in stretches)
    if _mean_w(runs) < HARDLY_FRAC * full_w:
        return NotEnough((f"the mat was hardly on in this time: {STILL}",))
    ladder = fitted(runs, LAYER)
    layer = reduced(ladder)
    if reasons := _untold(layer, runs, full_w):
        return NotEnough(reasons)
    callus, callus_intervals, notes = _callus(stretches, ladder)
    left_over = np.concatenate(ladder.left_over)
    notes = (*_remarks(ladder, layer), *notes)
    found = Found(
        response=layer.response,
        callus=callus,
        intervals={**layer.intervals, **callus_intervals},
        method=method,
        hours=hours,
        rows=len(left_over),
        residual_rms_k=float(np.sqrt(np.mean(left_over**2))),
        whiteness=whiteness(ladder.innovations),
        notes=notes,
        mat=mat_found(stretches),
    )
    measured_c = np.concatenate([run.place_c[run.first :] for run in runs])
    time_s = np.concatenate(
        [(0.5 * (run.edges_s[1:] + run.edges_s[:-1]))[run.first :] for run in runs]
    )
    return Fitted(found, time_s, measured_c, measured_c - left_over)


def _run(stretch: Stretch, place: str) -> Means | None:
    run = means(stretch, "callus" if place == "callus" else "substrate")
    return run if run is not None and run.hours >= SHORT_H else None


def _callus(
    stretches: Sequence[Stretch], beside: Ladder
) -> tuple[Response | None, dict[str, Interval], tuple[str, ...]]:
    runs = [run for each in stretches if (run := _run(each, "callus")) is not None]
    if sum(run.hours for run in runs) < LEAST_H:
        return None, {}, ("Of the callus zone the record holds too little to fit.",)
    found = reduced(fitted(runs, CALLUS, beside))
    if found.gain_sd_frac > GAIN_FRAC or found.slow_sd_log > SLOW_LOG:
        return None, {}, ("How the callus zone answers cannot be told from this record.",)
    intervals = {f"callus.{name}": each for name, each in found.intervals.items()}
    return found.response, intervals, ()


def _too_short(whole_h: float, hours: float) -> str:
    known = math.floor(hours)  # 23.9 h are not a day
    if whole_h >= LEAST_H:
        return (
            f"of {whole_h:.0f} h only {known} h hang together in pieces of {SHORT_H:.0f} h or "
            "more, and a day is needed: leave the box shut for a day, or use --step"
        )
    return (
        f"there are only {known} h of undisturbed running with the lid closed, and a day at "
        "least is needed, five days are better: come back later, or use --step"
    )


def _mean_w(runs: Sequence[Means]) -> float:
    return float(np.mean(np.concatenate([run.power_w() for run in runs])))


def _hourly(power_w: Floats) -> Floats:
    each = 12 * PARTS
    count = len(power_w) // each
    found: Floats = power_w[: each * count].reshape(count, each).mean(axis=1)
    return found


def _untold(layer: Reduced, runs: Sequence[Means], full_w: float) -> tuple[str, ...]:
    """Why a fit is no result; empty where it is one."""
    reasons = []
    r = layer.response
    if layer.gain_sd_frac > GAIN_FRAC:
        slow = np.concatenate([_hourly(run.power_w()) for run in runs])
        if float(np.std(slow)) < STEADY_FRAC * full_w:
            reasons.append(
                f"the heat hardly changed, it was near {float(np.mean(slow)) / full_w:.0%} all the "
                f"time, so nothing shows what more or less does: {STILL}"
            )
        elif _alike(runs) > ALIKE:
            reasons.append(
                "heat and room moved together all the time, so what each of them does cannot be "
                f"told apart: {STILL}"
            )
        else:
            reasons.append(
                "how far a watt lifts the wet layer is known to "
                f"{2 * layer.gain_sd_frac:.0%} only: {STILL}"
            )
    if layer.slow_sd_log > SLOW_LOG:
        reasons.append(
            "how slowly the bed settles does not show: the wet layer was hardly moved for long "
            f"enough: {STILL}"
        )
    if not (0.05 <= r.gain_k_per_w <= 5.0 and 720.0 <= r.slow_s <= 259_200.0 and r.dead_s < 10_800):
        reasons.append(
            f"the fit ends at {r.gain_k_per_w:.2f} K a watt and {r.slow_s / 3600.0:.1f} h, which "
            "no box has: look whether the probe lies on the wet layer, and at the mat's rating"
        )
    return tuple(reasons)


def _alike(runs: Sequence[Means]) -> float:
    """Correlation of heat and room, both through a lag as the bed's, 0...1."""
    heat = [lagged(run.power_w(), LOOK_S, float(run.power_w()[:60].mean()), PARTS) for run in runs]
    room = [lagged(run.room_c, LOOK_S, float(run.room_c[0])) for run in runs]
    one, other = np.concatenate(heat), np.concatenate(room)
    if np.std(one) < 1e-9 or np.std(other) < 1e-9:
        return 0.0
    return abs(float(np.corrcoef(one, other)[0, 1]))


def _remarks(ladder: Ladder, layer: Reduced) -> tuple[str, ...]:
    said = []
    if ladder.noise.slow_k > DISTURBED_K:
        said.append(
            f"Something besides heat and room moved the wet layer by about "
            f"{ladder.noise.slow_k:.2f} K; the intervals allow for it."
        )
    missing = [word for name, word in _WORDS.items() if name not in layer.intervals]
    if missing:
        said.append(
            f"The record says little of {' and '.join(missing)}; what stands there is what such "
            "boxes usually have."
        )
    return tuple(said)


_WORDS: Final = {
    "quick_s": "the quick lag",
    "quick_share": "its share",
    "dead_s": "the dead time",
    "room_quick_share": "how quickly the room gets in",
    "load_k": "the load",
}
