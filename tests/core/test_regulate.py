"""The laws: nothing sticks, nothing winds up, nothing bumps."""

import math
from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bottomheat.regulate import (
    PERIOD_S,
    TRIM_BOUND_K,
    Law,
    Tuning,
    due,
    hysteresis,
    idle,
    measure,
    pid,
    tuning,
)
from plant import chamber_keys, config

TUNING = Tuning(0.172, 7200.0, 600.0, 32.0)
KEY = ("one",)
odd = st.one_of(
    st.sampled_from([math.nan, math.inf, -math.inf]), st.floats(-1e6, 1e6), st.floats(-20.0, 60.0)
)


def step(law, layer_c, setpoint_c, now_s, room_c=15.0, tunings=TUNING, key=KEY, asked_c=25.0):
    """Measure and evaluate once."""
    law = measure(law, layer_c, now_s, bounded=False)
    return pid(law, setpoint_c, room_c, tunings, now_s, key=key, asked_c=asked_c)


def settled(layer_c=26.5, setpoint_c=27.0, count=12, **more):
    """A law in the middle of its work."""
    law, now_s = Law(), 0.0
    for _ in range(count):
        law = step(law, layer_c, setpoint_c, now_s, **more)
        now_s += PERIOD_S
    return law, now_s - PERIOD_S


@settings(max_examples=200, deadline=None)
@given(
    st.lists(
        st.tuples(odd, odd, st.one_of(st.none(), odd), st.sampled_from([0.0, 10.0, 300.0, 600.0])),
        max_size=20,
    )
)
def test_nonsense_never_gives_a_duty_and_never_sticks(steps):
    law, now_s = Law(), 0.0
    for layer_c, setpoint_c, room_c, dt_s in steps:
        now_s += dt_s
        law = step(law, layer_c, setpoint_c, now_s, room_c)
        assert 0.0 <= law.duty <= 1.0
        assert law.feed + law.integral + 1e-12 >= 0.0
        assert law.feed + law.integral <= 1.0 + 1e-12
        finite = all(math.isfinite(x) for x in (layer_c, setpoint_c, room_c or 0.0))
        if not finite:
            assert law.duty == 0.0
    for _ in range(4):  # the filter forgets a factor of 20 000 in 600 s
        now_s += 600.0
        law = step(law, 10.0, 27.0, now_s)
    assert law.duty == 1.0
    assert math.isfinite(law.integral)


@pytest.mark.parametrize("nonsense", [math.nan, math.inf, -math.inf])
def test_one_reading_that_is_not_a_number_leaves_no_trace(nonsense):
    law, now_s = settled()
    hurt = measure(law, nonsense, now_s + 10, bounded=False)
    assert pid(hurt, 27.0, 15.0, TUNING, now_s + 10, key=KEY, asked_c=25.0).duty == 0.0
    after = step(hurt, 26.5, 27.0, now_s + 20)
    assert math.isfinite(after.duty)
    assert after.duty == pytest.approx(law.duty, abs=0.02)


def test_no_integration_while_saturated_and_back_within_an_evaluation():
    law, now_s = Law(), 0.0
    for _ in range(100):
        law = step(law, 10.0, 27.0, now_s)
        now_s += PERIOD_S
    assert law.duty == 1.0
    assert law.integral == 0.0
    law = step(replace(law, filtered_c=None, previous_c=None), 27.5, 27.0, now_s)
    assert law.duty < 0.375 + 0.01  # the feed-forward alone: (27 - 15)/32


def test_no_integration_while_heat_is_cut_by_a_bound():
    law, now_s = settled()
    before = law.integral
    for _ in range(20):
        now_s += PERIOD_S
        law = measure(law, 26.5, now_s, bounded=True)
        law = pid(law, 27.0, 15.0, TUNING, now_s, key=KEY, asked_c=25.0)
    assert law.integral == before
    law = step(law, 26.5, 27.0, now_s + PERIOD_S)
    assert law.integral > before


def bounded_step(law, layer_c, now_s, given_duty):
    law = replace(measure(law, layer_c, now_s, bounded=True), filtered_c=layer_c)
    return pid(law, 27.0, 15.0, TUNING, now_s, key=KEY, asked_c=25.0, given_duty=given_duty)


def test_too_warm_and_cut_short_the_integral_follows_what_was_given():
    law, now_s = settled(layer_c=26.9)
    asked = law.feed + law.integral
    for _ in range(30):
        now_s += PERIOD_S
        law = bounded_step(law, 27.05, now_s, given_duty=0.3)
    assert 0.25 < law.feed + law.integral < 0.32 < asked
    assert law.held


def test_too_cold_and_cut_short_by_the_mat_the_integral_stays():
    law, now_s = settled(layer_c=26.0)
    after = bounded_step(law, 26.0, now_s + PERIOD_S, given_duty=0.1)
    assert after.integral == law.integral
    assert not step(after, 26.0, 27.0, now_s + 2 * PERIOD_S).held


@settings(max_examples=100, deadline=None)
@given(
    st.floats(0.05, 0.6),
    st.floats(1800.0, 20_000.0),
    st.floats(10.0, 60.0),
    st.one_of(st.none(), st.floats(5.0, 20.0)),
    st.floats(25.0, 28.5),
)
def test_new_tunings_or_offset_change_the_duty_by_nothing(gain, ti_s, rise_k, room_c, setpoint_c):
    law, now_s = settled()
    assert 0.0 < law.duty < 1.0
    new = Tuning(gain, ti_s, 300.0, rise_k)
    law_2 = measure(law, 26.5, now_s + 10, bounded=False)
    law_2 = pid(law_2, setpoint_c, room_c, new, now_s + 10, key=("two",), asked_c=25.0)
    room_left = 0.0 < law_2.feed + law_2.integral < 1.0
    if room_left:  # the integral was not stopped by what is left of 0...1
        assert law_2.duty == pytest.approx(law.duty, abs=1e-9)


def test_the_usual_change_of_factor_is_bumpless():
    law, now_s = settled()
    law_2 = measure(law, 26.5, now_s + 10, bounded=False)
    law_2 = pid(law_2, 27.4, 15.0, TUNING, now_s + 10, key=("two",), asked_c=25.0)
    assert law_2.duty == pytest.approx(law.duty, abs=1e-9)


def test_new_tunings_while_the_box_is_too_warm_store_no_heat_for_later():
    law, now_s = settled(layer_c=30.0, setpoint_c=27.0, count=3)
    assert law.duty == 0.0
    new = pid(
        measure(law, 30.0, now_s + 10, bounded=False),
        27.0,
        15.0,
        replace(TUNING, gain_per_k=0.3),
        now_s + 10,
        key=("two",),
        asked_c=25.0,
    )
    assert new.duty == 0.0
    assert new.feed + new.integral <= law.feed + law.integral + 1e-12


def test_a_new_setpoint_acts_at_once_and_a_window_early():
    law, now_s = settled()
    assert not due(law, now_s + 10, KEY, 25.0, 600.0)
    assert due(law, now_s + 10, KEY, 22.0, 600.0)
    assert due(law, now_s + 10, ("two",), 25.0, 600.0)
    assert due(law, now_s + 600, KEY, 25.0, 600.0)
    assert step(law, 26.5, 23.0, now_s + 10, asked_c=22.0).duty < law.duty - 0.4


def test_a_new_setpoint_acts_at_once_even_together_with_a_new_offset():
    law, now_s = settled()
    assert step(law, 26.5, 23.0, now_s + 10, key=("two",), asked_c=22.0).duty < law.duty - 0.4


def test_release_after_a_hold_takes_up_what_the_box_needs():
    """Without a room probe the integral is the whole duty: one spike must not cost it."""
    law, now_s = settled(layer_c=26.8, setpoint_c=27.0, count=100, room_c=None)
    assert law.integral > 0.25
    held = idle(law)
    assert held.duty == 0.0
    released = step(held, 26.8, 27.0, now_s + 20, room_c=None)
    assert released.duty == pytest.approx(law.duty, abs=1e-9)


def test_the_first_evaluation_is_feed_forward_and_gain():
    law = step(Law(), 25.0, 27.0, 0.0)
    assert law.duty == pytest.approx((27 - 15) / 32 + 0.172 * 2)


def test_the_derivative_is_taken_over_a_whole_period_only():
    law, now_s = settled()
    soon = replace(measure(law, 26.5, now_s + 10, bounded=False), filtered_c=26.6)
    soon = pid(soon, 27.0, 15.0, TUNING, now_s + 10, key=KEY, asked_c=24.9)
    assert soon.duty == pytest.approx(law.duty - 0.1 * 0.172, abs=0.001)
    whole = replace(measure(law, 26.5, now_s + 600, bounded=False), filtered_c=26.6)
    whole = pid(whole, 27.0, 15.0, TUNING, now_s + 600, key=KEY, asked_c=25.0)
    assert whole.duty == pytest.approx(law.duty - 2 * 0.1 * 0.172, abs=0.006)


def test_tunings_follow_the_watts_unless_they_are_given():
    assert tuning(config().chambers["bench"]).gain_per_k == pytest.approx(0.7 * 0.172)
    keys = chamber_keys(heater={"gpio": 17, "watts": 90.0})
    assert tuning(config(bench=keys).chambers["bench"]).gain_per_k == pytest.approx(0.7 * 0.086)
    keys = chamber_keys(pid={"gain": 0.3, "integral_time": 1.0, "derivative_time": 0.0})
    own = tuning(config(bench=keys).chambers["bench"])
    assert (own.gain_per_k, own.integral_s, own.derivative_s) == (0.3, 3600.0, 0.0)


# --- on/off -----------------------------------------------------------------------------------


def test_on_off_switches_at_half_the_differential():
    law, wants = Law(), []
    for celsius in (26.0, 26.9, 27.1, 27.13, 26.9, 26.88, 26.87, 27.0, 27.2):
        law = replace(measure(law, celsius, 0.0, bounded=False), filtered_c=celsius, trim_k=0.0)
        law = hysteresis(law, 27.0, 0.25, 0.0)
        wants.append(law.want)
    assert wants == [True, True, True, False, False, False, True, True, False]


@settings(max_examples=100, deadline=None)
@given(st.lists(st.tuples(odd, odd, st.floats(0.0, 7200.0)), max_size=40))
def test_the_trim_is_bounded_and_nonsense_wants_no_heat(steps):
    law, now_s = Law(), 0.0
    for layer_c, setpoint_c, dt_s in steps:
        now_s += dt_s
        law = measure(law, layer_c, now_s, bounded=False)
        law = hysteresis(law, setpoint_c, 0.25, now_s)
        assert abs(law.trim_k) <= TRIM_BOUND_K
        if not (math.isfinite(layer_c) and math.isfinite(setpoint_c)) or (
            law.filtered_c is not None and law.filtered_c > setpoint_c + TRIM_BOUND_K + 0.125
        ):
            assert not law.want


def test_the_trim_takes_a_standing_bias_away():
    law = Law()
    for i in range(2000):
        law = measure(law, 27.3, i * 10.0, bounded=False)
        law = hysteresis(law, 27.0, 0.25, i * 10.0)
    assert law.trim_k == -TRIM_BOUND_K
    law = replace(law, filtered_c=26.8)
    assert not hysteresis(law, 27.0, 0.25, 20_000.0).want


def test_from_on_off_to_pid_and_back_leaves_no_stale_output():
    law = hysteresis(measure(Law(), 25.0, 0.0, bounded=False), 27.0, 0.25, 0.0)
    assert law.want
    law = step(law, 25.0, 27.0, 10.0)
    assert law.duty == pytest.approx((27 - 15) / 32 + 0.172 * 2, abs=0.01)
    assert not idle(law).want


def test_new_tunings_on_a_led_warm_up_do_not_hold_the_box_cold_later():
    # Led with the box 10 K short: the PID's error was to where the model is, not to the setpoint.
    law = measure(Law(), 17.0, 0.0, bounded=False)
    given = {"asked_c": 25.0, "feed_duty": 0.5}
    law = pid(law, 27.0, 15.0, TUNING, 0.0, key=KEY, reference_c=17.0, **given)
    other = replace(TUNING, gain_per_k=0.7)
    law = measure(law, 17.0, PERIOD_S, bounded=False)
    law = pid(law, 27.0, 15.0, other, PERIOD_S, key=("two",), **given)
    assert law.integral >= -law.feed
