"""A shed in which the whole daemon runs, in accelerated time: boxes, probes, relays and its ports.

The daemon is the real one, with its loop, its log and its answers to commands; only what it touches
is calculated.  ``Script`` is what people and the power company do, from one turn to the next.

The keeper obeys here and does nothing else: its faults have rehearsals of their own
(``rehearse_world``).
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from typing import Protocol

from bottomheat.chamber import Chamber, Lid
from bottomheat.config import Config
from bottomheat.ports import (
    ConfigChange,
    Handler,
    KeeperStatus,
    Lease,
    LineStatus,
)
from bottomheat_drivers.clock import ManualClock
from bottomheat_drivers.simulated import SimulatedProbes

HOUR_S = 3600.0
DAY_S = 86_400.0
LONGEST_STEP_S = 60.0
"""The boxes move on by no more than this at once, so that the probes' lag stays right, s."""


class ShedBox:
    """One box: empty and as warm as the shed, or filled and calculated."""

    def __init__(self) -> None:
        self._model: Chamber | None = None
        self._room_c = 0.0

    @property
    def filled(self) -> bool:
        """Whether there is a wet layer with bags on it."""
        return self._model is not None

    def fill(self) -> None:
        """Lay a fresh wet layer and bags, all as warm as the shed."""
        self._model = Chamber()
        self._model.advance(0.0, 0.0, self._room_c)

    def clear(self) -> None:
        """Take everything out."""
        self._model = None

    def open_lid(self, state: Lid) -> None:
        """Lay the lid, where there is anything to cover."""
        if self._model is not None:
            self._model.open_lid(state)

    def place_bags(self, mass_kg: float, celsius: float) -> None:
        """Put bags in, where there is a layer to put them on."""
        if self._model is not None:
            self._model.place_bags(mass_kg, celsius)

    def advance(self, seconds: float, heater_watts: float, room_c: float) -> None:
        """Go on by ``seconds`` with constant power, W, and room, °C."""
        self._room_c = room_c
        if self._model is not None:
            self._model.advance(seconds, heater_watts, room_c)

    def temperature(self, place: str) -> float:
        """Temperature now, °C."""
        return self._room_c if self._model is None else self._model.temperature(place)


class Shed:
    """Boxes, probes and relays in a room; time goes on when ``to`` is called.

    Args:
        config: whose chambers they are.
        room_c: room in °C at a time in h from the start.
        seed: of the probes' noise.
    """

    def __init__(self, config: Config, room_c: Callable[[float], float], seed: int) -> None:
        self.boxes = {name: ShedBox() for name in config.chambers}
        self.now_s = 0.0
        """Time from the start, s."""
        self.lit = frozenset[str]()
        """Boxes whose heat relay is closed."""
        self.closings = dict.fromkeys(self.boxes, 0)
        self.on_day: Callable[[float], None] | None = None
        """Told the days done, once each."""
        self._room_c = room_c
        self._watts = {name: chamber.heater.watts for name, chamber in config.chambers.items()}
        places = {name: tuple(c.probes.by_place()) for name, c in config.chambers.items()}
        self.probes = SimulatedProbes(self.boxes, places, seed)
        self._move(0.0)

    def to(self, at_s: float) -> None:
        """Let time go on to ``at_s`` s from the start."""
        while self.now_s < at_s:
            self._move(
                min(LONGEST_STEP_S, at_s - self.now_s) if self._anything else at_s - self.now_s
            )

    def heat(self, lit: Iterable[str]) -> None:
        """Close these relays and open all others."""
        now = frozenset(lit)
        for name in now - self.lit:
            self.closings[name] += 1
        self.lit = now

    @property
    def _anything(self) -> bool:
        return any(box.filled for box in self.boxes.values())

    def _move(self, seconds: float) -> None:
        room_c = self._room_c(self.now_s / HOUR_S)
        for name, box in self.boxes.items():
            box.advance(seconds, self._watts[name] if name in self.lit else 0.0, room_c)
        before_s, self.now_s = self.now_s, self.now_s + seconds
        self.probes.advance(seconds)
        if self.on_day is not None and self.now_s // DAY_S > before_s // DAY_S:
            self.on_day(self.now_s // DAY_S)


class PowerCutError(Exception):
    """The mains went: nothing of what ran then goes on."""


class Script(Protocol):
    """What happens between two turns of the daemon."""

    def act(self, handler: Handler) -> None:
        """Do what is due by now.

        Raises:
            PowerCutError: the mains go.
        """
        ...

    def due_s(self) -> float:
        """When it next wants to act, s from the start."""
        ...


class ShedControl:
    """The control socket: time goes on here, and the script's commands come in here."""

    def __init__(self, shed: Shed, clock: ManualClock, script: Script) -> None:
        self._shed = shed
        self._clock = clock
        self._script = script

    def serve_until(self, deadline_s: float, handler: Handler) -> bool:
        """Let time go on to the deadline; commands come when they are due."""
        began_s = self._shed.now_s - self._clock.monotonic_s()
        until_s = began_s + deadline_s
        while (due_s := self._script.due_s()) <= until_s:
            self._shed.to(due_s)
            self._clock.set(max(self._clock.monotonic_s(), due_s - began_s))
            self._script.act(handler)
        self._shed.to(until_s)
        self._clock.set(deadline_s)
        return False

    def close(self) -> None:
        """Nothing to close."""


class ShedKeeper:
    """A keeper that closes and opens the relays as the daemon says."""

    def __init__(self, shed: Shed, clock: ManualClock) -> None:
        self._shed = shed
        self._clock = clock
        self._status: KeeperStatus | None = None

    def send(self, lease: Lease) -> bool:
        """Do what the lease says."""
        self._shed.heat(lease.heat)
        self._status = None
        return True

    def status(self) -> KeeperStatus | None:
        """What the relays do."""
        now_s = self._clock.monotonic_s()
        if self._status is None or self._status.at_s != now_s:
            lines = tuple(
                LineStatus(name, name in self._shed.lit, closings, False, "", None, None)
                for name, closings in self._shed.closings.items()
            )
            self._status = KeeperStatus(now_s, 1, lines)
        return self._status

    def close(self) -> None:
        """Open every relay."""
        self._shed.heat(())


class ShedProof:
    """The wiring counts as proved."""

    def matches(self, fingerprint: str) -> bool:
        """Yes."""
        return bool(fingerprint)

    def save(self, fingerprint: str) -> None:
        """Nothing to keep."""


class ShedService:
    """No service manager listens."""

    def ready(self) -> None:
        """Nobody waits for it."""

    def status(self, line: str) -> None:
        """Nobody reads it."""

    def alive(self) -> None:
        """Nobody watches."""

    def reloading(self, monotonic_s: float) -> None:
        """Nobody asks."""

    def stopping(self) -> None:
        """Nobody waits for it."""


class ShedConfig:
    """The config file: what the script writes there."""

    def __init__(self, note: Callable[[str, str], None]) -> None:
        self._note = note
        self._waiting: ConfigChange | None = None

    def write(self, change: ConfigChange) -> None:
        """Change the file."""
        self._waiting = change

    def poll(self, *, force: bool = False) -> ConfigChange | None:
        """What was written since the last call."""
        del force
        change, self._waiting = self._waiting, None
        return change

    def accept(self, change: ConfigChange) -> None:
        """Keep the text in the log."""
        self._note(change.text, change.checksum)


class ShedSignals:
    """Told to stop by the script."""

    def __init__(self) -> None:
        self.stop_requested = False

    def take_reload(self) -> bool:
        """Nobody sends a signal."""
        return False
