"""A step on random boxes with drifting rooms: slope, delay and what follows for a loop."""

import math

import numpy as np
import pytest
from hypothesis import given as drawn
from hypothesis import settings
from hypothesis import strategies as st

from bottomheat.identification import early
from bottomheat.identification.found import Found, NotEnough
from bottomheat.identification.relay import fit_relay
from bottomheat.identification.step import fit_step
from bottomheat.identification.stretch import Stretch
from bottomheat.response import Response, advance, rested
from experiment_runs import Run, step_run
from random_boxes import draw_boxes

BOXES = draw_boxes(4, 11)
RAD_PER_S = np.geomspace(1e-6, math.pi / 600.0, 1500)


def given(response, watts, duties, room_c, row_s=60.0):
    """What a box that answers exactly so would log: duties (duty, hours), room by time."""
    rows, now_s = [], 0.0
    twin = rested(response, response.settled_c(duties[0][0] * watts, room_c(0.0)), room_c(0.0))
    for duty, hours in duties:
        for _ in range(round(hours * 3600.0 / row_s)):
            now_s += row_s
            twin = advance(twin, response, row_s, duty * watts, room_c(now_s - row_s / 2))
            rows.append((now_s, twin.place_c(response), room_c(now_s), duty))
    columns = np.array(rows).T
    return Stretch(columns[0], columns[1], columns[2], columns[3], watts)


def peak_sensitivity(box, gain_per_k, integral_s):
    """Ms of a PI on the true box: probe lag, filter, and half a window of delay."""
    s = 1j * RAD_PER_S
    process = box.answer(RAD_PER_S) * box.watts / (1 + 40 * s) / (1 + 60 * s) * np.exp(-300 * s)
    loop = process * gain_per_k * (1 + 1 / (integral_s * s))
    return float(np.max(1 / np.abs(1 + loop)))


@pytest.mark.parametrize("drift", [0.0, 0.2, -0.5])
def test_early_answer_of_a_box_that_is_two_lags(drift):
    """Slope within 5 % and delay within 2 min, however the room drifts."""
    truth = Response(0.71, 33120.0, 6480.0, 0.38, 900.0)
    stretch = given(
        truth, 45.0, [(0.4, 2.0), (0.33, 4.0)], lambda now_s: 12.0 + drift * now_s / 3600.0
    )
    found = fit_step(stretch)
    assert isinstance(found, Found)
    slope = early.slope_k_per_ws(found.response) / early.slope_k_per_ws(truth)
    assert slope == pytest.approx(1.0, abs=0.05)
    assert found.response.dead_s == pytest.approx(truth.dead_s, abs=120.0)
    assert found.response.step_k(45.0, 14400.0) == pytest.approx(
        truth.step_k(45.0, 14400.0), rel=0.05
    )


def test_without_its_room_the_same_step_would_mislead():
    """The reason why the room is in the model (0.5 K/h: see the docstring of early)."""
    truth = Response(0.71, 33120.0, 6480.0, 0.38, 900.0)
    stretch = given(truth, 45.0, [(0.4, 2.0), (0.47, 4.0)], lambda now_s: 12.0 + now_s / 7200.0)
    blind = Stretch(
        stretch.time_s,
        stretch.substrate_c,
        np.full_like(stretch.room_c, 12.0),
        stretch.heat_share,
        45.0,
    )
    right = early.fit(stretch, stretch.substrate_c).response.step_k(45.0, 14400.0)
    wrong = early.fit(blind, blind.substrate_c).response.step_k(45.0, 14400.0)
    true = truth.step_k(45.0, 14400.0)
    assert abs(right / true - 1.0) < 0.05
    assert abs(wrong / true - 1.0) > 0.10


@pytest.mark.parametrize("no", range(4))
def test_loop_tuned_by_a_step_is_calm_on_the_true_box(no):
    """SIMC for an integrator by slope and delay: Ms on the true box at most 2 (goal of tunings)."""
    box = BOXES[no]
    found = fit_step(step_run(box, no, 0.5).stretch())
    assert isinstance(found, Found), found
    delay_s = found.response.dead_s + 300.0 + 60.0
    slope = early.slope_k_per_ws(found.response) * box.watts
    assert peak_sensitivity(box, 1.0 / (slope * 2.0 * delay_s), 8.0 * delay_s) <= 2.0


def test_callus_zone_is_fitted_where_it_was_logged():
    """Later and less than the wet layer."""
    box = BOXES[1]
    run = step_run(box, 1, 0.5)
    stretch = run.stretch()
    # An estimate by the temperature factor, as the service logs it.
    callus_c = stretch.room_c + box.factor * (stretch.substrate_c - stretch.room_c)
    found = fit_step(run.stretch(callus_c=callus_c))
    assert isinstance(found, Found)
    assert found.callus is not None
    assert found.callus.step_k(1.0, 14400.0) < found.response.step_k(1.0, 14400.0)
    assert found.intervals["callus.gain_k_per_w"].low < found.callus.gain_k_per_w


def test_intervals_hold_their_own_value():
    """And are named as the response's fields are; the slope it begins with has one too."""
    found = fit_step(step_run(BOXES[0], 5, 0.3).stretch())
    assert isinstance(found, Found)
    intervals = dict(found.intervals)
    assert intervals.pop("slope").holds(early.slope_k_per_ws(found.response))
    for name, interval in intervals.items():
        assert interval.holds(getattr(found.response, name)), name
    assert found.first_rise_s is None  # nobody said when the step came


def test_a_step_says_how_long_nothing_was_felt():
    found = fit_step(step_run(BOXES[0], 5, 0.3).stretch(), 7200.0)
    assert isinstance(found, Found)
    assert found.first_rise_s is not None
    assert 0.0 <= found.first_rise_s <= found.response.dead_s


def test_no_step_no_numbers():
    """A box at rest says nothing of how it answers."""
    run = Run(BOXES[0], 0.4, 12.0, 0.3)
    run.windows(0.4, 6.0)
    found = fit_step(run.stretch())
    assert isinstance(found, NotEnough)
    assert "not enough excitation" in found.reasons[0]


def test_too_short():
    """Half an hour after a step is the dead time and little else."""
    found = fit_step(step_run(BOXES[0], 1, 0.3, hours=0.5, before_h=1.0).stretch())
    assert isinstance(found, NotEnough)
    assert "1.5 h long" in found.reasons[0]


def test_tiny_step_is_refused_or_says_how_unsure_it_is():
    """A step that moves the wet layer by less than the probe's noise gives no tuning."""
    box = BOXES[0]
    run = Run(box, 0.4, 12.0, 0.0)
    run.windows(0.4, 2.0)
    run.windows(0.425, 3.0)
    assert isinstance(fit_step(run.stretch()), NotEnough)


@pytest.mark.parametrize("column", ["substrate_c", "room_c"])
def test_lost_probe_is_told(column):
    """A record without wet layer or room."""
    stretch = step_run(BOXES[0], 1, 0.3).stretch()
    values = getattr(stretch, column).copy()
    values[: len(values) // 2] = math.nan
    columns = {
        name: getattr(stretch, name) for name in ("time_s", "substrate_c", "room_c", "heat_share")
    }
    found = fit_step(Stretch(**{**columns, column: values}, watts=stretch.watts))
    assert isinstance(found, NotEnough)
    assert "probe" in found.reasons[0]


def test_whiteness_tells_noise_from_a_pattern():
    """Ljung-Box: white noise passes at 1 % in most draws, a slow wave over it does not."""
    rng = np.random.default_rng(3)
    passed = 0
    for _ in range(50):
        verdict = early.whiteness(rng.normal(0.0, 0.01, 400))
        assert verdict is not None
        passed += verdict.white
    assert passed >= 45
    wave = 0.02 * np.sin(np.arange(400) / 3.0) + rng.normal(0.0, 0.01, 400)
    verdict = early.whiteness(wave)
    assert verdict is not None
    assert not verdict.white
    assert early.whiteness(rng.normal(0.0, 0.01, 8)) is None


@settings(max_examples=40, deadline=None)
@drawn(
    st.integers(0, 2**32 - 1),
    st.sampled_from([0, 1, 2, 3, 10, 60, 400, 1500]),
    st.sampled_from([1.0, 10.0, 60.0, 600.0]),
    st.sampled_from([0.0, 0.05, 0.5, 1.0]),
    st.sampled_from([fit_step, fit_relay]),
)
def test_whatever_a_record_holds_there_is_an_answer(seed, count, row_s, gone, fit):
    """Numbers or a reason in words; never an exception, never a number that is none."""
    rng = np.random.default_rng(seed)
    time_s = np.cumsum(rng.uniform(0.5, 1.5, count) * row_s) + 1e9
    layer_c = 25.0 + np.cumsum(rng.normal(0.0, rng.choice([0.0, 0.01, 1.0]), count))
    room_c = 12.0 + np.cumsum(rng.normal(0.0, rng.choice([0.0, 0.01]), count))
    heat = (np.arange(count) // rng.integers(1, 200) % 2).astype(float)
    for column in (layer_c, room_c, heat):
        if rng.random() < 0.5:
            column[rng.random(count) < gone] = rng.choice([math.nan, math.inf])
    found = fit(Stretch(time_s, layer_c, room_c, heat, 45.0, layer_c - 1.0))
    if isinstance(found, NotEnough):
        assert all(found.reasons)
    elif isinstance(found, Found):
        assert math.isfinite(found.residual_rms_k)
    else:
        assert math.isfinite(found.ku_per_k)
        assert math.isfinite(found.period_s)
