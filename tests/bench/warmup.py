"""The warm-up on random boxes: fast and gentle by the model, and the PID without one.

    python tests/bench/warmup.py --count 100 --seed 3

Each box stands cold in a constant room in which it needs between a third and two thirds of its
power, 25.0 °C is asked, the mat's limit is 60 °C.  Beside what the controller takes to the band
(±0.5 K at the true callus zone) stands what full power takes that is cut only while the mat is at
57 °C, which no controller that keeps the limit can beat.  f and the lag of the wet layer are taken
as calibrated, the model as the best two lags and dead time of the box, or, with ``--wrong``, that
with its gain up to 5 % and its lags up to 15 % off, as a model from a log is.  Everything is
simulated.
"""

from __future__ import annotations

import argparse
import math
import random
import statistics
import sys
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from scipy.optimize import minimize_scalar

sys.path.append(str(Path(__file__).resolve().parents[1]))

from bottomheat.config import Config
from bottomheat.model import Place
from bottomheat.rehearse import GuardedModel, Stand, rehearse
from bottomheat.wiring import wiring_of
from bottomheat_drivers.simulated import SimulatedProbes
from bottomheat_drivers.simulated_relay import SimulatedRelay
from random_boxes import Box, draw_boxes

NAME = "bench"
SETPOINT_C, BAND_K, MAT_BOUND_C = 25.0, 0.5, 57.0
STEP_S = 10.0
WAYS = ("fast", "gentle", "no model")


@dataclass(frozen=True, slots=True)
class Warmed:
    """One warm-up: hours to the band, and how far the callus zone went above its setpoint."""

    hours: float | None
    overshoot_k: float
    closings: int
    mat_c: float


def room_of(box: Box, rng: random.Random) -> float:
    """A room in which the box needs a third to two thirds of its power, °C."""
    return SETPOINT_C - box.gain("callus") * box.watts * rng.uniform(0.33, 0.67)


def least_hours(box: Box, room_c: float) -> float:
    """What full power takes to the band with the mat held at its bound, h."""
    made, now_s = box.make(), 0.0
    made.advance(0.0, 0.0, room_c)
    while made.temperature("callus") < SETPOINT_C - BAND_K:
        heat = made.temperature("mat") < MAT_BOUND_C
        made.advance(STEP_S, box.watts if heat else 0.0, room_c)
        now_s += STEP_S
        if now_s > 96 * 3600.0:
            return float("inf")
    return now_s / 3600.0


def callus_lag_h(box: Box) -> float:
    """The one lag by which the callus zone best follows the wet layer, h."""
    time_s = np.linspace(0.0, 6.0 * box.dominant_s(), 3000)
    layer, callus = box.step_k(time_s), box.step_k(time_s, "callus")
    dt_s = float(time_s[1])

    def misfit(log_s: float) -> float:
        share, lagged, total = -np.expm1(-dt_s / np.exp(log_s)), 0.0, 0.0
        for each, true in zip(layer, callus, strict=True):
            lagged += (each - lagged) * share
            total += (box.factor * lagged - true) ** 2
        return float(total)

    found = minimize_scalar(misfit, bounds=(5.0, 10.0), method="bounded", options={"xatol": 0.02})
    return float(np.exp(found.x) / 3600.0)


def model_of(box: Box, rng: random.Random | None = None) -> dict[str, float]:
    """The model section of a box's config; with a generator as a log gives it, not exact."""
    response = box.two_lags()
    off = dict.fromkeys(("gain", "slow", "quick", "dead"), 1.0)
    if rng is not None:
        off = {key: 1.0 + rng.uniform(-0.15, 0.15) for key in off}
        off["gain"] = 1.0 + rng.uniform(-0.05, 0.05)
    return {
        "gain": response.gain_k_per_w * off["gain"],
        "slow_lag": response.slow_s / 3600.0 * off["slow"],
        "quick_lag": min(response.quick_s / 3600.0 * off["quick"], response.slow_s / 3600.0 * 0.8),
        "quick_share": response.quick_share,
        "dead_time": response.dead_s / 3600.0 * off["dead"],
        "room_quick_share": response.room_quick_share,
    }


def config_of(box: Box, way: str, model: dict[str, float], lag_h: float | None) -> Config:
    """Default limits and tunings."""
    offset: dict[str, Any] = {
        "method": "temperature-factor",
        "factor": box.factor,
        "calibrated": True,
    }
    if lag_h is not None:
        offset |= {"substrate_lag": lag_h, "room_lag": min(12.0, lag_h + 2.5)}
    chamber: dict[str, Any] = {
        "callus_zone": SETPOINT_C,
        "heater": {"gpio": 17, "watts": box.watts},
        "probes": {
            "substrate": "28-000000000001",
            "room": "28-000000000002",
            "mat": "28-000000000003",
        },
        "offset": offset,
        "layer_ceiling": 45,
        "limits": {"substrate": 50, "mat": 60, "callus": 30},
    }
    if way != "no model":
        chamber |= {"model": model, "warm_up": way}
    return Config.model_validate({"chambers": {NAME: chamber}})


def warmed(box: Box, config: Config, room_c: float, hours: float, seed: int) -> Warmed:
    """Rehearse it from cold."""
    stands = {NAME: Stand(GuardedModel(box.make(), box.name), SimulatedRelay(NAME))}
    models = {name: stand.model for name, stand in stands.items()}
    reached: list[float] = []
    warmest = [-np.inf, -np.inf]

    def watch(now_s: float) -> None:
        callus_c = models[NAME].temperature("callus")
        if callus_c >= SETPOINT_C - BAND_K and not reached:
            reached.append(now_s / 3600.0)
        warmest[0] = max(warmest[0], callus_c)
        warmest[1] = max(warmest[1], models[NAME].temperature("mat"))

    outcomes = rehearse(
        config,
        wiring_of(config, Path("bench")).lines,
        stands,
        SimulatedProbes(
            models, {n: tuple(c.probes.by_place()) for n, c in config.chambers.items()}, seed
        ),
        SimulatedProbes(models, dict.fromkeys(config.chambers, (Place.MAT,)), seed + 1_000_003),
        lambda _hours: room_c,
        hours / 24.0,
        on_cycle=watch,
    )
    closings = outcomes[NAME].score.closings
    start_s = reached[0] if reached else None
    return Warmed(start_s, warmest[0] - SETPOINT_C, closings, warmest[1])


def one(box: Box, seed: int, chosen: list[str], *, wrong: bool) -> tuple[float, dict[str, Warmed]]:
    """One box: the bound, and every way; none where the mat's limit keeps it from the band."""
    rng = random.Random(f"warm-up {seed} {box.name}")
    room_c = room_of(box, rng)
    bound_h = least_hours(box, room_c)
    if math.isinf(bound_h):
        return bound_h, {}
    model = model_of(box, rng if wrong else None)
    lag_h = callus_lag_h(box)
    ways = {}
    for way in chosen:
        config = config_of(box, way, model, lag_h)
        ways[way] = warmed(box, config, room_c, 1.6 * bound_h + 12.0, seed)
    return bound_h, ways


def main() -> None:
    """Draw, rehearse, print."""
    parser = argparse.ArgumentParser(description=__doc__, allow_abbrev=False)
    parser.add_argument("--count", type=int, default=100)
    parser.add_argument("--seed", type=int, default=3)
    parser.add_argument("--wrong", action="store_true", help="models as a log gives them")
    parser.add_argument("--start", type=int, default=0, help="leave out so many at the beginning")
    parser.add_argument("--ways", default=",".join(WAYS), help="which, with commas between")
    parser.add_argument("--each", action="store_true", help="print every box")
    asked = parser.parse_args()
    chosen = asked.ways.split(",")
    ratios: dict[str, list[float]] = {way: [] for way in chosen}
    over: dict[str, list[float]] = {way: [] for way in chosen}
    out_of_reach = 0
    for number, box in enumerate(draw_boxes(asked.count, asked.seed)):
        if number < asked.start:
            continue
        bound_h, ways = one(box, number, chosen, wrong=asked.wrong)
        if not ways:
            out_of_reach += 1
            continue
        for way, result in ways.items():
            ratios[way].append(float("inf") if result.hours is None else result.hours / bound_h)
            over[way].append(result.overshoot_k)
        if asked.each:
            told = "   ".join(
                f"{way} x{ratios[way][-1]:.2f} {over[way][-1]:+.2f} K {ways[way].closings:3d} "
                f"mat {ways[way].mat_c:.0f}"
                for way in chosen
            )
            print(f"{box.name:24} {bound_h:5.1f} h  {told}", flush=True)
    if out_of_reach:
        print(f"{out_of_reach} boxes left out: the mat's limit keeps them from the band")
    print("hours to the band over those of full power under the mat's limit; overshoot, K")
    for way in chosen:
        ninety = sorted(ratios[way])[int(0.9 * len(ratios[way]))]
        print(
            f"{way:9} median x{statistics.median(ratios[way]):.2f}, 90th percentile x{ninety:.2f};"
            f" overshoot median {statistics.median(over[way]):+.2f}, most {max(over[way]):+.2f}"
        )


if __name__ == "__main__":
    main()
