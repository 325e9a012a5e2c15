"""The benches of capacity, tonight and drift on little: what they run, runs, and says the right."""

from __future__ import annotations

import random
import sys
from pathlib import Path

from bottomheat.capacity import capacity
from bottomheat.chamber import Chamber
from bottomheat.drift_words import Cause
from calibration_world import random_biases, random_box, settled_at, shed_room, truth_factor
from random_boxes import draw_boxes

sys.path.append(str(Path(__file__).parents[1] / "bench"))
import capacity as capacity_bench
import drift as drift_bench
import tonight as tonight_bench


def test_a_box_identified_from_its_log_holds_a_kelvin_above_what_is_told_and_not_below() -> None:
    box = draw_boxes(4, 8)[3]
    rng = random.Random(4)
    biases = random_biases(rng)
    chamber = capacity_bench.config_of(box, rng, 0)
    lift = capacity_bench.identified(box, chamber, rng, biases)
    assert lift is not None
    found = capacity(chamber, lift, 0.0)
    assert found is not None
    told_c = found.coldest_c.value

    def held_c(room_c: float) -> float:
        return capacity_bench.lasting_c(box, chamber, room_c - biases.room_k, biases, 1)

    assert held_c(told_c + 1.0) >= 25.0 - capacity_bench.SHORT_K
    assert held_c(told_c - 1.0) < 25.0 - capacity_bench.SHORT_K


def test_cold_nights_are_counted_and_most_of_the_short_ones_warned_of() -> None:
    count = tonight_bench.Count()
    tonight_bench.trial(draw_boxes(2, 8)[0], 0, 16.0, 8, count)
    assert count.nights == 12
    assert count.short + count.near <= count.nights
    assert count.hits + count.late + count.misses == count.short
    assert count.misses <= 1 + count.short // 4
    assert count.false <= 1


def test_a_lid_left_off_is_told_and_a_lid_left_on_is_not() -> None:
    rng = random.Random(3)
    box = random_box(rng)
    room = shed_room(rng, 26.0)
    watts = 5.0 * round(settled_at(box, room.coldest_c)[1] * 1.3 / 5.0)
    lift = Chamber(box).settled("substrate", 1.0, 0.0)

    def off(model: Chamber, day: float) -> Chamber:
        if day > 9.0 and model.lid == "on":
            model.open_lid("off")
        return model

    factor = truth_factor(box)
    kept, left = (
        drift_bench.told(
            Chamber(box), factor, watts, None, room, 26.0, random.Random(5), lift, **how
        )
        for how in ({}, {"change": off})
    )
    assert kept == []
    assert left
    assert left[0].day > 10.0
    assert left[0].change.cause is Cause.LOSES_MORE
