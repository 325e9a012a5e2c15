"""The rows of all boxes over months, some hours at a time, so that no season enters memory.

SQLite joins the values of a column to one text, which numpy reads: half the time of fetching rows.
For analysis only: it imports numpy.
"""

from __future__ import annotations

import contextlib
import sqlite3
from collections import deque
from collections.abc import Callable, Generator, Iterator, Mapping, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass, replace
from functools import cached_property
from itertools import pairwise
from pathlib import Path
from typing import Any, Final, TypeAlias

import numpy as np
import numpy.typing as npt

from bottomheat.doubtful import Doubt
from bottomheat_drivers.log.believing import believed
from bottomheat_drivers.log.gaps import GapReader
from bottomheat_drivers.log.knots import SAMPLE, drawn
from bottomheat_drivers.log.logfile import LogFile
from bottomheat_drivers.log.placing import Placing
from bottomheat_drivers.log.searching import LONGEST_ROW_MS, Table
from bottomheat_drivers.log.thinned import States, query, rows_of, tables

Floats: TypeAlias = npt.NDArray[np.float64]
Integers: TypeAlias = npt.NDArray[np.int64]
Ids: TypeAlias = tuple[int, int]
"""The first rowid, and one past the last."""
Texts: TypeAlias = tuple[Any, ...]
Progress: TypeAlias = Callable[[str, float], None]

_AT_ONCE: Final = 32_000
"""Rows of all boxes that are read at once."""
_AHEAD: Final = 2
_NONE: Final = -(2**31)
_MS: Final = 1000.0
_FAR_T_MS: Final = 2**62


@dataclass(frozen=True, slots=True, eq=False)
class Block:
    """Adjoining rows of one box by time; all arrays are equally long.

    Where samples were thinned, the course that is left of them is drawn by a few of its own, with
    their extremes and their times out of band.

    Attributes:
        chamber: the box.
        wall_ms: when, UTC ms.
        estimate_c: callus zone, °C; NaN: none, or one that is in doubt.
        setpoint_c: what it should be, °C.
        room_c: room, °C; NaN: no good reading.
        heat: whether the relay was commanded closed.
        whole: whether samples, thinned since, were recorded from here to the next.
    """

    chamber: str
    wall_ms: Integers
    estimate_c: Floats
    setpoint_c: Floats
    room_c: Floats
    heat: npt.NDArray[np.bool_]
    whole: npt.NDArray[np.bool_]

    def within(self, from_ms: int, to_ms: int) -> Block:
        """Its rows from one time to another, UTC ms; itself where that is all of them."""
        inside = (self.wall_ms >= from_ms) & (self.wall_ms < to_ms)
        if inside.all():
            return self
        return Block(
            self.chamber,
            self.wall_ms[inside],
            self.estimate_c[inside],
            self.setpoint_c[inside],
            self.room_c[inside],
            self.heat[inside],
            self.whole[inside],
        )


class BlockReader(GapReader):
    """The log's file, open for reading in blocks.

    What a look-up needs again and again is read once: it stays as it was then.
    """

    def __init__(self, path: Path) -> None:
        super().__init__(path)
        self._rows_of: dict[tuple[int, Table], tuple[int, int]] = {}

    @cached_property
    def _placed_runs(self) -> Mapping[int, Placing]:
        return super()._placings()

    @cached_property
    def _told_ends(self) -> Any:
        return super()._ends()

    @cached_property
    def _spans_in_doubt(self) -> Mapping[str, Sequence[Doubt]]:
        return super().doubted()

    def doubted(self) -> Mapping[str, Sequence[Doubt]]:
        """By chamber the stretches of time whose estimates are in doubt."""
        return self._spans_in_doubt

    def _placings(self) -> Mapping[int, Placing]:
        return self._placed_runs

    def _ends(self) -> Any:
        return self._told_ends

    def _run_rows(self, run: int, table: Table = "sample") -> tuple[int, int]:
        if (run, table) not in self._rows_of:
            self._rows_of[run, table] = super()._run_rows(run, table)
        return self._rows_of[run, table]

    def blocks(
        self, from_ms: int, to_ms: int, progress: Progress | None = None
    ) -> Generator[Block, None, None]:
        """The rows of every box in a stretch of wall time, its start included, its end not.

        Args:
            from_ms: begin, UTC ms.
            to_ms: end, UTC ms.
            progress: is told what is being done and how far it is, 0 to 1.

        Raises:
            LogError: the log cannot be read.
        """
        states = self._states()
        stretches = list(self._cut(from_ms, to_ms))
        fetched = _ahead(self._path, [(each.ids, each.thinned) for each in stretches])
        with contextlib.closing(fetched):
            for number, (stretch, found) in enumerate(zip(stretches, fetched, strict=True)):
                if progress is not None and number % 8 == 0:
                    progress("reading rows", number / len(stretches))
                drawn = _drawn(states, stretch.placing, found[1], (from_ms, to_ms))
                for block in _blocks(states, stretch.placing, found[0], (from_ms, to_ms)):
                    beside = drawn.pop(block.chamber, None)
                    yield self._believed(block if beside is None else _merged(block, *beside))
                for block, rank in drawn.values():
                    yield self._believed(_merged(None, block, rank))

    def _believed(self, block: Block) -> Block:
        spans = self.doubted().get(block.chamber, ())
        if not spans:
            return block
        return replace(block, estimate_c=believed(block.estimate_c, block.wall_ms, spans))

    def expanded_k(self, chamber: str, wall_ms: int, from_ms: int, to_ms: int) -> float | None:
        """The uncertainty (k = 2) of a box's estimate at the time of one of its rows, K.

        Args:
            chamber: the box.
            wall_ms: the time of the row, UTC ms.
            from_ms: begin of where to look, UTC ms.
            to_ms: its end, UTC ms.

        Returns:
            None where it was no number, or there is no such row.
        """
        found: float | None = None
        for stretch in self._cut(max(from_ms, wall_ms - 1), min(to_ms, wall_ms + 2)):
            placing = stretch.placing
            for t_ms, span_ms, expanded_ck in self._all(
                "SELECT base_ms + t_ms, span_ms, expanded_ck FROM thinned CROSS JOIN state "
                "ON state.id = thinned.state WHERE thinned.id >= ? AND thinned.id < ? "
                "AND estimate_over_mc IS NOT NULL "
                "AND chamber = (SELECT id FROM chamber WHERE name = ?)",
                (*stretch.thinned, chamber),
            ):
                inside = placing.wall_ms(t_ms) <= wall_ms <= placing.wall_ms(t_ms + span_ms)
                if inside and expanded_ck is not None:
                    found = max(found or 0.0, expanded_ck / 100)
            for t_ms, expanded_ck in self._all(
                "SELECT base_ms + t_ms, expanded_ck FROM sample CROSS JOIN state "
                "ON state.id = sample.state WHERE sample.id >= ? AND sample.id < ? "
                "AND chamber = (SELECT id FROM chamber WHERE name = ?)",
                (*stretch.ids, chamber),
            ):
                if placing.wall_ms(t_ms) == wall_ms and expanded_ck is not None:
                    return float(expanded_ck) / 100
        return found

    def _cut(self, from_ms: int, to_ms: int) -> Iterator[_Stretch]:
        """Samples and thinned rows of the same times, neither of them too many at once."""
        for run, placing in self._placings().items():
            from_t_ms, to_t_ms = placing.t_range(from_ms, to_ms)
            samples = self._within(run, from_t_ms, to_t_ms)
            thinned = self._within(run, from_t_ms - LONGEST_ROW_MS, to_t_ms, "thinned")
            edges = {
                *(self._time("sample", at) for at in range(*samples, _AT_ONCE)),
                *(self._time("thinned", at) for at in range(*thinned, _AT_ONCE)),
            }
            for begin, end in pairwise([*sorted(edges), _FAR_T_MS]):
                yield _Stretch(
                    placing,
                    self._ids(run, samples, begin, end, "sample"),
                    self._ids(run, thinned, begin, end, "thinned"),
                )

    def _time(self, table: Table, row: int) -> int:
        """The time of a row in its run, ms; of the nearest after it where there is none."""
        return int(
            self._all(
                f"SELECT base_ms + t_ms FROM {table} CROSS JOIN state "  # noqa: S608 names of ours
                f"ON state.id = {table}.state WHERE {table}.id >= ? ORDER BY {table}.id LIMIT 1",
                (row,),
            )[0][0]
        )

    def _ids(self, run: int, ids: Ids, from_t_ms: int, to_t_ms: int, table: Table) -> Ids:
        first = self._search(*ids, (run, from_t_ms), table)
        return first, self._search(first, ids[1], (run, to_t_ms), table)

    def _states(self) -> _States:
        names = dict(self._all("SELECT id, name FROM chamber"))
        rows = self._all(
            "SELECT id, chamber, coalesce(setpoint_mc, ?), heat, base_ms, estimate_base_mc, run, "
            "mat_base_mc FROM state ORDER BY id",
            (_NONE,),
        )
        table = np.array(rows, dtype=np.int64).reshape(len(rows), 8)
        return _States(names, table[:, 0], table[:, 1], _celsius(table[:, 2]), *table[:, 3:].T)


@dataclass(frozen=True, slots=True, eq=False)
class _States:
    names: dict[int, str]
    id: Integers
    chamber: Integers
    setpoint_c: Floats
    heat: Integers
    base_ms: Integers
    estimate_base_mc: Integers
    run: Integers
    mat_base_mc: Integers


@dataclass(frozen=True, slots=True)
class _Stretch:
    """Rows of one run of the same times."""

    placing: Placing
    ids: Ids
    thinned: Ids


def _placed(t_ms: Integers, placing: Placing) -> Integers:
    piece = np.searchsorted(np.array(placing.starts_ms), t_ms, side="right") - 1
    placed: Integers = t_ms + np.array(placing.offsets_ms)[np.maximum(piece, 0)]
    return placed


def _celsius(whole: Integers) -> Floats:
    return np.where(whole == _NONE, np.nan, whole / _MS)


_QUERY: Final = (
    "SELECT group_concat(state, ' '), group_concat(t_ms, ' '), "  # noqa: S608 a number of ours
    f"group_concat(coalesce(estimate_over_mc, {_NONE}), ' '), "
    f"group_concat(coalesce(room_mc, {_NONE}), ' ') FROM sample WHERE id >= ? AND id < ?"
)


class _Columns(LogFile):
    def texts(self, ids: Ids, thinned: Ids) -> tuple[Texts, Floats | None]:
        """The columns of these samples, each as one text, and these thinned rows as a table."""
        found: Texts = self._all(_QUERY, ids)[0]
        if thinned[0] >= thinned[1]:
            return found, None
        try:
            cursor = self._connection.execute(query(("room_c",), "id >= ? AND id < ?"), thinned)
            parts = list(tables(cursor))
        except sqlite3.Error as error:
            raise self._told(error) from error
        return found, np.concatenate(parts) if parts else None


Fetched: TypeAlias = tuple[Texts, Floats | None]


def _ahead(path: Path, stretches: Sequence[tuple[Ids, Ids]]) -> Generator[Fetched, None, None]:
    """What SQLite gives for each stretch of rowids, fetched while the one before is worked on.

    It lets go of the interpreter while it works, so that two processors halve the time.  The thread
    has its own connection: one belongs to the thread that opened it.
    """
    opened: list[_Columns] = []

    def fetch(ids: tuple[Ids, Ids]) -> Fetched:
        if not opened:
            opened.append(_Columns(path))
        return opened[0].texts(*ids)

    def close() -> None:
        for each in opened:
            each.close()

    with ThreadPoolExecutor(1, "log-blocks") as pool:
        waiting: deque[Future[Fetched]] = deque()
        try:
            for ids in stretches:
                waiting.append(pool.submit(fetch, ids))
                if len(waiting) > _AHEAD:
                    yield waiting.popleft().result()
            while waiting:
                yield waiting.popleft().result()
        finally:
            for each in waiting:
                each.cancel()
            pool.submit(close).result()


def _blocks(
    states: _States, placing: Placing, texts: Texts, window: tuple[int, int]
) -> Iterator[Block]:
    if texts[0] is None:
        return
    state, t_ms, estimate_mc, room_mc = (np.fromstring(text, np.int64, sep=" ") for text in texts)
    place = np.searchsorted(states.id, state)
    wall_ms = _placed(states.base_ms[place] + t_ms, placing)
    inside = (wall_ms >= window[0]) & (wall_ms < window[1])
    missing = estimate_mc == _NONE
    estimate_mc += states.estimate_base_mc[place]
    estimate_mc[missing] = _NONE
    of = np.where(inside, states.chamber[place], -1)
    for chamber in np.unique(of[inside]):
        rows = np.flatnonzero(of == chamber)
        yield Block(
            chamber=states.names[int(chamber)],
            wall_ms=wall_ms[rows],
            estimate_c=_celsius(estimate_mc[rows]),
            setpoint_c=states.setpoint_c[place[rows]],
            room_c=_celsius(room_mc[rows]),
            heat=states.heat[place[rows]] != 0,
            whole=np.broadcast_to(np.bool_(False), len(rows)),
        )


def _drawn(
    states: _States, placing: Placing, table: Floats | None, window: tuple[int, int]
) -> dict[str, tuple[Block, npt.NDArray[np.int8]]]:
    """A course through thinned rows, of each box, and the order of its samples at one moment."""
    found: dict[str, tuple[Block, npt.NDArray[np.int8]]] = {}
    if table is None:
        return found
    known = States(
        states.id,
        states.run,
        states.setpoint_c,
        states.base_ms,
        states.mat_base_mc,
        states.estimate_base_mc,
    )
    place = np.searchsorted(states.id, table[:, 0].astype(np.int64))
    for chamber in np.unique(states.chamber[place]):
        of = np.flatnonzero(states.chamber[place] == chamber)
        rows = rows_of(
            table[of],
            known,
            place[of],
            {},
            ("room_c",),
            lambda _run, t_ms, _placings: _placed(t_ms, placing),
        )
        knots = drawn(rows, exact=False)
        inside = (knots.wall_ms >= window[0]) & (knots.wall_ms < window[1])
        setpoint_c = rows.setpoint_c[knots.row]
        block = Block(
            states.names[int(chamber)],
            knots.wall_ms[inside],
            knots.estimate_c[inside],
            setpoint_c[inside],
            knots.places["room_c"][inside],
            knots.heat[inside],
            # At its end the next one begins, or whoever looks sees how far away that is.
            ((rows.samples != 1)[knots.row] & (knots.order != 0))[inside],
        )
        if len(block.wall_ms):
            found[block.chamber] = block, knots.order[inside]
    return found


def _merged(samples: Block | None, drawn: Block, rank: npt.NDArray[np.int8]) -> Block:
    """Samples, and the course through thinned rows of the same times, by time."""
    both = [drawn] if samples is None else [samples, drawn]
    if samples is not None:
        rank = np.concatenate((np.full(len(samples.wall_ms), SAMPLE, np.int8), rank))
    wall_ms = np.concatenate([each.wall_ms for each in both])
    by = np.lexsort((rank, wall_ms))
    return Block(
        drawn.chamber,
        wall_ms[by],
        np.concatenate([each.estimate_c for each in both])[by],
        np.concatenate([each.setpoint_c for each in both])[by],
        np.concatenate([each.room_c for each in both])[by],
        np.concatenate([each.heat for each in both])[by],
        np.concatenate([each.whole for each in both])[by],
    )
