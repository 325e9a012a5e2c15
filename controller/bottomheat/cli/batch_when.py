"""When something of a batch happened, as people say it: "yesterday", "5jan", "3d ago".  Pure."""

from __future__ import annotations

import re
from collections.abc import Callable
from datetime import UTC, date, datetime, time, timedelta, tzinfo
from typing import NamedTuple

from bottomheat.durations import parse_duration_s
from bottomheat.errors import InputError

HALF_A_DAY_MS = 43_200_000
"""Where only the day is said, it is taken for noon, and so much either way is open."""

_MONTHS = ("jan", "feb", "mar", "apr", "may", "jun", "jul", "aug", "sep", "oct", "nov", "dec")
_AGO = re.compile(r"(.+?)\s*ago")
_CLOCK = re.compile(r"(?:(today|yesterday)\s+)?([0-9]{1,2}):([0-9]{2})")
_DAY_MONTH = re.compile(r"([0-9]{1,2})[\s.-]*([a-z]{3,9})[\s.-]*([0-9]{4})?")
_MONTH_DAY = re.compile(r"([a-z]{3,9})[\s.-]*([0-9]{1,2})(?:[\s,-]+([0-9]{4}))?")
_FORMS = "write it like 2027-01-05, 5jan, yesterday, 14:20 or 3d ago"


class When(NamedTuple):
    """A time, UTC ms, and how much of it is left open either way, ms."""

    at_ms: int
    open_ms: int


def parse_when(text: str, now_ms: int, zone: tzinfo | None, *, clock_set: bool) -> When | None:
    """The time that ``text`` names; None for "now" and "today".

    Args:
        text: a day or a time of day, alone or with its day.
        now_ms: the wall clock, UTC ms since 1970.
        zone: the grower's; None is this machine's.
        clock_set: the wall clock can be trusted; otherwise only a day with its year can be placed.

    Raises:
        InputError: it names no time, or none that can be placed.
    """
    said = " ".join(text.casefold().split())
    shown = "".join(c if c.isprintable() else "?" for c in text.strip()[:32])
    if said in ("now", "today"):
        return None
    whole = _iso(said)
    if whole is None and not clock_set:
        raise InputError(
            "the clock of this machine is not set: write the day with its year, like 2027-01-05, "
            "or leave the date out; it is filled in once the clock is set."
        )
    try:
        if whole is not None:
            return _placed(whole, zone)
        found = _relative(said, datetime.fromtimestamp(now_ms / 1000, UTC).astimezone(zone))
        if isinstance(found, When):
            return found
        return _placed(found, zone)
    except (OverflowError, OSError, ValueError):
        raise InputError(f"'{shown}' is no day and no time: {_FORMS}.") from None


def edge_ms(text: str, now_ms: int, *, clock_set: bool, end: bool) -> int:
    """Where what ``text`` names begins, or ends, UTC ms; a day is from midnight to midnight.

    "Now" is ``now_ms`` itself; times are of this machine's zone.

    Args:
        text: as for ``parse_when``.
        now_ms: the wall clock, UTC ms since 1970.
        clock_set: the wall clock can be trusted.
        end: its end.

    Raises:
        InputError: it names no time, or none that can be placed.
    """
    if text.strip().casefold() == "today":
        text = datetime.fromtimestamp(now_ms / 1000, UTC).astimezone().date().isoformat()
    when = parse_when(text, now_ms, None, clock_set=clock_set)
    if when is None:
        return now_ms
    return when.at_ms + (when.open_ms if end else -when.open_ms)


def _iso(said: str) -> datetime | date | None:
    """A day with its year, with or without a time of day."""
    try:
        return date.fromisoformat(said)
    except ValueError:
        pass
    try:
        return datetime.fromisoformat(said)
    except ValueError:
        return None


def _relative(said: str, now: datetime) -> datetime | date | When:
    """What is said by way of today.

    Raises:
        ValueError: nothing is.
    """
    if said == "yesterday":
        return now.date() - timedelta(days=1)
    if (clock := _CLOCK.fullmatch(said)) is not None:
        then = now.replace(hour=int(clock[2]), minute=int(clock[3]), second=0, microsecond=0)
        return (then - timedelta(days=1) if clock[1] == "yesterday" else then).replace(tzinfo=None)
    if (ago := _AGO.fullmatch(said)) is not None:
        ago_s = parse_duration_s(ago[1])
        open_ms = HALF_A_DAY_MS if "d" in ago[1] else 0
        return When(round((now.timestamp() - ago_s) * 1000), open_ms)
    for form, order in _NAMED:
        if (found := form.fullmatch(said)) is not None:
            day, month, year = order(found)
            return _dated(int(day), _MONTHS.index(month[:3]) + 1, year, now.date())
    raise ValueError(said)


_NAMED: tuple[tuple[re.Pattern[str], Callable[[re.Match[str]], tuple[str, str, str | None]]], ...]
_NAMED = (
    (_DAY_MONTH, lambda found: (found[1], found[2], found[3])),
    (_MONTH_DAY, lambda found: (found[2], found[1], found[3])),
)


def _dated(day: int, month: int, year: str | None, today: date) -> date:
    """That day; without a year, the last one that has come, at most a year ago.

    Raises:
        ValueError: there is none.
    """
    if year is not None:
        return date(int(year), month, day)
    then = today.year if (month, day) <= (today.month, today.day) else today.year - 1
    return date(then, month, day)


def _placed(then: datetime | date, zone: tzinfo | None) -> When:
    open_ms = 0
    if not isinstance(then, datetime):
        then, open_ms = datetime.combine(then, time(12)), HALF_A_DAY_MS
    if then.tzinfo is None and zone is not None:
        then = then.replace(tzinfo=zone)
    return When(round(then.astimezone(UTC).timestamp() * 1000), open_ms)


def day_words(at_ms: int, zone: tzinfo | None) -> str:
    """A day as "16 Jan"; ``zone`` None is this machine's."""
    day = datetime.fromtimestamp(at_ms / 1000, UTC).astimezone(zone)
    return f"{day.day} {day:%b}"
