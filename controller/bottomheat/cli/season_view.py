"""What ``today``, ``ready`` and ``sheet`` look at: config, service, season, rows and gaps."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime, tzinfo
from pathlib import Path
from typing import TYPE_CHECKING, Any

from bottomheat.errors import BottomheatError, ConfigError, InputError
from bottomheat.season.ledger import Season, fold
from bottomheat.season.night import MORNING_H, Hole

if TYPE_CHECKING:
    from bottomheat.config import Config
    from bottomheat.review.night import Rows
    from bottomheat_drivers.log import AlarmRow, LogReader
    from bottomheat_drivers.log.rows import RunRow

PATIENCE_S = 5.0
LOOK_S = 0.1
MOST_YEARS_MS = 4_102_444_800_000
"""The year 2100: a date after it is a slip."""


@dataclass(frozen=True, slots=True)
class View:
    """What there is to look at.

    Attributes:
        path: of the log.
        config: in force at that moment.
        season: what the ledger came to by then.
        now_ms: the moment, UTC ms.
        clock_sure: whether its date can be believed.
        rows_ms: when the log's rows begin and end, UTC ms; None: it has none.
        live: whether the moment is now.
        status: what the running service says; None: none answers, or it is not about now.
        runs: the starts of the service.
        alarms: all that the log has.
    """

    path: Path
    config: Config
    season: Season
    now_ms: int
    clock_sure: bool
    rows_ms: tuple[int, int] | None
    live: bool
    status: Mapping[str, Any] | None
    runs: tuple[RunRow, ...] = ()
    alarms: tuple[AlarmRow, ...] = ()


def moment_ms(text: str, zone: tzinfo | None) -> int:
    """The moment that "2027-01-16" (at 08:00) or "2027-01-16 07:10" names, UTC ms.

    Args:
        text: as the grower wrote it.
        zone: the grower's; None is this machine's.

    Raises:
        InputError: it names none.
    """
    said = text.strip()
    shown = "".join(c if c.isprintable() else "?" for c in said[:32])
    forms = 'write it like 2027-01-16 or "2027-01-16 07:10"'
    try:
        then = datetime.fromisoformat(said)
        if ":" not in said:
            then = then.replace(hour=MORNING_H)
        if then.tzinfo is None:
            then = then.replace(tzinfo=zone) if zone is not None else then.astimezone()
        wall_ms = round(then.astimezone(UTC).timestamp() * 1000)
    except (ValueError, OverflowError, OSError):
        raise InputError(f"'{shown}' is no day that this machine knows: {forms}.") from None
    if not 0 < wall_ms < MOST_YEARS_MS:
        raise InputError(f"'{shown}' cannot be meant: {forms}.")
    return wall_ms


def view(config_path: Path, when: str | None, log: Path | None) -> View:
    """Open config, service and log.

    Args:
        config_path: the config file.
        when: a moment to look back at, or None.
        log: another log than the config's, which is looked at by its own config; or None.

    Raises:
        ConfigError: no usable config.
        InputError: ``when`` names no moment.
        LogError: the log cannot be read.
    """
    from bottomheat.cli.calibrate_box import service_answer
    from bottomheat_drivers.clock import SystemClock
    from bottomheat_drivers.log import LogReader

    clock = SystemClock()
    at_ms = None if when is None else moment_ms(when, None)
    path, config = _places(config_path, log)
    live, status = log is None and at_ms is None, None
    if live and config is not None and service_answer(config, {"do": "write-soon"}) is not None:
        status = service_answer(config, {"do": "status"})
        _wait_for_rows(config, path)
    with LogReader(path) as reader:
        newest = next(iter(reader.newest(1)), None)
        newest_ms = None if newest is None else newest.wall_ms
        runs, alarms = reader.runs(), reader.alarms()
        if live:
            clock_sure = clock.synchronised()
            now_ms = clock.wall_ms() if clock_sure or newest_ms is None else newest_ms
        else:
            now_ms = at_ms if at_ms is not None else newest_ms or clock.wall_ms()
            config = config_then(reader, now_ms) or config
            then = [run.sure for run in runs if run.began_wall_ms <= now_ms]
            clock_sure = then[-1] if then else newest is None or newest.sure
        season = fold(reader.season_entries(), None if live else now_ms)
    rows_ms = None
    if newest_ms is not None:
        rows_ms = min([newest_ms, *(run.began_wall_ms for run in runs)]), newest_ms
    if config is None:
        raise ConfigError(
            f"the log {path} holds no config of that time, and {config_path} cannot be used; "
            "give one with --config"
        )
    return View(
        path, config, season, now_ms, clock_sure, rows_ms, live, status, tuple(runs), tuple(alarms)
    )


def _places(config_path: Path, log: Path | None) -> tuple[Path, Config | None]:
    """The log, and the config where it can be used; without a log of its own it has to be."""
    from bottomheat_drivers.config_yaml import load_config

    if log is None:
        config = load_config(config_path)
        return Path(config.log), config
    try:
        return log, load_config(config_path)
    except ConfigError:
        return log, None


def config_then(reader: LogReader, now_ms: int) -> Config | None:
    """The config that was in force at a moment, UTC ms; None where the log does not know.

    It is kept without its secrets, so that what it says of alerts cannot be read back.
    """
    from bottomheat.cli.kept_config import kept_config

    kept = reader.configs()
    for row in reversed([row for row in kept if row.wall_ms <= now_ms] or kept[:1]):
        config = kept_config(row.text)
        if config is not None:
            return config
    return None


def _wait_for_rows(config: Config, path: Path) -> None:
    """Wait until what the service was asked to write can be read, or for ``PATIENCE_S``."""
    from bottomheat_drivers.clock import SystemClock
    from bottomheat_drivers.log import LogReader

    clock = SystemClock()
    wanted_ms = clock.wall_ms() - round(2500 * config.cycle_s)
    until_s = clock.monotonic_s() + PATIENCE_S
    while clock.monotonic_s() < until_s:
        try:
            with LogReader(path) as reader:
                newest = next(iter(reader.newest(1)), None)
        except BottomheatError:
            return  # told where it is opened to be read
        if newest is not None and newest.wall_ms >= wanted_ms:
            return
        clock.wait(LOOK_S)


def rows_of(path: Path, chamber: str, from_ms: int, to_ms: int) -> Rows:
    """The rows of a box, with a quarter of an hour before and after."""
    from bottomheat.review.exposure import MAX_GAP_S
    from bottomheat_drivers.log.columns import columns

    edge_ms = round(MAX_GAP_S * 1000)
    return columns(path, chamber, from_ms - edge_ms, to_ms + edge_ms)


def holes_of(path: Path, from_ms: int, to_ms: int) -> tuple[Hole, ...]:
    """The stretches of that time without data, each with its cause."""
    from bottomheat.review.exposure import MAX_GAP_S
    from bottomheat_drivers.log.columns import gaps

    found = gaps(path, from_ms, to_ms, MAX_GAP_S)
    return tuple(
        Hole(max(gap.from_ms, from_ms), min(gap.to_ms, to_ms), gap.cause)
        for gap in found
        if gap.to_ms > from_ms and gap.from_ms < to_ms
    )


def stood(
    rows: Iterable[AlarmRow], runs: Iterable[RunRow], from_ms: int, to_ms: int
) -> list[tuple[AlarmRow, bool]]:
    """The alarms that stood in a stretch of time, UTC ms, and whether each was over at its end.

    One that was left open by a run that ended is over: the next run raises it again where it
    still holds.
    """
    last = max((run.run for run in runs if run.began_wall_ms <= to_ms), default=None)
    found = []
    for row in rows:
        end_ms = row.cleared_wall_ms
        if row.raised_wall_ms > to_ms or (end_ms is not None and end_ms <= from_ms):
            continue
        over = (end_ms is not None and end_ms <= to_ms) or row.run != last
        if over and end_ms is None and row.raised_wall_ms < from_ms:
            continue
        found.append((row, over))
    return found
