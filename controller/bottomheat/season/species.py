"""What a batch wants, by species and stage; the grower's own numbers win.  Pure."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import TYPE_CHECKING, Final

from bottomheat.season.ledger import Stage
from bottomheat.season.needs import (
    NOT_KNOWN,
    VALUES,
    Confidence,
    Needs,
    Source,
    Species,
    plain,
)
from bottomheat.season.species_table import CEILINGS_C, SPECIES, latest_of, nothing_known

if TYPE_CHECKING:
    from bottomheat.config_season import OwnNeeds, OwnSpecies

__all__ = [
    "CEILINGS_C",
    "NOT_KNOWN",
    "OWN",
    "SPECIES",
    "VALUES",
    "Confidence",
    "Needs",
    "Source",
    "Species",
    "doubts",
    "known",
    "needs",
    "on_rooted_stock",
    "plain",
]

OWN: Final = Source(Confidence.OWN, "your own number, from the config")
OWN_HELD: Final = Source(
    Confidence.OWN, "your own number for callusing, taken to hold on in this stage"
)
_OWN_FIELDS: Final = (
    "band_c",
    "slow_below_c",
    "warm_limit_c",
    "injury_c",
    "ceiling_c",
    "days",
    "latest_days",
)


def known(species: str, own: Mapping[str, OwnSpecies]) -> bool:
    """Whether anything is known of a species, from the table or from the grower."""
    return species in SPECIES or species in own


def on_rooted_stock(species: str) -> bool:
    """Whether grafts of it are made on stocks with roots; False where nothing is known of it."""
    row = SPECIES.get(species)
    return row is not None and row.on_rooted_stock


def needs(species: str, stage: Stage, own: Mapping[str, OwnSpecies]) -> Needs:
    """What a batch of a species wants in a stage.

    Args:
        species: a name of the table, or one that only the grower uses.
        stage: how far the batch has come.
        own: the grower's numbers by species, from the config; each wins over the table's.

    Returns:
        All of it with its sources.  Of a species that nobody knows only the ceiling and what ends
        the stage are there: these are by stage.
    """
    row = SPECIES.get(species)
    table = nothing_known(stage) if row is None else row.stages[stage]
    mine = own.get(species)
    if mine is None:
        return table
    if stage is not Stage.CALLUSING and mine.callusing is not None:
        table = _with_limits_of(mine.callusing, table)
    of_stage = _of_stage(mine, stage)
    return table if of_stage is None else _over(table, of_stage)


def _of_stage(own: OwnSpecies, stage: Stage) -> OwnNeeds | None:
    match stage:
        case Stage.CALLUSING:
            return own.callusing
        case Stage.ROOTING:
            return own.rooting
        case Stage.HARDENING:
            return own.hardening_off


def _with_limits_of(callusing: OwnNeeds, table: Needs) -> Needs:
    """A later stage with the grower's limits of callusing, as the table's are taken to hold on."""
    limits = {
        name: value
        for name in ("warm_limit_c", "injury_c")
        if (value := getattr(callusing, name)) is not None
    }
    return replace(table, **limits, sources={**table.sources, **dict.fromkeys(limits, OWN_HELD)})


def _over(table: Needs, mine: OwnNeeds) -> Needs:
    new = {name: value for name in _OWN_FIELDS if (value := getattr(mine, name)) is not None}
    sources = {**table.sources, **dict.fromkeys(new, OWN)}
    if mine.days is not None and mine.latest_days is None:
        new["latest_days"] = latest_of(mine.days)
        sources["latest_days"] = Source(
            Confidence.JUDGEMENT, "a quarter longer than your own longest usual time"
        )
    return replace(table, **new, sources=sources)


def doubts(wants: Needs) -> tuple[str, ...]:
    """What does not go together in a set of numbers, as when the grower's meet the table's.

    Nothing is mended here: a limit of the table is not loosened because another number is new.
    """
    found = []
    band_c, warm_c, injury_c = wants.band_c, wants.warm_limit_c, wants.injury_c
    if band_c is not None:
        low_c, high_c = band_c
        if warm_c is not None and high_c > warm_c:
            found.append(
                f"the band reaches {high_c:g} °C {wants.mark('band_c')}, above the warm limit of "
                f"{warm_c:g} °C {wants.mark('warm_limit_c')}, which rules: set warm_limit too"
            )
        if wants.slow_below_c is not None and low_c < wants.slow_below_c:
            found.append(
                f"the band begins at {low_c:g} °C {wants.mark('band_c')}, below slow_below of "
                f"{wants.slow_below_c:g} °C {wants.mark('slow_below_c')}: set slow_below too"
            )
        if wants.ceiling_c is not None and high_c > wants.ceiling_c:
            found.append(
                f"the band reaches {high_c:g} °C {wants.mark('band_c')}, above the ceiling of the "
                f"wet layer of {wants.ceiling_c:g} °C {wants.mark('ceiling_c')}: set ceiling too"
            )
    if warm_c is not None and injury_c is not None and warm_c > injury_c:
        found.append(
            f"the warm limit of {warm_c:g} °C {wants.mark('warm_limit_c')} is above the "
            f"temperature of injury of {injury_c:g} °C {wants.mark('injury_c')}: set both"
        )
    days, latest_days = wants.days, wants.latest_days
    if days is not None and latest_days is not None and latest_days < days[1]:
        found.append(
            f"latest is day {latest_days} {wants.mark('latest_days')}, before the last usual day, "
            f"{days[1]} {wants.mark('days')}: set latest too"
        )
    return tuple(found)
