"""The request to tend a box: what a client sent, checked, and what comes of it.  Pure.

A request may hold anything.  One that is refused changes nothing; one that is taken gives the new
state, one durable event and one row for the log's table of tending.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any, NamedTuple

from bottomheat import cycle
from bottomheat.asked import chamber_of, known_fields, note_of
from bottomheat.config import Config
from bottomheat.cycle import ControllerState
from bottomheat.durations import words
from bottomheat.errors import InputError
from bottomheat.model import Event, EventKind
from bottomheat.protect.tending import (
    DOING_WORDS,
    LONGEST_S,
    SHORTEST_S,
    USUAL_S,
    Doing,
    Lid,
    Tending,
)

DONE = "done"
"""What the log's table says of a spell that is over early."""

_FIELDS = frozenset({"do", "chamber", "doing", "done", "for_s", "lid", "note"})


class TendingEntry(NamedTuple):
    """A row for the log, in the order of ``ports.Journal.note_tending``."""

    chamber: str
    doing: str
    note: str
    for_s: float | None
    lid: str | None


@dataclass(frozen=True, slots=True)
class Outcome:
    """What comes of a request: ``answer`` for the client, the rest for the daemon to take over.

    ``row`` goes to ``Journal.note_tending(*row)``; it and ``events`` are empty where nothing
    changed.
    """

    state: ControllerState
    answer: dict[str, Any]
    events: tuple[Event, ...] = ()
    row: TendingEntry | None = None


def handle(
    state: ControllerState,
    config: Config,
    request: Mapping[str, Any],
    now_s: float,
    wall_ms: int,
) -> Outcome:
    """Begin, prolong or end the tending of a box, or say how its lid lies; never raises.

    Args:
        state: the controller.
        config: the accepted config.
        request: ``{"do": "tend", "chamber", "doing", "for_s", "lid", "note"}``, or ``"done": true``
            in the place of ``doing`` and ``for_s``, or ``lid`` alone; all but the chamber and one
            of these may be left out or null.
        now_s: monotonic time, s.
        wall_ms: wall time, UTC ms, for the client to say until when.

    Returns:
        With ``answer["ok"]`` false the sentence in ``answer["error"]`` says why, and the state is
        the one that was handed in.
    """
    try:
        name = _chamber(state, config, request)
        lid, note = _lid(request), note_of(request)
        if _is_done(request):
            return _end(state, name, lid, note, now_s)
        if lid is not None and request.get("doing") is None and request.get("for_s") is None:
            return _lay(state, name, lid, note, now_s)
        return _begin(state, name, _doing(request), _for_s(request), lid, note, now_s, wall_ms)
    except InputError as error:
        return Outcome(state, {"ok": False, "error": str(error)})


def _begin(
    state: ControllerState,
    name: str,
    doing: Doing,
    for_s: float,
    lid: Lid | None,
    note: str,
    now_s: float,
    wall_ms: int,
) -> Outcome:
    before = state.chambers[name]
    running = before.tending is not None and before.tending.until_s > now_s
    since_s = before.tending.since_s if before.tending is not None and running else now_s
    if now_s + for_s - since_s > LONGEST_S:
        raise InputError(
            f"{name} has been tended for {words(now_s - since_s)} already; {words(LONGEST_S)} in "
            f"all is the most: say bottomheat tend {name} --done, look at the box, and begin anew."
        )
    new = cycle.tend(state, name, Tending(doing, since_s, now_s + for_s, note), lid)
    text = f"tended for {words(for_s)}: {DOING_WORDS[doing]}{_more(lid, note)}"
    answer = {
        "ok": True,
        "chamber": name,
        "over": False,
        "doing": doing.value,
        "for_s": for_s,
        "until_ms": wall_ms + round(for_s * 1000),
        "prolonged": running,
        **_lids(before.lid, lid),
    }
    event = Event(EventKind.TENDING, now_s, name, text, durable=True)
    return Outcome(new, answer, (event,), _entry(name, doing.value, note, for_s, lid))


def _end(state: ControllerState, name: str, lid: Lid | None, note: str, now_s: float) -> Outcome:
    before = state.chambers[name]
    tending = before.tending
    running = tending is not None and tending.until_s > now_s
    answer = {
        "ok": True,
        "chamber": name,
        "over": True,
        "was_tended": running,
        **_lids(before.lid, lid),
    }
    if not running and lid is None and not note:
        return Outcome(state, answer)
    if tending is not None and running:
        # It ends now instead of being forgotten: the bed still has to recover.
        tending = replace(tending, until_s=now_s)
    new = cycle.tend(state, name, tending, lid)
    text = f"{'no longer tended' if running else 'tended before'}{_more(lid, note)}"
    event = Event(EventKind.TENDING, now_s, name, text, durable=True)
    return Outcome(new, answer, (event,), _entry(name, DONE, note, None, lid))


def _lay(state: ControllerState, name: str, lid: Lid, note: str, now_s: float) -> Outcome:
    """The lid alone; a spell of tending that runs goes on, as the last row of the log says too."""
    before = state.chambers[name]
    tending = before.tending
    doing, for_s = DONE, None
    if tending is not None and tending.until_s > now_s:
        doing, for_s = tending.doing.value, tending.until_s - now_s
    new = replace(state, chambers={**state.chambers, name: replace(before, lid=lid)})
    answer = {"ok": True, "chamber": name, "tended": for_s is not None, **_lids(before.lid, lid)}
    text = f"lid {lid.value} from now on{_more(None, note)}"
    event = Event(EventKind.TENDING, now_s, name, text, durable=True)
    return Outcome(new, answer, (event,), _entry(name, doing, note, for_s, lid))


def _lids(before: Lid, lid: Lid | None) -> dict[str, str]:
    return {"lid": (before if lid is None else lid).value, "lid_before": before.value}


def _more(lid: Lid | None, note: str) -> str:
    return (f"; lid {lid.value} from now on" if lid is not None else "") + (
        f"; note: {note}" if note else ""
    )


def _entry(name: str, doing: str, note: str, for_s: float | None, lid: Lid | None) -> TendingEntry:
    return TendingEntry(name, doing, note, for_s, None if lid is None else lid.value)


def _chamber(state: ControllerState, config: Config, request: Mapping[str, Any]) -> str:
    known_fields(request, _FIELDS)
    return chamber_of(request, [name for name in config.chambers if name in state.chambers])


def _is_done(request: Mapping[str, Any]) -> bool:
    done = request.get("done")
    if done is not None and not isinstance(done, bool):
        raise InputError("done must be true or false.")
    given = [key for key in ("doing", "for_s") if request.get(key) is not None]
    if done and given:
        raise InputError("say either what is being done, or that it is over.")
    return done is True


def _doing(request: Mapping[str, Any]) -> Doing:
    doing = request.get("doing")
    if not isinstance(doing, str) or doing not in set(Doing):
        raise InputError(f"say what is being done: one of {', '.join(Doing)}.")
    return Doing(doing)


def _for_s(request: Mapping[str, Any]) -> float:
    for_s = request.get("for_s")
    if for_s is None:
        return USUAL_S
    if isinstance(for_s, bool) or not isinstance(for_s, (int, float)):
        raise InputError("for_s must be a number of seconds.")
    if not SHORTEST_S <= for_s <= LONGEST_S:
        raise InputError(
            f"a box is tended for a minute at least and {words(LONGEST_S)} at most; "
            "for longer, say so again later."
        )
    return float(for_s)


def _lid(request: Mapping[str, Any]) -> Lid | None:
    lid = request.get("lid")
    if lid is None:
        return None
    if not isinstance(lid, str) or lid not in set(Lid):
        raise InputError(f"say how the lid lies from now on: one of {', '.join(Lid)}.")
    return Lid(lid)
