"""Probes that stand still: frozen ones are found, healthy ones that have nothing to do are not."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import pytest

import chambers
from beds import CYCLE_S, FACTS, HOUR, MAKES, Beds, keys_of, warmed
from bottomheat.chamber import Chamber
from bottomheat.model import Alarm, Place
from bottomheat.protect import stillness
from bottomheat.protect import thresholds as th
from bottomheat.protect.layer import Layer
from bottomheat.protect.watch import Still, Watch
from plant import config

S, S2, ROOM, MAT = Place.SUBSTRATE, Place.SUBSTRATE_2, Place.ROOM, Place.MAT
every_box = pytest.mark.parametrize("make", MAKES.values(), ids=MAKES)
two_boxes = pytest.mark.parametrize("make", [Chamber, chambers.DeepBox], ids=["nominal", "other"])


# --- on boxes -----------------------------------------------------------------------------------


@every_box
def test_a_frozen_wet_layer_probe_in_steady_state_is_found_by_a_proving_window(make):
    beds = warmed(make)
    beds.freeze(S)
    beds.until(lambda: Alarm.PROBE_FROZEN in beds.alarms(), 2.0)
    assert not beds.heat
    assert beds.latched() is None
    assert max(beds.callus_c["bench"]) < 25.5
    beds.run(2)
    assert not beds.heat
    assert beds.raised() <= {Alarm.PROBE_FROZEN, Alarm.HEAT_LOST}
    beds.stuck_at.clear()
    beds.run(1 / 12)
    assert not beds.heat, "a probe that moves again counts only after ten good minutes"
    beds.until(lambda: Alarm.PROBE_FROZEN not in beds.alarms(), 0.5)
    beds.until(lambda: bool(beds.heat), 0.5)


def test_a_frozen_probe_in_the_first_warm_up_is_found():
    box = Chamber()
    beds = Beds(config(CYCLE_S, bench=keys_of(box)), {"bench": box}, room_c=12.0, start_c=12.0)
    beds.run(2)
    beds.freeze(S)
    beds.until(lambda: Alarm.PROBE_FROZEN in beds.alarms(), 3.0)
    assert not beds.heat
    assert max(beds.callus_c["bench"]) < 25.5


@every_box
def test_a_frozen_mat_probe_takes_the_heat_away(make):
    beds = warmed(make)
    beds.freeze(MAT)
    beds.until(lambda: Alarm.PROBE_FROZEN in beds.alarms(), 1.0)
    assert not beds.heat
    beds.run(2)
    assert beds.raised() <= {Alarm.PROBE_FROZEN, Alarm.HEAT_LOST}
    assert beds.latched() is None


@pytest.mark.parametrize("which", [S, S2])
@two_boxes
def test_with_one_of_two_wet_layer_probes_frozen_the_other_goes_on(make, which):
    beds = warmed(make, second=True)
    beds.freeze(which)
    beds.until(lambda: Alarm.PROBE_FROZEN in beds.alarms(), 2.5)
    beds.run(8)
    assert beds.state.chambers["bench"].no_heat is None
    assert beds.heated(last=4 * HOUR) > 0.2
    assert beds.callus_c["bench"][-1] == pytest.approx(25.0, abs=0.4)
    assert Alarm.PROBE_FROZEN in beds.alarms()
    assert beds.latched() is None


def longest_stand_s(beds: Beds, place: Place) -> float:
    """How long the place's probe showed one count without a break, s."""
    longest = run = 0
    last_c = None
    for record in beds.records["bench"]:
        celsius = dict(record.readings)[place].celsius
        run = run + 1 if celsius == last_c else 0
        last_c = celsius
        longest = max(longest, run)
    return longest * CYCLE_S


@two_boxes
def test_a_healthy_probe_without_noise_is_moved_by_the_windows_and_not_called_frozen(make):
    beds = warmed(make, noise_k=0.0)
    beds.run(30)
    # Far longer than the 45 min after which it is looked into, so that the windows were asked for.
    assert longest_stand_s(beds, S) > th.STILL_S
    assert beds.state.chambers["bench"].watch.window_s is not None
    assert beds.raised() == set()
    # The windows cost the callus zone next to nothing.
    assert max(beds.callus_c["bench"]) - min(beds.callus_c["bench"]) < 0.3


def test_a_probe_that_stands_still_for_hours_where_nothing_should_move_is_healthy():
    """A warm shed in which no heat is needed, and a probe without noise."""
    box = Chamber()
    beds = Beds(config(CYCLE_S, bench=keys_of(box)), {"bench": box}, room_c=26.5, start_c=26.5)
    beds.noise_k = 0.0
    beds.run(20)
    assert longest_stand_s(beds, S) > 10 * 3600
    assert longest_stand_s(beds, MAT) > 10 * 3600
    assert Alarm.PROBE_FROZEN not in beds.raised()


def test_under_the_on_off_law_no_window_is_asked_for():
    beds = warmed(law="hysteresis", noise_k=0.0)
    beds.run(12)
    assert beds.state.chambers["bench"].watch.window_s is None
    assert Alarm.PROBE_FROZEN not in beds.raised()


# --- by hand ------------------------------------------------------------------------------------


def standing(range_k: float, *, learned: bool, since_s: float = 0.0) -> Watch:
    return Watch(
        layer=Layer(expected_c=range_k, full_k=32.0 if learned else None),
        still={S: Still(25.0, since_s, 0.0, range_k)},
    )


@pytest.mark.parametrize(
    ("range_k", "minutes", "learned", "frozen"),
    [
        (1.1, 41, True, True),
        (0.9, 41, True, False),
        (1.1, 39, True, False),
        (1.1, 41, False, False),
        (3.1, 41, False, True),
        (0.0, 10_000, True, False),
    ],
)
def test_frozen_is_what_does_not_move_while_the_model_does(range_k, minutes, learned, frozen):
    watch = standing(range_k, learned=learned)
    _, found = stillness.follow(watch, FACTS, minutes * 60.0)
    assert (found == {S}) is frozen


def test_one_count_of_change_begins_anew():
    watch = standing(2.0, learned=True)
    moved = replace(FACTS, readings_c={S: 25.0625})
    watch, found = stillness.follow(watch, moved, 46 * 60.0)
    assert found == frozenset()
    assert watch.still[S].since_s == 46 * 60.0
    assert watch.still[S].range_k == 0.0


@pytest.mark.parametrize(
    ("change", "asked"),
    [
        ({}, True),
        ({"modulated": False}, False),
        ({"duty": 0.02}, False),
        ({"duty": 0.95}, False),
        ({"no_heat": "held"}, False),
        ({"readings_c": {S: None}}, False),
    ],
)
def test_a_window_is_asked_for_where_it_can_prove_something(change, asked):
    watch = standing(0.0, learned=True)
    watch = stillness.window(watch, replace(FACTS, **change), 46 * 60.0)
    assert (watch.window_from_s is not None) is asked


def test_a_window_is_not_asked_for_more_often_than_every_two_hours():
    watch = standing(0.0, learned=True)
    starts = []
    for minute in range(12 * 60):
        before = watch.window_s
        watch = stillness.window(watch, FACTS, minute * 60.0)
        if watch.window_s != before:
            starts.append(minute * 60.0)
    assert len(starts) >= 4
    assert min(b - a for a, b in pairwise(starts)) >= th.WINDOW_AGAIN_S


def test_within_a_window_a_swing_of_fifteen_hundredths_is_enough():
    watch = replace(standing(0.2, learned=True), window_from_s=0.0)
    assert stillness.follow(watch, FACTS, 59 * 60.0)[1] == frozenset()
    assert stillness.follow(watch, FACTS, 61 * 60.0)[1] == {S}
    little = replace(standing(0.1, learned=True), window_from_s=0.0)
    assert stillness.follow(little, FACTS, 61 * 60.0)[1] == frozenset()
    # A count that stood only since the window was under way proves nothing.
    late = replace(standing(0.2, learned=True, since_s=600.0), window_from_s=0.0)
    assert stillness.follow(late, FACTS, 61 * 60.0)[1] == frozenset()
