"""Named test chambers: boxes of other make than the shipped model, for `--chamber FILE:NAME`.

A second model, written apart from the one that ships, so that the controller is never tried on the
assumptions it was built with. Differences: the enclosure (lid, bare wall and air) is one node, the
board under the mat stores nothing, side losses are one figure per wall area, and time is advanced
in the modes of the symmetric heat balance (eigenvalues), not by a matrix exponential. Exact for a
power and a room held over the step.

Property values: polypropylene EN 12524; damp vermiculite between ASHRAE's dry value and a soaked
one (judgement); peat and sand from Heiskanen 2000 (Suo 51); card ASHRAE laminated paperboard;
surface resistances ISO 6946; sizes, contacts, side losses, densities and all about the open lid
judgement. No box was measured.

What may be done to a box has the same meaning as with the shipped model: `open_lid`, `set_sun`,
`add_water`, `place_bags`.

Each class works out its own truth: `factor()`, `rise(place)`, `lags()`.
"""

import copy
import math
from functools import cache
from typing import NamedTuple

import numpy as np
from scipy.optimize import least_squares

PLACES = ("substrate", "callus", "mat", "room", "top")


class Lags(NamedTuple):
    """Lags fitted to the step response.

    Substrate: gain·[(1 − q)(1 − e^(−t/slow)) + q(1 − e^(−t/quick))] after a dead time.
    Callus: one lag after a dead time.
    """

    substrate_slow_s: float
    substrate_quick_s: float
    substrate_quick_share: float
    substrate_dead_s: float
    callus_lag_s: float
    callus_dead_s: float


class DeepBox:
    """Full box of deep pots, lid on, 30 mm of XPS under the mat."""

    length_m, width_m, height_m = 0.60, 0.40, 0.40
    wall_m, wall_w_per_mk, wall_j_per_m3k = 0.002, 0.22, 910.0 * 1800.0
    mat_m2, mat_j_per_m2k, mat_gap_m2k_per_w = 0.24, 3.0 * 1200.0, 0.032
    under_m, under_w_per_mk = 0.030, 0.035
    layer_m, layer_w_per_mk, layer_j_per_m3k, layer_cells = 0.025, 0.16, 1.1e6, 10
    medium_m, medium_w_per_mk, medium_j_per_m3k, medium_cells = 0.12, 0.35, 2.3e6, 24
    callus_m = 0.025
    fill_frac, side_cover_frac = 0.75, 0.70
    contact_m2k_per_w, layer_gap_m2k_per_w = 0.035, 0.15
    side_w_per_m2k = 2.0
    radiation_w_per_m2k, convection_w_per_m2k, wet_frac = 5.1, 2.3, 0.5
    shade_frac = 0.6
    up_m2k_per_w, across_m2k_per_w, down_m2k_per_w = 0.10, 0.13, 0.17
    jacket_m2k_per_w = 0.0
    medium_kg_per_m3 = 750.0
    # Lid off: the enclosure loses to the room by moving air, and the wet top by evaporation.
    open_w_per_m2k, evaporation_w, ajar_frac = 9.0, 8.8, 0.25

    def __init__(self) -> None:
        self._box = _solve(type(self))
        self._modes = np.zeros(self._box.rate_per_s.size)
        self._room_c = math.nan
        self._sun_w = 0.0

    def __deepcopy__(self, memo: dict[int, object]) -> "DeepBox":
        twin = copy.copy(self)  # the solved box never changes
        memo[id(self)] = twin
        twin._modes = self._modes.copy()
        return twin

    def advance(self, seconds: float, heater_watts: float, room_c: float) -> None:
        """Let time pass with power (W) and room (°C) held; the first call says where it starts."""
        for name, value, low in (
            ("seconds", seconds, 0.0),
            ("heater_watts", heater_watts, 0.0),
            ("room_c", room_c, -273.15),
        ):
            if not (math.isfinite(value) and value >= low):
                raise ValueError(f"{name} is {value}; give a finite number, {low} or more")
        box = self._box
        if math.isnan(self._room_c):
            self._modes = box.rest * room_c
        self._room_c = room_c
        gone = -np.expm1(-box.rate_per_s * seconds)
        drive = box.heater * heater_watts + box.room * room_c + box.sun * self._sun_w - box.sink
        goal = drive / box.rate_per_s
        self._modes += gone * (goal - self._modes)

    def temperature(self, place: str) -> float:
        """Read a place in °C: substrate, callus, mat, room or top."""
        if place not in PLACES:
            raise ValueError(f"no place {place!r}; ask for {', '.join(PLACES)}")
        if math.isnan(self._room_c):
            raise ValueError("no temperature before the first advance")
        if place == "room":
            return self._room_c
        return float(self._box.rows[place] @ self._modes)

    def open_lid(self, state: str) -> None:
        """Lay the lid "on", "ajar" or "off"; temperatures stay."""
        shares = {"on": 0.0, "ajar": self.ajar_frac, "off": 1.0}
        if state not in shares:
            raise ValueError(f'a lid cannot be {state!r}; say "on", "ajar" or "off"')
        nodes_c = self._box.nodes @ self._modes
        self._box = _solve(type(self), shares[state])
        self._modes = self._box.modes @ nodes_c

    def set_sun(self, watts: float) -> None:
        """Let sun or a lamp heat the top of the medium from now on, W absorbed."""
        if not (math.isfinite(watts) and watts >= 0.0):
            raise ValueError(f"watts is {watts}; give a finite number, 0 or more")
        self._sun_w = watts

    def add_water(self, litres: float, celsius: float) -> None:
        """Water the layer evenly: it mixes, and as much drains away as warm as the mix."""
        if not (math.isfinite(litres) and litres >= 0.0 and 0.0 <= celsius <= 100.0):
            raise ValueError(f"{litres} litres of {celsius} °C cannot be poured")
        held = self.layer_j_per_m3k * self.layer_m * self.length_m * self.width_m
        self._mix(slice(2, 2 + self.layer_cells), litres * 4180.0, held, celsius)

    def place_bags(self, mass_kg: float, celsius: float) -> None:
        """Put bags of another temperature where as many came out: mixed in at every height."""
        pot_m2 = self.length_m * self.width_m * self.fill_frac
        whole_kg = self.medium_kg_per_m3 * self.medium_m * pot_m2
        if not (0.0 <= mass_kg <= whole_kg and math.isfinite(celsius)):
            raise ValueError(f"{mass_kg} kg of bags of {celsius} °C; the box holds {whole_kg:.1f}")
        start = 2 + self.layer_cells
        stays_kg = whole_kg - mass_kg
        self._mix(slice(start, start + self.medium_cells), mass_kg, stays_kg, celsius)

    def _mix(self, cells: slice, added: float, held: float, celsius: float) -> None:
        if math.isnan(self._room_c):
            raise ValueError("nothing can be done to a box before the first advance")
        nodes_c = self._box.nodes @ self._modes
        nodes_c[cells] += added / (held + added) * (celsius - nodes_c[cells])
        self._modes = self._box.modes @ nodes_c

    @classmethod
    def rise(cls, place: str) -> float:
        """Steady rise of a place above the room per watt, K/W."""
        box = _solve(cls)
        return float(box.rows[place] @ (box.heater / box.rate_per_s))

    @classmethod
    def factor(cls) -> float:
        """True temperature factor f = (T_callus − T_room)/(T_substrate − T_room)."""
        return cls.rise("callus") / cls.rise("substrate")

    @classmethod
    def lags(cls) -> Lags:
        """Fit lags and dead times to the response to a step of the heater."""
        return _fit(cls)


class HalfFull(DeepBox):
    """Pots on two fifths of the floor only."""

    fill_frac, side_cover_frac = 0.40, 0.40


class ShallowBags(DeepBox):
    """Bags 80 mm deep: quicker than the deep box, and another height of the callus zone."""

    medium_m, callus_m = 0.08, 0.020
    fill_frac, side_cover_frac = 0.60, 0.50


class CardUnder(DeepBox):
    """Four millimetres of cardboard under the mat instead of a board: twice the power."""

    under_m, under_w_per_mk = 0.004, 0.065


class Jacketed(DeepBox):
    """Insulated round the sides and over the lid."""

    side_w_per_m2k = 1.0
    jacket_m2k_per_w = 0.6


class DryPeat(DeepBox):
    """Drier peat: conducts less, stores less."""

    medium_w_per_mk, medium_j_per_m3k = 0.15, 1.4e6
    medium_kg_per_m3 = 420.0


class WetSand(DeepBox):
    """Wet sand: conducts well, stores more."""

    medium_w_per_mk, medium_j_per_m3k = 1.2, 2.6e6
    medium_kg_per_m3 = 1800.0


class _Box(NamedTuple):
    """A box in its modes: dz/dt = −rate·z + heater·P + room·T_room + sun·P_sun − sink.

    T of a place is row·z, of every node nodes·z, and z is modes·T.
    """

    rate_per_s: np.ndarray
    heater: np.ndarray
    room: np.ndarray
    sun: np.ndarray
    sink: np.ndarray
    nodes: np.ndarray
    modes: np.ndarray
    rest: np.ndarray  # modes of the whole box at 1 °C
    rows: dict[str, np.ndarray]


@cache
def _solve(box: type[DeepBox], open_frac: float = 0.0) -> _Box:
    layer, medium = box.layer_cells, box.medium_cells
    floor_m2 = box.length_m * box.width_m
    round_m = 2 * (box.length_m + box.width_m)
    pot_m2 = floor_m2 * box.fill_frac
    dl, dm = box.layer_m / layer, box.medium_m / medium
    sheet = box.wall_m / box.wall_w_per_mk
    head_m = box.height_m - box.layer_m - box.medium_m
    bare_m2 = round_m * head_m

    # One chain upwards: mat, base, layer cells, medium cells, enclosure.
    store = np.concatenate(
        [
            [box.mat_j_per_m2k * box.mat_m2, box.wall_j_per_m3k * box.wall_m * floor_m2],
            np.full(layer, box.layer_j_per_m3k * dl * floor_m2),
            np.full(medium, box.medium_j_per_m3k * dm * pot_m2),
            [
                box.wall_j_per_m3k * box.wall_m * (floor_m2 + bare_m2)
                + 1.2 * 1006.0 * floor_m2 * head_m
            ],
        ]
    )
    half_layer, half_medium = dl / 2 / box.layer_w_per_mk, dm / 2 / box.medium_w_per_mk
    # Vapour between wet faces at 21 °C, Lewis number 1, Magnus (Alduchov & Eskridge 1996).
    vapour = box.convection_w_per_m2k * 2.454e6 / 1006.0 * (_humid(21.5) - _humid(20.5))
    film = box.radiation_w_per_m2k + box.convection_w_per_m2k
    film += box.wet_frac * vapour * (1 - open_frac)
    up = np.concatenate(
        [
            [box.mat_m2 / box.mat_gap_m2k_per_w, floor_m2 / (sheet + half_layer)],
            np.full(layer - 1, floor_m2 / (2 * half_layer)),
            [pot_m2 / (half_layer + box.contact_m2k_per_w + half_medium)],
            np.full(medium - 1, pot_m2 / (2 * half_medium)),
            [pot_m2 / (half_medium + 1 / film)],
        ]
    )
    balance = np.diag(up, 1) + np.diag(up, -1)
    foot, head = 2 + layer - 1, 2 + layer + medium  # top cell of the layer; the enclosure
    between = (floor_m2 - pot_m2) / (half_layer + 1 / (box.shade_frac * film))
    balance[foot, head] += between
    balance[head, foot] += between

    outer = box.across_m2k_per_w + sheet
    leak = np.zeros(store.size)
    leak[0] = box.mat_m2 / (box.under_m / box.under_w_per_mk + box.down_m2k_per_w)
    leak[2 : 2 + layer] = round_m * dl / (outer + box.layer_gap_m2k_per_w + box.jacket_m2k_per_w)
    leak[2 + layer : head] = box.side_w_per_m2k * round_m * dm * box.side_cover_frac
    leak[head] = bare_m2 / (outer + box.jacket_m2k_per_w)
    lid = floor_m2 / (box.up_m2k_per_w + sheet + box.jacket_m2k_per_w)
    leak[head] += lid * (1 - open_frac) + floor_m2 * box.open_w_per_m2k * open_frac
    balance -= np.diag(balance.sum(axis=1) + leak)

    root = np.sqrt(store)
    rate, shape = np.linalg.eigh(-balance / np.outer(root, root))
    reads = {place: np.zeros(store.size) for place in PLACES if place != "room"}
    reads["mat"][0] = reads["top"][head] = 1.0
    share = (1 / half_layer) / (1 / half_layer + 1 / (box.contact_m2k_per_w + half_medium))
    reads["substrate"][[foot, foot + 1]] = share, 1 - share  # on the layer, under a pot
    cell, over = divmod(box.callus_m / dm - 0.5, 1.0)
    reads["callus"][foot + 1 + int(cell) : foot + 3 + int(cell)] = 1 - over, over
    return _Box(
        rate_per_s=rate,
        heater=shape[0] / root[0],
        room=shape.T @ (leak / root),
        sun=shape[head - 1] / root[head - 1],
        sink=shape[head - 1] / root[head - 1] * box.evaporation_w * open_frac,
        nodes=shape / root[:, None],
        modes=shape.T * root,
        rest=shape.T @ root,
        rows={place: (row / root) @ shape for place, row in reads.items()},
    )


@cache
def _fit(box: type[DeepBox]) -> Lags:
    solved = _solve(box)
    slow_s, quick_s = 1 / solved.rate_per_s[:2]
    time_s = np.linspace(0.0, 10 * slow_s, 3000)
    rises = -np.expm1(-np.outer(time_s, solved.rate_per_s)) * (solved.heater / solved.rate_per_s)
    substrate = rises @ solved.rows["substrate"] / box.rise("substrate")
    callus = rises @ solved.rows["callus"] / box.rise("callus")

    def one(lag_s: float, dead_s: float) -> np.ndarray:
        return -np.expm1(-np.clip(time_s - dead_s, 0.0, None) / lag_s)

    # Logarithms keep lags positive and bring hours and minutes to one scale.
    def substrate_misfit(p: np.ndarray) -> np.ndarray:
        slow, quick, dead = np.exp(p[:3])
        return (1 - p[3]) * one(slow, dead) + p[3] * one(quick, dead) - substrate

    def callus_misfit(p: np.ndarray) -> np.ndarray:
        return one(*np.exp(p)) - callus

    start = [*np.log([slow_s, quick_s, 900.0]), 0.3]
    slow, quick, dead, share = least_squares(substrate_misfit, start).x
    lag, callus_dead = least_squares(callus_misfit, np.log([slow_s, 2700.0])).x
    slow_s, quick_s, dead_s = (math.exp(log) for log in (slow, quick, dead))
    return Lags(slow_s, quick_s, float(share), dead_s, math.exp(lag), math.exp(callus_dead))


def _humid(air_c: float) -> float:
    """Humidity ratio of saturated air at 101325 Pa, kg/kg."""
    vapour_pa = 610.94 * math.exp(17.625 * air_c / (air_c + 243.04))
    return 0.622 * vapour_pa / (101325.0 - vapour_pa)
