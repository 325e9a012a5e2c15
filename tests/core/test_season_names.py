"""Requests about batches: names, dates and corrections."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bottomheat.errors import InputError
from bottomheat.season import asked
from bottomheat.season.contradictions import faults
from bottomheat.season.ledger import (
    DAY_MS,
    Batch,
    Dated,
    Kind,
    Season,
    SeasonEntry,
    Stage,
    What,
    fold,
)
from diary import HOUR_MS, NOW_MS, Diary, added

# -- names


@pytest.mark.parametrize(
    "said", ["MUL-1", "mul-1", "mul1", "Mul 1", "mul_1", "m", "MUL", "mul", " mul-1 "]
)
def test_a_batch_is_found_however_it_is_typed(said):
    diary = added()
    diary.keep("add", "GRP-2", chamber="north", data={"species": "grapevine", "count": 60})
    assert diary.keep("look", said)["batch"] == "MUL-1"


def test_a_number_is_meant_as_it_stands():
    diary = added("MUL-10")
    assert "there is no batch 'MUL-1'" in diary.refuse("look", "MUL-1")
    diary.keep("add", "MUL-1", chamber="north", data={"species": "mulberry", "count": 4})
    assert diary.keep("look", "mul1")["batch"] == "MUL-1"
    assert "may be MUL-10, MUL-1: write more" in diary.refuse("look", "mul")


def test_the_beginning_of_a_name_means_one_that_is_open():
    diary = added()
    diary.keep("add", "MUL-2", chamber="north", data={"species": "mulberry", "count": 4})
    diary.keep("close", "MUL-1")
    assert diary.keep("look", "mul")["batch"] == "MUL-2"
    assert "write more" in diary.refuse("count", "mul", data={"alive": 1}), "a closed one may be"
    diary.keep("close", "MUL-2")
    assert "MUL-2 is closed" in diary.refuse("look", "MUL-2")
    assert "write more" in diary.refuse("look", "mul")


@pytest.mark.parametrize("name", ["mul1", "MUL1", "mul-1", "Mul-1"])
def test_a_new_name_cannot_be_taken_for_an_old_one(name):
    said = added().refuse("add", name, chamber="north", data={"species": "mulberry", "count": 4})
    assert said.startswith("MUL-1 is there already")


NAMES = st.lists(
    st.from_regex(r"[A-Za-z0-9][A-Za-z0-9-]{0,5}", fullmatch=True),
    min_size=1,
    max_size=6,
    unique_by=lambda name: name.casefold().replace("-", ""),
)


@given(NAMES, st.data())
def test_a_whole_name_means_itself_and_a_beginning_only_what_begins_so(names, data):
    batches = {name: Batch(name, "mulberry", Kind.CUTTINGS, 4, NOW_MS) for name in names}
    season = Season(batches)
    name = data.draw(st.sampled_from(names))
    for said in (name, name.upper(), name.lower(), name.replace("-", "")):
        assert asked.batch_of(season, said).name == name
    said = name[: data.draw(st.integers(1, len(name)))]
    try:
        found = asked.batch_of(season, said).name
    except InputError:
        return
    plain, wanted = (text.casefold().replace("-", "") for text in (found, said))
    assert plain.startswith(wanted)
    others = [other.casefold().replace("-", "") for other in names if other != found]
    if plain != wanted:
        assert not any(other == wanted for other in others)


# -- dates


def test_only_the_day_may_be_known():
    diary = Diary()
    noon_ms = NOW_MS + 3 * HOUR_MS  # it is nine in the morning of that day
    data = {"species": "mulberry", "count": 40, "made_ms": noon_ms}
    diary.keep("add", "MUL-1", chamber="north", data=data)
    assert diary.batch().made_ms == NOW_MS
    diary.now_ms = NOW_MS + DAY_MS
    early_ms = NOW_MS - HOUR_MS
    assert "before MUL-1 was there" in diary.refuse("look", "MUL-1", about_ms=early_ms)
    diary.keep("look", "MUL-1", about_ms=early_ms, open_ms=DAY_MS // 2)
    assert diary.batch().looks[0].at_ms == NOW_MS, "later on that day"


def test_what_is_still_to_come_is_refused():
    diary = added()
    assert "still to come, in 3 days" in diary.refuse("look", "MUL-1", about_ms=NOW_MS + 3 * DAY_MS)
    diary.keep("look", "MUL-1", about_ms=NOW_MS + 20_000)  # a clock that goes a little fast
    data = {"species": "mulberry", "count": 4, "made_ms": NOW_MS + 2 * DAY_MS}
    assert "still to come" in diary.refuse("add", "MUL-2", chamber="north", data=data)


def test_it_stands_there_since_it_was_made_unless_said():
    diary = Diary()
    made_ms = NOW_MS - 9 * DAY_MS
    data = {"species": "mulberry", "count": 40, "made_ms": made_ms}
    diary.keep("add", "MUL-1", chamber="north", data=data)
    diary.keep("add", "MUL-2", chamber="north", data=data, about_ms=NOW_MS - DAY_MS)
    assert diary.batch("MUL-1").stays[0].from_ms == made_ms
    assert diary.batch("MUL-2").stays[0].from_ms == NOW_MS - DAY_MS
    late = {**data, "made_ms": NOW_MS - DAY_MS}
    assert "before it was made" in diary.refuse(
        "add", "MUL-3", chamber="north", data=late, about_ms=NOW_MS - 4 * DAY_MS
    )


def test_last_years_number_in_a_date_is_asked_about():
    diary = Diary()
    data = {"species": "mulberry", "count": 40, "made_ms": NOW_MS - 370 * DAY_MS}
    answer = diary.keep("add", "MUL-1", chamber="north", data=data)
    assert any("370 days ago: is the year right?" in note for note in answer["notes"])
    data = {"made_ms": NOW_MS - 371 * DAY_MS}
    assert "371 days ago" in diary.keep("change", "MUL-1", data=data)["notes"][0]
    assert diary.keep("change", "MUL-1", data={"made_ms": NOW_MS - 380 * DAY_MS})["notes"]
    assert diary.keep("change", "MUL-1", data={"count": 42})["notes"] == []
    data = {"species": "mulberry", "count": 40, "made_ms": NOW_MS - 149 * DAY_MS}
    assert diary.keep("add", "MUL-2", chamber="north", data=data)["notes"] == []


def test_without_a_set_clock_an_entry_is_kept_after_all_the_rest():
    diary = added()
    diary.keep("look", "MUL-1", data={"mould": 0})
    diary.clock_sure, diary.now_ms = False, 1_000_000  # no battery: back in 1970
    answer = diary.keep("stage", "MUL-1", data={"stage": "rooting"})
    assert (answer["at_ms"], answer["kept"]) == (None, True)
    assert diary.entries[-1].entry.about_ms is None
    assert diary.season.problems == ()
    assert diary.batch().stage is Stage.ROOTING
    day_ms = NOW_MS + 5 * DAY_MS  # whether it is still to come nobody can know
    assert diary.keep("look", "MUL-1", about_ms=day_ms)["at_ms"] == day_ms
    assert "year right" in diary.refuse("look", "MUL-1", about_ms=5)


def test_without_a_set_clock_what_follows_a_written_day_follows_it():
    diary = Diary()
    diary.clock_sure, diary.now_ms = False, 1_000_000
    data = {"species": "mulberry", "count": 40}
    diary.keep("add", "MUL-1", chamber="north", data=data, about_ms=NOW_MS)
    diary.keep("look", "MUL-1", data={"mould": 0})
    # As the log has them: by the clock of the machine.
    kept = [Dated(each.number, 1_000_000, False, each.entry) for each in diary.entries]
    assert fold(kept).problems == ()
    assert len(fold(kept).batches["MUL-1"].looks) == 1


# -- corrections


def test_a_correction_changes_what_is_given_and_keeps_the_rest():
    diary = added()
    look = {"sampled": 10, "callused": 8, "mould": 1}
    diary.keep("look", "MUL-1", data=look, note="three bags", about_ms=NOW_MS - DAY_MS)
    outcome = diary.ask(corrects=2, data={"callused": 7})
    assert outcome.entries[0] == SeasonEntry(
        What.LOOK, "MUL-1", None, {**look, "callused": 7}, "three bags", None, corrects=2
    )
    assert outcome.answer["was"] == "look: 8 of 10 callused, 1 with mould"
    assert "(instead of entry 2)" in outcome.events[0].text
    (seen,) = diary.batch().looks
    assert (seen.callused, seen.at_ms) == (7, NOW_MS - DAY_MS)
    diary.keep(corrects=2, data={"mould": None}, about_ms=NOW_MS - 2 * DAY_MS)
    (seen,) = diary.batch().looks
    assert (seen.callused, seen.mould, seen.at_ms) == (7, None, NOW_MS - 2 * DAY_MS)
    assert diary.entries[-1].entry.corrects == 3, "of those that hold, though 2 was said"
    assert [dated.number for dated in diary.entries] == [1, 2, 3, 4], "all are still there"


def test_a_look_at_the_wrong_batch_goes_to_the_right_one():
    diary = added()
    diary.keep("add", "GRP-2", chamber="south", data={"species": "grapevine", "count": 60})
    diary.now_ms += HOUR_MS
    diary.keep("look", "MUL-1", data={"sampled": 50, "callused": 3} | {"sampled": 5})
    diary.keep(batch="grp", corrects=3)
    assert diary.batch().looks == ()
    assert diary.batch("GRP-2").looks[0].callused == 3


def test_a_new_batch_is_corrected_with_its_day_and_place():
    diary = Diary()
    made_ms = NOW_MS - 5 * DAY_MS
    data = {"species": "mulberry", "count": 40, "made_ms": made_ms}
    diary.keep("add", "MUL-1", chamber="north", data=data)
    diary.keep("look", "MUL-1", about_ms=made_ms)  # the same moment
    diary.keep(corrects=1, data={"count": 41})
    assert (diary.batch().count, len(diary.batch().looks)) == (41, 1)
    diary.keep(corrects=1, data={"made_ms": made_ms - DAY_MS}, chamber="south")
    batch = diary.batch()
    assert (batch.made_ms, batch.stays[0].from_ms) == (made_ms - DAY_MS, made_ms - DAY_MS)
    assert batch.place == "south-bench"


def test_the_day_it_came_into_the_box_is_its_own():
    diary = Diary()
    made_ms, in_ms = NOW_MS - 5 * DAY_MS, NOW_MS - 2 * DAY_MS
    data = {"species": "mulberry", "count": 40, "made_ms": made_ms}
    diary.keep("add", "MUL-1", chamber="north", data=data, about_ms=in_ms)
    diary.keep(corrects=1, data={"made_ms": made_ms - DAY_MS})
    assert diary.batch().stays[0].from_ms == in_ms
    diary.keep("add", "MUL-2", chamber="north", data=data)
    diary.keep(corrects=3, data={"made_ms": made_ms - DAY_MS}, about_ms=in_ms)
    assert diary.batch("MUL-2").stays[0].from_ms == in_ms
    diary.keep("add", "MUL-3", chamber="north", data=data)
    diary.keep(corrects=5, data={"count": 41})
    assert diary.batch("MUL-3").stays[0].from_ms == made_ms
    same = diary.ask(corrects=5, about_ms=made_ms)
    assert (same.answer["kept"], same.entries) == (False, ())


def test_the_event_stands_with_the_box_it_is_about():
    diary = Diary()
    events = [
        diary.ask(*words, **more).events[0].chamber
        for words, more in (
            (("add", "MUL-1"), {"chamber": "north", "data": {"species": "mulberry", "count": 4}}),
            (("look", "MUL-1"), {}),
            (("move", "MUL-1"), {"chamber": "south"}),
            (("stage", "MUL-1"), {"data": {"stage": "rooting"}}),
            (("move", "MUL-1"), {"chamber": "unheated"}),
            (("look", "MUL-1"), {}),
            (("done",), {"data": {"reminder": "mist"}, "target": "north"}),
            (("done",), {"data": {"reminder": "tools"}}),
        )
    ]
    north, south = "north-bench", "south-bench"
    assert events == [north, north, south, south, None, None, north, None]


def test_what_is_about_no_batch_gets_none():
    diary = Diary()
    assert diary.refuse("look", "MUL-1").startswith("there is no batch yet: bottomheat batch add")
    diary.keep("season", data={"name": "2026-27"})
    assert diary.refuse(corrects=1, batch="MUL-1") == "a season names no batch."
    assert diary.refuse(corrects=1, chamber="north") == "a season names no place."


def test_a_batch_that_has_only_been_added_can_be_renamed():
    diary = added("MLU-1")
    diary.keep(batch="MUL-1", corrects=1)
    assert list(diary.season.batches) == ["MUL-1"]
    diary.keep("look", "MUL-1")
    assert "entry 3 would be about something" in diary.refuse(batch="MUL-7", corrects=1)


def test_what_is_withdrawn_does_not_count_and_cannot_be_corrected():
    diary = added()
    diary.keep("look", "MUL-1", data={"sampled": 10, "callused": 8})
    answer = diary.keep("withdraw", corrects=2, note="wrong box")
    assert (answer["corrects"], answer["was"]) == (2, "look: 8 of 10 callused")
    assert diary.batch().looks == ()
    assert "does not hold any more" in diary.refuse("withdraw", corrects=2)
    assert "does not hold any more" in diary.refuse(corrects=2, data={"callused": 7})
    assert "does not hold any more" in diary.refuse("withdraw", corrects=3)
    assert "no entry 9" in diary.refuse("withdraw", corrects=9)
    diary.keep("close", "MUL-1")
    diary.keep("withdraw", corrects=4)
    assert diary.batch().open


def test_a_batch_with_entries_is_not_withdrawn_from_under_them():
    diary = added()
    diary.keep("look", "MUL-1")
    diary.keep("move", "MUL-1", chamber="south")
    said = diary.refuse("withdraw", corrects=1)
    assert "entries 2, 3 would be about" in said
    assert said.endswith("bottomheat batch withdraw 3.")
    diary.keep("withdraw", corrects=3)
    diary.keep("withdraw", corrects=2)
    diary.keep("withdraw", corrects=1)
    assert diary.season.batches == {}
    diary.keep("add", "MUL-1", chamber="north", data={"species": "mulberry", "count": 4})


def test_what_the_service_noted_of_the_file_is_not_for_hands():
    diary = added()
    written = SeasonEntry(What.WRITTEN, "MUL-1", data={"count": 40}, origin="config")
    diary.entries.append(Dated(2, NOW_MS, True, written))
    assert "made by the service" in diary.refuse("withdraw", corrects=2)
    assert "as new as this" in diary.refuse("written", "MUL-1")


def test_done_goes_to_the_box_that_was_meant():
    diary = added()
    diary.keep("done", data={"reminder": "layer"}, target="north")
    diary.keep(corrects=2, target="south")
    assert set(diary.season.done) == {("layer", "south-bench")}
    diary.keep(corrects=2, chamber="north")
    assert set(diary.season.done) == {("layer", "north-bench")}
    assert "about a batch" in diary.refuse(corrects=1, target="south")


def test_an_old_contradiction_does_not_stop_new_entries():
    diary = added()
    diary.keep("look", "MUL-1", data={"sampled": 30})
    change = SeasonEntry(What.CHANGE, "MUL-1", data={"count": 20}, origin="config")
    diary.entries.append(Dated(3, NOW_MS, True, change))
    assert faults(diary.batch())
    diary.keep("move", "MUL-1", chamber="south")
    assert "30 looked at, and MUL-1 has 20" in diary.refuse("look", "MUL-1", data={"sampled": 30})
