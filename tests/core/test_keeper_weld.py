"""The keeper's own weld rule, on simulated boxes and on made-up courses of a mat.

The boxes are the shipped model with handbook properties; no contact was welded for these tests.
"""

import math
import random
from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bottomheat import keeper_weld as weld
from bottomheat.chamber import NOMINAL, Chamber
from bottomheat.construction import DRAUGHTY
from bottomheat.keeper import LEASE_S, SERIES_S, KeeperLine, KeeperState, SeriesLine, decide
from bottomheat.model import Alarm, EventKind
from bottomheat.ports import Lease
from bottomheat_drivers.simulated import ProbeFault, SimulatedThermometer

NAME = "north-bench"
LINE = KeeperLine(NAME, 17, True, "28-000000000001", 70.0, SeriesLine(27, True))
BARE = replace(LINE, series=None)
STEP_S = 10.0
BOXES = {
    "nominal": NOMINAL,
    "draughty": DRAUGHTY,
    "wet layer": replace(NOMINAL, layer_w_per_mk=0.5, layer_m=0.02),
    "thick layer": replace(NOMINAL, layer_m=0.05),
}


class Bed:
    """A keeper over one simulated box; the contact welds on demand."""

    def __init__(self, box="nominal", watts=45.0, *, room_c=8.0, noise_k=0.1, line=LINE, seed=1):
        self.model = Chamber(BOXES[box])
        self.line, self.watts, self.room_c = line, watts, room_c
        self.thermometer = SimulatedThermometer(random.Random(seed), 40.0, noise_k)
        self.state, self.lease, self.now_s = KeeperState(), None, 0.0
        self.contact_welded, self.silent, self.resets = False, False, frozenset()
        self.events, self.command, self.latched_s = [], None, None
        self.model.advance(1.0, 0.0, room_c)

    def settle(self, watts):
        self.model.advance(4e5, watts, self.room_c)
        return self

    def step(self, asked, open_series=False):
        command = self.command
        closed = self.contact_welded or (command is not None and command.heat)
        flows = closed and (command is None or command.series is not False)
        self.model.advance(STEP_S, self.watts if flows else 0.0, self.room_c)
        self.now_s += STEP_S
        self.thermometer.advance(STEP_S, self.model.temperature("mat"))
        if not self.silent:
            heat = frozenset({NAME} if asked else ())
            series = frozenset({NAME} if open_series else ())
            self.lease = Lease(self.now_s, heat, self.resets, open_series=series)
        raw = {NAME: self.thermometer.read(self.now_s)}
        decision = decide(self.state, self.lease, raw, self.now_s, (self.line,))
        self.state, self.command = decision.state, decision.commands[0]
        self.events += decision.events
        if self.command.latched and self.latched_s is None:
            self.latched_s = self.now_s
        return self.command

    def run(self, hours, duty=0.0, *, window_s=600.0, until_latched=False):
        for _ in range(round(hours * 3600.0 / STEP_S)):
            self.step(self.now_s % window_s < duty * window_s - 1e-6)
            if until_latched and self.command.latched:
                break
        return self

    @property
    def suspicions(self):
        return sum(weld.CHECKING in event.text for event in self.events)


def held(box, watts, duty, **keywords):
    """A bed whose layer is at 25 °C with this duty: in the room for which that is right."""
    room_c = 25.0 - Chamber(BOXES[box]).settled("substrate", duty * watts, 0.0)
    return Bed(box, watts, room_c=room_c, **keywords).settle(duty * watts).run(2.0, duty)


@pytest.mark.parametrize("box", BOXES)
@pytest.mark.parametrize(
    ("watts", "duty"),
    [
        (15.0, 0.05),
        (15.0, 0.4),
        (15.0, 0.6),
        (45.0, 0.05),
        (45.0, 0.3),
        (45.0, 0.6),
        (45.0, 0.8),
        (100.0, 0.05),
        (100.0, 0.3),
        (150.0, 0.2),
    ],
)
def test_a_weld_is_found_while_the_controller_goes_on_switching(box, watts, duty):
    far = replace(LINE, limit_c=124.0)  # a strong mat would meet its limit first
    bed = held(box, watts, duty, line=far)
    assert bed.latched_s is None
    bed.contact_welded = True
    welded_s = bed.now_s
    bed.run(2.0, duty, until_latched=True)
    assert bed.latched_s is not None
    assert bed.latched_s - welded_s <= 45.0 * 60.0
    assert (bed.command.heat, bed.command.series) == (False, False)
    cause = bed.state.latched[NAME]
    assert cause.startswith("mat warmed by ")
    assert "with its relay open: the contact has welded, or another source heats it" in cause
    assert cause.endswith("unplug the mat")
    [cutoff] = [event for event in bed.events if event.kind is EventKind.CUTOFF]
    assert (cutoff.alarm, cutoff.durable) == (Alarm.KEEPER_LATCHED, True)
    hottest_c = bed.model.temperature("mat")
    bed.run(0.5, duty)
    assert bed.model.temperature("mat") < hottest_c - 1.0, "the series relay has cut the heat"


@pytest.mark.parametrize("watts", [15.0, 45.0, 100.0])
def test_a_weld_is_found_when_the_controller_is_dead(watts):
    bed = held("nominal", watts, 0.2, line=BARE)
    bed.contact_welded = bed.silent = True
    bed.run(0.6, until_latched=True)
    assert bed.command.latched


def test_with_a_series_relay_a_dead_controller_ends_the_heat_and_its_return_finds_the_weld():
    bed = held("nominal", 45.0, 0.3)
    bed.contact_welded = bed.silent = True
    hottest_c = bed.model.temperature("mat")
    bed.run((SERIES_S + STEP_S) / 3600.0)
    assert bed.command.series is False
    bed.run(1.0)
    assert not bed.command.latched
    assert bed.model.temperature("mat") < hottest_c
    bed.silent = False
    bed.run(1.0, until_latched=True)
    assert bed.command.latched


def test_a_proof_of_the_series_relay_is_no_suspicion_and_no_answer_of_the_heat_relay():
    """Heat relay closed, series relay open for five minutes: the mat falls all the same."""
    bed = held("nominal", 45.0, 0.6)
    bed.contact_welded = True
    for _ in range(30):
        bed.step(True, open_series=True)
        assert (bed.command.heat, bed.command.series) == (True, False)
    answered_s = bed.state.watches[NAME].answered_s
    for _ in range(15):
        bed.step(False, open_series=True)
    bed.step(True)
    watch = bed.state.watches[NAME]
    assert (watch.answered_s, watch.suspected_s, bed.suspicions) == (answered_s, None, 0)
    bed.run(1.0, 0.6, until_latched=True)
    assert bed.command.latched


def test_a_watch_that_the_series_relay_cuts_short_does_not_put_off_the_next():
    bed = held("nominal", 45.0, 0.3)
    bed.contact_welded = True
    while bed.state.watches[NAME].suspected_s is None:
        bed.step(bed.now_s % 600.0 < 180.0)
    bed.silent = True
    bed.run(0.25)
    assert bed.state.watches[NAME].suspected_s is None
    assert not bed.command.latched
    bed.silent = False
    back_s = bed.now_s
    bed.run(1.0, 0.3, until_latched=True)
    assert bed.latched_s is not None
    assert bed.latched_s - back_s < weld.REST_S / 2.0


@pytest.mark.parametrize("watts", [45.0, 100.0])
def test_a_contact_that_closes_by_itself_after_hours_without_heat_is_found(watts):
    bed = Bed(watts=watts, room_c=20.0).settle(0.0).run(4.0)
    bed.contact_welded = True
    bed.run(0.75, until_latched=True)
    assert bed.command.latched


@pytest.mark.parametrize("box", BOXES)
@pytest.mark.parametrize("noise_k", [0.0, 0.1])
@pytest.mark.parametrize(("watts", "duty"), [(15.0, 0.05), (15.0, 0.5), (45.0, 0.95), (100.0, 0.3)])
def test_a_healthy_relay_is_hardly_ever_suspected(box, noise_k, watts, duty):
    bed = held(box, watts, duty, noise_k=noise_k).run(12.0, duty)
    assert bed.latched_s is None
    assert bed.suspicions <= 1


def pour(litres, celsius):
    return lambda bed: bed.model.add_water(litres, celsius)


def bags(mass_kg, celsius):
    return lambda bed: bed.model.place_bags(mass_kg, celsius)


def warm_box(bed):
    """Lift a box that stood in a warm room on the mat: all but mat and board are at 22 °C."""
    net = bed.model._net
    for node in range(net.size):
        if node != net.MAT and not net.board.start <= node < net.board.stop:
            bed.model._state[node] = 22.0


def sun(watts):
    return lambda bed: bed.model.set_sun(watts)


def dead_heater(bed):
    bed.watts = 0.0


def frozen_probe(bed):
    bed.thermometer.fail(ProbeFault.FROZEN)


HAPPENINGS = {
    "lukewarm water": [pour(2.0, 35.0), pour(2.0, 25.0)],
    "cold water": [pour(2.0, 8.0), pour(2.0, 8.0)],
    "cold bags": [bags(10.0, 4.0)],
    "warm bags": [bags(10.0, 22.0)],
    "warm box": [warm_box],
    "sun": [sun(80.0), sun(0.0)],
    "dead heater, then sun": [dead_heater, sun(80.0)],
    "frozen probe": [frozen_probe],
}


@pytest.mark.parametrize("box", BOXES)
@pytest.mark.parametrize(("watts", "duty"), [(15.0, 0.6), (45.0, 0.0), (45.0, 0.1), (45.0, 0.7)])
@pytest.mark.parametrize("what", HAPPENINGS)
def test_what_a_grower_or_the_weather_does_never_latches(box, watts, duty, what):
    bed = held(box, watts, duty)
    for happens in HAPPENINGS[what]:
        happens(bed)
        bed.run(1.5, duty)
    assert bed.latched_s is None
    assert all(event.alarm is None for event in bed.events)


@pytest.mark.parametrize("duty", [0.0, 0.1, 0.5])
@pytest.mark.parametrize("box", ["nominal", "wet layer"])
def test_a_shed_that_warms_by_four_kelvin_an_hour_never_latches(box, duty):
    bed = held(box, 15.0, duty)
    for _ in range(360 * 5):
        bed.room_c += 4.0 * STEP_S / 3600.0
        bed.run(STEP_S / 3600.0, duty)
    assert bed.latched_s is None


def test_heat_waits_while_a_suspicion_is_watched_and_comes_back_without_an_alarm():
    """Three litres of hot water: the mat rises with its relay open, and the water is used up."""
    bed = held("nominal", 45.0, 0.3)
    while bed.now_s % 600.0 < 0.5 * 600.0:
        bed.step(bed.now_s % 600.0 < 180.0)
    pour(3.0, 45.0)(bed)
    for _ in range(60):
        bed.step(False)
        if bed.state.watches[NAME].suspected_s is not None:
            break
    waits_s = 0.0
    while bed.step(True).reason.startswith(weld.CHECKING):
        assert not bed.command.heat
        assert bed.command.series is True
        waits_s += STEP_S
        assert waits_s < 900.0
    assert waits_s == pytest.approx(weld.WATCH_S, abs=90.0)
    assert (bed.command.heat, bed.command.latched) == (True, False)
    assert all(event.alarm is None for event in bed.events)


def test_a_reset_waits_until_the_mat_no_longer_rises():
    bed = held("nominal", 45.0, 0.2, line=BARE)
    bed.contact_welded = True
    bed.run(1.0, 0.2, until_latched=True)
    assert bed.command.latched
    bed.resets = frozenset({NAME})
    bed.run(0.1)
    assert bed.command.latched, "one relay: the mat is still being heated"
    refusals = [event.text for event in bed.events if event.kind is EventKind.RESET]
    assert all("still getting warmer" in text for text in refusals)
    bed.contact_welded = False
    bed.run(0.3)
    assert not bed.command.latched


def test_a_reset_after_a_restart_goes_by_what_is_known_of_the_mat():
    cause = f"mat warmed by 3.1 K in 12 minutes with its relay open: {weld.WELDED}; unplug the mat"
    bed = Bed(line=BARE)
    bed.state = KeeperState(latched={NAME: cause})
    bed.resets = frozenset({NAME})
    bed.run(0.05)
    assert not bed.command.latched


def test_a_broken_clock_ends_a_watch():
    bed = held("nominal", 45.0, 0.3)
    bed.contact_welded = True
    while bed.state.watches[NAME].suspected_s is None:
        bed.run(STEP_S / 3600.0, 0.3)
    bed.now_s -= 1e4
    bed.step(False)
    watch = bed.state.watches[NAME]
    assert (watch.suspected_s, watch.points) == (None, ())


STEPS_C = st.floats(-2.0, 0.0)
SPELLS = st.lists(st.tuples(st.booleans(), st.integers(1, 80), STEPS_C), max_size=60)


def follow(spells, start_c, rate):
    """Play spells of commands; ``rate`` turns a spell into K per 10 s."""
    watch, celsius, now_s = weld.Watch(), start_c, 0.0
    causes = []
    for closed, count, step in spells:
        for _ in range(count):
            now_s += STEP_S
            celsius += rate(step)
            watch, cause = weld.look(watch, (celsius, now_s), now_s)
            causes.append(cause)
            asked = closed and watch.suspected_s is None
            watch = weld.commanded(watch, asked, now_s)
    return causes


@settings(max_examples=100, deadline=None)
@given(SPELLS)
def test_a_mat_that_never_gets_warmer_never_latches(spells):
    assert not any(follow(spells, 60.0, lambda step: step))


@settings(max_examples=100, deadline=None)
@given(SPELLS)
def test_a_mat_that_warms_by_four_kelvin_an_hour_at_most_never_latches(spells):
    fastest_k = 4.0 * STEP_S / 3600.0
    assert not any(follow(spells, 30.0, lambda step: (2.0 + step) / 2.0 * fastest_k))


ANY = st.one_of(st.none(), st.tuples(st.floats(-20.0, 125.0), st.floats(0.0, 1e5)))


@settings(max_examples=200, deadline=None)
@given(st.lists(st.tuples(ANY, st.booleans(), st.floats(0.0, 1e5)), max_size=100))
def test_any_history_is_borne(history):
    watch = weld.Watch()
    for reading, closed, now_s in history:
        watch, cause = weld.look(watch, reading, now_s)
        assert isinstance(cause, str)
        watch = weld.commanded(watch, closed, now_s)
        assert all(math.isfinite(celsius) for _, celsius in watch.points)
        assert len(watch.points) <= weld.KEPT_S / weld.POINT_S + 1
        assert weld.obstacle_to_reset(watch) is None or watch.points


def test_a_silent_lease_is_what_opens_the_spell():
    bed = held("nominal", 45.0, 1.0, line=BARE)
    bed.silent = True
    bed.run(LEASE_S / 3600.0)
    assert bed.command.heat is False
