"""The cutoff: what opens the relay, what latches, what clears, what never does."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bottomheat.config import Limits
from bottomheat.model import Bad, Estimate, Fault, Good, Place, Reading, Sample
from bottomheat.plausible import History, judge
from bottomheat.protect.cutoff import (
    CLEAR,
    ESTIMATE_HOT_S,
    forget_estimate,
    limit_of,
    may_reset,
    watch,
    watch_estimate,
)

LIMITS = Limits()
SILENT = Bad(Fault.ABSENT, 0.0)
LIMITED = (Place.SUBSTRATE, Place.SUBSTRATE_2, Place.MAT, Place.CALLUS)


def jump(celsius: float) -> Bad:
    return Bad(Fault.JUMP, 0.0, evidence_c=celsius, may_latch=True)


def power_on() -> Bad:
    return Bad(Fault.POWER_ON, 0.0, evidence_c=85.0)


def feed(place, readings, cutoff=CLEAR):
    """(why heat is off, latched) after each reading."""
    out = []
    for reading in readings:
        cutoff, why = watch(cutoff, [(place, reading)], LIMITS)
        out.append((why is not None, cutoff.latched is not None))
    return cutoff, out


HOT = Good(70.0, 0.0)
COOL = Good(20.0, 0.0)
CLOSED, OPEN, LATCHED = (False, False), (True, False), (True, True)


@pytest.mark.parametrize("place", LIMITED)
def test_the_first_hot_reading_opens_and_the_second_running_latches(place):
    assert feed(place, [COOL, HOT, HOT, COOL, COOL])[1] == [CLOSED, OPEN, LATCHED, LATCHED, LATCHED]


@pytest.mark.parametrize("place", LIMITED)
def test_a_lone_hot_reading_clears_with_the_next_cool_one(place):
    assert feed(place, [HOT, COOL, HOT, COOL])[1] == [OPEN, CLOSED, OPEN, CLOSED]


@pytest.mark.parametrize("place", LIMITED)
def test_the_limit_itself_counts_as_hot(place):
    limit_c = limit_of(place, LIMITS)
    assert feed(place, [Good(limit_c, 0.0)])[1] == [OPEN]
    assert feed(place, [Good(limit_c - 1 / 16, 0.0)])[1] == [CLOSED]


@pytest.mark.parametrize("place", [Place.ROOM, Place.TOP])
def test_a_hot_room_or_hot_air_at_the_buds_never_cuts(place):
    assert feed(place, [Good(120.0, 0.0)] * 5)[1] == [CLOSED] * 5


def test_hot_readings_that_were_rejected_as_jumps_latch_as_well():
    assert feed(Place.MAT, [COOL, jump(70.0), jump(99.0)])[1] == [CLOSED, OPEN, LATCHED]


def test_values_of_a_faulty_probe_open_and_never_latch():
    for bad in (
        power_on(),
        Bad(Fault.NO_CONVERSION, 0.0, evidence_c=127.9375),
        Bad(Fault.CONFIGURATION, 0.0, evidence_c=70.0),
    ):
        assert feed(Place.MAT, [bad] * 20)[1] == [OPEN] * 20


def test_a_power_on_value_between_two_hot_ones_neither_counts_nor_clears():
    assert feed(Place.MAT, [HOT, power_on(), power_on(), HOT])[1] == [OPEN, OPEN, OPEN, LATCHED]


@pytest.mark.parametrize("celsius", [-55.0, 20.0])
def test_a_cool_value_that_no_healthy_probe_sends_clears_nothing(celsius):
    fault = Fault.CONFIGURATION if celsius > 0 else Fault.RANGE
    odd = Bad(fault, 0.0, evidence_c=celsius, may_latch=fault is Fault.RANGE)
    assert feed(Place.MAT, [HOT, odd, HOT])[1] == [OPEN, OPEN, LATCHED]
    assert feed(Place.MAT, [COOL, odd, COOL])[1] == [CLOSED] * 3


def test_silence_after_a_hot_reading_keeps_heat_off_and_the_next_hot_one_latches():
    cutoff, out = feed(Place.MAT, [HOT] + [SILENT] * 50)
    assert out == [OPEN] * 51
    assert feed(Place.MAT, [HOT], cutoff)[1] == [LATCHED]
    assert feed(Place.MAT, [COOL], cutoff)[1] == [CLOSED]


def test_a_probe_that_dies_with_its_power_on_value_does_not_hold_heat_off_for_good():
    """A second wet-layer probe must be able to go on alone."""
    assert feed(Place.SUBSTRATE_2, [COOL, power_on(), SILENT, SILENT])[1] == [
        CLOSED,
        OPEN,
        CLOSED,
        CLOSED,
    ]


def test_places_are_counted_apart():
    cutoff, _ = watch(CLEAR, [(Place.MAT, HOT), (Place.SUBSTRATE, COOL)], LIMITS)
    cutoff, why = watch(cutoff, [(Place.MAT, COOL), (Place.SUBSTRATE, HOT)], LIMITS)
    assert why is not None
    assert cutoff.latched is None


values = st.one_of(
    st.floats(-60.0, 160.0),
    st.sampled_from([85.0, 127.9375, 40.0, 60.0, 59.9375]),
    st.just(float("nan")),
)


@given(st.lists(st.tuples(values, st.booleans()), max_size=30))
def test_two_hot_readings_running_latch_whatever_jump_and_history_say(steps):
    """The rule written down independently, against judge and watch together."""
    history, cutoff, now_s = History(), CLEAR, 0.0
    row, should = 0, False
    for celsius, legal in steps:
        history, reading = judge(history, Sample(celsius, now_s, legal), now_s)
        cutoff, why = watch(cutoff, [(Place.MAT, reading)], LIMITS)
        now_s += 10.0
        if celsius >= LIMITS.mat_c:
            if legal and celsius not in (85.0, 127.9375):
                row += 1
            assert why is not None
        elif legal and -20.0 <= celsius < LIMITS.mat_c:
            row = 0
        should = should or row >= 2
        assert (cutoff.latched is not None) is should
        assert why is not None or not should


# --- the estimate -----------------------------------------------------------------------------


def run_estimate(estimates, substrate_c=60.0, room_c=10.0, cutoff=CLEAR, now_s=0.0):
    out = []
    for celsius in estimates:
        estimate = None if celsius is None else Estimate(celsius, 0.6)
        cutoff, why = watch_estimate(cutoff, estimate, substrate_c, room_c, LIMITS, now_s)
        out.append((why is not None, cutoff.latched is not None))
        now_s += 10.0
    return cutoff, out


def test_ten_minutes_above_the_callus_limit_switch_off_until_half_a_kelvin_below():
    cycles = round(ESTIMATE_HOT_S / 10)
    cutoff, out = run_estimate([30.5] * (cycles + 2))
    assert out == [CLOSED] * cycles + [OPEN] * 2
    _, out = run_estimate([29.9, 29.6, 29.4, 29.9], cutoff=cutoff)
    assert out == [OPEN, OPEN, CLOSED, CLOSED]


def test_a_dip_below_the_limit_begins_the_ten_minutes_again():
    _, out = run_estimate(([30.5] * 59 + [29.9]) * 3)
    assert out == [CLOSED] * 180


def test_two_kelvin_above_latches_at_the_second_cycle():
    assert run_estimate([25.0, 32.0, 32.0])[1] == [CLOSED, CLOSED, LATCHED]


def test_an_estimate_that_the_wet_layer_does_not_bear_out_does_nothing():
    assert run_estimate([45.0] * 100, substrate_c=29.0)[1] == [CLOSED] * 100


def test_a_room_above_the_wet_layer_switches_off_and_never_latches():
    cutoff, out = run_estimate([40.0] * 100, substrate_c=33.0, room_c=60.0)
    assert out[-1] == OPEN
    assert cutoff.latched is None


def test_an_unknown_estimate_does_not_clear_what_was_held():
    cutoff, _ = run_estimate([30.5] * 62)
    assert run_estimate([None] * 5, cutoff=cutoff)[1] == [OPEN] * 5


def test_a_callus_probe_takes_the_estimate_out_of_the_say():
    cutoff, _ = run_estimate([30.5] * 62)
    assert run_estimate([25.0], cutoff=forget_estimate(cutoff))[1] == [CLOSED]
    assert not forget_estimate(cutoff).estimate_held


def test_forgetting_the_estimate_never_clears_a_latch():
    cutoff, _ = run_estimate([35.0] * 3)
    assert forget_estimate(cutoff).latched is not None


# --- reset ------------------------------------------------------------------------------------


def test_reset_is_refused_while_hot_near_the_limit_silent_or_before_the_first_reading():
    good: list[tuple[Place, Reading]] = [(Place.SUBSTRATE, COOL), (Place.MAT, COOL)]
    assert may_reset(good, Estimate(25.0, 0.6), LIMITS)[0]
    for reading in (HOT, Good(LIMITS.mat_c - 0.5, 0.0), SILENT):
        fit, lines = may_reset([good[0], (Place.MAT, reading)], Estimate(25.0, 0.6), LIMITS)
        assert not fit
        assert any(line.startswith("mat:") for line in lines)
    assert not may_reset(good, Estimate(30.5, 0.6), LIMITS)[0]
    assert not may_reset([], None, LIMITS)[0]


def test_a_hot_or_silent_room_does_not_stand_against_a_reset():
    for room in (Good(90.0, 0.0), SILENT):
        assert may_reset([(Place.SUBSTRATE, COOL), (Place.ROOM, room)], None, LIMITS)[0]
