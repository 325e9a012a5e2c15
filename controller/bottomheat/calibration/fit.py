"""The offset, fitted to readings of a trusted thermometer, with what is known of every error.

For one position of the lid::

    T_reference = L_r + f x + b + c + e        x = L_s - L_r

with the lagged room and wet layer L_r and L_s as read.  b is what the probes' own constant errors
make of the callus zone, -(1 - f) d_room - f d_layer: the service will read through the same errors,
so b belongs to what is wanted.  c is the thermometer's own error, common to all its readings, and
does not.  e differs from reading to reading.  All are known as standard uncertainties beforehand
(type B, JCGM 100:2008, 4.3), so one reading gives an honest width, quantiles are the normal
distribution's, and nothing is ever Student's t on one degree of freedom.

f comes from generalised least squares with their full covariance (A. Aitken 1935), the callus zone
f x + b from its best linear unbiased prediction (A. Goldberger 1962).  The variance of that is a
parabola in x, so three numbers carry it into the config.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
from scipy import stats

from bottomheat.calibration import regression
from bottomheat.calibration.ledger import Reference

Array = npt.NDArray[np.float64]

INTERCEPT_SPAN_K = 6.0
"""Rooms so far apart support an intercept beside the factor; with less the proportional model alone
(standard errors of both designs from the ordinary formulas at 0.1 K a reading: 0.28 K of intercept
within 3 K of room, 0.07-0.13 K with rooms 6-9 K apart)."""

U_READING_K = 0.06
"""Standard uncertainty of one reading beside the thermometer's own: resolution 0.1 °C as a
rectangle (0.03), and the bulb's place and patience; judgement."""

U_STEP_K = 0.0625 / math.sqrt(12.0)
"""Steps of 1/16 K of a probe as a rectangle (DS18B20 datasheet; JCGM 100:2008, F.2.2.1)."""

U_WEATHER_READING_K = 0.04
"""Standard uncertainty of a steady reading from weather, beside what its lags in doubt make: what
two first-order lags do not follow.  40 boxes drawn within handbook ranges, nine days of recorded
weather each: 0.057 K RMS in all, 0.035 K of it told by the lags; calculated."""

U_FLOW_READING_K = 0.1
"""Standard uncertainty of a reading from weather that mean power does not follow; the heat-flow
method is within 0.03-0.08 K RMS on the bench's four boxes, calculated."""

SINK_K = 1.5
"""Standard uncertainty of the constant that evaporation makes with the lid ajar or off: 1.8 K more
on the nominal box with its lid off (calculated), nothing at the least."""

SPREAD_FRAC = 0.025
"""Standard deviation of a spot's own factor about the box's mean: 0.25 K at a difference of 10 K,
as the estimate takes it without a measurement; judgement."""

ZONE_FLOOR_K = 0.05

PRIOR_F = 0.75
"""For the sensitivities to the probes' errors, before f is known; they hardly depend on it."""


@dataclass(frozen=True, slots=True)
class Doubts:
    """Standard uncertainties that are known beforehand, K.

    Attributes:
        substrate_k: wet-layer probe.
        room_k: room probe.
        reading_k: one reading beside the thermometer's own error.
        sink_k: constant loss through an open lid.
    """

    substrate_k: float
    room_k: float
    reading_k: float = U_READING_K
    sink_k: float = 0.0


@dataclass(frozen=True, slots=True)
class Row:
    """One reading as the fit sees it.

    Attributes:
        number: in the ledger.
        x_k: lagged wet layer less lagged room, K.
        y_k: thermometer less lagged room, K.
        flow_y_k: thermometer less wet layer, K.
        power_w: mean power over the bed's memory, W, or None.
        room_c: lagged room, °C.
        thermometer_k: standard uncertainty of the thermometer, K.
        own_k: standard uncertainty of this reading alone, K.
        steadiness_k: the share of weather in that, K.
        spot: where in the box.
    """

    number: int
    x_k: float
    y_k: float
    flow_y_k: float
    power_w: float | None
    room_c: float
    thermometer_k: float
    own_k: float
    steadiness_k: float
    spot: str


@dataclass(frozen=True, slots=True)
class LeftOut:
    """A reading that does not enter the fit, and why."""

    number: int
    why: str


@dataclass(frozen=True, slots=True)
class Method:
    """One method on the rows that all methods share.

    Attributes:
        name: as in the config.
        unknowns: how many were fitted.
        value: offset in K, f, or R in K/W.
        error: its standard error.
        chi_square: weighted sum of squared residuals.
        freedom: degrees of freedom.
        p_value: chance of more scatter than this if the method is right; None without freedom.
        aic: chi-square plus twice the unknowns; smaller is better.
    """

    name: str
    unknowns: int
    value: float
    error: float
    chi_square: float
    freedom: int
    p_value: float | None
    aic: float


@dataclass(frozen=True, slots=True)
class Line:
    """Callus zone less lagged room as a straight line in x, with its variance.

    Attributes:
        factor: slope, dimensionless.
        intercept_k: at x = 0, K.
        centre_k: x at which it is known best, K.
        least_k: standard uncertainty there, K.
        slope_u: standard uncertainty of the slope about the centre, dimensionless.
    """

    factor: float
    intercept_k: float
    centre_k: float
    least_k: float
    slope_u: float

    def u_k(self, x_k: float) -> float:
        """Standard uncertainty of the callus zone at a difference, K."""
        return math.hypot(self.least_k, (x_k - self.centre_k) * self.slope_u)

    def x_at(self, setpoint_c: float, room_c: float) -> float:
        """Wet layer less room, K, that holds a setpoint in a room."""
        return (setpoint_c - self.intercept_k - room_c) / self.factor


@dataclass(frozen=True, slots=True, eq=False)
class Fit:
    """What the readings of one position of the lid tell.

    Attributes:
        rows: readings that were fitted.
        left_out: readings that were not.
        doubts: what was known beforehand.
        line: callus zone over the difference, for the spot or, with several, their mean.
        with_intercept: the rooms are far enough apart for one.
        factor_error: standard error of f itself, dimensionless.
        spots: spots that were read.
        zone_k: standard uncertainty from the spread between spots, K; None with one spot.
        birge: by how much the readings scatter more than they should; 1 where they do not.
        outliers: numbers of readings far from what the others say.
        residuals_k: of each row, K.
        standardised: of each row, in its own standard deviations.
        methods: every method on the same rows.
        resistance: R in K/W with the heat-flow line's three numbers, or None.
        span_k: warmest less coldest room, K.
    """

    rows: tuple[Row, ...]
    left_out: tuple[LeftOut, ...]
    doubts: Doubts
    line: Line
    with_intercept: bool
    factor_error: float
    spots: tuple[str, ...]
    zone_k: float | None
    birge: float
    outliers: tuple[int, ...]
    residuals_k: tuple[float, ...]
    standardised: tuple[float, ...]
    methods: tuple[Method, ...]
    resistance: Line | None
    span_k: float

    def prediction_k(self, x_k: float) -> float:
        """Standard uncertainty of one more reading with the same thermometer, K.

        Args:
            x_k: lagged wet layer less lagged room, K.
        """
        row = self.rows[-1]
        return math.hypot(self.line.u_k(x_k), row.thermometer_k, self.doubts.reading_k, U_STEP_K)


def rows_of(
    references: Sequence[Reference],
    *,
    lid: str,
    probes: dict[str, str],
    corrections_k: dict[str, float],
    doubts: Doubts,
) -> tuple[list[Row], list[LeftOut]]:
    """The readings that a fit may use, and the others with their reason.

    Args:
        references: of one box.
        lid: the position of the lid that is fitted.
        probes: name of the probe at each place now.
        corrections_k: what is added to the readings at each place now, K.
        doubts: standard uncertainties.
    """
    rows: list[Row] = []
    left_out: list[LeftOut] = []
    for reference in references:
        entry, pairing = reference.entry, reference.entry.pairing
        why = None
        if reference.dropped is not None:
            why = "dropped" + (f": {reference.dropped}" if reference.dropped else "")
        elif entry.lid != lid:
            why = f"the lid was {entry.lid}"
        elif not pairing.steady:
            why = pairing.why
        elif pairing.lagged_room_c is None:
            why = "no room was measured then"
        else:
            other = [p for p in ("substrate", "room") if pairing.probes.get(p) != probes.get(p)]
            if other:
                words = {"substrate": "wet layer", "room": "room"}
                why = f"another probe lay in the place {words[other[0]]} then"
        if why is not None or pairing.lagged_room_c is None:
            left_out.append(LeftOut(reference.number, why or ""))
            continue
        shift = {
            place: corrections_k.get(place, 0.0) - pairing.corrections_k.get(place, 0.0)
            for place in ("substrate", "room")
        }
        room_c = pairing.lagged_room_c + shift["room"]
        layer_c = pairing.lagged_substrate_c + shift["substrate"]
        rows.append(
            Row(
                number=reference.number,
                x_k=layer_c - room_c,
                y_k=entry.reading_c - room_c,
                flow_y_k=entry.reading_c - pairing.substrate_c - shift["substrate"],
                power_w=pairing.power_w,
                room_c=room_c,
                thermometer_k=entry.expanded_k / 2.0,
                own_k=_own_k(doubts, pairing.steadiness_k),
                steadiness_k=pairing.steadiness_k,
                spot=entry.spot,
            )
        )
    return rows, left_out


def _own_k(doubts: Doubts, steadiness_k: float) -> float:
    """Standard uncertainty of one reading by itself, K."""
    return math.hypot(doubts.reading_k, U_STEP_K, U_WEATHER_READING_K, steadiness_k)


def fit(rows: Sequence[Row], doubts: Doubts, left_out: Sequence[LeftOut] = ()) -> Fit:
    """Fit the offset to readings.

    Args:
        rows: at least one.
        doubts: standard uncertainties known beforehand.
        left_out: readings that were not used, to go with the answer.

    Raises:
        ValueError: no row, or wet layer and room were equal in all.
    """
    if not rows:
        raise ValueError("there is no reading to fit")
    # The probes' share of b depends on f, so f is found twice.
    first = _fit_at(tuple(rows), doubts, PRIOR_F)
    made = _fit_at(tuple(rows), doubts, min(max(first.line.factor, 0.2), 1.0))
    return replace(made, left_out=tuple(left_out))


def one_more(made: Fit, setpoint_c: float, room_c: float) -> Fit:
    """The fit as it would be with one more reading in a room, taken as the last one was.

    Args:
        made: the fit so far.
        setpoint_c: what the callus zone is held at, °C.
        room_c: room of the reading that is thought of, °C.
    """
    last = made.rows[-1]
    x_k = made.line.x_at(setpoint_c, room_c)
    y_k = made.line.factor * x_k + made.line.intercept_k
    flow_y_k = y_k - x_k
    own_k = _own_k(made.doubts, min(row.steadiness_k for row in made.rows))
    thought = replace(
        last, number=0, x_k=x_k, y_k=y_k, flow_y_k=flow_y_k, room_c=room_c, own_k=own_k
    )
    return fit((*made.rows, thought), made.doubts)


def _fit_at(rows: tuple[Row, ...], doubts: Doubts, f: float) -> Fit:
    x = np.array([row.x_k for row in rows])
    y = np.array([row.y_k for row in rows])
    problem = Problem.of(rows, x, doubts, f)
    found = regression.least_squares(x[:, None], y, covariance=problem.covariance, known_scale=True)
    span_k = max(row.room_c for row in rows) - min(row.room_c for row in rows)
    with_intercept = span_k >= INTERCEPT_SPAN_K
    freedom = found.degrees_of_freedom
    birge = 1.0
    if freedom and stats.chi2.sf(found.chi_square, freedom) < 0.05:
        birge = max(1.0, math.sqrt(found.chi_square / freedom))
    line = problem.line(y, birge, with_intercept=with_intercept)
    spots = tuple(dict.fromkeys(row.spot for row in rows))
    bound = float(stats.norm.ppf(1.0 - 0.025 / len(rows)))  # Bonferroni, 5 % in all
    standardised = np.where(np.isfinite(found.standardised), found.standardised, 0.0)
    outliers = tuple(
        row.number
        for row, z in zip(rows, standardised, strict=True)
        if len(rows) > 2 and abs(z) > bound
    )
    residuals = y - line.factor * x - line.intercept_k
    return Fit(
        rows=rows,
        left_out=(),
        doubts=doubts,
        line=line,
        with_intercept=with_intercept,
        factor_error=float(found.standard_errors[0]) * birge,
        spots=spots,
        zone_k=_zone_k(rows, residuals) if len(spots) > 1 else None,
        birge=birge,
        outliers=outliers,
        residuals_k=tuple(float(each) for each in residuals),
        standardised=tuple(float(each) for each in standardised),
        methods=_methods(rows, problem, doubts),
        resistance=_resistance(rows, doubts),
        span_k=span_k,
    )


@dataclass(frozen=True, slots=True, eq=False)
class Problem:
    """Design and covariances of y = slope x + z + errors, where z belongs to what is wanted.

    ``own`` is the diagonal of errors that differ, ``thermometer`` the common ones, ``bias_k`` the
    standard deviation of z's constant, ``same_spot`` 1 where two rows share a spot, ``spots`` how
    many there are, and ``spread_frac`` how far a spot's own slope is from their mean.
    """

    x: Array
    own: Array
    thermometer: Array
    bias_k: float
    same_spot: Array
    spots: int
    spread_frac: float = SPREAD_FRAC

    @classmethod
    def of(cls, rows: Sequence[Row], x: Array, doubts: Doubts, factor: float) -> Problem:
        """The problem of these rows; ``factor`` shares the probes' errors out."""
        f = factor
        bias_k = math.hypot(f * doubts.substrate_k, (1.0 - f) * doubts.room_k, doubts.sink_k)
        spots = np.array([row.spot for row in rows])
        return cls(
            x=x,
            own=np.array([row.own_k for row in rows]),
            thermometer=np.array([row.thermometer_k for row in rows]),
            bias_k=bias_k,
            same_spot=(spots[:, None] == spots[None, :]).astype(np.float64),
            spots=len(set(spots)),
        )

    @property
    def covariance(self) -> Array:
        """Of the readings, K², shape (n, n)."""
        return (
            np.diag(self.own**2)
            + np.outer(self.thermometer, self.thermometer)
            + self.bias_k**2
            + self.spread_frac**2 * np.outer(self.x, self.x) * self.same_spot
        )

    def shared(self, x0: float) -> tuple[Array, float]:
        """Covariance of z at x0 with the readings, and its variance, K²."""
        # What is wanted is the mean of the spots that were read, whatever the rest of the box does.
        shared = self.bias_k**2 + self.spread_frac**2 * x0 * self.x / self.spots
        variance = self.bias_k**2 + (self.spread_frac * x0) ** 2 / self.spots
        return shared, variance

    def weights(self, x0: float, *, with_intercept: bool) -> Array:
        """Weights of the readings in the callus zone at x0, shape (n,)."""
        inverse = np.linalg.inv(self.covariance)
        gain = inverse @ self.x / (self.x @ inverse @ self.x)
        if not with_intercept:
            found: Array = gain * x0
            return found
        shared, _ = self.shared(x0)
        left: Array = inverse @ shared
        best: Array = left + gain * (x0 - float(self.x @ left))
        return best

    def variance(self, x0: float, weights: Array) -> float:
        """Of the callus zone at x0 less its prediction by these weights, K²."""
        shared, variance = self.shared(x0)
        return float(weights @ self.covariance @ weights - 2.0 * weights @ shared + variance)

    def line(self, y: Array, birge: float, *, with_intercept: bool) -> Line:
        """The prediction and its variance as three numbers each."""
        at = np.array([0.0, 10.0, 20.0])
        weights = [self.weights(float(x0), with_intercept=with_intercept) for x0 in at]
        values = [float(w @ y) for w in weights]
        variances = [
            birge**2 * self.variance(float(x0), w) for x0, w in zip(at, weights, strict=True)
        ]
        square, linear, constant = (float(each) for each in np.polyfit(at, variances, 2))
        square = max(square, 1e-12)
        centre = -linear / (2.0 * square)
        return Line(
            factor=(values[2] - values[0]) / 20.0,
            intercept_k=values[0],
            centre_k=centre,
            least_k=math.sqrt(max(constant - square * centre**2, 0.0)),
            slope_u=math.sqrt(square),
        )


def _zone_k(rows: Sequence[Row], residuals: Array) -> float:
    """Standard uncertainty from the spread between spots: a rectangle between the outermost, K."""
    spots: dict[str, list[float]] = {}
    for row, residual in zip(rows, residuals, strict=True):
        spots.setdefault(row.spot, []).append(float(residual))
    means = [sum(each) / len(each) for each in spots.values()]
    return max((max(means) - min(means)) / 2.0 / math.sqrt(3.0), ZONE_FLOOR_K)


def _methods(rows: Sequence[Row], problem: Problem, doubts: Doubts) -> tuple[Method, ...]:
    """Every method on the rows that all can use."""
    n, x = len(rows), problem.x
    ones = np.ones(n)
    below = np.array([row.y_k - row.x_k for row in rows])  # callus less wet layer
    covariance = problem.covariance
    found = [
        _method("fixed", -ones[:, None], below, covariance, 1),
        _method("temperature-factor", x[:, None], below + x, covariance, 1),
    ]
    if n > 1 and np.ptp(x) > 1e-6:
        both = np.column_stack([x, ones])
        found.append(_method("temperature-factor, intercept", both, below + x, covariance, 2))
    powers = [row.power_w for row in rows]
    if all(power is not None and power > 0.0 for power in powers):
        flow = _flow_problem(rows, doubts)
        y = np.array([row.flow_y_k for row in rows])
        found.append(_method("heat-flow", flow.x[:, None], y, flow.covariance, 1))
    return tuple(found)


def _method(name: str, design: Array, y: Array, covariance: Array, unknowns: int) -> Method:
    made = regression.least_squares(design, y, covariance=covariance, known_scale=True)
    freedom = made.degrees_of_freedom
    return Method(
        name=name,
        unknowns=unknowns,
        value=float(made.estimates[0]),
        error=float(made.standard_errors[0]),
        chi_square=made.chi_square,
        freedom=freedom,
        p_value=float(stats.chi2.sf(made.chi_square, freedom)) if freedom else None,
        aic=made.chi_square + 2.0 * unknowns,
    )


def _flow_problem(rows: Sequence[Row], doubts: Doubts) -> Problem:
    """T_reference - T_layer = -R P + b + c + e: the same form with x = -P."""
    x = -np.array([row.power_w or 0.0 for row in rows])
    flow = replace(doubts, room_k=0.0)
    moved = [replace(row, own_k=math.hypot(row.own_k, U_FLOW_READING_K)) for row in rows]
    problem = Problem.of(moved, x, flow, 1.0)
    # A spot's own share is a share of the difference; in watts it is that of R's.
    return replace(problem, spread_frac=0.0)


def _resistance(rows: Sequence[Row], doubts: Doubts) -> Line | None:
    """R and the callus zone less the wet layer over -P, as a line."""
    if any(row.power_w is None or row.power_w <= 0.0 for row in rows):
        return None
    problem = _flow_problem(rows, doubts)
    y = np.array([row.flow_y_k for row in rows])
    span_k = max(row.room_c for row in rows) - min(row.room_c for row in rows)
    return problem.line(y, 1.0, with_intercept=span_k >= INTERCEPT_SPAN_K)
