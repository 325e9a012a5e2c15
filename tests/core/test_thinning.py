"""Thinning keeps extremes, means and gaps: against samples looked at one by one."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from bottomheat.review.thinning import (
    STEPS_S,
    Share,
    Thinned,
    coarser,
    edges_for,
    held,
    share,
    spread,
    thin,
)

MAX_GAP_S = 900.0
EMPTY = np.zeros(0)


@st.composite
def series(draw, most=40):
    """Irregular samples with gaps and missing values."""
    steps_s = draw(st.lists(st.integers(1, 1500), min_size=1, max_size=most))
    at_ms = np.cumsum([0, *steps_s]).astype(np.int64) * 1000
    value = st.one_of(st.just(np.nan), st.floats(-20, 80, allow_nan=False))
    values = draw(st.lists(value, min_size=len(at_ms), max_size=len(at_ms)))
    return at_ms, np.array(values)


@st.composite
def edges(draw):
    """Edges of buckets around such a series, of different widths."""
    widths = draw(st.lists(st.integers(1, 6000), min_size=1, max_size=12))
    start = draw(st.integers(-3000, 20_000))
    return np.cumsum([start, *widths]).astype(np.int64) * 1000


def by_hand(at_ms, values, edges_ms):
    """Every known second of the line, put into its bucket: samples are whole seconds apart."""
    found = []
    good = [(int(t), float(v)) for t, v in zip(at_ms, values, strict=True) if not np.isnan(v)]
    for low_ms, high_ms in pairwise(edges_ms):
        seen = [v for t, v in good if low_ms <= t < high_ms]
        area = known_s = 0.0
        for (t, v), (u, w) in pairwise(good):
            if u - t > MAX_GAP_S * 1000:
                continue
            begin, end = max(t, low_ms), min(u, high_ms)
            if begin >= end:
                continue
            at_begin = v + (w - v) * (begin - t) / (u - t)
            at_end = v + (w - v) * (end - t) / (u - t)
            seen += [at_begin, at_end]
            area += (at_begin + at_end) / 2 * (end - begin) / 1000
            known_s += (end - begin) / 1000
        found.append((seen, area, known_s))
    return found


@given(series(), edges())
def test_buckets_hold_what_a_look_at_each_sample_finds(data, edges_ms):
    at_ms, values = data
    made = thin(at_ms, values, edges_ms, max_gap_s=MAX_GAP_S)
    for bucket, (seen, area, known_s) in enumerate(by_hand(at_ms, values, edges_ms)):
        assert made.known_s[bucket] == pytest.approx(known_s)
        if not seen:
            assert np.isnan([made.low[bucket], made.mean[bucket], made.high[bucket]]).all()
            continue
        assert made.low[bucket] == pytest.approx(min(seen), abs=1e-9)
        assert made.high[bucket] == pytest.approx(max(seen), abs=1e-9)
        if known_s:
            assert made.mean[bucket] == pytest.approx(area / known_s, abs=1e-6)


@given(series(), st.integers(1, 50))
def test_the_extremes_of_a_series_survive(data, most):
    at_ms, values = data
    made = thin(at_ms, values, edges_for(0, int(at_ms[-1]) + 1, most), max_gap_s=MAX_GAP_S)
    if np.isnan(values).all():
        assert np.isnan(made.low).all()
        return
    assert np.nanmin(made.low) == np.nanmin(values)
    assert np.nanmax(made.high) == np.nanmax(values)
    inside = ~np.isnan(made.mean)
    assert (made.low[inside] <= made.mean[inside]).all()
    assert (made.mean[inside] <= made.high[inside]).all()


@given(series(), edges(), st.integers(0, 60_000))
def test_two_stretches_one_after_the_other_give_the_whole(data, edges_ms, cut_s):
    at_ms, values = data
    whole = thin(at_ms, values, edges_ms, max_gap_s=MAX_GAP_S)
    cut_ms = cut_s * 1000
    early = thin(at_ms, values, np.minimum(edges_ms, cut_ms), max_gap_s=MAX_GAP_S)
    late = thin(at_ms, values, np.maximum(edges_ms, cut_ms), max_gap_s=MAX_GAP_S)
    both = early | late
    np.testing.assert_allclose(both.low, whole.low, atol=1e-9)
    np.testing.assert_allclose(both.high, whole.high, atol=1e-9)
    np.testing.assert_allclose(both.known_s, whole.known_s)
    timed = whole.known_s > 0
    np.testing.assert_allclose(both.mean[timed], whole.mean[timed], atol=1e-6)


def test_regular_samples_against_resampling_by_pandas():
    times = pd.date_range("2027-01-05", periods=8640, freq="10s", tz="UTC")
    random = np.random.default_rng(4)
    values = 25 + np.cumsum(random.normal(0, 0.05, len(times)))
    at_ms = times.tz_localize(None).to_numpy().astype("datetime64[ms]").astype(np.int64)
    hours = pd.Series(values, index=times).resample("1h")
    made = thin(at_ms, values, edges_for(int(at_ms[0]), int(at_ms[-1]) + 1, 24))
    # A bucket also knows where the line crosses its end: a hair beyond the last sample in it.
    np.testing.assert_allclose(made.low, hours.min(), atol=0.2)
    np.testing.assert_allclose(made.high, hours.max(), atol=0.2)
    assert (made.low <= hours.min().to_numpy()).all()
    assert (made.high >= hours.max().to_numpy()).all()
    np.testing.assert_allclose(made.mean, hours.mean(), atol=0.01)


def test_a_spike_of_one_sample_in_a_season_is_still_its_highest():
    at_ms = np.arange(0, 120 * 86_400_000, 60_000, dtype=np.int64)
    values = np.full(len(at_ms), 25.0)
    values[100_000] = 61.25
    made = thin(at_ms, values, edges_for(0, 120 * 86_400_000, 1440))
    assert len(made.high) == 1440
    assert np.flatnonzero(made.high > 30).tolist() == [100_000 // 120]
    assert np.max(made.high) == 61.25
    assert made.mean[100_000 // 120] < 26


def test_the_swing_of_a_day_is_kept():
    at_ms = np.arange(0, 120 * 86_400_000, 60_000, dtype=np.int64)
    values = 10 + 5 * np.sin(2 * np.pi * at_ms / 86_400_000)
    made = thin(at_ms, values, edges_for(0, 120 * 86_400_000, 1440))
    days = made.mean.reshape(120, 12)
    assert (days.max(axis=1) > 14.7).all()
    assert (days.min(axis=1) < 5.3).all()


def test_a_gap_stays_a_gap():
    at_ms = np.concatenate((np.arange(0, 3600, 10), np.arange(7200, 10_800, 10))) * 1000
    made = thin(at_ms, np.full(len(at_ms), 20.0), edges_for(0, 10_800_000, 18))
    assert np.isnan(made.mean[6:12]).all()
    assert not np.isnan(made.mean[[0, 5, 12, 17]]).any()
    assert made.known_s[6:12].tolist() == [0.0] * 6


def test_a_short_hole_that_is_known_is_not_bridged():
    at_ms = np.concatenate((np.arange(0, 600, 10), np.arange(900, 1500, 10))) * 1000
    values, buckets = np.full(len(at_ms), 20.0), np.arange(0, 1_500_001, 60_000)
    bridged = thin(at_ms, values, buckets)
    apart = thin(at_ms, values, buckets, holes=[(590_000, 900_000)])
    assert not np.isnan(bridged.mean).any()
    assert np.isnan(apart.mean[10:15]).all()
    assert np.sum(apart.known_s) == pytest.approx(590 + 590)


def test_a_sample_that_stands_alone_shows_but_has_no_length():
    made = thin(np.array([5_000]), np.array([31.0]), np.array([0, 10_000, 20_000]))
    assert (made.low[0], made.mean[0], made.high[0], made.known_s[0]) == (31.0, 31.0, 31.0, 0.0)
    assert np.isnan(made.mean[1])


def test_heat_on_counts_until_the_next_row_and_not_through_a_gap():
    at_ms = np.array([0, 10, 30, 40, 5000]) * 1000
    on = np.array([True, False, True, True, True])
    made = share(at_ms, on, np.array([0, 20, 40, 6000]) * 1000)
    assert made.mean[:2].tolist() == [0.5, 0.5]
    assert made.known_s.tolist() == [20.0, 20.0, 0.0]
    assert np.isnan(made.mean[2])


@given(series(), edges(), st.integers(0, 60_000))
def test_shares_of_two_stretches_give_the_whole(data, edges_ms, cut_s):
    at_ms, values = data
    on = values > 25
    whole = share(at_ms, on, edges_ms)
    early = share(at_ms, on, np.minimum(edges_ms, cut_s * 1000))
    late = share(at_ms, on, np.maximum(edges_ms, cut_s * 1000))
    both = early | late
    np.testing.assert_allclose(both.mean, whole.mean)
    np.testing.assert_allclose(both.known_s, whole.known_s)


def test_what_was_set_holds_until_the_next_row_and_not_for_ever():
    at_ms = np.array([0, 600, 1200]) * 1000
    moments = np.array([-1, 0, 599, 600, 1300, 2101]) * 1000
    found = held(at_ms, np.array([20.0, 22.0, 25.0]), moments)
    np.testing.assert_array_equal(found, [np.nan, 20.0, 20.0, 22.0, 25.0, np.nan])
    apart = held(at_ms, np.array([20.0, 22.0, 25.0]), moments, holes=[(1_200_000, 2_000_000)])
    assert np.isnan(apart[4])


@given(st.integers(0, 10**13), st.integers(1, 10**11), st.integers(1, 5000))
def test_edges_cover_the_window_with_no_more_buckets_than_allowed(from_ms, length_ms, most):
    found = edges_for(from_ms, from_ms + length_ms, most)
    assert len(found) - 1 <= most
    assert found[0] <= from_ms
    assert found[-1] >= from_ms + length_ms
    steps = set(np.diff(found).tolist())
    assert len(steps) == 1
    assert steps.pop() in [step * 1000 for step in STEPS_S] or len(found) - 1 == most


def test_no_time_is_refused():
    with pytest.raises(ValueError, match="no time"):
        edges_for(5, 5, 10)


def test_nothing_at_all_is_nothing_known():
    buckets = np.array([0, 10_000])
    made = thin(EMPTY.astype(np.int64), EMPTY, buckets)
    assert isinstance(made, Thinned)
    assert np.isnan(made.mean[0])
    off = share(EMPTY.astype(np.int64), EMPTY.astype(bool), buckets)
    assert isinstance(off, Share)
    assert np.isnan(off.mean[0])
    assert np.isnan(held(EMPTY.astype(np.int64), EMPTY, buckets)).all()


@given(series(), edges(), st.integers(1, 5))
def test_coarser_buckets_are_those_made_at_once(data, edges_ms, buckets):
    at_ms, values = data
    fine = thin(at_ms, values, edges_ms, max_gap_s=MAX_GAP_S)
    first = np.arange(0, len(edges_ms) - 1, buckets)
    at_once = thin(at_ms, values, edges_ms[[*first, -1]], max_gap_s=MAX_GAP_S)
    found = coarser(fine, buckets)
    np.testing.assert_allclose(found.low, at_once.low, atol=1e-9)
    np.testing.assert_allclose(found.high, at_once.high, atol=1e-9)
    np.testing.assert_allclose(found.known_s, at_once.known_s)
    timed = at_once.known_s > 0
    np.testing.assert_allclose(found.mean[timed], at_once.mean[timed], atol=1e-6)


def test_an_hour_of_heat_is_spread_over_its_buckets_and_not_into_a_gap():
    fine = Share(np.array([1.0, 0.0, 0.0, np.nan, 1.0]), np.array([300.0, 300.0, 600.0, 0, 300.0]))
    np.testing.assert_allclose(spread(fine, 4), [0.25, 0.25, 0.25, np.nan, 1.0])
    np.testing.assert_allclose(spread(fine, 1), fine.mean)
