"""A message, and what became of handing it to a channel."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import Any, Literal

from bottomheat.alerts.answer import AlarmView, Frozen

Kind = Literal["alarm", "over", "silent", "answers", "morning", "test"]


@dataclass(frozen=True, slots=True)
class Moment:
    """A point in time.

    Attributes:
        now_s: seconds on a count that never goes back and goes on over restarts.
        wall_ms: ms since 1970 by the wall clock.
        synchronised: whether the wall clock can be believed.
    """

    now_s: float
    wall_ms: int
    synchronised: bool


class Message(Frozen):
    """Something that somebody has to be told.

    Attributes:
        id: never used twice.
        topic: messages of one topic reach a channel in the order in which they were made.
        urgent: of the level "now": tried for ever, and before others.
        made_s: when it was made, on the count of ``Moment.now_s``.
        made_ms: the same by the wall clock, ms since 1970.
        dated: whether that clock could be believed.
    """

    id: str
    topic: str
    kind: Kind
    urgent: bool
    title: str
    text: str
    made_s: float
    made_ms: int
    dated: bool
    alarm: AlarmView | None = None

    def late_s(self, now: Moment) -> float:
        """How long ago it was made, s; by the wall clock where that is right at both ends."""
        counted_s = max(0.0, now.now_s - self.made_s)
        if self.dated and now.synchronised:
            return max(counted_s, (now.wall_ms - self.made_ms) / 1000.0)
        return counted_s

    def plain(self, title: str, text: str, late_s: float) -> dict[str, Any]:
        """What a local command gets on its standard input."""
        return {
            "id": self.id,
            "kind": self.kind,
            "urgent": self.urgent,
            "title": title,
            "text": text,
            "made_ms": self.made_ms,
            "clock_set": self.dated,
            "late_s": round(late_s),
            "alarm": None if self.alarm is None else self.alarm.model_dump(mode="json"),
        }


class Outcome(StrEnum):
    """What became of one attempt, in words without any secret."""

    TAKEN = "taken"
    REFUSED = "the other side did not take it"
    UNREACHABLE = "no network, or nobody answers there"
    NOT_UNDERSTOOD = "the address is not understood"
    NO_LIBRARY = "the library apprise is not installed"
    TOO_SLOW = "took too long and was ended"
    NOT_STARTED = "the program could not be started"
    FAILED = "the program ended with an error"
