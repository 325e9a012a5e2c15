"""Relay runs: the exact limit cycle of one lag and a delay, and the exact answer of true boxes."""

import math

import control
import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st
from scipy.optimize import brentq

from bottomheat.identification.found import NotEnough
from bottomheat.identification.relay import (
    FirstOrder,
    first_order,
    fit_relay,
    limit_cycle,
    ultimate_gain,
)
from bottomheat.identification.stretch import Stretch
from experiment_runs import Run, relay_run
from random_boxes import draw_boxes

BOXES = draw_boxes(4, 11)
UNIT = FirstOrder(1.0, 1.0, 1.0)
KU = 2.261826334
"""Exact ultimate gain of e^-s/(s+1), where w + atan(w) = pi."""


@pytest.mark.parametrize(
    ("hysteresis", "amplitude", "period", "plain", "corrected"),
    [
        (0.0, 0.632121, 2.979760, 2.014235, 2.014235),
        (0.05, 0.650515, 3.104761, 1.957281, 1.963088),
        (0.1, 0.668909, 3.235061, 1.903458, 1.925092),
        (0.2, 0.705696, 3.514234, 1.804231, 1.881368),
    ],
)
def test_limit_cycle_of_one_lag_and_a_delay(hysteresis, amplitude, period, plain, corrected):
    """Closed form, derived for relay feedback on e^-s/(s+1) with a relay of ±1."""
    peak, trough, on_s, off_s = limit_cycle(UNIT, 1.0, -1.0, hysteresis)
    assert peak == pytest.approx(amplitude, abs=1e-6)
    assert trough == pytest.approx(-amplitude, abs=1e-6)
    assert on_s + off_s == pytest.approx(period, abs=1e-6)
    assert ultimate_gain(1.0, peak) == pytest.approx(plain, abs=2e-6)
    assert ultimate_gain(1.0, peak, hysteresis) == pytest.approx(corrected, abs=2e-6)


@pytest.mark.parametrize(
    ("ratio", "error"),
    [(0.01, -18.9), (0.1, -18.2), (0.5, -15.0), (1.0, -10.9), (2.0, -3.1), (5.0, 13.2)],
)
def test_describing_function_against_the_exact_ultimate_gain(ratio, error):
    """Up to a fifth low for a long lag, % of the exact one: within 5 % would be wrong."""
    omega = brentq(lambda w: w * ratio + math.atan(w) - math.pi, 1e-3, 1e4)
    exact = math.hypot(1.0, omega)
    peak, *_ = limit_cycle(FirstOrder(1.0, 1.0, ratio), 1.0, -1.0, 0.0)
    assert 100.0 * (ultimate_gain(1.0, peak) / exact - 1.0) == pytest.approx(error, abs=0.06)


def test_describing_function_against_python_control():
    """Ultimate gain by control.margin with a Padé delay of order 10, for e^-s/(s+1)."""
    delay = control.tf(*control.pade(1.0, 10))
    gain_margin, *_ = control.margin(control.tf([1.0], [1.0, 1.0]) * delay)
    assert gain_margin == pytest.approx(KU, rel=1e-6)
    peak, *_ = limit_cycle(UNIT, 1.0, -1.0, 0.1)
    assert 0.80 < ultimate_gain(1.0, peak, 0.1) / gain_margin < 0.95


def test_uneven_relay():
    """Duties +0.7 and -0.3, hysteresis 0.02, on e^-s/(s+1): closed form, and back again."""
    peak, trough, on_s, off_s = limit_cycle(UNIT, 0.7, -0.3, 0.02)
    assert (peak, trough) == pytest.approx((0.449842, -0.196994), abs=1e-6)
    assert (on_s, off_s) == pytest.approx((1.276956, 1.985073), abs=1e-6)
    plant = first_order(1.0, (0.7, -0.3), (-0.02, 0.02), (trough, peak), on_s)
    assert (plant.gain_k, plant.lag_s, plant.dead_s) == pytest.approx((1.0, 1.0, 1.0), abs=1e-9)


@given(
    st.floats(5.0, 60.0),
    st.floats(600.0, 60000.0),
    st.floats(60.0, 6000.0),
    st.floats(0.1, 0.9),
    st.floats(0.0, 0.3),
)
def test_one_period_gives_the_plant_back(gain_k, lag_s, dead_s, balance, hysteresis_k):
    """Any first order under full power on and off, counted from the room."""
    assume(hysteresis_k < 0.5 * gain_k * min(balance, 1.0 - balance))
    plant = FirstOrder(gain_k, lag_s, dead_s)
    peak, trough, on_s, _ = limit_cycle(plant, 1.0 - balance, -balance, hysteresis_k)
    middle_k = gain_k * balance
    found = first_order(
        gain_k,
        (1.0, 0.0),
        (middle_k - hysteresis_k, middle_k + hysteresis_k),
        (middle_k + trough, middle_k + peak),
        on_s,
    )
    assert found.lag_s == pytest.approx(lag_s, rel=1e-6)
    assert found.dead_s == pytest.approx(dead_s, rel=1e-6)


def test_relay_that_cannot_switch_is_refused():
    """A plant too weak for the hysteresis, a swing inside it."""
    with pytest.raises(ValueError, match="does not switch back"):
        limit_cycle(UNIT, 0.05, -0.3, 0.1)
    with pytest.raises(ValueError, match="within a hysteresis"):
        ultimate_gain(0.5, 0.1, 0.1)
    with pytest.raises(ValueError, match="no first order"):
        first_order(1.0, (0.7, -0.3), (-0.02, 0.02), (-0.2, 0.8), 1.0)


@pytest.mark.parametrize("no", range(4))
def test_four_periods_on_a_true_box(no):
    """In a drifting room: the exact answer at that period within 5 % and 0.06 rad; Ku low."""
    box = BOXES[no]
    run, begun_s = relay_run(box, no, 0.5)
    found = fit_relay(run.stretch(), begun_s)
    assert not isinstance(found, NotEnough), found
    cycle = found.cycle
    omega = 2.0 * math.pi / cycle.period_s
    exact = complex(box.answer(omega)) * box.watts / (1.0 + 40.0j * omega)
    assert cycle.gain_k == pytest.approx(abs(exact), rel=0.05)
    phase = math.atan2(exact.imag, exact.real)
    assert cycle.phase_rad == pytest.approx(phase - 2 * math.pi * (phase > 0), abs=0.06)
    grid = np.geomspace(1e-5, 1e-2, 4000)
    answer = box.answer(grid) * box.watts / (1.0 + 40.0j * grid)
    crossing = int(np.flatnonzero(np.unwrap(np.angle(answer)) < -math.pi)[0])
    assert 0.6 < found.ku_per_k * abs(answer[crossing]) < 1.0
    assert 0.9 < found.period_s / (2.0 * math.pi / grid[crossing]) < 1.5
    assert found.found is not None
    assert found.found.method == "relay"


def test_drift_of_the_room_is_taken_out():
    """The same box in a still and in a drifting room: nearly the same ultimate gain."""
    box = BOXES[2]
    found = [
        fit_relay(run.stretch(), begun_s)
        for run, begun_s in (relay_run(box, 7, drift) for drift in (0.0, 0.5))
    ]
    assert not any(isinstance(one, NotEnough) for one in found)
    assert found[1].ku_per_k == pytest.approx(found[0].ku_per_k, rel=0.08)


def test_heat_in_turns_is_one_time_of_heat():
    """The same box under full heat and under half of it, given in turns: one answer."""
    box = BOXES[0]
    found = []
    for high in (1.0, 0.5):
        run = Run(box, 0.3, 14.0, 0.0, seed=4)
        run.windows(0.3, 2.0)
        begun_s, centre_c = run.now_s, run.rows[-1][1]
        assert run.relay(centre_c, 0.08, 4, high=high)
        found.append(fit_relay(run.stretch(), begun_s))
    whole, turned = found
    assert not isinstance(whole, NotEnough)
    assert not isinstance(turned, NotEnough)
    assert whole.cycle.on_duty == 1.0
    # The last pause is left out of the time of heat, so that its duty comes out a little high.
    assert turned.cycle.on_duty == pytest.approx(0.5, abs=0.05)
    assert turned.cycle.periods == whole.cycle.periods
    # Rests at 0.3: on for 30 % of the time, and for 60 %.
    assert whole.cycle.on_share == pytest.approx(0.3, abs=0.08)
    assert turned.cycle.on_share == pytest.approx(0.6, abs=0.08)
    assert turned.ku_per_k == pytest.approx(whole.ku_per_k, rel=0.15)


def test_first_order_rests_on_the_room():
    """Gain of the mean period within 15 % of the box's, in a still room after long rest."""
    box = BOXES[1]
    run, begun_s = relay_run(box, 3, 0.0)
    found = fit_relay(run.stretch(), begun_s)
    assert not isinstance(found, NotEnough)
    assert found.first_order is not None
    # Constant errors of both probes, ±0.5 K, come in over a rise of some 15 K.
    assert found.first_order.gain_k == pytest.approx(box.gain_k_per_w * box.watts, rel=0.15)


def test_too_few_periods():
    """One period and a bit."""
    run, begun_s = relay_run(BOXES[0], 1, 0.2, periods=1)
    found = fit_relay(run.stretch(), begun_s)
    assert isinstance(found, NotEnough)
    assert "not enough" in found.reasons[0]


def test_switching_by_noise_is_not_a_period():
    """A relay without width on a noisy probe."""
    run = Run(BOXES[0], 0.4, 12.0, 0.0)
    for count in range(2000):
        run.row(float(count % 45 < 12))
    found = fit_relay(run.stretch())
    assert isinstance(found, NotEnough)
    assert "noise" in found.reasons[0]


def test_lost_probe():
    """Half of the wet layer's readings gone."""
    run, begun_s = relay_run(BOXES[2], 1, 0.2)
    stretch = run.stretch()
    layer_c = stretch.substrate_c.copy()
    layer_c[::2] = math.nan
    layer_c[::3] = math.nan
    blind = Stretch(stretch.time_s, layer_c, stretch.room_c, stretch.heat_share, stretch.watts)
    found = fit_relay(blind, begun_s)
    assert isinstance(found, NotEnough)
    assert "probe" in found.reasons[0]
