"""Whether the log's file is whole and rows arrive in it; reads, beside a running service."""

from __future__ import annotations

import os
from dataclasses import dataclass
from pathlib import Path

from bottomheat_drivers.log.reader import LogReader

_ENDINGS = (".damaged-*", ".before-format-*")


@dataclass(frozen=True, slots=True)
class Health:
    """How the log is.

    Attributes:
        defect: what SQLite finds wrong with the file, or None.
        size_bytes: the file with what waits beside it to be written into it.
        waiting_bytes: of these, what waits.
        newest_ms: monotonic time of the newest row of this boot of the machine, ms, or None.
    """

    defect: str | None
    size_bytes: int
    waiting_bytes: int
    newest_ms: int | None


def health(path: Path, boot: str) -> Health:
    """Look through the whole file.  Takes seconds for a season's log, and no lock on the writer.

    Args:
        path: the log's file.
        boot: identity of this boot of the machine.

    Raises:
        LogError: missing, of another format or not readable.
    """
    with _Checked(path) as log:
        defect = log.defect()
        newest_ms = None if defect else log.newest_ms(boot)
    waiting = path.with_name(path.name + "-wal")
    waiting_bytes = waiting.stat().st_size if waiting.exists() else 0
    return Health(defect, path.stat().st_size + waiting_bytes, waiting_bytes, newest_ms)


def put_aside(path: Path) -> tuple[tuple[Path, int], ...]:
    """Damaged logs that were set aside, and copies from before an update, each with its bytes."""
    found = (file for ending in _ENDINGS for file in path.parent.glob(path.name + ending))
    return tuple((file, file.stat().st_size) for file in sorted(found) if file.is_file())


def room(folder: Path, mounts: Path = Path("/proc/self/mountinfo")) -> tuple[int, bool]:
    """Bytes left on the folder's disk, and whether the disk itself has turned read-only.

    A unit may see a folder read-only that the service can write to, so that the folder's own mount
    says nothing; what the kernel says of the file system stands last in its line (proc(5)).

    Raises:
        OSError: the folder cannot be looked at.
    """
    left = os.statvfs(folder)
    device = os.stat(folder).st_dev
    number = f"{os.major(device)}:{os.minor(device)}"
    lines = [line.split() for line in mounts.read_text(errors="replace").splitlines()]
    options = [line[-1].split(",") for line in lines if len(line) > 2 and line[2] == number]
    return left.f_bavail * left.f_frsize, any("ro" in each for each in options)


class _Checked(LogReader):
    def defect(self) -> str | None:
        """What quick_check says first, or None (sqlite.org/pragma.html#pragma_quick_check)."""
        said = str(self._all("PRAGMA quick_check(1)")[0][0])
        return None if said == "ok" else said

    def newest_ms(self, boot: str) -> int | None:
        runs = {row.run for row in self.runs() if row.boot_id == boot}
        return max((row.t_ms for row in self.newest(64) if row.run in runs), default=None)
