"""One daemon a state folder: an advisory lock that ends with its process, however that ends."""

from __future__ import annotations

import fcntl
import os
from pathlib import Path

from bottomheat.errors import AlreadyRunningError, DriverError


class FolderLock:
    """Holds the sole right to decide and to write in one state folder.

    Raises:
        AlreadyRunningError: another process holds it.
        DriverError: the lock file cannot be made.
    """

    def __init__(self, folder: Path) -> None:
        path = folder / "daemon.lock"
        try:
            self._file = os.open(path, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o640)
        except OSError as error:
            raise DriverError(
                f"{path}: cannot make the lock file ({error.strerror or error}); "
                "is the folder there and writable?"
            ) from error
        try:
            fcntl.flock(self._file, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError:
            os.close(self._file)
            raise AlreadyRunningError(
                f"another bottomheat already runs on {folder}: stop that one first."
            ) from None

    def close(self) -> None:
        """Give it up; idempotent."""
        if self._file >= 0:
            os.close(self._file)
            self._file = -1
