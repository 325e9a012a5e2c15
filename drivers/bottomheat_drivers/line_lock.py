"""One process a relay line: an advisory lock that ends with its process, however that ends."""

from __future__ import annotations

import fcntl
import os
from pathlib import Path

from bottomheat.errors import AlreadyRunningError, DriverError

LOCK_FOLDER = Path("/run/lock")
"""Where locks are kept on a machine with real lines (hier(7): /run/lock is world-writable)."""


class LineLock:
    """Holds the sole right to drive one GPIO line.

    The kernel gives a claimed line to one process only; this lock also covers the time before the
    claim and lines without hardware, and it names the process in the way.

    Raises:
        AlreadyRunningError: another process holds it.
        DriverError: the lock file cannot be made.
    """

    def __init__(self, folder: Path, gpio: int) -> None:
        path = folder / f"bottomheat-gpio-{gpio}.lock"
        try:
            self._file = _open(path)
        except OSError as error:
            raise DriverError(
                f"{path}: cannot make the lock of GPIO {gpio} ({error.strerror or error}); "
                "check that this user may write there."
            ) from error
        try:
            fcntl.flock(self._file, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError:
            holder = _holder(self._file)
            os.close(self._file)
            raise AlreadyRunningError(
                f"GPIO {gpio} is already driven by process {holder} (lock {path}): stop that one "
                "first."
            ) from None
        _write_holder(self._file)

    def close(self) -> None:
        """Give the line up; idempotent.  The file stays: removing it would race a newcomer."""
        if self._file >= 0:
            os.close(self._file)
            self._file = -1


def _open(path: Path) -> int:
    """Open or make the lock file without following a link.

    Two steps, because Linux refuses O_CREAT on somebody else's file in a sticky folder
    (fs.protected_regular) while plain opening is allowed by the file's mode.
    """
    flags = os.O_NOFOLLOW | os.O_CLOEXEC
    for access in (os.O_RDWR, os.O_RDONLY):
        try:
            return os.open(path, access | flags)
        except PermissionError:
            continue
        except FileNotFoundError:
            break
    try:
        return os.open(path, os.O_RDWR | os.O_CREAT | os.O_EXCL | flags, 0o644)
    except FileExistsError:
        return os.open(path, os.O_RDWR | flags)


def _holder(file: int) -> str:
    try:
        text = os.pread(file, 32, 0).decode("ascii", "replace").strip()
    except OSError:
        text = ""
    return text if text.isdigit() else "unknown"


def _write_holder(file: int) -> None:
    """Leave our number for the one that comes second; only a courtesy, so failure is no matter."""
    try:
        os.ftruncate(file, 0)
        os.pwrite(file, f"{os.getpid()}\n".encode("ascii"), 0)
    except OSError:
        return
