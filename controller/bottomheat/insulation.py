"""What foam does to a box: heat loss before and after, on the calculated box.  Analysis only.

Thermal resistances by ISO 6946 (a layer's thickness over its conductivity, in series with the
surface resistances) in the network of ``chamber``, lid on.  The box is the built-in one, 600 × 400
× 400 mm; nobody has measured a real box against it, and a box of another shape gains a little
more or less, so a share of the loss is what can be told and no watt.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from bottomheat.chamber import Chamber
from bottomheat.construction import NOMINAL, Construction

FOAM_W_PER_MK = 0.035
"""Foam board: EN 13164 declares 0.031-0.035 W/(m·K) for XPS; the worse end."""

CARD_M, CARD_W_PER_MK = 0.004, 0.065
"""What "nothing under the mat" is taken as: card of 4 mm (ASHRAE laminated paperboard, about)."""

THICKNESSES_MM = (10, 20, 30, 50)


@dataclass(frozen=True, slots=True)
class Measure:
    """Something to do, and what is left of the heat that the box loses at the same wet layer.

    Attributes:
        under_mm: foam under the mat, mm; 0: nothing but card.
        round_mm: foam round the sides and on the lid, mm; 0: none.
        loss_share: loss after over loss before, 0...1.
    """

    under_mm: int
    round_mm: int
    loss_share: float


def lift_k_per_w(under_mm: int, round_mm: int) -> float:
    """How far a watt lifts the wet layer of the calculated box, K/W.

    Args:
        under_mm: foam under the mat, mm; 0: card.
        round_mm: foam round the sides and on the lid, mm.
    """
    return Chamber(_box(under_mm, round_mm)).settled("substrate", 1.0, 0.0)


def _box(under_mm: int, round_mm: int) -> Construction:
    foam_m2k_per_w = round_mm / 1000.0 / FOAM_W_PER_MK
    under = (under_mm / 1000.0, FOAM_W_PER_MK) if under_mm else (CARD_M, CARD_W_PER_MK)
    return replace(
        NOMINAL,
        board_m=under[0],
        board_w_per_mk=under[1],
        wall_outer_m2k_per_w=NOMINAL.wall_outer_m2k_per_w + foam_m2k_per_w,
        lid_outer_m2k_per_w=NOMINAL.lid_outer_m2k_per_w + foam_m2k_per_w,
    )


def measures(under_now_mm: int = 0) -> tuple[Measure, ...]:
    """What each thickness does, under the mat first, then round it as well; each better.

    Args:
        under_now_mm: foam that lies under the mat already, mm.
    """
    before = lift_k_per_w(under_now_mm, 0)
    steps = [(mm, 0) for mm in THICKNESSES_MM if mm > under_now_mm]
    best_mm = max(under_now_mm, 30)
    steps += [(max(best_mm, mm), mm) for mm in THICKNESSES_MM]
    found = [
        Measure(under, around, before / lift_k_per_w(under, around)) for under, around in steps
    ]
    return tuple(sorted(found, key=lambda each: -each.loss_share))


def least(found: Sequence[Measure], loss_share: float) -> Measure | None:
    """The smallest measure that leaves no more than that share of the loss; None: none does.

    Args:
        found: as from ``measures``.
        loss_share: what may be left, above 0.
    """
    return next((each for each in found if each.loss_share <= loss_share), None)
