"""The coldest room that ``capacity`` tells against the one that the rehearsed box holds.

    python tests/bench/capacity.py [BOXES] [SEED] [all|mat]

Random boxes of two models; each is identified from five days of its ordinary log
(`ordinary_log`), with gains, load and uncertainties as ``identify --write`` keeps them.  The truth
is found by halving, with the controller in closed loop on the same probes (constant errors, steps
of 1/16 K): the coldest steady room in which the callus zone, as the service sees it, stays within
0.1 K of its setpoint at the end of four days.  Every third box has a low ceiling and every third a
low mat limit, so that all three bounds bind; the factor is known.  ``mat``: the last third.
"""

from __future__ import annotations

import random
import statistics
import sys
from dataclasses import dataclass
from pathlib import Path
from typing import Any

sys.path.append(str(Path(__file__).resolve().parents[1]))

from bottomheat.capacity import Lift, capacity, lift_of
from bottomheat.cli.identify_text import model_keys
from bottomheat.config import ChamberConfig, Config
from bottomheat.config_sections import Model
from bottomheat.identification.passive import Fitted, identify
from bottomheat.model import Place, Sample
from bottomheat_drivers.simulated import SimulatedThermometer
from calibration_world import HOUR_S, NAME, Biases, Controller, random_biases, shed_room
from ordinary_log import run
from random_boxes import Box, draw_boxes

CYCLE_S = 60.0
DAYS = 4.0
LOG_DAYS = 5.0
SHORT_K = 0.1


@dataclass(frozen=True, slots=True)
class Trial:
    """One box: what was told and what is true, °C, and what binds.

    ``mat_error_frac``: rise of the mat over the wet layer, told less true, over the true one;
    ``mat_held``: whether its interval holds that.
    """

    box: str
    told_c: float
    low_c: float
    high_c: float
    true_c: float
    binds: str
    mat_error_frac: float
    mat_held: bool

    @property
    def error_k(self) -> float:
        """Told less true, K."""
        return self.told_c - self.true_c


def config_of(box: Box, rng: random.Random, kind: int) -> ChamberConfig:
    """The box's config, with its true factor; a third with a low ceiling, a third a low mat."""
    heater: dict[str, Any] = {"gpio": 17, "watts": box.watts}
    chamber: dict[str, Any] = {
        "callus_zone": 25.0,
        "heater": heater,
        "probes": {"substrate": "28-000000000001", "room": "28-000000000002"},
        "offset": {"method": "temperature-factor", "factor": round(box.factor, 3)},
        "layer_ceiling": 42.0,
        "limits": {"substrate": 48.0, "mat": 85.0},
    }
    if kind == 1:
        chamber["layer_ceiling"] = round(rng.uniform(29.5, 32.0), 1)
        chamber["limits"] = {"substrate": 42.0, "mat": 85.0}
    if kind == 2:
        chamber["probes"]["mat"] = "28-000000000003"
        chamber["limits"] = {"substrate": 48.0, "mat": round(rng.uniform(52.0, 60.0))}
    config = Config.model_validate({"cycle": CYCLE_S, "chambers": {NAME: chamber}})
    return config.chambers[NAME]


def lasting_c(
    box: Box, chamber: ChamberConfig, room_c: float, biases: Biases, seed: int, days: float = DAYS
) -> float:
    """Mean estimate of the callus zone in the last half day in a steady room, °C."""
    rng = random.Random(seed)
    model = box.make()
    places = (Place.SUBSTRATE, Place.ROOM, Place.MAT)
    probes = {place: SimulatedThermometer(rng) for place in places}
    for place in places:
        probes[place].offset_k = biases.of(place)
    controller = Controller(chamber)
    heated, total, count = False, 0.0, 0
    steps = round(days * 86_400.0 / CYCLE_S)
    for index in range(steps):
        now_s = (index + 1) * CYCLE_S
        # The first half day in a mild room: nobody starts a season on the coldest night.
        now_c = room_c if now_s > 12 * HOUR_S else max(room_c, 12.0)
        model.advance(CYCLE_S, box.watts if heated else 0.0, now_c)
        read_c = {}
        for place in places:
            true_c = now_c if place is Place.ROOM else model.temperature(place.value)
            probes[place].advance(CYCLE_S, true_c)
            raw = probes[place].read(now_s)
            assert isinstance(raw, Sample)
            read_c[place] = raw.celsius
        if chamber.probes.mat is None:
            read_c[Place.MAT] = read_c[Place.SUBSTRATE]
        heated = controller.step({**read_c, Place.CALLUS: 0.0}, box.watts * heated, now_s)
        if index >= steps - 12 * 60 and controller.outlook.estimate is not None:
            total, count = total + controller.outlook.estimate.celsius, count + 1
    return total / count


def true_coldest_c(
    box: Box, chamber: ChamberConfig, near_c: float, biases: Biases, seed: int
) -> float:
    """The coldest room, as its probe reads it, that the rehearsed box holds, °C; by halving."""
    low_c, high_c = near_c - 4.0, near_c + 4.0
    while high_c - low_c > 0.13:
        mid_c = 0.5 * (low_c + high_c)
        if lasting_c(box, chamber, mid_c - biases.room_k, biases, seed) >= 25.0 - SHORT_K:
            high_c = mid_c
        else:
            low_c = mid_c
    return 0.5 * (low_c + high_c)


def identified(box: Box, chamber: ChamberConfig, rng: random.Random, biases: Biases) -> Lift | None:
    """What ``identify`` finds in five days of the box's log; None: not enough excitation.

    Through the config, as a grower has it: what ``identify --write`` puts there is what counts.
    """
    log = run(box, shed_room(rng, LOG_DAYS), LOG_DAYS, rng, biases=biases)
    fitted = identify([log.stretch])
    if not isinstance(fitted, Fitted):
        return None
    model = Model.model_validate(model_keys(fitted.found))
    return lift_of(chamber.model_copy(update={"model": model}))


def trial(box: Box, index: int, seed: int) -> Trial | None:
    """Ask ``capacity``, then rehearse."""
    rng = random.Random(f"capacity {seed} {index}")
    biases = random_biases(rng)
    chamber = config_of(box, rng, index % 3)
    lift = identified(box, chamber, rng, biases)
    if lift is None:
        return None
    found = capacity(chamber, lift, 0.0)
    assert found is not None
    told = found.coldest_c
    assert told.low is not None
    assert told.high is not None
    true_c = true_coldest_c(box, chamber, told.value, biases, seed + index)
    mat_k_per_w = box.gain("mat") - box.gain_k_per_w
    assert lift.mat_k_per_w is not None
    off_k_per_w = lift.mat_k_per_w - mat_k_per_w
    return Trial(
        box.name,
        told.value,
        told.low,
        told.high,
        true_c,
        found.binds.value,
        off_k_per_w / mat_k_per_w,
        abs(off_k_per_w) <= (lift.mat_k_per_w_half or 0.0),
    )


def main() -> None:
    """Print a table."""
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 36
    seed = int(sys.argv[2]) if len(sys.argv) > 2 else 8
    kinds = (2,) if sys.argv[3:] == ["mat"] else (0, 1, 2)
    trials = []
    print("box            binds            told   (95 %)            true    error")
    for index, box in enumerate(draw_boxes(count, seed)):
        if index % 3 not in kinds:
            continue
        one = trial(box, index, seed)
        if one is None:
            print(f"{box.name:14} not enough excitation in five days", flush=True)
            continue
        trials.append(one)
        print(
            f"{one.box:14} {one.binds:15} {one.told_c:6.1f}  ({one.low_c:5.1f} to "
            f"{one.high_c:5.1f})  {one.true_c:6.1f}  {one.error_k:+5.2f}",
            flush=True,
        )
    errors = sorted(abs(one.error_k) for one in trials)
    print(
        f"{len(trials)} boxes: |error| median {statistics.median(errors):.2f} K, 90th percentile "
        f"{errors[round(0.9 * (len(errors) - 1))]:.2f} K, worst {errors[-1]:.2f} K; within 1 K "
        f"{sum(e <= 1.0 for e in errors)}"
    )
    mats = sorted(abs(one.mat_error_frac) for one in trials)
    print(
        f"the mat's own rise: off by {statistics.median(mats):.1%} in the median, "
        f"{mats[round(0.9 * (len(mats) - 1))]:.1%} at the 90th percentile; its interval holds the "
        f"truth in {sum(one.mat_held for one in trials)} of {len(trials)}"
    )
    for binds in ("power", "mat limit"):
        bound = [one for one in trials if one.binds == binds]
        inside = sum(one.low_c - 0.15 <= one.true_c <= one.high_c + 0.15 for one in bound)
        print(f"where {binds} binds the interval holds the truth in {inside} of {len(bound)}")


if __name__ == "__main__":
    main()
