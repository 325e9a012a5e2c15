"""Requests about batches: what is taken, and what the grower is told of the box."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bottomheat.model import EventKind
from bottomheat.season import asked
from bottomheat.season.ledger import (
    DAY_MS,
    UNHEATED,
    SeasonEntry,
    Stage,
    What,
    Zone,
)
from bottomheat.season.said import says
from bottomheat.season.setpoint import rule
from diary import CONFIG, HOUR_MS, NOW_MS, Diary, added
from plant import chamber_keys, config

# -- entries


def test_a_batch_is_added_and_the_box_goes_by_it():
    diary = Diary()
    outcome = diary.ask(
        "add",
        "MUL-1",
        chamber="north-bench",
        data={"species": "mulberry", "count": 40, "made_ms": NOW_MS - 10 * DAY_MS},
        note="from the old tree",
    )
    made_ms = NOW_MS - 10 * DAY_MS
    data = {
        "species": "mulberry",
        "kind": "cuttings",
        "count": 40,
        "zone": "base",
        "made_ms": made_ms,
    }
    assert outcome.entries == (
        SeasonEntry(What.ADD, "MUL-1", "north-bench", data, "from the old tree", made_ms),
    )
    (event,) = outcome.events
    assert (event.kind, event.chamber, event.durable) == (EventKind.SEASON, "north-bench", True)
    assert event.text == (
        "MUL-1: added: 40 mulberry cuttings, in north-bench; note: from the old tree"
    )
    answer = outcome.answer
    assert (answer["number"], answer["kept"], answer["at_ms"]) == (1, True, made_ms)
    (box,) = answer["boxes"]
    assert (box["box"], box["setpoint_c"], box["lead"]) == ("north-bench", 25.0, "MUL-1")
    assert "21 to 40 days [weak], day 10 now" in answer["next"][0]["text"]


def test_the_only_box_may_be_left_out():
    diary = Diary(config(north_bench=chamber_keys()))
    diary.keep("add", "MUL-1", data={"species": "mulberry", "count": 40})
    assert diary.batch().place == "north-bench"


def test_the_union_of_grafts_is_to_be_warm_unless_said():
    diary = Diary()
    grafts = {"species": "grapevine", "count": 60, "kind": "grafts"}
    answer = diary.keep("add", "GRP-1", chamber="north", data={**grafts, "height_mm": 90})
    assert diary.batch("GRP-1").zone is Zone.UNION
    assert any("unions 90 mm up" in note for note in answer["notes"])
    diary.keep("add", "GRP-2", chamber="north", data={**grafts, "zone": "base"})
    assert diary.batch("GRP-2").zone is Zone.BASE


@pytest.mark.parametrize(
    ("box", "batch", "part"),
    [
        ({}, {}, None),
        ({}, {"zone": "union"}, "of its unions is not known: bench works out that of bases"),
        ({"zone": "union"}, {"zone": "union"}, None),
        ({"zone": "union"}, {}, "of its bases is not known: bench works out that of unions"),
        ({"zone_height": 30}, {"height_mm": 35}, None),
        ({"zone_height": 30}, {"height_mm": 90}, "its bases 90 mm up is not known: bench works"),
        ({"zone_height": 30}, {"height_mm": 90}, "out that of bases 30 mm up"),
    ],
)
def test_a_height_that_the_box_tells_nothing_of_is_said(box, batch, part):
    diary = Diary(config(bench=chamber_keys(**box)))
    data = {"species": "mulberry", "count": 40}
    answer = diary.keep("add", "MUL-1", data={**data, **batch})
    told = [note for note in answer["notes"] if "not known" in note]
    assert (part is None and not told) or part in told[0]
    if part is not None:
        assert told == diary.keep(corrects=1, data={"count": 39})["notes"]
    look = diary.keep("look", "MUL-1")
    assert look["notes"] == [], "said once, not at every look"


def test_an_empty_box_goes_back_to_the_config_at_once():
    diary = added(target_c=28.0, species="grapevine")
    (box,) = diary.keep("close", "MUL-1")["boxes"]
    assert (box["before_c"], box["setpoint_c"], box["lead"]) == (28.0, 25.0, None)
    assert (box["per_day_k"], box["at_once_c"]) == (None, None)


def test_a_look_brings_the_proposal_with_its_command():
    diary = added()
    answer = diary.keep("look", "MUL-1", data={"sampled": 10, "callused": 8, "rooted": 0})
    assert answer["said"] == "look: 8 of 10 callused, none with root tips"
    step = answer["next"][0]
    assert step["do"] == "batch stage MUL-1 rooting"
    assert step["text"].startswith("8 of 10 callused")
    fewer = diary.keep("look", "MUL-1", data={"sampled": 10, "callused": 7})
    assert all(step["do"] != "batch stage MUL-1 rooting" for step in fewer["next"])


def test_a_batch_that_is_hardened_off_may_move_out():
    diary = added(stage="hardening-off")
    answer = diary.keep("look", "MUL-1", data={"sampled": 10, "rooted": 9})
    assert {"text": answer["next"][-1]["text"], "do": "batch move MUL-1 --to unheated"} == (
        answer["next"][-1]
    )


def test_buds_ahead_of_the_callus_are_told_at_the_look():
    diary = added()
    answer = diary.keep("look", "MUL-1", data={"sampled": 10, "callused": 2, "buds": 5})
    assert answer["next"][0]["text"].startswith("buds are ahead of the callus")
    other = diary.keep("change", "MUL-1", data={"count": 39})
    assert other["next"] == []


def test_mould_is_told_what_to_do_about():
    diary = added()
    assert "neighbours" in diary.keep("look", "MUL-1", data={"mould": 2})["notes"][0]
    assert diary.keep("look", "MUL-1", data={"mould": 0})["notes"] == []


def test_the_next_stage_lowers_the_heat_in_steps():
    answer = added().keep("stage", "MUL-1", data={"stage": "rooting"})
    (box,) = answer["boxes"]
    assert (box["before_c"], box["setpoint_c"]) == (25.0, 20.0)
    assert (box["per_day_k"], box["at_once_c"]) == (1.5, None)
    assert box["ceiling_c"] == 28.0


def test_heat_that_is_still_on_its_way_down_is_told_from_where_it_is():
    diary = added()
    diary.keep("stage", "MUL-1", data={"stage": "rooting"})
    diary.in_force_c = {"north-bench": 23.5}
    (box,) = diary.keep("look", "MUL-1")["boxes"]
    assert (box["changed"], box["before_c"], box["setpoint_c"]) == (False, 23.5, 20.0)
    assert box["per_day_k"] == 1.5
    (box,) = diary.keep("change", "MUL-1", data={"target_c": 22})["boxes"]
    assert (box["changed"], box["before_c"], box["setpoint_c"]) == (True, 23.5, 22.0)
    assert box["per_day_k"] == 1.5


def test_heat_above_a_warm_limit_goes_down_at_once():
    diary = added("GRP-1", species="grapevine", target_c=28.0)
    assert rule(CONFIG, "north-bench", diary.season, NOW_MS).setpoint_c == 28.0
    data = {"species": "blackcurrant", "count": 10}
    box = diary.keep("add", "BLC-1", chamber="north", data=data)["boxes"][0]
    now = rule(CONFIG, "north-bench", diary.season, NOW_MS)
    assert (box["before_c"], box["at_once_c"]) == (28.0, min(now.cap_c, 22.0))
    assert box["setpoint_c"] == now.setpoint_c < 22.5


def test_says_who_does_not_fit_and_which_box_would():
    diary = added()
    diary.keep("stage", "MUL-1", data={"stage": "rooting"})
    answer = diary.keep("add", "GRP-2", chamber="north", data={"species": "grapevine", "count": 60})
    (conflict,) = answer["conflicts"]
    assert conflict.startswith("MUL-1 (mulberry, rooting) wants 18 to 20")
    assert answer["next"][0]["do"] == "batch move MUL-1 --to south-bench"
    moved = diary.keep("move", "MUL-1", chamber="south-bench")
    assert moved["conflicts"] == []
    assert {box["box"] for box in moved["boxes"]} == {"north-bench", "south-bench"}
    assert (diary.batch().place, diary.batch("GRP-2").place) == ("south-bench", "north-bench")


def test_a_box_that_is_not_in_use_is_said():
    diary = Diary(config(north_bench=chamber_keys(in_use=False), south_bench=chamber_keys(1)))
    answer = diary.keep("add", "MUL-1", chamber="north", data={"species": "mulberry", "count": 4})
    assert any("not in use" in note for note in answer["notes"])
    assert answer["boxes"][0]["in_use"] is False


@given(
    species=st.sampled_from(["mulberry", "grapevine", "blackcurrant", "peach", "other"]),
    stage=st.sampled_from([*Stage]),
    target_c=st.none() | st.floats(5.0, 30.0),
    move=st.booleans(),
)
def test_what_is_told_of_a_box_is_what_the_rule_says(species, stage, target_c, move):
    diary = added(species=species, stage=stage.value, target_c=target_c)
    data = {"species": "grapevine", "count": 60}
    answer = diary.keep("add", "GRP-2", chamber="north-bench", data=data)
    if move:
        answer = diary.keep("move", "MUL-1", chamber="south-bench")
    for box in answer["boxes"]:
        order = rule(CONFIG, box["box"], diary.season, NOW_MS)
        assert (box["setpoint_c"], box["ceiling_c"], box["lead"], box["why"]) == (
            order.setpoint_c,
            order.ceiling_c,
            order.lead,
            order.why,
        )
    for step in answer["next"]:
        if step["do"] is not None and " --to " in step["do"]:
            # A box that is said to suit it does: moved there, it has no word to say.
            _, _, name, _, place = step["do"].split()
            told = diary.keep("move", name, chamber=place)
            assert not any(text.startswith(f"{name} (") for text in told["conflicts"])


def test_closing_counts_and_later_counts_add_to_it():
    diary = added()
    diary.keep("close", "MUL-1", data={"callused": 35, "rooted": 31})
    assert not diary.batch().open
    diary.keep("count", "mul", data={"potted": 30})
    diary.keep("count", "mul", data={"potted": 29, "alive": 27})
    assert diary.batch().endings == {"callused": 35, "rooted": 31, "potted": 29, "alive": 27}
    for what in ("look", "move", "stage", "close"):
        assert "MUL-1 is closed" in diary.refuse(what, "MUL-1", chamber=None)


def test_what_was_seen_before_the_closing_can_still_be_entered():
    diary = added()
    diary.keep("close", "MUL-1", about_ms=NOW_MS - DAY_MS)
    diary.keep("look", "mul", data={"mould": 0}, about_ms=NOW_MS - 2 * DAY_MS)
    diary.keep("look", "mul", about_ms=NOW_MS - DAY_MS + HOUR_MS, open_ms=DAY_MS // 2)
    assert [look.at_ms - NOW_MS for look in diary.batch().looks] == [-2 * DAY_MS, -DAY_MS - 1]
    assert "is closed" in diary.refuse("look", "mul", about_ms=NOW_MS - DAY_MS)
    assert "is closed" in diary.refuse("close", "mul", about_ms=NOW_MS - 3 * DAY_MS)
    diary.keep("add", "MUL-2", chamber="north", data={"species": "mulberry", "count": 4})
    diary.keep("look", "MUL-2")
    assert diary.refuse(corrects=6, batch="MUL-1") == "MUL-1 had been closed by then."


def test_all_of_a_batch_may_show_it():
    diary = added()
    diary.keep("look", "MUL-1", data={"sampled": 40, "callused": 40, "mould": 40})
    diary.keep("look", "MUL-1", data={"mould": 40})
    diary.keep("close", "MUL-1", data={"callused": 40, "alive": 40})
    half_ms = DAY_MS // 2
    late = {"species": "mulberry", "count": 4, "made_ms": NOW_MS - DAY_MS + half_ms}
    diary.keep("add", "MUL-2", chamber="north", data=late, about_ms=NOW_MS - DAY_MS)
    late["made_ms"] += 1
    assert "before it was made" in diary.refuse(
        "add", "MUL-3", chamber="north", data=late, about_ms=NOW_MS - DAY_MS
    )


def test_what_is_known_of_a_batch_can_change():
    diary = added(target_c=22.0, height_mm=30.0)
    diary.keep("change", "MUL-1", data={"count": 38, "target_c": None, "at_latest": "18"})
    batch = diary.batch()
    assert (batch.count, batch.target_c, batch.at_latest) == (38, None, "lower-to 18")
    assert batch.height_mm == 30.0


@pytest.mark.parametrize(
    ("said", "meant"),
    [
        ("keep", "keep"),
        ("Keep", "keep"),
        ("18", "lower-to 18"),
        ("lower-to 18", "lower-to 18"),
        ("lower-to-18", "lower-to 18"),
        ("lower-to=18.5", "lower-to 18.5"),
        ("lower to 18", "lower-to 18"),
    ],
)
def test_at_latest_may_be_said_in_several_ways(said, meant):
    assert asked.at_latest_of({"at_latest": said}) == meant


def test_nothing_new_leaves_no_entry():
    diary = added()
    for words, more in (
        (("stage", "MUL-1"), {"data": {"stage": "callusing"}}),
        (("move", "MUL-1"), {"chamber": "north-bench"}),
        (("change", "MUL-1"), {"data": {"count": 40}}),
        ((), {"corrects": 1, "data": {"count": 40}}),
    ):
        outcome = diary.ask(*words, **more)
        assert outcome.answer["ok"]
        assert outcome.answer["kept"] is False
        assert (outcome.entries, outcome.events) == ((), ())
    assert len(diary.entries) == 1


def test_done_is_kept_for_a_box_a_batch_or_all():
    diary = added()
    answer = diary.keep("done", data={"reminder": "lay"}, target="north")
    assert (answer["chamber"], answer["batch"]) == ("north-bench", None)
    assert answer["next"] == [{"text": "due again", "at_ms": NOW_MS + 4 * DAY_MS, "do": None}]
    diary.keep("done", data={"reminder": "layer"})
    assert diary.keep("done", data={"reminder": "mist"}, target="mul1")["chamber"] == "north-bench"
    assert diary.keep("done", data={"reminder": "mould"}, target="mul1")["batch"] == "MUL-1"
    diary.keep("done", data={"reminder": "light"})
    assert diary.batch().light_ms == NOW_MS, "the only batch need not be named"
    assert set(diary.season.done) == {
        ("layer", "north-bench"),
        ("layer", None),
        ("mist", "north-bench"),
        ("mould", "MUL-1"),
        ("light", "MUL-1"),
    }
    diary.keep("add", "MUL-2", chamber="south", data={"species": "mulberry", "count": 4})
    assert "MUL-1, MUL-2" in diary.refuse("done", data={"reminder": "light"})
    assert "whole house" in diary.refuse("done", data={"reminder": "tools"}, target="north")
    assert "there are layer" in diary.refuse("done", data={"reminder": "polish"})


def test_an_interval_of_the_grower_is_told():
    own = CONFIG.model_copy(
        update={"season": CONFIG.season.model_copy(update={"reminders": {"layer": 2, "mist": 0}})}
    )
    diary = Diary(own)
    assert diary.keep("done", data={"reminder": "layer"})["next"][0]["at_ms"] == NOW_MS + 2 * DAY_MS
    assert diary.keep("done", data={"reminder": "mist"})["next"] == [], "never"


def test_a_season_is_closed_by_name():
    diary = Diary()
    diary.keep("season", data={"name": "2026-27", "from_ms": NOW_MS - 200 * DAY_MS})
    assert diary.season.closed == (("2026-27", NOW_MS),)
    assert "name the season" in diary.refuse("season", data={"name": " "})


# -- in words

CUTTINGS = {"species": "apple-rootstock", "kind": "cuttings", "count": 40, "zone": "base"}
GRAFTS = {"species": "other", "kind": "grafts", "count": 60, "zone": "union"}


@pytest.mark.parametrize(
    ("entry", "text"),
    [
        (SeasonEntry(What.ADD, "A", data=GRAFTS), "added: 60 bench grafts, unheated, union warm"),
        (
            SeasonEntry(What.ADD, "A", "north", {**CUTTINGS, "stage": "rooting", "target_c": 20.0}),
            "added: 40 apple-rootstock cuttings, in north, rooting, target 20 °C",
        ),
        (SeasonEntry(What.CHANGE, "A"), "changed: note"),
        (
            SeasonEntry(What.CHANGE, "A", data={"count": 3, "height_mm": 90.0, "zone": "base"}),
            "changed: count 3, base warm, 90 mm up",
        ),
        (
            SeasonEntry(
                What.CHANGE, "A", data={"height_mm": None, "target_c": None, "at_latest": None}
            ),
            "changed: height not said, target by species and stage, at latest as the config says",
        ),
        (
            SeasonEntry(What.CHANGE, "A", data={"at_latest": "lower-to 18", "made_ms": 5}),
            "changed: at latest lower-to 18, day it was made",
        ),
        (SeasonEntry(What.LOOK, "A"), "look: nothing counted"),
        (SeasonEntry(What.LOOK, "A", data={"sampled": 5}), "look: 5 looked at, nothing counted"),
        (SeasonEntry(What.LOOK, "A", data={"mould": 0}), "look: none with mould"),
        (SeasonEntry(What.LOOK, "A", data={"mould": 2}), "look: 2 with mould"),
        (
            SeasonEntry(What.LOOK, "A", data={"sampled": 9, "callused": 0, "buds": 1, "rooted": 0}),
            "look: 0 of 9 callused, none with root tips, 1 with buds moving",
        ),
        (SeasonEntry(What.MOVE, "A", UNHEATED), "moved out of the heat"),
        (SeasonEntry(What.MOVE, "A", "south"), "moved to south"),
        (SeasonEntry(What.CLOSE, "A"), "closed"),
        (SeasonEntry(What.CLOSE, "A", data={"alive": 0}), "closed: 0 alive"),
        (
            SeasonEntry(What.COUNT, "A", data={"potted": 3, "rooted": 4}),
            "counted: 4 rooted, 3 potted",
        ),
        (SeasonEntry(What.DONE, data={"reminder": "mist"}), "done: mist, all"),
        (SeasonEntry(What.DONE, "A", data={"reminder": "light"}), "done: light, A"),
        (SeasonEntry(What.DONE, None, "south", {"reminder": "mist"}), "done: mist, south"),
        (SeasonEntry(What.SEASON, data={"name": "2026-27"}), "season closed: 2026-27"),
        (SeasonEntry(What.WITHDRAW, "A", corrects=7), "withdraws no. 7"),
    ],
)
def test_an_entry_in_words(entry, text):
    assert says(entry) == text
