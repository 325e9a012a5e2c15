"""The desk where alarms lie until somebody has seen them; pure.

Each cycle hands it the conditions that stand; it waits out each alarm's dead-band in time, moves
its state machine, and says what is to be logged: each alarm once when it is told and once when it
is over.  It keeps nothing that concerns heat and has no way to give any.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace

from bottomheat.alarm_states import SET_ASIDE, Cue, Machine, State, advance, word
from bottomheat.alarm_words import TOLD, Level, sentence
from bottomheat.model import Alarm, Event, EventKind

Key = tuple[str | None, Alarm]
"""The chamber, or None for the house, and its alarm."""

SHORTEST_PAUSE_S = 60.0
LONGEST_PAUSE_S = 24 * 3600.0
LONGEST_AWAY_MS = 366 * 86_400_000

UNCONFIRMED_S = 3600.0
"""An alarm remembered over a restart is given this long to be found again before it counts as gone:
probes have to agree first, and detectors take up to an hour."""


SAID_BY: Mapping[Alarm, tuple[Alarm, ...]] = {
    Alarm.CUTOFF: (Alarm.RELAY_STUCK_ON, Alarm.CROSSED),
}
"""Not told beside another of its chamber: it is the same latch, and the other one says why."""


@dataclass(frozen=True, slots=True)
class Moment:
    """When something was: monotonic s of this run, or None for a run before, and wall ms then."""

    at_s: float | None
    wall_ms: int

    def label_ms(self, now_s: float, wall_ms: int) -> int:
        """Wall time by what the clock says now: it may have been set only since."""
        if self.at_s is None:
            return self.wall_ms
        return wall_ms - round((now_s - self.at_s) * 1000)


@dataclass(frozen=True, slots=True)
class Entry:
    """One alarm on the desk.

    Attributes:
        machine: its state.
        serial: grows each time the alarm is announced: raised, come back, pause over.
        raised: when it was first raised.
        gone: when its condition was last found gone, while it is.
        detail: what this case adds to the alarm's sentence.
        absent_since_s: since when an active condition has been missing.
        until_s: when its pause ends.
        logged: it is told in this run's log and not yet told as over.
        confirmed: its condition was found in this run.
    """

    machine: Machine
    serial: int
    raised: Moment
    gone: Moment | None = None
    detail: str = ""
    absent_since_s: float | None = None
    until_s: float | None = None
    logged: bool = False
    confirmed: bool = True


@dataclass(frozen=True, slots=True)
class Away:
    """The grower is away until a date (wall ms)."""

    until_ms: int
    since_ms: int


@dataclass(frozen=True, slots=True)
class Desk:
    """Everything on the desk."""

    entries: Mapping[Key, Entry] = field(default_factory=dict)
    pending_s: Mapping[Key, float] = field(default_factory=dict)
    next_serial: int = 1
    away: Away | None = None

    @property
    def wants_sound(self) -> bool:
        """Whether an alarm of the first level stands that nobody has seen or paused."""
        return any(
            TOLD[alarm].level is Level.NOW
            and entry.machine.state in (State.UNACKNOWLEDGED, State.LATCHED_UNACKNOWLEDGED)
            for (_, alarm), entry in self.entries.items()
        )


@dataclass(frozen=True, slots=True)
class _Now:
    now_s: float
    wall_ms: int

    @property
    def moment(self) -> Moment:
        return Moment(self.now_s, self.wall_ms)


def take(
    desk: Desk,
    conditions: Mapping[Key, str],
    now_s: float,
    wall_ms: int,
    *,
    latched: frozenset[str] = frozenset(),
    resting: Mapping[str, float] | None = None,
) -> tuple[Desk, tuple[Event, ...]]:
    """Take one cycle's conditions in.

    Args:
        desk: the desk of the cycle before.
        conditions: every condition that stands, with what it adds to the alarm's sentence.
        now_s: monotonic time, s.
        wall_ms: wall time, a label except for the end of being away.
        latched: chambers whose latch has not been reset.
        resting: chambers where alarms that an open box raises have to wait, and until when
            (monotonic s).

    Returns:
        The desk, and what is to be logged.
    """
    now = _Now(now_s, wall_ms)
    events: list[Event] = []
    entries: dict[Key, Entry] = {}
    pending: dict[Key, float] = {}
    serial = desk.next_serial
    for key in sorted({*desk.entries, *conditions}, key=_order):
        entry = desk.entries.get(key)
        come = key in conditions
        if come and (entry is None or not entry.machine.active):
            since_s = desk.pending_s.get(key, now_s)
            if now_s - since_s < TOLD[key[1]].on_s:
                pending[key] = since_s
                come = False
        if entry is None:
            if not come or _said_already(key, desk, conditions):
                continue
            machine = Machine(latching=TOLD[key[1]].latching)
            entry = Entry(machine, serial, now.moment)
            serial += 1
        before = entry.machine.state
        rest_s = (resting or {}).get(key[0] or "") if TOLD[key[1]].rests_while_tending else None
        entry = _rested(entry, rest_s, now, present=key in conditions, come=come)
        entry = _moved(key, entry, conditions, come, now)
        if _resettable(key, entry.machine, latched):
            entry = replace(entry, machine=advance(entry.machine, Cue.RESET)[0])
        entry = _unshelved(key, entry, now, events)
        if before is not State.NORMAL and _announces(entry.machine.state, before):
            entry = replace(entry, serial=serial)
            serial += 1
        entry = _logged(key, entry, now, events)
        if entry.machine.state is not State.NORMAL:
            entries[key] = entry
    away = desk.away
    if away is not None and wall_ms >= away.until_ms:
        away = None
        events.append(Event(EventKind.AWAY, now_s, None, "no longer away", durable=True))
    return Desk(entries, pending, serial, away), tuple(events)


def acknowledge(
    desk: Desk, keys: Iterable[Key], now_s: float
) -> tuple[Desk, tuple[Event, ...], tuple[Key, ...]]:
    """Note that somebody has seen alarms; returns also those that this changed."""
    entries = dict(desk.entries)
    events: list[Event] = []
    done: list[Key] = []
    for key in keys:
        entry = entries.get(key)
        if entry is None:
            continue
        machine, possible = advance(entry.machine, Cue.ACKNOWLEDGE)
        if not possible:
            continue
        done.append(key)
        events.append(_said(EventKind.ALARM_SEEN, key, f"seen: {_what(key, entry)}", now_s))
        if machine.state is State.NORMAL:
            del entries[key]
        else:
            entries[key] = replace(entry, machine=machine)
    return replace(desk, entries=entries), tuple(events), tuple(done)


def pause(
    desk: Desk, key: Key, for_s: float, now_s: float
) -> tuple[Desk, tuple[Event, ...], str | None]:
    """Shelve an alarm for a time; returns also why not.

    A pause of an alarm that is paused already replaces the end of the one before.
    """
    entry = desk.entries.get(key)
    if entry is None:
        return desk, (), "no such alarm stands"
    if not SHORTEST_PAUSE_S <= for_s <= LONGEST_PAUSE_S:
        return desk, (), "an alarm can be paused for 1 minute to 24 hours"
    machine, possible = advance(entry.machine, Cue.SHELVE)
    if not possible and entry.machine.state is not State.SHELVED:
        return desk, (), "it is waiting already, because the box is being tended"
    minutes = round(for_s / 60)
    text = f"paused for {minutes} min: {_what(key, entry)}"
    entry = replace(entry, machine=machine, until_s=now_s + for_s)
    events = (_said(EventKind.ALARM_PAUSED, key, text, now_s),)
    return replace(desk, entries={**desk.entries, key: entry}), events, None


def resume(desk: Desk, key: Key, now_s: float) -> tuple[Desk, tuple[Event, ...], str | None]:
    """End a pause before its time; returns also why not."""
    entry = desk.entries.get(key)
    if entry is None or entry.machine.state is not State.SHELVED:
        return desk, (), "it is not paused"
    machine = advance(entry.machine, Cue.UNSHELVE)[0]
    events = (_said(EventKind.ALARM_PAUSED, key, f"pause ended: {_what(key, entry)}", now_s),)
    entries = dict(desk.entries)
    serial = desk.next_serial
    if machine.state is State.NORMAL:
        del entries[key]
    else:
        entries[key] = replace(entry, machine=machine, until_s=None, serial=serial)
        serial += 1
    return replace(desk, entries=entries, next_serial=serial), events, None


def set_away(
    desk: Desk, until_ms: int, now_s: float, wall_ms: int
) -> tuple[Desk, tuple[Event, ...], str | None]:
    """Note that the grower is away until a wall time; returns also why not."""
    if until_ms <= wall_ms:
        return desk, (), "that date is past by this machine's clock"
    if until_ms - wall_ms > LONGEST_AWAY_MS:
        return desk, (), "that is more than a year from now"
    text = "away: each message says what a helper should do"
    return (
        replace(desk, away=Away(until_ms, wall_ms)),
        (Event(EventKind.AWAY, now_s, None, text, durable=True),),
        None,
    )


def back(desk: Desk, now_s: float) -> tuple[Desk, tuple[Event, ...]]:
    """Note that the grower is back."""
    if desk.away is None:
        return desk, ()
    event = Event(EventKind.AWAY, now_s, None, "back again", durable=True)
    return replace(desk, away=None), (event,)


def ordered(desk: Desk) -> list[tuple[Key, Entry]]:
    """Every alarm: the first level before the second, what stands before what is gone."""
    return sorted(
        desk.entries.items(),
        key=lambda item: (
            TOLD[item[0][1]].level is not Level.NOW,
            not item[1].machine.stands,
            _order(item[0]),
        ),
    )


def _said_already(key: Key, desk: Desk, conditions: Mapping[Key, str]) -> bool:
    for alarm in SAID_BY.get(key[1], ()):
        entry = desk.entries.get((key[0], alarm))
        if (key[0], alarm) in conditions or (entry is not None and entry.machine.stands):
            return True
    return False


def _order(key: Key) -> tuple[str, str]:
    return key[0] or "", key[1].value


def _rested(entry: Entry, rest_s: float | None, now: _Now, *, present: bool, come: bool) -> Entry:
    """Let an alarm that comes while its box is open wait, or end that."""
    rests = rest_s is not None and now.now_s < rest_s
    machine = entry.machine
    if machine.state is State.SUPPRESSED and not rests:
        if machine.active and not present:  # over by now: there is nothing to announce
            machine = advance(machine, Cue.GOES)[0]
        return replace(entry, machine=advance(machine, Cue.UNSUPPRESS)[0], until_s=None)
    if rests and come and not machine.active and machine.state not in SET_ASIDE:
        machine = advance(machine, Cue.SUPPRESS)[0]
    if rests and machine.state is State.SUPPRESSED:
        return replace(entry, machine=machine, until_s=rest_s)
    return entry


def _moved(key: Key, entry: Entry, conditions: Mapping[Key, str], come: bool, now: _Now) -> Entry:
    """Follow the condition itself."""
    machine = entry.machine
    if key in conditions and (come or machine.active):
        afresh = not machine.stands and machine.state is not State.RETURNED
        return replace(
            entry,
            machine=machine if machine.active else advance(machine, Cue.COMES)[0],
            raised=now.moment if afresh else entry.raised,
            gone=None,
            detail=conditions[key],
            absent_since_s=None,
            confirmed=True,
        )
    if not machine.active:
        return entry
    since_s = now.now_s if entry.absent_since_s is None else entry.absent_since_s
    wait_s = TOLD[key[1]].off_s if entry.confirmed else UNCONFIRMED_S
    if now.now_s - since_s < wait_s:
        return replace(entry, absent_since_s=since_s)
    return replace(
        entry,
        machine=advance(machine, Cue.GOES)[0],
        gone=Moment(since_s, now.wall_ms - round((now.now_s - since_s) * 1000)),
        absent_since_s=None,
    )


def _resettable(key: Key, machine: Machine, latched: frozenset[str]) -> bool:
    """Whether the latch behind an alarm whose condition is gone has been reset.

    The latch itself lies with the cutoff and the keeper; the alarm follows it and never leads.
    """
    return machine.held and not machine.active and (key[0] is None or key[0] not in latched)


def _unshelved(key: Key, entry: Entry, now: _Now, events: list[Event]) -> Entry:
    if entry.machine.state is not State.SHELVED:
        return entry
    if entry.until_s is not None and now.now_s < entry.until_s:
        return entry
    text = f"pause over: {_what(key, entry)}"
    events.append(_said(EventKind.ALARM_PAUSED, key, text, now.now_s))
    machine = advance(entry.machine, Cue.SHELF_TIME_OUT)[0]
    return replace(entry, machine=machine, until_s=None)


def _announces(state: State, before: State) -> bool:
    """Whether an alarm that was on the desk before is announced anew."""
    if state is State.UNACKNOWLEDGED:
        return before is not state
    return state is State.LATCHED_UNACKNOWLEDGED and before in SET_ASIDE


def _logged(key: Key, entry: Entry, now: _Now, events: list[Event]) -> Entry:
    machine = entry.machine
    waits = machine.state in (State.SUPPRESSED, State.OUT_OF_SERVICE)
    if machine.stands and not entry.logged and not waits and entry.confirmed:
        events.append(_said(EventKind.ALARM_RAISED, key, _what(key, entry), now.now_s))
        return replace(entry, logged=True)
    if entry.logged and not machine.stands:
        events.append(_said(EventKind.ALARM_CLEARED, key, _what(key, entry), now.now_s))
        return replace(entry, logged=False)
    return entry


def _what(key: Key, entry: Entry) -> str:
    return sentence(key[1], entry.detail)


def _said(kind: EventKind, key: Key, text: str, now_s: float) -> Event:
    return Event(kind, now_s, key[0], text, key[1], durable=True)


def state_word(entry: Entry) -> str:
    """What the screen calls an alarm's state."""
    return word(entry.machine)
