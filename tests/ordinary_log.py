"""Days of ordinary running of a random box, as its log would hold them.

Estimate, law and relay of the service in closed loop (`calibration_world.Controller`), in recorded
weather, with probes that lag, have noise, round to 1/16 K and have constant errors.
"""

from __future__ import annotations

import math
import random
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from bottomheat.identification.stretch import Stretch
from bottomheat.model import Place, Sample
from bottomheat_drivers.simulated import SimulatedThermometer
from calibration_world import NAME, Biases, Controller, config_of
from random_boxes import Box

Floats = npt.NDArray[np.float64]
PLACES = (Place.SUBSTRATE, Place.ROOM, Place.MAT, Place.CALLUS)
FACTOR_OFF = 0.05
"""The config's temperature factor is wrong by up to so much; drawn."""


@dataclass(frozen=True, slots=True, eq=False)
class Run:
    """What the log holds, and what the probes were wrong by.

    Attributes:
        stretch: the log: a row a cycle; its callus is the service's estimate.
        probed: the same with a probe in the callus zone instead of the estimate.
        biases: constant errors of the probes.
    """

    stretch: Stretch
    probed: Stretch
    biases: Biases


def run(
    box: Box,
    room: Callable[[float], float],
    days: float,
    rng: random.Random,
    *,
    biases: Biases,
    before_days: float = 0.0,
    cycle_s: float = 60.0,
) -> Run:
    """Let a box live with the controller, from as cold as the room.

    Args:
        box: which.
        room: room in °C at a time in h from the first row.
        days: length of the log, d.
        rng: source of the probes' noise.
        biases: errors of the probes.
        before_days: so long it has run before the log begins, d; 0: the warm-up is in it.
        cycle_s: length of a cycle, s.
    """
    factor = round(box.factor + rng.uniform(-FACTOR_OFF, FACTOR_OFF), 3)
    offset = {"method": "temperature-factor", "factor": factor}
    controller = Controller(config_of(offset, box.watts, cycle_s=cycle_s).chambers[NAME])
    model = box.make()
    thermometers = [SimulatedThermometer(rng) for _ in PLACES]
    for place, thermometer in zip(PLACES, thermometers, strict=True):
        thermometer.offset_k = biases.of(place)
    first = -round(before_days * 86_400.0 / cycle_s)
    steps = round(days * 86_400.0 / cycle_s)
    rows: list[tuple[float, ...]] = []
    heated = False
    for index in range(first, steps):
        now_s = (index + 1) * cycle_s
        model.advance(cycle_s, box.watts if heated else 0.0, room(now_s / 3600.0))
        read_c: dict[Place, float] = {}
        for place, thermometer in zip(PLACES, thermometers, strict=True):
            thermometer.advance(cycle_s, model.temperature(place.value))
            raw = thermometer.read(now_s)
            assert isinstance(raw, Sample)
            read_c[place] = raw.celsius
        fed = float(heated)
        heated = controller.step(read_c, box.watts * fed, now_s)
        estimate = controller.outlook.estimate
        estimate_c = math.nan if estimate is None else estimate.celsius
        if index >= 0:
            rows.append((now_s, *(read_c[place] for place in PLACES), fed, estimate_c))
    time_s, layer_c, room_c, mat_c, callus_c, fed_share, estimated_c = (
        np.ascontiguousarray(column) for column in np.array(rows).T
    )
    return Run(
        Stretch(time_s, layer_c, room_c, fed_share, box.watts, estimated_c, mat_c),
        Stretch(time_s, layer_c, room_c, fed_share, box.watts, callus_c, mat_c),
        biases,
    )
