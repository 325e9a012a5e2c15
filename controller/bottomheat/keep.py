"""The keeper's loop: lease and probe in, relay out, twice a second.

Decides nothing itself (``keeper.decide`` does), but fixes the order of things: open before close,
relays before disk, latches on the disk before anything is reported.  Reading probes and writing
latches happen in threads of their own, because either may hang in the kernel and the lease has to
run out all the same.
"""

from __future__ import annotations

import logging
import os
import select
import signal
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from threading import Condition, Event, Thread
from typing import Final, Protocol

from bottomheat.errors import DriverError, LatchError
from bottomheat.keeper import KeeperLine, KeeperState, LineCommand, decide, identity
from bottomheat.model import Alarm, Place, Raw
from bottomheat.ports import (
    Clock,
    KeeperStatus,
    Latch,
    LatchStore,
    Lease,
    LineStatus,
    Probes,
    Relay,
    ServiceManager,
)

TICK_S: Final = 0.5
READ_EVERY_S: Final = 2.0
RETRY_WRITE_S: Final = 5.0
LINE_REST_S: Final = 60.0
"""A line that did not take its level is left open this long before it is tried again, s."""

_WAIT_FOR_DISK_S: Final = 0.5
_END_WAIT_S: Final = 2.0

logger = logging.getLogger(__name__)


class LeaseServer(Protocol):
    """Where leases come in and answers go out."""

    def fileno(self) -> int:
        """Descriptor that is readable when a lease waits."""
        ...

    def receive(self) -> Lease | None:
        """The newest lease that waits, or None; never blocks and never raises."""
        ...

    def reply(self, status: KeeperStatus) -> None:
        """Answer whoever asked last; never blocks and never raises."""
        ...

    def close(self) -> None:
        """Stop listening; idempotent."""
        ...


@dataclass(frozen=True, slots=True)
class ChamberRelays:
    """The relays of one chamber."""

    heat: Relay
    series: Relay | None = None


class ProbeReader:
    """Reads the keeper's own probes again and again in a thread, so that the loop never waits."""

    def __init__(self, probes: Probes, clock: Clock, every_s: float = READ_EVERY_S) -> None:
        self._probes = probes
        self._clock = clock
        self._every_s = every_s
        self._latest: Mapping[str, Raw] = {}
        self._stop = Event()
        self._thread = Thread(target=self._run, name="keeper probes", daemon=True)

    def start(self) -> None:
        """Begin to read."""
        self._thread.start()

    def latest(self) -> Mapping[str, Raw]:
        """Return the newest reading by chamber.

        Raises:
            DriverError: the reading thread has died, so that no newer one will ever come.
        """
        if not self._thread.is_alive():
            raise DriverError("the keeper's probe reader has stopped: restart the service.")
        return self._latest

    def close(self) -> None:
        """Ask the thread to end, without waiting for a read that hangs."""
        self._stop.set()
        self._probes.close()

    def _run(self) -> None:
        _block_signals()
        while not self._stop.is_set():
            readings = self._probes.read_all(self._clock.monotonic_s())
            self._latest = {
                chamber: places[Place.MAT]
                for chamber, places in readings.items()
                if Place.MAT in places
            }
            self._stop.wait(self._every_s)


class LatchWriter:
    """Writes latches in a thread, and knows whether the newest ones are on the disk."""

    def __init__(self, store: LatchStore) -> None:
        self._store = store
        self._turn = Condition()
        self._waiting: Mapping[str, Latch] | None = None
        self._problem: str | None = None
        self._ending = False
        self._thread = Thread(target=self._run, name="keeper latches", daemon=True)
        self._thread.start()

    def submit(self, latches: Mapping[str, Latch]) -> None:
        """Have these written next, in place of any that still wait."""
        with self._turn:
            self._waiting = latches
            self._turn.notify_all()

    def wait(self, longest_s: float) -> bool:
        """Wait until everything submitted is on the disk, or has failed; True if it is there."""
        with self._turn:
            self._turn.wait_for(lambda: self._waiting is None or self._problem, longest_s)
            return self._waiting is None

    @property
    def settled(self) -> bool:
        """Whether everything submitted is on the disk."""
        return self._waiting is None

    @property
    def problem(self) -> str | None:
        """Why it is not on the disk, as far as that is known."""
        return self._problem

    def close(self) -> None:
        """End within two seconds, with what waits written if the disk lets it; idempotent."""
        with self._turn:
            self._ending = True
            self._turn.notify_all()
        self._thread.join(_END_WAIT_S)

    def _run(self) -> None:
        _block_signals()
        while True:
            with self._turn:
                self._turn.wait_for(lambda: self._waiting is not None or self._ending)
                latches = self._waiting
            if latches is None:
                return
            problem = None
            try:
                self._store.save(latches)
            except LatchError as error:
                problem = str(error)
                if latches:  # the old file reads as clear, a missing one as latched
                    self._store.withdraw()
            with self._turn:
                self._problem = problem
                if problem is None and self._waiting is latches:
                    self._waiting = None
                self._turn.notify_all()
                if problem is not None:
                    if self._ending:
                        return
                    self._turn.wait(RETRY_WRITE_S)


class Keeper:
    """Owns the relay lines for as long as it runs.

    Args:
        lines: the wiring.
        relays: by chamber; they arrive open, and ``close`` opens and lets them go.
        server: where leases come in.
        reader: the keeper's own probes.
        clock: monotonic time, and wall time for the latch file.
        latches: the keeper's latch file.
        services: the service manager.
        sounder: the line of the shed's sounder, or None; it never disturbs the relays.
    """

    def __init__(
        self,
        *,
        lines: Sequence[KeeperLine],
        relays: Mapping[str, ChamberRelays],
        server: LeaseServer,
        reader: ProbeReader,
        clock: Clock,
        latches: LatchStore,
        services: ServiceManager,
        sounder: Relay | None = None,
    ) -> None:
        self._sounder = sounder
        self._sounder_rests_until_s: float | None = None
        self._lines = tuple(lines)
        self._wiring = identity(self._lines)
        self._relays = dict(relays)
        self._server = server
        self._reader = reader
        self._clock = clock
        self._services = services
        self._lease: Lease | None = None
        self._rest_until_s: dict[str, float] = {}
        self._clearing: frozenset[str] = frozenset()
        self._said = ""
        self._writer = LatchWriter(latches)
        self._latches = self._load(latches)
        self._state = KeeperState(
            latched={name: latch.cause for name, latch in self._latches.items()}
        )

    def _load(self, store: LatchStore) -> dict[str, Latch]:
        """Read the latch file; without one that can be relied on, every chamber is latched."""
        try:
            latches = dict(store.load())
        except LatchError as error:
            logger.critical("%s", error)
            at_ms = self._clock.wall_ms()
            cause = "the keeper's latch file is missing or damaged"
            return {line.chamber: Latch(line.chamber, cause, at_ms) for line in self._lines}
        self._writer.submit(latches)  # proves that it can be written; no heat before it was
        self._writer.wait(_WAIT_FOR_DISK_S)
        return latches

    def run(self, parent_fd: int | None = None) -> None:
        """Keep until the parent has closed its end of the pipe ``parent_fd``, or a signal ends it.

        Raises:
            DriverError: the probe reader has died.  The caller closes this object in any case.
        """
        self._reader.start()
        self.tick()
        self._services.ready()
        while self._wait(parent_fd):
            self.tick()
            self._services.alive()

    def tick(self) -> None:
        """Look at everything once and switch; half a second at most, unless the disk is slow.

        Raises:
            DriverError: the probe reader has died.
        """
        lease = self._server.receive()
        if lease is not None:
            self._lease = lease
        readings = self._reader.latest()
        now_s = self._clock.monotonic_s()  # after both: neither may seem to be from the future
        if self._writer.settled:
            self._clearing = frozenset()
        before = self._state.latched
        decision = decide(self._state, self._lease, readings, now_s, self._lines, self._wiring)
        self._state = decision.state
        if decision.latches_changed:
            self._clearing |= before.keys() - decision.state.latched.keys()
        commands = self._hold_back(decision.commands, now_s)
        self._switch(commands, now_s)
        if decision.latches_changed:
            self._save_latches()
        self._sound(decision.sound, now_s)
        for event in decision.events:
            text = f"{event.chamber}: {event.text}" if event.chamber else event.text
            level = logging.CRITICAL if event.alarm is Alarm.KEEPER_LATCHED else logging.INFO
            logger.log(level, "%s", text)
        self._report(commands, now_s)

    def close(self) -> None:
        """Open every line and let it go, then everything else; idempotent."""
        for relays in self._relays.values():
            relays.heat.close()
        for relays in self._relays.values():
            if relays.series is not None:
                relays.series.close()
        if self._sounder is not None:
            self._sounder.close()
        self._services.stopping()
        self._server.close()
        self._reader.close()
        self._writer.close()

    def _hold_back(self, commands: Sequence[LineCommand], now_s: float) -> list[LineCommand]:
        """Add the keeper's own reasons to keep a line open."""
        held = []
        for command in commands:
            reason = None
            if self._writer.problem is not None and not self._writer.settled:
                reason = self._writer.problem
            elif command.chamber in self._clearing or (
                not self._writer.settled and not command.latched
            ):
                reason = "waiting until the latch file is written"
            elif now_s < self._rest_until_s.get(command.chamber, now_s):
                reason = "its relay line did not take its level: look at the wiring"
            if reason is not None:
                series = None if command.series is None else False
                command = replace(command, heat=False, series=series, reason=reason)
            held.append(command)
        return held

    def _switch(self, commands: Sequence[LineCommand], now_s: float) -> None:
        """Open what has to be open first; close series before heat, and open heat before series."""
        todo: list[tuple[str, Callable[[bool], None], bool]] = []
        for command in commands:
            relays = self._relays[command.chamber]
            todo.append((command.chamber, relays.heat.set, command.heat))
            if relays.series is not None:
                todo.append((command.chamber, relays.series.set, command.series is True))
        opening = [step for step in todo if not step[2]]
        closing = [step for step in reversed(todo) if step[2]]
        for chamber, switch, closed in (*opening, *closing):
            if closed and now_s < self._rest_until_s.get(chamber, now_s):
                continue
            try:
                switch(closed)
            except DriverError as error:
                self._rest_until_s[chamber] = now_s + LINE_REST_S
                self._open_all(chamber)
                logger.critical("%s: %s", chamber, error)

    def _open_all(self, chamber: str) -> None:
        relays = self._relays[chamber]
        for relay in (relays.heat, relays.series):
            if relay is not None:
                try:
                    relay.set(False)
                except DriverError as error:
                    logger.critical("%s: %s; switch the mat off at its plug.", chamber, error)

    def _sound(self, wanted: bool, now_s: float) -> None:
        """Drive the sounder, after the relays; a line that fails is left for a minute."""
        rests_until_s = self._sounder_rests_until_s
        if self._sounder is None or (rests_until_s is not None and now_s < rests_until_s):
            return
        try:
            self._sounder.set(wanted)
            self._sounder_rests_until_s = None
        except DriverError as error:
            self._sounder_rests_until_s = now_s + LINE_REST_S
            logger.warning("the sounder: %s", error)

    def _save_latches(self) -> None:
        at_ms = self._clock.wall_ms()
        self._latches = {
            name: self._latches.get(name) or Latch(name, cause, at_ms)
            for name, cause in self._state.latched.items()
        }
        self._writer.submit(self._latches)
        if not self._writer.wait(_WAIT_FOR_DISK_S):
            logger.critical("%s", self._writer.problem or "the latch file is not written yet")

    def _report(self, commands: Sequence[LineCommand], now_s: float) -> None:
        lines = tuple(self._line_status(command) for command in commands)
        self._server.reply(KeeperStatus(now_s, os.getpid(), lines))
        said = "; ".join(
            f"{line.chamber} {'on' if line.closed else 'off'}, {line.reason}" for line in lines
        )
        if said != self._said:
            self._services.status(said)
            self._said = said

    def _line_status(self, command: LineCommand) -> LineStatus:
        relays = self._relays[command.chamber]
        reason = command.reason
        try:
            closed = relays.heat.is_closed
            series = None if relays.series is None else relays.series.is_closed
        except DriverError as error:
            closed, series, reason = False, None, str(error)
        return LineStatus(
            chamber=command.chamber,
            closed=closed,
            closings=relays.heat.closings,
            latched=command.latched,
            reason=reason,
            probe_c=command.probe_c,
            series_closed=series,
        )

    def _wait(self, parent_fd: int | None) -> bool:
        """Wait for a lease or the next tick; False once the parent is gone."""
        sources = [self._server.fileno()] + ([] if parent_fd is None else [parent_fd])
        ready, _, _ = select.select(sources, [], [], TICK_S)
        if parent_fd is None or parent_fd not in ready:
            return True
        try:
            return bool(os.read(parent_fd, 4096))
        except OSError:
            return False


def _block_signals() -> None:
    """Leave signals to the main thread, which is the one that opens the lines."""
    signal.pthread_sigmask(signal.SIG_BLOCK, signal.valid_signals())
