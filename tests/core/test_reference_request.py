"""Requests that keep a calibration: what is taken, what is refused, and that no more happens."""

from __future__ import annotations

import json
import math
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bottomheat.asked import LONGEST_NOTE
from bottomheat.calibration.ledger import Pairing, ProbeCheck, ReferenceEntry, from_plain, to_plain
from bottomheat.model import EventKind
from bottomheat.reference_request import KINDS, LONGEST_AGO_S, Drop, Outcome, handle
from bottomheat_drivers.log import MemoryJournal
from plant import chamber_keys, config

CONFIG = config(north=chamber_keys(), south=chamber_keys(1))
LAYER = str(CONFIG.chambers["north"].probes.substrate)
SPARE = "28-0000000000aa"
NOW_S = 5000.0
PAIRING = Pairing(
    substrate_c=28.0,
    room_c=6.0,
    lagged_substrate_c=27.9,
    lagged_room_c=6.2,
    power_w=22.5,
    steadiness_k=0.05,
    hours=72.0,
    steady=True,
    why="",
    room_lag_h=1.0,
    substrate_lag_h=0.5,
    memory_h=4.0,
    estimate_c=22.5,
    expanded_k=1.2,
    calibrated=False,
    probes={"substrate": LAYER, "room": "28-000000000002"},
    corrections_k={"substrate": 0.0},
)
REFERENCE: dict[str, Any] = {
    "do": "reference",
    "chamber": "north",
    "spot": "middle",
    "lid": "on",
    "reading_c": 22.4,
    "expanded_k": 0.3,
    "note": "glass, 4 cm deep",
    "ago_s": 300,
    "pairing": to_plain(PAIRING),
}
DROP = {"do": "reference-drop", "number": 7, "chamber": "north", "note": "wrong box"}
CHECK = {
    "do": "probe-check",
    "probe": LAYER,
    "how": "ice point",
    "add_k": 0.19,
    "uncertainty_k": 0.06,
    "at_c": 0.0,
    "note": "",
}


def ask(request: dict[str, Any], **fields: object) -> Outcome:
    return handle(CONFIG, {**request, **fields}, NOW_S)


def test_a_reading_is_kept_with_its_pairing():
    outcome = ask(REFERENCE)
    assert outcome.answer == {"ok": True}
    assert outcome.row == ReferenceEntry(
        "north", "middle", "on", 22.4, 0.3, "glass, 4 cm deep", 300.0, PAIRING
    )
    (event,) = outcome.events
    assert (event.kind, event.chamber, event.durable) == (EventKind.CALIBRATION, "north", True)
    assert event.text == (
        "thermometer at middle: 22.40 ± 0.3 °C, lid on, 5 min ago; note: glass, 4 cm deep"
    )


def test_a_dropped_reading_and_a_compared_probe_are_kept():
    dropped = ask(DROP)
    assert dropped.row == Drop(7, "wrong box")
    assert dropped.events[0].text == "reading 7 dropped; note: wrong box"
    checked = ask(CHECK)
    assert checked.row == ProbeCheck(LAYER, "ice point", 0.19, 0.06, 0.0, "")
    assert checked.events[0].chamber == "north"
    assert "add +0.19 K" in checked.events[0].text
    assert ask(CHECK, probe=SPARE).events[0].chamber is None, "a borrowed one may be compared too"


def test_each_row_reaches_its_own_table():
    journal = MemoryJournal()
    outcomes = [ask(request) for request in (REFERENCE, DROP, CHECK)]
    for outcome in outcomes:
        outcome.keep(journal)
    ask(DROP, number=0).keep(journal)
    assert journal.references == [outcomes[0].row]
    assert journal.drops == [(7, "wrong box")]
    assert journal.probe_checks == [outcomes[2].row]


BAD_PAIRINGS: list[tuple[object, str]] = [
    (None, "not a pairing"),
    ([], "not a pairing"),
    ({}, "not a pairing"),
    ({**to_plain(PAIRING), "more": 1}, "not a pairing"),
    ({**to_plain(PAIRING), "hours": math.nan}, "hours"),
    ({**to_plain(PAIRING), "substrate_c": None}, "substrate_c"),
    ({**to_plain(PAIRING), "substrate_c": 10**400}, "cannot be used"),
    ({**to_plain(PAIRING), "steady": 1}, "steady"),
    ({**to_plain(PAIRING), "why": "x" * (LONGEST_NOTE + 1)}, "too long a reason"),
    ({**to_plain(PAIRING), "probes": {"attic": LAYER}}, "a place that no box has"),
    ({**to_plain(PAIRING), "probes": {"room": "x" * 99}}, "no probe"),
    ({**to_plain(PAIRING), "corrections_k": {"room": "a lot"}}, "corrections_k"),
]


@pytest.mark.parametrize(
    ("request_", "fields", "part"),
    [
        (REFERENCE, {"chamber": "attic"}, "no such chamber; the config has: north, south"),
        (REFERENCE, {"spot": 5}, "must be text"),
        (REFERENCE, {"spot": "x" * 41}, "shorten it"),
        (REFERENCE, {"lid": "open"}, "on, ajar, off"),
        (REFERENCE, {"lid": None}, "on, ajar, off"),
        (REFERENCE, {"reading_c": 72.0}, "°F"),
        (REFERENCE, {"reading_c": -10.1}, "from -10 to 60"),
        (REFERENCE, {"reading_c": "22"}, "from -10 to 60"),
        (REFERENCE, {"reading_c": None}, "from -10 to 60"),
        (REFERENCE, {"reading_c": math.nan}, "from -10 to 60"),
        (REFERENCE, {"expanded_k": -0.1}, "0 to 5 K"),
        (REFERENCE, {"expanded_k": 5.1}, "0 to 5 K"),
        (REFERENCE, {"expanded_k": True}, "0 to 5 K"),
        (REFERENCE, {"ago_s": -1}, "up to 400 days"),
        (REFERENCE, {"ago_s": LONGEST_AGO_S + 1}, "up to 400 days"),
        (REFERENCE, {"ago_s": 10**400}, "up to 400 days"),
        (REFERENCE, {"note": "x" * (LONGEST_NOTE + 1)}, "shorten it"),
        (REFERENCE, {"heat": True}, "as new as"),
        *((REFERENCE, {"pairing": pairing}, part) for pairing, part in BAD_PAIRINGS),
        (DROP, {"number": 0}, "by its number"),
        (DROP, {"number": 7.0}, "by its number"),
        (DROP, {"number": True}, "by its number"),
        (DROP, {"number": 10**400}, "by its number"),
        (DROP, {"chamber": None}, "no such chamber"),
        (DROP, {"note": ["x"]}, "must be text"),
        (CHECK, {"probe": "layer"}, "not the name of a probe"),
        (CHECK, {"how": "by feel"}, "ice point, against, jar"),
        (CHECK, {"add_k": 2.1}, "to be replaced"),
        (CHECK, {"uncertainty_k": 1.1}, "from 0 to 1 K"),
        (CHECK, {"at_c": 61}, "from -10 to 60"),
        (CHECK, {"reading_c": 1}, "as new as"),
    ],
)
def test_what_cannot_be_meant_is_refused_with_the_reason(request_, fields, part):
    outcome = ask(request_, **fields)
    assert (outcome.events, outcome.row) == ((), None)
    assert outcome.answer["ok"] is False
    assert part in outcome.answer["error"]
    assert outcome.answer["error"][-1] in ".?"


def test_what_would_move_a_cursor_is_left_out():
    outcome = ask(
        REFERENCE,
        spot="left\x1b[2J",
        note="a\nb\ud800",
        pairing={**to_plain(PAIRING), "why": "warmed\x07up", "steady": False},
    )
    assert isinstance(outcome.row, ReferenceEntry)
    assert (outcome.row.spot, outcome.row.note) == ("left [2J", "a b")
    assert outcome.row.pairing.why == "warmed up"
    assert outcome.events[0].text.isprintable()


ANY = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=12),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=4), inner),
    max_leaves=5,
)


@st.composite
def requests(draw: st.DrawFn) -> dict[str, Any]:
    """A good request with some of its fields spoilt, or anything at all."""
    whole = dict(draw(st.sampled_from([REFERENCE, DROP, CHECK])))
    keys = st.sampled_from(sorted(whole)) | st.text(max_size=5)
    whole.update(draw(st.dictionaries(keys, ANY, max_size=2)))
    if draw(st.booleans()) and isinstance(whole.get("pairing"), dict):
        keys = st.sampled_from(sorted(to_plain(PAIRING)))
        whole["pairing"] = {**whole["pairing"], **draw(st.dictionaries(keys, ANY, max_size=2))}
    return whole


@given(requests() | st.dictionaries(st.text(max_size=6), ANY))
def test_any_request_is_answered_and_what_is_taken_can_be_kept(request_):
    outcome = handle(CONFIG, request_, NOW_S)
    json.dumps(outcome.answer, ensure_ascii=False, allow_nan=False).encode()
    if not outcome.answer["ok"]:
        assert (outcome.row, outcome.events) == (None, ())
        assert outcome.answer["error"][-1] in ".?"
        return
    assert request_["do"] in KINDS
    (event,) = outcome.events
    assert event.text.isprintable()
    event.text.encode()
    if isinstance(outcome.row, ReferenceEntry):
        plain = json.dumps(to_plain(outcome.row.pairing), allow_nan=False)
        assert from_plain(json.loads(plain)) == outcome.row.pairing
