"""Least squares with what it takes to trust the answer: covariances, intervals, leave-one-out.

Pure numerics on arrays; the units are the caller's, so the names here carry none.  A fit is told
one of two things.  Either the covariance of the readings is known in absolute terms, from data
sheets and experience (type B in JCGM 100:2008), and then quantiles are those of the normal
distribution.  Or only their relative weights are known, the scatter about the fit sets the scale,
and quantiles are Student's t.

Sources: A. Aitken 1935 for generalised least squares, A. Goldberger 1962 for the best linear
unbiased prediction, both from memory and checked in tests/published against other people's numbers.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import stats

from bottomheat.calibration.solving import Array, checked, left_out, solve, spans, whitening

LEVEL = 0.95
"""Share of intervals that should hold the truth, where nothing else is asked for."""


@dataclass(frozen=True, slots=True, eq=False)
class Fit:
    """A linear model fitted to n readings with p unknowns.

    Attributes:
        estimates: shape (p,).
        standard_errors: of the estimates, shape (p,).
        covariance: of the estimates, shape (p, p).
        fitted: the model at the readings, shape (n,).
        residuals: reading less model, in the reading's unit, shape (n,).
        leverage: share of each reading in its own fitted value, shape (n,).
        standardised: residuals in their own standard deviations, shape (n,); with correlated
            readings those of ``deleted``, which for independent readings is the same number.
        deleted: each reading less what all the others predict of it, shape (n,).  Where readings
            share an error, the others tell of that too: this is the best linear unbiased
            prediction, not only the refitted line.  nan where the others do not suffice.
        deleted_errors: standard deviation of ``deleted``, shape (n,).
        chi_square: weighted sum of squared residuals r' V⁻¹ r; a χ² only with a known scale.
        degrees_of_freedom: n − p.
        residual_sd: root of chi_square/(n − p): the residual standard deviation of a reading of
            weight 1, or with a known scale the Birge ratio; nan where n = p.
        r_squared: about the (weighted) mean where the model holds a constant, else about zero;
            nan where the readings do not differ from that.
        centred: which of the two.
        known_scale: the covariance was known in absolute terms.
        log_determinant: ln det V of the readings' covariance as it was given.
        whitener: shape (n, n), W with W' W = V⁻¹.
        design: shape (n, p).
    """

    estimates: Array
    standard_errors: Array
    covariance: Array
    fitted: Array
    residuals: Array
    leverage: Array
    standardised: Array
    deleted: Array
    deleted_errors: Array
    chi_square: float
    degrees_of_freedom: int
    residual_sd: float
    r_squared: float
    centred: bool
    known_scale: bool
    log_determinant: float
    whitener: Array
    design: Array

    @property
    def readings(self) -> int:
        """How many readings were fitted."""
        return int(self.design.shape[0])

    @property
    def unknowns(self) -> int:
        """How many unknowns were fitted."""
        return int(self.design.shape[1])

    @property
    def scale(self) -> float:
        """What the given covariance is multiplied by: 1 where it is known, else s²."""
        return 1.0 if self.known_scale else self.residual_sd**2

    def quantile(self, level_fraction: float = LEVEL) -> float:
        """Half width of an interval in standard errors, normal or Student's t."""
        if not 0.0 < level_fraction < 1.0:
            raise ValueError("a level lies between 0 and 1")
        upper = 0.5 + level_fraction / 2.0
        if self.known_scale:
            return float(stats.norm.ppf(upper))
        return float(stats.t.ppf(upper, self.degrees_of_freedom))


@dataclass(frozen=True, slots=True, eq=False)
class Interval:
    """Predicted values with their bounds, each of shape (rows,).

    Attributes:
        centre: the prediction.
        standard_error: its standard uncertainty.
        low: lower bound at the level asked for.
        high: upper bound.
    """

    centre: Array
    standard_error: Array
    low: Array
    high: Array


@dataclass(frozen=True, slots=True)
class Inverse:
    """The x at which a straight line reaches a reading.

    Attributes:
        x: the estimate.
        standard_error: the usual first-order one.
        low: lower end of Fieller's interval; −inf where the slope is not significant.
        high: upper end; inf where the slope is not significant.
    """

    x: float
    standard_error: float
    low: float
    high: float

    @property
    def bounded(self) -> bool:
        """Whether the slope differs from zero at the level asked for."""
        return bool(np.isfinite(self.low) and np.isfinite(self.high))


@dataclass(frozen=True, slots=True)
class Significance:
    """A test statistic.

    Attributes:
        statistic: χ² or F.
        degrees_of_freedom: one number for χ², two for F.
        p_value: chance of a statistic at least as large if the hypothesis holds.
    """

    statistic: float
    degrees_of_freedom: tuple[int, ...]
    p_value: float


def least_squares(
    x_matrix: npt.ArrayLike,
    y: npt.ArrayLike,
    *,
    weights: npt.ArrayLike | None = None,
    covariance: npt.ArrayLike | None = None,
    known_scale: bool = False,
) -> Fit:
    """Fit y = x_matrix @ estimates, by generalised least squares.

    Args:
        x_matrix: design, shape (n, p); a vector is one column.  Holds a column of ones where the
            model has a constant.
        y: readings, shape (n,).
        weights: inverse (relative) variances, shape (n,).  Not together with ``covariance``.
        covariance: of the readings, shape (n, n), or their variances, shape (n,).  Without either
            all readings weigh the same.
        known_scale: the covariance (or 1/weights) is in absolute terms.  Else it is relative and
            the residuals set the scale.

    Raises:
        ValueError: shapes do not fit, a value is not finite, the covariance is not positive
            definite, the columns do not tell the unknowns apart, or too few readings.
    """
    design, readings = checked(x_matrix, y)
    n, p = design.shape
    if n < p or (n == p and not known_scale):
        raise ValueError(f"{n} readings cannot tell {p} unknowns and their scatter")
    if known_scale and weights is None and covariance is None:
        raise ValueError("a known scale needs weights or a covariance")
    whitener, log_determinant = whitening(n, weights, covariance)
    solved = solve(whitener @ design, whitener @ readings)
    chi_square = float(solved.residuals @ solved.residuals)
    freedom = n - p
    residual_sd = float(np.sqrt(chi_square / freedom)) if freedom else float("nan")
    scale = 1.0 if known_scale else residual_sd**2
    own, deleted_variance = left_out(whitener, solved)
    fitted = design @ solved.estimates
    # Diagonal of X (X'V⁻¹X)⁻¹ X'V⁻¹.
    leverage = np.einsum("ij,ij->i", design @ solved.inverse, (whitener.T @ (whitener @ design)))
    centred, r_squared = _r_squared(whitener, design, readings, chi_square)
    # nan where the others cannot predict a reading, or where there is no scatter at all.
    with np.errstate(divide="ignore", invalid="ignore"):
        deleted = own * deleted_variance
        deleted_errors = np.sqrt(scale * deleted_variance)
        standardised = deleted / deleted_errors
    return Fit(
        estimates=solved.estimates,
        standard_errors=np.sqrt(scale * np.diag(solved.inverse)),
        covariance=scale * solved.inverse,
        fitted=fitted,
        residuals=readings - fitted,
        leverage=leverage,
        standardised=standardised,
        deleted=deleted,
        deleted_errors=deleted_errors,
        chi_square=chi_square,
        degrees_of_freedom=freedom,
        residual_sd=residual_sd,
        r_squared=r_squared,
        centred=centred,
        known_scale=known_scale,
        log_determinant=log_determinant,
        whitener=whitener,
        design=design,
    )


def mean_response(fit: Fit, rows: npt.ArrayLike, level_fraction: float = LEVEL) -> Interval:
    """The model itself at ``rows``, shape (rows, p), with its confidence interval."""
    at = _rows(fit, rows)
    variance = np.einsum("ij,jk,ik->i", at, fit.covariance, at)
    return _interval(fit, at @ fit.estimates, variance, level_fraction)


def prediction(
    fit: Fit,
    rows: npt.ArrayLike,
    *,
    variance: npt.ArrayLike | None = None,
    level_fraction: float = LEVEL,
) -> Interval:
    """A new reading at ``rows`` that shares no error with the fitted ones, and its interval.

    Args:
        fit: the model.
        rows: shape (rows, p).
        variance: of the new reading, on the scale of the covariance that was fitted with: absolute
            with a known scale, else relative to a reading of weight 1, which is the default.
        level_fraction: share of new readings that the interval should hold.

    Raises:
        ValueError: the scale is known and no variance is given.
    """
    at = _rows(fit, rows)
    if variance is None and fit.known_scale:
        raise ValueError("with a known scale a new reading's own variance must be given")
    own = fit.scale * np.asarray(1.0 if variance is None else variance, dtype=np.float64)
    mean_variance = np.einsum("ij,jk,ik->i", at, fit.covariance, at)
    return _interval(fit, at @ fit.estimates, mean_variance + own, level_fraction)


def best_prediction(
    fit: Fit,
    rows: npt.ArrayLike,
    *,
    shared: npt.ArrayLike,
    variance: npt.ArrayLike,
    level_fraction: float = LEVEL,
) -> Interval:
    """A quantity that shares errors with the fitted readings, from all that they tell of it.

    The best linear unbiased prediction of row @ β + z, where z has mean 0, the given variance and
    the given covariance with the readings' errors: a bias common to all readings, for example,
    that also belongs to what is wanted.

    Args:
        fit: the model.
        rows: shape (rows, p).
        shared: covariance of z with the error of each reading, shape (n,) or (rows, n), on the
            scale of the covariance that was fitted with.
        variance: of z itself, a number or shape (rows,), on that scale.
        level_fraction: share of the intervals that should hold the quantity.

    Raises:
        ValueError: shapes do not fit, or ``shared`` and ``variance`` contradict the covariance.
    """
    at = _rows(fit, rows)
    together = np.atleast_2d(np.asarray(shared, dtype=np.float64))
    if together.shape[1] != fit.readings or together.shape[0] not in (1, len(at)):
        raise ValueError("shared needs one covariance for each reading")
    white = together @ fit.whitener.T  # rows c'W'
    known = np.einsum("ij,ij->i", white, white)
    unexplained = np.asarray(variance, dtype=np.float64) - known
    if np.any(unexplained < -1e-9 * np.maximum(known, 1e-300)):
        raise ValueError("shared and variance contradict the covariance of the readings")
    centre = at @ fit.estimates + white @ (fit.whitener @ fit.residuals)
    less = at - white @ (fit.whitener @ fit.design)
    mean_variance = np.einsum("ij,jk,ik->i", less, fit.covariance, less)
    total = mean_variance + fit.scale * np.maximum(unexplained, 0.0)
    return _interval(fit, centre, total, level_fraction)


def inverse_prediction(
    fit: Fit,
    y_value: float,
    *,
    repeats: int = 1,
    variance_value: float | None = None,
    level_fraction: float = LEVEL,
) -> Inverse:
    """The x at which the straight line of ``fit`` gives the mean of ``repeats`` readings.

    The standard error is the usual first-order one (J. and J. Miller, "Statistics and Chemometrics
    for Analytical Chemistry"); the interval is E. Fieller's of 1954, exact for normal errors.

    Args:
        fit: of a design with the columns 1 and x, in this order.
        y_value: mean of the new readings.
        repeats: how many readings it is the mean of.
        variance_value: of one new reading, as in ``prediction``.
        level_fraction: of Fieller's interval.

    Raises:
        ValueError: not a straight line with a constant; slope zero; no variance with a known scale.
    """
    if fit.unknowns != 2 or not np.all(fit.design[:, 0] == 1.0):
        raise ValueError("inverse prediction needs a design with the columns 1 and x")
    if repeats < 1:
        raise ValueError("a mean needs at least one reading")
    if variance_value is None and fit.known_scale:
        raise ValueError("with a known scale a new reading's own variance must be given")
    intercept, slope = (float(each) for each in fit.estimates)
    if slope == 0.0:
        raise ValueError("a line without slope tells nothing of x")
    own = fit.scale * (1.0 if variance_value is None else variance_value) / repeats
    rise = y_value - intercept
    # Variances of the rise and of the slope, and their covariance.
    v_rise = own + float(fit.covariance[0, 0])
    v_slope = float(fit.covariance[1, 1])
    v_both = -float(fit.covariance[0, 1])
    x = rise / slope
    standard_error = float(np.sqrt(v_rise - 2.0 * x * v_both + x * x * v_slope)) / abs(slope)
    # Fieller: all x with (rise − slope x)² <= q² (v_rise − 2 x v_both + x² v_slope).
    q2 = fit.quantile(level_fraction) ** 2
    square = slope * slope - q2 * v_slope
    if square <= 0.0:
        return Inverse(x, standard_error, -np.inf, np.inf)
    half_linear = rise * slope - q2 * v_both
    constant = rise * rise - q2 * v_rise
    root = float(np.sqrt(max(half_linear * half_linear - square * constant, 0.0)))
    return Inverse(x, standard_error, (half_linear - root) / square, (half_linear + root) / square)


def chi_square_test(fit: Fit) -> Significance:
    """Whether the residuals are as large as the known covariance says: small p, they are larger.

    Raises:
        ValueError: the scale is not known, or there is no degree of freedom.
    """
    if not fit.known_scale or fit.degrees_of_freedom < 1:
        raise ValueError("a χ² test needs a known scale and a degree of freedom")
    p_value = float(stats.chi2.sf(fit.chi_square, fit.degrees_of_freedom))
    return Significance(fit.chi_square, (fit.degrees_of_freedom,), p_value)


def birge_ratio(fit: Fit) -> float:
    """Scatter found over scatter expected, root of χ²/(n − p) (R. Birge 1932); 1 is as expected.

    Raises:
        ValueError: the scale is not known, or there is no degree of freedom.
    """
    if not fit.known_scale or fit.degrees_of_freedom < 1:
        raise ValueError("a Birge ratio needs a known scale and a degree of freedom")
    return fit.residual_sd


def nested_f_test(small: Fit, large: Fit) -> Significance:
    """Whether the larger of two nested models explains more than chance: small p, it does.

    Both fitted to the same readings with the same relative covariance; where the scale is known
    the χ² of the difference is used instead, which needs no scatter.

    Raises:
        ValueError: the models are not nested, or were not fitted alike.
    """
    if small.known_scale != large.known_scale or small.readings != large.readings:
        raise ValueError("the two models were not fitted to the same readings")
    more = large.unknowns - small.unknowns
    if more < 1 or not spans(large.design, small.design):
        raise ValueError("the two models are not nested")
    gain = max(small.chi_square - large.chi_square, 0.0)
    if large.known_scale:
        return Significance(gain, (more,), float(stats.chi2.sf(gain, more)))
    freedom = large.degrees_of_freedom
    with np.errstate(divide="ignore", invalid="ignore"):
        statistic = float(np.float64(gain / more) / np.float64(large.residual_sd**2))
    return Significance(statistic, (more, freedom), float(stats.f.sf(statistic, more, freedom)))


def aic(fit: Fit) -> float:
    """Akaike's criterion with a known variance, χ² + 2p; smaller is better.

    For models that were fitted to the same readings with the same covariance.  Where covariances
    differ, compare ``aic(fit) + fit.log_determinant``.

    Raises:
        ValueError: the scale is not known.
    """
    if not fit.known_scale:
        raise ValueError("with an unknown scale use aicc")
    return fit.chi_square + 2.0 * fit.unknowns


def aicc(fit: Fit) -> float:
    """Akaike's criterion, variance unknown, small samples (C. Hurvich and C. Tsai 1989).

    n ln(χ²/n) + 2k + 2k(k + 1)/(n − k − 1) with k = p + 1, because the variance is an unknown
    too; inf where there are too few readings.  For models with the same relative covariance.

    Raises:
        ValueError: the scale is known.
    """
    if fit.known_scale:
        raise ValueError("with a known scale use aic")
    n, k = fit.readings, fit.unknowns + 1
    if n - k - 1 <= 0:
        return float("inf")
    with np.errstate(divide="ignore"):
        likelihood = n * float(np.log(np.float64(fit.chi_square / n)))
    return likelihood + 2.0 * k + 2.0 * k * (k + 1) / (n - k - 1)


def _r_squared(
    whitener: Array, design: Array, readings: Array, chi_square: float
) -> tuple[bool, float]:
    white_ones, white = whitener.sum(axis=1), whitener @ readings
    rounding = 1e-26 * float(white @ white)
    centred = spans(design, np.ones((len(readings), 1)))
    if centred:
        white = white - white_ones * ((white_ones @ white) / (white_ones @ white_ones))
    total = float(white @ white)
    return centred, 1.0 - chi_square / total if total > rounding else float("nan")


def _rows(fit: Fit, rows: npt.ArrayLike) -> Array:
    at = np.asarray(rows, dtype=np.float64)
    if at.ndim < 2:
        # A vector is a column where there is one unknown, as in least_squares; else one row.
        at = at.reshape(-1, 1) if fit.unknowns == 1 else np.atleast_2d(at)
    if at.ndim != 2 or at.shape[1] != fit.unknowns:
        raise ValueError("a row needs one value for each unknown")
    return at


def _interval(fit: Fit, centre: Array, variance: Array, level_fraction: float) -> Interval:
    standard_error = np.sqrt(variance)
    half = fit.quantile(level_fraction) * standard_error
    return Interval(centre, standard_error, centre - half, centre + half)
