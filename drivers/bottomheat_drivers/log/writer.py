"""The journal on SQLite: takes rows from the loop at once, writes them from a thread of its own.

The caller's part is small and never touches the card: turn the row into integers, put it into the
ring file (memory), queue it.  The thread does the rest.  Samples are committed together every ten
minutes; a durable event, a config or an entry of the grower's is committed at once, with
everything queued before it.  What is committed is on the card.
"""

from __future__ import annotations

import os
import secrets
import sqlite3
import threading
from collections import deque
from collections.abc import Callable, Sequence
from pathlib import Path

from bottomheat.calibration.ledger import ProbeCheck, ReferenceEntry
from bottomheat.config_secrets import without_secrets
from bottomheat.errors import LogError
from bottomheat.model import Event, EventKind, Record
from bottomheat.ports import Clock
from bottomheat.season.ledger import SeasonEntry
from bottomheat_drivers.log import codec, migrations
from bottomheat_drivers.log.codec import ConfigItem, Item
from bottomheat_drivers.log.keeping import Keeping
from bottomheat_drivers.log.ring import ROOM, WIDE_ROOM, Ring, make_room
from bottomheat_drivers.log.store import Old, RunStart, Store
from bottomheat_drivers.log.troubles import explain

COMMIT_EVERY_S = 600.0
COMMIT_ROWS = 1024
"""Rows that are committed without waiting longer: half of the ring file's slots."""
FOREGROUND_ROWS = 5000
CAPACITY = 10_000
"""Rows that wait while the disk does not take them: 7 h of 4 chambers at a 10 s cycle."""
BALLAST_BYTES = 2**20
CLOSE_WITHIN_S = 5.0
LOST = "rows were lost"
"""By these words a reader knows the event that tells of it."""
FIRST_PAUSE_S = 1.0
LONGEST_PAUSE_S = 60.0


class SqliteJournal:
    """The log (``ports.Journal``).

    With ``background`` no method waits for the disk and none raises: what is wrong is said by
    ``failure``.  Without, there is no thread and no ring file, rows are written by the caller
    ``FOREGROUND_ROWS`` at a time, and only the constructor may raise; for rehearsals and for
    commands that run while no daemon does.  In both, what dead runs left is added first.

    Args:
        path: the log's file; its folder is made where missing.
        ring_folder: folder on tmpfs for ring files, or None for none.
        clock: ties the run to wall time, and dates the name of a file that is set aside.
        version: of the software, for the ``run`` row.
        boot_id: of the kernel; runs of one boot share the monotonic clock.
        background: write from a thread.
        commit_every_s: time between commits of samples, s of the run.
        capacity: rows kept while the disk does not take them; then the oldest are dropped.
        ballast_bytes: size of the reserve file beside the log; 0 for none.
        keep_raw_s: samples older than this are thinned, s; None: all stay.  With ``background``.
        connect: opens the connection; for tests of slow and failing disks.

    Raises:
        LogError: ``background`` is off and the log cannot be opened.
    """

    def __init__(
        self,
        path: Path,
        ring_folder: Path | None,
        clock: Clock,
        version: str,
        boot_id: str,
        *,
        background: bool = True,
        commit_every_s: float = COMMIT_EVERY_S,
        capacity: int = CAPACITY,
        ballast_bytes: int = BALLAST_BYTES,
        keep_raw_s: float | None = None,
        connect: migrations.Connect = migrations.connect,
    ) -> None:
        self._path = path
        self._clock = clock
        self._background = background
        self._commit_every_ms = commit_every_s * 1000
        self._commit_rows = COMMIT_ROWS if background else FOREGROUND_ROWS
        self._capacity = max(capacity, 1)
        self._keeping = None if keep_raw_s is None else Keeping(keep_raw_s)
        self._lock = threading.Condition()
        self._queue: deque[Item] = deque()
        self._in_flight: list[Item] = []
        self._seq = 0
        self._newest_ms = codec.to_ms(clock.monotonic_s())
        self._due = True  # the file is opened at once
        self._urgent = False
        self._stop = False
        self._closed = False
        self._dropped = 0
        self._failure: str | None = None
        self._notices: list[str] = []
        run = RunStart(
            secrets.token_hex(8),
            codec.plain(boot_id),
            codec.plain(version),
            self._newest_ms,
            codec.whole_ms(clock.wall_ms()),
            clock.synchronised(),
        )
        self._ring = self._begin_ring(ring_folder, run) if background else None
        self._store = Store(
            path,
            run,
            ring_folder,
            None if self._ring is None else self._ring.path,
            ballast_bytes if background else 0,
            connect,
        )
        self._thread: threading.Thread | None = None
        if background:
            # A daemon thread: an fsync that hangs must not keep the process from ending.
            self._thread = threading.Thread(target=self._work, name="log writer", daemon=True)
            self._thread.start()
        else:
            self._drain()
            if self._failure is not None:
                raise LogError(self._failure)

    # -- the loop's side

    def record(self, records: Sequence[Record], events: Sequence[Event]) -> None:
        """Take a cycle's rows; drops the oldest and counts when the queue is full."""
        with self._lock:
            for record in records:
                self._take(codec.sample_item(self._next(), record))
            for event in events:
                self._take(codec.event_item(self._next(), event), urgent=event.durable)

    def note_clock(self, monotonic_s: float, wall_ms: int, synchronised: bool) -> None:
        """Tie monotonic to wall time (a ``clock`` row)."""
        t_ms = codec.to_ms(monotonic_s)
        with self._lock:
            self._take(
                codec.ClockItem(self._next(), t_ms, codec.whole_ms(wall_ms), int(synchronised))
            )

    def note_config(self, text: str, checksum: str) -> None:
        """Keep the text of an accepted config, without the addresses that messages go to."""
        kept = codec.plain(without_secrets(text))
        self._now(lambda seq, t_ms: ConfigItem(seq, t_ms, codec.plain(checksum), kept))

    def note_tending(
        self,
        chamber: str,
        doing: str,
        note: str = "",
        for_s: float | None = None,
        lid: str | None = None,
    ) -> None:
        """Keep that the box was opened, for what and how long; on the card at once."""
        self._now(lambda seq, t_ms: codec.tending_item(seq, t_ms, chamber, doing, note, for_s, lid))

    def note_reference(self, entry: ReferenceEntry) -> None:
        """Keep a reading of a trusted thermometer; on the card at once."""
        self._now(lambda seq, t_ms: codec.reference_item(seq, t_ms, entry))

    def note_drop(self, number: int, note: str) -> None:
        """Mark a reading as dropped; on the card at once.  Of an unknown number nothing is kept."""
        self._now(lambda seq, t_ms: codec.DropItem(seq, t_ms, int(number), codec.plain(note)))

    def note_probe_check(self, check: ProbeCheck) -> None:
        """Keep a comparison of a probe; on the card at once."""
        self._now(lambda seq, t_ms: codec.probe_check_item(seq, t_ms, check))

    def note_borrowing(self, chamber: str, probe: str, for_s: float | None, note: str = "") -> None:
        """Keep that a borrowed probe begins to teach, or with None that it ends; at once."""
        self._now(lambda seq, t_ms: codec.borrowing_item(seq, t_ms, chamber, probe, for_s, note))

    def note_borrowed(self, chamber: str, celsius: float, at_s: float) -> None:
        """Keep one reading of the borrowed probe, °C; on the card with the samples."""
        value_mc = codec.milli(celsius)
        if value_mc is None:
            return
        t_ms, name = codec.to_ms(at_s), codec.plain(chamber)
        with self._lock:
            self._take(codec.BorrowedItem(self._next(), t_ms, name, value_mc))

    def note_season(self, entry: SeasonEntry, number: int | None = None) -> None:
        """Keep an entry of the season's ledger; on the card at once."""
        self._now(lambda seq, t_ms: codec.season_item(seq, t_ms, entry, number))

    def write_soon(self) -> None:
        """Have what is waiting written now, for a reader that waits; does not wait itself."""
        with self._lock:
            if self._closed:
                return
            self._due = True
            self._lock.notify_all()
        if not self._background:
            self._drain()

    def failure(self) -> str | None:
        """Why rows are not reaching the disk at present, or None when all is well."""
        with self._lock:
            if self._failure is not None and self._dropped:
                return f"{self._failure} {self._dropped} {LOST} so far."
            return self._failure

    def notices(self) -> tuple[str, ...]:
        """What was done at opening: a file set aside or migrated, rows recovered."""
        with self._lock:
            return tuple(self._notices)

    def flush(self, within_s: float) -> bool:
        """Have everything taken so far written, waiting at most ``within_s``; True if it was."""
        with self._lock:
            upto = self._seq
            self._due = True
            self._lock.notify_all()
            if self._background:
                self._lock.wait_for(lambda: self._is_written(upto), timeout=within_s)
        if not self._background:
            self._drain()
        with self._lock:
            return self._is_written(upto)

    def close(self) -> None:
        """Write what is waiting, within 5 s; what the disk does not take stays in the ring file."""
        with self._lock:
            if self._closed:
                return
            self._closed = self._stop = True
            self._lock.notify_all()
        if self._thread is None:
            self._finish()
            return
        self._thread.join(CLOSE_WITHIN_S)
        if self._thread.is_alive():
            with self._lock:
                self._failure = self._failure or (
                    f"The disk did not take the end of the log {self._path} within "
                    f"{CLOSE_WITHIN_S:g} s: the next start adds it."
                )
        elif self._ring is not None:  # the thread ended by a fault: the next start needs the file
            self._ring.close(remove=False)
            self._ring = None

    def abandon(self) -> None:
        """Let go of the file as a power cut does: what waits is lost and the run stays open.

        For rehearsals, without ``background`` only; idempotent.
        """
        with self._lock:
            if self._background or self._closed:
                return
            self._closed = self._stop = True
            self._queue.clear()
        self._abandon()

    # -- inside, the loop's side

    def _begin_ring(self, folder: Path | None, run: RunStart) -> Ring | None:
        if folder is None:
            return None
        header = {
            "boot_id": run.boot_id,
            "version": run.version,
            "began_ms": run.began_ms,
            "wall_ms": run.wall_ms,
            "synchronised": run.synchronised,
        }
        try:
            folder.mkdir(parents=True, exist_ok=True)
            if given_up := make_room(folder):
                self._say(
                    f"{given_up} ring files of runs that the log never took were given up, to keep "
                    f"memory free: their {LOST}."
                )
            return Ring(folder, run.key, header)
        except OSError as error:
            self._ring_lost(error)
            return None

    def _ring_lost(self, error: OSError) -> None:
        self._say(
            f"The ring file cannot be written ({error.strerror or error}): a crash would lose up "
            "to ten minutes of the log."
        )

    def _say(self, text: str) -> None:
        self._notices.append(text)
        at_s = self._newest_ms / 1000
        event = Event(EventKind.LOG, at_s, None, text, durable=True)
        self._queue.append(codec.event_item(self._next(), event))

    def _next(self) -> int:
        self._seq += 1
        return self._seq

    def _take(self, item: Item, *, urgent: bool = False) -> None:
        if self._closed:
            return
        if self._ring is not None:
            room = WIDE_ROOM if isinstance(item, codec.Entry) else ROOM
            data = codec.to_bytes(item, room)
            try:
                if data is not None:
                    self._seq = max(self._seq, self._ring.put(item.seq, data))
            except OSError as error:
                self._ring.close(remove=False)
                self._ring = None
                self._ring_lost(error)
                item = item._replace(seq=self._next())  # behind the notice just queued
        self._newest_ms = max(self._newest_ms, item.t_ms)
        self._queue.append(item)
        self._drop_excess()
        self._urgent = self._urgent or urgent
        if (
            urgent
            or len(self._queue) >= self._commit_rows
            or (self._background and item.t_ms - self._queue[0].t_ms >= self._commit_every_ms)
        ):
            self._due = True
            self._lock.notify_all()
            if not self._background:
                self._drain()

    def _drop_excess(self) -> None:
        """Drop the oldest rows, but none that the grower entered: those have numbers."""
        while len(self._queue) > self._capacity:
            self._dropped += 1
            for place, item in enumerate(self._queue):
                if not isinstance(item, codec.Entry):
                    del self._queue[place]
                    break
            else:
                self._queue.popleft()

    def _now(self, make: Callable[[int, int], Item | None]) -> None:
        t_ms = codec.to_ms(self._clock.monotonic_s())
        with self._lock:
            item = make(self._next(), t_ms)
            if item is not None:
                self._take(item, urgent=True)

    def _is_written(self, upto: int) -> bool:
        waiting = self._in_flight or self._queue
        return self._store.is_open and (not waiting or waiting[0].seq > upto)

    # -- inside, the writer's side

    def _work(self) -> None:
        pause_s = FIRST_PAUSE_S
        whole = False
        try:
            while True:
                with self._lock:
                    self._lock.wait_for(lambda: self._due or self._stop)
                    stop = self._stop
                if stop:
                    break
                if self._drain():
                    pause_s = FIRST_PAUSE_S
                    continue
                with self._lock:
                    self._lock.wait_for(lambda: self._stop, timeout=pause_s)
                    self._due = True
                pause_s = min(2 * pause_s, LONGEST_PAUSE_S)
            self._finish()
            whole = True
        finally:
            if not whole:
                with self._lock:
                    self._failure = (
                        f"The log {self._path} is no longer written because of a fault in "
                        "bottomheat itself: restart the service and report it."
                    )

    def _drain(self) -> bool:
        """Open the file if need be and write the whole queue; False if that failed."""
        with self._lock:
            self._due = False
            urgent, self._urgent = self._urgent, False
            self._in_flight = list(self._queue)
            self._queue.clear()
            t_ms = self._newest_ms
            told = self._dropped
            batch = self._in_flight + self._loss_told(t_ms)
        # What is urgent does not wait for it.
        old = None if urgent or self._keeping is None else self._keeping.old(self._clock)
        try:
            try:
                self._write(batch, t_ms, old)
            except sqlite3.Error as error:
                code = migrations.primary_code(error)
                helps = code == sqlite3.SQLITE_FULL and self._store.give_up_ballast()
                if not helps and (old is None or not self._store.is_open):
                    raise
                self._write(batch, t_ms)
                if old and code not in (sqlite3.SQLITE_FULL, sqlite3.SQLITE_BUSY):
                    self._store.fault = str(error)  # what is old cannot be read, what is new can
        except (sqlite3.Error, OSError, LogError) as error:
            self._give_back(error, urgent=urgent)
            return False
        spare = self._store.keep_ballast()
        with self._lock:
            if self._store.fault is not None and self._keeping is not None:
                self._keeping = None
                fault = self._store.fault
                self._say(f"Old rows of the log are not thinned any more ({fault}): it grows.")
                self._due = True
            self._in_flight = []
            self._dropped -= told
            self._failure = None if spare else self._spent()
            self._lock.notify_all()
        return True

    def _loss_told(self, t_ms: int) -> list[Item]:
        if not self._dropped:
            return []
        text = f"{self._dropped} {LOST} while the log could not be written."
        event = Event(EventKind.LOG, t_ms / 1000, None, text)
        return [codec.event_item(self._next(), event)]

    def _spent(self) -> str:
        return (
            f"The card is full: the log {self._path} lives on its last reserve, so free some space."
        )

    def _write(self, batch: list[Item], t_ms: int, old: Old | None = None) -> None:
        if not self._store.is_open:
            notices = self._store.open(codec.whole_ms(self._clock.wall_ms()), t_ms)
            with self._lock:
                self._notices += notices
        if batch:
            self._store.write(batch, old)

    def _give_back(self, error: Exception, *, urgent: bool) -> None:
        self._distrust(error)
        with self._lock:
            self._queue.extendleft(reversed(self._in_flight))
            self._in_flight = []
            self._drop_excess()
            self._urgent = self._urgent or urgent
            self._failure = explain(error, self._path)
            self._lock.notify_all()

    def _distrust(self, error: Exception) -> None:
        """A connection that met an input/output error is not trusted with the next row."""
        code = migrations.primary_code(error)
        if code not in (sqlite3.SQLITE_FULL, sqlite3.SQLITE_BUSY):
            self._store.suspect = self._store.suspect or code in migrations.DAMAGED
            self._abandon()

    def _abandon(self) -> None:
        try:
            self._store.close(orderly=False)
        except sqlite3.Error as error:
            with self._lock:
                self._failure = explain(error, self._path)

    def _finish(self) -> None:
        written = self._drain()
        try:
            self._store.close(orderly=written)
        except sqlite3.Error as error:
            with self._lock:
                self._failure = explain(error, self._path)
        with self._lock:
            ring, self._ring = self._ring, None
        if ring is not None:
            try:
                ring.close(remove=written)
            except OSError as error:
                with self._lock:
                    self._notices.append(f"The ring file was not removed ({error.strerror}).")


def boot_id() -> str:
    """The kernel's name for this boot, or a random one where it has none."""
    try:
        with open("/proc/sys/kernel/random/boot_id", encoding="ascii") as file:
            return file.read().strip()
    except OSError:
        return f"unknown-{os.getpid()}-{secrets.token_hex(4)}"
