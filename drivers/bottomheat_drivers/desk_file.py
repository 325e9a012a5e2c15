"""What of alarms, setpoints, closings and boxes outlives a restart: small sealed files.

Each is written by a thread.  Nothing of safety is in them: a file that cannot be read or written
costs the memory of what has been seen, paused and who is away, of a setpoint that is being lowered
step by step, or of how often a relay has closed, and no more.
"""

from __future__ import annotations

import threading
from pathlib import Path
from typing import Any

from bottomheat_drivers.sealed_file import read_sealed, write_sealed

_FORM = "bottomheat alarm desk"
_VERSION = 1

END_S = 2.0
"""How long ``close`` waits for a write that is under way."""


def desk_path(folder: Path) -> Path:
    """The file of the alarm desk in a state folder."""
    return folder / "alarms.json"


def setpoints_file(folder: Path) -> DeskFile:
    """The setpoints in force, kept in a state folder."""
    return DeskFile(
        folder / "setpoints.json",
        form="bottomheat setpoints",
        lost="the setpoints begin anew by the rule",
    )


def contacts_file(folder: Path) -> DeskFile:
    """How often the relays have closed, kept in a state folder."""
    return DeskFile(
        folder / "contacts.json",
        form="bottomheat contacts",
        lost="closings of the relays are counted on from what the log knows",
    )


def learned_file(folder: Path) -> DeskFile:
    """What was learned of the boxes over weeks, kept in a state folder."""
    return DeskFile(
        folder / "learned.json",
        form="bottomheat learned",
        lost="what was learned of the boxes over weeks begins anew",
    )


class DeskFile:
    """Keeps the newest payload (``ports.DeskStore``); ``save`` never waits for the disk.

    Args:
        path: the file.
        form: what kind of file it is.
        lost: what it means where it cannot be read or written.
    """

    def __init__(
        self, path: Path, *, form: str = _FORM, lost: str = "what had been seen is forgotten"
    ) -> None:
        self._path = path
        self._form = form
        self._lost = lost
        self._wake = threading.Condition()
        self._waiting: Any = None
        self._has_waiting = False
        self._ended = False
        self._failure: str | None = None
        self._thread: threading.Thread | None = None

    def load(self) -> Any:
        """Return what was saved last, or None where there is none or it cannot be used."""
        try:
            return read_sealed(self._path, self._form, _VERSION)
        except FileNotFoundError:
            return None
        except (OSError, ValueError) as error:
            with self._wake:
                self._failure = f"{self._path}: {_why(error)}; {self._lost}"
            return None

    def save(self, payload: Any) -> None:
        """Have the payload written; one that still waits is replaced by it."""
        with self._wake:
            self._waiting, self._has_waiting = payload, True
            if self._thread is None and not self._ended:
                self._thread = threading.Thread(target=self._work, name="alarm desk", daemon=True)
                self._thread.start()
            self._wake.notify()

    def failure(self) -> str | None:
        """Why what was saved last is not on the disk, or None."""
        with self._wake:
            return self._failure

    def close(self) -> None:
        """Write what waits, within a bounded time; idempotent."""
        with self._wake:
            self._ended = True
            self._wake.notify()
        if self._thread is not None:
            self._thread.join(END_S)

    def _work(self) -> None:
        while True:
            with self._wake:
                while not self._has_waiting and not self._ended:
                    self._wake.wait()
                if not self._has_waiting:
                    return
                payload, self._has_waiting = self._waiting, False
            failure = None
            try:
                write_sealed(self._path, payload, self._form, _VERSION)
            except (OSError, ValueError) as error:
                failure = f"{self._path}: {_why(error)}; at a restart {self._lost}"
            with self._wake:
                self._failure = failure


def _why(error: OSError | ValueError) -> str:
    if isinstance(error, OSError):
        return f"cannot be used ({error.strerror or error})"
    return str(error)


class MemoryDesk:
    """A memory of the desk that lives as long as this object; ``failing`` makes it fail."""

    def __init__(self, payload: Any = None) -> None:
        self.saved: list[Any] = [] if payload is None else [payload]
        self.failing: str | None = None

    def load(self) -> Any:
        """Return what was saved last, or None."""
        return self.saved[-1] if self.saved else None

    def save(self, payload: Any) -> None:
        """Keep the payload, unless ``failing``."""
        if self.failing is None:
            self.saved.append(payload)

    def failure(self) -> str | None:
        """What ``failing`` says."""
        return self.failing

    def close(self) -> None:
        """Nothing to wait for."""
