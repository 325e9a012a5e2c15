"""One process a relay line and one a state folder: locks that end with their process."""

from __future__ import annotations

import errno
import fcntl
import os
from pathlib import Path

from bottomheat.errors import AlreadyRunningError, DriverError

LOCK_FOLDER = Path("/run/lock")
"""Where locks are kept on a machine with real lines (hier(7): /run/lock is world-writable)."""


class ProcessLock:
    """An advisory lock (flock) that ends with its process, however that ends.

    Args:
        path: the lock file; it stays when the lock is given up.
        taken: what to say before "by process N" where another process holds it.

    Raises:
        AlreadyRunningError: another process holds it.
        DriverError: the lock file cannot be made.
    """

    def __init__(self, path: Path, taken: str) -> None:
        try:
            self._file = _open(path)
        except OSError as error:
            raise DriverError(
                f"{path}: cannot make this lock file ({error.strerror or error}); "
                "check that the folder is there and this user may write in it."
            ) from error
        try:
            fcntl.flock(self._file, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError:
            holder = _holder(self._file)
            os.close(self._file)
            raise AlreadyRunningError(
                f"{taken} by process {holder} (lock {path}): stop that one first."
            ) from None
        _write_holder(self._file)

    def close(self) -> None:
        """Give the line up; idempotent.  The file stays: removing it would race a newcomer."""
        if self._file >= 0:
            os.close(self._file)
            self._file = -1


def lock_line(folder: Path, gpio: int) -> ProcessLock:
    """Take the sole right to drive one GPIO line.

    The kernel gives a claimed line to one process only; this lock also covers the time before the
    claim and lines without hardware, and it names the process in the way.
    """
    return ProcessLock(folder / f"bottomheat-gpio-{gpio}.lock", f"GPIO {gpio} is already driven")


def lock_state(folder: Path) -> ProcessLock:
    """Take the sole right to decide for, and to write in, one state folder."""
    return ProcessLock(folder / "daemon.lock", f"The state folder {folder} is already in use")


def _open(path: Path) -> int:
    """Open or make the lock file without following a link.

    Two steps, because Linux refuses O_CREAT on somebody else's file in a sticky folder
    (fs.protected_regular) while plain opening is allowed by the file's mode.  Reading is enough to
    lock: a card that has turned read-only must not keep the service from telling so.
    """
    flags = os.O_NOFOLLOW | os.O_CLOEXEC
    for access in (os.O_RDWR, os.O_RDONLY):
        try:
            return os.open(path, access | flags)
        except FileNotFoundError:
            break
        except OSError as error:
            if error.errno not in (errno.EACCES, errno.EPERM, errno.EROFS):
                raise
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
