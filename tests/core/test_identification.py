"""Identification from ordinary running: boxes whose truth is known, and what must be refused.

Outside checks: `scipy.optimize.least_squares` on the same noisy, rounded readings; `scipy.signal`
for the lags; statsmodels for Ljung-Box.
"""

from __future__ import annotations

import math
from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import signal
from scipy.optimize import least_squares
from statsmodels.stats.diagnostic import acorr_ljungbox

import idlog
from bottomheat.identification.found import Interval, NotEnough
from bottomheat.identification.means import STEP_S, lagged, means
from bottomheat.identification.noise import Noise, noise_of, whiteness
from bottomheat.identification.passive import Fitted, identify
from bottomheat.identification.reduce import _answer
from bottomheat.identification.stretch import Floats, Stretch
from bottomheat.response import Response
from random_boxes import Box, Modes, draw_boxes

TRUTH = idlog.TRUTH


@cache
def running(days: float = 3.0, seed: int = 1) -> Stretch:
    return idlog.live(days, seed=seed)


@cache
def known(days: float = 3.0, seed: int = 1) -> Fitted:
    found = identify([running(days, seed)])
    assert isinstance(found, Fitted)
    return found


def part(stretch: Stretch, from_h: float, to_h: float) -> Stretch:
    hours = (stretch.time_s - stretch.time_s[0]) / 3600.0
    inside = (hours >= from_h) & (hours < to_h)
    assert stretch.callus_c is not None
    return replace(
        stretch,
        time_s=stretch.time_s[inside],
        substrate_c=stretch.substrate_c[inside],
        room_c=stretch.room_c[inside],
        heat_share=stretch.heat_share[inside],
        callus_c=stretch.callus_c[inside],
    )


# -- a box that is exactly two lags and a dead time


def test_two_lags_and_a_dead_time_are_found_again() -> None:
    found = known().found
    response = found.response
    assert response.gain_k_per_w == pytest.approx(TRUTH.gain_k_per_w, rel=0.01)
    assert response.slow_s == pytest.approx(TRUTH.slow_s, rel=0.04)
    assert response.quick_s == pytest.approx(TRUTH.quick_s, rel=0.05)
    assert response.quick_share == pytest.approx(TRUTH.quick_share, abs=0.02)
    assert response.dead_s == pytest.approx(TRUTH.dead_s, abs=45.0)
    assert response.room_quick_share == pytest.approx(TRUTH.room_quick_share, abs=0.02)
    assert response.load_k == pytest.approx(TRUTH.load_k, abs=0.2)
    assert found.residual_rms_k < 0.02


@pytest.mark.parametrize(
    "field", ["gain_k_per_w", "slow_s", "quick_s", "quick_share", "dead_s", "load_k"]
)
def test_the_intervals_hold_the_truth_and_are_narrow(field: str) -> None:
    interval = known().found.intervals[field]
    true = getattr(TRUTH, field)
    assert interval.holds(true)
    if field != "load_k":
        assert interval.high - interval.low < 0.25 * true


def test_more_record_tells_more() -> None:
    short, long = known(1.5).found.intervals, known().found.intervals
    for field in ("gain_k_per_w", "slow_s", "load_k"):
        assert long[field].high - long[field].low < short[field].high - short[field].low


def test_the_estimate_follows_from_the_factor() -> None:
    # The estimate in this record is room + f (wet layer - room), without lags.
    callus = known().found.callus
    assert callus is not None
    assert callus.gain_k_per_w == pytest.approx(idlog.FACTOR * TRUTH.gain_k_per_w, rel=0.02)
    assert callus.slow_s == pytest.approx(TRUTH.slow_s, rel=0.06)
    assert known().found.intervals["callus.gain_k_per_w"].holds(idlog.FACTOR * TRUTH.gain_k_per_w)


def test_a_constant_error_of_a_probe_goes_into_the_load_alone() -> None:
    whole = running()
    shifted = identify([replace(whole, substrate_c=whole.substrate_c + 0.5)])
    assert isinstance(shifted, Fitted)
    before, after = known().found.response, shifted.found.response
    assert after.load_k - before.load_k == pytest.approx(0.5, abs=0.06)
    assert after.gain_k_per_w == pytest.approx(before.gain_k_per_w, rel=0.003)


def test_plain_least_squares_agrees() -> None:
    # The same two-lag model by scipy's own solver on the same record, without any of our parts.
    whole = running()
    dt_s = 60.0
    time_s = whole.time_s
    watts = whole.heat_share * whole.watts

    def lag(values: Floats, lag_s: float, first: float) -> Floats:
        stays = math.exp(-dt_s / lag_s)
        found, _ = signal.lfilter([1 - stays], [1, -stays], values, zi=[stays * first])
        return np.asarray(found)

    def misfit(p: Floats) -> Floats:
        gain, slow_s, quick_s, dead_s = np.exp(p[:4])
        share, room_share, load_k = p[4:]
        edges_s = np.concatenate(([time_s[0] - dt_s], time_s))
        joules = np.concatenate(([0.0], np.cumsum(watts * dt_s)))
        late = np.diff(np.interp(edges_s - dead_s, edges_s, joules)) / dt_s
        room_c = whole.room_c
        slow, quick = lag(late, slow_s, 0.0), lag(late, quick_s, 0.0)
        room_slow = lag(room_c, slow_s, float(room_c[0]))
        room_quick = lag(room_c, quick_s, float(room_c[0]))
        heat = slow + share * (quick - slow)
        since_s = np.clip(time_s - time_s[0] + dt_s - dead_s, 0.0, None)
        # At first as cold as the room: the load comes through both lags.
        fading = (1.0 - share) * np.exp(-since_s / slow_s) + share * np.exp(-since_s / quick_s)
        model = room_slow + room_share * (room_quick - room_slow) + load_k * (1.0 - fading)
        return (model + gain * heat - whole.substrate_c)[30:]

    start = [*np.log([0.6, 25_000.0, 5000.0, 600.0]), 0.3, 0.0, 0.0]
    # The dead time moves between rows: too small a step of the solver sees none of that.
    best = least_squares(misfit, start, x_scale=[0.1] * 7, diff_step=1e-4)
    gain, slow_s, quick_s, dead_s = np.exp(best.x[:4])
    found = known().found
    assert found.intervals["gain_k_per_w"].holds(float(gain))
    assert found.response.gain_k_per_w == pytest.approx(float(gain), rel=0.004)
    assert found.response.slow_s == pytest.approx(float(slow_s), rel=0.03)
    assert found.response.quick_s == pytest.approx(float(quick_s), rel=0.04)
    assert found.response.dead_s == pytest.approx(float(dead_s), abs=40.0)


def test_a_drifting_room_does_no_harm() -> None:
    # 0.5 K/h over a day and a half, which ruins every method that ignores the room.
    plain = idlog.room_c
    try:
        idlog.room_c = lambda at_s: 20.0 - 0.5 * at_s / 3600.0
        found = identify([idlog.live(1.5, seed=3)])
    finally:
        idlog.room_c = plain
    assert isinstance(found, Fitted)
    assert found.found.response.gain_k_per_w == pytest.approx(TRUTH.gain_k_per_w, rel=0.05)
    assert found.found.intervals["gain_k_per_w"].holds(TRUTH.gain_k_per_w)


def test_pieces_are_fitted_together_and_what_was_between_does_not_matter() -> None:
    whole = running()
    first, second = part(whole, 0.0, 30.0), part(whole, 40.0, 72.0)
    # Somebody poured cold water into the bed between them.
    found = identify([first, replace(second, substrate_c=second.substrate_c)])
    assert isinstance(found, Fitted)
    assert found.found.hours == pytest.approx(62.0, abs=0.5)
    assert found.found.intervals["gain_k_per_w"].holds(TRUTH.gain_k_per_w)
    assert found.found.response.dead_s == pytest.approx(TRUTH.dead_s, abs=60.0)


def test_a_hole_in_the_estimate_shortens_its_record_alone() -> None:
    whole = running()
    assert whole.callus_c is not None
    callus_c = whole.callus_c.copy()
    callus_c[:1800] = np.nan
    run = means(replace(whole, callus_c=callus_c), "callus")
    assert run is not None
    assert run.hours == pytest.approx(42.0, abs=0.2)
    layer = means(replace(whole, callus_c=callus_c))
    assert layer is not None
    assert layer.hours > 71.0


def test_the_same_record_gives_the_same_answer() -> None:
    again = identify([running()])
    assert isinstance(again, Fitted)
    assert again.found == known().found


# -- what must be refused


def refused(*stretches: Stretch) -> str:
    found = identify(stretches)
    assert isinstance(found, NotEnough)
    assert all(reason for reason in found.reasons)
    return "; ".join(found.reasons)


def test_a_short_record_is_no_record() -> None:
    assert "only 20 h" in refused(part(running(), 0.0, 20.2))
    assert "a day at least is needed" in refused()
    pieces = [part(running(), hour, hour + 5.0) for hour in range(0, 70, 6)]
    assert "hang together" in refused(*pieces)


def test_a_cold_mat_tells_nothing() -> None:
    assert "hardly on" in refused(idlog.live(2.0, duty=0.0))


def test_a_steady_duty_in_a_steady_room_gives_a_reason_or_an_honest_interval() -> None:
    plain = idlog.room_c
    try:
        idlog.room_c = lambda _at_s: 9.0
        settled_c = 9.0 + TRUTH.load_k + TRUTH.gain_k_per_w * 0.9 * idlog.WATTS
        stretch = idlog.live(2.0, duty=1.0, start_c=settled_c)
    finally:
        idlog.room_c = plain
    why = refused(stretch)
    assert "hardly changed" in why or "cannot be told" in why
    assert "--step" in why


def test_a_reason_is_needed() -> None:
    with pytest.raises(ValueError, match="not enough of what"):
        NotEnough(())
    with pytest.raises(ValueError, match="holds nothing"):
        Interval(2.0, 1.0)


# -- its parts


@settings(deadline=None, max_examples=30)
@given(
    lag_s=st.floats(300.0, 80_000.0),
    start=st.floats(-5.0, 5.0),
    values=st.lists(st.floats(-3.0, 30.0), min_size=5, max_size=30),
    parts=st.sampled_from([1, 5]),
)
def test_a_lag_is_exact_for_what_is_held(
    lag_s: float, start: float, values: list[float], parts: int
) -> None:
    values = (values * parts)[: len(values) * parts]
    found = lagged(np.array(values), lag_s, start, parts)
    part_s, fine = STEP_S / parts, 400
    state, sums = start, []
    for value in values:
        # Mean of an exponential over the part, by its integral.
        gone = -math.expm1(-part_s / lag_s)
        sums.append(value * part_s + (start_of := state - value) * lag_s * gone)
        state = value + start_of * math.exp(-part_s / lag_s)
    expected = np.array(sums).reshape(-1, parts).sum(axis=1) / STEP_S
    np.testing.assert_allclose(found, expected, atol=1e-9)
    assert fine


def test_a_lag_agrees_with_scipy() -> None:
    rng = np.random.default_rng(4)
    values = rng.uniform(0.0, 45.0, 40)
    fine = 300
    dense_s = np.arange(40 * fine) * (STEP_S / fine)
    held = np.repeat(values, fine)
    _, answer, _ = signal.lsim(([1.0], [7000.0, 1.0]), held, dense_s, interp=False)
    expected = np.asarray(answer).reshape(40, fine).mean(axis=1)
    np.testing.assert_allclose(lagged(values, 7000.0, 0.0), expected, atol=0.02)


def test_means_follow_uneven_rows() -> None:
    rng = np.random.default_rng(3)
    time_s = np.cumsum(rng.uniform(20.0, 90.0, 800))
    stretch = Stretch(
        time_s, 2e-4 * time_s, 1e-4 * time_s + 5.0, np.full(800, 0.5), 40.0, mat_c=None
    )
    run = means(stretch)
    assert run is not None
    middle_s = 0.5 * (run.edges_s[1:] + run.edges_s[:-1])
    np.testing.assert_allclose(run.place_c, 2e-4 * middle_s, atol=1e-9)
    np.testing.assert_allclose(run.power_w(), 20.0, atol=1e-9)
    np.testing.assert_allclose(run.power_w(777.0)[30:], 20.0, atol=1e-9)


def test_ljung_box_agrees_with_statsmodels() -> None:
    rng = np.random.default_rng(8)
    white = rng.normal(size=600)
    coloured = signal.lfilter([1.0], [1.0, -0.3], white)
    for series, passes in ((white, True), (coloured, False)):
        ours = whiteness([series])
        assert ours is not None
        theirs = acorr_ljungbox(series, lags=[ours.lags])
        assert ours.statistic == pytest.approx(float(theirs["lb_stat"].iloc[0]), rel=1e-9)
        assert ours.p_value == pytest.approx(float(theirs["lb_pvalue"].iloc[0]), abs=1e-9)
        assert ours.white is passes
    assert whiteness([white[:50]]) is None


def test_innovations_of_the_noise_are_white_and_of_unit_size() -> None:
    rng = np.random.default_rng(5)
    true = Noise(0.01, 0.03, 10_800.0)
    stays = math.exp(-STEP_S / true.lasts_s)
    fresh = rng.normal(0.0, true.slow_k * math.sqrt(1.0 - stays**2), 20_000)
    noise = signal.lfilter([1.0], [1.0, -stays], fresh) + rng.normal(0.0, true.white_k, 20_000)
    innovations = true.whitened(noise)
    assert float(np.std(innovations)) == pytest.approx(1.0, rel=0.02)
    test = whiteness([innovations[200:]])
    assert test is not None
    assert test.white
    found = noise_of([noise[:4000]])
    assert found.white_k == pytest.approx(true.white_k, rel=0.15)
    assert found.slow_k == pytest.approx(true.slow_k, rel=0.4)


@pytest.mark.parametrize("number", range(4))
def test_reduction_agrees_with_the_bench_s_own(number: int) -> None:
    # Six modes given to both, each with its own code.
    box = draw_boxes(4, 21)[number]
    lags_s, shares = box.lags_s[:6], box.shares()[:6]
    room = (box.modes.room["substrate"] / box.modes.rate_per_s)[:6]
    shares, room = shares / shares.sum(), room / room.sum()
    rate = 1.0 / lags_s
    gain, dead_s = box.gain_k_per_w, 100.0
    modes = Modes(rate, {"substrate": gain * shares * rate}, {"substrate": room * rate})
    truth = Box("six", box.make, box.watts, box.coldest_c, modes).two_lags()
    logs = [math.log(lags_s[0]), *np.log(lags_s[1:] / lags_s[:-1]), math.log(dead_s)]
    values = np.array([*logs, *(gain * shares), *room[1:], 0.2])
    found = _answer(values, 0)
    assert math.exp(found[0]) == pytest.approx(gain)
    assert math.exp(found[1]) == pytest.approx(truth.slow_s)
    assert math.exp(found[2]) == pytest.approx(truth.quick_s, rel=0.02)
    assert found[3] == pytest.approx(truth.quick_share, abs=0.01)
    assert found[4] - dead_s == pytest.approx(truth.dead_s, abs=15.0)
    assert found[5] == pytest.approx(truth.room_quick_share, abs=0.02)
    assert found[6] == 0.2


# -- the world of the benches


@pytest.mark.parametrize("number", range(2))
def test_a_random_box_runs_as_its_modes_say(number: int) -> None:
    box = draw_boxes(2, 5)[number]
    model = box.make()
    model.advance(60.0, 0.0, 8.0)
    for _ in range(600):
        model.advance(60.0, box.watts, 8.0)
    for place in ("substrate", "callus", "mat"):
        rise_k = model.temperature(place) - 8.0
        assert rise_k == pytest.approx(box.watts * float(box.step_k(36_000.0, place)), abs=1e-6)
    for _ in range(300):
        model.advance(60.0, box.watts, 9.0)
    warmer_k = float(box.room_step_k(18_000.0))
    rise_k = model.temperature("substrate") - 8.0
    expected = box.watts * float(box.step_k(54_000.0)) + warmer_k
    assert rise_k == pytest.approx(expected, abs=1e-6)
    assert complex(box.answer(0.0)) == pytest.approx(box.gain_k_per_w)
    a, b, c, d = box.state_space()
    at_zero = c @ np.linalg.solve(-a, b) + d
    np.testing.assert_allclose(at_zero, [[box.gain_k_per_w, 1.0]], rtol=1e-6)


def test_a_random_box_is_drawn_the_same_again_and_can_hold_25_degrees() -> None:
    first, again = draw_boxes(6, 3), draw_boxes(6, 3)
    for one, other in zip(first, again, strict=True):
        assert one.watts == other.watts
        np.testing.assert_array_equal(one.modes.rate_per_s, other.modes.rate_per_s)
        held_c = one.coldest_c + one.watts * one.gain("callus")
        assert held_c > 25.0
        assert isinstance(one.two_lags(), Response)
