"""When a reading was taken, as people say it: "14:20", "yesterday 14:20", "20m ago".  Pure."""

from __future__ import annotations

import re
from datetime import UTC, datetime, timedelta, tzinfo

from bottomheat.durations import parse_duration_s
from bottomheat.errors import InputError

LONGEST_AGO_S = 400 * 86_400.0
"""The log takes no older reading."""

_SLACK_S = 60.0
"""A clock on the wall that goes a minute fast is no reading from the future."""

_AGO = re.compile(r"(.+?)\s*\bago", re.IGNORECASE)
_CLOCK = re.compile(r"(?:(today|yesterday)\s+)?([0-9]{1,2}):([0-9]{2})", re.IGNORECASE)
_FORMS = 'write it like 14:20, "yesterday 14:20", "2026-01-16 14:20" or "20m ago"'


def parse_ago_s(text: str, now_ms: int, zone: tzinfo | None, *, clock_set: bool) -> float:
    """How long ago the time is that ``text`` names, s.

    Args:
        text: "now", "14:20", "yesterday 14:20", an ISO date with time, or "20m ago".
        now_ms: the wall clock, UTC ms since 1970.
        zone: the grower's; None is this machine's.
        clock_set: the wall clock can be trusted; otherwise only "now" and "... ago" can be.

    Raises:
        InputError: it names no time, one that is still to come, or one that is too long ago.
    """
    said = text.strip()
    shown = "".join(c if c.isprintable() else "?" for c in said[:32])
    if said.lower() == "now":
        return 0.0
    if (ago := _AGO.fullmatch(said)) is not None:
        return _bounded(parse_duration_s(ago[1]), shown)
    if not clock_set:
        raise InputError(
            "the clock of this machine is not set, so a time of day says nothing here: say how "
            'long ago it was, like --at "20m ago".'
        )
    now = datetime.fromtimestamp(now_ms / 1000, UTC)
    then = _moment(said, now.astimezone(zone), shown)
    try:
        then = then.astimezone(UTC) if then.tzinfo or zone is None else _in(then, zone)
    except (OverflowError, OSError, ValueError):
        raise InputError(f"'{shown}' is no time that this machine knows: {_FORMS}.") from None
    ago_s = (now - then).total_seconds()
    if ago_s < -_SLACK_S:
        hint = ""
        if (clock := _CLOCK.fullmatch(said)) is not None and clock[1] is None:
            hint = f'; if it was yesterday, say --at "yesterday {shown}"'
        raise InputError(f"'{shown}' is still to come{hint}.")
    return _bounded(max(ago_s, 0.0), shown)


def _in(then: datetime, zone: tzinfo) -> datetime:
    return then.replace(tzinfo=zone).astimezone(UTC)


def _moment(said: str, today: datetime, shown: str) -> datetime:
    """The time named, naive (local) unless it names its own zone."""
    clock = _CLOCK.fullmatch(said)
    try:
        if clock is not None:
            then = today.replace(
                hour=int(clock[2]), minute=int(clock[3]), second=0, microsecond=0, tzinfo=None
            )
            before = (clock[1] or "").lower() == "yesterday"
            return then - timedelta(days=1) if before else then
        then = datetime.fromisoformat(said)
    except (ValueError, OverflowError):
        raise InputError(f"'{shown}' is not a time: {_FORMS}.") from None
    if ":" not in said:
        raise InputError(f"'{shown}' says no time of day: {_FORMS}.")
    return then


def _bounded(ago_s: float, shown: str) -> float:
    if ago_s > LONGEST_AGO_S:
        raise InputError(f"'{shown}' is more than {LONGEST_AGO_S / 86_400:.0f} days ago.")
    return ago_s
