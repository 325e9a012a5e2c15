"""The batches and their entries, as text of 80 columns and as plain data."""

from __future__ import annotations

import textwrap
from collections.abc import Iterable, Iterator, Mapping, Sequence
from datetime import UTC, datetime, tzinfo
from typing import TYPE_CHECKING, Any, Final

from bottomheat.cli.batch_when import day_words
from bottomheat.season import said
from bottomheat.season.ledger import (
    ENDINGS,
    SHARES,
    UNHEATED,
    Batch,
    Dated,
    Season,
    What,
    Zone,
    standing,
)
from bottomheat.season.request import root_of
from bottomheat.season.species import SPECIES, needs

if TYPE_CHECKING:
    from bottomheat.config import Config

WIDTH: Final = 80
NONE_YET: Final = "No batch yet: bottomheat batch add MUL-1 mulberry 40"


def listed(
    season: Season, now_ms: int, *, whole: bool, clock_set: bool, zone: tzinfo | None = None
) -> str:
    """The batches by place, open ones first.

    Args:
        season: what the ledger comes to.
        now_ms: UTC ms.
        whole: also those that are closed.
        clock_set: the wall clock can be trusted to count days.
        zone: time zone of the days; None is this machine's.
    """
    alive = [batch for batch in season.batches.values() if batch.open]
    closed = [batch for batch in season.batches.values() if not batch.open]
    lines: list[str] = []
    places = {batch.place for batch in alive}
    for place in sorted(places, key=lambda each: (each == UNHEATED, each)):
        lines.append(place)
        for batch in season.inside(place):
            lines += _in_list(batch, now_ms, zone, clock_set=clock_set)
    if not season.batches:
        lines.append(NONE_YET)
    elif not alive:
        lines.append("No batch is open.")
    if whole and closed:
        lines.append("closed")
        for batch in closed:
            lines += _wrapped(f"  {batch.name}  {_made(batch)}, {_closed(batch, zone)}", 4)
    elif closed:
        lines.append(f"{len(closed)} closed: bottomheat batch list --all")
    lines += (line for text in season.problems for line in _wrapped(f"! {text}", 2))
    return "\n".join(lines)


def _in_list(batch: Batch, now_ms: int, zone: tzinfo | None, *, clock_set: bool) -> Iterator[str]:
    far = batch.stage.value
    if clock_set:
        days = batch.days(now_ms)
        made = {0: "today", 1: "yesterday"}.get(days, f"{days} days ago")
        far += f" day {batch.stage_days(now_ms)}, made {made}"
    yield from _wrapped(f"  {batch.name}  {_made(batch)}, {far}", 4)
    if batch.looks:
        look = batch.looks[-1]
        yield from _wrapped(f"    {day_words(look.at_ms, zone)}: {said.look_says(look)}", 6)


def _made(batch: Batch) -> str:
    return said.made_of(batch.species, batch.kind, batch.count)


def _closed(batch: Batch, zone: tzinfo | None) -> str:
    day = "" if batch.closed_ms is None else f"closed {day_words(batch.closed_ms, zone)}"
    ends = _ends(batch)
    return f"{day}: {ends}" if ends else day


def _ends(batch: Batch) -> str:
    return ", ".join(f"{batch.endings[key]} {key}" for key in ENDINGS if key in batch.endings)


def shown(
    config: Config,
    batch: Batch,
    entries: Sequence[Dated],
    now_ms: int,
    *,
    clock_set: bool,
    zone: tzinfo | None = None,
) -> str:
    """One batch: what it is, where it stood, what it wants, and its entries."""
    made = datetime.fromtimestamp(batch.made_ms / 1000, UTC).astimezone(zone)
    lines = [f"{batch.name}  {_made(batch)}, made {day_words(batch.made_ms, zone)} {made:%Y}"]
    if batch.open:
        day = f" day {batch.stage_days(now_ms)}" if clock_set else ""
        since = day_words(batch.stays[-1].from_ms, zone)
        lines.append(f"  {batch.stage}{day}, {said.in_place(batch.place)} since {since}")
        lines += _wrapped(f"  {_wants(config, batch)}", 2)
    else:
        lines += _wrapped(f"  {_closed(batch, zone)}", 2)
    if batch.open and _ends(batch):
        lines.append(f"  counted: {_ends(batch)}")
    lines += (
        f"  {stay.place}: {day_words(stay.from_ms, zone)} to {day_words(stay.to_ms, zone)}"
        for stay in batch.stays
        if stay.to_ms is not None
    )
    if batch.note:
        lines += _wrapped(f"  {batch.note}", 2)
    lines.append(" no.  when")
    lines += _entries(entries, batch.name, zone)
    return "\n".join(lines)


def _wants(config: Config, batch: Batch) -> str:
    wants = needs(batch.species, batch.stage, config.season.species)
    if batch.target_c is not None:
        band = f"wants {batch.target_c:g} °C, as you said"
    elif wants.band_c is not None:
        band = f"wants {wants.said('band_c')}"
    else:
        band = "what it wants is not known"
    high = "" if batch.height_mm is None else f" {batch.height_mm:g} mm above the wet layer"
    zone = f" at its {'unions' if batch.zone is Zone.UNION else 'bases'}{high}"
    warm = (
        f"; too warm above {wants.said('warm_limit_c')}" if wants.warm_limit_c is not None else ""
    )
    row = SPECIES.get(batch.species)
    notes = "" if row is None or not row.notes else ". " + " ".join(row.notes)
    return f"{band}{zone}{warm}{notes}"


def _entries(entries: Sequence[Dated], name: str, zone: tzinfo | None) -> Iterator[str]:
    for dated, fate in _with_fates(entries, name):
        day = day_words(dated.at_ms, zone)
        doubt = "" if dated.sure or dated.entry.about_ms is not None else " (clock not set)"
        note = f"; {dated.entry.note}" if dated.entry.note else ""
        mark = f" [{fate}]" if fate else ""
        of = "" if dated.entry.batch == name else f" ({dated.entry.batch})"
        corrects = dated.entry.corrects
        instead = ""
        if corrects is not None and dated.entry.what is not What.WITHDRAW:
            instead = f" (instead of {corrects})"
        yield from _wrapped(
            f"{dated.number:4}  {day:6}  {said.says(dated.entry)}{of}{instead}{note}{doubt}{mark}",
            14,
        )


def _with_fates(entries: Sequence[Dated], name: str) -> Iterator[tuple[Dated, str]]:
    """Every entry that is or was about a batch, with what became of it; "" where it holds.

    What the service noted of the config file is left out: nobody can correct it.
    """
    there = {dated.number: dated for dated in entries}
    roots = {number: root_of(there, number) for number in there}
    about = {roots[dated.number] for dated in entries if dated.entry.batch == name}
    hold = {dated.number for dated in standing(entries)}
    by: dict[int, Dated] = {}
    for dated in sorted(entries, key=lambda each: each.number):
        if dated.entry.corrects is not None:
            by[dated.entry.corrects] = dated
    for dated in sorted(entries, key=lambda each: each.number):
        if roots[dated.number] not in about or dated.entry.what is What.WRITTEN:
            continue
        fate = ""
        if dated.number not in hold and dated.entry.what is not What.WITHDRAW:
            after = by.get(dated.number)
            if after is None:
                fate = "does not hold"
            else:
                gone = after.entry.what is What.WITHDRAW
                fate = f"{'withdrawn' if gone else 'corrected'} by {after.number}"
        yield dated, fate


def as_data(season: Season, now_ms: int, *, whole: bool, clock_set: bool) -> dict[str, Any]:
    """The batches as plain JSON data."""
    return {
        "now_ms": now_ms,
        "clock_set": clock_set,
        "batches": [
            one_as_data(batch, now_ms, clock_set=clock_set)
            for batch in season.batches.values()
            if whole or batch.open
        ],
        "problems": list(season.problems),
    }


def one_as_data(batch: Batch, now_ms: int, *, clock_set: bool) -> dict[str, Any]:
    """A batch as plain JSON data; days are null where the clock is not set."""
    return {
        "name": batch.name,
        "species": batch.species,
        "kind": batch.kind.value,
        "count": batch.count,
        "made_ms": batch.made_ms,
        "days": batch.days(now_ms) if clock_set else None,
        "place": batch.place,
        "stage": batch.stage.value,
        "stage_days": batch.stage_days(now_ms) if clock_set else None,
        "zone": batch.zone.value,
        "height_mm": batch.height_mm,
        "target_c": batch.target_c,
        "at_latest": batch.at_latest,
        "note": batch.note,
        "open": batch.open,
        "closed_ms": batch.closed_ms,
        "light_ms": batch.light_ms,
        "stays": [
            {"place": stay.place, "from_ms": stay.from_ms, "to_ms": stay.to_ms}
            for stay in batch.stays
        ],
        "stages": [
            {"stage": spell.stage.value, "from_ms": spell.from_ms, "to_ms": spell.to_ms}
            for spell in batch.stages
        ],
        "looks": [
            {
                "number": look.number,
                "at_ms": look.at_ms,
                **{key: getattr(look, key) for key in SHARES},
                "note": look.note,
            }
            for look in batch.looks
        ],
        "endings": dict(batch.endings),
    }


def entries_as_data(entries: Sequence[Dated], name: str) -> list[Mapping[str, Any]]:
    """The entries of a batch as plain JSON data."""
    return [
        {
            "number": dated.number,
            "entered_ms": dated.entered_ms,
            "sure": dated.sure,
            "at_ms": dated.at_ms,
            "what": dated.entry.what.value,
            "batch": dated.entry.batch,
            "chamber": dated.entry.chamber,
            "data": dict(dated.entry.data),
            "note": dated.entry.note,
            "origin": dated.entry.origin,
            "corrects": dated.entry.corrects,
            "holds": not fate and dated.entry.what is not What.WITHDRAW,
            "fate": fate,
        }
        for dated, fate in _with_fates(entries, name)
    ]


def _wrapped(text: str, indent: int) -> Iterable[str]:
    return textwrap.wrap(
        text,
        WIDTH,
        subsequent_indent=" " * indent,
        drop_whitespace=True,
        break_long_words=False,
        break_on_hyphens=False,
    )
