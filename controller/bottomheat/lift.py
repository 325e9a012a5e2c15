"""How far a watt lifts wet layer and mat, what that rests on, what the mat's limit leaves.  Pure.

What ``capacity``, ``energy`` and the daemon's foresight go by.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import StrEnum

from bottomheat.config import LIMIT_MARGIN_K, MAT_RIPPLE_K, MAT_RISE_PER_LAYER_RISE, ChamberConfig
from bottomheat.operating_point import rise_k_per_w

NOMINAL_MAT_W = 45.0
"""The mat that ``MAT_RIPPLE_K`` was calculated for, W."""

RIPPLE_WINDOW_S = 600.0
"""And its window, s."""


class Basis(StrEnum):
    """What a capacity rests on, the best first."""

    FULL_POWER = "full_power_rise"
    MODEL = "model"
    FILE = "identify"
    LEARNED = "learned"
    NOMINAL = "not measured"


class Limit(StrEnum):
    """What keeps a box from holding its setpoint in a colder room."""

    POWER = "power"
    CEILING = "ceiling"
    LAYER_LIMIT = "wet-layer limit"
    MAT_LIMIT = "mat limit"


@dataclass(frozen=True, slots=True)
class Lift:
    """How a box answers to steady heat.

    Attributes:
        k_per_w: rise of the wet layer for each watt of mean power, K/W, above 0.
        basis: where that comes from.
        load_k: how far the wet layer settles above the room without heat, K.
        k_per_w_half: half the 95 % interval of ``k_per_w``, K/W; None where not known.
        load_half_k: the same of ``load_k``, K.
        mat_k_per_w: rise of the mat over the wet layer for each watt, K/W; None: of the nominal
            box.
        hours: how long it was learned from, h; None where that means nothing.
    """

    k_per_w: float
    basis: Basis
    load_k: float = 0.0
    k_per_w_half: float | None = None
    load_half_k: float = 0.0
    mat_k_per_w: float | None = None
    hours: float | None = None

    @property
    def measured(self) -> bool:
        """Whether it is about this box, and not about a calculated one."""
        return self.basis is not Basis.NOMINAL


@dataclass(frozen=True, slots=True)
class Learned:
    """What the running service has learned of a box: see ``protect.layer`` and ``protect.lead``.

    Attributes:
        full_power_rise_k: rise of the wet layer at full power, K; None before it is known.
        full_power_lead_k: rise of the mat over the wet layer at full power, K; None likewise.
        hours: how long the rise was learned from, h.
    """

    full_power_rise_k: float | None
    full_power_lead_k: float | None
    hours: float


LEARNED_FROM_H = 12.0
"""A rise that was learned for a shorter time is not used: it still moves (as ``ANCHOR_S``)."""


def lift_of(
    chamber: ChamberConfig,
    learned: Learned | None = None,
    *,
    k_per_w_half: float | None = None,
    load_half_k: float = 0.0,
) -> Lift:
    """How a box answers to heat: measured, identified, learned, or that of the nominal box.

    Args:
        chamber: its config.
        learned: what the running service has learned, or None.
        k_per_w_half: half the 95 % interval of the model's gain, K/W; None where not known.
        load_half_k: the same of its load, K.
    """
    heater, model = chamber.heater, chamber.model
    k_per_w = rise_k_per_w(heater, model)
    mat_k_per_w = hours = None
    if learned is not None and learned.full_power_lead_k is not None:
        mat_k_per_w = learned.full_power_lead_k / heater.watts
    if heater.full_power_rise_k is not None:
        return Lift(k_per_w, Basis.FULL_POWER, mat_k_per_w=mat_k_per_w)
    if model is not None:
        return Lift(
            k_per_w, Basis.MODEL, model.load_k, k_per_w_half, load_half_k, mat_k_per_w=mat_k_per_w
        )
    if (
        learned is not None
        and learned.full_power_rise_k is not None
        and learned.hours >= LEARNED_FROM_H
    ):
        k_per_w, hours = learned.full_power_rise_k / heater.watts, learned.hours
        return Lift(k_per_w, Basis.LEARNED, mat_k_per_w=mat_k_per_w, hours=hours)
    return Lift(k_per_w, Basis.NOMINAL, mat_k_per_w=mat_k_per_w)


def mat_k_per_w(lift: Lift) -> float:
    """Rise of the mat over the wet layer for each watt, K/W: learned, or of the nominal box."""
    if lift.mat_k_per_w is not None:
        return lift.mat_k_per_w
    return (MAT_RISE_PER_LAYER_RISE - 1.0) * lift.k_per_w


def ripple_k(chamber: ChamberConfig, duty: float) -> float:
    """Half the mat's swing about its mean within a window, K.

    In proportion to window and watts, and to d(1 - d) as for any switched first-order lag that is
    long beside the window; scaled from the nominal box (``MAT_RIPPLE_K`` at half power).

    Args:
        chamber: the box.
        duty: share of the time with heat on, 0...1.
    """
    heater = chamber.heater
    share = min(1.0, max(0.0, duty))
    size = heater.window / RIPPLE_WINDOW_S * heater.watts / NOMINAL_MAT_W
    return MAT_RIPPLE_K * size * 4.0 * share * (1.0 - share)


def mat_cap_c(chamber: ChamberConfig, duty: float) -> float | None:
    """Mean of the mat while the law holds its peaks below the limit, °C; None: it cannot know.

    A mat probe of ours or the keeper's tells; the peak is half a swing above the mean.

    Args:
        chamber: the box.
        duty: share of the time with heat on, 0...1.
    """
    if chamber.probes.mat is None and chamber.keeper.probe is None:
        return None
    return chamber.limits.mat_c - LIMIT_MARGIN_K - ripple_k(chamber, duty)


def mat_most_w(chamber: ChamberConfig, lift: Lift, layer_c: float) -> float:
    """Mean power at which the mat's peaks stay below where heat is held back, W; inf: no probe.

    Args:
        chamber: the box.
        lift: how it answers to heat.
        layer_c: wet layer, °C.
    """
    rated, lead_k_per_w = chamber.heater.watts, mat_k_per_w(lift)
    watts = rated
    for _ in range(24):
        cap_c = mat_cap_c(chamber, watts / rated)
        if cap_c is None:
            return math.inf
        watts += 0.5 * (min(rated, max(0.0, (cap_c - layer_c) / lead_k_per_w)) - watts)
    return watts
