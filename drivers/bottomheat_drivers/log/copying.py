"""A whole copy of the log, made while the service writes on.

SQLite's own backup, page by page, inside one reading transaction: the copy is the log as it was at
the moment when it began, and the writer never waits for it (it only cannot shorten its -wal file
meanwhile).  The copy is looked through before it gets its name.
"""

from __future__ import annotations

import contextlib
import os
import sqlite3
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

from bottomheat.errors import InputError, LogError
from bottomheat_drivers.log.logfile import LogFile
from bottomheat_drivers.log.migrations import (
    connect,
    create,
    defect,
    is_damage,
    pragma,
    pragma_text,
)
from bottomheat_drivers.log.placing import place
from bottomheat_drivers.log.salvage import salvage

PAGES_AT_ONCE = 2048
SPARE_BYTES = 2 * 2**20
"""Left free on the disk of the copy."""

Tell = Callable[[str, float], None]
"""What is being done, and how far it is, 0 to 1."""


@dataclass(frozen=True, slots=True)
class Copied:
    """What a copy holds; times are UTC ms, None where the log has no rows."""

    path: Path
    size_bytes: int
    rows: int
    from_ms: int | None
    to_ms: int | None


def backup(path: Path, target: Path, tell: Tell) -> Copied:
    """Copy the log to a file that does not exist yet.

    Args:
        path: the log's file, of this format or an older one.
        target: the copy.
        tell: is told how far it is.

    Raises:
        InputError: the target exists, or its folder is missing.
        LogError: the log cannot be read or is damaged, or the copy could not be written; nothing
            is left behind.
    """
    with part_of(target) as part, _Source(path, oldest=1) as log:
        return log.copy(part, target, tell)


def rescue(path: Path, target: Path, tell: Tell) -> Copied:
    """Make a new log of what can still be read of a damaged one, which is only read.

    Args:
        path: the damaged log, not in use.
        target: the new log; it must not exist yet.
        tell: is told what is done.

    Raises:
        InputError: the target exists, or its folder is missing.
        LogError: nothing can be read, or the new log could not be written; nothing is left behind.
    """
    if not path.exists():
        raise LogError(f"There is no file {path}: give the one that was set aside.")
    with part_of(target) as part:
        tell("Reading what can be read", 0.0)
        with _writing(target), contextlib.closing(connect(part)) as made:
            create(made)
            counts = salvage(path, made, samples=True)
            if not counts.get("run"):
                raise LogError(
                    f"Nothing can be read of {path}: it is too much damaged, or not a log of "
                    "bottomheat."
                )
            pragma_text(made, "journal_mode = DELETE")
        with LogFile(part) as log:
            return Copied(target, part.stat().st_size, counts["sample"], *extent(log))


@contextlib.contextmanager
def part_of(target: Path, what: str = "The copy") -> Iterator[Path]:
    """A file beside the target that becomes it when all went well, and else is removed.

    Raises:
        InputError: the target exists, or its folder is missing.
        LogError: the disk did not take it.
    """
    if target.exists():
        raise InputError(f"{target} exists already: name a new file, nothing is written over.")
    if not target.parent.is_dir():
        raise InputError(f"There is no folder {target.parent}: make it, or mount the disk.")
    part = target.with_name(f".{target.name}.{os.getpid()}.part")
    try:
        yield part
        _keep(part, target)
    except OSError as error:
        raise LogError(
            f"{what} {target} could not be written ({error.strerror or error}): "
            "check the disk, or name another place."
        ) from error
    finally:
        for ending in ("", "-journal", "-wal", "-shm"):
            with contextlib.suppress(OSError):
                part.with_name(part.name + ending).unlink()


class _Source(LogFile):
    def copy(self, part: Path, target: Path, tell: Tell) -> Copied:
        # The first read holds the log as it is now until the end, whatever is written meanwhile.
        self._all("BEGIN")
        rows = int(self._all("SELECT count(*) FROM sample")[0][0])
        size = pragma(self._connection, "page_count") * pragma(self._connection, "page_size")
        room = os.statvfs(target.parent)
        if room.f_bavail * room.f_frsize < size + SPARE_BYTES:
            raise LogError(
                f"There is not enough room for the copy in {target.parent}: it needs "
                f"{(size + SPARE_BYTES) / 1e6:.0f} MB."
            )
        with _writing(target):
            copy = sqlite3.connect(part, isolation_level=None)
        try:
            self._pages(copy, target, tell)
            tell("Looking through the copy", 0.0)
            self._compare(copy, target)
            tell("Looking through the copy", 1.0)
        finally:
            copy.close()
        return Copied(target, part.stat().st_size, rows, *extent(self))

    def _pages(self, copy: sqlite3.Connection, target: Path, tell: Tell) -> None:
        def progress(_status: int, left: int, whole: int) -> None:
            tell("Copying", 1.0 - left / whole if whole else 1.0)

        with _writing(target):
            copy.execute("PRAGMA synchronous = OFF")  # it is made sure of once, at the end
            try:
                self._connection.backup(copy, pages=PAGES_AT_ONCE, progress=progress, sleep=0)
            except sqlite3.DatabaseError as error:
                if is_damage(error):
                    raise self._told(error) from error
                raise
            # One file, whole without a -wal beside it.
            if pragma_text(copy, "journal_mode = DELETE") != "delete":
                raise LogError(f"The copy {target} could not be closed: try again.")

    def _compare(self, copy: sqlite3.Connection, target: Path) -> None:
        with _writing(target):
            said = defect(copy)
        if said is not None:
            raise LogError(
                f"The log {self._path} is damaged ({said}), so that no copy of it can be trusted: "
                "stop the service, copy the files by hand and keep them, then start it again; "
                "it sets the damaged log aside."
            )
        names = [
            name for (name,) in self._all("SELECT name FROM sqlite_schema WHERE type = 'table'")
        ]
        for name in names:
            query = f'SELECT count(*) FROM "{name}"'  # noqa: S608 the file's own names
            with _writing(target):
                count = copy.execute(query).fetchone()
            if self._all(query)[0] != count:
                raise LogError(f"The copy {target} does not hold what the log holds: try again.")


def extent(log: LogFile) -> tuple[int | None, int | None]:
    """When the first run began and the last one ended, UTC ms; None where there is none."""
    spans = list(log.spans().values())
    placings = place(spans, log.pairs())
    begun = (placings[span.run].wall_ms(span.began_ms) for span in spans)
    ended = (placings[span.run].wall_ms(span.last_ms) for span in spans)
    return min(begun, default=None), max(ended, default=None)


@contextlib.contextmanager
def _writing(target: Path) -> Iterator[None]:
    try:
        yield
    except sqlite3.Error as error:
        raise LogError(
            f"The copy {target} could not be written ({error}): check the disk and that you may "
            "write there."
        ) from error


def _keep(part: Path, target: Path) -> None:
    """Have the copy on the disk, then give it its name.

    Raises:
        OSError: the disk did not take it.
    """
    descriptor = os.open(part, os.O_RDONLY | os.O_CLOEXEC)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)
    part.rename(target)
    with contextlib.suppress(OSError):  # some file systems of USB sticks cannot
        folder = os.open(target.parent, os.O_RDONLY | os.O_CLOEXEC)
        try:
            os.fsync(folder)
        finally:
            os.close(folder)
