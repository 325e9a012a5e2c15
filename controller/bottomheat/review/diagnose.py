"""Why: the causes of what a box went through, ranked, each with what speaks for it and against it.

Every finder looks for the marks of one cause in rows and events, and weighs them: a weight of 3 or
more by itself makes a cause likely, a negative one speaks against it.  The weights are judgement,
tried on rehearsed faults (``tests/bench/diagnosis.py``).  A cause is named first only where its sum
reaches ``ENOUGH``; two that come within ``CLOSE`` of one another cannot be told apart.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from types import MappingProxyType
from typing import Final

from bottomheat.model import Alarm, Place
from bottomheat.review.causes import Cause, named
from bottomheat.review.features import Candidate, Features, Mark, is_raised
from bottomheat.review.finders import FINDERS
from bottomheat.review.window import Window

ENOUGH: Final = 3.0
CLOSE: Final = 0.5
_A = Alarm


@dataclass(frozen=True, slots=True)
class Diagnosis:
    """The causes, the likeliest first; ``first`` is NONE or CANNOT_TELL where it has to be."""

    first: Candidate
    ranked: tuple[Candidate, ...]


def diagnose(window: Window) -> Diagnosis:
    """Say what happened in a window.

    Args:
        window: one box, with some hours of before the trouble in it.

    Returns:
        All causes with any mark, ranked.  ``first`` is NONE where nothing reaches ``ENOUGH``, and
        CANNOT_TELL where something is wrong by the alarms and no cause reaches it.
    """
    seen = Features(window)
    found = joined(c for finder in FINDERS for c in finder(window, seen) if c.marks)
    found = [_less_what_follows(each, found) for each in found]
    ranked = tuple(sorted(found, key=lambda each: -each.weight))
    if ranked and ranked[0].weight >= ENOUGH:
        return Diagnosis(ranked[0], ranked)
    urgent = [each for each in window.said if each.alarm in _WRONG and is_raised(each)]
    if urgent:
        marks = tuple(Mark(1.0, each.text, each.at_s) for each in urgent[:3])
        return Diagnosis(Candidate(Cause.CANNOT_TELL, None, marks), ranked)
    return Diagnosis(Candidate(Cause.NONE), ranked)


FOLLOWS: Final[Mapping[Cause, frozenset[Cause]]] = MappingProxyType(
    {
        Cause.KEEPER_PROBE: frozenset({Cause.NO_HEAT, Cause.COLD_ROOM, Cause.PROBE_FROZEN}),
        Cause.KEEPER_SILENT: frozenset({Cause.NO_HEAT, Cause.COLD_ROOM}),
        Cause.PROBE_SILENT: frozenset({Cause.KEEPER_PROBE, Cause.COLD_ROOM}),
        Cause.CROSSED: frozenset(
            {Cause.HEAT_UNASKED, Cause.NO_HEAT, Cause.WEAK_HEAT, Cause.PROBE_DISPLACED}
        ),
        Cause.NO_HEAT: frozenset({Cause.COLD_ROOM}),
        Cause.WEAK_HEAT: frozenset({Cause.COLD_ROOM}),
        Cause.POWER_CUT: frozenset({Cause.COLD_ROOM}),
        Cause.SERVICE_SILENT: frozenset({Cause.COLD_ROOM}),
        Cause.OPENED: frozenset({Cause.COLD_ROOM}),
    }
)
"""What looks like a cause of its own where another was there first (judgement): with its own probe
lost the keeper holds the relay open, and then no heat reaches the mat either."""
_AT_ONCE_S: Final = 600.0


def _less_what_follows(each: Candidate, found: Iterable[Candidate]) -> Candidate:
    """A candidate, with a mark against it where it is but what another one brings about."""
    for first in found:
        if (
            each.cause in FOLLOWS.get(first.cause, ())
            and first.weight >= ENOUGH
            and first.since_s is not None
            and each.since_s is not None
            and first.since_s <= each.since_s + _AT_ONCE_S
        ):
            text = f"that comes with it where {named(first.cause, first.place)}"
            return replace(each, marks=(*each.marks, Mark(-3.0, text, each.since_s)))
    return each


_WRONG: Final = frozenset(
    {
        _A.CUTOFF,
        _A.KEEPER_LATCHED,
        _A.KEEPER_HOLDS,
        _A.CALLUS_HOT,
        _A.HEAT_LOST,
        _A.SHORTFALL,
        _A.NO_EFFECT,
        _A.SUBSTRATES_DISAGREE,
    }
)


def joined(found: Iterable[Candidate]) -> list[Candidate]:
    """One candidate for each cause and place, with all its marks."""
    marks: dict[tuple[Cause, Place | None], tuple[Mark, ...]] = {}
    for each in found:
        key = (each.cause, each.place)
        marks[key] = (*marks.get(key, ()), *each.marks)
    return [Candidate(cause, place, those) for (cause, place), those in marks.items()]
