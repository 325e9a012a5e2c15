"""Thermal model of a heated propagation box: what a rehearsal has instead of a real one.

Heat goes from the mat through the box base and the damp layer into bags or pots of medium, and
from there by the sides, the lid and the board under the mat to the room. One network of heat
capacities and conductances, finite volumes in height, linear on purpose: a step is exact for a
power and a room that stay put over it (zero-order hold by the matrix exponential), so its length
is no source of error. It knows no probe lag and no noise; those belong to the simulated drivers.

Temperatures are °C, power W, heat J. The room is the only boundary: bench, floor and air are
taken to be as warm as the room. Nobody has measured a real box against this model.
"""

import copy
import math
from typing import Any, Final, Literal, Self, get_args

import numpy as np
import numpy.typing as npt
from scipy.linalg import expm

from bottomheat.construction import (
    ABSOLUTE_ZERO_C,
    AIR_J_PER_KGK,
    AIR_KG_PER_M3,
    NOMINAL,
    WATER_J_PER_KGK,
    WATER_KG_PER_LITRE,
    Construction,
    plane_wall_u_w_per_m2k,
)

__all__ = ["NOMINAL", "Chamber", "Construction", "Lid"]

Array = npt.NDArray[np.float64]
Lid = Literal["on", "ajar", "off"]

_PLACES: Final = ("substrate", "callus", "mat", "room", "top")
_BOARD_CELLS: Final = 3
_CACHED_STEPS: Final = 16  # a run uses one or two step lengths; a fuzzer must not fill memory


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
        cell_m: float = depth_m / (cells.stop - cells.start)
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

    def __deepcopy__(self, memo: dict[int, Any]) -> Self:
        """Copy the temperatures; networks and step matrices never change, so they are shared."""
        twin = copy.copy(self)
        memo[id(self)] = twin
        twin.__dict__.update(
            _state=self._state.copy(), _next=self._next.copy(), _steps=dict(self._steps)
        )
        return twin

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
