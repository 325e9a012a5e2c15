"""Old samples become rows of a minute, and those rows of ten; by the connection that writes.

An hour of the log at a time, each with its samples' deletion in one transaction with the rows that
stand for them: whenever the service is killed, every sample is there or in exactly one row.  What
is freed the file uses again.  Loaded when it is first needed; the service holds no numpy.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from typing import Any, Final, Literal, TypeAlias

from bottomheat_drivers.log.minutes import KNOWN_MS, Row, Sample, minutes, tens
from bottomheat_drivers.log.placing import Placing

Table: TypeAlias = Literal["sample", "thinned"]

HOUR_MS: Final = 3_600_000
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
"""Samples stay so long before and after the wall clock was set, by more than ``_STEP_MS``."""
_STEP_MS: Final = 1000
_FAR: Final = 2**62

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


@dataclass(slots=True)
class Thinning:
    """One go at thinning, within a transaction of the caller's.

    Args:
        connection: it.
        now_ms: UTC ms.
        keep_ms: samples younger than this stay, ms.
        tens_after_ms: rows of a minute younger than this stay, ms.
    """

    connection: sqlite3.Connection
    now_ms: int
    keep_ms: int
    tens_after_ms: int = TENS_AFTER_MS
    _placings: dict[int, Placing | None] = field(default_factory=dict)
    _alarms: list[tuple[int | None, int, int]] | None = None

    def go(self, most: int, stop: Callable[[], bool]) -> bool:
        """Thin at most so many hours of the log; whether there is more to do.

        Raises:
            sqlite3.Error: the caller has to roll back.
        """
        sample_upto, thinned_upto = self._upto()
        begun = sample_upto, thinned_upto
        more = True
        for _ in range(most):
            if stop():
                break
            next_sample, next_thinned = self._minutes(sample_upto), self._tens(thinned_upto)
            more = next_sample is not None or next_thinned is not None
            sample_upto, thinned_upto = next_sample or sample_upto, next_thinned or thinned_upto
            if not more:
                break
        if (sample_upto, thinned_upto) != begun:
            self.connection.execute(
                "INSERT OR REPLACE INTO retention (id, sample_upto, thinned_upto) VALUES (1, ?, ?)",
                (sample_upto, thinned_upto),
            )
        return more

    def _upto(self) -> tuple[int, int]:
        row = self._one("SELECT sample_upto, thinned_upto FROM retention WHERE id = 1")
        return (0, 0) if row is None else (int(row[0]), int(row[1]))

    # -- samples to minutes

    def _minutes(self, upto: int) -> int | None:
        """Thin the hour that comes after these samples; up to which one then, None: not yet."""
        found = self._next("sample", upto)
        if found is None:
            return None
        run, t_ms = found
        placing = self._placing(run)
        if placing is None:
            return self._past_run(run, upto)
        until_ms = (t_ms // HOUR_MS + 1) * HOUR_MS
        if placing.wall_ms(until_ms + KNOWN_MS) > self.now_ms - self.keep_ms:
            return None
        low = self._first("sample", run, t_ms - KNOWN_MS)
        high = self._first("sample", run, until_ms + KNOWN_MS + 1)
        end = self._first("sample", run, until_ms)
        kept = self._kept(placing, t_ms - KNOWN_MS, until_ms + KNOWN_MS)
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
            rows += [(row.t_ms, chamber, row) for row in own]
            gone += ids
        rows.sort(key=lambda each: each[:2])
        bases = self._bases({row.state for _, _, row in rows})
        self.connection.executemany(_INSERT, [_values(row, bases) for _, _, row in rows])
        self.connection.executemany("DELETE FROM sample WHERE id = ?", [(each,) for each in gone])
        return end - 1

    def _past_run(self, run: int, upto: int) -> int | None:
        """A run whose place in time is not known stays as it is."""
        newest = self._one("SELECT max(id) FROM run")
        if newest is not None and run >= newest[0]:
            return None
        last = self._first("sample", run + 1, -_FAR) - 1
        return last if last > upto else None

    def _kept(
        self, placing: Placing, from_ms: int, until_ms: int
    ) -> list[tuple[int | None, int, int]]:
        """From when to when samples stay, in ms of the run, and of which box; None: of all."""
        found: list[tuple[int | None, int, int]] = []
        for chamber, low_ms, high_ms in self._alarmed():
            from_t_ms, to_t_ms = placing.t_range(low_ms, high_ms)
            if from_t_ms <= until_ms and to_t_ms >= from_ms:
                found.append((chamber, from_t_ms, to_t_ms))
        offsets = placing.offsets_ms
        for at in range(1, len(offsets)):
            if abs(offsets[at] - offsets[at - 1]) > _STEP_MS:
                step_ms = placing.starts_ms[at]
                found.append((None, step_ms - AROUND_STEP_MS, step_ms + AROUND_STEP_MS))
        return found

    def _alarmed(self) -> list[tuple[int | None, int, int]]:
        """Around which times the samples of a box stay, UTC ms; None: of all boxes."""
        if self._alarms is None:
            self._alarms = list(self._around_alarms())
        return self._alarms

    def _around_alarms(self) -> Iterator[tuple[int | None, int, int]]:
        (newest,) = self._one("SELECT coalesce(max(id), 0) FROM run") or (0,)
        for chamber, run, t_ms, end_run, end_t_ms, last_ms in self.connection.execute(
            "SELECT alarm.chamber, up.run, up.t_ms, down.run, down.t_ms, last_ms FROM alarm "
            "JOIN event AS up ON up.id = raised JOIN run ON run.id = up.run "
            "LEFT JOIN event AS down ON down.id = cleared ORDER BY alarm.id"
        ).fetchall():
            placing = self._placing(run)
            if placing is None:
                continue
            from_ms = placing.wall_ms(t_ms)
            to_ms = self.now_ms if run == newest else placing.wall_ms(last_ms)
            ended = None if end_run is None else self._placing(end_run)
            if ended is not None:
                to_ms = ended.wall_ms(end_t_ms)
            if to_ms - from_ms <= OF_ALARM_MS:
                yield chamber, from_ms - AROUND_ALARM_MS, to_ms + AROUND_ALARM_MS
            else:
                yield chamber, from_ms - AROUND_ALARM_MS, from_ms + OF_ALARM_MS
                yield chamber, to_ms - AROUND_ALARM_MS, to_ms + AROUND_ALARM_MS

    # -- minutes to tens

    def _tens(self, upto: int) -> int | None:
        """Make rows of ten minutes in the hour that comes after these; up to which one then."""
        found = self._next("thinned", upto)
        if found is None:
            return None
        run, t_ms = found
        placing = self._placing(run)
        if placing is None:
            return None
        until_ms = (t_ms // HOUR_MS + 1) * HOUR_MS
        after_ms = max(self.tens_after_ms, self.keep_ms)
        if placing.wall_ms(until_ms + KNOWN_MS) > self.now_ms - after_ms:
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
        return end - 1

    # -- both

    def _one(self, sql: str, values: Sequence[object] = ()) -> Any:
        return self.connection.execute(sql, values).fetchone()

    def _next(self, table: Table, upto: int) -> tuple[int, int] | None:
        """The run and time of the first row after this id."""
        found: tuple[int, int] | None = self._one(
            f"SELECT run, base_ms + t_ms FROM {table} "  # noqa: S608 a name of ours
            f"CROSS JOIN state ON state.id = {table}.state "
            f"WHERE {table}.id > ? ORDER BY {table}.id LIMIT 1",
            (upto,),
        )
        return found

    def _first(self, table: Table, run: int, t_ms: int) -> int:
        """The least id that lies after all rows of before this time: they come by run and time."""
        low, high = self._one(
            f"SELECT coalesce((SELECT min(id) FROM {table}), 0), "  # noqa: S608
            f"coalesce((SELECT max(id) FROM {table}), -1) + 1"
        )
        while low < high:
            middle = (low + high) // 2
            row = self._one(
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

    def _chambers(self, run: int) -> list[int]:
        found = self.connection.execute(
            "SELECT DISTINCT chamber FROM state WHERE run = ? ORDER BY chamber", (run,)
        )
        return [chamber for (chamber,) in found.fetchall()]

    def _placing(self, run: int) -> Placing | None:
        """Where a run lies in time, where a synchronised clock ties it (``placing.place``)."""
        if run not in self._placings:
            pairs = self.connection.execute(
                "SELECT t_ms, wall_ms FROM clock WHERE run = ? AND synchronised ORDER BY t_ms",
                (run,),
            ).fetchall()
            pairs = (
                pairs
                or self.connection.execute(
                    "SELECT t_ms, wall_ms FROM clock WHERE synchronised AND run IN (SELECT id FROM "
                    "run WHERE boot_id = (SELECT boot_id FROM run WHERE id = ?)) ORDER BY t_ms",
                    (run,),
                ).fetchall()
            )
            self._placings[run] = (
                Placing(
                    tuple(t_ms for t_ms, _ in pairs),
                    tuple(wall_ms - t_ms for t_ms, wall_ms in pairs),
                    sure=True,
                )
                if pairs
                else None
            )
        return self._placings[run]

    def _bases(self, states: set[int]) -> dict[int, tuple[int, int, int]]:
        """What is added to the times, mats and estimates of rows of these states."""
        return {
            state: self._one(
                "SELECT base_ms, mat_base_mc, estimate_base_mc FROM state WHERE id = ?", (state,)
            )
            for state in states
        }


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
