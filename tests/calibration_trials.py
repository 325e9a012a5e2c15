"""Trials of a calibration: a random box, a thermometer and probes that are wrong, what came of it.

The readings go through ``calibration.pairing`` and ``calibration.fit`` as those of ``bottomheat
calibrate`` do; what is judged is whether the interval holds the truth, and how well the box is held
afterwards.
"""

from __future__ import annotations

import math
import random
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np

from bottomheat.calibration import fit as fitting
from bottomheat.calibration import outcome
from bottomheat.calibration.fit import Fit
from bottomheat.calibration.ledger import USUAL_SPOT, Pairing, Reference, ReferenceEntry
from bottomheat.calibration.outcome import Outcome, Zone
from bottomheat.calibration.pairing import Seen, pair
from bottomheat.construction import Construction
from bottomheat.doubts import U_ZONE_K
from bottomheat.model import Estimate
from calibration_world import (
    HOUR_S,
    NAME,
    PROBE_ERROR_K,
    SETPOINT_C,
    Array,
    Biases,
    History,
    config_of,
    live,
    mat_for,
    random_biases,
    random_box,
    settled_at,
    shed_room,
    truth_factor,
)

UNCALIBRATED: Final = {"method": "temperature-factor", "factor": 0.75}
FIRST_H: Final = 30.0
"""No reading is taken earlier after a cold start, h."""

DECENT_HOURS: Final = (7.0, 22.0)
COLDER_K: Final = 10.0
ZONE: Final = Zone(U_ZONE_K, "assumed")

K_95: Final = 1.959964
"""Quantile of the normal distribution for 95 %."""

RECORD_S: Final = 72 * 3600.0
AFTER_S: Final = 180.0
"""The command pairs with the log from 72 h before a reading to 3 min after it, s."""


@dataclass(frozen=True, slots=True)
class Doubts:
    """What is wrong with the thermometer and the probes.

    Attributes:
        common_k: standard deviation of the thermometer's error that all readings share, K.
        own_k: the same of one that is drawn anew for every reading, as if each were taken with
            another thermometer, K.
        reading_k: standard deviation of reading it, K.
        probe_k: largest constant error of a probe, K, rectangular.
        jar: the probes are wrong by `PROBE_ERROR_K` as ever, and are compared after the readings,
            which leaves ``probe_k``.
        expanded_k: what the grower states (k = 2), K.
    """

    common_k: float = 0.1
    own_k: float = 0.0
    reading_k: float = 0.06
    probe_k: float = PROBE_ERROR_K
    jar: bool = False
    expanded_k: float = 0.2

    @property
    def u_probe_k(self) -> float:
        """Standard uncertainty of a probe, K."""
        return self.probe_k / math.sqrt(3.0)


DOUBTS: Final = {
    "common": Doubts(),
    "independent": Doubts(common_k=0.0, own_k=0.1),
    "jar": Doubts(probe_k=0.1, jar=True),
}


@dataclass(frozen=True, slots=True)
class Hour:
    """When the thermometer was read.

    Attributes:
        at_s: s from the start.
        room_c: true room, °C.
        callus_c: true callus zone, °C.
        pairing: what the log knew.
        weather_k: how far the true callus zone was from where true wet layer and room, with the
            lags of the pairing and the true factor, put it, K.
    """

    at_s: float
    room_c: float
    callus_c: float
    pairing: Pairing
    weather_k: float


@dataclass(frozen=True, slots=True)
class Life:
    """A box that somebody calibrates.

    Attributes:
        seed: of everything that was drawn.
        box: what it is made of.
        factor: its true temperature factor, dimensionless.
        history: its days before and while it was calibrated.
        hours: steady hours at which the thermometer was read; the second was later than the first,
            when the room was as far as possible from what it was at the first, the rest at any
            decent hour.
        refused: how many hours were not steady, so that it was read again at another one.
    """

    seed: int
    box: Construction
    factor: float
    history: History
    hours: tuple[Hour, ...]
    refused: int


@dataclass(frozen=True, slots=True)
class Taken:
    """A reading of the thermometer: when, and what it said, °C."""

    hour: Hour
    reading_c: float


@dataclass(frozen=True, slots=True)
class Trial:
    """A life with a certain thermometer.

    Attributes:
        life: the box and its days.
        doubts: what is wrong with the thermometers.
        taken: readings.
        corrections_k: what is added to the readings of each place from now on, K.
        biases: what is left of the probes' errors then.
    """

    life: Life
    doubts: Doubts
    taken: tuple[Taken, ...]
    corrections_k: Mapping[str, float]
    biases: Biases


def draw(seed: int) -> Life:
    """Draw a box, its shed and its probes, let it live for some days; choose 2 to 6 hours to read.

    Args:
        seed: of everything.
    """
    rng = random.Random(f"calibration {seed}")
    box = random_box(rng)
    days = rng.uniform(5.0, 10.0)
    # Half of the growers wait for weather that shows something.
    room = shed_room(rng, days, span_k=6.0 if rng.random() < 0.5 else 0.0)
    watts = mat_for(box, room.coldest_c, rng)
    biases = random_biases(rng)
    history = live(box, UNCALIBRATED, room, days, rng, biases=biases, watts=watts)
    factor = truth_factor(box)
    picked, refused = _picked(history, rng.randint(2, 6), rng)
    hours = tuple(
        Hour(
            float(history.t_s[index]),
            float(history.true_room_c[index]),
            float(history.true_callus_c[index]),
            pairing,
            _weather_k(history, index, pairing, factor),
        )
        for index, pairing in picked
    )
    return Life(seed, box, factor, history, hours, refused)


def read(life: Life, errors: str) -> Trial:
    """Read the thermometer at the hours of a life.

    Args:
        life: whose.
        errors: a name in `DOUBTS`.
    """
    doubts = DOUBTS[errors]
    rng = random.Random(f"readings {life.seed} {errors}")
    common_k = rng.gauss(0.0, doubts.common_k)
    taken = tuple(
        Taken(
            hour,
            hour.callus_c
            + common_k
            + rng.gauss(0.0, doubts.own_k)
            + rng.gauss(0.0, doubts.reading_k),
        )
        for hour in life.hours
    )
    before = life.history.biases
    if not doubts.jar:
        return Trial(life, doubts, taken, {}, before)
    after = random_biases(rng, doubts.probe_k)
    corrections = {
        "substrate": after.substrate_k - before.substrate_k,
        "room": after.room_k - before.room_k,
    }
    return Trial(life, doubts, taken, corrections, after)


def seen(history: History) -> tuple[Seen, ...]:
    """The rows of the log, thinned to every other cycle.

    Args:
        history: whose log.
    """
    heat = np.append(history.heat[1:], 0.0)  # a row's heat counts from it on
    return tuple(
        Seen(
            float(history.t_s[i]),
            float(history.substrate_c[i]),
            float(history.room_c[i]),
            float(heat[i : i + 2].mean()),
            Estimate(float(history.estimate_c[i]), float(history.expanded_k[i])),
            history.setpoint_c,
        )
        for i in range(0, len(history.t_s), 2)
    )


def paired(rows: Sequence[Seen], at_s: float, watts: float) -> Pairing:
    """Pair as the command does, with the box's config of that time.

    Args:
        rows: of the log.
        at_s: when the thermometer was read, s.
        watts: rated power of the mat, W.
    """
    chamber = config_of(UNCALIBRATED, watts).chambers[NAME]
    low_s, high_s = at_s - RECORD_S, at_s + AFTER_S
    return pair(
        [row for row in rows if low_s <= row.at_s <= high_s],
        at_s,
        offset=chamber.offset,
        watts=watts,
        probes={place.value: name for place, name in chamber.probes.by_place().items()},
        corrections_k={},
        calibrated=False,
    )


def _picked(
    history: History, count: int, rng: random.Random
) -> tuple[list[tuple[int, Pairing]], int]:
    """When the grower reads: cycles of the history, and how many hours were not steady."""
    rows = seen(history)
    every = round(1800.0 / history.cycle_s)
    low_h, high_h = DECENT_HOURS
    # At any minute: a fixed step would always meet the same part of the relay's window.
    decent = [
        index
        for slot in range(
            round(FIRST_H * HOUR_S / history.cycle_s), len(history.t_s) - every, every
        )
        for index in (slot + rng.randrange(every),)
        if low_h <= history.t_s[index] / HOUR_S % 24.0 <= high_h
    ]
    picked: list[tuple[int, Pairing]] = []
    refused = 0

    def take(indices: Iterable[int]) -> None:
        nonlocal refused
        for index in indices:
            pairing = paired(rows, float(history.t_s[index]), history.watts)
            if pairing.steady:
                picked.append((index, pairing))
                return
            refused += 1

    early = decent[: len(decent) // 2]
    take(rng.sample(early, len(early)))
    if not picked:
        return [], refused
    first = picked[0][0]
    room_c = history.room_c
    later = [index for index in decent if index >= first + 4 * every]
    take(sorted(later, key=lambda index: -abs(room_c[index] - room_c[first])))
    for _ in range(count - 2):
        near = {index for index, _ in picked}
        rest = [i for i in decent if i > first and all(abs(i - n) >= 4 * every for n in near)]
        take(rng.sample(rest, len(rest)))
    return picked, refused


def _weather_k(history: History, index: int, pairing: Pairing, factor: float) -> float:
    dt_s = history.cycle_s
    room_c, layer_c = (
        _lagged(values[: index + 1], lag_h * HOUR_S, dt_s)
        for values, lag_h in (
            (history.true_room_c, pairing.room_lag_h),
            (history.true_substrate_c, pairing.substrate_lag_h),
        )
    )
    return float(history.true_callus_c[index]) - (room_c + factor * (layer_c - room_c))


def _lagged(values: Array, tau_s: float, dt_s: float) -> float:
    share = -math.expm1(-dt_s / tau_s)
    value = values[0]
    for each in values:
        value += (each - value) * share
    return float(value)


@dataclass(frozen=True, slots=True)
class Point:
    """A steady state in which a calibration is judged.

    Attributes:
        where: which one.
        truth_c: true callus zone, °C.
        substrate_c: wet layer as the biased probe reads it, °C.
        room_c: room, the same.
        power_w: power of the mat, W.
    """

    where: str
    truth_c: float
    substrate_c: float
    room_c: float
    power_w: float


def points(trial: Trial, taken: Sequence[Taken]) -> list[Point]:
    """The callus zone at 25 °C in the rooms of the readings, in their mean, and 10 K below it.

    Args:
        trial: whose.
        taken: the readings that the calibration rests on.
    """
    biases = trial.biases
    rooms = [each.hour.room_c for each in taken]
    mean = sum(rooms) / len(rooms)
    wanted = [("warmest room", max(rooms)), ("coldest room", min(rooms)), ("mean room", mean)]
    wanted.append(("10 K colder", mean - COLDER_K))
    found = []
    for where, room_c in wanted:
        layer_c, watts = settled_at(trial.life.box, room_c)
        found.append(
            Point(
                where,
                SETPOINT_C,
                layer_c + biases.substrate_k,
                room_c + biases.room_k,
                watts,
            )
        )
    return found


def fitted(trial: Trial, taken: Sequence[Taken]) -> Fit:
    """Fit as the command does, from the ledger that the readings make.

    Args:
        trial: whose.
        taken: readings to fit.
    """
    doubts = trial.doubts
    references = [
        Reference(
            number,
            round(each.hour.at_s * 1000.0),
            True,
            ReferenceEntry(
                NAME,
                USUAL_SPOT,
                "on",
                each.reading_c,
                doubts.expanded_k,
                "",
                0.0,
                each.hour.pairing,
            ),
            None,
        )
        for number, each in enumerate(taken, 1)
    ]
    known = fitting.Doubts(substrate_k=doubts.u_probe_k, room_k=doubts.u_probe_k)
    rows, left_out = fitting.rows_of(
        references,
        lid="on",
        probes=dict(taken[0].hour.pairing.probes),
        corrections_k=dict(trial.corrections_k),
        doubts=known,
    )
    return fitting.fit(rows, known, left_out)


def offset_of(made: Fit) -> dict[str, Any]:
    """The temperature-factor offset that a fit puts into the config."""
    return _keys(outcome.factor_from_readings(made, ZONE, lags_measured=False))


def flow_offset_of(made: Fit) -> dict[str, Any] | None:
    """The heat-flow offset that a fit puts into the config, or None where there is none."""
    found = outcome.flow_from_readings(made, ZONE)
    return None if found is None else _keys(found)


def _keys(made: Outcome) -> dict[str, Any]:
    return {key: value for key, value in made.values.items() if value is not None}


def fixed_offset_of(trial: Trial) -> dict[str, Any]:
    """The fixed offset that the first reading gives."""
    first = trial.taken[0]
    layer_c = first.hour.pairing.lagged_substrate_c + trial.corrections_k.get("substrate", 0.0)
    below_k = layer_c - first.reading_c
    return {"method": "fixed", "kelvin": min(15.0, max(0.0, below_k))}


@dataclass(frozen=True, slots=True)
class Judged:
    """What a calibration says of a steady state, beside the truth.

    Attributes:
        method: "temperature-factor" or "heat-flow".
        where: the state.
        error_k: callus zone as calibrated less true callus zone, K.
        u_k: its standard uncertainty, K.
    """

    method: str
    where: str
    error_k: float
    u_k: float

    @property
    def held(self) -> bool:
        """Whether the 95 % interval holds the truth."""
        return abs(self.error_k) <= K_95 * self.u_k


def judge(trial: Trial, taken: Sequence[Taken]) -> list[Judged]:
    """Fit the readings, and compare with the truth in the rooms of ``points``.

    Args:
        trial: whose.
        taken: readings to fit.
    """
    made = fitted(trial, taken)
    # As the config has it, rounded.
    factor = outcome.factor_from_readings(made, ZONE, lags_measured=False).line
    flow = outcome.flow_from_readings(made, ZONE)
    found = []
    for point in points(trial, taken):
        x_k = point.substrate_c - point.room_c
        said_c = point.room_c + factor.factor * x_k + factor.intercept_k
        u_k = factor.u_k(x_k)
        found.append(Judged("temperature-factor", point.where, said_c - point.truth_c, u_k))
        if flow is not None:
            line = flow.line
            said_c = point.substrate_c - line.factor * point.power_w + line.intercept_k
            u_k = line.u_k(-point.power_w)
            found.append(Judged("heat-flow", point.where, said_c - point.truth_c, u_k))
    return found
