"""What the tests of the log share: a clock to set, connections that fail or wait, rows to write."""

from __future__ import annotations

import contextlib
import json
import sqlite3
import threading
from pathlib import Path

from bottomheat.calibration.ledger import Pairing, ProbeCheck, ReferenceEntry
from bottomheat.model import Condition, Estimate, Event, EventKind, Good, Place, Record
from bottomheat_drivers.log import LogReader, SqliteJournal, ring

NOW_MS = 1_768_550_000_000
LONG_NOTE = "the lid was lifted for as long as it took " * 20
"""With it a reading takes several slots of the ring file."""
OLD_LOGS = Path(__file__).with_name("shell")


class SetClock:
    """A clock that stands until it is set."""

    def __init__(
        self, now_s: float = 100.0, wall_ms: int = NOW_MS, synchronised: bool = True
    ) -> None:
        self.now_s = now_s
        self.wall = wall_ms
        self.good = synchronised

    def monotonic_s(self) -> float:
        return self.now_s

    def wall_ms(self) -> int:
        return self.wall

    def synchronised(self) -> bool:
        return self.good


def failure(code: int, text: str) -> sqlite3.Error:
    """An error as the sqlite3 module raises it."""
    error = sqlite3.OperationalError(text)
    error.sqlite_errorcode = code
    return error


class Disk:
    """Makes connections of a disk that can hang or fail on order."""

    def __init__(self) -> None:
        self.goes_on = threading.Event()
        self.goes_on.set()
        self.waiting = threading.Event()
        self.error: sqlite3.Error | None = None
        self.unconfirmed = False
        self.commits = 0
        self.synchronous: list[str] = []  # of each commit
        self.set_to = ""

    def fail(self, code: int, text: str) -> None:
        self.error = failure(code, text)

    def connect(self, path: Path) -> sqlite3.Connection:
        disk = self

        class Connection(sqlite3.Connection):
            def execute(self, sql: str, values=()):
                if sql.startswith("PRAGMA synchronous = "):
                    disk.set_to = sql.rsplit(" ", 1)[1]
                if sql.startswith("COMMIT"):
                    disk.synchronous.append(disk.set_to)
                    disk.waiting.set()
                    disk.goes_on.wait()
                    disk.waiting.clear()
                    disk.commits += 1
                if sql.startswith("UPDATE run SET last_seq") and disk.error is not None:
                    raise disk.error
                answer = super().execute(sql, values)
                if sql.startswith("COMMIT") and disk.unconfirmed:
                    disk.unconfirmed = False
                    raise failure(sqlite3.SQLITE_IOERR_FSYNC, "disk I/O error")
                return answer

        return sqlite3.connect(
            path,
            timeout=2.0,
            isolation_level=None,
            check_same_thread=False,
            factory=Connection,
        )


def sample(at_s: float, chamber: str = "north-bench", closings: int = 0, **over) -> Record:
    fields = {
        "chamber": chamber,
        "at_s": at_s,
        "readings": (
            (Place.SUBSTRATE, Good(29.4, at_s)),
            (Place.ROOM, Good(11.2, at_s)),
            (Place.MAT, Good(43.8, at_s)),
        ),
        "estimate": Estimate(25.0, 0.4),
        "setpoint_c": 25.0,
        "substrate_setpoint_c": 29.4,
        "duty": 0.58,
        "heat": True,
        "condition": Condition.HOLDING,
        "reason": "",
        "closings": closings,
    }
    return Record(**{**fields, **over})


def note(at_s: float, text: str, durable: bool = False) -> Event:
    return Event(EventKind.LOG, at_s, None, text, durable=durable)


def paired(**over) -> Pairing:
    fields = {
        "substrate_c": 29.4,
        "room_c": 11.2,
        "lagged_substrate_c": 29.38125,
        "lagged_room_c": 11.46,
        "power_w": 27.3,
        "steadiness_k": 0.05,
        "hours": 41.5,
        "steady": True,
        "why": "",
        "room_lag_h": 1.0,
        "substrate_lag_h": 0.5,
        "memory_h": 6.0,
        "estimate_c": 25.0,
        "expanded_k": 0.4,
        "calibrated": False,
        "probes": {"substrate": "28-0316a2795a1f", "room": "28-0316a279b33c"},
        "corrections_k": {"substrate": -0.06, "room": 0.0},
    }
    return Pairing(**{**fields, **over})


def entry(chamber: str = "north-bench", reading_c: float = 24.8, **over) -> ReferenceEntry:
    fields = {
        "chamber": chamber,
        "spot": "middle",
        "lid": "on",
        "reading_c": reading_c,
        "expanded_k": 0.2,
        "note": "base depth, digital",
        "ago_s": 0.0,
        "pairing": paired(),
    }
    return ReferenceEntry(**{**fields, **over})


def check(probe: str = "28-0316a2795a1f", **over) -> ProbeCheck:
    fields = {
        "probe": probe,
        "how": "ice point",
        "add_k": -0.062,
        "uncertainty_k": 0.03,
        "at_c": 0.0,
        "note": "crushed ice, two readings",
    }
    return ProbeCheck(**{**fields, **over})


def old_log(folder: Path, number: int, *, left: bool = False) -> Path:
    """A log that a program of that format wrote; ``left``: with the ring file of its killed run."""
    path = folder / "log.sqlite"
    text = (OLD_LOGS / f"log_format_{number}.sql").read_text(encoding="utf-8")
    with contextlib.closing(sqlite3.connect(path)) as connection:
        connection.executescript(text)
        connection.execute("PRAGMA journal_mode = WAL")
    if left:
        head, *rows = [line[9:] for line in text.splitlines() if line.startswith("-- ring: ")]
        header = json.loads(head)
        (folder / "run").mkdir()
        made = ring.Ring(folder / "run", header.pop("key"), header)
        for row in rows:
            made.put(json.loads(row)[1], row.encode())
        made.close(remove=False)
    return path


def journal(folder: Path, clock: SetClock | None = None, **how) -> SqliteJournal:
    how.setdefault("ring", True)
    ring = folder / "run" if how.pop("ring") else None
    boot = how.pop("boot_id", "boot-1")
    return SqliteJournal(folder / "log.sqlite", ring, clock or SetClock(), "0.1.0", boot, **how)


def rings(folder: Path) -> list[Path]:
    return sorted((folder / "run").glob("log-*.ring"))


def raw(path: Path, sql: str) -> list[tuple]:
    connection = sqlite3.connect(path)
    try:
        return connection.execute(sql).fetchall()
    finally:
        connection.close()


def shape(path: Path) -> dict[str, list]:
    """Every table's columns."""
    names = raw(path, "SELECT name FROM sqlite_schema WHERE type = 'table'")
    return {name: raw(path, f"PRAGMA table_info({name})") for (name,) in names}


def rows(path: Path, table: str) -> list[tuple]:
    """Every row of a table."""
    return raw(path, f"SELECT * FROM {table}")  # noqa: S608 a name that a test writes down


def times(path: Path) -> list[int]:
    with LogReader(path) as log:
        return [row.t_ms // 1000 for row in log.samples("north-bench")]


def texts(path: Path) -> list[str]:
    with LogReader(path) as log:
        return [row.event.text for row in log.events()]
