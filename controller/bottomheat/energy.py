"""What a winter costs: heat for a setpoint through a course of the room, in kWh.  Pure.

In steady state the mean power is a straight line in the room, so energy is degree-hours: below the
room in which no heat is needed, less those below the room in which full power is no longer enough,
over the room's kelvin for each watt.  What warms the box up once, and what its heat stores from day
to night, is left out: over weeks it comes to nothing.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from bottomheat.capacity import Lift, Spread
from bottomheat.config import ChamberConfig
from bottomheat.operating_point import needed_layer_c

HOURS_A_DAY = 24.0


@dataclass(frozen=True, slots=True)
class Energy:
    """What a box takes through a course of the room.

    Attributes:
        hours: length of the course, h.
        kwh: energy of the mat.
        cost: the same at the tariff, in the tariff's money; None without a tariff.
        mean_duty: mean share of the time with heat on, 0...1.
        coldest_c: coldest room in the course, °C.
        mean_room_c: mean room, °C.
        short_hours: hours in which full power is not enough in steady state, h.
        short_k_h: degree-hours of the room below the coldest that full power carries, K·h.
    """

    hours: float
    kwh: Spread
    cost: Spread | None
    mean_duty: float
    coldest_c: float
    mean_room_c: float
    short_hours: float
    short_k_h: float


def below(hours: Sequence[float], room_c: Sequence[float], base_c: float) -> tuple[float, float]:
    """Hours and degree-hours (K·h) of a course below a base; exact for straight lines.

    Args:
        hours: times of the points, h, rising.
        room_c: temperature at each, °C.
        base_c: the base, °C; -inf: nothing is below it.
    """
    time_h = area_k_h = 0.0
    if base_c == -math.inf:
        return 0.0, 0.0
    for index in range(1, len(hours)):
        step_h = hours[index] - hours[index - 1]
        one_k, other_k = base_c - room_c[index - 1], base_c - room_c[index]
        if one_k <= 0.0 and other_k <= 0.0:
            continue
        if one_k >= 0.0 and other_k >= 0.0:
            time_h += step_h
            area_k_h += 0.5 * (one_k + other_k) * step_h
        else:
            deep_k = max(one_k, other_k)
            under_h = step_h * deep_k / abs(one_k - other_k)
            time_h += under_h
            area_k_h += 0.5 * deep_k * under_h
    return time_h, area_k_h


def energy(
    chamber: ChamberConfig,
    lift: Lift,
    hours: Sequence[float],
    room_c: Sequence[float],
    tariff_per_kwh: float | None = None,
) -> Energy:
    """Work out what a box takes through a course of the room; lid on, no bound but full power.

    Args:
        chamber: the box, with its setpoint.
        lift: how it answers to heat.
        hours: times of the points, h, rising, two at least.
        room_c: room at each, °C.
        tariff_per_kwh: price of a kWh, or None.

    Raises:
        ValueError: fewer than two points.
    """
    if len(hours) < 2:
        raise ValueError("a course of the room needs two points at least")
    length_h = hours[-1] - hours[0]
    kwh = _kwh(chamber, lift.k_per_w, lift.load_k, hours, room_c)
    half = lift.k_per_w_half
    spread = Spread(kwh)
    if half is not None:
        ends = [
            _kwh(
                chamber, max(lift.k_per_w + sign * half, 0.2 * lift.k_per_w), load_k, hours, room_c
            )
            for sign, load_k in ((-1.0, lift.load_k), (1.0, lift.load_k))
        ]
        loads = [
            _kwh(chamber, lift.k_per_w, lift.load_k + sign * lift.load_half_k, hours, room_c)
            for sign in (-1.0, 1.0)
        ]
        low = math.hypot(kwh - min(ends), kwh - min(*loads, kwh))
        high = math.hypot(max(ends) - kwh, max(*loads, kwh) - kwh)
        spread = Spread(kwh, max(0.0, kwh - low), kwh + high)
    full_c = _room_at_c(chamber, lift.k_per_w, lift.load_k, chamber.heater.watts)
    short_h, short_k_h = below(hours, room_c, full_c)
    area = sum(
        0.5 * (room_c[i] + room_c[i - 1]) * (hours[i] - hours[i - 1]) for i in range(1, len(hours))
    )
    return Energy(
        hours=length_h,
        kwh=spread,
        cost=None if tariff_per_kwh is None else _times(spread, tariff_per_kwh),
        mean_duty=1000.0 * kwh / (chamber.heater.watts * length_h),
        coldest_c=min(room_c),
        mean_room_c=area / length_h,
        short_hours=short_h,
        short_k_h=short_k_h,
    )


def _times(spread: Spread, factor: float) -> Spread:
    low, high = spread.low, spread.high
    return Spread(
        spread.value * factor,
        None if low is None else low * factor,
        None if high is None else high * factor,
    )


def _watts(chamber: ChamberConfig, k_per_w: float, load_k: float, room_c: float) -> float:
    layer_c = needed_layer_c(chamber.callus_zone_c, chamber.offset, room_c, k_per_w)
    return (layer_c - room_c - load_k) / k_per_w


def _room_at_c(chamber: ChamberConfig, k_per_w: float, load_k: float, watts: float) -> float:
    """The room in which the setpoint takes so many watts, °C."""
    at_zero = _watts(chamber, k_per_w, load_k, 0.0)
    per_k = _watts(chamber, k_per_w, load_k, 1.0) - at_zero
    return (watts - at_zero) / per_k if per_k < -1e-9 else -math.inf


def _kwh(
    chamber: ChamberConfig,
    k_per_w: float,
    load_k: float,
    hours: Sequence[float],
    room_c: Sequence[float],
) -> float:
    """Energy, kWh: degree-hours between no heat and full power, by the watts for each kelvin."""
    none_c = _room_at_c(chamber, k_per_w, load_k, 0.0)
    full_c = _room_at_c(chamber, k_per_w, load_k, chamber.heater.watts)
    if not (math.isfinite(none_c) and math.isfinite(full_c)):
        return 0.0
    watts_per_k = chamber.heater.watts / (none_c - full_c)
    _, cold = below(hours, room_c, none_c)
    _, lost = below(hours, room_c, full_c)
    return watts_per_k * (cold - lost) / 1000.0
