"""The log's file, open for reading: read-only, beside a running service or without one.

A reader never writes and never checkpoints: the service's connection alone does, because two
connections that checkpoint at once can damage a WAL file (SQLite before 3.51.3,
sqlite.org/wal.html#walresetbug).
"""

from __future__ import annotations

import sqlite3
from collections.abc import Generator, Mapping
from pathlib import Path
from types import TracebackType
from typing import Any, Self
from urllib.parse import quote

from bottomheat.errors import LogError
from bottomheat_drivers.log.migrations import is_damage, pragma, primary_code
from bottomheat_drivers.log.placing import Pair, Placing, Span, place
from bottomheat_drivers.log.schema import APPLICATION_ID, SCHEMA_VERSION


class OlderFormatError(LogError):
    """The log is from before this version: the service brings it up to date when it starts."""


class DamagedLogError(LogError):
    """The log is damaged: the service sets it aside when it starts."""


class LogFile:
    """What every reader of the log needs: the file opened and checked, rows, places in time.

    Args:
        path: the log's file.
        oldest: the oldest format that the caller can read.
    """

    def __init__(self, path: Path, oldest: int = SCHEMA_VERSION) -> None:
        self._path = path
        self._oldest = oldest
        self._placed: tuple[int, Mapping[int, Placing]] | None = None
        self._format = 0
        try:
            there = path.exists()
        except OSError as error:
            raise LogError(
                f"{path} cannot be looked at ({error.strerror or error}): call this as a user of "
                "the group bottomheat, or with sudo."
            ) from error
        if not there:
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

    @property
    def format(self) -> int:
        """The file's format, ``oldest`` to ``SCHEMA_VERSION``."""
        return self._format

    def close(self) -> None:
        """Close the file.  Idempotent."""
        self._connection.close()

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
                f"{self._path} is not a log of bottomheat: give the path of one; where it stands "
                "under log: in the config, move it away, and the service begins a new one."
            )
        formats = f"The log {self._path} has format {version}, this version reads {SCHEMA_VERSION}"
        if version > SCHEMA_VERSION:
            raise LogError(f"{formats}: update bottomheat.")
        if version < self._oldest:
            raise OlderFormatError(
                f"{formats}: start the service once, which updates "
                "its own log; an older copy is read by the version that wrote it."
            )
        self._format = version

    def _told(self, error: Exception) -> LogError:
        if is_damage(error):
            return DamagedLogError(
                f"The log {self._path} is damaged or not a log of bottomheat: where it is the "
                "service's own, restart the service, which sets it aside and begins a new one; of "
                "any other, bottomheat backup --salvage --log FILE NEW-FILE writes out what can "
                "still be read."
            )
        return LogError(
            f"The log {self._path} cannot be read ({error}): check that you may read it and "
            "that the card works."
        )

    def _each(self, sql: str, values: Any = ()) -> Generator[Any, None, None]:
        try:
            yield from self._connection.execute(sql, values)
        except sqlite3.Error as error:
            raise self._told(error) from error

    def _all(self, sql: str, values: Any = ()) -> list[Any]:
        return list(self._each(sql, values))

    def _placings(self) -> Mapping[int, Placing]:
        # A season has thousands of clock rows, and one look at it asks a dozen times: worked out
        # anew only where another connection has written since (sqlite.org/pragma.html).
        version = pragma(self._connection, "data_version")
        if self._placed is None or self._placed[0] != version:
            self._placed = version, place(list(self.spans().values()), self.pairs())
        return self._placed[1]

    def spans(self) -> dict[str, Span]:
        """The runs by their key, in the order in which they were begun."""
        rows = self._all("SELECT key, id, boot_id, began_ms, last_ms FROM run ORDER BY id")
        return {key: Span(*span) for key, *span in rows}

    def pairs(self) -> list[Pair]:
        """Every moment that is known on both clocks."""
        rows = self._all("SELECT run, t_ms, wall_ms, synchronised FROM clock ORDER BY id")
        return [Pair(run, t_ms, wall_ms, bool(good)) for run, t_ms, wall_ms, good in rows]

    def _strange(self, what: str) -> LogError:
        return LogError(
            f"The log {self._path} holds a word that this version does not know ({what}): "
            "update bottomheat."
        )
