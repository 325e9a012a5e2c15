"""The writes that a machine sent to its disk, and the disk as a power cut may leave it.

QEMU's blklogwrites keeps every write and flush in order.  Its file has the layout of the kernel's
dm-log-writes (Documentation/admin-guide/device-mapper/log-writes.rst): a superblock, then for each
entry a sector that describes it, and its data.
"""

from __future__ import annotations

import random
import struct
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

SECTOR = 512
MAGIC = 0x6A736677736872
FLUSH, FUA, DISCARD = 1, 2, 4
_SUPER = struct.Struct("<QQQL")
_ENTRY = struct.Struct("<QQQQ")


@dataclass(frozen=True, slots=True)
class Entry:
    """One write or flush: where, what, and with which flags."""

    sector: int
    flags: int
    data: bytes


def options(data: Path, log: Path) -> list[str]:
    """How QEMU opens a disk whose writes are kept in ``log``."""
    log.write_bytes(b"")
    return [
        "-blockdev", f"driver=file,node-name=disk-file,filename={data}",
        "-blockdev", f"driver=file,node-name=log-file,filename={log}",
        "-blockdev",
        "driver=blklogwrites,node-name=disk,file=disk-file,log=log-file,log-sector-size=512",
        "-device", "virtio-blk-pci,drive=disk",
    ]  # fmt: skip


def entry_count(log: Path) -> int:
    """How many entries were there at the last flush; what came before them is on the disk."""
    with log.open("rb") as file:
        magic, version, count, sector = _SUPER.unpack(file.read(_SUPER.size))
    assert (magic, version, sector) == (MAGIC, 1, SECTOR)
    return int(count)


def entries(log: Path) -> Iterator[Entry]:
    """Every entry up to the last flush, in order."""
    count = entry_count(log)
    with log.open("rb") as file:
        file.seek(SECTOR)
        for _ in range(count):
            sector, sectors, flags, _ = _ENTRY.unpack(file.read(SECTOR)[: _ENTRY.size])
            data = b"" if flags & DISCARD else file.read(sectors * SECTOR)
            yield Entry(sector, flags, data)


def cut(base: bytes, kept: list[Entry], at: int, chance: random.Random) -> tuple[bytes, int]:
    """The disk after a power cut before entry ``at``, and how many writes were lost or torn.

    What was written before the last flush is there.  Each later write has arrived or not, as chance
    has it, and one of them may have arrived in part, by sectors.
    """
    disk = bytearray(base)
    flushed = max((i for i, entry in enumerate(kept[:at]) if entry.flags & FLUSH), default=-1)
    lost = 0
    for number, entry in enumerate(kept[:at]):
        data = entry.data
        if number > flushed and not entry.flags & FUA and data and chance.random() < 0.5:
            lost += 1
            whole = len(data) // SECTOR
            data = data[: SECTOR * chance.randrange(whole)] if chance.random() < 0.5 else b""
        start = entry.sector * SECTOR
        disk[start : start + len(data)] = data
    return bytes(disk), lost
