"""Old samples become rows of a minute, and those rows of ten; by the connection that writes.

Samples that are older than rows of minutes get become rows of ten at once: where samples are kept
for so long, or after an update.

Ten minutes of the log with ten new ones, in one transaction: whenever the service is killed, every
sample is there or in exactly one row, and the pages that old samples leave are written once, with
the new ones that take them (an hour at a time costs the card more: tests/bench/thinning.py).  The
file is never made smaller: it uses what is free.
Loaded when it is first needed; the service holds no numpy.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Any, Final, Literal, TypeAlias

from bottomheat_drivers.log.minutes import KNOWN_MS, Row, Sample, joined, minutes, tens
from bottomheat_drivers.log.placing import Placing

Table: TypeAlias = Literal["sample", "thinned"]

SLICE_MS: Final = 600_000
"""So much of the log at a time: as much as is written with it, and what is held in memory stays
small."""
MOST: Final = 4
"""So many of these with each commit, so that after an update months are caught up with."""
NEAR_MS: Final = 2 * 3_600_000
"""Clock rows of so long before and after are looked at for a clock that was set."""
DAY_MS: Final = 86_400_000
AROUND_ALARM_MS: Final = DAY_MS
"""Samples stay so long before an alarm was raised and after it was gone."""
OF_ALARM_MS: Final = 7 * DAY_MS
"""Of one that stood for longer its first week and its last day: one that nobody sees to must not
fill the card (judgement)."""
TENS_AFTER_MS: Final = 42 * DAY_MS
"""From then on rows of ten minutes: by then cuttings have callused and rooted, and what is asked of
so old a time is a season's record, not a course of minutes (judgement)."""
AROUND_STEP_MS: Final = 600_000
"""Samples stay so long before and after the wall clock was set, by more than ``STEP_MS``."""
STEP_MS: Final = 1000
_FAR: Final = 2**62
_BOOT: Final = "run IN (SELECT id FROM run WHERE boot_id = (SELECT boot_id FROM run WHERE id = ?1))"

_PLACES: Final = ("substrate", "substrate_2", "room", "mat", "callus", "top")
_COLUMNS: Final = (
    "state",
    "t_ms",
    "span_ms",
    "samples",
    "closings",
    "heat_ms",
    "above_ms",
    "above_mks",
    "below_ms",
    "below_mks",
    "estimate_over_mc",
    "estimate_low_mk",
    "estimate_high_mk",
    "expanded_ck",
    *(
        column
        for place in _PLACES
        for column in (
            f"{place}{'_over' if place == 'mat' else ''}_mc",
            f"{place}_low_mk",
            f"{place}_high_mk",
        )
    ),
)
_INSERT: Final = (
    f"INSERT INTO thinned ({', '.join(_COLUMNS)}) VALUES ({', '.join('?' * len(_COLUMNS))})"  # noqa: S608 names of ours
)
_UPDATE: Final = f"UPDATE thinned SET {', '.join(f'{name} = ?' for name in _COLUMNS)} WHERE id = ?"  # noqa: S608
_READ: Final = (
    "SELECT thinned.id, base_ms, mat_base_mc, estimate_base_mc, setpoint_mc, "  # noqa: S608
    f"{', '.join('thinned.' + name for name in _COLUMNS)} FROM thinned "
    "CROSS JOIN state ON state.id = thinned.state "
    "WHERE thinned.id >= ? AND thinned.id < ? AND chamber = ? ORDER BY thinned.id"
)
_SAMPLES: Final = (
    "SELECT sample.id, base_ms + t_ms, state, setpoint_mc, heat, closings, "
    "estimate_base_mc + estimate_over_mc, expanded_ck, substrate_mc, substrate_2_mc, room_mc, "
    "mat_base_mc + mat_over_mc, callus_mc, top_mc FROM sample "
    "CROSS JOIN state ON state.id = sample.state "
    "WHERE sample.id >= ? AND sample.id < ? AND chamber = ? ORDER BY sample.id"
)


_Interval: TypeAlias = tuple[int | None, int, int]
"""From when to when samples stay, and of which box; None: of all."""


class Thinning:
    """Thins in the transactions of a connection that it is given."""

    def __init__(self) -> None:
        self._alarms: tuple[Any, list[tuple[int | None, int, int | None]]] = (None, [])

    def go(
        self, connection: sqlite3.Connection, run: int, now_ms: int, keep_ms: int, most: int = MOST
    ) -> bool:
        """Thin some of the log; whether anything was done.

        Args:
            connection: inside a transaction.
            run: the run whose row is to tell how far it has come.
            now_ms: UTC ms.
            keep_ms: samples younger than this stay, ms.
            most: so many times ``SLICE_MS``.

        Raises:
            sqlite3.Error: the caller has to roll back.
        """
        work = _Work(connection, now_ms, keep_ms)
        begun = work.upto()
        sample_upto, thinned_upto = begun
        for _ in range(most):
            also = work.tens(thinned_upto)
            done = work.minutes(sample_upto, self._alarmed(work))
            sample_upto, thinned_upto = done or sample_upto, also or thinned_upto
            if done is None and also is None:
                break
        if (sample_upto, thinned_upto) == begun:
            return False
        connection.execute(
            "UPDATE run SET sample_upto = ?, thinned_upto = ? WHERE id = ?",
            (sample_upto, thinned_upto, run),
        )
        return True

    def _alarmed(self, work: _Work) -> list[_Interval]:
        """Around which times samples stay, UTC ms; the alarms are read when there are new ones."""
        key = work.one(
            "SELECT count(*), count(cleared), max(id), (SELECT max(id) FROM run) FROM alarm"
        )
        if key != self._alarms[0]:
            self._alarms = key, list(work.alarms())
        return [
            each
            for chamber, from_ms, to_ms in self._alarms[1]
            for each in _around(chamber, from_ms, work.now_ms if to_ms is None else to_ms)
        ]


def _around(chamber: int | None, from_ms: int, to_ms: int) -> Iterator[_Interval]:
    if to_ms - from_ms <= OF_ALARM_MS:
        yield chamber, from_ms - AROUND_ALARM_MS, to_ms + AROUND_ALARM_MS
    else:
        yield chamber, from_ms - AROUND_ALARM_MS, from_ms + OF_ALARM_MS
        yield chamber, to_ms - AROUND_ALARM_MS, to_ms + AROUND_ALARM_MS


@dataclass(frozen=True, slots=True)
class _Work:
    connection: sqlite3.Connection
    now_ms: int
    keep_ms: int

    @property
    def _tens_after_ms(self) -> int:
        return max(TENS_AFTER_MS, self.keep_ms)

    def upto(self) -> tuple[int, int]:
        """How far it has come: of the samples, and of the rows of minutes."""
        row = self.one(
            "SELECT coalesce(max(sample_upto), 0), coalesce(max(thinned_upto), 0) FROM run"
        )
        return int(row[0]), int(row[1])

    def one(self, sql: str, values: Sequence[object] = ()) -> Any:
        """The first row, or None."""
        return self.connection.execute(sql, values).fetchone()

    # -- samples to minutes

    def minutes(self, upto: int, alarmed: Sequence[_Interval]) -> int | None:
        """Thin what comes after these samples; up to which one then, None: not yet."""
        found = self._next("sample", upto)
        if found is None:
            return None
        run, t_ms = found
        until_ms = (t_ms // SLICE_MS + 1) * SLICE_MS
        placing = self._placing(run, t_ms - KNOWN_MS, until_ms + KNOWN_MS)
        if placing is None:
            return self._past_run(run, upto)
        last_ms = placing.wall_ms(until_ms + KNOWN_MS)
        if last_ms > self.now_ms - self.keep_ms:
            return None
        low = self._first("sample", run, t_ms - KNOWN_MS)
        high = self._first("sample", run, until_ms + KNOWN_MS + 1)
        end = self._first("sample", run, until_ms)
        kept = list(_kept(placing, alarmed, t_ms - KNOWN_MS, until_ms + KNOWN_MS))
        rows: list[tuple[int, int, Row]] = []
        gone: list[int] = []
        for chamber in self._chambers(run):
            samples = [
                Sample._make((*row[:8], row[8:]))
                for row in self.connection.execute(_SAMPLES, (low, high, chamber))
            ]
            stays = [
                each.id <= upto
                or any(
                    of in (None, chamber) and begin_ms <= each.t_ms <= end_ms
                    for of, begin_ms, end_ms in kept
                )
                for each in samples
            ]
            own, ids = minutes(samples, stays, t_ms, until_ms)
            if last_ms <= self.now_ms - self._tens_after_ms:
                own = joined(own)
            rows += [(row.t_ms, chamber, row) for row in own]
            gone += ids
        rows.sort(key=lambda each: each[:2])
        bases = self._bases({row.state for _, _, row in rows})
        self.connection.executemany(_INSERT, [_values(row, bases) for _, _, row in rows])
        self.connection.executemany("DELETE FROM sample WHERE id = ?", [(each,) for each in gone])
        return self._last("sample", end)

    def _past_run(self, run: int, upto: int) -> int | None:
        """A run whose place in time is not known stays as it is."""
        newest = self.one("SELECT max(id) FROM run")
        if newest is not None and run >= newest[0]:
            return None
        last = self._first("sample", run + 1, -_FAR) - 1
        return last if last > upto else None

    def alarms(self) -> Iterator[tuple[int | None, int, int | None]]:
        """Of which box each alarm was and from when to when it stood, UTC ms; None: it stands."""
        (newest,) = self.one("SELECT coalesce(max(id), 0) FROM run")
        for chamber, run, t_ms, end_run, end_t_ms, last_ms in self.connection.execute(
            "SELECT alarm.chamber, up.run, up.t_ms, down.run, down.t_ms, last_ms FROM alarm "
            "JOIN event AS up ON up.id = raised JOIN run ON run.id = up.run "
            "LEFT JOIN event AS down ON down.id = cleared ORDER BY alarm.id"
        ).fetchall():
            from_ms = self._wall_ms(run, t_ms)
            if from_ms is None:
                continue
            # One that its run left open: what came after is not known.
            to_ms = None if run == newest else self._wall_ms(run, last_ms)
            if end_run is not None:
                ended_ms = self._wall_ms(end_run, end_t_ms)
                to_ms = from_ms if ended_ms is None else ended_ms
            yield chamber, from_ms, None if to_ms is None else max(from_ms, to_ms)

    # -- minutes to tens

    def tens(self, upto: int) -> int | None:
        """Make rows of ten minutes of those that come after these; up to which one then."""
        found = self._next("thinned", upto)
        if found is None:
            return None
        run, t_ms = found
        until_ms = (t_ms // SLICE_MS + 1) * SLICE_MS
        placing = self._placing(run, t_ms, until_ms)
        if placing is None:
            return None
        if placing.wall_ms(until_ms + KNOWN_MS) > self.now_ms - self._tens_after_ms:
            return None
        end = self._first("thinned", run, until_ms)
        for chamber in self._chambers(run):
            rows = [
                (int(number), _row(bases, setpoint_mc, values))
                for number, *bases, setpoint_mc, values in (
                    (*each[:5], each[5:])
                    for each in self.connection.execute(_READ, (upto + 1, end, chamber))
                )
            ]
            made = tens(rows)
            bases = self._bases({row.state for row, _ in made})
            self.connection.executemany(
                _UPDATE, [(*_values(row, bases), numbers[0]) for row, numbers in made]
            )
            self.connection.executemany(
                "DELETE FROM thinned WHERE id = ?",
                [(number,) for _, numbers in made for number in numbers[1:]],
            )
        return self._last("thinned", end)

    # -- both

    def _next(self, table: Table, upto: int) -> tuple[int, int] | None:
        """The run and time of the first row after this id."""
        found: tuple[int, int] | None = self.one(
            f"SELECT run, base_ms + t_ms FROM {table} "  # noqa: S608 a name of ours
            f"CROSS JOIN state ON state.id = {table}.state "
            f"WHERE {table}.id > ? ORDER BY {table}.id LIMIT 1",
            (upto,),
        )
        return found

    def _first(self, table: Table, run: int, t_ms: int) -> int:
        """The least id that lies after all rows of before this time: they come by run and time."""
        low, high = self.one(
            f"SELECT coalesce((SELECT min(id) FROM {table}), 0), "  # noqa: S608
            f"coalesce((SELECT max(id) FROM {table}), -1) + 1"
        )
        while low < high:
            middle = (low + high) // 2
            row = self.one(
                f"SELECT {table}.id, run, base_ms + t_ms FROM {table} "  # noqa: S608
                f"CROSS JOIN state ON state.id = {table}.state "
                f"WHERE {table}.id >= ? AND {table}.id < ? ORDER BY {table}.id LIMIT 1",
                (middle, high),
            )
            if row is None or (row[1], row[2]) >= (run, t_ms):
                high = middle
            else:
                low = row[0] + 1
        return int(low)

    def _last(self, table: Table, end: int) -> int:
        """The last id before this one that is not given again: SQLite goes on from the last."""
        (newest,) = self.one(f"SELECT coalesce(max(id), 0) FROM {table}")  # noqa: S608
        return min(end - 1, int(newest))

    def _chambers(self, run: int) -> list[int]:
        found = self.connection.execute(
            "SELECT DISTINCT chamber FROM state WHERE run = ? ORDER BY chamber", (run,)
        )
        return [chamber for (chamber,) in found.fetchall()]

    def _placing(self, run: int, from_ms: int, until_ms: int) -> Placing | None:
        """Where a stretch of a run lies in time; None: no synchronised clock ties it.

        As ``placing.place`` has it, from the few rows that matter there.
        """
        for runs in ("run = ?1", _BOOT):
            good = f"SELECT t_ms, wall_ms FROM clock WHERE {runs} AND synchronised"  # noqa: S608
            low_ms, high_ms = from_ms - NEAR_MS, until_ms + NEAR_MS
            before = self.one(f"{good} AND t_ms < ?2 ORDER BY t_ms DESC LIMIT 1", (run, low_ms))
            pairs = self.connection.execute(
                f"{good} AND t_ms BETWEEN ?2 AND ?3 ORDER BY t_ms", (run, low_ms, high_ms)
            ).fetchall()
            if before is not None:
                pairs.insert(0, before)
            if not pairs:
                after = self.one(f"{good} AND t_ms > ?2 ORDER BY t_ms LIMIT 1", (run, high_ms))
                pairs = [] if after is None else [after]
            if pairs:
                return Placing(
                    tuple(t_ms for t_ms, _ in pairs),
                    tuple(wall_ms - t_ms for t_ms, wall_ms in pairs),
                    sure=True,
                )
        return None

    def _wall_ms(self, run: int, t_ms: int) -> int | None:
        placing = self._placing(run, t_ms, t_ms)
        return None if placing is None else placing.wall_ms(t_ms)

    def _bases(self, states: set[int]) -> dict[int, tuple[int, int, int]]:
        """What is added to the times, mats and estimates of rows of these states."""
        return {
            state: self.one(
                "SELECT base_ms, mat_base_mc, estimate_base_mc FROM state WHERE id = ?", (state,)
            )
            for state in states
        }


def _kept(
    placing: Placing, alarmed: Sequence[_Interval], from_ms: int, until_ms: int
) -> Iterator[_Interval]:
    """From when to when samples stay, in ms of the run."""
    for chamber, low_ms, high_ms in alarmed:
        from_t_ms, to_t_ms = placing.t_range(low_ms, high_ms)
        if from_t_ms <= until_ms and to_t_ms >= from_ms:
            yield chamber, from_t_ms, to_t_ms
    for (_, before_ms), (step_ms, after_ms) in pairwise(
        zip(placing.starts_ms, placing.offsets_ms, strict=True)
    ):
        if abs(after_ms - before_ms) > STEP_MS:
            yield None, step_ms - AROUND_STEP_MS, step_ms + AROUND_STEP_MS


def _values(row: Row, bases: dict[int, tuple[int, int, int]]) -> tuple[int | None, ...]:
    """A row as its columns."""
    base_ms, mat_base_mc, estimate_base_mc = bases[row.state]
    flat: list[int | None] = [row.state, row.t_ms - base_ms, *row[2:10]]
    none = (None, None, None)
    if row.estimate is None:
        flat += none
    else:
        flat += (row.estimate[0] - estimate_base_mc, *row.estimate[1:])
    flat.append(row.expanded_ck)
    for place, course in zip(_PLACES, row.places, strict=True):
        if course is None:
            flat += none
        else:
            flat += (course[0] - (mat_base_mc if place == "mat" else 0), *course[1:])
    return tuple(flat)


def _row(bases: Sequence[int], setpoint_mc: int | None, values: Sequence[Any]) -> Row:
    """The row of these columns."""
    base_ms, mat_base_mc, estimate_base_mc = bases
    courses: list[tuple[int, int, int] | None] = []
    for place, first in zip(("estimate", *_PLACES), (10, *range(14, len(values), 3)), strict=True):
        mean, low, high = values[first : first + 3]
        more = {"estimate": estimate_base_mc, "mat": mat_base_mc}.get(place, 0)
        courses.append(None if mean is None else (mean + more, low, high))
    whole = (courses[0], values[13], tuple(courses[1:]), setpoint_mc)
    return Row._make((values[0], values[1] + base_ms, *values[2:10], *whole))
