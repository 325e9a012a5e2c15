"""Random true boxes of two models written apart, with their exact answers to heat and room.

For everything that is identified or tuned: `draw_boxes` draws them, `Box.make` builds one to run,
and the rest says the truth.  Every second box is the model that ships (`bottomheat.chamber`), with
sizes and materials within handbook ranges (`calibration_world.random_box` gives the sources); the
others are the second model (`chambers.DeepBox`), with the same ranges.  Lid on, no sun.  No box was
measured.

A box is linear, so its answers are sums of first-order modes:

    T_place(s) = sum_i heat_i/(s + rate_i) P(s) + sum_i room_i/(s + rate_i) T_room(s)

Truth that all benches go by:

- gain: exact steady state, K/W;
- dominant time constant: the slowest mode that carries at least 5 % of the gain, s.  With two
  modes nearly alike the slower one counts, if it has its 5 %;
- two lags and a dead time (`two_lags`): gain and slow lag are those; quick lag, its share and the
  dead time by least squares to the exact step response from 0 to 6 dominant time constants, rooted
  in time so that early minutes count; the room's share then to the exact answer to the room.
"""

from __future__ import annotations

import math
import random
from collections.abc import Callable
from dataclasses import dataclass, field
from functools import cached_property
from typing import Any, Final

import numpy as np
import numpy.typing as npt
from scipy.optimize import least_squares

import calibration_world
import chambers
from bottomheat.chamber import Chamber
from bottomheat.construction import Construction
from bottomheat.response import Response

Floats = npt.NDArray[np.float64]

SETPOINT_C: Final = 25.0
WATTS: Final = (25.0, 100.0)
COLDEST_C: Final = (5.0, 12.0)
"""Room in which the box still holds 25 °C at its callus zone; drawn."""
SPARE: Final = (1.05, 1.8)
"""Rated power over what that takes; drawn.  Judgement."""
MATTERS_FRAC: Final = 0.05
SPAN: Final = 6.0
"""Dominant time constants that two lags and a dead time are fitted over."""


@dataclass(frozen=True, slots=True, eq=False)
class Modes:
    """First-order modes of a box: a place is the sum of its modes.

    Attributes:
        rate_per_s: of each mode, 1/s, the slowest first.
        heat: by place, what a watt drives each mode with, K/(s·W).
        room: by place, what a kelvin of room drives each mode with, 1/s.
    """

    rate_per_s: Floats
    heat: dict[str, Floats]
    room: dict[str, Floats]


@dataclass(frozen=True, eq=False)
class Box:
    """One box.

    Attributes:
        name: what it is, for tables.
        make: builds it, cold; advance it, read "substrate", "callus", "mat".
        watts: rated power of its mat, W.
        coldest_c: room in which it holds 25 °C at the callus zone with power to spare, °C.
        modes: its exact answer.
    """

    name: str
    make: Callable[[], Any]
    watts: float
    coldest_c: float
    modes: Modes = field(repr=False)

    def gain(self, place: str = "substrate") -> float:
        """Steady rise of a place, K/W."""
        return float(np.sum(self.modes.heat[place] / self.modes.rate_per_s))

    @property
    def gain_k_per_w(self) -> float:
        """Steady rise of the wet layer, K/W."""
        return self.gain()

    @cached_property
    def factor(self) -> float:
        """True temperature factor f, dimensionless."""
        return self.gain("callus") / self.gain("substrate")

    @property
    def lags_s(self) -> Floats:
        """Time constants of all modes, s, the longest first."""
        return 1.0 / self.modes.rate_per_s

    def shares(self, place: str = "substrate") -> Floats:
        """Share of the gain that each mode carries; they sum to 1, single ones may be negative."""
        return self.modes.heat[place] / self.modes.rate_per_s / self.gain(place)

    def dominant_s(self, place: str = "substrate") -> float:
        """Slowest mode that carries at least 5 % of the gain, s."""
        matters = np.abs(self.shares(place)) >= MATTERS_FRAC
        return float(self.lags_s[np.argmax(matters)])

    def answer(self, rad_per_s: Any, place: str = "substrate") -> Any:
        """Exact frequency response of a place to heater power, K/W (complex)."""
        s = 1j * np.asarray(rad_per_s, dtype=float)[..., None]
        return np.sum(self.modes.heat[place] / (s + self.modes.rate_per_s), axis=-1)

    def room_answer(self, rad_per_s: Any, place: str = "substrate") -> Any:
        """Exact frequency response of a place to the room, K/K (complex)."""
        s = 1j * np.asarray(rad_per_s, dtype=float)[..., None]
        return np.sum(self.modes.room[place] / (s + self.modes.rate_per_s), axis=-1)

    def state_space(self, place: str = "substrate") -> tuple[Floats, Floats, Floats, Floats]:
        """A, B, C, D with the inputs power, W, and room, °C, and one output, the place, °C."""
        rate = self.modes.rate_per_s
        count = len(rate)
        a = np.zeros((2 * count, 2 * count))
        a[:count, :count] = a[count:, count:] = np.diag(-rate)
        b = np.zeros((2 * count, 2))
        b[:count, 0], b[count:, 1] = self.modes.heat[place], self.modes.room[place]
        return a, b, np.ones((1, 2 * count)), np.zeros((1, 2))

    def step_k(self, time_s: Any, place: str = "substrate") -> Any:
        """Exact rise after one watt was put on at time 0, K."""
        time_s = np.asarray(time_s, dtype=float)
        grown = -np.expm1(-np.multiply.outer(time_s, self.modes.rate_per_s))
        return grown @ (self.modes.heat[place] / self.modes.rate_per_s)

    def room_step_k(self, time_s: Any, place: str = "substrate") -> Any:
        """Exact rise after the room went up by 1 K at time 0, K."""
        time_s = np.asarray(time_s, dtype=float)
        grown = -np.expm1(-np.multiply.outer(time_s, self.modes.rate_per_s))
        return grown @ (self.modes.room[place] / self.modes.rate_per_s)

    def two_lags(self, place: str = "substrate") -> Response:
        """The best two lags and dead time for the exact step response: see above."""
        return two_lags(self, place)


def two_lags(box: Box, place: str = "substrate") -> Response:
    """Fit two lags and a dead time to the exact step response: see above."""
    slow_s = box.dominant_s(place)
    time_s = SPAN * slow_s * np.linspace(0.0, 1.0, 600) ** 2
    gain = box.gain(place)
    rise = box.step_k(time_s, place) / gain

    def grown(lag_s: float, dead_s: float) -> Floats:
        return -np.expm1(-np.clip(time_s - dead_s, 0.0, None) / lag_s)

    def misfit(p: Floats) -> Floats:
        quick_s, dead_s = slow_s * np.exp(p[:2])
        return (1.0 - p[2]) * grown(slow_s, dead_s) + p[2] * grown(quick_s, dead_s) - rise

    best = None
    for ratio in (0.1, 0.2, 0.4):
        start = [math.log(ratio), math.log(0.03), 0.3]
        bounds = ([-5.0, -9.0, 0.0], [-0.05, -1.0, 1.0])
        fit = least_squares(misfit, start, bounds=bounds, xtol=1e-12, ftol=1e-12)
        if best is None or fit.cost < best.cost:
            best = fit
    assert best is not None
    quick_s, dead_s = (float(each) for each in slow_s * np.exp(best.x[:2]))
    slow, quick = -np.expm1(-time_s / slow_s), -np.expm1(-time_s / quick_s)
    late = box.room_step_k(time_s, place) - slow
    room_share = float(late @ (quick - slow) / ((quick - slow) @ (quick - slow)))
    return Response(
        gain_k_per_w=gain,
        slow_s=slow_s,
        quick_s=quick_s,
        quick_share=float(best.x[2]),
        dead_s=dead_s,
        room_quick_share=min(1.0, max(-0.5, room_share)),
    )


def draw_boxes(count: int, seed: int) -> list[Box]:
    """Draw boxes, every second one of the other model; the same for the same seed."""
    rng = random.Random(f"boxes {seed}")
    boxes: list[Box] = []
    while len(boxes) < count:
        shipped = len(boxes) % 2 == 0
        drawn = _shipped(rng) if shipped else _second(rng)
        make, modes = drawn
        coldest_c = rng.uniform(*COLDEST_C)
        needed_w = (SETPOINT_C - coldest_c) / float(np.sum(modes.heat["callus"] / modes.rate_per_s))
        watts = 5.0 * math.ceil(needed_w * rng.uniform(*SPARE) / 5.0)
        if not WATTS[0] <= watts <= WATTS[1]:
            continue
        kind = "shipped" if shipped else "second"
        boxes.append(Box(f"{kind} {len(boxes)}", make, watts, coldest_c, modes))
    return boxes


def _shipped(rng: random.Random) -> tuple[Callable[[], Any], Modes]:
    """A box of the model that ships."""
    return shipped(calibration_world.random_box(rng))


def shipped(construction: Construction) -> tuple[Callable[[], Any], Modes]:
    """The model that ships, of this construction."""
    net = Chamber(construction)._net
    root = np.sqrt(net.capacity_j_per_k)
    rate, shape = np.linalg.eigh(-net.balance_w_per_k() / np.outer(root, root))
    inputs = net.inputs_w()
    heater, room = (shape.T @ (inputs[:, column] / root) for column in (0, 1))
    places = {
        place: (net.rows[index] / root) @ shape
        for index, place in enumerate(("substrate", "callus", "mat"))
    }
    modes = Modes(
        rate,
        {place: row * heater for place, row in places.items()},
        {place: row * room for place, row in places.items()},
    )
    return lambda: Chamber(construction), modes


def _second(rng: random.Random) -> tuple[Callable[[], Any], Modes]:
    """A box of the second model; ranges as in `calibration_world.random_box`."""

    def between(low: float, high: float) -> float:
        return rng.uniform(low, high)

    length_m, width_m = between(0.38, 0.80), between(0.28, 0.50)
    layer_m, medium_m = between(0.015, 0.035), between(0.080, 0.150)
    fill_frac = between(0.45, 0.90)
    under_m, under_w_per_mk = rng.choices(
        (
            (between(0.020, 0.050), between(0.031, 0.0355)),
            (between(0.003, 0.006), between(0.065, 0.072)),
        ),
        (9, 1),
    )[0]
    kind = type(
        "RandomBox",
        (chambers.DeepBox,),
        {
            "length_m": length_m,
            "width_m": width_m,
            "height_m": layer_m + medium_m + between(0.15, 0.28),
            "wall_m": between(0.0015, 0.003),
            "mat_m2": length_m * width_m * between(0.75, 0.98),
            "mat_gap_m2k_per_w": between(0.020, 0.060),
            "under_m": under_m,
            "under_w_per_mk": under_w_per_mk,
            "layer_m": layer_m,
            "layer_w_per_mk": between(0.10, 0.28),
            "layer_j_per_m3k": between(0.7e6, 1.8e6),
            "fill_frac": fill_frac,
            "contact_m2k_per_w": between(0.015, 0.050),
            "medium_m": medium_m,
            "medium_w_per_mk": between(0.22, 0.50),
            "medium_j_per_m3k": between(1.5e6, 3.2e6),
            "callus_m": between(0.015, 0.040),
            "side_cover_frac": min(1.0, fill_frac * between(0.7, 1.1)),
            "side_w_per_m2k": between(1.2, 2.8),  # reference: 2.0 (1.2-2.8), judgement
            "convection_w_per_m2k": between(2.0, 3.6),
            "wet_frac": between(0.25, 0.75),
            "jacket_m2k_per_w": 0.57 if rng.random() < 0.15 else 0.0,
        },
    )
    return second(kind)


def second(kind: type[chambers.DeepBox]) -> tuple[Callable[[], Any], Modes]:
    """The second model, of this class."""
    solved = chambers._solve(kind)
    places = {place: solved.rows[place] for place in ("substrate", "callus", "mat")}
    modes = Modes(
        solved.rate_per_s,
        {place: row * solved.heater for place, row in places.items()},
        {place: row * solved.room for place, row in places.items()},
    )
    return kind, modes
