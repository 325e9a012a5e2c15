"""How far a batch has come, and which step is proposed."""

from __future__ import annotations

from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bottomheat.config_season import SeasonSection
from bottomheat.season.ledger import (
    DAY_MS,
    SHARES,
    UNHEATED,
    Batch,
    Kind,
    Look,
    Spell,
    Stage,
    Stay,
)
from bottomheat.season.species import SPECIES, Needs, needs
from bottomheat.season.stages import (
    CLOCK_NOT_SET,
    COOL_TOPS,
    Keep,
    LowerTo,
    Progress,
    ahead,
    at_latest,
    buds_broke,
    following,
    hardening_step,
    last_counted,
    latest_action,
    light_due,
    progress,
)

DAY0 = 1_796_000_000_000
BOX = "north-bench"
CALLUSING, ROOTING, HARDENING = Stage


def day(number: float) -> int:
    return DAY0 + round(number * DAY_MS)


def cfg(**keys: Any) -> SeasonSection:
    return SeasonSection.model_validate(keys)


def look(at: float, sampled: int | None = 10, **counts: int) -> Look:
    return Look(1, day(at), sampled, **counts)


def batch(*looks: Look, stage: Stage = CALLUSING, since: float = 0, **more: Any) -> Batch:
    place = more.pop("place", BOX)
    fields: dict[str, Any] = {
        "name": "MUL-1",
        "species": "mulberry",
        "kind": Kind.CUTTINGS,
        "count": 40,
        "made_ms": day(0),
        "stays": (Stay(place, day(0)),),
        "stages": (Spell(stage, day(since)),),
        "looks": looks,
    }
    return Batch(**{**fields, **more})


def wants_of(one: Batch) -> Needs:
    return needs(one.species, one.stage, {})


def seen(one: Batch, at: float = 20, *, clock_sure: bool = True, **keys: Any) -> Progress:
    return progress(one, wants_of(one), cfg(**keys), day(at), clock_sure=clock_sure)


# The step that is proposed ----------------------------------------------------------------------


def test_nothing_is_proposed_before_anyone_has_looked() -> None:
    found = seen(batch(), at=20)
    assert (found.proposal, found.step, found.move_out) == (None, None, False)
    assert (found.day, found.stage_day, found.expected) == (20, 20, (21, 40))
    assert found.expected_mark == "[weak]"


@pytest.mark.parametrize(
    ("sampled", "callused", "proposed"),
    [(10, 7, False), (10, 8, True), (5, 4, True), (15, 12, True), (15, 11, False), (1, 1, True)],
)
def test_rooting_is_proposed_from_four_in_five_callused(
    sampled: int, callused: int, proposed: bool
) -> None:
    # The share is common practice, no source.
    found = seen(batch(look(14, sampled, callused=callused)))
    assert (found.step is ROOTING) == proposed
    if proposed:
        assert found.proposal == (
            f"{callused} of {sampled} callused: go on to rooting, cooler than for callus"
        )
        assert not found.move_out


def test_the_last_look_that_counted_it_decides() -> None:
    later = batch(look(14, callused=8), look(15, mould=0), look(16, callused=4))
    assert seen(later).step is None
    assert seen(batch(look(14, callused=8), look(15, mould=0))).step is ROOTING


def test_grafts_on_stocks_with_roots_go_straight_to_hardening_off() -> None:
    for species, step in (("walnut", HARDENING), ("apple", HARDENING), ("grapevine", ROOTING)):
        graft = batch(look(14, callused=9), species=species, kind=Kind.GRAFTS)
        assert following(graft) is step
        assert seen(graft).step is step
    assert following(batch(species="walnut", kind=Kind.CUTTINGS)) is ROOTING


def test_roots_that_show_while_it_calluses_skip_a_stage() -> None:
    found = seen(batch(look(14, callused=9, rooted=2)))
    assert (found.step, found.move_out) == (HARDENING, True)
    assert found.proposal is not None
    assert found.proposal.startswith("2 of 10 with root tips: harden off")
    early = seen(batch(look(14, callused=5, rooted=2)))
    assert early.step is None  # the others still need their callus
    without_callus = seen(batch(look(14, rooted=8)))
    assert without_callus.step is HARDENING


def test_the_first_root_tips_end_rooting() -> None:
    assert seen(batch(look(14, callused=9, rooted=0), stage=ROOTING)).step is None
    found = seen(batch(look(24, callused=9, rooted=1), stage=ROOTING))
    assert (found.step, found.move_out) == (HARDENING, True)
    assert found.proposal == (
        "1 of 10 with root tips: harden off, or move it out to where it is cooler"
    )
    out = seen(batch(look(24, rooted=4), stage=ROOTING, place=UNHEATED))
    assert (out.proposal, out.move_out) == ("4 of 10 with root tips: harden off", False)


def test_hardened_off_it_is_moved_out_and_potted() -> None:
    one = batch(stage=HARDENING, since=30)
    assert seen(one, at=39.9).proposal is None
    found = seen(one, at=40)
    assert found.proposal == "hardened off for 10 days: move it out, or pot it up"
    assert (found.step, found.move_out) == (None, True)
    out = seen(batch(stage=HARDENING, since=30, place=UNHEATED), at=41)
    assert (out.proposal, out.move_out) == ("hardened off for 11 days: pot it up", False)
    assert following(one) is None


def test_nothing_is_proposed_for_what_is_closed() -> None:
    closed = batch(look(14, callused=9, buds=10), closed_ms=day(30))
    found = seen(closed, at=90)
    assert found == Progress(CALLUSING, 90, None, (21, 40), "[weak]")


# Without a clock --------------------------------------------------------------------------------


def test_without_a_clock_the_stage_stays_and_no_day_is_counted() -> None:
    found = seen(batch(look(14, callused=9)), at=400, clock_sure=False)
    assert (found.stage, found.day, found.stage_day) == (CALLUSING, None, None)
    assert (found.overdue, found.light_due) == (False, False)
    assert found.step is ROOTING  # what was seen was seen
    assert CLOCK_NOT_SET in found.notes


# Too long in a stage ----------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "expected"),
    [("keep", Keep()), ("lower-to 18", LowerTo(18.0)), ("lower-to 16.5", LowerTo(16.5))],
)
def test_at_latest_is_read(text: str, expected: Keep | LowerTo) -> None:
    assert at_latest(text) == expected


@pytest.mark.parametrize(
    "text", ["", "lower-to", "lower-to  18", "lower-to 180", "lower-to -3", "lower-to nan", "Keep"]
)
def test_at_latest_is_refused_where_it_is_neither(text: str) -> None:
    with pytest.raises(ValueError, match="neither keep nor lower-to"):
        at_latest(text)


@pytest.mark.parametrize(("at", "overdue"), [(49.9, False), (50, True), (400, True)])
def test_from_its_latest_day_on_a_stage_is_overdue(at: float, overdue: bool) -> None:
    one = batch()  # mulberry: latest day 50
    assert seen(one, at=at).overdue == overdue
    lower = cfg(at_latest="lower-to 18")
    expected = LowerTo(18.0) if overdue else Keep()
    assert latest_action(one, wants_of(one), lower, day(at)) == expected
    assert latest_action(one, wants_of(one), cfg(), day(at)) == Keep()


def test_days_are_counted_in_the_stage_not_from_the_start() -> None:
    one = batch(stage=ROOTING, since=40)  # rooting: latest day 35
    lower = cfg(at_latest="lower-to 18")
    assert latest_action(one, wants_of(one), lower, day(74)) == Keep()
    assert latest_action(one, wants_of(one), lower, day(75)) == LowerTo(18.0)


def test_a_batchs_own_at_latest_wins() -> None:
    keep = batch(at_latest="keep")
    lower = batch(at_latest="lower-to 16")
    section = cfg(at_latest="lower-to 18")
    assert latest_action(keep, wants_of(keep), section, day(60)) == Keep()
    assert latest_action(lower, wants_of(lower), section, day(60)) == LowerTo(16.0)


def test_what_nobody_can_read_changes_no_heat() -> None:
    one = batch(at_latest="lower-to the ground")
    assert latest_action(one, wants_of(one), cfg(at_latest="lower-to 18"), day(60)) == Keep()
    assert seen(one, at=60).overdue


def test_nothing_is_lowered_without_a_time_a_latest_day_or_a_batch() -> None:
    lower = cfg(at_latest="lower-to 18")
    one = batch()
    assert latest_action(one, wants_of(one), lower, None) == Keep()
    unknown = batch(species="baobab")
    assert latest_action(unknown, wants_of(unknown), lower, day(400)) == Keep()
    closed = batch(closed_ms=day(30))
    assert latest_action(closed, wants_of(closed), lower, day(400)) == Keep()


@pytest.mark.parametrize(
    ("place", "keys", "part"),
    [
        (BOX, {}, "until then its heat is kept (at_latest: keep)"),
        (BOX, {"at_latest": "lower-to 18"}, "at_latest asks for no more than 18 °C for it"),
        (UNHEATED, {"at_latest": "lower-to 18"}, "look and decide"),
    ],
)
def test_what_is_overdue_is_said_with_what_happens(
    place: str, keys: dict[str, str], part: str
) -> None:
    (note,) = seen(batch(place=place), at=55, **keys).notes
    assert note.startswith("day 55 of callusing, and day 50 was the latest [weak]: look and decide")
    assert note.endswith(part)


# Buds and light ---------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("callused", "buds", "early"), [(2, 3, True), (3, 3, False), (8, 1, False), (0, 0, False)]
)
def test_buds_ahead_of_the_callus_are_said(callused: int, buds: int, early: bool) -> None:
    one = batch(look(14, callused=callused, buds=buds))
    assert ahead(one.looks[0]) == early
    found = seen(one)
    assert found.buds_ahead == early
    words = (
        f"buds are ahead of the callus ({buds} of 10 with moving buds, {callused} of 10 callused)"
    )
    assert any(note.startswith(words) and note.endswith(COOL_TOPS) for note in found.notes) == early


def test_shares_are_compared_not_counts() -> None:
    assert not ahead(look(14, 10, callused=2, buds=2))
    one = batch(look(14, 20, callused=4), look(15, 5, buds=2))  # 20 % and 40 %
    assert seen(one).buds_ahead
    assert not ahead(one.looks[1])  # that look alone cannot tell


def test_moving_buds_without_a_count_of_callus_ask_for_one() -> None:
    found = seen(batch(look(14, buds=2)))
    assert found.buds_ahead
    assert found.notes[0].startswith("2 of 10 with moving buds and no count of callus: count it")
    assert "lower no heat before the callus has been checked" in COOL_TOPS


def test_buds_may_move_once_it_hardens_off() -> None:
    assert not seen(batch(look(14, callused=2, buds=9), stage=HARDENING)).buds_ahead


@pytest.mark.parametrize(("at", "due"), [(13.9, False), (14, True), (60, True)])
def test_light_is_due_by_day(at: float, due: bool) -> None:
    # 14 days: common practice, no source.
    assert seen(batch(), at=at).light_due == due


def test_light_is_due_at_bud_break_if_that_comes_first() -> None:
    one = batch(look(5, buds=0), look(6, buds=1), look(7, buds=0))
    assert not light_due(one, cfg(), day(5.5))  # nothing is known then of what comes
    assert light_due(one, cfg(), day(6))
    broke = buds_broke(one)
    assert broke is not None
    assert broke.at_ms == day(6)


def test_light_is_due_by_the_growers_own_day_and_once() -> None:
    assert light_due(batch(), cfg(light_after=10), day(10))
    assert not light_due(batch(), cfg(light_after=20), day(19))
    assert not light_due(batch(look(6, buds=1), light_ms=day(7)), cfg(), day(30))
    assert not light_due(batch(closed_ms=day(10)), cfg(), day(30))


# Hardening off ----------------------------------------------------------------------------------


def test_hardening_off_is_told_step_by_step() -> None:
    # Common practice, no source.
    told = [hardening_step(BOX, each, 1.5) for each in range(12)]
    assert told[0] == "hardening off: heat goes down 1.5 K a day, lid still on"
    assert "lid ajar" in told[3]
    assert "15 to 18 °C" in told[4]
    assert "further open each day" in told[5]
    assert told[10].endswith("lid off, then heat off")
    assert "keep frost and wind away" in hardening_step(UNHEATED, 4, 1.5)
    assert hardening_step(UNHEATED, 5, 1.5).endswith("more light and air each day, no frost")
    assert all("lid" not in hardening_step(UNHEATED, each, 1.5) for each in range(12))
    assert told[4] in seen(batch(stage=HARDENING, since=30), at=34.5).notes


# What holds for any batch -----------------------------------------------------------------------

COUNTS = st.one_of(st.none(), st.integers(0, 12))
LOOKS = st.builds(
    Look,
    number=st.just(1),
    at_ms=st.integers(0, 60).map(day),
    **dict.fromkeys(SHARES, COUNTS),
)
BATCHES = st.builds(
    batch,
    st.none(),
    species=st.sampled_from([*SPECIES, "baobab"]),
    kind=st.sampled_from(Kind),
    stage=st.sampled_from(Stage),
    since=st.integers(0, 40),
    place=st.sampled_from([BOX, UNHEATED]),
    looks=st.lists(LOOKS, max_size=4).map(
        lambda found: tuple(sorted(found, key=lambda k: k.at_ms))
    ),
    closed_ms=st.one_of(st.none(), st.integers(40, 60).map(day)),
    at_latest=st.sampled_from([None, "keep", "lower-to 18", "nonsense"]),
    light_ms=st.one_of(st.none(), st.just(day(9))),
)


@given(BATCHES, st.integers(-5, 400), st.booleans(), st.sampled_from(["keep", "lower-to 17"]))
def test_any_batch_has_a_progress(one: Batch, at: int, sure: bool, said: str) -> None:
    section = cfg(at_latest=said)
    found = progress(one, wants_of(one), section, day(at), clock_sure=sure)
    assert found.stage is one.stage
    if found.step is not None:
        order = list(Stage)
        assert found.proposal
        assert order.index(found.step) > order.index(one.stage)
    if found.move_out:
        assert found.proposal
        assert one.place != UNHEATED
    if not sure:
        assert (found.day, found.stage_day, found.overdue, found.light_due) == (
            None,
            None,
            False,
            False,
        )
    if not one.open:
        assert (found.proposal, found.overdue, found.light_due, found.notes) == (
            None,
            False,
            False,
            (),
        )
    for text in (found.proposal or "", *found.notes):
        assert "None" not in text
        assert not text.endswith(".")
    action = latest_action(one, wants_of(one), section, day(at))
    if isinstance(action, LowerTo):
        assert one.open
        assert one.stage_days(day(at)) >= (wants_of(one).latest_days or 0)
        assert action.celsius in (17.0, 18.0)


@given(BATCHES)
def test_what_was_last_counted_was_counted_of_a_sample(one: Batch) -> None:
    for name in ("callused", "rooted", "buds", "mould"):
        found = last_counted(one, name)
        counted = [each for each in one.looks if each.share(name) is not None]
        assert found == (counted[-1] if counted else None)
