"""Where what somebody calls a time begins and ends: ``--from`` and ``--to``."""

from __future__ import annotations

import time
from collections.abc import Iterator
from datetime import UTC, date, datetime

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bottomheat.cli.batch_when import edge_ms
from bottomheat.errors import InputError

NOW = datetime(2027, 1, 5, 14, 20, tzinfo=UTC)
NOW_MS = round(NOW.timestamp() * 1000)
DAY_MS = 86_400_000


@pytest.fixture(autouse=True)
def zone() -> Iterator[None]:
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("TZ", "UTC")
        time.tzset()
        yield
    time.tzset()


def edge(text: str, *, end: bool) -> str:
    found_ms = edge_ms(text, NOW_MS, clock_set=True, end=end)
    return datetime.fromtimestamp(found_ms / 1000, UTC).strftime("%Y-%m-%d %H:%M")


@pytest.mark.parametrize(
    ("text", "begins", "ends"),
    [
        ("2027-01-03", "2027-01-03 00:00", "2027-01-04 00:00"),
        ("yesterday", "2027-01-04 00:00", "2027-01-05 00:00"),
        (" Today ", "2027-01-05 00:00", "2027-01-06 00:00"),
        ("now", "2027-01-05 14:20", "2027-01-05 14:20"),
        ("2027-01-03T07:15", "2027-01-03 07:15", "2027-01-03 07:15"),
        ("3h ago", "2027-01-05 11:20", "2027-01-05 11:20"),
    ],
)
def test_a_day_is_whole_and_a_moment_is_one(text: str, begins: str, ends: str) -> None:
    assert (edge(text, end=False), edge(text, end=True)) == (begins, ends)


@given(st.dates(date(2000, 1, 1), date(2100, 1, 1)))
def test_a_day_is_24_hours_long_where_clocks_stand_still(day: date) -> None:
    begin_ms, end_ms = (edge_ms(str(day), NOW_MS, clock_set=True, end=e) for e in (False, True))
    assert end_ms - begin_ms == DAY_MS


def test_what_is_no_time_is_refused() -> None:
    with pytest.raises(InputError, match="no day and no time"):
        edge("soon", end=False)
