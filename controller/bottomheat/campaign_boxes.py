"""Boxes and rooms that a campaign draws from, and the world of one draw.

The boxes are the built-in model with other sizes and materials, each within handbook ranges: see
``construction`` for the sources of the values that are not changed here.
"""

from __future__ import annotations

import copy
import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any, Final

from bottomheat import rehearse_nights as nights
from bottomheat.chamber import Chamber
from bottomheat.chamber_file import build_chamber, load_chamber_class
from bottomheat.config import Config
from bottomheat.construction import NOMINAL, Construction
from bottomheat.lift import Lift
from bottomheat.model import Place
from bottomheat.rehearse_models import ChamberModel, GuardedModel
from bottomheat.rehearse_world import Stand, World
from bottomheat.rooms import cold_shed
from bottomheat.wiring import wiring_of
from bottomheat_drivers.simulated import SimulatedProbes
from bottomheat_drivers.simulated_relay import SimulatedRelay

SETPOINT_C: Final = 25.0
SETTLING_DAYS: Final = 30.0
"""A chamber of somebody's own has settled after so long, d: three or more of its time constants."""

# Peat 0.15 (drier) to sand 1.2 W/(m·K): Heiskanen 2000 (Suo 51), abstract; heat capacities from
# the water they hold. Card 0.065 W/(m·K): ASHRAE laminated paperboard. Vermiculite 0.10-0.28
# W/(m·K), 0.7-1.8 MJ/(m³·K), sizes, fill and gaps: judgement.
BOXES: Final[Mapping[str, Construction]] = {
    "nominal": NOMINAL,
    "half-full": Construction(fill_frac=0.42, side_cover_frac=0.40),
    "shallow": Construction(medium_m=0.080, callus_m=0.020, fill_frac=0.65, side_cover_frac=0.50),
    "card": Construction(
        board_m=0.004, board_w_per_mk=0.065, board_j_per_m3k=700.0 * 1380.0, fill_frac=0.75
    ),
    "jacketed": Construction(
        # 20 mm of foam of 0.035 W/(m·K) on the walls and the lid, as a resistance.
        wall_outer_m2k_per_w=0.13 + 0.57,
        lid_outer_m2k_per_w=0.10 + 0.57,
    ),
    "dry-peat": Construction(
        medium_w_per_mk=0.15, medium_j_per_m3k=1.4e6, medium_kg_per_m3=420.0, fill_frac=0.82
    ),
    "wet-sand": Construction(
        medium_w_per_mk=1.2, medium_j_per_m3k=2.6e6, medium_kg_per_m3=1800.0, fill_frac=0.75
    ),
    "deep": Construction(medium_m=0.160, callus_m=0.040, height_m=0.45, side_cover_frac=0.80),
    "dry-layer": Construction(layer_w_per_mk=0.11, layer_j_per_m3k=0.75e6),
    "thin-wet-layer": Construction(
        layer_m=0.015, layer_w_per_mk=0.26, layer_j_per_m3k=1.7e6, mat_gap_m2k_per_w=0.05
    ),
    "small": Construction(
        length_m=0.40, width_m=0.30, height_m=0.30, mat_m2=0.105, medium_m=0.12, fill_frac=0.80
    ),
}

WATTS: Final[Mapping[str, float]] = {"small": 25.0}
"""Rated power where a box is not made for 45 W, W."""


def swinging(mean_c: float, swing_k: float) -> Callable[[float], float]:
    """A room that follows the day, warmest at 15:00; hour 0 is midnight."""
    return _Swing(mean_c, swing_k)


@dataclass(frozen=True, slots=True)
class _Swing:
    mean_c: float
    swing_k: float

    def __call__(self, hours: float) -> float:
        phase = 2.0 * math.pi * (hours - 15.0) / 24.0
        return self.mean_c + self.swing_k * math.cos(phase)


ROOMS: Final = ("20", "15", "10", "5", "shed", "swing")
"""Constant, °C; an unheated shed; a day's swing of 4 K around 13 °C."""


def room_of(name: str, seed: int, days: float) -> Callable[[float], float]:
    """A room by its name in ``ROOMS``."""
    match name:
        case "shed":
            return cold_shed(seed, days)
        case "swing":
            return swinging(13.0, 4.0)
        case constant:
            return swinging(float(constant), 0.0)


@dataclass(frozen=True, slots=True)
class Scene:
    """One box, or two, in one room: what a warmed-up world is made from.

    Attributes:
        boxes: names in ``BOXES`` or FILE.py:CLASS, one a chamber.
        room: name in ``ROOMS``.
        watts: rated power of each mat, W.
        seed: of noise and weather.
        series: whether there is a second relay in series.
        keeper_probe: whether the keeper has a mat probe of its own.
        second_probe: whether a second probe lies on the wet layer.
        callus_probe: whether a probe lies in the callus zone.
        top_probe: whether one lies in the air at the buds.
        sigma_k: noise of the probes, K.
        factor_error: error of the temperature factor in the config, dimensionless.
    """

    boxes: tuple[str, ...]
    room: str
    watts: tuple[float, ...]
    seed: int
    series: bool = True
    keeper_probe: bool = True
    second_probe: bool = False
    callus_probe: bool = False
    top_probe: bool = False
    sigma_k: float = 0.02
    factor_error: float = 0.0

    @property
    def names(self) -> tuple[str, ...]:
        """Names of the chambers."""
        return ("north-bench", "south-bench")[: len(self.boxes)]


@cache
def factor_of(box: str) -> float:
    """True temperature factor of a box, dimensionless.

    Raises:
        InputError: it is neither in ``BOXES`` nor a chamber that can be loaded.
    """
    if box in BOXES:
        chamber = Chamber(BOXES[box])
        return chamber.settled("callus", 1.0, 0.0) / chamber.settled("substrate", 1.0, 0.0)
    model = _fresh(box)
    for _ in range(round(SETTLING_DAYS * 1440)):
        model.advance(60.0, 10.0, 0.0)
    return model.temperature("callus") / model.temperature("substrate")


def size_of(box: str) -> float:
    """Floor of a box as a share of the nominal one's: what sun and lamps scale with."""
    return BOXES[box].floor_m2 / NOMINAL.floor_m2 if box in BOXES else 1.0


EASY_K: Final = 2.0
"""A room so much warmer than the coldest that a mat can carry gives a night to fall from, K."""


def cold_enough(scene: Scene) -> bool:
    """Whether a night can be too cold for the boxes of a scene and the days before are not.

    Raises:
        InputError: a chamber cannot be loaded, or failed.
    """
    return all(
        _cold_enough(box, name, scene) for name, box in zip(scene.names, scene.boxes, strict=True)
    )


def _cold_enough(box: str, name: str, scene: Scene) -> bool:
    chamber = config_of(scene).chambers[name]
    lift = _lift_of(box)
    carried_c = nights.coldest(chamber, lift, nights.JUST_K)
    room = room_of(scene.room, scene.seed, 3.0)
    days_c = min(room(hours) for hours in range(24, 72))
    return (
        nights.coldest(chamber, lift, nights.SHORT_K) is not None
        and carried_c is not None
        and days_c >= carried_c + EASY_K
    )


@cache
def _lift_of(box: str) -> Lift:
    return nights.lift_in_truth(_fresh(box), 10.0)


@cache
def _chamber_of(box: str) -> Chamber:
    """A box that has not been started; copied, it shares its step matrices."""
    return Chamber(BOXES[box])


@cache
def _kind_of(box: str) -> type[ChamberModel]:
    return load_chamber_class(box)


def _fresh(box: str) -> GuardedModel:
    """A box at its start: a name in ``BOXES``, or FILE.py:CLASS."""
    model: ChamberModel
    model = copy.deepcopy(_chamber_of(box)) if box in BOXES else build_chamber(_kind_of(box), box)
    return GuardedModel(model, box)


def config_of(scene: Scene, *, cycle_s: float = 10.0) -> Config:
    """The config of a scene: defaults, with the box's own temperature factor."""
    chambers: dict[str, Any] = {}
    for index, (name, box) in enumerate(zip(scene.names, scene.boxes, strict=True)):
        number = 10 * index
        probes: dict[str, Any] = {
            "substrate": f"28-{number:012x}",
            "room": f"28-{number + 1:012x}",
            "mat": f"28-{number + 2:012x}",
        }
        if scene.second_probe:
            probes["substrate"] = [probes["substrate"], f"28-{number + 3:012x}"]
        if scene.callus_probe:
            probes["callus"] = f"28-{number + 4:012x}"
        if scene.top_probe:
            probes["top"] = f"28-{number + 6:012x}"
        kept: dict[str, Any] = {}
        if scene.keeper_probe:
            kept["probe"] = f"28-{number + 5:012x}"
        if scene.series:
            kept["series_relay"] = {"gpio": 22 + index}
        factor = round(factor_of(box) + scene.factor_error, 3)
        chambers[name] = {
            "callus_zone": SETPOINT_C if index == 0 else SETPOINT_C - 3.0,
            "heater": {"gpio": 17 + index, "watts": scene.watts[index]},
            "probes": probes,
            "offset": {"method": "temperature-factor", "factor": factor},
            "keeper": kept,
        }
    return Config.model_validate({"cycle": cycle_s, "chambers": chambers})


def world_of(
    config: Config,
    models: Mapping[str, GuardedModel],
    room_c: Callable[[float], float],
    *,
    seed: int,
    sigma_k: float = 0.02,
) -> World:
    """Put a config's chambers, probes and relays together.

    Args:
        config: the accepted config.
        models: a box by name of chamber.
        room_c: room in °C at a time in h.
        seed: of the probes' noise.
        sigma_k: standard deviation of that noise, K.
    """
    lines = wiring_of(config, Path("the config")).lines
    stands = {
        name: Stand(
            models[name],
            SimulatedRelay(name),
            SimulatedRelay(f"{name}, series relay") if chamber.keeper.series_relay else None,
        )
        for name, chamber in config.chambers.items()
    }
    guarded = {name: stand.model for name, stand in stands.items()}
    places = {name: tuple(c.probes.by_place()) for name, c in config.chambers.items()}
    kept = {line.chamber: (Place.MAT,) for line in lines if line.probe is not None}
    return World(
        config,
        lines,
        stands,
        SimulatedProbes(guarded, places, seed, sigma_k=sigma_k),
        # The keeper reads by itself, so its readings have noise of their own.
        SimulatedProbes(guarded, kept, seed + 1_000_003, sigma_k=sigma_k),
        room_c,
    )


def scene_world(scene: Scene, days: float) -> World:
    """The world of a scene, not yet started; its weather covers ``days``."""
    models = {name: _fresh(box) for name, box in zip(scene.names, scene.boxes, strict=True)}
    return world_of(
        config_of(scene),
        models,
        room_of(scene.room, scene.seed, days),
        seed=scene.seed,
        sigma_k=scene.sigma_k,
    )
