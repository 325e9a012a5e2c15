"""From the probes to the callus zone and back to the wet layer's setpoint."""

import math
from itertools import pairwise

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bottomheat import estimate as est
from bottomheat.estimate import Estimator, Inputs
from plant import chamber_keys, config

FACTOR = {"method": "temperature-factor", "factor": 0.75, "room_lag": 0.0, "substrate_lag": 0.0}


def chamber(**offset):
    return config(bench=chamber_keys(offset=offset)).chambers["bench"]


def run(chamber, steps, estimator=None, every_s=60.0, now_s=0.0, regulating=True):
    """Outlooks for (layer, room, callus) a step."""
    estimator, out = estimator or Estimator(), []
    for layer_c, room_c, callus_c in steps:
        inputs = Inputs(layer_c, room_c, callus_c, room_wanted=True)
        estimator, outlook = est.advance(estimator, inputs, chamber, now_s, regulating=regulating)
        out.append(outlook)
        now_s += every_s
    return estimator, out


def test_fixed_offset_is_a_subtraction():
    _, (outlook,) = run(chamber(method="fixed", kelvin=1.5), [(26.5, 10.0, None)])
    assert outlook.estimate.celsius == 25.0
    assert outlook.substrate_setpoint_c == 26.5


@given(
    st.floats(-20.0, 45.0),
    st.floats(-10.0, 60.0),
    st.floats(0.3, 1.0),
    st.floats(-5.0, 5.0),
)
def test_at_its_setpoint_the_wet_layer_puts_the_estimate_at_the_setpoint(room, layer, f, b):
    """The two directions are each other's inverse, whatever the room."""
    box = chamber(**{**FACTOR, "factor": f, "intercept": b})
    _, (outlook,) = run(box, [(layer, room, None)])
    assert outlook.estimate.celsius == pytest.approx(room + f * (layer - room) + b)
    _, (again,) = run(box, [(outlook.substrate_setpoint_c, room, None)])
    assert again.estimate.celsius == pytest.approx(25.0, abs=1e-6)


def test_a_cold_shed_lowers_the_callus_zone_of_the_same_wet_layer():
    """26.5 °C of wet layer with f = 0.75: 25 °C in a room of 20.5, 21.1 in a shed of 5."""
    _, outlooks = run(chamber(**FACTOR), [(26.5, 20.5, None), (26.5, 5.0, None)])
    assert [o.estimate.celsius for o in outlooks] == pytest.approx([25.0, 21.125])


def test_lags_are_exact_first_order_whatever_the_step():
    box = chamber(**{**FACTOR, "room_lag": 2.0})
    warm = (26.0, 20.0, None)
    for every_s in (10.0, 600.0, 3600.0):
        estimator, _ = run(box, [warm])
        count = round(7200.0 / every_s)
        _, out = run(box, [(26.0, 10.0, None)] * count, estimator, every_s, now_s=every_s)
        room_c = 20.0 - 10.0 * (1 - math.exp(-1))
        assert out[-1].estimate.celsius == pytest.approx(room_c + 0.75 * (26.0 - room_c))


def test_two_probes_mean_warmer_and_one_alone():
    def one(estimator, a, b):
        return est.control_substrate(estimator, a, b)

    state, value = one(Estimator(), 20.0, 20.8)
    assert (value, state.disagree) == (20.4, False)
    state, value = one(state, 20.0, 21.1)
    assert (value, state.disagree) == (21.1, True)
    state, value = one(state, 20.0, 20.8)  # dead-band: 0.7 K
    assert (value, state.disagree) == (20.8, True)
    state, value = one(state, 20.0, 20.6)
    assert (value, state.disagree) == (20.3, False)
    for pair in ((20.0, None), (None, 20.0)):
        state, value = one(state, *pair)
        assert (value, state.disagree) == (20.0, False)
    assert one(state, None, None)[1] is None


def test_room_lost_goes_on_with_the_mean_room_and_a_wider_interval():
    box = chamber(method="temperature-factor", factor=0.75)
    estimator, before = run(box, [(27.0, 15.0, None)] * 60)
    _, after = run(box, [(27.0, None, None)] * 60, estimator, now_s=3600.0)
    assert before[-1].fallback is None
    assert after[-1].fallback is not None
    assert after[-1].estimate.celsius == pytest.approx(before[-1].estimate.celsius)
    assert after[0].substrate_setpoint_c == pytest.approx(before[-1].substrate_setpoint_c)
    assert after[-1].estimate.expanded_k > before[-1].estimate.expanded_k + 0.5


def test_room_never_seen_gives_no_estimate_and_no_setpoint():
    _, (outlook,) = run(chamber(**FACTOR), [(27.0, None, None)])
    assert outlook.estimate is None
    assert outlook.substrate_setpoint_c is None


def test_uncertainty_follows_jcgm_100_for_independent_inputs():
    """JCGM 100:2008, 5.1.2: against the law of propagation by finite differences."""
    box = chamber(**FACTOR, factor_uncertainty=0.03)

    def value(layer, room, f=0.75):
        return room + f * (layer - room)

    h = 1e-6
    u = 0.5 / math.sqrt(3)
    parts = (
        u * (value(28 + h, 10) - value(28, 10)) / h,
        u * (value(28, 10 + h) - value(28, 10)) / h,
        0.03 * (value(28, 10, 0.75 + h) - value(28, 10)) / h,
        est.U_ZONE_K,
    )
    _, (outlook,) = run(box, [(28.0, 10.0, None)])
    assert outlook.estimate.expanded_k == pytest.approx(2 * math.hypot(*parts), rel=1e-5)


def test_a_calibrated_factor_narrows_the_interval():
    wide, narrow = (
        run(chamber(**FACTOR, calibrated=c), [(28.0, 5.0, None)])[1][0].estimate.expanded_k
        for c in (False, True)
    )
    assert narrow < wide


# --- direct -----------------------------------------------------------------------------------

DIRECT = {"method": "direct", "factor": 0.75}


def test_direct_believes_the_callus_probe_and_moves_the_wet_layer_towards_it():
    box = chamber(**DIRECT)
    layer = 15.0 + (25.0 - 15.0) / 0.75
    estimator, out = run(box, [(layer, 15.0, 24.0)] * 30)
    assert out[-1].estimate.celsius == 24.0
    setpoints = [o.substrate_setpoint_c for o in out]
    assert all(b >= a for a, b in pairwise(setpoints))
    assert setpoints[-1] > layer
    assert estimator.outer_k == pytest.approx(29 * 60 / est.OUTER_INTEGRAL_S)


@settings(max_examples=50, deadline=None)
@given(st.lists(st.tuples(st.floats(-20, 125), st.floats(-20, 125)), min_size=1, max_size=60))
def test_the_outer_loop_is_bounded(pairs):
    box = chamber(**DIRECT)
    estimator, _ = run(box, [(layer, 15.0, callus) for layer, callus in pairs], every_s=3600.0)
    assert abs(estimator.outer_k) <= est.OUTER_BOUND_K


def test_the_outer_loop_waits_while_the_law_may_not_act_or_the_layer_is_far_off():
    box = chamber(**DIRECT)
    estimator, _ = run(box, [(28.3, 15.0, 24.0)] * 30, regulating=False)
    assert estimator.outer_k == 0.0
    estimator, _ = run(box, [(20.0, 15.0, 18.0)] * 30)
    assert estimator.outer_k == 0.0


def test_direct_without_a_room_probe_starts_from_a_guess():
    inputs = Inputs(26.0, None, 24.5, room_wanted=False)
    _, outlook = est.advance(Estimator(), inputs, chamber(**DIRECT), 0.0, regulating=True)
    assert outlook.substrate_setpoint_c == 25.0 + est.START_OFFSET_K


def test_callus_probe_lost_falls_back_to_the_factor_and_keeps_what_was_learnt():
    box = chamber(**DIRECT)
    layer = 15.0 + (25.0 - 15.0) / 0.75
    estimator, before = run(box, [(layer, 15.0, 24.0)] * 30)
    estimator, (after,) = run(box, [(layer, 15.0, None)], estimator, now_s=1800.0)
    assert after.fallback is not None
    assert after.estimate.celsius == pytest.approx(25.0)
    assert after.estimate.expanded_k > before[-1].estimate.expanded_k
    assert after.substrate_setpoint_c == pytest.approx(before[-1].substrate_setpoint_c, abs=0.01)
    _, (none,) = run(box, [(layer, None, None)], estimator, now_s=1860.0)
    assert none.estimate is None
    assert none.substrate_setpoint_c is None


readings = st.one_of(st.none(), st.floats(-20.0, 125.0))


@settings(max_examples=100, deadline=None)
@given(
    st.sampled_from([{"method": "fixed", "kelvin": 1.5}, FACTOR, DIRECT]),
    st.lists(st.tuples(readings, readings, readings, st.floats(-1e5, 1e5)), max_size=30),
)
def test_anything_in_nothing_but_finite_numbers_out(offset, steps):
    box, estimator, now_s = chamber(**offset), Estimator(), 0.0
    for layer, room, callus, dt_s in steps:
        now_s += dt_s
        inputs = Inputs(layer, room, callus, room_wanted=True)
        estimator, outlook = est.advance(estimator, inputs, box, now_s, regulating=True)
        if outlook.estimate is not None:
            assert math.isfinite(outlook.estimate.celsius)
            assert outlook.estimate.expanded_k > 0
        if layer is None:
            assert outlook.substrate_setpoint_c is None
        elif outlook.substrate_setpoint_c is not None:
            assert math.isfinite(outlook.substrate_setpoint_c)
