"""A disk whose writes are counted where a card would see them: at the block layer.

As root: an ext4 file system in a file behind a loop device, mounted as Raspberry Pi OS mounts its
root (noatime), with the counters of /sys/block/loopN/stat.  Else: a folder, with the counters of
the processes (write_bytes of /proc/PID/io), which know nothing of the file system's own journal.
"""

from __future__ import annotations

import ctypes
import math
import os
import subprocess
from collections.abc import Iterator
from contextlib import suppress
from pathlib import Path

SECTOR_BYTES = 512
JOURNAL_S, PAGES_S = 5.0, 30.0
_WRITES, _SECTORS = 4, 6
"""Fields of a block device's stat (docs.kernel.org/block/stat.html), counted from 0."""


_LIBC = ctypes.CDLL(None, use_errno=True)


class LoopCard:
    """The loop device; unmounted and let go by ``close``."""

    how = "at the block layer: ext4 on a loop device, /sys/block/loopN/stat"

    def __init__(self, folder: Path) -> None:
        self._image, self.folder = folder / "card.img", folder / "card"
        self.folder.mkdir()
        with self._image.open("wb") as file:
            file.truncate(768 * 2**20)
        lazy = "lazy_itable_init=0,lazy_journal_init=0"  # else the kernel fills them in later
        _run("mkfs.ext4", "-q", "-E", lazy, str(self._image))
        self._device = _run("losetup", "-f", "--show", str(self._image)).strip()
        try:
            _run("mount", "-o", "noatime", self._device, str(self.folder))
        except subprocess.CalledProcessError:
            _run("losetup", "-d", self._device)
            raise
        self._stat = Path("/sys/block") / Path(self._device).name / "stat"
        self._fd = os.open(self.folder, os.O_RDONLY | os.O_DIRECTORY)
        self._seen: dict[Path, tuple[int, int]] = {}
        self._journal_s = self._pages_s = math.inf
        self.sync()

    def sync(self) -> None:
        """Have everything written that waits."""
        _LIBC.syncfs(self._fd)

    def pass_time(self, to_s: float) -> None:
        """Have written what the kernel would have written by then, and no more.

        ext4 ends a transaction of its journal 5 s after it began (ext4(5), commit), and pages are
        written 30 s after they were changed (vm.dirty_expire_centisecs), which begins another one
        where they take up new blocks.
        """
        seen = dict(_looked_at(self.folder))
        if seen != self._seen:
            self._seen = seen
            self._journal_s = min(self._journal_s, to_s + JOURNAL_S)
            self._pages_s = min(self._pages_s, to_s + PAGES_S)
        if to_s >= self._journal_s:
            self._journal_s = math.inf
            # The file of SQLite's index changes with every commit: this ends the transaction that
            # holds the new times of it and of the -wal file, and the pages of the latter wait.
            for path in seen:
                if path.name.endswith("-shm"):
                    _fsync(path)
        if to_s >= self._pages_s:
            self._pages_s = math.inf
            for path in seen:
                # Ends a transaction only where writing the pages has taken up new blocks.
                _fsync(path)

    def written(self, pids: list[int]) -> tuple[int, int]:
        """Bytes and write requests so far."""
        fields = [int(word) for word in self._stat.read_text().split()]
        return fields[_SECTORS] * SECTOR_BYTES, fields[_WRITES]

    def close(self) -> None:
        os.close(self._fd)
        _run("umount", str(self.folder))
        _run("losetup", "-d", self._device)
        self._image.unlink()


class PlainFolder:
    """Where there is no loop device to be had."""

    how = (
        "by the processes' own write_bytes: no loop device here, so without the file system's part"
    )

    def __init__(self, folder: Path) -> None:
        self.folder = folder / "card"
        self.folder.mkdir()

    def sync(self) -> None:
        return

    def pass_time(self, to_s: float) -> None:
        return

    def written(self, pids: list[int]) -> tuple[int, int]:
        total = 0
        for pid in pids:
            lines = Path(f"/proc/{pid}/io").read_text().splitlines()
            total += int(dict(line.split(": ") for line in lines)["write_bytes"])
        return total, 0

    def close(self) -> None:
        return


def make_card(folder: Path, *, plain: bool = False) -> LoopCard | PlainFolder:
    """The best that this machine gives, or a plain folder."""
    try:
        if os.geteuid() == 0 and not plain:
            return LoopCard(folder)
    except (OSError, subprocess.CalledProcessError):
        (folder / "card").rmdir()
    return PlainFolder(folder)


def _fsync(path: Path) -> None:
    with suppress(FileNotFoundError), path.open("rb") as file:
        os.fsync(file.fileno())


def _looked_at(folder: Path) -> Iterator[tuple[Path, tuple[int, int]]]:
    """Every file with the time of its last change and its size."""
    for path in folder.rglob("*"):
        with suppress(FileNotFoundError):
            if path.is_file():
                status = path.stat()
                yield path, (status.st_mtime_ns, status.st_size)


def _run(*words: str) -> str:
    return subprocess.run(words, check=True, capture_output=True, text=True).stdout
