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
from scipy import stats

from bottomheat.calibration import regression
from bottomheat.calibration.ledger import Reference
from bottomheat.calibration.problem import Array, Doubts, Line, Problem, Row

__all__ = [
    "INTERCEPT_SPAN_K",
    "SINK_K",
    "Doubts",
    "Fit",
    "LeftOut",
    "Line",
    "Method",
    "Problem",
    "Row",
    "fit",
    "one_more",
    "rows_of",
]

INTERCEPT_SPAN_K = 6.0
"""Rooms so far apart support an intercept beside the factor; with less the proportional model alone
(standard errors of both designs from the ordinary formulas at 0.1 K a reading: 0.28 K of intercept
within 3 K of room, 0.07-0.13 K with rooms 6-9 K apart)."""

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

ZONE_FLOOR_K = 0.05

PRIOR_F = 0.75
"""For the sensitivities to the probes' errors, before f is known; they hardly depend on it."""


_PLACES = {"substrate": "wet layer", "substrate-2": "wet layer, second probe", "room": "room"}


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
            other = [p for p in _PLACES if pairing.probes.get(p) != probes.get(p)]
            if other:
                why = f"another probe lay in the place {_PLACES[other[0]]} then"
        if why is not None or pairing.lagged_room_c is None:
            left_out.append(LeftOut(reference.number, why or ""))
            continue
        shift = {
            place: corrections_k.get(place, 0.0) - pairing.corrections_k.get(place, 0.0)
            for place in _PLACES
            if place in probes
        }
        # Two probes on the wet layer count by their mean.
        layers = [k for place, k in shift.items() if place != "room"]
        layer_shift_k = sum(layers) / len(layers) if layers else 0.0
        room_c = pairing.lagged_room_c + shift.get("room", 0.0)
        layer_c = pairing.lagged_substrate_c + layer_shift_k
        rows.append(
            Row(
                number=reference.number,
                x_k=layer_c - room_c,
                y_k=entry.reading_c - room_c,
                flow_y_k=entry.reading_c - pairing.substrate_c - layer_shift_k,
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
    # An open lid is a constant sink: then a constant is likely from the first reading on.
    with_intercept = span_k >= INTERCEPT_SPAN_K or doubts.sink_k > 0.0
    freedom = found.degrees_of_freedom
    birge = 1.0
    if freedom and stats.chi2.sf(found.chi_square, freedom) < 0.05:
        birge = max(1.0, math.sqrt(found.chi_square / freedom))
    line = problem.line(y, birge, with_intercept=with_intercept)
    spots = tuple(dict.fromkeys(row.spot for row in rows))
    standardised = np.where(np.isfinite(found.standardised), found.standardised, 0.0)
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
        outliers=_outliers(rows, doubts, f),
        residuals_k=tuple(float(each) for each in residuals),
        standardised=tuple(float(each) for each in standardised),
        methods=_methods(rows, problem, doubts),
        resistance=_resistance(rows, doubts),
        span_k=span_k,
    )


def _outliers(rows: Sequence[Row], doubts: Doubts, factor: float) -> tuple[int, ...]:
    """Readings far from what the others say of them, the worst first.

    Each is looked at without those named before it: one bad reading makes good ones look bad.  The
    bound is the normal one of 5 % in all (Bonferroni).
    """
    bound = float(stats.norm.ppf(1.0 - 0.025 / len(rows)))
    left, named = list(rows), []
    while len(left) > 2:
        x = np.array([row.x_k for row in left])
        problem = Problem.of(left, x, doubts, factor)
        found = regression.least_squares(
            x[:, None],
            [row.y_k for row in left],
            covariance=problem.covariance,
            known_scale=True,
        )
        z = np.abs(np.where(np.isfinite(found.standardised), found.standardised, 0.0))
        worst = int(np.argmax(z))
        if z[worst] <= bound:
            break
        named.append(left.pop(worst).number)
    return tuple(named)


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
    # One spot's own slope is a part of f here, not a scatter.
    covariance = (problem if problem.spots > 1 else replace(problem, spread_frac=0.0)).covariance
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
