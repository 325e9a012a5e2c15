"""Time and area beyond limits: exact crossings, gaps unknown, uncertainty carried."""

from __future__ import annotations

import math
from itertools import pairwise

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from bottomheat.review.exposure import (
    HOUR_MS,
    WIDEST_K,
    Side,
    Trace,
    above,
    below,
    beyond,
    bounds_h,
    coldest,
    episodes,
    hottest,
    trace,
    within_bounds_h,
    within_h,
)

MIN_MS = 60_000
FAR_S = 1e9
BEGAN_MS = 1_768_000_000_000

# The hand-worked vector: minutes and °C, and what they come to (also found as the intersection of
# polygons, and by a dense grid).
V1_MIN = (0, 10, 15, 30, 40, 100, 110, 130)
V1_C = (24.0, 26.0, 27.0, 23.0, 25.0, 25.0, 28.0, 24.0)


def line(
    minutes: tuple[float, ...] = V1_MIN,
    celsius: tuple[float, ...] = V1_C,
    max_gap_min: float = 1e7,
    expanded_k: tuple[float, ...] | None = None,
    window_min: tuple[float, float] | None = None,
) -> Trace:
    low, high = window_min if window_min is not None else (minutes[0], minutes[-1])
    return trace(
        BEGAN_MS + np.round(np.array(minutes) * MIN_MS).astype(np.int64),
        np.array(celsius),
        BEGAN_MS + round(low * MIN_MS),
        BEGAN_MS + round(high * MIN_MS),
        expanded_k=None if expanded_k is None else np.array(expanded_k),
        max_gap_s=max_gap_min * 60,
    )


def minutes(hours: float) -> float:
    return hours * 60


def test_the_hand_worked_vector() -> None:
    v1 = line()
    over, under = above(v1, 26.0), below(v1, 24.5)
    assert minutes(over.hours) == pytest.approx(25.4166666666667, abs=1e-9)
    assert minutes(over.degree_hours) == pytest.approx(21.0416666666667, abs=1e-9)
    assert minutes(under.hours) == pytest.approx(18.125, abs=1e-9)
    assert minutes(under.degree_hours) == pytest.approx(11.09375, abs=1e-9)
    assert minutes(within_h(v1, 24.5, 26.0)) == pytest.approx(86.4583333333333, abs=1e-9)


def test_a_gap_in_the_vector_is_unknown() -> None:
    v1 = line(max_gap_min=30)
    assert minutes(v1.known_h) == pytest.approx(70, abs=1e-9)
    assert minutes(v1.unknown_h) == pytest.approx(60, abs=1e-9)
    assert minutes(within_h(v1, 24.5, 26.0)) == pytest.approx(26.4583333333333, abs=1e-9)


def test_clipping_samples_would_be_ninety_per_cent_off() -> None:
    """Why the crossings are worked out: this is the short way, on the same vector."""
    naive = float(np.trapezoid(np.clip(np.array(V1_C) - 26.0, 0, None), np.array(V1_MIN)))
    assert naive == pytest.approx(40.0)
    assert naive > 1.9 * minutes(above(line(), 26.0).degree_hours)


def test_a_sine_agrees_with_its_integral() -> None:
    """25 ± 2 °C over 24 h: above 26 for 8 h, 2·(2·24/2π·cos(π/6)) - 8 K·h, by calculus."""
    at_min = np.arange(0, 1441)
    wave = line(tuple(at_min), tuple(25 + 2 * np.sin(2 * np.pi * at_min / 1440)))
    area = 2 * 24 / math.pi * math.cos(math.pi / 6) - 8
    assert area == pytest.approx(5.231893490, abs=1e-9)
    assert above(wave, 26.0).hours == pytest.approx(8.0, abs=2e-4)
    # A line between samples cuts the peak off: 5.231872 is known for a minute's sampling.
    assert above(wave, 26.0).degree_hours == pytest.approx(5.231872, abs=1e-6)
    assert above(wave, 25.0).degree_hours == pytest.approx(48 / math.pi, abs=1e-4)


def test_a_temperature_equal_to_the_limit_is_within_it() -> None:
    flat = line((0, 60), (26.0, 26.0))
    assert above(flat, 26.0).hours == 0.0
    assert below(flat, 26.0).hours == 0.0
    assert within_h(flat, 24.5, 26.0) == 1.0
    assert within_h(flat, 26.0, 28.0) == 1.0
    assert above(flat, 26.0).first_ms is None


def test_a_peak_that_touches_the_limit_does_not_exceed_it() -> None:
    assert above(line((0, 30, 60), (25.0, 26.0, 25.0)), 26.0).hours == 0.0


def test_a_missing_value_is_no_sample() -> None:
    bridged = line((0, 10, 20), (24.0, math.nan, 28.0), max_gap_min=20)
    assert minutes(above(bridged, 26.0).hours) == pytest.approx(10)
    apart = line((0, 10, 20), (24.0, math.nan, 28.0), max_gap_min=15)
    assert apart.known_h == 0.0
    assert apart.unknown_h == pytest.approx(20 / 60)


def test_nothing_is_known_without_two_samples() -> None:
    for nothing in (line((), (), window_min=(0, 60)), line((30,), (25.0,), window_min=(0, 60))):
        assert (nothing.known_h, nothing.unknown_h) == (0.0, 1.0)
        assert above(nothing, 20.0).hours == below(nothing, 30.0).hours == 0.0
        assert within_h(nothing, 0.0, 50.0) == 0.0
        assert episodes(nothing, 20.0, Side.ABOVE) == ()
        assert coldest(nothing) is hottest(nothing) is nothing.mean_c() is None


def test_the_window_cuts_a_segment_where_it_ends() -> None:
    """From 20 to 30 °C in an hour; the window is its second quarter: 22.5 to 25 °C."""
    cut = line((0, 60), (20.0, 30.0), window_min=(15, 30))
    assert cut.known_h == pytest.approx(0.25)
    assert above(cut, 24.0).hours == pytest.approx(0.1)
    lowest, highest = coldest(cut), hottest(cut)
    assert lowest is not None
    assert highest is not None
    assert (lowest.celsius, highest.celsius) == (pytest.approx(22.5), pytest.approx(25.0))
    assert (lowest.at_ms, highest.at_ms) == (cut.from_ms, cut.to_ms)
    assert cut.mean_c() == pytest.approx(23.75)


def test_time_before_the_first_and_after_the_last_sample_is_unknown() -> None:
    wide = line((10, 20), (25.0, 25.0), window_min=(0, 60))
    assert minutes(wide.known_h) == pytest.approx(10)
    assert minutes(wide.unknown_h) == pytest.approx(50)


def test_rows_in_any_order_and_twice_come_to_the_same() -> None:
    """A clock that was set back puts rows of two runs on top of each other."""
    mixed = line((0, 20, 10, 10, 30), (24.0, 28.0, 26.0, 26.0, 24.0), window_min=(0, 30))
    plain = line((0, 10, 20, 30), (24.0, 26.0, 28.0, 24.0))
    assert above(mixed, 26.0) == above(plain, 26.0)
    assert mixed.known_h == plain.known_h


def test_uncertainty_gives_the_least_and_the_most() -> None:
    """Above 32 for 40 min; 0.5 K lower never, 0.5 K higher for 75 min."""
    peak = line(
        (0, 35, 75, 110),
        (31.5, 32.0 + 1e-12, 32.0 + 1e-12, 31.5),
        expanded_k=(0.5, 0.5, 0.5, 0.5),
    )
    least, most = bounds_h(peak, 32.0, Side.ABOVE)
    assert minutes(above(peak, 32.0).hours) == pytest.approx(40, abs=1e-6)
    assert least == 0.0
    assert minutes(most) == pytest.approx(110)


def test_an_unknown_uncertainty_leaves_everything_possible() -> None:
    vague = line((0, 60), (25.0, 25.0), expanded_k=(math.inf, math.nan))
    assert bounds_h(vague, 32.0, Side.ABOVE) == (0.0, 1.0)
    assert bounds_h(vague, 18.0, Side.BELOW) == (0.0, 1.0)
    assert within_bounds_h(vague, 24.0, 26.0) == (0.0, 1.0)
    lowest = coldest(vague)
    assert lowest is not None
    assert lowest.expanded_k == WIDEST_K


def test_the_band_with_its_uncertainty() -> None:
    """25 °C ± 1 in a band of 24.5 to 26: maybe, but not surely; ± 0.3: surely."""
    assert within_bounds_h(line((0, 60), (25.0, 25.0), expanded_k=(1, 1)), 24.5, 26) == (0.0, 1.0)
    assert within_bounds_h(line((0, 60), (25.0, 25.0), expanded_k=(0.3, 0.3)), 24.5, 26) == (1, 1)
    assert within_bounds_h(line((0, 60), (28.0, 28.0), expanded_k=(1, 1)), 24.5, 26) == (0.0, 0.0)


def test_a_limit_may_differ_from_segment_to_segment() -> None:
    """Setpoints step: a band around each."""
    steps = line((0, 60, 120), (25.0, 25.0, 25.0))
    assert within_h(steps, np.array([24.5, 19.5]), np.array([25.5, 20.5])) == 1.0
    assert above(steps, np.array([25.5, 20.5])).degree_hours == pytest.approx(4.5)
    assert steps.row.tolist() == [0, 1]


def test_an_episode_runs_from_crossing_to_crossing() -> None:
    (first, second) = episodes(line(), 26.0, Side.ABOVE)
    assert (first.from_ms - BEGAN_MS, first.to_ms - BEGAN_MS) == (10 * MIN_MS, 18.75 * MIN_MS)
    assert (first.worst_k, first.worst_c, first.worst_ms - BEGAN_MS) == (1.0, 27.0, 15 * MIN_MS)
    assert (first.cut_start, first.cut_end) == (False, False)
    assert second.worst_c == 28.0
    assert minutes(first.hours + second.hours) == pytest.approx(25.4166666666667, abs=1e-9)
    assert minutes(above(line(), 26.0).longest_h) == pytest.approx(16.6666666666667, abs=1e-9)
    assert above(line(), 26.0).first_ms == first.from_ms


def test_episodes_close_together_are_one_and_count_their_own_time_only() -> None:
    twice = line((0, 10, 20, 30, 40), (25.0, 27.0, 25.0, 27.0, 25.0))
    (one,) = episodes(twice, 26.0, Side.ABOVE, merge_s=15 * 60)
    assert (one.to_ms - one.from_ms) / MIN_MS == pytest.approx(30)
    assert minutes(one.hours) == pytest.approx(20)
    assert len(episodes(twice, 26.0, Side.ABOVE, merge_s=9 * 60)) == 2


def test_a_gap_parts_episodes_and_is_told() -> None:
    broken = line((0, 10, 20, 40, 50), (27.0, 27.0, 27.0, 27.0, 25.0), max_gap_min=15)
    first, second = episodes(broken, 26.0, Side.ABOVE, merge_s=FAR_S)
    assert (first.cut_start, first.cut_end) == (True, True)
    assert (second.cut_start, second.cut_end) == (True, False)


def test_a_cold_episode_knows_its_lowest() -> None:
    (cold,) = episodes(line((0, 10, 20), (25.0, 15.0, 25.0)), 20.0, Side.BELOW)
    assert (cold.worst_k, cold.worst_c) == (5.0, 15.0)


def test_arrays_of_different_lengths_are_refused() -> None:
    with pytest.raises(ValueError, match="differ in number"):
        trace(np.array([0, 1]), np.array([20.0]), 0, 1)


# -- against independent ways, on irregular and gappy records

records = st.lists(
    st.tuples(st.integers(1, 40), st.one_of(st.integers(-40, 40), st.just(None))),
    min_size=2,
    max_size=30,
)
limits = st.integers(-41, 41)


def built(rows: list[tuple[int, int | None]], max_gap_min: float) -> tuple[Trace, list, list]:
    at, value, clock = [], [], 0
    for step, each in rows:
        clock += step
        at.append(clock)
        value.append(math.nan if each is None else each / 4)
    return line(tuple(at), tuple(value), max_gap_min=max_gap_min), at, value


def by_hand(at: list, value: list, gap: float, limit: float) -> tuple[float, float, float]:
    """Known, above and area above in minutes, each segment halved until it crosses nothing."""
    good = [(t, v) for t, v in zip(at, value, strict=True) if not math.isnan(v)]
    known = over = area = 0.0
    for (t0, a), (t1, b) in pairwise(good):
        if t1 - t0 > gap:
            continue
        known += t1 - t0
        if a > limit and b > limit:
            over, area = over + t1 - t0, area + (t1 - t0) * ((a + b) / 2 - limit)
        elif a > limit or b > limit:
            # Where the line through both meets the limit.
            cross = t0 + (limit - a) * (t1 - t0) / (b - a)
            part = cross - t0 if a > limit else t1 - cross
            over, area = over + part, area + part * (max(a, b) - limit) / 2
    return known, over, area


@given(records, limits, st.sampled_from([5, 20, 1000]))
def test_above_agrees_with_a_segment_by_segment_account(
    rows: list[tuple[int, int | None]], limit: int, gap: int
) -> None:
    found, at, value = built(rows, gap)
    known, over, area = by_hand(at, value, gap, limit / 4)
    assert minutes(found.known_h) == pytest.approx(known, abs=1e-9)
    assert minutes(above(found, limit / 4).hours) == pytest.approx(over, abs=1e-9)
    assert minutes(above(found, limit / 4).degree_hours) == pytest.approx(area, abs=1e-9)


@given(records, limits)
def test_above_agrees_with_a_dense_series_of_pandas(
    rows: list[tuple[int, int | None]], limit: int
) -> None:
    """Interpolated by time to a grid of a second, means of neighbours counted: no crossing used."""
    found, at, value = built(rows, 1e7)
    series = pd.Series(value, index=pd.to_timedelta(at, unit="min")).dropna()
    if len(series) < 2:
        assert found.known_h == 0.0
        return
    grid = pd.timedelta_range(series.index[0], series.index[-1], freq="1s")
    dense = series.reindex(grid.union(series.index)).interpolate(method="time").reindex(grid)
    middle = (dense.to_numpy()[1:] + dense.to_numpy()[:-1]) / 2 - limit / 4
    area = float(np.clip(middle, 0, None).sum()) / 3600
    assert above(found, limit / 4).degree_hours == pytest.approx(area, abs=1e-3 * len(rows))
    over = float((middle > 1e-9).sum()) / 3600
    assert above(found, limit / 4).hours == pytest.approx(over, abs=len(rows) / 3600)


@given(records, limits, st.integers(0, 20), st.sampled_from([5, 20, 1000]))
def test_in_above_and_below_share_out_what_is_known(
    rows: list[tuple[int, int | None]], low: int, width: int, gap: int
) -> None:
    found, _, _ = built(rows, gap)
    high = low + width
    shared = (
        within_h(found, low / 4, high / 4)
        + above(found, high / 4).hours
        + below(found, low / 4).hours
    )
    assert shared == pytest.approx(found.known_h, abs=1e-9)
    assert found.known_h + found.unknown_h == pytest.approx((found.to_ms - found.from_ms) / HOUR_MS)


@given(records, limits, st.sampled_from([0.0, 0.3, 1.0, 5.0]), st.sampled_from([5, 1000]))
def test_bounds_hold_the_nominal_time(
    rows: list[tuple[int, int | None]], limit: int, doubt_k: float, gap: int
) -> None:
    _, at, value = built(rows, gap)
    found = line(tuple(at), tuple(value), gap, expanded_k=(doubt_k,) * len(at))
    for side in Side:
        least, most = bounds_h(found, limit / 4, side)
        hours = beyond(found, limit / 4, side).hours
        assert least - 1e-9 <= hours <= most + 1e-9
        assert most <= found.known_h + 1e-9
    least, most = within_bounds_h(found, limit / 4, limit / 4 + 2)
    assert least - 1e-9 <= within_h(found, limit / 4, limit / 4 + 2) <= most + 1e-9


@given(records, limits, st.integers(1, 500))
def test_two_windows_come_to_the_whole(
    rows: list[tuple[int, int | None]], limit: int, cut: int
) -> None:
    whole, at, value = built(rows, 20)
    cut_min = min(max(cut, at[0]), at[-1])
    halves = [
        line(tuple(at), tuple(value), 20, window_min=edges)
        for edges in ((at[0], cut_min), (cut_min, at[-1]))
    ]
    for measure in (
        lambda each: each.known_h,
        lambda each: each.unknown_h,
        lambda each: above(each, limit / 4).degree_hours,
        lambda each: below(each, limit / 4).hours,
        lambda each: within_h(each, limit / 4, limit / 4 + 1),
    ):
        assert sum(measure(half) for half in halves) == pytest.approx(measure(whole), abs=1e-9)


@given(records, limits, st.sampled_from([0.0, 900.0]), st.sampled_from([5, 20, 1000]))
def test_episodes_come_to_the_exposure(
    rows: list[tuple[int, int | None]], limit: int, merge_s: float, gap: int
) -> None:
    found, _, _ = built(rows, gap)
    for side in Side:
        whole, parts = (
            beyond(found, limit / 4, side),
            episodes(found, limit / 4, side, merge_s=merge_s),
        )
        assert sum(each.hours for each in parts) == pytest.approx(whole.hours, abs=1e-9)
        assert sum(each.degree_hours for each in parts) == pytest.approx(
            whole.degree_hours, abs=1e-9
        )
        assert all(one.to_ms <= other.from_ms for one, other in pairwise(parts))
        assert all(each.worst_k > 0 for each in parts)
        assert (whole.first_ms is None) == (not parts)
