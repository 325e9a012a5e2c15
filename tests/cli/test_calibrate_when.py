"""When a reading was taken, as growers say it."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta, timezone
from zoneinfo import ZoneInfo

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from bottomheat.cli.calibrate_when import LONGEST_AGO_S, parse_ago_s
from bottomheat.errors import InputError

NOW = datetime(2026, 1, 16, 15, 0, tzinfo=UTC)
NOW_MS = round(NOW.timestamp() * 1000)
HOUR_S = 3600.0
A_MINUTE = timedelta(minutes=1)


def ago_s(text: str, zone=UTC, now_ms: int = NOW_MS, clock_set: bool = True) -> float:
    return parse_ago_s(text, now_ms, zone, clock_set=clock_set)


@pytest.mark.parametrize(
    ("text", "hours"),
    [
        ("now", 0),
        ("14:30", 0.5),
        ("today 14:30", 0.5),
        (" Yesterday 14:30 ", 24.5),
        ("20m ago", 1 / 3),
        ("1h30m ago", 1.5),
        ("2 d ago", 48),
        ("2026-01-16 14:30", 0.5),
        ("2026-01-16T14:30:00", 0.5),
        ("2026-01-16T14:30Z", 0.5),
        ("2026-01-16T14:30+01:00", 1.5),
        ("2025-12-16 15:00", 31 * 24),
        ("15:00", 0),
    ],
)
def test_times_as_people_say_them(text, hours):
    assert ago_s(text) == pytest.approx(hours * HOUR_S)


def test_a_time_of_day_is_the_growers_own():
    assert ago_s("16:30", timezone(timedelta(hours=2))) == pytest.approx(0.5 * HOUR_S)
    assert ago_s("2026-01-16 16:30", timezone(timedelta(hours=2))) == pytest.approx(0.5 * HOUR_S)


def test_yesterday_is_yesterdays_clock_where_the_clocks_were_changed_in_the_night():
    berlin = ZoneInfo("Europe/Berlin")
    now = datetime(2026, 3, 29, 12, 0, tzinfo=berlin)  # that night had 23 hours
    found = ago_s("yesterday 12:00", berlin, round(now.timestamp() * 1000))
    assert found == pytest.approx(23 * HOUR_S)


@pytest.mark.parametrize("text", ["15:30", "2026-01-16 15:30", "2027-01-01 00:00", "today 23:59"])
def test_a_time_to_come_is_refused(text):
    with pytest.raises(InputError, match="still to come"):
        ago_s(text)


def test_a_time_of_day_to_come_may_have_been_yesterdays():
    with pytest.raises(InputError, match='say --at "yesterday 15:30"'):
        ago_s("15:30")


NO_TIMES = (
    *("", "noon", "25:00", "14:60", "14", "2026-01-16", "yesterday", "ago", "-5m ago", "1:2"),
    *("0m ago", "0001-01-01 00:00", "9999-12-31 23:59", "\x1b[31m14:30", "14:30 ago", "x" * 500),
)


@pytest.mark.parametrize("text", NO_TIMES)
def test_what_is_no_time_ends_in_one_sentence(text):
    with pytest.raises(InputError) as caught:
        ago_s(text)
    said = str(caught.value)
    assert said.isprintable()
    assert len(said) < 300


def test_what_is_too_long_ago_is_refused():
    with pytest.raises(InputError, match="more than 400 days ago"):
        ago_s("2024-01-01 12:00")


@pytest.mark.parametrize("text", ["14:30", "yesterday 14:30", "2026-01-16 14:30"])
def test_a_clock_that_is_not_set_knows_only_how_long_ago(text):
    with pytest.raises(InputError, match="20m ago"):
        ago_s(text, clock_set=False)
    assert ago_s("20m ago", clock_set=False) == 1200
    assert ago_s("now", clock_set=False) == 0


@given(st.text(max_size=40), st.booleans())
def test_any_text_gives_a_time_in_bounds_or_one_sentence(text, clock_set):
    try:
        found, said = ago_s(text, clock_set=clock_set), ""
    except InputError as error:
        found, said = 0.0, str(error)
    assert 0 <= found <= LONGEST_AGO_S
    assert said.isprintable()


@given(st.integers(0, 59), st.integers(0, 23))
@example(minute=1, hour=15)
@example(minute=2, hour=15)
def test_a_time_of_today_is_refused_or_the_one_named(minute, hour):
    text = f"{hour}:{minute:02}"
    then = NOW.replace(hour=hour, minute=minute)
    if then > NOW + A_MINUTE:
        with pytest.raises(InputError, match="still to come"):
            ago_s(text)
    else:  # a clock on the wall that goes a minute fast names now, and no time before it
        assert ago_s(text) == max((NOW - then).total_seconds(), 0.0)
