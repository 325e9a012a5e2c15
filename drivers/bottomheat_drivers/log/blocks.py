"""The rows of all boxes over months, some hours at a time, so that no season enters memory.

SQLite joins the values of a column to one text, which numpy reads: half the time of fetching rows.
For analysis only: it imports numpy.
"""

from __future__ import annotations

import contextlib
from collections import deque
from collections.abc import Callable, Generator, Iterator, Mapping, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import Any, Final, TypeAlias

import numpy as np
import numpy.typing as npt

from bottomheat_drivers.log.gaps import GapReader
from bottomheat_drivers.log.logfile import LogFile
from bottomheat_drivers.log.placing import Placing

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


@dataclass(frozen=True, slots=True, eq=False)
class Block:
    """Adjoining rows of one box in the order of writing; all arrays are equally long.

    Attributes:
        chamber: the box.
        wall_ms: when, UTC ms.
        estimate_c: callus zone, °C; NaN: none.
        setpoint_c: what it should be, °C.
        room_c: room, °C; NaN: no good reading.
        heat: whether the relay was commanded closed.
    """

    chamber: str
    wall_ms: Integers
    estimate_c: Floats
    setpoint_c: Floats
    room_c: Floats
    heat: npt.NDArray[np.bool_]

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
        )


class BlockReader(GapReader):
    """The log's file, open for reading in blocks.

    What a look-up needs again and again is read once: it stays as it was then.
    """

    def __init__(self, path: Path) -> None:
        super().__init__(path)
        self._rows_of: dict[int, tuple[int, int]] = {}

    @cached_property
    def _placed_runs(self) -> Mapping[int, Placing]:
        return super()._placings()

    @cached_property
    def _told_ends(self) -> Any:
        return super()._ends()

    def _placings(self) -> Mapping[int, Placing]:
        return self._placed_runs

    def _ends(self) -> Any:
        return self._told_ends

    def _run_rows(self, run: int) -> tuple[int, int]:
        if run not in self._rows_of:
            self._rows_of[run] = super()._run_rows(run)
        return self._rows_of[run]

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
        fetched = _ahead(self._path, [ids for _, ids in stretches])
        with contextlib.closing(fetched):
            for number, ((placing, _), texts) in enumerate(zip(stretches, fetched, strict=True)):
                if progress is not None and number % 8 == 0:
                    progress("reading rows", number / len(stretches))
                yield from _blocks(states, placing, texts, (from_ms, to_ms))

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
        near = self._cut(max(from_ms, wall_ms - 1), min(to_ms, wall_ms + 2))
        for placing, ids in near:
            for t_ms, expanded_ck in self._all(
                "SELECT base_ms + t_ms, expanded_ck FROM sample CROSS JOIN state "
                "ON state.id = sample.state WHERE sample.id >= ? AND sample.id < ? "
                "AND chamber = (SELECT id FROM chamber WHERE name = ?)",
                (*ids, chamber),
            ):
                if placing.wall_ms(t_ms) == wall_ms and expanded_ck is not None:
                    return float(expanded_ck) / 100
        return None

    def _cut(self, from_ms: int, to_ms: int) -> Iterator[tuple[Placing, Ids]]:
        for run, placing in self._placings().items():
            low, high = self._run_rows(run)
            from_t_ms, to_t_ms = placing.t_range(from_ms, to_ms)
            first = self._search(low, high, (run, from_t_ms))
            end = self._search(first, high, (run, to_t_ms))
            for at in range(first, end, _AT_ONCE):
                yield placing, (at, min(at + _AT_ONCE, end))

    def _states(self) -> _States:
        names = dict(self._all("SELECT id, name FROM chamber"))
        rows = self._all(
            "SELECT id, chamber, coalesce(setpoint_mc, ?), heat, base_ms FROM state ORDER BY id",
            (_NONE,),
        )
        table = np.array(rows, dtype=np.int64).reshape(len(rows), 5)
        return _States(names, table[:, 0], table[:, 1], _celsius(table[:, 2]), *table[:, 3:].T)


@dataclass(frozen=True, slots=True, eq=False)
class _States:
    names: dict[int, str]
    id: Integers
    chamber: Integers
    setpoint_c: Floats
    heat: Integers
    base_ms: Integers


def _placed(t_ms: Integers, placing: Placing) -> Integers:
    piece = np.searchsorted(np.array(placing.starts_ms), t_ms, side="right") - 1
    placed: Integers = t_ms + np.array(placing.offsets_ms)[np.maximum(piece, 0)]
    return placed


def _celsius(whole: Integers) -> Floats:
    return np.where(whole == _NONE, np.nan, whole / _MS)


_QUERY: Final = (
    "SELECT group_concat(state, ' '), group_concat(t_ms, ' '), "  # noqa: S608 a number of ours
    f"group_concat(coalesce(estimate_mc, {_NONE}), ' '), "
    f"group_concat(coalesce(room_mc, {_NONE}), ' ') FROM sample WHERE id >= ? AND id < ?"
)


class _Columns(LogFile):
    def texts(self, ids: Ids) -> Texts:
        """The columns of these rows, each as one text."""
        found: Texts = self._all(_QUERY, ids)[0]
        return found


def _ahead(path: Path, stretches: Sequence[Ids]) -> Generator[Texts, None, None]:
    """What SQLite gives for each stretch of rowids, fetched while the one before is worked on.

    It lets go of the interpreter while it works, so that two processors halve the time.  The thread
    has its own connection: one belongs to the thread that opened it.
    """
    opened: list[_Columns] = []

    def fetch(ids: Ids) -> Texts:
        if not opened:
            opened.append(_Columns(path))
        return opened[0].texts(ids)

    def close() -> None:
        for each in opened:
            each.close()

    with ThreadPoolExecutor(1, "log-blocks") as pool:
        waiting: deque[Future[Texts]] = deque()
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
        )
