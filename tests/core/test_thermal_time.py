"""The index of warmth that a grower may keep: unknown time adds nothing, nothing is forecast."""

from __future__ import annotations

import math

import numpy as np
import pytest

from bottomheat.errors import InputError
from bottomheat.review.exposure import trace
from bottomheat.review.thermal_time import Form, Index, Model, warmth

HOUR_MS = 3_600_000


def two_days(max_gap_s: float = 1e9):
    """20 °C for a day, no rows for the next, 20 °C for a third."""
    at_h = np.array([0, 24, 48, 72])
    return trace(at_h * HOUR_MS, np.full(4, 20.0), 0, 72 * HOUR_MS, max_gap_s=max_gap_s)


def test_degree_days_of_the_known_time() -> None:
    assert warmth(two_days(), Model(base_c=10)) == pytest.approx(30.0)
    middle = trace(
        np.array([0, 24, 49, 73]) * HOUR_MS,
        np.full(4, 20.0),
        0,
        73 * HOUR_MS,
        max_gap_s=24 * 3600,
    )
    assert warmth(middle, Model(base_c=10)) == pytest.approx(20.0)
    assert warmth(middle, Model(Form.GDH)) == pytest.approx(48 * 18.1970, abs=0.01)


def test_the_share_of_the_growers_own_figure() -> None:
    assert Index(Model(base_c=10, need=60.0), 30.0).share == pytest.approx(0.5)
    assert Index(Model(base_c=10), 30.0).share is None


@pytest.mark.parametrize("base_c", [-11.0, 41.0, math.nan, math.inf])
def test_a_base_that_is_none_is_refused(base_c: float) -> None:
    with pytest.raises(InputError, match="no base"):
        Model(base_c=base_c)


@pytest.mark.parametrize("need", [0.0, -1.0, math.nan, math.inf])
def test_a_sum_that_is_none_is_refused(need: float) -> None:
    with pytest.raises(InputError, match="no sum of warmth"):
        Model(need=need)
