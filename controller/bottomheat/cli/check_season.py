"""What ``check`` says about batches: what each box is set to for them, what does not go; pure."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace
from datetime import tzinfo

from bottomheat.cli.findings import Finding, Level, in_two, note, well, wrong
from bottomheat.config import Config
from bottomheat.config_facts import facts_of
from bottomheat.config_nights import cold_night
from bottomheat.season.answer import better_box
from bottomheat.season.from_config import day_of, entries, known_name, name_is_used
from bottomheat.season.ledger import UNHEATED, Batch, Dated, Season, What, Zone, fold
from bottomheat.season.setpoint import Order, measured, rule
from bottomheat.season.species import needs


def season_findings(
    config: Config,
    ledger: Sequence[Dated],
    wall_ms: int,
    *,
    clock_sure: bool,
    zone: tzinfo | None = None,
) -> list[Finding]:
    """What the batches come to, those that the file names for the first time among them.

    Args:
        config: the accepted config.
        ledger: the entries of the log.
        wall_ms: UTC ms.
        clock_sure: the wall clock is synchronised.
        zone: of the days in the file; None: this machine's.
    """
    known_ms = wall_ms if clock_sure else None
    before = fold(ledger)
    new = entries(config, before, known_ms, zone)
    number = max((dated.number for dated in ledger), default=0)
    season = fold(
        [*ledger, *(Dated(number + n, wall_ms, clock_sure, e) for n, e in enumerate(new, 1))]
    )
    found = list(_file(config, before, season, wall_ms, clock_sure=clock_sure, zone=zone))
    told = [entry.batch or "" for entry in new if entry.what is What.WRITTEN]
    if told:
        found.append(
            note(
                f"the file says something new of {', '.join(told)}",
                "a running service takes it within seconds, another when it starts",
            )
        )
    for name in config.chambers:
        found += _box(config, name, season, known_ms)
    for batch in season.batches.values():
        found += _place(config, batch)
    found += _leads(config, season)
    found += [
        note(problem, "bottomheat batch show and batch correct or withdraw mend it")
        for problem in season.problems
    ]
    return found


def _box(config: Config, name: str, season: Season, known_ms: int | None) -> Iterator[Finding]:
    """What one box is set to by the rule, and which batch that does not suit."""
    box = config.chambers[name]
    inside = season.inside(name)
    if not inside:
        return
    if not box.in_use:
        names = ", ".join(batch.name for batch in inside)
        yield note(
            f"{name} is not in use, so there is no heat for {names}",
            f"write in_use: true under {name}, or say where they stand with bottomheat batch move",
        )
        return
    order = rule(config, name, season, known_ms)
    yield well(
        f"{name}: {order.setpoint_c:g} °C, wet layer at most {order.ceiling_c:g} °C; {order.why}"
    )
    yield from _cold_nights(config, name, order, inside)
    for conflict in order.conflicts:
        yield _conflict(config, season, inside, conflict, known_ms)
    for batch in inside:
        yield from _height(config, batch)


def _cold_nights(
    config: Config, name: str, order: Order, inside: Sequence[Batch]
) -> Iterator[Finding]:
    """What limits and ceiling make of a cold night where the batches want more than the file."""
    box = config.chambers[name]
    if (order.setpoint_c, order.ceiling_c) == (box.callus_zone_c, box.layer_ceiling_c):
        return  # said of the config
    house = facts_of(config.model_dump(by_alias=True))
    written = next(each for each in house.chambers if each.name == name)
    facts = replace(written, setpoint_c=order.setpoint_c, ceiling_c=order.ceiling_c)
    problems, warnings = cold_night(facts, config.coldest_room_c)
    for problem in (*problems, *warnings):
        text, do = in_two(problem.message)
        subject = f"{'.'.join(str(part) for part in problem.path[2:])} "
        level = Level.WRONG if problem in problems else Level.NOTE
        if problem.path[-1] == "layer_ceiling":
            level = Level.NOTE  # slower, and no more
            holder = _holder(config, order, inside)
            if holder is not None:
                subject = f"the ceiling of {order.ceiling_c:g} °C for {holder.name} "
                do = "insulate the box"
                if holder.name != order.lead:
                    do += f", or move {holder.name}"
        if problem.path == ("coldest_room",):
            continue
        text = subject + text.removeprefix("this ") if text.startswith("this ") else text
        yield Finding(level, f"{name}: {text}", do)


def _holder(config: Config, order: Order, inside: Sequence[Batch]) -> Batch | None:
    """The batch whose stage sets the ceiling; None where the file does."""
    for batch in inside:
        wants = needs(batch.species, batch.stage, config.season.species)
        if wants.ceiling_c == order.ceiling_c < config.chambers[batch.place].layer_ceiling_c:
            return batch
    return None


def _conflict(
    config: Config,
    season: Season,
    inside: Sequence[Batch],
    conflict: str,
    known_ms: int | None,
) -> Finding:
    batch = next((each for each in inside if conflict.startswith(f"{each.name} (")), None)
    text, do = in_two(conflict, ": ")
    box = None if batch is None else better_box(config, season, batch, known_ms)
    if batch is None or box is None:
        return note(text, do)
    return note(text, f"{do}, to {box}: bottomheat batch move {batch.name} --to {box}")


def _height(config: Config, batch: Batch) -> Iterator[Finding]:
    """Whether the box knows how warm that part of the batch is."""
    box = config.chambers[batch.place]
    if measured(batch, box):
        return
    part = "unions" if batch.zone is Zone.UNION else "bases"
    high = "" if batch.height_mm is None else f", {batch.height_mm:g} mm above the wet layer,"
    yield note(
        f"{batch.name}: how warm its {part}{high} are is not known, because {batch.place} was "
        "calibrated for another height",
        f"calibrate at that height, and write zone and zone_height under {batch.place}",
    )


def _place(config: Config, batch: Batch) -> Iterator[Finding]:
    if batch.open and batch.place not in (UNHEATED, *config.chambers):
        yield wrong(
            f"{batch.name} stands in {batch.place}, which the config does not have: nothing heats "
            "it",
            f"say where it stands: bottomheat batch move {batch.name} --to "
            f"{next(iter(config.chambers))}",
        )


def _leads(config: Config, season: Season) -> Iterator[Finding]:
    """Leads that the ledger does not know, or that no longer stand anywhere."""
    for name, box in config.chambers.items():
        if box.lead is None:
            continue
        batch = season.batches.get(known_name(box.lead, season))
        if batch is None:
            yield note(
                f"{name}: there is no batch {box.lead} to lead it",
                "look at lead there, and at bottomheat batch list",
            )
        elif not batch.open:
            yield note(f"{name}: {batch.name} is to lead it and is closed", "take lead out there")


def _file(
    config: Config,
    before: Season,
    season: Season,
    wall_ms: int,
    *,
    clock_sure: bool,
    zone: tzinfo | None,
) -> Iterator[Finding]:
    """Lines of the file that do not do what they seem to."""
    today = day_of(wall_ms, zone)
    for name, written in config.batches.items():
        batch = season.batches.get(known_name(name, season))
        if name_is_used(written, before.batches.get(known_name(name, before)), zone):
            yield note(
                f"{name} was closed, and the file has another of that name, made on "
                f"{written.made}: nothing of it counts",
                "give the new one another name in the file",
            )
            continue
        for key, day in (("made", written.made), ("since", written.since)):
            if clock_sure and day is not None and day > today:
                yield note(f"{name}: {key} is {day}, which is still to come", "look at the year")
        if batch is None:
            yield note(
                f"{name} was withdrawn, and stands in the file as before",
                "take it out of the file, or change its lines to have it again",
            )
        elif batch.open and written.since is not None and written.stage == batch.stage.value:
            begun = day_of(batch.stages[-1].from_ms, zone)
            if begun != written.since and written.since <= today:
                yield note(
                    f"{name}: its stage began on {written.since} by the file and on {begun} by "
                    "what was entered, which counts",
                    f"bottomheat batch correct mends the entry that bottomheat batch show {name} "
                    "gives",
                )
