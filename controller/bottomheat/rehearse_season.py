"""A whole season in accelerated time: the real daemon in a calculated shed, from October to May.

The daemon's own loop, log, ledger and setpoint rule run; commands reach it as from the control
socket.  Two things differ from a real box, to fit a winter into a minute or two: it decides every
``CYCLE_S`` (``IDLE_CYCLE_S`` while no box is in use) instead of every ten seconds, and the keeper
only obeys.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import timedelta
from pathlib import Path
from typing import Any, Final

from bottomheat import __version__, outage
from bottomheat.config import Config
from bottomheat.errors import InputError
from bottomheat.loop import Loop, Outside
from bottomheat.ports import ConfigChange, Handler
from bottomheat.rehearse_shed import (
    PowerCutError,
    Shed,
    ShedConfig,
    ShedControl,
    ShedKeeper,
    ShedProof,
    ShedService,
    ShedSignals,
)
from bottomheat.restart import openings, restarted
from bottomheat.season.season_story import (
    BEGINS,
    CONFIG,
    ENDS,
    LAST,
    NORTH,
    SOUTH,
    Act,
    Cut,
    Put,
    Say,
    Use,
    story,
    to_ms,
    winter_shed,
)
from bottomheat_drivers.clock import ManualClock
from bottomheat_drivers.config_yaml import check_text
from bottomheat_drivers.desk_file import MemoryDesk
from bottomheat_drivers.latch_file import MemoryLatches
from bottomheat_drivers.log import SqliteJournal
from bottomheat_drivers.log.before import look_back

CYCLE_S: Final = 120.0
IDLE_CYCLE_S: Final = 480.0
"""At most four of the other: a longer pause would count as a gap when a box is put into use."""
BOOT_S: Final = 25.0
"""Monotonic time at which the service starts, s."""
BAGS_C: Final = 8.0
"""Bags come in from the shed, °C."""
_MOST_REFUSED: Final = 5


@dataclass(slots=True)
class Told:
    """What came of the commands of the story.

    Attributes:
        said: each command with its time, UTC ms, and the answer.
        refused: what was not taken, each in a sentence.
    """

    said: list[tuple[int, Mapping[str, Any], Mapping[str, Any]]] = field(default_factory=list)
    refused: list[str] = field(default_factory=list)


class _Play:
    """The story, act by act; ``rehearse_shed.Script``."""

    def __init__(self, acts: Sequence[Act], shed: Shed, signals: ShedSignals, told: Told) -> None:
        self._acts = list(acts)
        self._shed = shed
        self._signals = signals
        self._told = told
        self._number: int | None = None
        self.config: ShedConfig | None = None
        self.in_use = {NORTH: False, SOUTH: False}
        self.text: Callable[[Mapping[str, bool]], ConfigChange] | None = None
        self.dark_h = 0.0
        """How long the mains are away after a cut, h."""

    def due_s(self) -> float:
        """When the next act is due, s from the start; the end is one, too."""
        if self._signals.stop_requested:
            return math.inf
        when = self._acts[0].at if self._acts else ENDS
        return (when - BEGINS) / timedelta(seconds=1)

    def act(self, handler: Handler) -> None:
        """Do what is due.

        Raises:
            PowerCutError: the mains go.
        """
        if not self._acts:
            self._signals.stop_requested = True
            return
        match self._acts.pop(0):
            case Say() as said:
                self._say(said, handler)
            case Put() as put:
                self._put(put)
            case Use() as use:
                self.in_use[use.box] = use.in_use
                if self.config is not None and self.text is not None:
                    self.config.write(self.text(self.in_use))
            case Cut() as cut:
                self.dark_h = cut.hours
                raise PowerCutError

    def _say(self, said: Say, handler: Handler) -> None:
        request = dict(said.request)
        if request.get("corrects") == LAST:
            request["corrects"] = self._number
        answer = handler(request)
        self._told.said.append((to_ms(said.at), request, answer))
        number = answer.get("number")
        self._number = number if isinstance(number, int) else self._number
        if not answer.get("ok"):
            self._told.refused.append(f"{said.at:%d %b}: {answer.get('error')}")

    def _put(self, put: Put) -> None:
        box = self._shed.boxes[put.box]
        match put.what:
            case "fill":
                box.fill()
            case "clear":
                box.clear()
            case "bags":
                box.place_bags(put.size, BAGS_C)
            case "on" | "off" as lid:
                box.open_lid(lid)
            case other:
                raise ValueError(f"the story says {other!r} of a box")


def in_force(config: Config) -> Config:
    """The config with the cycle of the rehearsal."""
    used = any(chamber.in_use for chamber in config.chambers.values())
    return config.model_copy(update={"cycle_s": CYCLE_S if used else IDLE_CYCLE_S})


def change_of(log: Path, in_use: Mapping[str, bool]) -> ConfigChange:
    """The config file of the story, as it is with these boxes in use."""
    words = {True: "true", False: "false"}
    text = CONFIG.format(log=log, north=words[in_use[NORTH]], south=words[in_use[SOUTH]])
    loaded = check_text(text)
    config = loaded.parsed.config
    if config is None:
        raise AssertionError([str(problem) for problem in loaded.parsed.problems])
    return ConfigChange(in_force(config), loaded.text, loaded.checksum, ())


def rehearse_season(
    log: Path,
    version: str = f"{__version__} rehearsal",
    *,
    seed: int = 1,
    acts: Sequence[Act] | None = None,
    on_day: Callable[[float], None] | None = None,
) -> Told:
    """Run the season; all that is to be known of it is in the log afterwards.

    Args:
        log: a file that is not there yet.
        version: of the software, for the log.
        seed: of the shed's weather and of the probes' noise.
        acts: the story; the one of ``season_story`` by itself.
        on_day: told the days done, once each.

    Raises:
        InputError: the log cannot be written.
    """
    in_use = {NORTH: False, SOUTH: False}
    told = Told()
    signals = ShedSignals()
    first = change_of(log, in_use)
    shed = Shed(_config(first), winter_shed(seed), seed)
    shed.on_day = on_day
    play = _Play(story() if acts is None else acts, shed, signals, told)
    play.text = lambda boxes: change_of(log, boxes)
    kept = _Kept(MemoryLatches({}), MemoryDesk(), MemoryDesk(), MemoryDesk())
    boots = 0
    while not signals.stop_requested:
        boots += 1
        clock = ManualClock(BOOT_S, wall_ms=to_ms(BEGINS) + round(shed.now_s * 1000))
        boot = f"rehearsed-boot-{boots}"
        try:
            with _journal(log, clock, version, boot) as journal:
                _run(log, shed, clock, journal, play, signals, kept, boot)
        except PowerCutError:
            shed.heat(())
            shed.to(shed.now_s + play.dark_h * 3600.0)
    return told


@dataclass(frozen=True, slots=True)
class _Kept:
    """What is on the card besides the log."""

    latches: MemoryLatches
    desk: MemoryDesk
    setpoints: MemoryDesk
    learned: MemoryDesk


def _config(change: ConfigChange) -> Config:
    if change.config is None:
        raise AssertionError(change.problems)
    return change.config


def _run(
    log: Path,
    shed: Shed,
    clock: ManualClock,
    journal: SqliteJournal,
    play: _Play,
    signals: ShedSignals,
    kept: _Kept,
    boot: str,
) -> None:
    """One run of the daemon, from its start to a power cut or the end."""
    change = change_of(log, play.in_use)
    config = _config(change)
    past = look_back(log, log.with_name("no-ring-files"), boot)
    start = outage.Start(boot, clock.monotonic_s(), clock.wall_ms())
    opening, aftermath = openings(past, start)
    state = restarted(config, {}, past, start, proved=True)
    play.config = source = ShedConfig(journal.note_config)
    journal.note_config(change.text, change.checksum)
    outside = Outside(
        clock=clock,
        probes=shed.probes,
        keeper=ShedKeeper(shed, clock),
        journal=journal,
        latches=kept.latches,
        proof=ShedProof(),
        service=ShedService(),
        source=source,
        control=ShedControl(shed, clock, play),
        signals=signals,
        desk=kept.desk,
        setpoints=kept.setpoints,
        learned=kept.learned,
    )
    loop = Loop(outside, config, state, {}, {}, opening, aftermath, None, past.season, past.trouble)
    loop.run()


@contextmanager
def _journal(log: Path, clock: ManualClock, version: str, boot: str) -> Iterator[SqliteJournal]:
    """The log of one run; a power cut leaves it as it is."""
    journal = SqliteJournal(log, None, clock, version, boot, background=False)
    try:
        yield journal
    except PowerCutError:
        journal.abandon()
        raise
    finally:
        journal.close()
    if (failure := journal.failure()) is not None:
        raise InputError(f"the log of the rehearsal was not written to its end: {failure}")
