"""What happened, in the order in which it happened, in plain words and few lines.  Pure."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from enum import StrEnum
from typing import Final

from bottomheat.alarm_words import TOLD
from bottomheat.model import Alarm, EventKind
from bottomheat.review.episodes import Trouble
from bottomheat.review.window import Said
from bottomheat.words import ALARM_WORDS

AGAIN_MS: Final = 30 * 60_000
"""The same again within this time is one line that says how often (judgement)."""
MOST_LINES: Final = 14
"""More than this nobody reads in a minute (judgement)."""
_SHORT_HOLD_MS: Final = 60_000
_K: Final = EventKind


class By(StrEnum):
    """Whose doing it was."""

    BOX = "box"
    GROWER = "grower"
    SERVICE = "service"


@dataclass(frozen=True, slots=True)
class Entry:
    """Something that happened.

    Attributes:
        at_ms: when, UTC ms.
        to_ms: until when, UTC ms; None: it took no time, or ``standing``.
        chamber: the box; None: of the house.
        text: in words, without the time.
        by: whose doing.
        rank: 0 is what has to be told; the higher the smaller.
        times: how often within its time.
        standing: it still was so at the end.
    """

    at_ms: int
    to_ms: int | None
    chamber: str | None
    text: str
    by: By
    rank: int
    times: int = 1
    standing: bool = False


def timeline(
    said: Iterable[Said], troubles: Iterable[Trouble], from_ms: int, to_ms: int
) -> tuple[Entry, ...]:
    """What happened from one time to another, oldest first.

    Args:
        said: events of the log, ``at_s`` in s since 1970.
        troubles: alarms and stretches without a record.
        from_ms: begin, UTC ms; what began before it and still stood is told too.
        to_ms: end, UTC ms.
    """
    events = sorted((e for e in said if from_ms <= _ms(e) < to_ms), key=_ms)
    found = [
        *(
            _of_trouble(each)
            for each in troubles
            if each.from_ms < to_ms and (each.to_ms is None or each.to_ms > from_ms)
        ),
        *_held(events),
        *(entry for each in events if (entry := _of_event(each)) is not None),
    ]
    return tuple(_merged(sorted(found, key=lambda each: each.at_ms)))


def short(entries: Sequence[Entry], most: int = MOST_LINES) -> tuple[tuple[Entry, ...], int]:
    """The ``most`` that matter most, in their order, and how many are left out."""
    if len(entries) <= most:
        return tuple(entries), 0
    by_rank = sorted(range(len(entries)), key=lambda n: (entries[n].rank, n))
    kept = sorted(by_rank[:most])
    return tuple(entries[n] for n in kept), len(entries) - most


def plain(text: str) -> str:
    """What was said, without what is to be done about it: that has its own place."""
    for end in (": look ", "; look ", "; unplug", "; detectors", "; no heat for "):
        text = text.partition(end)[0]
    return text


def alarm_words(alarm: Alarm) -> str:
    """An alarm in few words, without what to do about it."""
    said = ALARM_WORDS.get(alarm) or TOLD[alarm].what
    return said.partition(":")[0].rstrip(".")


def _ms(said: Said) -> int:
    return round(said.at_s * 1000)


def _of_trouble(each: Trouble) -> Entry:
    if each.alarm is not None:
        text = f"alarm: {alarm_words(each.alarm)}"
    else:
        text = f"nothing recorded: {each.what}"
    standing = each.to_ms is None
    return Entry(each.from_ms, each.to_ms, each.chamber, text, By.BOX, 0, standing=standing)


def _held(events: Sequence[Said]) -> Iterator[Entry]:
    """Heat that was held off: from when to when."""
    since: dict[str | None, Said] = {}
    for each in events:
        if each.kind is _K.HEAT_HELD:
            since.setdefault(each.chamber, each)
        elif each.kind is _K.HEAT_RELEASED:
            began = since.pop(each.chamber, None)
            if began is None:
                yield Entry(_ms(each), None, each.chamber, "heat may flow", By.BOX, 2)
            elif _ms(each) - _ms(began) >= _SHORT_HOLD_MS:
                text = f"no heat: {plain(began.text)}"
                yield Entry(_ms(began), _ms(each), each.chamber, text, By.BOX, 1)
    for began in since.values():
        text = f"no heat: {plain(began.text)}"
        yield Entry(_ms(began), None, began.chamber, text, By.BOX, 1, standing=True)


_RANKED: Final = {
    _K.CUTOFF: (By.BOX, 0),
    _K.RESET: (By.GROWER, 0),
    _K.TENDING: (By.GROWER, 1),
    _K.SEASON: (By.GROWER, 1),
    _K.CONFIG_ACCEPTED: (By.GROWER, 1),
    _K.CONFIG_REFUSED: (By.GROWER, 2),
    _K.CALIBRATION: (By.GROWER, 2),
    _K.PROVED: (By.GROWER, 2),
    _K.AWAY: (By.GROWER, 2),
    _K.ALARM_SEEN: (By.GROWER, 2),
    _K.ALARM_PAUSED: (By.GROWER, 2),
    _K.DIAGNOSED: (By.BOX, 1),
    _K.DOUBTED: (By.BOX, 1),
    _K.READING_REJECTED: (By.BOX, 2),
    _K.OUTAGE: (By.BOX, 1),
    _K.CLOCK_STEPPED: (By.SERVICE, 1),
    _K.KEEPER: (By.SERVICE, 2),
    _K.STARTED: (By.SERVICE, 2),
    _K.STOPPED: (By.SERVICE, 2),
    _K.LOG: (By.SERVICE, 3),
}
"""What is told of each kind; alarms and gaps come from elsewhere, heat held off in pairs."""


def _of_event(said: Said) -> Entry | None:
    known = _RANKED.get(said.kind)
    if known is None:
        return None
    by, rank = known
    text = said.text
    if said.kind is _K.CUTOFF:
        text = f"cut out: {plain(text)}"
    elif said.kind is _K.DIAGNOSED:
        text = plain(text)
    elif said.kind is _K.OUTAGE and said.chamber is None:
        # How long nothing was recorded, which the gap itself tells.
        return None
    elif said.kind is _K.SEASON and text.startswith("setpoint "):
        text, by, rank = text.partition(": ")[0], By.SERVICE, 2
    elif said.kind is _K.SEASON and ": done: " in f": {text}":
        rank = 3
    return Entry(_ms(said), None, said.chamber, text, by, rank)


def _merged(entries: Iterable[Entry]) -> list[Entry]:
    made: list[Entry] = []
    newest: dict[tuple[str | None, str, By, int], int] = {}
    for each in entries:
        key = (each.chamber, each.text, each.by, each.rank)
        at = newest.get(key)
        if at is not None and each.at_ms - _end_ms(made[at]) <= AGAIN_MS:
            last = made[at]
            made[at] = replace(
                last,
                to_ms=None if each.standing else max(_end_ms(last), _end_ms(each)),
                times=last.times + 1,
                standing=each.standing,
            )
        else:
            newest[key] = len(made)
            made.append(each)
    return made


def _end_ms(entry: Entry) -> int:
    return entry.at_ms if entry.to_ms is None else entry.to_ms
