"""Heat-loss sums against ISO 6946 worked by hand and against the package ``ht``.

``ht`` (ChEDL) carries conductivities of DIN EN 12524 and of the ASHRAE Handbook of Fundamentals,
and a function for the resistance of a plane layer; both were written by others.
"""

from __future__ import annotations

from typing import Any

import ht
import pytest
from ht.conduction import k_to_R

from bottomheat.chamber import Chamber
from bottomheat.construction import (
    NOMINAL,
    RSE_M2K_PER_W,
    RSI_DOWN_M2K_PER_W,
    RSI_HORIZONTAL_M2K_PER_W,
    RSI_UP_M2K_PER_W,
    plane_wall_u_w_per_m2k,
)
from bottomheat.insulation import CARD_M, CARD_W_PER_MK, FOAM_W_PER_MK, lift_k_per_w, measures


def test_conductivities_are_those_of_the_tables():
    """EN 12524: polypropylene 0.22; ASHRAE: laminated paperboard 0.072, extruded foam 0.026."""
    assert ht.k_material("Plastics, polypropylene") == pytest.approx(NOMINAL.wall_w_per_mk)
    card = ht.k_material("Vegetable fiber board, Laminated paperboard")
    assert pytest.approx(card, abs=0.01) == CARD_W_PER_MK
    foam = ht.k_material("Expanded polystyrene, extruded")
    assert foam < FOAM_W_PER_MK <= 0.035  # EN 13164 declares 0.031-0.035; aged foam is worse


@pytest.mark.parametrize("millimetres", [10, 20, 30, 50])
def test_resistance_of_a_layer_is_that_of_the_package(millimetres):
    thick_m = millimetres / 1000.0
    ours = 1.0 / plane_wall_u_w_per_m2k((thick_m, FOAM_W_PER_MK))
    assert ours == pytest.approx(k_to_R(FOAM_W_PER_MK, thick_m))


def test_transmittance_of_a_board_under_the_mat_by_hand():
    """ISO 6946: U = 1/(0.030/0.035 + 0.17) = 0.973574 W/(m²·K); card of 4 mm: 4.3189."""
    foam = plane_wall_u_w_per_m2k((0.030, 0.035), outside_m2k_per_w=RSI_DOWN_M2K_PER_W)
    card = plane_wall_u_w_per_m2k((CARD_M, CARD_W_PER_MK), outside_m2k_per_w=RSI_DOWN_M2K_PER_W)
    assert foam == pytest.approx(0.973574, abs=1e-6)
    assert card == pytest.approx(4.318937, abs=1e-6)


def test_surface_resistances_are_the_conventional_ones():
    """ISO 6946:2017, table 7: 0.10 up, 0.13 horizontal, 0.17 down, 0.04 outside."""
    assert (RSI_UP_M2K_PER_W, RSI_HORIZONTAL_M2K_PER_W, RSI_DOWN_M2K_PER_W, RSE_M2K_PER_W) == (
        0.10,
        0.13,
        0.17,
        0.04,
    )


def _below_w(chamber: Chamber, under: tuple[float, float], room_c: float, mat_c: float) -> float:
    """Loss through the board by ISO 6946, with the layer's resistance from the package, W."""
    thick_m, w_per_mk = under
    resistance = k_to_R(w_per_mk, thick_m) + RSI_DOWN_M2K_PER_W
    return float(chamber.construction.mat_m2 * (mat_c - room_c) / resistance)


@pytest.mark.parametrize("room_c", [-5.0, 5.0, 15.0])
def test_what_goes_down_is_the_plane_wall_between_mat_and_room(room_c):
    """A box balances: power less what goes down by ISO 6946 is what goes up, room by room.

    What goes up is a fixed number of W for each kelvin of the wet layer above the room, whatever
    lies under the mat: so two boxes that differ in the board alone have to agree on it.
    """
    ups = []
    from bottomheat.insulation import _box

    for under_mm, board in ((0, (CARD_M, CARD_W_PER_MK)), (30, (0.030, FOAM_W_PER_MK))):
        chamber = Chamber(_box(under_mm, 0))
        watts = 40.0
        mat_c = chamber.settled("mat", watts, room_c)
        layer_c = chamber.settled("substrate", watts, room_c)
        up_w = watts - _below_w(chamber, board, room_c, mat_c)
        ups.append(up_w / (layer_c - room_c))
    assert ups[0] == pytest.approx(ups[1], rel=1e-6)


def test_shares_of_the_loss_from_the_plane_walls_alone():
    """Under the mat: 1 + (mat lead)·U·A over what goes up, from two boards, gives the third."""

    def loss(under_mm: int) -> float:
        return 1.0 / lift_k_per_w(under_mm, 0)

    def u_below(under_mm: int) -> float:
        return NOMINAL.mat_m2 / (k_to_R(FOAM_W_PER_MK, under_mm / 1000.0) + RSI_DOWN_M2K_PER_W)

    # Loss for each kelvin of the layer is a straight line in the conductance of what lies below.
    slope = (loss(10) - loss(50)) / (u_below(10) - u_below(50))
    told = loss(50) + slope * (u_below(30) - u_below(50))
    assert loss(30) == pytest.approx(told, rel=1e-6)


def test_the_published_statement_that_a_sheet_halves_the_power():
    """Second model, calculated: 0.357 K/W on card and 0.712 on 30 mm of foam: half of the loss."""
    half: Any = next(each for each in measures() if (each.under_mm, each.round_mm) == (30, 0))
    assert half.loss_share == pytest.approx(0.357 / 0.712, abs=0.03)
