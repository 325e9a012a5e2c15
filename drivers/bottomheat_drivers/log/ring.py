"""The ring file: rows that the log does not hold yet, on tmpfs.

The caller of the journal writes each row here before it is queued, so that a crash or a kill of the
process loses nothing; only a power cut does, and that is at most one commit period.  The write is
one ``pwrite`` of a few hundred bytes into memory that was reserved when the file was made: no
disk is involved, so it cannot wait for a slow card, and a full tmpfs gives an error where a
memory map would end the process with a bus error.

A file holds one header slot and then slots of ``SLOT`` bytes, each with a CRC-32, its sequence
number and its length.  A torn slot fails its CRC and is left out.  A row that is longer than a
slot takes several running ones, each part with its place among them; it counts only when all its
parts are there.  The file is locked while its
run is alive, so that a second process cannot take it for the remains of a dead one.
"""

from __future__ import annotations

import fcntl
import json
import os
import struct
import zlib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path

SLOT = 512
SLOTS = 2048
LAYOUT = 1
_HEAD = struct.Struct("<IQH")
ROOM = SLOT - _HEAD.size
"""Bytes that a row may take in its slot."""
_PART = struct.Struct("<cHH")
_PART_MARK = b"+"  # a row is JSON, which never begins so
_PART_ROOM = ROOM - _PART.size
PARTS = 256
"""Slots that one row may take: an eighth of the file."""
WIDE_ROOM = PARTS * _PART_ROOM
"""Bytes that a row in several slots may take: more than a request to the service may hold."""
_MAGIC = b"BHRING\x00\x01"
SUFFIX = ".ring"
MOST_FILES = 64
"""Of dead runs that wait for a log that can be written: so often a service may fall right after
its start, one time after the other."""
MOST_BYTES = 8 * SLOT * (SLOTS + 1)
"""What they may take of the memory: 8 runs of more than ``SLOTS`` rows."""


class RingDamagedError(ValueError):
    """The file is not a ring file, or its header cannot be trusted."""


@dataclass(frozen=True, slots=True)
class Remains:
    """What a dead run left: its header, its rows in order, and how many slots were unreadable."""

    path: Path
    header: Mapping[str, object]
    rows: tuple[bytes, ...]
    bad: int


def _sealed(seq: int, payload: bytes) -> bytes:
    body = _HEAD.pack(0, seq, len(payload))[4:] + payload
    return zlib.crc32(body).to_bytes(4, "little") + body


def _unsealed(slot: bytes) -> tuple[int, bytes] | None:
    crc, seq, length = _HEAD.unpack_from(slot)
    if length > ROOM or zlib.crc32(slot[4 : _HEAD.size + length]) != crc:
        return None
    return seq, slot[_HEAD.size : _HEAD.size + length]


def _pieces(payload: bytes) -> list[bytes]:
    if len(payload) <= ROOM:
        return [payload]
    if len(payload) > WIDE_ROOM:
        raise ValueError("too long for the ring file")
    cut = [payload[at : at + _PART_ROOM] for at in range(0, len(payload), _PART_ROOM)]
    return [_PART.pack(_PART_MARK, n, len(cut)) + piece for n, piece in enumerate(cut)]


def _joined(rows: list[tuple[int, bytes]]) -> Iterator[bytes]:
    """The whole rows of slots in order; one that lacks a part is left out."""
    begun: list[bytes] = []
    expected = -1
    for seq, payload in rows:
        if not payload.startswith(_PART_MARK) or len(payload) < _PART.size:
            yield payload
            continue
        _, place, of = _PART.unpack_from(payload)
        if place == 0:
            begun, expected = [], seq
        if seq != expected or place != len(begun):
            expected = -1  # its first parts are gone
            continue
        begun.append(payload[_PART.size :])
        expected += 1
        if len(begun) == of:
            yield b"".join(begun)
            expected = -1


class Ring:
    """The ring file of this run.

    Raises:
        OSError: the folder is missing, not writable or full.
    """

    def __init__(self, folder: Path, key: str, header: Mapping[str, object]) -> None:
        self.path = folder / f"log-{key}{SUFFIX}"
        text = json.dumps({**header, "layout": LAYOUT, "key": key}).encode()
        if len(_MAGIC) + len(text) > ROOM:
            raise OSError(f"the header of {self.path} is too long")
        begun = self.path.with_suffix(".new")
        self._fd = os.open(begun, os.O_RDWR | os.O_CREAT | os.O_EXCL | os.O_CLOEXEC, 0o640)
        try:
            fcntl.flock(self._fd, fcntl.LOCK_EX | fcntl.LOCK_NB)
            os.posix_fallocate(self._fd, 0, SLOT * (SLOTS + 1))
            os.pwrite(self._fd, _sealed(0, _MAGIC + text), 0)
            begun.rename(self.path)
        except OSError:
            begun.unlink(missing_ok=True)
            os.close(self._fd)
            raise

    def put(self, seq: int, payload: bytes) -> int:
        """Write one row; returns the last sequence number that it took.

        Raises:
            OSError: it was not written, or not whole.
            ValueError: longer than ``WIDE_ROOM``.
        """
        last = seq
        for last, piece in enumerate(_pieces(payload), seq):
            os.pwrite(self._fd, _sealed(last, piece), SLOT * (1 + last % SLOTS))
        return last

    def close(self, *, remove: bool) -> None:
        """Let the file go; ``remove`` it when the log holds all its rows.  Idempotent."""
        if self._fd >= 0:
            if remove:
                self.path.unlink(missing_ok=True)
            os.close(self._fd)
            self._fd = -1


def read(path: Path) -> Remains | None:
    """What a dead run left in its ring file, or None while that run is alive.

    Raises:
        RingDamagedError: not a ring file of this layout.
        OSError: not readable.
    """
    with path.open("rb") as file:
        try:
            fcntl.flock(file, fcntl.LOCK_SH | fcntl.LOCK_NB)
        except BlockingIOError:
            return None
        data = file.read(SLOT * (SLOTS + 1) + 1)
    if not SLOT <= len(data) <= SLOT * (SLOTS + 1) or len(data) % SLOT:
        raise RingDamagedError(f"{path} has the wrong length")
    first = _unsealed(data[:SLOT])
    if first is None or not first[1].startswith(_MAGIC):
        raise RingDamagedError(f"{path} has no valid header")
    try:
        header = json.loads(first[1][len(_MAGIC) :])
    except ValueError:
        header = None
    if not isinstance(header, dict) or header.get("layout") != LAYOUT:
        raise RingDamagedError(f"{path} is of another version")
    rows: list[tuple[int, bytes]] = []
    bad = 0
    for start in range(SLOT, len(data), SLOT):
        slot = data[start : start + SLOT]
        if not any(slot[: _HEAD.size]):
            continue
        row = _unsealed(slot)
        if row is None:
            bad += 1
        else:
            rows.append(row)
    rows.sort()
    return Remains(path, header, tuple(_joined(rows)), bad)


def others(folder: Path, own: Path | None) -> list[Path]:
    """Ring files of other runs, oldest first."""
    found = [path for path in folder.glob(f"log-*{SUFFIX}") if path != own]
    return sorted(found, key=lambda path: path.stat().st_mtime_ns)


def make_room(folder: Path) -> int:
    """Keep what dead runs left from filling the memory; returns how many files had to go.

    A dead run's file gives back the slots that it never used.  Of more than ``MOST_FILES`` the
    shortest go first: a service that falls again and again does not push out the hours before it
    began to.  Beyond ``MOST_BYTES`` the oldest go.

    Raises:
        OSError: the folder cannot be read, or a file not be removed.
    """
    sizes = {path: size for path in others(folder, None) if (size := _shrunk(path)) is not None}
    gone = sorted(sizes, key=lambda path: sizes[path])[: max(0, len(sizes) - MOST_FILES)]
    kept = [path for path in sizes if path not in gone]
    while sum(sizes[path] for path in kept) > MOST_BYTES:
        gone.append(kept.pop(0))
    for path in gone:
        path.unlink(missing_ok=True)
    return len(gone)


def _shrunk(path: Path) -> int | None:
    """Cut off the slots of a dead run's file that were never used; its size, None where it lives.

    ``read`` takes a shorter file, so that a kill in between does no harm.
    """
    with path.open("r+b") as file:
        try:
            fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            return None
        status = os.fstat(file.fileno())
        if status.st_size != SLOT * (SLOTS + 1):
            return status.st_size
        used = len(file.read().rstrip(b"\x00"))
        size = SLOT * max(1, -(-used // SLOT))
        if size < status.st_size:
            file.truncate(size)
            os.utime(file.fileno(), ns=(status.st_atime_ns, status.st_mtime_ns))  # their order
    return size
