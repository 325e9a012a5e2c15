"""Rules across what a config says of plants: season, species of the grower's own, batches."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any, Final, TypeVar

from pydantic import BaseModel, ValidationError

from bottomheat.alike import alike
from bottomheat.config import Path, Problem
from bottomheat.config_facts import HouseFacts
from bottomheat.config_numbers import shown
from bottomheat.config_offsets import SETPOINT_TO_CALLUS_LIMIT_K
from bottomheat.config_season import OwnNeeds, OwnSpecies, WrittenBatch, plain_name
from bottomheat.season.ledger import UNHEATED, Stage
from bottomheat.season.species import OWN, SPECIES, VALUES, Needs, doubts, known, needs

_M = TypeVar("_M", bound=BaseModel)
_STAGE_FIELDS: Final = {
    Stage.CALLUSING: "callusing",
    Stage.ROOTING: "rooting",
    Stage.HARDENING: "hardening_off",
}


def review_season(data: object, house: HouseFacts) -> tuple[list[Problem], list[Problem]]:
    """Apply the rules; gives problems and warnings, without lines; never raises."""
    season = _below(data, "season")
    own = _each(OwnSpecies, _below(season, "species"))
    batches = _each(WrittenBatch, _below(data, "batches"))
    chambers = _below(data, "chambers")
    boxes = [str(name) for name in chambers] if isinstance(chambers, Mapping) else []
    problems = [
        *_box_names(house),
        *_names(_below(data, "batches")),
        *_reminders(_below(season, "reminders")),
    ]
    warnings: list[Problem] = []
    for species, mine in own.items():
        found, notes = _own_numbers(species, mine, own)
        problems += found
        warnings += notes
    for name, batch in batches.items():
        problems += _impossible(name, batch, boxes)
        warnings += _questionable(name, batch, own, house)
    warnings += _leads(house, batches)
    warnings += _places(house)
    warnings += _probes_wanted(season, house)
    return problems, warnings


def _box_names(house: HouseFacts) -> Iterator[Problem]:
    for chamber in house.chambers:
        if chamber.name == UNHEATED:
            yield chamber.problem(
                (),
                f"a box cannot be called {UNHEATED}, which is the place of batches that stand in "
                "no box; give it another name",
            )


def _names(batches: object) -> Iterator[Problem]:
    """Names that commands could not tell from each other, or from a place."""
    first: dict[str, str] = {}
    for name in (str(key) for key in batches) if isinstance(batches, Mapping) else ():
        if plain_name(name) == UNHEATED:
            yield Problem(
                ("batches", name),
                None,
                f"{UNHEATED} is the place of batches that stand in no box; give this batch "
                "another name",
            )
        before = first.setdefault(plain_name(name), name)
        if before != name:
            yield Problem(
                ("batches", name),
                None,
                f"{shown(name)} and {before} differ in capitals and hyphens only, which commands "
                "do not go by; give one of them another name",
            )


def _reminders(reminders: object) -> Iterator[Problem]:
    if not reminders:
        return
    from bottomheat.season.reminders import BY_NAME  # the service has to stay small

    for name in reminders if isinstance(reminders, Mapping) else ():
        if name in BY_NAME:
            continue
        near = alike(str(name), BY_NAME)
        remedy = f"did you mean {near[0]}?" if near else f"they are {', '.join(BY_NAME)}"
        yield Problem(
            ("season", "reminders", str(name)),
            None,
            f"there is no reminder {shown(str(name))}; {remedy}",
        )


def _own_numbers(
    species: str, mine: OwnSpecies, own: Mapping[str, OwnSpecies]
) -> tuple[list[Problem], list[Problem]]:
    """Own numbers that contradict each other, and those that contradict the table's."""
    problems, warnings = [], []
    for stage, key in _STAGE_FIELDS.items():
        given: OwnNeeds | None = getattr(mine, key)
        if given is None:
            continue
        path: Path = ("season", "species", species, stage.value)
        numbers: dict[str, Any] = {name: getattr(given, name, None) for name in VALUES}
        alone = Needs(**numbers, sources=dict.fromkeys(VALUES, OWN))
        by_itself = doubts(alone)
        problems += [Problem(path, None, _parted(text)) for text in by_itself]
        warnings += [
            Problem(path, None, _parted(text))
            for text in doubts(needs(species, stage, own))
            if text not in by_itself
        ]
    return problems, warnings


def _parted(text: str) -> str:
    """A sentence with what to do after a semicolon, as everywhere in a config's problems."""
    return "; ".join(text.rsplit(": ", 1))


def _impossible(name: str, batch: WrittenBatch, boxes: list[str]) -> Iterator[Problem]:
    places = [*boxes, UNHEATED]
    if batch.chamber not in places:
        near = alike(batch.chamber.lower(), places)
        remedy = f"did you mean {near[0]}?" if near else f"write one of {', '.join(places)}"
        yield _about(name, "chamber", f"there is no box called {shown(batch.chamber)}; {remedy}")
    if batch.since is not None and batch.since < batch.made:
        yield _about(
            name,
            "since",
            f"the stage cannot have begun on {batch.since}, before the batch was made on "
            f"{batch.made}; look at both days",
        )


def _questionable(
    name: str,
    batch: WrittenBatch,
    own: Mapping[str, OwnSpecies],
    house: HouseFacts,
) -> Iterator[Problem]:
    if not known(batch.species, own):
        yield _unknown_species(name, batch, own)
    if batch.kind == "cuttings" and batch.zone == "union":
        yield _about(
            name, "zone", "cuttings have no union; write zone: base, or kind: grafts if they are"
        )
    box = next((each for each in house.chambers if each.name == batch.chamber), None)
    if box is not None and not box.in_use:
        yield _about(
            name,
            "chamber",
            f"{box.name} is not in use, so this batch gets no heat; write in_use: true there, or "
            f"chamber: {UNHEATED} here",
        )
    if batch.target_c is None:
        return
    wants = needs(batch.species, Stage(batch.stage), own)
    limit_c = wants.warm_limit_c
    if limit_c is not None and batch.target_c > limit_c:
        yield _about(
            name,
            "target",
            f"{batch.target_c:g} °C is above the warm limit of {limit_c:g} °C "
            f"{wants.mark('warm_limit_c')} for {batch.species} in this stage, and no box with it "
            "inside is set warmer than that; if you know better, set warm_limit under "
            "season.species",
        )
    if box is None or box.callus_c is None:
        return
    highest_c = box.callus_c - SETPOINT_TO_CALLUS_LIMIT_K
    if batch.target_c > highest_c:
        yield _about(
            name,
            "target",
            f"{batch.target_c:g} °C is too near the callus limit of {box.callus_c:g} °C of "
            f"{box.name}, which is set no warmer than {highest_c:g} °C; raise limits.callus there "
            "if the plants allow it, or choose another box",
        )


def _unknown_species(name: str, batch: WrittenBatch, own: Mapping[str, OwnSpecies]) -> Problem:
    names = [*own, *SPECIES]
    near = alike(batch.species, names, 0.7)
    held = "its target" if batch.target_c is not None else "callus_zone of its box"
    remedy = (
        f"did you mean {near[0]}?" if near else "write what you know of it under season.species"
    )
    return _about(
        name,
        "species",
        f"nothing is known of what {batch.species} wants, so {held} is held and no warm limit "
        f"guards it; {remedy}",
    )


def _leads(house: HouseFacts, batches: Mapping[str, WrittenBatch]) -> Iterator[Problem]:
    """A lead that the file does not know may have been added by command."""
    written = {name.casefold(): (name, batch) for name, batch in batches.items()}
    led: dict[str, str] = {}
    for box in house.chambers:
        if box.lead is None:
            continue
        if not box.by_batches:
            yield box.problem(
                ("lead",),
                "no batch leads a box with setpoint_by: config; take one of the two out",
            )
        other = led.setdefault(box.lead.casefold(), box.name)
        if other != box.name:
            yield box.problem(
                ("lead",),
                f"{box.lead} is to lead {other} too, and a batch stands in one box; name another "
                "here",
            )
            continue
        name, batch = written.get(box.lead.casefold(), (box.lead, None))
        if batch is not None and batch.chamber != box.name:
            yield box.problem(
                ("lead",),
                f"{name} stands in {batch.chamber} by what is written under batches, and leads "
                "here only once it is moved; look at both",
            )


def _places(house: HouseFacts) -> Iterator[Problem]:
    for box in house.chambers:
        if box.zone_height_mm is not None and box.zone is None:
            yield box.problem(
                ("zone_height",),
                "it is not said what lies at this height, and it is taken for that of the bases; "
                "write zone: base or zone: union",
            )


def _probes_wanted(season: object, house: HouseFacts) -> Iterator[Problem]:
    """What is asked for by name, and no probe can tell."""
    wanted = (
        ("warn_top_above", "top", "at the buds in any box, so nothing is said of warm buds"),
        ("room_low", "room", "in the room of any box, so nothing is said of a cold room"),
    )
    for key, place, told in wanted:
        given = isinstance(season, Mapping) and season.get(key) is not None
        all_read = all(chamber.probes_read for chamber in house.chambers)
        if given and all_read and not any(c.has_probe(place) for c in house.chambers):
            yield Problem(
                ("season", key), None, f"no probe lies {told}; name one under probes.{place}"
            )


def _about(name: str, key: str, message: str) -> Problem:
    return Problem(("batches", name, key), None, message)


def _below(data: object, key: str) -> object:
    return data.get(key) if isinstance(data, Mapping) else None


def _each(model: type[_M], data: object) -> dict[str, _M]:
    """Those of named sections that are right."""
    found: dict[str, _M] = {}
    for name, each in data.items() if isinstance(data, Mapping) else ():
        try:
            found[str(name)] = model.model_validate(each, by_alias=True, by_name=False)
        except ValidationError:
            continue
    return found
