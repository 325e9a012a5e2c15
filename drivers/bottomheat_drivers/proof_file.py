"""For which wiring the probes and plugs were proved, in a small checksummed file."""

from __future__ import annotations

from pathlib import Path

from bottomheat.errors import LatchError
from bottomheat_drivers.sealed_file import read_sealed, write_sealed

_FORM = "bottomheat wiring proof"
_VERSION = 1


class ProofFile:
    """Remembers one fingerprint; a missing or damaged file reads as "not proved"."""

    def __init__(self, path: Path) -> None:
        self._path = path

    def matches(self, fingerprint: str) -> bool:
        """Whether this wiring was proved."""
        try:
            payload = read_sealed(self._path, _FORM, _VERSION)
        except (OSError, ValueError):
            return False
        return isinstance(payload, dict) and payload.get("fingerprint") == fingerprint

    def save(self, fingerprint: str) -> None:
        """Keep it durably.

        Raises:
            LatchError: not written.
        """
        try:
            write_sealed(self._path, {"fingerprint": fingerprint}, _FORM, _VERSION)
        except OSError as error:
            raise LatchError(
                f"{self._path}: the proof of the wiring cannot be kept "
                f"({error.strerror or error}); free or repair the disk and prove again."
            ) from error
