"""What the grower is told of an entry: what is kept, what the box does now, what is next.  Pure."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import replace
from typing import Any, Final

from bottomheat.config import Config
from bottomheat.season import said
from bottomheat.season.ledger import (
    DAY_MS,
    UNHEATED,
    Batch,
    Dated,
    Season,
    Stay,
    What,
    Zone,
)
from bottomheat.season.reminders import BY_NAME, every_days
from bottomheat.season.setpoint import Order, measured, rule
from bottomheat.season.species import Needs, needs
from bottomheat.season.stages import progress

LONG_AGO_MS: Final = 150 * DAY_MS
"""A batch that was made so long before it was entered may have last year's number in its date."""
_SAME_K: Final = 0.05
_STEP_K: Final = 0.1
_LOOKED: Final = (What.ADD, What.CHANGE, What.LOOK, What.STAGE, What.MOVE)


def answer(
    config: Config,
    before: Season,
    after: Season,
    new: Dated,
    base: Dated | None,
    known_ms: int | None,
    in_force_c: Mapping[str, float],
    *,
    kept: bool,
) -> dict[str, Any]:
    """The answer to a request that was understood, plain JSON data.

    Args:
        config: the accepted config, as written.
        before: what the ledger came to without the entry.
        after: what it comes to with it.
        new: the entry.
        base: the entry that it corrects or withdraws.
        known_ms: the last time that was known, UTC ms, or None.
        in_force_c: the setpoint now in force, °C, by box, which may still be on its way down; a
            box that is missing is where the rule had it.
        kept: it says something new.

    Returns:
        ``what``, ``kept``, ``number``, ``batch``, ``said`` (the entry in words), ``at_ms`` (None:
        its date is placed once the clock is set), ``corrects`` and ``was`` (the entry it corrects),
        ``stands`` (the batch now), and lists: ``boxes``, ``conflicts`` and ``notes`` (sentences),
        ``next`` (sentences with the command, if there is one).  No sentence has a full stop.
    """
    entry = new.entry
    batch = after.batches.get(entry.batch or "")
    touched = batch if entry.what is not What.DONE else None
    boxes, conflicts = _boxes(config, before, after, touched, known_ms, in_force_c)
    steps = [*_moves(config, after, conflicts, known_ms)]
    notes: list[str] = []
    if batch is not None and entry.what in _LOOKED:
        wants = needs(batch.species, batch.stage, config.season.species)
        notes += _notes(config, batch, wants, new)
        steps += _next(config, batch, wants, new, known_ms)
    if batch is not None and entry.what is What.CLOSE:
        steps.append({"text": "counts may follow later", "do": f"batch count {batch.name} --alive"})
    if entry.what is What.DONE:
        steps += _again(config, new)
    return {
        "ok": True,
        "what": entry.what.value,
        "kept": kept,
        "number": new.number,
        "batch": entry.batch,
        "chamber": entry.chamber,
        "said": said.says(entry),
        "note": entry.note,
        "at_ms": _at_ms(new, base),
        "corrects": None if base is None else base.number,
        "was": None if base is None else said.says(base.entry),
        "stands": None if batch is None else _stands(batch),
        "boxes": boxes,
        "conflicts": [text for _, text in conflicts],
        "notes": notes,
        "next": steps,
    }


def _at_ms(new: Dated, base: Dated | None) -> int | None:
    if new.entry.about_ms is not None:
        return new.entry.about_ms
    dated = new if base is None else base
    return dated.at_ms if dated.sure or dated.entry.about_ms is not None else None


def _stands(batch: Batch) -> dict[str, Any]:
    return {
        "made": said.made_of(batch.species, batch.kind, batch.count),
        "stage": batch.stage.value,
        "place": batch.place,
        "open": batch.open,
        "since_ms": batch.stages[-1].from_ms if batch.stages else None,
    }


# -- the boxes


_Conflict = tuple[Batch | None, str]


def _boxes(
    config: Config,
    before: Season,
    after: Season,
    batch: Batch | None,
    known_ms: int | None,
    in_force_c: Mapping[str, float],
) -> tuple[list[dict[str, Any]], list[_Conflict]]:
    """The boxes that do something else now and that of the batch; what does not go together."""
    shown, conflicts = [], []
    for name in config.chambers:
        old, new = (rule(config, name, season, known_ms) for season in (before, after))
        changed = (old.setpoint_c, old.ceiling_c, old.lead) != (
            new.setpoint_c,
            new.ceiling_c,
            new.lead,
        )
        here = batch is not None and batch.open and batch.place == name
        if changed or here:
            had_c = in_force_c.get(name, old.setpoint_c)
            shown.append(_box(config, name, old, new, had_c, changed=changed))
        told = set(old.conflicts)
        inside = after.inside(name)
        for text in new.conflicts:
            of = next((each for each in inside if text.startswith(f"{each.name} (")), None)
            if text not in told or (here and of is batch):
                conflicts.append((of, text))
    return shown, conflicts


def _box(
    config: Config, name: str, old: Order, new: Order, had_c: float, *, changed: bool
) -> dict[str, Any]:
    at_once_c = per_day_k = None
    if new.setpoint_c < had_c - _SAME_K and new.lead is not None:
        per_day_k = config.season.lower_per_day_k
        cap_c = math.floor(new.cap_c / _STEP_K + 1e-6) * _STEP_K
        if cap_c < had_c - _SAME_K:
            at_once_c = round(max(cap_c, new.setpoint_c), 1)
            per_day_k = per_day_k if at_once_c > new.setpoint_c + _SAME_K else None
    return {
        "box": name,
        "in_use": config.chambers[name].in_use,
        "changed": changed,
        "new_lead": new.lead != old.lead,
        "setpoint_c": new.setpoint_c,
        "before_c": had_c,
        "at_once_c": at_once_c,
        "per_day_k": per_day_k,
        "ceiling_c": new.ceiling_c,
        "lead": new.lead,
        "why": new.why,
    }


def _moves(
    config: Config, season: Season, conflicts: list[_Conflict], known_ms: int | None
) -> Iterator[dict[str, Any]]:
    """For the first batch that its box does not suit and that has a better one, that one.

    One move at a time: the next may not be needed after it.
    """
    for batch, _ in conflicts:
        if batch is None:
            continue
        box = better_box(config, season, batch, known_ms)
        if box is not None:
            text = f"{box} would suit {batch.name}"
            yield {"text": text, "do": f"batch move {batch.name} --to {box}"}
            return


def better_box(config: Config, season: Season, batch: Batch, known_ms: int | None) -> str | None:
    """A heated box that suits a batch without any new conflict in it; None where there is none."""
    for name, box in config.chambers.items():
        if name == batch.place or not box.in_use:
            continue
        moved = replace(batch, stays=(*batch.stays, Stay(name, known_ms or batch.made_ms)))
        trial = replace(season, batches={**season.batches, batch.name: moved})
        old, new = (set(rule(config, name, each, known_ms).conflicts) for each in (season, trial))
        if not new - old:
            return name
    return None


# -- the batch


def _notes(config: Config, batch: Batch, wants: Needs, new: Dated) -> Iterator[str]:
    entry = new.entry
    box = config.chambers.get(batch.place)
    if box is None:
        if entry.what in (What.ADD, What.MOVE):
            yield "it stands without heat: no box looks after it"
    elif not box.in_use:
        yield f"{batch.place} is not in use (in_use: false in the config): there is no heat"
    elif entry.what in (What.ADD, What.MOVE) or "zone" in entry.data or "height_mm" in entry.data:
        yield from _height(batch, config)
    if entry.what is What.ADD:
        if wants.band_c is None:
            yield (
                f"no temperatures are known for {batch.species}: the box goes by its callus_zone; "
                "--target sets your own"
            )
        yield from _long_ago(batch, new)
    if entry.what is What.CHANGE and "made_ms" in entry.data:
        yield from _long_ago(batch, new)
    if entry.what is What.LOOK and entry.data.get("mould"):
        yield (
            "mould: take it out with its neighbours, let air in, clean hands and tools, and look "
            "every day for a week"
        )


def _height(batch: Batch, config: Config) -> Iterator[str]:
    box = config.chambers[batch.place]
    if measured(batch, box):
        return
    high = "" if batch.height_mm is None else f" {batch.height_mm:g} mm up"
    at = "" if box.zone_height_mm is None else f" {box.zone_height_mm:g} mm up"
    yield (
        f"the temperature of its {batch.zone}s{high} is not known: {batch.place} works out that of "
        f"{box.zone or Zone.BASE}s{at}"
    )


def _long_ago(batch: Batch, new: Dated) -> Iterator[str]:
    if new.sure and new.entered_ms - batch.made_ms > LONG_AGO_MS:
        yield f"it was made {batch.days(new.entered_ms)} days ago: is the year right?"


def _next(
    config: Config, batch: Batch, wants: Needs, new: Dated, known_ms: int | None
) -> Iterator[dict[str, Any]]:
    if not batch.open:
        return
    now_ms = new.entered_ms if known_ms is None else known_ms
    there = progress(batch, wants, config.season, now_ms, clock_sure=new.sure)
    what = new.entry.what
    if what in (What.LOOK, What.STAGE):
        for note in there.notes:
            if new.sure:  # that the clock is not set is said once for all
                yield {"text": note, "do": None}
    if there.proposal is not None and what is not What.STAGE:
        do = None if there.step is None else f"batch stage {batch.name} {there.step}"
        if there.step is None and there.move_out:
            do = f"batch move {batch.name} --to {UNHEATED}"
        yield {"text": there.proposal, "do": do}
    elif there.expected is not None and what in (What.ADD, What.STAGE, What.LOOK):
        low, high = there.expected
        day = f", day {there.stage_day} now" if there.stage_day else ""
        until = f", until {wants.until}" if wants.until and what is not What.LOOK else ""
        yield {
            "text": f"{batch.stage} takes {low} to {high} days {there.expected_mark}{day}{until}",
            "do": None,
        }
    if there.light_due and what is What.LOOK:
        yield {"text": "light is due; when it has some", "do": f"done light {batch.name}"}


def _again(config: Config, new: Dated) -> Iterator[dict[str, Any]]:
    reminder = BY_NAME.get(str(new.entry.data.get("reminder")))
    days = 0.0 if reminder is None or reminder.once else every_days(reminder, config)
    if days > 0 and new.sure:
        yield {"text": "due again", "at_ms": new.at_ms + round(days * DAY_MS), "do": None}
