"""Requests to tend a box: what is taken, what is refused, and that a refusal changes nothing."""

from __future__ import annotations

import json
import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bottomheat import cycle
from bottomheat.asked import LONGEST_NOTE
from bottomheat.model import EventKind
from bottomheat.protect.tending import LONGEST_S, SHORTEST_S, USUAL_S, Doing, Lid
from bottomheat.tend_request import Outcome, handle
from plant import chamber_keys, config

CONFIG = config(north=chamber_keys(), south=chamber_keys(1))
START = cycle.start(CONFIG, {}, proved=True)
NOW_S, WALL_MS = 5000.0, 1_768_550_000_000


def ask(state: cycle.ControllerState = START, now_s: float = NOW_S, **fields: object) -> Outcome:
    return handle(state, CONFIG, {"do": "tend", "chamber": "north", **fields}, now_s, WALL_MS)


def tending(outcome: Outcome):
    return outcome.state.chambers["north"].tending


@pytest.mark.parametrize("doing", Doing)
@pytest.mark.parametrize("for_s", [None, 60, 90.5, 43_200])
def test_a_spell_begins_now_and_lasts_as_long_as_said(doing, for_s):
    outcome = ask(doing=doing.value, for_s=for_s, note="2 litres")
    long_s = USUAL_S if for_s is None else for_s
    spell = tending(outcome)
    assert (spell.doing, spell.since_s, spell.until_s, spell.note) == (
        doing,
        NOW_S,
        NOW_S + long_s,
        "2 litres",
    )
    assert outcome.row == ("north", doing.value, "2 litres", long_s, None)
    (event,) = outcome.events
    assert (event.kind, event.chamber, event.durable) == (EventKind.TENDING, "north", True)
    assert "2 litres" in event.text
    assert outcome.answer["ok"] is True
    assert outcome.answer["until_ms"] == WALL_MS + round(long_s * 1000)


def test_only_the_named_box_is_tended():
    outcome = ask(doing="fill", lid="off")
    assert outcome.state.chambers["south"] == START.chambers["south"]
    assert outcome.state.chambers["north"].lid is Lid.OFF


def test_saying_it_again_prolongs_the_same_spell():
    first = ask(doing="look", for_s=600)
    again = ask(first.state, NOW_S + 500, doing="fill", for_s=600)
    assert tending(again).since_s == NOW_S
    assert tending(again).until_s == NOW_S + 1100
    assert again.answer["prolonged"] is True
    later = ask(again.state, NOW_S + 5000, doing="fill", for_s=600)
    assert tending(later).since_s == NOW_S + 5000
    assert later.answer["prolonged"] is False


def test_done_ends_the_spell_now_and_leaves_the_bed_to_recover():
    first = ask(doing="water", lid="off")
    done = ask(first.state, NOW_S + 120, done=True, lid="on")
    assert tending(done).until_s == NOW_S + 120
    assert tending(done).since_s == NOW_S
    assert done.state.chambers["north"].lid is Lid.ON
    assert done.row == ("north", "done", "", None, "on")
    assert done.answer["was_tended"] is True
    assert (done.answer["lid"], done.answer["lid_before"]) == ("on", "off")
    again = ask(done.state, NOW_S + 130, done=True)
    assert again.state == done.state
    assert again.answer["was_tended"] is False
    assert (again.events, again.row) == ((), None)


def test_done_where_nothing_ran_still_takes_the_lid():
    outcome = ask(done=True, lid="ajar")
    assert outcome.state.chambers["north"].lid is Lid.AJAR
    assert outcome.row == ("north", "done", "", None, "ajar")
    assert "ajar" in outcome.events[0].text


@pytest.mark.parametrize("lid", Lid)
def test_the_lid_alone_begins_and_ends_nothing(lid):
    outcome = ask(lid=lid.value, note="frost tonight")
    assert outcome.state.chambers["north"].lid is lid
    assert tending(outcome) is None
    assert outcome.row == ("north", "done", "frost tonight", None, lid.value)
    assert outcome.events[0].text == f"lid {lid.value} from now on; note: frost tonight"
    assert outcome.answer["lid_before"] == "on"
    assert outcome.answer["tended"] is False


def test_the_lid_alone_leaves_a_spell_running_for_the_next_start_too():
    first = ask(doing="fill", for_s=1800)
    outcome = ask(first.state, NOW_S + 600, lid="ajar")
    assert tending(outcome) == tending(first)
    assert outcome.state.chambers["north"].lid is Lid.AJAR
    assert outcome.row == ("north", "fill", "", 1200.0, "ajar")
    assert outcome.answer["tended"] is True
    later = ask(outcome.state, NOW_S + 1800, lid="on")
    assert later.row == ("north", "done", "", None, "on")


@pytest.mark.parametrize(
    ("fields", "part"),
    [
        ({"for_s": 600, "lid": "ajar"}, "say what is being done"),
        ({}, "say what is being done"),
        ({"doing": "sing"}, "fill, water, look, move"),
        ({"doing": "look", "chamber": "attic"}, "no such chamber; the config has: north, south"),
        ({"doing": "look", "chamber": None}, "no such chamber"),
        ({"doing": "look", "for_s": SHORTEST_S - 0.1}, "a minute at least and 12 h at most"),
        ({"doing": "look", "for_s": LONGEST_S + 0.1}, "12 h at most"),
        ({"doing": "look", "for_s": math.nan}, "12 h at most"),
        ({"doing": "look", "for_s": 10**400}, "12 h at most"),
        ({"doing": "look", "for_s": "30m"}, "a number of seconds"),
        ({"doing": "look", "for_s": True}, "a number of seconds"),
        ({"doing": "look", "lid": "open"}, "on, ajar, off"),
        ({"doing": "look", "lid": ["on"]}, "on, ajar, off"),
        ({"doing": "look", "note": 5}, "must be text"),
        ({"doing": "look", "note": "x" * (LONGEST_NOTE + 1)}, "shorten it"),
        ({"doing": "look", "done": True}, "either"),
        ({"for_s": 60, "done": True}, "either"),
        ({"done": "yes"}, "true or false"),
        ({"doing": "look", "heat": True}, "as new as"),
    ],
)
def test_what_cannot_be_meant_is_refused_with_the_reason(fields, part):
    outcome = ask(**fields)
    assert outcome.state is START
    assert (outcome.events, outcome.row) == ((), None)
    assert outcome.answer["ok"] is False
    assert part in outcome.answer["error"]


ANY = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=12),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=4), inner),
    max_leaves=5,
)
REQUESTS = st.fixed_dictionaries(
    {},
    optional={
        "do": ANY,
        "chamber": st.sampled_from(["north", "south"]) | ANY,
        "doing": st.sampled_from([*Doing]) | st.none() | ANY,
        "done": st.booleans() | ANY,
        "for_s": st.floats(0, 2 * LONGEST_S) | ANY,
        "lid": st.sampled_from([*Lid]) | ANY,
        "note": st.text(max_size=LONGEST_NOTE + 20) | ANY,
        "more": ANY,
    },
)


@settings(max_examples=400, deadline=None)
@given(REQUESTS, st.booleans())
def test_any_request_is_answered_and_a_refused_one_changes_nothing(request, tended):
    state = ask(doing="fill", lid="ajar").state if tended else START
    outcome = handle(state, CONFIG, request, NOW_S + 10, WALL_MS)
    json.dumps(outcome.answer, ensure_ascii=False, allow_nan=False).encode()
    if not outcome.answer["ok"]:
        assert outcome.state is state
        assert (outcome.events, outcome.row) == ((), None)
        assert outcome.answer["error"][-1] in ".?"
        return
    assert (outcome.row is None) == (outcome.events == ())
    name = outcome.answer["chamber"]
    others = [n for n in CONFIG.chambers if n != name]
    assert all(outcome.state.chambers[n] == state.chambers[n] for n in others)
    spell = outcome.state.chambers[name].tending
    if spell is not None:
        assert spell.since_s <= NOW_S + 10 <= spell.until_s <= NOW_S + 10 + LONGEST_S
        assert spell.note.isprintable()
    for event in outcome.events:
        assert event.text.isprintable()
        event.text.encode()
