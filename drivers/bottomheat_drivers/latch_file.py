"""Latched cutoffs, in a small checksummed file that survives a power cut."""

from __future__ import annotations

import fcntl
import os
from collections.abc import Mapping
from contextlib import suppress
from pathlib import Path
from typing import Any

from bottomheat.errors import LatchError
from bottomheat.ports import Latch
from bottomheat_drivers.sealed_file import read_sealed, write_sealed

_FORM = "bottomheat latches"
_VERSION = 1


class LatchFile:
    """Keeps the latches of one process; every doubt about the file is an error.

    A missing file is an error too: "no file" must not read as "nothing is latched", because that
    would make deleting, or losing, the file a reset.  ``begin_clear`` is the one way to begin.
    """

    def __init__(self, path: Path) -> None:
        self._path = path

    def load(self) -> Mapping[str, Latch]:
        """Return the latched chambers.

        Raises:
            LatchError: missing, damaged, foreign or unreadable; the caller treats every chamber
                as latched.
        """
        try:
            return _latches(read_sealed(self._path, _FORM, _VERSION))
        except FileNotFoundError:
            raise LatchError(
                f"{self._path}: the latch file is missing, so every chamber counts as cut out; "
                "find out why, look at the mats, then reset each chamber."
            ) from None
        except (OSError, ValueError) as error:
            raise LatchError(
                f"{self._path}: the latch file {_why(error)}, so every chamber counts as cut out; "
                "look at the mats, then reset each chamber."
            ) from error

    def save(self, latches: Mapping[str, Latch]) -> None:
        """Replace the file durably.

        Raises:
            LatchError: not written; the caller gives no heat.
        """
        payload = {
            name: {"cause": latch.cause, "wall_ms": latch.wall_ms}
            for name, latch in latches.items()
        }
        try:
            write_sealed(self._path, payload, _FORM, _VERSION)
        except OSError as error:
            raise LatchError(
                f"{self._path}: the latch file {_why(error)}, so there is no heat; "
                "free or repair the disk."
            ) from error

    def withdraw(self) -> None:
        """Remove the file, so that the next start takes every chamber as latched."""
        with suppress(OSError):
            self._path.unlink()


def _latches(payload: Any) -> Mapping[str, Latch]:
    if not isinstance(payload, dict):
        raise ValueError("is damaged: it holds no table")  # noqa: TRY004
    found = {}
    for name, entry in payload.items():
        match entry:
            case {"cause": str(cause), "wall_ms": int(wall_ms)} if len(entry) == 2:
                found[name] = Latch(name, cause, wall_ms)
            case _:
                raise ValueError(f"is damaged at {name!r}")
    return found


def _why(error: OSError | ValueError) -> str:
    if isinstance(error, OSError):
        return f"cannot be used ({error.strerror or error})"
    return str(error)


def latch_path(folder: Path) -> Path:
    """The daemon's latch file in a state folder."""
    return folder / "daemon-latch.json"


def keeper_latch_path(folder: Path) -> Path:
    """The keeper's latch file in a state folder."""
    return folder / "keeper-latch.json"


def begin_clear(folder: Path) -> bool:
    """Begin both latch files clear in a state folder that holds nothing at all: a first set-up.

    Daemon and keeper both call it, whichever starts first.  Anything in the folder, even a file
    that is not ours, means that latches may have been lost, and nothing is made.

    Raises:
        LatchError: the folder cannot be read, or a file cannot be written.
    """
    try:
        handle = os.open(folder, os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC)
        try:
            fcntl.flock(handle, fcntl.LOCK_EX)  # the second of two waits, and finds the files
            if any(folder.iterdir()):
                return False
            LatchFile(latch_path(folder)).save({})
            LatchFile(keeper_latch_path(folder)).save({})
        finally:
            os.close(handle)
    except OSError as error:
        raise LatchError(
            f"{folder}: the state folder {_why(error)}; make it before the first start."
        ) from error
    return True


class MemoryLatches:
    """Latches that live as long as this object; ``problem`` makes it fail as a disk would."""

    def __init__(self, latches: Mapping[str, Latch] | None = None) -> None:
        self.saved: list[Mapping[str, Latch]] = []
        self.problem: str | None = None
        self._latches = None if latches is None else dict(latches)

    def load(self) -> Mapping[str, Latch]:
        """Return what was saved last.

        Raises:
            LatchError: there is nothing, as if the file were missing.
        """
        if self._latches is None:
            raise LatchError("the latches are missing, so every chamber counts as cut out.")
        return dict(self._latches)

    def save(self, latches: Mapping[str, Latch]) -> None:
        """Keep the latches.

        Raises:
            LatchError: ``problem`` is set.
        """
        if self.problem is not None:
            raise LatchError(self.problem)
        self._latches = dict(latches)
        self.saved.append(dict(latches))

    def withdraw(self) -> None:
        """Forget what was saved, as if the file were gone."""
        self._latches = None
