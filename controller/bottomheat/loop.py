"""The daemon's loop: read, cycle, latch, lease, record, tell the service manager.

It decides nothing; everything that can change what the heater does is in ``cycle``.  The order
within a turn is fixed: the lease goes out first because it can only open or renew, then a new latch
is made durable, then the rest is told.
"""

from __future__ import annotations

import logging
from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

from bottomheat import alarm_desk, alarm_memo, cycle
from bottomheat.alarm_conditions import conditions, latched_chambers, resting
from bottomheat.alarm_desk import Desk
from bottomheat.answers import Answers
from bottomheat.board import Board
from bottomheat.borrowing import Session
from bottomheat.config import Config
from bottomheat.config_wiring import fingerprint
from bottomheat.contacts import Contacts
from bottomheat.errors import ConfigError, LatchError
from bottomheat.foresight import Foresight
from bottomheat.keeper_weld import CHECKING
from bottomheat.lessons import Lessons
from bottomheat.model import Alarm, Event, EventKind, Feedback, Record
from bottomheat.outage import Aftermath
from bottomheat.outside import Outside, Run
from bottomheat.ports import ConfigChange, KeeperStatus, Latch, Lease
from bottomheat.season.ledger import Dated
from bottomheat.seasonal import Seasonal

__all__ = ["Loop", "Outside"]

KEEPER_SILENT_S = 30.0
CLOCK_STEP_MS = 2_000
CLOCK_ROW_S = 3600.0
LATCH_RETRY_S = 30.0
HELD_OPEN_S = 60.0
"""Heat asked for so long in all without the keeper closing the relay is told."""

_log = logging.getLogger("bottomheat")


class Loop:
    """One run of the daemon."""

    def __init__(
        self,
        outside: Outside,
        config: Config,
        state: cycle.ControllerState,
        latched: Mapping[str, Latch],
        house: Mapping[Alarm, str],
        opening: Sequence[Event] = (),
        aftermath: Aftermath | None = None,
        sessions: Mapping[str, Session] | None = None,
        ledger: Sequence[Dated] = (),
        ledger_trouble: str | None = None,
        logged: Mapping[str, int] | None = None,
    ) -> None:
        """Start a run.

        Args:
            outside: the ports.
            config: the checked config.
            state: the first state.
            latched: the latches read.
            house: alarms that stand at the start.
            opening: what was found out at the start, told right after "started".
            aftermath: what is still to be told of an outage before this start.
            sessions: borrowed probes that go on teaching from the run before.
            ledger: the season's entries in the log.
            ledger_trouble: why they could not be read, or None.
            logged: closings of each heat relay that the log counts, over all runs before; None: it
                could not be read.
        """
        self._out = outside
        now_s = outside.clock.monotonic_s()
        self._run = Run(
            config,
            config,
            state,
            dict(latched),
            dict(house),
            Board(started_s=now_s),
            self._desk_kept(config),
            sessions=dict(sessions or {}),
        )
        self._lessons = Lessons(outside, self._run, self._say)
        self._seasonal = Seasonal(outside, self._run, self._say, ledger, ledger_trouble)
        self._contacts = Contacts(
            outside, self._run, self._say, self._seasonal.relays_changed, logged
        )
        self._foresight = Foresight(outside, self._run, self._say)
        self._answers = Answers(
            outside, self._run, self._say, self._lessons, self._seasonal, self._contacts
        )
        self._opening = tuple(opening)
        self._aftermath = aftermath
        self._desk_saved = alarm_memo.essence(self._run.desk)
        self._desk_failure: str | None = None
        self._latch_tried_s = now_s
        self._held_open_s: dict[str, float] = {}
        self._clock_row_s: float | None = None
        self._clock_offset_ms = 0
        self._synchronised = False

    def run(self) -> None:
        """Cycle until asked to stop; the lease is withdrawn on every way out."""
        out = self._out
        next_s = out.clock.monotonic_s()
        ready = False
        self._say(Event(EventKind.STARTED, next_s, None, "service started", durable=True))
        for event in self._opening:
            self._say(event)
        self._seasonal.start(next_s)
        self._contacts.start(next_s)
        try:
            while not out.signals.stop_requested:
                self._turn()
                if not ready:
                    out.service.ready()
                    ready = True
                out.service.alive()
                next_s = self._next(next_s)
                while not out.signals.stop_requested and out.control.serve_until(
                    next_s, self.handle
                ):
                    if out.signals.take_reload():
                        out.service.reloading(out.clock.monotonic_s())
                        self._look_at_config(force=True)
                        out.service.ready()
        finally:
            out.keeper.close()
        out.service.stopping()
        self._keep_desk(out.clock.monotonic_s())
        now_s = out.clock.monotonic_s()
        self._contacts.stop(now_s)
        self._foresight.stop(now_s)
        self._say(
            Event(EventKind.STOPPED, now_s, None, "service stopped, relay open", durable=True)
        )

    def _next(self, last_s: float) -> float:
        """The next cycle's time on a fixed grid, so that cycle times do not drift."""
        period_s = self._run.config.cycle_s
        now_s = self._out.clock.monotonic_s()
        next_s = last_s + period_s
        if next_s <= now_s:  # late by more than a cycle: skip what was missed
            next_s = now_s + period_s - (now_s - last_s) % period_s
        return next_s

    def _turn(self) -> None:
        out = self._out
        self._look_at_config(force=False)
        readings = out.probes.read_all(out.clock.monotonic_s())
        now_s = out.clock.monotonic_s()
        run = self._run
        self._seasonal.turn(now_s)
        step = cycle.advance(run.state, readings, now_s, run.config, feedback=self._feedback(now_s))
        run.state = step.state
        self._contacts.turn(now_s)
        reset = frozenset(run.reset)
        lease = Lease(
            now_s,
            step.heat,
            reset,
            open_series=step.open_series,
            sound=run.desk.wants_sound,
        )
        if out.keeper.send(lease):
            run.reset -= reset
        # The desk says when an alarm is told and when it is over.
        told = (EventKind.ALARM_RAISED, EventKind.ALARM_CLEARED)
        events = [event for event in step.events if event.kind not in told]
        if step.latched:
            self._latch(step.latched, now_s)
        events += self._look_around(now_s)
        self._set_house(Alarm.KEEPER_HOLDS, self._held_open(step.heat))
        events += self._proof(now_s)
        events += self._after_outage(step.records, now_s)
        events += self._take_alarms(step, now_s)
        out.journal.record(step.records, events)
        for event in events:
            self._tell(event)
        self._lessons.turn(now_s)
        run.board = run.board.take(step, now_s)
        self._keep_desk(now_s)
        out.service.status(self._line())

    def _feedback(self, now_s: float) -> dict[str, Feedback]:
        """What the keeper last said of each chamber's relays, where that is not too old."""
        status = self._out.keeper.status()
        if status is None or now_s - status.at_s > KEEPER_SILENT_S:
            return {}
        return {
            line.chamber: Feedback(line.closed, line.latched, line.probe_c, line.series_closed)
            for line in status.lines
        }

    def _after_outage(self, records: Sequence[Record], now_s: float) -> Sequence[Event]:
        """What an outage turns out to have done, as it becomes known."""
        if self._aftermath is None:
            return ()
        clock = self._out.clock
        wall_ms = clock.wall_ms() if clock.synchronised() else None
        self._aftermath, events = self._aftermath.follow(records, now_s, wall_ms)
        return events

    def _take_alarms(self, step: cycle.Step, now_s: float) -> Sequence[Event]:
        run = self._run
        run.desk, events = alarm_desk.take(
            run.desk,
            conditions(run.state, step.records, run.house)
            | self._seasonal.conditions(step.records, now_s)
            | self._contacts.conditions()
            | self._foresight.turn(step.records, now_s),
            now_s,
            self._out.clock.wall_ms(),
            latched=latched_chambers(run.state, self._out.keeper.status()),
            resting=resting(run.state),
        )
        return events

    def _desk_kept(self, config: Config) -> Desk:
        """The desk of the run before, or an empty one."""
        store, clock = self._out.desk, self._out.clock
        payload = None if store is None else store.load()
        if payload is None:
            return Desk()
        try:
            return alarm_memo.from_plain(
                payload, config.chambers, clock.monotonic_s(), clock.wall_ms()
            )
        except ValueError as error:
            _log.warning("what had been seen of the alarms is forgotten: %s", error)
            return Desk()

    def _keep_desk(self, now_s: float) -> None:
        """Have what people did about alarms kept over a restart, where it changed."""
        store, run = self._out.desk, self._run
        if store is None:
            return
        essence = alarm_memo.essence(run.desk)
        if essence != self._desk_saved:
            self._desk_saved = essence
            store.save(alarm_memo.to_plain(run.desk, now_s, self._out.clock.wall_ms()))
        failure = store.failure()
        if (failure is None) is not (self._desk_failure is None):
            self._say(Event(EventKind.LOG, now_s, None, failure or "seen alarms are kept again"))
        self._desk_failure = failure

    def _held_open(self, heat: frozenset[str]) -> str | None:
        """Why the keeper keeps relays open that have been asked to close for a minute in all."""
        status = self._out.keeper.status()
        told = []
        for line in () if status is None else status.lines:
            name = line.chamber
            if line.closed:
                self._held_open_s.pop(name, None)
            elif line.reason.startswith(CHECKING):
                continue  # a look of twelve minutes, which most often ends well
            elif name in heat and not line.latched:
                held_s = self._held_open_s.get(name, 0.0) + self._run.config.cycle_s
                self._held_open_s[name] = held_s
            if self._held_open_s.get(name, 0.0) > HELD_OPEN_S and not line.latched:
                told.append(f"{name} ({line.reason})")
        return ", ".join(told) if told else None

    def _latch(self, causes: Mapping[str, str], now_s: float) -> None:
        wall_ms = self._out.clock.wall_ms()
        for name, cause in causes.items():
            self._run.latched[name] = Latch(name, cause, wall_ms)
        self._save_latches(now_s)

    def _save_latches(self, now_s: float) -> None:
        run = self._run
        self._latch_tried_s = now_s
        try:
            self._out.latches.save(run.latched)
        except LatchError as error:
            if run.latched:
                self._out.latches.withdraw()
            run.state = replace(run.state, hold=str(error))
            self._set_house(Alarm.LATCH_UNWRITABLE, str(error))
            return
        if run.house.get(Alarm.LATCH_UNWRITABLE) is not None:
            run.state = replace(run.state, hold=None)
        self._set_house(Alarm.LATCH_UNWRITABLE, None)

    def _look_around(self, now_s: float) -> list[Event]:
        """Conditions of the house: keeper, log, supply, clock."""
        out = self._out
        status = out.keeper.status()
        silent = None
        if status is None:
            if now_s - self._run.board.started_s > KEEPER_SILENT_S:
                silent = "not since start; is it running?"
        elif now_s - status.at_s > KEEPER_SILENT_S:
            silent = "is it running?"
        self._set_house(Alarm.KEEPER_SILENT, silent)
        self._set_house(Alarm.KEEPER_LATCHED, _keeper_latched(status))
        unwritable = Alarm.LATCH_UNWRITABLE in self._run.house
        if unwritable and now_s - self._latch_tried_s >= LATCH_RETRY_S:
            self._save_latches(now_s)
        self._set_house(Alarm.LOG_FAILED, out.journal.failure())
        if out.power is not None:
            self._set_house(Alarm.UNDERVOLTAGE, out.power.undervoltage())
        return self._look_at_clock(now_s)

    def _look_at_clock(self, now_s: float) -> list[Event]:
        clock = self._out.clock
        wall_ms = clock.wall_ms()
        offset_ms = wall_ms - round(now_s * 1000)
        synchronised = clock.synchronised()
        first = self._clock_row_s is None
        stepped = not first and abs(offset_ms - self._clock_offset_ms) > CLOCK_STEP_MS
        due = (
            self._clock_row_s is None
            or stepped
            or synchronised is not self._synchronised
            or now_s - self._clock_row_s >= CLOCK_ROW_S
        )
        events = []
        if stepped:
            by_s = (offset_ms - self._clock_offset_ms) / 1000
            text = f"the wall clock was set by {by_s:+.0f} s; control is not affected"
            events.append(Event(EventKind.CLOCK_STEPPED, now_s, None, text, durable=True))
        if due:
            self._out.journal.note_clock(now_s, wall_ms, synchronised)
            self._clock_row_s, self._synchronised = now_s, synchronised
        # A slow drift is followed; only a step is told.
        self._clock_offset_ms = offset_ms
        return events

    def _proof(self, now_s: float) -> list[Event]:
        """Keep the outcome of a proving run that has just ended."""
        run = self._run.state.proving
        if run is None or not run.finished or self._run.proving_told:
            return []
        self._run.proving_told = True
        if run.proves(before=True) and not run.passed:
            return []  # broken off before anything had failed: it says nothing
        try:
            # A failed run takes an older proof away: something has been moved since.
            self._out.proof.save(fingerprint(self._run.config) if run.passed else "")
        except LatchError as error:
            return [Event(EventKind.PROVED, now_s, None, str(error), durable=True)]
        return []

    def _look_at_config(self, *, force: bool) -> None:
        change = self._out.source.poll(force=force)
        if change is None:
            return
        now_s = self._out.clock.monotonic_s()
        if change.config is not None:
            refused = self._wiring_refused(change.config)
            if refused is None:
                self._accept(change, change.config, now_s)
                return
            change = replace(change, config=None, problems=(refused,))
        text = "the config file is refused, the last accepted one stays: " + "; ".join(
            change.problems
        )
        self._say(Event(EventKind.CONFIG_REFUSED, now_s, None, text, durable=True))
        self._set_house(Alarm.CONFIG_REFUSED, "; ".join(change.problems))

    def _wiring_refused(self, config: Config) -> str | None:
        old = self._run.written
        if fingerprint(config) != fingerprint(old) or set(config.chambers) != set(old.chambers):
            return "its wiring (gpio, relay or probes) differs: restart the service, then prove"
        lower = [
            name
            for name, box in config.chambers.items()
            if box.limits.mat_c < old.chambers[name].limits.mat_c
        ]
        if lower:
            # Accepting it would leave the independent layer on the higher one, unsaid.
            return (
                f"a lower mat limit ({', '.join(lower)}) needs a restart: the keeper takes it then"
            )
        fixed = ("log", "run_folder", "w1_devices")
        changed = [key for key in fixed if getattr(config, key) != getattr(old, key)]
        if changed:
            return f"{', '.join(changed)} cannot change while it runs: restart the service"
        return None

    def _accept(self, change: ConfigChange, config: Config, now_s: float) -> None:
        old = self._run.written
        told = _differences(old, config) or "nothing that matters"
        if any(
            config.chambers[name].limits.mat_c != box.limits.mat_c
            for name, box in old.chambers.items()
        ):
            told += "; the keeper takes a higher mat limit when it is restarted"
        self._run.written = self._run.config = config
        try:
            self._out.source.accept(change)
        except ConfigError as error:
            told += f"; {error}"
        self._out.journal.note_config(change.text, change.checksum)
        self._say(
            Event(EventKind.CONFIG_ACCEPTED, now_s, None, f"config changed: {told}", durable=True)
        )
        self._seasonal.take_written(config)
        for alarm in (Alarm.CONFIG_REFUSED, Alarm.CONFIG_FALLBACK):
            self._set_house(alarm, None)

    def _set_house(self, alarm: Alarm, text: str | None) -> None:
        """Note that an alarm of the house stands, or with None that it does not."""
        if text is None:
            self._run.house.pop(alarm, None)
        else:
            self._run.house[alarm] = text

    def _say(self, event: Event) -> None:
        self._out.journal.record((), (event,))
        self._tell(event)

    def _tell(self, event: Event) -> None:
        where = "" if event.chamber is None else f"{event.chamber}: "
        level = logging.WARNING if event.alarm is not None else logging.INFO
        _log.log(level, "%s%s (%s)", where, event.text, event.kind.value)

    def handle(self, request: Mapping[str, Any]) -> Mapping[str, Any]:
        """Answer one request of the control socket; never raises on what a client may send."""
        return self._answers.handle(request)

    def _line(self) -> str:
        parts = []
        for record in self._run.board.records:
            estimate = record.estimate
            warmth = "not known" if estimate is None else f"{estimate.celsius:.1f} °C"
            parts.append(f"{record.chamber} {record.condition.value.lower()} {warmth}")
        alarms = sum(entry.machine.stands for entry in self._run.desk.entries.values())
        parts.append("no alarms" if not alarms else f"{alarms} alarms")
        return "; ".join(parts)


def _keeper_latched(status: KeeperStatus | None) -> str | None:
    if status is None:
        return None
    lines = [f"{line.chamber} ({line.reason})" for line in status.lines if line.latched]
    if not lines:
        return None
    return ", ".join(lines)


def _differences(old: Config, new: Config) -> str:
    """What changed between two configs, as "path: old -> new"; of addresses only that they did."""
    told: list[str] = []

    def walk(path: str, a: object, b: object) -> None:
        if isinstance(a, dict) and isinstance(b, dict):
            for key in [*a, *(k for k in b if k not in a)]:
                walk(f"{path}.{key}" if path else str(key), a.get(key), b.get(key))
        elif a != b:
            if path.startswith("alerts"):
                told.append(f"{path} changed")
            elif isinstance(a, dict) or isinstance(b, dict):
                told.append(f"{path} {'is new' if isinstance(b, dict) else 'is gone'}")
            else:
                told.append(f"{path}: {a} -> {b}")

    walk("", old.model_dump(by_alias=True), new.model_dump(by_alias=True))
    return ", ".join(told)
