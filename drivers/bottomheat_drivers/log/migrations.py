"""Opening the log's file for writing: make it, bring it up to date, or set a bad one aside.

A file is never deleted.  A damaged or foreign one is renamed and a new one begun, with what can be
carried over; before a migration a whole copy is made beside it.  A file of a newer version is
refused.
"""

from __future__ import annotations

import contextlib
import os
import sqlite3
from collections.abc import Callable, Mapping
from datetime import UTC, datetime
from pathlib import Path
from typing import TypeAlias

from bottomheat.errors import LogError
from bottomheat_drivers.log.schema import (
    APPLICATION_ID,
    PAGE_SIZE,
    SCHEMA,
    SCHEMA_VERSION,
    THINNED,
    VIEWS,
)

Connect: TypeAlias = Callable[[Path], sqlite3.Connection]
Steps: TypeAlias = Mapping[int, str]
"""SQL that brings a file from this version to the next."""

STEPS: Steps = {
    1: "ALTER TABLE tending ADD COLUMN for_ms INTEGER; ALTER TABLE tending ADD COLUMN lid TEXT;",
    2: """
ALTER TABLE reference ADD COLUMN lid TEXT;
ALTER TABLE reference ADD COLUMN ago_ms INTEGER;
ALTER TABLE reference ADD COLUMN pairing TEXT;
CREATE TABLE reference_drop (
    id INTEGER PRIMARY KEY, run INTEGER NOT NULL REFERENCES run, t_ms INTEGER NOT NULL,
    reference INTEGER NOT NULL REFERENCES reference, note TEXT NOT NULL
) STRICT;
CREATE TABLE probe_check (
    id INTEGER PRIMARY KEY, run INTEGER NOT NULL REFERENCES run, t_ms INTEGER NOT NULL,
    probe TEXT NOT NULL, how TEXT NOT NULL, add_mk INTEGER NOT NULL,
    uncertainty_mk INTEGER NOT NULL, at_mc INTEGER NOT NULL, note TEXT NOT NULL
) STRICT;
CREATE TABLE borrowing (
    id INTEGER PRIMARY KEY, run INTEGER NOT NULL REFERENCES run, t_ms INTEGER NOT NULL,
    chamber INTEGER NOT NULL REFERENCES chamber, probe TEXT NOT NULL, for_ms INTEGER,
    note TEXT NOT NULL
) STRICT;
CREATE TABLE borrowed (
    id INTEGER PRIMARY KEY, run INTEGER NOT NULL REFERENCES run, t_ms INTEGER NOT NULL,
    chamber INTEGER NOT NULL REFERENCES chamber, value_mc INTEGER NOT NULL
) STRICT;
""",
    3: """
CREATE TABLE season_entry (
    id INTEGER PRIMARY KEY, run INTEGER NOT NULL REFERENCES run, t_ms INTEGER NOT NULL,
    batch TEXT, chamber TEXT, what TEXT NOT NULL, data TEXT NOT NULL, note TEXT NOT NULL,
    about_ms INTEGER, origin TEXT NOT NULL, corrects INTEGER
) STRICT;
""",
    # The samples that are there keep their whole values: nothing is added to those.
    4: f"""
DROP VIEW IF EXISTS sample_row;
ALTER TABLE run ADD COLUMN sample_upto INTEGER NOT NULL DEFAULT 0;
ALTER TABLE run ADD COLUMN thinned_upto INTEGER NOT NULL DEFAULT 0;
ALTER TABLE state ADD COLUMN mat_base_mc INTEGER NOT NULL DEFAULT 0;
ALTER TABLE state ADD COLUMN estimate_base_mc INTEGER NOT NULL DEFAULT 0;
ALTER TABLE sample RENAME COLUMN mat_mc TO mat_over_mc;
ALTER TABLE sample RENAME COLUMN estimate_mc TO estimate_over_mc;
{THINNED}
{VIEWS}
""",
}
DAMAGED = (sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB)
_SPOILT = ("unsupported file format", "no such column", "no such table", "has no column named")


def connect(path: Path) -> sqlite3.Connection:
    """A connection for the writer: explicit transactions, short wait for a lock."""
    return sqlite3.connect(path, timeout=2.0, isolation_level=None, check_same_thread=False)


def primary_code(error: BaseException) -> int:
    """SQLite's primary result code of an error, or 0 if it is not from SQLite."""
    return int(getattr(error, "sqlite_errorcode", 0) or 0) & 0xFF


def is_damage(error: BaseException) -> bool:
    """Whether an error of SQLite says that the file is damaged, or none of its files at all."""
    # A header or a table's definition that was hit has no code of its own.
    said = str(error)
    return primary_code(error) in DAMAGED or any(words in said for words in _SPOILT)


def pragma(connection: sqlite3.Connection, name: str) -> int:
    """An integer pragma's value."""
    return int(connection.execute(f"PRAGMA {name}").fetchone()[0])


def defect(connection: sqlite3.Connection) -> str | None:
    """The first thing that SQLite finds wrong when it reads every page, or None.

    Raises:
        sqlite3.Error: the file cannot be read at all.
    """
    try:
        said = str(connection.execute("PRAGMA integrity_check(1)").fetchone()[0])
    except sqlite3.DatabaseError as error:
        if is_damage(error):
            return str(error)
        raise
    return None if said == "ok" else said.strip().splitlines()[-1]


def is_empty(connection: sqlite3.Connection) -> bool:
    """Whether the file holds nothing at all, as after a crash in the moment of making it."""
    tables = connection.execute("SELECT count(*) FROM sqlite_schema").fetchone()[0]
    return bool(tables == 0 and pragma(connection, "application_id") in (0, APPLICATION_ID))


def create(connection: sqlite3.Connection) -> None:
    """Make the tables in an empty file, all in one transaction.

    Raises:
        sqlite3.Error: not made; the file is as it was.
    """
    connection.execute(f"PRAGMA page_size = {PAGE_SIZE}")
    connection.execute("PRAGMA journal_mode = WAL")
    _script(connection, SCHEMA, SCHEMA_VERSION)


def _script(connection: sqlite3.Connection, sql: str, version: int) -> None:
    # executescript ends a transaction that is open, so the BEGIN has to be inside
    try:
        connection.executescript(
            f"BEGIN IMMEDIATE;\n{sql}\nPRAGMA application_id = {APPLICATION_ID};\n"
            f"PRAGMA user_version = {version};\nCOMMIT;"
        )
    finally:
        if connection.in_transaction:
            connection.execute("ROLLBACK")


def migrate(
    connection: sqlite3.Connection,
    path: Path,
    steps: Steps = STEPS,
    target: int = SCHEMA_VERSION,
) -> list[str]:
    """Bring a file of ours to the target version, one transaction a step; returns what was done.

    The version number commits together with the change it stands for.  A copy of the file as it
    was is kept beside it.

    Raises:
        LogError: the file is newer than this program, or no step leads from its version.
        sqlite3.Error, OSError: the copy or a step failed; the file is at the last whole step.
    """
    version = pragma(connection, "user_version")
    if version > target:
        raise LogError(
            f"The log {path} was written by a newer version of bottomheat "
            f"(format {version}, this one knows {target}): install that version again, or set "
            "another path under log: in the config."
        )
    if version == target:
        return []
    missing = [number for number in range(version, target) if number not in steps]
    if missing:
        raise LogError(
            f"The log {path} has format {version}, which this version cannot bring up to date: "
            "move the file away, and a new log is begun."
        )
    copy = _free(path, f"before-format-{target}")
    # Not a plain copy of the file: that would leave out what is still in the -wal file.
    connection.execute("VACUUM INTO ?", (str(copy),))
    descriptor = os.open(copy, os.O_RDONLY | os.O_CLOEXEC)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)
    for number in range(version, target):
        _script(connection, steps[number], number + 1)
    return [
        f"The log was brought from format {version} to {target}; it is kept as it was in {copy}."
    ]


def set_aside(path: Path, wall_ms: int) -> Path:
    """Rename a file with its -wal and -shm out of the way, and return its new name.

    Raises:
        OSError: not renamed.
    """
    day = datetime.fromtimestamp(wall_ms / 1000, UTC).strftime("%Y%m%d-%H%M%S")
    aside = _free(path, f"damaged-{day}")
    # The -wal first: left behind alone it would be taken for the new file's.
    for ending in ("-wal", "-shm"):
        part = path.with_name(path.name + ending)
        if part.exists():
            part.rename(aside.with_name(aside.name + ending))
    path.rename(aside)
    return aside


def _free(path: Path, ending: str) -> Path:
    candidate = path.with_name(f"{path.name}.{ending}")
    number = 1
    while candidate.exists():
        number += 1
        candidate = path.with_name(f"{path.name}.{ending}-{number}")
    return candidate


def _defect(connection: sqlite3.Connection, path: Path, *, suspect: bool) -> str | None:
    """What makes the file unusable, in words, or None.

    Raises:
        LogError: it is somebody else's; it is left alone.
    """
    try:
        if is_empty(connection):
            create(connection)
            return None
        if pragma(connection, "application_id") != APPLICATION_ID:
            raise LogError(
                f"{path} is a database of another program, so no log is written: name another "
                "file under log: in the config."
            )
        if suspect or _ended_badly(connection):
            answer = connection.execute("PRAGMA quick_check(1)").fetchone()[0]
            if answer != "ok":
                return "is damaged"
        if pragma(connection, "user_version") == SCHEMA_VERSION and _lacks_columns(connection):
            return "is damaged"
    except sqlite3.DatabaseError as error:
        if is_damage(error):
            return "is damaged"
        raise
    return None


def _lacks_columns(connection: sqlite3.Connection) -> bool:
    """Whether a table's definition was hit: SQLite's own check takes any that it can read."""
    with contextlib.closing(sqlite3.connect(":memory:")) as made:
        made.executescript(SCHEMA)
        names = [name for (name,) in made.execute("SELECT name FROM sqlite_schema")]
        return any(_columns(made, name) - _columns(connection, name) for name in names)


def _columns(connection: sqlite3.Connection, table: str) -> set[str]:
    return {str(row[1]) for row in connection.execute(f"PRAGMA table_info({table})")}


def _ended_badly(connection: sqlite3.Connection) -> bool:
    if pragma(connection, "user_version") != SCHEMA_VERSION:
        return True
    row = connection.execute("SELECT closed FROM run ORDER BY id DESC LIMIT 1").fetchone()
    return row is None or not row[0]


def open_log(
    path: Path, wall_ms: int, *, connect: Connect = connect, suspect: bool = False
) -> tuple[sqlite3.Connection, list[str]]:
    """The writer's connection to an up-to-date file, and what had to be done, in sentences.

    A file whose last run had no orderly end, or that is ``suspect``, is checked first.

    Raises:
        LogError: the file is of a newer version, or another program's.
        sqlite3.Error, OSError: it cannot be opened, made or renamed.
    """
    path.parent.mkdir(parents=True, exist_ok=True)
    notices: list[str] = []
    connection = connect(path)
    try:
        defect = _defect(connection, path, suspect=suspect)
        if defect is not None:
            connection.close()
            aside = set_aside(path, wall_ms)
            notices.append(
                f"The log {path} {defect}: it was set aside as {aside}, and a new one was begun."
            )
            connection = connect(path)
            create(connection)
            from bottomheat_drivers.log.salvage import carry_over  # seldom needed

            notices += carry_over(aside, connection)
        notices += migrate(connection, path)
        if pragma_text(connection, "journal_mode") != "wal":
            connection.execute("PRAGMA journal_mode = WAL")
    except BaseException:
        connection.close()
        raise
    return connection, notices


def pragma_text(connection: sqlite3.Connection, name: str) -> str:
    """A text pragma's value."""
    return str(connection.execute(f"PRAGMA {name}").fetchone()[0])
