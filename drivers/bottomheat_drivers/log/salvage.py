"""What can still be read of a damaged log, carried over into a new one.

All but the samples: what the grower entered, calibrations, events, configs, the lifetime of the
contacts.  They keep their numbers.  The samples are most of the file and stay where they are: a
card that damages a file is not the one to write it all once more.
"""

from __future__ import annotations

import contextlib
import sqlite3
from collections.abc import Iterator
from pathlib import Path
from urllib.parse import quote

from bottomheat_drivers.log.schema import APPLICATION_ID, SCHEMA, SCHEMA_VERSION

_CARRIED = (
    "run",
    "clock",
    "chamber",
    "counter",
    "event",
    "alarm",
    "reference",
    "reference_drop",
    "probe_check",
    "borrowing",
    "borrowed",
    "tending",
    "season_entry",
    "config_version",
)
"""Tables by name, what others point to first."""
_WORDS = {
    "season_entry": "entries on batches and chores",
    "reference": "readings of the thermometer",
    "probe_check": "comparisons of probes",
    "tending": "notes of when a box was opened",
    "event": "events",
}
"""What is said of those that a grower would miss."""


def salvage(damaged: Path, into: sqlite3.Connection) -> dict[str, int]:
    """Carry over what can be read; returns how many rows of each table.

    Each table is read from its first row up to the damage and from its last one down to it.  Rows
    whose other half is lost are left out.

    Args:
        damaged: the file, not in use; it is only read.
        into: a new log with empty tables, open for writing, outside a transaction.

    Raises:
        sqlite3.Error: ``into`` does not take the rows; it is as it was.
    """
    old = _opened(damaged)
    if old is None:
        return {}
    into.execute("BEGIN IMMEDIATE")
    try:
        for table in _CARRIED:
            _carry(old, into, table)
        _drop_halves(into)
        counts = {
            table: int(into.execute(f"SELECT count(*) FROM {table}").fetchone()[0])  # noqa: S608
            for table in _CARRIED
        }
        into.execute("COMMIT")
    except BaseException:
        if into.in_transaction:
            into.execute("ROLLBACK")
        raise
    finally:
        old.close()
    return counts


def in_memory(damaged: Path) -> sqlite3.Connection:
    """What can be read of a damaged log, as a log in memory."""
    made = sqlite3.connect(":memory:", isolation_level=None)
    made.executescript(SCHEMA)
    made.execute(f"PRAGMA application_id = {APPLICATION_ID}")
    made.execute(f"PRAGMA user_version = {SCHEMA_VERSION}")
    salvage(damaged, made)
    return made


def carry_over(damaged: Path, into: sqlite3.Connection) -> list[str]:
    """Carry over what can be read into a new log, and say what, in at most one sentence."""
    try:
        counts = salvage(damaged, into)
    except sqlite3.Error as error:
        return [f"What the damaged log {damaged} held could not be carried over ({error})."]
    parts = [f"{counts[table]} {word}" for table, word in _WORDS.items() if counts.get(table)]
    if not parts:
        return []
    return [f"Carried over from the damaged log: {', '.join(parts)}; its temperatures stay there."]


def _opened(path: Path) -> sqlite3.Connection | None:
    """The damaged file, open for reading; None where it is no log that can be read at all."""
    wal = path.with_name(path.name + "-wal")
    for how in ("mode=ro", "mode=ro&immutable=1") if wal.exists() else ("mode=ro&immutable=1",):
        old = sqlite3.connect(
            f"file:{quote(str(path))}?{how}", uri=True, timeout=1.0, isolation_level=None
        )
        try:
            old.text_factory = lambda data: data.decode("utf-8", "replace")
            old.execute("PRAGMA query_only = ON")
            old.execute("PRAGMA cell_size_check = ON")
            application = old.execute("PRAGMA application_id").fetchone()[0]
            version = old.execute("PRAGMA user_version").fetchone()[0]
            old.execute("SELECT count(*) FROM sqlite_schema").fetchone()
            if application == APPLICATION_ID and 1 <= version <= SCHEMA_VERSION:
                return old
        except sqlite3.Error:
            pass
        old.close()
    return None


def _carry(old: sqlite3.Connection, into: sqlite3.Connection, table: str) -> None:
    new = _names(into, table)
    names = [name for name in _names(old, table) if name in new]
    if not names:
        return  # of an older format, or its definition is lost
    key = names[0]
    listed, places = ", ".join(names), ", ".join("?" * len(names))
    insert = f"INSERT OR IGNORE INTO {table} ({listed}) VALUES ({places})"  # noqa: S608
    for direction in ("ASC", "DESC"):
        whole = True
        query = f"SELECT {listed} FROM {table} ORDER BY {key} {direction}"  # noqa: S608
        for row in _readable(old, query):
            if row is None:
                whole = False
                break
            known = into.execute(f"SELECT 1 FROM {table} WHERE {key} IS ?", row[:1])  # noqa: S608
            if direction == "DESC" and known.fetchone() is not None:
                break  # the two ends have met
            with contextlib.suppress(sqlite3.IntegrityError):  # garbage: not of its column's kind
                into.execute(insert, row)
        if whole:
            return


def _readable(old: sqlite3.Connection, query: str) -> Iterator[tuple[object, ...] | None]:
    """Rows up to the damage, then None."""
    try:
        yield from old.execute(query)
    except sqlite3.Error:
        yield None


def _names(connection: sqlite3.Connection, table: str) -> list[str]:
    try:
        return [str(row[1]) for row in connection.execute(f"PRAGMA table_info({table})")]
    except sqlite3.Error:
        return []


def _drop_halves(into: sqlite3.Connection) -> None:
    """Leave out rows that point to rows which could not be read."""
    while found := into.execute("PRAGMA foreign_key_check").fetchall():
        for table, row, _, _ in found:
            into.execute(f"DELETE FROM {table} WHERE rowid = ?", (row,))  # noqa: S608
