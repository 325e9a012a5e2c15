"""The offset from a borrowed probe: f, its honest uncertainty, lags, and what spoils a record.

Boxes are drawn by ``calibration_world`` within handbook ranges, in recorded weather.  Most are held
by a plain proportional law, which is quick; a few by the real controller.  Nobody has measured one.
"""

from __future__ import annotations

import math
import random
from collections.abc import Callable
from dataclasses import replace
from functools import cache
from typing import NamedTuple

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from bottomheat.calibration import modes
from bottomheat.calibration.learned import Learned, Series, learn
from bottomheat.chamber import Chamber
from bottomheat.config_sections import HeatFlow, TemperatureFactor
from bottomheat.construction import NOMINAL, Construction
from bottomheat.errors import InputError
from bottomheat.estimate import ROOM_LAG_H, SUBSTRATE_LAG_H
from calibration_world import (
    SETPOINT_C,
    Biases,
    live,
    mat_for,
    random_biases,
    random_box,
    settled_at,
    shed_room,
    truth_factor,
)

HALF_WIDTH_K = 0.1
"""What is left of a probe's error after a comparison in a jar: +-0.1 K, rectangular."""

U_K = HALF_WIDTH_K / math.sqrt(3.0)
GUESS = 0.75
BOXES = 60
SAME = Biases()
Array = modes.Array


class Record(NamedTuple):
    box: Construction
    series: Series
    biases: Biases
    room_c: float
    """Mean true room of the session, °C."""


def held(
    box: Construction,
    room: Callable[[float], float],
    rng: random.Random,
    *,
    before_h: float,
    session_h: float = 48.0,
    biases: Biases = SAME,
    watts: float | None = None,
    sigma_k: float = 0.02,
    step_min: int = 10,
    act: Callable[[Chamber, float], None] | None = None,
    leave_cold: bool = True,
) -> Record:
    """A box under a proportional law on a guess of f, and what probes in steps of 1/16 K read."""
    chamber = Chamber(box)
    if not leave_cold:
        chamber.advance(1.0, 0.0, room(0.0))
        chamber.advance(200 * 3600.0, settled_at(box, room(0.0))[1], room(0.0))
    watts = watts or 1.5 * settled_at(box, 0.0)[1]
    rise_k = watts * chamber.settled("substrate", 1.0, 0.0)
    minutes = round((before_h + session_h) * 60)
    true = np.empty((minutes, 4))
    lagged_c, power_w = room(0.0), 0.0
    for minute in range(minutes):
        hours = minute / 60.0
        if act is not None:
            act(chamber, hours - before_h)
        room_c = room(hours)
        chamber.advance(60.0, power_w, room_c)
        lagged_c += (room_c + biases.room_k - lagged_c) / 150.0
        layer_c = chamber.temperature("substrate")
        true[minute] = layer_c, room_c, chamber.temperature("callus"), power_w
        wanted_c = lagged_c + (SETPOINT_C - lagged_c) / GUESS
        duty = (wanted_c - lagged_c) / rise_k + (wanted_c - layer_c - biases.substrate_k) / 5.0
        power_w = watts * min(max(duty, 0.0), 1.0)
    noise = np.random.default_rng(rng.randrange(2**32))
    errors_k = (biases.substrate_k, biases.room_k, biases.callus_k)
    read = true.copy()
    for column, error_k in enumerate(errors_k):
        noisy = true[:, column] + error_k + noise.normal(0.0, sigma_k, minutes)
        read[:, column] = np.round(noisy * 16.0) / 16.0
    rows = minutes // step_min
    means = read[: rows * step_min].reshape(rows, step_min, 4).mean(axis=1)
    at_s = (np.arange(rows) + 0.5) * step_min * 60.0 - before_h * 3600.0
    callus_c = np.where(at_s >= 0.0, means[:, 2], np.nan)
    session = true[round(before_h * 60) :]
    return Record(
        box,
        Series(at_s, means[:, 0], means[:, 1], callus_c, means[:, 3]),
        biases,
        float(session[:, 1].mean()),
    )


def told(series: Series, u_k: float = U_K) -> Learned:
    return learn(series, u_substrate_k=u_k, u_room_k=u_k, u_callus_k=u_k)


def drawn(seed: int) -> Record:
    rng = random.Random(f"learned {seed}")
    before_h = rng.choice((0.0, 12.0, 36.0, 72.0))
    room = shed_room(rng, (before_h + 48.0) / 24.0)
    biases = random_biases(rng, HALF_WIDTH_K)
    return held(random_box(rng), room, rng, before_h=before_h, biases=biases)


@cache
def sample() -> tuple[tuple[Record, Learned], ...]:
    records = [drawn(seed) for seed in range(BOXES)]
    return tuple((record, told(record.series)) for record in records)


def error_at(record: Record, found: Learned, room_c: float) -> tuple[float, float]:
    """Error of the callus zone in a steady state at the setpoint, and its stated uncertainty, K."""
    layer_c, _ = settled_at(record.box, room_c)
    read_room_c = room_c + record.biases.room_k
    difference_k = layer_c + record.biases.substrate_k - read_room_c
    estimate_c = read_room_c + found.factor * difference_k + found.intercept_k
    return estimate_c - SETPOINT_C, found.uncertainty_at(difference_k)


def swinging(mean_c: float, swing_k: float) -> Callable[[float], float]:
    return lambda hours: mean_c + swing_k * math.cos(2.0 * math.pi * (hours - 15.0) / 24.0)


def plain(seed: int = 1, **keys: object) -> Record:
    """The nominal box in a room of 9 ± 3 °C, a day after it was switched on."""
    keys = {"before_h": 24.0, **keys}
    return held(NOMINAL, swinging(9.0, 3.0), random.Random(seed), **keys)  # type: ignore[arg-type]


# What is promised -----------------------------------------------------------------------------


def least_of(n: int, share: float) -> int:
    """So many or more of n with a chance of 99.9 % if each has this share (binomial)."""
    return int(stats.binom.ppf(0.001, n, share))


def test_f_within_a_hundredth_in_nine_boxes_of_ten() -> None:
    near = [abs(found.factor - truth_factor(r.box)) <= 0.01 for r, found in sample()]
    assert sum(near) >= least_of(BOXES, 0.90)


@pytest.mark.parametrize("colder_k", [None, 0.0, 10.0])
def test_the_stated_uncertainty_is_honest(colder_k: float | None) -> None:
    ratios = []
    for record, found in sample():
        if colder_k is None:
            error, u = found.factor - truth_factor(record.box), found.factor_uncertainty
        else:
            error, u = error_at(record, found, record.room_c - colder_k)
        ratios.append(error / u)
    z = np.array(ratios)
    assert np.count_nonzero(np.abs(z) <= 1.96) >= least_of(BOXES, 0.95)
    # And it is not wider than need be: mean z² of honest normal errors, 99.9 % on each side.
    low, high = stats.chi2.ppf([0.001, 0.999], BOXES) / BOXES
    assert low <= np.mean(z**2) <= high


def test_the_heat_flow_resistance_is_honest_too() -> None:
    z, relative = [], []
    for record, found in sample():
        assert found.flow is not None
        box = Chamber(record.box)
        true = box.settled("substrate", 1.0, 0.0) - box.settled("callus", 1.0, 0.0)
        error = found.flow.resistance_k_per_w - true
        z.append(abs(error) / found.flow.resistance_uncertainty_k_per_w)
        relative.append(abs(error) / true)
    assert np.count_nonzero(np.array(z) <= 1.96) >= least_of(BOXES, 0.95)
    assert np.median(relative) < 0.03


def test_the_config_takes_what_was_learned() -> None:
    for _, found in sample():
        offset = TemperatureFactor.model_validate(
            {
                "method": "temperature-factor",
                "factor": found.factor,
                "factor_uncertainty": found.factor_uncertainty,
                "measured_difference": found.measured_difference_k,
                "uncertainty": found.uncertainty_k,
                "intercept": found.intercept_k,
                "room_lag": found.room_lag_h,
                "substrate_lag": found.substrate_lag_h,
            }
        )
        assert offset.factor == found.factor
        flow = found.flow
        assert flow is not None
        HeatFlow.model_validate(
            {
                "method": "heat-flow",
                "resistance": flow.resistance_k_per_w,
                "resistance_uncertainty": flow.resistance_uncertainty_k_per_w,
                "measured_power": flow.measured_power_w,
                "uncertainty": flow.uncertainty_k,
                "intercept": flow.intercept_k,
                "memory": flow.memory_h,
            }
        )


@pytest.mark.parametrize("seed", range(4))
def test_under_the_real_controller(seed: int) -> None:
    rng = random.Random(f"learned live {seed}")
    box = random_box(rng)
    days_before = 1.0
    room = shed_room(rng, days_before + 2.0)
    biases = random_biases(rng, HALF_WIDTH_K)
    watts = mat_for(box, room.coldest_c, rng)
    offset = {"method": "temperature-factor", "factor": GUESS}
    h = live(box, offset, room, days_before + 2.0, rng, biases=biases, watts=watts)
    rows = len(h.t_s) // 5

    def means(values: Array) -> Array:
        return values[: rows * 5].reshape(rows, 5).mean(axis=1)

    at_s = means(h.t_s)
    callus_c = np.where(at_s < days_before * 86_400.0, np.nan, means(h.callus_c))
    found = told(
        Series(at_s, means(h.substrate_c), means(h.room_c), callus_c, means(h.heat) * watts)
    )
    assert abs(found.factor - truth_factor(box)) <= 3.3 * found.factor_uncertainty
    assert found.factor_uncertainty < 0.01


def test_lags_follow_the_box() -> None:
    """The estimate with what was learned follows another week better than with the defaults."""
    slow = replace(NOMINAL, medium_m=0.15, callus_m=0.04, height_m=0.45, medium_w_per_mk=0.25)
    for box in (NOMINAL, slow):
        first = held(box, shed_room(random.Random(5), 4.0), random.Random(1), before_h=48.0)
        found = told(first.series)
        other = held(
            box, swinging(10.0, 4.0), random.Random(2), before_h=0.0, session_h=120.0
        ).series

        def rms_k(room_lag_h: float, substrate_lag_h: float, other: Series = other) -> float:
            room_c = modes.lagged(other.room_c, room_lag_h, 1.0 / 6.0)
            layer_c = modes.lagged(other.substrate_c, substrate_lag_h, 1.0 / 6.0)
            error_k = room_c + found.factor * (layer_c - room_c) - other.callus_c  # noqa: B023
            return float(np.std(error_k[288:]))  # after the warm-up

        assert rms_k(found.room_lag_h, found.substrate_lag_h) < 0.12
        assert rms_k(found.room_lag_h, found.substrate_lag_h) <= rms_k(ROOM_LAG_H, SUBSTRATE_LAG_H)


# What a record may look like ------------------------------------------------------------------


def truly(found: Learned, box: Construction = NOMINAL) -> bool:
    return abs(found.factor - truth_factor(box)) <= 3.3 * found.factor_uncertainty


def test_says_what_it_used() -> None:
    found = told(plain().series)
    assert found.hours == pytest.approx(48.0)
    assert found.before_h == pytest.approx(24.0)
    assert found.warm_up_h == 0.0
    assert found.room_span_k == pytest.approx(6.0, abs=0.3)
    assert found.left_out == ()
    assert found.doubts == ()
    assert found.residual_rms_k < 0.1


def test_a_warm_up_at_the_start_is_left_out() -> None:
    found = told(plain(before_h=0.0).series)
    assert 3.0 < found.warm_up_h < 24.0
    assert found.hours == pytest.approx(48.0 - found.warm_up_h)
    assert truly(found)


def test_memory_from_before_the_session_counts() -> None:
    """A room that fell by 8 K just before the session, with and without the log of the days
    before."""

    def room(hours: float) -> float:
        return 14.0 if hours < 70.0 else 6.0

    full = held(NOMINAL, room, random.Random(3), before_h=72.0).series
    session = full.at_s >= 0.0
    short = Series(
        *(getattr(full, name)[session] for name in ("at_s", "substrate_c", "room_c", "callus_c")),
        full.power_w[session],
    )
    known, unknown = told(full, u_k=0.0), told(short, u_k=0.0)
    assert (known.before_h, unknown.before_h) == pytest.approx((72.0, 0.0))
    assert truly(known)
    assert truly(unknown)
    lost = replace(full, substrate_c=full.substrate_c.copy(), room_c=full.room_c.copy())
    lost.substrate_c[~session] = 15.0
    lost.room_c[~session] = 10.0
    # A wrong past is a wrong start, and what fades from a start is not taken for f.
    assert abs(told(lost, u_k=0.0).factor - known.factor) < 0.003


def test_a_probe_pulled_out_for_a_while_is_left_out() -> None:
    series = plain().series
    out = (series.at_s >= 20.0 * 3600) & (series.at_s < 20.7 * 3600)
    series.callus_c[out] = series.room_c[out]
    found = told(series)
    assert truly(found)
    assert found.factor == pytest.approx(told(plain().series).factor, abs=0.002)
    assert len(found.left_out) == 1
    stretch = found.left_out[0]
    assert stretch.start_s <= 20.0 * 3600 + 300
    assert stretch.end_s >= 20.7 * 3600 - 300
    assert stretch.end_s - stretch.start_s < 4 * 3600
    assert "probe moved" in stretch.why


def test_a_control_probe_pulled_out_is_left_out() -> None:
    series = plain().series
    out = (series.at_s >= 30.0 * 3600) & (series.at_s < 30.5 * 3600)
    series.substrate_c[out] = series.room_c[out]
    found = told(series)
    assert found.factor == pytest.approx(told(plain().series).factor, abs=0.002)
    assert any("wet layer's probe" in stretch.why for stretch in found.left_out)


def test_an_open_lid_for_half_an_hour() -> None:
    def act(chamber: Chamber, hours: float) -> None:
        if abs(hours - 20.0) < 1e-6:
            chamber.open_lid("off")
        elif abs(hours - 20.5) < 1e-6:
            chamber.open_lid("on")

    found = told(plain(act=act).series)
    assert truly(found)
    assert abs(found.factor - truth_factor(NOMINAL)) < 0.01


def test_gaps_are_bridged_or_named() -> None:
    series = plain().series
    for start_h, end_h in ((-10.0, -6.0), (5.0, 5.5), (25.0, 29.0)):
        gone = (series.at_s >= start_h * 3600) & (series.at_s < end_h * 3600)
        series.substrate_c[gone] = series.room_c[gone] = series.power_w[gone] = np.nan
        series.callus_c[gone] = np.nan
    found = told(series)
    assert truly(found)
    assert found.hours == pytest.approx(48.0 - 4.5, abs=0.4)


@pytest.mark.parametrize("at_h", [14.0, 31.0])
def test_a_probe_put_back_elsewhere_counts_on_the_longer_side(at_h: float) -> None:
    series = plain().series
    series.callus_c[series.at_s >= at_h * 3600.0] += 0.7
    found = told(series)
    moved = [stretch for stretch in found.left_out if "it was moved" in stretch.why]
    assert len(moved) == 1
    if at_h > 24.0:
        assert moved[0].start_s == pytest.approx(at_h * 3600.0, abs=1800.0)
        assert truly(found)
        assert any("could be used" in doubt for doubt in found.doubts)
    else:
        assert moved[0].end_s == pytest.approx(at_h * 3600.0, abs=1800.0)


def test_no_step_is_seen_where_there_is_none() -> None:
    assert not any("moved" in stretch.why for _, found in sample() for stretch in found.left_out)


def test_the_intercept_waits_for_a_room_that_moves() -> None:
    still = held(
        NOMINAL,
        swinging(9.0, 1.0),
        random.Random(1),
        before_h=48.0,
        biases=Biases(0.1, -0.1, 0.0, -0.1),
    )
    assert told(still.series).intercept_k == 0.0

    def falling(hours: float) -> float:
        return 16.0 - 12.0 * min(max((hours - 60.0) / 8.0, 0.0), 1.0)

    moving = held(
        NOMINAL,
        falling,
        random.Random(1),
        before_h=48.0,
        biases=Biases(0.1, 0.1, 0.0, 0.0),
    )
    found = told(moving.series)
    # Both probes read 0.1 K more, so the truth is -0.1 K; half of any constant is the borrowed
    # probe's, as far as anybody can tell.
    assert -0.1 < found.intercept_k < -0.005


def test_exact_probes_leave_the_scatter_alone() -> None:
    found = told(plain().series, u_k=0.0)
    assert found.intercept_k == 0.0
    assert found.uncertainty_k == 0.0
    assert 0.0 < found.factor_uncertainty < 0.003
    assert abs(found.factor - truth_factor(NOMINAL)) < 0.003


def test_without_power_there_is_no_heat_flow() -> None:
    series = plain().series
    series.power_w[:] = np.nan
    assert told(series).flow is None


# What is refused ------------------------------------------------------------------------------


def refused(series: Series) -> str:
    with pytest.raises(InputError) as refusal:
        told(series)
    return str(refusal.value)


def test_refuses_a_record_without_the_borrowed_probe() -> None:
    series = plain().series
    series.callus_c[:] = np.nan
    assert "no reading of the borrowed probe" in refused(series)


def test_refuses_a_record_without_a_room() -> None:
    series = plain().series
    series.room_c[:] = np.nan
    assert "no room" in refused(series)


def test_refuses_a_short_record_and_says_what_was_lost() -> None:
    record = plain(before_h=0.0, session_h=14.0)
    assert "warming up" in refused(record.series)


def test_refuses_a_probe_that_lies_elsewhere() -> None:
    series = plain().series
    there = np.isfinite(series.callus_c)
    series.callus_c[there] = series.room_c[there]
    assert "factor" in refused(series)
    series.callus_c[there] = series.substrate_c[there] + 3.0
    assert "factor" in refused(series)


def test_refuses_a_room_as_warm_as_the_bed() -> None:
    record = held(NOMINAL, swinging(24.9, 0.1), random.Random(1), before_h=24.0)
    assert "warmer than the room" in refused(record.series)


@pytest.mark.parametrize("spoil", ["uneven", "coarse", "short column", "one row"])
def test_refuses_a_grid_that_is_none(spoil: str) -> None:
    s = plain().series
    match spoil:
        case "uneven":
            s.at_s[5:] += 60.0
        case "coarse":
            s = replace(s, at_s=s.at_s * 6.0)
        case "short column":
            s = replace(s, room_c=s.room_c[:-1])
        case _:
            s = Series(s.at_s[:1], s.substrate_c[:1], s.room_c[:1], s.callus_c[:1], s.power_w[:1])
    assert "record needs" in refused(s)


# The numerics ---------------------------------------------------------------------------------


@given(
    tau_h=st.floats(0.05, 20.0),
    step_h=st.floats(0.02, 0.5),
    slope=st.floats(-5.0, 5.0),
    start_c=st.floats(-20.0, 40.0),
)
def test_lagged_is_exact_for_a_ramp(
    tau_h: float, step_h: float, slope: float, start_c: float
) -> None:
    t = np.arange(200) * step_h
    found = modes.lagged(start_c + slope * t, tau_h, step_h)
    closed = start_c + slope * (t - tau_h * -np.expm1(-t / tau_h))
    np.testing.assert_allclose(found, closed, atol=1e-7)


def test_no_lag_is_no_change() -> None:
    values = np.array([1.0, 5.0, -2.0])
    np.testing.assert_array_equal(modes.lagged(values, 0.0, 0.1), values)


def test_weights_are_those_of_the_normal_equations() -> None:
    """Posterior = (X'V⁻¹X + P⁻¹)⁻¹ (X'V⁻¹y + P⁻¹m), the textbook form that is not computed."""
    rng = np.random.default_rng(4)
    x = rng.normal(size=(40, 3))
    at_h = np.arange(40) * 0.5
    mean = np.array([0.5, -0.2, 0.1])
    prior = np.diag([0.3, 0.2, 0.5]) ** 2 + 0.01
    y = x @ np.array([0.7, 0.1, -0.3]) + rng.normal(0.0, 0.03, 40)
    found = modes.weigh(x, y, at_h, prior_mean=mean, prior_covariance=prior)
    fading = np.exp(-np.abs(at_h[:, None] - at_h) / modes.SCATTER_H)
    v = found.scatter_k**2 * fading + modes.WHITE_K**2 * np.eye(40)
    precision = x.T @ np.linalg.solve(v, x) + np.linalg.inv(prior)
    right = x.T @ np.linalg.solve(v, y) + np.linalg.solve(prior, mean)
    np.testing.assert_allclose(found.mean, np.linalg.solve(precision, right), rtol=1e-8)
    np.testing.assert_allclose(found.covariance, np.linalg.inv(precision), rtol=1e-7, atol=1e-12)


@pytest.mark.parametrize("true_k", [0.03, 0.1, 0.25])
def test_finds_the_size_of_the_scatter(true_k: float) -> None:
    rng = np.random.default_rng(7)
    at_h = np.arange(120) * 0.5
    fading = np.exp(-np.abs(at_h[:, None] - at_h) / modes.SCATTER_H)
    y = np.linalg.cholesky(true_k**2 * fading + modes.WHITE_K**2 * np.eye(120)) @ rng.normal(
        size=120
    )
    found = modes.weigh(
        np.ones((120, 1)), y, at_h, prior_mean=np.zeros(1), prior_covariance=np.eye(1)
    )
    assert true_k / 2.0 <= found.scatter_k <= true_k * 2.0


def test_weights_that_sum_to_one() -> None:
    mean, covariance = modes.summing_to(1.0, np.array([0.2, 0.3]), np.array([0.1, 0.2]))
    assert mean.sum() == pytest.approx(1.0)
    np.testing.assert_allclose(covariance.sum(axis=0), 0.0, atol=1e-15)
    # Two weights of variances 0.01 and 0.04 that sum to 1: each has the variance v1 v2/(v1 + v2).
    assert covariance[0, 0] == pytest.approx(0.01 * 0.04 / 0.05)
