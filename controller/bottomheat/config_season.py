"""The parts of the config about plants: the season, species of the grower's own, batches.

What is written of a batch counts when it is new or has changed; in between, what was entered by
command holds (``season.from_config``).
"""

from __future__ import annotations

import re
from datetime import date
from typing import Annotated, Literal

from pydantic import AfterValidator, BeforeValidator, Field, FiniteFloat, StringConstraints

from bottomheat.config_sections import Section
from bottomheat.season.ledger import UNHEATED

__all__ = [
    "BatchName",
    "OwnNeeds",
    "OwnSpecies",
    "SeasonSection",
    "SpeciesName",
    "WrittenBatch",
    "plain_name",
]

BatchName = Annotated[str, StringConstraints(pattern=r"^[A-Za-z0-9][A-Za-z0-9-]{0,30}$")]
SpeciesName = Annotated[str, StringConstraints(pattern=r"^[a-z0-9][a-z0-9-]{0,30}$")]
ZoneName = Literal["base", "union"]
StageName = Literal["callusing", "rooting", "hardening-off"]


def plain_name(name: str) -> str:
    """A batch's name as commands go by it: without capitals and hyphens."""
    return name.casefold().replace("-", "")


EARLIEST_YEAR, LATEST_YEAR = 2000, 2100


def _low_enough(text: str) -> str:
    _, _, to_c = text.partition(" ")
    if to_c and not 5 <= float(to_c) <= 25:
        raise ValueError(f"{to_c} °C is nothing to lower to; write 5 to 25, such as lower-to 18")
    return text


AtLatest = Annotated[
    str,
    StringConstraints(pattern=r"^(keep|lower-to [0-9]{1,2}(\.[0-9]{1,2})?)$"),
    AfterValidator(_low_enough),
    Field(examples=["lower-to 18"]),
]


def _day(value: object) -> object:
    """A day as the file has it; YAML is read without a kind of value for days."""
    wanted = "write it as year-month-day, such as 2027-01-05"
    if isinstance(value, date):
        return value
    if value is None:
        raise ValueError(f"nothing is written here; {wanted}")
    if not isinstance(value, str):
        raise ValueError(f"this is not a day; {wanted}")  # noqa: TRY004 - for the sentence
    text = "".join(c if c.isprintable() else "?" for c in value[:40])
    if not re.fullmatch(r"[0-9]{4}-[0-9]{2}-[0-9]{2}", value):
        raise ValueError(f'"{text}" is not a day; {wanted}')
    try:
        day = date.fromisoformat(value)
    except ValueError:
        raise ValueError(f'there is no day "{text}"; look it up in a calendar') from None
    if not EARLIEST_YEAR <= day.year < LATEST_YEAR:
        raise ValueError(f"the year {day.year} cannot be meant; {wanted}")
    return day


def _pair(value: object) -> object:
    if isinstance(value, tuple):
        return value
    if not isinstance(value, list) or len(value) != 2:
        raise ValueError("two numbers belong here, from and to; write them as [23, 25]")
    return tuple(value)


def _rising(pair: tuple[float, float]) -> tuple[float, float]:
    if pair[0] > pair[1]:
        raise ValueError(
            f"{pair[0]:g} is more than {pair[1]:g}; write the smaller number first: "
            f"[{pair[1]:g}, {pair[0]:g}]"
        )
    return pair


Day = Annotated[date, BeforeValidator(_day), Field(examples=["2027-01-05"])]
PlantC = Annotated[FiniteFloat, Field(ge=0, le=45)]
DayCount = Annotated[int, Field(ge=1, le=400)]


class OwnNeeds(Section):
    """The grower's own numbers for a species in one stage; what is left out is as in the table."""

    band_c: (
        Annotated[tuple[PlantC, PlantC], BeforeValidator(_pair), AfterValidator(_rising)] | None
    ) = Field(
        default=None,
        alias="band",
        description="what it should feel, from and to, °C",
        examples=[[23, 25]],
    )
    slow_below_c: FiniteFloat | None = Field(
        default=None,
        alias="slow_below",
        ge=0,
        le=45,
        description="below this it goes on slowly, °C",
        examples=[18],
    )
    warm_limit_c: FiniteFloat | None = Field(
        default=None,
        alias="warm_limit",
        ge=0,
        le=45,
        description="the warmest that is asked for while it is in the box, °C",
        examples=[27],
    )
    injury_c: FiniteFloat | None = Field(
        default=None,
        alias="injury",
        ge=0,
        le=45,
        description="above this it is harmed, °C",
        examples=[30],
    )
    ceiling_c: FiniteFloat | None = Field(
        default=None,
        alias="ceiling",
        ge=10,
        le=50,
        description="the warmest that is asked of the wet layer under it, °C",
        examples=[32],
    )
    days: (
        Annotated[tuple[DayCount, DayCount], BeforeValidator(_pair), AfterValidator(_rising)] | None
    ) = Field(
        default=None,
        description="how long the stage usually takes, from and to, days",
        examples=[[21, 40]],
    )
    latest_days: int | None = Field(
        default=None,
        alias="latest",
        ge=1,
        le=400,
        description="after so many days in the stage at_latest is done",
        examples=[50],
    )


class OwnSpecies(Section):
    """A species: the grower's own numbers, by stage."""

    callusing: OwnNeeds | None = Field(default=None, description="until it has callused")
    rooting: OwnNeeds | None = Field(default=None, description="until the first root tips show")
    hardening_off: OwnNeeds | None = Field(
        default=None, alias="hardening-off", description="getting used to less heat"
    )


class SeasonSection(Section):
    """What holds for all batches."""

    light_after_days: FiniteFloat = Field(
        default=14.0,
        alias="light_after",
        ge=1,
        le=120,
        description="light is due so many days after a batch was made; at bud break if that "
        "comes first",
        examples=[14],
    )
    warn_top_above_c: FiniteFloat = Field(
        default=12.0,
        alias="warn_top_above",
        ge=0,
        le=35,
        description="air at the buds that is too warm for dormant wood until roots show, °C",
        examples=[12],
    )
    room_low_c: FiniteFloat | None = Field(
        default=None,
        alias="room_low",
        ge=-20,
        le=20,
        description="room that is too cold for hardened plants outside the boxes, °C; left out, "
        "nothing is said",
        examples=[2],
    )
    lower_per_day_k: FiniteFloat = Field(
        default=1.5,
        alias="lower_per_day",
        ge=1,
        le=2,
        description="how fast the setpoint is lowered, K a day",
        examples=[1.5],
    )
    at_latest: AtLatest = Field(
        default="keep",
        description="when a stage has lasted longer than it may and nobody has looked: keep, or "
        "lower-to and a temperature",
        examples=["lower-to 18"],
    )
    reminders: dict[str, Annotated[FiniteFloat, Field(ge=0, le=366)]] = Field(
        default={},
        description="how often each thing is due, days, by its name; 0 for never",
        examples=[{"layer": 4}],
    )
    species: dict[SpeciesName, OwnSpecies] = Field(
        default={}, description="numbers of your own, by species; they win"
    )


class WrittenBatch(Section):
    """A batch as the file has it, for those who would rather write than type commands."""

    species: SpeciesName = Field(
        description="what it is: a name of the table of species, or your own",
        examples=["mulberry"],
    )
    kind: Literal["cuttings", "grafts"] = Field(default="cuttings", description="what was made")
    count: int = Field(ge=1, le=100_000, description="how many were made", examples=[40])
    made: Day = Field(description="the day it was made", examples=["2027-01-05"])
    chamber: str = Field(
        description=f"the box it stands in, or {UNHEATED}", examples=["north-bench"]
    )
    zone: ZoneName | None = Field(
        default=None,
        description="what is to be warm: base, or union; left out, the union of grafts",
    )
    height_mm: FiniteFloat | None = Field(
        default=None,
        alias="height",
        ge=0,
        le=500,
        description="how high that is above the wet layer, mm",
        examples=[30],
    )
    stage: StageName = Field(default="callusing", description="how far it has come")
    since: Day | None = Field(
        default=None, description="the day that stage began", examples=["2027-01-20"]
    )
    target_c: FiniteFloat | None = Field(
        default=None,
        alias="target",
        ge=5,
        le=30,
        description="what it should feel, °C; left out, by species and stage",
        examples=[20],
    )
    at_latest: AtLatest | None = Field(
        default=None,
        description="like at_latest of the season, for this batch",
        examples=["lower-to 18"],
    )
    note: Annotated[str, StringConstraints(max_length=200)] = Field(
        default="", description="your own words", examples=["from the old tree"]
    )

    @property
    def part(self) -> str:
        """What is to be warm, also where it was left out: of grafts the union, as by command."""
        if self.zone is not None:
            return self.zone
        return "union" if self.kind == "grafts" else "base"
