"""The rule that says how warm a box is, from the batches that stand in it."""

from __future__ import annotations

from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bottomheat.config import Config
from bottomheat.season.ledger import (
    DAY_MS,
    UNHEATED,
    Batch,
    Dated,
    Season,
    SeasonEntry,
    Stage,
    What,
    fold,
)
from bottomheat.season.setpoint import Order, measured, rule
from bottomheat.season.species import SPECIES, needs
from plant import chamber_keys

BOX = "north-bench"
DAY0 = 1_796_000_000_000


def config(*, season: dict[str, Any] | None = None, **keys: Any) -> Config:
    return Config.model_validate(
        {"chambers": {BOX: chamber_keys(**keys)}, "season": dict(season or {})}
    )


def batch(
    name: str, species: str, stage: str = "callusing", day: int = 0, place: str = BOX, **data: Any
) -> SeasonEntry:
    data = {"species": species, "kind": "cuttings", "count": 40, "stage": stage, **data}
    return SeasonEntry(What.ADD, name, place, data, about_ms=DAY0 + day * DAY_MS)


def season(*entries: SeasonEntry) -> Season:
    return fold(Dated(n, DAY0 + 999 * DAY_MS, True, entry) for n, entry in enumerate(entries, 1))


def order(made: Config, *entries: SeasonEntry, day: int = 0) -> Order:
    return rule(made, BOX, season(*entries), DAY0 + day * DAY_MS)


def test_an_empty_box_is_as_the_config_says() -> None:
    found = order(config(), batch("OUT", "grapevine", place=UNHEATED))
    assert (found.setpoint_c, found.lead, found.conflicts) == (25.0, None, ())
    assert "no batch" in found.why


def test_the_configs_setpoint_stays_where_it_suits_the_lead() -> None:
    found = order(config(), batch("GRP-2", "grapevine"))
    assert (found.setpoint_c, found.lead) == (25.0, "GRP-2")
    assert "24 to 27" in found.why


@pytest.mark.parametrize(
    ("species", "stage", "expected_c"),
    [
        ("grapevine", "callusing", 25.0),
        ("mulberry", "rooting", 20.0),
        ("blackcurrant", "callusing", 20.0),
        ("walnut", "callusing", 26.0),
        ("mulberry", "hardening-off", 18.0),
    ],
)
def test_else_the_nearest_end_of_the_band(species: str, stage: str, expected_c: float) -> None:
    # Bands: by way of the table of species, which names its sources; rooting and hardening are
    # common practice, no source.
    assert order(config(), batch("A", species, stage)).setpoint_c == expected_c


def test_the_youngest_that_still_calluses_leads() -> None:
    found = order(
        config(),
        batch("OLD", "grapevine", day=0),
        batch("YOUNG", "grapevine", day=5),
        batch("YOUNGEST", "mulberry", "rooting", day=9),
    )
    assert found.lead == "YOUNG"


def test_the_config_names_the_lead_and_a_name_that_is_not_inside_is_said() -> None:
    entries = (batch("MUL-1", "mulberry", "rooting"), batch("GRP-2", "grapevine"))
    assert order(config(lead="mul-1"), *entries).setpoint_c == 20.0
    found = order(config(lead="XYZ"), *entries)
    assert found.lead == "GRP-2"
    assert any("XYZ" in text for text in found.conflicts)


def test_a_conflict_is_said_and_not_averaged() -> None:
    found = order(config(), batch("MUL-1", "mulberry", "rooting"), batch("GRP-2", "grapevine"))
    assert found.setpoint_c == 25.0
    (text,) = found.conflicts
    assert "MUL-1" in text
    assert "18 to 20" in text
    assert "GRP-2" in text
    assert "move it" in text


def test_never_above_the_lowest_warm_limit_inside() -> None:
    found = order(config(), batch("PEA-1", "peach"), batch("GRP-2", "grapevine", day=1))
    assert found.lead == "GRP-2"
    assert found.setpoint_c == 22.0, "peach: rot above (Erez & Yablowitz 1981)"
    assert "PEA-1" in found.why
    assert len(found.conflicts) == 2, "neither has what it wants"


def test_never_within_two_kelvin_of_the_callus_limit() -> None:
    tight = config(callus_zone=22.0, limits={"callus": 26})
    found = order(tight, batch("WAL", "walnut"))
    assert found.setpoint_c == 24.0
    assert "callus limit" in found.why


def test_the_layers_ceiling_goes_by_the_stages_inside_and_the_configs() -> None:
    assert order(config(), batch("A", "grapevine")).ceiling_c == 32.0
    both = (batch("A", "grapevine"), batch("B", "mulberry", "rooting"))
    assert order(config(), *both).ceiling_c == 28.0
    assert order(config(layer_ceiling=27), *both).ceiling_c == 27.0
    assert order(config()).ceiling_c == 34.0


def test_a_target_of_the_growers_own_wins_until_it_hardens_off() -> None:
    assert order(config(), batch("A", "mulberry", target_c=23.5)).setpoint_c == 23.5
    hard = batch("A", "mulberry", "hardening-off", target_c=23.5)
    assert order(config(), hard).setpoint_c == 18.0


def test_own_numbers_win_and_an_unknown_species_is_as_the_config_says() -> None:
    own = {"species": {"grapevine": {"callusing": {"band": [26.5, 27]}}}}
    found = order(config(season=own), batch("A", "grapevine"))
    assert found.setpoint_c == 26.5
    assert "your own" in found.why
    assert order(config(), batch("A", "unheard-of")).setpoint_c == 25.0


def test_by_config_nothing_rules_but_conflicts_are_said() -> None:
    found = order(config(setpoint_by="config"), batch("A", "blackcurrant"))
    assert (found.setpoint_c, found.ceiling_c, found.lead) == (25.0, 34.0, None)
    assert len(found.conflicts) == 1
    assert "warm limit" in found.conflicts[0]


def test_a_forgotten_stage_is_lowered_only_where_the_grower_said_so() -> None:
    made, late = batch("MUL-1", "mulberry", at_latest="lower-to 18"), 51
    assert order(config(), made, day=late - 2).setpoint_c == 25.0
    found = order(config(), made, day=late)
    assert found.setpoint_c == 18.0
    assert "latest" in found.why
    assert not found.conflicts, "cooler than it wants, as was asked for"
    assert order(config(), batch("MUL-1", "mulberry"), day=late).setpoint_c == 25.0, "keep"
    undated = rule(config(), BOX, season(made), None)
    assert undated.setpoint_c == 25.0, "without a date nothing is due"


def test_a_union_is_another_height_than_the_bases() -> None:
    base = config().chambers[BOX]
    union = config(zone="union", zone_height=90).chambers[BOX]
    made = season(
        batch("B", "grapevine", zone="base"),
        batch("U", "grapevine", zone="union", height_mm=90),
        batch("V", "grapevine", zone="union", height_mm=120),
    ).batches
    assert [measured(made[n], base) for n in "BUV"] == [True, False, False]
    assert [measured(made[n], union) for n in "BUV"] == [False, True, False]
    assert measured(batch_of("W", 93.0), union)
    assert not measured(batch_of("W", 96.0), union)


def batch_of(name: str, height_mm: float) -> Batch:
    return season(batch(name, "grapevine", zone="union", height_mm=height_mm)).batches[name]


batches = st.lists(
    st.tuples(
        st.sampled_from([*SPECIES, "unheard-of"]),
        st.sampled_from(list(Stage)),
        st.integers(0, 60),
        st.none() | st.floats(5, 30),
    ),
    min_size=1,
    max_size=5,
)


@given(batches, st.floats(5, 28), st.floats(20, 40), st.integers(0, 120))
def test_whatever_stands_inside_the_setpoint_is_safe(
    inside: list[tuple[str, Stage, int, float | None]],
    written_c: float,
    limit_c: float,
    day: int,
) -> None:
    made = config(callus_zone=min(written_c, limit_c - 2.0), limits={"callus": limit_c})
    entries = [
        batch(f"B-{n}", species, stage.value, since, target_c=target_c)
        for n, (species, stage, since, target_c) in enumerate(inside)
    ]
    found = order(made, *entries, day=day)
    assert 5.0 <= found.setpoint_c <= 30.0
    limits_c = [
        warm_c
        for species, stage, _, _ in inside
        if (warm_c := needs(species, stage, {}).warm_limit_c) is not None
    ]
    assert found.setpoint_c <= min([limit_c - 2.0, *limits_c]) + 1e-9
    assert found.ceiling_c <= made.chambers[BOX].layer_ceiling_c
    assert found.lead in {entry.batch for entry in entries}
    assert found == order(made, *entries, day=day)


def test_a_species_that_nobody_knows_has_no_limit_that_guards_it_and_that_is_said() -> None:
    found = order(config(), batch("QUI-1", "quince"))
    assert found.setpoint_c == 25.0
    (text,) = found.conflicts
    assert "no warm limit" in text
    assert not order(config(), batch("QUI-1", "quince", target_c=20.0)).conflicts
    own = {"species": {"quince": {"callusing": {"warm_limit": 22}}}}
    assert order(config(season=own), batch("QUI-1", "quince")).setpoint_c == 22.0
