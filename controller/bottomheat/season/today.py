"""What a grower has to know this morning: the night, each batch, what is due.  Pure.

Nothing here is measured or decided: it puts together what the log, the ledger, the setpoint's rule
and the reminders say.  Without a synchronised clock no day is counted and nothing falls due.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Final

from bottomheat.config import ChamberConfig, Config
from bottomheat.model import Alarm
from bottomheat.relay_life import Life
from bottomheat.season.ledger import UNHEATED, Batch, Season, Stage, Zone
from bottomheat.season.night import Hole, Night, Tops
from bottomheat.season.relays import Contact
from bottomheat.season.reminders import (
    BEFORE_A_NEW_BATCH,
    CLEAN,
    LIGHT,
    LOOK,
    MOULD,
    MOULD_RULE,
    RELAY,
    SERIES_RELAY,
    Due,
    Scope,
    due,
)
from bottomheat.season.said import look_says, made_of
from bottomheat.season.setpoint import Order, measured, rule
from bottomheat.season.species import needs
from bottomheat.season.stages import CLOCK_NOT_SET, Progress, progress
from bottomheat.season.tops import WARM_FOR_S, dormant

_SLACK_K: Final = 0.05
_FROM_OUTSIDE: Final = (LIGHT, CLEAN, RELAY, SERIES_RELAY)
"""For these no box is opened that is heated."""
_PLAIN_NOTE: Final = "hardening off: "
"""What the plan for a stage begins with: it is to be known, and no trouble."""


@dataclass(frozen=True, slots=True)
class Standing:
    """An alarm that stands: where (None: the house), whether it cannot wait, what it says.

    ``alarm`` is None where this version does not know it.
    """

    alarm: Alarm | None
    chamber: str | None
    urgent: bool
    text: str


@dataclass(frozen=True, slots=True)
class Task:
    """Something to do or to know.

    Attributes:
        text: one line, without a full stop.
        command: what does it, or says that it is done; empty: nothing does.
        urgent: look at it today.
    """

    text: str
    command: str = ""
    urgent: bool = False


@dataclass(frozen=True, slots=True)
class BatchToday:
    """A batch as it is today.

    Attributes:
        batch: what the ledger tells of it.
        made: "60 grapevine bench grafts".
        so_far: its stage, its days and what a stage usually takes.
        looked_ms: when it was last looked at, UTC ms; None: never.
        looked: what was seen then.
        unmeasured: that its height is not what the box's temperature is about; empty: it is.
        proposal: the next step, with the command that confirms it.
        tasks: what is due.
        notes: what else is to be known.
    """

    batch: Batch
    made: str
    so_far: Progress
    looked_ms: int | None
    looked: str
    unmeasured: str
    proposal: Task | None
    tasks: tuple[Task, ...]
    notes: tuple[Task, ...]


@dataclass(frozen=True, slots=True)
class BoxToday:
    """A box as it is today.

    Attributes:
        name: as the config has it.
        in_use: whether it is heated at all.
        order: what the setpoint's rule asks of it.
        why: the rule in words, where it asks for something else than the config; else empty.
        night: what it was like; None: the log does not know.
        conflicts: what does not go together in it.
        tasks: what is due at the box itself.
        batches: what stands in it.
        warm_tops: air at the buds that has been warm for long over dormant wood.
    """

    name: str
    in_use: bool
    order: Order
    why: str
    night: Night | None
    conflicts: tuple[Task, ...]
    tasks: tuple[Task, ...]
    batches: tuple[BatchToday, ...]
    warm_tops: Task | None


@dataclass(frozen=True, slots=True)
class Today:
    """Everything on the screen.

    Attributes:
        now_ms: the moment that it is about, UTC ms.
        clock_sure: whether the clock is synchronised.
        boxes: as the config has them.
        outside: batches in no heated box, each with its place.
        house: what is due for all.
        holes: stretches of the night without data.
        alarms: that stand.
        rules: what to do about mould, or before a new batch, where that is due: title and steps.
        before: the command to give before a box is opened; empty: none need be.
        after: commands that tell what was done.
        problems: entries of the ledger that are not used.
    """

    now_ms: int
    clock_sure: bool
    boxes: tuple[BoxToday, ...]
    outside: tuple[tuple[str, BatchToday], ...]
    house: tuple[Task, ...]
    holes: tuple[Hole, ...]
    alarms: tuple[Standing, ...]
    rules: tuple[tuple[str, tuple[str, ...]], ...]
    before: str
    after: tuple[str, ...]
    problems: tuple[str, ...]


def today(
    config: Config,
    season: Season,
    nights: Mapping[str, Night],
    now_ms: int,
    *,
    clock_sure: bool,
    tops: Mapping[str, Tops] | None = None,
    holes: Sequence[Hole] = (),
    alarms: Sequence[Standing] = (),
    lives: Mapping[Contact, Life] | None = None,
) -> Today:
    """Put together what is to be known.

    Args:
        config: the accepted config, as written.
        season: what the ledger comes to.
        nights: by chamber, what it was like; a box may be missing.
        now_ms: the moment that it is about, UTC ms.
        clock_sure: whether the clock is synchronised.
        tops: by chamber, air at the buds that has been too warm for a while.
        holes: stretches without data.
        alarms: that stand.
        lives: of the relays; None: not known.
    """
    known_ms = now_ms if clock_sure else None
    orders = {name: rule(config, name, season, known_ms) for name in config.chambers}
    dues = due(season, config, known_ms, lives)
    boxes = tuple(
        _box(name, config, season, orders, dues, nights, tops or {}, now_ms, clock_sure)
        for name in config.chambers
    )
    outside = tuple(
        (batch.place, _batch(batch, config, None, dues, now_ms, clock_sure))
        for batch in season.batches.values()
        if batch.open and batch.place not in config.chambers
    )
    told = {box.name for box in boxes if box.warm_tops is not None}
    return Today(
        now_ms=now_ms,
        clock_sure=clock_sure,
        boxes=boxes,
        outside=outside,
        house=tuple(_task(each) for each in dues if each.reminder.scope is Scope.HOUSE),
        holes=tuple(holes),
        alarms=tuple(
            each for each in alarms if each.alarm is not Alarm.TOP_WARM or each.chamber not in told
        ),
        rules=tuple(_rules(dues)),
        before=_before(dues),
        after=_after(dues),
        problems=season.problems,
    )


def _box(
    name: str,
    config: Config,
    season: Season,
    orders: Mapping[str, Order],
    dues: Sequence[Due],
    nights: Mapping[str, Night],
    tops: Mapping[str, Tops],
    now_ms: int,
    clock_sure: bool,
) -> BoxToday:
    chamber, inside = config.chambers[name], season.inside(name)
    return BoxToday(
        name=name,
        in_use=chamber.in_use,
        order=orders[name],
        why=_why(orders[name], chamber),
        night=nights.get(name),
        conflicts=tuple(
            _conflict(text, name, inside, orders, config) for text in orders[name].conflicts
        ),
        tasks=tuple(_task(each) for each in dues if each.place == name and each.batch is None),
        batches=tuple(_batch(batch, config, chamber, dues, now_ms, clock_sure) for batch in inside),
        warm_tops=_warm_tops(tops.get(name), inside),
    )


def _why(order: Order, chamber: ChamberConfig) -> str:
    by_rule = order.lead is not None and chamber.in_use
    as_written = abs(order.setpoint_c - chamber.callus_zone_c) < _SLACK_K
    return order.why if by_rule and not as_written else ""


def _warm_tops(warm: Tops | None, inside: Sequence[Batch]) -> Task | None:
    names = [batch.name for batch in inside if dormant(batch)]
    if warm is None or not names or warm.hours < WARM_FOR_S / 3600:
        return None
    return Task(
        f"air at buds above {warm.limit_c:g} for {warm.hours:.0f} h, up to {warm.high_c:.1f}: "
        f"{', '.join(names)} may open buds before there is callus. Vent, shade, cooler room; "
        "look at the callus before you lower the heat at the bases",
        urgent=True,
    )


def _conflict(
    text: str,
    here: str,
    inside: Sequence[Batch],
    orders: Mapping[str, Order],
    config: Config,
) -> Task:
    """What does not go together, with the command that parts it where a box suits better."""
    batch = next((b for b in inside if text.startswith(f"{b.name} (")), None)
    if batch is None:
        return Task(text, urgent=True)
    to = next((name for name in _suiting(batch, here, orders, config)), None)
    if to is None and batch.stage is Stage.HARDENING:
        to = UNHEATED
    command = "" if to is None else f"bottomheat batch move {batch.name} --to {to}"
    return Task(text, command, urgent=True)


def _suiting(batch: Batch, here: str, orders: Mapping[str, Order], config: Config) -> Iterator[str]:
    """Other boxes that are now at a temperature that the batch wants."""
    if batch.target_c is not None:
        low_c = high_c = batch.target_c
    else:
        band_c = needs(batch.species, batch.stage, config.season.species).band_c
        if band_c is None:
            return
        low_c, high_c = band_c
    for name, order in orders.items():
        fits = low_c - _SLACK_K <= order.setpoint_c <= high_c + _SLACK_K
        if name != here and fits and config.chambers[name].in_use:
            yield name


def _batch(
    batch: Batch,
    config: Config,
    chamber: ChamberConfig | None,
    dues: Sequence[Due],
    now_ms: int,
    clock_sure: bool,
) -> BatchToday:
    wants = needs(batch.species, batch.stage, config.season.species)
    so_far = progress(batch, wants, config.season, now_ms, clock_sure=clock_sure)
    last = batch.looks[-1] if batch.looks else None
    return BatchToday(
        batch=batch,
        made=made_of(batch.species, batch.kind, batch.count),
        so_far=so_far,
        looked_ms=None if last is None else last.at_ms,
        looked="" if last is None else look_says(last),
        unmeasured=_unmeasured(batch, chamber),
        proposal=_proposal(batch, so_far),
        tasks=tuple(_task(each) for each in dues if each.batch == batch.name),
        notes=tuple(
            Task(note, urgent=not note.startswith(_PLAIN_NOTE))
            for note in so_far.notes
            if note != CLOCK_NOT_SET
        ),
    )


def _unmeasured(batch: Batch, chamber: ChamberConfig | None) -> str:
    if chamber is None or measured(batch, chamber):
        return ""
    part = "unions" if batch.zone is Zone.UNION else "bases"
    high = "" if batch.height_mm is None else f" are {batch.height_mm:g} mm up"
    return f"{part}{high}: their own temperature is not known, the box tells of another height"


def _proposal(batch: Batch, so_far: Progress) -> Task | None:
    if so_far.proposal is None:
        return None
    command = ""
    if so_far.step is not None:
        command = f"bottomheat batch stage {batch.name} {so_far.step.value}"
    elif so_far.move_out:
        command = f"bottomheat batch move {batch.name} --to {UNHEATED}"
    return Task(so_far.proposal, command)


def _task(each: Due) -> Task:
    return Task(each.words, _command(each), each.urgent)


def _command(each: Due) -> str:
    """What says that it is done."""
    if each.reminder is LOOK:
        return f"bottomheat batch look {each.batch} --sampled 10 --callused N --mould N"
    if each.reminder is MOULD:
        return f"bottomheat batch look {each.batch} --sampled 10 --mould N"
    about = each.batch or each.place
    return f"bottomheat done {each.reminder.name}" + (f" {about}" if about else "")


def _rules(dues: Sequence[Due]) -> Iterator[tuple[str, tuple[str, ...]]]:
    if any(each.urgent and each.reminder is MOULD for each in dues):
        yield "IF YOU FIND MOULD", MOULD_RULE
    if any(each.reminder is CLEAN for each in dues):
        yield "BEFORE A NEW BATCH", BEFORE_A_NEW_BATCH


def _before(dues: Sequence[Due]) -> str:
    """The command to give before the first box that has to be opened."""
    for each in dues:
        if each.place not in (None, UNHEATED) and each.reminder not in _FROM_OUTSIDE:
            return f"bottomheat tend {each.place} --doing look"
    return ""


def _after(dues: Sequence[Due]) -> tuple[str, ...]:
    """One command for each kind of thing that is due, for the first of its kind."""
    found: dict[str, str] = {}
    for each in dues:
        found.setdefault(each.reminder.name, _command(each))
    return tuple(found.values())
