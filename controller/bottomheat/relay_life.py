"""How often a relay's contact has closed over its life, and how long its rated life lasts.  Pure.

A contact wears with every closing under load.  Its maker rates it for a number of closings at a
load: the electrical endurance of IEC 61810-1 (from memory), which samples of that type have passed.
How long one single relay lasts is spread widely about that: IEC 61810-2 (its scope) takes cycles to
failure as Weibull distributed, with a failure rate that grows.  So the rated number says when to
change a relay, not when it fails.

The count is kept apart from the log, so that it outlives a log that is damaged or thrown away, and
beside the log's own count, which knows what closed since the last time this one was kept.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Any, Final

WORN_SHARE: Final = 0.8
"""Of the rated closings: have it changed before the next winter (judgement)."""
DAY_MS: Final = 86_400_000
DAYS_KEPT: Final = 15
"""Fourteen days of heating: long enough that weather evens out (judgement)."""
IDLE_MS: Final = 2 * DAY_MS
"""Days without a closing are left out of the rate: between seasons nothing wears."""
LEAST_MS: Final = DAY_MS // 2
"""A rate from less than half a day is no rate."""
CHANGES_KEPT: Final = 8
MOST: Final = 10**12
"""No contact closes more often; a number above it was not written by this program."""


@dataclass(frozen=True, slots=True)
class Count:
    """What is kept of one contact.

    Attributes:
        ever: closings since the count began, over every relay that sat in this place.
        logged: what the log's own count was when ``ever`` was; None: the log does not count it.
        begun_ms: UTC ms of when the count had to begin anew, because what was before is lost (0: at
            a time that nobody knows); None: it goes back to the first start.
        changes: when the relay was changed, UTC ms, and ``ever`` at that time; the newest last.
        days: ``ever`` at times about a day apart, UTC ms, while there was heating; the newest last.
    """

    ever: int = 0
    logged: int | None = None
    begun_ms: int | None = None
    changes: tuple[tuple[int, int], ...] = ()
    days: tuple[tuple[int, int], ...] = ()


@dataclass(frozen=True, slots=True)
class Life:
    """A contact's life so far, and what is left of it.

    Attributes:
        closings: of this relay.
        rated: for how many its maker rates it; None: it has no contact that wears.
        since_ms: UTC ms of when it was put in, where that was told; None: the first one.
        begun_ms: UTC ms of when its count had to begin anew; None: it is whole.
        per_day: closings on a day of heating, lately; None: not known.
    """

    closings: int
    rated: int | None
    since_ms: int | None = None
    begun_ms: int | None = None
    per_day: float | None = None

    @property
    def share(self) -> float:
        """Of its rated closings; 0 where it has no contact that wears."""
        return self.closings / self.rated if self.rated else 0.0

    @property
    def worn(self) -> bool:
        """Whether to have it changed before the next winter."""
        return self.share >= WORN_SHARE

    @property
    def spent(self) -> bool:
        """Whether it has closed as often as it is rated for."""
        return self.share >= 1.0

    @property
    def left_days(self) -> float | None:
        """Days of heating until it is spent; None where that cannot be said."""
        if self.rated is None or self.per_day is None or self.per_day <= 0.0:
            return None
        return max(0.0, self.rated - self.closings) / self.per_day

    def until_ms(self, now_ms: int) -> int | None:
        """UTC ms of when it is spent if there is heating every day from now on."""
        days = self.left_days
        return None if days is None else now_ms + round(days * DAY_MS)


def closed(count: Count, more: int) -> Count:
    """Count ``more`` closings, 0 or more."""
    if more <= 0:
        return count
    logged = None if count.logged is None else count.logged + more
    return replace(count, ever=count.ever + more, logged=logged)


def resumed(
    kept: Count | None, logged: int | None, now_ms: int | None, *, lost: bool = False
) -> Count:
    """The count at a start.

    Where the log counts less than when ``kept`` was written it is a new one, or an older copy that
    was put back: what it counts is either little or known, and nothing of it is added.

    Args:
        kept: what was kept; None: nothing that can be used.
        logged: what the log counts over its whole life; None: it does not, or cannot be read.
        now_ms: UTC ms; None: the clock is not set.
        lost: something had been kept, and cannot be used.
    """
    if kept is None:
        return Count(logged or 0, logged, (now_ms or 0) if lost and not logged else None)
    if logged is None:
        return replace(kept, logged=None)
    if kept.logged is None:
        return replace(kept, ever=max(kept.ever, logged), logged=logged)
    return replace(kept, ever=kept.ever + max(0, logged - kept.logged), logged=logged)


def changed(count: Count, at_ms: int | None) -> Count:
    """Have the count of this relay begin when it was put in.

    Args:
        count: so far.
        at_ms: when the last change was that is known of, UTC ms; None: of none.  Told again, or
            taken back and told again, the same one counts from the same number.
    """
    if at_ms is None or any(at_ms == told_ms for told_ms, _ in count.changes):
        return count
    changes = (*count.changes, (at_ms, _ever_at(count, at_ms)))[-CHANGES_KEPT:]
    return replace(count, changes=changes)


def noted(count: Count, now_ms: int) -> Count:
    """Keep where the count is, about once a day while it grows.

    Args:
        count: so far.
        now_ms: UTC ms, of a clock that is set.
    """
    days = tuple(day for day in count.days if day[0] <= now_ms and day[1] <= count.ever)
    if not days or (now_ms - days[-1][0] >= DAY_MS and days[-1][1] < count.ever):
        days = (*days, (now_ms, count.ever))[-DAYS_KEPT:]
    return count if days == count.days else replace(count, days=days)


def life(count: Count, rated: int | None, changed_ms: int | None, now_ms: int | None) -> Life:
    """What the count comes to.

    Args:
        count: what is kept.
        rated: for how many closings the relay is rated; None: it has no contact that wears.
        changed_ms: when the relay was changed last, UTC ms; None: never, as far as is known.
        now_ms: UTC ms; None: the clock is not set.
    """
    count = changed(count, changed_ms)
    from_count = dict(count.changes).get(changed_ms, 0) if changed_ms is not None else 0
    begun_ms = count.begun_ms
    if changed_ms is not None and begun_ms is not None and begun_ms <= changed_ms:
        begun_ms = None
    return Life(
        closings=max(0, count.ever - from_count),
        rated=rated,
        since_ms=changed_ms,
        begun_ms=begun_ms,
        per_day=_per_day(count, now_ms),
    )


def _per_day(count: Count, now_ms: int | None) -> float | None:
    points = list(count.days)
    if now_ms is not None and points and now_ms > points[-1][0] and count.ever > points[-1][1]:
        points.append((now_ms, count.ever))
    closings = span_ms = 0
    for (from_ms, before), (to_ms, after) in pairwise(points):
        if 0 < to_ms - from_ms <= IDLE_MS:
            span_ms += to_ms - from_ms
            closings += after - before
    return closings * DAY_MS / span_ms if span_ms >= LEAST_MS else None


def _ever_at(count: Count, at_ms: int) -> int:
    """``ever`` at a time, on a straight line between the days that are kept.

    Before them it is at least what it was at a change before that, else nothing: rather too old a
    relay than too new.  After them it is as it is now.
    """
    if not count.days or at_ms >= count.days[-1][0]:
        return count.ever
    for (from_ms, before), (to_ms, after) in pairwise(count.days):
        if from_ms <= at_ms < to_ms:
            return before + round((after - before) * (at_ms - from_ms) / (to_ms - from_ms))
    return max((ever for told_ms, ever in count.changes if told_ms <= at_ms), default=0)


def spaced(number: int) -> str:
    """A number with its thousands apart."""
    return f"{number:,}".replace(",", " ")


def tally(found: Life) -> str:
    """How often the contact has closed, of what: "closed 81 240 of 100 000 times"."""
    of = "" if found.rated is None else f" of {spaced(found.rated)}"
    return f"closed {spaced(found.closings)}{of} times"


def to_plain(count: Count) -> dict[str, Any]:
    """The count as plain JSON data."""
    return {
        "ever": count.ever,
        "logged": count.logged,
        "begun_ms": count.begun_ms,
        "changes": [list(each) for each in count.changes],
        "days": [list(each) for each in count.days],
    }


def from_plain(payload: object) -> Count:
    """The count of plain data.

    Raises:
        ValueError: it is not what ``to_plain`` makes.
    """
    if not isinstance(payload, Mapping) or set(payload) != {
        "ever", "logged", "begun_ms", "changes", "days"
    }:  # fmt: skip
        raise ValueError("the count of a relay is not what is kept there")
    logged, begun_ms = payload["logged"], payload["begun_ms"]
    return Count(
        _number(payload["ever"]),
        None if logged is None else _number(logged),
        None if begun_ms is None else _time_ms(begun_ms),
        _pairs(payload["changes"], CHANGES_KEPT),
        _pairs(payload["days"], DAYS_KEPT),
    )


def _pairs(value: object, most: int) -> tuple[tuple[int, int], ...]:
    if not isinstance(value, list) or len(value) > most:
        raise ValueError("the count of a relay has no list where one should be")
    found = []
    for each in value:
        if not isinstance(each, list) or len(each) != 2:
            raise ValueError("the count of a relay has a list of another kind")
        found.append((_time_ms(each[0]), _number(each[1])))
    return tuple(found)


def _number(value: object) -> int:
    if not isinstance(value, int) or isinstance(value, bool) or not 0 <= value <= MOST:
        raise ValueError("the count of a relay is no number of closings")
    return value


def _time_ms(value: object) -> int:
    if not isinstance(value, int) or isinstance(value, bool) or abs(value) > 10**14:
        raise ValueError("the count of a relay has no time where one should be")
    return value
