"""Commands while no daemon runs: take its lock and do it ourselves.

Clearing a latch looks at the probes first; tending, the lid, what a grower measured and what was
entered of batches are rows in the log, which the next start reads.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from contextlib import ExitStack, contextmanager
from pathlib import Path
from typing import Any, Self

from bottomheat import __version__, reference_request, tend_request
from bottomheat.app import state_folder
from bottomheat.config import Config
from bottomheat.errors import InputError, LatchError, LogError
from bottomheat.keeper import RESET_MARGIN_K, identity
from bottomheat.model import Event, EventKind, Good, Place, Reading
from bottomheat.outage import Start
from bottomheat.plausible import History, judge
from bottomheat.ports import Latch, Lease
from bottomheat.protect.cutoff import may_reset
from bottomheat.restart import restarted
from bottomheat.season import from_config
from bottomheat.season import request as season_request
from bottomheat.season.ledger import Dated, fold
from bottomheat.wiring import wiring_of
from bottomheat_drivers.clock import SystemClock
from bottomheat_drivers.keeper_link import KeeperClient
from bottomheat_drivers.latch_file import LatchFile, keeper_latch_path, latch_path
from bottomheat_drivers.log import SqliteJournal, boot_id
from bottomheat_drivers.log.before import look_back
from bottomheat_drivers.process_lock import lock_state
from bottomheat_drivers.w1 import W1Probes

KEEPER_TICK_S = 0.6
KEEPER_ANSWERS = 5
"""The keeper looks twice a second; so many answers are waited for."""

_LOST = "the latch file was missing or damaged"


class OfflineReset:
    """Answers the same requests as the daemon's control socket, for one chamber.

    Raises:
        AlreadyRunningError: a daemon runs after all.
        InputError: there is no such chamber.
        DriverError: the state folder or the probes cannot be used.
    """

    def __init__(self, config: Config, path: Path, chamber: str) -> None:
        if chamber not in config.chambers:
            known = ", ".join(config.chambers)
            raise InputError(f"there is no chamber {chamber}; the config has: {known}.")
        self._config = config
        self._path = path
        self._name = chamber
        self._stack = ExitStack()
        folder = state_folder(config)
        self._stack.callback(lock_state(folder).close)
        self._files = (LatchFile(latch_path(folder)), LatchFile(keeper_latch_path(folder)))
        self._clock = SystemClock()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self._stack.close()

    def request(self, confirmed: bool) -> Mapping[str, Any]:
        """Show the latch and the proof; with ``confirmed``, clear it where the proof allows."""
        daemon, keeper = (self._load(file) for file in self._files)
        latch, keeper_latch = daemon.get(self._name), keeper.get(self._name)
        limits = self._config.chambers[self._name].limits
        readings, keepers = self._read()
        fit, lines = may_reset(readings, None, limits)
        if keeper_latch is not None and keepers is not None:
            cool, line = _cool_for_keeper(keepers, limits.mat_c)
            fit, lines = fit and cool, (*lines, line)
        answer: dict[str, Any] = {
            "latched": None if latch is None else latch.cause,
            "keeper_latched": None if keeper_latch is None else keeper_latch.cause,
            "since_ms": None if latch is None else latch.wall_ms,
            "proof": list(lines),
            "fit": fit,
            "done": False,
        }
        if latch is None and keeper_latch is None:
            return {"ok": True, **answer}
        if not fit:
            return {"ok": False, "error": "the cause is not gone", **answer}
        if confirmed:
            try:
                self._clear(daemon, keeper)
            except LatchError as error:
                return {"ok": False, "error": str(error), **answer}
            answer["done"] = True
        return {"ok": True, **answer}

    def _load(self, file: LatchFile) -> Mapping[str, Latch]:
        try:
            return file.load()
        except LatchError:
            return {name: Latch(name, _LOST, 0) for name in self._config.chambers}

    def _read(self) -> tuple[tuple[tuple[Place, Reading], ...], Reading | None]:
        """Every probe of the chamber, and the one that the keeper goes by, judged afresh."""
        box = self._config.chambers[self._name]
        own = box.keeper_probe
        wiring = {
            "daemon": box.probes.by_place(),
            "keeper": {} if own is None else {Place.MAT: own},
        }
        probes = W1Probes(Path(self._config.w1_devices), wiring, self._clock)
        try:
            answers = probes.read_all(self._clock.monotonic_s())
        finally:
            probes.close()
        now_s = self._clock.monotonic_s()
        # As each of the two processes would: the keeper goes by what its probe reads.
        judged = {
            who: tuple(
                (place, judge(History(), raw, now_s, self._add_k(who, wiring[who][place]))[1])
                for place, raw in raws.items()
            )
            for who, raws in answers.items()
        }
        return judged["daemon"], dict(judged["keeper"]).get(Place.MAT)

    def _add_k(self, who: str, probe: str) -> float:
        return 0.0 if who == "keeper" else self._config.add_k(probe)

    def _clear(self, daemon: Mapping[str, Latch], keeper: Mapping[str, Latch]) -> None:
        name = self._name
        self._files[0].save({key: latch for key, latch in daemon.items() if key != name})
        if name in keeper and not self._keeper_cleared():
            self._files[1].save({key: latch for key, latch in keeper.items() if key != name})
        cause = daemon[name].cause if name in daemon else "the keeper alone had latched"
        self._note(f"cutoff reset by hand while the service was stopped; it was: {cause}")

    def _keeper_cleared(self) -> bool:
        """Ask a keeper that runs to clear its own latch; False where none runs.

        Raises:
            LatchError: it runs and does not clear it.
        """
        run_folder = Path(self._config.run_folder)
        link = KeeperClient(
            run_folder / "keeper.sock",
            run_folder / "daemon.sock",
            identity(wiring_of(self._config, self._path).lines),
        )
        why = "it gave no answer"
        try:
            for number in range(KEEPER_ANSWERS):
                reset = frozenset({self._name} if number == 0 else ())
                now_s = self._clock.monotonic_s()
                if not link.send(Lease(now_s, frozenset(), reset)):
                    return False
                self._clock.wait(KEEPER_TICK_S)
                status = link.status()
                line = None if status is None else status.line(self._name)
                if line is not None and number > 0:
                    if not line.latched:
                        return True
                    why = line.reason
        finally:
            link.close()
        raise LatchError(f"the keeper does not clear its own latch ({why}); wait until it can")

    def _note(self, text: str) -> None:
        try:
            journal = SqliteJournal(
                Path(self._config.log), None, self._clock, __version__, boot_id(), background=False
            )
        except LogError:
            return  # the reset stands; the log is told about elsewhere
        event = Event(EventKind.RESET, self._clock.monotonic_s(), self._name, text, durable=True)
        journal.record((), (event,))
        journal.close()


def tend(config: Config, request: Mapping[str, Any]) -> Mapping[str, Any]:
    """Answer a request to tend a box as the daemon would, and keep it in the log.

    Raises:
        AlreadyRunningError: a daemon runs after all.
        DriverError: the state folder cannot be used.
        LogError: the log cannot be written, so nothing is kept.
    """
    folder = state_folder(config)
    with ExitStack() as stack:
        stack.callback(lock_state(folder).close)
        clock = SystemClock()
        boot = boot_id()
        past = look_back(Path(config.log), Path(config.run_folder), boot)
        now_s = clock.monotonic_s()
        start = Start(boot, now_s, None)
        state = restarted(config, {}, past, start, proved=False)
        outcome = tend_request.handle(state, config, request, now_s, clock.wall_ms())
        if outcome.row is not None:
            with _journal(config, clock, boot) as journal:
                journal.record((), outcome.events)
                journal.note_tending(*outcome.row)
    return outcome.answer


def season(config: Config, asked: Mapping[str, Any]) -> Mapping[str, Any]:
    """Answer a request about batches as the daemon would, and keep it in the log.

    What the config file says anew of its batches is entered before it, as at a start.

    Raises:
        AlreadyRunningError: a daemon runs after all.
        DriverError: the state folder cannot be used.
        LogError: the log cannot be read or written, so nothing is kept.
    """
    folder = state_folder(config)
    with ExitStack() as stack:
        stack.callback(lock_state(folder).close)
        clock = SystemClock()
        boot = boot_id()
        past = look_back(Path(config.log), Path(config.run_folder), boot)
        if past.trouble is not None:
            raise LogError(past.trouble)
        now_ms, sure = clock.wall_ms(), clock.synchronised()
        ledger = list(past.season)
        written = from_config.entries(config, fold(ledger), now_ms if sure else None, clock.zone())
        for entry in written:
            number = max((dated.number for dated in ledger), default=0) + 1
            at_ms = season_request.entered_ms(ledger, now_ms, clock_sure=sure)
            ledger.append(Dated(number, at_ms, sure, entry))
        done = season_request.handle(
            ledger, config, asked, now_ms, clock.monotonic_s(), clock_sure=sure
        )
        if done.entries:
            with _journal(config, clock, boot) as journal:
                journal.record((), done.events)
                for entry in (*written, *done.entries):
                    journal.note_season(entry)
    return done.answer


def note(config: Config, request: Mapping[str, Any]) -> Mapping[str, Any]:
    """Answer a request of ``reference_request`` as the daemon would, and keep it in the log.

    Raises:
        AlreadyRunningError: a daemon runs after all.
        DriverError: the state folder cannot be used.
        LogError: the log cannot be written, so nothing is kept.
    """
    folder = state_folder(config)
    with ExitStack() as stack:
        stack.callback(lock_state(folder).close)
        clock = SystemClock()
        outcome = reference_request.handle(config, request, clock.monotonic_s())
        if outcome.row is not None:
            with _journal(config, clock, boot_id()) as journal:
                journal.record((), outcome.events)
                outcome.keep(journal)
    return outcome.answer


@contextmanager
def _journal(config: Config, clock: SystemClock, boot: str) -> Iterator[SqliteJournal]:
    """The log in the foreground, with what dead runs left: entries have their numbers in order.

    Raises:
        LogError: it cannot be opened, or what was handed over is not on the card.
    """
    rings = Path(config.run_folder)
    journal = SqliteJournal(Path(config.log), rings, clock, __version__, boot, background=False)
    try:
        yield journal
        failure = journal.failure()
    finally:
        journal.close()
    if failure is not None:
        raise LogError(failure)


def _cool_for_keeper(reading: Reading, limit_c: float) -> tuple[bool, str]:
    """Whether the keeper's own probe would let it clear its latch, and the proof in words."""
    least_c = limit_c - RESET_MARGIN_K
    if not isinstance(reading, Good):
        return False, f"the keeper's probe: no good reading ({reading.fault.value})"
    cool = reading.celsius <= least_c
    end = "" if cool else f"; a reset needs {least_c:g} or less"
    return cool, f"the keeper's probe: {reading.celsius:.1f} °C{end}"
