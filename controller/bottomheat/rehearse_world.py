"""Chambers, probes, relays, daemon and keeper of a rehearsal, moved on one cycle at a time.

Each cycle: the chambers move on by one cycle with the heat of the cycle before, the probes follow,
``cycle.advance`` decides, its lease goes to ``keeper.decide``, and heat flows only where the
keeper's relay (and the series relay, where there is one) is closed.

A world can be copied (``copy.deepcopy``), cheaply: what never changes is shared.  So a fault-free
twin and any number of faulted runs start from one warmed-up world.  No clock, no file, no driver:
what touches those is handed in.
"""

from __future__ import annotations

import copy
import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final, Protocol

from bottomheat import cycle, drift, drift_words, keeper
from bottomheat.alarm_words import sentence
from bottomheat.config import ChamberConfig, Config
from bottomheat.foresight import Boxes
from bottomheat.keeper import KeeperLine, KeeperState
from bottomheat.keeper_weld import CHECKING
from bottomheat.loop import HELD_OPEN_S, KEEPER_SILENT_S
from bottomheat.model import Alarm, Event, EventKind, Feedback, Place, Raw, Record
from bottomheat.ports import Lease, Relay
from bottomheat.rehearse_card import Card
from bottomheat.rehearse_models import GuardedModel
from bottomheat.restart import restarted

HOUR_S: Final = 3600.0

KEEPER_STEP_S: Final = 10.0
"""The keeper looks at least this often within a cycle, s: half its lease, so that in a long cycle
the lease runs out as it would in earnest."""

KEEPER_WATCHDOG_S: Final = 10.0
"""A keeper that hangs is killed by the service manager after so long, and its lines opened, s."""

DAEMON_SILENT_S: Final = 300.0
"""The alerts service says that the daemon is silent after so long, s."""


class Instruments(Protocol):
    """Simulated probes of all chambers."""

    def advance(self, dt_s: float) -> None:
        """Let every probe follow its surroundings for ``dt_s`` seconds."""
        ...

    def read_all(self, now_s: float) -> Mapping[str, Mapping[Place, Raw]]:
        """Read every probe, stamped ``now_s``; never raises."""
        ...


class Contact(Relay, Protocol):
    """A simulated relay, of which the rehearsal knows the contact as well as the line."""

    @property
    def contact_closed(self) -> bool:
        """Whether the contact is closed in truth."""
        ...


@dataclass(frozen=True, slots=True)
class Stand:
    """One chamber's part of the rehearsal: the model and its relays, which arrive open."""

    model: GuardedModel
    heat: Contact
    series: Contact | None = None

    @property
    def heated(self) -> bool:
        """Whether heat flows: every contact in the line is closed."""
        return self.heat.contact_closed and (self.series is None or self.series.contact_closed)


class World:
    """Everything of a rehearsal; the wiring counts as proved.

    Args:
        config: the accepted config.
        lines: the keeper's wiring of that config.
        stands: model and relays of every chamber of the config.
        probes: the daemon's probes, on the same models.
        keeper_probes: the keeper's own, likewise, on the mat.
        room_c: room in °C at a time in h from the start, for all chambers.
    """

    def __init__(
        self,
        config: Config,
        lines: Sequence[KeeperLine],
        stands: Mapping[str, Stand],
        probes: Instruments,
        keeper_probes: Instruments,
        room_c: Callable[[float], float],
    ) -> None:
        self.config = config
        self.lines = tuple(lines)
        self.stands = dict(stands)
        self.probes = probes
        self.keeper_probes = keeper_probes
        self.room_c = room_c
        self.cycles = 0
        """Cycles done."""
        self.state = cycle.start(config, {}, proved=True)
        """What the daemon carries from cycle to cycle."""
        self.records: tuple[Record, ...] = ()
        """Rows of the last cycle; none while no daemon runs."""
        self.heated_s = dict.fromkeys(stands, 0.0)
        """How long power went into each mat in the last cycle, s."""
        # What a fault may change.
        self.room_shift_k = 0.0
        """Added to the room, K."""
        self.cold_c: float | None = None
        """A cold night's room, °C; None: there is none."""
        self.cold_share = 0.0
        """How far the room has gone towards that, 0...1, where it is warmer."""
        self.feeds = {name: name for name in stands}
        """Whose relays feed each mat."""
        self.mat_share = dict.fromkeys(stands, 1.0)
        """Share of its rated power that each mat takes, 0...1."""
        self._watts = {name: chamber.heater.watts for name, chamber in config.chambers.items()}
        self._boxes = Boxes()
        self._warned: dict[str, str] = {}  # the boxes that a night is foretold for
        self._card = Card()
        self._kept = KeeperState()
        self._lease: Lease | None = None
        self._latched: dict[str, str] = {}  # what the daemon's latch file holds
        self._feedback: dict[str, Feedback] = {}
        self._reasons: dict[str, str] = {}
        self._held_open_s: dict[str, float] = {}
        self._house: dict[Alarm, str] = {}
        self._power = True
        self._daemon_since_s: float | None = None  # hung since
        self._keeper_since_s: float | None = None

    def __deepcopy__(self, memo: dict[int, Any]) -> World:
        twin = object.__new__(type(self))
        memo[id(self)] = twin
        # None of these ever changes.
        for shared in (
            self.config,
            self.lines,
            self.room_c,
            self.state,
            self.records,
            self._card,
            self._kept,
            self._lease,
        ):
            memo[id(shared)] = shared
        twin.__dict__.update(copy.deepcopy(self.__dict__, memo))
        return twin

    @property
    def now_s(self) -> float:
        """Time from the start, s."""
        return self.cycles * self.config.cycle_s

    @property
    def powered(self) -> bool:
        """Whether the mains are on."""
        return self._power

    @property
    def latched(self) -> frozenset[str]:
        """Chambers whose cutoff is latched, by the daemon or by the keeper."""
        return frozenset(self._latched) | frozenset(self._kept.latched)

    @property
    def warned(self) -> frozenset[str]:
        """Boxes for which a cold night is foretold."""
        return frozenset(self._warned)

    def watts(self, name: str) -> float:
        """Power that the mat of a box takes while it is fed, W."""
        return self._watts[name] * self.mat_share[name]

    def truth(self, name: str, places: Sequence[str]) -> dict[str, float]:
        """True temperatures in a box, °C."""
        model = self.stands[name].model
        return {place: model.temperature(place) for place in places}

    def step(self) -> tuple[Event, ...]:
        """Move on by one cycle; returns what daemon, keeper and house said.

        Raises:
            InputError: a chamber failed.
        """
        cycle_s = self.config.cycle_s
        start_s = self.now_s
        looks = max(1, math.ceil(cycle_s / KEEPER_STEP_S))
        look_s = cycle_s / looks
        heated_s = dict.fromkeys(self.stands, 0.0)
        events: list[Event] = []
        for look in range(looks):
            look_at_s = start_s + look * look_s
            if look:  # the first look of a cycle came with its lease
                events += self._keep(look_at_s)
            self._warm(look_at_s, look_s, heated_s)
            if self.cycles == 0 and look == 0:
                self._require_places()
            self.probes.advance(look_s)
            self.keeper_probes.advance(look_s)
        self.cycles += 1
        now_s = self.now_s
        self.heated_s = heated_s
        if self._power and self._daemon_since_s is None:
            readings = self.probes.read_all(now_s)
            step = cycle.advance(self.state, readings, now_s, self.config, self._heard(now_s))
            self.state, self.records = step.state, step.records
            self._latched.update(step.latched)
            self._lease = Lease(now_s, step.heat, open_series=step.open_series)
            events += step.events
            events += self._keep(now_s)
            events += self._held_open(step.heat, now_s)
            events += self._foretold(now_s)
            self._card = self._card.kept(step.records, self._boxes, now_s)
        else:
            self.records = ()
            events += self._keep(now_s)
        return (*events, *self._silences(now_s))

    def cut_power(self) -> None:
        """Cut the mains: no heat, no daemon, no keeper, every line open."""
        self._power = False
        self._open_lines()

    def restore_power(self) -> None:
        """Give the mains back: daemon and keeper start afresh from their files and the log."""
        self._power = True
        self._daemon_since_s = self._keeper_since_s = None
        self._card, past, start = self._card.booted(self.state, self.now_s)
        self.state = restarted(self.config, self._latched, past, start, proved=True)
        self._boxes = self._card.boxes(self.config.chambers)
        self._kept = KeeperState(latched=self._kept.latched)
        self._lease = None
        self._feedback.clear()
        self._held_open_s.clear()

    def hang_daemon(self) -> None:
        """Stop the daemon where it stands: no lease goes out any more."""
        self._daemon_since_s = self.now_s

    def wake_daemon(self) -> None:
        """Let the daemon go on where it stood."""
        self._daemon_since_s = None

    def hang_keeper(self) -> None:
        """Stop the keeper where it stands; the service manager kills it, which opens its lines."""
        self._keeper_since_s = self.now_s

    def restart_keeper(self) -> None:
        """Start the keeper afresh from its latch file."""
        self._keeper_since_s = None
        self._kept = KeeperState(latched=self._kept.latched)

    def _warm(self, at_s: float, seconds: float, heated_s: dict[str, float]) -> None:
        room_c = self.room_c(at_s / HOUR_S) + self.room_shift_k
        if self.cold_c is not None and self.cold_c < room_c:
            room_c += self.cold_share * (self.cold_c - room_c)
        for name, stand in self.stands.items():
            watts = self.watts(name)
            heated = self._power and watts > 0.0 and self.stands[self.feeds[name]].heated
            stand.model.advance(seconds, watts if heated else 0.0, room_c)
            if heated:
                heated_s[name] += seconds

    def _keep(self, now_s: float) -> tuple[Event, ...]:
        """One look of the keeper, and what it does to the relays."""
        if not self._power:
            return ()
        if self._keeper_since_s is not None:
            if now_s - self._keeper_since_s >= KEEPER_WATCHDOG_S:
                self._open_lines()
            return ()
        readings = {
            chamber: places[Place.MAT]
            for chamber, places in self.keeper_probes.read_all(now_s).items()
            if Place.MAT in places
        }
        decision = keeper.decide(self._kept, self._lease, readings, now_s, self.lines)
        self._kept = decision.state
        for command in decision.commands:
            name = command.chamber
            stand = self.stands[name]
            stand.heat.set(command.heat)
            if stand.series is not None:
                stand.series.set(command.series is True)
            self._feedback[name] = Feedback(
                command.heat, command.latched, command.probe_c, command.series
            )
            self._reasons[name] = command.reason
        return decision.events

    def _open_lines(self) -> None:
        for stand in self.stands.values():
            stand.heat.set(False)
            if stand.series is not None:
                stand.series.set(False)

    def _heard(self, now_s: float) -> Mapping[str, Feedback]:
        """What the daemon last heard of the keeper, unless that is too long ago."""
        return {} if self._keeper_silent(now_s) else dict(self._feedback)

    def _keeper_silent(self, now_s: float) -> bool:
        since_s = self._keeper_since_s
        return since_s is not None and now_s - since_s > KEEPER_SILENT_S

    def _held_open(self, heat: frozenset[str], now_s: float) -> list[Event]:
        """What the daemon's shell says of heat that is asked for and not given."""
        told = []
        for name, line in self._feedback.items():
            if line.closed:
                self._held_open_s.pop(name, None)
            elif self._reasons[name].startswith(CHECKING):
                continue
            elif name in heat and not line.latched:
                held_s = self._held_open_s.get(name, 0.0) + self.config.cycle_s
                self._held_open_s[name] = held_s
            if self._held_open_s.get(name, 0.0) > HELD_OPEN_S and not line.latched:
                told.append(f"{name} ({self._reasons[name]})")
        text = f"the keeper holds the relay open: {', '.join(told)}" if told else None
        return self._say_house(Alarm.KEEPER_HOLDS, text, now_s)

    def _foretold(self, now_s: float) -> list[Event]:
        """What the daemon's foresight says, as it would tell it."""
        stands, changes = self._boxes.turn(
            self.records, self.config, self.state, self._house, now_s
        )
        events = []
        for each in changes:
            ago = each.hour.number // drift.DAY_H - each.change.since_day
            text = drift_words.words(each.change, f"{ago} days ago")
            events.append(Event(EventKind.DIAGNOSED, now_s, each.chamber, text, durable=True))
        for name in self.stands:
            detail, kind = stands.get((name, Alarm.TONIGHT)), EventKind.ALARM_RAISED
            if (detail is not None) is (name in self._warned):
                continue
            if detail is None:
                text, kind = self._warned.pop(name), EventKind.ALARM_CLEARED
            else:
                text = self._warned[name] = sentence(Alarm.TONIGHT, detail)
            events.append(Event(kind, now_s, name, text, Alarm.TONIGHT, durable=True))
        return events

    def _silences(self, now_s: float) -> list[Event]:
        """What daemon and alerts service say of each other's and the keeper's silence."""
        if not self._power:
            return []
        since_s = self._daemon_since_s
        daemon = since_s is not None and now_s - since_s > DAEMON_SILENT_S
        keeper_silent = since_s is None and self._keeper_silent(now_s)
        return [
            *self._say_house(
                Alarm.DAEMON_SILENT, "the controller is silent: no heat" if daemon else None, now_s
            ),
            *self._say_house(
                Alarm.KEEPER_SILENT,
                "the keeper does not answer: no heat" if keeper_silent else None,
                now_s,
            ),
        ]

    def _say_house(self, alarm: Alarm, text: str | None, now_s: float) -> list[Event]:
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

    def _require_places(self) -> None:
        for name, chamber in self.config.chambers.items():
            model = self.stands[name].model
            for place in scored_places(chamber):
                if place == Place.TOP.value:
                    model.require(
                        place, f"the config has a probe in the air at the buds (top) of {name}"
                    )
                else:
                    model.temperature(place)


def scored_places(chamber: ChamberConfig) -> tuple[str, ...]:
    """Places of a box whose true temperature a rehearsal scores."""
    places = (Place.SUBSTRATE, Place.CALLUS, Place.MAT, Place.ROOM)
    top = (Place.TOP,) if chamber.probes.top is not None else ()
    return tuple(place.value for place in (*places, *top))
