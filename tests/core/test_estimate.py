"""From the probes to the callus zone and back to the wet layer's setpoint."""

import math
from itertools import pairwise

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bottomheat import estimate as est
from bottomheat.doubts import U_FLOW_K, U_LAG_FRAC, U_LID_K, U_WEATHER_LAGS_K, U_ZONE_K
from bottomheat.estimate import Estimator, Inputs
from bottomheat.model import Place
from bottomheat.protect.tending import Lid
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


def held(chamber, layer_c, room_c, **known):
    """The outlook of a bed that has been held for days."""
    inputs = Inputs(layer_c, room_c, None, room_wanted=True, **known)
    estimator, now_s = Estimator(), 0.0
    for _ in range(80):
        estimator, outlook = est.advance(estimator, inputs, chamber, now_s, regulating=True)
        now_s += 3600.0
    return outlook


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
    estimator, before = run(box, [(27.0, 15.0, None)] * 80, every_s=3600.0)
    _, after = run(box, [(27.0, None, None)] * 60, estimator, now_s=80 * 3600.0)
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
        U_ZONE_K,
        U_WEATHER_LAGS_K,
    )
    outlook = held(box, 28.0, 10.0)
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
    assert after.estimate.celsius == pytest.approx(24.0, abs=0.02)
    assert after.estimate.expanded_k > before[-1].estimate.expanded_k
    assert after.substrate_setpoint_c == pytest.approx(before[-1].substrate_setpoint_c, abs=0.01)
    _, (none,) = run(box, [(layer, None, None)], estimator, now_s=1860.0)
    assert none.estimate is None
    assert none.substrate_setpoint_c is None


readings = st.one_of(st.none(), st.floats(-20.0, 125.0))


@settings(max_examples=100, deadline=None)
@given(
    st.sampled_from(
        [
            {"method": "fixed", "kelvin": 1.5},
            FACTOR,
            DIRECT,
            {"method": "heat-flow", "resistance": 0.2},
        ]
    ),
    st.lists(
        st.tuples(
            readings,
            readings,
            readings,
            st.one_of(st.none(), st.floats(0.0, 400.0)),
            st.floats(-1e5, 1e5),
            st.sampled_from(Lid),
        ),
        max_size=30,
    ),
)
def test_anything_in_nothing_but_finite_numbers_out(offset, steps):
    box, estimator, now_s = chamber(**offset), Estimator(), 0.0
    for layer, room, callus, power_w, dt_s, lid in steps:
        now_s += dt_s
        inputs = Inputs(layer, room, callus, room_wanted=True, power_w=power_w)
        estimator, outlook = est.advance(estimator, inputs, box, now_s, regulating=True, lid=lid)
        if outlook.estimate is not None:
            assert math.isfinite(outlook.estimate.celsius)
            assert outlook.estimate.expanded_k > 0
        if layer is None:
            assert outlook.substrate_setpoint_c is None
        elif outlook.substrate_setpoint_c is not None:
            assert math.isfinite(outlook.substrate_setpoint_c)


# --- heat-flow ---------------------------------------------------------------------------------

FLOW = {"method": "heat-flow", "resistance": 0.2}


def flowing(box, steps, estimator=None, every_s=60.0, now_s=0.0, lid=Lid.ON, room_wanted=True):
    """Outlooks for (layer, room, callus, W) a step."""
    estimator, out = estimator or Estimator(), []
    for layer_c, room_c, callus_c, power_w in steps:
        inputs = Inputs(layer_c, room_c, callus_c, room_wanted=room_wanted, power_w=power_w)
        estimator, outlook = est.advance(estimator, inputs, box, now_s, regulating=True, lid=lid)
        out.append(outlook)
        now_s += every_s
    return estimator, out


def test_heat_flow_needs_no_room_and_follows_the_mean_power():
    box = chamber(**FLOW, memory=2.0)
    steps = [(27.0, None, None, 10.0)] * 2 + [(27.0, None, None, 20.0)] * 120
    _, out = flowing(box, steps, room_wanted=False)
    assert out[0].estimate.celsius == pytest.approx(25.0)
    after_one_memory = 10.0 + 10.0 * (1 - math.exp(-1))
    assert out[121].estimate.celsius == pytest.approx(27.0 - 0.2 * after_one_memory, abs=0.01)
    # The setpoint goes by a longer memory: more power must not ask for more at once.
    slower = 10.0 + 10.0 * (1 - math.exp(-2.0 / 5.0))
    assert out[121].substrate_setpoint_c == pytest.approx(25.0 + 0.2 * slower, abs=0.01)


def test_heat_flow_says_nothing_before_power_is_known():
    _, (outlook,) = flowing(chamber(**FLOW), [(27.0, 15.0, None, None)])
    assert outlook.estimate is None
    assert outlook.substrate_setpoint_c is None
    assert "power" in outlook.fallback


def test_heat_flow_from_a_calibration_is_narrow_where_it_was_measured():
    box = chamber(
        **FLOW,
        resistance_uncertainty=0.02,
        uncertainty=0.1,
        measured_power=20.0,
        zone_uncertainty=0.0,
        calibrated=True,
    )
    for power_w, parts in ((20.0, (0.1, 0.0)), (40.0, (0.1, 20.0 * 0.02))):
        settled = Estimator(power_w=power_w)
        _, (outlook,) = flowing(box, [(27.0, None, None, power_w)], settled)
        expected = 2 * math.hypot(*parts, U_FLOW_K)
        assert outlook.estimate.expanded_k == pytest.approx(expected)


# --- what an estimate is worth -----------------------------------------------------------------

CALIBRATED = {
    **FACTOR,
    "factor_uncertainty": 0.02,
    "uncertainty": 0.12,
    "measured_difference": 9.0,
    "zone_uncertainty": 0.2,
    "calibrated": True,
}


def test_a_calibration_is_worth_most_at_the_difference_it_was_measured_at():
    """Three numbers carry the parabola of a fit's variance."""
    for room_c, difference_k in ((18.0, 9.0), (7.0, 20.0)):
        outlook = held(chamber(**CALIBRATED), 27.0, room_c)
        parts = (0.12, (difference_k - 9.0) * 0.02, 0.2, U_WEATHER_LAGS_K)
        assert outlook.estimate.expanded_k == pytest.approx(2 * math.hypot(*parts))


def test_a_corrected_probe_narrows_an_estimate_without_a_calibration():
    def width(u_probe_k):
        return held(chamber(**FACTOR), 27.0, 15.0, u_probe_k=u_probe_k).estimate.expanded_k

    assert width({Place.SUBSTRATE: 0.06, Place.ROOM: 0.06}) < width({}) - 0.02


def test_a_fixed_offset_is_worth_less_the_further_the_room_is_from_its_own():
    def width(room_c):
        box = chamber(method="fixed", kelvin=1.5, measured_room=17.0, uncertainty=0.1)
        _, (outlook,) = run(box, [(26.5, room_c, None)])
        return outlook.estimate.expanded_k

    assert width(17.0) < width(14.0) < width(8.0)
    # The nominal box at 8 °C is 3 K colder than a fixed offset of 17 °C says (calculated).
    assert width(8.0) > 3.0


def test_a_lid_without_its_own_calibration_widens_and_one_with_it_does_not():
    alone = chamber(**CALIBRATED)
    both = config(
        bench=chamber_keys(offset=CALIBRATED, offset_off={**CALIBRATED, "factor": 0.6})
    ).chambers["bench"]
    steps = [(27.0, 18.0, None, 10.0)]
    _, (on,) = flowing(alone, steps)
    _, (wide,) = flowing(alone, steps, lid=Lid.OFF)
    _, (own,) = flowing(both, steps, lid=Lid.OFF)
    assert wide.estimate.celsius == on.estimate.celsius
    assert wide.estimate.expanded_k == pytest.approx(
        2 * math.hypot(on.estimate.expanded_k / 2, U_LID_K)
    )
    assert own.estimate.celsius == pytest.approx(18.0 + 0.6 * 9.0)
    assert own.estimate.expanded_k == pytest.approx(on.estimate.expanded_k)


def test_a_probe_in_the_medium_does_not_care_for_the_lid():
    steps = [(28.0, 15.0, 24.0, None)]
    widths = {lid: flowing(chamber(**DIRECT), steps, lid=lid)[1][0].estimate for lid in Lid}
    assert len(set(widths.values())) == 1


# --- a start with a bed that is warm already ------------------------------------------------------


def test_a_bed_that_was_held_is_not_taken_for_hot_after_a_restart():
    """A bed of 32 °C in a cold shed: without its heat of before it would be above every limit."""
    box = chamber(**FLOW)
    _, (known,) = flowing(box, [(32.0, None, None, 0.0)], Estimator(before_c=24.8))
    assert known.estimate.celsius == pytest.approx(24.8)
    _, (taken,) = flowing(box, [(32.0, None, None, 0.0)])
    assert taken.estimate.celsius == pytest.approx(25.0)
    # Nobody knows how it was heated: from nothing to all of 45 W, the truth lies in the interval.
    assert taken.estimate.expanded_k >= 5.0 > known.estimate.expanded_k
    _, later = flowing(box, [(32.0, None, None, 0.0)] * 900)
    assert later[-1].estimate.celsius > 31.0
    assert later[-1].estimate.expanded_k < 2.0


def test_the_power_waits_for_a_wet_layer_that_bears_witness():
    box = chamber(**FLOW)
    waiting = [(None, None, None, 0.0)] * 5
    _, out = flowing(box, [*waiting, (32.0, None, None, 0.0)], Estimator(before_c=24.8))
    assert out[-1].estimate.celsius == pytest.approx(24.8, abs=0.1)


@pytest.mark.parametrize(("layer_c", "power_w"), [(12.0, 0.0), (32.0, 35.0), (90.0, 45.0)])
def test_the_power_before_a_start_lies_between_nothing_and_all(layer_c, power_w):
    estimator, _ = flowing(chamber(**FLOW), [(layer_c, None, None, 0.0)])
    assert estimator.power_w == pytest.approx(power_w)


def test_a_silent_keeper_widens_the_interval_and_its_return_narrows_it():
    """Nobody knows whether the mat was fed: it may have been off all the time."""
    box = chamber(**FLOW)
    estimator, held = flowing(box, [(32.0, None, None, 36.0)] * 3000)
    estimator, unheard = flowing(box, [(28.0, None, None, None)] * 360, estimator, now_s=180_000.0)
    assert unheard[0].estimate.expanded_k == pytest.approx(held[-1].estimate.expanded_k, abs=0.1)
    without_heat_c = 28.0 - 0.2 * 36.0 * math.exp(-6.0 / est.MEMORY_H)
    assert abs(unheard[-1].estimate.celsius - without_heat_c) < unheard[-1].estimate.expanded_k
    _, back = flowing(box, [(28.0, None, None, 30.0)] * 900, estimator, now_s=201_600.0)
    assert back[-1].estimate.expanded_k == pytest.approx(held[-1].estimate.expanded_k, abs=1.0)


def test_what_a_watt_gives_does_not_come_from_the_time_before_a_restart():
    """Half a day after a restart of a warm bed, a lost room must not look three times colder."""
    box = chamber(method="temperature-factor", factor=0.75)
    cold = Estimator(power_w=0.0)  # as if no heat had flowed before
    estimator, _ = flowing(box, [(32.0, 4.0, None, 36.0)] * 1440, cold)
    _, after = flowing(box, [(32.0, None, None, 36.0)] * 600, estimator, now_s=86_400.0)
    assert after[0].fallback == est.ROOM_IMPLIED
    assert after[-1].estimate.celsius == pytest.approx(4.0 + 0.75 * 28.0, abs=0.4)


def test_what_a_displaced_callus_probe_taught_of_late_goes_with_it():
    """Seven hours in the air, then found out: the wet layer must not stay that much warmer."""
    box = chamber(**DIRECT)
    estimator = Estimator()
    for step in range(420):
        # The bed follows what is asked of it, and the probe lies in the room's air.
        layer_c = 28.33 + estimator.outer_k
        estimator, _ = flowing(box, [(layer_c, 15.0, 15.0, 20.0)], estimator, now_s=60.0 * step)
    assert estimator.outer_k == pytest.approx(est.OUTER_BOUND_FRAC * 10.0)
    layer_c = 28.33 + estimator.outer_k
    _, after = flowing(box, [(layer_c, 15.0, None, 20.0)] * 600, estimator, now_s=60.0 * 420)
    assert after[-1].substrate_setpoint_c < layer_c - 2.0
    assert after[-1].estimate.celsius > 25.0 + 0.75 * 2.0


# --- losing a probe, and its coming back --------------------------------------------------------


def test_room_lost_is_made_up_for_by_the_heat():
    """In steady state the heat says how cold the room is: a colder night still shows."""
    box = chamber(method="temperature-factor", factor=0.75, factor_uncertainty=0.0)
    day = [(28.0, 16.0, None, 12.0)] * 1440
    estimator, before = flowing(box, day)
    # The room is gone and becomes 6 K colder: the bed needs half as much again.
    night = [(28.0, None, None, 18.0)] * 1440
    _, after = flowing(box, night, estimator, now_s=86_400.0)
    assert after[0].fallback == est.ROOM_IMPLIED
    assert after[-1].estimate.celsius == pytest.approx(28.0 - 0.25 * 18.0, abs=0.06)
    assert before[-1].substrate_setpoint_c == pytest.approx(28.0)
    assert after[-1].substrate_setpoint_c == pytest.approx(25.0 + 0.25 * 18.0, abs=0.1)
    blind, _ = flowing(box, [(*step[:3], None) for step in day])
    _, mean = flowing(box, [(*step[:3], None) for step in night], blind, now_s=86_400.0)
    assert mean[-1].fallback == est.ROOM_MEAN
    assert after[-1].estimate.expanded_k < mean[-1].estimate.expanded_k


def test_without_a_day_of_both_the_mean_room_is_used():
    box = chamber(method="temperature-factor", factor=0.75)
    estimator, _ = flowing(box, [(28.0, 16.0, None, 12.0)] * 60)
    _, after = flowing(box, [(28.0, None, None, 30.0)] * 60, estimator, now_s=3600.0)
    assert after[-1].fallback == est.ROOM_MEAN


@pytest.mark.parametrize(
    ("offset", "with_it", "without"),
    [
        ({**FACTOR, "factor_uncertainty": 0.0}, (28.0, 12.0, None), (28.0, None, None)),
        (DIRECT, (28.0, 15.0, 24.2), (28.0, 15.0, None)),
    ],
)
def test_losing_a_probe_and_its_return_make_no_bump(offset, with_it, without):
    box = chamber(**offset)
    cooler = [(28.0, 16.0, 24.0, 12.0)] * 1000 + [(*with_it, 12.0)] * 240
    estimator, before = flowing(box, cooler)
    estimator, lost = flowing(box, [(*without, 14.0)] * 600, estimator, now_s=74_400.0)
    _, back = flowing(box, [(*with_it, 14.0)] * 600, estimator, now_s=110_400.0)
    course = [before[-1], *lost, *back]
    assert lost[0].fallback is not None
    assert back[0].fallback is None
    for a, b in pairwise(course):
        assert abs(b.estimate.celsius - a.estimate.celsius) < 0.05
        assert abs(b.substrate_setpoint_c - a.substrate_setpoint_c) < 0.05
    assert back[-1].estimate.expanded_k < lost[-1].estimate.expanded_k


def test_what_is_handed_over_dies_away_and_is_bounded():
    box = chamber(**DIRECT)
    estimator, _ = flowing(box, [(28.0, 15.0, 15.0, None)] * 5)  # a probe that has slipped out
    _, after = flowing(box, [(28.0, 15.0, None, None)] * 600, estimator, now_s=300.0)
    model_c = 15.0 + 0.75 * 13.0
    assert after[0].estimate.celsius == pytest.approx(model_c - est.HANDOVER_BOUND_K, abs=0.2)
    # What the outer loop learnt from it in five minutes does not stay.
    assert after[-1].estimate.celsius == pytest.approx(model_c, abs=0.05)
    assert after[0].estimate.expanded_k > after[-1].estimate.expanded_k


def test_a_lid_with_its_own_calibration_is_taken_over_without_a_bump():
    box = config(
        bench=chamber_keys(offset=CALIBRATED, offset_off={**CALIBRATED, "factor": 0.7})
    ).chambers["bench"]
    steady = [(28.0, 16.0, None, 12.0)] * 60
    estimator, before = flowing(box, steady)
    _, after = flowing(box, steady * 12, estimator, now_s=3600.0, lid=Lid.OFF)
    assert abs(after[0].estimate.celsius - before[-1].estimate.celsius) < 0.02
    assert after[-1].estimate.celsius == pytest.approx(16.0 + 0.7 * 12.0, abs=0.05)


def test_a_warm_up_is_told_by_the_interval():
    """A layer that warms by 3 K/h outruns its lag: by 1.25 h of it, within a factor of two."""
    box = chamber(method="temperature-factor", factor=0.75, factor_uncertainty=0.0)
    _, still = run(box, [(20.0, 10.0, None)] * 600)
    _, rising = run(box, [(20.0 + 3.0 * i / 60, 10.0, None) for i in range(600)])
    late_k = U_LAG_FRAC * 0.75 * 3.0 * est.SUBSTRATE_LAG_H
    expected = 2 * math.hypot(still[-1].estimate.expanded_k / 2, late_k)
    assert rising[-1].estimate.expanded_k == pytest.approx(expected, rel=0.02)


def test_in_a_mild_room_a_callus_probe_that_has_slipped_moves_the_layer_by_little():
    box = chamber(**DIRECT)
    estimator, layer_c = Estimator(), 25.0
    for hour in range(400):
        inputs = Inputs(layer_c, 20.0, 20.5, room_wanted=True)
        estimator, outlook = est.advance(estimator, inputs, box, 3600.0 * hour, regulating=True)
        layer_c = outlook.substrate_setpoint_c
    assert estimator.outer_k == pytest.approx(est.OUTER_BOUND_FRAC * 5.0)
