"""Foretelling a night: what is raised, what clears it, and what is never said."""

from __future__ import annotations

import math
from itertools import pairwise
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bottomheat import tonight
from bottomheat.capacity import Basis, Lift, Limit
from bottomheat.config import ChamberConfig
from bottomheat.hourly import Hour
from bottomheat.response import advance, rested
from bottomheat.tonight import AHEAD_H, Night, advance_hour, rooms_ahead, words
from cold_nights import config_of

LIFT = Lift(0.7, Basis.MODEL)
MODEL = {"gain": 0.7, "slow_lag": 8.0, "quick_lag": 1.5, "quick_share": 0.35, "dead_time": 0.25}


def box(**changes: Any) -> ChamberConfig:
    made = {
        "model": MODEL,
        "layer_ceiling": 42.0,
        "limits": {"substrate": 48.0, "mat": 85.0},
        **changes,
    }
    return config_of(0.75, made.pop("watts", 45.0), **made)


def day(hour: float, mean_c: float, swing_k: float) -> float:
    return mean_c + swing_k * math.cos(2.0 * math.pi * (hour - 15.0) / 24.0)


def lived(
    rooms: list[float], chamber: ChamberConfig, lift: Lift = LIFT, **how: Any
) -> list[tuple[Night, Hour]]:
    """A box that follows its response exactly, held as well as its mat can."""
    response = tonight.response_of(chamber, lift)
    rated, set_c = chamber.heater.watts, chamber.callus_zone_c
    layer_c = rooms[0] + (set_c - rooms[0]) / 0.75
    twin, night, told = rested(response, layer_c, rooms[0]), Night(), []
    for number, room_c in enumerate(rooms):
        wanted_c = room_c + (set_c - room_c) / 0.75
        watts = response.watts_for(wanted_c, room_c) + 2.0 * (wanted_c - layer_c)
        watts = min(rated, max(0.0, watts))
        twin = advance(twin, response, 3600.0, watts, room_c)
        layer_c = twin.place_c(response)
        callus_c = min(set_c + 0.3, room_c + 0.75 * (layer_c - room_c))
        hour = Hour(number, layer_c, room_c, watts, None, callus_c, set_c, how.get("calm", True))
        night = advance_hour(night, hour, chamber, lift)
        told.append((night, hour))
    return told


def colder(to_c: float, days: int = 6) -> list[float]:
    """Mild days around 10 °C, then each day 2 K colder down to a mean."""
    rooms = []
    for hour in range(24 * days):
        mean_c = max(to_c, 10.0 - max(0.0, hour / 24.0 - 2.0) * 4.0)
        rooms.append(day(hour % 24, mean_c, 3.0))
    return rooms


def test_a_night_too_cold_is_said_before_it_and_with_what_comes():
    told = lived(colder(-6.0), box())
    raised = next(i for i, (night, _) in enumerate(told) if night.stands)
    short = next(i for i, (_, hour) in enumerate(told) if (hour.callus_c or 0.0) < 24.0)
    assert short - raised >= 4
    outlook = told[raised][0].outlook
    assert outlook is not None
    assert outlook.binds is Limit.POWER
    assert outlook.short_k >= tonight.RAISE_K
    text = words(outlook)
    assert "instead of 25 °C" in text
    assert "heat all the time is not enough" in text


def test_mild_nights_are_never_warned_of():
    assert not any(night.stands for night, _ in lived(colder(4.0, 12), box()))


def test_it_stands_through_a_cold_spell_and_goes_when_it_is_over():
    rooms = colder(-6.0) + [day(h % 24, min(12.0, -6.0 + h / 4.0), 3.0) for h in range(96)]
    stands = [night.stands for night, _ in lived(rooms, box())]
    first = stands.index(True)
    last = len(stands) - 1 - stands[::-1].index(True)
    assert all(stands[first : 24 * 6 + 1])
    assert last < len(stands) - 24


def test_a_short_dip_that_stored_heat_bridges_is_not_called_a_shortfall():
    """Two hours 4 K below what full power carries in the end."""
    rooms = [(-2.6 if h % 24 in (4, 5) else 8.0) for h in range(24 * 6)]
    assert not any(night.stands for night, _ in lived(rooms, box()))


def test_nothing_is_foretold_of_a_box_that_nobody_measured():
    plain = box(model=None)
    told = lived(colder(-8.0), plain, Lift(0.71, Basis.NOMINAL))
    assert not any(night.stands or night.outlook for night, _ in told)


def test_nothing_is_foretold_while_something_misleads_or_of_a_box_that_is_short_already():
    assert not any(n.stands for n, _ in lived(colder(-8.0), box(), calm=False))
    warming = [(n, hour) for n, hour in lived([-4.0] * 96, box(watts=30.0)) if hour.number > 30]
    assert not any(night.stands for night, _ in warming)


def test_the_ceiling_is_named_where_it_is_what_binds():
    told = lived(colder(-6.0), box(layer_ceiling=29.0, watts=90.0))
    outlook = next(night.outlook for night, _ in told if night.stands)
    assert outlook is not None
    assert outlook.binds is Limit.CEILING
    assert "ceiling" in words(outlook)


def test_a_stronger_mat_is_warned_of_later_or_never():
    weak, strong = (
        sum(night.stands for night, _ in lived(colder(-6.0), box(watts=watts)))
        for watts in (45.0, 65.0)
    )
    assert strong < weak


def test_the_rooms_ahead_are_those_of_a_day_ago_where_nothing_has_changed():
    rooms = [(n, day(n % 24, 6.0, 4.0)) for n in range(40)]
    ahead = rooms_ahead(rooms, 39)
    assert ahead == pytest.approx([day((39 + k) % 24, 6.0, 4.0) for k in range(1, AHEAD_H + 1)])


@given(st.floats(-8.0, 8.0))
def test_a_trend_shifts_them_and_is_forgotten_by_and_by(trend_k):
    rooms = [(n, 6.0 + (trend_k if n >= 37 else 0.0)) for n in range(40)]
    ahead = rooms_ahead(rooms, 39)
    assert ahead is not None
    off = [each - 6.0 for each in ahead]
    assert off[0] == pytest.approx(trend_k * tonight.TREND_STAYS_PER_H)
    assert all(abs(b) <= abs(a) + 1e-9 for a, b in pairwise(off))
    assert all(each * trend_k >= 0.0 for each in off)


def test_a_room_that_cools_is_taken_to_go_on_cooling_for_some_hours():
    rooms = [(n, 6.0 - max(0, n - 33)) for n in range(40)]
    ahead = rooms_ahead(rooms, 39)
    assert ahead is not None
    assert ahead[0] == pytest.approx(6.0 + (-6.0 - 0.87) * 0.97)
    assert ahead[5] == pytest.approx(6.0 - (6.0 + 0.87 * (1 - 0.87**6) / 0.13) * 0.97**6)
    assert min(ahead) > 6.0 - 6.0 - 0.87 / 0.13


@pytest.mark.parametrize("hours_ago", [0, 1, 2])
@given(jump_k=st.floats(-15.0, 15.0))
def test_a_door_that_stood_open_for_an_hour_makes_no_cold_night(hours_ago, jump_k):
    rooms = [(n, 6.0 + (jump_k if n == 39 - hours_ago else 0.0)) for n in range(40)]
    assert rooms_ahead(rooms, 39) == pytest.approx([6.0] * AHEAD_H)


def test_a_sudden_frost_is_said_hours_before_the_bases_are_cold():
    """The room falls from 8 to -2 °C within eight hours of one afternoon and evening."""
    fall = [5.0 - 5.0 * math.cos(math.pi * min(1.0, max(0.0, (h - 38) / 8.0))) for h in range(60)]
    told = lived([8.0 - each for each in fall], box())
    raised = next(i for i, (night, _) in enumerate(told) if night.stands)
    cold = next(i for i, (_, hour) in enumerate(told) if (hour.callus_c or 0.0) < 24.5)
    assert 38 < raised <= cold - 2


def test_far_ahead_it_takes_more_to_warn():
    def foretold(in_h: int, short_k: float) -> bool:
        hour = Hour(1, 29.0, 8.0, 30.0, None, 25.0, 25.0, calm=True)
        outlook = tonight.Outlook(25.0 - short_k, in_h, -3.0, 25.0, Limit.POWER)
        return tonight._standing(Night(), hour, outlook)[0]

    assert foretold(8, 0.81)
    assert not foretold(8, 0.79)
    assert not foretold(18, 1.29)
    assert foretold(18, 1.31)


def test_without_a_day_behind_nothing_is_foretold_and_a_few_gaps_are_bridged():
    rooms = [(n, 5.0) for n in range(20)]
    assert rooms_ahead(rooms, 19) is None
    whole = [(n, 5.0) for n in range(40)]
    assert rooms_ahead([each for each in whole if each[0] not in (20, 21)], 39) is not None
    assert rooms_ahead([each for each in whole if not 17 <= each[0] < 27], 39) is None


def test_what_is_kept_over_a_restart_goes_on():
    chamber = box()
    rooms = colder(-6.0)
    told = lived(rooms, chamber)
    night, hour = told[60]
    again = tonight.from_plain(tonight.to_plain(night), 1000)
    assert again.at == 1060
    later = Hour(
        1061,
        hour.layer_c,
        hour.room_c,
        hour.watts,
        None,
        hour.callus_c,
        hour.setpoint_c,
        calm=True,
    )
    next_night = advance_hour(again, later, chamber, LIFT)
    assert next_night.outlook is not None, "the day behind is known"
    assert tonight.from_plain(tonight.to_plain(night), None) == Night()


@pytest.mark.parametrize(
    "data",
    [
        None,
        [],
        {},
        {"at": 1, "stands": False, "felt_c": 5, "rooms": [[1, "a"]], "twin": None},
        {"at": 1, "stands": False, "felt_c": 5, "rooms": [[1, math.nan]], "twin": None},
        {"at": 1, "stands": False, "felt_c": 5, "rooms": [], "twin": [1.0, 2.0, 3.0, math.inf]},
        {"at": 1, "stands": False, "felt_c": 5, "rooms": [], "twin": [1.0, 2.0]},
    ],
)
def test_what_is_none_of_ours_is_refused(data):
    with pytest.raises(ValueError, match=r"night|damaged"):
        tonight.from_plain(data, 0)


@given(
    st.lists(
        st.tuples(
            st.floats(-30.0, 45.0),
            st.floats(-30.0, 45.0),
            st.floats(0.0, 45.0),
            st.booleans(),
            st.integers(1, 30),
        ),
        max_size=80,
    )
)
def test_never_raises_and_keeps_little(hours):
    chamber, night, number = box(), Night(), 0
    for layer_c, room_c, watts, calm, later in hours:
        number += later
        hour = Hour(number, layer_c, room_c, watts, None, layer_c - 2.0, 25.0, calm)
        night = advance_hour(night, hour, chamber, LIFT)
        assert len(night.rooms) <= tonight.KEPT_H
        assert night.outlook is None or math.isfinite(night.outlook.lowest_c)
        if night.twin is not None:
            assert len(night.twin.waiting) <= 3
