"""What is due in the boxes and for the batches."""

from __future__ import annotations

from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bottomheat.config import Config
from bottomheat.season.ledger import DAY_MS, UNHEATED, Dated, SeasonEntry, What, fold
from bottomheat.season.reminders import (
    BEFORE_A_NEW_BATCH,
    BY_NAME,
    LIGHT,
    MOULD_RULE,
    REMINDERS,
    Due,
    due,
    every_days,
)
from plant import chamber_keys

DAY0 = 1_796_000_000_000
LATER = DAY0 + 999 * DAY_MS
"""When all was entered: after what it is about."""
NORTH, SOUTH = "north-bench", "south-bench"
ONLY = dict.fromkeys(
    (
        *("layer", "mist", "look", "mould", "tools", "light", "clean"),
        *("relay", "series-relay"),
    ),
    0,
)
"""Every reminder off, for tests that turn one on."""


def day(number: float) -> int:
    return DAY0 + round(number * DAY_MS)


def config(reminders: dict[str, float] | None = None, **season: Any) -> Config:
    return Config.model_validate(
        {
            "chambers": {NORTH: chamber_keys(0), SOUTH: chamber_keys(1)},
            "season": {"reminders": reminders or {}, **season},
        }
    )


def only(**reminders: float) -> Config:
    return config({**ONLY, **reminders})


def entry(what: What, at: float, batch: str | None = None, box: str | None = None, **data: Any):
    return SeasonEntry(what, batch, box, data, about_ms=day(at))


def add(name: str, at: float = 0, box: str = NORTH) -> SeasonEntry:
    data = {"species": "mulberry", "kind": "cuttings", "count": 40}
    return entry(What.ADD, at, name, box, **data)


def done(name: str, at: float, *, batch: str | None = None, box: str | None = None) -> SeasonEntry:
    return entry(What.DONE, at, batch, box, reminder=name)


def look(name: str, at: float, **counts: int) -> SeasonEntry:
    return entry(What.LOOK, at, name, **counts)


def move(name: str, at: float, box: str) -> SeasonEntry:
    return entry(What.MOVE, at, name, box)


def found(made: Config, at: float, *entries: SeasonEntry) -> list[Due]:
    season = fold(Dated(n, LATER, True, each) for n, each in enumerate(entries, 1))
    assert season.problems == ()
    return due(season, made, day(at))


def brief(dues: list[Due]) -> list[tuple[str, str | None, str | None]]:
    return [(each.reminder.name, each.place, each.batch) for each in dues]


def test_nothing_is_due_where_nothing_stands() -> None:
    assert found(config(), 300) == []
    assert found(config(), 300, done("layer", 3, box=NORTH)) == []


def test_nothing_can_be_due_without_a_clock() -> None:
    season = fold([Dated(1, LATER, True, add("A"))])
    assert due(season, config(), None) == []


@pytest.mark.parametrize(("at", "is_due"), [(3.7, False), (3.75, True), (4, True), (40, True)])
def test_a_box_is_due_by_its_interval_a_quarter_of_a_day_early(at: float, is_due: bool) -> None:
    dues = found(only(layer=4), at, add("A"))
    assert brief(dues) == ([("layer", NORTH, None)] if is_due else [])
    if is_due:
        assert dues[0].due_ms == day(3.75)


def test_what_was_done_is_due_again_after_its_interval() -> None:
    entries = (add("A"), done("layer", 10, box=NORTH))
    assert found(only(layer=4), 13, *entries) == []
    (again,) = found(only(layer=4), 14, *entries)
    assert again.last_ms == day(10)
    assert again.words == (
        "wet layer: wet, not flooded? Top up with lukewarm water (last 4 days ago)"
    )


def test_what_was_done_for_all_boxes_counts_for_each_and_one_box_for_itself() -> None:
    entries = (add("A"), add("B", box=SOUTH))
    assert found(only(layer=4), 12, *entries, done("layer", 10)) == []
    dues = found(only(layer=4), 12, *entries, done("layer", 10, box=NORTH))
    assert brief(dues) == [("layer", SOUTH, None)]


def test_a_box_begins_anew_with_its_first_batch() -> None:
    # Done long ago, for another batch: the new one begins with a fresh layer.
    entries = (done("layer", -200, box=NORTH), add("A", 0))
    assert found(only(layer=4), 3, *entries) == []
    assert found(only(layer=4), 3, *entries, add("B", 2.5)) == []
    (one,) = found(only(layer=4), 4, *entries, add("B", 2.5))
    assert one.due_ms == day(3.75)  # by the batch that came first


def test_an_unheated_place_has_no_wet_layer() -> None:
    dues = found(config(), 9, add("A", box=UNHEATED))
    assert {each.reminder.name for each in dues} == {"look"}


@pytest.mark.parametrize(("days", "due_day"), [(0.5, 0.5), (1, 0.75), (1.5, 1.25)])
def test_what_is_due_within_a_day_is_not_due_early(days: float, due_day: float) -> None:
    assert found(only(layer=days), due_day - 0.01, add("A")) == []
    (one,) = found(only(layer=days), due_day, add("A"))
    assert one.due_ms == day(due_day)


def test_the_later_of_all_and_one_box_counts() -> None:
    for first, second in ((10, 12), (12, 10)):
        one = done("layer", first)
        other = done("layer", second, box=NORTH)
        assert found(only(layer=4), 15, add("A"), one, other) == []


@pytest.mark.parametrize(
    ("at", "ago"), [(10, "today"), (11, "yesterday"), (12, "2 days ago"), (40, "30 days ago")]
)
def test_how_long_ago_is_said_in_days(at: float, ago: str) -> None:
    dues = found(only(layer=0.25), at + 0.3, add("A"), done("layer", 10, box=NORTH))
    assert dues[0].words.endswith(f"(last {ago})")


def test_never_is_never() -> None:
    assert found(only(), 300, add("A"), add("B"), look("B", 1, sampled=3, mould=1)) == []


def test_a_look_is_due_a_week_after_the_last_and_asks_for_mould_too() -> None:
    dues = found(config({"layer": 0, "mist": 0, "light": 0}), 7, add("A"))
    assert brief(dues) == [("look", NORTH, "A")]
    assert dues[0].words == (
        "look: lift two bags; mould? callus? roots? buds still tight? (not done yet)"
    )
    looked = look("A", 5, sampled=10, callused=3, mould=0)
    assert found(only(look=7, mould=7), 11, add("A"), looked) == []
    (again,) = found(only(look=7, mould=7), 12, add("A"), looked)
    assert (again.reminder.name, again.last_ms) == ("look", day(5))


def test_a_look_that_did_not_count_mould_leaves_mould_due() -> None:
    dues = found(only(look=7, mould=7), 8, add("A"), look("A", 5, sampled=10, callused=3))
    assert brief(dues) == [("mould", NORTH, "A")]
    assert found(only(mould=7), 8, add("A"), done("mould", 5, batch="A")) == []


def test_what_was_done_in_a_box_counts_for_what_stood_in_it_then() -> None:
    entries = (add("A"), add("B", box=SOUTH), done("mould", 5, box=NORTH), move("B", 6, NORTH))
    dues = found(only(mould=7), 9, *entries)
    assert brief(dues) == [("mould", NORTH, "B")]


# Mould ------------------------------------------------------------------------------------------


def test_after_mould_it_is_looked_for_daily_for_a_week() -> None:
    made = only(mould=7)
    entries = [add("A"), look("A", 10, sampled=10, mould=2)]
    assert found(made, 10.5, *entries) == []
    for each in range(11, 18):
        (one,) = found(made, each, *entries)
        assert (one.reminder.name, one.batch, one.urgent) == ("mould", "A", True)
        assert found(made, each + 0.1, *entries, look("A", each, sampled=10, mould=0)) == []
        entries.append(look("A", each, sampled=10, mould=0))
    assert found(made, 18, *entries) == []  # the week is over; weekly again
    assert brief(found(made, 24, *entries)) == [("mould", NORTH, "A")]


def test_mould_seen_again_begins_another_week() -> None:
    entries = (
        add("A"),
        look("A", 10, sampled=10, mould=2),
        look("A", 16, sampled=10, mould=1),
    )
    (one,) = found(only(mould=7), 22, *entries)
    assert one.urgent
    assert one.words == "look for mould daily for a week: mould was seen here 6 days ago"
    (within_both,) = found(only(mould=7), 16.9, *entries)
    assert within_both.words.endswith("mould was seen here yesterday")


def test_mould_in_one_batch_is_looked_for_in_its_neighbours() -> None:
    entries = (
        add("A"),
        add("B"),
        add("C", box=SOUTH),
        look("A", 10, sampled=10, mould=2),
        move("B", 11, SOUTH),  # moved out after the mould was there
        add("D", 12),
    )
    dues = found(only(mould=30), 12, *entries)
    assert [(each.batch, each.urgent) for each in dues] == [("A", True), ("B", True)]
    assert dues[1].words == (
        "look for mould daily for a week: mould was seen in A beside it 2 days ago"
    )


def test_batches_that_stand_unheated_need_not_be_neighbours() -> None:
    entries = (
        add("A", box=UNHEATED),
        add("B", box=UNHEATED),
        look("A", 10, sampled=10, mould=2),
    )
    assert [each.batch for each in found(only(mould=30), 12, *entries)] == ["A"]


def test_mould_in_what_was_closed_for_it_is_looked_for_in_what_is_left() -> None:
    entries = (
        add("A"),
        add("B"),
        look("A", 10, sampled=10, mould=9),
        entry(What.CLOSE, 10, "A", callused=0),
    )
    assert brief(found(only(mould=30), 11, *entries)) == [("mould", NORTH, "B")]


def test_what_is_urgent_comes_first() -> None:
    dues = found(config(), 17, add("A"), add("B"), look("B", 16, sampled=10, mould=1))
    assert [each.urgent for each in dues] == sorted((e.urgent for e in dues), reverse=True)
    assert (dues[0].reminder.name, dues[0].urgent) == ("mould", True)


def test_the_rule_against_mould_and_the_list_before_a_batch_say_what_must_be_said() -> None:
    rule = " ".join(MOULD_RULE)
    for words in ("neighbours", "Air", "Clean hands", "alcohol", "every day for a week", "label"):
        assert words in rule
    assert "away from the mat and from any flame" in rule
    assert BEFORE_A_NEW_BATCH[0].startswith("Power off: pull the mat's plug")
    before = " ".join(BEFORE_A_NEW_BATCH)
    for words in ("Old layer out", "disinfect box and probes", "Fresh layer", "calibrate again"):
        assert words in before


# Light, tools, clean boxes ----------------------------------------------------------------------


def test_light_is_due_by_day_or_bud_break_until_it_is_given() -> None:
    made = only(light=1)
    assert found(made, 13, add("A")) == []
    (by_day,) = found(made, 15, add("A"))
    assert by_day.reminder is LIGHT
    assert (by_day.words, by_day.due_ms) == (
        "give it light, not sun: day 15, due from day 14",
        day(14),
    )
    same_day = found(made, 15, add("A"), look("A", 14, sampled=10, buds=1))
    assert same_day[0].words.endswith("due from day 14")
    (broke,) = found(made, 8, add("A"), look("A", 7, sampled=10, buds=1))
    assert (broke.words, broke.due_ms) == ("give it light, not sun: buds move", day(7))
    assert found(made, 20, add("A"), done("light", 16, batch="A")) == []
    assert found(made, 20, add("A"), done("light", 16, box=NORTH)) == []


def test_tools_are_of_the_house() -> None:
    made = only(tools=7)
    assert brief(found(made, 8, add("A"), add("B", box=SOUTH))) == [("tools", None, None)]
    assert found(made, 8, add("A"), done("tools", 5)) == []
    assert found(made, 8, add("A"), done("tools", 5), done("tools", 0, box=NORTH)) == []
    late = (add("B", 5, SOUTH), add("A", 0))
    assert brief(found(made, 8, *late)) == [("tools", None, None)]


def test_an_empty_box_is_to_be_cleaned_once() -> None:
    made = only(clean=1)
    entries = (add("A"), move("A", 30, SOUTH))
    (one,) = found(made, 31, *entries)
    assert (one.reminder.name, one.place, one.due_ms) == ("clean", NORTH, day(30))
    assert found(made, 31, *entries, done("clean", 30.5, box=NORTH)) == []
    assert brief(found(made, 31, *entries, done("clean", 29, box=NORTH))) == [
        ("clean", NORTH, None)
    ]
    assert found(made, 40, *entries, add("B", 35)) == []  # in use again
    (at_once,) = found(made, 30, *entries)
    assert at_once.due_ms == day(30)
    assert found(made, 29.9, *entries) == []
    two = (add("B", 0), move("B", 20, SOUTH), *entries)
    assert found(made, 31, *two)[0].due_ms == day(30)  # since the last one left
    closed = (add("A"), entry(What.CLOSE, 50, "A", rooted=30))
    assert brief(found(made, 51, *closed)) == [("clean", NORTH, None)]


def test_a_box_that_is_not_in_use_need_not_be_clean() -> None:
    made = only(clean=1)
    out = made.chambers[NORTH].model_copy(update={"in_use": False})
    unused = made.model_copy(update={"chambers": {**made.chambers, NORTH: out}})
    assert found(unused, 31, add("A"), move("A", 30, SOUTH)) == []


# The names and what holds for all ---------------------------------------------------------------


def test_each_reminder_has_a_name_of_its_own_and_says_why() -> None:
    assert set(BY_NAME) == set(ONLY)
    assert len(BY_NAME) == len(REMINDERS)
    assert all(each.words and each.why and each.days >= 0 for each in REMINDERS)


def test_how_often_each_is_due_unless_the_grower_says_otherwise() -> None:
    # Common practice, no source.
    assert {each.name: each.days for each in REMINDERS} == {
        "layer": 4,
        "mist": 3,
        "look": 7,
        "mould": 7,
        "tools": 0,
        "light": 1,
        "clean": 1,
        "relay": 1,
        "series-relay": 1,
    }
    assert {each.name for each in REMINDERS if each.once} == {
        *("light", "clean", "relay", "series-relay")
    }


def test_the_growers_interval_wins() -> None:
    assert every_days(BY_NAME["layer"], config()) == 4
    assert every_days(BY_NAME["layer"], config({"layer": 2.5})) == 2.5
    assert every_days(BY_NAME["mist"], config({"layer": 2.5})) == 3


NAMES = st.sampled_from(["A", "B"])
ENTRIES = st.one_of(
    st.builds(
        look,
        NAMES,
        st.integers(0, 60),
        sampled=st.just(9),
        mould=st.integers(0, 3),
        buds=st.integers(0, 3),
    ),
    st.builds(move, NAMES, st.integers(0, 60), st.sampled_from([NORTH, SOUTH, UNHEATED])),
    st.builds(
        done,
        st.sampled_from(sorted(BY_NAME)),
        st.integers(0, 60),
        box=st.sampled_from([None, NORTH, SOUTH]),
    ),
    st.builds(
        lambda name, reminder, at: done(reminder, at, batch=name),
        NAMES,
        st.sampled_from(["look", "mould", "light"]),
        st.integers(0, 60),
    ),
    st.builds(lambda name, at: entry(What.CLOSE, at, name), NAMES, st.integers(40, 60)),
)


@given(st.lists(ENTRIES, max_size=10), st.integers(0, 80))
def test_all_that_is_due_is_about_something_that_is_there(
    entries: list[SeasonEntry], at: int
) -> None:
    made = config({"tools": 7})
    season = fold(
        Dated(n, LATER, True, each)
        for n, each in enumerate((add("A"), add("B", box=SOUTH), *entries), 1)
    )
    dues = due(season, made, day(at))
    keys = [(each.reminder.name, each.place, each.batch) for each in dues]
    assert len(keys) == len(set(keys))
    for each in dues:
        assert each.due_ms <= day(at)
        assert "\n" not in each.words
        assert not each.words.endswith(".")
        if each.batch is not None:
            batch = season.batches[each.batch]
            assert batch.open
            assert each.place == batch.place
        elif each.reminder.name == "clean":
            assert not season.inside(each.place or "")
        elif each.place is not None:
            assert season.inside(each.place)


@given(st.lists(ENTRIES, max_size=8), st.integers(0, 60), st.data())
def test_what_is_done_is_not_due_the_moment_after(
    entries: list[SeasonEntry], at: int, data: st.DataObject
) -> None:
    made = config({"tools": 7})
    all_of = (add("A"), add("B", box=SOUTH), *[e for e in entries if (e.about_ms or 0) <= day(at)])
    read = [Dated(n, LATER, True, each) for n, each in enumerate(all_of, 1)]
    dues = due(fold(read), made, day(at))
    if not dues:
        return
    one = data.draw(st.sampled_from(dues))
    box = one.place if one.batch is None else None
    did = done(one.reminder.name, at, batch=one.batch, box=box)
    after = due(fold([*read, Dated(len(read) + 1, LATER, True, did)]), made, day(at))
    key = (one.reminder.name, one.place, one.batch)
    assert key not in brief(after)
