"""What surrounds the service: GPIO devices, who drives a line, the disk.  Looks, never touches."""

from __future__ import annotations

import os
from dataclasses import dataclass
from pathlib import Path

LOCKS = Path("/proc/locks")
DEVICES = Path("/dev")


@dataclass(frozen=True, slots=True)
class Line:
    """One relay line: what it is called, its GPIO number, the process that drives it."""

    name: str
    gpio: int
    holder: int | None


@dataclass(frozen=True, slots=True)
class Disk:
    """A folder and the disk below it.

    Attributes:
        folder: the folder.
        exists: whether it is there.
        can_be_made: not there, and this user may make it.
        writable: this user may write there.
        read_only: the disk is mounted read-only.
        free_bytes: room left for a user without privileges.
        no_more_files: the disk has no index entries left.
        barrier: a file in it that this user may not write to, or None.
    """

    folder: Path
    exists: bool
    can_be_made: bool = False
    writable: bool = False
    read_only: bool = False
    free_bytes: int = 0
    no_more_files: bool = False
    barrier: Path | None = None


def line_holder(folder: Path, gpio: int, locks: Path = LOCKS) -> int | None:
    """Return the process that holds the lock of a GPIO line, or None.

    It is looked up in the kernel's table of locks (proc_locks(5)) instead of being tried, because
    a trial would keep out a keeper that starts at that very moment.

    Args:
        folder: where ``lock_line`` keeps its files.
        gpio: GPIO number (BCM).
        locks: the kernel's table.
    """
    try:
        status = (folder / f"bottomheat-gpio-{gpio}.lock").stat()
        table = locks.read_text(encoding="ascii", errors="replace")
    except OSError:
        return None
    return holder_in(table, status.st_dev, status.st_ino)


def holder_in(table: str, device: int, inode: int) -> int | None:
    """Find who holds a whole-file lock in the text of /proc/locks.

    A line reads ``1: FLOCK  ADVISORY  WRITE 708 00:13:13349 0 EOF``: process, then device
    numbers in hex and inode in decimal; one that waits has an arrow behind its number.
    """
    wanted = (os.major(device), os.minor(device), inode)
    for line in table.splitlines():
        words = line.split()
        if len(words) < 6 or words[1] != "FLOCK":
            continue
        try:
            major, minor, number = words[5].split(":")
            if (int(major, 16), int(minor, 16), int(number)) == wanted:
                return int(words[4])
        except ValueError:
            continue
    return None


def gpio_devices(folder: Path = DEVICES) -> dict[str, bool]:
    """The GPIO devices that hold a Pi's header, and whether this user may use each.

    Number 0, or 4 on a Raspberry Pi 5 with a kernel before 6.6.45.
    """
    paths = (folder / "gpiochip0", folder / "gpiochip4")
    return {str(path): os.access(path, os.R_OK | os.W_OK) for path in paths if os.path.exists(path)}


def disk_of(folder: Path, files: tuple[Path, ...] = ()) -> Disk:
    """Look at a folder, at the disk below it, and at files in it that must be writable."""
    if not os.path.isdir(folder):
        above = next((p for p in folder.parents if os.path.exists(p)), Path("/"))
        makeable = os.path.isdir(above) and os.access(above, os.W_OK | os.X_OK)
        return Disk(folder, exists=False, can_be_made=makeable)
    try:
        status = os.statvfs(folder)
    except OSError:
        return Disk(folder, exists=True)
    blocked = next((f for f in files if os.path.exists(f) and not os.access(f, os.W_OK)), None)
    return Disk(
        folder,
        exists=True,
        writable=os.access(folder, os.W_OK | os.X_OK) and blocked is None,
        read_only=bool(status.f_flag & os.ST_RDONLY),
        free_bytes=status.f_bavail * status.f_frsize,
        no_more_files=status.f_files > 0 and status.f_favail == 0,
        barrier=blocked,
    )
