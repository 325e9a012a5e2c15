"""The mat's lead: its model stays sound, learns from a healthy mat, and tells an answer from none.

The outside check is a box: what the model says of it is compared with what the box does.
"""

from __future__ import annotations

import math
from dataclasses import fields, replace

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

import chambers
from bottomheat.campaign_boxes import BOXES
from bottomheat.chamber import Chamber
from bottomheat.protect import lead as led
from bottomheat.protect import thresholds as th
from bottomheat.protect.lead import Lead

WATTS = 45.0
PRIOR_K = th.LEAD_K_PER_W * WATTS

celsius = st.none() | st.floats(-20.0, 125.0)
steps = st.lists(
    st.tuples(st.booleans(), celsius, celsius, st.sampled_from([0.0, 10.0, 30.0, 600.0, 9000.0])),
    max_size=60,
)


def finite(lead: Lead) -> bool:
    values = [getattr(lead, field.name) for field in fields(lead)]
    return all(math.isfinite(v) for v in values if isinstance(v, float))


@settings(max_examples=150, deadline=None)
@given(steps, st.floats(5.0, 400.0))
def test_any_course_leaves_a_finite_model_with_shares_between_nought_and_one(course, watts):
    lead, now_s = Lead(), 0.0
    prior_k = th.LEAD_K_PER_W * watts
    for heat, mat_c, substrate_c, dt_s in course:
        now_s += dt_s
        lead = led.advance(lead, heat, mat_c, substrate_c, now_s, prior_k=prior_k, learn=True)
        assert finite(lead)
        for share in (lead.quick, lead.slow, lead.sleeve, lead.since_2):
            assert -1e-9 <= share <= 1.0 + 1e-9
        told = led.answer(lead, prior_k, 30.0)
        assert told is None or math.isfinite(told)
        assert lead.level_k is None or lead.level_k >= prior_k / th.PRIOR_SPAN - 1e-9
        assert lead.ripple_k is None or lead.ripple_k > 0.0


@settings(max_examples=100, deadline=None)
@given(steps, steps)
def test_nothing_is_learned_where_nothing_may_be(before, after):
    lead, now_s = Lead(), 0.0
    for heat, mat_c, substrate_c, dt_s in before:
        now_s += dt_s
        lead = led.advance(lead, heat, mat_c, substrate_c, now_s, prior_k=PRIOR_K, learn=True)
    known = (lead.ripple_k, lead.level_k, lead.level_xx, lead.level_xy, lead.learned_s)
    for heat, mat_c, substrate_c, dt_s in after:
        now_s += dt_s
        lead = led.advance(lead, heat, mat_c, substrate_c, now_s, prior_k=PRIOR_K, learn=False)
        now = (lead.ripple_k, lead.level_k, lead.level_xx, lead.level_xy, lead.learned_s)
        assert now == known


def test_time_that_stands_still_or_goes_back_changes_nothing():
    lead = course(Chamber(), lambda t: True, 1.0)
    for now_s in (lead.at_s, lead.at_s - 100.0):
        assert led.advance(lead, True, 90.0, 20.0, now_s, prior_k=PRIOR_K, learn=True) == lead


def course(box, heat_at, hours, *, power=WATTS, lead=None, start_s=0.0, room_c=12.0, learn=True):
    """A box under heat by the clock, read without lag, and the model beside it."""
    lead, now_s = lead or Lead(), start_s
    box.advance(0.0, 0.0, room_c)
    heat = False
    for _ in range(round(hours * 120)):
        box.advance(30.0, power if heat else 0.0, room_c)
        now_s += 30.0
        lead = led.advance(
            lead,
            heat,
            box.temperature("mat"),
            box.temperature("substrate"),
            now_s,
            prior_k=PRIOR_K,
            learn=learn,
        )
        heat = heat_at(now_s)
    return lead


def half_on(now_s: float) -> bool:
    return now_s % 600.0 < 300.0


MAKES = [
    *((lambda name=name: Chamber(BOXES[name])) for name in ("nominal", "shallow", "jacketed")),
    chambers.DeepBox,
    chambers.WetSand,
]


@pytest.mark.parametrize("make", MAKES)
def test_the_level_learned_at_half_power_is_the_lead_of_that_box_at_full_power(make):
    box = make()
    lead = course(box, half_on, 14.0)
    if isinstance(box, Chamber):
        true_k = box.settled("mat", WATTS, 12.0) - box.settled("substrate", WATTS, 12.0)
    else:
        true_k = (box.rise("mat") - box.rise("substrate")) * WATTS
    # A mat that goes on warming the board under it has a slower end than the model: 15 %.
    assert lead.level_k == pytest.approx(true_k, rel=0.15)
    assert led.excess_k(lead) == pytest.approx(0.0, abs=0.15 * true_k)


@pytest.mark.parametrize("make", MAKES)
def test_the_answer_of_a_healthy_mat_is_one_and_of_a_dead_one_falls_below_the_bound(make):
    box = make()
    lead = course(box, half_on, 14.0)
    assert led.answer(lead, PRIOR_K, 30.0) == pytest.approx(1.0, abs=0.25)
    dead = course(box, half_on, 0.75, power=0.0, lead=lead, start_s=lead.at_s, learn=False)
    assert led.answer(dead, PRIOR_K, 30.0) < th.ANSWERS
    half = course(box, half_on, 3.0, power=WATTS / 2, lead=lead, start_s=lead.at_s, learn=False)
    assert th.ANSWERS < led.answer(half, PRIOR_K, 30.0) < th.WEAK


def test_a_mat_that_never_answers_is_never_learned():
    lead = course(Chamber(), half_on, 12.0, power=0.0)
    assert lead.ripple_k is None
    assert lead.level_k is None


def test_without_switching_or_before_the_noise_is_clear_there_is_no_answer():
    assert led.answer(Lead(), PRIOR_K, 30.0) is None
    steady = course(Chamber(), lambda t: True, 3.0)
    assert led.answer(steady, PRIOR_K, 30.0) is None
    # Right after a switch nothing can be told: the sum of the expected is below four sigma.
    early = course(Chamber(), lambda t: True, 0.02)
    assert early.xx > 0.0
    assert led.answer(early, PRIOR_K, 30.0) is None


def test_heat_from_before_the_start_is_not_taken_for_a_fault():
    """The service starts again on a mat that is hot: the lead is taken as it is found."""
    lead = led.advance(Lead(), False, 40.0, 28.0, 0.0, prior_k=PRIOR_K, learn=True)
    assert lead.sleeve == pytest.approx(12.0 / PRIOR_K)
    cold = led.advance(Lead(), False, 20.0, 28.0, 0.0, prior_k=PRIOR_K, learn=True)
    assert cold.sleeve == 0.0
    hot = led.advance(Lead(), False, 100.0, 28.0, 0.0, prior_k=PRIOR_K, learn=True)
    assert hot.sleeve == 1.0


def test_a_reading_that_is_missing_forgets_the_ripple_and_keeps_the_gains():
    lead = course(Chamber(), half_on, 6.0)
    gone = led.advance(lead, True, None, 25.0, lead.at_s + 30.0, prior_k=PRIOR_K, learn=True)
    assert (gone.lead_k, gone.ripple_k, gone.level_k) == (None, lead.ripple_k, lead.level_k)
    assert led.excess_k(gone) is None
    back = led.advance(gone, True, 60.0, 25.0, gone.at_s + 30.0, prior_k=PRIOR_K, learn=True)
    assert (back.lead_k, back.xx, back.xy) == (35.0, 0.0, 0.0)


@given(st.integers(0, 30_000))
@example(12_000)
def test_switching_is_seen_for_twenty_minutes(tenths):
    after_s = tenths / 10  # a difference of two times is not exact to the last bit
    lead = replace(Lead(at_s=0.0), switched_s=1000.0)
    assert led.switching(lead, 1000.0 + after_s) is (after_s <= th.RIPPLE_AFTER_SWITCH_S)


@settings(max_examples=60, deadline=None)
@given(st.floats(0.4, 2.8), st.floats(0.05, 0.95), st.floats(0.1, 0.9), st.integers(0, 59))
def test_a_start_in_a_warm_bed_learns_the_gain_whatever_it_was_held_with(times, before, duty, turn):
    """A mat that is just as the model says, with a gain and a power of before that nobody knows."""
    gain_k = times * PRIOR_K
    quick = slow = sleeve = before
    lead, heat = Lead(), False
    for step in range(480):
        quick += (heat - quick) * -math.expm1(-30.0 / th.LEAD_QUICK_S)
        slow += (heat - slow) * -math.expm1(-30.0 / th.LEAD_SLOW_S)
        whole = th.LEAD_QUICK_SHARE * quick + (1.0 - th.LEAD_QUICK_SHARE) * slow
        sleeve += (whole - sleeve) * -math.expm1(-30.0 / th.SLEEVE_S)
        mat_c = 20.0 + gain_k * sleeve
        lead = led.advance(lead, heat, mat_c, 20.0, 30.0 * step, prior_k=PRIOR_K, learn=True)
        if lead.ripple_k is not None:
            assert lead.ripple_k == pytest.approx(gain_k, rel=0.15)
        if lead.level_k is not None:
            assert lead.level_k == pytest.approx(gain_k, rel=0.08)
            assert lead.sleeve == pytest.approx(sleeve, abs=0.03)
        heat = (step + turn) % 20 < 20 * duty


@pytest.mark.parametrize("make", MAKES)
@pytest.mark.parametrize("waited_s", [0.0, 1200.0])
def test_a_start_in_a_warm_bed_finds_nothing_wrong_with_a_sound_mat(make, waited_s):
    box = make()
    course(box, half_on, 40.0)
    lead = Lead()
    for minutes in range(0, 300, 5):
        lead = course(
            box,
            lambda t: t > waited_s and half_on(t),
            5 / 60,
            lead=lead,
            start_s=minutes * 60.0,
        )
        told = led.answer(lead, PRIOR_K, 30.0)
        if lead.ripple_k is not None and told is not None:
            assert told > th.ANSWERS
            assert told > th.WEAK or lead.carried_k > th.CARRIED_K
    assert lead.level_k == pytest.approx(course(box, half_on, 12.0, lead=lead).level_k, rel=0.2)
