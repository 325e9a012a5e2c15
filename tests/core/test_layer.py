"""The wet layer's model: sound under any course, and close enough to boxes to judge by."""

from __future__ import annotations

import math
from dataclasses import fields

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import chambers
from bottomheat.campaign_boxes import BOXES
from bottomheat.chamber import Chamber
from bottomheat.protect import layer as lay
from bottomheat.protect import thresholds as th
from bottomheat.protect.layer import Layer

WATTS = 45.0
PRIOR_K = th.LAYER_K_PER_W * WATTS

celsius = st.none() | st.floats(-20.0, 125.0)
steps = st.lists(
    st.tuples(st.booleans(), celsius, celsius, st.sampled_from([0.0, 10.0, 30.0, 600.0, 9000.0])),
    max_size=60,
)


@settings(max_examples=150, deadline=None)
@given(steps, st.floats(5.0, 400.0))
def test_any_course_leaves_a_finite_model_whose_gain_stays_in_its_span(course, watts):
    layer, now_s, prior_k = Layer(), 0.0, th.LAYER_K_PER_W * watts
    for heat, substrate_c, room_c, dt_s in course:
        now_s += dt_s
        layer = lay.advance(layer, heat, substrate_c, room_c, now_s, prior_k=prior_k, learn=True)
        for field in fields(layer):
            value = getattr(layer, field.name)
            if isinstance(value, float) and field.name != "minute_s":
                assert math.isfinite(value)
        assert -1e-9 <= layer.share <= 1.0 + 1e-9
        if layer.full_k is not None:
            assert prior_k / th.PRIOR_SPAN - 1e-9 <= layer.full_k
            assert layer.full_k <= prior_k * th.PRIOR_SPAN + 1e-9
        assert len(layer.path) <= th.PATH_MINUTES + 1


@settings(max_examples=100, deadline=None)
@given(steps, steps)
def test_nothing_is_learned_where_nothing_may_be(before, after):
    layer, now_s = Layer(), 0.0
    for heat, substrate_c, room_c, dt_s in before:
        now_s += dt_s
        layer = lay.advance(layer, heat, substrate_c, room_c, now_s, prior_k=PRIOR_K, learn=True)
    known = (layer.full_k, layer.xx, layer.xy)
    for heat, substrate_c, room_c, dt_s in after:
        now_s += dt_s
        layer = lay.advance(layer, heat, substrate_c, room_c, now_s, prior_k=PRIOR_K, learn=False)
        assert (layer.full_k, layer.xx, layer.xy) == known


def run(box, layer, hours, *, duty=1.0, room_c=12.0, to_c=None):
    """A box and its model side by side; the room may go to another temperature at a rate."""
    box.advance(0.0, 0.0, room_c)
    now_s = layer.at_s or 0.0
    heat = False
    for i in range(round(hours * 120)):
        felt_c = room_c if to_c is None else room_c + (to_c - room_c) * min(1.0, i / 240)
        box.advance(30.0, WATTS if heat else 0.0, felt_c)
        now_s += 30.0
        layer = lay.advance(
            layer, heat, box.temperature("substrate"), felt_c, now_s, prior_k=PRIOR_K, learn=True
        )
        heat = now_s % 600.0 < 600.0 * duty
    return layer


MAKES = [
    *((lambda name=name: Chamber(BOXES[name])) for name in ("nominal", "shallow", "jacketed")),
    chambers.DeepBox,
    chambers.WetSand,
]


def true_full_k(box) -> float:
    if isinstance(box, Chamber):
        return box.settled("substrate", WATTS, 0.0)
    return box.rise("substrate") * WATTS


@pytest.mark.parametrize("make", MAKES)
def test_the_rise_at_full_power_is_learned_from_a_warm_up_at_half_power(make):
    box = make()
    layer = run(box, Layer(), 30.0, duty=0.5)
    # Lags are those of the middle box: 20 % is what a bound of the duty can live with.
    assert layer.full_k == pytest.approx(true_full_k(box), rel=0.2)


@pytest.mark.parametrize("make", MAKES)
def test_a_settled_box_moves_as_expected_when_the_room_falls(make):
    box = make()
    layer = run(box, Layer(), 40.0, duty=0.4)
    fallen = run(box, layer, 4.0, duty=0.4, room_c=12.0, to_c=6.0)
    rise_k, due_k = lay.moved_k(fallen, 60)
    assert due_k < -0.2
    assert rise_k == pytest.approx(due_k, abs=1.0)


def test_before_an_hour_has_passed_there_is_no_hour_to_speak_of():
    box = Chamber()
    layer = run(box, Layer(), 0.9)
    assert lay.moved_k(layer, 60) is None
    assert lay.moved_k(layer, 10) is not None
    lost = lay.advance(layer, False, None, 12.0, layer.at_s + 30.0, prior_k=PRIOR_K, learn=True)
    assert lay.moved_k(lost, 10) is None


def test_after_a_dead_time_the_layer_is_expected_to_rise():
    layer = lay.advance(Layer(), False, 12.0, 12.0, 0.0, prior_k=PRIOR_K, learn=False)
    shares = []
    for minute in range(1, 121):
        layer = lay.advance(layer, True, 12.0, 12.0, minute * 60.0, prior_k=PRIOR_K, learn=False)
        shares.append(layer.share)
    assert shares == sorted(shares)
    assert shares[4] < 0.003
    assert shares[59] > 0.1


def test_a_gain_learned_anew_does_not_look_like_a_jump_of_the_layer():
    box = Chamber()
    layer, last_c = Layer(), None
    box.advance(0.0, 0.0, 12.0)
    steps_k = []
    for i in range(12 * 120):
        box.advance(30.0, WATTS, 12.0)
        layer = lay.advance(
            layer,
            True,
            box.temperature("substrate"),
            12.0,
            i * 30.0,
            prior_k=3 * PRIOR_K,
            learn=True,
        )
        if last_c is not None:
            steps_k.append(abs(layer.expected_c - last_c))
        last_c = layer.expected_c
    assert layer.full_k is not None
    assert max(steps_k) < 0.2
