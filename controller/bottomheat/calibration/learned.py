"""The offset from a borrowed probe: two days of it in the callus zone, beside the box's own probes.

The chamber runs as ever; the borrowed probe only tells what the callus zone did.  What the record
holds is mostly one number, how far the callus zone sits on the way from the room to the wet layer:
it follows from the means.  How fast the callus zone follows must not be mixed up with it, so every
path has a whole ladder of lags (``modes``) while f is found; the two lags that the estimate needs
are fitted afterwards, with f held.

Checked in simulation alone (tests/core/test_learned.py, tests/bench/borrowed.py).
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Any, Final

import numpy as np
import numpy.typing as npt
from scipy.optimize import least_squares

from bottomheat.calibration.borrowed_rows import BLOCK_H, Rows, Series, Stretch, prepare, why_not
from bottomheat.calibration.modes import (
    LADDER_H,
    START_H,
    STEADY_H,
    Array,
    Flags,
    lagged,
    summing_to,
    weigh,
)
from bottomheat.errors import InputError
from bottomheat.estimate import MEMORY_H, ROOM_LAG_H, SUBSTRATE_LAG_H

Waves = npt.NDArray[np.complexfloating[Any, Any]]

__all__ = ["HeatFlowLearned", "Learned", "Series", "Stretch", "learn"]

LEAST_H: Final = 12.0
ENOUGH_H: Final = 36.0
"""Least record of the borrowed probe that anything is made of, and what it should be, h."""

SPAN_K: Final = 6.0
"""An intercept is told from f only where the room spanned this much, K; judgement."""

FACTOR_BOUNDS: Final = (0.2, 1.0)
ROOM_LAG_BOUNDS_H: Final = (0.02, 12.0)
SUBSTRATE_LAG_BOUNDS_H: Final = (0.02, 6.0)
RESISTANCE_MOST_K_PER_W: Final = 2.0
MEMORY_BOUNDS_H: Final = (0.2, 24.0)
"""What the config accepts."""

LAYER_SHARE, LAYER_WIDTH = 0.70, 0.35
ROOM_SHARE, ROOM_WIDTH = 0.30, 0.15
POWER_WIDTH, DELAY_WIDTH = 0.5, 0.3
"""Prior of the ladders: sum of the weights expected, and standard deviation of each weight.  Wide
against f of 0.45-0.9 and weights of the shipped model; judgement."""

START_COLD_K, START_WARM_K = 1.0, 4.0
"""How far the bed may be from rest when the record begins, K (k = 1): as cold as the room, or in
the middle of something; judgement."""

COLD_K: Final = 2.0
OUTLIER_K: Final = 0.15
OUTLIER_SIGMA: Final = 5.0
BEFORE_H, AFTER_H = 0.25, 1.0
ROUNDS: Final = 5
"""A reading that lies OUTLIER_K and five robust standard deviations from what the paths explain is
left out with a quarter of an hour before and an hour after it, and the fit is made again."""

MOVED: Final = "the borrowed probe reads otherwise than in the rest: it was moved"
UNEXPLAINED: Final = "not what wet layer and room explain: probe moved, or box open"

STEP_GAIN: Final = 10.0
"""A step of the borrowed probe that lasts is believed where it makes the record e^10 times as
likely; then the longer side counts alone.  Judgement."""

SWINGS: Final = ((12.0, 1.0), (24.0, 3.0), (48.0, 2.0), (96.0, 2.0))
"""Swings of a room that the two lags are made for: period, h, and amplitude, K; judgement."""

LAYER_ALONE: Final = 0.3
"""Share of that swing in which the wet layer moves by itself (mat at its bound, a new setpoint):
tells the two lags apart, which else trade off; judgement."""

FOLLOWS_H: Final = 0.7
"""How late the wet layer follows its setpoint, h; judgement."""

MATTERS_K, LAG_SPREAD = 0.02, 0.5
"""The lags leave their defaults (by a factor exp(0.5), k = 1) where the estimate gains 0.02 K."""

SCATTER_DOUBT_K: Final = 0.15
UNCERTAIN_FACTOR: Final = 0.03
UNUSABLE_FACTOR: Final = 0.10


@dataclass(frozen=True, slots=True)
class HeatFlowLearned:
    """The heat-flow method from the same record.

    Attributes:
        resistance_k_per_w: R, K/W.
        resistance_uncertainty_k_per_w: its standard uncertainty, K/W.
        measured_power_w: mean power at which the callus zone is known best, W.
        uncertainty_k: standard uncertainty of the callus zone there, K.
        intercept_k: K.
        memory_h: lag of the power, h.
        residual_rms_k: RMS of this method's estimate about the borrowed probe, K.
    """

    resistance_k_per_w: float
    resistance_uncertainty_k_per_w: float
    measured_power_w: float
    uncertainty_k: float
    intercept_k: float
    memory_h: float
    residual_rms_k: float


@dataclass(frozen=True, slots=True)
class Learned:
    """What the record says.

    Attributes:
        factor: temperature factor f.
        factor_uncertainty: its standard uncertainty.
        measured_difference_k: wet layer less room at which the callus zone is known best, K.
        uncertainty_k: standard uncertainty of the callus zone there, K, at the borrowed probe's
            spot; ``uncertainty_at`` says it elsewhere.
        intercept_k: constant part, K; 0 where the room spanned less than ``SPAN_K``.
        room_lag_h: how late the callus zone follows the room, h.
        substrate_lag_h: how late it follows the wet layer, h.
        residual_rms_k: RMS of the estimate with these numbers about the borrowed probe, K.
        scatter_k: slow scatter that no path explains, K; 0.02 is the least that is assumed.
        hours: length of the borrowed probe's record that was used, h.
        before_h: record of wet layer and room before it, h.
        room_span_k: coldest to warmest room in it, half-hour means, K.
        difference_k: mean of wet layer less room in it, K.
        warm_up_h: what was left out at the start because the bed was still warming up, h.
        left_out: what else was left out, and why.
        doubts: what speaks against relying on it, in plain words; empty where nothing does.
        flow: the heat-flow method, or None where power was not known or hardly used.
    """

    factor: float
    factor_uncertainty: float
    measured_difference_k: float
    uncertainty_k: float
    intercept_k: float
    room_lag_h: float
    substrate_lag_h: float
    residual_rms_k: float
    scatter_k: float
    hours: float
    before_h: float
    room_span_k: float
    difference_k: float
    warm_up_h: float
    left_out: tuple[Stretch, ...]
    doubts: tuple[str, ...]
    flow: HeatFlowLearned | None

    def uncertainty_at(self, difference_k: float) -> float:
        """Standard uncertainty of the callus zone in a steady state, K.

        Args:
            difference_k: wet layer less room, K.
        """
        away_k = difference_k - self.measured_difference_k
        return math.hypot(self.uncertainty_k, away_k * self.factor_uncertainty)


@dataclass(frozen=True, slots=True, eq=False)
class _Line:
    """A slope and a constant with what the constant owes to the box's own probes.

    ``slope_u``, ``best_at`` and ``best_u`` describe the variance of slope x + kept, which is a
    parabola in x.  ``weights`` are those of the columns, scatter and misfit those of the fit.
    """

    slope: float
    constant_k: float
    kept_k: float
    slope_u: float
    best_at: float
    best_u: float
    weights: Array
    scatter_k: float
    misfit_k: Array
    step: tuple[int, float]


def learn(series: Series, *, u_substrate_k: float, u_room_k: float, u_callus_k: float) -> Learned:
    """Find f, the lags and the heat-flow method from a record with a borrowed callus probe.

    Args:
        series: means on one grid of 1 to 30 min; wet layer and room from before the session where
            the log has them (72 h are plenty), ``callus_c`` nan there.
        u_substrate_k: standard uncertainty of the control probe's own constant error, K.
        u_room_k: the same of the room probe.
        u_callus_k: the same of the borrowed probe.  Errors common to the three do not count.

    Raises:
        InputError: the record is too short or makes no sense; the sentence says which.
    """
    rows = prepare(series)
    if rows.hours < LEAST_H:
        raise InputError(
            f"only {rows.hours:.0f} h of the borrowed probe can be used{why_not(rows)}; "
            f"leave it in the callus zone for 48 h, {LEAST_H:.0f} h at the very least"
        )
    u2 = (u_substrate_k**2, u_room_k**2, u_callus_k**2)
    line = _factor(rows, u2)
    for _ in range(ROUNDS):
        odd, why = _odd(rows, line.misfit_k), UNEXPLAINED
        if not odd.any():
            odd, why = _moved(rows, line), MOVED
        if not odd.any():
            break
        rows = rows.without(odd, why)
        if rows.hours < LEAST_H:
            raise InputError(
                "the borrowed probe does not follow wet layer and room; lay it in the medium at "
                "the depth of the callus, close the box, leave it alone and learn again"
            )
        line = _factor(rows, u2)
    low, high = FACTOR_BOUNDS
    if not low < line.slope <= high:
        raise InputError(
            f"the borrowed probe gives a factor of {line.slope:.2f}, which no box has "
            f"({low:g} to {high:g}); see that it lies in the medium, between mat and lid, and that "
            "room and wet layer are not crossed"
        )
    if line.slope_u > UNUSABLE_FACTOR:
        raise InputError(
            f"f is known to ±{2.0 * line.slope_u:.2f} only: the wet layer was hardly warmer than "
            "the room; learn again in a colder week"
        )
    span_k = float(np.ptp(rows.means(rows.room_c)))
    difference_k = float(np.mean(rows.means(rows.substrate_c - rows.room_c)))
    line = _kept_or_not(line, span_k, difference_k)
    room_lag_h, substrate_lag_h = _lags(line)
    estimate_c = _estimate(rows, line.slope, room_lag_h, substrate_lag_h) + line.kept_k
    residual_k = rows.means(rows.callus_c - estimate_c)
    return Learned(
        factor=line.slope,
        factor_uncertainty=line.slope_u,
        measured_difference_k=line.best_at,
        uncertainty_k=line.best_u,
        intercept_k=line.kept_k,
        room_lag_h=room_lag_h,
        substrate_lag_h=substrate_lag_h,
        residual_rms_k=float(np.sqrt(np.mean(residual_k**2))),
        scatter_k=line.scatter_k,
        hours=rows.hours,
        before_h=rows.before_h,
        room_span_k=span_k,
        difference_k=difference_k,
        warm_up_h=rows.warm_up_h,
        left_out=rows.left_out,
        doubts=_doubts(rows, line, difference_k),
        flow=_flow(rows, u2),
    )


def _factor(rows: Rows, u2: tuple[float, float, float]) -> _Line:
    """Find f and the constant, the scatter, and what each reading is more than the model, K."""
    layers = [lagged(rows.substrate_c, tau_h, rows.step_h) for tau_h in LADDER_H]
    rooms = [lagged(rows.room_c, tau_h, rows.step_h) for tau_h in LADDER_H]
    rungs = len(LADDER_H)
    steady = LADDER_H.index(STEADY_H)
    base = rooms.pop(steady)
    mean, covariance = summing_to(
        1.0,
        np.repeat([LAYER_SHARE / rungs, ROOM_SHARE / rungs], rungs),
        np.repeat([LAYER_WIDTH, ROOM_WIDTH], rungs),
    )
    mean = np.delete(mean, rungs + steady)
    covariance = np.delete(np.delete(covariance, rungs + steady, 0), rungs + steady, 1)
    columns = [path - base for path in (*layers, *rooms)]
    shares = np.zeros(len(columns))
    shares[:rungs] = 1.0
    cold = abs(rows.substrate_c[0] - rows.room_c[0]) < COLD_K
    start_k = START_COLD_K if cold else START_WARM_K
    observed = rows.callus_c - base

    def weighed(guess_factor: float) -> _Line:
        # Reading space: callus reads d_c more, room d_r, layer d_s; b = d_c - (1-f) d_r - f d_s.
        kept2 = guess_factor**2 * u2[0] + (1.0 - guess_factor) ** 2 * u2[1]
        prior = (mean, covariance)
        return _line(rows, observed, columns, prior, shares, start_k, kept2, u2[2])

    first = weighed(LAYER_SHARE)
    return weighed(min(max(first.slope, 0.0), 1.0))


def _line(
    rows: Rows,
    observed: Array,
    columns: list[Array],
    prior: tuple[Array, Array],
    shares: Array,
    start_k: float,
    kept2: float,
    borrowed2: float,
) -> _Line:
    """Weigh the columns, a constant of variance kept2 + borrowed2, and what fades from the start.

    ``shares`` times the weights is the slope.  Of the constant only the box's own probes' part
    stays when the borrowed one has gone: its best guess is the share kept2 / (kept2 + borrowed2).
    """
    fading, fading_k = rows.fading(START_H, start_k)
    design = np.column_stack([*columns, np.ones_like(observed), *fading])
    count = len(columns)
    widths2 = np.concatenate([np.zeros(count), [kept2 + borrowed2], fading_k**2])
    covariance = np.diag(widths2)
    covariance[:count, :count] = prior[1]
    mean = np.concatenate([prior[0], np.zeros(1 + len(fading))])
    found = weigh(
        rows.means(design),
        rows.means(observed),
        rows.means(rows.at_h),
        prior_mean=mean,
        prior_covariance=covariance,
    )
    slope = np.concatenate([shares, np.zeros(1 + len(fading))])
    slope2 = float(slope @ found.covariance @ slope)
    both = float(slope @ found.covariance[:, count])
    constant2 = float(found.covariance[count, count])
    share = kept2 / (kept2 + borrowed2) if kept2 > 0.0 else 0.0
    # Var(slope x + kept) = slope2 x^2 + 2 share both x + share^2 constant2 + (1 - share) kept2
    best_at = -share * both / slope2
    best2 = share**2 * (constant2 - both**2 / slope2) + (1.0 - share) * kept2
    constant_k = float(found.mean[count])
    return _Line(
        slope=float(slope @ found.mean),
        constant_k=constant_k,
        kept_k=share * constant_k,
        slope_u=math.sqrt(slope2),
        best_at=best_at,
        best_u=math.sqrt(max(best2, 0.0)),
        weights=found.mean[:count],
        scatter_k=found.scatter_k,
        misfit_k=observed - design @ found.mean,
        step=found.lasting_step(),
    )


def _odd(rows: Rows, misfit: Array) -> Flags:
    """Points that lie far from the model, with what is around them."""
    used = rows.used
    middle = float(np.median(misfit[used]))
    sigma = 1.4826 * float(np.median(np.abs(misfit[used] - middle)))
    far = used & (np.abs(misfit - middle) > max(OUTLIER_K, OUTLIER_SIGMA * sigma))
    return used & rows.widened(far, BEFORE_H, AFTER_H)


def _moved(rows: Rows, line: _Line) -> Flags:
    """The shorter side of a lasting step of the borrowed probe, or nothing."""
    first, gain = line.step
    if gain < STEP_GAIN:
        return np.zeros_like(rows.used)
    after = rows.at_h >= rows.means(rows.at_h)[first] - 0.5 * BLOCK_H
    sides = (rows.used & after, rows.used & ~after)
    return min(sides, key=lambda side: int(side.sum()))


def _kept_or_not(line: _Line, span_k: float, difference_k: float) -> _Line:
    """Give the constant to f where the room hardly moved: then only their sum is known."""
    if span_k >= SPAN_K or abs(difference_k) < 1.0:
        return line
    moved = line.kept_k / difference_k
    slope = line.slope + moved
    if not FACTOR_BOUNDS[0] < slope <= FACTOR_BOUNDS[1]:
        return line
    return replace(line, slope=slope, kept_k=0.0, slope_u=math.hypot(line.slope_u, moved))


def _estimate(rows: Rows, f: float, room_lag_h: float, substrate_lag_h: float) -> Array:
    room_c = lagged(rows.room_c, room_lag_h, rows.step_h)
    layer_c = lagged(rows.substrate_c, substrate_lag_h, rows.step_h)
    return room_c + f * (layer_c - room_c)


def _lags(line: _Line) -> tuple[float, float]:
    """Lags of room and wet layer, h, with which the estimate follows the ladder best, f held.

    Judged on what the estimate is for: a room that swings by ``SWINGS``, and a wet layer that the
    controller moves against it.  A fit to the record itself would be one to its own weather, and to
    what a warm-up leaves behind, which two lags cannot follow.
    """
    f = line.slope
    omega_per_h = 2.0 * math.pi / np.array([period_h for period_h, _ in SWINGS])
    swing_k = np.array([amplitude_k for _, amplitude_k in SWINGS])

    def response(tau_h: float) -> Waves:
        return 1.0 / (1.0 + 1j * omega_per_h * tau_h)

    rungs = len(LADDER_H)
    rooms_h = [tau_h for tau_h in LADDER_H if tau_h != STEADY_H]
    base = response(STEADY_H)
    by_layer = sum(w * response(tau) for w, tau in zip(line.weights, LADDER_H, strict=False))
    by_room = base * (1.0 - line.weights.sum()) + sum(
        w * response(tau) for w, tau in zip(line.weights[rungs:], rooms_h, strict=True)
    )
    found = np.log([ROOM_LAG_H, SUBSTRATE_LAG_H])
    for _ in range(2):
        between_h = max(0.0, math.exp(found[0]) - math.exp(found[1]))
        layer = (1.0 - 1.0 / f) * response(between_h) * response(FOLLOWS_H)
        true = by_room + by_layer * layer

        def misfit(logs: Array, layer: Waves, true: Waves) -> Array:
            room_lag_h, substrate_lag_h = np.exp(logs)
            room = response(room_lag_h)
            error_k = swing_k * ((1.0 - f) * room + f * response(substrate_lag_h) * layer - true)
            alone_k = LAYER_ALONE * swing_k * (f * response(substrate_lag_h) - by_layer)
            pull = (logs - np.log([ROOM_LAG_H, SUBSTRATE_LAG_H])) / LAG_SPREAD
            errors_k = np.concatenate([error_k, alone_k]) / MATTERS_K
            return np.concatenate([errors_k.real, errors_k.imag, pull])

        low, high = np.log(np.transpose([ROOM_LAG_BOUNDS_H, SUBSTRATE_LAG_BOUNDS_H]))
        found = least_squares(misfit, found, bounds=(low, high), args=(layer, true)).x
    return float(np.exp(found[0])), float(np.exp(found[1]))


def _flow(rows: Rows, u2: tuple[float, float, float]) -> HeatFlowLearned | None:
    """The heat-flow method: wet layer less callus zone from power, the room's swings aside."""
    if rows.power_w is None:
        return None
    mean_w = float(np.mean(rows.means(rows.power_w)))
    drop = rows.substrate_c - rows.callus_c
    mean_drop_k = float(np.mean(rows.means(drop)))
    if mean_w < 1.0 or mean_drop_k <= 0.0:
        return None
    guess = mean_drop_k / mean_w
    rungs = len(LADDER_H)
    columns = [lagged(rows.power_w, tau_h, rows.step_h) for tau_h in LADDER_H]
    columns += [lagged(rows.room_c, tau_h, rows.step_h) - rows.room_c for tau_h in LADDER_H]
    widths = np.repeat([POWER_WIDTH * guess, DELAY_WIDTH], rungs)
    prior = (np.repeat([guess / rungs, 0.0], rungs), np.diag(widths**2))
    shares = np.repeat([1.0, 0.0], rungs)
    # Reading space: the drop reads d_s - d_c more; d_s stays with the box.
    line = _line(rows, drop, columns, prior, shares, START_WARM_K, u2[0], u2[2])
    if not 0.0 < line.slope <= RESISTANCE_MOST_K_PER_W:
        return None
    power_w = rows.power_w
    wanted = rows.means(rows.callus_c) + line.constant_k

    def estimate(memory_h: float) -> Array:
        power = lagged(power_w, memory_h, rows.step_h)
        return rows.means(rows.substrate_c - line.slope * power)

    def misfit(logs: Array) -> Array:
        error_k = wanted - estimate(math.exp(logs[0]))
        pull = (logs - math.log(MEMORY_H)) / LAG_SPREAD
        return np.concatenate([error_k / (MATTERS_K * math.sqrt(len(error_k))), pull])

    low, high = np.log(MEMORY_BOUNDS_H)
    found = least_squares(misfit, [math.log(MEMORY_H)], bounds=(low, high))
    memory_h = math.exp(found.x[0])
    residual_k = rows.means(rows.callus_c) - estimate(memory_h) + line.kept_k
    return HeatFlowLearned(
        resistance_k_per_w=line.slope,
        resistance_uncertainty_k_per_w=line.slope_u,
        measured_power_w=line.best_at,
        uncertainty_k=line.best_u,
        intercept_k=-line.kept_k,
        memory_h=memory_h,
        residual_rms_k=float(np.sqrt(np.mean(residual_k**2))),
    )


def _doubts(rows: Rows, line: _Line, difference_k: float) -> tuple[str, ...]:
    found = []
    if rows.hours < ENOUGH_H:
        found.append(
            f"only {rows.hours:.0f} h could be used: 48 h hold two nights, which tell f better"
        )
    if line.slope_u > UNCERTAIN_FACTOR:
        found.append(
            f"the wet layer was only {difference_k:.0f} K above the room: "
            "learn again in a cold week, when f shows better"
        )
    if line.scatter_k >= SCATTER_DOUBT_K:
        found.append(
            f"the callus zone moved by {line.scatter_k:.2f} K in ways that neither wet layer nor "
            "room explains: was the box opened, watered or in the sun?"
        )
    return tuple(found)
