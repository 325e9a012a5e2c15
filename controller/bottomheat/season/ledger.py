"""The season's ledger: dated entries, and the batches that they tell of.  Pure.

Entries are only ever added.  What was entered wrongly is corrected or withdrawn by a further entry
that names it, and both stay.  ``fold`` makes of the entries what holds: where each batch stood from
when to when, in which stage, and what was seen at each look.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from enum import StrEnum
from typing import Any, Final

DAY_MS: Final = 86_400_000
EARLIEST_MS: Final = 946_684_800_000
"""2000-01-01: earlier is a slip of the finger."""
LATEST_MS: Final = 4_102_444_800_000
"""2100-01-01."""
UNHEATED: Final = "unheated"
"""The place of a batch that stands in no heated box."""
SHARES: Final = ("sampled", "callused", "rooted", "buds", "mould")
"""What is counted at a look."""
ENDINGS: Final = ("callused", "rooted", "potted", "alive")
"""What is counted at the end, and after it."""


class Stage(StrEnum):
    """How far a batch has come."""

    CALLUSING = "callusing"
    ROOTING = "rooting"
    HARDENING = "hardening-off"


class Kind(StrEnum):
    """What was made."""

    CUTTINGS = "cuttings"
    GRAFTS = "grafts"


class Zone(StrEnum):
    """Which part of the plant is to be warm."""

    BASE = "base"
    UNION = "union"


class What(StrEnum):
    """What an entry says."""

    ADD = "add"
    CHANGE = "change"
    LOOK = "look"
    STAGE = "stage"
    MOVE = "move"
    CLOSE = "close"
    COUNT = "count"
    DONE = "done"
    SEASON = "season"
    WRITTEN = "written"
    WITHDRAW = "withdraw"
    UNREADABLE = "unreadable"


@dataclass(frozen=True, slots=True)
class SeasonEntry:
    """One entry, as it is handed to the log.

    Attributes:
        what: what it says.
        batch: of which batch; None where it is about a box, the house or the season.
        chamber: a box, or ``UNHEATED``, where the entry names a place.
        data: the rest, plain JSON data.  ADD: species, kind, count, made_ms, zone, height_mm,
            target_c, stage, at_latest.  CHANGE: any of these.  LOOK: any of ``SHARES``.  STAGE:
            stage.  CLOSE and COUNT: any of ``ENDINGS``.  DONE: reminder.  SEASON: name, from_ms.
            WRITTEN: what the config file says of the batch, so that only a change of it counts.
        note: the grower's words.
        about_ms: when it happened, UTC ms; None: when it was entered.
        origin: "command", "config" or "service".
        corrects: the number of the entry that this one replaces or withdraws.
    """

    what: What
    batch: str | None = None
    chamber: str | None = None
    data: Mapping[str, Any] = field(default_factory=dict)
    note: str = ""
    about_ms: int | None = None
    origin: str = "command"
    corrects: int | None = None


@dataclass(frozen=True, slots=True)
class Dated:
    """An entry with its number and the time it was entered, UTC ms.

    ``sure`` is False where the clock had not been set when it was entered.
    """

    number: int
    entered_ms: int
    sure: bool
    entry: SeasonEntry

    @property
    def at_ms(self) -> int:
        """When it happened, UTC ms: where the clock was set, never after it was entered."""
        about_ms = self.entry.about_ms
        if about_ms is None:
            return self.entered_ms
        return min(about_ms, self.entered_ms) if self.sure else about_ms


@dataclass(frozen=True, slots=True)
class Stay:
    """A batch in one place, a chamber's name or ``UNHEATED``; ``to_ms`` None: still there."""

    place: str
    from_ms: int
    to_ms: int | None = None


@dataclass(frozen=True, slots=True)
class Spell:
    """A batch in one stage; ``to_ms`` None: still in it."""

    stage: Stage
    from_ms: int
    to_ms: int | None = None


@dataclass(frozen=True, slots=True)
class Look:
    """What was seen of a batch; None: not counted."""

    number: int
    at_ms: int
    sampled: int | None = None
    callused: int | None = None
    rooted: int | None = None
    buds: int | None = None
    mould: int | None = None
    note: str = ""

    def share(self, name: str) -> float | None:
        """The share of the sample that shows ``name``, 0 to 1; None where it was not counted."""
        count = getattr(self, name)
        if count is None or not self.sampled:
            return None
        return float(count) / self.sampled


@dataclass(frozen=True, slots=True)
class Batch:
    """Cuttings or grafts made together.

    Attributes:
        name: as the grower calls it.
        species: a name of the species table, or the grower's own.
        kind: cuttings or grafts.
        count: how many were made.
        made_ms: when, UTC ms.
        zone: which part is to be warm.
        height_mm: height of that part above the wet layer; None: not said.
        target_c: the temperature that the grower wants for it, °C; None: by species and stage.
        at_latest: "keep" or "lower-to 18"; None: as the config says.
        note: the grower's words.
        stays: where it stood, oldest first, without gaps.
        stages: oldest first, without gaps.
        looks: oldest first.
        endings: final counts by name.
        closed_ms: when it was closed, UTC ms; None: open.
        light_ms: when it was given light, UTC ms, or None.
    """

    name: str
    species: str
    kind: Kind
    count: int
    made_ms: int
    zone: Zone = Zone.BASE
    height_mm: float | None = None
    target_c: float | None = None
    at_latest: str | None = None
    note: str = ""
    stays: tuple[Stay, ...] = ()
    stages: tuple[Spell, ...] = ()
    looks: tuple[Look, ...] = ()
    endings: Mapping[str, int] = field(default_factory=dict)
    closed_ms: int | None = None
    light_ms: int | None = None

    @property
    def place(self) -> str:
        """Where it stands, or stood last."""
        return self.stays[-1].place if self.stays else UNHEATED

    @property
    def stage(self) -> Stage:
        """How far it has come."""
        return self.stages[-1].stage if self.stages else Stage.CALLUSING

    @property
    def open(self) -> bool:
        """Whether it is still being looked after."""
        return self.closed_ms is None

    def days(self, now_ms: int) -> int:
        """Whole days since it was made."""
        return max(0, (now_ms - self.made_ms) // DAY_MS)

    def stage_days(self, now_ms: int) -> int:
        """Whole days in its present stage."""
        return max(0, (now_ms - self.stages[-1].from_ms) // DAY_MS) if self.stages else 0


@dataclass(frozen=True, slots=True)
class Season:
    """What the entries come to.

    Attributes:
        batches: by name, in the order in which they were made.
        done: when each reminder was last done, UTC ms, by its name and box or batch (None: all).
        closed: the seasons closed, each with its name and when, oldest first.
        written: what the config file last said of each batch.
        problems: entries that could not be taken, each in a sentence; they change nothing.
    """

    batches: Mapping[str, Batch] = field(default_factory=dict)
    done: Mapping[tuple[str, str | None], int] = field(default_factory=dict)
    closed: tuple[tuple[str, int], ...] = ()
    written: Mapping[str, Mapping[str, Any]] = field(default_factory=dict)
    problems: tuple[str, ...] = ()

    def inside(self, place: str) -> tuple[Batch, ...]:
        """The open batches that stand in a place, the oldest first."""
        return tuple(b for b in self.batches.values() if b.open and b.place == place)


def standing(entries: Iterable[Dated]) -> list[Dated]:
    """The entries that hold, by the time they are about.

    A correction stands in the place of what it corrects and keeps its time, unless it gives one.
    """
    kept: dict[int, Dated] = {}
    place: dict[int, int] = {}
    for dated in _placed(entries):
        corrects = dated.entry.corrects
        if corrects is None:
            kept[dated.number] = dated
            continue
        root = place.get(corrects, corrects)
        place[dated.number] = root
        before = kept.pop(root, None)
        if dated.entry.what is What.WITHDRAW or before is None:
            continue
        about_ms = dated.at_ms if dated.entry.about_ms is not None else before.at_ms
        kept[root] = replace(dated, entry=replace(dated.entry, about_ms=about_ms))
    # Of the same time: in the order of what was corrected, lest an ADD come after what followed it.
    return [kept[root] for root in sorted(kept, key=lambda root: (kept[root].at_ms, root))]


def _placed(entries: Iterable[Dated]) -> list[Dated]:
    """The entries as they were made; none of an unset clock comes before one made earlier."""
    placed = []
    newest_ms = 0
    in_order = sorted(entries, key=lambda each: each.number)
    mended = {dated.entry.corrects for dated in in_order}
    for dated in in_order:
        if dated.sure:
            newest_ms = max(newest_ms, dated.entered_ms)
        elif dated.entered_ms < newest_ms:
            dated = replace(dated, entered_ms=newest_ms)
        # A day that was written out counts too: what was entered after it is not from before it.
        if dated.number not in mended:
            newest_ms = max(newest_ms, dated.at_ms)
        placed.append(dated)
    return placed


def fold(entries: Iterable[Dated], until_ms: int | None = None) -> Season:
    """What the entries come to.

    Args:
        entries: all of the log, in any order.
        until_ms: take only what had happened by then, UTC ms; None: all.
    """
    batches: dict[str, Batch] = {}
    done: dict[tuple[str, str | None], int] = {}
    closed: list[tuple[str, int]] = []
    written: dict[str, Mapping[str, Any]] = {}
    written_by: dict[str, int] = {}
    problems: list[str] = []
    for dated in standing(entries):
        if until_ms is not None and dated.at_ms > until_ms:
            continue
        entry = dated.entry
        match entry.what:
            case What.DONE:
                name = str(entry.data.get("reminder"))
                done[name, entry.chamber or entry.batch] = dated.at_ms
                if name == "light":
                    lit = [each for each in batches.values() if each.open and _about(entry, each)]
                    batches |= {each.name: replace(each, light_ms=dated.at_ms) for each in lit}
            case What.SEASON:
                closed.append((str(entry.data.get("name")), dated.at_ms))
            case What.WRITTEN:
                # By the order of entry: a clock that once ran ahead must not keep an old line of
                # the file the newest for ever.
                name = entry.batch or ""
                if dated.number > written_by.get(name, 0):
                    written[name], written_by[name] = entry.data, dated.number
            case What.WITHDRAW:
                pass
            case What.UNREADABLE:
                problems.append(f"entry {dated.number} is not used: {entry.data.get('why')}")
            case _:
                try:
                    batch = _take(batches.get(entry.batch or ""), dated)
                except KeyError as error:
                    problems.append(f"entry {dated.number} ({entry.what}) is not used: no {error}")
                except (TypeError, ValueError, OverflowError) as error:
                    problems.append(f"entry {dated.number} ({entry.what}) is not used: {error}")
                else:
                    batches[batch.name] = batch
    in_order = sorted(batches.values(), key=lambda each: (each.made_ms, each.name))
    return Season(
        {batch.name: batch for batch in in_order}, done, tuple(closed), written, tuple(problems)
    )


def _about(entry: SeasonEntry, batch: Batch) -> bool:
    """Whether an entry is about a batch: by its name, by the box it stands in, or about all."""
    if entry.batch is not None:
        return entry.batch == batch.name
    return entry.chamber is None or entry.chamber == batch.place


def _take(batch: Batch | None, dated: Dated) -> Batch:
    entry, at_ms = dated.entry, dated.at_ms
    if entry.batch is None:
        raise ValueError("it names no batch")
    if entry.what is What.ADD:
        if batch is not None:
            raise ValueError(f"{entry.batch} was there already")
        return _added(entry, at_ms)
    if batch is None:
        raise ValueError(f"{entry.batch} had not been added by then")
    if not batch.open and entry.what in (What.LOOK, What.STAGE, What.MOVE):
        raise ValueError(f"{entry.batch} had been closed by then")
    match entry.what:
        case What.CHANGE:
            return _changed(batch, entry.data, entry.note)
        case What.LOOK:
            counted = {name: _count(entry.data[name]) for name in SHARES if name in entry.data}
            look = Look(dated.number, at_ms, note=entry.note, **counted)
            return replace(batch, looks=(*batch.looks, look))
        case What.STAGE:
            return replace(batch, stages=_staged(batch, Stage(str(entry.data["stage"])), at_ms))
        case What.MOVE:
            if not entry.chamber:
                raise ValueError("it names no place")
            return replace(batch, stays=_moved(batch, entry.chamber, at_ms))
        case _:
            endings = {name: _count(entry.data[name]) for name in ENDINGS if name in entry.data}
            batch = replace(batch, endings={**batch.endings, **endings})
            counts_only = entry.what is What.COUNT or not batch.open
            return batch if counts_only else _closed(batch, at_ms)


def _added(entry: SeasonEntry, at_ms: int) -> Batch:
    data = entry.data
    made_ms = _day_ms(data.get("made_ms", at_ms))
    batch = Batch(
        name=str(entry.batch),
        species=str(data["species"]),
        kind=Kind(str(data["kind"])),
        count=_count(data["count"]),
        made_ms=made_ms,
        note=entry.note,
        stays=(Stay(entry.chamber or UNHEATED, at_ms),),
        stages=(Spell(Stage(str(data.get("stage", Stage.CALLUSING))), at_ms),),
    )
    rest = {key: data[key] for key in ("zone", "height_mm", "target_c", "at_latest") if key in data}
    return _changed(batch, rest, entry.note)


def _changed(batch: Batch, data: Mapping[str, Any], note: str) -> Batch:
    new: dict[str, Any] = {"note": note} if note else {}
    for key, value in data.items():
        match key:
            case "species":
                new[key] = str(value)
            case "kind":
                new[key] = Kind(str(value))
            case "zone":
                new[key] = Zone(str(value))
            case "count":
                new[key] = _count(value)
            case "made_ms":
                new[key] = _day_ms(value)
            case "height_mm" | "target_c":
                new[key] = None if value is None else _number(value)
            case "at_latest":
                new[key] = None if value is None else str(value)
            case _:
                raise ValueError(f"a batch has no {key}")
    return replace(batch, **new)


def _day_ms(value: Any) -> int:
    made_ms = int(value)
    if not 0 <= made_ms < LATEST_MS:  # a clock that is not set begins in 1970
        raise ValueError("the day it was made cannot be meant")
    return made_ms


def _count(value: object) -> int:
    if isinstance(value, bool) or not isinstance(value, int) or value < 0:
        raise ValueError(f"{value!r} is no count")
    return value


def _number(value: object) -> float:
    """A number that may be controlled by: what is none or not finite never reaches a setpoint."""
    if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
        raise ValueError(f"{value!r} is no number")
    return float(value)


def _staged(batch: Batch, stage: Stage, at_ms: int) -> tuple[Spell, ...]:
    last = batch.stages[-1]
    if last.stage is stage:
        return batch.stages
    at_ms = max(at_ms, last.from_ms)
    return (*batch.stages[:-1], replace(last, to_ms=at_ms), Spell(stage, at_ms))


def _moved(batch: Batch, place: str, at_ms: int) -> tuple[Stay, ...]:
    last = batch.stays[-1]
    if last.place == place:
        return batch.stays
    at_ms = max(at_ms, last.from_ms)
    return (*batch.stays[:-1], replace(last, to_ms=at_ms), Stay(place, at_ms))


def _closed(batch: Batch, at_ms: int) -> Batch:
    stay, spell = batch.stays[-1], batch.stages[-1]
    return replace(
        batch,
        stays=(*batch.stays[:-1], replace(stay, to_ms=max(at_ms, stay.from_ms))),
        stages=(*batch.stages[:-1], replace(spell, to_ms=max(at_ms, spell.from_ms))),
        closed_ms=at_ms,
    )
