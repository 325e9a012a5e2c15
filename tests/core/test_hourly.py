"""Hours of a box in means: what counts, what does not, and what misleads."""

from __future__ import annotations

from collections.abc import Callable

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bottomheat.hourly import HOUR_S, IN_DOUBT, Gathering, Hour, take
from bottomheat.model import Alarm, Bad, Condition, Estimate, Fault, Good, Place, Reading, Record

STEP_S = 60.0
WATTS = 40.0


def row(
    at_s: float,
    *,
    heat: bool = False,
    layer: Reading | None = None,
    mat: bool = True,
    alarms: frozenset[Alarm] = frozenset(),
    estimate: bool = True,
) -> Record:
    readings: list[tuple[Place, Reading]] = [
        (Place.SUBSTRATE, layer or Good(28.0 + at_s / HOUR_S, at_s)),
        (Place.ROOM, Good(6.0, at_s)),
    ]
    if mat:
        readings.append((Place.MAT, Good(40.0, at_s)))
    return Record(
        "bench",
        at_s,
        tuple(readings),
        Estimate(25.0, 0.3) if estimate else None,
        25.0,
        28.0,
        0.5,
        heat,
        Condition.HOLDING,
        "",
        alarms,
    )


def hours(
    made: Callable[[float], Record],
    *,
    start_s: float = 0.0,
    end_s: float = 3 * HOUR_S,
    calm: Callable[[float], bool] = lambda _: True,
) -> list[Hour]:
    gathering: Gathering | None = None
    found = []
    now_s = start_s
    while now_s < end_s + STEP_S:
        gathering, hour = take(gathering, made(now_s), WATTS, now_s, calm=calm(now_s))
        if hour is not None:
            found.append(hour)
        now_s += STEP_S
    return found


def test_an_hour_is_the_mean_of_its_cycles() -> None:
    found = hours(lambda at_s: row(at_s, heat=at_s % 240.0 < 60.0))
    assert [hour.number for hour in found] == [0, 1, 2]
    assert [hour.layer_c for hour in found] == pytest.approx([28.4917, 29.4917, 30.4917], abs=1e-3)
    assert all(hour.watts == pytest.approx(WATTS / 4.0) for hour in found)
    assert {(hour.room_c, hour.mat_c, hour.callus_c) for hour in found} == {(6.0, 40.0, 25.0)}
    assert all(hour.calm for hour in found)


def test_an_hour_that_began_late_does_not_count() -> None:
    assert [h.number for h in hours(row, start_s=0.5 * HOUR_S)] == [1, 2]
    assert [h.number for h in hours(row, start_s=0.1 * HOUR_S)] == [0, 1, 2]


def test_an_hour_of_which_too_little_is_known_does_not_count() -> None:
    def lost(at_s: float) -> Record:
        gone = HOUR_S <= at_s < 1.5 * HOUR_S
        return row(at_s, layer=Bad(Fault.CRC, at_s) if gone else None)

    assert [hour.number for hour in hours(lost)] == [0, 2]


def test_a_box_without_mat_probe_or_estimate_has_hours_without_them() -> None:
    (first, *_) = hours(lambda at_s: row(at_s, mat=False, estimate=False))
    assert first.mat_c is None
    assert first.callus_c is None


@pytest.mark.parametrize("alarm", sorted(IN_DOUBT))
def test_an_alarm_of_its_own_makes_the_hour_one_that_misleads(alarm: Alarm) -> None:
    def doubted(at_s: float) -> Record:
        return row(at_s, alarms=frozenset({alarm}) if at_s == HOUR_S + 600.0 else frozenset())

    assert [hour.calm for hour in hours(doubted)] == [True, False, True]


def test_a_moment_that_is_not_calm_is_enough() -> None:
    found = hours(row, calm=lambda at_s: at_s != 2 * HOUR_S + 60.0)
    assert [hour.calm for hour in found] == [True, True, False]


def test_a_cold_room_and_a_worn_relay_mislead_nobody() -> None:
    assert not IN_DOUBT & {Alarm.SHORTFALL, Alarm.RELAY_WORN, Alarm.TONIGHT, Alarm.TOP_WARM}


@given(st.lists(st.floats(1.0, 4000.0), max_size=60))
def test_any_pace_of_cycles_gives_rising_hours(steps: list[float]) -> None:
    gathering: Gathering | None = None
    now_s, numbers = 0.0, []
    for step_s in steps:
        now_s += step_s
        gathering, hour = take(gathering, row(now_s), WATTS, now_s, calm=True)
        if hour is not None:
            numbers.append(hour.number)
            assert 0.0 <= hour.watts <= WATTS
    assert numbers == sorted(set(numbers))
