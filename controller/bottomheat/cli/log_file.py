"""Which log a command means, how far it is, and what the service still holds back."""

from __future__ import annotations

import contextlib
import sys
from collections.abc import Callable, Iterator
from datetime import UTC, datetime
from pathlib import Path

from bottomheat.errors import BottomheatError, ConfigError, LogError

PATIENCE_S = 5.0
LOOK_S = 0.1


def log_path(config_path: Path, given: Path | None) -> Path:
    """The log that was given, else the config's, else where it lies by default."""
    if given is not None:
        return given
    from bottomheat.config import Config
    from bottomheat_drivers.config_yaml import load

    try:
        config = load(config_path).parsed.config
    except ConfigError:
        config = None
    return Path(Config.model_fields["log"].default if config is None else config.log)


def have_written(config_path: Path, path: Path) -> bool:
    """Ask the service for what it has not written yet, and wait a little for it.

    Returns:
        Whether it is there; False where no service answers, or the card is slow.
    """
    from bottomheat.cli.calibrate_box import service_answer
    from bottomheat_drivers.clock import SystemClock
    from bottomheat_drivers.config_yaml import load_config
    from bottomheat_drivers.log import LogReader

    try:
        config = load_config(config_path)
        if Path(config.log) != path or service_answer(config, {"do": "write-soon"}) is None:
            return False
        clock = SystemClock()
        wanted_s = clock.monotonic_s() - 2.5 * config.cycle_s
        until_s = clock.monotonic_s() + PATIENCE_S
        while clock.monotonic_s() < until_s:
            with LogReader(path) as reader:
                newest = next(iter(reader.newest(1)), None)
            if newest is not None and newest.t_ms / 1000 >= wanted_s:
                return True
            clock.wait(LOOK_S)
    except (BottomheatError, OSError):
        return False  # told where the log is opened
    return False


@contextlib.contextmanager
def progress(*, quiet: bool = False) -> Iterator[Callable[[str, float], None]]:
    """Say on stderr what is being done and how far it is, 0 to 1; a bar, and only in a terminal."""
    if quiet or not sys.stderr.isatty():
        yield lambda _what, _share: None
        return
    from rich.console import Console
    from rich.progress import Progress

    with Progress(console=Console(stderr=True), transient=True) as bar:
        task = bar.add_task("", total=1.0)
        yield lambda what, share: bar.update(task, description=what, completed=share)


def when(wall_ms: int | None) -> str:
    """A moment in the time of this machine, to the minute."""
    if wall_ms is None:
        return "never"
    try:
        then = datetime.fromtimestamp(wall_ms / 1000, UTC).astimezone()
    except (ValueError, OverflowError, OSError):
        return "a time that cannot be"
    return f"{then:%Y-%m-%d %H:%M}"


def stamp(wall_ms: int) -> str:
    """A moment for the name of a file, in the time of this machine.

    Raises:
        LogError: the clock shows a time that cannot be.
    """
    try:
        return f"{datetime.fromtimestamp(wall_ms / 1000, UTC).astimezone():%Y%m%d-%H%M%S}"
    except (ValueError, OverflowError, OSError) as error:
        raise LogError("The clock of this machine cannot be right: name the file.") from error
