"""A borrowed probe that teaches for some days: the sessions, from cycle to cycle.  Pure.

A grower lends a spare probe to a box, at the height of the bases, so that the log learns what the
callus zone does.  Control and protection never see it: all that comes of a session is rows in the
log, and a few events.  One row a minute: the first good reading of each minute since it began.

Times are on the monotonic clock, s; temperatures °C, with the probe's own correction.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Any, NamedTuple

from bottomheat.asked import chamber_of, known_fields, note_of, number_of, probe_of
from bottomheat.config import Config
from bottomheat.durations import words
from bottomheat.errors import InputError
from bottomheat.model import PLACE_WORDS, Bad, Event, EventKind, Fault, Good, Raw, Unread
from bottomheat.plausible import STALE_S, History, judge

ROW_S = 60.0
SHORTEST_S = 3600.0
LONGEST_S = 14 * 86_400.0
LOST_S = 300.0
"""So long without a good reading is told: judgement, a plug is back sooner after watering."""
TRUSTED_ROWS = 60
"""Good minutes after a loss until the next one is told again: a bad plug fills no log."""
GIVE_UP_S = 86_400.0
"""So long without a good reading ends a session: the probe has been taken out (judgement)."""

_LENGTH = (
    f"say how long: a borrowed probe teaches for {words(SHORTEST_S)} at least and "
    f"{words(LONGEST_S)} at most."
)
_LEARN = frozenset({"do", "chamber", "probe", "for_s", "note"})
_STOP = frozenset({"do", "chamber", "note"})


@dataclass(frozen=True, slots=True)
class Session:
    """One borrowed probe in one chamber.

    Attributes:
        probe: its name.
        since_s: begin; after a restart, of the rest.
        until_s: when it ends by itself.
        rows: good minutes kept since ``since_s``.
        minute: number of the last minute that has its row, counted from ``since_s``.
        history: for the plausibility of its readings.
        seen_s: time stamp of the last answer that was judged.
        good_s: the last good reading, or the begin.
        last_c: the last good reading, °C.
        fault: what is wrong with the newest answer.
        lost_told: that it is lost has been told.
        rows_since_told: good minutes since that was told.
    """

    probe: str
    since_s: float
    until_s: float
    rows: int = 0
    minute: int = -1
    history: History = field(default_factory=History)
    seen_s: float | None = None
    good_s: float = 0.0
    last_c: float | None = None
    fault: Fault | None = Fault.NOT_READ
    lost_told: bool = False
    rows_since_told: int = 0


class Row(NamedTuple):
    """A row for the log, in the order of ``ports.Journal.note_borrowing``.

    ``for_s`` is None where the session ends.
    """

    chamber: str
    probe: str
    for_s: float | None
    note: str


@dataclass(frozen=True, slots=True)
class Step:
    """What one cycle did to a session: ``session`` is None where it is over."""

    session: Session | None
    kept: Good | None = None
    row: Row | None = None
    events: tuple[Event, ...] = ()


@dataclass(frozen=True, slots=True)
class Outcome:
    """What comes of a request: the answer, and what the daemon takes over.

    Attributes:
        answer: for the client.
        sessions: all sessions from now on; the ones handed in where it was refused.
        row: for the log, or None where nothing changed.
        events: to tell.
    """

    answer: dict[str, Any]
    sessions: Mapping[str, Session]
    row: Row | None = None
    events: tuple[Event, ...] = ()


def begin(
    sessions: Mapping[str, Session], config: Config, request: Mapping[str, Any], now_s: float
) -> Outcome:
    """Begin a session; never raises on what a client may send.

    Args:
        sessions: those that run, by chamber.
        config: the accepted config.
        request: ``{"do": "learn", "chamber", "probe", "for_s", "note"}``; the note may be left out.
        now_s: monotonic time, s.
    """
    try:
        name, probe, for_s, note = _asked(sessions, config, request, now_s)
    except InputError as error:
        return Outcome({"ok": False, "error": str(error)}, sessions)
    session = Session(probe, now_s, now_s + for_s, good_s=now_s)
    add_k = config.add_k(probe)
    corrected = f", corrected by {add_k:+.2f} K" if add_k else ""
    text = f"learns from the borrowed probe {probe} for {words(for_s)}{corrected}"
    return Outcome(
        {"ok": True, "chamber": name, "probe": probe, "for_s": for_s},
        {**sessions, name: session},
        Row(name, probe, for_s, note),
        (_event(name, text + (f"; note: {note}" if note else ""), now_s),),
    )


def _asked(
    sessions: Mapping[str, Session], config: Config, request: Mapping[str, Any], now_s: float
) -> tuple[str, str, float, str]:
    known_fields(request, _LEARN)
    name = chamber_of(request, config.chambers)
    probe = probe_of(request)
    note = note_of(request)
    for_s = number_of(request, "for_s", (SHORTEST_S, LONGEST_S), _LENGTH)
    used = why_not(config, probe)
    if used is not None:
        raise InputError(f"{used}: borrow a spare one.")
    running = sessions.get(name)
    if running is not None:
        raise InputError(
            f"{name} learns from {running.probe} already, for {words(running.until_s - now_s)} "
            f"more; bottomheat calibrate learn --chamber {name} --stop ends that."
        )
    for other, session in sessions.items():
        if session.probe == probe:
            raise InputError(f"{probe} is lent to {other} already: stop that first.")
    return name, probe, for_s, note


def stop(
    sessions: Mapping[str, Session], config: Config, request: Mapping[str, Any], now_s: float
) -> Outcome:
    """End a session early; never raises on what a client may send.

    Args:
        sessions: those that run, by chamber.
        config: the accepted config.
        request: ``{"do": "learn-stop", "chamber", "note"}``; the note may be left out.
        now_s: monotonic time, s.
    """
    try:
        known_fields(request, _STOP)
        name = chamber_of(request, {**config.chambers, **dict.fromkeys(sessions)})
        note = note_of(request)
    except InputError as error:
        return Outcome({"ok": False, "error": str(error)}, sessions)
    session = sessions.get(name)
    answer = {"ok": True, "chamber": name, "was_learning": session is not None}
    if session is None:
        return Outcome(answer, sessions)
    rest = {other: kept for other, kept in sessions.items() if other != name}
    over = _over(name, session, "stopped by hand", now_s, note)
    return Outcome({**answer, "rows": session.rows}, rest, over.row, over.events)


def resume(
    lent: Mapping[str, tuple[str, float]], config: Config, now_s: float
) -> tuple[dict[str, Session], tuple[Row, ...], tuple[Event, ...]]:
    """Take up the sessions of the run before.

    Args:
        lent: by chamber, the probe and how long it still has to teach, s.
        config: the accepted config.
        now_s: monotonic time, s.

    Returns:
        The sessions that go on; a row for each that cannot; an event for every one.
    """
    sessions: dict[str, Session] = {}
    rows = []
    events = []
    for name, (probe, left_s) in lent.items():
        reason = "the box is gone from the config" if name not in config.chambers else None
        reason = reason or why_not(config, probe)
        if reason is None and any(kept.probe == probe for kept in sessions.values()):
            reason = f"{probe} is lent to another box too"
        if reason is not None:
            rows.append(Row(name, probe, None, reason))
            text = f"no longer learns from the borrowed probe {probe}: {reason}"
        else:
            left_s = min(left_s, LONGEST_S)
            sessions[name] = Session(probe, now_s, now_s + left_s, good_s=now_s)
            text = f"goes on learning from the borrowed probe {probe}, {words(left_s)} left"
        events.append(_event(name, text, now_s))
    return sessions, tuple(rows), tuple(events)


def why_not(config: Config, probe: str) -> str | None:
    """Why a probe may not be borrowed, or None: the config uses it, for control or the keeper."""
    for name, box in config.chambers.items():
        for place, used in box.probes.by_place().items():
            if used == probe:
                return f"{probe} is in use already ({name}, {PLACE_WORDS[place]})"
        if box.keeper_probe == probe:
            return f"{probe} is in use already ({name}, the keeper's own probe)"
    return None


def advance(name: str, session: Session, raw: Raw | None, config: Config, now_s: float) -> Step:
    """One cycle of a session; never raises, whatever the numbers are.

    Args:
        name: the chamber.
        session: as it was.
        raw: the newest answer of its probe, which may be the one of the cycle before; None where
            it has none.
        config: the accepted config, for the probe's correction.
        now_s: monotonic time, s.
    """
    # The config may have come to use the probe since; control is not to share one knowingly.
    used = why_not(config, session.probe)
    if used is not None:
        return _over(name, session, used, now_s)
    if now_s >= session.until_s:
        return _over(name, session, "its time is up", now_s)
    if now_s - session.good_s >= GIVE_UP_S:
        return _over(name, session, f"no good reading for {words(GIVE_UP_S)}", now_s)
    raw = Unread(Fault.NOT_READ, now_s) if raw is None else raw
    if raw.at_s == session.seen_s and now_s - raw.at_s <= STALE_S:
        return _tell_loss(name, session, now_s)  # an answer confirms itself no second time
    history, reading = judge(session.history, raw, now_s)
    session = replace(session, history=history, seen_s=raw.at_s)
    if isinstance(reading, Bad):
        return _tell_loss(name, replace(session, fault=reading.fault), now_s)
    # Added here, at once: in judge a changed correction fades in, for detectors that this has not.
    celsius = reading.celsius + config.add_k(session.probe)
    session = replace(session, good_s=reading.at_s, last_c=celsius, fault=None)
    minute = max(0, int((reading.at_s - session.since_s) // ROW_S))
    if minute <= session.minute:
        return Step(session)
    session = replace(session, minute=minute, rows=session.rows + 1)
    kept = Good(celsius, reading.at_s)
    if not session.lost_told:
        return Step(session, kept)
    good = session.rows_since_told + 1
    if good < TRUSTED_ROWS:
        return Step(replace(session, rows_since_told=good), kept)
    session = replace(session, lost_told=False, rows_since_told=0)
    text = f"the borrowed probe {session.probe} has been well again for {TRUSTED_ROWS} minutes"
    return Step(session, kept, None, (_event(name, text, now_s, durable=False),))


def shown(sessions: Mapping[str, Session], now_s: float) -> dict[str, dict[str, Any]]:
    """The sessions as the control socket gives them, by chamber."""
    return {
        name: {
            "probe": session.probe,
            "left_s": max(0.0, session.until_s - now_s),
            "rows": session.rows,
            "last_c": session.last_c,
            "fault": None if session.fault is None else session.fault.value,
        }
        for name, session in sessions.items()
    }


def _tell_loss(name: str, session: Session, now_s: float) -> Step:
    if session.lost_told or now_s - session.good_s < LOST_S:
        return Step(session)
    fault = Fault.NOT_READ if session.fault is None else session.fault
    text = (
        f"no good reading of the borrowed probe {session.probe} for {words(LOST_S)} "
        f"({fault.value}): look at its plug; heat does not depend on it"
    )
    session = replace(session, lost_told=True, rows_since_told=0)
    return Step(session, None, None, (_event(name, text, now_s),))


def _over(name: str, session: Session, why: str, now_s: float, note: str = "") -> Step:
    text = f"no longer learns from the borrowed probe {session.probe}: {why}"
    if session.fault not in (None, Fault.NOT_READ):
        text += f", and it gives no reading now ({session.fault.value})"
    if note:
        text += f"; note: {note}"
    row = Row(name, session.probe, None, f"{why}; {note}" if note else why)
    return Step(None, None, row, (_event(name, text, now_s),))


def _event(name: str, text: str, now_s: float, *, durable: bool = True) -> Event:
    return Event(EventKind.CALIBRATION, now_s, name, text, durable=durable)
