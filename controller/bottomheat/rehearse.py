"""The real controller on simulated chambers, in accelerated time.

Each cycle: the chambers move on by one cycle with the heat of the cycle before, the probes follow,
``cycle.advance`` decides, its lease goes to ``keeper.decide``, and heat flows only where the
keeper's relay (and the series relay, where there is one) is closed.  The controller sees readings
of the probes that the config names and nothing else; the score sees the truth.

No clock, no file, no driver: what touches those is handed in.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Protocol

from bottomheat import cycle, keeper
from bottomheat.config import ChamberConfig, Config
from bottomheat.errors import InputError
from bottomheat.keeper import KeeperLine, KeeperState
from bottomheat.model import Alarm, Event, EventKind, Place, Raw
from bottomheat.ports import Journal, Lease, Relay
from bottomheat.score import DAY_S, HOUR_S, Score, Scorer

LONGEST_DAYS = 400.0
KEEPER_STEP_S = 10.0
"""The keeper looks at least this often within a cycle, s: half its lease, so that in a long cycle
the lease runs out as it would in earnest."""

TRACE_POINTS = 1500
KEPT_NOTES = 200


class ChamberModel(Protocol):
    """Anything that warms and cools like a chamber."""

    def advance(self, seconds: float, heater_watts: float, room_c: float) -> None:
        """Go on with power and room held; the first call tells it the room it starts from."""
        ...

    def temperature(self, place: str) -> float:
        """Temperature now, °C, at "substrate", "callus", "mat" or "room", and perhaps "top"."""
        ...


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


class GuardedModel:
    """A chamber of whoever's making, watched: it fails in one clear sentence.

    Each place is read once a step at most.

    Args:
        model: the chamber.
        label: what to call it in a sentence.
    """

    def __init__(self, model: ChamberModel, label: str) -> None:
        self._model = model
        self._label = label
        self._read: dict[str, float] = {}

    def advance(self, seconds: float, heater_watts: float, room_c: float) -> None:
        """Go on.

        Raises:
            InputError: the chamber failed.
        """
        self._read.clear()
        try:
            self._model.advance(seconds, heater_watts, room_c)
        except (Exception, SystemExit) as error:
            raise InputError(
                f"the chamber {self._label} failed in advance({seconds:g}, {heater_watts:g}, "
                f"{room_c:g}) with {_said(error)}; put the chamber right."
            ) from error

    def temperature(self, place: str) -> float:
        """Read a place, °C.

        Raises:
            InputError: the chamber does not know the place, failed, or gave no finite number.
        """
        known = self._read.get(place)
        if known is not None:
            return known
        try:
            celsius = float(self._model.temperature(place))
        except (Exception, SystemExit) as error:
            raise InputError(
                f"the chamber {self._label} gives no temperature for {place!r}: it failed with "
                f"{_said(error)}; every chamber knows substrate, callus, mat and room."
            ) from error
        if not math.isfinite(celsius):
            raise InputError(
                f"the chamber {self._label} gives {celsius} °C for {place!r}; put the chamber "
                "right, it has to give finite numbers."
            )
        self._read[place] = celsius
        return celsius

    def require(self, place: str, why: str) -> None:
        """Ask for a place that not every chamber knows.

        Raises:
            InputError: it is not known, with ``why`` it was wanted.
        """
        try:
            self.temperature(place)
        except InputError as error:
            raise InputError(f"{why}, but the chamber {self._label} does not know it.") from error


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


@dataclass(frozen=True, slots=True)
class Note:
    """An alarm or an event: when, and what was said."""

    hours: float
    text: str
    kind: EventKind
    alarm: Alarm | None = None


@dataclass(slots=True)
class AlarmNote:
    """An alarm from raised to cleared; ``cleared_hours`` is None while it stands."""

    alarm: Alarm
    raised_hours: float
    text: str
    cleared_hours: float | None = None


@dataclass(frozen=True, slots=True)
class Trace:
    """Means over equal spans of time, for a chart: hours at the middle of each, °C."""

    hours: tuple[float, ...]
    callus_c: tuple[float, ...]
    substrate_c: tuple[float, ...]
    room_c: tuple[float, ...]


@dataclass(frozen=True, slots=True)
class Outcome:
    """What came of one chamber; ``notes_dropped`` alarms and events are not listed."""

    score: Score
    alarms: tuple[AlarmNote, ...]
    events: tuple[Note, ...]
    notes_dropped: int
    trace: Trace


@dataclass(slots=True)
class _Course:
    """What is collected of one chamber while it runs."""

    scorer: Scorer
    places: tuple[str, ...]
    span: int
    alarms: list[AlarmNote] = field(default_factory=list)
    events: list[Note] = field(default_factory=list)
    dropped: int = 0
    sums: list[float] = field(default_factory=lambda: [0.0] * 4)
    count: int = 0
    points: list[tuple[float, ...]] = field(default_factory=list)

    def draw(self, hours: float, true_c: Mapping[str, float]) -> None:
        """Add a step to the trace."""
        sums = self.sums
        sums[0] += hours
        sums[1] += true_c["callus"]
        sums[2] += true_c["substrate"]
        sums[3] += true_c["room"]
        self.count += 1
        if self.count == self.span:
            self.points.append(tuple(total / self.span for total in sums))
            self.sums = [0.0] * 4
            self.count = 0

    def note(self, event: Event) -> None:
        """Keep an event as an alarm or as a note."""
        hours = event.at_s / HOUR_S
        if event.alarm is not None and event.kind is EventKind.ALARM_CLEARED:
            for alarm in reversed(self.alarms):
                if alarm.alarm is event.alarm and alarm.cleared_hours is None:
                    alarm.cleared_hours = hours
                    break
        elif event.alarm is not None:
            standing = any(a.alarm is event.alarm and a.cleared_hours is None for a in self.alarms)
            if standing:
                return
            if len(self.alarms) < KEPT_NOTES:
                self.alarms.append(AlarmNote(event.alarm, hours, event.text))
            else:
                self.dropped += 1
        elif len(self.events) < KEPT_NOTES:
            self.events.append(Note(hours, event.text, event.kind, event.alarm))
        else:
            self.dropped += 1

    def outcome(self, closings: int) -> Outcome:
        """Close the books."""
        columns = tuple(zip(*self.points, strict=True)) or ((), (), (), ())
        return Outcome(
            self.scorer.score(closings),
            tuple(self.alarms),
            tuple(self.events),
            self.dropped,
            Trace(*columns),
        )


def rehearse(
    config: Config,
    lines: Sequence[KeeperLine],
    stands: Mapping[str, Stand],
    probes: Instruments,
    keeper_probes: Instruments,
    room_c: Callable[[float], float],
    days: float,
    *,
    journal: Journal | None = None,
    on_cycle: Callable[[float], None] | None = None,
    on_hour: Callable[[float], None] | None = None,
) -> Mapping[str, Outcome]:
    """Run the controller for ``days``; the wiring counts as proved.

    Args:
        config: the accepted config.
        lines: the keeper's wiring of that config.
        stands: model and relays of every chamber of the config.
        probes: the daemon's probes, on the same models.
        keeper_probes: the keeper's own, likewise, on the mat.
        room_c: room in °C at a time in h from the start, for all chambers.
        days: length, d; above 0, at most 400.
        journal: where rows go, or None.
        on_cycle: told the time in s before each cycle's rows are recorded.
        on_hour: told the simulated hours done, once each.

    Raises:
        InputError: ``days`` is out of bounds, a chamber failed, or the log cannot be written.
    """
    if not 0.0 < days <= LONGEST_DAYS:
        raise InputError(f"a rehearsal of {days:g} days is not possible; give 0.1 to 400 days.")
    cycle_s = config.cycle_s
    cycles = max(1, round(days * DAY_S / cycle_s))
    looks = max(1, math.ceil(cycle_s / KEEPER_STEP_S))
    look_s = cycle_s / looks
    span = max(1, cycles // TRACE_POINTS)
    courses = {
        name: _Course(Scorer(chamber.callus_zone_c, cycle_s), _places(chamber), span)
        for name, chamber in config.chambers.items()
    }
    watts = {name: chamber.heater.watts for name, chamber in config.chambers.items()}
    state = cycle.start(config, {}, proved=True)
    kept = KeeperState()
    lease: Lease | None = None
    hours_told = 0
    for index in range(cycles):
        start_s = index * cycle_s
        heated_s = dict.fromkeys(stands, 0.0)
        for look in range(looks):
            look_at_s = start_s + look * look_s
            if look:  # the first look of a cycle came with its lease
                kept, told = _keep(kept, lease, keeper_probes, look_at_s, lines, stands)
                _note(told, courses)
            now_room_c = room_c(look_at_s / HOUR_S)
            for name, stand in stands.items():
                heated = stand.heated
                stand.model.advance(look_s, watts[name] if heated else 0.0, now_room_c)
                if heated:
                    heated_s[name] += look_s
            if index == 0 and look == 0:
                _require_places(config, stands)
            probes.advance(look_s)
            keeper_probes.advance(look_s)
        now_s = start_s + cycle_s
        step = cycle.advance(state, probes.read_all(now_s), now_s, config)
        state = step.state
        lease = Lease(now_s, step.heat)
        kept, told = _keep(kept, lease, keeper_probes, now_s, lines, stands)
        events = (*step.events, *told)
        if on_cycle is not None:
            on_cycle(now_s)
        if journal is not None:
            journal.record(step.records, events)
            if index % 360 == 0 and (failure := journal.failure()) is not None:
                raise InputError(f"the log of the rehearsal cannot be written: {failure}")
        if events:
            _note(events, courses)
        hours = now_s / HOUR_S
        for record in step.records:
            name = record.chamber
            course, model = courses[name], stands[name].model
            true_c = {place: model.temperature(place) for place in course.places}
            estimate = record.estimate
            course.scorer.take(
                now_s,
                true_c,
                None if estimate is None else estimate.celsius,
                heated_s[name],
                watts[name],
                record.condition,
            )
            course.draw(hours, true_c)
        if on_hour is not None and hours >= hours_told + 1:
            hours_told = int(hours)
            on_hour(hours)
    return {name: course.outcome(stands[name].heat.closings) for name, course in courses.items()}


def _keep(
    kept: KeeperState,
    lease: Lease | None,
    keeper_probes: Instruments,
    now_s: float,
    lines: Sequence[KeeperLine],
    stands: Mapping[str, Stand],
) -> tuple[KeeperState, tuple[Event, ...]]:
    """One look of the keeper, and what it does to the relays."""
    readings = {
        chamber: places[Place.MAT]
        for chamber, places in keeper_probes.read_all(now_s).items()
        if Place.MAT in places
    }
    decision = keeper.decide(kept, lease, readings, now_s, lines)
    for command in decision.commands:
        stand = stands[command.chamber]
        stand.heat.set(command.heat)
        if stand.series is not None:
            stand.series.set(command.series is True)
    return decision.state, decision.events


def _note(events: tuple[Event, ...], courses: Mapping[str, _Course]) -> None:
    for event in events:
        if event.chamber is None:
            for course in courses.values():
                course.note(event)
        elif event.chamber in courses:
            courses[event.chamber].note(event)


def _places(chamber: ChamberConfig) -> tuple[str, ...]:
    places = (Place.SUBSTRATE, Place.CALLUS, Place.MAT, Place.ROOM)
    top = (Place.TOP,) if chamber.probes.top is not None else ()
    return tuple(place.value for place in (*places, *top))


def _require_places(config: Config, stands: Mapping[str, Stand]) -> None:
    for name, chamber in config.chambers.items():
        for place in _places(chamber):
            if place == Place.TOP.value:
                stands[name].model.require(
                    place, f"the config has a probe in the air at the buds (top) of {name}"
                )
            else:
                stands[name].model.temperature(place)


def _said(error: BaseException) -> str:
    first = str(error).partition("\n")[0]
    return f"{type(error).__name__}: {first}" if first else type(error).__name__


def as_plain(outcome: Outcome) -> dict[str, Any]:
    """Turn an outcome into plain data for JSON; what is not known is None."""
    score = outcome.score
    plain = {name: getattr(score, name) for name in score.__dataclass_fields__}
    plain["alarms"] = [
        {
            "alarm": str(alarm.alarm),
            "raised_hours": alarm.raised_hours,
            "cleared_hours": alarm.cleared_hours,
            "text": alarm.text,
        }
        for alarm in outcome.alarms
    ]
    plain["events"] = [
        {"kind": str(note.kind), "hours": note.hours, "text": note.text} for note in outcome.events
    ]
    plain["notes_dropped"] = outcome.notes_dropped
    return plain
