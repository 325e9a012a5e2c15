"""What a box is made of: sizes, handbook properties and the formulas that need only those."""

import math
from dataclasses import dataclass, fields
from typing import Final

# Surface resistances, ISO 6946:2017 (values read in a secondary table; Rse from memory).
RSI_UP_M2K_PER_W: Final = 0.10
RSI_HORIZONTAL_M2K_PER_W: Final = 0.13
RSI_DOWN_M2K_PER_W: Final = 0.17
RSE_M2K_PER_W: Final = 0.04

# Water: EN 12524; density at 20 °C. Air at 20 °C, heat of evaporation: ASHRAE Fundamentals.
WATER_J_PER_KGK: Final = 4190.0
WATER_KG_PER_LITRE: Final = 0.998
AIR_KG_PER_M3: Final = 1.20
AIR_J_PER_KGK: Final = 1006.0
EVAPORATION_J_PER_KG: Final = 2.454e6
ABSOLUTE_ZERO_C: Final = -273.15


def plane_wall_u_w_per_m2k(
    *layers: tuple[float, float],
    inside_m2k_per_w: float = 0.0,
    outside_m2k_per_w: float = 0.0,
) -> float:
    """Work out the transmittance of a plane wall, W/(m²·K), by ISO 6946.

    Args:
        layers: thickness in m and conductivity in W/(m·K) of each layer.
        inside_m2k_per_w: surface resistance of the inner face; 0 for none.
        outside_m2k_per_w: surface resistance of the outer face; 0 for none.
    """
    resistance = inside_m2k_per_w + outside_m2k_per_w
    return 1.0 / (resistance + sum(thick_m / conductivity for thick_m, conductivity in layers))


def saturated_humidity_ratio(air_c: float) -> float:
    """Work out kg of water vapour per kg of dry air at saturation, 101325 Pa.

    Magnus form with the coefficients of Alduchov & Eskridge 1996; good to 0.3 % from 0 to 40 °C.
    """
    vapour_pa = 610.94 * math.exp(17.625 * air_c / (air_c + 243.04))
    return 0.622 * vapour_pa / (101325.0 - vapour_pa)


@dataclass(frozen=True, slots=True, kw_only=True)
class Construction:
    """What a box is made of and how it is filled. The defaults are the nominal box.

    A plastic box of 600 × 400 × 400 mm on a mat and an insulating board, 25 mm of damp vermiculite
    in it, bags of damp peat and perlite on that, a lid on top. Each value says where it comes
    from; "judgement" is ours.

    Raises:
        ValueError: a value is not finite, not positive, or the pieces do not fit together.
    """

    # Box: judgement. Polypropylene 2 mm: 910 kg/m³, 0.22 W/(m·K), 1800 J/(kg·K), EN 12524.
    length_m: float = 0.60
    width_m: float = 0.40
    height_m: float = 0.40
    wall_m: float = 0.002
    wall_w_per_mk: float = 0.22
    wall_j_per_m3k: float = 910.0 * 1800.0
    # Mat under most of the base, 3 kg/m² at 1200 J/(kg·K): judgement.
    mat_m2: float = 0.225
    mat_j_per_m2k: float = 3600.0
    # 1 mm of air between mat and box, radiation included (0.025 W/(m·K) beside 5 W/(m²·K)).
    mat_gap_m2k_per_w: float = 0.033
    # XPS board: EN 13164 declares 0.031–0.035; 1470 J/(kg·K) ASHRAE; 33 kg/m³ judgement.
    board_m: float = 0.030
    board_w_per_mk: float = 0.035
    board_j_per_m3k: float = 33.0 * 1470.0
    # Damp vermiculite. Judgement, between dry 0.063–0.068 W/(m·K) (ASHRAE loose fill) and soaked.
    layer_m: float = 0.025
    layer_w_per_mk: float = 0.17
    layer_j_per_m3k: float = 1.1e6
    # Share of the floor that bags or pots cover, and the contact under them: judgement.
    fill_frac: float = 0.78
    contact_m2k_per_w: float = 0.025
    # Damp peat and perlite: 0.22–0.50 W/(m·K) from Heiskanen 2000 (Suo 51) and a water fraction
    # near a half; density judgement.
    medium_m: float = 0.100
    medium_w_per_mk: float = 0.36
    medium_j_per_m3k: float = 2.2e6
    medium_kg_per_m3: float = 740.0
    # Base of the cuttings above the foot of the bag: judgement.
    callus_m: float = 0.025
    # Share of the walls that bags touch, and the air gap there (ISO 6946, unventilated 7 mm,
    # from memory).
    side_cover_frac: float = 0.70
    side_gap_m2k_per_w: float = 0.13
    # Films inside: convection in a closed box, radiation at 20 °C and emissivity 0.9 (4·ε·σ·T³),
    # share of radiation that meets the lid rather than the wall, wet share of the top: judgement.
    convection_w_per_m2k: float = 2.8
    radiation_w_per_m2k: float = 5.1
    lid_view_frac: float = 0.40
    wet_frac: float = 0.50
    # Between the bags the layer looks up a narrow shaft: judgement.
    shaft_w_per_m2k: float = 6.0
    # Lid off: convection over a box open to the room, and air going in and out: judgement.
    open_convection_w_per_m2k: float = 3.0
    open_exchange_w_per_m2k: float = 6.0
    # Lid ajar counts as this share of an open one: judgement.
    ajar_frac: float = 0.25
    # Outer films, ISO 6946: a still room.
    lid_outer_m2k_per_w: float = RSI_UP_M2K_PER_W
    wall_outer_m2k_per_w: float = RSI_HORIZONTAL_M2K_PER_W
    board_outer_m2k_per_w: float = RSI_DOWN_M2K_PER_W
    # Cells in height. Fewer than ten in the layer lose the dead time of the probe.
    layer_cells: int = 12
    medium_cells: int = 22

    def __post_init__(self) -> None:
        for field in fields(self):
            value = getattr(self, field.name)
            if not (math.isfinite(value) and value > 0):
                raise ValueError(
                    f"{field.name} of a construction is {value}; give a finite number above 0"
                )
            if field.name.endswith("_frac") and value > 1:
                raise ValueError(f"{field.name} of a construction is {value}; give 1 at most")
        if self.layer_cells < 10 or self.medium_cells < 8:
            raise ValueError("a construction needs 10 cells in the layer and 8 in the medium")
        if self.layer_m + self.medium_m >= self.height_m:
            raise ValueError("layer and medium fill the box to the lid; make height_m larger")
        if self.callus_m >= self.medium_m:
            raise ValueError("callus_m lies above the medium; make it less than medium_m")
        if self.mat_m2 > self.length_m * self.width_m:
            raise ValueError("the mat is larger than the base of the box; make mat_m2 smaller")

    @property
    def floor_m2(self) -> float:
        """Area of the base, m²."""
        return self.length_m * self.width_m

    @property
    def perimeter_m(self) -> float:
        """Length of the four walls, m."""
        return 2.0 * (self.length_m + self.width_m)

    @property
    def latent_w_per_m2k(self) -> float:
        """Heat that vapour carries between wet faces in the closed box, W/(m²·K), at 21 °C.

        Lewis relation with Lewis number 1: mass transfer is convection over the heat of air.
        """
        slope_per_k = saturated_humidity_ratio(21.5) - saturated_humidity_ratio(20.5)
        return self.convection_w_per_m2k * EVAPORATION_J_PER_KG / AIR_J_PER_KGK * slope_per_k

    @property
    def evaporation_w(self) -> float:
        """Heat that evaporation takes from the open box, W: a top at 22 °C, a room at 20 °C, 45 %.

        Taken as constant, whatever the box and the room do. In a shed at 5 °C with the top at
        12 °C, relative humidity as before, it would be about 0.6 of this; from an unheated box
        less still.
        """
        drop = saturated_humidity_ratio(22.0) - 0.45 * saturated_humidity_ratio(20.0)
        per_m2 = self.open_convection_w_per_m2k * EVAPORATION_J_PER_KG / AIR_J_PER_KGK * drop
        return self.wet_frac * self.floor_m2 * per_m2

    @property
    def medium_kg(self) -> float:
        """Mass of the medium in the box, kg."""
        return self.medium_kg_per_m3 * self.medium_m * self.fill_frac * self.floor_m2


NOMINAL: Final = Construction()
# The nominal box in a draught: wind at the outer faces instead of still air.
DRAUGHTY: Final = Construction(
    lid_outer_m2k_per_w=RSE_M2K_PER_W,
    wall_outer_m2k_per_w=RSE_M2K_PER_W,
    board_outer_m2k_per_w=RSE_M2K_PER_W,
)
