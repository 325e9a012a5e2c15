"""Requests about batches: what is refused, and anything at all."""

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
from bottomheat.season import asked
from bottomheat.season.contradictions import faults
from bottomheat.season.ledger import (
    DAY_MS,
    SHARES,
    UNHEATED,
)
from diary import CONFIG, NOW_MS, Diary, added
from plant import chamber_keys

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
