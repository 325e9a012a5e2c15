"""What is left of old samples: rows of a minute, and of ten.  Pure, and without numpy.

The course runs straight from one good estimate to the next, as everywhere in a review; where they
are more than ``KNOWN_MS`` apart nothing is known.  A row begins and ends at samples, so that no
stretch of the course is cut, and all of it is known or none.  From the lowest, the highest and the
mean of a row, and from how long and by how much it lay out of the band of 0.5 K around its
setpoint, the record of before is worked out again: times in band and areas beyond its edges
exactly, beyond any other limit between what its lowest and its highest allow.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from itertools import pairwise
from typing import NamedTuple, TypeAlias

from bottomheat.telling import BAND_K

MINUTE_MS = 60_000
TEN_MINUTES_MS = 600_000
KNOWN_MS = 900_000
"""As ``review.exposure.MAX_GAP_S``, which needs numpy."""
HOLE_MS = 120_000
"""As ``gaps.MAX_GAP_S``: samples further apart have a row for themselves, so that the gap shows."""
PLACES = 6
_BAND_MC = round(BAND_K * 1000)

Course: TypeAlias = tuple[int, int, int]
"""Mean, 1/1000 °C, and how far the lowest and the highest lay from it, 1/1000 K."""


class Sample(NamedTuple):
    """A sample, as far as it is thinned; times in ms of its run, temperatures in 1/1000 °C."""

    id: int
    t_ms: int
    state: int
    setpoint_mc: int | None
    heat: int
    closings: int
    estimate_mc: int | None
    expanded_ck: int | None
    places_mc: tuple[int | None, ...]


class Row(NamedTuple):
    """A row of ``thinned``, with all added up."""

    state: int
    t_ms: int
    span_ms: int
    samples: int
    closings: int
    heat_ms: int
    above_ms: int
    above_mks: int
    below_ms: int
    below_mks: int
    estimate: Course | None
    expanded_ck: int | None
    places: tuple[Course | None, ...]
    setpoint_mc: int | None

    @property
    def is_hole(self) -> bool:
        """Whether nothing was recorded until its end."""
        return self.samples == 1 and self.span_ms > HOLE_MS


def minutes(
    samples: Sequence[Sample], kept: Sequence[bool], from_ms: int, until_ms: int
) -> tuple[list[Row], list[int]]:
    """The rows of one box that begin in a stretch of its run, and the ids that they stand for.

    Args:
        samples: by time; some from before the stretch, and all from up to ``KNOWN_MS`` after it.
        kept: which of them stay as they are.
        from_ms: begin of the stretch, ms of the run.
        until_ms: its end.
    """
    stays = widened(samples, kept)
    rows: list[Row] = []
    gone: list[int] = []
    begin = end = -1  # of the row that is being made
    at = 0
    while at < len(samples) and samples[at].t_ms < until_ms:
        to = _next(samples, at)
        if to is None:
            if samples[at].t_ms >= from_ms:
                if end == at:
                    rows.append(_row(samples, stays, begin, end, last=True))
                elif not stays[at]:
                    rows.append(_row(samples, stays, at, at, last=True))
                if not stays[at]:
                    gone.append(samples[at].id)
            begin = end = -1
            at += 1
            continue
        if samples[at].t_ms < from_ms or all(stays[at : to + 1]):
            if end == at >= 0 and begin >= 0:
                rows.append(_row(samples, stays, begin, end))
            begin = end = -1
        elif end == at and _goes_on(samples, begin, at, to):
            end = to
        else:
            if begin >= 0:
                rows.append(_row(samples, stays, begin, end))
            begin, end = at, to
        if begin >= 0:
            gone += [
                each.id for each, stay in zip(samples[at:to], stays[at:to], strict=True) if not stay
            ]
        at = to
    if begin >= 0:
        rows.append(_row(samples, stays, begin, end))
    return rows, gone


def widened(samples: Sequence[Sample], kept: Sequence[bool]) -> list[bool]:
    """What stays: what was asked for, to where a line of the estimate begins and ends."""
    stays = list(kept)
    for order in (range(len(samples)), range(len(samples) - 1, -1, -1)):
        open_ms: int | None = None  # since when there was no estimate to end at
        for at in order:
            sample = samples[at]
            if not stays[at]:
                if open_ms is None or abs(sample.t_ms - open_ms) > KNOWN_MS:
                    open_ms = None
                    continue
                stays[at] = True
            elif kept[at]:
                open_ms = sample.t_ms
            if sample.estimate_mc is not None:
                open_ms = None
    return stays


def tens(rows: Iterable[tuple[int, Row]]) -> list[tuple[Row, list[int]]]:
    """Rows of one box by time with their ids, as rows of ten minutes with the ids they are made of.

    Those that remain what they were are left out.
    """
    groups: list[list[tuple[int, Row]]] = []
    for number, row in rows:
        if groups and _joins(groups[-1][-1][1], row):
            groups[-1].append((number, row))
        else:
            groups.append([(number, row)])
    return [
        (_together([row for _, row in group]), [number for number, _ in group])
        for group in groups
        if len(group) > 1
    ]


def joined(rows: Sequence[Row]) -> list[Row]:
    """Rows of one box by time, those of ten minutes made one as ``tens`` does."""
    made = tens(enumerate(rows))
    first = {numbers[0]: row for row, numbers in made}
    gone = {number for _, numbers in made for number in numbers[1:]}
    return [first.get(number, row) for number, row in enumerate(rows) if number not in gone]


def _next(samples: Sequence[Sample], at: int) -> int | None:
    """Where the piece of course that begins at a sample ends; None: there is none."""
    after = at + 1
    if after >= len(samples) or samples[after].t_ms - samples[at].t_ms > KNOWN_MS:
        return None
    if samples[at].estimate_mc is not None:
        for to in range(after, len(samples)):
            if samples[to].t_ms - samples[at].t_ms > KNOWN_MS:
                break
            if samples[to].estimate_mc is not None:
                return to
    return after


def _is_known(samples: Sequence[Sample], at: int, to: int) -> bool:
    return samples[at].estimate_mc is not None and samples[to].estimate_mc is not None


def _is_hole(samples: Sequence[Sample], at: int, to: int) -> bool:
    return to == at + 1 and samples[to].t_ms - samples[at].t_ms > HOLE_MS


def _goes_on(samples: Sequence[Sample], begin: int, at: int, to: int) -> bool:
    """Whether a piece belongs to the row that has been begun."""
    first = _next(samples, begin) or begin
    return (
        samples[begin].t_ms // MINUTE_MS == samples[at].t_ms // MINUTE_MS
        and samples[begin].setpoint_mc == samples[at].setpoint_mc
        and _is_known(samples, begin, first) == _is_known(samples, at, to)
        and not _is_hole(samples, begin, first)
        and not _is_hole(samples, at, to)
    )


def _row(
    samples: Sequence[Sample], stays: Sequence[bool], begin: int, end: int, *, last: bool = False
) -> Row:
    """The row from one sample to another; ``last``: it ends there, and no other begins."""
    part = samples[begin : end + 1]
    first = part[0]
    span_ms = part[-1].t_ms - first.t_ms
    heat_ms = 0
    lengths: dict[int, int] = {}
    for one, other in pairwise(part):
        length_ms = other.t_ms - one.t_ms
        heat_ms += length_ms if one.heat else 0
        if one.setpoint_mc == first.setpoint_mc:
            lengths[one.state] = lengths.get(one.state, 0) + length_ms
    state = max(lengths, key=lambda each: lengths[each]) if lengths else first.state
    counted = zip(part if last else part[:-1], stays[begin : end + 1], strict=False)
    good = [(each.t_ms, each.estimate_mc) for each in part if each.estimate_mc is not None]
    # Where one end has no estimate there is no line.
    known = bool(good) and (
        len(part) == 1 or (good[0][0], good[-1][0]) == (first.t_ms, part[-1].t_ms)
    )
    known = known and _tied(good)
    expanded = [each.expanded_ck for each in part if each.estimate_mc is not None]
    out = _out(good, first.setpoint_mc) if known else (0, 0, 0, 0)
    return Row(
        state,
        first.t_ms,
        span_ms,
        max(len(part) - 1, 1),
        sum(each.closings for each, stay in counted if not stay),
        heat_ms,
        *out,
        _course(good) if known else None,
        max((each for each in expanded if each is not None), default=None)
        if known and None not in expanded
        else None,
        tuple(
            _course([(s.t_ms, v) for s in part if (v := s.places_mc[place]) is not None])
            for place in range(PLACES)
        ),
        first.setpoint_mc,
    )


def _tied(good: Sequence[tuple[int, int]]) -> bool:
    return all(other[0] - one[0] <= KNOWN_MS for one, other in pairwise(good))


def _course(good: Sequence[tuple[int, int]]) -> Course | None:
    """Mean over the time that is known, or of what there is where none is."""
    if not good:
        return None
    whole_ms = twice = 0
    for (t_ms, value), (next_ms, other) in pairwise(good):
        length_ms = next_ms - t_ms
        if length_ms <= KNOWN_MS:
            whole_ms += length_ms
            twice += length_ms * (value + other)
    values = [value for _, value in good]
    low, high = min(values), max(values)
    mean = round(twice / (2 * whole_ms)) if whole_ms else round(sum(values) / len(values))
    return mean, mean - low, high - mean


def _out(good: Sequence[tuple[int, int]], setpoint_mc: int | None) -> tuple[int, int, int, int]:
    """How long above the band, ms, and by how much, 1/1000 K s; the same below."""
    if setpoint_mc is None:
        return 0, 0, 0, 0
    found: list[int] = []
    for sign in (1, -1):
        edge = sign * setpoint_mc + _BAND_MC
        time_ms = area = 0.0
        for (t_ms, value), (next_ms, other) in pairwise(good):
            over, then = sign * value - edge, sign * other - edge
            top = max(over, then)
            if top <= 0:
                continue
            length_ms = next_ms - t_ms
            if min(over, then) < 0:
                # Straight across the edge: that share of the way is beyond it.
                beyond_ms = length_ms * top / (abs(over) + abs(then))
                time_ms += beyond_ms
                area += beyond_ms * top / 2
            else:
                time_ms += length_ms
                area += length_ms * (over + then) / 2
        found += [max(round(time_ms), 1) if time_ms else 0, round(area / 1000)]
    return found[0], found[1], found[2], found[3]


def _joins(one: Row, other: Row) -> bool:
    return (
        one.t_ms // TEN_MINUTES_MS == other.t_ms // TEN_MINUTES_MS
        and one.t_ms + one.span_ms == other.t_ms
        and one.setpoint_mc == other.setpoint_mc
        and (one.estimate is None) == (other.estimate is None)
        and not one.is_hole
        and not other.is_hole
    )


def _together(rows: Sequence[Row]) -> Row:
    longest = max(rows, key=lambda row: row.span_ms)
    spans_ms = [row.span_ms for row in rows]
    expanded = [row.expanded_ck for row in rows]
    return Row(
        longest.state,
        rows[0].t_ms,
        sum(spans_ms),
        sum(row.samples for row in rows),
        sum(row.closings for row in rows),
        sum(row.heat_ms for row in rows),
        sum(row.above_ms for row in rows),
        sum(row.above_mks for row in rows),
        sum(row.below_ms for row in rows),
        sum(row.below_mks for row in rows),
        _of_all([row.estimate for row in rows], spans_ms),
        None if None in expanded else max(each for each in expanded if each is not None),
        tuple(_of_all([row.places[place] for row in rows], spans_ms) for place in range(PLACES)),
        rows[0].setpoint_mc,
    )


def _of_all(courses: Sequence[Course | None], spans_ms: Sequence[int]) -> Course | None:
    there = [(course, span_ms) for course, span_ms in zip(courses, spans_ms, strict=True) if course]
    if not there:
        return None
    whole_ms = sum(span_ms for _, span_ms in there)
    low = min(mean - under for (mean, under, _), _ in there)
    high = max(mean + over for (mean, _, over), _ in there)
    mean = (
        round(sum(course[0] * span_ms for course, span_ms in there) / whole_ms)
        if whole_ms
        else (low + high) // 2
    )
    return mean, mean - low, high - mean
