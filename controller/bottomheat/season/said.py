"""Entries of the season's ledger in words.  Pure."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Final

from bottomheat.season.ledger import (
    ENDINGS,
    SHARES,
    UNHEATED,
    Kind,
    Look,
    SeasonEntry,
    What,
    Zone,
)

COUNTED: Final[Mapping[str, str]] = {
    "callused": "callused",
    "rooted": "with root tips",
    "buds": "with buds moving",
    "mould": "with mould",
}
"""What each count of a look says."""
_ENDED: Final[Mapping[str, str]] = {
    "callused": "callused",
    "rooted": "rooted",
    "potted": "potted",
    "alive": "alive",
}


def says(entry: SeasonEntry) -> str:
    """What an entry says, without its batch, its date and its note."""
    data = entry.data
    match entry.what:
        case What.ADD:
            made = made_of(data.get("species"), data.get("kind"), data.get("count"))
            usual = data.get("kind") == Kind.CUTTINGS and data.get("zone") == Zone.BASE
            keys = ("stage", *(() if usual else ("zone",)), "height_mm", "target_c", "at_latest")
            rest = _fields(data, keys)
            return ", ".join([f"added: {made}", in_place(entry.chamber), *rest])
        case What.CHANGE:
            keys = ("species", "kind", "count", "zone", "height_mm", "target_c", "at_latest")
            changed = _fields(data, (*keys, "made_ms"), named=True)
            return "changed: " + (", ".join(changed) or "note")
        case What.LOOK:
            return f"look: {counted(data)}"
        case What.STAGE:
            return f"stage: {data.get('stage')}"
        case What.MOVE:
            out = entry.chamber in (None, UNHEATED)
            return "moved out of the heat" if out else f"moved to {entry.chamber}"
        case What.CLOSE | What.COUNT:
            ends = ", ".join(f"{data[key]} {_ENDED[key]}" for key in ENDINGS if key in data)
            word = "closed" if entry.what is What.CLOSE else "counted"
            return f"{word}: {ends}" if ends else word
        case What.DONE:
            return f"done: {data.get('reminder')}, {entry.chamber or entry.batch or 'all'}"
        case What.SEASON:
            return f"season closed: {data.get('name')}"
        case What.WRITTEN:
            return "taken from the config file"
        case What.WITHDRAW:
            return f"withdraws no. {entry.corrects}"
        case What.UNREADABLE:
            return "cannot be read"


def made_of(species: object, kind: object, count: object) -> str:
    """What was made: "40 mulberry cuttings"."""
    name = "" if species == "other" else f"{species} "
    return f"{count} {name}{'bench grafts' if kind == Kind.GRAFTS else 'cuttings'}"


def in_place(place: str | None) -> str:
    """Where it stands: "in north-bench"."""
    return UNHEATED if place in (None, UNHEATED) else f"in {place}"


def counted(data: Mapping[str, Any]) -> str:
    """What a look has counted: "8 of 10 callused, 4 with root tips, no mould"."""
    shown = [key for key in SHARES if key != "sampled" and data.get(key) is not None]
    sampled = data.get("sampled")
    if not shown:
        return "nothing counted" if sampled is None else f"{sampled} looked at, nothing counted"
    parts = []
    for number, key in enumerate(shown):
        of = f" of {sampled}" if number == 0 and sampled is not None else ""
        none = data[key] == 0 and not of
        parts.append(f"{'none' if none else data[key]}{of} {COUNTED[key]}")
    return ", ".join(parts)


def look_says(look: Look) -> str:
    """What a look has counted, in words."""
    return counted({key: getattr(look, key) for key in SHARES})


def _fields(data: Mapping[str, Any], keys: tuple[str, ...], *, named: bool = False) -> list[str]:
    found = []
    for key in keys:
        if key not in data or (data[key] is None and not named):
            continue
        value = data[key]
        match key:
            case "height_mm":
                found.append("height not said" if value is None else f"{value:g} mm up")
            case "target_c":
                found.append(
                    "target by species and stage" if value is None else f"target {value:g} °C"
                )
            case "at_latest":
                found.append(
                    "at latest as the config says" if value is None else f"at latest {value}"
                )
            case "zone":
                found.append(f"{value} warm")
            case "made_ms":
                found.append("day it was made")
            case _:
                found.append(f"{key} {value}" if named else str(value))
    return found
