"""The daemon's loop: read, cycle, latch, lease, record, tell the service manager.

It decides nothing; everything that can change what the heater does is in ``cycle``.  The order
within a turn is fixed: the lease goes out first because it can only open or renew, then a new latch
is made durable, then the rest is told.
"""

from __future__ import annotations

import logging
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

from bottomheat import cycle
from bottomheat.board import Board
from bottomheat.commission import proving
from bottomheat.config import Config
from bottomheat.config_wiring import fingerprint
from bottomheat.errors import ConfigError, LatchError
from bottomheat.model import Alarm, Event, EventKind
from bottomheat.ports import (
    Clock,
    ConfigChange,
    ConfigSource,
    ControlServer,
    Journal,
    KeeperLink,
    KeeperStatus,
    Latch,
    LatchStore,
    Lease,
    Probes,
    ProofStore,
    ServiceManager,
    Signals,
)
from bottomheat.words import ALARM_WORDS

KEEPER_SILENT_S = 30.0
CLOCK_STEP_MS = 2_000
CLOCK_ROW_S = 3600.0
LATCH_RETRY_S = 30.0
HELD_OPEN_S = 60.0
"""Heat asked for so long in all without the keeper closing the relay is told."""

_log = logging.getLogger("bottomheat")


@dataclass(frozen=True, slots=True)
class Outside:
    """Every port that the loop uses."""

    clock: Clock
    probes: Probes
    keeper: KeeperLink
    journal: Journal
    latches: LatchStore
    proof: ProofStore
    service: ServiceManager
    source: ConfigSource
    control: ControlServer
    signals: Signals


class Loop:
    """One run of the daemon."""

    def __init__(
        self,
        outside: Outside,
        config: Config,
        state: cycle.ControllerState,
        latched: Mapping[str, Latch],
        house: Mapping[Alarm, str],
    ) -> None:
        """Start from a checked config, the first state, the latches read, and alarms at start."""
        self._out = outside
        self._config = config
        self._state = state
        self._latched = dict(latched)
        self._house = dict(house)
        now_s = outside.clock.monotonic_s()
        self._board = Board(started_s=now_s)
        self._reset: set[str] = set()
        self._latch_tried_s = now_s
        self._held_open_s: dict[str, float] = {}
        self._clock_row_s: float | None = None
        self._clock_offset_ms = 0
        self._synchronised = False
        self._proving_told = True

    def run(self) -> None:
        """Cycle until asked to stop; the lease is withdrawn on every way out."""
        out = self._out
        next_s = out.clock.monotonic_s()
        ready = False
        self._say(Event(EventKind.STARTED, next_s, None, "service started", durable=True))
        for alarm, text in self._house.items():
            self._say(Event(EventKind.ALARM_RAISED, next_s, None, text, alarm, durable=True))
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
        now_s = out.clock.monotonic_s()
        self._say(
            Event(EventKind.STOPPED, now_s, None, "service stopped, relay open", durable=True)
        )

    def _next(self, last_s: float) -> float:
        """The next cycle's time on a fixed grid, so that cycle times do not drift."""
        period_s = self._config.cycle_s
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
        step = cycle.advance(self._state, readings, now_s, self._config)
        self._state = step.state
        reset = frozenset(self._reset)
        if out.keeper.send(Lease(now_s, step.heat, reset)):
            self._reset -= reset
        events = list(step.events)
        if step.latched:
            events += self._latch(step.latched, now_s)
        events += self._look_around(now_s)
        events += self._set_house(Alarm.KEEPER_HOLDS, self._held_open(step.heat), now_s)
        events += self._proof(now_s)
        out.journal.record(step.records, events)
        for event in events:
            self._tell(event)
        self._board = self._board.take(step, self._house, now_s)
        out.service.status(self._line())

    def _held_open(self, heat: frozenset[str]) -> str | None:
        """Why the keeper keeps relays open that have been asked to close for a minute in all."""
        status = self._out.keeper.status()
        told = []
        for line in () if status is None else status.lines:
            name = line.chamber
            if line.closed:
                self._held_open_s.pop(name, None)
            elif name in heat and not line.latched:
                held_s = self._held_open_s.get(name, 0.0) + self._config.cycle_s
                self._held_open_s[name] = held_s
            if self._held_open_s.get(name, 0.0) > HELD_OPEN_S and not line.latched:
                told.append(f"{name} ({line.reason})")
        return f"the keeper holds the relay open: {', '.join(told)}" if told else None

    def _latch(self, causes: Mapping[str, str], now_s: float) -> list[Event]:
        wall_ms = self._out.clock.wall_ms()
        for name, cause in causes.items():
            self._latched[name] = Latch(name, cause, wall_ms)
        return self._save_latches(now_s)

    def _save_latches(self, now_s: float) -> list[Event]:
        self._latch_tried_s = now_s
        try:
            self._out.latches.save(self._latched)
        except LatchError as error:
            if self._latched:
                self._out.latches.withdraw()
            self._state = replace(self._state, hold=str(error))
            return self._set_house(Alarm.LATCH_UNWRITABLE, str(error), now_s)
        if self._house.get(Alarm.LATCH_UNWRITABLE) is not None:
            self._state = replace(self._state, hold=None)
        return self._set_house(Alarm.LATCH_UNWRITABLE, None, now_s)

    def _look_around(self, now_s: float) -> list[Event]:
        """Conditions of the house: keeper, log, clock."""
        out = self._out
        events: list[Event] = []
        status = out.keeper.status()
        silent = None
        if status is None:
            if now_s - self._board.started_s > KEEPER_SILENT_S:
                silent = "the keeper has not answered since start: no heat; is it running?"
        elif now_s - status.at_s > KEEPER_SILENT_S:
            silent = "the keeper does not answer: no heat; is it running?"
        events += self._set_house(Alarm.KEEPER_SILENT, silent, now_s)
        events += self._set_house(Alarm.KEEPER_LATCHED, _keeper_latched(status), now_s)
        unwritable = Alarm.LATCH_UNWRITABLE in self._house
        if unwritable and now_s - self._latch_tried_s >= LATCH_RETRY_S:
            events += self._save_latches(now_s)
        failure = out.journal.failure()
        events += self._set_house(Alarm.LOG_FAILED, failure, now_s)
        events += self._look_at_clock(now_s)
        return events

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
        run = self._state.proving
        if run is None or not run.finished or self._proving_told:
            return []
        self._proving_told = True
        if run.proves(before=True) and not run.passed:
            return []  # broken off before anything had failed: it says nothing
        try:
            # A failed run takes an older proof away: something has been moved since.
            self._out.proof.save(fingerprint(self._config) if run.passed else "")
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
        for event in self._set_house(Alarm.CONFIG_REFUSED, text, now_s):
            self._say(event)

    def _wiring_refused(self, config: Config) -> str | None:
        old = self._config
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
        told = _differences(self._config, config) or "nothing that matters"
        if any(
            config.chambers[name].limits.mat_c != old.limits.mat_c
            for name, old in self._config.chambers.items()
        ):
            told += "; the keeper takes a higher mat limit when it is restarted"
        self._config = config
        try:
            self._out.source.accept(change)
        except ConfigError as error:
            told += f"; {error}"
        self._out.journal.note_config(change.text, change.checksum)
        self._say(
            Event(EventKind.CONFIG_ACCEPTED, now_s, None, f"config changed: {told}", durable=True)
        )
        for alarm in (Alarm.CONFIG_REFUSED, Alarm.CONFIG_FALLBACK):
            for event in self._set_house(alarm, None, now_s):
                self._say(event)

    def _set_house(self, alarm: Alarm, text: str | None, now_s: float) -> list[Event]:
        old = self._house.get(alarm)
        if text is None:
            if old is None:
                return []
            del self._house[alarm]
            return [Event(EventKind.ALARM_CLEARED, now_s, None, old, alarm, durable=True)]
        self._house[alarm] = text
        if old is not None:
            return []
        return [Event(EventKind.ALARM_RAISED, now_s, None, text, alarm, durable=True)]

    def _say(self, event: Event) -> None:
        self._out.journal.record((), (event,))
        self._tell(event)

    def _tell(self, event: Event) -> None:
        where = "" if event.chamber is None else f"{event.chamber}: "
        level = logging.WARNING if event.alarm is not None else logging.INFO
        _log.log(level, "%s%s (%s)", where, event.text, event.kind.value)

    def _line(self) -> str:
        parts = []
        for record in self._board.records:
            estimate = record.estimate
            warmth = "not known" if estimate is None else f"{estimate.celsius:.1f} °C"
            parts.append(f"{record.chamber} {record.condition.value.lower()} {warmth}")
        alarms = len(self._board.alarm_since_s)
        parts.append("no alarms" if not alarms else f"{alarms} alarms")
        return "; ".join(parts)

    def handle(self, request: Mapping[str, Any]) -> Mapping[str, Any]:
        """Answer one request of the control socket; never raises on what a client may send."""
        match request.get("do"):
            case "ping":
                return {"ok": True}
            case "status":
                return {"ok": True, **self._status()}
            case "reset":
                return self._do_reset(request.get("chamber"), confirmed=request.get("confirmed"))
            case "prove":
                return self._do_prove()
            case "prove-stop":
                return self._do_prove_stop()
            case "proving":
                return self._do_proving()
            case _:
                return {
                    "ok": False,
                    "error": "unknown request: is this command as new as the service?",
                }

    def _status(self) -> dict[str, Any]:
        out = self._out
        now_s = out.clock.monotonic_s()
        answer = self._board.answer(
            self._state, self._config, out.keeper.status(), now_s, ALARM_WORDS
        )
        status = out.keeper.status()
        answer["keeper_pid"] = None if status is None else status.pid
        answer["wall_ms"] = out.clock.wall_ms()
        answer["synchronised"] = out.clock.synchronised()
        answer["coldest_room_c"] = self._config.coldest_room_c
        return answer

    def _do_reset(self, name: object, *, confirmed: object) -> dict[str, Any]:
        if not isinstance(name, str) or name not in self._state.chambers:
            known = ", ".join(self._state.chambers)
            return {"ok": False, "error": f"no such chamber; there are: {known}"}
        chamber = self._state.chambers[name]
        cause = chamber.cutoff.latched
        status = self._out.keeper.status()
        line = None if status is None else status.line(name)
        keeper_latched = line is not None and line.latched
        new, cleared, lines = cycle.reset_cutoff(self._state, name, self._config)
        answer: dict[str, Any] = {
            "chamber": name,
            "latched": cause,
            "keeper_latched": line.reason if line is not None and keeper_latched else None,
            "since_ms": self._latched[name].wall_ms if name in self._latched else None,
            "proof": list(lines),
            "fit": cleared,
        }
        if cause is None and not keeper_latched:
            return {"ok": True, "done": False, **answer}
        if not cleared:
            return {"ok": False, "error": "the cause is not gone", **answer}
        if confirmed is not True:
            return {"ok": True, "done": False, **answer}
        now_s = self._out.clock.monotonic_s()
        kept = {key: latch for key, latch in self._latched.items() if key != name}
        try:
            self._out.latches.save(kept)
        except LatchError as error:
            return {"ok": False, "error": str(error), **answer}
        self._latched = kept
        self._state = new
        self._reset.add(name)
        text = f"cutoff reset by hand; it was: {cause or 'the keeper alone had latched'}"
        self._say(Event(EventKind.RESET, now_s, name, text, durable=True))
        return {"ok": True, "done": True, **answer}

    def _do_prove(self) -> dict[str, Any]:
        state = self._state
        if state.proving is not None and not state.proving.finished:
            return {"ok": False, "error": "proving is already under way"}
        latched = [n for n, c in state.chambers.items() if c.cutoff.latched is not None]
        if latched:
            return {"ok": False, "error": f"{', '.join(latched)} is cut out: reset it first"}
        self._state = replace(state, proving=proving.begin(tuple(state.chambers)))
        self._proving_told = False
        return {"ok": True}

    def _do_prove_stop(self) -> dict[str, Any]:
        run = self._state.proving
        if run is not None and not run.finished:
            stopped = replace(run, cancelled="stopped by hand")
            self._state = replace(self._state, proving=stopped)
            now_s = self._out.clock.monotonic_s()
            self._say(Event(EventKind.PROVED, now_s, None, stopped.summary, durable=True))
        return {"ok": True}

    def _do_proving(self) -> dict[str, Any]:
        run = self._state.proving
        if run is None:
            return {"ok": True, "finished": True, "passed": self._state.proved, "chambers": []}
        under = run.waiting[0] if run.waiting else None
        no_heat = None if under is None else self._state.chambers[under].no_heat
        return {
            "ok": True,
            "finished": run.finished,
            "passed": run.passed,
            "summary": run.summary,
            "under_test": under,
            "phase": run.phase.value,
            "no_heat": no_heat,
            "rises": {
                f"{chamber} {place.value}": rise for (chamber, place), rise in run.peak.items()
            },
            "chambers": [
                {"chamber": v.chamber, "passed": v.passed, "lines": list(v.lines)}
                for v in run.verdicts
            ],
        }


def _keeper_latched(status: KeeperStatus | None) -> str | None:
    if status is None:
        return None
    lines = [f"{line.chamber} ({line.reason})" for line in status.lines if line.latched]
    if not lines:
        return None
    return f"the keeper has cut the heat and stays so until reset: {', '.join(lines)}"


def _differences(old: Config, new: Config) -> str:
    """What changed between two configs, as "path: old -> new"."""
    told: list[str] = []

    def walk(path: str, a: object, b: object) -> None:
        if isinstance(a, dict) and isinstance(b, dict):
            for key in [*a, *(k for k in b if k not in a)]:
                walk(f"{path}.{key}" if path else str(key), a.get(key), b.get(key))
        elif a != b:
            told.append(f"{path}: {a} -> {b}")

    walk("", old.model_dump(by_alias=True), new.model_dump(by_alias=True))
    return ", ".join(told)
