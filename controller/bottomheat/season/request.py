"""Requests about batches and the season: what a client sent, checked, and what comes of it.  Pure.

A request may hold anything.  One that is refused changes nothing; one that is taken gives an entry
for the ledger.  Nothing is ever changed or removed: what was entered wrongly is corrected or
withdrawn by a further entry.  What would contradict the entries that are there is refused.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

from bottomheat.asked import known_fields, note_of
from bottomheat.config import Config
from bottomheat.durations import words
from bottomheat.errors import InputError
from bottomheat.model import Event, EventKind
from bottomheat.season import asked, said
from bottomheat.season.answer import answer
from bottomheat.season.contradictions import refuse_contradictions
from bottomheat.season.fields import DATA, Ask, checked, reminder_of
from bottomheat.season.ledger import Batch, Dated, Season, SeasonEntry, What, fold, standing
from bottomheat.season.relays import CONTACTS, contacts_of
from bottomheat.season.reminders import BY_NAME, LIGHT, Scope

_FIELDS = frozenset(
    {
        *("do", "what", "batch", "chamber", "data", "note"),
        *("target", "about_ms", "open_ms", "corrects"),
    }
)
_HIGHEST_NUMBER = 2**53
_ABOUT = ("target", "batch", "chamber")
_NO_PLACE = "a {} names no place."


@dataclass(frozen=True, slots=True)
class Outcome:
    """What comes of a request.

    Attributes:
        answer: for the client (``answer`` says what is in it).
        entries: for the ledger; empty where nothing is new.
        events: for the log.
    """

    answer: dict[str, Any]
    entries: tuple[SeasonEntry, ...] = ()
    events: tuple[Event, ...] = ()


def entered_ms(entries: Sequence[Dated], now_ms: int, *, clock_sure: bool) -> int:
    """The time at which a new entry counts as entered, UTC ms.

    A clock that is not set may be years behind; what is entered now comes after all the rest.
    """
    if clock_sure:
        return now_ms
    return max([now_ms, *(dated.at_ms for dated in entries)])


def handle(
    entries: Sequence[Dated],
    config: Config,
    request: Mapping[str, Any],
    now_ms: int,
    now_s: float,
    *,
    clock_sure: bool,
    in_force_c: Mapping[str, float] | None = None,
) -> Outcome:
    """Take or refuse a request about batches; never raises on what a client may send.

    Args:
        entries: the ledger.
        config: the accepted config, as written.
        request: ``{"do": "season", "what", "batch", "chamber", "data", "note", "about_ms",
            "open_ms", "corrects"}``; what is not needed may be left out or null.  ``what``,
            ``batch``, ``chamber``, ``data`` and ``note`` are as in ``SeasonEntry``; ``open_ms`` is
            how much of ``about_ms`` is left open either way, because only the day was said.  With
            ``corrects`` what is given takes the place of what that entry says, the rest stays, and
            a null in ``data`` takes a field back.  With ``what`` "withdraw" it is taken back.
        now_ms: the wall clock, UTC ms.
        now_s: monotonic time, s.
        clock_sure: the wall clock is set.
        in_force_c: the setpoint now in force, °C, by box, for the answer; None: as the rule has it.

    Returns:
        With ``answer["ok"]`` false the sentence in ``answer["error"]`` says why.
    """
    try:
        return _handle(
            entries, config, request, now_ms, now_s, in_force_c or {}, clock_sure=clock_sure
        )
    except InputError as error:
        return Outcome({"ok": False, "error": str(error)})


def _handle(
    entries: Sequence[Dated],
    config: Config,
    request: Mapping[str, Any],
    now_ms: int,
    now_s: float,
    in_force_c: Mapping[str, float],
    *,
    clock_sure: bool,
) -> Outcome:
    known_fields(request, _FIELDS)
    data = request.get("data")
    if data is None:
        data = {}
    if not isinstance(data, dict):
        raise InputError("data must be an object.")
    before = fold(entries)
    now_ms = entered_ms(entries, now_ms, clock_sure=clock_sure)
    open_ms = asked.open_of(request)
    about_ms = asked.time_of(request, "about_ms", now_ms, open_ms, clock_sure=clock_sure)
    ask = Ask(before, config, data, now_ms, open_ms, clock_sure)
    if request.get("corrects") is not None:
        entry, base = _correction(ask, entries, request, about_ms)
    else:
        entry, base = _entry(ask, _what_of(request), request, about_ms), None
        _refuse_what_is_to_come(entries, entry, now_ms, clock_sure=clock_sure)
    number = max((dated.number for dated in entries), default=0) + 1
    new = Dated(number, now_ms, clock_sure, entry)
    after = fold([*entries, new])
    refuse_contradictions(before, after, number)
    kept = _says_more(before, after, entry, base)
    known_ms = now_ms if clock_sure else max((each.at_ms for each in entries), default=None)
    shown = answer(config, before, after, new, base, known_ms, in_force_c, kept=kept)
    if not kept:
        return Outcome(shown)
    return Outcome(shown, (entry,), (_event(entry, base, after, config, now_s),))


def _refuse_what_is_to_come(
    entries: Sequence[Dated], entry: SeasonEntry, now_ms: int, *, clock_sure: bool
) -> None:
    """Refuse an entry on a batch of which another one says that it is of later: it would not count.

    That one was made while the clock ran ahead.
    """
    if not clock_sure or entry.batch is None:
        return
    for dated in standing(entries):
        if dated.entry.batch == entry.batch and dated.at_ms > now_ms + asked.SLACK_MS:
            ahead = words((dated.at_ms - now_ms) / 1000)
            raise InputError(
                f"entry {dated.number} of {entry.batch} is dated {ahead} ahead of the clock: "
                f"withdraw it first (bottomheat batch withdraw {dated.number}), or set the clock."
            )


def _what_of(request: Mapping[str, Any]) -> What:
    what = request.get("what")
    if not isinstance(what, str) or what not in set(DATA):
        raise InputError("the service does not know what was asked: is it as new as this?")
    return What(what)


# -- a new entry


def _entry(ask: Ask, what: What, request: Mapping[str, Any], about_ms: int | None) -> SeasonEntry:
    known_fields(ask.data, DATA[what])
    batch, chamber = request.get("batch"), request.get("chamber")
    note = note_of(request)
    if what in (What.DONE, What.SEASON) and not (batch is None and chamber is None):
        raise InputError(f"{what} takes no batch and no box here.")
    if what is not What.DONE and request.get("target") is not None:
        raise InputError(f"{what} is about a batch: leave the target out.")
    match what:
        case What.ADD:
            return _add(ask, batch, chamber, note, about_ms)
        case What.DONE:
            return _done(ask, request.get("target"), note, about_ms)
        case What.SEASON:
            return SeasonEntry(what, data=checked(ask, what), note=note, about_ms=about_ms)
        case _:
            pass
    found = asked.batch_of(ask.season, batch, still_open=what in (What.LOOK, What.STAGE, What.MOVE))
    about_ms = _while_open(found, what, about_ms, ask.open_ms)
    if about_ms is not None:
        about_ms = _not_before(found, about_ms, ask.open_ms)
    if what is What.CHANGE and not ask.data and not note:
        raise InputError("say what is to be different.")
    place = _place(ask, what, chamber)
    return SeasonEntry(what, found.name, place, checked(ask, what), note, about_ms)


def _add(ask: Ask, name: object, chamber: object, note: str, about_ms: int | None) -> SeasonEntry:
    batch = asked.new_name(ask.season, name)
    if chamber is None and len(ask.config.chambers) == 1:
        chamber = next(iter(ask.config.chambers))
    place = asked.place_of(ask.config, chamber)
    data = checked(ask, What.ADD)
    if about_ms is None:
        about_ms = data.get("made_ms")  # it has stood there since it was made
    return SeasonEntry(What.ADD, batch, place, data, note, about_ms)


def _done(ask: Ask, target: object, note: str, about_ms: int | None) -> SeasonEntry:
    name = reminder_of(ask)
    batch, place = _about(ask, name, target)
    return SeasonEntry(What.DONE, batch, place, {"reminder": name}, note, about_ms)


def _about(ask: Ask, name: str, target: object) -> tuple[str | None, str | None]:
    """The batch, or the box, that something was done for; neither: for all.

    Raises:
        InputError: it is not for such a thing.
    """
    scope = BY_NAME[name].scope
    alive = [each.name for each in ask.season.batches.values() if each.open]
    if name in CONTACTS:
        return None, _box_of_relay(ask, name, target)
    if target is None:
        if name != LIGHT.name:
            return None, None
        if len(alive) != 1:
            raise InputError(
                f"say which batch has light now: {', '.join(alive) or 'none is open'}."
            )
        return alive[0], None
    if scope is Scope.HOUSE:
        raise InputError(f"{name} is about the whole house: leave {target} out.")
    found = asked.target_of(ask.season, ask.config, target)
    batch = ask.season.batches.get(found)
    if scope is Scope.BOX:
        place = found if batch is None else batch.place
        if place not in ask.config.chambers:
            raise InputError(f"{name} is about a box: {', '.join(ask.config.chambers)}.")
        return None, place
    return (found, None) if batch is not None else (None, found)


def _box_of_relay(ask: Ask, name: str, target: object) -> str:
    """The box whose relay was changed.

    Raises:
        InputError: it has none of that name, or none of several boxes was said.
    """
    boxes = [place for place, each in contacts_of(ask.config) if each == name]
    if not boxes:
        raise InputError("no box has a series relay.")
    if target is None and len(boxes) == 1:
        return boxes[0]
    place = None if target is None else asked.target_of(ask.season, ask.config, target)
    if place not in boxes:
        raise InputError(f"say of which box the {name} was changed: {', '.join(boxes)}.")
    return place


def _while_open(batch: Batch, what: What, about_ms: int | None, open_ms: int) -> int | None:
    """The time of an entry, which has to be before the batch was closed.

    Raises:
        InputError: it is not, and the entry is of a kind that only an open batch can have.
    """
    closed_ms = batch.closed_ms
    if closed_ms is None or what not in (What.LOOK, What.STAGE, What.MOVE, What.CLOSE):
        return about_ms
    if about_ms is not None and what is not What.CLOSE:
        if about_ms < closed_ms:
            return about_ms
        if about_ms - open_ms < closed_ms:
            return closed_ms - 1  # earlier on that day
    raise InputError(
        f"{batch.name} is closed: enter what was before with --on, counts with bottomheat batch "
        f"count {batch.name}; to open it again withdraw the closing, bottomheat batch show "
        f"{batch.name} has its number."
    )


def _not_before(batch: Batch, about_ms: int, open_ms: int) -> int:
    first_ms = batch.stays[0].from_ms
    if about_ms >= first_ms:
        return about_ms
    if about_ms + open_ms >= first_ms:
        return first_ms  # later on that day
    raise InputError(
        f"that is {words((first_ms - about_ms) / 1000)} before {batch.name} was there: look at "
        f"the date, or at that of its first entry in bottomheat batch show {batch.name}."
    )


def _place(ask: Ask, what: What, chamber: object) -> str | None:
    if what is What.MOVE:
        return asked.place_of(ask.config, chamber)
    if chamber is not None:
        raise InputError(_NO_PLACE.format(what.value))
    return None


# -- a correction


def _correction(
    ask: Ask,
    entries: Sequence[Dated],
    request: Mapping[str, Any],
    about_ms: int | None,
) -> tuple[SeasonEntry, Dated]:
    base = _base(entries, request.get("corrects"))
    old, what = base.entry, request.get("what")
    if what == What.WITHDRAW:
        known_fields(ask.data, ())
        if about_ms is not None or any(
            request.get(key) is not None for key in ("batch", "chamber")
        ):
            raise InputError("an entry is withdrawn as a whole: leave the rest out.")
        note = note_of(request)
        gone = SeasonEntry(What.WITHDRAW, old.batch, old.chamber, note=note, corrects=base.number)
        return gone, base
    if what is not None and what != old.what:
        raise InputError(f"entry {base.number} is a {old.what}: it cannot become another kind.")
    known_fields(ask.data, DATA[old.what])
    keys = (*_ABOUT, "note", "about_ms")
    if not ask.data and all(request.get(key) is None for key in keys):
        raise InputError("say what is to be different.")
    merged = replace(ask, data={**old.data, **ask.data})
    data = checked(merged, old.what)
    batch, chamber = old.batch, old.chamber
    if old.what is What.DONE:
        named = [each for key in _ABOUT if (each := request.get(key)) is not None]
        if named:
            batch, chamber = _about(ask, data["reminder"], named[0])
    elif request.get("target") is not None:
        raise InputError(f"a {old.what} is about a batch: leave the target out.")
    else:
        if request.get("batch") is not None:
            batch = _other_batch(ask, old, request["batch"])
        if request.get("chamber") is not None:
            chamber = _other_place(ask, old, request["chamber"])
    if about_ms is None and _since_made(old) and data.get("made_ms") != old.data.get("made_ms"):
        about_ms = data.get("made_ms")
    found = ask.season.batches.get(batch or "")
    if about_ms is not None and found is not None and old.what is not What.ADD:
        about_ms = _not_before(found, about_ms, ask.open_ms)
    note = old.note if request.get("note") is None else note_of(request)
    return SeasonEntry(old.what, batch, chamber, data, note, about_ms, corrects=base.number), base


def _base(entries: Sequence[Dated], number: object) -> Dated:
    """The entry that a number means, as it holds now.

    Raises:
        InputError: there is none, or it cannot be corrected.
    """
    if (
        isinstance(number, bool)
        or not isinstance(number, int)
        or not 1 <= number <= _HIGHEST_NUMBER
    ):
        raise InputError("say which entry, by its number: bottomheat batch show NAME has them.")
    there = {dated.number: dated for dated in entries}
    if number not in there:
        raise InputError(f"there is no entry {number}: bottomheat batch show NAME has the numbers.")
    root = root_of(there, number)
    for dated in standing(entries):
        if root_of(there, dated.number) == root:
            if dated.entry.what not in DATA:
                raise InputError(f"entry {number} was made by the service and stays as it is.")
            return dated
    raise InputError(f"entry {number} does not hold any more: enter it anew.")


def root_of(there: Mapping[int, Dated], number: int) -> int:
    """The number of the first entry of those that correct each other."""
    seen: set[int] = set()
    while number in there and number not in seen:
        seen.add(number)
        corrects = there[number].entry.corrects
        if corrects is None:
            break
        number = corrects
    return number


def _since_made(entry: SeasonEntry) -> bool:
    made_ms = entry.data.get("made_ms")
    return entry.what is What.ADD and made_ms is not None and made_ms == entry.about_ms


def _other_batch(ask: Ask, old: SeasonEntry, batch: object) -> str:
    if old.what is What.ADD:
        others = {name: b for name, b in ask.season.batches.items() if name != old.batch}
        return asked.new_name(Season(others), batch)
    if old.batch is None:
        raise InputError(f"a {old.what} names no batch.")
    found = asked.batch_of(ask.season, batch)
    return found.name


def _other_place(ask: Ask, old: SeasonEntry, chamber: object) -> str:
    if old.what not in (What.ADD, What.MOVE):
        raise InputError(_NO_PLACE.format(old.what.value))
    return asked.place_of(ask.config, chamber)


def _says_more(before: Season, after: Season, entry: SeasonEntry, base: Dated | None) -> bool:
    """Whether an entry says anything that was not said yet."""
    if entry.what is What.WITHDRAW:
        return True
    if base is not None:
        new = replace(entry, about_ms=base.entry.about_ms, corrects=base.entry.corrects)
        moved = entry.about_ms is not None and entry.about_ms != base.at_ms
        return moved or new != base.entry
    if entry.what in (What.CHANGE, What.STAGE, What.MOVE):
        return before.batches != after.batches
    return True


def _event(
    entry: SeasonEntry, base: Dated | None, after: Season, config: Config, now_s: float
) -> Event:
    batch = after.batches.get(entry.batch or "")
    place = entry.chamber if entry.chamber is not None or batch is None else batch.place
    name = f"{entry.batch}: " if entry.batch is not None else ""
    instead = (
        f" (instead of entry {base.number})" if base and entry.what is not What.WITHDRAW else ""
    )
    note = f"; note: {entry.note}" if entry.note else ""
    chamber = place if place in config.chambers else None
    text = f"{name}{said.says(entry)}{instead}{note}"
    return Event(EventKind.SEASON, now_s, chamber, text, durable=True)
