"""What ``replay`` takes from the log: rows, configs, what people did, alarms."""

from __future__ import annotations

import heapq
from collections.abc import Iterator
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

import click

from bottomheat.cli.batch_when import edge_ms
from bottomheat.cli.kept_config import kept_config
from bottomheat.config import Config
from bottomheat.errors import ConfigError, InputError
from bottomheat.model import EventKind
from bottomheat.protect.tending import Doing, Lid, Tending
from bottomheat.replay import SETTLE_MS, Act, Replayed, Row, Told, replay, together

if TYPE_CHECKING:
    from bottomheat_drivers.log import LogReader

HOUR_MS = 3_600_000
MINUTE_S = 60.0
TOLD_EVERY_H = 6
USUAL_MS = 24 * HOUR_MS
AROUND_MS = 6 * HOUR_MS
LONGEST_MS = 40 * 24 * HOUR_MS


def load(
    config_path: Path,
    log_path: Path | None,
    since: str | None,
    until: str | None,
    *,
    last_fault: bool,
    other: Path | None,
) -> Replayed:
    """Read the log and replay it.

    Raises:
        ConfigError: no usable config, or not the chambers of the log.
        InputError: the times do not go together, or there is nothing to replay.
        LogError: the log cannot be read.
    """
    from bottomheat_drivers.config_yaml import load_config
    from bottomheat_drivers.log import LogReader

    if last_fault and (since is not None or until is not None):
        raise InputError("--last-fault says the time: leave --from and --to out.")
    with_config = None if other is None else load_config(other)
    path = log_path if log_path is not None else Path(load_config(config_path).log)
    with LogReader(path) as log:
        from_ms, to_ms = _window(log, since, until, last_fault=last_fault)
        left_out = dict(_thinned(log, from_ms - SETTLE_MS, to_ms))
        boxes = [name for name in log.chambers() if name not in left_out]
        configs = _Configs(log, with_config, frozenset(left_out))
        rows = heapq.merge(
            *(log.samples(name, from_ms - SETTLE_MS, to_ms) for name in boxes),
            key=lambda row: (row.run, row.t_ms, row.chamber),
        )
        told = [
            Told(row.raised_wall_ms, row.chamber, row.alarm)
            for row in log.alarms()
            if from_ms <= row.raised_wall_ms < to_ms and row.chamber in boxes
        ]
        outcome = replay(
            _counted(together(rows), from_ms - SETTLE_MS, to_ms),
            configs.at,
            [*_acts(log)],
            told,
            keep_setpoints=with_config is None,
        )
    if outcome.cycles == 0 and configs.unusable:
        raise ConfigError(
            f"{path}: the config of that time cannot be used any more; give one with --with."
        )
    if outcome.cycles == 0 and left_out:
        raise InputError(
            f"{path} keeps no single readings of that time any more, only a row each minute or "
            "ten, which cannot be replayed: give a time of the last days, or one around an alarm."
        )
    if outcome.cycles == 0:
        raise InputError(f"{path} has no rows in that time: give another --from and --to.")
    skipped = {
        f"of {name} the log keeps only a row each {words} of then": count
        for name, (count, words) in left_out.items()
    }
    return replace(outcome, skipped={**outcome.skipped, **skipped})


def _thinned(log: LogReader, from_ms: int, to_ms: int) -> Iterator[tuple[str, tuple[int, str]]]:
    """The boxes of which some of that time was thinned, to how many rows and of what length.

    A box is replayed as a whole or not at all: what is left out would look like a lost probe.
    """
    for name in log.chambers():
        count, longest_s = log.thinned(name, from_ms, to_ms)
        if count:
            yield name, (count, "ten minutes" if longest_s > 2 * MINUTE_S else "minute")


def _counted(cycles: Iterator[list[Row]], from_ms: int, to_ms: int) -> Iterator[list[Row]]:
    """The cycles, with a word on the screen of how far it has come."""
    hours = max(1, (to_ms - from_ms) // HOUR_MS)
    told = 0
    for rows in cycles:
        done = (rows[0].wall_ms - from_ms) // HOUR_MS
        if done >= told + TOLD_EVERY_H:
            told = done
            click.echo(f"hour {done} of {hours}", err=True)
        yield rows


def _window(
    log: LogReader, since: str | None, until: str | None, *, last_fault: bool
) -> tuple[int, int]:
    newest = next(iter(log.newest(1)), None)
    if newest is None:
        raise InputError("the log has no rows yet: there is nothing to replay.")
    edge = partial(edge_ms, now_ms=newest.wall_ms + 1, clock_set=newest.sure)
    to_ms = newest.wall_ms + 1 if until is None else edge(until, end=True)
    from_ms = to_ms - USUAL_MS if since is None else edge(since, end=False)
    if last_fault:
        alarms = log.alarms()
        if not alarms:
            raise InputError("the log has no alarm: give --from and --to instead.")
        at_ms = alarms[-1].raised_wall_ms
        from_ms, to_ms = at_ms - AROUND_MS, min(at_ms + AROUND_MS, newest.wall_ms + 1)
    if from_ms >= to_ms:
        raise InputError("--from has to be before --to.")
    if to_ms - from_ms > LONGEST_MS:
        raise InputError("that is more than 40 days, which would take long: ask for less.")
    return from_ms, to_ms


class _Configs:
    """The config of each moment; with another one given, always that."""

    def __init__(self, log: LogReader, other: Config | None, left_out: frozenset[str]) -> None:
        self._left_out = left_out
        self._other = None if other is None else self._less(other)
        self._known: list[tuple[int, int, Config]] = []
        self.unusable = False
        for row in [] if other is not None else log.configs():
            config = kept_config(row.text)
            if config is None:
                self.unusable = True
            else:
                self._known.append((row.run, row.wall_ms, self._less(config)))

    def _less(self, config: Config) -> Config:
        """The config without the boxes that are left out; a field of its own is not checked."""
        chambers = {n: box for n, box in config.chambers.items() if n not in self._left_out}
        return config.model_copy(update={"chambers": chambers}) if self._left_out else config

    def at(self, run: int, wall_ms: int) -> Config | None:
        """The newest config accepted by then, or None."""
        if self._other is not None:
            return self._other
        found = None
        for known_run, known_ms, config in self._known:
            if (known_run, known_ms) <= (run, wall_ms):
                found = config
        return found


def _acts(log: LogReader) -> Iterator[Act]:
    for row in log.tendings():
        tending = None
        if row.for_s is not None and row.doing in set(Doing):
            at_s = row.t_ms / 1000
            tending = Tending(Doing(row.doing), at_s, at_s + row.for_s, row.note)
        lid = Lid(row.lid) if row.lid in set(Lid) else None
        yield Act(row.run, row.t_ms, row.chamber, tending, lid)
    for event in log.events(kind=EventKind.RESET):
        if event.event.chamber is not None:
            at_ms = round(event.event.at_s * 1000)
            yield Act(event.run, at_ms, event.event.chamber, reset=True)
