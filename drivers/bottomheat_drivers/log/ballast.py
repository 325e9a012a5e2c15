"""A file that only takes up room, given up when the disk is full."""

from __future__ import annotations

import os
from pathlib import Path


def give_up(path: Path) -> bool:
    """Free the reserve; False if there was none."""
    try:
        path.unlink()
    except OSError:
        return False
    return True


def keep(path: Path, size_bytes: int) -> bool:
    """Make the reserve where it is missing and there is plenty of room; True if it is there."""
    if size_bytes == 0 or path.exists():
        return True
    try:
        room = os.statvfs(path.parent)
        if room.f_bavail * room.f_frsize < 4 * size_bytes:
            return False
        flags = os.O_WRONLY | os.O_CREAT | os.O_CLOEXEC
        descriptor = os.open(path, flags, 0o640)
    except OSError:
        return False
    try:
        os.posix_fallocate(descriptor, 0, size_bytes)
    except OSError:
        give_up(path)
        return False
    finally:
        os.close(descriptor)
    return True
