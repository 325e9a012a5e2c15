"""What a calibration says to write into the config, and how wide the service's interval then is.

Whatever it came from, readings or a borrowed probe, and whatever the method, the answer has the
same form: keys of the config with rounded values, and an expanded uncertainty (k = 2) for a room
that is put together from the same parts as the service's own.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any, Final

import numpy as np
from scipy import stats

from bottomheat.calibration.fit import U_STEP_K, U_WEATHER_READING_K, Fit
from bottomheat.calibration.learned import Learned
from bottomheat.calibration.ledger import Reference
from bottomheat.calibration.problem import Doubts, Line, Problem, Row
from bottomheat.config_sections import FixedOffset, HeatFlow, Section, TemperatureFactor
from bottomheat.doubts import (
    FIXED_SLOPE,
    U_FIXED_K,
    U_FLOW_K,
    U_WEATHER_K,
    U_WEATHER_LAGS_K,
    U_ZONE_K,
)

K: Final = 2.0
"""Coverage factor of an expanded uncertainty."""

UNLIKELY: Final = 0.05
"""A scatter that chance makes more seldom than this widens the interval."""

FACTOR, FLOW, FIXED = "temperature-factor", "heat-flow", "fixed"
METHODS: Final = (FACTOR, FLOW, FIXED)

_SECTIONS: Final[Mapping[str, type[Section]]] = {
    FACTOR: TemperatureFactor,
    FLOW: HeatFlow,
    FIXED: FixedOffset,
}


@dataclass(frozen=True, slots=True)
class Zone:
    """Standard uncertainty from the spread over the box, K.

    ``source`` says whence: "readings", "config" or "assumed".
    """

    u_k: float
    source: str


@dataclass(frozen=True, slots=True, eq=False)
class Outcome:
    """What to write, and what it is worth.

    Attributes:
        method: of the config.
        source: "borrowed probe" or "readings".
        value: f, R in K/W, or the fixed offset in K.
        values: the config's keys; None takes one out.
        line: the callus zone over its own variable: wet layer less room in K, or minus the mean
            power in W; for a fixed offset the variable is always -1.
        zone: the spread over the box.
        weather_k: standard uncertainty that the service adds for weather, K.
        disagree_k: by how much a second source disagrees, K; its share is in the interval.
        room_c: mean room that it was measured in, °C, or None.
        watts_per_k: mean power for every kelvin of wet layer less room, W/K, or None.
    """

    method: str
    source: str
    value: float
    values: Mapping[str, object]
    line: Line
    zone: Zone
    weather_k: float
    disagree_k: float = 0.0
    room_c: float | None = None
    watts_per_k: float | None = None

    def spot_k(self, setpoint_c: float, room_c: float | None) -> float:
        """Standard uncertainty at the calibrated spot, still weather, K.

        Args:
            setpoint_c: what the callus zone is held at, °C.
            room_c: the room, °C; None where nobody knows it.
        """
        return math.hypot(self.line.u_k(self.at(setpoint_c, room_c)), self.disagree_share_k)

    @property
    def disagree_share_k(self) -> float:
        """Standard uncertainty from two sources that disagree: a rectangle (JCGM 100, 4.3.7), K."""
        return self.disagree_k / math.sqrt(3.0)

    def at(self, setpoint_c: float, room_c: float | None) -> float:
        """The line's variable that holds the setpoint in a room.

        Args:
            setpoint_c: what the callus zone is held at, °C.
            room_c: the room, °C; None where nobody knows it: as it was measured.
        """
        if self.method == FIXED:
            return -1.0
        if self.method == FACTOR:
            assert room_c is not None  # noqa: S101 (a factor has a room)
            return self.line.x_at(setpoint_c, room_c)
        if room_c is None or self.watts_per_k is None:
            return self.line.centre_k
        # Callus less room is x - R w x + b at the wet layer x above the room, with w = W/K.
        share = 1.0 - self.line.factor * self.watts_per_k
        if share <= 0.0:
            return self.line.centre_k
        return -self.watts_per_k * (setpoint_c - self.line.intercept_k - room_c) / share

    def expanded_k(self, setpoint_c: float, room_c: float | None) -> float:
        """Expanded uncertainty (k = 2) of the service's estimate for the whole box, K.

        Args:
            setpoint_c: what the callus zone is held at, °C.
            room_c: the room, °C; None where nobody knows it.
        """
        away_k = 0.0
        if self.method == FIXED:
            away_k = U_FIXED_K
            if room_c is not None and self.room_c is not None:
                away_k = FIXED_SLOPE * abs(room_c - self.room_c)
        return K * math.hypot(
            self.spot_k(setpoint_c, room_c), self.zone.u_k, self.weather_k, away_k
        )

    def beside(self, disagree_k: float) -> Outcome:
        """The same, with a second source that disagrees by so much.

        Args:
            disagree_k: difference of the two, K.
        """
        made = replace(self, disagree_k=abs(disagree_k))
        least_k = math.hypot(self.line.least_k, made.disagree_share_k)
        if self.method == FIXED:
            least_k = math.hypot(self.line.u_k(-1.0), made.disagree_share_k)
        return replace(made, values={**self.values, "uncertainty": round(least_k, 3)})

    def out_of_bounds(self) -> list[str]:
        """What the config would refuse, in sentences; empty where it takes everything."""
        found = []
        for name, field in _SECTIONS[self.method].model_fields.items():
            key = field.alias or name
            value = self.values.get(key)
            if not isinstance(value, float):
                continue
            low, high = _bounds(field.metadata)
            if not math.isfinite(value) or not low[0] <= value <= high or value == low[1]:
                words = key.replace("_", " ")
                found.append(f"{words} of {value:g} is not possible ({low[0]:g} to {high:g})")
        return found


def _bounds(metadata: Sequence[Any]) -> tuple[tuple[float, float], float]:
    """Lowest value with the one that is just too low, and the highest."""
    low, open_at, high = -math.inf, math.nan, math.inf
    for each in metadata:
        low = getattr(each, "ge", low)
        high = getattr(each, "le", high)
        if hasattr(each, "gt"):
            low = open_at = each.gt
    return (low, open_at), high


def factor_from_readings(made: Fit, zone: Zone, *, lags_measured: bool) -> Outcome:
    """A factor that was fitted to readings.

    Args:
        made: the fit.
        zone: the spread over the box.
        lags_measured: the config holds lags that were measured, and keeps them.
    """
    weather_k = U_WEATHER_LAGS_K if lags_measured else U_WEATHER_K
    return _factor("readings", made.line, zone, weather_k, {}, made.with_intercept)


def factor_from_probe(taught: Learned, zone: Zone) -> Outcome:
    """A factor that a borrowed probe taught, with its lags.

    Args:
        taught: what was learnt.
        zone: the spread over the box.
    """
    lags = {
        "room_lag": round(taught.room_lag_h, 2),
        "substrate_lag": round(taught.substrate_lag_h, 2),
    }
    constant = taught.intercept_k != 0.0
    return _factor("borrowed probe", line_of(taught), zone, U_WEATHER_LAGS_K, lags, constant)


def line_of(taught: Learned) -> Line:
    """What a borrowed probe taught, as a line over wet layer less room."""
    return Line(
        taught.factor,
        taught.intercept_k,
        taught.measured_difference_k,
        taught.uncertainty_k,
        taught.factor_uncertainty,
    )


def _factor(
    source: str,
    line: Line,
    zone: Zone,
    weather_k: float,
    lags: Mapping[str, float],
    with_intercept: bool,
) -> Outcome:
    constant_k = round(line.intercept_k, 2) + 0.0 if with_intercept else 0.0
    values: dict[str, object] = {
        "method": FACTOR,
        "factor": round(line.factor, 4),
        "intercept": constant_k or None,
        **lags,
        "uncertainty": round(line.least_k, 3),
        "measured_difference": round(line.centre_k, 1),
        "factor_uncertainty": round(line.slope_u, 4),
        **_zone(zone),
        "calibrated": True,
    }
    # The line as the service will have it: what rounding takes away is not promised.
    held = Line(
        round(line.factor, 4),
        constant_k,
        round(line.centre_k, 1),
        round(line.least_k, 3),
        round(line.slope_u, 4),
    )
    return Outcome(FACTOR, source, held.factor, values, held, zone, weather_k)


def flow_from_readings(made: Fit, zone: Zone) -> Outcome | None:
    """R from readings; None where the power is not known with all of them.

    Args:
        made: the fit.
        zone: the spread over the box.
    """
    line = made.resistance
    if line is None:
        return None
    method = next(each for each in made.methods if each.name == FLOW)
    wider = widening(method.chi_square, method.freedom)
    line = replace(line, least_k=line.least_k * wider, slope_u=line.slope_u * wider)
    return _flow("readings", line, zone, {}, _watts_per_k(made.rows))


def widening(chi_square_value: float, freedom: int) -> float:
    """By how much readings that scatter more than they should widen an interval (R. Birge 1932).

    1 where such a scatter comes by chance more often than once in twenty times.

    Args:
        chi_square_value: weighted sum of squared residuals.
        freedom: its degrees of freedom.
    """
    if freedom < 1 or stats.chi2.sf(chi_square_value, freedom) >= UNLIKELY:
        return 1.0
    return max(1.0, math.sqrt(chi_square_value / freedom))


def flow_from_probe(taught: Learned, zone: Zone) -> Outcome | None:
    """R that a borrowed probe taught; None where power was not known or hardly used.

    Args:
        taught: what was learnt.
        zone: the spread over the box.
    """
    flow = taught.flow
    if flow is None:
        return None
    line = Line(
        flow.resistance_k_per_w,
        flow.intercept_k,
        -flow.measured_power_w,
        flow.uncertainty_k,
        flow.resistance_uncertainty_k_per_w,
    )
    return _flow("borrowed probe", line, zone, {"memory": round(flow.memory_h, 2)}, None)


def _flow(
    source: str,
    line: Line,
    zone: Zone,
    memory: Mapping[str, float],
    watts_per_k: float | None,
) -> Outcome:
    held = Line(
        round(line.factor, 4),
        round(line.intercept_k, 2) + 0.0,
        round(line.centre_k, 1),
        round(line.least_k, 3),
        round(line.slope_u, 4),
    )
    values: dict[str, object] = {
        "method": FLOW,
        "resistance": held.factor,
        "intercept": held.intercept_k or None,
        **memory,
        "uncertainty": held.least_k,
        "measured_power": -held.centre_k + 0.0,
        "resistance_uncertainty": held.slope_u,
        **_zone(zone),
        "calibrated": True,
    }
    return Outcome(FLOW, source, held.factor, values, held, zone, U_FLOW_K, watts_per_k=watts_per_k)


def fixed_from_readings(rows: Sequence[Row], doubts: Doubts, zone: Zone) -> Outcome:
    """A fixed offset from readings: right in their mean room.

    Args:
        rows: at least one.
        doubts: standard uncertainties known beforehand.
        zone: the spread over the box.
    """
    x = np.full(len(rows), -1.0)
    y = np.array([row.y_k - row.x_k for row in rows])
    # Only the wet-layer probe counts, and a spot has no share of its own in a difference of -1.
    problem = Problem.of(rows, x, replace(doubts, room_k=0.0), 1.0)
    problem = replace(problem, spread_frac=0.0)
    line = problem.line(y, 1.0, with_intercept=False)
    weights = problem.weights(-1.0, with_intercept=False)
    rooms = np.array([row.room_c for row in rows])
    room_c = float(weights @ rooms / weights.sum()) if np.isfinite(rooms).all() else None
    u_k = line.u_k(-1.0)
    if room_c is None and len(rows) > 1:
        # The service allows for the room that nobody knows; what scatters more than that is added.
        scatter_k2 = float(np.var(y, ddof=1)) - U_FIXED_K**2 - float(np.mean(problem.own**2))
        u_k = math.hypot(u_k, math.sqrt(max(scatter_k2, 0.0)))
    return _fixed("readings", line.factor, u_k, room_c, zone)


def fixed_from_probe(taught: Learned, room_c: float, zone: Zone) -> Outcome:
    """A fixed offset for the mean of a borrowed probe's session.

    Args:
        taught: what was learnt.
        room_c: mean room of the session, °C.
        zone: the spread over the box.
    """
    x_k = taught.difference_k
    offset_k = x_k - taught.factor * x_k - taught.intercept_k
    return _fixed("borrowed probe", offset_k, taught.uncertainty_at(x_k), room_c, zone)


def _fixed(source: str, offset_k: float, u_k: float, room_c: float | None, zone: Zone) -> Outcome:
    held = Line(round(offset_k, 3), 0.0, -1.0, round(u_k, 3), 0.0)
    values: dict[str, object] = {
        "method": FIXED,
        "kelvin": held.factor,
        "measured_room": None if room_c is None else round(room_c, 1),
        "uncertainty": held.least_k,
        **_zone(zone),
        "calibrated": True,
    }
    return Outcome(FIXED, source, held.factor, values, held, zone, 0.0, room_c=room_c)


def _zone(zone: Zone) -> dict[str, object]:
    return {"zone_uncertainty": round(zone.u_k, 3)} if zone.source == "readings" else {}


def zone_of(made: Fit | None, held_k: float | None) -> Zone:
    """The spread over the box: as read, else as the config has it, else assumed.

    Args:
        made: the fit to readings, where there is one.
        held_k: the config's standard uncertainty, K, or None.
    """
    if made is not None and made.zone_k is not None:
        return Zone(round(made.zone_k, 3), "readings")
    if held_k is not None:
        return Zone(held_k, "config")
    return Zone(U_ZONE_K, "assumed")


def _watts_per_k(rows: Sequence[Row]) -> float | None:
    """Mean power over the mean of wet layer less room, W/K."""
    x = float(np.mean([row.x_k for row in rows]))
    watts = float(np.mean([row.power_w or 0.0 for row in rows]))
    return watts / x if x > 0.0 and math.isfinite(rows[0].room_c) else None


def rows_without_room(
    references: Sequence[Reference], lid: str, substrate: str, add_k: float, doubts: Doubts
) -> tuple[list[Row], list[tuple[int, str]]]:
    """Rows of a box without a room probe, for a fixed offset or heat flow.

    A difference of 1 K stands in for wet layer less room, so that a fit of the factor becomes one
    of a constant; ``room_c`` is nan.

    Args:
        references: of one box.
        lid: the position of the lid that is fitted.
        substrate: name of the wet-layer probe now.
        add_k: what is added to its readings now, K.
        doubts: standard uncertainties known beforehand.

    Returns:
        The rows, and the numbers of the other readings with their reason.
    """
    rows: list[Row] = []
    left_out: list[tuple[int, str]] = []
    for reference in references:
        entry, pairing = reference.entry, reference.entry.pairing
        if reference.dropped is not None:
            why = "dropped" + (f": {reference.dropped}" if reference.dropped else "")
        elif entry.lid != lid:
            why = f"the lid was {entry.lid}"
        elif not pairing.steady:
            why = pairing.why
        elif pairing.probes.get("substrate") != substrate:
            why = "another probe lay in the place wet layer then"
        else:
            shift_k = add_k - pairing.corrections_k.get("substrate", 0.0)
            lagged_c = pairing.lagged_substrate_c + shift_k
            rows.append(
                Row(
                    number=reference.number,
                    x_k=1.0,
                    y_k=entry.reading_c - lagged_c + 1.0,
                    flow_y_k=entry.reading_c - pairing.substrate_c - shift_k,
                    power_w=pairing.power_w,
                    room_c=math.nan,
                    thermometer_k=entry.expanded_k / 2.0,
                    own_k=math.hypot(
                        doubts.reading_k, U_STEP_K, U_WEATHER_READING_K, pairing.steadiness_k
                    ),
                    steadiness_k=pairing.steadiness_k,
                    spot=entry.spot,
                )
            )
            continue
        left_out.append((reference.number, why))
    return rows, left_out
