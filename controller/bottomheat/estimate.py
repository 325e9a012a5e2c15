"""The callus zone, worked out from the probes, and the wet-layer setpoint that follows from it.

In steady state the callus zone sits at a fixed fraction of the way from the room to the wet layer::

    f = (T_callus - T_room) / (T_substrate - T_room)

the temperature factor of building physics (ISO 13788 defines it for a wall's inner surface).  The
room reaches the callus zone more slowly than the wet layer does, so each path has its own lag:
first-order, tau_r on the room and tau_s on the wet layer.  Solved for the wet layer, the setpoint
takes the room with the difference of the two lags.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

from bottomheat.config import (
    ChamberConfig,
    Direct,
    FixedOffset,
    HeatFlow,
    Offset,
    TemperatureFactor,
)
from bottomheat.doubts import (
    FIXED_SLOPE,
    U_FACTOR,
    U_FACTOR_CALIBRATED,
    U_FIXED_K,
    U_FLOW_K,
    U_LAG_FRAC,
    U_LAG_MEASURED_FRAC,
    U_LID_K,
    U_POWER_BEFORE_FRAC,
    U_POWER_FRAC,
    U_RESISTANCE_FRAC,
    U_ROOM_IMPLIED_K,
    U_ROOM_LOST_K,
    U_WEATHER_K,
    U_WEATHER_LAGS_K,
    U_ZONE_K,
)
from bottomheat.estimate_state import (
    BY_CALLUS,
    Estimator,
    Inputs,
    Outlook,
    control_substrate,
    lag,
    regained,
    unsettled,
)
from bottomheat.model import Estimate, Place
from bottomheat.operating_point import rise_k_per_w
from bottomheat.protect.tending import Lid

__all__ = [
    "Estimator",
    "Inputs",
    "Outlook",
    "advance",
    "control_substrate",
    "lags_s",
    "likely_c",
    "memory_s",
]

ROOM_LAG_H = 3.75
SUBSTRATE_LAG_H = 1.25
"""Lags where none were measured.  On seven chamber models with handbook properties, deep to
shallow, the best difference of the two is 1.6 to 4 h; with 2.5 h the estimate is within
0.06-0.12 K RMS of the true callus zone after warm-up.  Calculated; nobody has measured a box."""

MEMORY_H = 2.3
"""Memory of the bed for power where none was measured, h.  On four chamber models with handbook
properties the best is 2.0 to 2.7 h, and a lag on the wet layer beside it gains nothing."""

STEER_MEMORIES, STEER_LEAST_S = 2.2, 5 * 3600.0
"""The setpoint goes by the mean power of a longer memory.  More power asks for a warmer wet layer,
which takes more power: with the estimate's memory 3 of 32 boxes drawn within handbook ranges swing
by up to 1.9 K at the callus zone, with 5 h none (calculated)."""

ROOM_MEAN_S = 86_400.0

FELT_K = 0.5
"""With more of the start in doubt, nobody knows what the callus zone has felt; judgement."""

PAIRS_AFTER_S = 3 * MEMORY_H * 3600.0
"""What flowed before this run, and a warm-up, must not count in what a watt gives."""

OUTER_INTEGRAL_S = 4 * 3600.0
OUTER_BOUND_K = 8.0
OUTER_BOUND_FRAC = 0.4
OUTER_BAND_K = 1.0
"""Outer loop of the direct method: integral action on the callus probe, slow against the hour by
which the callus zone follows the wet layer, idle until the wet layer is at its setpoint.  Bounded
too by a share of setpoint less room, what a true f of 0.58 needs: a probe that has slipped out."""

OUTER_HELD_S = 12 * 3600.0
"""What the outer loop has learnt counts without the callus probe as it was about half a day ago:
a probe that creeps out teaches it for hours before it is found displaced.  Judgement."""

START_OFFSET_K = 1.5
"""First guess of the direct method where there is no room probe; common practice, no source."""

HANDOVER_S = 2 * 3600.0
HANDOVER_BOUND_K = 2.0
"""What is handed over dies away so; more is a fault that must not live on; judgement."""

WATT_SPAN = 2.0
"""How far a watt may give more or less than usual; judgement, sun on a bed with little heat gives
many times as much.  Five boxes of handbook properties: 0.55-1.13 K/W against 0.71 (calculated)."""

ROOM_MEAN = "room probe lost: the last day's mean room is used"
ROOM_IMPLIED = "room probe lost: the heat of the mat says how cold the room is"
CALLUS_LOST = "callus probe lost: worked out from wet layer and room"


@dataclass(frozen=True, slots=True)
class _Worked:
    """What a method gives: estimate °C, its components of uncertainty K, setpoint °C."""

    basis: str
    celsius: float | None
    parts_k: tuple[float, ...]
    wanted_c: float | None
    fallback: str | None = None


def advance(
    estimator: Estimator,
    inputs: Inputs,
    chamber: ChamberConfig,
    now_s: float,
    *,
    regulating: bool,
    lid: Lid = Lid.ON,
) -> tuple[Estimator, Outlook]:
    """One cycle of the estimate.

    Args:
        estimator: filter states of the cycle before.
        inputs: temperatures that control may use.
        chamber: the chamber's config.
        now_s: monotonic time, s.
        regulating: the law is free to act, so the outer loop may integrate.
        lid: how the lid lies; each position is a calibration of its own.

    Returns:
        The new filter states and the outlook.
    """
    dt_s = 0.0 if estimator.at_s is None else max(0.0, min(now_s - estimator.at_s, 3600.0))
    offset, own = chamber.offset_with(lid)
    estimator = _begun(estimator, inputs, chamber, offset)
    new = _filtered(estimator, inputs, offset, now_s, dt_s, most_w=chamber.heater.watts)
    new = unsettled(estimator, new, inputs.room_c, dt_s)
    new = regained(estimator, new, inputs, lags_s(offset)[1])
    layer_c = new.substrate_c
    if isinstance(offset, Direct) and inputs.callus_c is not None:
        # It tells by itself, whatever the wet-layer probe says.
        new, worked = _direct(new, inputs, chamber, offset, dt_s, regulating=regulating)
    elif layer_c is None or inputs.substrate_c is None:
        return new, Outlook(None, None, inputs.room_c, None, doubt=inputs.doubt)
    else:
        new, worked = _worked(new, layer_c, inputs, chamber, offset, dt_s, regulating=regulating)
    if not own and worked.basis != BY_CALLUS:
        worked = replace(worked, parts_k=(*worked.parts_k, U_LID_K))
    # A move of the lid with one calibration for both positions changes nothing that is worked out.
    basis = f"{worked.basis}, lid {lid}" if own else worked.basis
    new, outlook = _handed_over(new, worked, basis, inputs, dt_s)
    return new, outlook.believed(inputs, worked.basis)


def _worked(
    new: Estimator,
    layer_c: float,
    inputs: Inputs,
    chamber: ChamberConfig,
    offset: Offset,
    dt_s: float,
    *,
    regulating: bool,
) -> tuple[Estimator, _Worked]:
    match offset:
        case FixedOffset():
            return new, _fixed(layer_c, inputs, chamber, offset)
        case TemperatureFactor():
            return new, _factor(new, layer_c, inputs, chamber, offset)
        case HeatFlow():
            return new, _flow(new, inputs, chamber, offset)
        case Direct():
            return _direct(new, inputs, chamber, offset, dt_s, regulating=regulating)


def likely_c(estimator: Estimator, offset: Offset) -> float | None:
    """Callus zone that wet layer, room and heat make likely, °C, whatever a probe there says.

    Args:
        estimator: filter states.
        offset: how the callus zone follows from the probes.
    """
    layer_c, room_c = estimator.substrate_c, estimator.room_c
    if layer_c is None:
        return None
    match offset:
        case FixedOffset(offset_k=offset_k):
            return layer_c - offset_k
        case TemperatureFactor(factor=factor, intercept_k=intercept_k):
            return None if room_c is None else room_c + factor * (layer_c - room_c) + intercept_k
        case HeatFlow():
            return _flow_c(estimator, offset)
        case Direct(factor=factor):
            return None if room_c is None else room_c + factor * (layer_c - room_c)


def _begun(
    estimator: Estimator, inputs: Inputs, chamber: ChamberConfig, offset: Offset
) -> Estimator:
    """The mean power of a bed that was heated before this run, by what its wet layer witnesses."""
    layer_c, room_c, most_w = inputs.substrate_c, inputs.room_c, chamber.heater.watts
    if estimator.power_w is not None or inputs.power_w is None or layer_c is None:
        return estimator
    known = estimator.before_c is not None
    first_w = 0.0
    if isinstance(offset, HeatFlow):
        # Nothing better known: a bed that was held, as a bed in use is.
        callus_c = chamber.callus_zone_c if estimator.before_c is None else estimator.before_c
        first_w = (layer_c - callus_c + offset.intercept_k) / offset.resistance_k_per_w
    elif room_c is not None:
        first_w = (layer_c - room_c) / rise_k_per_w(chamber.heater, chamber.model)
    elif inputs.room_wanted:
        return estimator
    return replace(
        estimator,
        power_w=max(0.0, min(first_w, most_w)),
        steer_w=max(0.0, min(first_w, most_w)),
        power_doubt_w=most_w * (U_POWER_BEFORE_FRAC if known else U_POWER_FRAC),
    )


def _filtered(
    estimator: Estimator,
    inputs: Inputs,
    offset: Offset,
    now_s: float,
    dt_s: float,
    *,
    most_w: float,
) -> Estimator:
    """Every filter, one step on; ``most_w`` is what the mat gives at full power, W."""
    room_lag_s, layer_lag_s = lags_s(offset)
    room_c, layer_c, power_w = inputs.room_c, inputs.substrate_c, inputs.power_w
    power, steer = estimator.power_w, estimator.steer_w
    if power is not None:
        power = lag(power, power_w, dt_s, memory_s(offset))
        steer = lag(steer, power_w, dt_s, max(STEER_MEMORIES * memory_s(offset), STEER_LEAST_S))
    # While the keeper is silent it may be anything, far from what it was.
    doubted_w = 0.0 if power_w is not None else 2.0 * U_POWER_FRAC * most_w
    fade = math.exp(-dt_s / memory_s(offset))
    doubt_w = doubted_w + (estimator.power_doubt_w - doubted_w) * fade
    new = replace(
        estimator,
        at_s=now_s,
        room_c=lag(estimator.room_c, room_c, dt_s, room_lag_s),
        substrate_c=lag(estimator.substrate_c, layer_c, dt_s, layer_lag_s),
        layer_c=layer_c,
        setpoint_room_c=lag(
            estimator.setpoint_room_c, room_c, dt_s, max(0.0, room_lag_s - layer_lag_s)
        ),
        room_mean_c=lag(estimator.room_mean_c, room_c, dt_s, ROOM_MEAN_S),
        power_w=power,
        steer_w=steer,
        power_doubt_w=doubt_w,
    )
    if room_c is None or layer_c is None or power is None:
        return new
    new = replace(new, paired_s=min(estimator.paired_s + dt_s, 2 * ROOM_MEAN_S))
    if new.paired_s < PAIRS_AFTER_S:
        return new
    return replace(
        new,
        power_mean_w=lag(estimator.power_mean_w, power, dt_s, ROOM_MEAN_S),
        difference_mean_k=lag(estimator.difference_mean_k, layer_c - room_c, dt_s, ROOM_MEAN_S),
    )


def _handed_over(
    new: Estimator, worked: _Worked, basis: str, inputs: Inputs, dt_s: float
) -> tuple[Estimator, Outlook]:
    """The outlook, with what the basis before hands over to this one."""
    room_c = inputs.room_c if inputs.room_c is not None else new.room_mean_c
    if worked.celsius is None or worked.wanted_c is None:
        return new, Outlook(None, None, room_c, worked.fallback)
    fade = math.exp(-dt_s / HANDOVER_S)
    over_k, asked_over_k = new.handover_k * fade, new.asked_handover_k * fade
    if new.basis is None and new.before_c is not None:
        over_k = _bounded(new.before_c - worked.celsius)  # the bed cannot have gone further
    if new.basis is not None and new.basis != basis:
        if new.shown_c is not None:
            over_k = _bounded(new.shown_c - worked.celsius)
        if new.asked_c is not None:
            asked_over_k = _bounded(new.asked_c - worked.wanted_c)
    shown_c, asked_c = worked.celsius + over_k, worked.wanted_c + asked_over_k
    new = replace(
        new,
        basis=basis,
        shown_c=shown_c,
        asked_c=asked_c,
        handover_k=over_k,
        asked_handover_k=asked_over_k,
    )
    # What is handed over may be right or wrong by all of it: half a width of a rectangle.
    start_k = 0.0 if worked.basis == BY_CALLUS else new.start_k
    expanded_k = 2.0 * math.hypot(*worked.parts_k, over_k / math.sqrt(3.0), start_k)
    shown = Estimate(shown_c, expanded_k)
    lagged_c = new.substrate_c if new.start_k <= FELT_K else None
    return new, Outlook(shown, asked_c, room_c, worked.fallback, lagged_c)


def _fixed(layer_c: float, inputs: Inputs, chamber: ChamberConfig, offset: FixedOffset) -> _Worked:
    room_c = inputs.room_c
    away_k = U_FIXED_K
    if offset.measured_room_c is not None and room_c is not None:
        away_k = FIXED_SLOPE * abs(room_c - offset.measured_room_c)
    base_k = inputs.u_k(Place.SUBSTRATE) if offset.uncertainty_k is None else offset.uncertainty_k
    return _Worked(
        "fixed offset",
        layer_c - offset.offset_k,
        (base_k, away_k, _zone_k(offset.zone_uncertainty_k)),
        chamber.callus_zone_c + offset.offset_k,
    )


def _factor(
    new: Estimator,
    layer_c: float,
    inputs: Inputs,
    chamber: ChamberConfig,
    offset: TemperatureFactor,
) -> _Worked:
    setpoint_c = chamber.callus_zone_c
    f, b = offset.factor, offset.intercept_k
    room_c, ahead_c = new.room_c, new.setpoint_room_c
    basis, fallback, u_room_k = "room", None, 0.0
    if inputs.room_c is None:
        basis, fallback = "mean room", ROOM_MEAN if inputs.room_wanted else None
        room_c = ahead_c = new.room_mean_c
        u_room_k = U_ROOM_LOST_K
        implied = _implied_difference_k(new, rise_k_per_w(chamber.heater, chamber.model))
        if implied is not None and new.room_mean_c is not None:
            basis, fallback, u_room_k = "heat", ROOM_IMPLIED, U_ROOM_IMPLIED_K
            difference_k, steer_k = implied
            room_c = layer_c - difference_k
            # The room in which this heat would hold the setpoint; by the heat alone, as the wet
            # layer itself must not move its own setpoint.
            ahead_c = setpoint_c - b - f * steer_k
    if room_c is None or ahead_c is None:
        return _Worked(basis, None, (), None, "no room temperature yet")
    measured = offset.room_lag_h is not None and offset.substrate_lag_h is not None
    parts = [_zone_k(offset.zone_uncertainty_k), U_WEATHER_LAGS_K if measured else U_WEATHER_K]
    difference_k = layer_c - room_c
    u_f = offset.factor_uncertainty
    if u_f is None:
        u_f = U_FACTOR_CALIBRATED if offset.calibrated else U_FACTOR
    if offset.uncertainty_k is not None:
        parts += [
            offset.uncertainty_k,
            (abs(difference_k - (offset.measured_difference_k or 0.0)) + u_room_k) * u_f,
        ]
    else:
        parts += [
            f * inputs.u_k(Place.SUBSTRATE),
            (1 - f) * inputs.u_k(Place.ROOM),
            (abs(difference_k) + u_room_k) * u_f,
        ]
    lag_frac = U_LAG_MEASURED_FRAC if measured else U_LAG_FRAC
    late_k = 0.0 if new.layer_c is None else new.layer_c - layer_c
    parts += [(1 - f) * u_room_k, lag_frac * f * late_k]
    return _Worked(
        basis,
        room_c + f * difference_k + b,
        tuple(parts),
        ahead_c + (setpoint_c - b - ahead_c) / f,
        fallback,
    )


def _implied_difference_k(new: Estimator, usual_k_per_w: float) -> tuple[float, float] | None:
    """Wet layer less room that the heat implies, K, now and for the setpoint, or None.

    In steady state the difference is in proportion to the power; how much a watt gives is known
    from the days with a room probe, and lies near what the rating makes likely, K/W.
    """
    power_w, mean_w, mean_k = new.power_w, new.power_mean_w, new.difference_mean_k
    if power_w is None or mean_w is None or mean_k is None or new.paired_s < ROOM_MEAN_S / 2:
        return None
    if mean_k < 2.0 or mean_w <= 0.0:
        return None  # a room as warm as the bed tells nothing about what a watt gives
    k_per_w = max(usual_k_per_w / WATT_SPAN, min(usual_k_per_w * WATT_SPAN, mean_k / mean_w))
    return power_w * k_per_w, _steer_w(new, power_w) * k_per_w


def _flow(new: Estimator, inputs: Inputs, chamber: ChamberConfig, offset: HeatFlow) -> _Worked:
    celsius = _flow_c(new, offset)
    power_w = new.power_w
    if celsius is None or power_w is None:
        return _Worked("heat", None, (), None, "mean power of the mat not known yet")
    r = offset.resistance_k_per_w
    u_r = offset.resistance_uncertainty_k_per_w
    if u_r is None:
        u_r = U_RESISTANCE_FRAC * r
    parts = [_zone_k(offset.zone_uncertainty_k), U_FLOW_K, r * new.power_doubt_w]
    if offset.uncertainty_k is not None:
        parts += [offset.uncertainty_k, (power_w - (offset.measured_power_w or 0.0)) * u_r]
    else:
        parts += [inputs.u_k(Place.SUBSTRATE), power_w * u_r]
    wanted_c = chamber.callus_zone_c + r * _steer_w(new, power_w) - offset.intercept_k
    return _Worked("heat", celsius, tuple(parts), wanted_c)


def _steer_w(new: Estimator, power_w: float) -> float:
    return power_w if new.steer_w is None else new.steer_w


def _flow_c(estimator: Estimator, offset: HeatFlow) -> float | None:
    layer_c, power_w = estimator.layer_c, estimator.power_w
    if layer_c is None or power_w is None:
        return None
    return layer_c - offset.resistance_k_per_w * power_w + offset.intercept_k


def _direct(
    new: Estimator,
    inputs: Inputs,
    chamber: ChamberConfig,
    offset: Direct,
    dt_s: float,
    *,
    regulating: bool,
) -> tuple[Estimator, _Worked]:
    setpoint_c = chamber.callus_zone_c
    f, room_c = offset.factor, new.setpoint_room_c
    wanted = setpoint_c + START_OFFSET_K
    if room_c is not None:
        wanted = room_c + (setpoint_c - room_c) / f
    zone_k = _zone_k(offset.zone_uncertainty_k)
    callus_c = inputs.callus_c
    if callus_c is None:
        if inputs.room_c is None or new.substrate_c is None or new.room_c is None:
            return new, _Worked("nothing", None, (), None, "callus probe lost")
        # The outer loop has learnt by how much the wet layer has to be warmer than the factor says;
        # what it learnt of late may come of the probe's own fault, a displaced one above all.
        outer_k = new.outer_held_k
        difference_k = new.substrate_c - outer_k - new.room_c
        parts = (
            f * inputs.u_k(Place.SUBSTRATE),
            (1 - f) * inputs.u_k(Place.ROOM),
            difference_k * U_FACTOR,
            zone_k,
        )
        return new, _Worked(
            "room", new.room_c + f * difference_k, parts, wanted + outer_k, CALLUS_LOST
        )
    layer = inputs.substrate_c
    if regulating and layer is not None and abs(wanted + new.outer_k - layer) <= OUTER_BAND_K:
        outer = new.outer_k + (setpoint_c - callus_c) * dt_s / OUTER_INTEGRAL_S
        bound_k = OUTER_BOUND_K
        if room_c is not None:
            bound_k = min(bound_k, max(1.0, OUTER_BOUND_FRAC * abs(setpoint_c - room_c)))
        new = replace(new, outer_k=max(-bound_k, min(bound_k, outer)))
    held_k = new.outer_held_k + (new.outer_k - new.outer_held_k) * -math.expm1(-dt_s / OUTER_HELD_S)
    new = replace(new, outer_held_k=held_k)
    direct_k = (inputs.u_k(Place.CALLUS), zone_k)
    return new, _Worked(BY_CALLUS, callus_c, direct_k, wanted + new.outer_k)


def lags_s(offset: Offset) -> tuple[float, float]:
    """Lags of the room and of the wet layer that an offset is worked out with, s."""
    if isinstance(offset, TemperatureFactor):
        room = ROOM_LAG_H if offset.room_lag_h is None else offset.room_lag_h
        layer = SUBSTRATE_LAG_H if offset.substrate_lag_h is None else offset.substrate_lag_h
        return room * 3600.0, layer * 3600.0
    return ROOM_LAG_H * 3600.0, SUBSTRATE_LAG_H * 3600.0


def memory_s(offset: Offset) -> float:
    """Memory of the bed for power that an offset is worked out with, s."""
    measured = offset.memory_h if isinstance(offset, HeatFlow) else None
    return (MEMORY_H if measured is None else measured) * 3600.0


def _zone_k(stated_k: float | None) -> float:
    return U_ZONE_K if stated_k is None else stated_k


def _bounded(over_k: float) -> float:
    return max(-HANDOVER_BOUND_K, min(HANDOVER_BOUND_K, over_k))
