"""What is due in the boxes and for the batches, by the grower's own intervals.  Pure.

An interval of 0 days is never.  What is asked for here is common practice, without a source, unless
something else is said.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from enum import StrEnum
from typing import TYPE_CHECKING, Final

from bottomheat.relay_life import tally
from bottomheat.season import relays
from bottomheat.season.ledger import DAY_MS, UNHEATED, Batch, Season
from bottomheat.season.stages import buds_broke, light_due

if TYPE_CHECKING:
    from bottomheat.config import Config
    from bottomheat.relay_life import Life

EARLY_MS: Final = DAY_MS // 4
"""Due a quarter of a day before its hour, so that a morning's round need not wait for the hour of
the last one (judgement)."""
MOULD_DAYS: Final = 7
"""After mould was seen it is looked for daily, for so many days."""


class Scope(StrEnum):
    """What a reminder is about."""

    BOX = "box"
    BATCH = "batch"
    HOUSE = "house"


@dataclass(frozen=True, slots=True)
class Reminder:
    """Something to be done again and again, or once.

    Attributes:
        name: as it is written in the config, and said to ``done``.
        words: what to do.
        days: how often, unless the config says otherwise; 0: never.
        scope: what it is about.
        why: what it is good for.
        once: it comes of something that happened, not of an interval; 0 days turns it off.
    """

    name: str
    words: str
    days: float
    scope: Scope
    why: str
    once: bool = False


LAYER: Final = Reminder(
    "layer",
    "wet layer: wet, not flooded? Top up with lukewarm water",
    4.0,
    Scope.BOX,
    "a dry layer carries no heat to the bases, a flooded one no air",
)
MIST: Final = Reminder(
    "mist",
    "bags: mist them inside where they have dried",
    3.0,
    Scope.BOX,
    "callus forms in damp air; drops on a union do harm",
)
LOOK: Final = Reminder(
    "look",
    "look: lift two bags; mould? callus? roots? buds still tight?",
    7.0,
    Scope.BATCH,
    "what you see decides the next stage, not the calendar",
)
MOULD: Final = Reminder(
    "mould",
    "look for mould",
    7.0,
    Scope.BATCH,
    "it spreads in a warm, damp box from one to the next",
)
TOOLS: Final = Reminder(
    "tools",
    "tools: wipe with alcohol, away from the mat and from any flame, and let them dry",
    0.0,
    Scope.HOUSE,
    "they carry mould from one batch to the next",
)
LIGHT: Final = Reminder(
    "light",
    "give it light, not sun",
    1.0,
    Scope.BATCH,
    "leaves that open in the dark are lost",
    once=True,
)
CLEAN: Final = Reminder(
    "clean",
    "clean it before the next batch",
    1.0,
    Scope.BOX,
    "an old layer feeds mould",
    once=True,
)
RELAY: Final = Reminder(
    relays.HEAT,
    "the relay is worn: have it changed by somebody licensed, with the power off",
    1.0,
    Scope.BOX,
    "a worn contact may weld shut or stay open",
    once=True,
)
SERIES_RELAY: Final = Reminder(
    relays.SERIES,
    "the series relay is worn: have it changed by somebody licensed, with the power off",
    1.0,
    Scope.BOX,
    "it is the one that opens when the other has welded",
    once=True,
)
REMINDERS: Final = (LAYER, MIST, LOOK, MOULD, TOOLS, LIGHT, CLEAN, RELAY, SERIES_RELAY)
"""All of them, in the order in which a round through the shed meets them."""
BY_NAME: Final = {reminder.name: reminder for reminder in REMINDERS}

MOULD_RULE: Final = (
    "Take out what is mouldy, and its neighbours with it.",
    "Air the box; say bottomheat tend first.",
    "Clean hands; tools wiped with alcohol, away from the mat and from any flame.",
    "Look every day for a week.",
    "Any product against mould only by its label: for this use, this place, these plants.",
)
"""What to do when there is mould."""

BEFORE_A_NEW_BATCH: Final = (
    "Power off: pull the mat's plug, and keep it in sight while you work.",
    "Old layer out.",
    "Wash and disinfect box and probes, by the product's label; keep plugs and joints dry.",
    "Look at mat, cable and plug: what is damaged is not used again. Test the RCD.",
    "Fresh layer, wet, not flooded; each probe back in its place.",
    "Plug in, prove the wiring (bottomheat prove), calibrate again (bottomheat calibrate).",
)
"""What is done to a box between two batches; local codes and whoever is licensed come first."""


@dataclass(frozen=True, slots=True)
class Due:
    """Something that is due.

    Attributes:
        reminder: which.
        words: what to do and since when, one line without a full stop.
        place: the box it is about, or the one its batch stands in; None: the house.
        batch: the batch it is about, or None.
        due_ms: since when it is due, UTC ms.
        last_ms: when it was last done, UTC ms; None: not known to have been done.
        urgent: do it today: mould was seen.
    """

    reminder: Reminder
    words: str
    place: str | None
    batch: str | None
    due_ms: int
    last_ms: int | None = None
    urgent: bool = False


def due(
    season: Season,
    config: Config,
    now_ms: int | None,
    lives: Mapping[relays.Contact, Life] | None = None,
) -> list[Due]:
    """All that is due, what is urgent first, the rest in the order of ``REMINDERS``.

    Args:
        season: what the ledger comes to.
        config: for the intervals and the boxes in use.
        now_ms: UTC ms; None: the clock is not set, so that nothing can be said to be due but what
            goes by no day.
        lives: of the relays; None: not known.
    """
    if now_ms is None:
        return list(_relays(lives or {}, config, 0))
    batches = [b for b in season.batches.values() if b.open and b.made_ms <= now_ms]
    found = [
        *_boxes(season, config, batches, now_ms),
        *_batches(season, config, batches, now_ms),
        *_house(season, config, batches, now_ms),
        *_clean(season, config, now_ms),
        *_relays(lives or {}, config, now_ms),
    ]
    return sorted(found, key=lambda each: (not each.urgent, REMINDERS.index(each.reminder)))


def every_days(reminder: Reminder, config: Config) -> float:
    """How often it is due, days; 0: never."""
    return config.season.reminders.get(reminder.name, reminder.days)


def _boxes(season: Season, config: Config, batches: Iterable[Batch], now_ms: int) -> Iterator[Due]:
    since: dict[str, int] = {}
    for batch in batches:
        if batch.place != UNHEATED:
            entered = batch.stays[-1].from_ms
            since[batch.place] = min(since.get(batch.place, entered), entered)
    for reminder in (LAYER, MIST):
        days = every_days(reminder, config)
        for place, entered in since.items():
            last = _latest(season.done, reminder.name, (place, None))
            due_ms = _due_ms(days, max(entered, last or entered), now_ms)
            if due_ms is not None:
                words = f"{reminder.words} ({_ago(last, now_ms)})"
                yield Due(reminder, words, place, None, due_ms, last)


def _batches(
    season: Season, config: Config, batches: Iterable[Batch], now_ms: int
) -> Iterator[Due]:
    for batch in batches:
        start = batch.stays[0].from_ms if batch.stays else batch.made_ms
        looked = max((look.at_ms for look in batch.looks), default=None)
        looked = _later(looked, _done(season, LOOK.name, batch))
        checked = max((k.at_ms for k in batch.looks if k.mould is not None), default=None)
        checked = _later(checked, _done(season, MOULD.name, batch))
        seen = _mould_near(season, batch, now_ms)
        mould_days = every_days(MOULD, config)
        if mould_days and seen is not None:
            source, seen_ms = seen
            due_ms = _due_ms(1.0, checked or start, now_ms)
            if due_ms is not None:
                words = _mould_words(batch, source, seen_ms, now_ms)
                yield Due(MOULD, words, batch.place, batch.name, due_ms, checked, urgent=True)
            mould_days = 0.0
        due_ms = _due_ms(every_days(LOOK, config), looked or start, now_ms)
        if due_ms is not None:
            words = f"{LOOK.words} ({_ago(looked, now_ms)})"
            yield Due(LOOK, words, batch.place, batch.name, due_ms, looked)
            mould_days = 0.0  # it is asked for there
        due_ms = _due_ms(mould_days, checked or start, now_ms)
        if due_ms is not None:
            words = f"{MOULD.words} ({_ago(checked, now_ms)})"
            yield Due(MOULD, words, batch.place, batch.name, due_ms, checked)
        if every_days(LIGHT, config) and light_due(batch, config.season, now_ms):
            yield _light(batch, config, now_ms)


def _light(batch: Batch, config: Config, now_ms: int) -> Due:
    day = config.season.light_after_days
    by_day_ms = batch.made_ms + round(day * DAY_MS)
    broke = buds_broke(batch, now_ms)
    if broke is not None and broke.at_ms < by_day_ms:
        return Due(LIGHT, f"{LIGHT.words}: buds move", batch.place, batch.name, broke.at_ms)
    words = f"{LIGHT.words}: day {batch.days(now_ms)}, due from day {day:g}"
    return Due(LIGHT, words, batch.place, batch.name, by_day_ms)


def _house(season: Season, config: Config, batches: Iterable[Batch], now_ms: int) -> Iterator[Due]:
    start = min((batch.made_ms for batch in batches), default=None)
    last = max((at for (name, _), at in season.done.items() if name == TOOLS.name), default=None)
    if start is None:
        return
    due_ms = _due_ms(every_days(TOOLS, config), max(start, last or start), now_ms)
    if due_ms is not None:
        yield Due(TOOLS, f"{TOOLS.words} ({_ago(last, now_ms)})", None, None, due_ms, last)


def _clean(season: Season, config: Config, now_ms: int) -> Iterator[Due]:
    """Boxes that have been emptied and not been cleaned since."""
    if not every_days(CLEAN, config):
        return
    for place, chamber in config.chambers.items():
        if not chamber.in_use or season.inside(place):
            continue
        stays = [stay for b in season.batches.values() for stay in b.stays if stay.place == place]
        left = max((stay.to_ms for stay in stays if stay.to_ms is not None), default=None)
        last = _latest(season.done, CLEAN.name, (place, None))
        if left is not None and left <= now_ms and (last is None or last < left):
            yield Due(CLEAN, f"empty; {CLEAN.words}", place, None, left, last)


def _relays(lives: Mapping[relays.Contact, Life], config: Config, now_ms: int) -> Iterator[Due]:
    """Relays that have nearly done what their makers rate them for, or more."""
    for (place, name), life in lives.items():
        reminder = BY_NAME[name]
        if life.worn and place in config.chambers and every_days(reminder, config):
            yield Due(reminder, f"{reminder.words} ({tally(life)})", place, None, now_ms)


def _mould_near(season: Season, batch: Batch, now_ms: int) -> tuple[Batch, int] | None:
    """Where mould was last seen within the week, in this batch or in a box that it shared."""
    found: tuple[Batch, int] | None = None
    for other in season.batches.values():
        for look in other.looks:
            if not look.mould or not 0 <= now_ms - look.at_ms < MOULD_DAYS * DAY_MS + EARLY_MS:
                continue
            if other.name != batch.name:
                place = _place_at(other, look.at_ms)
                if place in (None, UNHEATED) or place != _place_at(batch, look.at_ms):
                    continue
            if found is None or look.at_ms > found[1]:
                found = other, look.at_ms
    return found


def _place_at(batch: Batch, at_ms: int) -> str | None:
    for stay in reversed(batch.stays):
        if stay.from_ms <= at_ms and (stay.to_ms is None or at_ms <= stay.to_ms):
            return stay.place
    return None


def _mould_words(batch: Batch, source: Batch, seen_ms: int, now_ms: int) -> str:
    where = "here" if source.name == batch.name else f"in {source.name} beside it"
    return f"{MOULD.words} daily for a week: mould was seen {where} {_days_ago(seen_ms, now_ms)}"


def _done(season: Season, name: str, batch: Batch) -> int | None:
    """When it was last done for a batch: for it, for the box it stood in, or for all."""
    last = _latest(season.done, name, (batch.name, None))
    for stay in batch.stays:
        at_ms = season.done.get((name, stay.place))
        if at_ms is not None and _place_at(batch, at_ms) == stay.place:
            last = _later(last, at_ms)
    return last


def _latest(
    done: Mapping[tuple[str, str | None], int], name: str, about: Iterable[str | None]
) -> int | None:
    return max((done[name, each] for each in about if (name, each) in done), default=None)


def _later(one_ms: int | None, other_ms: int | None) -> int | None:
    return max((each for each in (one_ms, other_ms) if each is not None), default=None)


def _due_ms(days: float, since_ms: int, now_ms: int) -> int | None:
    """Since when it is due, or None where it is not, or never."""
    if days <= 0:
        return None
    early_ms = EARLY_MS if days >= 1 else 0
    due_ms = since_ms + round(days * DAY_MS) - early_ms
    return due_ms if now_ms >= due_ms else None


def _ago(last_ms: int | None, now_ms: int) -> str:
    return "not done yet" if last_ms is None else f"last {_days_ago(last_ms, now_ms)}"


def _days_ago(at_ms: int, now_ms: int) -> str:
    days = round((now_ms - at_ms) / DAY_MS)
    return {0: "today", 1: "yesterday"}.get(days, f"{days} days ago")
