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
        mat_k_per_w_half: half the 95 % interval of that, K/W; None where not known.
        mat_swing_k_per_w: the mat's peaks over its mean at half power in windows of ten minutes,
            for each rated watt, K/W; None: of the nominal box.
        hours: how long it was learned from, h; None where that means nothing.
    """

    k_per_w: float
    basis: Basis
    load_k: float = 0.0
    k_per_w_half: float | None = None
    load_half_k: float = 0.0
    mat_k_per_w: float | None = None
    mat_k_per_w_half: float | None = None
    mat_swing_k_per_w: float | None = None
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

    Of the mat, what was identified counts before what the service has learned, as it does of the
    wet layer: on 36 simulated boxes, five days of log each, the mat at 70 % of its power is 0.05 K
    off with the one and 0.14 K with the other (median; 90th percentile 0.23 and 0.35).

    Args:
        chamber: its config.
        learned: what the running service has learned, or None.
        k_per_w_half: half the 95 % interval of the model's gain, K/W; None: as the config has it.
        load_half_k: the same of its load, K.
    """
    heater, model = chamber.heater, chamber.model
    k_per_w = rise_k_per_w(heater, model)
    long = learned is not None and learned.hours >= LEARNED_FROM_H
    mat = _Mat()
    if model is not None and model.mat_gain_k_per_w is not None:
        half = _half(model.mat_gain_uncertainty_k_per_w)
        mat = _Mat(model.mat_gain_k_per_w, half, model.mat_swing_k_per_w)
    elif learned is not None and long and learned.full_power_lead_k is not None:
        mat = _Mat(learned.full_power_lead_k / heater.watts)
    basis, load_k, hours = Basis.NOMINAL, 0.0, None
    half_k_per_w, half_k = None, 0.0
    if heater.full_power_rise_k is not None:
        basis = Basis.FULL_POWER
    elif model is not None:
        basis, load_k = Basis.MODEL, model.load_k
        half_k_per_w = k_per_w_half or _half(model.gain_uncertainty_k_per_w)
        half_k = load_half_k or _half(model.load_uncertainty_k) or 0.0
    elif learned is not None and long and learned.full_power_rise_k is not None:
        basis, hours = Basis.LEARNED, learned.hours
        k_per_w = learned.full_power_rise_k / heater.watts
    return Lift(
        k_per_w,
        basis,
        load_k,
        half_k_per_w,
        half_k,
        mat_k_per_w=mat.k_per_w,
        mat_k_per_w_half=mat.half_k_per_w,
        mat_swing_k_per_w=mat.swing_k_per_w,
        hours=hours,
    )


@dataclass(frozen=True, slots=True)
class _Mat:
    k_per_w: float | None = None
    half_k_per_w: float | None = None
    swing_k_per_w: float | None = None


def _half(uncertainty: float | None) -> float | None:
    """Half of a 95 % interval from a standard uncertainty (k = 1)."""
    return None if uncertainty is None else 1.96 * uncertainty


def mat_k_per_w(lift: Lift) -> float:
    """Rise of the mat over the wet layer for each watt, K/W: known, or of the nominal box."""
    if lift.mat_k_per_w is not None:
        return lift.mat_k_per_w
    return (MAT_RISE_PER_LAYER_RISE - 1.0) * lift.k_per_w


def ripple_k(chamber: ChamberConfig, duty: float, swing_k_per_w: float | None = None) -> float:
    """How far the mat's peaks lie above its mean within a window, K.

    In proportion to window and watts, and to d(1 - d) as for any switched first-order lag that is
    long beside the window.

    Args:
        chamber: the box.
        duty: share of the time with heat on, 0...1.
        swing_k_per_w: at half power in windows of ten minutes, for each rated watt, K/W; None: of
            the nominal box (``MAT_RIPPLE_K``).
    """
    heater = chamber.heater
    share = min(1.0, max(0.0, duty))
    per_w = MAT_RIPPLE_K / NOMINAL_MAT_W if swing_k_per_w is None else swing_k_per_w
    size = heater.window / RIPPLE_WINDOW_S * heater.watts
    return per_w * size * 4.0 * share * (1.0 - share)


def mat_cap_c(
    chamber: ChamberConfig, duty: float, swing_k_per_w: float | None = None
) -> float | None:
    """Mean of the mat while the law holds its peaks below the limit, °C; None: it cannot know.

    A mat probe of ours or the keeper's tells.

    Args:
        chamber: the box.
        duty: share of the time with heat on, 0...1.
        swing_k_per_w: as in ``ripple_k``.
    """
    if chamber.probes.mat is None and chamber.keeper.probe is None:
        return None
    return chamber.limits.mat_c - LIMIT_MARGIN_K - ripple_k(chamber, duty, swing_k_per_w)


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
        cap_c = mat_cap_c(chamber, watts / rated, lift.mat_swing_k_per_w)
        if cap_c is None:
            return math.inf
        watts += 0.5 * (min(rated, max(0.0, (cap_c - layer_c) / lead_k_per_w)) - watts)
    return watts
