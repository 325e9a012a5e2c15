"""The real controller on simulated chambers, in accelerated time.

The controller sees readings of the probes that the config names and nothing else; the score sees
the truth.  ``rehearse_world`` moves the chambers on, cycle by cycle.

No clock, no file, no driver: what touches those is handed in.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Protocol

from bottomheat.config import Config
from bottomheat.errors import InputError
from bottomheat.keeper import KeeperLine
from bottomheat.model import Alarm, Condition, Event, EventKind, Record
from bottomheat.rehearse_models import ChamberModel, GuardedModel
from bottomheat.rehearse_world import (
    Contact,
    Instruments,
    Stand,
    World,
    scored_places,
)
from bottomheat.score import DAY_S, HOUR_S, Score, Scorer

__all__ = [
    "LONGEST_DAYS",
    "AlarmNote",
    "ChamberModel",
    "Contact",
    "GuardedModel",
    "Instruments",
    "Note",
    "Outcome",
    "Stand",
    "Trace",
    "World",
    "as_plain",
    "rehearse",
]

LONGEST_DAYS = 400.0
TRACE_POINTS = 1500
KEPT_NOTES = 200


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


class Rows(Protocol):
    """Where rows go: what a rehearsal needs of a log (``ports.Journal``)."""

    def record(self, records: Sequence[Record], events: Sequence[Event]) -> None:
        """Take a cycle's rows."""

    def failure(self) -> str | None:
        """Why rows do not reach the disk, or None."""


def rehearse(
    config: Config,
    lines: Sequence[KeeperLine],
    stands: Mapping[str, Stand],
    probes: Instruments,
    keeper_probes: Instruments,
    room_c: Callable[[float], float],
    days: float,
    *,
    journal: Rows | None = None,
    before_cycle: Callable[[World], None] | None = None,
    after_cycle: Callable[[World, Sequence[Event]], None] | None = None,
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
        before_cycle: may change the world before each cycle: faults to order.
        after_cycle: told of each cycle done, and what was said in it.
        on_cycle: told the time in s before each cycle's rows are recorded.
        on_hour: told the simulated hours done, once each.

    Raises:
        InputError: ``days`` is out of bounds, a chamber failed, or the log cannot be written.
    """
    if not 0.0 < days <= LONGEST_DAYS:
        raise InputError(f"a rehearsal of {days:g} days is not possible; give 0.1 to 400 days.")
    cycle_s = config.cycle_s
    cycles = max(1, round(days * DAY_S / cycle_s))
    span = max(1, cycles // TRACE_POINTS)
    courses = {
        name: _Course(Scorer(chamber.callus_zone_c, cycle_s), scored_places(chamber), span)
        for name, chamber in config.chambers.items()
    }
    world = World(config, lines, stands, probes, keeper_probes, room_c)
    hours_told = 0
    for index in range(cycles):
        if before_cycle is not None:
            before_cycle(world)
        events = world.step()
        now_s = world.now_s
        if on_cycle is not None:
            on_cycle(now_s)
        if journal is not None:
            journal.record(world.records, events)
            if index % 360 == 0 and (failure := journal.failure()) is not None:
                raise InputError(f"the log of the rehearsal cannot be written: {failure}")
        if after_cycle is not None:
            after_cycle(world, events)
        if events:
            _note(events, courses)
        _score(world, courses)
        hours = now_s / HOUR_S
        if on_hour is not None and hours >= hours_told + 1:
            hours_told = int(hours)
            on_hour(hours)
    return {name: course.outcome(stands[name].heat.closings) for name, course in courses.items()}


def _score(world: World, courses: Mapping[str, _Course]) -> None:
    """Score the cycle just done; where no daemon ran, nothing was known and nothing heated."""
    hours = world.now_s / HOUR_S
    records = {record.chamber: record for record in world.records}
    for name, course in courses.items():
        record = records.get(name)
        estimate = None if record is None else record.estimate
        true_c = world.truth(name, course.places)
        course.scorer.take(
            world.now_s,
            true_c,
            None if estimate is None else estimate.celsius,
            world.heated_s[name],
            world.watts(name),
            Condition.NO_HEAT if record is None else record.condition,
        )
        course.draw(hours, true_c)


def _note(events: tuple[Event, ...], courses: Mapping[str, _Course]) -> None:
    for event in events:
        if event.chamber is None:
            for course in courses.values():
                course.note(event)
        elif event.chamber in courses:
            courses[event.chamber].note(event)


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
