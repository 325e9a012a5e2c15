"""What a calibration advises: how far to trust it, and when to read once more.  Pure."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Final

from bottomheat.calibration.budget import Budget, Source, budget
from bottomheat.calibration.fit import INTERCEPT_SPAN_K, Fit, one_more
from bottomheat.calibration.ledger import USUAL_SPOT
from bottomheat.calibration.outcome import FACTOR, UNLIKELY, K, Outcome
from bottomheat.calibration.problem import Row

WARMEST_ROOM_C: Final = 20.0
"""A warmer room needs no bottom heat, so no reading is asked for in one; judgement."""

WORTH_K: Final = 0.1
"""A reading is worth the walk where it narrows the interval (k = 2) by this, K; judgement."""

TELLS: Final = 2.0
"""Two methods whose AIC differ by less are not told apart (K. Burnham and D. Anderson 2002)."""


@dataclass(frozen=True, slots=True)
class Trust:
    """How far to trust a calibration; expanded uncertainties (k = 2) for the whole box.

    Attributes:
        rooms_c: coldest and warmest room that it was measured in, °C; None where unknown.
        expanded_k: the widest in those rooms, K.
        coldest_c: coldest room on record, °C; None where there is none.
        coldest_k: what it is there, K.
    """

    rooms_c: tuple[float, float] | None
    expanded_k: float
    coldest_c: float | None
    coldest_k: float | None

    @property
    def beyond(self) -> bool:
        """Whether the coldest on record lies outside the rooms that it was measured in."""
        return (
            self.coldest_c is not None
            and self.rooms_c is not None
            and round(self.coldest_c) < round(self.rooms_c[0])
        )

    @property
    def widest_k(self) -> float:
        """The widest that is stated, K."""
        return max(self.expanded_k, self.coldest_k or 0.0)


@dataclass(frozen=True, slots=True)
class Next:
    """One more reading.

    Attributes:
        room_c: room that narrows the interval most, °C.
        at_c: room for which the interval is meant: the coldest on record or measured in, °C.
        now_k: expanded uncertainty (k = 2) there now, K.
        then_k: the same with that reading, K.
        most: the source that makes most of it now.
        tried: by room in °C, the expanded uncertainty (k = 2) with a reading in it instead, K.
    """

    room_c: float
    at_c: float
    now_k: float
    then_k: float
    most: Source
    tried: Mapping[float, float]

    @property
    def needed(self) -> bool:
        """Whether it would show."""
        return self.now_k - self.then_k >= WORTH_K


@dataclass(frozen=True, slots=True)
class Beside:
    """One reading beside an outcome that has not seen it.

    Attributes:
        number: in the ledger.
        difference_k: reading less what the outcome says, K.
        expanded_k: expanded uncertainty (k = 2) of that, K.
    """

    number: int
    difference_k: float
    expanded_k: float

    @property
    def outside(self) -> bool:
        """More than both allow."""
        return abs(self.difference_k) > self.expanded_k


def trust(
    outcome: Outcome,
    setpoint_c: float,
    rooms_c: tuple[float, float] | None,
    coldest_c: float | None,
) -> Trust:
    """How far to trust an outcome.

    Args:
        outcome: what would be written.
        setpoint_c: what the callus zone is held at, °C.
        rooms_c: coldest and warmest room that it was measured in, °C.
        coldest_c: coldest room on record, °C.
    """
    if rooms_c is None:
        return Trust(None, outcome.expanded_k(setpoint_c, None), None, None)
    # The variance is a parabola, so the widest is at an end.
    widest_k = max(outcome.expanded_k(setpoint_c, room_c) for room_c in rooms_c)
    cold_k = None if coldest_c is None else outcome.expanded_k(setpoint_c, coldest_c)
    return Trust(rooms_c, widest_k, coldest_c, cold_k)


def budget_of(outcome: Outcome, made: Fit | None, setpoint_c: float, room_c: float) -> Budget:
    """The budget of a factor in one room, whichever way it was found.

    Args:
        outcome: the factor.
        made: the fit, where the outcome comes from readings.
        setpoint_c: what the callus zone is held at, °C.
        room_c: the room, °C.
    """
    if made is not None and outcome.source == "readings":
        found = budget(made, setpoint_c, room_c)
    else:
        x_k, line = outcome.line.x_at(setpoint_c, room_c), outcome.line
        spot = [
            Source("box's probes, borrowed one", "calculated", line.least_k, 1.0),
            Source("factor", "calculated", line.slope_u, x_k - line.centre_k, kind="A"),
        ]
        if outcome.disagree_k:
            spot.append(
                Source("borrowed and read apart", "rectangular", outcome.disagree_share_k, 1.0)
            )
        found = Budget(room_c, x_k, tuple(spot), ())
    service = (
        Source("spread over the box", "rectangular", outcome.zone.u_k, 1.0),
        Source("weather", "calculated", outcome.weather_k, 1.0),
    )
    return replace(found, service=service)


def next_reading(made: Fit, outcome: Outcome, setpoint_c: float, coldest_c: float | None) -> Next:
    """The one more reading that would narrow the interval most, on the coldest night.

    Args:
        made: the fit that the outcome comes from.
        outcome: a factor from readings.
        setpoint_c: what the callus zone is held at, °C.
        coldest_c: coldest room on record, °C; None: the coldest that was read in.
    """
    rooms = [row.room_c for row in made.rows]
    at_c = min(rooms) if coldest_c is None else coldest_c
    low = math.floor(min(*rooms, at_c))
    # A room so far from all others is the first that shows a constant part.
    high = math.ceil(min(max(*rooms, min(rooms) + INTERCEPT_SPAN_K), WARMEST_ROOM_C))
    high = max(high, low + 1)

    def wide_k(fit: Fit) -> float:
        spot_k = fit.line.u_k(fit.line.x_at(setpoint_c, at_c))
        return K * math.hypot(spot_k, outcome.zone.u_k, outcome.weather_k)

    tried = {
        float(room_c): wide_k(one_more(made, setpoint_c, float(room_c)))
        for room_c in range(low, high + 1)
    }
    room_c = min(tried, key=lambda each: (round(tried[each], 3), -each))
    found = budget_of(outcome, made, setpoint_c, at_c)
    most = max((*found.spot, *found.service), key=lambda source: source.contribution_k)
    return Next(room_c, at_c, wide_k(made), tried[room_c], most, tried)


def beside(outcome: Outcome, rows: Sequence[Row]) -> list[Beside]:
    """Readings as checks of a factor that was found without them.

    Args:
        outcome: the factor.
        rows: the readings.
    """
    line = outcome.line
    found = []
    for row in rows:
        spread_k = 0.0 if row.spot == USUAL_SPOT else outcome.zone.u_k
        u_k = math.hypot(line.u_k(row.x_k), row.thermometer_k, row.own_k, spread_k)
        says_k = line.factor * row.x_k + line.intercept_k
        found.append(Beside(row.number, row.y_k - says_k, K * u_k))
    return found


def apart(outcome: Outcome, rows: Sequence[Row]) -> Beside | None:
    """The readings together against a factor that was found without them; None without any.

    The probes' own errors are in both alike, so they do not count; the thermometer's is common to
    its readings, so that it does not average out.

    Args:
        outcome: the factor.
        rows: the readings; those of the middle of the box count where there are any.
    """
    used = [row for row in rows if row.spot == USUAL_SPOT] or list(rows)
    if not used:
        return None
    line, n = outcome.line, len(used)
    difference_k = sum(r.y_k - line.factor * r.x_k - line.intercept_k for r in used) / n
    x_k = sum(row.x_k for row in used) / n
    thermometer_k = sum(row.thermometer_k for row in used) / n
    own_k = math.sqrt(sum(row.own_k**2 for row in used)) / n
    spread_k = 0.0 if used[0].spot == USUAL_SPOT else outcome.zone.u_k
    return Beside(0, difference_k, K * math.hypot(line.u_k(x_k), thermometer_k, own_k, spread_k))


def verdict(made: Fit) -> str:
    """Which method the readings support, in a sentence; heat flow is judged by its scatter alone.

    AIC compares the methods that predict the same from the same covariance; the one of heat flow
    has another.
    """
    methods = {method.name: method for method in made.methods}
    one, fixed = methods[FACTOR], methods["fixed"]
    both = methods.get(f"{FACTOR}, intercept")
    if one.freedom == 0:
        return "One reading fits every method: it takes another room to tell them apart."
    parts = []
    away = fixed.aic - one.aic
    if abs(away) < TELLS:
        parts.append("these readings do not tell a factor from a fixed offset")
    elif away > 0:
        parts.append("a factor fits these readings better than a fixed offset")
    else:
        parts.append("a fixed offset fits these readings better than a factor")
    if both is not None and made.with_intercept:
        gain = one.aic - both.aic
        parts.append(
            "a constant part beside the factor shows"
            if gain > TELLS
            else "a constant part beside the factor does not show"
        )
    flow = methods.get("heat-flow")
    if flow is not None and flow.p_value is not None:
        held = flow.p_value >= UNLIKELY
        parts.append(f"heat flow {'fits them too' if held else 'scatters more than it should'}")
    text = "; ".join(parts)
    return f"{text[0].upper()}{text[1:]}."
