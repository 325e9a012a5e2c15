"""Many samples into few buckets of time that still show what counts.  Pure; needs numpy.

A bucket is as wide as a pixel of a chart, or as an hour or a day of a table.  It keeps the lowest
and the highest value, so that no extreme is lost, and the mean over time.  Between two samples the
value runs straight from one to the next, as in ``exposure``; where they are further apart than
``max_gap_s``, or a hole lies between them, nothing is known, and a bucket without anything known
holds NaN.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final, TypeAlias

import numpy as np
import numpy.typing as npt

from bottomheat.review.exposure import MAX_GAP_S

Floats: TypeAlias = npt.NDArray[np.float64]
Integers: TypeAlias = npt.NDArray[np.int64]
Hole: TypeAlias = tuple[int, int]
"""From and to, UTC ms, of a time in which nothing was recorded."""

STEPS_S: Final = (
    10, 20, 30, 60, 120, 300, 600, 900, 1200, 1800, 3600, 5400, 7200, 10800, 14400, 21600, 43200,
    86400,
)  # fmt: skip
"""Widths of a bucket to choose from, s: they divide a day."""


@dataclass(frozen=True, slots=True, eq=False)
class Thinned:
    """What is left of a signal; all arrays have one value for each bucket, NaN: nothing known.

    Attributes:
        low: lowest value.
        mean: mean over the time that is known.
        high: highest value.
        known_s: how much of the bucket is known, s.
    """

    low: Floats
    mean: Floats
    high: Floats
    known_s: Floats

    def __or__(self, other: Thinned) -> Thinned:
        """Both, of the same buckets, made from times that do not overlap."""
        return Thinned(
            np.fmin(self.low, other.low),
            _weighed(self.mean, self.known_s, other.mean, other.known_s),
            np.fmax(self.high, other.high),
            self.known_s + other.known_s,
        )


@dataclass(frozen=True, slots=True, eq=False)
class Share:
    """Share of the known time of each bucket, 0 to 1 (NaN: nothing known), and that time, s."""

    mean: Floats
    known_s: Floats

    def __or__(self, other: Share) -> Share:
        """Both, of the same buckets, made from times that do not overlap."""
        mean = _weighed(self.mean, self.known_s, other.mean, other.known_s)
        return Share(mean, self.known_s + other.known_s)


def edges_for(from_ms: int, to_ms: int, most: int) -> Integers:
    """Edges of as many equal buckets as are allowed; the last one may reach beyond the end.

    Args:
        from_ms: begin of the window, UTC ms; the first edge is at it or before it.
        to_ms: end of the window, UTC ms.
        most: buckets at the most.

    Raises:
        ValueError: the window is empty, or no bucket is allowed.
    """
    if to_ms <= from_ms or most < 1:
        raise ValueError("there is no time to put into buckets")
    for step_s in STEPS_S:
        step_ms = step_s * 1000
        first_ms = from_ms // step_ms * step_ms
        count = -(-(to_ms - first_ms) // step_ms)
        if count <= most:
            break
    else:
        step_ms = -(-(to_ms - from_ms) // most)
        first_ms, count = from_ms, most
    return first_ms + step_ms * np.arange(count + 1, dtype=np.int64)


def thin(
    wall_ms: Integers,
    values: Floats,
    edges_ms: Integers,
    *,
    max_gap_s: float = MAX_GAP_S,
    holes: Sequence[Hole] = (),
) -> Thinned:
    """Lowest, mean and highest value of each bucket.

    Samples from outside the buckets help: a line that runs over an edge is cut there.

    Args:
        wall_ms: when each sample was taken, UTC ms, never decreasing.
        values: the samples; NaN: missing.
        edges_ms: where buckets begin and the last one ends, UTC ms, never decreasing; one more
            than buckets, of any widths.  One without width holds nothing.
        max_gap_s: samples further apart have nothing known between them, s.
        holes: times in which nothing was recorded: no line runs across them.
    """
    present = ~np.isnan(values)
    at_ms, values = wall_ms[present], values[present]
    count = len(edges_ms) - 1
    low, high = np.full(count, np.inf), np.full(count, -np.inf)
    if not len(at_ms):
        nothing = np.full(count, np.nan)
        return Thinned(nothing, nothing, nothing, np.zeros(count))
    joined = _joined(at_ms, max_gap_s, holes)
    _take(low, high, values, np.searchsorted(edges_ms, at_ms, side="right") - 1)

    # At an edge that a line runs across, its value there belongs to both buckets.
    at_edges, crossed = _at_edges(at_ms, values, joined, edges_ms)
    wide = np.diff(edges_ms) > 0
    for bucket in (slice(0, -1), slice(1, None)):
        of = np.flatnonzero(crossed[bucket] & wide)
        _take(low, high, at_edges[bucket][of], of)

    area, known_ms = _sums(at_ms, values, joined, edges_ms)
    with np.errstate(invalid="ignore", divide="ignore"):
        mean = area / known_ms
    empty = np.isinf(low)
    low[empty] = high[empty] = np.nan
    # A sample that stands alone has no length of time: the middle of what is there is its mean.
    alone = (known_ms <= 0) & ~empty
    mean[alone] = (low[alone] + high[alone]) / 2
    mean[empty] = np.nan
    # A mean lies between its extremes: rounding may put it a hair outside.
    return Thinned(low, np.clip(mean, low, high), high, known_ms / 1000)


def coarser(fine: Thinned, buckets: int) -> Thinned:
    """So many buckets made into one, from the first on; the last one may be made of fewer."""
    first = np.arange(0, len(fine.mean), buckets)
    known_s = np.add.reduceat(fine.known_s, first)
    weighed = np.add.reduceat(np.nan_to_num(fine.mean) * fine.known_s, first)
    low, high = np.fmin.reduceat(fine.low, first), np.fmax.reduceat(fine.high, first)
    with np.errstate(invalid="ignore", divide="ignore"):
        mean = np.where(known_s > 0, weighed / known_s, (low + high) / 2)
    return Thinned(low, np.clip(mean, low, high), high, known_s)


def spread(fine: Share, buckets: int) -> Floats:
    """The share of so many buckets together, in each of them; NaN where one knows nothing."""
    first = np.arange(0, len(fine.mean), buckets)
    known_s = np.add.reduceat(fine.known_s, first)
    on_s = np.add.reduceat(np.nan_to_num(fine.mean) * fine.known_s, first)
    with np.errstate(invalid="ignore", divide="ignore"):
        mean = np.repeat(on_s / known_s, buckets)[: len(fine.mean)]
    return np.where(np.isnan(fine.mean), np.nan, mean)


def share(
    wall_ms: Integers,
    on: npt.NDArray[np.bool_],
    edges_ms: Integers,
    *,
    max_gap_s: float = MAX_GAP_S,
    holes: Sequence[Hole] = (),
) -> Share:
    """Share of the known time of each bucket that something was on.

    What a sample says holds until the next one.

    Args:
        wall_ms: when each sample was taken, UTC ms, never decreasing.
        on: whether it was on.
        edges_ms: as for ``thin``.
        max_gap_s: samples further apart have nothing known between them, s.
        holes: times in which nothing was recorded.
    """
    if len(wall_ms) < 2:
        return Share(np.full(len(edges_ms) - 1, np.nan), np.zeros(len(edges_ms) - 1))
    length_ms = np.diff(wall_ms) * _joined(wall_ms, max_gap_s, holes)
    known_ms = _until(wall_ms, length_ms, edges_ms)
    on_ms = _until(wall_ms, length_ms * on[:-1], edges_ms)
    with np.errstate(invalid="ignore", divide="ignore"):
        mean = np.where(known_ms > 0, np.clip(on_ms / known_ms, 0.0, 1.0), np.nan)
    return Share(mean, known_ms / 1000)


def held(
    wall_ms: Integers,
    values: Floats,
    at_ms: Integers,
    *,
    max_gap_s: float = MAX_GAP_S,
    holes: Sequence[Hole] = (),
) -> Floats:
    """What was set at certain moments: the last sample before each; NaN: nothing known then.

    Args:
        wall_ms: when each sample was taken, UTC ms, never decreasing.
        values: the samples.
        at_ms: the moments, UTC ms, ascending.
        max_gap_s: a sample older than this says nothing, s.
        holes: times in which nothing was recorded.
    """
    found = np.full(len(at_ms), np.nan)
    if not len(wall_ms):
        return found
    place = np.searchsorted(wall_ms, at_ms, side="right") - 1
    fresh = (place >= 0) & (at_ms - wall_ms[np.maximum(place, 0)] <= max_gap_s * 1000)
    for from_ms, to_ms in holes:
        fresh &= (at_ms <= from_ms) | (at_ms >= to_ms)
    found[fresh] = values[place[fresh]]
    return found


def _joined(at_ms: Integers, max_gap_s: float, holes: Sequence[Hole]) -> npt.NDArray[np.bool_]:
    """Whether a line runs from each sample to the next."""
    joined: npt.NDArray[np.bool_] = np.diff(at_ms) <= max_gap_s * 1000
    for from_ms, to_ms in holes:
        # Every stretch that has a part in the hole, and not only an end.
        first = int(np.searchsorted(at_ms, from_ms, side="right")) - 1
        last = int(np.searchsorted(at_ms, to_ms, side="left"))
        joined[max(first, 0) : max(last, 0)] = False
    return joined


def _take(low: Floats, high: Floats, values: Floats, bucket: npt.NDArray[np.intp]) -> None:
    inside = (bucket >= 0) & (bucket < len(low))
    np.minimum.at(low, bucket[inside], values[inside])
    np.maximum.at(high, bucket[inside], values[inside])


def _at_edges(
    at_ms: Integers, values: Floats, joined: npt.NDArray[np.bool_], edges_ms: Integers
) -> tuple[Floats, npt.NDArray[np.bool_]]:
    """The value at each edge, and whether a line runs across it."""
    found = np.full(len(edges_ms), np.nan)
    before = np.searchsorted(at_ms, edges_ms, side="left") - 1
    crossed = (before >= 0) & (before < len(at_ms) - 1)
    crossed[crossed] = joined[before[crossed]]
    at = before[crossed]
    along = (edges_ms[crossed] - at_ms[at]) / (at_ms[at + 1] - at_ms[at])
    first, then = values[at], values[at + 1]
    # Rounding must not put it beyond both.
    between = np.clip(
        (1 - along) * first + along * then, np.minimum(first, then), np.maximum(first, then)
    )
    found[crossed] = between
    return found, crossed


def _sums(
    at_ms: Integers, values: Floats, joined: npt.NDArray[np.bool_], edges_ms: Integers
) -> tuple[Floats, Floats]:
    """Area under the line and length of it in each bucket: in units of the value · ms, and ms."""
    length_ms = np.diff(at_ms) * joined
    # Counted from its own middle, so that a small difference of large sums stays exact.
    middle = float(np.mean(values))
    area = np.concatenate(([0.0], np.cumsum(length_ms * (values[1:] + values[:-1] - 2 * middle))))
    whole = np.concatenate(([0], np.cumsum(length_ms)))
    place = np.clip(np.searchsorted(at_ms, edges_ms, side="right") - 1, 0, max(len(at_ms) - 2, 0))
    if len(at_ms) < 2:
        return np.zeros(len(edges_ms) - 1), np.zeros(len(edges_ms) - 1)
    part_ms = np.clip(edges_ms - at_ms[place], 0, length_ms[place])
    run_ms = np.maximum(at_ms[place + 1] - at_ms[place], 1)
    reached = values[place] + (values[place + 1] - values[place]) * (part_ms / run_ms)
    until = area[place] + part_ms * (values[place] + reached - 2 * middle)
    known_ms = np.diff(whole[place] + part_ms).astype(np.float64)
    return np.diff(until) / 2 + middle * known_ms, known_ms


def _until(
    wall_ms: Integers, length_ms: npt.NDArray[np.int64], edges_ms: Integers
) -> npt.NDArray[np.float64]:
    """How much of lengths that begin at samples lies in each bucket, ms."""
    whole = np.concatenate(([0], np.cumsum(length_ms)))
    place = np.clip(np.searchsorted(wall_ms, edges_ms, side="right") - 1, 0, len(wall_ms) - 2)
    part_ms = np.clip(edges_ms - wall_ms[place], 0, length_ms[place])
    return np.asarray(np.diff(whole[place] + part_ms), dtype=np.float64)


def _weighed(one: Floats, one_s: Floats, other: Floats, other_s: Floats) -> Floats:
    """Mean of both by their lengths of time; where neither has any, their middle."""
    first, second = np.isnan(one), np.isnan(other)
    weight, known = np.where(first, 0.0, one_s), one_s + other_s
    with np.errstate(invalid="ignore", divide="ignore"):
        along = np.where(known > 0, weight / known, 0.5)
    mean = along * one + (1 - along) * other
    return np.where(first, other, np.where(second, one, mean))
