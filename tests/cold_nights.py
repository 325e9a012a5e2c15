"""Boxes through weeks of recorded winter weather, by the hour: for what is foretold and drifts.

The real estimate, law and relay on a simulated box, probes with constant errors and steps of 1/16 K
(`calibration_world.Controller`); hours as the service gathers them.
"""

from __future__ import annotations

import random
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Any

from bottomheat.config import ChamberConfig, Config
from bottomheat.hourly import Gathering, Hour, take
from bottomheat.model import Condition, Good, Place, Record, Sample
from bottomheat_drivers.simulated import SimulatedThermometer
from calibration_world import DAY_S, HOUR_S, NAME, Biases, Controller

PLACES = (Place.SUBSTRATE, Place.ROOM, Place.MAT)
SETPOINT_C = 25.0


@dataclass(frozen=True, slots=True)
class Lived:
    """An hour as the service saw it, and the truth at its end, °C."""

    hour: Hour
    true_callus_c: float
    true_room_c: float


def config_of(factor: float, watts: float, **more: Any) -> ChamberConfig:
    """A box with wet-layer, room and mat probe, held by its temperature factor."""
    chamber: dict[str, Any] = {
        "callus_zone": SETPOINT_C,
        "heater": {"gpio": 17, "watts": watts},
        "probes": {
            "substrate": "28-000000000001",
            "room": "28-000000000002",
            "mat": "28-000000000003",
        },
        "offset": {"method": "temperature-factor", "factor": round(factor, 3)},
        **more,
    }
    return Config.model_validate({"cycle": 60.0, "chambers": {NAME: chamber}}).chambers[NAME]


def hours_of(
    model: Any,
    chamber: ChamberConfig,
    room: Callable[[float], float],
    days: float,
    rng: random.Random,
    *,
    biases: Biases,
    cycle_s: float = 60.0,
    change: Callable[[Any, float], Any] = lambda model, _: model,
    power: Callable[[float], float] = lambda _: 1.0,
) -> Iterator[Lived]:
    """Let a box live, and hand out its hours.

    Args:
        model: the box, cold.
        chamber: its config.
        room: room in °C at a time in h.
        days: length, d.
        rng: source of the probes' noise.
        biases: errors of the probes.
        cycle_s: length of a cycle, s.
        change: (box, days) -> the box from then on, asked once an hour.
        power: share of its watts that the mat gives at a time in days, 0...1.
    """
    watts = chamber.heater.watts
    probes = {place: SimulatedThermometer(rng) for place in PLACES}
    for place in PLACES:
        probes[place].offset_k = biases.of(place)
    controller = Controller(chamber)
    gathering: Gathering | None = None
    heated = False
    for index in range(round(days * DAY_S / cycle_s)):
        now_s = (index + 1) * cycle_s
        room_c = room(now_s / HOUR_S)
        if now_s % HOUR_S < cycle_s:
            model = change(model, now_s / DAY_S)
        model.advance(cycle_s, watts * heated * power(now_s / DAY_S), room_c)
        read_c: dict[Place, float] = {Place.CALLUS: 0.0}
        for place in PLACES:
            true_c = room_c if place is Place.ROOM else model.temperature(place.value)
            probes[place].advance(cycle_s, true_c)
            raw = probes[place].read(now_s)
            assert isinstance(raw, Sample)
            read_c[place] = raw.celsius
        fed = heated
        heated = controller.step(read_c, watts * fed, now_s)
        record = Record(
            NAME,
            now_s,
            tuple((place, Good(read_c[place], now_s)) for place in PLACES),
            controller.outlook.estimate,
            chamber.callus_zone_c,
            controller.outlook.substrate_setpoint_c,
            0.0,
            fed,
            Condition.HOLDING,
            "",
        )
        gathering, ended = take(gathering, record, watts, now_s, calm=True)
        if ended is not None:
            yield Lived(ended, model.temperature("callus"), room_c)
