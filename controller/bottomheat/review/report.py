"""What a report is made of: text, tables, the thinned course of each box, and marks.  Pure.

Needs numpy.  ``page`` and ``terminal_chart`` show it.  A strip is made from the rows of a box a
stretch at a time and added up with ``|``, so that a season never lies in memory as a whole:

    grid = grid_for(from_ms, to_ms, zone, boxes=4)
    for a stretch of time after the other:
        strip = strip_of(name, rows, grid, stretch_from_ms, stretch_to_ms, holes)
        whole = strip if whole is None else whole | strip
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime, time, timedelta, tzinfo
from enum import StrEnum
from typing import Final, Protocol

import numpy as np
import numpy.typing as npt

from bottomheat.review.exposure import MAX_GAP_S, trace, within_h
from bottomheat.review.thinning import Floats, Hole, Integers, Share, Thinned, edges_for, held, thin
from bottomheat.review.thinning import share as share_of
from bottomheat.telling import BAND_K

BUCKETS: Final = 3000
"""Of one box: more than a screen has pixels across, so that there is something to zoom into."""
OF_ALL_BOXES: Final = 6_000
"""Buckets of a page: with them the page of a season stays below 2 MB."""
_HOURS_UP_TO: Final = timedelta(days=3)
_DAYS_UP_TO: Final = timedelta(days=200)
_NEVER_C: Final = 1e6


class MarkKind(StrEnum):
    """What a mark is about."""

    URGENT = "urgent alarm"
    ALARM = "alarm"
    GAP = "no data"
    TENDING = "box open"
    STAGE = "batch"
    NOTE = "note"


@dataclass(frozen=True, slots=True)
class Mark:
    """Something that happened.

    Attributes:
        kind: what it is about.
        from_ms: when it began, UTC ms.
        to_ms: when it ended, UTC ms; None: a moment.
        text: what it was, one sentence.
        box: the box's name; None: all of them.
    """

    kind: MarkKind
    from_ms: int
    to_ms: int | None
    text: str
    box: str | None = None


@dataclass(frozen=True, slots=True)
class Points:
    """A list; ``ordered`` ones are numbered."""

    items: tuple[str, ...]
    ordered: bool = False


@dataclass(frozen=True, slots=True)
class Table:
    """A table with what it is about, its column heads and rows of as many cells."""

    caption: str
    head: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]


@dataclass(frozen=True, slots=True)
class Section:
    """A heading and what stands below it: paragraphs, lists, tables."""

    heading: str
    blocks: tuple[str | Points | Table, ...]


@dataclass(frozen=True, slots=True, eq=False)
class Grid:
    """How a window is cut.

    Attributes:
        from_ms: begin of the window, UTC ms.
        to_ms: its end, UTC ms.
        edges_ms: of the charts' buckets, UTC ms.
        periods_ms: of the table's rows, UTC ms: whole hours, days or weeks of the grower's clock.
        period: "hour", "day" or "week".
    """

    from_ms: int
    to_ms: int
    edges_ms: Integers
    periods_ms: Integers
    period: str


@dataclass(frozen=True, slots=True, eq=False)
class Course:
    """What a box did, bucket by bucket.

    Attributes:
        estimate_c: callus zone.
        least_c: the estimate less its expanded uncertainty (k = 2): only its lowest counts.
        most_c: the estimate and its expanded uncertainty: only its highest counts.
        layer_c: wet layer.
        room_c: room.
        mat_c: mat.
        top_c: air at the buds.
        heat: share of the time with heat commanded on.
    """

    estimate_c: Thinned
    least_c: Thinned
    most_c: Thinned
    layer_c: Thinned
    room_c: Thinned
    mat_c: Thinned
    top_c: Thinned
    heat: Share

    def __or__(self, other: Course) -> Course:
        """Both, of the same buckets, made from times that do not overlap."""
        return Course(
            self.estimate_c | other.estimate_c,
            self.least_c | other.least_c,
            self.most_c | other.most_c,
            self.layer_c | other.layer_c,
            self.room_c | other.room_c,
            self.mat_c | other.mat_c,
            self.top_c | other.top_c,
            self.heat | other.heat,
        )


@dataclass(frozen=True, slots=True, eq=False)
class Strip:
    """One box in a window.

    Attributes:
        name: of the box.
        chart: its course by the buckets of the charts.
        setpoint_c: what the callus zone should be in the middle of each bucket, °C; NaN: nothing.
        table: its course by the rows of the table.
        in_band_h: time within ``BAND_K`` of the setpoint in each row of the table, h.
    """

    name: str
    chart: Course
    setpoint_c: Floats
    table: Course
    in_band_h: Floats

    def __or__(self, other: Strip) -> Strip:
        """Both, of the same box and grid, made from times that do not overlap."""
        setpoint_c = np.where(np.isnan(self.setpoint_c), other.setpoint_c, self.setpoint_c)
        return replace(
            self,
            chart=self.chart | other.chart,
            setpoint_c=setpoint_c,
            table=self.table | other.table,
            in_band_h=self.in_band_h + other.in_band_h,
        )


@dataclass(frozen=True, slots=True, eq=False)
class Report:
    """A window of time, for people.

    Attributes:
        title: what it is about, for the head of the page.
        made_ms: when it was made, UTC ms.
        zone: the grower's clock; None is this machine's.
        grid: how the window is cut.
        sections: what stands above the charts.
        strips: the boxes.
        marks: what happened, in any order.
    """

    title: str
    made_ms: int
    zone: tzinfo | None
    grid: Grid
    sections: tuple[Section, ...] = ()
    strips: tuple[Strip, ...] = ()
    marks: tuple[Mark, ...] = ()


class Rows(Protocol):
    """The columns of one box, equally long, in the order of their times.

    ``wall_ms`` is UTC ms, temperatures are °C with NaN where there was no good reading.
    """

    @property
    def wall_ms(self) -> Integers:
        """When, UTC ms."""
        ...

    @property
    def estimate_c(self) -> Floats:
        """Callus zone."""
        ...

    @property
    def expanded_k(self) -> Floats:
        """Its expanded uncertainty (k = 2), K; infinite: not known."""
        ...

    @property
    def setpoint_c(self) -> Floats:
        """What the callus zone should be."""
        ...

    @property
    def substrate_c(self) -> Floats:
        """Wet layer."""
        ...

    @property
    def room_c(self) -> Floats:
        """Room."""
        ...

    @property
    def mat_c(self) -> Floats:
        """Mat."""
        ...

    @property
    def top_c(self) -> Floats:
        """Air at the buds."""
        ...

    @property
    def heat(self) -> npt.NDArray[np.bool_]:
        """Whether heat was commanded on."""
        ...


def grid_for(from_ms: int, to_ms: int, zone: tzinfo | None = None, boxes: int = 1) -> Grid:
    """How to cut a window so that a page of so many boxes stays small.

    Args:
        from_ms: begin of the window, UTC ms.
        to_ms: its end, UTC ms.
        zone: the grower's clock; None is this machine's.
        boxes: how many there will be.

    Raises:
        ValueError: the window is empty.
    """
    most = min(OF_ALL_BOXES // max(boxes, 1), BUCKETS)
    edges_ms = edges_for(from_ms, to_ms, max(most, 1))
    length = timedelta(milliseconds=to_ms - from_ms)
    period = "hour" if length <= _HOURS_UP_TO else "day" if length <= _DAYS_UP_TO else "week"
    return Grid(from_ms, to_ms, edges_ms, _periods(from_ms, to_ms, zone, period), period)


def strip_of(
    name: str,
    rows: Rows,
    grid: Grid,
    from_ms: int | None = None,
    to_ms: int | None = None,
    holes: Sequence[Hole] = (),
) -> Strip:
    """The course of a box over the window, or over a stretch of it.

    Rows from a little outside the stretch (``MAX_GAP_S``) let what lies at its edges be known.
    The charts draw no line across a hole; in the table, as in a thermal record, time between rows
    no further apart than ``MAX_GAP_S`` is known.

    Args:
        name: of the box.
        rows: its samples.
        grid: how the window is cut.
        from_ms: begin of the stretch, UTC ms; None: of the window.
        to_ms: its end, UTC ms; None: of the window.
        holes: times in which nothing was recorded, UTC ms.
    """
    low_ms = grid.from_ms if from_ms is None else from_ms
    high_ms = grid.to_ms if to_ms is None else to_ms
    edges_ms = np.clip(grid.edges_ms, low_ms, high_ms)
    periods_ms = np.clip(grid.periods_ms, low_ms, high_ms)
    middles_ms = (grid.edges_ms[:-1] + grid.edges_ms[1:]) // 2
    inside = (middles_ms >= low_ms) & (middles_ms < high_ms)
    setpoint_c = np.full(len(middles_ms), np.nan)
    setpoint_c[inside] = held(rows.wall_ms, rows.setpoint_c, middles_ms[inside], holes=holes)
    return Strip(
        name,
        _course(rows, edges_ms, holes),
        setpoint_c,
        _course(rows, periods_ms, ()),
        _in_band_h(rows, periods_ms),
    )


def local(at_ms: int, zone: tzinfo | None) -> datetime:
    """A moment on the grower's clock; zone None is this machine's."""
    return datetime.fromtimestamp(at_ms / 1000, UTC).astimezone(zone)


def when(at_ms: int, zone: tzinfo | None) -> str:
    """A moment for people, as "16 Jan 07:10"."""
    then = local(at_ms, zone)
    return f"{then.day} {then:%b %H:%M}"


def _course(rows: Rows, edges_ms: Integers, holes: Sequence[Hole]) -> Course:
    def thinned(values: Floats) -> Thinned:
        return thin(rows.wall_ms, values, edges_ms, holes=holes)

    doubt_k = np.where(np.isfinite(rows.expanded_k), rows.expanded_k, np.nan)
    return Course(
        estimate_c=thinned(rows.estimate_c),
        least_c=thinned(rows.estimate_c - doubt_k),
        most_c=thinned(rows.estimate_c + doubt_k),
        layer_c=thinned(rows.substrate_c),
        room_c=thinned(rows.room_c),
        mat_c=thinned(rows.mat_c),
        top_c=thinned(rows.top_c),
        heat=share_of(rows.wall_ms, rows.heat, edges_ms, holes=holes),
    )


def _in_band_h(rows: Rows, periods_ms: Integers) -> Floats:
    found = np.zeros(len(periods_ms) - 1)
    edge_ms = round(MAX_GAP_S * 1000)
    for row in np.flatnonzero(np.diff(periods_ms)):
        from_ms, to_ms = int(periods_ms[row]), int(periods_ms[row + 1])
        first, last = np.searchsorted(rows.wall_ms, (from_ms - edge_ms, to_ms + edge_ms))
        near = slice(int(first), int(last))
        line = trace(rows.wall_ms[near], rows.estimate_c[near], from_ms, to_ms)
        setpoint_c = rows.setpoint_c[near][line.row]
        # Where nothing was wanted, nothing can be in band.
        setpoint_c = np.where(np.isnan(setpoint_c), _NEVER_C, setpoint_c)
        found[row] = within_h(line, setpoint_c - BAND_K, setpoint_c + BAND_K)
    return found


def _periods(from_ms: int, to_ms: int, zone: tzinfo | None, period: str) -> Integers:
    """Whole hours, or days from midnight to midnight, by the grower's clock; cut at both ends."""
    then = local(from_ms, zone)
    found = [from_ms]
    if period == "hour":
        next_ms = from_ms - (then.minute * 60 + then.second) * 1000 - then.microsecond // 1000
        while (next_ms := next_ms + 3_600_000) < to_ms:
            found.append(next_ms)
    else:
        day = then.date()
        step = timedelta(days=1 if period == "day" else 7)
        while (next_ms := _midnight_ms(day := day + step, zone)) < to_ms:
            found.append(next_ms)
    return np.array([*found, to_ms], dtype=np.int64)


def _midnight_ms(day: date, zone: tzinfo | None) -> int:
    begin = datetime.combine(day, time(), zone)
    return round((begin if zone is not None else begin.astimezone()).timestamp() * 1000)
