"""Where a box settles: wet layer, mat and duty in steady state."""

from __future__ import annotations

from dataclasses import dataclass

from bottomheat.config import (
    MAT_RIPPLE_K,
    MAT_RISE_PER_LAYER_RISE,
    ChamberConfig,
    Direct,
    FixedOffset,
    Heater,
    HeatFlow,
    Offset,
    TemperatureFactor,
)
from bottomheat.config_sections import Model
from bottomheat.protect.thresholds import LAYER_K_PER_W

LEAST_FACTOR = 0.2
"""No box is worse: the bound of ``factor``, and of what heat-flow comes to in steady state."""

_RIPPLE_WINDOW_S = 600.0


@dataclass(frozen=True, slots=True)
class OperatingPoint:
    """A box held at its setpoint in steady state: wet layer, mat (mean over a window), duty.

    ``duty`` is the share of the time that heat is on, None where the config does not say what full
    power does; above 1 the mat cannot hold the setpoint in that room.
    """

    substrate_c: float
    mat_c: float
    duty: float | None


def operating_point(chamber: ChamberConfig, room_c: float) -> OperatingPoint:
    """Work out where a box settles with the callus zone at its setpoint, °C.

    The wet layer follows from the offset method (temperature factor: ISO 13788's f turned round,
    layer = room + (setpoint - intercept - room)/f; heat-flow by
    ``factor_of_heat_flow``), the mat by ``mat_at_c``, duty from ``full_power_rise``.  In a room so
    warm that no heat is needed, all are at the room's.
    Limits and ceiling are left out on purpose: this is what the setpoint asks for.

    Args:
        chamber: the box.
        room_c: steady room temperature, °C, finite.
    """
    k_per_w = rise_k_per_w(chamber.heater, chamber.model)
    wanted_c = needed_layer_c(chamber.callus_zone_c, chamber.offset, room_c, k_per_w)
    rise_k = max(wanted_c - room_c, 0.0)
    measured = chamber.heater.full_power_rise_k is not None or chamber.model is not None
    full_k = k_per_w * chamber.heater.watts if measured else None
    return OperatingPoint(
        substrate_c=room_c + rise_k,
        mat_c=mat_at_c(room_c + rise_k, room_c, k_per_w, chamber.model) if rise_k else room_c,
        duty=None if full_k is None else rise_k / full_k,
    )


def mat_at_c(layer_c: float, room_c: float, k_per_w: float, model: Model | None) -> float:
    """The mat in steady state, mean over a window, °C; a straight line in layer and room.

    By its own rise where that was identified, by ``MAT_RISE_PER_LAYER_RISE`` elsewhere.

    Args:
        layer_c: wet layer, °C.
        room_c: room, °C.
        k_per_w: as ``rise_k_per_w`` gives it, K/W.
        model: of the box, or None.
    """
    if model is None or model.mat_gain_k_per_w is None:
        return room_c + MAT_RISE_PER_LAYER_RISE * (layer_c - room_c)
    return layer_c + model.mat_gain_k_per_w / k_per_w * (layer_c - room_c - model.load_k)


def layer_under_c(mat_c: float, room_c: float, k_per_w: float, model: Model | None) -> float:
    """The wet layer over a mat of so many °C in steady state, °C: ``mat_at_c`` turned round."""
    at_room_c = mat_at_c(room_c, room_c, k_per_w, model)
    per_k = mat_at_c(room_c + 1.0, room_c, k_per_w, model) - at_room_c
    return room_c + (mat_c - at_room_c) / per_k


def mat_ripple_k(window_s: float, watts: float | None = None, model: Model | None = None) -> float:
    """Half the mat's swing about its mean at half power, K: in proportion to the window.

    Args:
        window_s: the window, s.
        watts: rated power, W; None where not known.
        model: of the box; its own swing counts where it has one.
    """
    half_k = MAT_RIPPLE_K
    if model is not None and model.mat_swing_k_per_w is not None and watts is not None:
        half_k = model.mat_swing_k_per_w * watts
    return half_k * window_s / _RIPPLE_WINDOW_S


def rise_k_per_w(heater: Heater, model: Model | None = None) -> float:
    """How far a watt of mean power lifts the wet layer above the room in steady state, K/W.

    Measured where ``full_power_rise`` is given, identified where there is a model, otherwise that
    of the nominal box (calculated).
    """
    full_k = heater.full_power_rise_k
    if full_k is None and model is not None:
        return model.gain_k_per_w
    return LAYER_K_PER_W if full_k is None else full_k / heater.watts


def factor_of_heat_flow(resistance_k_per_w: float, k_per_w: float) -> float:
    """The temperature factor that heat-flow comes to in steady state, dimensionless.

    With layer - room = r P, layer - R P is room + (1 - R/r) (layer - room).  Below zero the method
    would run away: every watt would ask for more than it gives.

    Args:
        resistance_k_per_w: R, K/W.
        k_per_w: r, the rise of the wet layer for each watt, K/W.
    """
    return 1.0 - resistance_k_per_w / k_per_w


def runs_away(offset: Offset, k_per_w: float) -> bool:
    """Whether heat-flow asks for so much that no room and no layer fit together.

    Args:
        offset: how the callus zone follows from the probes.
        k_per_w: as ``rise_k_per_w`` gives it, K/W.
    """
    return (
        isinstance(offset, HeatFlow)
        and factor_of_heat_flow(offset.resistance_k_per_w, k_per_w) < LEAST_FACTOR
    )


def needed_layer_c(setpoint_c: float, offset: Offset, room_c: float, k_per_w: float) -> float:
    """The wet layer, °C, that puts the callus zone at a setpoint, °C, in a room, °C.

    Args:
        setpoint_c: of the callus zone, °C.
        offset: how the callus zone follows from the probes.
        room_c: steady room, °C.
        k_per_w: as ``rise_k_per_w`` gives it, K/W; heat-flow alone takes it, for the power that
            the room asks for.
    """
    match offset:
        case FixedOffset(offset_k=offset_k):
            return setpoint_c + offset_k
        case TemperatureFactor(factor=factor, intercept_k=intercept_k):
            return room_c + (setpoint_c - intercept_k - room_c) / factor
        case HeatFlow(intercept_k=intercept_k):
            return room_c + (setpoint_c - intercept_k - room_c) / _factor(offset, k_per_w)
        case Direct(factor=factor):
            return room_c + (setpoint_c - room_c) / factor


def callus_given_c(layer_c: float, offset: Offset, room_c: float, k_per_w: float) -> float:
    """The callus zone that a wet layer gives, °C: ``needed_layer_c`` turned round."""
    match offset:
        case FixedOffset(offset_k=offset_k):
            return layer_c - offset_k
        case TemperatureFactor(factor=factor, intercept_k=intercept_k):
            return room_c + factor * (layer_c - room_c) + intercept_k
        case HeatFlow(intercept_k=intercept_k):
            return room_c + _factor(offset, k_per_w) * (layer_c - room_c) + intercept_k
        case Direct(factor=factor):
            return room_c + factor * (layer_c - room_c)


def _factor(offset: HeatFlow, k_per_w: float) -> float:
    return max(factor_of_heat_flow(offset.resistance_k_per_w, k_per_w), LEAST_FACTOR)
