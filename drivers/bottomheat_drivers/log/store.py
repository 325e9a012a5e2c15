"""The one connection that writes the log: rows in, transactions out.

Used by one thread at a time.  Knows nothing of queues; an error leaves the file as it was before
the transaction, and the caller hands the same rows over again.
"""

from __future__ import annotations

import contextlib
import sqlite3
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING

from bottomheat.errors import LogError
from bottomheat.model import EventKind
from bottomheat_drivers.log import ballast, migrations, ring
from bottomheat_drivers.log.codec import (
    BorrowedItem,
    BorrowingItem,
    ClockItem,
    ConfigItem,
    DropItem,
    EventItem,
    Item,
    ProbeCheckItem,
    ReferenceItem,
    SampleItem,
    SeasonItem,
    TendingItem,
    from_bytes,
)

if TYPE_CHECKING:
    from bottomheat_drivers.log.retention import Thinning

_STATES_KEPT = 4096
_WAL_LIMIT = 8 * 2**20
_CACHE_KIB = 256
"""An eighth of SQLite's own: what the service holds stays small, and an hour of four boxes that is
thinned fits."""

STATE_MS = 2**24
"""How far the bases of times lie apart: up to half of it off, a time takes 3 bytes."""
MAT_BASE_MC = 30_000
"""Counted from it, mats of -2 to 62 °C take 2 bytes."""

_INSERT_OF_CHAMBER = {
    ReferenceItem: (
        "INSERT INTO reference "
        "(run, t_ms, chamber, spot, reading_mc, expanded_ck, note, lid, ago_ms, pairing) "
        "VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?)"
    ),
    TendingItem: (
        "INSERT INTO tending (run, t_ms, chamber, doing, note, for_ms, lid) "
        "VALUES (?, ?, ?, ?, ?, ?, ?)"
    ),
    BorrowingItem: (
        "INSERT INTO borrowing (run, t_ms, chamber, probe, for_ms, note) VALUES (?, ?, ?, ?, ?, ?)"
    ),
    BorrowedItem: "INSERT INTO borrowed (run, t_ms, chamber, value_mc) VALUES (?, ?, ?, ?)",
}

StateKey = tuple[int, int, int | None, str, int, int, int, str]


@dataclass(frozen=True, slots=True)
class RunStart:
    """What is known of a run from its first moment."""

    key: str
    boot_id: str
    version: str
    began_ms: int
    wall_ms: int
    synchronised: bool


@dataclass(frozen=True, slots=True)
class Old:
    """Samples older than ``keep_ms`` by ``now_ms``, UTC ms of a clock that is set."""

    now_ms: int
    keep_ms: int


@dataclass(slots=True)
class Store:
    """The log's file, open for writing after ``open``.

    ``fault`` is what went wrong in thinning that is not the file's, or None.
    """

    path: Path
    run: RunStart
    ring_folder: Path | None
    own_ring: Path | None
    ballast_bytes: int
    connect: migrations.Connect = migrations.connect
    suspect: bool = False
    fault: str | None = None
    _thinning: Thinning | None = None
    _connection: sqlite3.Connection | None = None
    _file: tuple[int, int] | None = None
    _run_id: int = 0
    _chambers: dict[str, int] = field(default_factory=dict)
    _states: dict[StateKey, int] = field(default_factory=dict)
    _next_state: int = 1

    @property
    def is_open(self) -> bool:
        """Whether rows can be written."""
        return self._connection is not None

    @property
    def ballast(self) -> Path:
        """A file that only takes up room, given up when the disk is full."""
        return self.path.with_name(self.path.name + ".ballast")

    def open(self, wall_ms: int, t_ms: int) -> list[str]:
        """Open the file, add what dead runs left in their ring files, and enter this run.

        Returns what had to be done, in sentences; they are in the log as events too.

        Raises:
            LogError, sqlite3.Error, OSError: not open.
        """
        self._forget()
        connection, notices = migrations.open_log(
            self.path, wall_ms, connect=self.connect, suspect=self.suspect
        )
        try:
            connection.execute("PRAGMA cell_size_check = ON")
            connection.execute(f"PRAGMA journal_size_limit = {_WAL_LIMIT}")
            connection.execute(f"PRAGMA cache_size = -{_CACHE_KIB}")
            self._connection = connection
            notices += self._recover(wall_ms)
            self._enter(t_ms, notices)
        except BaseException:
            self._connection = None
            connection.close()
            raise
        self.suspect = False
        self._file = self._at_path()
        self.keep_ballast()
        return notices

    def write(self, items: Sequence[Item], thin: Old | None = None) -> None:
        """Write the rows that the file does not hold yet, in one transaction.

        The card has them when this returns (synchronous=FULL).  Samples do not need it for their
        own sake; left to the kernel, a batch reached the card half a minute after the next was due.

        Args:
            items: the rows, by number.
            thin: what of the log is old; some of it is thinned in the same transaction, so that new
                samples take the pages that old ones leave: each of those is written once for both.

        Raises:
            sqlite3.Error: nothing was written, or all of it was and the disk did not confirm;
                writing the same rows again is right in both cases.
            LogError: the file is no longer where it was, so that rows would go where nobody looks.
        """
        connection = self._open_connection()
        if self._at_path() != self._file:
            with contextlib.suppress(sqlite3.Error):  # moved alone, it gets its -wal file's rows
                connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
            raise LogError(
                f"The log {self.path} was moved or removed while the service ran: a new one is "
                "begun."
            )
        connection.execute("PRAGMA synchronous = FULL")
        with self._transaction(connection):
            if thin is not None:
                self._thin(connection, thin)
            self._insert(self._run_id, items)

    def close(self, *, orderly: bool) -> None:
        """Checkpoint and close.  Idempotent.

        Raises:
            sqlite3.Error: the last touches were not written; the file is closed all the same.
        """
        connection, self._connection = self._connection, None
        if connection is None:
            return
        try:
            if orderly:
                connection.execute("UPDATE run SET closed = 1 WHERE id = ?", (self._run_id,))
        finally:
            connection.close()

    def give_up_ballast(self) -> bool:
        """Free the reserve; False if there was none."""
        return ballast.give_up(self.ballast)

    def keep_ballast(self) -> bool:
        """Make the reserve where it is missing and there is plenty of room; True if it is there."""
        return ballast.keep(self.ballast, self.ballast_bytes)

    # -- inside

    def _at_path(self) -> tuple[int, int] | None:
        """Which file is at the log's path, or None if there is none."""
        try:
            status = self.path.stat()
        except OSError:
            return None
        return status.st_dev, status.st_ino

    def _open_connection(self) -> sqlite3.Connection:
        if self._connection is None:
            raise sqlite3.ProgrammingError("the log is not open")
        return self._connection

    def _forget(self) -> None:
        self._chambers.clear()
        self._states.clear()

    @contextlib.contextmanager
    def _transaction(self, connection: sqlite3.Connection) -> Iterator[None]:
        connection.execute("BEGIN IMMEDIATE")
        try:
            yield
            connection.execute("COMMIT")
        except BaseException:
            self._forget()  # they may name rows that are now gone
            if connection.in_transaction:
                with contextlib.suppress(sqlite3.Error):  # the first error is the one to tell
                    connection.execute("ROLLBACK")
            raise

    def _thin(self, connection: sqlite3.Connection, old: Old) -> None:
        if self._thinning is None:
            from bottomheat_drivers.log.retention import Thinning  # not before a log may be old

            self._thinning = Thinning()
        connection.execute("SAVEPOINT thin")
        try:
            self._thinning.go(connection, self._run_id, old.now_ms, old.keep_ms)
        except sqlite3.Error:
            raise
        except Exception as error:  # noqa: BLE001 a fault of its own costs no sample
            connection.execute("ROLLBACK TO thin")
            self.fault = repr(error)
        connection.execute("RELEASE thin")

    def _recover(self, wall_ms: int) -> list[str]:
        notices: list[str] = []
        if self.ring_folder is None or not self.ring_folder.is_dir():
            return notices
        for path in ring.others(self.ring_folder, self.own_ring):
            try:
                remains = ring.read(path)
                if remains is None:
                    continue
                added = self._add_remains(remains)
            except (ring.RingDamagedError, sqlite3.IntegrityError, sqlite3.ProgrammingError):
                aside = migrations.set_aside(path, wall_ms)
                notices.append(
                    f"The ring file {path} is damaged: it was set aside as {aside}, "
                    "and the last minutes before the stop are missing."
                )
                continue
            if added:
                notices.append(f"{added} rows that the run before left were added to the log.")
            if remains.bad > 1:  # one may be torn by the stop itself
                aside = migrations.set_aside(path, wall_ms)
                notices.append(f"{remains.bad} of its rows were unreadable: it is kept as {aside}.")
            else:
                with contextlib.suppress(OSError):  # somebody else's: to add it again adds nothing
                    path.unlink()
        return notices

    def _add_remains(self, remains: ring.Remains) -> int:
        header = remains.header
        try:
            run = RunStart(
                str(header["key"]),
                str(header["boot_id"]),
                str(header["version"]),
                int(str(header["began_ms"])),
                int(str(header["wall_ms"])),
                bool(header["synchronised"]),
            )
        except (KeyError, ValueError) as error:
            raise ring.RingDamagedError(str(error)) from error
        items = [item for item in map(from_bytes, remains.rows) if item is not None]
        connection = self._open_connection()
        connection.execute("PRAGMA synchronous = FULL")
        with self._transaction(connection):
            return self._insert(self._run_row(run), items)

    def _enter(self, t_ms: int, notices: Iterable[str]) -> None:
        connection = self._open_connection()
        with self._transaction(connection):
            self._run_id = self._run_row(self.run)
            for text in notices:
                item = EventItem(0, t_ms, None, EventKind.LOG.value, None, 1, text)
                self._event(self._run_id, item)

    def _run_row(self, run: RunStart) -> int:
        connection = self._open_connection()
        row = connection.execute("SELECT id FROM run WHERE key = ?", (run.key,)).fetchone()
        if row is not None:
            return int(row[0])
        cursor = connection.execute(
            "INSERT INTO run (key, boot_id, version, began_ms, last_ms, last_seq, closed) "
            "VALUES (?, ?, ?, ?, ?, 0, 0)",
            (run.key, run.boot_id, run.version, run.began_ms, run.began_ms),
        )
        run_id = int(cursor.lastrowid or 0)
        self._clock(run_id, ClockItem(0, run.began_ms, run.wall_ms, int(run.synchronised)))
        return run_id

    def _insert(self, run_id: int, items: Sequence[Item]) -> int:
        connection = self._open_connection()
        last_seq, last_ms = connection.execute(
            "SELECT last_seq, last_ms FROM run WHERE id = ?", (run_id,)
        ).fetchone()
        new = [item for item in items if item.seq > last_seq]
        if not new:
            return 0
        samples = [item for item in new if isinstance(item, SampleItem)]
        self._samples(run_id, samples)
        for item in new:
            match item:
                case SampleItem():
                    pass
                case EventItem():
                    self._event(run_id, item)
                case ClockItem():
                    self._clock(run_id, item)
                case ConfigItem():
                    connection.execute(
                        "INSERT INTO config_version (run, t_ms, checksum, text) "
                        "VALUES (?, ?, ?, ?)",
                        (run_id, *item[1:]),
                    )
                case ReferenceItem() | TendingItem() | BorrowingItem() | BorrowedItem():
                    connection.execute(
                        _INSERT_OF_CHAMBER[type(item)],
                        (run_id, item.t_ms, self._chamber(item.chamber), *item[3:]),
                    )
                case ProbeCheckItem():
                    connection.execute(
                        "INSERT INTO probe_check "
                        "(run, t_ms, probe, how, add_mk, uncertainty_mk, at_mc, note) "
                        "VALUES (?, ?, ?, ?, ?, ?, ?, ?)",
                        (run_id, *item[1:]),
                    )
                case SeasonItem():
                    # By its own number, so that a correction means the same entry in a new file.
                    connection.execute(
                        "INSERT INTO season_entry (id, run, t_ms, batch, chamber, what, data, "
                        "note, about_ms, origin, corrects) SELECT CASE WHEN EXISTS "
                        "(SELECT 1 FROM season_entry WHERE id = ?11) THEN NULL ELSE ?11 END, "
                        "?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10",
                        (run_id, *item[1:]),
                    )
                case DropItem():
                    # Of a reading that this file knows: in a new one, begun because the file was
                    # damaged, the number will be that of another.
                    connection.execute(
                        "INSERT INTO reference_drop (run, t_ms, reference, note) "
                        "SELECT ?1, ?2, id, ?4 FROM reference WHERE id = ?3",
                        (run_id, *item[1:]),
                    )
        connection.execute(
            "UPDATE run SET last_seq = ?, last_ms = ? WHERE id = ?",
            (new[-1].seq, max(last_ms, *(item.t_ms for item in new)), run_id),
        )
        return len(new)

    def _chamber(self, name: str) -> int:
        if name not in self._chambers:
            connection = self._open_connection()
            connection.execute("INSERT OR IGNORE INTO chamber (name) VALUES (?)", (name,))
            row = connection.execute("SELECT id FROM chamber WHERE name = ?", (name,)).fetchone()
            self._chambers[name] = int(row[0])
        return self._chambers[name]

    def _samples(self, run_id: int, samples: list[SampleItem]) -> None:
        connection = self._open_connection()
        closings: dict[int, tuple[int, int]] = {}
        new_states: list[tuple[object, ...]] = []
        rows: list[tuple[object, ...]] = []
        if len(self._states) > _STATES_KEPT:
            self._states.clear()
        if not self._states:
            found = connection.execute("SELECT coalesce(max(id), 0) + 1 FROM state").fetchone()
            self._next_state = int(found[0])
        for item in sorted(samples, key=lambda item: item.t_ms):
            chamber = self._chamber(item.chamber)
            if chamber not in closings:
                closings[chamber] = self._counted(run_id, chamber)
            in_run, total = closings[chamber]
            # A count that went back was begun again: all of it is new.
            more = item.closings - in_run if item.closings >= in_run else item.closings
            closings[chamber] = (item.closings, total + more)
            key = (
                run_id,
                chamber,
                item.setpoint_mc,
                item.condition,
                item.heat,
                more,
                base_ms := _base_ms(item.t_ms),
                item.faults,
            )
            setpoint_mc = item.setpoint_mc or 0
            state = self._states.get(key)
            if state is None:
                state = self._states[key] = self._next_state
                self._next_state += 1
                new_states.append((state, *key, MAT_BASE_MC, setpoint_mc))
            substrate, second, room, mat, callus, top = item.places_mc
            rows.append(
                (
                    state,
                    item.t_ms - base_ms,
                    substrate,
                    second,
                    room,
                    None if mat is None else mat - MAT_BASE_MC,
                    callus,
                    top,
                    None if item.estimate_mc is None else item.estimate_mc - setpoint_mc,
                    item.expanded_ck,
                    item.substrate_setpoint_mc,
                    item.duty_pm,
                )
            )
        connection.executemany(
            "INSERT INTO state VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)", new_states
        )
        connection.executemany(
            "INSERT INTO sample VALUES (NULL, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)", rows
        )
        connection.executemany(
            "INSERT OR REPLACE INTO counter (chamber, run, in_run, lifetime) VALUES (?, ?, ?, ?)",
            [(chamber, run_id, *count) for chamber, count in closings.items()],
        )

    def _counted(self, run_id: int, chamber: int) -> tuple[int, int]:
        row = self._open_connection().execute(
            "SELECT run, in_run, lifetime FROM counter WHERE chamber = ?", (chamber,)
        )
        found = row.fetchone()
        if found is None:
            return 0, 0
        return (int(found[1]) if found[0] == run_id else 0), int(found[2])

    def _clock(self, run_id: int, item: ClockItem) -> None:
        self._open_connection().execute(
            "INSERT INTO clock (run, t_ms, wall_ms, synchronised) VALUES (?, ?, ?, ?)",
            (run_id, *item[1:]),
        )

    def _event(self, run_id: int, item: EventItem) -> None:
        connection = self._open_connection()
        chamber = None if item.chamber is None else self._chamber(item.chamber)
        cursor = connection.execute(
            "INSERT INTO event (run, t_ms, chamber, kind, alarm, durable, text) "
            "VALUES (?, ?, ?, ?, ?, ?, ?)",
            (run_id, item.t_ms, chamber, *item[3:]),
        )
        if item.alarm is None:
            return
        standing = connection.execute(
            "SELECT alarm.id, event.run FROM alarm JOIN event ON event.id = alarm.raised "
            "WHERE alarm.name = ? AND alarm.chamber IS ? AND alarm.cleared IS NULL "
            "ORDER BY alarm.id DESC LIMIT 1",
            (item.alarm, chamber),
        ).fetchone()
        if item.kind == EventKind.ALARM_RAISED.value:
            if standing is None or standing[1] != run_id:
                connection.execute(
                    "INSERT INTO alarm (name, chamber, raised) VALUES (?, ?, ?)",
                    (item.alarm, chamber, cursor.lastrowid),
                )
        elif item.kind == EventKind.ALARM_CLEARED.value and standing is not None:
            connection.execute(
                "UPDATE alarm SET cleared = ? WHERE id = ?", (cursor.lastrowid, standing[0])
            )


def _base_ms(t_ms: int) -> int:
    """The multiple of ``STATE_MS`` that lies nearest."""
    return (t_ms + STATE_MS // 2) // STATE_MS * STATE_MS
