"""How long a temperature lay above, below or within limits, and by how much.  Pure; needs numpy.

The temperature runs straight from one sample to the next, so that every crossing has its moment.
Between samples further apart than ``max_gap_s`` it is unknown: counted neither in nor out.  A
missing value is no sample.  A temperature equal to a limit is within it.

Where the straight line crosses a limit, p before it and -q after, it does so at p / (p + q) of the
way, and the triangle has the area ½ · p² / (p + q) · h.  Clipping the samples instead and adding
trapezoids is up to 90 % off (tests/core/test_exposure.py).
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from enum import StrEnum
from typing import Final

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]
Times = npt.NDArray[np.int64]
Limit = float | Array
"""°C: one, or one for each segment of a trace."""

MAX_GAP_S: Final = 900.0
"""Further apart, nobody knows what lay between, s; the dead time of a bed (judgement)."""

MERGE_S: Final = 900.0
"""Episodes closer than this are one, s; the dead time of a bed (judgement)."""

HOUR_MS: Final = 3_600_000.0
WIDEST_K: Final = 1000.0
"""What stands for an uncertainty that is not known, K."""


class Side(StrEnum):
    """On which side of a limit."""

    ABOVE = "above"
    BELOW = "below"


@dataclass(frozen=True, slots=True, eq=False)
class Trace:
    """The known segments of a temperature within a window of time; all arrays of one length.

    Attributes:
        from_ms: begin of the window, UTC ms.
        to_ms: its end, not included.
        begin_ms: when each segment begins, UTC ms, ascending.
        end_ms: when it ends; the next may begin there or later.
        start_c: temperature at its begin, °C.
        end_c: at its end, °C.
        start_k: expanded uncertainty (k = 2) at its begin, K; ``WIDEST_K``: not known.
        end_k: at its end, K.
        under_k: how far below the line besides the course may have lain at its begin and end, K;
            0 between samples, more where they were thinned.
        over_k: how far above it.
        row: which sample it begins with (or had begun with before the window).
    """

    from_ms: int
    to_ms: int
    begin_ms: Times
    end_ms: Times
    start_c: Array
    end_c: Array
    start_k: Array
    end_k: Array
    row: Times
    under_k: tuple[Array, Array] | None = None
    over_k: tuple[Array, Array] | None = None

    @property
    def hours(self) -> Array:
        """Length of each segment, h."""
        return (self.end_ms - self.begin_ms) / HOUR_MS

    def hours_of(self, segments: npt.NDArray[np.intp]) -> Array:
        """Length of some of the segments, h."""
        return (self.end_ms[segments] - self.begin_ms[segments]) / HOUR_MS

    @property
    def known_h(self) -> float:
        """How much of the window is known, h."""
        return float(np.sum(self.end_ms - self.begin_ms)) / HOUR_MS

    @property
    def unknown_h(self) -> float:
        """How much of it is not, h."""
        whole_ms = max(self.to_ms - self.from_ms, 0)
        return (whole_ms - int(np.sum(self.end_ms - self.begin_ms))) / HOUR_MS

    def shifted(self, share: float) -> Trace:
        """The same with ``share`` of its uncertainty added: -1 the lower, 1 the upper bound."""
        start_k, end_k = self.start_k, self.end_k
        beside = self.under_k if share < 0 else self.over_k
        if beside is not None:
            start_k, end_k = start_k + beside[0], end_k + beside[1]
        return replace(
            self,
            start_c=self.start_c + share * start_k,
            end_c=self.end_c + share * end_k,
        )

    def mean_c(self) -> float | None:
        """Mean over the known time, °C; None: none is known."""
        hours = self.hours
        if not hours.size:
            return None
        return float(np.sum(hours * (self.start_c + self.end_c)) / 2 / np.sum(hours))


@dataclass(frozen=True, slots=True)
class Exposure:
    """Time beyond a limit.

    Attributes:
        hours: how long, h.
        degree_hours: the area beyond it, K·h.
        longest_h: longest stretch without a break or a gap, h.
        first_ms: when it was first crossed (or the window began beyond it), UTC ms; None: never.
        head_h: the stretch that the window begins with, h; 0: it begins within the limit.
        tail_h: the stretch that it ends with, h.
    """

    hours: float
    degree_hours: float
    longest_h: float
    first_ms: int | None
    head_h: float = 0.0
    tail_h: float = 0.0


@dataclass(frozen=True, slots=True)
class Episode:
    """A stretch beyond a limit, from crossing to crossing.

    Attributes:
        side: of the limit.
        from_ms: when it began, UTC ms.
        to_ms: when it ended, UTC ms.
        hours: time beyond the limit in it, h: less than its length where parts were merged.
        degree_hours: the area beyond it, K·h.
        worst_k: furthest beyond the limit, K, never negative.
        worst_c: the temperature then, °C.
        worst_ms: when, UTC ms.
        cut_start: what came before it is not known, or before the window.
        cut_end: what came after it is not known, or after the window.
    """

    side: Side
    from_ms: int
    to_ms: int
    hours: float
    degree_hours: float
    worst_k: float
    worst_c: float
    worst_ms: int
    cut_start: bool
    cut_end: bool


@dataclass(frozen=True, slots=True)
class Extreme:
    """The coldest or hottest moment: °C, expanded uncertainty (k = 2) in K, UTC ms."""

    celsius: float
    expanded_k: float
    at_ms: int


def trace(
    wall_ms: Times,
    celsius: Array,
    from_ms: int,
    to_ms: int,
    *,
    expanded_k: Array | None = None,
    beside_k: tuple[Array, Array] | None = None,
    max_gap_s: float = MAX_GAP_S,
) -> Trace:
    """The known segments of a temperature within a window.

    Samples from outside the window help: a segment that reaches over its edge is cut there.

    Args:
        wall_ms: when each sample was taken, UTC ms; in any order.
        celsius: the temperatures, °C; NaN: missing.
        from_ms: begin of the window, UTC ms.
        to_ms: its end, UTC ms.
        expanded_k: uncertainty (k = 2) of each, K; NaN or infinite: not known; None: none at all.
        beside_k: how far below and above the line between them the course may have lain besides,
            K, as where samples were thinned; None: it is that line.
        max_gap_s: between samples further apart than this it is unknown, s.

    Raises:
        ValueError: arrays of different lengths.
    """
    times = np.asarray(wall_ms, dtype=np.int64)
    values = np.asarray(celsius, dtype=np.float64)
    doubts = np.zeros(values.shape) if expanded_k is None else np.asarray(expanded_k, np.float64)
    if not times.shape == values.shape == doubts.shape:
        raise ValueError("times, temperatures and uncertainties differ in number")
    doubts = np.where(np.isfinite(doubts), np.minimum(np.abs(doubts), WIDEST_K), WIDEST_K)
    rows = np.flatnonzero(np.isfinite(values))
    if np.any(np.diff(times[rows]) < 0):
        rows = rows[np.argsort(times[rows], kind="stable")]
    before, after = rows[:-1], rows[1:]
    length_ms = times[after] - times[before]
    known = (length_ms > 0) & (length_ms <= max_gap_s * 1000.0)
    known &= (times[after] > from_ms) & (times[before] < to_ms)
    before, after, length_ms = before[known], after[known], length_ms[known]
    begin_ms = np.maximum(times[before], from_ms)
    end_ms = np.minimum(times[after], to_ms)
    at_begin = (begin_ms - times[before]) / length_ms
    at_end = (end_ms - times[before]) / length_ms

    def cut(each: Array) -> tuple[Array, Array]:
        one, other = each[before], each[after]
        return _between(one, other, at_begin), _between(one, other, at_end)

    return Trace(
        from_ms=from_ms,
        to_ms=to_ms,
        begin_ms=begin_ms,
        end_ms=end_ms,
        start_c=_between(values[before], values[after], at_begin),
        end_c=_between(values[before], values[after], at_end),
        start_k=_between(doubts[before], doubts[after], at_begin),
        end_k=_between(doubts[before], doubts[after], at_end),
        row=before.astype(np.int64),
        under_k=None if beside_k is None else cut(beside_k[0]),
        over_k=None if beside_k is None else cut(beside_k[1]),
    )


def beyond(line: Trace, limit: Limit, side: Side) -> Exposure:
    """Time on one side of a limit, °C."""
    return _exposure(line, limit, side)


def above(line: Trace, limit: Limit) -> Exposure:
    """Time above a limit, °C."""
    return _exposure(line, limit, Side.ABOVE)


def below(line: Trace, limit: Limit) -> Exposure:
    """Time below a limit, °C."""
    return _exposure(line, limit, Side.BELOW)


def within_h(line: Trace, low: Limit, high: Limit) -> float:
    """How long the temperature lay from ``low`` to ``high``, °C, both included, h."""
    return _overlap_h(line, line, low, high)


def within_bounds_h(line: Trace, low: Limit, high: Limit) -> tuple[float, float]:
    """Least and most of ``within_h`` that the uncertainty leaves possible, h.

    Least: with both bounds of the temperature in the band.  Most: with the span between its bounds
    touching the band.
    """
    lower, upper = line.shifted(-1.0), line.shifted(1.0)
    return _overlap_h(lower, upper, low, high), _overlap_h(upper, lower, low, high)


def bounds_h(line: Trace, limit: Limit, side: Side) -> tuple[float, float]:
    """Least and most time beyond a limit that the uncertainty leaves possible, h."""
    inward = -1.0 if side is Side.ABOVE else 1.0
    least, most = line.shifted(inward), line.shifted(-inward)
    return _hours(least, limit, side), _hours(most, limit, side)


def episodes(
    line: Trace, limit: Limit, side: Side, *, merge_s: float = MERGE_S
) -> tuple[Episode, ...]:
    """The stretches beyond a limit, oldest first.

    Args:
        line: the temperature.
        limit: °C.
        side: of the limit.
        merge_s: stretches with no more than this between them, all of it known, are one, s.
    """
    parts = _parts(line, limit, side, merge_s)
    if parts is None:
        return ()
    each_h = np.add.reduceat(parts.hours, parts.heads)
    each_area = np.add.reduceat(parts.areas, parts.heads)
    tails = np.concatenate((parts.heads[1:] - 1, [parts.hours.size - 1]))
    start_k, end_k = _over(line, limit, side)
    peaks_k = np.maximum(start_k, end_k)[parts.segment]
    fresh, last = _edges(line)
    made = []
    for index, (head, tail) in enumerate(zip(parts.heads, tails, strict=True)):
        at = parts.segment[head + int(np.argmax(peaks_k[head : tail + 1]))]
        at_start = bool(start_k[at] >= end_k[at])
        made.append(
            Episode(
                side=side,
                from_ms=round(float(parts.from_ms[head])),
                to_ms=round(float(parts.to_ms[tail])),
                hours=float(each_h[index]),
                degree_hours=float(each_area[index]),
                worst_k=float(max(start_k[at], end_k[at])),
                worst_c=float(line.start_c[at] if at_start else line.end_c[at]),
                worst_ms=int(line.begin_ms[at] if at_start else line.end_ms[at]),
                cut_start=bool(
                    fresh[parts.segment[head]]
                    and parts.from_ms[head] <= line.begin_ms[parts.segment[head]]
                ),
                cut_end=bool(
                    last[parts.segment[tail]]
                    and parts.to_ms[tail] >= line.end_ms[parts.segment[tail]]
                ),
            )
        )
    return tuple(made)


def coldest(line: Trace) -> Extreme | None:
    """The coldest moment that is known; None: none is."""
    return _extreme(line, -1.0)


def hottest(line: Trace) -> Extreme | None:
    """The hottest moment that is known; None: none is."""
    return _extreme(line, 1.0)


def _extreme(line: Trace, sign: float) -> Extreme | None:
    if not line.row.size:
        return None
    start, end = int(np.argmax(sign * line.start_c)), int(np.argmax(sign * line.end_c))
    if sign * line.start_c[start] >= sign * line.end_c[end]:
        celsius, doubt_k, at_ms = line.start_c[start], line.start_k[start], line.begin_ms[start]
    else:
        celsius, doubt_k, at_ms = line.end_c[end], line.end_k[end], line.end_ms[end]
    return Extreme(float(celsius), float(doubt_k), int(at_ms))


def _between(before: Array, after: Array, share: Array) -> Array:
    """Straight between two values, and exactly them at 0 and 1."""
    return before * (1.0 - share) + after * share


def _over(line: Trace, limit: Limit, side: Side) -> tuple[Array, Array]:
    """How far beyond a limit each segment begins and ends, K."""
    if side is Side.ABOVE:
        return line.start_c - limit, line.end_c - limit
    return limit - line.start_c, limit - line.end_c


def _edges(line: Trace) -> tuple[npt.NDArray[np.bool_], npt.NDArray[np.bool_]]:
    """Whether each segment is the first, and the last, of a stretch of known time."""
    apart = line.begin_ms[1:] != line.end_ms[:-1]
    return np.concatenate(([True], apart)), np.concatenate((apart, [True]))


def _positive(start: Array, end: Array) -> tuple[Array, Array]:
    """From which to which share of each segment a straight line is above 0; equal: nowhere."""
    rising, falling = (start <= 0.0) & (end > 0.0), (start > 0.0) & (end <= 0.0)
    # Where the two ends lie on one side there is no crossing, and nothing to divide by.
    fall = np.where(rising | falling, start - end, 1.0)
    cross = start / fall
    begin = np.where(rising, cross, 0.0)
    stop = np.where(falling, cross, np.where((start > 0.0) | (end > 0.0), 1.0, 0.0))
    return begin, stop


def _hours(line: Trace, limit: Limit, side: Side) -> float:
    start_k, end_k = _over(line, limit, side)
    # Most limits are never reached: look closer only at the segments that do.
    found = np.flatnonzero(np.maximum(start_k, end_k) > 0.0)
    begin, end = _positive(start_k[found], end_k[found])
    return float(np.sum((end - begin) * line.hours_of(found)))


@dataclass(frozen=True, slots=True, eq=False)
class _Parts:
    """Where a trace is beyond a limit: a part a segment; ``heads``: the first of each episode."""

    segment: npt.NDArray[np.intp]
    from_ms: Array
    to_ms: Array
    hours: Array
    areas: Array
    heads: npt.NDArray[np.intp]


def _parts(line: Trace, limit: Limit, side: Side, merge_s: float) -> _Parts | None:
    start_k, end_k = _over(line, limit, side)
    found = np.flatnonzero(np.maximum(start_k, end_k) > 0.0)
    if not found.size:
        return None
    start_k, end_k = start_k[found], end_k[found]
    begin, end = _positive(start_k, end_k)
    begin_ms = line.begin_ms[found]
    length_ms = (line.end_ms[found] - begin_ms).astype(np.float64)
    from_ms, to_ms = begin_ms + begin * length_ms, begin_ms + end * length_ms
    stretch = np.cumsum(_edges(line)[0])[found]
    new = (from_ms[1:] - to_ms[:-1] > merge_s * 1000.0) | (stretch[1:] != stretch[:-1])
    hours = (end - begin) * line.hours_of(found)
    return _Parts(
        segment=found,
        from_ms=from_ms,
        to_ms=to_ms,
        hours=hours,
        areas=hours * (np.maximum(start_k, 0.0) + np.maximum(end_k, 0.0)) / 2,
        heads=np.concatenate(([0], np.flatnonzero(new) + 1)),
    )


def _exposure(line: Trace, limit: Limit, side: Side) -> Exposure:
    parts = _parts(line, limit, side, merge_s=0.0)
    if parts is None:
        return Exposure(0.0, 0.0, 0.0, None)
    stretches_h = np.add.reduceat(parts.hours, parts.heads)
    return Exposure(
        hours=float(np.sum(parts.hours)),
        degree_hours=float(np.sum(parts.areas)),
        longest_h=float(np.max(stretches_h)),
        first_ms=round(float(parts.from_ms[0])),
        head_h=float(stretches_h[0]) if parts.from_ms[0] <= line.from_ms else 0.0,
        tail_h=float(stretches_h[-1]) if parts.to_ms[-1] >= line.to_ms else 0.0,
    )


def _overlap_h(lower: Trace, upper: Trace, low: Limit, high: Limit) -> float:
    """How long ``lower`` is at least ``low`` while ``upper`` is at most ``high``, h."""
    one = _not_negative(lower.start_c - low, lower.end_c - low)
    other = _not_negative(high - upper.start_c, high - upper.end_c)
    share = np.minimum(one[1], other[1]) - np.maximum(one[0], other[0])
    return float(np.sum(np.maximum(share, 0.0) * lower.hours))


def _not_negative(start: Array, end: Array) -> tuple[Array, Array]:
    """The same as ``_positive`` with 0 included."""
    begin, stop = _positive(start, end)
    flat = (start == 0.0) & (end == 0.0)
    return begin, np.where(flat, 1.0, stop)
