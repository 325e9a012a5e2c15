"""Rows of a minute and of ten against the samples they stand for; the arithmetic of pandas."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bottomheat.review import exposure
from bottomheat_drivers.log import gaps
from bottomheat_drivers.log.minutes import (
    HOLE_MS,
    KNOWN_MS,
    MINUTE_MS,
    Row,
    Sample,
    minutes,
    tens,
    widened,
)

FAR_MS = 2**60
V1_MIN = [0, 10, 15, 30, 40, 100, 110, 130]
V1_C = [24, 26, 27, 23, 25, 25, 28, 24]
"""Worked by hand for the exposure tests (tests/core/test_exposure.py)."""


def taken(
    points: Sequence[tuple[int, int | None]],
    setpoint_mc: int | None = 25_000,
    **over: object,
) -> list[Sample]:
    """Samples of these times, ms, and estimates, 1/1000 °C."""
    return [
        Sample(
            number,
            t_ms,
            1,
            setpoint_mc,
            over.get("heat", 0),
            over.get("closings", 0),
            value,
            40,
            (29_400, None, 9_000 + 10 * (number % 3), None, None, None),
        )
        for number, (t_ms, value) in enumerate(points, 1)
    ]


def thinned(samples: Sequence[Sample], kept: Sequence[bool] | None = None) -> list[Row]:
    return minutes(samples, kept or [False] * len(samples), -FAR_MS, FAR_MS)[0]


def in_tens(rows: Sequence[Row]) -> list[Row]:
    """As the log has them after ``tens``: the rows it does not name stay."""
    made = {numbers[0]: (row, numbers) for row, numbers in tens(enumerate(rows))}
    gone = {number for _, numbers in made.values() for number in numbers[1:]}
    return [
        made[number][0] if number in made else row
        for number, row in enumerate(rows)
        if number not in gone
    ]


@st.composite
def courses(draw: st.DrawFn, most: int = 120) -> list[Sample]:
    """Irregular samples with holes, lost estimates and changes of the setpoint."""
    count = draw(st.integers(1, most))
    steps = draw(
        st.lists(
            st.sampled_from(
                [9_800, 10_000, 10_123, 20_000, 60_000, 130_000, 899_000, 901_000, 7 * 10**6]
            ),
            min_size=count,
            max_size=count,
        )
    )
    values = draw(
        st.lists(
            st.none() | st.integers(24_000, 26_000) | st.sampled_from([24_500, 25_500]),
            min_size=count,
            max_size=count,
        )
    )
    setpoints = draw(
        st.lists(st.sampled_from([25_000, 25_000, 25_000, 24_800]), min_size=count, max_size=count)
    )
    heat = draw(st.lists(st.integers(0, 1), min_size=count, max_size=count))
    t_ms = np.cumsum([draw(st.integers(0, 10**6)), *steps[1:]]).tolist()
    return [
        Sample(
            n,
            t,
            1 + setpoint % 7,
            setpoint,
            on,
            n % 2,
            value,
            40,
            (value, None, None, None, None, None),
        )
        for n, (t, value, setpoint, on) in enumerate(
            zip(t_ms, values, setpoints, heat, strict=True), 1
        )
    ]


def line(samples: Sequence[Sample]) -> exposure.Trace:
    values = [np.nan if s.estimate_mc is None else s.estimate_mc / 1000 for s in samples]
    times = np.array([s.t_ms for s in samples], dtype=np.int64)
    return exposure.trace(times, np.array(values), int(times[0]), int(times[-1]) + 1)


def by_pandas(samples: Sequence[Sample]) -> dict[str, float]:
    """Known time, mean, extremes, time and area beyond the band; explicit lengths, fine steps."""
    frame = pd.DataFrame(
        [
            (s.t_ms / 1000, s.estimate_mc, s.setpoint_mc)
            for s in samples
            if s.estimate_mc is not None
        ],
        columns=["at_s", "value", "setpoint"],
    ).astype(float)
    frame["length"] = frame["at_s"].shift(-1) - frame["at_s"]
    frame["next"] = frame["value"].shift(-1)
    frame = frame[frame["length"] <= KNOWN_MS / 1000]
    fine = 2_000
    share = (np.arange(fine) + 0.5) / fine
    value, then = (frame[name].to_numpy()[:, None] for name in ("value", "next"))
    courses = value + (then - value) * share
    weight = np.repeat(frame["length"].to_numpy()[:, None] / fine, fine, axis=1)
    over = courses - (frame["setpoint"].to_numpy()[:, None] + 500)
    under = frame["setpoint"].to_numpy()[:, None] - 500 - courses
    return {
        "known_s": float(frame["length"].sum()),
        "area": float((frame["length"] * (frame["value"] + frame["next"]) / 2).sum()),
        "above_s": float(weight[over > 0].sum()),
        "above": float((weight * over.clip(min=0)).sum()),
        "below_s": float(weight[under > 0].sum()),
        "below": float((weight * under.clip(min=0)).sum()),
    }


def test_the_constants_are_those_of_the_review_and_of_the_gaps() -> None:
    assert KNOWN_MS == exposure.MAX_GAP_S * 1000
    assert HOLE_MS == gaps.MAX_GAP_S * 1000


@settings(max_examples=150, deadline=None)
@given(courses(), st.booleans())
def test_sums_and_extremes_are_those_of_the_samples(samples: list[Sample], tenfold: bool) -> None:
    rows = in_tens(thinned(samples)) if tenfold else thinned(samples)
    known = [row for row in rows if row.estimate is not None]
    whole = line(samples)
    told = by_pandas(samples)
    assert sum(row.span_ms for row in known) == round(whole.known_h * 3_600_000)
    assert sum(row.span_ms for row in known) / 1000 == pytest.approx(told["known_s"])
    area = sum(row.span_ms / 1000 * row.estimate[0] for row in known if row.estimate)
    assert area == pytest.approx(told["area"], abs=1 + told["known_s"])  # 1/1000 K at the most
    limits = 1e-3 * len(samples) + told["known_s"] / 1_000  # of pandas' fine steps
    assert sum(r.above_ms for r in rows) / 1000 == pytest.approx(told["above_s"], abs=limits + 0.1)
    assert sum(r.below_ms for r in rows) / 1000 == pytest.approx(told["below_s"], abs=limits + 0.1)
    assert sum(r.above_mks for r in rows) == pytest.approx(
        told["above"], abs=len(rows) + limits, rel=1e-3
    )
    assert sum(r.below_mks for r in rows) == pytest.approx(
        told["below"], abs=len(rows) + limits, rel=1e-3
    )
    values = [s.estimate_mc for s in samples if s.estimate_mc is not None]
    if known:
        # A value that no line reaches and no row stands for is that of a sample without a length.
        lows = [row.estimate[0] - row.estimate[1] for row in known if row.estimate]
        highs = [row.estimate[0] + row.estimate[2] for row in known if row.estimate]
        assert min(lows) >= min(values)
        assert max(highs) <= max(values)
        if whole.row.size:
            assert min(lows) <= round(exposure.coldest(whole).celsius * 1000)
            assert max(highs) >= round(exposure.hottest(whole).celsius * 1000)
    assert sum(row.closings for row in rows) == sum(s.closings for s in samples)
    steps = [
        (one, other.t_ms - one.t_ms)
        for one, other in pairwise(samples)
        if other.t_ms - one.t_ms <= KNOWN_MS
    ]
    assert sum(row.heat_ms for row in rows) == sum(ms for one, ms in steps if one.heat)
    assert sum(row.span_ms for row in rows) == sum(ms for _, ms in steps)


@settings(max_examples=150, deadline=None)
@given(courses())
def test_every_sample_is_in_one_row_and_rows_do_not_overlap(samples: list[Sample]) -> None:
    rows, gone = minutes(samples, [False] * len(samples), -FAR_MS, FAR_MS)
    assert sorted(gone) == [s.id for s in samples]
    for one, other in pairwise(rows):
        assert one.t_ms + one.span_ms <= other.t_ms
    for row in rows:
        assert row.above_ms + row.below_ms <= row.span_ms
        assert 0 <= row.heat_ms <= row.span_ms
        assert row.samples == 1 or row.t_ms // MINUTE_MS == (row.t_ms + 1) // MINUTE_MS


@settings(max_examples=150, deadline=None)
@given(courses(), st.data())
def test_cut_anywhere_it_comes_to_the_same(samples: list[Sample], data: st.DataObject) -> None:
    """Hour by hour, as the log does it, what is done takes nothing from what comes after."""
    whole = thinned(samples)
    last_ms = samples[-1].t_ms
    cut_ms = data.draw(st.integers(0, last_ms // MINUTE_MS + 1)) * MINUTE_MS
    seen = [s for s in samples if s.t_ms <= cut_ms + KNOWN_MS]
    first, gone = minutes(seen, [False] * len(seen), -FAR_MS, cut_ms)
    left = [s for s in samples if s.id not in set(gone)]
    then, also = minutes(left, [False] * len(left), cut_ms, FAR_MS)
    assert sorted([*gone, *also]) == [s.id for s in samples]
    assert sum(r.span_ms for r in first + then) == sum(r.span_ms for r in whole)
    for name in ("above_ms", "below_ms", "heat_ms", "closings"):
        each = [sum(getattr(row, name) for row in rows) for rows in (first + then, whole)]
        assert each[0] == pytest.approx(each[1], abs=2)


@settings(max_examples=150, deadline=None)
@given(courses(), st.data())
def test_what_is_kept_and_what_is_thinned_make_the_whole(
    samples: list[Sample], data: st.DataObject
) -> None:
    begin = data.draw(st.integers(0, len(samples)))
    end = data.draw(st.integers(begin, len(samples)))
    kept = [begin <= n < end for n in range(len(samples))]
    rows, gone = minutes(samples, kept, -FAR_MS, FAR_MS)
    stays = widened(samples, kept)
    assert all(stay for stay, asked in zip(stays, kept, strict=True) if asked)
    left = [s for s in samples if s.id not in set(gone)]
    assert [s.id for s in left] == [s.id for s, stay in zip(samples, stays, strict=True) if stay]
    known_ms = sum(row.span_ms for row in rows if row.estimate is not None)
    edges = {(row.t_ms, row.t_ms + row.span_ms) for row in rows}
    good = [s for s in left if s.estimate_mc is not None]
    for one, other in pairwise(good):
        inside = any(low >= one.t_ms and high <= other.t_ms for low, high in edges)
        if other.t_ms - one.t_ms <= KNOWN_MS and not inside:
            known_ms += other.t_ms - one.t_ms
    assert known_ms == round(line(samples).known_h * 3_600_000)
    counted = sum(row.closings for row in rows) + sum(s.closings for s in left)
    assert counted == sum(s.closings for s in samples)


def test_the_vector_worked_by_hand() -> None:
    """V1: 24.5 to 25.5 is not its band; 25.5 ± 0.5 is, less the gap of an hour."""
    points = [(m * 60_000, c * 1000) for m, c in zip(V1_MIN, V1_C, strict=True)]
    rows = thinned(taken(points, setpoint_mc=25_500))
    line_ = exposure.trace(
        np.array([t for t, _ in points]), np.array([float(c) for c in V1_C]), 0, 130 * 60_000
    )
    above = exposure.above(line_, 26.0)
    assert sum(r.above_ms for r in rows) / 3_600_000 == pytest.approx(above.hours, abs=1e-6)
    assert sum(r.above_mks for r in rows) / 3_600_000 == pytest.approx(above.degree_hours, abs=1e-5)
    below = exposure.below(line_, 25.0)
    assert sum(r.below_ms for r in rows) / 3_600_000 == pytest.approx(below.hours, abs=1e-6)
    # Naive clipping of the samples is 90 % off.
    assert sum(r.above_mks for r in rows) / 60_000 < 25.0


def test_a_hole_has_a_row_of_its_own() -> None:
    rows = thinned(taken([(0, 25_000), (10_000, 25_000), (310_000, 25_100), (320_000, 25_100)]))
    assert [(r.t_ms, r.span_ms, r.samples, r.is_hole) for r in rows] == [
        (0, 10_000, 1, False),
        (10_000, 300_000, 1, True),
        (310_000, 10_000, 1, False),
    ]


def test_a_setpoint_that_changes_begins_a_row() -> None:
    samples = taken([(n * 10_000, 25_000) for n in range(6)])
    samples = [s._replace(setpoint_mc=24_000 if s.id > 3 else 25_000) for s in samples]
    rows = thinned(samples)
    assert [(r.t_ms, r.span_ms, r.setpoint_mc) for r in rows] == [
        (0, 30_000, 25_000),
        (30_000, 20_000, 24_000),
    ]
    assert [r.above_ms for r in rows] == [0, 20_000]


def test_an_uncertainty_that_was_no_number_stays_none() -> None:
    samples = taken([(n * 10_000, 25_000) for n in range(3)])
    samples[1] = samples[1]._replace(expanded_ck=None)
    (row,) = thinned(samples)
    assert row.expanded_ck is None
