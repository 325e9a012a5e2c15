"""What a mat can carry: duty in a room, the coldest room, what would carry a colder one.  Pure.

Steady states only, from one number measured on the box, how far a watt lifts the wet layer:

    wet layer = room + load + lift * mean watts

and from the offset method, which says what wet layer the callus zone needs.  Both are straight
lines in the room, so every bound is the room where two of them cross.  Three things can bind: full
power, the ceiling of the wet layer (the law stays just below it), and the mat, held 3 K below its
limit where a probe says how warm it is.  A night is shorter than for ever: what is worked out here
is on the safe side of a cold that lasts a few hours.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace

from bottomheat.config import LIMIT_MARGIN_K, ChamberConfig
from bottomheat.config_nights import HIGH_DUTY
from bottomheat.heating import layer_cap
from bottomheat.lift import (
    Basis,
    Learned,
    Lift,
    Limit,
    lift_of,
    mat_cap_c,
    mat_k_per_w,
    mat_most_w,
)
from bottomheat.operating_point import callus_given_c, needed_layer_c, runs_away

__all__ = [
    "HIGH_DUTY",
    "Basis",
    "Bound",
    "Capacity",
    "Learned",
    "Lift",
    "Limit",
    "Remedy",
    "Spread",
    "capacity",
    "lift_of",
]

_FLAT = 1e-9


@dataclass(frozen=True, slots=True)
class Spread:
    """A number with its 95 % interval; ``low`` and ``high`` are None where that is not known."""

    value: float
    low: float | None = None
    high: float | None = None


@dataclass(frozen=True, slots=True)
class Bound:
    """A bound and the coldest room in which the setpoint is held under it, °C.

    -inf: it never binds; +inf: it always does.  ``at`` is the level of the bound: W, or °C.
    """

    limit: Limit
    room_c: Spread
    at: float


@dataclass(frozen=True, slots=True)
class Remedy:
    """What would hold the setpoint in the room that was asked about.

    None where that remedy does not help, whatever its size.

    Attributes:
        watts_least: mat that would just do, W.
        watts_easy: mat that would do with heat on ``HIGH_DUTY`` of the time, W.
        k_per_w_least: lift of the wet layer that would just do with this mat, K/W.
        k_per_w_easy: the same with heat on ``HIGH_DUTY`` of the time.
        setpoint_c: setpoint that this box holds there as it is, °C.
        ceiling_c: ceiling of the wet layer that it takes, °C; None where the present one will do.
    """

    watts_least: float | None
    watts_easy: float | None
    k_per_w_least: float | None
    k_per_w_easy: float | None
    setpoint_c: float
    ceiling_c: float | None


@dataclass(frozen=True, slots=True)
class Capacity:
    """What a box can do in a room.

    Attributes:
        setpoint_c: of the callus zone, °C.
        room_c: the room asked about, °C.
        lift: what it rests on.
        layer_c: wet layer that the setpoint needs there, °C.
        watts: mean power for that, W; 0 where none is needed.
        duty: the same as share of the time with heat on; above 1 the mat cannot.
        mat_c: mat at that power, mean over a window, °C.
        bounds: what can bind, the one that binds first (in the warmest room) first.
        callus_c: callus zone in that room: the setpoint, or what the binding bound leaves, °C.
        remedy: what would do; None where the setpoint is held with something in hand.
    """

    setpoint_c: float
    room_c: float
    lift: Lift
    layer_c: float
    watts: Spread
    duty: Spread
    mat_c: float
    bounds: tuple[Bound, ...]
    callus_c: Spread
    remedy: Remedy | None

    @property
    def coldest_c(self) -> Spread:
        """The coldest room in which the setpoint is held, °C."""
        return self.bounds[0].room_c

    @property
    def binds(self) -> Limit:
        """What binds there."""
        return self.bounds[0].limit

    @property
    def holds(self) -> bool:
        """Whether the setpoint is held in the room asked about."""
        return self.room_c >= self.coldest_c.value


@dataclass(frozen=True, slots=True)
class _Box:
    """One setpoint, one lift: the straight lines."""

    chamber: ChamberConfig
    k_per_w: float
    load_k: float
    mat_k_per_w: float
    mat_swing_k_per_w: float | None

    @property
    def mat_per_layer(self) -> float:
        return self.mat_k_per_w / self.k_per_w

    def mat_cap_c(self, duty: float) -> float | None:
        return mat_cap_c(self.chamber, duty, self.mat_swing_k_per_w)

    def layer_c(self, room_c: float) -> float:
        box = self.chamber
        return needed_layer_c(box.callus_zone_c, box.offset, room_c, self.k_per_w)

    def watts(self, room_c: float) -> float:
        return (self.layer_c(room_c) - room_c - self.load_k) / self.k_per_w

    def mat_c(self, room_c: float) -> float:
        layer_c = self.layer_c(room_c)
        return layer_c + self.mat_per_layer * (layer_c - room_c - self.load_k)


def capacity(chamber: ChamberConfig, lift: Lift, room_c: float) -> Capacity | None:
    """What a box can do with its setpoint, its mat and its bounds in a room; lid on.

    Args:
        chamber: the box, with the setpoint and the ceiling to ask about.
        lift: how it answers to heat.
        room_c: the room asked about, °C, finite.

    Returns:
        None where the heat-flow offset runs away: it asks for more heat than any room takes.
    """
    if runs_away(chamber.offset, lift.k_per_w):
        return None
    box = _box(chamber, lift)
    bounds = _bounds(chamber, lift)
    watts = max(0.0, box.watts(room_c))
    rated = chamber.heater.watts

    def duty(each: _Box) -> float:
        return max(0.0, each.watts(room_c)) / rated

    binding = bounds[0]
    held = room_c >= binding.room_c.value
    easy = held and (binding.limit is not Limit.POWER or duty(box) <= HIGH_DUTY)
    return Capacity(
        setpoint_c=chamber.callus_zone_c,
        room_c=room_c,
        lift=lift,
        layer_c=max(box.layer_c(room_c), room_c + lift.load_k),
        watts=_spread(chamber, lift, lambda each: max(0.0, each.watts(room_c))),
        duty=_spread(chamber, lift, duty),
        mat_c=box.layer_c(room_c) + mat_k_per_w(lift) * watts,
        bounds=bounds,
        callus_c=_spread(chamber, lift, lambda each: _callus_c(each, room_c)),
        remedy=None if easy else _remedy(box, lift, room_c),
    )


def _box(chamber: ChamberConfig, lift: Lift) -> _Box:
    return _Box(chamber, lift.k_per_w, lift.load_k, mat_k_per_w(lift), lift.mat_swing_k_per_w)


def _spread(chamber: ChamberConfig, lift: Lift, of: Callable[[_Box], float]) -> Spread:
    """A figure with its interval: what gains and load do to it, added as for independent ones."""
    box = _box(chamber, lift)
    value = of(box)
    half = lift.k_per_w_half
    if half is None:
        return Spread(value)
    lead_k_per_w = box.mat_k_per_w
    lead_half = lift.mat_k_per_w_half or 0.0
    pairs = []
    for sign in (-1.0, 1.0):
        k_per_w = max(lift.k_per_w + sign * half, 0.2 * lift.k_per_w)
        mat_per_w = max(lead_k_per_w + sign * lead_half, 0.2 * lead_k_per_w)
        pairs.append(
            (
                of(replace(box, k_per_w=k_per_w)),
                of(replace(box, load_k=lift.load_k + sign * lift.load_half_k)),
                of(replace(box, mat_k_per_w=mat_per_w)),
            )
        )
    if not math.isfinite(value):
        return Spread(value, value, value)

    def reach(sign: int) -> float:
        return sign * math.hypot(
            *(
                max(0.0, sign * (low - value), sign * (high - value))
                for low, high in zip(*pairs, strict=True)
            )
        )

    return Spread(value, value + reach(-1), value + reach(1))


def _coldest_c(of_c: Callable[[float], float], level: float) -> float:
    """The coldest room, °C, in which a straight line that falls with the room is at its level."""
    at_zero = of_c(0.0)
    per_k = of_c(1.0) - at_zero
    if per_k > -_FLAT:
        return math.inf if at_zero > level else -math.inf
    return (level - at_zero) / per_k


def _bounds(chamber: ChamberConfig, lift: Lift) -> tuple[Bound, ...]:
    """What can bind, the warmest room first."""
    rated = chamber.heater.watts
    cap_c = layer_cap(chamber)
    layer = Limit.CEILING
    if chamber.limits.substrate_c - LIMIT_MARGIN_K < chamber.layer_ceiling_c:
        layer = Limit.LAYER_LIMIT
    found = [
        Bound(
            Limit.POWER,
            _spread(chamber, lift, lambda each: _coldest_c(each.watts, rated)),
            rated,
        ),
        Bound(layer, _spread(chamber, lift, lambda each: _coldest_c(each.layer_c, cap_c)), cap_c),
    ]
    if mat_cap_c(chamber, 0.0) is not None:
        room = _spread(chamber, lift, _mat_room_c)
        found.append(Bound(Limit.MAT_LIMIT, room, chamber.limits.mat_c - LIMIT_MARGIN_K))
    return tuple(sorted(found, key=lambda each: -each.room_c.value))


def _mat_room_c(box: _Box) -> float:
    """The coldest room in which the mat's peaks stay below where heat is held back, °C."""
    rated = box.chamber.heater.watts
    duty, room_c = 0.5, 0.0
    for _ in range(30):  # the swing depends on the duty, a little
        cap_c = box.mat_cap_c(duty)
        assert cap_c is not None  # noqa: S101 - asked for only where it is known
        room_c = _coldest_c(box.mat_c, cap_c)
        if not math.isfinite(room_c):
            return room_c
        duty += 0.5 * (min(1.0, max(0.0, box.watts(room_c) / rated)) - duty)
    return room_c


def _callus_c(box: _Box, room_c: float) -> float:
    """The callus zone in a room, °C: the setpoint, or what the bounds leave of it."""
    chamber = box.chamber
    layer_c = min(_most_layer_c(box, room_c), layer_cap(chamber))
    if layer_c >= box.layer_c(room_c):
        return chamber.callus_zone_c
    return callus_given_c(layer_c, chamber.offset, room_c, box.k_per_w)


def _most_layer_c(box: _Box, room_c: float) -> float:
    """The warmest wet layer that full power and the mat's limit give in a room, °C."""
    rated = box.chamber.heater.watts
    base_c = room_c + box.load_k
    full_c = base_c + box.k_per_w * rated
    cap_c = box.mat_cap_c((box.layer_c(room_c) - base_c) / (box.k_per_w * rated))
    if cap_c is None:
        return full_c
    ratio = box.mat_per_layer
    return min(full_c, (cap_c + ratio * base_c) / (1.0 + ratio))


def _remedy(box: _Box, lift: Lift, room_c: float) -> Remedy:
    """What would hold the setpoint in that room.

    More watts help only where the mat's limit does not stand in the way; less loss helps against
    both, because the mat's lead over the wet layer goes with the watts.  The ceiling is about the
    callus zone being cooler than the layer, which neither changes much: it is told beside them.
    """
    chamber = box.chamber
    layer_c, cap_c = box.layer_c(room_c), layer_cap(chamber)
    rise_k = layer_c - room_c - box.load_k
    watts, rated = box.watts(room_c), chamber.heater.watts
    ceiling_c = None
    if layer_c > cap_c:
        bound_c = min(chamber.layer_ceiling_c, chamber.limits.substrate_c - LIMIT_MARGIN_K)
        ceiling_c = layer_c + bound_c - cap_c
    mat_w = mat_most_w(chamber, lift, layer_c)
    least = easy = k_least = k_easy = None
    if rise_k > 0.0:
        peak_c = box.mat_cap_c(HIGH_DUTY)
        if peak_c is None or watts <= (peak_c - layer_c) / mat_k_per_w(lift):
            least, easy = watts, watts / HIGH_DUTY
        if mat_w > 0.0:
            k_least = rise_k / min(rated, mat_w)
            k_easy = rise_k / min(HIGH_DUTY * rated, mat_w)
    holdable_c = min(_most_layer_c(box, room_c), cap_c)
    return Remedy(
        watts_least=least,
        watts_easy=easy,
        k_per_w_least=k_least,
        k_per_w_easy=k_easy,
        setpoint_c=min(
            chamber.callus_zone_c,
            callus_given_c(holdable_c, chamber.offset, room_c, box.k_per_w),
        ),
        ceiling_c=ceiling_c,
    )
