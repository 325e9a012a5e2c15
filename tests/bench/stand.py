"""A rehearsal on one chamber class, and what the bench has to know of the class: f and its lags."""

from __future__ import annotations

import math
import sys
import tempfile
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
from scipy.optimize import least_squares
from scipy.signal import lfilter

from bottomheat.chamber import Chamber
from bottomheat.cli.rehearse_inputs import read_room
from bottomheat.config import Config
from bottomheat.model import Place
from bottomheat.ports import Journal
from bottomheat.rehearse import ChamberModel, GuardedModel, Outcome, Stand, rehearse
from bottomheat.rooms import RoomSeries
from bottomheat.wiring import wiring_of
from bottomheat_drivers.simulated import SimulatedProbes
from bottomheat_drivers.simulated_relay import SimulatedRelay

sys.path.append(str(Path(__file__).resolve().parents[1]))  # the bench is run as a script
from chambers import DeepBox, DryPeat, ShallowBags

CHAMBERS: Mapping[str, type[ChamberModel]] = {
    "built in": Chamber,
    "DeepBox": DeepBox,
    "ShallowBags": ShallowBags,
    "DryPeat": DryPeat,
}
SETPOINT_C = 25.0
WATTS = 45.0
DAYS = 14.0
ROOM_C = 17.0
FIT_DAYS = 7.0
FIT_EVERY = 6  # cycles
NAME = "bench"


@dataclass(frozen=True, slots=True)
class Known:
    """What a calibration of the chamber would give: temperature factor and lags, h."""

    factor: float
    room_lag_h: float
    substrate_lag_h: float

    def offset(self) -> dict[str, Any]:
        return {
            "method": "temperature-factor",
            "factor": self.factor,
            "room_lag": self.room_lag_h,
            "substrate_lag": self.substrate_lag_h,
        }

    def fixed_k(self, room_c: float) -> float:
        """Offset that is right in one room, K."""
        return (SETPOINT_C - room_c) * (1.0 / self.factor - 1.0)

    def right_at_c(self, offset_k: float) -> float:
        """Room in which a fixed offset is right, °C."""
        return SETPOINT_C - offset_k / (1.0 / self.factor - 1.0)


def room_rows(start_hour: float, days: float = DAYS, *, snap: bool = True) -> str:
    """The bench's room as CSV, a row every ten minutes: 17 ± 3 °C, coldest at 06:00, and from the
    eighth day's start 24 h that are 8 K colder, an hour to fall and two to rise: a room that jumps
    by 8 K is taken for a sunlit probe."""
    rows = ["hours,room_c"]
    for step in range(round(days * 144) + 1):
        hours = step / 6.0
        celsius = ROOM_C - 3.0 * math.cos(2.0 * math.pi * (hours + start_hour - 6.0) / 24.0)
        if snap:
            celsius -= 8.0 * max(0.0, min(1.0, hours - 168.0, (192.0 - hours) / 2.0))
        rows.append(f"{hours:.6f},{celsius:.4f}")
    return "\n".join(rows) + "\n"


def bench_room(start_hour: float, days: float = DAYS, *, snap: bool = True) -> RoomSeries:
    """The same, read as the command reads it."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "room.csv"
        path.write_text(room_rows(start_hour, days, snap=snap), encoding="utf-8")
        return read_room(path)


def bench_config(
    offset: Mapping[str, Any], law: str = "pid", chambers: int = 1, *, room: bool = True
) -> Config:
    """A 45 W mat with a mat probe; limits, window and tuning are the defaults."""
    places = ("substrate", "room", "mat") if room else ("substrate", "mat")
    return Config.model_validate(
        {
            "chambers": {
                (NAME if chambers == 1 else f"{NAME}-{n}"): {
                    "callus_zone": SETPOINT_C,
                    "law": law,
                    "heater": {"gpio": 5 + n, "watts": WATTS},
                    "probes": {
                        place: f"28-{n:02d}000000000{digit}" for digit, place in enumerate(places)
                    },
                    "offset": dict(offset),
                }
                for n in range(chambers)
            }
        }
    )


def run(
    kind: type[ChamberModel],
    config: Config,
    room: Callable[[float], float],
    days: float = DAYS,
    seed: int = 1,
    *,
    journal: Journal | None = None,
    watch: Callable[[float, Mapping[str, Stand]], None] | None = None,
) -> Mapping[str, Outcome]:
    """Rehearse a config on instances of one class."""
    stands = {
        name: Stand(GuardedModel(kind(), kind.__name__), SimulatedRelay(name))
        for name in config.chambers
    }
    models = {name: stand.model for name, stand in stands.items()}
    return rehearse(
        config,
        wiring_of(config, Path("bench")).lines,
        stands,
        SimulatedProbes(
            models, {n: tuple(c.probes.by_place()) for n, c in config.chambers.items()}, seed
        ),
        SimulatedProbes(models, dict.fromkeys(config.chambers, (Place.MAT,)), seed + 1_000_003),
        room,
        days,
        journal=journal,
        on_cycle=None if watch is None else lambda now_s: watch(now_s, stands),
    )


def factor_of(kind: type[ChamberModel]) -> float:
    """True temperature factor: 20 W in a room of 17 °C, for ever."""
    box = kind()
    for _ in range(50):
        box.advance(100_000.0, 20.0, ROOM_C)
    room_c = box.temperature("room")
    return (box.temperature("callus") - room_c) / (box.temperature("substrate") - room_c)


def resistance_of(kind: type[ChamberModel]) -> float:
    """True R of the heat-flow method, K/W: 20 W in a room of 17 °C, for ever."""
    box = kind()
    for _ in range(50):
        box.advance(100_000.0, 20.0, ROOM_C)
    return (box.temperature("substrate") - box.temperature("callus")) / 20.0


@cache
def known(kind: type[ChamberModel]) -> Known:
    """What the bench takes as known of a class.

    f from the steady state.  The lags by least squares of room_lagged + f (substrate_lagged - room_
    lagged) against the true callus temperature, all true temperatures, over seven days from cold,
    the warm-up included, in a room of 17 ± 3 °C without the snap, with the controller on f and its
    default lags: another week than the ones that are scored.
    """
    factor = factor_of(kind)
    rows: list[tuple[float, float, float]] = []
    count = 0

    def watch(now_s: float, stands: Mapping[str, Stand]) -> None:
        nonlocal count
        if count % FIT_EVERY == 0:
            model = stands[NAME].model
            rows.append(
                (
                    model.temperature("room"),
                    model.temperature("substrate"),
                    model.temperature("callus"),
                )
            )
        count += 1

    config = bench_config({"method": "temperature-factor", "factor": factor})
    run(kind, config, bench_room(0.0, FIT_DAYS, snap=False), FIT_DAYS, watch=watch)
    room_c, substrate_c, callus_c = np.array(rows).T
    step_s = FIT_EVERY * config.cycle_s

    def misfit(logs: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
        room_lag_s, substrate_lag_s = np.exp(logs)
        lagged_room = _lagged(room_c, room_lag_s, step_s)
        lagged_layer = _lagged(substrate_c, substrate_lag_s, step_s)
        estimate = lagged_room + factor * (lagged_layer - lagged_room)
        found: npt.NDArray[np.float64] = (estimate - callus_c)[::5]
        return found

    # Kept inside what the config accepts, and from several starts: the two lags trade off.
    low, high = np.log([30.0, 30.0]), np.log([12 * 3600.0, 6 * 3600.0])
    fits = [
        least_squares(misfit, np.log(np.array(start) * 3600.0), bounds=(low, high))
        for start in ((0.3, 0.3), (2.0, 0.5), (4.0, 1.2))
    ]
    room_lag_h, substrate_lag_h = np.exp(min(fits, key=lambda fit: fit.cost).x) / 3600.0
    return Known(factor, float(room_lag_h), float(substrate_lag_h))


def _lagged(
    values: npt.NDArray[np.float64], tau_s: float, step_s: float
) -> npt.NDArray[np.float64]:
    share = -math.expm1(-step_s / tau_s)
    found, _ = lfilter([share], [1.0, share - 1.0], values, zi=[(1.0 - share) * values[0]])
    return np.asarray(found)
