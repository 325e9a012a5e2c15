"""Thermal time against published values and closed integrals."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import integrate

from bottomheat.review.exposure import Trace, trace
from bottomheat.review.thermal_time import (
    Form,
    Model,
    four_case_days,
    growing_degree_hours,
    simple_average_days,
    single_sine_days,
    warmth,
)

HOUR_MS = 3_600_000


def line(points: list[tuple[float, float]]) -> Trace:
    at_ms = np.array([round(h * HOUR_MS) for h, _ in points], dtype=np.int64)
    return trace(
        at_ms, np.array([c for _, c in points]), int(at_ms[0]), int(at_ms[-1]), max_gap_s=1e9
    )


@pytest.mark.parametrize(
    ("celsius", "expected"),
    [
        (4, 0.0),
        (9, 2.8030),
        (14.5, 10.5),
        (20, 18.1970),
        (25, 21.0),
        (27, 15.0836),
        (30.5, 6.1508),
        (36, 0.0),
        (3, 0.0),
        (50, 0.0),
        (-20, 0.0),
    ],
)
def test_growing_degree_hours_of_anderson(celsius: float, expected: float) -> None:
    """Anderson et al. 1986, with base 4, optimum 25, critical 36.

    Values worked out from the formula as it is published in the R package ChillModels.
    """
    assert growing_degree_hours(np.array([float(celsius)]))[0] == pytest.approx(expected, abs=5e-5)


def test_the_simple_average_as_it_is_published() -> None:
    """64 °F on average over a base of 53 °F is 11 degree-days: UC IPM's own example."""
    assert simple_average_days(58.0, 70.0, 53.0) == 11.0
    assert simple_average_days(40.0, 50.0, 53.0) == 0.0


@pytest.mark.parametrize(
    ("low_c", "high_c", "base_c", "above", "below"),
    [
        (12, 28, 15, 5.75, 0.75),
        (10, 18, 15.5, 0.625, 2.125),
        (10, 20, 15.5, 1.125, 1.625),
        (2, 12, 15.5, 0.0, 8.5),
        (16, 24, 15.5, 4.5, 0.0),
    ],
)
def test_the_four_cases(
    low_c: float, high_c: float, base_c: float, above: float, below: float
) -> None:
    """Formulas of Met Éireann and the UK Met Office; values by hand."""
    found = four_case_days(low_c, high_c, base_c)
    assert found == (pytest.approx(above), pytest.approx(below))


@pytest.mark.parametrize(
    ("low", "high", "base", "days"),
    [(12, 28, 15, 5.562349810), (40, 80, 50, 12.179955621), (2, 12, 15, 0.0), (16, 24, 15, 5.0)],
)
def test_the_single_sine(low: float, high: float, base: float, days: float) -> None:
    """Baskerville & Emin 1969, Ecology 50:514; the second day is in °F."""
    assert single_sine_days(low, high, base) == pytest.approx(days, abs=1e-9)


@given(st.floats(-5, 35), st.floats(0.1, 25), st.floats(0, 30))
def test_the_single_sine_is_what_a_sampled_day_comes_to(
    low_c: float, swing_k: float, base_c: float
) -> None:
    """The same day through the record's own sums, a sample a minute."""
    hours = np.arange(0, 24 + 1e-9, 1 / 60)
    day = low_c + swing_k / 2 * (1 + np.sin(2 * np.pi * hours / 24))
    sampled = warmth(line(list(zip(hours, day, strict=True))), Model(base_c=base_c))
    assert sampled == pytest.approx(single_sine_days(low_c, low_c + swing_k, base_c), abs=2e-4)


@given(
    st.lists(st.tuples(st.floats(0.1, 5), st.floats(-10, 50)), min_size=2, max_size=8),
)
def test_growing_degree_hours_agree_with_adaptive_quadrature(
    steps: list[tuple[float, float]],
) -> None:
    points, at = [], 0.0
    for step, celsius in steps:
        at += step
        points.append((round(at * HOUR_MS) / HOUR_MS, celsius))
    known = line(points)
    total = 0.0
    for (t0, a), (t1, b) in pairwise(points):
        marks = [
            t0 + (c - a) * (t1 - t0) / (b - a)
            for c in (4.0, 25.0, 36.0)
            if min(a, b) < c < max(a, b)
        ]
        total += integrate.quad(
            lambda t, a=a, b=b, t0=t0, t1=t1: float(
                growing_degree_hours(np.array([a + (b - a) * (t - t0) / (t1 - t0)]))[0]
            ),
            t0,
            t1,
            points=marks or None,
        )[0]
    assert warmth(known, Model(Form.GDH)) == pytest.approx(total, abs=1e-3, rel=1e-4)
