"""Which troubles belong together: episodes, from the first sign to the last.  Pure.

A trouble is an alarm, or a stretch in which nothing was recorded.  In one box those are one episode
that follow each other within ``TOGETHER_MS``; episodes of several boxes are one where they share a
trouble of the house, a power cut say, or begin within that time of each other.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from itertools import groupby
from typing import Final

from bottomheat.model import Alarm

TOGETHER_MS: Final = 2 * 3_600_000
"""Closer than this, one followed from the other (judgement: a bed takes that long to settle)."""
NO_FAULT: Final = frozenset(
    {
        Alarm.NOT_PROVED,
        Alarm.CONFIG_REFUSED,
        Alarm.CONFIG_FALLBACK,
        Alarm.TOP_WARM,
        Alarm.ROOM_LOW,
        Alarm.RELAY_WORN,
        Alarm.TONIGHT,
    }
)
"""Alarms that ask for something and are no fault of box, wiring or power."""
_SHORT_STOP_MS: Final = 15 * 60_000
"""A service that was stopped for less is a restart, no outage."""
_CHAIN: Final = 4
_MUCH_LONGER: Final = 3
"""So many gaps in a chain are its spacing; one so many times longer is a hole (judgement)."""
BY_HAND: Final = "the service had been stopped"
"""How the log tells that nothing was recorded because somebody wanted it so."""
_NOTHING_BEFORE: Final = ("the log begins only then", "the log holds nothing")


@dataclass(frozen=True, slots=True)
class Trouble:
    """An alarm that stood, or a stretch without a record.

    Attributes:
        from_ms: begin, UTC ms.
        to_ms: end, UTC ms; None: it still stands.
        chamber: the box; None: of the house.
        what: in words.
        alarm: which; None: nothing was recorded.
        gap: power, stopped, log failed or unknown; None: it is an alarm.
    """

    from_ms: int
    to_ms: int | None
    chamber: str | None
    what: str
    alarm: Alarm | None = None
    gap: str | None = None


@dataclass(frozen=True, slots=True)
class Episode:
    """Troubles that belong together, oldest first.

    Attributes:
        from_ms: begin of the first, UTC ms.
        to_ms: end of the last, or now where one still stands, UTC ms.
        standing: one still stands.
        boxes: those that it is about.
        troubles: all of them.
    """

    from_ms: int
    to_ms: int
    standing: bool
    boxes: tuple[str, ...]
    troubles: tuple[Trouble, ...]

    def of(self, chamber: str) -> tuple[Trouble, ...]:
        """The troubles of a box and of the house."""
        return tuple(each for each in self.troubles if each.chamber in (None, chamber))

    @property
    def house(self) -> bool:
        """Whether all of it is of the house."""
        return all(each.chamber is None for each in self.troubles)


def holes(gaps: Sequence[Trouble]) -> tuple[Trouble, ...]:
    """The gaps that are none of a log that has fewer rows in an older or quieter time.

    Single rows with gaps of one length between them are what such a log looks like; only a gap that
    is much longer than those around it is one.

    Args:
        gaps: oldest first, not overlapping.
    """
    kept: list[Trouble] = []
    for _, group in groupby(enumerate(_chains(gaps)), key=lambda pair: pair[1]):
        chain = [gaps[number] for number, _ in group]
        lengths = sorted(_length_ms(each) for each in chain)
        usual_ms = lengths[len(lengths) // 2] if len(chain) >= _CHAIN else 0
        kept += [each for each in chain if _length_ms(each) > _MUCH_LONGER * usual_ms]
    return tuple(kept)


def _chains(gaps: Sequence[Trouble]) -> list[int]:
    """For each gap, which chain it is in: gaps that adjoin, with one row between them."""
    numbers: list[int] = []
    for before, each in zip((None, *gaps), gaps, strict=False):
        new = before is None or before.to_ms != each.from_ms
        numbers.append((numbers[-1] if numbers else 0) + new)
    return numbers


def _length_ms(gap: Trouble) -> int:
    return 0 if gap.to_ms is None else gap.to_ms - gap.from_ms


def matters(trouble: Trouble) -> bool:
    """Whether a trouble alone makes an episode."""
    if trouble.gap is None:
        return trouble.alarm not in NO_FAULT
    if trouble.what.startswith(_NOTHING_BEFORE):
        return False
    length_ms = None if trouble.to_ms is None else trouble.to_ms - trouble.from_ms
    by_hand = trouble.gap == "stopped" and trouble.what.startswith(BY_HAND)
    return not by_hand or length_ms is None or length_ms >= _SHORT_STOP_MS


def episodes(
    troubles: Iterable[Trouble], boxes_at: Callable[[int], Sequence[str]], now_ms: int
) -> tuple[Episode, ...]:
    """The episodes that these troubles make, oldest first.

    Args:
        troubles: in any order.
        boxes_at: the boxes that were in use at a time, UTC ms: those that a trouble of the house
            is about.  Where there were none it is nobody's.
        now_ms: where what still stands ends for now, UTC ms.
    """
    found = sorted(
        (each for each in troubles if matters(each)),
        key=lambda each: (each.from_ms, each.chamber or "", each.what),
    )
    about = [
        (each, tuple(boxes_at(each.from_ms)) if each.chamber is None else (each.chamber,))
        for each in found
    ]
    names = {name: None for _, those in about for name in those}
    single = [
        episode
        for name in names
        for episode in _of_box(name, [each for each, those in about if name in those], now_ms)
    ]
    return _across(sorted(single, key=lambda each: (each.from_ms, each.boxes)))


def _of_box(name: str, troubles: Sequence[Trouble], now_ms: int) -> list[Episode]:
    made: list[Episode] = []
    for each in troubles:
        end_ms = now_ms if each.to_ms is None else each.to_ms
        if made and each.from_ms - made[-1].to_ms <= TOGETHER_MS:
            last = made[-1]
            made[-1] = replace(
                last,
                to_ms=max(last.to_ms, end_ms),
                standing=last.standing or each.to_ms is None,
                troubles=(*last.troubles, each),
            )
        else:
            made.append(Episode(each.from_ms, end_ms, each.to_ms is None, (name,), (each,)))
    return made


def _across(single: Sequence[Episode]) -> tuple[Episode, ...]:
    made: list[Episode] = []
    for each in single:
        whole = each
        while near := [other for other in made if _one(other, whole)]:
            for other in near:
                made.remove(other)
                whole = _joined(other, whole)
        made.append(whole)
    return tuple(sorted(made, key=lambda each: (each.from_ms, each.boxes)))


def _one(first: Episode, then: Episode) -> bool:
    if abs(then.from_ms - first.from_ms) <= TOGETHER_MS:
        return True
    if any(each.chamber is None and each in first.troubles for each in then.troubles):
        return True
    return any(_near(first.of(box), then.of(box)) for box in first.boxes if box in then.boxes)


def _near(first: Sequence[Trouble], then: Sequence[Trouble]) -> bool:
    """Whether what one box had in two episodes lies close together."""
    if not first or not then:
        return False
    (begin, end), (other_begin, other_end) = (
        (
            min(each.from_ms for each in those),
            max(math.inf if each.to_ms is None else each.to_ms for each in those),
        )
        for those in (first, then)
    )
    return other_begin - end <= TOGETHER_MS and begin - other_end <= TOGETHER_MS


def _joined(first: Episode, then: Episode) -> Episode:
    troubles = dict.fromkeys((*first.troubles, *then.troubles))
    return Episode(
        from_ms=min(first.from_ms, then.from_ms),
        to_ms=max(first.to_ms, then.to_ms),
        standing=first.standing or then.standing,
        boxes=tuple(dict.fromkeys((*first.boxes, *then.boxes))),
        troubles=tuple(sorted(troubles, key=lambda each: (each.from_ms, each.chamber or ""))),
    )
