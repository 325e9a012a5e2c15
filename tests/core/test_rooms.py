"""Rooms: lines between points, the invented shed, and an unheated shed around outdoor air."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.signal import lsim

from bottomheat.rooms import RoomSeries, cold_shed, damped

points = st.lists(
    st.tuples(st.floats(-50.0, 500.0).map(lambda h: round(h, 2)), st.floats(-20.0, 40.0)),
    min_size=1,
    max_size=30,
    unique_by=lambda point: point[0],
).map(sorted)


@given(points, st.floats(-100.0, 600.0))
def test_between_the_points_it_is_numpys_interpolation(
    at: list[tuple[float, float]], hours: float
) -> None:
    times, values = zip(*at, strict=True)
    assert RoomSeries(times, values)(hours) == pytest.approx(np.interp(hours, times, values))


@pytest.mark.parametrize(
    ("hours", "room_c"),
    [
        ([], []),
        ([0.0, 1.0], [5.0]),
        ([0.0, 0.0], [5.0, 6.0]),
        ([1.0, 0.0], [5.0, 6.0]),
        ([0.0, float("nan")], [5.0, 6.0]),
        ([0.0, 1.0], [5.0, float("inf")]),
    ],
)
def test_points_that_make_no_room_are_refused(hours: list[float], room_c: list[float]) -> None:
    with pytest.raises(ValueError, match=r"\w"):
        RoomSeries(hours, room_c)


@given(st.integers(-(2**40), 2**40), st.floats(0.1, 60.0))
def test_the_shed_is_the_same_for_a_seed_and_never_freezes_a_bed(seed: int, days: float) -> None:
    shed, again = cold_shed(seed, days), cold_shed(seed, days)
    hours = np.linspace(0.0, days * 24.0, 200)
    course = [shed(h) for h in hours]
    assert course == [again(h) for h in hours]
    # The bounds of its docstring: 9 ± 2.5 ± 1.5 °C, 4 K less in the snap.
    assert min(course) >= 1.0 - 1e-9
    assert max(course) <= 13.0 + 1e-9


def test_another_seed_is_another_shed() -> None:
    assert cold_shed(1, 14)(100.0) != cold_shed(2, 14)(100.0)


@pytest.mark.parametrize("seed", range(20))
def test_two_weeks_of_shed_hold_a_snap_and_three_days_none(seed: int) -> None:
    # Without the snap it is never below 9 - 2.5 - 1.5 = 5 °C; whatever the hour of the snap, 18 h
    # of its depth reach a night within 3 h of its coldest, so it goes below that.
    long, short = cold_shed(seed, 14.0), cold_shed(seed, 3.0)
    quarters = [hour / 4.0 for hour in range(14 * 96)]
    assert min(map(long, quarters)) < 5.0
    below = [hour for hour in quarters if long(hour) < 5.0]
    assert below[-1] - below[0] < 30.0
    assert min(map(short, quarters[: 3 * 96])) >= 5.0


@given(st.lists(st.floats(-10.0, 20.0), min_size=3, max_size=40), st.floats(0.5, 48.0))
def test_a_damped_shed_is_a_first_order_lag(air_c: list[float], tau_h: float) -> None:
    # Oracle: scipy.signal.lsim, linear between samples, from rest at the first sample.
    hours = np.arange(float(len(air_c)))
    above = np.array(air_c) - air_c[0]
    _, expected, _ = lsim(([1.0], [tau_h, 1.0]), above, hours)
    room = damped(list(hours), air_c, tau_h)
    assert [room(h) for h in hours] == pytest.approx(list(expected + air_c[0]), abs=1e-6)


def test_a_shed_needs_a_time_constant() -> None:
    with pytest.raises(ValueError, match="time_constant_hours"):
        damped([0.0, 1.0], [5.0, 6.0], 0.0)
