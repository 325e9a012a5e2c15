"""Requests about batches: what is taken, what is refused, what the grower is told of the box."""

from __future__ import annotations

import json
import math
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bottomheat.asked import LONGEST_NOTE
from bottomheat.config import Config
from bottomheat.config_season import WrittenBatch
from bottomheat.errors import InputError
from bottomheat.model import EventKind
from bottomheat.season import asked
from bottomheat.season.contradictions import faults
from bottomheat.season.ledger import (
    DAY_MS,
    SHARES,
    UNHEATED,
    Batch,
    Dated,
    Kind,
    Season,
    SeasonEntry,
    Stage,
    What,
    Zone,
    fold,
)
from bottomheat.season.request import Outcome, entered_ms, handle
from bottomheat.season.said import says
from bottomheat.season.setpoint import rule
from plant import chamber_keys, config

CONFIG = config(
    north_bench=chamber_keys(), south_bench=chamber_keys(1, callus_zone=17.0, in_use=True)
)
NOW_MS = 1_800_000_000_000  # 2027-01-15
HOUR_MS = 3_600_000


class Diary:
    """A ledger that is written by requests alone, as the service keeps it."""

    def __init__(self, box_config: Config = CONFIG) -> None:
        self.config = box_config
        self.entries: list[Dated] = []
        self.now_ms = NOW_MS
        self.clock_sure = True
        self.in_force_c: dict[str, float] = {}

    def ask(self, what: str | None = None, batch: str | None = None, **more: Any) -> Outcome:
        fields = {"do": "season", "what": what, "batch": batch, **more}
        given = {key: value for key, value in fields.items() if value is not None}
        return self.send(given)

    def send(self, request: dict[str, Any]) -> Outcome:
        outcome = handle(
            self.entries,
            self.config,
            request,
            self.now_ms,
            50.0,
            clock_sure=self.clock_sure,
            in_force_c=self.in_force_c,
        )
        for entry in outcome.entries:
            at_ms = entered_ms(self.entries, self.now_ms, clock_sure=self.clock_sure)
            self.entries.append(Dated(len(self.entries) + 1, at_ms, self.clock_sure, entry))
        return outcome

    def keep(self, *words: Any, **more: Any) -> dict[str, Any]:
        """A request that has to be taken; the answer."""
        answer = self.ask(*words, **more).answer
        assert answer["ok"], answer
        return answer

    def refuse(self, *words: Any, **more: Any) -> str:
        """A request that has to be refused without a trace; the sentence."""
        before = list(self.entries)
        outcome = self.ask(*words, **more)
        assert outcome.answer["ok"] is False, outcome.answer
        assert (outcome.entries, outcome.events, self.entries) == ((), (), before)
        return str(outcome.answer["error"])

    @property
    def season(self) -> Season:
        return fold(self.entries)

    def batch(self, name: str = "MUL-1") -> Batch:
        return self.season.batches[name]


def added(name: str = "MUL-1", place: str = "north-bench", **data: Any) -> Diary:
    """A diary with one batch, ten days old."""
    diary = Diary()
    whole = {"species": "mulberry", "count": 40, **data}
    diary.keep("add", name, chamber=place, data=whole, about_ms=NOW_MS - 10 * DAY_MS)
    return diary


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


# -- refusals

LOOK: dict[str, Any] = {"what": "look", "batch": "MUL-1"}
ADD: dict[str, Any] = {
    "what": "add",
    "batch": "MUL-2",
    "chamber": "north-bench",
    "data": {"species": "mulberry", "count": 40},
}


def of(request: dict[str, Any], **data: Any) -> dict[str, Any]:
    """The request with other data."""
    return {**request, "data": {**request.get("data", {}), **data}}


@pytest.mark.parametrize(
    ("request_", "part"),
    [
        (of(LOOK, sampled=10, callused=11), "11 callused of 10 cannot be"),
        (of(LOOK, sampled=10, buds=11), "11 with buds moving of 10"),
        (of(LOOK, sampled=41), "41 looked at, and MUL-1 has 40"),
        (of(LOOK, callused=3), "say of how many: --sampled"),
        (of(LOOK, mould=41), "41 with mould of 40"),
        (of(LOOK, sampled=0), "sampled must be a whole number from 1"),
        (of(LOOK, sampled=True), "whole number"),
        (of(LOOK, sampled=5.0), "whole number"),
        (of(LOOK, callused=-1, sampled=3), "whole number"),
        (of(LOOK, roots=3), "as new as"),
        ({**LOOK, "batch": "GRP-1"}, "there is no batch 'GRP-1': there is MUL-1."),
        ({**LOOK, "batch": None}, "say which batch"),
        ({**LOOK, "batch": 5}, "say which batch"),
        ({**LOOK, "batch": "--"}, "say which batch"),
        ({**LOOK, "batch": "x\x1b[2J"}, "'x [2J'"),
        ({**LOOK, "chamber": "north-bench"}, "names no place"),
        ({**LOOK, "note": "x" * (LONGEST_NOTE + 1)}, "shorten it"),
        ({**LOOK, "about_ms": "yesterday"}, "milliseconds"),
        ({**LOOK, "about_ms": 10**400}, "year right"),
        ({**LOOK, "about_ms": True}, "milliseconds"),
        ({**LOOK, "open_ms": 10**12}, "a day at most"),
        ({**LOOK, "open_ms": None}, "a day at most"),
        ({**LOOK, "data": []}, "must be an object"),
        ({**LOOK, "heat": True}, "as new as"),
        ({**LOOK, "what": "heat"}, "as new as"),
        ({**LOOK, "what": ["look"]}, "as new as"),
        ({**LOOK, "what": None}, "as new as"),
        ({**LOOK, "corrects": 1}, "cannot become another kind"),
        ({"corrects": 1}, "what is to be different"),
        ({"corrects": 1, "data": {"rooted": 3}}, "as new as"),
        ({"corrects": 0, "data": {"count": 3}}, "by its number"),
        ({"corrects": True, "data": {"count": 3}}, "by its number"),
        ({"corrects": 10**400, "data": {"count": 3}}, "by its number"),
        ({"what": "withdraw", "corrects": 1, "batch": "MUL-1"}, "as a whole"),
        ({"what": "withdraw", "corrects": 1, "data": {"count": 1}}, "as new as"),
        ({**ADD, "batch": "-x"}, "letters, digits and hyphens"),
        ({**ADD, "batch": "x" * 32}, "31 at most"),
        ({**ADD, "batch": "MÜL-1"}, "letters, digits and hyphens"),
        ({**ADD, "batch": "unheated"}, "choose another name"),
        ({**ADD, "chamber": None}, "there are north-bench, south-bench, unheated"),
        ({**ADD, "chamber": "east"}, "there is no place 'east'"),
        ({**ADD, "target": "north"}, "leave the target out"),
        (of(ADD, count=0), "count must be a whole number from 1"),
        (of(ADD, count=100_001), "to 100000"),
        (of(ADD, species="mullberry"), "do you mean mulberry?"),
        (of(ADD, species=""), "say of which species: grapevine"),
        (of(ADD, species=5), "say of which species"),
        (of(ADD, kind="seeds"), "there are cuttings, grafts"),
        (of(ADD, zone="top"), "there are base, union"),
        (of(ADD, stage="potted"), "there are callusing, rooting, hardening-off"),
        (of(ADD, target_c=31), "from 5 to 30"),
        (of(ADD, target_c=math.nan), "from 5 to 30"),
        (of(ADD, target_c="22"), "from 5 to 30"),
        (of(ADD, height_mm=501), "from 0 to 500"),
        (of(ADD, at_latest="lower-to 99"), "such as lower-to 18"),
        (of(ADD, at_latest=18), "such as lower-to 18"),
        (of(ADD, made_ms=5), "year right"),
        (of(ADD, made_ms="5 Jan"), "milliseconds"),
        ({"what": "move", "batch": "MUL-1"}, "say which place"),
        ({"what": "stage", "batch": "MUL-1"}, "say which stage"),
        ({"what": "change", "batch": "MUL-1"}, "what is to be different"),
        ({"what": "change", "batch": "MUL-1", "data": {"count": None}}, "whole number"),
        ({"what": "change", "batch": "MUL-1", "data": {"stage": "rooting"}}, "as new as"),
        ({"what": "count", "batch": "MUL-1"}, "say what you counted"),
        ({"what": "count", "batch": "MUL-1", "data": {"alive": 41}}, "41 alive, and MUL-1 has 40"),
        ({"what": "done", "batch": "MUL-1", "data": {"reminder": "mist"}}, "takes no batch"),
        ({"what": "done", "data": {}}, "say which reminder"),
    ],
)
def test_what_cannot_be_meant_is_refused_with_the_reason(request_, part):
    diary = added()
    outcome = diary.send({"do": "season", **request_})
    assert outcome.answer["ok"] is False, outcome.answer
    assert (outcome.entries, outcome.events) == ((), ())
    assert part in outcome.answer["error"]
    assert outcome.answer["error"][-1] in ".?"
    assert outcome.answer["error"].isprintable()


def test_a_species_of_the_growers_own_is_known():
    own = {"pawpaw": {"callusing": {"band": [22, 24]}}}
    given = Config.model_validate(
        {"chambers": {"bench": chamber_keys()}, "season": {"species": own}}
    )
    diary = Diary(given)
    answer = diary.keep("add", "PAW-1", data={"species": "pawpaw", "count": 12})
    assert answer["boxes"][0]["setpoint_c"] == 24.0
    assert "your own" in answer["boxes"][0]["why"]


# -- anything at all

ANY = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=12),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=4), inner),
    max_leaves=5,
)
GOOD = (
    of(ADD),
    of(
        ADD,
        kind="grafts",
        made_ms=NOW_MS - 3 * DAY_MS,
        target_c=24.5,
        height_mm=90,
        stage="rooting",
    ),
    of(LOOK, sampled=10, callused=8, rooted=3, buds=1, mould=0),
    {"what": "stage", "batch": "MUL-1", "data": {"stage": "rooting"}},
    {"what": "move", "batch": "MUL-1", "chamber": "south-bench"},
    {"what": "change", "batch": "MUL-1", "data": {"count": 39, "target_c": None}},
    {"what": "close", "batch": "MUL-1", "data": {"callused": 30}},
    {"what": "count", "batch": "MUL-1", "data": {"alive": 30}},
    {"what": "done", "data": {"reminder": "layer"}, "target": "north-bench"},
    {"what": "season", "data": {"name": "2026-27"}},
    {"corrects": 1, "data": {"count": 39}},
    {"what": "withdraw", "corrects": 2},
)


@st.composite
def requests(draw: st.DrawFn) -> dict[str, Any]:
    """A good request with some of its fields spoilt, or anything at all."""
    whole: dict[str, Any] = {"do": "season", **draw(st.sampled_from(GOOD))}
    keys = st.sampled_from([*sorted(whole), "about_ms", "open_ms", "note", "corrects", "target"])
    whole.update(draw(st.dictionaries(keys | st.text(max_size=5), ANY, max_size=2)))
    data = whole.get("data")
    if isinstance(data, dict) and draw(st.booleans()):
        inner = st.sampled_from([*sorted(data), *SHARES, "made_ms"]) | st.text(max_size=5)
        whole["data"] = {**data, **draw(st.dictionaries(inner, ANY, max_size=2))}
    return whole


@settings(max_examples=150, deadline=None)
@given(requests() | st.dictionaries(st.text(max_size=6), ANY), st.booleans())
def test_any_request_is_answered_and_what_is_taken_can_be_kept(request_, clock_sure):
    diary = added()
    diary.keep("look", "MUL-1", data={"sampled": 10, "callused": 8})
    diary.clock_sure = clock_sure
    outcome = diary.send(request_)
    json.dumps(outcome.answer, ensure_ascii=False, allow_nan=False).encode()
    if not outcome.answer["ok"]:
        assert (outcome.entries, outcome.events) == ((), ())
        assert outcome.answer["error"][-1] in ".?"
        assert outcome.answer["error"].isprintable()
        return
    assert diary.season.problems == ()
    for event in outcome.events:
        assert event.text.isprintable()
        event.text.encode()
    for entry in outcome.entries:
        plain = json.loads(json.dumps(dict(entry.data), allow_nan=False))
        assert plain == entry.data, "it comes back from the log as it was"


@settings(max_examples=60, deadline=None)
@given(st.lists(requests(), max_size=12), st.lists(st.integers(0, 3 * DAY_MS), min_size=12))
def test_however_a_season_goes_its_entries_agree_and_none_is_lost(asked_for, steps):
    diary = added()
    for request_, step_ms in zip(asked_for, steps, strict=False):
        before = list(diary.entries)
        diary.send(request_)
        assert diary.entries[: len(before)] == before
        diary.now_ms += step_ms
        season = diary.season
        assert season.problems == ()
        assert not any(faults(batch) for batch in season.batches.values())
        assert all(batch.place in {*CONFIG.chambers, UNHEATED} for batch in season.batches.values())


@given(
    name=st.text(max_size=34) | st.from_regex(asked.NAME, fullmatch=True),
    count=st.integers(-1, 200_000),
    target_c=st.none() | st.floats(allow_nan=True),
    height_mm=st.none() | st.floats(-10, 600),
    at_latest=st.none()
    | st.from_regex(r"(keep|lower-to [0-9]{1,3}(\.[0-9]{1,2})?)", fullmatch=True),
)
def test_what_a_command_takes_the_file_takes_too(name, count, target_c, height_mm, at_latest):
    data = {
        "species": "mulberry",
        "count": count,
        "target_c": target_c,
        "height_mm": height_mm,
        "at_latest": at_latest,
    }
    diary = Diary()
    if not diary.ask("add", name, chamber="north-bench", data=data).answer["ok"]:
        return
    batch = diary.batch(name)
    written = {
        "species": batch.species,
        "count": batch.count,
        "made": "2027-01-05",
        "chamber": batch.place,
        "target": batch.target_c,
        "height": batch.height_mm,
        "at_latest": batch.at_latest,
    }
    WrittenBatch.model_validate(written)
    Config.model_validate({"chambers": {"north-bench": chamber_keys()}, "batches": {name: written}})


def test_what_was_entered_while_the_clock_ran_ahead_is_named_before_anything_else_is_taken():
    diary = added()
    diary.now_ms += 365 * DAY_MS
    diary.keep("move", "MUL-1", chamber="unheated")
    diary.now_ms = NOW_MS
    error = diary.refuse("move", "MUL-1", chamber="north-bench")
    assert "entry 2" in error
    assert "withdraw 2" in error
    diary.keep("withdraw", corrects=2)
    diary.keep("look", "MUL-1", data={"sampled": 10, "callused": 1})
    assert diary.batch().place == "north-bench"
