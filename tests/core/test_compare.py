"""Counts compared: intervals against published values and another implementation, and the words."""

from __future__ import annotations

import warnings
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bottomheat.season.compare import (
    CONFIDENCE,
    Tally,
    Told,
    between_words,
    by_species,
    callused_in,
    counted,
    counted_by_all,
    difference,
    of_season,
    pairs,
    sentence,
    since_last_close,
    total,
    wilson,
)
from bottomheat.season.ledger import UNHEATED, Batch, Kind, Season, Spell, Stage, Stay

with warnings.catch_warnings():
    warnings.simplefilter("ignore")
    from statsmodels.stats.proportion import confint_proportions_2indep, proportion_confint

DAY = 86_400_000
counts = st.integers(1, 400).flatmap(lambda n: st.tuples(st.integers(0, n), st.just(n)))


def batch(name: str, count: int = 20, species: str = "mulberry", **ends: int) -> Batch:
    return Batch(name, species, Kind.CUTTINGS, count, made_ms=0, endings=ends)


# -- the intervals


@given(counts, st.sampled_from((0.8, 0.95, 0.99)))
def test_a_share_has_wilsons_interval(side: tuple[int, int], confidence: float) -> None:
    """Against statsmodels."""
    found = wilson(*side, confidence)
    low, high = proportion_confint(*side, alpha=1 - confidence, method="wilson")
    assert found.low == pytest.approx(low, abs=1e-12)
    assert found.high == pytest.approx(high, abs=1e-12)


@given(counts, counts, st.sampled_from((0.8, 0.95, 0.99)))
def test_a_difference_has_newcombes_interval(
    one: tuple[int, int], other: tuple[int, int], confidence: float
) -> None:
    """Against statsmodels."""
    found = difference(*one, *other, confidence)
    low, high = confint_proportions_2indep(
        *one, *other, method="newcomb", compare="diff", alpha=1 - confidence, correction=False
    )
    assert found.low == pytest.approx(low, abs=1e-12)
    assert found.high == pytest.approx(high, abs=1e-12)


@pytest.mark.parametrize(
    ("given_", "low", "high"),
    [
        ((56, 70, 48, 80), 0.0524, 0.3339),
        ((9, 10, 3, 10), 0.1705, 0.8090),
        ((6, 7, 2, 7), 0.0582, 0.8062),
        ((5, 56, 0, 29), -0.0381, 0.1926),
        ((0, 10, 0, 20), -0.1611, 0.2775),
        ((0, 10, 0, 10), -0.2775, 0.2775),
        ((10, 10, 0, 20), 0.6791, 1.0000),
        ((10, 10, 0, 10), 0.6075, 1.0000),
    ],
)
def test_the_published_examples(given_: tuple[int, int, int, int], low: float, high: float) -> None:
    """Newcombe 1998, Statistics in Medicine 17:873, table II, method 10."""
    found = difference(*given_)
    assert (round(found.low, 4), round(found.high, 4)) == (low, high)


@given(counts, counts)
def test_the_difference_changes_its_sign_with_the_sides(
    one: tuple[int, int], other: tuple[int, int]
) -> None:
    there, back = difference(*one, *other), difference(*other, *one)
    assert there.low == pytest.approx(-back.high)
    assert there.high == pytest.approx(-back.low)
    assert -1.0 <= there.low <= one[0] / one[1] - other[0] / other[1] <= there.high <= 1.0


@pytest.mark.parametrize("bad", [(1, 0), (-1, 5), (6, 5)])
def test_counts_that_cannot_be_are_refused(bad: tuple[int, int]) -> None:
    with pytest.raises(ValueError, match="no share"):
        wilson(*bad)


@pytest.mark.parametrize("confidence", [0.0, 1.0, -1.0])
def test_a_confidence_that_is_none_is_refused(confidence: float) -> None:
    with pytest.raises(ValueError, match="confidence"):
        wilson(1, 2, confidence)


# -- what is said


def test_twenty_cuttings_cannot_tell() -> None:
    (pair,) = pairs([Tally("MUL-1", 14, 20), Tally("MUL-2", 11, 20)])
    assert pair.told is Told.CANNOT
    assert sentence(pair, "rooted") == "14/20 against 11/20 rooted: cannot tell yet"
    # -14.2 % to 41.1 % by statsmodels.
    assert between_words(pair) == ("of 100 each, MUL-2 may have 41 fewer than MUL-1, or 14 more")


def test_a_clear_difference_is_told_for_either_side() -> None:
    (pair,) = pairs([Tally("MUL-1", 34, 40), Tally("MUL-2", 11, 40)])
    assert pair.told is Told.FIRST
    assert sentence(pair, "callused") == (
        "34/40 against 11/40 callused: MUL-1 did better than MUL-2"
    )
    assert "MUL-1 has 37 to 71 more than MUL-2" in between_words(pair)
    (back,) = pairs([Tally("MUL-2", 11, 40), Tally("MUL-1", 34, 40)])
    assert back.told is Told.SECOND
    assert sentence(back, "callused").endswith("MUL-1 did better than MUL-2")
    assert between_words(back) == between_words(pair)


@given(counts, counts)
def test_one_pair_is_told_as_its_interval_leaves_zero_out(
    one: tuple[int, int], other: tuple[int, int]
) -> None:
    (pair,) = pairs([Tally("a", *one), Tally("b", *other)])
    between = difference(*one, *other)
    assert pair.between == between
    assert (pair.told is Told.CANNOT) == (between.low <= 0.0 <= between.high)
    assert pair.told is not Told.CANNOT or "cannot tell yet" in sentence(pair, "rooted")
    if pair.told is not Told.CANNOT:
        assert pair.of_each is None


def test_several_pairs_are_told_more_carefully_than_one() -> None:
    """Five batches of pure chance: ten pairs, each at 99.5 %."""
    tallies = [Tally(f"B-{n}", hits, 40) for n, hits in enumerate((20, 24, 28, 22, 31))]
    found = pairs(tallies)
    assert len(found) == 10
    assert {round(pair.confidence, 6) for pair in found} == {0.995}
    (alone,) = pairs([tallies[0], tallies[4]])
    together = next(p for p in found if (p.first.name, p.second.name) == ("B-0", "B-4"))
    assert alone.confidence == pytest.approx(CONFIDENCE)
    assert (alone.told, together.told) == (Told.SECOND, Told.CANNOT)


def test_how_many_it_would_take_is_near_the_least_that_tells() -> None:
    (pair,) = pairs([Tally("a", 14, 20), Tally("b", 11, 20)])
    assert pair.of_each is not None
    enough = difference(
        round(0.7 * pair.of_each), pair.of_each, round(0.55 * pair.of_each), pair.of_each
    )
    fewer = pair.of_each - 20
    short = difference(round(0.7 * fewer), fewer, round(0.55 * fewer), fewer)
    assert enough.low > 0.0 > short.low


@pytest.mark.parametrize(("hits", "other"), [(10, 10), (400, 401)])
def test_no_number_is_named_where_none_or_thousands_would_tell(hits: int, other: int) -> None:
    (pair,) = pairs([Tally("a", hits, 500), Tally("b", other, 500)])
    assert pair.told is Told.CANNOT
    assert pair.of_each is None


# -- counts out of the ledger


def test_what_was_not_counted_is_no_side() -> None:
    assert counted(batch("MUL-1", rooted=14), "rooted") == Tally("MUL-1", 14, 20, ("MUL-1",))
    assert counted(batch("MUL-1"), "rooted") is None
    assert counted(batch("MUL-1", rooted=21), "rooted") is None
    assert counted(batch("MUL-1", rooted=0), "rooted") == Tally("MUL-1", 0, 20, ("MUL-1",))


def test_several_batches_are_one_side_without_those_not_counted() -> None:
    group = [batch("A", rooted=14), batch("B"), batch("C", 30, rooted=6)]
    assert total("north-bench", group, "rooted") == Tally("north-bench", 20, 50, ("A", "C"))
    assert total("north-bench", [batch("B")], "rooted") is None


def test_the_count_that_all_have_is_compared() -> None:
    one, other = batch("A", rooted=1, callused=2, alive=1), batch("B", callused=3, alive=2)
    assert counted_by_all([[one], [one]]) == "rooted"
    assert counted_by_all([[one], [other]]) == "callused"
    assert counted_by_all([[one], [batch("C")]]) is None
    assert counted_by_all([]) is None


def test_a_batch_belongs_to_the_box_in_which_it_callused_longest() -> None:
    moved = replace(
        batch("A"),
        stays=(
            Stay("south-bench", 0, 2 * DAY),
            Stay("north-bench", 2 * DAY, 12 * DAY),
            Stay("south-bench", 12 * DAY, 90 * DAY),
        ),
        stages=(Spell(Stage.CALLUSING, 0, 12 * DAY), Spell(Stage.ROOTING, 12 * DAY, 90 * DAY)),
    )
    assert callused_in(moved) == "north-bench"
    still = replace(
        batch("B"), stays=(Stay("north-bench", 5),), stages=(Spell(Stage.CALLUSING, 5),)
    )
    assert callused_in(still) == "north-bench"
    cold = replace(batch("C"), stays=(Stay(UNHEATED, 5),), stages=(Spell(Stage.CALLUSING, 5),))
    assert callused_in(cold) is None


def test_seasons_part_the_batches_by_when_they_were_made() -> None:
    made = {
        name: replace(batch(name), made_ms=day * DAY)
        for name, day in (("OLD", 5), ("LAST", 10), ("NEW", 15))
    }
    season = Season(made, closed=(("2025-26", 8 * DAY), ("2026-27", 12 * DAY)))
    assert [b.name for b in of_season(season, "2025-26") or ()] == ["OLD"]
    assert [b.name for b in of_season(season, "2026-27") or ()] == ["LAST"]
    assert of_season(season, "2024-25") is None
    assert [b.name for b in since_last_close(season)] == ["NEW"]
    del made["NEW"]
    assert [b.name for b in since_last_close(season)] == ["LAST"]
    assert [b.name for b in since_last_close(Season(made))] == ["OLD", "LAST"]


def test_only_batches_of_one_species_are_together() -> None:
    found = by_species([batch("A"), batch("G", species="grapevine"), batch("B")])
    assert {key: [b.name for b in value] for key, value in found.items()} == {
        "mulberry": ["A", "B"],
        "grapevine": ["G"],
    }
