"""From when on the estimates in a log are in doubt: what a cycle says, and how a record reads it.

A probe that is displaced or stands still is found after some time, and the estimates of that time
are in the log.  When it is found the cycle says from when on they are not to be believed, and
whoever makes a record of the rows takes that time for unknown.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Final, Protocol

from bottomheat.model import Event, EventKind

_WORDS: Final = re.compile(r"not known for the (?P<minutes>\d+) min before this")
_LONGEST_MIN: Final = 7 * 24 * 60


@dataclass(frozen=True, slots=True, order=True)
class Doubt:
    """A stretch of time whose estimates in the log are in doubt, and the time of the alarm.

    Attributes:
        from_ms: begin, UTC ms.
        to_ms: when it was found out, UTC ms; from then on there are none.
        why: what is wrong, in few words.
    """

    from_ms: int
    to_ms: int
    why: str


class Row(Protocol):
    """An event as logged; ``wall_ms`` is UTC ms."""

    @property
    def wall_ms(self) -> int: ...  # noqa: D102
    @property
    def event(self) -> Event: ...  # noqa: D102


def words(doubt: str, long_s: float) -> str:
    """What a cycle says that finds a probe in doubt.

    Args:
        doubt: what is wrong, in few words.
        long_s: for how long it has been so, s.
    """
    minutes = -int(-long_s // 60.0)
    return f"{doubt}: the bases are not known for the {minutes} min before this either"


def before_s(event: Event) -> float | None:
    """For how long before an event what was estimated is in doubt, s; None: it is no such event."""
    if event.kind is not EventKind.DOUBTED or event.chamber is None:
        return None
    told = _WORDS.search(event.text)
    return None if told is None else min(int(told["minutes"]), _LONGEST_MIN) * 60.0


def spans(rows: Iterable[Row]) -> dict[str, list[Doubt]]:
    """By chamber the stretches of time whose estimates are in doubt, oldest first.

    Args:
        rows: events, in any order; those that say nothing of it are passed over.
    """
    found: dict[str, list[Doubt]] = {}
    for row in rows:
        event = row.event
        doubted_s = before_s(event)
        if doubted_s is None or event.chamber is None:
            continue
        from_ms = row.wall_ms - round(doubted_s * 1000)
        why = event.text.partition(":")[0]
        found.setdefault(event.chamber, []).append(Doubt(from_ms, row.wall_ms, why))
    return {name: sorted(each) for name, each in found.items()}
