"""What can still be read of a damaged log, carried over into a new one.

All but the samples: what the grower entered, calibrations, events, configs, the lifetime of the
contacts.  They keep their numbers.  The samples are most of the file and stay where they are: a
card that damages a file is not the one to write it all once more.  A command carries them over
too, to another place.
"""

from __future__ import annotations

import contextlib
import sqlite3
from collections.abc import Iterator
from pathlib import Path
from typing import Any
from urllib.parse import quote

from bottomheat.model import EventKind
from bottomheat_drivers.log.schema import APPLICATION_ID, SCHEMA, SCHEMA_VERSION

_CARRIED = (
    "run",
    "clock",
    "chamber",
    "counter",
    "event",
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
_SAMPLES = ("state", "sample", "thinned")
_MOST_HOLES = 10_000
_FAR = 2**40
_WORDS = {
    "season_entry": "entries on batches and chores",
    "reference": "readings of the thermometer",
    "probe_check": "comparisons of probes",
    "tending": "notes of when a box was opened",
    "event": "events",
}
"""What is said of those that a grower would miss."""

Row = tuple[Any, ...]


def salvage(damaged: Path, into: sqlite3.Connection, *, samples: bool = False) -> dict[str, int]:
    """Carry over what can be read; returns how many rows of each table.

    Rows whose other half is lost are left out; a run whose own row is lost is taken as known by
    what was entered in it.

    Args:
        damaged: the file, not in use; it is only read.
        into: a new log with empty tables, open for writing, outside a transaction.
        samples: the samples too.

    Raises:
        sqlite3.Error: ``into`` does not take the rows; it is as it was.
    """
    old = _opened(damaged)
    if old is None:
        return {}
    tables = (*_CARRIED, *_SAMPLES) if samples else _CARRIED
    into.execute("BEGIN IMMEDIATE")
    try:
        for table in tables:
            _carry(old, into, table)
        if not samples:  # the new file's begin anew
            into.execute("UPDATE run SET sample_upto = 0, thinned_upto = 0")
        _lost_runs(into)
        _drop_halves(into)
        _alarms(into)
        counts = {
            table: int(into.execute(f"SELECT count(*) FROM {table}").fetchone()[0])  # noqa: S608
            for table in tables
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
    listed, places = ", ".join(names), ", ".join("?" * len(names))
    insert = f"INSERT OR IGNORE INTO {table} ({listed}) VALUES ({places})"  # noqa: S608
    # The first column is the rowid, by which rows are found through whole pages alone.
    query = f"SELECT {listed} FROM {table} WHERE {names[0]} > ? ORDER BY {names[0]}"  # noqa: S608
    for row in _readable(old, query):
        with contextlib.suppress(sqlite3.IntegrityError):  # garbage: not of its column's kind
            into.execute(insert, row)


def _readable(old: sqlite3.Connection, query: str) -> Iterator[Row]:
    """Every row that can be read, by rising rowid, past one damaged page after the other."""
    last = 0
    for _ in range(_MOST_HOLES):
        try:
            for row in old.execute(query, (last,)):
                if not isinstance(row[0], int) or row[0] <= last:
                    break  # garbage
                yield row
                last = row[0]
            else:
                return
        except sqlite3.Error:
            pass
        beyond = _beyond(old, query, last)
        if beyond is None:
            return
        last = beyond


def _beyond(old: sqlite3.Connection, query: str, last: int) -> int | None:
    """After which rowid rows can be read again; None where none can."""

    def fails(after: int) -> bool:
        try:
            row = old.execute(f"{query} LIMIT 1", (after,)).fetchone()
        except sqlite3.Error:
            return True
        return row is not None and (not isinstance(row[0], int) or row[0] <= after)

    step = 1
    while fails(last + step):
        step *= 2
        if step > _FAR:
            return None
    low, high = last + step // 2, last + step
    while low + 1 < high:
        middle = (low + high) // 2
        if fails(middle):
            low = middle
        else:
            high = middle
    return high


def _names(connection: sqlite3.Connection, table: str) -> list[str]:
    try:
        return [str(row[1]) for row in connection.execute(f"PRAGMA table_info({table})")]
    except sqlite3.Error:
        return []


def _lost_runs(into: sqlite3.Connection) -> None:
    """Have a run for what was entered in one whose own row is lost."""
    for table in ("season_entry", "reference", "probe_check", "tending", "event"):
        found = into.execute(
            f"SELECT run, min(t_ms), max(t_ms) FROM {table} "  # noqa: S608
            "WHERE run NOT IN (SELECT id FROM run) GROUP BY run"
        ).fetchall()
        into.executemany(
            "INSERT INTO run (id, key, boot_id, version, began_ms, last_ms, last_seq, closed) "
            "VALUES (?1, 'lost-' || ?1, 'unknown-' || ?1, 'lost', ?2, ?3, 0, 0)",
            found,
        )


def _drop_halves(into: sqlite3.Connection) -> None:
    """Leave out rows that point to rows which could not be read."""
    while found := into.execute("PRAGMA foreign_key_check").fetchmany(_MOST_HOLES):
        for table, row, _, _ in found:
            into.execute(f"DELETE FROM {table} WHERE rowid = ?", (row,))  # noqa: S608


def _alarms(into: sqlite3.Connection) -> None:
    """From when to when each alarm stood, by the events that are there."""
    standing: dict[tuple[str, int | None], tuple[int, int]] = {}
    for event, run, chamber, kind, name in into.execute(
        "SELECT id, run, chamber, kind, alarm FROM event WHERE alarm IS NOT NULL ORDER BY id"
    ).fetchall():
        alarm, raised_in = standing.get((name, chamber), (0, 0))
        if kind == EventKind.ALARM_RAISED.value and raised_in != run:
            row = into.execute(
                "INSERT INTO alarm (name, chamber, raised) VALUES (?, ?, ?)", (name, chamber, event)
            )
            standing[name, chamber] = int(row.lastrowid or 0), run
        elif kind == EventKind.ALARM_CLEARED.value and alarm:
            into.execute("UPDATE alarm SET cleared = ? WHERE id = ?", (event, alarm))
            del standing[name, chamber]
