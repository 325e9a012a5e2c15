"""What a step of the duty shows of a box: its early answer, and roughly the rest."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Final

import numpy as np

from bottomheat.identification import early
from bottomheat.identification.first_rise import first_rise_s
from bottomheat.identification.found import Found, Interval, Method, NotEnough
from bottomheat.identification.mat import mat_found
from bottomheat.identification.stretch import Floats, Stretch
from bottomheat.response import Response

LEAST_HOURS: Final = 2.5
"""Before and after the step together; judgement: two delays and the begin of the slope."""

LEAST_CHANGE_FRAC: Final = 0.02
"""Change of the half-hourly mean power that counts as one, share of the rated power; judgement."""

SURE_SLOPE: Final = 1.7
SURE_DEAD: Final = 3.0
"""Factor either way within which slope and delay are to be known, at 95 %; judgement: with half of
each a tuning that allows for neither still has its gain margin of about 3 to spend."""

CALLUS: Final = early.Prior(
    full_rise_k=22.0,
    quick_share=0.15,
    dead_min=30.0,
    spreads=(0.40, 0.35, 0.40, 0.15, 0.60, 0.25, 1.0, 1.0, 0.7),
)
"""The callus zone answers later and less, by handbook values of materials."""

LEANS: Final = (
    "Some hours show how the box begins to answer; its steady rise and slow lag lean on handbook "
    "values here, so take --from-log after some days for what the mat can carry."
)


def fit_step(stretch: Stretch, begun_s: float | None = None) -> Found | NotEnough:
    """Fit a step, with the hours before it in the same stretch.

    Args:
        stretch: the run, an hour or more before the step to its end.
        begun_s: when the step came, on the clock of ``stretch.time_s``; None where nobody knows.

    Returns:
        The answers of wet layer and callus zone, or what is missing.
    """
    few = _too_little(stretch)
    if few:
        return NotEnough(few)
    found = early_found(stretch, "step")
    if isinstance(found, NotEnough) or begun_s is None:
        return found
    return replace(found, first_rise_s=first_rise_s(stretch, begun_s))


def early_found(stretch: Stretch, method: Method) -> Found | NotEnough:
    """Two lags, dead time and room fitted to all rows of some hours.

    Args:
        stretch: the rows.
        method: how they were got.
    """
    try:
        fitted = early.fit(stretch, stretch.substrate_c)
    except ValueError as error:
        return NotEnough((f"{error}: look whether the probes give readings, then try again",))
    unsure = doubts(fitted)
    if unsure:
        return NotEnough(unsure)
    callus = fit_callus(stretch)
    intervals = dict(fitted.intervals)
    if method == "step":
        # Of a relay run the interval says what noise does and not how the quick swing leans: the
        # true slope lay above it in 17 of 18 simulated boxes.  Whoever tunes allows for that.
        intervals["slope"] = fitted.early.slope
    if callus is not None:
        intervals |= {f"callus.{name}": width for name, width in callus.intervals.items()}
    return Found(
        response=fitted.response,
        callus=None if callus is None else callus.response,
        intervals=intervals,
        method=method,
        hours=fitted.hours,
        rows=fitted.rows,
        residual_rms_k=fitted.rms_k,
        whiteness=fitted.whiteness,
        notes=(told(fitted), LEANS),
        mat=mat_found([stretch], rested=True),
    )


def _too_little(stretch: Stretch) -> tuple[str, ...]:
    """What rules a fit out before it is made."""
    if stretch.hours < LEAST_HOURS:
        return (
            f"the record is {stretch.hours:.1f} h long and {LEAST_HOURS:g} h is the least: "
            "run the step again and let it end by itself",
        )
    share = stretch.heat_share
    if not np.all((share >= 0.0) & (share <= 1.0)):
        return ("the record does not say when heat was on: it cannot be used",)
    if np.isfinite(stretch.substrate_c).sum() < 0.8 * len(stretch.time_s):
        return ("the wet layer was not read for a fifth of the time: look at its probe",)
    if np.isfinite(stretch.room_c).sum() < 0.8 * len(stretch.time_s):
        return (
            "the room was not read for a fifth of the time, and a drifting room spoils the fit: "
            "look at the room's probe",
        )
    grid = early.gridded(stretch, stretch.substrate_c)
    change = float(np.ptp(grid.power_w)) / stretch.watts
    if change < LEAST_CHANGE_FRAC:
        return (
            f"not enough excitation: the heat changed by {change:.1%} of full power; "
            "take a step, or let the service run through a warm-up or a cold night",
        )
    return ()


def doubts(fitted: early.EarlyFit) -> tuple[str, ...]:
    """Why a fit is not good enough to tune by; empty where it is."""
    slope, dead = fitted.early.slope, fitted.early.dead
    reasons = []
    if _either_way(slope) > SURE_SLOPE:
        reasons.append(
            "not enough excitation: how fast the wet layer answers is known to a factor of "
            f"{_either_way(slope):.1f} only; let the box come to rest and take a larger or longer "
            "step"
        )
    if _either_way(dead) > SURE_DEAD:
        reasons.append(
            "how long the wet layer waits before it answers is known to a factor of "
            f"{_either_way(dead):.1f} only; take a larger step, or --relay"
        )
    return tuple(reasons)


def _either_way(interval: Interval) -> float:
    return math.sqrt(interval.high / interval.low)


def told(fitted: early.EarlyFit) -> str:
    """The early answer in words."""
    slope, dead = fitted.early.slope, fitted.early.dead
    return (
        f"The wet layer begins to rise by {fitted.early.slope_k_per_ws * 3600.0:.3f} K an hour for "
        f"each watt ({slope.low * 3600.0:.3f} to {slope.high * 3600.0:.3f}), after "
        f"{fitted.early.dead_s / 60.0:.0f} min ({dead.low / 60.0:.0f} to {dead.high / 60.0:.0f})."
    )


def fit_callus(stretch: Stretch) -> early.EarlyFit | None:
    """The callus zone's answer, where the record has its estimate or probe."""
    callus_c: Floats | None = stretch.callus_c
    if callus_c is None or np.isfinite(callus_c).sum() < 0.8 * len(callus_c):
        return None
    return early.fit(stretch, callus_c, CALLUS)


def early_slope_k_per_s(response: Response, watts: float) -> float:
    """Gain of the integrating process that a box is for some hours, K/s at full power."""
    return early.slope_k_per_ws(response) * watts
