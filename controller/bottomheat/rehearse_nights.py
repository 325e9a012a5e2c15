"""A cold night to order: how cold it has to be for this box, from the truth, and how it comes.

``coldest`` lets a copy of the chamber settle without heat and with full heat, takes what a watt
does from that, and asks ``capacity`` in which room mat, ceiling and limits leave the bases so much
too cold in the end.
"""

from __future__ import annotations

import copy
import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from bottomheat.capacity import Basis, Lift, capacity
from bottomheat.config import ChamberConfig
from bottomheat.errors import InputError
from bottomheat.protect import thresholds as th
from bottomheat.rehearse_acts import HOUR_S, Order
from bottomheat.rehearse_models import GuardedModel
from bottomheat.rehearse_world import World
from bottomheat.score import BAND_K

FALLS_H, STAYS_H, RISES_H = 8.0, 6.0, 6.0
"""From the early afternoon to late evening, until the small hours, and to the next forenoon."""
LASTS_S: Final = (FALLS_H + STAYS_H + RISES_H) * HOUR_S
SHORT_K: Final = 3.0
"""How far below their setpoint the bases would settle, K.  A bed follows within ten hours and more,
so that such a night costs it one to two kelvins; judgement, tried on the boxes of a campaign."""
JUST_K: Final = 0.1
"""So little below it they would be where the mat just no longer carries the room, K."""

SETTLE_H: Final = 240.0
SETTLE_STEP_S: Final = 60.0
SETTLE_C: Final = 10.0
"""Where it settles; what a watt does is the same in every room."""

COLDEST_C: Final = -19.0
"""A room below -20 °C is out of the range in which a probe is believed."""


@dataclass(frozen=True, slots=True)
class Night:
    """What a fault that is to be foretold did to a box that was in its band when it began.

    Attributes:
        chamber: the box.
        warned_s: when it was warned of, s from the beginning; None: never.
        left_s: when the true callus zone left its band downwards, where the twin's did not.
        short_k: how far below its setpoint it was at most, K.
    """

    chamber: str
    warned_s: float | None
    left_s: float | None
    short_k: float

    @property
    def ahead_s(self) -> float | None:
        """From the warning to the end of the band, s; below 0: late, None: one is missing."""
        if self.warned_s is None or self.left_s is None:
            return None
        return self.left_s - self.warned_s

    @property
    def missed(self) -> bool:
        """Whether it was short by what has to be warned of, and that was not said before."""
        if self.short_k < th.SHORT_K or self.left_s is None:
            return False
        return self.warned_s is None or self.warned_s > self.left_s


def night_of(
    name: str,
    setpoint_c: float,
    callus_c: Sequence[float],
    twin_c: Sequence[float],
    cycle_s: float,
    warned_s: float | None,
) -> Night | None:
    """What a fault that is to be foretold did to a box.

    Args:
        name: the box.
        setpoint_c: of its callus zone, °C.
        callus_c: true callus zone from the beginning of the fault, cycle by cycle, °C.
        twin_c: the same without the fault, as long or longer, °C.
        cycle_s: length of a cycle, s.
        warned_s: when it was warned of, s from the beginning; None: never.

    Returns:
        None where the box was not in its band when it began.
    """
    low_c = setpoint_c - BAND_K
    if callus_c[0] < low_c:
        return None
    held = [index for index in range(len(callus_c)) if twin_c[index] >= low_c]
    left = next((index for index in held if callus_c[index] < low_c), None)
    short_k = max(setpoint_c - callus_c[index] for index in held)
    return Night(name, warned_s, None if left is None else (left + 1) * cycle_s, short_k)


def lift_in_truth(model: GuardedModel, watts: float) -> Lift:
    """What a watt does in a chamber, lid and all as they are; the chamber itself is not changed.

    Raises:
        InputError: the chamber failed.
    """
    settled: list[tuple[float, float]] = []
    for power in (0.0, watts):
        try:
            box = copy.deepcopy(model)
        except Exception as error:
            raise InputError(
                f"--fault cold-night needs a chamber that can be copied, and this one cannot "
                f"({type(error).__name__}: {error}); give its class a __deepcopy__."
            ) from error
        for _ in range(round(SETTLE_H * HOUR_S / SETTLE_STEP_S)):
            box.advance(SETTLE_STEP_S, power, SETTLE_C)
        settled.append((box.temperature("substrate"), box.temperature("mat")))
    (idle_c, idle_mat_c), (full_c, full_mat_c) = settled
    per_w = (full_c - idle_c) / watts
    lead_k = (full_mat_c - full_c) - (idle_mat_c - idle_c)
    return Lift(per_w, Basis.MODEL, idle_c - SETTLE_C, mat_k_per_w=max(0.0, lead_k / watts))


def coldest(chamber: ChamberConfig, lift: Lift, short_k: float) -> float | None:
    """The room in which the bases would settle ``short_k`` below their setpoint, °C.

    None: no room in which a probe is believed is so cold.
    """
    if lift.k_per_w <= 0.0:
        return None
    low_c, high_c = COLDEST_C, chamber.callus_zone_c
    if _short_k(chamber, lift, low_c) < short_k:
        return None
    while high_c - low_c > 0.01:
        middle_c = 0.5 * (low_c + high_c)
        if _short_k(chamber, lift, middle_c) < short_k:
            high_c = middle_c
        else:
            low_c = middle_c
    return low_c


def _short_k(chamber: ChamberConfig, lift: Lift, room_c: float) -> float:
    found = capacity(chamber, lift, room_c)
    return 0.0 if found is None else chamber.callus_zone_c - found.callus_c.value


def room_for(model: GuardedModel, name: str, chamber: ChamberConfig, short_k: float) -> float:
    """The room of an order, °C.

    Raises:
        InputError: no night is cold enough for this box, or the chamber failed.
    """
    room_c = coldest(chamber, lift_in_truth(model, chamber.heater.watts), short_k)
    if room_c is None:
        raise InputError(
            f"--fault cold-night: the mat of {name} keeps the bases within {short_k:g} K of their "
            f"setpoint down to {COLDEST_C:g} °C in the room, and a probe is not believed much "
            "below that; give a smaller size, such as cold-night=1@38h, or less heater watts."
        )
    return room_c


def begin(world: World, order: Order) -> None:
    """Find out how cold the night has to be for this box."""
    chamber = world.config.chambers[order.chamber]
    short_k = SHORT_K if order.value is None else order.value
    world.cold_c = room_for(world.stands[order.chamber].model, order.chamber, chamber, short_k)
    world.cold_share = 0.0


def during(world: World, order: Order, into_s: float) -> None:
    """Let the room fall, stay and rise again."""
    world.cold_share = share(into_s / (order.lasts_s or LASTS_S))


def end(world: World, _: Order) -> None:
    """Let the room be as it was."""
    world.cold_c, world.cold_share = None, 0.0


def share(gone_share: float) -> float:
    """How far the room is from what it would be (0) to the night's own (1).

    Args:
        gone_share: share of the night that has gone, 0...1.
    """
    whole_h = FALLS_H + STAYS_H + RISES_H
    hours = gone_share * whole_h
    if hours <= 0.0 or hours >= whole_h:
        return 0.0
    if hours < FALLS_H:
        return 0.5 * (1.0 - math.cos(math.pi * hours / FALLS_H))
    left_h = whole_h - hours
    return 1.0 if left_h >= RISES_H else 0.5 * (1.0 - math.cos(math.pi * left_h / RISES_H))
