"""The requests that keep a calibration: a reading, a reading dropped, a probe compared.  Pure.

A request may hold anything.  One that is refused changes nothing; one that is taken gives one row
for the log and one durable event.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from typing import Any, NamedTuple

from bottomheat.asked import (
    LONGEST_NOTE,
    chamber_of,
    in_one_line,
    known_fields,
    note_of,
    number_of,
    probe_of,
    text_of,
    word_of,
)
from bottomheat.calibration.ledger import (
    USUAL_SPOT,
    Pairing,
    ProbeCheck,
    ReferenceEntry,
    from_plain,
)
from bottomheat.config import Config
from bottomheat.durations import words
from bottomheat.errors import InputError
from bottomheat.model import Event, EventKind, Place
from bottomheat.ports import Journal
from bottomheat.protect.tending import Lid

READING_C = (-10.0, 60.0)
"""Outside it no bed is read: a slip of the finger, or °F."""
EXPANDED_K = (0.0, 5.0)
LONGEST_AGO_S = 400 * 86_400.0
LONGEST_SPOT = 40
HIGHEST_NUMBER = 2**53
"""Whole numbers up to here survive JSON unharmed (RFC 8259, section 6)."""

HOW = ("ice point", "against", "jar")
"""How a probe can have been compared."""
ADD_K = (-2.0, 2.0)
"""As the config's ``corrections`` take it; a probe further off is to be replaced."""
UNCERTAINTY_K = (0.0, 1.0)

_READING = "the reading must be from -10 to 60 °C; is it in °F?"
_EXPANDED = "say how far the thermometer can be off: 0 to 5 K, two standard uncertainties."
_AGO = "say when it was read: up to 400 days ago."
_ADD = "a probe that is off by more than 2 K is to be replaced, not corrected."
_UNCERTAINTY = "the uncertainty of the comparison must be from 0 to 1 K."
_AT = "the temperature of the comparison must be from -10 to 60 °C; is it in °F?"

_REFERENCE = frozenset(
    {
        *("do", "chamber", "spot", "lid", "reading_c", "expanded_k"),
        *("note", "ago_s", "pairing"),
    }
)
_DROP = frozenset({"do", "chamber", "number", "note"})
_CHECK = frozenset({"do", "probe", "how", "add_k", "uncertainty_k", "at_c", "note"})


class Drop(NamedTuple):
    """A reading to drop, in the order of ``ports.Journal.note_drop``."""

    number: int
    note: str


@dataclass(frozen=True, slots=True)
class Outcome:
    """What comes of a request: ``answer`` for the client, a row and an event for the log.

    ``row`` and ``events`` are empty where the request was refused.
    """

    answer: dict[str, Any]
    events: tuple[Event, ...] = ()
    row: ReferenceEntry | Drop | ProbeCheck | None = None

    def keep(self, journal: Journal) -> None:
        """Hand the row to the log; the events are for the caller to tell."""
        match self.row:
            case ReferenceEntry():
                journal.note_reference(self.row)
            case Drop():
                journal.note_drop(*self.row)
            case ProbeCheck():
                journal.note_probe_check(self.row)
            case None:
                pass


def handle(config: Config, request: Mapping[str, Any], now_s: float) -> Outcome:
    """Take or refuse a request; never raises on what a client may send.

    Args:
        config: the accepted config.
        request: one whose ``do`` is in ``KINDS``.
        now_s: monotonic time, s.

    Returns:
        With ``answer["ok"]`` false the sentence in ``answer["error"]`` says why.
    """
    kind = request.get("do")
    try:
        take = KINDS.get(kind, _unknown) if isinstance(kind, str) else _unknown
        return take(config, request, now_s)
    except InputError as error:
        return Outcome({"ok": False, "error": str(error)})


def _reference(config: Config, request: Mapping[str, Any], now_s: float) -> Outcome:
    known_fields(request, _REFERENCE)
    entry = ReferenceEntry(
        chamber=chamber_of(request, config.chambers),
        spot=text_of(request, "spot", LONGEST_SPOT, "the spot") or USUAL_SPOT,
        lid=word_of(request, "lid", [*Lid], "the lid"),
        reading_c=number_of(request, "reading_c", READING_C, _READING),
        expanded_k=number_of(request, "expanded_k", EXPANDED_K, _EXPANDED),
        note=note_of(request),
        ago_s=number_of(request, "ago_s", (0.0, LONGEST_AGO_S), _AGO),
        pairing=_pairing(request.get("pairing")),
    )
    ago = f", {words(entry.ago_s)} ago" if entry.ago_s >= 60 else ""
    text = (
        f"thermometer at {entry.spot}: {entry.reading_c:.2f} ± {entry.expanded_k:g} °C, "
        f"lid {entry.lid}{ago}{_more(entry.note)}"
    )
    return _taken(entry.chamber, text, now_s, entry)


def _pairing(data: object) -> Pairing:
    """The pairing, held to what ``pair`` can have made: it is kept for years.

    Raises:
        InputError: it is not one.
    """
    try:
        pairing = from_plain(data)
    except (ValueError, OverflowError) as error:
        raise InputError(
            f"what was logged at the time of the reading cannot be used ({error}): is the service "
            "as new as this?"
        ) from None
    places = {place.value for place in Place}
    if not places.issuperset(pairing.probes) or not places.issuperset(pairing.corrections_k):
        raise InputError("what was logged names a place that no box has.")
    if any(len(name) > LONGEST_SPOT for name in pairing.probes.values()):
        raise InputError("what was logged names no probe.")
    if len(pairing.why) > LONGEST_NOTE:
        raise InputError("what was logged gives too long a reason.")
    return replace(
        pairing,
        why=in_one_line(pairing.why),
        probes={place: in_one_line(name) for place, name in pairing.probes.items()},
    )


def _drop(config: Config, request: Mapping[str, Any], now_s: float) -> Outcome:
    known_fields(request, _DROP)
    name = chamber_of(request, config.chambers)
    number = request.get("number")
    if isinstance(number, bool) or not isinstance(number, int) or not 1 <= number <= HIGHEST_NUMBER:
        raise InputError("say which reading, by its number: bottomheat calibrate list shows them.")
    note = note_of(request)
    return _taken(name, f"reading {number} dropped{_more(note)}", now_s, Drop(number, note))


def _probe_check(config: Config, request: Mapping[str, Any], now_s: float) -> Outcome:
    known_fields(request, _CHECK)
    check = ProbeCheck(
        probe=probe_of(request),
        how=word_of(request, "how", HOW, "how it was compared"),
        add_k=number_of(request, "add_k", ADD_K, _ADD),
        uncertainty_k=number_of(request, "uncertainty_k", UNCERTAINTY_K, _UNCERTAINTY),
        at_c=number_of(request, "at_c", READING_C, _AT),
        note=note_of(request),
    )
    boxes = [
        name
        for name, box in config.chambers.items()
        if check.probe in {*box.probes.by_place().values(), box.keeper_probe}
    ]
    text = (
        f"probe {check.probe} compared ({check.how}) at {check.at_c:.1f} °C: add "
        f"{check.add_k:+.2f} K, standard uncertainty {check.uncertainty_k:g} K{_more(check.note)}"
    )
    return _taken(boxes[0] if len(boxes) == 1 else None, text, now_s, check)


def _unknown(_config: Config, _request: Mapping[str, Any], _now_s: float) -> Outcome:
    raise InputError("the service does not know what was asked: is it as new as this?")


def _taken(
    chamber: str | None, text: str, now_s: float, row: ReferenceEntry | Drop | ProbeCheck
) -> Outcome:
    event = Event(EventKind.CALIBRATION, now_s, chamber, text, durable=True)
    return Outcome({"ok": True}, (event,), row)


def _more(note: str) -> str:
    return f"; note: {note}" if note else ""


KINDS: Mapping[str, Callable[[Config, Mapping[str, Any], float], Outcome]] = {
    "reference": _reference,
    "reference-drop": _drop,
    "probe-check": _probe_check,
}
"""What ``do`` may be here."""
