"""Rooms for a rehearsal: temperature over time, between given points or invented."""

from __future__ import annotations

import math
import random
from bisect import bisect_right
from collections.abc import Sequence
from itertools import pairwise

HOUR_S = 3600.0

SHED_MEAN_C = 9.0
SHED_SWING_K = 2.5
SHED_WARMEST_HOUR = 15.0
FRONT_K = 1.5
FRONT_EVERY_HOURS = (24.0, 60.0)
SNAP_K = -4.0
SNAP_HOURS = 30.0
SNAP_RAMP_HOURS = 6.0
SNAP_NEEDS_HOURS = 96.0
"""The shed that `cold_shed` invents; every figure is a judgement, none is measured."""


class RoomSeries:
    """A room given at points in time: straight lines between them, held at both ends.

    Args:
        hours: times of the points, h, rising.
        room_c: temperature at each, °C.

    Raises:
        ValueError: no points, not as many temperatures as times, a number that is not finite, or
            times that do not rise.
    """

    def __init__(self, hours: Sequence[float], room_c: Sequence[float]) -> None:
        if not hours or len(hours) != len(room_c):
            raise ValueError(f"{len(hours)} times and {len(room_c)} temperatures; give as many")
        if not all(map(math.isfinite, (*hours, *room_c))):
            raise ValueError("a time or a temperature is not a finite number")
        if any(later <= earlier for earlier, later in pairwise(hours)):
            raise ValueError("the times do not rise from point to point")
        self._hours = tuple(hours)
        self._room_c = tuple(room_c)

    def __call__(self, hours: float) -> float:
        """Read the room at ``hours`` h, °C."""
        after = bisect_right(self._hours, hours)
        if after == 0:
            return self._room_c[0]
        if after == len(self._hours):
            return self._room_c[-1]
        start, end = self._hours[after - 1], self._hours[after]
        low, high = self._room_c[after - 1], self._room_c[after]
        return low + (high - low) * (hours - start) / (end - start)

    @property
    def hours(self) -> tuple[float, ...]:
        """Times of the points, h."""
        return self._hours

    @property
    def celsius(self) -> tuple[float, ...]:
        """Temperature at each, °C."""
        return self._room_c

    @property
    def coldest_c(self) -> float:
        """Coldest point, °C."""
        return min(self._room_c)

    @property
    def warmest_c(self) -> float:
        """Warmest point, °C."""
        return max(self._room_c)


def cold_shed(seed: int, days: float) -> RoomSeries:
    """Invent the room of an unheated shed in winter, by the hour; the same for the same seed.

    Around 9 °C, a daily swing of ±2.5 K that is warmest at 15:00 (hour 0 is midnight), and passing
    fronts that shift it by up to ±1.5 K every one to two and a half days.  A rehearsal of four
    days or more meets one cold snap of -4 K, 30 h long, about half way.  Judgement, not a record.

    Args:
        seed: of the fronts and of the hour of the snap.
        days: length of the rehearsal, d.
    """
    rng = random.Random(f"shed {seed}")  # noqa: S311 - weather for a rehearsal, not a secret
    length = days * 24.0
    fronts_at, fronts_k = [0.0], [rng.uniform(-FRONT_K, FRONT_K)]
    while fronts_at[-1] < length:
        fronts_at.append(fronts_at[-1] + rng.uniform(*FRONT_EVERY_HOURS))
        fronts_k.append(rng.uniform(-FRONT_K, FRONT_K))
    front = RoomSeries(fronts_at, fronts_k)
    begins = length * rng.uniform(0.45, 0.6) if length >= SNAP_NEEDS_HOURS else math.inf
    hours = [float(hour) for hour in range(math.ceil(length) + 1)]
    return RoomSeries(
        hours,
        [
            SHED_MEAN_C
            + SHED_SWING_K * math.cos(2.0 * math.pi * (hour - SHED_WARMEST_HOUR) / 24.0)
            + front(hour)
            + SNAP_K * _snap_share(hour - begins)
            for hour in hours
        ],
    )


def damped(
    hours: Sequence[float], air_c: Sequence[float], time_constant_hours: float
) -> RoomSeries:
    """Turn outdoor air into the room of an unheated shed: one first-order lag.

    Exact for straight lines between the points; the shed starts as warm as the first point.

    Args:
        hours: times of the points, h, rising.
        air_c: outdoor air at each, °C.
        time_constant_hours: of the shed, h, above 0.

    Raises:
        ValueError: as for `RoomSeries`, or a time constant that is not above 0.
    """
    if not 0.0 < time_constant_hours < math.inf:
        raise ValueError(f"time_constant_hours is {time_constant_hours}; give a number above 0")
    RoomSeries(hours, air_c)
    room = [air_c[0]]
    for index in range(1, len(hours)):
        step = hours[index] - hours[index - 1]
        rise_k = air_c[index] - air_c[index - 1]
        stays = math.exp(-step / time_constant_hours)
        lag_k = rise_k * time_constant_hours / step
        room.append(air_c[index] - lag_k + stays * (room[-1] - air_c[index - 1] + lag_k))
    return RoomSeries(hours, room)


def _snap_share(hours_in: float) -> float:
    """Share of the snap's depth, 0...1: down over its ramp, held, and up again."""
    into = hours_in / SNAP_RAMP_HOURS
    out_of = (SNAP_HOURS - hours_in) / SNAP_RAMP_HOURS
    return max(0.0, min(1.0, into, out_of))
