"""From a box's modes to two lags and a dead time, with what the intervals become."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
from scipy.optimize import least_squares

from bottomheat.identification.found import Interval
from bottomheat.identification.ladder import HEAT, LATE, LOAD, MODES, Ladder, lags_s
from bottomheat.identification.stretch import Floats
from bottomheat.response import Response

MATTERS_FRAC: Final = 0.05
"""The slow lag is the slowest mode that carries so much of the gain."""
SPAN: Final = 6.0
POINTS: Final = 200
"""Two lags and a dead time are fitted to the step response over six slow lags, at times that grow
with the square, so that the early minutes count: a loop lives on those.  Judgement."""

QUANTILE: Final = 1.959964
FORM: Final = {"slow_s": 0.01, "quick_s": 0.02, "quick_share": 0.005, "dead_s": 20.0}
"""What two lags and a dead time of a bed are uncertain by because it is none of that: standard
deviations of the logarithm, the share and s, beside what the record leaves open.  Set so that
intervals hold on simulated boxes (tests/bench/identify.py)."""
TOLD_FRAC: Final = 0.8
"""A value whose standard deviation is more than this share of what it was before the record was
read is not told by the record: it gets no interval."""
ONE_LAG: Final = 0.02
"""A quick share this near to 0 or 1 is none."""
_QUICK_LOG: Final = (-5.0, -0.05)
_DEAD_LOG: Final = (-9.0, -1.0)
_ROOM_SHARE: Final = (-0.5, 1.0)
_FIELDS: Final = (
    "gain_k_per_w",
    "slow_s",
    "quick_s",
    "quick_share",
    "dead_s",
    "room_quick_share",
    "load_k",
)
_LOGARITHMIC: Final = frozenset(("gain_k_per_w", "slow_s", "quick_s"))


@dataclass(frozen=True, slots=True)
class Reduced:
    """Two lags and a dead time, and 95 % intervals by field."""

    response: Response
    intervals: dict[str, Interval]
    gain_sd_frac: float
    slow_sd_log: float


def reduced(ladder: Ladder) -> Reduced:
    """Reduce a fitted box; the intervals by first-order propagation (GUM, JCGM 100:2008, 5.2)."""
    mode = _dominant(ladder.values)
    best = _answer(ladder.values, mode)
    many = LOAD + 1
    slopes = np.empty((len(_FIELDS), many))
    sd = np.sqrt(np.diag(ladder.covariance))[:many]
    for index in range(many):
        # A step of a fifth of the standard deviation: wide against the solver's tolerance.
        nudge = 0.2 * sd[index]
        up, down = ladder.values.copy(), ladder.values.copy()
        up[index] += nudge
        down[index] -= nudge
        slopes[:, index] = (_answer(up, mode, best) - _answer(down, mode, best)) / (2.0 * nudge)
    now = _sd(slopes, ladder.covariance[:many, :many])
    before = _sd(slopes, np.diag(ladder.prior[:many] ** 2))
    intervals = {
        name: _interval(name, value, math.hypot(spread, FORM.get(name, 0.0)))
        for name, value, spread, unread in zip(_FIELDS, best, now, before, strict=True)
        if spread <= TOLD_FRAC * unread
    }
    if not ONE_LAG <= best[3] <= 1.0 - ONE_LAG:
        # One lag and a dead time say it all: there is no second lag to know anything of.
        for name in ("quick_s", "quick_share"):
            intervals.pop(name, None)
    if best[5] in _ROOM_SHARE:  # as far as a response goes: what lies beyond cannot be said
        intervals.pop("room_quick_share", None)
    values = [
        math.exp(value) if name in _LOGARITHMIC else float(value)
        for name, value in zip(_FIELDS, best, strict=True)
    ]
    return Reduced(Response(*values), intervals, float(now[0]), float(now[1]))


def _sd(slopes: Floats, covariance: Floats) -> Floats:
    found: Floats = np.sqrt(np.einsum("fi,ij,fj->f", slopes, covariance, slopes))
    return found


def _interval(name: str, value: float, spread: float) -> Interval:
    low, high = float(value - QUANTILE * spread), float(value + QUANTILE * spread)
    if name in _LOGARITHMIC:
        return Interval(math.exp(low), math.exp(high))
    if name == "quick_share":
        return Interval(max(0.0, low), min(1.0, high))
    return Interval(max(0.0, low) if name == "dead_s" else low, high)


def _dominant(values: Floats) -> int:
    shares = values[HEAT] / values[HEAT].sum()
    return int(np.argmax(np.abs(shares) >= MATTERS_FRAC))


def _answer(values: Floats, mode: int, near: Floats | None = None) -> Floats:
    """The fields of a response, logarithms where ``_LOGARITHMIC`` says so.

    Args:
        values: of a ladder.
        mode: which of its lags is the slow one.
        near: an answer that is not far, to start from; None to try several.
    """
    lags, dead_s = lags_s(values), math.exp(values[MODES])
    gain = max(1e-6, float(values[HEAT].sum()))
    shares = values[HEAT] / gain
    late = np.concatenate(([1.0 - values[LATE].sum()], values[LATE]))
    slow_s = float(lags[mode])
    time_s = SPAN * slow_s * np.linspace(0.0, 1.0, POINTS) ** 2
    rise = -np.expm1(-np.clip(time_s[:, None] - dead_s, 0.0, None) / lags) @ shares

    def misfit(p: Floats) -> Floats:
        quick_s, later_s = slow_s * np.exp(p[:2])
        over_s = np.clip(time_s - later_s, 0.0, None)
        grown = -np.expm1(-over_s / slow_s)
        found: Floats = grown + p[2] * (-np.expm1(-over_s / quick_s) - grown) - rise
        return found

    low, high = zip(_QUICK_LOG, _DEAD_LOG, (0.0, 1.0), strict=True)
    if near is None:
        starts = [[math.log(ratio), math.log(0.03), 0.3] for ratio in (0.1, 0.2, 0.4)]
    else:
        starts = [[near[2] - near[1], math.log(max(1.0, near[4])) - near[1], near[3]]]
    inside = [np.clip(s, np.array(low) + 1e-6, np.array(high) - 1e-6) for s in starts]
    tight = {"xtol": 1e-10, "ftol": 1e-10, "gtol": 1e-12}
    fits = [least_squares(misfit, s, bounds=(low, high), **tight) for s in inside]
    quick_log, dead_log, share = min(fits, key=lambda fit: float(fit.cost)).x
    quick_s = slow_s * math.exp(quick_log)
    slow, quick = -np.expm1(-time_s / slow_s), -np.expm1(-time_s / quick_s)
    room = -np.expm1(-time_s[:, None] / lags) @ late - slow
    apart = quick - slow
    room_share = min(_ROOM_SHARE[1], max(_ROOM_SHARE[0], float(room @ apart / (apart @ apart))))
    return np.array(
        [
            math.log(gain),
            math.log(slow_s),
            math.log(quick_s),
            share,
            slow_s * math.exp(dead_log),
            room_share,
            values[LOAD],
        ]
    )
