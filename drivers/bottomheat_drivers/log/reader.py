"""Reading the log: read-only, beside a running service or without one.

A reader never writes and never checkpoints: the service's connection alone does, because two
connections that checkpoint at once can damage a WAL file (SQLite before 3.51.3,
sqlite.org/wal.html#walresetbug).
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator, Mapping
from pathlib import Path
from types import TracebackType
from typing import Any, Self, TypeVar
from urllib.parse import quote

from bottomheat.errors import LogError
from bottomheat.model import Alarm, Estimate, Event, EventKind
from bottomheat_drivers.log import codec
from bottomheat_drivers.log.migrations import DAMAGED, pragma, primary_code
from bottomheat_drivers.log.placing import Pair, Placing, Span, place
from bottomheat_drivers.log.rows import (
    AlarmRow,
    ConfigRow,
    EventRow,
    ReferenceRow,
    RunRow,
    SampleRow,
    TendingRow,
)
from bottomheat_drivers.log.schema import APPLICATION_ID, SCHEMA_VERSION

_Word = TypeVar("_Word", EventKind, Alarm)


class OlderFormatError(LogError):
    """The log is from before this version: the service brings it up to date when it starts."""


class LogReader:
    """The log's file, open for reading; a context manager.

    Wall times are UTC in ms since 1970; a stretch of time includes its start, not its end.
    A reader that was opened while the service did not run does not see what it writes later: open
    a new one for each look.

    Raises:
        LogError: missing, not a log of ours, of another version, damaged or not readable; any
            method may raise it too.
    """

    def __init__(self, path: Path) -> None:
        self._path = path
        if not path.exists():
            raise LogError(
                f"There is no log at {path}: start the service first, or look at log: in the "
                "config."
            )
        self._connection = self._open()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()

    def close(self) -> None:
        """Close the file.  Idempotent."""
        self._connection.close()

    def runs(self) -> list[RunRow]:
        """Every start of the daemon, oldest first."""
        placings = self._placings()
        rows = self._all("SELECT id, boot_id, version, began_ms, last_ms, closed FROM run")
        return [
            RunRow(
                run,
                boot_id,
                version,
                placings[run].wall_ms(began_ms),
                placings[run].wall_ms(last_ms),
                placings[run].sure,
                bool(closed),
            )
            for run, boot_id, version, began_ms, last_ms, closed in rows
            if run in placings
        ]

    def chambers(self) -> list[str]:
        """The chambers that the log knows, by name."""
        return [name for (name,) in self._all("SELECT name FROM chamber ORDER BY name")]

    def samples(
        self, chamber: str, from_ms: int | None = None, to_ms: int | None = None
    ) -> Iterator[SampleRow]:
        """The chamber's samples of a stretch of wall time, in the order they were written."""
        for run, placing in self._placings().items():
            low, high = self._run_rows(run)
            if low == high:
                continue
            from_t, to_t = placing.t_range(
                -(2**62) if from_ms is None else from_ms, 2**62 if to_ms is None else to_ms
            )
            first = self._search(low, high, (run, from_t))
            end = self._search(first, high, (run, to_t))
            for row in self._each(
                "SELECT * FROM sample_row WHERE id >= ? AND id < ? AND chamber = ? ORDER BY id",
                (first, end, chamber),
            ):
                sample = self._sample(row, placing)
                if (from_ms is None or sample.wall_ms >= from_ms) and (
                    to_ms is None or sample.wall_ms < to_ms
                ):
                    yield sample

    def last_sample(self, chamber: str) -> SampleRow | None:
        """The chamber's newest sample that has reached the file, or None."""
        rows = self._all(
            "SELECT * FROM sample_row WHERE chamber = ? ORDER BY id DESC LIMIT 1", (chamber,)
        )
        return self._sample(rows[0], self._placings()[rows[0][1]]) if rows else None

    def newest(self, most: int) -> list[SampleRow]:
        """The newest samples of all chambers that have reached the file, newest first."""
        rows = self._all("SELECT * FROM sample_row ORDER BY id DESC LIMIT ?", (most,))
        placings = self._placings() if rows else {}
        return [self._sample(row, placings[row[1]]) for row in rows]

    def closings(self, chamber: str) -> int:
        """Closings of the chamber's contact over all runs."""
        rows = self._all(
            "SELECT lifetime FROM counter JOIN chamber ON chamber.id = counter.chamber "
            "WHERE chamber.name = ?",
            (chamber,),
        )
        return int(rows[0][0]) if rows else 0

    def events(
        self,
        from_ms: int | None = None,
        to_ms: int | None = None,
        *,
        chamber: str | None = None,
        kind: EventKind | None = None,
    ) -> list[EventRow]:
        """Events of a stretch of wall time; ``chamber`` leaves out those of other chambers."""
        placings = self._placings()
        rows = self._all(
            "SELECT run, t_ms, chamber.name, kind, alarm, durable, text FROM event "
            "LEFT JOIN chamber ON chamber.id = event.chamber "
            "WHERE (:kind IS NULL OR kind = :kind) AND (:chamber IS NULL "
            "OR chamber.name = :chamber OR chamber.name IS NULL) ORDER BY event.id",
            {"kind": None if kind is None else kind.value, "chamber": chamber},
        )
        found: list[EventRow] = []
        for run, t_ms, name, word, alarm, durable, text in rows:
            wall_ms = placings[run].wall_ms(t_ms)
            if (from_ms is not None and wall_ms < from_ms) or (
                to_ms is not None and wall_ms >= to_ms
            ):
                continue
            event = Event(
                self._known(EventKind, word),
                t_ms / 1000,
                name,
                text,
                None if alarm is None else self._known(Alarm, alarm),
                bool(durable),
            )
            found.append(EventRow(run, wall_ms, placings[run].sure, event))
        return found

    def alarms(self) -> list[AlarmRow]:
        """Every alarm, in the order in which they were raised."""
        placings = self._placings()
        rows = self._all(
            "SELECT alarm.name, chamber.name, up.run, up.t_ms, down.run, down.t_ms FROM alarm "
            "JOIN event AS up ON up.id = alarm.raised "
            "LEFT JOIN event AS down ON down.id = alarm.cleared "
            "LEFT JOIN chamber ON chamber.id = alarm.chamber ORDER BY alarm.id"
        )
        return [
            AlarmRow(
                self._known(Alarm, word),
                name,
                run,
                placings[run].wall_ms(t_ms),
                None if end_run is None else placings[end_run].wall_ms(end_ms),
                placings[run].sure and (end_run is None or placings[end_run].sure),
            )
            for word, name, run, t_ms, end_run, end_ms in rows
        ]

    def configs(self) -> list[ConfigRow]:
        """Every config that was accepted, oldest first."""
        placings = self._placings()
        rows = self._all("SELECT run, t_ms, checksum, text FROM config_version ORDER BY id")
        return [
            ConfigRow(run, placings[run].wall_ms(t_ms), placings[run].sure, *rest)
            for run, t_ms, *rest in rows
        ]

    def references(self) -> list[ReferenceRow]:
        """Readings of the trusted thermometer, oldest first."""
        placings = self._placings()
        rows = self._all(
            "SELECT run, t_ms, chamber.name, spot, reading_mc, expanded_ck, note FROM reference "
            "JOIN chamber ON chamber.id = reference.chamber ORDER BY reference.id"
        )
        return [
            ReferenceRow(
                run,
                placings[run].wall_ms(t_ms),
                placings[run].sure,
                name,
                spot,
                reading_mc / 1000,
                None if expanded_ck is None else expanded_ck / 100,
                note,
            )
            for run, t_ms, name, spot, reading_mc, expanded_ck, note in rows
        ]

    def tendings(self) -> list[TendingRow]:
        """When the boxes were opened, oldest first."""
        placings = self._placings()
        rows = self._all(
            "SELECT run, t_ms, chamber.name, doing, note, for_ms, lid FROM tending "
            "JOIN chamber ON chamber.id = tending.chamber ORDER BY tending.id"
        )
        return [
            TendingRow(
                run,
                t_ms,
                placings[run].wall_ms(t_ms),
                placings[run].sure,
                name,
                doing,
                note,
                None if for_ms is None else for_ms / 1000,
                lid,
            )
            for run, t_ms, name, doing, note, for_ms, lid in rows
        ]

    # -- inside

    def _open(self) -> sqlite3.Connection:
        # Without a -wal file nobody has the log open for writing.  Then SQLite must not make one,
        # which even a read-only connection does: a -wal or -shm file that belongs to whoever reads
        # would lock the service out of its own log.  A read-only mount needs it too.
        wal = self._path.with_name(self._path.name + "-wal")
        how = "mode=ro" if wal.exists() else "mode=ro&immutable=1"
        try:
            return self._checked(f"file:{quote(str(self._path))}?{how}")
        except sqlite3.Error as error:
            if primary_code(error) not in (sqlite3.SQLITE_CANTOPEN, sqlite3.SQLITE_READONLY):
                raise self._told(error) from error
        raise LogError(
            f"The log {self._path} was not closed in order and lies where nothing may be written: "
            f"start the service, or copy the log together with {wal.name} to another folder and "
            "read it there."
        )

    def _checked(self, uri: str) -> sqlite3.Connection:
        connection = sqlite3.connect(uri, uri=True, timeout=5.0, isolation_level=None)
        try:
            connection.execute("PRAGMA query_only = ON")
            self._check(pragma(connection, "application_id"), pragma(connection, "user_version"))
        except BaseException:
            connection.close()
            raise
        return connection

    def _check(self, application: int, version: int) -> None:
        if application != APPLICATION_ID:
            raise LogError(
                f"{self._path} is not a log of bottomheat: give the path that stands under log: "
                "in the config."
            )
        formats = f"The log {self._path} has format {version}, this version reads {SCHEMA_VERSION}"
        if version > SCHEMA_VERSION:
            raise LogError(f"{formats}: update bottomheat.")
        if version < SCHEMA_VERSION:
            raise OlderFormatError(f"{formats}: start the service once, it updates it.")

    def _told(self, error: Exception) -> LogError:
        if primary_code(error) in DAMAGED:
            return LogError(
                f"The log {self._path} is damaged or not a log of bottomheat: restart the service, "
                "it sets a damaged log aside and begins a new one."
            )
        return LogError(
            f"The log {self._path} cannot be read ({error}): check that you may read it and "
            "that the card works."
        )

    def _each(self, sql: str, values: Any = ()) -> Iterator[Any]:
        try:
            yield from self._connection.execute(sql, values)
        except sqlite3.Error as error:
            raise self._told(error) from error

    def _all(self, sql: str, values: Any = ()) -> list[Any]:
        return list(self._each(sql, values))

    def _placings(self) -> Mapping[int, Placing]:
        spans = self._all("SELECT id, boot_id, began_ms, last_ms FROM run ORDER BY id")
        pairs = self._all("SELECT run, t_ms, wall_ms, synchronised FROM clock ORDER BY id")
        return place(
            [Span(*span) for span in spans],
            [Pair(run, t_ms, wall_ms, bool(good)) for run, t_ms, wall_ms, good in pairs],
        )

    def _run_rows(self, run: int) -> tuple[int, int]:
        """The rowids of a run's samples: the first, and one past the last."""
        low, high = self._all("SELECT coalesce(min(id), 0), coalesce(max(id), -1) + 1 FROM sample")[
            0
        ]
        first = self._search(low, high, (run, -(2**62)))
        return first, self._search(first, high, (run + 1, -(2**62)))

    def _search(self, low: int, high: int, key: tuple[int, int]) -> int:
        """The first rowid whose (run, t_ms) is ``key`` or after: it never decreases by rowid."""
        while low < high:
            middle = (low + high) // 2
            rows = self._all(
                "SELECT sample.id, run, base_ms + t_ms FROM sample CROSS JOIN state "
                "ON state.id = sample.state WHERE sample.id >= ? AND sample.id < ? "
                "ORDER BY sample.id LIMIT 1",
                (middle, high),
            )
            if not rows or (rows[0][1], rows[0][2]) >= key:
                high = middle
            else:
                low = rows[0][0] + 1
        return low

    def _sample(self, row: tuple[Any, ...], placing: Placing) -> SampleRow:
        (_, run, t_ms, chamber, *places_mc, faults) = row[:11]
        (estimate_mc, expanded_ck, setpoint_mc, inner_mc, duty_pm, heat, word, closings) = row[11:]
        try:
            readings = codec.readings(t_ms, tuple(places_mc), faults)
            condition = codec.condition(word)
        except ValueError as error:
            raise self._strange(str(error)) from error
        estimate = None
        if estimate_mc is not None:
            # An uncertainty that was not a number is as good as none: never zero.
            expanded_k = float("inf") if expanded_ck is None else expanded_ck / 100
            estimate = Estimate(estimate_mc / 1000, expanded_k)
        return SampleRow(
            run=run,
            t_ms=t_ms,
            wall_ms=placing.wall_ms(t_ms),
            sure=placing.sure,
            chamber=chamber,
            readings=readings,
            estimate=estimate,
            setpoint_c=None if setpoint_mc is None else setpoint_mc / 1000,
            substrate_setpoint_c=None if inner_mc is None else inner_mc / 1000,
            duty=None if duty_pm is None else duty_pm / 1000,
            heat=bool(heat),
            condition=condition,
            closings=closings,
        )

    def _known(self, words: type[_Word], word: str) -> _Word:
        try:
            return words(word)
        except ValueError as error:
            raise self._strange(str(error)) from error

    def _strange(self, what: str) -> LogError:
        return LogError(
            f"The log {self._path} holds a word that this version does not know ({what}): "
            "update bottomheat."
        )
