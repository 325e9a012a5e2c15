"""Thermal model of a heated propagation box: what a rehearsal has instead of a real one.

Heat goes from the mat through the box base and the damp layer into bags or pots of medium, and
from there by the sides, the lid and the board under the mat to the room. One network of heat
capacities and conductances, finite volumes in height, linear on purpose: a step is exact for a
power and a room that stay put over it (zero-order hold by the matrix exponential), so its length
is no source of error. It knows no probe lag and no noise; those belong to the simulated drivers.

Temperatures are °C, power W, heat J. The room is the only boundary: bench, floor and air are
taken to be as warm as the room. Nobody has measured a real box against this model.
"""

import math
from dataclasses import dataclass, fields
from typing import Final, Literal, get_args

import numpy as np
import numpy.typing as npt
from scipy.linalg import expm

Array = npt.NDArray[np.float64]
Lid = Literal["on", "ajar", "off"]

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

_PLACES: Final = ("substrate", "callus", "mat", "room", "top")
_BOARD_CELLS: Final = 3
_CACHED_STEPS: Final = 16  # a run uses one or two step lengths; a fuzzer must not fill memory


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
    # Outer films, ISO 6946: a still room. A draughty shed has Rse 0.04 on all of them.
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

        Taken as constant, which holds to about a third while the box is kept warm. A cold box
        loses less than this says.
        """
        drop = saturated_humidity_ratio(22.0) - 0.45 * saturated_humidity_ratio(20.0)
        per_m2 = self.open_convection_w_per_m2k * EVAPORATION_J_PER_KG / AIR_J_PER_KGK * drop
        return self.wet_frac * self.floor_m2 * per_m2

    @property
    def medium_kg(self) -> float:
        """Mass of the medium in the box, kg."""
        return self.medium_kg_per_m3 * self.medium_m * self.fill_frac * self.floor_m2


NOMINAL: Final = Construction()


class _Network:
    """Capacities, conductances and outputs of one construction at one lid position.

    Nodes: mat, base, air above the medium, lid, bare upper wall, then the cells of the board, the
    layer and the medium, each from below upwards.
    """

    MAT, BASE, AIR, LID, WALL = range(5)

    def __init__(self, c: Construction, open_frac: float) -> None:
        self.board = slice(5, 5 + _BOARD_CELLS)
        self.layer = slice(self.board.stop, self.board.stop + c.layer_cells)
        self.medium = slice(self.layer.stop, self.layer.stop + c.medium_cells)
        self.size = self.medium.stop
        self.top_cell = self.size - 1
        self.capacity_j_per_k: Array = np.zeros(self.size)
        self.to_room_w_per_k: Array = np.zeros(self.size)
        self.sink_w: Array = np.zeros(self.size)
        self._links: Array = np.zeros((self.size, self.size))
        self._stack(c)
        self._sides(c)
        self._head(c, open_frac)

    def _link(self, one: int, other: int, w_per_k: float) -> None:
        self._links[one, other] += w_per_k
        self._links[other, one] += w_per_k

    def _column(self, cells: slice, depth_m: float, w_per_mk: float, area_m2: float) -> float:
        """Link the cells of one material; returns the resistance of half a cell, m²K/W."""
        cell_m = depth_m / (cells.stop - cells.start)
        for cell in range(cells.start, cells.stop - 1):
            self._link(cell, cell + 1, area_m2 * w_per_mk / cell_m)
        return 0.5 * cell_m / w_per_mk

    def _stack(self, c: Construction) -> None:
        """Board, mat, base, layer and medium, one on the other."""
        bag_m2 = c.floor_m2 * c.fill_frac
        self.capacity_j_per_k[self.MAT] = c.mat_j_per_m2k * c.mat_m2
        self.capacity_j_per_k[self.BASE] = c.wall_j_per_m3k * c.wall_m * c.floor_m2
        for cells, depth_m, j_per_m3k, area_m2 in (
            (self.board, c.board_m, c.board_j_per_m3k, c.mat_m2),
            (self.layer, c.layer_m, c.layer_j_per_m3k, c.floor_m2),
            (self.medium, c.medium_m, c.medium_j_per_m3k, bag_m2),
        ):
            cell_m = depth_m / (cells.stop - cells.start)
            self.capacity_j_per_k[cells] = j_per_m3k * cell_m * area_m2
        half_board = self._column(self.board, c.board_m, c.board_w_per_mk, c.mat_m2)
        half_layer = self._column(self.layer, c.layer_m, c.layer_w_per_mk, c.floor_m2)
        half_medium = self._column(self.medium, c.medium_m, c.medium_w_per_mk, bag_m2)
        self._link(self.board.stop - 1, self.MAT, c.mat_m2 / half_board)
        self.to_room_w_per_k[self.board.start] += c.mat_m2 / (half_board + c.board_outer_m2k_per_w)
        self._link(self.MAT, self.BASE, c.mat_m2 / c.mat_gap_m2k_per_w)
        base = c.wall_m / c.wall_w_per_mk
        self._link(self.BASE, self.layer.start, c.floor_m2 / (base + half_layer))
        below, above = 1.0 / half_layer, 1.0 / (c.contact_m2k_per_w + half_medium)
        self._link(self.layer.stop - 1, self.medium.start, bag_m2 * below * above / (below + above))
        self._outputs(c, below / (below + above))

    def _outputs(self, c: Construction, layer_share: float) -> None:
        """Rows that read the places: the probe lies on the layer, under a bag."""
        rows = np.zeros((len(_PLACES), self.size))
        rows[_PLACES.index("substrate"), self.layer.stop - 1] = layer_share
        rows[_PLACES.index("substrate"), self.medium.start] = 1.0 - layer_share
        at = c.callus_m / (c.medium_m / c.medium_cells) - 0.5
        cell = min(max(math.floor(at), 0), c.medium_cells - 2)
        rows[_PLACES.index("callus"), self.medium.start + cell] = 1.0 - (at - cell)
        rows[_PLACES.index("callus"), self.medium.start + cell + 1] = at - cell
        rows[_PLACES.index("mat"), self.MAT] = 1.0
        rows[_PLACES.index("top"), self.AIR] = 1.0
        self.rows = rows

    def _sides(self, c: Construction) -> None:
        """Layer and medium lose heat through the walls they touch.

        The path inside is from the mean temperature of a strip as wide as the box to its edge,
        a third of the half-width (parabolic profile).
        """
        wall = (c.wall_m, c.wall_w_per_mk)
        inner_m = c.width_m / 6.0
        for cells, depth_m, w_per_mk, cover, gap in (
            (self.layer, c.layer_m, c.layer_w_per_mk, 1.0, 0.0),
            (self.medium, c.medium_m, c.medium_w_per_mk, c.side_cover_frac, c.side_gap_m2k_per_w),
        ):
            u = plane_wall_u_w_per_m2k(
                wall,
                (inner_m, w_per_mk),
                inside_m2k_per_w=gap,
                outside_m2k_per_w=c.wall_outer_m2k_per_w,
            )
            cell_m2 = c.perimeter_m * depth_m / (cells.stop - cells.start) * cover
            self.to_room_w_per_k[cells] += u * cell_m2

    def _head(self, c: Construction, open_frac: float) -> None:
        """What is above the medium: air, bare wall, and the lid as far as it is on."""
        shut_frac = 1.0 - open_frac
        bag_m2 = c.floor_m2 * c.fill_frac
        head_m = c.height_m - c.layer_m - c.medium_m
        wall_m2 = c.perimeter_m * head_m
        film = c.convection_w_per_m2k
        self.capacity_j_per_k[self.AIR] = AIR_KG_PER_M3 * AIR_J_PER_KGK * c.floor_m2 * head_m
        self.capacity_j_per_k[self.LID] = c.wall_j_per_m3k * c.wall_m * c.floor_m2
        self.capacity_j_per_k[self.WALL] = c.wall_j_per_m3k * c.wall_m * wall_m2
        sheet = c.wall_m / c.wall_w_per_mk
        self.to_room_w_per_k[self.WALL] += wall_m2 / (sheet + c.wall_outer_m2k_per_w)
        # A lid put aside loses by both faces, so that it soon is as warm as the room.
        lid = c.floor_m2 / (sheet + c.lid_outer_m2k_per_w)
        self.to_room_w_per_k[self.LID] += lid * (1.0 + open_frac)
        self._link(self.AIR, self.WALL, wall_m2 * film)
        self._link(self.AIR, self.LID, c.floor_m2 * film * shut_frac)
        self._link(self.layer.stop - 1, self.AIR, (c.floor_m2 - bag_m2) * c.shaft_w_per_m2k)
        # The top cell stands for its own middle; half of it lies between there and the surface.
        half_medium = 0.5 * c.medium_m / c.medium_cells / c.medium_w_per_mk

        def surface(w_per_m2k: float) -> float:
            return bag_m2 / (half_medium + 1.0 / w_per_m2k) if w_per_m2k > 0.0 else 0.0

        to_lid = c.radiation_w_per_m2k * c.lid_view_frac
        to_wall = c.radiation_w_per_m2k * (1.0 - c.lid_view_frac)
        vapour = c.wet_frac * c.latent_w_per_m2k * shut_frac
        convection = film * shut_frac + c.open_convection_w_per_m2k * open_frac
        self._link(self.top_cell, self.AIR, surface(convection))
        self._link(self.top_cell, self.WALL, surface(to_wall))
        self._link(self.top_cell, self.LID, surface(to_lid * shut_frac + vapour))
        self.to_room_w_per_k[self.top_cell] += surface(to_lid * open_frac)
        self.to_room_w_per_k[self.AIR] += c.floor_m2 * c.open_exchange_w_per_m2k * open_frac
        self.sink_w[self.top_cell] = c.evaporation_w * open_frac

    def balance_w_per_k(self) -> Array:
        """Heat flow into each node per kelvin of each node, W/K, shape (size, size)."""
        links: Array = self._links
        return links - np.diag(links.sum(axis=1) + self.to_room_w_per_k)

    def inputs_w(self) -> Array:
        """Heat flow into each node per W of heater, K of room, W of sun, and 1; (size, 4)."""
        columns = np.zeros((self.size, 4))
        columns[self.MAT, 0] = 1.0
        columns[:, 1] = self.to_room_w_per_k
        columns[self.top_cell, 2] = 1.0
        columns[:, 3] = -self.sink_w
        return columns

    def step(self, seconds: float) -> Array:
        """Exact step matrix for held inputs, shape (size, size + 4)."""
        full = np.zeros((self.size + 4, self.size + 4))
        full[: self.size, : self.size] = self.balance_w_per_k()
        full[: self.size, self.size :] = self.inputs_w()
        full[: self.size] *= seconds / self.capacity_j_per_k[:, None]
        return np.ascontiguousarray(expm(full)[: self.size])


class Chamber:
    """One box with its temperatures, moved on by `advance`.

    The first `advance` tells it the room it starts from: the whole box is as warm as that room.
    """

    def __init__(self, construction: Construction = NOMINAL) -> None:
        self.construction = construction
        self._lid: Lid = "on"
        self._net = _Network(construction, 0.0)
        # Node temperatures, then heater W, room °C, sun W and the constant 1 of the sinks.
        self._state: Array = np.zeros(self._net.size + 4)
        self._state[-1] = 1.0
        self._next: Array = np.zeros(self._net.size)
        self._steps: dict[float, Array] = {}
        self._started = False

    @property
    def lid(self) -> Lid:
        """How the lid lies: "on", "ajar" or "off"."""
        return self._lid

    def advance(self, seconds: float, heater_watts: float, room_c: float) -> None:
        """Let time pass with the heater power and the room held. Exact for any length of step.

        Args:
            seconds: length of the step, s, 0 or more.
            heater_watts: power of the mat over the step, W, 0 or more.
            room_c: room temperature over the step, °C.

        Raises:
            ValueError: an argument is not finite, negative, or a room below absolute zero.
        """
        if not (
            0.0 <= seconds < math.inf
            and 0.0 <= heater_watts < math.inf
            and ABSOLUTE_ZERO_C <= room_c < math.inf
        ):
            raise ValueError(
                "a chamber cannot advance by "
                f"{seconds} s with {heater_watts} W in a room of {room_c} °C; "
                "give finite numbers, seconds and watts not below 0"
            )
        state, size = self._state, self._net.size
        if not self._started:
            state[:size] = room_c
            self._started = True
        state[size] = heater_watts
        state[size + 1] = room_c
        matrix = self._steps.get(seconds)
        if matrix is None:
            matrix = self._remember(seconds)
        np.dot(matrix, state, out=self._next)
        state[:size] = self._next

    def temperature(self, place: str) -> float:
        """Read the true temperature of a place, °C.

        Args:
            place: "substrate" (on the wet layer, under a bag), "callus" (in the medium at the base
                of the cuttings), "mat", "room" or "top" (the air at bud height).

        Raises:
            ValueError: no such place, or the chamber has not been told its room yet.
        """
        row = self._row(place)
        self._require_start("has no temperature")
        if place == "room":
            return float(self._state[self._net.size + 1])
        return float(self._net.rows[row] @ self._state[: self._net.size])

    def settled(self, place: str, heater_watts: float, room_c: float) -> float:
        """Work out where a place settles with this lid and sun if nothing changes, °C.

        Args:
            place: as for `temperature`.
            heater_watts: steady mean power of the mat, W, 0 or more.
            room_c: steady room temperature, °C.

        Raises:
            ValueError: no such place, or an argument is not finite, negative, too cold.
        """
        row = self._row(place)
        _check("heater_watts", heater_watts, 0.0)
        _check("room_c", room_c, ABSOLUTE_ZERO_C)
        if place == "room":
            return room_c
        drive = np.array([heater_watts, room_c, self._state[-2], 1.0])
        nodes = np.linalg.solve(self._net.balance_w_per_k(), -self._net.inputs_w() @ drive)
        return float(self._net.rows[row] @ nodes)

    def heat_content_j(self) -> float:
        """Sum the heat stored in the box above 0 °C, J.

        Raises:
            ValueError: the chamber has not been told its room yet.
        """
        self._require_start("holds no known heat")
        return float(self._net.capacity_j_per_k @ self._state[: self._net.size])

    def heat_loss_watts(self) -> float:
        """Sum the heat that leaves the box now, W: to the room, and by evaporation.

        Raises:
            ValueError: the chamber has not been told its room yet.
        """
        self._require_start("has no known heat loss")
        size = self._net.size
        above_room_k = self._state[:size] - self._state[size + 1]
        return float(self._net.to_room_w_per_k @ above_room_k + self._net.sink_w.sum())

    def open_lid(self, state: Lid) -> None:
        """Lay the lid on, ajar or off. Temperatures stay, the ways of losing heat change.

        Off: the medium loses to the room itself and evaporation takes `Construction.evaporation_w`
        from its surface. Ajar: the share `Construction.ajar_frac` of that.

        Raises:
            ValueError: not "on", "ajar" or "off".
        """
        if state not in get_args(Lid):
            raise ValueError(f'a lid cannot be {state!r}; say "on", "ajar" or "off"')
        open_frac = {"on": 0.0, "ajar": self.construction.ajar_frac, "off": 1.0}[state]
        self._lid = state
        self._net = _Network(self.construction, open_frac)
        self._steps.clear()

    def set_sun(self, watts: float) -> None:
        """Let sun or a lamp heat the surface of the medium from now on, W absorbed; 0 ends it.

        Raises:
            ValueError: not finite or negative.
        """
        _check("watts", watts, 0.0)
        self._state[-2] = watts

    def add_water(self, litres: float, celsius: float) -> None:
        """Water the wet layer, at once and evenly.

        The layer already holds what it can: the water mixes with each cell, and as much as went in
        drains away as warm as the mix. What drains takes the difference of heat along.

        Raises:
            ValueError: negative or not finite, water not between 0 and 100 °C, or not started.
        """
        _check("litres", litres, 0.0)
        _check("celsius", celsius, 0.0, 100.0)
        self._require_start("cannot be watered")
        cells = self._state[self._net.layer]  # a view
        held = self._net.capacity_j_per_k[self._net.layer]
        poured = litres * WATER_KG_PER_LITRE * WATER_J_PER_KGK / cells.size
        cells += poured / (held + poured) * (celsius - cells)

    def place_bags(self, mass_kg: float, celsius: float) -> None:
        """Put bags of medium of another temperature where as many came out.

        The model has one column of medium, so the new bags count as mixed in at every height.

        Raises:
            ValueError: negative or not finite, more than the box holds, or not started.
        """
        _check("mass_kg", mass_kg, 0.0, self.construction.medium_kg)
        _check("celsius", celsius, ABSOLUTE_ZERO_C)
        self._require_start("cannot take bags")
        cells = self._state[self._net.medium]  # a view
        cells += mass_kg / self.construction.medium_kg * (celsius - cells)

    def _remember(self, seconds: float) -> Array:
        if len(self._steps) >= _CACHED_STEPS:
            self._steps.pop(next(iter(self._steps)))
        matrix = self._steps[seconds] = self._net.step(seconds)
        return matrix

    def _row(self, place: str) -> int:
        if place not in _PLACES:
            raise ValueError(f"a chamber has no place {place!r}; ask for {', '.join(_PLACES)}")
        return _PLACES.index(place)

    def _require_start(self, cannot: str) -> None:
        if not self._started:
            raise ValueError(f"a chamber {cannot} before its first advance; tell it its room first")


def _check(name: str, value: float, low: float, high: float = math.inf) -> None:
    if not (math.isfinite(value) and low <= value <= high):
        until = f" to {high:g}" if high < math.inf else " or more"
        raise ValueError(f"{name} is {value}; give a finite number, {low:g}{until}")
