"""The twin is led to its setpoint, a fast warm-up ends in time, and a wrong model does no harm."""

import math
from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bottomheat.feedforward import (
    ARRIVED_K,
    FORGOTTEN_S,
    Callus,
    Lead,
    fast_duty,
    led,
    moved,
    needed_duty,
    peaks_c,
    settled_duty,
    warmed_fast,
)
from bottomheat.response import Response, advance, rested

WATTS, WINDOW_S = 45.0, 600.0
NOMINAL = Response(0.712, 9.2 * 3600.0, 1.8 * 3600.0, 0.38, 900.0, 0.1)

responses = st.builds(
    Response,
    gain_k_per_w=st.floats(0.4, 1.2),
    slow_s=st.floats(5 * 3600.0, 15 * 3600.0),
    quick_s=st.floats(0.8 * 3600.0, 4 * 3600.0),
    quick_share=st.floats(0.1, 0.7),
    dead_s=st.floats(0.0, 2400.0),
    room_quick_share=st.floats(-0.2, 0.5),
)


@settings(max_examples=60, deadline=None)
@given(responses, st.floats(0.0, 15.0), st.floats(0.2, 0.8))
def test_any_twin_comes_to_its_setpoint_and_not_beyond_it(response, room_c, share):
    setpoint_c = room_c + share * response.gain_k_per_w * WATTS
    twin, warmest_c, hours = rested(response, room_c, room_c), -math.inf, 0.0
    while hours < 60.0:
        duty = needed_duty(twin, response, setpoint_c, room_c, WATTS)
        assert 0.0 <= duty <= 1.0
        twin = advance(twin, response, WINDOW_S, duty * WATTS, room_c)
        warmest_c = max(warmest_c, twin.place_c(response))
        hours += WINDOW_S / 3600.0
    assert twin.place_c(response) == pytest.approx(setpoint_c, abs=0.02)
    # Ten minutes of duty cannot be taken back; the rest is the window's grain.
    assert warmest_c <= setpoint_c + 0.02 * (setpoint_c - room_c) + 0.05


def test_led_until_it_has_arrived_and_then_no_more():
    lead, steps = Lead(rested(NOMINAL, 15.0, 15.0), 0.0), 0
    while lead is not None:
        layer_c = lead.twin.place_c(NOMINAL)
        begun = led(lead, NOMINAL, layer_c, 28.5, 15.0, WATTS)
        if begun is None:
            break
        assert begun.on_its_way_c is None or 0.0 < begun.duty < 1.0
        lead = moved(begun, NOMINAL, 99.0, 15.0, lead.at_s + WINDOW_S, WATTS, None)
        steps += 1
        assert steps < 60
    assert abs(lead.twin.place_c(NOMINAL) - 28.5) < ARRIVED_K


def test_at_full_power_the_pid_is_told_of_the_setpoint_itself():
    # A model whose gain is far too low asks for everything for ever; the PID must not be held back
    # to what that model thinks possible.
    weak = Response(0.1, 9.2 * 3600.0, 1.8 * 3600.0, 0.38, 900.0)
    lead = led(Lead(rested(weak, 15.0, 15.0), 0.0), weak, 15.0, 28.5, 15.0, WATTS)
    assert lead.duty == 1.0
    assert lead.on_its_way_c is None


@pytest.mark.parametrize(
    ("layer_c", "held_c"),
    [(20.0, 26.5), (27.2, 27.2), (29.0, 28.5)],
    ids=["late", "ahead", "beyond"],
)
def test_a_layer_that_is_ahead_of_the_twin_is_not_drawn_back(layer_c, held_c):
    twin = rested(NOMINAL, 26.5, 15.0)
    lead = led(Lead(twin, 0.0), NOMINAL, layer_c, 28.5, 15.0, WATTS)
    assert 0.0 < lead.duty < 1.0
    assert lead.on_its_way_c == pytest.approx(held_c)


@pytest.mark.parametrize(("layer_c", "held_c"), [(31.0, 30.0), (29.2, 29.2), (27.0, 28.5)])
def test_nor_is_one_that_cools_ahead_of_it_heated_to_keep_it_company(layer_c, held_c):
    twin = rested(NOMINAL, 30.0, 15.0)
    lead = led(Lead(twin, 0.0), NOMINAL, layer_c, 28.5, 15.0, WATTS)
    assert 0.0 < lead.duty < 1.0
    assert lead.on_its_way_c == pytest.approx(held_c)


def test_the_feed_of_a_settled_box_is_what_holds_it():
    assert settled_duty(NOMINAL, 28.5, 15.0, WATTS) == pytest.approx(13.5 / (0.712 * 45.0))


def test_a_twin_left_alone_for_long_begins_again_where_the_layer_is():
    old = Lead(rested(NOMINAL, 20.0, 15.0), 0.0, 0.7, fast=True)
    kept = moved(old, NOMINAL, 25.0, 15.0, FORGOTTEN_S, WATTS, None)
    new = moved(old, NOMINAL, 25.0, 15.0, FORGOTTEN_S + 1.0, WATTS, None)
    assert kept.fast
    assert kept.twin.place_c(NOMINAL) != pytest.approx(25.0, abs=0.5)
    assert not new.fast
    assert new.twin.place_c(NOMINAL) == pytest.approx(25.0)


def test_a_twin_goes_by_the_heat_that_was_given_where_that_was_another():
    old = Lead(rested(NOMINAL, 15.0, 15.0), 0.0, 1.0)
    asked = moved(old, NOMINAL, 15.0, 15.0, 3000.0, WATTS, None)
    cut = moved(old, NOMINAL, 15.0, 15.0, 3000.0, WATTS, 0.5)
    assert asked.duty == 1.0
    assert cut.duty == 0.5
    rise_k = asked.twin.place_c(NOMINAL) - 15.0
    assert cut.twin.place_c(NOMINAL) - 15.0 == pytest.approx(rise_k / 2)


class Bed:
    """A bed that is exactly as the model says, with its callus zone behind one lag."""

    factor, lag_s, room_c = 0.74, 2 * 3600.0, 15.0

    def __init__(self) -> None:
        self.twin = rested(NOMINAL, self.room_c, self.room_c)
        self.lagged_c = self.room_c

    @property
    def callus(self) -> Callus:
        celsius = self.room_c + self.factor * (self.lagged_c - self.room_c)
        return Callus(celsius, self.factor, self.lag_s, self.lagged_c)

    def heat(self, duty: float) -> None:
        for _ in range(60):
            self.twin = advance(self.twin, NOMINAL, WINDOW_S / 60, duty * WATTS, self.room_c)
            share = -math.expm1(-WINDOW_S / 60 / self.lag_s)
            self.lagged_c += (self.twin.place_c(NOMINAL) - self.lagged_c) * share


def test_the_look_ahead_says_what_the_bed_then_does():
    bed = Bed()
    for _ in range(20):
        bed.heat(1.0)
    layer_c = bed.twin.place_c(NOMINAL)
    foretold_c, _ = peaks_c(bed.twin, NOMINAL, layer_c, bed.callus, 15.0, WATTS, 0.6, WINDOW_S)
    bed.heat(0.6)
    warmest_c = bed.callus.now_c
    for _ in range(36):
        bed.heat(0.0)
        warmest_c = max(warmest_c, bed.callus.now_c)
    assert foretold_c == pytest.approx(warmest_c, abs=0.05)


def test_a_fast_warm_up_is_full_power_until_the_stored_heat_is_enough():
    bed, duties = Bed(), []
    lead = Lead(bed.twin, 0.0)
    while True:
        layer_c = bed.twin.place_c(NOMINAL)
        lead = Lead(bed.twin, 0.0, fast=lead.fast)
        duty = fast_duty(lead, NOMINAL, layer_c, bed.callus, 25.0, 99.0, 15.0, WATTS, WINDOW_S)
        if duty is None:
            break
        lead = Lead(bed.twin, 0.0, fast=True)
        duties.append(duty)
        bed.heat(duty)
        assert len(duties) < 100
    full = duties.index(next(each for each in duties if each < 1.0))
    assert full >= 10  # a window each
    assert sum(duties[full:]) < 0.8 * len(duties[full:])  # then only what is still missing
    warmest_c = bed.callus.now_c
    for _ in range(36):
        bed.heat(0.0)
        warmest_c = max(warmest_c, bed.callus.now_c)
    assert 24.5 < warmest_c <= 25.0


@pytest.mark.parametrize(("short_k", "fast", "begins"), [(1.1, False, True), (0.9, False, False)])
def test_a_fast_warm_up_begins_only_where_much_is_missing(short_k, fast, begins):
    layer_c = 15.0 + (10.0 - short_k) / 0.74
    twin = rested(NOMINAL, layer_c, 15.0)
    callus = Callus(25.0 - short_k, 0.74, 7200.0, layer_c)
    lead = Lead(twin, 0.0, fast=fast)
    duty = fast_duty(lead, NOMINAL, layer_c, callus, 25.0, 99.0, 15.0, WATTS, WINDOW_S)
    assert (duty is not None) is begins


def test_a_callus_zone_that_is_there_is_never_heated_fast():
    twin = rested(NOMINAL, 28.5, 15.0)
    callus = Callus(24.95, 0.74, 7200.0, 28.5)
    lead = Lead(twin, 0.0, fast=True)
    assert fast_duty(lead, NOMINAL, 28.5, callus, 25.0, 99.0, 15.0, WATTS, WINDOW_S) is None


def test_a_fast_warm_up_keeps_the_layer_below_what_it_may_be_with_the_heat_on_its_way():
    bed, highest_c = Bed(), 0.0
    for _ in range(40):
        layer_c = bed.twin.place_c(NOMINAL)
        lead = Lead(bed.twin, 0.0, fast=True)
        duty = fast_duty(lead, NOMINAL, layer_c, bed.callus, 25.0, 28.0, 15.0, WATTS, WINDOW_S)
        bed.heat(duty or 0.0)
        highest_c = max(highest_c, bed.twin.place_c(NOMINAL))
    assert 27.5 < highest_c < 28.1


def test_a_layer_over_its_ceiling_that_cools_faster_than_heat_comes_gets_none():
    slow = Response(0.788, 8.3 * 3600.0, 1.7 * 3600.0, 0.26, 3 * 3600.0)
    lead = Lead(rested(slow, 5.0, 5.0), 0.0, fast=True)
    cooling = replace(lead.twin, slow_w=32.0, quick_w=32.0)
    callus = Callus(20.0, 0.74, 7200.0, 24.0)
    given = (callus, 25.0, 29.0, 5.0, WATTS, WINDOW_S)
    assert fast_duty(replace(lead, twin=cooling), slow, 30.0, *given) == 0.0


def test_a_fast_warm_up_that_holds_heat_back_and_leads_nowhere_is_given_up():
    lead = warmed_fast(Lead(rested(NOMINAL, 15.0, 15.0), 0.0), 0.2, 5.0, NOMINAL)
    later = replace(lead, at_s=2 * 3600.0 + NOMINAL.dead_s + 1.0)
    assert lead.fast
    assert warmed_fast(later, 1.0, 5.0, NOMINAL).fast  # all that the mat has: no law gives more
    assert warmed_fast(later, 0.2, 3.0, NOMINAL).fast  # it has come nearer
    stuck = warmed_fast(later, 0.2, 4.9, NOMINAL)
    assert stuck.given_up
    assert not stuck.fast
    cold = Callus(20.0, 0.74, 7200.0, 15.0)
    assert fast_duty(stuck, NOMINAL, 15.0, cold, 25.0, 33.0, 15.0, WATTS, WINDOW_S) is None
