"""Where a box settles: wet layer, mat and duty in steady state."""

from __future__ import annotations

from dataclasses import dataclass

from bottomheat.config import (
    MAT_RIPPLE_K,
    MAT_RISE_PER_LAYER_RISE,
    ChamberConfig,
    Direct,
    FixedOffset,
    Offset,
    TemperatureFactor,
)

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
    layer = room + (setpoint - intercept - room)/f), the mat from ``MAT_RISE_PER_LAYER_RISE``, duty
    from ``full_power_rise``.  In a room so warm that no heat is needed, all are at the room's.
    Limits and ceiling are left out on purpose: this is what the setpoint asks for.

    Args:
        chamber: the box.
        room_c: steady room temperature, °C, finite.
    """
    rise_k = max(needed_layer_c(chamber.callus_zone_c, chamber.offset, room_c) - room_c, 0.0)
    full_k = chamber.heater.full_power_rise_k
    return OperatingPoint(
        substrate_c=room_c + rise_k,
        mat_c=room_c + MAT_RISE_PER_LAYER_RISE * rise_k,
        duty=None if full_k is None else rise_k / full_k,
    )


def mat_ripple_k(window_s: float) -> float:
    """Half the mat's swing about its mean, K: in proportion to the window, s."""
    return MAT_RIPPLE_K * window_s / _RIPPLE_WINDOW_S


def needed_layer_c(setpoint_c: float, offset: Offset, room_c: float) -> float:
    """The wet layer, °C, that puts the callus zone at a setpoint, °C, in a room, °C."""
    match offset:
        case FixedOffset(offset_k=offset_k):
            return setpoint_c + offset_k
        case TemperatureFactor(factor=factor, intercept_k=intercept_k):
            return room_c + (setpoint_c - intercept_k - room_c) / factor
        case Direct(factor=factor):
            return room_c + (setpoint_c - room_c) / factor


def callus_given_c(layer_c: float, offset: Offset, room_c: float) -> float:
    """The callus zone that a wet layer gives, °C: ``layer_c`` turned round."""
    match offset:
        case FixedOffset(offset_k=offset_k):
            return layer_c - offset_k
        case TemperatureFactor(factor=factor, intercept_k=intercept_k):
            return room_c + factor * (layer_c - room_c) + intercept_k
        case Direct(factor=factor):
            return room_c + factor * (layer_c - room_c)
