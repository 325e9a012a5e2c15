"""What each kind of entry may hold, checked field by field.  Pure."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any, Final

from bottomheat.asked import text_of
from bottomheat.config import Config
from bottomheat.errors import InputError
from bottomheat.season import asked
from bottomheat.season.ledger import ENDINGS, SHARES, Kind, Season, Stage, What, Zone
from bottomheat.season.reminders import BY_NAME

_ADDED = frozenset(
    {
        *("species", "kind", "count", "made_ms", "zone", "height_mm"),
        *("target_c", "stage", "at_latest"),
    }
)
DATA: Final[Mapping[What, frozenset[str]]] = {
    What.ADD: _ADDED,
    What.CHANGE: _ADDED - {"stage"},
    What.LOOK: frozenset(SHARES),
    What.STAGE: frozenset({"stage"}),
    What.MOVE: frozenset(),
    What.CLOSE: frozenset(ENDINGS),
    What.COUNT: frozenset(ENDINGS),
    What.DONE: frozenset({"reminder"}),
    What.SEASON: frozenset({"name", "from_ms"}),
}
"""What may be entered by request, and what each may hold."""
_LONGEST_NAME = 40


@dataclass(frozen=True, slots=True)
class Ask:
    """A request with what it is looked at against."""

    season: Season
    config: Config
    data: Mapping[str, Any]
    now_ms: int
    open_ms: int
    clock_sure: bool


def reminder_of(ask: Ask) -> str:
    """The name of the reminder that is meant.

    Raises:
        InputError: there is none of that name.
    """
    return asked.word_meant(ask.data.get("reminder"), BY_NAME, "reminder")


def _season(ask: Ask) -> dict[str, Any]:
    name = text_of(ask.data, "name", _LONGEST_NAME, "the name of the season")
    if not name:
        raise InputError("name the season, 2026-27 say.")
    from_ms = asked.time_of(ask.data, "from_ms", ask.now_ms, 0, clock_sure=ask.clock_sure)
    return {"name": name} if from_ms is None else {"name": name, "from_ms": from_ms}


def checked(ask: Ask, what: What) -> dict[str, Any]:
    """The data of an entry, each field checked and taken for what it means.

    Raises:
        InputError: a field is missing or cannot be meant.
    """
    match what:
        case What.ADD:
            return _added(ask)
        case What.CHANGE:
            return {key: _FIELD[key](ask, key) for key in ask.data}
        case What.LOOK:
            least = {"sampled": 1}
            return {
                key: asked.count_of(ask.data, key, least.get(key, 0))
                for key in SHARES
                if ask.data.get(key) is not None
            }
        case What.CLOSE | What.COUNT:
            ends = {
                key: asked.count_of(ask.data, key)
                for key in ENDINGS
                if ask.data.get(key) is not None
            }
            if what is What.COUNT and not ends:
                raise InputError(f"say what you counted: {', '.join(ENDINGS)}.")
            return ends
        case What.STAGE:
            return {"stage": _stage(ask, "stage")}
        case What.DONE:
            return {"reminder": reminder_of(ask)}
        case What.SEASON:
            return _season(ask)
        case _:
            return {}


def _added(ask: Ask) -> dict[str, Any]:
    kind = Kind.CUTTINGS.value if ask.data.get("kind") is None else _kind(ask, "kind")
    data: dict[str, Any] = {
        "species": _species(ask, "species"),
        "kind": kind,
        "count": asked.count_of(ask.data, "count", 1),
    }
    # It is the union of a graft that has to callus.
    data["zone"] = (Zone.UNION if kind == Kind.GRAFTS else Zone.BASE).value
    for key in ("made_ms", "zone", "height_mm", "target_c", "stage", "at_latest"):
        if ask.data.get(key) is not None:
            data[key] = _FIELD[key](ask, key)
    return data


def _species(ask: Ask, key: str) -> str:
    return asked.species_of(ask.config, ask.data.get(key))


def _kind(ask: Ask, key: str) -> str:
    return asked.word_meant(ask.data.get(key), [*Kind], "kind")


def _stage(ask: Ask, key: str) -> str:
    return asked.word_meant(ask.data.get(key), [*Stage], "stage")


def _zone(ask: Ask, key: str) -> str:
    return asked.word_meant(ask.data.get(key), [*Zone], "zone")


def _count(ask: Ask, key: str) -> int:
    return asked.count_of(ask.data, key, 1)


def _made(ask: Ask, key: str) -> int:
    made_ms = asked.time_of(ask.data, key, ask.now_ms, asked.DAY_OPEN_MS, clock_sure=ask.clock_sure)
    if made_ms is None:
        raise InputError("say on which day it was made.")
    return made_ms


def _height(ask: Ask, key: str) -> float | None:
    if ask.data.get(key) is None:
        return None
    return asked.number_of(ask.data, key, asked.HEIGHT_MM, "the height above the wet layer, mm,")


def _target(ask: Ask, key: str) -> float | None:
    if ask.data.get(key) is None:
        return None
    return asked.number_of(ask.data, key, asked.TARGET_C, "the target, °C,")


def _at_latest(ask: Ask, key: str) -> str | None:
    return None if ask.data.get(key) is None else asked.at_latest_of(ask.data)


_FIELD: Final[Mapping[str, Callable[[Ask, str], Any]]] = {
    "species": _species,
    "kind": _kind,
    "count": _count,
    "made_ms": _made,
    "zone": _zone,
    "height_mm": _height,
    "target_c": _target,
    "stage": _stage,
    "at_latest": _at_latest,
}
