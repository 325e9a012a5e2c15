"""A course drawn through thinned rows, so that what reads samples can read those too.

A row of a minute tells its lowest, mean and highest value and for how long, and by how much, the
callus zone lay out of its band; not in which order.  The line drawn here has exactly those.  It
rises through a row where the rows beside it do.  How far the true course may have lain below and
above the drawn one is told with it.  For analysis only: it imports numpy.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final, TypeAlias

import numpy as np
import numpy.typing as npt

from bottomheat.telling import BAND_K

Floats: TypeAlias = npt.NDArray[np.float64]
Integers: TypeAlias = npt.NDArray[np.int64]
Flags: TypeAlias = npt.NDArray[np.bool_]
Codes: TypeAlias = npt.NDArray[np.int8]

SAMPLE: Final = 2
"""Order of a reading that was kept: after every knot of a row that ends with it."""

LATER: Final = 3
"""``Knots.order`` of a row's begin: it comes after a sample, and that after a row's end."""
_NOW: Final = 1
_BEYOND_K: Final = 1e-9
"""What is drawn out of the band may not lie flat on its edge: that belongs to the band."""


@dataclass(frozen=True, slots=True, eq=False)
class Course:
    """What rows say of one temperature, °C; NaN: nothing."""

    low_c: Floats
    mean_c: Floats
    high_c: Floats


@dataclass(frozen=True, slots=True, eq=False)
class ThinnedRows:
    """Thinned rows of one box, by time; all arrays are equally long.

    Attributes:
        begin_ms: when each begins, UTC ms.
        end_ms: when it ends.
        span_ms: its length by the run's own clock, ms.
        samples: how many it was made of; 1: nothing was recorded until its end.
        heat_ms: how long the relay was commanded closed, ms.
        closings: of the contact.
        setpoint_c: what the callus zone should be, °C.
        estimate: callus zone.
        expanded_k: its largest expanded uncertainty (k = 2), K.
        out_ms: how long it lay below its band, and above it, ms.
        out_kms: by how much in all, K·ms.
        places: the other temperatures, by the name of their column.
    """

    begin_ms: Integers
    end_ms: Integers
    span_ms: Floats
    samples: Integers
    heat_ms: Floats
    closings: Integers
    setpoint_c: Floats
    estimate: Course
    expanded_k: Floats
    out_ms: tuple[Floats, Floats]
    out_kms: tuple[Floats, Floats]
    places: Mapping[str, Course]


@dataclass(frozen=True, slots=True, eq=False)
class Knots:
    """Samples of a course through thinned rows; all arrays are equally long, in no order.

    Attributes:
        row: of which row each is.
        wall_ms: when, UTC ms.
        order: among samples of one moment the lowest comes first.
        estimate_c: callus zone, °C; NaN: this is no sample of it.
        under_k: how far below it the true one may have lain, K.
        over_k: how far above it.
        heat: whether the relay was commanded closed; in one piece in each row.
        closings: of the contact: all of a row at its begin.
        places: the other temperatures, °C; NaN: this is no sample of it.
    """

    row: npt.NDArray[np.intp]
    wall_ms: Integers
    order: Codes
    estimate_c: Floats
    under_k: Floats
    over_k: Floats
    heat: Flags
    closings: Integers
    places: dict[str, Floats]


@dataclass(frozen=True, slots=True, eq=False)
class _Line:
    """Knots of one temperature in each row: a row of the tables for each, ms after its begin."""

    at_ms: Floats
    celsius: Floats
    low_c: Floats
    high_c: Floats
    there: Flags


def drawn(rows: ThinnedRows, *, exact: bool = True) -> Knots:
    """The course through these rows.

    Args:
        rows: they.
        exact: with knots that give the means; without them what lies within the band has its
            extremes alone, which is enough for times.
    """
    count = len(rows.begin_ms)
    length_ms = (rows.end_ms - rows.begin_ms).astype(np.float64)
    line = _estimate(rows, length_ms, exact=exact)
    first = np.argmax(line.there, axis=1)
    last = line.there.shape[1] - 1 - np.argmax(line.there[:, ::-1], axis=1)
    every = np.arange(count)
    inner = line.there.copy()
    inner[every, first] = inner[every, last] = False
    known: Flags = np.isfinite(rows.estimate.mean_c)
    # A run's own clock and the wall clock differ by milliseconds.
    with np.errstate(invalid="ignore", divide="ignore"):
        scale = np.where(rows.span_ms > 0, length_ms / rows.span_ms, 1.0)
    heat_ms = rows.heat_ms * scale
    made = _Made(count)
    made.add(every, 0.0, LATER, {"estimate": _at(line, every, first, known)})
    made.add(every, length_ms, 0, {"estimate": _at(line, every, last, known)})
    row, slot = np.nonzero(inner)
    made.add(row, line.at_ms[row, slot], _NOW, {"estimate": _at(line, row, slot, known[row])})
    turned = np.flatnonzero((heat_ms > 0) & (heat_ms < length_ms) & (rows.samples != 1))
    made.add(turned, heat_ms[turned], _NOW, {})
    for name, course in rows.places.items():
        own = _shape(course, length_ms)
        falls = ~_rises(course.mean_c)
        begin_c, end_c = own.celsius[:, 0], own.celsius[:, 2]
        made.ends(name, np.where(falls, end_c, begin_c), np.where(falls, begin_c, end_c))
        if exact:
            middle = np.flatnonzero(own.there[:, 1] & (rows.samples != 1))
            at_ms = np.where(falls, length_ms - own.at_ms[:, 1], own.at_ms[:, 1])
            made.add(middle, at_ms[middle], _NOW, {name: (own.celsius[middle, 1],)})
    return made.knots(rows, heat_ms)


_Values: TypeAlias = dict[str, tuple[Floats, ...]]
_Part: TypeAlias = tuple[npt.NDArray[np.intp], Floats, int, _Values]


class _Made:
    """Knots as they are added."""

    def __init__(self, rows: int) -> None:
        self._rows = rows
        self._parts: list[_Part] = []

    def add(
        self,
        row: npt.NDArray[np.intp],
        at_ms: Floats | float,
        order: int,
        values: _Values,
    ) -> None:
        """Knots of some rows: ms after their begin, and what they are samples of."""
        at = np.broadcast_to(np.asarray(at_ms, np.float64), row.shape)
        self._parts.append((row, at, order, values))

    def ends(self, name: str, begin: Floats, end: Floats) -> None:
        """A temperature at the begin and at the end of every row."""
        self._parts[0][3][name] = (begin,)
        self._parts[1][3][name] = (end,)

    def knots(self, rows: ThinnedRows, heat_ms: Floats) -> Knots:
        row = np.concatenate([each[0] for each in self._parts])
        at_ms = np.concatenate([each[1] for each in self._parts])
        order = np.concatenate([np.full(len(e[0]), e[2], np.int8) for e in self._parts])
        closings = np.zeros(len(row), np.int64)
        closings[: self._rows] = rows.closings
        return Knots(
            row=row,
            wall_ms=rows.begin_ms[row] + np.rint(at_ms).astype(np.int64),
            order=order,
            estimate_c=self._column("estimate", 0, np.nan),
            under_k=self._column("estimate", 1, 0.0),
            over_k=self._column("estimate", 2, 0.0),
            heat=np.rint(at_ms) < np.rint(heat_ms)[row],
            closings=closings,
            places={name: self._column(name, 0, np.nan) for name in rows.places},
        )

    def _column(self, name: str, number: int, missing: float) -> Floats:
        return np.concatenate(
            [
                values[name][number] if name in values else np.full(len(row), missing)
                for row, _, _, values in self._parts
            ]
        )


def _at(
    line: _Line, row: npt.NDArray[np.intp], slot: npt.NDArray[np.intp], known: Flags
) -> tuple[Floats, Floats, Floats]:
    """The estimate at some knots, and how far below and above it the true one may have lain."""
    celsius = np.where(known, line.celsius[row, slot], np.nan)
    return celsius, celsius - line.low_c[row, slot], line.high_c[row, slot] - celsius


def _estimate(rows: ThinnedRows, length_ms: Floats, *, exact: bool) -> _Line:
    """Below the band, in it and above it, one after the other where the row was in several."""
    whole = rows.estimate
    with np.errstate(invalid="ignore", divide="ignore"):
        scale = np.where(rows.span_ms > 0, length_ms / rows.span_ms, 1.0)
        below_ms, above_ms = (each * scale for each in rows.out_ms)
        floor_c, roof_c = rows.setpoint_c - BAND_K, rows.setpoint_c + BAND_K
        # Their areas, K·ms; what is left of the whole belongs to the part within.
        below, above = (
            floor_c * below_ms - rows.out_kms[0] * scale,
            (roof_c * above_ms + rows.out_kms[1] * scale),
        )
        within_ms = np.maximum(length_ms - below_ms - above_ms, 0.0)
        within = whole.mean_c * length_ms - np.nan_to_num(below) - np.nan_to_num(above)
        parts = (
            _part(whole.low_c, below / below_ms, np.fmin(floor_c - _BEYOND_K, whole.high_c)),
            _part(
                np.fmax(floor_c, whole.low_c),
                within / within_ms,
                np.fmin(roof_c, whole.high_c),
            ),
            _part(np.fmax(roof_c + _BEYOND_K, whole.low_c), above / above_ms, whole.high_c),
        )
    lengths_ms = below_ms, within_ms, above_ms
    starts_ms = np.zeros(len(length_ms)), below_ms, below_ms + within_ms
    lines = [_shape(*each) for each in zip(parts, lengths_ms, starts_ms, strict=True)]
    known = np.isfinite(whole.mean_c)
    there = np.concatenate(
        [
            line.there & (known & (each > 0))[:, None]
            for line, each in zip(lines, lengths_ms, strict=True)
        ],
        axis=1,
    )
    at_ms, celsius, low_c, high_c = (
        np.concatenate([getattr(line, name) for line in lines], axis=1)
        for name in ("at_ms", "celsius", "low_c", "high_c")
    )
    if not exact:
        there[:, 4] = False
    point = np.flatnonzero(known & (length_ms <= 0))  # one sample
    there[point] = False
    there[point, 3] = True
    at_ms[point] = 0.0
    celsius[point, 3] = low_c[point, 3] = high_c[point, 3] = whole.mean_c[point]
    falls = np.flatnonzero(~_rises(whole.mean_c))
    at_ms[falls] = length_ms[falls, None] - at_ms[falls, ::-1]
    for table in (celsius, low_c, high_c, there):
        table[falls] = table[falls, ::-1]
    return _Line(at_ms, celsius, low_c, high_c, there)


def _part(low_c: Floats, mean_c: Floats, high_c: Floats) -> Course:
    """A part of a row, with its mean between its ends: rounding may have put it beside them."""
    low_c = np.minimum(low_c, high_c)
    return Course(low_c, np.clip(mean_c, low_c, high_c), high_c)


def _shape(course: Course, length_ms: Floats, start_ms: Floats | float = 0.0) -> _Line:
    """From the lowest to the highest in three knots, flat before or after for the mean's sake."""
    low_c, mean_c, high_c = course.low_c, course.mean_c, course.high_c
    wide = high_c > low_c
    height = np.where(wide, high_c - low_c, 1.0)
    flat = np.where(wide, 2.0 * (mean_c - low_c) / height - 1.0, 0.0)
    # Above 0: flat at the top, for that share of the length; below: at the bottom.
    share = np.where(flat > 0, 1.0 - flat, -flat)
    start = np.broadcast_to(np.asarray(start_ms, np.float64), low_c.shape)
    at_ms = np.stack((start, start + share * length_ms, start + length_ms), axis=1)
    celsius = np.stack((low_c, np.where(flat > 0, high_c, low_c), high_c), axis=1)
    knee = wide & (share > 0) & (share < 1)
    every = np.ones_like(knee)
    return _Line(
        at_ms,
        celsius,
        np.repeat(low_c[:, None], 3, axis=1),
        np.repeat(high_c[:, None], 3, axis=1),
        np.stack((every, knee, every), axis=1),
    )


def _rises(mean_c: Floats) -> Flags:
    """Whether the rows beside each rise."""
    if len(mean_c) < 2:
        return np.ones(len(mean_c), np.bool_)
    before = np.concatenate((mean_c[:1], mean_c[:-1]))
    after = np.concatenate((mean_c[1:], mean_c[-1:]))
    before, after = (
        np.where(np.isnan(before), mean_c, before),
        np.where(np.isnan(after), mean_c, after),
    )
    return ~(after < before)
