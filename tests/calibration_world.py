"""Random boxes in recorded weather with the controller in closed loop, to judge calibrations on.

A calibration never sees any of the truth here: it sees a `History` as the log would hold it, and
is judged on what `truth_factor` and `settled` say.

Weather, read from the installed package vega-datasets, no network: ``data.seattle_weather``, daily
minimum and maximum of 2012-2015, °C; ``data.seattle_temps``, hourly °F of 2010, which is smooth
like a climate average.  Minimum at 06:00 and maximum at 15:00 with straight lines between, the lag
of the shed and what heat reaches it are judgement: nobody measured a shed.
"""

from __future__ import annotations

import csv
import math
import random
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any, Final, Protocol

import numpy as np
import numpy.typing as npt
from vega_datasets import data

from bottomheat import estimate as est
from bottomheat import heating, regulate
from bottomheat.chamber import Chamber
from bottomheat.config import ChamberConfig, Config, Direct
from bottomheat.construction import (
    RSE_M2K_PER_W,
    RSI_DOWN_M2K_PER_W,
    RSI_HORIZONTAL_M2K_PER_W,
    RSI_UP_M2K_PER_W,
    Construction,
)
from bottomheat.model import Place, Sample
from bottomheat.modulate import Modulator
from bottomheat.protect.watch import NOTHING
from bottomheat.rooms import RoomSeries, damped
from bottomheat_drivers.simulated import SimulatedThermometer

Array = npt.NDArray[np.float64]

SETPOINT_C: Final = 25.0
HOUR_S: Final = 3600.0
DAY_S: Final = 86_400.0
PROBE_ERROR_K: Final = 0.5
"""Half width of a probe's constant error: ±0.5 °C, DS18B20 datasheet."""

LEAD_DAYS: Final = 4
_PLACES: Final = (Place.SUBSTRATE, Place.ROOM, Place.MAT, Place.CALLUS)
NAME: Final = "north-bench"

# ISO 6946 still air or wind at the outer faces, and 20 mm of foam of 0.035 W/(m·K) around the box.
_STILL: Final = (RSI_HORIZONTAL_M2K_PER_W, RSI_UP_M2K_PER_W, RSI_DOWN_M2K_PER_W)
_WINDY: Final = (RSE_M2K_PER_W, RSE_M2K_PER_W, RSE_M2K_PER_W)
_JACKET_M2K_PER_W: Final = 0.020 / 0.035

# Boards: XPS 0.031-0.035 W/(m·K) declared after EN 13164, 1470 J/(kg·K) ASHRAE, 33 kg/m³
# judgement; EPS 0.0355 W/(m·K) ASHRAE, 20 kg/m³ judgement; card 0.065-0.072 W/(m·K), 1380 J/(kg·K)
# ASHRAE laminated paperboard, 700 kg/m³ judgement.  Thicknesses: judgement.
_BOARDS: Final = (
    ((0.020, 0.050), (0.031, 0.035), 33.0 * 1470.0),
    ((0.020, 0.050), (0.0355, 0.0355), 20.0 * 1470.0),
    ((0.003, 0.006), (0.065, 0.072), 700.0 * 1380.0),
)


def random_box(rng: random.Random) -> Construction:
    """Draw a box within handbook ranges.

    Args:
        rng: source of the draw.
    """

    def between(low: float, high: float) -> float:
        return rng.uniform(low, high)

    # Sizes: judgement, a small crate to a long one.
    length_m = between(0.38, 0.80)
    width_m = between(0.28, 0.50)
    layer_m = between(0.015, 0.035)
    medium_m = between(0.080, 0.150)
    fill_frac = between(0.45, 0.90)
    (thin_m, thick_m), conductivities, board_j_per_m3k = rng.choices(_BOARDS, (6, 3, 1))[0]
    outer = _WINDY if rng.random() < 0.15 else _STILL
    wall_outer, lid_outer, board_outer = outer
    if rng.random() < 0.15:
        wall_outer += _JACKET_M2K_PER_W
        lid_outer += _JACKET_M2K_PER_W
    return Construction(
        length_m=length_m,
        width_m=width_m,
        # Room for buds over the medium: judgement.
        height_m=layer_m + medium_m + between(0.15, 0.28),
        # Polypropylene, EN 12524, as the built-in box; thickness judgement.
        wall_m=between(0.0015, 0.003),
        # Mat: 188 W/m² and 3 kg/m², the share of the base that it covers, judgement.
        mat_m2=length_m * width_m * between(0.75, 0.98),
        mat_gap_m2k_per_w=between(0.020, 0.060),
        board_m=between(thin_m, thick_m),
        board_w_per_mk=between(*conductivities),
        board_j_per_m3k=board_j_per_m3k,
        # Damp vermiculite: judgement between ASHRAE's dry loose fill and soaked.
        layer_m=layer_m,
        layer_w_per_mk=between(0.10, 0.28),
        layer_j_per_m3k=between(0.7e6, 1.8e6),
        fill_frac=fill_frac,
        contact_m2k_per_w=between(0.015, 0.050),  # judgement
        # Damp peat and perlite: Heiskanen 2000 (Suo 51) and a water fraction near a half.
        medium_m=medium_m,
        medium_w_per_mk=between(0.22, 0.50),
        medium_j_per_m3k=between(1.5e6, 3.2e6),
        # Base of the cuttings, well inside the medium: judgement.
        callus_m=between(0.015, 0.040),
        # Bags that fill more of the floor touch more of the walls: judgement.
        side_cover_frac=min(1.0, fill_frac * between(0.7, 1.1)),
        side_gap_m2k_per_w=between(0.08, 0.18),  # ISO 6946 unventilated 5-15 mm, from memory
        # Films inside: judgement around the built-in box.
        convection_w_per_m2k=between(2.0, 3.6),
        lid_view_frac=between(0.30, 0.50),
        wet_frac=between(0.25, 0.75),
        shaft_w_per_m2k=between(4.0, 8.0),
        wall_outer_m2k_per_w=wall_outer,
        lid_outer_m2k_per_w=lid_outer,
        board_outer_m2k_per_w=board_outer,
    )


def truth_factor(box: Construction) -> float:
    """True temperature factor with the lid on, dimensionless."""
    chamber = Chamber(box)
    return chamber.settled("callus", 1.0, 0.0) / chamber.settled("substrate", 1.0, 0.0)


def settled(box: Construction, layer_c: float, room_c: float) -> float:
    """True callus zone where wet layer and room have stayed put for long, lid on, °C.

    Args:
        box: what it is made of.
        layer_c: true wet layer, °C.
        room_c: true room, °C.
    """
    return room_c + truth_factor(box) * (layer_c - room_c)


def settled_at(
    box: Construction, room_c: float, callus_c: float = SETPOINT_C
) -> tuple[float, float]:
    """Wet layer, °C, and power, W, that hold the callus zone there in a steady room, lid on.

    Args:
        box: what it is made of.
        room_c: true room, °C.
        callus_c: true callus zone, °C.
    """
    chamber = Chamber(box)
    watts = (callus_c - room_c) / chamber.settled("callus", 1.0, 0.0)
    return room_c + watts * chamber.settled("substrate", 1.0, 0.0), watts


def mat_for(box: Construction, coldest_c: float, rng: random.Random) -> float:
    """Rated power of the mat that somebody would have bought, W, in steps of 5 W.

    0.9 to 2 times what 25 °C need in the coldest room: some boxes cannot hold it then.

    Args:
        box: what it is made of.
        coldest_c: coldest room, °C.
        rng: source of the draw.
    """
    _, needed_w = settled_at(box, coldest_c)
    return min(400.0, max(10.0, 5.0 * round(needed_w * rng.uniform(0.9, 2.0) / 5.0)))


@cache
def _daily() -> tuple[tuple[float, float], ...]:
    with Path(data.seattle_weather.filepath).open(encoding="utf-8", newline="") as lines:
        return tuple(
            (float(row["temp_min"]), float(row["temp_max"])) for row in csv.DictReader(lines)
        )


@cache
def _hourly() -> tuple[float, ...]:
    with Path(data.seattle_temps.filepath).open(encoding="utf-8", newline="") as lines:
        return tuple((float(row["temp"]) - 32.0) / 1.8 for row in csv.DictReader(lines))


def outdoor(rng: random.Random, days: float) -> tuple[list[float], list[float]]:
    """Hours and °C of recorded outdoor air from `LEAD_DAYS` before hour 0, which is midnight.

    Three draws in four are of the daily record of four years, the rest of the hourly one; any first
    day from October to April.

    Args:
        rng: source of the draw.
        days: length, d.
    """
    whole = math.ceil(days) + 1
    if rng.random() < 0.75:
        rows = _daily()
        starts = [d for d in range(LEAD_DAYS, len(rows) - whole) if _season(d % 365.25)]
        first = rng.choice(starts)
        hours: list[float] = []
        air_c: list[float] = []
        for day in range(-LEAD_DAYS, whole):
            hours += [24.0 * day + 6.0, 24.0 * day + 15.0]
            air_c += rows[first + day]
        return hours, air_c
    record = _hourly()
    starts = [d for d in range(LEAD_DAYS, len(record) // 24 - whole) if _season(d)]
    first = rng.choice(starts)
    span = range(-LEAD_DAYS * 24, whole * 24)
    return [float(hour) for hour in span], [record[first * 24 + hour] for hour in span]


def _season(day_of_year: float) -> bool:
    return day_of_year < 120.0 or day_of_year >= 273.0


def shed_room(rng: random.Random, days: float, *, span_k: float = 0.0) -> RoomSeries:
    """Draw the room of a shed in recorded weather; hour 0 is midnight.

    Two sheds in three are unheated and follow outdoor air with a lag of 4 to 12 h; the rest lean on
    a heated house of 14 to 18 °C and feel a fifth to a half of it.  All judgement.

    Args:
        rng: source of the draw.
        days: length, d.
        span_k: draw again, up to 200 times, until coldest and warmest are so far apart, K.

    Raises:
        ValueError: no room of the draws spans so much.
    """
    for _ in range(200):
        hours, air_c = outdoor(rng, days)
        shed = damped(hours, air_c, rng.uniform(4.0, 12.0))
        share, house_c = 0.0, 0.0
        if rng.random() < 1.0 / 3.0:
            share, house_c = rng.uniform(0.2, 0.5), rng.uniform(14.0, 18.0)
        at = [hour / 2.0 for hour in range(math.ceil(days) * 48 + 1)]
        room = RoomSeries(at, [shed(hour) + share * (house_c - shed(hour)) for hour in at])
        if room.warmest_c - room.coldest_c >= span_k:
            return room
    raise ValueError(f"no shed of 200 spans {span_k} K in {days} days")


@dataclass(frozen=True, slots=True)
class Biases:
    """Constant error of each probe, K: reading less truth."""

    substrate_k: float = 0.0
    room_k: float = 0.0
    mat_k: float = 0.0
    callus_k: float = 0.0

    def of(self, place: Place) -> float:
        """The error of the probe at a place, K."""
        return float(getattr(self, f"{place.value}_k"))


def random_biases(rng: random.Random, half_width_k: float = PROBE_ERROR_K) -> Biases:
    """Draw a constant error for each probe, rectangular.

    Args:
        rng: source of the draw.
        half_width_k: largest error, K.
    """
    return Biases(*(rng.uniform(-half_width_k, half_width_k) for _ in range(4)))


@dataclass(frozen=True, slots=True)
class History:
    """A box over time: what its log would hold, and the truth.

    All arrays have one entry a cycle, of the temperatures at its end.

    Attributes:
        t_s: time, s from midnight of the first day.
        substrate_c: wet layer as read, °C: biased, noisy, in steps of 1/16 K.
        room_c: room as read, °C.
        mat_c: mat as read, °C.
        callus_c: a probe in the callus zone as read, °C; control does not see it.
        heat: share of the cycle in which the mat was fed, 0...1.
        estimate_c: callus zone as the service took it, °C; nan where it did not know.
        expanded_k: expanded uncertainty (k = 2) of that, K.
        setpoint_c: setpoint of the callus zone, °C.
        wanted_c: setpoint of the wet layer, °C.
        true_substrate_c: wet layer, °C.
        true_room_c: room, °C.
        true_callus_c: callus zone, °C.
        watts: power of the mat while it is fed, W.
        cycle_s: length of a cycle, s.
        biases: errors of the probes.
        closings: how often the relay closed.
    """

    t_s: Array
    substrate_c: Array
    room_c: Array
    mat_c: Array
    callus_c: Array
    heat: Array
    estimate_c: Array
    expanded_k: Array
    setpoint_c: float
    wanted_c: Array
    true_substrate_c: Array
    true_room_c: Array
    true_callus_c: Array
    watts: float
    cycle_s: float
    biases: Biases
    closings: int

    def rms_k(self, after_h: float = 0.0) -> float:
        """RMS of the true callus zone about its setpoint from that hour on, K.

        Args:
            after_h: hours from the start that do not count, h.
        """
        error_k = self.true_callus_c[self.t_s > after_h * HOUR_S] - self.setpoint_c
        return float(np.sqrt(np.mean(error_k**2)))


def config_of(
    offset: Mapping[str, Any], watts: float, *, law: str = "pid", cycle_s: float = 60.0
) -> Config:
    """A box with a control, a room and a mat probe, and defaults for the rest.

    Args:
        offset: as in the config file.
        watts: rated power of the mat, W.
        law: "pid" or "hysteresis".
        cycle_s: how often the probes are read, s.
    """
    probes = {"substrate": "28-000000000001", "room": "28-000000000002", "mat": "28-000000000003"}
    if offset.get("method") == "direct":
        probes["callus"] = "28-000000000004"
    return Config.model_validate(
        {
            "cycle": cycle_s,
            "chambers": {
                NAME: {
                    "callus_zone": SETPOINT_C,
                    "law": law,
                    "heater": {"gpio": 17, "watts": watts},
                    "probes": probes,
                    "offset": dict(offset),
                }
            },
        }
    )


class Deciding(Protocol):
    """What decides about the heat of one box."""

    outlook: est.Outlook
    closings: int

    def step(self, read_c: Mapping[Place, float], fed_w: float, now_s: float) -> bool:
        """Run a cycle on readings, °C, and power since the last, W; returns whether to heat."""
        ...


class Controller:
    """Estimate, law and relay of one box as the service runs them, every cycle.

    Left out: what only ever stops heat (judging of readings, cutoff, detectors, keeper), because
    nothing is broken here.  That costs three quarters of a cycle.
    """

    def __init__(self, chamber: ChamberConfig) -> None:
        self._chamber = chamber
        self._direct = isinstance(chamber.offset, Direct)
        self._estimator = est.Estimator()
        self._law = regulate.Law()
        self._relay = Modulator()
        self.closings = 0
        self.outlook = est.Outlook(None, None, None, None)

    def step(self, read_c: Mapping[Place, float], fed_w: float, now_s: float) -> bool:
        """Run a cycle; returns whether the relay is closed from now on.

        Args:
            read_c: readings, °C.
            fed_w: mean power of the mat since the cycle before, W.
            now_s: time, s.
        """
        chamber = self._chamber
        substrate_c, room_c, mat_c = (read_c[place] for place in _PLACES[:3])
        usable = {Place.SUBSTRATE: substrate_c, Place.ROOM: room_c, Place.MAT: mat_c}
        inputs = est.Inputs(
            substrate_c,
            room_c,
            read_c[Place.CALLUS] if self._direct else None,
            room_wanted=True,
            power_w=fed_w,
        )
        self._estimator, self.outlook = est.advance(
            self._estimator, inputs, chamber, now_s, regulating=True
        )
        law = regulate.measure(self._law, substrate_c, now_s, bounded=self._relay.cut)
        bound = heating.bound(chamber, usable)
        self._law, self._relay, _ = heating.regulated(
            law, self._relay, self.outlook, usable, bound, now_s, chamber, NOTHING, None
        )
        self.closings = self._relay.closings
        return self._relay.closed


def live(
    box: Construction,
    offset: Mapping[str, Any],
    room: Callable[[float], float],
    days: float,
    rng: random.Random,
    *,
    biases: Biases,
    watts: float,
    cycle_s: float = 60.0,
    law: str = "pid",
    controller: Deciding | None = None,
) -> History:
    """Let a box live with the controller in closed loop, from as cold as the room.

    Args:
        box: what it is made of.
        offset: as in the config file.
        room: room in °C at a time in h from midnight of the first day.
        days: length, d.
        rng: source of the probes' noise.
        biases: errors of the probes.
        watts: power of the mat, W.
        cycle_s: length of a cycle, s.
        law: "pid" or "hysteresis".
        controller: what decides instead of a `Controller` on ``offset`` and ``law``.
    """
    if controller is None:
        config = config_of(offset, watts, law=law, cycle_s=cycle_s)
        controller = Controller(config.chambers[NAME])
    chamber = Chamber(box)
    thermometers = [SimulatedThermometer(rng) for _ in _PLACES]
    for place, thermometer in zip(_PLACES, thermometers, strict=True):
        thermometer.offset_k = biases.of(place)
    steps = round(days * DAY_S / cycle_s)
    rows = np.full((steps, 12), np.nan)
    heated = False
    for index in range(steps):
        now_s = (index + 1) * cycle_s
        chamber.advance(cycle_s, watts if heated else 0.0, room(now_s / HOUR_S))
        true_c = [chamber.temperature(place.value) for place in _PLACES]
        read_c: dict[Place, float] = {}
        for place, thermometer, celsius in zip(_PLACES, thermometers, true_c, strict=True):
            thermometer.advance(cycle_s, celsius)
            raw = thermometer.read(now_s)
            assert isinstance(raw, Sample)
            read_c[place] = raw.celsius
        fed = float(heated)
        heated = controller.step(read_c, watts * fed, now_s)
        outlook = controller.outlook
        estimate = outlook.estimate
        wanted_c = outlook.substrate_setpoint_c
        rows[index] = (
            now_s,
            *read_c.values(),
            fed,
            math.nan if estimate is None else estimate.celsius,
            math.nan if estimate is None else estimate.expanded_k,
            math.nan if wanted_c is None else wanted_c,
            true_c[0],
            true_c[1],
            true_c[3],
        )
    column = [np.ascontiguousarray(values) for values in rows.T]
    return History(
        t_s=column[0],
        substrate_c=column[1],
        room_c=column[2],
        mat_c=column[3],
        callus_c=column[4],
        heat=column[5],
        estimate_c=column[6],
        expanded_k=column[7],
        setpoint_c=SETPOINT_C,
        wanted_c=column[8],
        true_substrate_c=column[9],
        true_room_c=column[10],
        true_callus_c=column[11],
        watts=watts,
        cycle_s=cycle_s,
        biases=biases,
        closings=controller.closings,
    )
