"""Whether the interval of a calibration holds the truth as often as it says.

First on readings made up from the very errors that the fit is told of, where 95 % have to come out;
then on boxes in recorded weather that go through the controller, the pairing and the fit.
"""

from __future__ import annotations

import math
import random
from functools import cache

import numpy as np
import pytest
from scipy.stats import binom

from bottomheat.calibration import fit as fitting
from bottomheat.calibration.ledger import Pairing, Reference, ReferenceEntry
from calibration_trials import DOUBTS, K_95, Doubts, Judged, Life, draw, judge, read

PROBES = {"substrate": "28-000000000001", "room": "28-000000000002"}
STEADINESS_K = 0.05
SETPOINT_C = 25.0


def within(held: int, count: int, share: float = 0.95) -> bool:
    """Whether a binomial count is not further off than one in a thousand is, either way."""
    low, high = binom.ppf([0.0005, 0.9995], count, share)
    return bool(low <= held <= high)


class Bed:
    """A bed at rest with probes and a thermometer that are wrong, and the readings from it."""

    def __init__(self, rng: random.Random, doubts: Doubts, *, normal: bool = False) -> None:
        self.factor = rng.uniform(0.58, 0.88)
        self.resistance_k_per_w = rng.uniform(0.1, 0.4)
        half_k = doubts.probe_k
        draw_k = (
            (lambda: rng.gauss(0.0, half_k / math.sqrt(3.0)))
            if normal
            else (lambda: rng.uniform(-half_k, half_k))
        )
        self.substrate_k, self.room_k = draw_k(), draw_k()
        self._thermometer_k = rng.gauss(0.0, doubts.common_k)
        self._doubts = doubts
        self._rng = rng

    def at(self, room_c: float, factor: float | None = None) -> tuple[float, float, float]:
        """Wet layer and room as read, °C, and power, W, with the callus zone at 25 °C."""
        x_k = (SETPOINT_C - room_c) / (self.factor if factor is None else factor)
        power_w = (x_k - (SETPOINT_C - room_c)) / self.resistance_k_per_w
        return room_c + x_k + self.substrate_k, room_c + self.room_k, power_w

    def read(self, room_c: float, number: int) -> Reference:
        """A reading of the thermometer there."""
        doubts, rng = self._doubts, self._rng
        layer_c, read_room_c, power_w = self.at(room_c)
        own_k = math.hypot(
            doubts.reading_k, fitting.U_STEP_K, fitting.U_WEATHER_READING_K, STEADINESS_K
        )
        reading_c = SETPOINT_C + self._thermometer_k + rng.gauss(0.0, own_k)
        pairing = Pairing(
            substrate_c=layer_c,
            room_c=read_room_c,
            lagged_substrate_c=layer_c,
            lagged_room_c=read_room_c,
            power_w=power_w,
            steadiness_k=STEADINESS_K,
            hours=72.0,
            steady=True,
            why="",
            room_lag_h=3.75,
            substrate_lag_h=1.25,
            memory_h=2.3,
            estimate_c=SETPOINT_C,
            expanded_k=1.0,
            calibrated=False,
            probes=PROBES,
            corrections_k={},
        )
        entry = ReferenceEntry(
            "north-bench", "middle", "on", reading_c, doubts.expanded_k, "", 0.0, pairing
        )
        return Reference(number, 1000 * number, True, entry, None)

    def fitted(self, rooms_c: list[float]) -> fitting.Fit:
        """The fit of a reading in each room."""
        known = fitting.Doubts(self._doubts.u_probe_k, self._doubts.u_probe_k)
        rows, left_out = fitting.rows_of(
            [self.read(room_c, number) for number, room_c in enumerate(rooms_c, 1)],
            lid="on",
            probes=PROBES,
            corrections_k={},
            doubts=known,
        )
        assert not left_out
        return fitting.fit(rows, known)


ROOMS = {
    "one reading": ([12.0], [12.0, 2.0]),
    "two in like rooms": ([12.0, 10.0], [11.0, 1.0]),
    "two far apart": ([16.0, 4.0], [10.0, 0.0]),
    "six": ([16.0, 14.0, 9.0, 12.0, 5.0, 8.0], [10.0, 0.0]),
}


@pytest.mark.parametrize("errors", ["common", "jar"])
@pytest.mark.parametrize("name", ROOMS)
def test_told_errors_give_intervals_that_hold_95_times_in_a_hundred(name: str, errors: str) -> None:
    rooms_c, asked = ROOMS[name]
    rng = random.Random(f"{name} {errors}")
    count = 120
    held = dict.fromkeys(((m, r) for m in ("factor", "flow") for r in asked), 0)
    for _ in range(count):
        bed = Bed(rng, DOUBTS[errors], normal=True)
        made = bed.fitted(rooms_c)
        for room_c in asked:
            layer_c, read_room_c, power_w = bed.at(room_c)
            x_k = layer_c - read_room_c
            said_c = read_room_c + made.line.factor * x_k + made.line.intercept_k
            held["factor", room_c] += abs(said_c - SETPOINT_C) <= K_95 * made.line.u_k(x_k)
            flow = made.resistance
            assert flow is not None
            said_c = layer_c - flow.factor * power_w + flow.intercept_k
            # The fit allows for weather that power does not follow, which there is none of here.
            held["flow", room_c] += abs(said_c - SETPOINT_C) <= K_95 * flow.u_k(-power_w)
    for (method, room_c), many in held.items():
        if method == "factor":
            assert within(many, count), (method, room_c, many)
        else:
            assert many >= binom.ppf(0.0005, count, 0.95), (method, room_c, many)


def test_a_thermometer_worse_than_told_is_caught_by_the_same_judgement() -> None:
    rng = random.Random(1)
    told = Doubts(common_k=0.5, expanded_k=0.2)
    held = 0
    for _ in range(150):
        bed = Bed(rng, told)
        made = bed.fitted([14.0, 6.0])
        layer_c, room_c, _ = bed.at(10.0)
        said_c = room_c + made.line.factor * (layer_c - room_c) + made.line.intercept_k
        held += abs(said_c - SETPOINT_C) <= K_95 * made.line.u_k(layer_c - room_c)
    assert not within(held, 150)
    assert held < 120


@cache
def life(seed: int) -> Life:
    return draw(seed)


@pytest.mark.slow
@pytest.mark.parametrize("errors", ["common", "independent", "jar"])
def test_boxes_in_recorded_weather_lie_where_their_calibrations_say(errors: str) -> None:
    count = 15
    judged: list[Judged] = []
    for seed in range(1000, 1000 + count):
        trial = read(life(seed), errors)
        assert len(trial.taken) >= 2
        judged += judge(trial, trial.taken)
    for method in ("temperature-factor", "heat-flow"):
        for where in ("mean room", "10 K colder"):
            rows = [j for j in judged if (j.method, j.where) == (method, where)]
            held = sum(j.held for j in rows)
            assert held >= binom.ppf(0.001, count, 0.95), (method, where, held)
            # And not by being wide: the errors are of the size that is told.
            off = np.array([j.error_k / j.u_k for j in rows])
            assert 0.4 < math.sqrt(float(np.mean(off**2))) < 1.6, (method, where)
