"""A box's samples as numpy columns, placed in wall time.  For analysis only: it imports numpy."""

from __future__ import annotations

import sqlite3
from collections.abc import Collection, Iterator, Mapping
from dataclasses import dataclass, replace
from itertools import chain
from pathlib import Path
from typing import Final, TypeAlias

import numpy as np
import numpy.typing as npt

from bottomheat_drivers.log.believing import believed
from bottomheat_drivers.log.gaps import MAX_GAP_S, Cause, Gap, gaps
from bottomheat_drivers.log.knots import SAMPLE, Knots, ThinnedRows, drawn
from bottomheat_drivers.log.placing import Placing
from bottomheat_drivers.log.reader import LogReader
from bottomheat_drivers.log.searching import LONGEST_ROW_MS
from bottomheat_drivers.log.thinned import PLACES, States, query, rows_of, tables

__all__ = ["MAX_GAP_S", "VALUES", "Cause", "Columns", "Gap", "columns", "gaps"]

Floats: TypeAlias = npt.NDArray[np.float64]
Integers: TypeAlias = npt.NDArray[np.int64]
Flags: TypeAlias = npt.NDArray[np.bool_]
Codes: TypeAlias = npt.NDArray[np.int16]

VALUES: Final[Mapping[str, tuple[str, float]]] = {
    "estimate_c": ("estimate_over_mc", 1000.0),
    "expanded_k": ("expanded_ck", 100.0),
    "substrate_c": ("substrate_mc", 1000.0),
    "room_c": ("room_mc", 1000.0),
    "mat_c": ("mat_over_mc", 1000.0),
    "top_c": ("top_mc", 1000.0),
    "callus_c": ("callus_mc", 1000.0),
    "duty": ("duty_pm", 1000.0),
}
"""Columns that each take a place in every row of the file: its name there, and parts in a unit."""
_NONE: Final = -(2**62)
_AT_ONCE: Final = 5_000
_FAR_T_MS: Final = 2**62


@dataclass(frozen=True, slots=True, eq=False)
class Columns:
    """The samples of one box, in the order of their times; all arrays are equally long.

    Where samples were thinned the course that is left of them is drawn by some of its own: their
    extremes and their means over time are those of the samples, and so is the time below, in and
    above the band of 0.5 K around the setpoint and the area beyond it; ``duty`` is the share of the
    time with heat commanded on.

    Missing values are NaN.  A column that was not asked for is all NaN.  An estimate of a time that
    was in doubt when the probe was found out is missing.

    Attributes:
        wall_ms: when, UTC ms; never decreases.
        sure: whether a synchronised clock places it.
        estimate_c: callus zone, °C.
        expanded_k: its expanded uncertainty (k = 2), K; infinite where it was no number.
        setpoint_c: what the callus zone should be, °C.
        substrate_c: wet layer, °C.
        room_c: room, °C.
        mat_c: mat, °C.
        top_c: air at the buds, °C.
        callus_c: a probe in the callus zone, °C.
        duty: share of the time that heat was asked for, 0 to 1.
        heat: whether the relay was commanded closed.
        closings: of the contact since this box's row before.
        condition: a code for each row: its place in ``conditions``.
        conditions: HOLDING, NO_HEAT ...
        under_k: how far below its estimate the true course may have lain besides, K: 0 for samples.
        over_k: how far above it.
        layer_under_k: the same of the wet layer.
        layer_over_k: the same.
        grain_ms: length of the thinned row that it begins in, ms; 0: it is a sample.
    """

    wall_ms: Integers
    sure: Flags
    estimate_c: Floats
    expanded_k: Floats
    setpoint_c: Floats
    substrate_c: Floats
    room_c: Floats
    mat_c: Floats
    top_c: Floats
    callus_c: Floats
    duty: Floats
    heat: Flags
    closings: Integers
    condition: Codes
    conditions: tuple[str, ...]
    under_k: Floats
    over_k: Floats
    layer_under_k: Floats
    layer_over_k: Floats
    grain_ms: Integers

    def __len__(self) -> int:
        return len(self.wall_ms)


def columns(
    path: Path,
    chamber: str,
    from_ms: int | None = None,
    to_ms: int | None = None,
    *,
    only: Collection[str] | None = None,
) -> Columns:
    """The samples of a box in a stretch of wall time, its start included, its end not.

    Thinned rows that reach over its ends are drawn whole.

    Args:
        path: the log's file.
        chamber: the box; of one that the log does not know there are no rows.
        from_ms: UTC ms; None: from the first on.
        to_ms: UTC ms; None: up to the last.
        only: of ``VALUES`` read these alone: each one costs about a tenth of the time.

    Raises:
        LogError: the log cannot be read.
        KeyError: ``only`` names none of ``VALUES``.
    """
    names = tuple(VALUES) if only is None else tuple(name for name in VALUES if name in only)
    if only is not None and len(names) < len(set(only)):
        raise KeyError(f"no such columns: {sorted(set(only) - set(VALUES))}")
    with _ColumnReader(path) as log:
        found = log.columns(chamber, from_ms, to_ms, names)
        spans = log.doubted().get(chamber, ())
    if not spans:
        return found
    return replace(
        found,
        estimate_c=believed(found.estimate_c, found.wall_ms, spans),
        expanded_k=believed(found.expanded_k, found.wall_ms, spans),
    )


@dataclass(frozen=True, slots=True, eq=False)
class _States:
    """The states of a box, by rising id."""

    id: Integers
    run: Integers
    setpoint_c: Floats
    heat: Flags
    closings: Integers
    base_ms: Integers
    condition: Codes
    conditions: tuple[str, ...]
    mat_base_mc: Integers
    estimate_base_mc: Integers

    def bases_mc(self, name: str) -> Integers | None:
        """What is added to a column of ``VALUES``, 1/1000 °C; None: nothing."""
        return {"mat_c": self.mat_base_mc, "estimate_c": self.estimate_base_mc}.get(name)


class _ColumnReader(LogReader):
    def columns(
        self, chamber: str, from_ms: int | None, to_ms: int | None, names: tuple[str, ...]
    ) -> Columns:
        placings = self._placings()
        states = self._states(chamber)
        low_ms = -_FAR_T_MS if from_ms is None else from_ms
        high_ms = _FAR_T_MS if to_ms is None else to_ms
        extent = self._extent(placings, low_ms, high_ms)
        # Room for the rows of every box: what is not touched takes no memory.
        room = max(extent[1] - extent[0], 0)
        wall_ms, at = np.empty(room, np.int64), np.empty(room, np.int32)
        values = {name: np.empty(room) for name in names}
        count = 0
        for rows in self._chunks(chamber, extent, names):
            place = np.searchsorted(states.id, rows[:, 0].astype(np.int64))
            time_ms = states.base_ms[place] + rows[:, 1].astype(np.int64)
            placed_ms = _placed(states.run[place], time_ms, placings)
            inside = (placed_ms >= low_ms) & (placed_ms < high_ms)
            new = slice(count, count + int(np.count_nonzero(inside)))
            wall_ms[new], at[new] = placed_ms[inside], place[inside]
            for number, name in enumerate(names, 2):
                base_mc = states.bases_mc(name)
                more = 0 if base_mc is None else base_mc[place[inside]]
                values[name][new] = _scaled(rows[inside, number], VALUES[name][1], more)
            count = new.stop
        wall_ms, at = wall_ms[:count], at[:count]
        values = {name: whole[:count] for name, whole in values.items()}
        if "expanded_k" in values and "estimate_c" in values:
            unknown = np.isnan(values["expanded_k"]) & ~np.isnan(values["estimate_c"])
            values["expanded_k"][unknown] = np.inf
        drawn = self._drawn(chamber, states, placings, (low_ms, high_ms), names)
        if drawn is not None:
            return drawn.with_samples(wall_ms, at, values, states, placings)
        # Runs may overlap where a clock was not set.
        if np.any(wall_ms[1:] < wall_ms[:-1]):
            order = np.argsort(wall_ms, kind="stable")
            wall_ms, at = wall_ms[order], at[order]
            values = {name: whole[order] for name, whole in values.items()}
        return Columns(
            wall_ms=wall_ms,
            sure=_sure(states, placings)[at],
            setpoint_c=states.setpoint_c[at],
            heat=states.heat[at],
            closings=states.closings[at],
            condition=states.condition[at],
            conditions=states.conditions,
            under_k=_all_zero(len(wall_ms)),
            over_k=_all_zero(len(wall_ms)),
            layer_under_k=_all_zero(len(wall_ms)),
            layer_over_k=_all_zero(len(wall_ms)),
            grain_ms=np.broadcast_to(np.int64(0), len(wall_ms)),
            **{name: values.get(name, _missing(len(wall_ms))) for name in VALUES},
        )

    def _states(self, chamber: str) -> _States:
        rows = self._all(
            "SELECT state.id, run, setpoint_mc, heat, closings, base_ms, condition, mat_base_mc, "
            "estimate_base_mc FROM state "
            "WHERE chamber = (SELECT id FROM chamber WHERE name = ?) ORDER BY state.id",
            (chamber,),
        )
        conditions = tuple(sorted({row[6] for row in rows}))
        codes = {word: code for code, word in enumerate(conditions)}
        return _States(
            np.array([row[0] for row in rows], dtype=np.int64),
            np.array([row[1] for row in rows], dtype=np.int64),
            np.array([np.nan if row[2] is None else row[2] / 1000 for row in rows]),
            np.array([bool(row[3]) for row in rows], dtype=np.bool_),
            np.array([row[4] for row in rows], dtype=np.int64),
            np.array([row[5] for row in rows], dtype=np.int64),
            np.array([codes[row[6]] for row in rows], dtype=np.int16),
            conditions,
            np.array([row[7] for row in rows], dtype=np.int64),
            np.array([row[8] for row in rows], dtype=np.int64),
        )

    def _drawn(
        self,
        chamber: str,
        states: _States,
        placings: Mapping[int, Placing],
        window_ms: tuple[int, int],
        names: tuple[str, ...],
    ) -> _Drawn | None:
        """The course through what is left of thinned samples, or None where none were."""
        low_ms, high_ms = window_ms
        longest_ms = min(low_ms + _FAR_T_MS, LONGEST_ROW_MS)
        ids = self._extent(placings, low_ms - longest_ms, high_ms, "thinned")
        places = tuple(name for name in names if name in PLACES)
        where = (
            "id >= ? AND id < ? AND state IN "
            "(SELECT id FROM state WHERE chamber = (SELECT id FROM chamber WHERE name = ?))"
        )
        known = States(
            states.id,
            states.run,
            states.setpoint_c,
            states.base_ms,
            states.mat_base_mc,
            states.estimate_base_mc,
        )
        made: list[ThinnedRows] = []
        at: list[npt.NDArray[np.intp]] = []
        try:
            cursor = self._connection.execute(query(places, where), (*ids, chamber))
            for table in tables(cursor):
                of = np.searchsorted(states.id, table[:, 0].astype(np.int64))
                rows = rows_of(table, known, of, placings, places, _placed)
                inside = (rows.end_ms >= low_ms) & (rows.begin_ms < high_ms)
                if inside.any():
                    made.append(
                        rows_of(table[inside], known, of[inside], placings, places, _placed)
                    )
                    at.append(of[inside])
        except sqlite3.Error as error:
            raise self._told(error) from error
        return _Drawn(made, at, names) if made else None

    def _chunks(
        self, chamber: str, extent: tuple[int, int], names: tuple[str, ...]
    ) -> Iterator[Floats]:
        wanted = "".join(f", coalesce({VALUES[name][0]}, {_NONE})" for name in names)
        wide = 2 + len(names)
        try:
            cursor = self._connection.execute(
                f"SELECT state, t_ms{wanted} FROM sample WHERE id >= ? AND id < ? AND state IN "  # noqa: S608 names of ours
                "(SELECT id FROM state WHERE chamber = (SELECT id FROM chamber WHERE name = ?)) "
                "ORDER BY id",
                (*extent, chamber),
            )
            while rows := cursor.fetchmany(_AT_ONCE):
                flat = np.fromiter(chain.from_iterable(rows), np.float64, wide * len(rows))
                yield flat.reshape(len(rows), wide)
        except sqlite3.Error as error:
            raise self._told(error) from error


@dataclass(frozen=True, slots=True, eq=False)
class _Drawn:
    """Thinned rows of a box, and the place of each one's state."""

    rows: list[ThinnedRows]
    at: list[npt.NDArray[np.intp]]
    names: tuple[str, ...]

    def with_samples(
        self,
        wall_ms: Integers,
        at: npt.NDArray[np.int32],
        values: dict[str, Floats],
        states: _States,
        placings: Mapping[int, Placing],
    ) -> Columns:
        """The course through these rows, and the samples that were kept, by time."""
        knots = [drawn(rows) for rows in self.rows]
        of = [state[each.row] for state, each in zip(self.at, knots, strict=True)]
        lengths = [
            (rows.end_ms - rows.begin_ms)[each.row]
            for rows, each in zip(self.rows, knots, strict=True)
        ]
        times = np.concatenate((wall_ms, *(each.wall_ms for each in knots)))
        rank = np.concatenate(
            (np.full(len(wall_ms), SAMPLE, np.int8), *(each.order for each in knots))
        )
        by = np.lexsort((rank, times))
        state = np.concatenate((at, *of))[by]
        none = np.zeros(len(wall_ms))

        def sorted_by_time(samples: Floats, *others: Floats) -> Floats:
            whole: Floats = np.concatenate((samples, *others))[by]
            return whole

        heat = np.concatenate((states.heat[at], *(each.heat for each in knots)))[by]
        closings = np.concatenate((states.closings[at], *(each.closings for each in knots)))[by]
        grain_ms = np.concatenate((np.zeros(len(wall_ms), np.int64), *lengths))[by]
        layer_under_k = sorted_by_time(none, *self._layer(knots, -1.0))
        layer_over_k = sorted_by_time(none, *self._layer(knots, 1.0))
        columns = {
            # Let go of one by one: a season of all of them is much.
            name: sorted_by_time(values.pop(name), *self._column(name, knots))
            for name in self.names
        }
        return Columns(
            wall_ms=times[by],
            sure=_sure(states, placings)[state],
            setpoint_c=states.setpoint_c[state],
            heat=heat,
            closings=closings,
            condition=states.condition[state],
            conditions=states.conditions,
            under_k=sorted_by_time(none, *(each.under_k for each in knots)),
            over_k=sorted_by_time(none, *(each.over_k for each in knots)),
            layer_under_k=layer_under_k,
            layer_over_k=layer_over_k,
            grain_ms=grain_ms,
            **{name: columns.get(name, _missing(len(times))) for name in VALUES},
        )

    def _layer(self, knots: list[Knots], side: float) -> Iterator[Floats]:
        """How far below or above the wet layer's line the course may have lain, K."""
        for rows, each in zip(self.rows, knots, strict=True):
            if "substrate_c" in rows.places:
                course = rows.places["substrate_c"]
                edge_c = course.low_c if side < 0 else course.high_c
                yield np.nan_to_num(side * (edge_c[each.row] - each.places["substrate_c"]))
            else:
                yield np.zeros(len(each.row))

    def _column(self, name: str, knots: list[Knots]) -> Iterator[Floats]:
        for rows, each in zip(self.rows, knots, strict=True):
            match name:
                case "estimate_c":
                    yield each.estimate_c
                case "expanded_k":
                    yield np.where(np.isnan(each.estimate_c), np.nan, rows.expanded_k[each.row])
                case "duty":
                    with np.errstate(invalid="ignore", divide="ignore"):
                        yield (rows.heat_ms / rows.span_ms)[each.row]
                case _:
                    yield each.places.pop(name)


def _sure(states: _States, placings: Mapping[int, Placing]) -> Flags:
    sure = {run: placing.sure for run, placing in placings.items()}
    return np.array([sure.get(int(run), False) for run in states.run], dtype=np.bool_)


def _placed(run: Integers, t_ms: Integers, placings: Mapping[int, Placing]) -> Integers:
    wall_ms = np.empty(len(t_ms), np.int64)
    for each in np.unique(run):
        placing = placings[int(each)]
        of = run == each
        piece = np.searchsorted(np.array(placing.starts_ms), t_ms[of], side="right") - 1
        wall_ms[of] = t_ms[of] + np.array(placing.offsets_ms)[np.maximum(piece, 0)]
    return wall_ms


def _scaled(whole: Floats, parts: float, more: Integers | int) -> Floats:
    missing = whole == _NONE
    whole += more
    whole /= parts
    whole[missing] = np.nan
    return whole


def _missing(rows: int) -> Floats:
    return np.broadcast_to(np.float64(np.nan), rows)  # takes no memory


def _all_zero(rows: int) -> Floats:
    return np.broadcast_to(np.float64(0.0), rows)
