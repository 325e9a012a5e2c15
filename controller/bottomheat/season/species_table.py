"""The table of species: what is known of each, and how well.

No number here is universal: warmth that walnut needs rots peach.  A row is a starting point for
the grower's own numbers, which win (``season.species`` in the config).  A number of several parts
carries the confidence of its weakest part; where a source gives none, none stands here.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from types import MappingProxyType
from typing import Final, TypeVar

from bottomheat.season.ledger import Stage
from bottomheat.season.needs import Confidence, Needs, Source, Species

LITERATURE: Final = Confidence.LITERATURE
SECOND_HAND: Final = Confidence.SECOND_HAND
MEMORY: Final = Confidence.MEMORY
PRACTICE: Final = Confidence.PRACTICE
JUDGEMENT: Final = Confidence.JUDGEMENT
WEAK: Final = Confidence.WEAK

LATEST_SHARE: Final = 1.25
"""A stage that lasts a quarter longer than it usually does at most has been forgotten
(judgement)."""
ROOTING_LATEST_DAYS: Final = 35
"""After so long in the rooting stage warmth costs reserves, whatever the roots do (judgement)."""
HARDENING_DAYS: Final = (5, 10)
"""Common practice, no source."""
HARDENING_LATEST_DAYS: Final = 14
"""Judgement."""

UNTIL: Final[Mapping[Stage, str]] = MappingProxyType(
    {
        Stage.CALLUSING: "callus on 80 % of a sample",
        Stage.ROOTING: "first root tips, 1 to 3 mm",
        Stage.HARDENING: "5 to 10 days cool, lid opened in steps, heat off",
    }
)
"""What ends a stage."""
CEILINGS_C: Final[Mapping[Stage, float]] = MappingProxyType(
    {Stage.CALLUSING: 32.0, Stage.ROOTING: 28.0, Stage.HARDENING: 28.0}
)
"""The warmest that is asked of the wet layer, °C, whatever the species (judgement)."""

_HANDBOOK = "Hartmann & Kester, Plant Propagation, as others quote it"
_MEMORY = "handbook figure from memory"
_WEAK = "no source found; a guess from related plants"
_DAY_OR_MORE = "a day or more of it, from memory"
_ACTA_54 = "peach and plum hardwood in peat at 20 °C, 2 months: Acta Hort. 54:63"
_EREZ = "Erez & Yablowitz 1981, Scientia Hort."

_UNTIL_SOURCES: Final[Mapping[Stage, Source]] = MappingProxyType(
    {
        Stage.CALLUSING: Source(PRACTICE, "common practice, no source"),
        Stage.ROOTING: Source(
            PRACTICE,
            "the length is common practice, no source; moved when roots begin, not when they are "
            "long: Jackson, Biology of Apples and Pears",
        ),
        Stage.HARDENING: Source(PRACTICE, "common practice, no source"),
    }
)

T = TypeVar("T")
_Value = tuple[T, Confidence, str]


def _needs(
    stage: Stage,
    *,
    band: _Value[tuple[float, float]] | None = None,
    slow: _Value[float] | None = None,
    stops: _Value[float] | None = None,
    warm: _Value[float] | None = None,
    injury: _Value[float] | None = None,
    kills: _Value[float] | None = None,
    days: _Value[tuple[int, int]] | None = None,
    latest: _Value[int] | None = None,
) -> Needs:
    if days is not None and latest is None:
        confidence = WEAK if days[1] is WEAK else JUDGEMENT
        latest = (latest_of(days[0]), confidence, "a quarter longer than the longest usual time")
    ceiling = (CEILINGS_C[stage], JUDGEMENT, "by stage, for all species")
    given: dict[str, _Value[object] | None] = {
        "band_c": band,
        "slow_below_c": slow,
        "stops_below_c": stops,
        "warm_limit_c": warm,
        "injury_c": injury,
        "kills_c": kills,
        "ceiling_c": ceiling,
        "days": days,
        "latest_days": latest,
    }
    sources = {name: Source(each[1], each[2]) for name, each in given.items() if each is not None}
    sources["until"] = _UNTIL_SOURCES[stage]
    return Needs(
        band_c=_of(band),
        slow_below_c=_of(slow),
        stops_below_c=_of(stops),
        warm_limit_c=_of(warm),
        injury_c=_of(injury),
        kills_c=_of(kills),
        ceiling_c=ceiling[0],
        days=_of(days),
        latest_days=_of(latest),
        until=UNTIL[stage],
        sources=sources,
    )


def _of(each: _Value[T] | None) -> T | None:
    return None if each is None else each[0]


def latest_of(days: tuple[int, int]) -> int:
    """After how many days a stage has been forgotten, from how long it usually takes."""
    return math.ceil(days[1] * LATEST_SHARE)


def nothing_known(stage: Stage) -> Needs:
    """What holds for plants of a species that is not in the table."""
    return _needs(stage)


_WARM_ROOTING: Final[_Value[tuple[float, float]]] = (
    (18.0, 20.0),
    PRACTICE,
    "common practice, no source",
)
_ROOTING_SLOW: Final[_Value[float]] = (
    15.0,
    JUDGEMENT,
    "days below it in a wet medium raise the risk of rot",
)
_WARM_HARDENING: Final[_Value[tuple[float, float]]] = (
    (15.0, 18.0),
    PRACTICE,
    "common practice, no source",
)


def _row(
    name: str,
    words: str,
    *,
    band: _Value[tuple[float, float]],
    slow: _Value[float] | None = None,
    stops: _Value[float] | None = None,
    warm: _Value[float] | None = None,
    injury: _Value[float] | None = None,
    kills: _Value[float] | None = None,
    days: _Value[tuple[int, int]] | None = None,
    rooting: _Value[tuple[float, float]] = _WARM_ROOTING,
    rooting_slow: _Value[float] | None = _ROOTING_SLOW,
    hardening: _Value[tuple[float, float]] = _WARM_HARDENING,
    on_rooted_stock: bool = False,
    notes: tuple[str, ...] = (),
) -> Species:
    """A species; its limits are taken to be the same in every stage, for want of better."""
    stages = {
        Stage.CALLUSING: _needs(
            Stage.CALLUSING,
            band=band,
            slow=slow,
            stops=stops,
            warm=warm,
            injury=injury,
            kills=kills,
            days=days,
        ),
        Stage.ROOTING: _needs(
            Stage.ROOTING,
            band=rooting,
            slow=rooting_slow,
            warm=_carried(warm),
            injury=_carried(injury),
            kills=_carried(kills),
            latest=(ROOTING_LATEST_DAYS, JUDGEMENT, "longer warmth costs reserves"),
        ),
        Stage.HARDENING: _needs(
            Stage.HARDENING,
            band=hardening,
            warm=_carried(warm),
            injury=_carried(injury),
            kills=_carried(kills),
            days=(HARDENING_DAYS, PRACTICE, "common practice, no source"),
            latest=(HARDENING_LATEST_DAYS, JUDGEMENT, "shoots are drawn and reserves spent"),
        ),
    }
    return Species(name, words, MappingProxyType(stages), on_rooted_stock, notes)


def _carried(each: _Value[float] | None) -> _Value[float] | None:
    """A limit of the callusing stage in a later one: no better than judgement there."""
    if each is None:
        return None
    value, confidence, _ = each
    confidence = WEAK if confidence is WEAK else JUDGEMENT
    return value, confidence, "taken to be as while it calluses"


def _weak(value: T) -> _Value[T]:
    return value, WEAK, _WEAK


_ROWS: Final = (
    _row(
        "grapevine",
        "grapevine",
        band=((24.0, 27.0), SECOND_HAND, _HANDBOOK),
        slow=(20.0, SECOND_HAND, _HANDBOOK),
        stops=(15.5, SECOND_HAND, _HANDBOOK),
        warm=(29.0, SECOND_HAND, f"soft, fragile callus from there on: {_HANDBOOK}"),
        injury=(32.0, MEMORY, _DAY_OR_MORE),
        days=(
            (14, 24),
            MEMORY,
            "at 25 to 27 °C; at 29.5 °C 4 to 17 days to callus, 10 to 24 to roots: Alley & "
            "Peterson 1977, Am. J. Enol. Vitic. 28:1",
        ),
        notes=(
            "Dormant wood stands 50 °C for 30 minutes (Goussard 1977, Vitis 16); new callus and "
            "roots do not.",
            "Variety and month change the days more than the temperature does.",
        ),
    ),
    _row(
        "walnut",
        "walnut",
        band=(
            (26.0, 28.0),
            LITERATURE,
            "room of 26 to 28 °C, 70 % take: Paunovic et al. 2010, Acta Agric. Serb. 15(30):165",
        ),
        slow=(20.0, MEMORY, f"20 to 22 °C: {_MEMORY}"),
        warm=(
            29.0,
            JUDGEMENT,
            "28 to 29 °C, with 83 % take, is the warmest that was read of: Paunovic et al. 2010",
        ),
        injury=(32.0, MEMORY, f"32 to 35 °C, {_DAY_OR_MORE}"),
        days=(
            (14, 25),
            MEMORY,
            "25 days are more than enough: van Zyl 2009, thesis; the shorter time is from memory",
        ),
        on_rooted_stock=True,
        notes=(
            "The takes of Paunovic et al. are of different years: no trial of temperature.",
            "Warming the union alone did as well as warming the room: van Zyl 2009.",
        ),
    ),
    _row(
        "hazel",
        "hazel",
        band=(
            (22.0, 24.0),
            LITERATURE,
            "Humphrey 2019, The Bench Grafter's Handbook; with heat at the union alone 27 °C: "
            "UF/IFAS propagation course",
        ),
        slow=(18.0, MEMORY, _MEMORY),
        warm=(28.0, MEMORY, _MEMORY),
        injury=(32.0, JUDGEMENT, "as for grapevine"),
        days=((14, 28), MEMORY, _MEMORY),
        on_rooted_stock=True,
    ),
    _row(
        "apple",
        "apple (grafts)",
        band=((13.0, 18.0), MEMORY, f"or 7 to 10 °C for weeks in store; {_MEMORY}"),
        slow=(7.0, SECOND_HAND, f"slow from 7 to 10 °C, very slow below 7 °C: {_HANDBOOK}"),
        stops=(0.0, SECOND_HAND, f"very slow from 0 to 7 °C: {_HANDBOOK}"),
        warm=(24.0, JUDGEMENT, "well below 32 °C, from where callus is held back"),
        injury=(32.0, SECOND_HAND, f"callus is held back above it: {_HANDBOOK}"),
        kills=(40.0, SECOND_HAND, _HANDBOOK),
        days=((7, 21), MEMORY, f"at 18 °C; {_MEMORY}"),
        rooting=((13.0, 18.0), JUDGEMENT, "as for callusing"),
        rooting_slow=None,
        hardening=((10.0, 18.0), JUDGEMENT, "no warmer than for callusing"),
        on_rooted_stock=True,
    ),
    _row(
        "apple-rootstock",
        "apple rootstock (hardwood cuttings)",
        band=((20.0, 21.0), MEMORY, f"21 °C after Howard; {_MEMORY}"),
        slow=(12.0, MEMORY, _MEMORY),
        warm=(24.0, MEMORY, _MEMORY),
        injury=(28.0, JUDGEMENT, "the same for all rootstocks, for want of better"),
        days=((21, 42), MEMORY, f"until roots begin; {_MEMORY}"),
        notes=("Cuttings are planted when roots begin: Jackson, Biology of Apples and Pears.",),
    ),
    _row(
        "plum-rootstock",
        "plum rootstock (hardwood cuttings)",
        band=((20.0, 21.0), MEMORY, f"{_ACTA_54}; the upper end is from memory"),
        slow=(12.0, MEMORY, _MEMORY),
        warm=(24.0, MEMORY, _MEMORY),
        injury=(28.0, JUDGEMENT, "the same for all rootstocks, for want of better"),
        days=((21, 42), MEMORY, f"until roots begin; {_MEMORY}"),
    ),
    _row(
        "peach",
        "peach and nectarine (hardwood cuttings)",
        band=((12.0, 20.0), LITERATURE, f"12 °C: {_EREZ}; {_ACTA_54}"),
        warm=(22.0, JUDGEMENT, "between 20 °C, which did well, and 25 °C, which did harm"),
        injury=(25.0, LITERATURE, f"harm to cuttings treated with auxin: {_EREZ}"),
        days=((30, 30), LITERATURE, f"until roots begin, in soil at 12 to 14 °C: {_EREZ}"),
        rooting=((12.0, 20.0), LITERATURE, f"12 °C: {_EREZ}; {_ACTA_54}"),
        rooting_slow=None,
        hardening=((10.0, 18.0), JUDGEMENT, "no warmer than for callusing"),
        notes=("Warm and wet, its wood rots: what walnut needs does it harm.",),
    ),
    _row(
        "fig",
        "fig",
        band=_weak((21.0, 25.0)),
        slow=_weak(18.0),
        warm=_weak(27.0),
        injury=_weak(30.0),
        days=_weak((14, 30)),
    ),
    _row(
        "olive",
        "olive (leafy cuttings under mist)",
        band=((21.0, 24.0), MEMORY, _MEMORY),
        slow=(18.0, MEMORY, _MEMORY),
        warm=(27.0, MEMORY, _MEMORY),
        injury=(30.0, JUDGEMENT, "3 K above what is too warm"),
        days=((40, 70), MEMORY, f"roots begin after 6 to 8 weeks; {_MEMORY}"),
        rooting=(
            (21.0, 24.0),
            MEMORY,
            f"leafy cuttings stay warm until they have roots; {_MEMORY}",
        ),
        notes=("It has leaves: it needs light and mist all the time.",),
    ),
    _row(
        "mulberry",
        "mulberry",
        band=_weak((21.0, 25.0)),
        slow=_weak(18.0),
        warm=_weak(27.0),
        injury=_weak(30.0),
        days=_weak((21, 40)),
    ),
    _row(
        "rose",
        "rose (hardwood cuttings, stocks)",
        band=_weak((18.0, 21.0)),
        slow=_weak(12.0),
        warm=_weak(24.0),
        injury=_weak(28.0),
        days=_weak((14, 28)),
    ),
    _row(
        "kiwifruit",
        "kiwifruit (hardwood cuttings)",
        band=_weak((20.0, 24.0)),
        slow=_weak(16.0),
        warm=_weak(26.0),
        injury=_weak(30.0),
        days=_weak((40, 60)),
    ),
    _row(
        "blackcurrant",
        "blackcurrant",
        band=(
            (10.0, 20.0),
            WEAK,
            "single-node cuttings rooted at 20 °C in a growth room (read of); the lower end is a "
            "guess",
        ),
        slow=_weak(5.0),
        warm=_weak(22.0),
        injury=_weak(25.0),
        rooting=((10.0, 20.0), WEAK, "as for callusing"),
        rooting_slow=None,
        hardening=((5.0, 18.0), WEAK, "no warmer than for callusing"),
        notes=("It usually roots without any heat.",),
    ),
    _row(
        "rosemary",
        "rosemary",
        band=_weak((18.0, 22.0)),
        slow=_weak(15.0),
        warm=_weak(25.0),
        injury=_weak(28.0),
        days=_weak((21, 35)),
        notes=("It has leaves: it needs light all the time.",),
    ),
    _row(
        "other",
        "other woody plants of temperate climates",
        band=((18.0, 25.0), MEMORY, "7 K more for plants of warm climates; " + _MEMORY),
        notes=("Species differ in direction: find out about yours before you trust this.",),
    ),
)

SPECIES: Final[Mapping[str, Species]] = MappingProxyType({row.name: row for row in _ROWS})
"""The species known to the tool, by name."""
