"""The score against numpy, and its unknowns."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bottomheat.model import Condition
from bottomheat.score import Score, Scorer

STEP_S = 600.0
SETPOINT_C = 25.0
DAY_STEPS = 144

temperatures = st.floats(15.0, 35.0).map(lambda c: round(c, 3))


def scored(callus_c: list[float], estimates_c: list[float | None], heated: list[bool]) -> Score:
    scorer = Scorer(SETPOINT_C, STEP_S)
    for index, celsius in enumerate(callus_c):
        scorer.take(
            (index + 1) * STEP_S,
            {"callus": celsius, "room": 10.0},
            estimates_c[index],
            STEP_S if heated[index] else 0.0,
            45.0,
            Condition.HOLDING,
        )
    return scorer.score(closings=sum(heated))


@settings(deadline=None)
@given(st.data())
def test_it_agrees_with_numpy(data: st.DataObject) -> None:
    before = data.draw(st.lists(st.floats(10.0, 24.0), max_size=20))
    after = data.draw(st.lists(temperatures, min_size=DAY_STEPS + 10, max_size=DAY_STEPS + 40))
    after[0] = 24.75
    callus_c = [*before, *after]
    estimates = data.draw(
        st.lists(st.none() | temperatures, min_size=len(callus_c), max_size=len(callus_c))
    )
    heated = data.draw(st.lists(st.booleans(), min_size=len(callus_c), max_size=len(callus_c)))
    score = scored(callus_c, estimates, heated)

    entry = len(before)
    errors_k = np.array(callus_c) - SETPOINT_C
    held = errors_k[entry + DAY_STEPS :]
    assert score.warm_up_hours == pytest.approx((entry + 1) * STEP_S / 3600.0)
    assert score.overshoot_k == pytest.approx(errors_k[entry : entry + DAY_STEPS].max())
    assert score.scored_hours == pytest.approx(held.size * STEP_S / 3600.0)
    assert score.rms_k == pytest.approx(np.sqrt((held**2).mean()))
    assert score.worst_k == pytest.approx(held[np.argmax(np.abs(held))])
    assert score.in_band_fraction == pytest.approx((np.abs(held) <= 0.5).mean())
    assert score.mean_duty == pytest.approx(np.mean(heated))
    assert score.energy_kwh == pytest.approx(sum(heated) * STEP_S * 45.0 / 3.6e6)
    assert score.max_c == {"callus": max(callus_c), "room": 10.0}
    assert score.min_c == {"callus": min(callus_c), "room": 10.0}
    known = [
        estimate - true
        for estimate, true in zip(
            estimates[entry + DAY_STEPS :], callus_c[entry + DAY_STEPS :], strict=True
        )
        if estimate is not None
    ]
    if known:
        assert score.estimate_bias_k == pytest.approx(np.mean(known), abs=1e-9)
        assert score.estimate_rms_k == pytest.approx(np.sqrt(np.mean(np.square(known))), abs=1e-9)
    else:
        assert score.estimate_bias_k is None
        assert score.estimate_rms_k is None


@given(st.lists(st.floats(-10.0, 24.49), min_size=1, max_size=50))
def test_what_was_never_reached_is_unknown_and_not_zero(callus_c: list[float]) -> None:
    score = scored(callus_c, [20.0] * len(callus_c), [True] * len(callus_c))
    unknown = (
        score.warm_up_hours,
        score.overshoot_k,
        score.rms_k,
        score.worst_k,
        score.in_band_fraction,
        score.estimate_bias_k,
        score.estimate_rms_k,
    )
    assert unknown == (None,) * 7
    assert score.scored_hours == 0.0
    assert score.mean_duty == 1.0


def test_a_rehearsal_that_ends_within_a_day_of_the_entry_has_no_score_of_holding() -> None:
    score = scored([20.0, 24.6, 24.9], [None] * 3, [False] * 3)
    assert score.warm_up_hours == pytest.approx(2 * STEP_S / 3600.0)
    assert score.overshoot_k == pytest.approx(-0.1)
    assert (score.rms_k, score.worst_k, score.in_band_fraction) == (None, None, None)


def test_a_box_that_starts_warm_enters_with_the_first_step() -> None:
    score = scored([25.0] * 10, [None] * 10, [False] * 10)
    assert score.warm_up_hours == pytest.approx(STEP_S / 3600.0)


@pytest.mark.parametrize(
    # One day with so many closings; a year is 365.25 days.
    ("closings", "rated", "years"),
    [(100, 36_525, 1.0), (100, 73_050, 2.0), (0, 100_000, None)],
)
def test_the_life_of_the_relay(closings: int, rated: int, years: float | None) -> None:
    scorer = Scorer(SETPOINT_C, 86_400.0)
    scorer.take(86_400.0, {"callus": 25.0}, None, 0.0, 45.0, Condition.HOLDING)
    assert scorer.score(closings).relay_years(rated) == years
