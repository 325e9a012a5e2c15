"""The life of a relay in words."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from datetime import UTC, datetime, timedelta, tzinfo
from typing import TYPE_CHECKING

from bottomheat.cli.findings import Finding, note, well, wrong
from bottomheat.relay_life import Life, spaced, tally
from bottomheat.season.relays import SERIES

if TYPE_CHECKING:
    from bottomheat.season.relays import Contact

_FAR_DAYS = 36_500.0


def relay_life_findings(
    lives: Mapping[Contact, Life], trouble: str | None, now_ms: int, zone: tzinfo | None = None
) -> Iterator[Finding]:
    """What ``check`` says of the relays' lives.

    Args:
        lives: by box and relay.
        trouble: why the count that was kept cannot be used, or None.
        now_ms: UTC ms.
        zone: of the days; None is this machine's.
    """
    if trouble is not None:
        yield note(
            f"the closings that were kept cannot be used ({trouble.rstrip('.')})",
            "the service counts on from what the log knows; nothing else depends on it",
        )
    for (box, which), life in lives.items():
        name = f"{box}: the {'series relay' if which == SERIES else 'relay'}"
        if life.rated is None:
            continue  # no contact that wears
        text = f"{name} has {outlook(life, now_ms, zone)}"
        do = (
            "have it changed by somebody licensed, with the power off, then say so: "
            f"bottomheat done {which} {box}"
        )
        if life.spent:
            yield wrong(text, do)
        elif life.worn:
            yield note(text, f"before the next winter {do}")
        else:
            yield well(text)


def outlook(life: Life, now_ms: int, zone: tzinfo | None = None) -> str:
    """How often a relay has closed, and when it will have done what it is rated for.

    Args:
        life: of a relay with a contact that wears.
        now_ms: UTC ms.
        zone: of the days; None is this machine's.
    """
    text = tally(life)
    if life.since_ms is not None:
        text += f" since it was changed on {_date(life.since_ms, zone)}"
    if life.spent:
        text += ", as often as its maker rates it for or more"
    elif life.left_days is not None and life.per_day is not None:
        text += (
            f"; at {life.per_day:.0f} a day it reaches the {spaced(life.rated or 0)} its maker "
            f"rates it for after {_length(life.left_days)} of heating{_day(life, now_ms, zone)}"
        )
    if life.begun_ms is not None:
        before = f"before {_date(life.begun_ms, zone)} " if life.begun_ms else ""
        text += f"; what it closed {before}is not in it, that count is lost"
    return text


def _date(at_ms: int, zone: tzinfo | None) -> str:
    day = datetime.fromtimestamp(at_ms / 1000, UTC).astimezone(zone)
    return f"{day.day} {day:%b %Y}"


def _length(days: float) -> str:
    if days > _FAR_DAYS:
        return "more than 100 years"
    if days >= 730:
        return f"{days / 365.25:.1f} years"
    return f"{days / 30.44:.0f} months" if days >= 90 else f"{days:.0f} days"


def _day(life: Life, now_ms: int, zone: tzinfo | None) -> str:
    """The day that comes to; a season lasts no year, so it is the earliest."""
    if life.left_days is None or life.left_days > _FAR_DAYS:
        return ""
    then = datetime.fromtimestamp(now_ms / 1000, UTC) + timedelta(days=life.left_days)
    local = then.astimezone(zone)
    return f", about {local.day} {local:%B %Y} if it never rests"
