"""The config file, watched; and the last accepted copy, for a start with a refused file.

The copy is one file with its checksum in its last line, so that a power cut leaves either the old
copy or the new one, whole.
"""

from __future__ import annotations

import hashlib
import os
from dataclasses import dataclass
from pathlib import Path

from bottomheat.config import Config
from bottomheat.config_wiring import fingerprint, fingerprint_of_data
from bottomheat.errors import ConfigError
from bottomheat.ports import ConfigChange
from bottomheat_drivers.config_yaml import (
    EmptyConfigError,
    Loaded,
    check_text,
    load,
    read_text,
    refusal,
)

ACCEPTED_NAME = "accepted-config.yaml"

_SEAL = "# sha256 of all lines above: "


@dataclass(frozen=True, slots=True)
class _Seen:
    """How a file looked from outside, and what was in it."""

    signature: tuple[int, ...] | None
    checksum: str


class YamlConfigSource:
    """Watches the config file.  A port of ``bottomheat.ports.ConfigSource``.

    ``poll`` looks at the file's status first, and reads it only where that changed.  A good file
    counts at once; a refused one, or one that stops in the middle of a line, counts when two polls
    running find it the same, because an editor may still be writing it.  Each content is reported
    once.  The first poll reports what is there.
    """

    def __init__(self, path: Path, state_folder: Path) -> None:
        self._path = path
        self._copy = state_folder / ACCEPTED_NAME
        self._reported = ""
        self._seen = _Seen(None, "")
        self._settled = False

    def poll(self, *, force: bool = False) -> ConfigChange | None:
        """Look at the file; None if there is nothing new to say.

        Args:
            force: read the file whatever its status says, and do not wait for a second look.
        """
        signature = _signature(self._path)
        if self._settled and not force and signature == self._seen.signature:
            return None
        try:
            change = _change(self._path, load(self._path))
        except ConfigError as error:
            change = ConfigChange(None, "", _checksum(str(error)), (str(error),))
        if not force and _signature(self._path) != signature:
            self._settled = False  # it changed while we read it
            return None
        same_as_before = change.checksum == self._seen.checksum
        self._seen = _Seen(signature, change.checksum)
        whole = change.config is not None and change.text.endswith("\n")
        self._settled = force or whole or same_as_before
        if not self._settled or change.checksum == self._reported:
            return None
        self._reported = change.checksum
        return change

    def accept(self, change: ConfigChange) -> None:
        """Keep a sealed copy of an accepted config in the state folder, durably.

        Raises:
            ConfigError: not written; the config counts all the same, and the copy stays as it was.
        """
        if change.config is None:
            raise ConfigError("a refused config cannot be kept as the accepted one")
        try:
            _replace_durably(self._copy, _sealed(change.text))
        except OSError as error:
            raise ConfigError(
                f"the accepted config could not be copied to {self._copy}: "
                f"{error.strerror or error}; free some space there, or give the service "
                "write access"
            ) from None

    def last_accepted(self) -> Config | None:
        """The last accepted config; None if there is none, or its copy is damaged."""
        return last_accepted(self._copy.parent)


def last_accepted(state_folder: Path) -> Config | None:
    """Read the last accepted config; None if there is none, or its copy is damaged."""
    try:
        content = read_text(state_folder / ACCEPTED_NAME)
    except ConfigError:
        return None
    text, seal, checksum = content.rpartition(_SEAL)
    if not seal or checksum != _checksum(text) + "\n":
        return None
    return check_text(text).parsed.config


def start_config(path: Path, state_folder: Path) -> tuple[Config, str | None]:
    """Choose the config to start with: the file's, or the last accepted one with the reason why.

    A refused file falls back to the last accepted copy only where its own wiring can still be read
    and is that copy's; or where nobody has written anything into it, because a file that is empty
    or all zero bytes is what a power cut leaves, and no edit of the wiring.

    Raises:
        ConfigError: no config may be used, so there is no heat; says why, with every problem.
    """
    if _blank(path) and (kept := last_accepted(state_folder)) is not None:
        return kept, (
            f"the config file {path} is empty, as a power cut may leave a file, and the last "
            "accepted config is used; save your config again"
        )
    loaded = load(path)
    parsed = loaded.parsed
    if parsed.config is not None:
        return parsed.config, None
    count = "one thing" if len(parsed.problems) == 1 else f"{len(parsed.problems)} things"
    wrong = f"{count} wrong in it, the first: {parsed.problems[0].text(str(path))}"
    accepted = last_accepted(state_folder)
    if accepted is None:
        raise _no_heat(path, loaded, "there is no undamaged copy of an earlier config to fall to")
    plain = loaded.plain
    wired = None if plain is None or plain.problems else fingerprint_of_data(plain.data)
    if wired is None:
        raise _no_heat(
            path, loaded, "its wiring cannot be read, so the last accepted config may not fit it"
        )
    if wired != fingerprint(accepted):
        raise _no_heat(path, loaded, "its wiring is not that of the last accepted config")
    return accepted, (
        f"the config file {path} is refused and the last accepted config is used; {wrong}"
    )


def _blank(path: Path) -> bool:
    """Whether a file is there and holds nothing but blanks and zero bytes."""
    try:
        return not read_text(path).strip("\0 \t\r\n")
    except EmptyConfigError:
        return True
    except ConfigError:
        return False


def _no_heat(path: Path, loaded: Loaded, why: str) -> ConfigError:
    error = refusal(path, loaded.parsed)
    return ConfigError(
        f"no heat: the config file {path} is refused, and {why}; put right what is listed here",
        error.problems,
    )


def _change(path: Path, loaded: Loaded) -> ConfigChange:
    problems = tuple(problem.text(str(path)) for problem in loaded.parsed.problems)
    return ConfigChange(loaded.parsed.config, loaded.text, loaded.checksum, problems)


def _signature(path: Path) -> tuple[int, ...] | None:
    try:
        status = path.stat()
    except (OSError, ValueError):
        return None
    return (
        status.st_mtime_ns,
        status.st_ctime_ns,
        status.st_size,
        status.st_ino,
        status.st_dev,
        status.st_mode,
    )


def _checksum(text: str) -> str:
    return hashlib.sha256(text.encode()).hexdigest()


def _sealed(text: str) -> str:
    body = text if text.endswith("\n") else text + "\n"
    return f"{body}{_SEAL}{_checksum(body)}\n"


def _replace_durably(target: Path, text: str) -> None:
    """Write a file so that a power cut leaves the old content or the new."""
    spare = target.with_suffix(".new")
    with spare.open("w", encoding="utf-8") as file:
        file.write(text)
        file.flush()
        os.fsync(file.fileno())
    spare.replace(target)
    folder = os.open(target.parent, os.O_RDONLY | os.O_DIRECTORY)
    try:
        os.fsync(folder)
    finally:
        os.close(folder)
