"""How a box answers its heater and its room: what ``identify`` finds and feed-forward goes by.

    wet layer = load + room through the room's lags
                + gain * watts through [1 - quick_share] slow and [quick_share] quick lag,
                  after a dead time

Two lags and a dead time, because one lag fitted to the whole curve gives unstable tunings on such
a bed.  The room's influence is one in the end (a box without heat is as warm as its room, but for
``load``), and comes through the same two lags with shares of its own.  Plain numbers without
numpy: the daemon uses this too.
"""

from __future__ import annotations

import math
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Response:
    """The answer of one place of a box to heater power and to the room.

    Attributes:
        gain_k_per_w: steady rise for each watt of mean power, K/W, above 0.
        slow_s: slow lag, s, longer than ``quick_s``.
        quick_s: quick lag, s.
        quick_share: share of the gain that comes through the quick lag, 0...1.
        dead_s: dead time of the heater's influence, s.
        room_quick_share: share of the room's influence that comes through the quick lag,
            dimensionless, -0.5...1 (a place may follow the room later than its slow lag).
        load_k: how far the place settles above the room without heat, K: bench, light, or below 0
            a draught or evaporation.
    """

    gain_k_per_w: float
    slow_s: float
    quick_s: float
    quick_share: float
    dead_s: float
    room_quick_share: float = 0.0
    load_k: float = 0.0

    def __post_init__(self) -> None:
        numbers = (self.gain_k_per_w, self.slow_s, self.quick_s, self.quick_share, self.dead_s)
        if not all(math.isfinite(n) for n in (*numbers, self.room_quick_share, self.load_k)):
            raise ValueError("a response has a number that is not finite")
        if not (self.gain_k_per_w > 0.0 and self.slow_s >= self.quick_s > 0.0):
            raise ValueError("a response needs a gain above 0 and 0 < quick lag <= slow lag")
        if not (0.0 <= self.quick_share <= 1.0 and self.dead_s >= 0.0):
            raise ValueError("a response needs a quick share of 0 to 1 and no dead time below 0")

    def step_k(self, watts: float, after_s: float) -> float:
        """Rise so long after the power went up by so many watts and stayed, K."""
        t_s = max(0.0, after_s - self.dead_s)
        quick = -math.expm1(-t_s / self.quick_s) * self.quick_share
        slow = -math.expm1(-t_s / self.slow_s) * (1.0 - self.quick_share)
        return self.gain_k_per_w * watts * (quick + slow)

    def settled_c(self, watts: float, room_c: float) -> float:
        """Where the place settles with this mean power in this room, °C."""
        return room_c + self.load_k + self.gain_k_per_w * watts

    def watts_for(self, place_c: float, room_c: float) -> float:
        """Mean power that holds the place at a temperature in a room, W; below 0 none does."""
        return (place_c - room_c - self.load_k) / self.gain_k_per_w


@dataclass(frozen=True, slots=True)
class Twin:
    """A response being run along: where the place would be after the power it was given.

    Attributes:
        quick_w: power as it has come through the quick lag, W.
        slow_w: power as it has come through the slow lag, W.
        room_quick_c: room as it has come through the quick lag, °C.
        room_slow_c: room as it has come through the slow lag, °C.
        waiting: power in its dead time, as (seconds, watts), the oldest first.
    """

    quick_w: float
    slow_w: float
    room_quick_c: float
    room_slow_c: float
    waiting: tuple[tuple[float, float], ...] = ()

    def place_c(self, response: Response) -> float:
        """Where the place is, °C."""
        heat_w = self.slow_w + response.quick_share * (self.quick_w - self.slow_w)
        return self.room_c(response) + response.load_k + response.gain_k_per_w * heat_w

    def room_c(self, response: Response) -> float:
        """The room as the place has felt it, °C."""
        share = response.room_quick_share
        return self.room_slow_c + share * (self.room_quick_c - self.room_slow_c)


def rested(response: Response, place_c: float, room_c: float) -> Twin:
    """A twin of a place that has been at this temperature in this room for long."""
    watts = response.watts_for(place_c, room_c)
    return Twin(watts, watts, room_c, room_c, ((response.dead_s, watts),))


def advance(twin: Twin, response: Response, seconds: float, watts: float, room_c: float) -> Twin:
    """Let time pass with the power and the room held; exact for any length of step.

    Args:
        twin: where it was.
        response: what it is the twin of.
        seconds: length of the step, s, 0 or more.
        watts: mean power over the step, W.
        room_c: mean room over the step, °C.
    """
    waiting = [*twin.waiting, (seconds, watts)]
    over_s = sum(length_s for length_s, _ in waiting) - response.dead_s
    quick_w, slow_w = twin.quick_w, twin.slow_w
    while over_s > 0.0 and waiting:
        length_s, given_w = waiting[0]
        out_s = min(length_s, over_s)
        quick_w += (given_w - quick_w) * -math.expm1(-out_s / response.quick_s)
        slow_w += (given_w - slow_w) * -math.expm1(-out_s / response.slow_s)
        over_s -= out_s
        if out_s < length_s:
            waiting[0] = (length_s - out_s, given_w)
        else:
            waiting.pop(0)
    return Twin(
        quick_w,
        slow_w,
        twin.room_quick_c + (room_c - twin.room_quick_c) * -math.expm1(-seconds / response.quick_s),
        twin.room_slow_c + (room_c - twin.room_slow_c) * -math.expm1(-seconds / response.slow_s),
        tuple(waiting),
    )
