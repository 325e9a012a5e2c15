"""What hours beyond limits mean, in words: the test decides, temperature never does."""

from __future__ import annotations

import re
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bottomheat.review.parts import Span
from bottomheat.review.pieces import pieces_of_batch
from bottomheat.review.record import record
from bottomheat.review.verdict import RULES, Level, Verdict, judge, stretch
from bottomheat.season.ledger import UNHEATED, Batch, Kind, Spell, Stage, Stay, Zone
from bottomheat.season.species import SPECIES, needs
from thermal import Rows, ms, rows

NOT_SAID = re.compile(r"\b(lost|discard|dead|delayed|throw)\b", re.IGNORECASE)


def batch(species: str = "grapevine", **changes: object) -> Batch:
    made = Batch(
        "B-1",
        species,
        Kind.CUTTINGS,
        60,
        ms(0),
        stays=(Stay("north-bench", ms(0)),),
        stages=(Spell(Stage.CALLUSING, ms(0)),),
    )
    return replace(made, **changes)


def verdict(one: Batch, box: Rows, hours: float, unmeasured: str | None = None) -> Verdict:
    made = pieces_of_batch(
        one, ms(hours), lambda stage: needs(one.species, stage, {}), lambda _: unmeasured
    )
    return judge(record(made, {"north-bench": box}, {}), one)


def held(celsius: float, hours: float, *, before_c: float = 25.0, doubt_k: float = 0.0) -> Rows:
    """A box at ``before_c`` that goes to ``celsius`` for so long, at once, and back."""
    edge = 1 / 60
    return rows(
        [
            (0, before_c),
            (10, before_c),
            (10 + edge, celsius),
            (10 + hours, celsius),
            (10 + hours + edge, before_c),
            (200, before_c),
        ],
        expanded_k=doubt_k,
    )


def test_a_warm_box_in_band_is_no_harm() -> None:
    found = verdict(batch(), held(25, 1), 200)
    assert (found.level, found.words) == (Level.NO_HARM, "no harm expected")
    assert found.findings == ()
    assert "look again in 7 days" in found.test
    assert "moisture" in found.not_measured


def test_a_cold_night_pauses_growth_and_gives_the_hours_with_their_bounds() -> None:
    fall = rows([(0, 25), (10, 25), (15, 16), (20, 25), (200, 25)], expanded_k=0.5)
    found = verdict(batch(), fall, 200)
    assert found.level is Level.PAUSED
    assert found.words == "growth paused for about 4.4 h (between 3.9 and 5); no harm expected"
    (one,) = found.findings
    assert one.words.startswith("below 20 °C [quoted second-hand] for 4.4 h (between 3.9 and 5)")
    assert "dormant wood takes no harm from cold nights [from memory]" in one.words


def test_an_hour_near_the_limit_with_its_bounds() -> None:
    """The way the length of an exposure is written."""
    assert stretch(Span(40 / 60, 0.0, 75 / 60)) == "40 min (between 0 and 75)"
    assert stretch(Span(5.0, 5.0, 5.0)) == "5 h"
    assert stretch(Span(6.02, 5.66, 6.83)) == "6 h (between 5.7 and 6.8)"
    assert stretch(Span(30.4, 29.6, 31.2)) == "30 h (between 30 and 31)"
    assert stretch(Span(240.0, 240.0, 240.0)) == "10 days"


@pytest.mark.parametrize(
    ("species", "celsius", "hours", "level"),
    [
        ("grapevine", 30, 3, Level.NO_HARM),
        ("grapevine", 30, 6, Level.CHECK),
        ("grapevine", 33, 1, Level.NO_HARM),
        ("grapevine", 33, 6, Level.CHECK),
        ("grapevine", 33, 30, Level.DAMAGED),
        ("grapevine", 45, 5, Level.DAMAGED),
        ("grapevine", 17, 30, Level.PAUSED),
        ("grapevine", 14, 30, Level.PAUSED),
        ("grapevine", 14, 60, Level.CHECK),
        ("grapevine", -2, 1, Level.CHECK),
        ("apple", 41, 3, Level.DAMAGED),
        ("apple", 38.5, 6, Level.CHECK),
        ("apple", 10, 150, Level.NO_HARM),
        ("peach", 26, 30, Level.DAMAGED),
        ("walnut", 26, 30, Level.NO_HARM),
        # A guessed limit says "check", never "damaged"; what harms any species still does.
        ("mulberry", 31, 30, Level.CHECK),
        ("mulberry", 36, 30, Level.DAMAGED),
        ("nothing-known-of-it", 36, 30, Level.DAMAGED),
        ("nothing-known-of-it", 5, 100, Level.NO_HARM),
        ("olive", 10, 30, Level.PAUSED),
    ],
)
def test_hours_decide_by_species(species: str, celsius: float, hours: float, level: Level) -> None:
    low_c, high_c = needs(species, Stage.CALLUSING, {}).band_c or (20.0, 20.0)
    box = held(celsius, hours, before_c=(low_c + high_c) / 2)
    found = verdict(batch(species), box, 200)
    assert found.level is level, [each.words for each in found.findings]
    assert not NOT_SAID.search(str(found))
    if level >= Level.CHECK:
        assert "?" in found.test
        assert found.findings[0].level is level


def test_one_hot_moment_is_no_verdict() -> None:
    """A maximum of 39 °C for five minutes is told, and no more."""
    found = verdict(batch(), held(39, 5 / 60), 200)
    assert found.level is Level.NO_HARM
    assert any(each.words.startswith("above 38 °C") for each in found.findings)


def test_uncertainty_that_reaches_injury_asks_for_a_look() -> None:
    found = verdict(batch(), held(31.8, 6, doubt_k=0.5), 200)
    assert found.level is Level.CHECK
    words = " ".join(each.words for each in found.findings)
    assert "above 32 °C [from memory] not by the estimate, but 6 h of it possible" in words


def test_uncertainty_that_allows_none_of_it_forbids_to_call_it_damaged() -> None:
    assert verdict(batch(), held(32.3, 30), 200).level is Level.DAMAGED
    assert verdict(batch(), held(32.3, 30, doubt_k=0.5), 200).level is Level.CHECK


def test_a_wide_doubt_alone_does_not_call_warm_too_warm() -> None:
    """Without a calibration ±3 K reaches the warm limit all day: no reason for a look each day."""
    assert verdict(batch(), held(27, 20, doubt_k=3.0), 200).level is Level.NO_HARM


def test_nothing_measured_is_no_all_clear() -> None:
    away = batch(stays=(Stay(UNHEATED, ms(0)),))
    found = verdict(away, held(25, 1), 200)
    assert found.level is Level.CHECK
    assert "no probe has measured it" in found.findings[0].words
    other = verdict(batch(), held(45, 50), 200, unmeasured="its unions are not calibrated")
    assert other.level is Level.CHECK
    assert any("its unions are not calibrated" in each for each in other.not_measured)


def test_days_without_data_ask_for_a_look_and_a_short_cut_is_told() -> None:
    short = rows([(0, 25), (200, 25)], lost_h=[(20, 25.5)])
    found = verdict(batch(), short, 200)
    assert found.level is Level.NO_HARM
    assert "5.5 h without data" in found.not_measured
    long = rows([(0, 25), (200, 25)], lost_h=[(20, 50)])
    assert verdict(batch(), long, 200).level is Level.CHECK


def test_grafts_are_opened_at_the_union_and_cuttings_are_cut() -> None:
    hot = held(33, 30)
    assert verdict(batch(), hot, 200).test == (
        "cut five bases: green and firm, or brown, wet and sour? look again in 7 days"
    )
    union = batch(kind=Kind.GRAFTS, zone=Zone.UNION)
    assert verdict(union, hot, 200).test.startswith("open five unions")
    base = batch(kind=Kind.GRAFTS)
    assert "temperature of the unions" in verdict(base, hot, 200).not_measured
    rooting = batch(stages=(Spell(Stage.CALLUSING, ms(0), ms(60)), Spell(Stage.ROOTING, ms(60))))
    assert verdict(rooting, hot, 200).test.startswith("lift five: roots")


def test_a_batch_in_two_stages_says_in_which() -> None:
    both = batch(stages=(Spell(Stage.CALLUSING, ms(0), ms(5)), Spell(Stage.ROOTING, ms(5))))
    found = verdict(both, held(33, 30, before_c=19.5), 200)
    worst = found.findings[0]
    assert worst.words.startswith("while rooting, above 32 °C [judgement]")
    assert worst.stage is Stage.ROOTING


def test_dormant_wood_of_grapevine_is_told_apart() -> None:
    found = verdict(batch(), held(50, 0.6), 200)
    assert found.level is Level.CHECK
    assert any("50 °C for 30 min [literature]" in each.words for each in found.findings)


def test_a_power_cut_in_the_cold_is_told_with_the_pause() -> None:
    fall = rows([(0, 25), (10, 25), (15, 16), (30, 25), (100, 25)], lost_h=[(10, 15)])
    found = verdict(batch(), fall, 100)
    assert found.words == (
        "growth paused for about 6.7 h and maybe some of 5 h without data; no harm expected"
    )


def test_of_a_closed_batch_what_lives_is_counted() -> None:
    closed = batch(stays=(Stay("north-bench", ms(0), ms(150)),), closed_ms=ms(150))
    for box in (held(25, 1), held(33, 30)):
        assert "bottomheat batch count B-1 --alive N" in verdict(closed, box, 200).test


def test_cool_while_hardening_is_meant_so() -> None:
    hardening = batch(stages=(Spell(Stage.HARDENING, ms(0)),))
    assert verdict(hardening, held(8, 150, before_c=16), 200).level is Level.NO_HARM


def test_every_rule_marks_how_well_it_is_known() -> None:
    for rule in RULES.values():
        assert re.search(r"\[[a-z ,-]+\]", rule.says) or rule.says.startswith("hours of it kill")


@given(
    st.sampled_from([*SPECIES, "unknown"]),
    st.sampled_from(list(Stage)),
    st.floats(-10, 60),
    st.floats(0.1, 100),
    st.sampled_from([0.0, 0.5, 3.0, float("inf")]),
)
def test_whatever_happened_a_verdict_has_words_and_a_test(
    species: str, stage: Stage, celsius: float, hours: float, doubt_k: float
) -> None:
    one = batch(species, stages=(Spell(stage, ms(0)),))
    box = rows(
        [(0, 20), (10, 20), (10.1, celsius), (10.1 + hours, celsius), (120, 20)],
        expanded_k=doubt_k,
        step_min=6,
    )
    found = verdict(one, box, 120)
    assert not NOT_SAID.search(str(found))
    assert found.test.endswith("look again in 7 days")
    assert found.level == max((each.level for each in found.findings), default=Level.NO_HARM)
    assert "delay" not in str(found)


@given(st.floats(33, 55), st.floats(0.1, 60), st.floats(0.1, 60))
def test_longer_is_never_better(celsius: float, one_h: float, other_h: float) -> None:
    short, long = sorted((one_h, other_h))
    found = [verdict(batch(), held(celsius, hours), 200).level for hours in (short, long)]
    assert found[0] <= found[1]
