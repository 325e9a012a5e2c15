"""Which did better: batches, boxes or seasons, by what was counted.  Pure.

Twenty cuttings tell little.  So the first thing said is whether the counts can tell at all, and
only then come shares and intervals.

The interval of one share is Wilson's score interval (E. B. Wilson 1927, J. Am. Stat. Assoc.
22:209); of a difference of two it is method 10 of R. G. Newcombe 1998, Statistics in Medicine
17:873, which is made of two of those.  Of several pairs each interval is made wider, so that all of
them together hold with 95 % (Bonferroni).
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum
from itertools import combinations
from statistics import NormalDist
from typing import Final

from bottomheat.season.ledger import ENDINGS, UNHEATED, Batch, Season, Stage

CONFIDENCE: Final = 0.95
MOST_OF_EACH: Final = 5000
"""More cuttings than this nobody makes to find out."""
DONE_WORDS: Final = {
    "callused": "callused",
    "rooted": "rooted",
    "potted": "potted up",
    "alive": "alive later",
}
"""How each of ``ENDINGS`` is said after a count."""


@dataclass(frozen=True, slots=True)
class Interval:
    """From and to, both as shares: 0 to 1, of a difference -1 to 1."""

    low: float
    high: float


def wilson(hits: int, count: int, confidence_share: float = CONFIDENCE) -> Interval:
    """Wilson's score interval of a share.

    Args:
        hits: how many showed it.
        count: of how many, 1 or more.
        confidence_share: of the interval, 0 to 1.

    Raises:
        ValueError: the counts cannot be.
    """
    _check(hits, count)
    z = _z(confidence_share)
    share, z2 = hits / count, z * z
    middle = share + z2 / (2 * count)
    half = z * math.sqrt(share * (1.0 - share) / count + z2 / (4.0 * count * count))
    below = 0.0 if hits == 0 else (middle - half) / (1.0 + z2 / count)
    above = 1.0 if hits == count else (middle + half) / (1.0 + z2 / count)
    return Interval(max(0.0, below), min(1.0, above))


def difference(
    hits: int, count: int, other_hits: int, other_count: int, confidence_share: float = CONFIDENCE
) -> Interval:
    """Newcombe's interval (method 10) of one share less another.

    Args:
        hits: of the first.
        count: of the first, 1 or more.
        other_hits: of the second.
        other_count: of the second, 1 or more.
        confidence_share: of the interval, 0 to 1.

    Raises:
        ValueError: the counts cannot be.
    """
    one, other = (
        wilson(hits, count, confidence_share),
        wilson(other_hits, other_count, confidence_share),
    )
    share, other_share = hits / count, other_hits / other_count
    between = share - other_share
    return Interval(
        between - math.hypot(share - one.low, other.high - other_share),
        between + math.hypot(one.high - share, other_share - other.low),
    )


def _check(hits: int, count: int) -> None:
    if count < 1 or not 0 <= hits <= count:
        raise ValueError(f"{hits} of {count} is no share")


def _z(confidence_share: float) -> float:
    if not 0.0 < confidence_share < 1.0:
        raise ValueError(
            f"a confidence of {confidence_share} is none; give more than 0 and less than 1"
        )
    return NormalDist().inv_cdf(0.5 + confidence_share / 2.0)


# -- what is compared


@dataclass(frozen=True, slots=True)
class Tally:
    """What was counted of one side.

    Attributes:
        name: of the batch, box or season.
        hits: how many showed it.
        count: of how many.
        batches: which batches these are.
    """

    name: str
    hits: int
    count: int
    batches: tuple[str, ...] = ()

    @property
    def share(self) -> float:
        """0 to 1."""
        return self.hits / self.count


class Told(StrEnum):
    """What the counts tell of a pair."""

    CANNOT = "cannot tell yet"
    FIRST = "the first did better"
    SECOND = "the second did better"


@dataclass(frozen=True, slots=True)
class Pair:
    """Two sides and what their counts tell.

    Attributes:
        first: one side.
        second: the other.
        told: whether they differ.
        between: the first's share less the second's.
        confidence: of ``between``; together with the other pairs 0.95.
        of_each: so many of each, with the same shares, would be the least to tell; None: it is
            told already, the shares are equal, or it would take thousands.
    """

    first: Tally
    second: Tally
    told: Told
    between: Interval
    confidence: float
    of_each: int | None = None


def pairs(tallies: Sequence[Tally]) -> tuple[Pair, ...]:
    """Every side against every other, in order."""
    found = list(combinations(tallies, 2))
    confidence = 1.0 - (1.0 - CONFIDENCE) / max(1, len(found))
    return tuple(_pair(first, second, confidence) for first, second in found)


def _pair(first: Tally, second: Tally, confidence: float) -> Pair:
    between = difference(first.hits, first.count, second.hits, second.count, confidence)
    told = _told(between)
    needed = _of_each(first.share, second.share, confidence) if told is Told.CANNOT else None
    return Pair(first, second, told, between, confidence, needed)


def _told(between: Interval) -> Told:
    if between.low > 0.0:
        return Told.FIRST
    return Told.SECOND if between.high < 0.0 else Told.CANNOT


def _of_each(share: float, other_share: float, confidence: float) -> int | None:
    """The least count of each with these shares whose interval leaves zero out, roughly."""
    if share == other_share:
        return None

    def tells(count: int) -> bool:
        hits, other_hits = round(share * count), round(other_share * count)
        return _told(difference(hits, count, other_hits, count, confidence)) is not Told.CANNOT

    low, high = 1, 2
    while not tells(high):
        low, high = high, high * 2
        if high > MOST_OF_EACH:
            return None
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (low, middle) if tells(middle) else (middle, high)
    return high if high < 20 else math.ceil(high / 10) * 10


# -- counts out of the ledger


def counted(batch: Batch, by: str) -> Tally | None:
    """What was counted of a batch at its end; None where it was not.

    Args:
        batch: it.
        by: one of ``ENDINGS``.
    """
    hits = batch.endings.get(by)
    if hits is None or batch.count < 1 or hits > batch.count:
        return None
    return Tally(batch.name, hits, batch.count, (batch.name,))


def total(name: str, batches: Iterable[Batch], by: str) -> Tally | None:
    """Several batches as one side; those of which it was not counted are left out."""
    found = [tally for batch in batches if (tally := counted(batch, by)) is not None]
    if not found:
        return None
    return Tally(
        name,
        sum(tally.hits for tally in found),
        sum(tally.count for tally in found),
        tuple(tally.name for tally in found),
    )


def counted_by_all(sides: Iterable[Iterable[Batch]]) -> str | None:
    """What is best compared: rooted, else what came next to it, where each side has a count."""
    groups = [list(side) for side in sides]
    for by in ("rooted", "callused", "potted", "alive"):
        if groups and all(total("", side, by) is not None for side in groups):
            return by
    return None


def callused_in(batch: Batch) -> str | None:
    """The box in which a batch callused: where it stood longest in that stage; None: in none."""
    stays: dict[str, int] = {}
    for spell in batch.stages:
        if spell.stage is not Stage.CALLUSING:
            continue
        for stay in batch.stays:
            ends = [end for end in (spell.to_ms, stay.to_ms) if end is not None]
            if not ends:
                ends = [max(stay.from_ms, spell.from_ms) + 1]
            overlap = min(ends) - max(stay.from_ms, spell.from_ms)
            if overlap > 0 and stay.place != UNHEATED:
                stays[stay.place] = stays.get(stay.place, 0) + overlap
    return max(stays, key=lambda place: stays[place], default=None)


def of_season(season: Season, name: str) -> tuple[Batch, ...] | None:
    """The batches of a closed season: those made since the one before was closed; None: no such."""
    begins_ms: int | None = None
    for each, closed_ms in season.closed:
        if each.casefold() == name.casefold():
            return tuple(
                batch
                for batch in season.batches.values()
                if batch.made_ms <= closed_ms and (begins_ms is None or batch.made_ms > begins_ms)
            )
        begins_ms = closed_ms
    return None


def since_last_close(season: Season) -> tuple[Batch, ...]:
    """The batches of the season that is not closed yet; of the last one if there is none since."""
    last_ms = season.closed[-1][1] if season.closed else None
    new = tuple(b for b in season.batches.values() if last_ms is None or b.made_ms > last_ms)
    if new or not season.closed:
        return new
    return of_season(season, season.closed[-1][0]) or ()


def by_species(batches: Iterable[Batch]) -> Mapping[str, tuple[Batch, ...]]:
    """The same, by species, in the order in which they were made."""
    found: dict[str, list[Batch]] = {}
    for batch in batches:
        found.setdefault(batch.species, []).append(batch)
    return {species: tuple(each) for species, each in found.items()}


# -- in words


def sentence(pair: Pair, by: str) -> str:
    """What the counts tell, before any share: "14/20 against 11/20 rooted: cannot tell yet"."""
    one, other = pair.first, pair.second
    counts = f"{one.hits}/{one.count} against {other.hits}/{other.count} {DONE_WORDS[by]}"
    match pair.told:
        case Told.FIRST:
            return f"{counts}: {one.name} did better than {other.name}"
        case Told.SECOND:
            return f"{counts}: {other.name} did better than {one.name}"
        case Told.CANNOT:
            return f"{counts}: cannot tell yet"


def between_words(pair: Pair) -> str:
    """What lies between the two, of a hundred each."""
    low, high = (round(100 * edge) for edge in (pair.between.low, pair.between.high))
    first, second = pair.first.name, pair.second.name
    if pair.told is Told.CANNOT:
        return (
            f"of 100 each, {second} may have {_many(high)} fewer than {first}, or {_many(-low)} "
            "more"
        )
    better, worse = (first, second) if pair.told is Told.FIRST else (second, first)
    least, most = sorted((abs(low), abs(high)))
    return f"of 100 each, {better} has {_many(least)} to {_many(most)} more than {worse}"


def _many(count: int) -> str:
    return str(max(0, count))


__all__ = [
    "CONFIDENCE",
    "DONE_WORDS",
    "ENDINGS",
    "Interval",
    "Pair",
    "Tally",
    "Told",
    "between_words",
    "by_species",
    "callused_in",
    "counted",
    "counted_by_all",
    "difference",
    "of_season",
    "pairs",
    "sentence",
    "since_last_close",
    "total",
    "wilson",
]
