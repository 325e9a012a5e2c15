"""The table of species, the grower's own numbers, and how weak numbers are told."""

from __future__ import annotations

from dataclasses import asdict, fields
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bottomheat.config_season import OwnSpecies, SeasonSection
from bottomheat.season.ledger import Stage
from bottomheat.season.species import (
    NOT_KNOWN,
    SPECIES,
    VALUES,
    Confidence,
    Needs,
    doubts,
    known,
    needs,
    on_rooted_stock,
)

ROWS = [(name, stage) for name in SPECIES for stage in Stage]
WEAK = {"fig", "mulberry", "rose", "kiwifruit", "blackcurrant", "rosemary"}
STAGE_KEYS = {stage: stage.value for stage in Stage}


def own(**species: Any) -> dict[str, OwnSpecies]:
    return SeasonSection.model_validate({"species": species}).species


def test_the_table_has_the_species_that_are_promised() -> None:
    assert list(SPECIES) == [
        "grapevine",
        "walnut",
        "hazel",
        "apple",
        "apple-rootstock",
        "plum-rootstock",
        "peach",
        "fig",
        "olive",
        "mulberry",
        "rose",
        "kiwifruit",
        "blackcurrant",
        "rosemary",
        "other",
    ]
    assert all(row.name == name and set(row.stages) == set(Stage) for name, row in SPECIES.items())


@pytest.mark.parametrize(("name", "stage"), ROWS)
def test_every_number_has_a_source_and_nothing_else_has(name: str, stage: Stage) -> None:
    wants = needs(name, stage, {})
    given_ = {value for value in VALUES if getattr(wants, value) is not None}
    assert set(wants.sources) == given_ | {"until"}
    assert all(source.text for source in wants.sources.values())
    assert wants.until
    assert Confidence.OWN not in {source.confidence for source in wants.sources.values()}


@pytest.mark.parametrize(("name", "stage"), ROWS)
def test_the_numbers_of_a_row_go_together(name: str, stage: Stage) -> None:
    wants = needs(name, stage, {})
    assert doubts(wants) == ()
    assert wants.band_c is not None
    low_c, high_c = wants.band_c
    rising = [
        wants.stops_below_c,
        wants.slow_below_c,
        low_c,
        high_c,
        wants.warm_limit_c,
        wants.injury_c,
        wants.kills_c,
    ]
    present = [value for value in rising if value is not None]
    assert present == sorted(present)
    if wants.warm_limit_c is not None:
        assert high_c < wants.warm_limit_c
    if wants.days is not None:
        assert wants.latest_days is not None
        assert 0 < wants.days[0] <= wants.days[1] < wants.latest_days


@pytest.mark.parametrize("name", sorted(WEAK))
def test_a_weak_row_says_so_at_every_number_that_is_its_own(name: str) -> None:
    wants = needs(name, Stage.CALLUSING, {})
    by_stage = {"ceiling_c", "until"}
    assert {f for f in wants.sources if wants.weak(f)} == set(wants.sources) - by_stage
    for stage in (Stage.ROOTING, Stage.HARDENING):
        later = needs(name, stage, {})
        assert later.weak("warm_limit_c")
        assert later.weak("injury_c")


@pytest.mark.parametrize(("name", "stage"), ROWS)
def test_a_weak_number_is_never_told_as_a_fact(name: str, stage: Stage) -> None:
    wants = needs(name, stage, {})
    for value in VALUES:
        told = wants.said(value)
        assert wants.weak(value) == told.startswith("perhaps ") == told.endswith("[weak]")
        assert (getattr(wants, value) is None) == (told == NOT_KNOWN)


def test_only_rows_that_are_known_to_be_weak_are_weak() -> None:
    assert {n for n in SPECIES if needs(n, Stage.CALLUSING, {}).weak("band_c")} == WEAK


def test_a_limit_of_callusing_is_at_best_our_judgement_in_a_later_stage() -> None:
    for name, row in SPECIES.items():
        for stage in (Stage.ROOTING, Stage.HARDENING):
            for value in ("warm_limit_c", "injury_c", "kills_c"):
                source = row.stages[stage].sources.get(value)
                if source is not None:
                    assert source.confidence in (Confidence.JUDGEMENT, Confidence.WEAK), name


@pytest.mark.parametrize(
    ("stage", "ceiling_c"),
    [(Stage.CALLUSING, 32.0), (Stage.ROOTING, 28.0), (Stage.HARDENING, 28.0)],
)
def test_the_ceiling_is_by_stage_for_all(stage: Stage, ceiling_c: float) -> None:
    assert {needs(name, stage, {}).ceiling_c for name in [*SPECIES, "baobab"]} == {ceiling_c}


@pytest.mark.parametrize("stage", Stage)
def test_of_a_species_that_nobody_knows_no_number_is_made_up(stage: Stage) -> None:
    wants = needs("baobab", stage, {})
    assert {v for v in VALUES if getattr(wants, v) is not None} == {"ceiling_c"}
    assert wants.said("band_c") == NOT_KNOWN
    assert not known("baobab", {})
    assert known("baobab", own(baobab={}))
    assert known("fig", {})


def test_grafts_that_need_no_rooting() -> None:
    assert {name for name in SPECIES if on_rooted_stock(name)} == {"walnut", "hazel", "apple"}
    assert not on_rooted_stock("baobab")


def test_the_growers_numbers_win_one_by_one() -> None:
    mine = own(mulberry={"callusing": {"band": [23, 26], "latest": 60}})
    wants, table = needs("mulberry", Stage.CALLUSING, mine), needs("mulberry", Stage.CALLUSING, {})
    assert (wants.band_c, wants.latest_days) == ((23.0, 26.0), 60)
    assert wants.said("band_c") == "23 to 26 °C [your own]"
    assert wants.said("slow_below_c") == table.said("slow_below_c") == "perhaps 18 °C [weak]"
    assert needs("mulberry", Stage.ROOTING, mine) == needs("mulberry", Stage.ROOTING, {})
    assert needs("fig", Stage.CALLUSING, mine) == needs("fig", Stage.CALLUSING, {})


def test_the_growers_own_species_is_known_by_its_numbers_alone() -> None:
    mine = own(willow={"rooting": {"band": [12, 18]}})
    wants = needs("willow", Stage.ROOTING, mine)
    assert wants.band_c == (12.0, 18.0)
    assert wants.warm_limit_c is None
    assert needs("willow", Stage.CALLUSING, mine).band_c is None


def test_own_days_bring_their_own_latest_day() -> None:
    wants = needs("mulberry", Stage.CALLUSING, own(mulberry={"callusing": {"days": [30, 60]}}))
    assert (wants.days, wants.latest_days) == ((30, 60), 75)
    assert wants.mark("latest_days") == "[judgement]"


def test_own_limits_of_callusing_hold_on_in_later_stages_unless_these_have_their_own() -> None:
    mine = own(
        mulberry={
            "callusing": {"warm_limit": 26, "injury": 29},
            "hardening-off": {"warm_limit": 20},
        }
    )
    rooting = needs("mulberry", Stage.ROOTING, mine)
    assert (rooting.warm_limit_c, rooting.injury_c) == (26.0, 29.0)
    assert rooting.mark("warm_limit_c") == "[your own]"
    assert rooting.ceiling_c == 28.0
    hardening = needs("mulberry", Stage.HARDENING, mine)
    assert (hardening.warm_limit_c, hardening.injury_c) == (20.0, 29.0)


@pytest.mark.parametrize(
    ("numbers", "part"),
    [
        ({"band": [25, 30]}, "above the warm limit of 27 °C [weak], which rules"),
        ({"band": [15, 20]}, "below slow_below of 18 °C [weak]"),
        ({"band": [25, 34], "warm_limit": 36, "injury": 40}, "above the ceiling of the wet layer"),
        ({"warm_limit": 31}, "above the temperature of injury of 30 °C [weak]"),
        ({"latest": 30}, "latest is day 30 [your own], before the last usual day, 40 [weak]"),
    ],
)
def test_numbers_that_do_not_go_together_are_said_and_not_mended(
    numbers: dict[str, Any], part: str
) -> None:
    wants = needs("mulberry", Stage.CALLUSING, own(mulberry={"callusing": numbers}))
    (doubt,) = doubts(wants)
    assert part in doubt
    for key, value in numbers.items():
        name = {"band": "band_c", "warm_limit": "warm_limit_c", "injury": "injury_c"}.get(key)
        if name is not None:
            assert getattr(wants, name) == (tuple(value) if isinstance(value, list) else value)


def test_numbers_that_only_just_go_together_are_no_doubt() -> None:
    numbers = {"band": [18, 27], "injury": 27, "ceiling": 27, "days": [5, 9], "latest": 9}
    assert doubts(needs("mulberry", Stage.CALLUSING, own(mulberry={"callusing": numbers}))) == ()


TEMPERATURES = st.floats(10, 45)
OWN_NEEDS = st.fixed_dictionaries(
    {},
    optional={
        "band": st.tuples(TEMPERATURES, TEMPERATURES).map(sorted),
        "slow_below": TEMPERATURES,
        "warm_limit": TEMPERATURES,
        "injury": TEMPERATURES,
        "ceiling": TEMPERATURES,
        "days": st.tuples(st.integers(1, 400), st.integers(1, 400)).map(sorted),
        "latest": st.integers(1, 400),
    },
)


@given(
    st.sampled_from([*SPECIES, "baobab"]),
    st.sampled_from(Stage),
    st.dictionaries(st.sampled_from(list(STAGE_KEYS.values())), OWN_NEEDS),
)
def test_whatever_the_grower_sets_stands_and_each_number_keeps_a_source(
    name: str, stage: Stage, numbers: dict[str, Any]
) -> None:
    mine = own(**{name: numbers})
    wants, table = needs(name, stage, mine), needs(name, stage, {})
    for field in fields(Needs):
        value = getattr(wants, field.name)
        if field.name in VALUES:
            assert (value is None) == (field.name not in wants.sources)
    of_stage = numbers.get(STAGE_KEYS[stage], {})
    keys = {"band": "band_c", "days": "days", "latest": "latest_days"}
    for key, value in of_stage.items():
        name_ = keys.get(key, f"{key}_c")
        assert getattr(wants, name_) == (tuple(value) if isinstance(value, list) else value)
        assert wants.sources[name_].confidence is Confidence.OWN
    own_fields = {f for f, s in wants.sources.items() if s.confidence is Confidence.OWN}
    for value_name in set(VALUES) - own_fields - {"latest_days"}:
        assert getattr(wants, value_name) == getattr(table, value_name)
    assert all(isinstance(doubt, str) and doubt for doubt in doubts(wants))
    assert asdict(wants)["until"] == wants.until  # plain data, for those who write it out
