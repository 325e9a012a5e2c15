"""How ``replay`` reads on screen; pure."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime, tzinfo
from textwrap import wrap
from typing import Any

from bottomheat.alarm_words import TOLD
from bottomheat.durations import words
from bottomheat.replay import Replayed, Span, Told

WIDTH = 80
SHOWN = 20
"""So many differences are listed; the rest is counted."""


def rendered(outcome: Replayed, *, another: bool, zone: tzinfo | None = None) -> str:
    """The whole answer.

    Args:
        outcome: what came of it.
        another: another config than the logged one decided.
        zone: of the times on the screen; None is this machine's.
    """
    by = "another config" if another else "the config of that time"
    lines = [
        f"Replayed {outcome.cycles} cycles, {stamp(outcome.from_ms, zone)} to "
        f"{stamp(outcome.to_ms, zone)}, by {by}."
    ]
    lines += [f"{count} rows left out: {why}." for why, count in outcome.skipped.items()]
    if not any(outcome.counted.values()):
        lines.append("Too short to compare: the first two hours after a start do not count.")
    elif outcome.same:
        lines.append("It decides as the log says: the same heat, the same alarms.")
    else:
        lines += ["", *_heat(outcome, zone), *_alarms(outcome, zone)]
    lines += [f"{name} would have latched: {cause}." for name, cause in outcome.latched_now.items()]
    return "\n".join(part for line in lines for part in _wrapped(line))


def _wrapped(line: str) -> list[str]:
    indent = " " * (len(line) - len(line.lstrip()))
    return wrap(line, WIDTH, initial_indent="", subsequent_indent=indent + "  ") or [""]


def _heat(outcome: Replayed, zone: tzinfo | None) -> Iterator[str]:
    if not outcome.spans:
        yield "Heat: the same."
        return
    yield "Heat decided otherwise:"
    for span in outcome.spans[:SHOWN]:
        yield f"  {_span(span, zone)}"
    if len(outcome.spans) > SHOWN:
        yield f"  and {len(outcome.spans) - SHOWN} more stretches; --json lists them all"


def _span(span: Span, zone: tzinfo | None) -> str:
    long = words(max(60.0, (span.to_ms - span.from_ms) / 1000))
    then = f"{100 * span.duty_then:.0f} % ({span.condition_then.value.lower()})"
    now = f"{100 * span.duty_now:.0f} % ({span.condition_now.value.lower()})"
    why = f": {span.reason_now}" if span.reason_now else ""
    return (
        f"{stamp(span.from_ms, zone)} for {long}, {span.chamber}: heat {then} then, {now} now{why}"
    )


def _alarms(outcome: Replayed, zone: tzinfo | None) -> Iterator[str]:
    if not (outcome.only_then or outcome.only_now):
        yield "Alarms: the same." if outcome.both else "Alarms: none, then or now."
        return
    for title, told in (
        ("Alarms that were raised then and are not now:", outcome.only_then),
        ("Alarms that are raised now and were not then:", outcome.only_now),
    ):
        if told:
            yield title
        for each in told:
            yield f"  {_told(each, zone)}"


def _told(told: Told, zone: tzinfo | None) -> str:
    where = "" if told.chamber is None else f"{told.chamber}: "
    return f"{stamp(told.wall_ms, zone)} {where}{TOLD[told.alarm].what} ({told.alarm.value})"


def stamp(wall_ms: int, zone: tzinfo | None) -> str:
    """A wall time as "Thu 16 Jan 07:10"."""
    utc = datetime.fromtimestamp(wall_ms / 1000, UTC)
    return utc.astimezone(zone).strftime("%a %d %b %H:%M")


def as_data(outcome: Replayed) -> dict[str, Any]:
    """Everything as plain data; times UTC ms, duties 0 to 1."""

    def alarm(told: Told) -> dict[str, Any]:
        return {"at_ms": told.wall_ms, "chamber": told.chamber, "alarm": told.alarm.value}

    return {
        "cycles": outcome.cycles,
        "from_ms": outcome.from_ms,
        "to_ms": outcome.to_ms,
        "same": outcome.same,
        "compared": dict(outcome.counted),
        "skipped": dict(outcome.skipped),
        "heat": [
            {
                "chamber": span.chamber,
                "from_ms": span.from_ms,
                "to_ms": span.to_ms,
                "duty_then": span.duty_then,
                "duty_now": span.duty_now,
                "condition_then": span.condition_then.value,
                "condition_now": span.condition_now.value,
                "reason_now": span.reason_now,
            }
            for span in outcome.spans
        ],
        "only_then": [alarm(told) for told in outcome.only_then],
        "only_now": [alarm(told) for told in outcome.only_now],
        "both": [{**alarm(told), "later_ms": late} for told, late in outcome.both],
        "latched_now": dict(outcome.latched_now),
    }
