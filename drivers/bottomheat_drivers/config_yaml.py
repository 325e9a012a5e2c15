"""The config file: read and checked.  ``config_watch`` watches it and keeps an accepted copy."""

from __future__ import annotations

import hashlib
import os
import stat
from dataclasses import dataclass
from pathlib import Path

from bottomheat.config import Config, Parsed, Problem
from bottomheat.config_parse import parse
from bottomheat.errors import ConfigError
from bottomheat_drivers.yaml_lines import Plain, RefusedTextError, read

LARGEST_BYTES = 64 * 1024
"""Ten times a long config.  The worst text of this size takes PyYAML under a second on a desktop
and several on a small board, and control waits for it."""


class EmptyConfigError(ConfigError):
    """There is a config file, and nothing in it."""


@dataclass(frozen=True, slots=True)
class Loaded:
    """A file's text, its checksum, what came of it, and its plain data where it could be read."""

    text: str
    checksum: str
    parsed: Parsed
    plain: Plain | None


def load_config(path: Path) -> Config:
    """Read and check the config file.

    Raises:
        ConfigError: it cannot be read, or is refused; ``problems`` holds every reason.
    """
    parsed = load_checked(path)
    if parsed.config is None:
        raise refusal(path, parsed)
    return parsed.config


def load_checked(path: Path) -> Parsed:
    """Read and check the config file; a file that is wrong comes back with its problems.

    Raises:
        ConfigError: there is no such file, or it cannot be read as text.
    """
    return load(path).parsed


def load(path: Path) -> Loaded:
    """Read and check the config file, and keep its text and checksum.

    Raises:
        ConfigError: there is no such file, or it cannot be read as text.
    """
    return check_text(read_text(path))


def check_text(text: str) -> Loaded:
    """Check the text of a config; never raises."""
    checksum = hashlib.sha256(text.encode()).hexdigest()
    try:
        plain = read(text)
    except RefusedTextError as refused:
        problem = Problem((), refused.line, refused.sentence)
        return Loaded(text, checksum, Parsed(None, (problem,), ()), None)
    parsed = parse(plain.data, plain.lines)
    if plain.problems:
        problems = sorted((*plain.problems, *parsed.problems), key=lambda p: p.line or 0)
        parsed = Parsed(None, tuple(problems), parsed.warnings)
    return Loaded(text, checksum, parsed, plain)


def refusal(path: Path, parsed: Parsed) -> ConfigError:
    """Make the error that names every problem of a refused file."""
    many = len(parsed.problems)
    count = "one thing is" if many == 1 else f"{many} things are"
    return ConfigError(
        f"the config file {path} is refused, because {count} wrong:",
        tuple(problem.text(str(path)) for problem in parsed.problems),
    )


def read_text(path: Path) -> str:
    """Read the config file as text.

    Raises:
        ConfigError: it is missing, not a file, not readable, too large, empty or not UTF-8.
    """
    try:
        # A named pipe would block a plain open for ever.
        handle = os.open(path, os.O_RDONLY | os.O_NONBLOCK | os.O_CLOEXEC)
    except FileNotFoundError:
        raise ConfigError(
            f"there is no config file {path}; copy the sample config/chamber.yaml there and edit it"
        ) from None
    except PermissionError:
        raise ConfigError(
            f"the config file {path} may not be read by this user; give the service read access"
        ) from None
    except (OSError, ValueError) as error:
        raise ConfigError(f"the config file {path} cannot be opened: {_why(error)}") from None
    try:
        content = _read_bounded(path, handle)
    except OSError as error:
        raise ConfigError(f"the config file {path} cannot be read: {_why(error)}") from None
    finally:
        os.close(handle)
    return _decode(path, content)


def _read_bounded(path: Path, handle: int) -> bytes:
    mode = os.fstat(handle).st_mode
    if stat.S_ISDIR(mode):
        raise ConfigError(f"{path} is a folder; give the path of the config file in it")
    if not stat.S_ISREG(mode):
        raise ConfigError(f"{path} is not a file; give the path of a config file")
    content = b""
    while len(content) <= LARGEST_BYTES:
        piece = os.read(handle, LARGEST_BYTES + 1 - len(content))
        if not piece:
            return content
        content += piece
    raise ConfigError(
        f"{path} is larger than {LARGEST_BYTES // 1024} KiB, which no config is; "
        "give the path of a config file"
    )


def _decode(path: Path, content: bytes) -> str:
    try:
        text = content.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = content.count(b"\n", 0, error.start) + 1
        raise ConfigError(
            f"{path} line {line} has a character that is not UTF-8; save the file as UTF-8"
        ) from None
    if not text.strip():
        raise EmptyConfigError(
            f"the config file {path} is empty; copy the sample over it and edit it"
        )
    return text


def _why(error: OSError | ValueError) -> str:
    return error.strerror or str(error) if isinstance(error, OSError) else str(error)
