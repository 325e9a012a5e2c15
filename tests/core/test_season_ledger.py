"""The season's ledger: entries that are only ever added, and what they come to."""

from __future__ import annotations

import math
from dataclasses import replace
from itertools import pairwise
from typing import Any

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from bottomheat.season.ledger import (
    DAY_MS,
    UNHEATED,
    Batch,
    Dated,
    Kind,
    Look,
    Season,
    SeasonEntry,
    Spell,
    Stage,
    Stay,
    What,
    Zone,
    fold,
    standing,
)

DAY0 = 1_796_000_000_000
NORTH, SOUTH = "north-bench", "south-bench"
PLACES = (NORTH, SOUTH, UNHEATED)


def day(number: float) -> int:
    return DAY0 + round(number * DAY_MS)


def entry(what: What, batch: str | None = "MUL-1", at: float | None = None, **more: Any) -> Any:
    fields = {key: more.pop(key) for key in ("chamber", "note", "corrects") if key in more}
    return SeasonEntry(what, batch, data=more, about_ms=None if at is None else day(at), **fields)


def add(name: str = "MUL-1", at: float | None = 0, chamber: str | None = NORTH, **more: Any) -> Any:
    data = {"species": "mulberry", "kind": "cuttings", "count": 40, **more}
    return entry(What.ADD, name, at, chamber=chamber, **data)


def ledger(*entries: SeasonEntry, entered: float = 400) -> list[Dated]:
    """The entries as they come in: all on one later day, numbered in order."""
    return [Dated(n, day(entered), True, each) for n, each in enumerate(entries, 1)]


def season(*entries: SeasonEntry, until: float | None = None) -> Season:
    return fold(ledger(*entries), None if until is None else day(until))


def test_a_batch_goes_through_boxes_stages_and_looks_to_its_end() -> None:
    found = season(
        add(at=0, made_ms=day(-1), zone="base", height_mm=30, target_c=24, note="old tree"),
        entry(What.LOOK, at=14, sampled=10, callused=8, rooted=0, buds=1, mould=0, note="fine"),
        entry(What.STAGE, at=15, stage="rooting"),
        entry(What.MOVE, at=16, chamber=SOUTH),
        entry(What.LOOK, at=30, sampled=10, rooted=4),
        entry(What.STAGE, at=31, stage="hardening-off"),
        entry(What.MOVE, at=35, chamber=UNHEATED),
        entry(What.CLOSE, at=50, callused=38, rooted=30, potted=29),
        entry(What.COUNT, at=90, alive=27),
    )
    assert found.problems == ()
    assert found.batches == {
        "MUL-1": Batch(
            name="MUL-1",
            species="mulberry",
            kind=Kind.CUTTINGS,
            count=40,
            made_ms=day(-1),
            zone=Zone.BASE,
            height_mm=30.0,
            target_c=24.0,
            note="old tree",
            stays=(
                Stay(NORTH, day(0), day(16)),
                Stay(SOUTH, day(16), day(35)),
                Stay(UNHEATED, day(35), day(50)),
            ),
            stages=(
                Spell(Stage.CALLUSING, day(0), day(15)),
                Spell(Stage.ROOTING, day(15), day(31)),
                Spell(Stage.HARDENING, day(31), day(50)),
            ),
            looks=(
                Look(2, day(14), 10, 8, 0, 1, 0, "fine"),
                Look(5, day(30), 10, None, 4, None, None),
            ),
            endings={"callused": 38, "rooted": 30, "potted": 29, "alive": 27},
            closed_ms=day(50),
        )
    }


def test_days_are_whole_and_never_negative() -> None:
    batch = season(add(at=2, made_ms=day(0))).batches["MUL-1"]
    assert (batch.days(day(9.9)), batch.stage_days(day(9.9))) == (9, 7)
    assert (batch.days(day(-3)), batch.stage_days(day(1))) == (0, 0)


def test_only_open_batches_stand_in_a_box() -> None:
    found = season(
        add("OLD", made_ms=day(-9)),
        add("NEW"),
        add("OUT", chamber=UNHEATED),
        add("GONE"),
        entry(What.CLOSE, "GONE", 3),
        entry(What.CLOSE, "OLD", 30),
    )
    assert [b.name for b in found.inside(NORTH)] == ["NEW"]
    until = season(add("OLD", made_ms=day(-9)), add("NEW"), entry(What.CLOSE, "OLD", 30), until=29)
    assert [b.name for b in until.inside(NORTH)] == ["OLD", "NEW"]  # the oldest first


def test_a_share_needs_a_sample() -> None:
    assert Look(1, 0, 10, callused=8).share("callused") == 0.8
    assert Look(1, 0, 10).share("callused") is None
    assert Look(1, 0, None, callused=8).share("callused") is None
    assert Look(1, 0, 0, callused=0).share("callused") is None


def test_a_correction_takes_the_place_and_time_of_what_it_corrects() -> None:
    wrong = entry(What.LOOK, at=14, sampled=10, callused=2)
    found = season(add(), wrong, entry(What.LOOK, sampled=10, callused=8, corrects=2))
    assert found.batches["MUL-1"].looks == (Look(3, day(14), 10, 8),)
    dated = season(add(), wrong, entry(What.LOOK, at=13, sampled=10, callused=8, corrects=2))
    assert dated.batches["MUL-1"].looks == (Look(3, day(13), 10, 8),)


def test_a_correction_may_be_corrected_by_either_number() -> None:
    for number in (2, 3):
        found = season(
            add(),
            entry(What.LOOK, at=14, sampled=10, callused=2),
            entry(What.LOOK, sampled=10, callused=8, corrects=2),
            entry(What.LOOK, sampled=10, callused=9, corrects=number),
        )
        assert found.batches["MUL-1"].looks == (Look(4, day(14), 10, 9),)


def test_a_corrected_beginning_still_comes_before_what_followed_it_that_day() -> None:
    # Commands date by the day: a batch is added and moved at the same midnight.
    found = season(
        add(),
        entry(What.MOVE, at=0, chamber=SOUTH),
        entry(What.LOOK, at=0, sampled=5, mould=0),
        replace(add(count=41), corrects=1, about_ms=None),
    )
    assert found.problems == ()
    batch = found.batches["MUL-1"]
    assert (batch.count, batch.place, len(batch.looks)) == (41, SOUTH, 1)


def test_what_is_withdrawn_never_happened() -> None:
    move = entry(What.MOVE, at=3, chamber=SOUTH)
    assert (
        season(add(), move, entry(What.WITHDRAW, None, corrects=2)).batches == season(add()).batches
    )
    assert season(add(), move, entry(What.WITHDRAW, None, corrects=1)).batches == {}


def test_a_correction_withdrawn_takes_with_it_what_it_corrected() -> None:
    found = season(
        add(),
        entry(What.LOOK, at=14, sampled=10, callused=2),
        entry(What.LOOK, sampled=10, callused=8, corrects=2),
        entry(What.WITHDRAW, None, corrects=3),
    )
    assert found.batches["MUL-1"].looks == ()


def test_what_was_withdrawn_cannot_be_corrected_back() -> None:
    found = season(
        add(),
        entry(What.LOOK, at=14, sampled=10, callused=2),
        entry(What.WITHDRAW, None, corrects=2),
        entry(What.LOOK, sampled=10, callused=8, corrects=2),
    )
    assert found.batches["MUL-1"].looks == ()


@pytest.mark.parametrize(
    ("wrong", "why"),
    [
        (entry(What.LOOK, "NONE", 3, sampled=3), "NONE had not been added by then"),
        (entry(What.LOOK, at=-1, sampled=3), "MUL-1 had not been added by then"),
        (entry(What.LOOK, at=70, sampled=3), "MUL-1 had been closed by then"),
        (entry(What.MOVE, at=70, chamber=SOUTH), "MUL-1 had been closed by then"),
        (entry(What.STAGE, at=70, stage="rooting"), "MUL-1 had been closed by then"),
        (add(at=5), "MUL-1 was there already"),
        (entry(What.LOOK, None, 3, sampled=3), "it names no batch"),
        (entry(What.LOOK, at=3, sampled=-3), "-3 is no count"),
        (entry(What.LOOK, at=3, sampled=2.5), "2.5 is no count"),
        (entry(What.LOOK, at=3, sampled=True), "True is no count"),
        (entry(What.STAGE, at=3, stage="flowering"), "flowering"),
        (entry(What.STAGE, at=3), "no 'stage'"),
        (entry(What.MOVE, at=3), "it names no place"),
        (entry(What.CHANGE, at=3, colour="red"), "a batch has no colour"),
        (entry(What.CHANGE, at=3, made_ms=math.inf), "infinity"),
        (entry(What.CHANGE, at=3, target_c=math.nan), "nan is no number"),
        (entry(What.CHANGE, at=3, target_c=math.inf), "inf is no number"),
        (entry(What.CHANGE, at=3, height_mm="30"), "'30' is no number"),
        (entry(What.CHANGE, at=3, kind="seed"), "seed"),
        (add("NEW", species=None, count="40"), "'40' is no count"),
        (entry(What.ADD, "NEW", 3, kind="grafts", count=3), "no 'species'"),
    ],
)
def test_what_cannot_be_taken_is_said_and_changes_nothing(wrong: SeasonEntry, why: str) -> None:
    before = (add(), entry(What.CLOSE, at=60, rooted=3))
    found = season(*before, wrong)
    assert found.batches == season(*before).batches
    (problem,) = found.problems
    assert problem.startswith(f"entry 3 ({wrong.what}) is not used: ")
    assert why in problem


def test_a_second_close_adds_its_counts_and_leaves_the_day() -> None:
    found = season(add(), entry(What.CLOSE, at=50, rooted=30), entry(What.CLOSE, at=60, alive=20))
    batch = found.batches["MUL-1"]
    assert batch.closed_ms == day(50)
    assert batch.stays[-1].to_ms == batch.stages[-1].to_ms == day(50)
    assert batch.endings == {"rooted": 30, "alive": 20}


def test_a_close_that_is_withdrawn_opens_the_batch_again() -> None:
    found = season(
        add(),
        entry(What.CLOSE, at=50, rooted=30),
        entry(What.MOVE, at=55, chamber=SOUTH),
        entry(What.WITHDRAW, None, corrects=2),
    )
    batch = found.batches["MUL-1"]
    assert (batch.open, batch.place, dict(batch.endings)) == (True, SOUTH, {})


def test_a_change_changes_what_it_names_and_takes_back_what_is_none() -> None:
    batch = season(
        add(target_c=24, at_latest="keep", note="old tree"),
        entry(What.CHANGE, at=3, count=38, zone="union", height_mm=90, target_c=None),
        entry(What.CHANGE, at=4, at_latest=None, note="counted twice"),
    ).batches["MUL-1"]
    assert (batch.count, batch.zone, batch.height_mm) == (38, Zone.UNION, 90.0)
    assert (batch.target_c, batch.at_latest, batch.note) == (None, None, "counted twice")


def test_to_move_where_it_is_or_to_stay_in_its_stage_is_nothing_new() -> None:
    more = (entry(What.MOVE, at=3, chamber=NORTH), entry(What.STAGE, at=3, stage="callusing"))
    assert season(add(), *more).batches == season(add()).batches


def test_the_last_time_that_something_was_done_counts() -> None:
    found = season(
        entry(What.DONE, None, 5, chamber=NORTH, reminder="layer"),
        entry(What.DONE, None, 3, chamber=NORTH, reminder="layer"),
        entry(What.DONE, None, 4, reminder="tools"),
        entry(What.DONE, "MUL-1", 4, reminder="look"),
    )
    assert found.done == {
        ("layer", NORTH): day(5),
        ("tools", None): day(4),
        ("look", "MUL-1"): day(4),
    }


@pytest.mark.parametrize(
    ("batch", "chamber", "lit"),
    [
        ("A", None, {"A"}),
        (None, NORTH, {"A", "B"}),
        (None, UNHEATED, {"C"}),
        (None, None, {"A", "B", "C"}),
    ],
)
def test_light_is_given_to_a_batch_a_box_or_all(
    batch: str | None, chamber: str | None, lit: set[str]
) -> None:
    found = season(
        add("A"),
        add("B"),
        add("C", chamber=UNHEATED),
        add("GONE"),
        entry(What.CLOSE, "GONE", 1),
        entry(What.DONE, batch, 2, chamber=chamber, reminder="light"),
    )
    assert {name for name, each in found.batches.items() if each.light_ms == day(2)} == lit


def test_seasons_closed_and_what_the_file_said_are_kept() -> None:
    found = season(
        entry(What.SEASON, None, 240, name="2026-27"),
        entry(What.WRITTEN, "MUL-1", 1, count=40),
        entry(What.WRITTEN, "MUL-1", 9, count=41),
    )
    assert found.closed == (("2026-27", day(240)),)
    assert found.written == {"MUL-1": {"count": 41}}


def test_an_entry_without_a_day_happened_when_it_was_entered() -> None:
    found = fold([Dated(1, day(3), True, add(at=None))])
    assert found.batches["MUL-1"].stays == (Stay(NORTH, day(3)),)


def test_an_unset_clock_puts_nothing_before_what_was_entered_earlier() -> None:
    found = fold(
        [
            Dated(1, day(3), True, add(at=None)),
            Dated(2, day(-9000), False, entry(What.MOVE, chamber=SOUTH)),
            Dated(3, day(-8999), False, entry(What.LOOK, sampled=3, mould=0)),
        ]
    )
    assert found.problems == ()
    assert found.batches["MUL-1"].stays == (Stay(NORTH, day(3), day(3)), Stay(SOUTH, day(3)))


def test_what_the_file_said_last_goes_by_the_order_of_entry() -> None:
    # A clock that ran ahead once must not keep an old line of the file the newest for ever.
    read = [
        Dated(1, day(900), True, entry(What.WRITTEN, "MUL-1", None, count=40)),
        Dated(2, day(2), True, entry(What.WRITTEN, "MUL-1", None, count=41)),
        Dated(3, day(1), True, entry(What.WRITTEN, "MUL-1", None, count=42)),
    ]
    assert fold(read).written == {"MUL-1": {"count": 42}}


def test_an_unset_clock_puts_nothing_before_a_day_that_was_written_out_earlier() -> None:
    unset = day(-9000)
    read = [
        Dated(1, unset, False, add(at=5)),
        Dated(2, unset, False, entry(What.MOVE, chamber=SOUTH)),
    ]
    found = fold(read)
    assert found.problems == ()
    assert found.batches["MUL-1"].stays == (Stay(NORTH, day(5), day(5)), Stay(SOUTH, day(5)))


def test_a_wrong_day_that_was_corrected_moves_nothing_of_an_unset_clock() -> None:
    read = [
        Dated(1, day(-9000), False, add(at=500)),
        Dated(2, day(3), True, replace(add(at=2), corrects=1)),
        Dated(3, day(-9000), False, entry(What.MOVE, chamber=SOUTH)),
    ]
    assert fold(read).batches["MUL-1"].stays == (Stay(NORTH, day(2), day(3)), Stay(SOUTH, day(3)))


def test_a_moment_is_kept_to_the_millisecond_and_a_day_is_one() -> None:
    batch = season(add(at=0, made_ms=day(0))).batches["MUL-1"]
    assert (batch.days(day(1) - 1), batch.days(day(1))) == (0, 1)
    assert DAY_MS == 24 * 60 * 60 * 1000


# What holds whatever is entered -----------------------------------------------------------------

NAMES = st.sampled_from(["A", "B"])
COUNTS = st.integers(0, 12)
DAYS = st.integers(0, 40)


def _entries(whats: tuple[What, ...] = tuple(What)) -> st.SearchStrategy[SeasonEntry]:
    data = st.fixed_dictionaries(
        {},
        optional={
            "species": st.sampled_from(["mulberry", "grapevine"]),
            "kind": st.sampled_from(["cuttings", "grafts", "seed"]),
            "count": COUNTS,
            "sampled": COUNTS,
            "callused": COUNTS,
            "mould": st.one_of(COUNTS, st.just(-1)),
            "stage": st.sampled_from([*(stage.value for stage in Stage), "none"]),
            "target_c": st.one_of(st.floats(), st.none(), st.text(max_size=2)),
            "made_ms": st.one_of(st.integers(), st.floats()),
            "reminder": st.sampled_from(["light", "layer"]),
        },
    )
    return st.builds(
        SeasonEntry,
        what=st.sampled_from(whats),
        batch=st.one_of(NAMES, st.none()),
        chamber=st.one_of(st.sampled_from(PLACES), st.none()),
        data=data,
        note=st.sampled_from(["", "words"]),
        about_ms=st.one_of(DAYS.map(day), st.none()),
        corrects=st.one_of(st.none(), st.integers(0, 12)),
    )


def _sensible() -> st.SearchStrategy[SeasonEntry]:
    """Entries that are right in themselves, each on a day."""
    return st.one_of(
        st.builds(add, NAMES, DAYS, st.sampled_from(PLACES), count=COUNTS),
        st.builds(
            lambda n, d, s: entry(What.LOOK, n, d, sampled=12, callused=s), NAMES, DAYS, COUNTS
        ),
        st.builds(
            lambda n, d, s: entry(What.STAGE, n, d, stage=s.value),
            NAMES,
            DAYS,
            st.sampled_from(Stage),
        ),
        st.builds(
            lambda n, d, p: entry(What.MOVE, n, d, chamber=p), NAMES, DAYS, st.sampled_from(PLACES)
        ),
        st.builds(lambda n, d, c: entry(What.CHANGE, n, d, count=c), NAMES, DAYS, COUNTS),
        st.builds(lambda n, d, c: entry(What.CLOSE, n, d, rooted=c), NAMES, DAYS, COUNTS),
        st.builds(lambda n, d, c: entry(What.COUNT, n, d, alive=c), NAMES, DAYS, COUNTS),
        st.builds(lambda n, d: entry(What.DONE, n, d, reminder="light"), NAMES, DAYS),
    )


def _begun(entries: list[SeasonEntry]) -> list[SeasonEntry]:
    """With both batches there from the first day, so that most entries can be taken."""
    return [add("A", -1), add("B", -1, UNHEATED), *entries]


def _unnumbered(found: Season) -> tuple[object, ...]:
    """What a season comes to, apart from the numbers of entries."""
    batches = {
        name: replace(b, looks=tuple(replace(look, number=0) for look in b.looks))
        for name, b in found.batches.items()
    }
    return batches, found.done, found.closed, found.written


@given(st.lists(_entries(), max_size=12), st.randoms(use_true_random=False), DAYS)
def test_any_entries_come_to_something_in_whatever_order_they_are_read(
    entries: list[SeasonEntry], random: Any, until: int
) -> None:
    read = [
        Dated(n, day(random.randint(0, 40)), random.random() < 0.8, each)
        for n, each in enumerate(entries, 1)
    ]
    found = fold(read, day(until))
    random.shuffle(read)
    assert fold(read, day(until)) == found


@given(st.lists(_sensible(), max_size=12))
def test_stays_and_stages_follow_each_other_without_gaps(entries: list[SeasonEntry]) -> None:
    for batch in season(*_begun(entries)).batches.values():
        for spans in (batch.stays, batch.stages):
            assert spans[0].from_ms == day(-1)
            for one, other in pairwise(spans):
                assert one.to_ms == other.from_ms
            assert spans[-1].to_ms == batch.closed_ms
            assert all(s.to_ms is None or s.from_ms <= s.to_ms for s in spans)
        assert all(a.place != b.place for a, b in pairwise(batch.stays))
        assert all(a.stage != b.stage for a, b in pairwise(batch.stages))
        assert list(batch.looks) == sorted(batch.looks, key=lambda look: look.at_ms)


@given(st.lists(_sensible(), max_size=10), st.data())
def test_a_correction_is_as_if_it_had_been_entered_at_first(
    entries: list[SeasonEntry], data: st.DataObject
) -> None:
    entries = _begun(entries)
    at = data.draw(st.integers(0, len(entries) - 1))
    right = data.draw(_sensible())
    dated = data.draw(st.booleans())
    correction = replace(right, corrects=at + 1, about_ms=right.about_ms if dated else None)
    about_ms = right.about_ms if dated else entries[at].about_ms
    as_first = [*entries[:at], replace(right, about_ms=about_ms), *entries[at + 1 :]]
    assert _unnumbered(season(*entries, correction)) == _unnumbered(season(*as_first))


@given(st.lists(_sensible(), max_size=10), st.data())
def test_a_withdrawal_is_as_if_it_had_never_been_entered(
    entries: list[SeasonEntry], data: st.DataObject
) -> None:
    entries = _begun(entries)
    at = data.draw(st.integers(0, len(entries) - 1))
    withdrawn = season(*entries, entry(What.WITHDRAW, None, corrects=at + 1))
    without = season(*entries[:at], *entries[at + 1 :])
    assert _unnumbered(withdrawn) == _unnumbered(without)


@given(st.lists(_sensible(), max_size=10), st.randoms(use_true_random=False))
def test_the_order_of_entering_does_not_matter_for_what_has_its_own_day(
    entries: list[SeasonEntry], random: Any
) -> None:
    spread = [
        replace(each, about_ms=(each.about_ms or 0) + n) for n, each in enumerate(_begun(entries))
    ]
    mixed = list(spread)
    random.shuffle(mixed)
    assert _unnumbered(season(*mixed)) == _unnumbered(season(*spread))


@given(st.lists(_sensible(), max_size=10), DAYS)
def test_until_a_day_is_as_if_nothing_had_happened_after_it(
    entries: list[SeasonEntry], until: int
) -> None:
    entries = _begun(entries)
    earlier = [each for each in ledger(*entries) if each.at_ms <= day(until)]
    assert fold(ledger(*entries), day(until)) == fold(earlier)


@given(st.lists(_sensible(), max_size=10))
def test_every_entry_is_taken_or_said_to_be_a_problem(entries: list[SeasonEntry]) -> None:
    adds = [each for each in entries if each.what is What.ADD]
    found = season(*_begun(entries))
    about = sum(f"({What.ADD})" in problem for problem in found.problems)
    assert about == len(adds)  # both were there already
    looks = [each for each in entries if each.what is What.LOOK]
    taken = sum(len(b.looks) for b in found.batches.values())
    refused = sum(f"({What.LOOK})" in problem for problem in found.problems)
    assert taken + refused == len(looks)


@given(st.lists(_entries(), max_size=12))
def test_no_entry_that_corrects_nothing_is_dropped(entries: list[SeasonEntry]) -> None:
    plain = [replace(each, corrects=None) for each in entries]
    assume(plain)
    assert sorted(d.number for d in standing(ledger(*plain))) == list(range(1, len(plain) + 1))


def test_what_is_about_later_than_it_was_entered_is_of_when_it_was_entered() -> None:
    """A day of the file stands for its noon; the clock was set at eight."""
    found = fold(
        [
            Dated(1, day(3), True, add(at=3.5)),
            Dated(2, day(3.1), True, entry(What.MOVE, at=None, chamber=SOUTH)),
        ]
    )
    assert found.batches["MUL-1"].place == SOUTH
    assert not found.problems


def test_an_entry_that_cannot_be_read_is_a_problem_and_keeps_its_number() -> None:
    found = fold(
        [
            Dated(1, day(1), True, add(at=1)),
            Dated(2, day(2), True, SeasonEntry(What.UNREADABLE, data={"why": "word 'dome'"})),
            Dated(3, day(3), True, entry(What.MOVE, at=None, chamber=SOUTH)),
        ]
    )
    assert found.batches["MUL-1"].place == SOUTH
    assert found.problems == ("entry 2 is not used: word 'dome'",)


def test_a_day_that_no_calendar_knows_is_refused() -> None:
    assert season(add(made_ms=10**15)).problems
    assert not season(add(made_ms=0)).problems, "a clock that is not set begins in 1970"
