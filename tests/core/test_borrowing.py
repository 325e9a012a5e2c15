"""A borrowed probe's session: what is taken, one row a minute, told once, over by itself."""

from __future__ import annotations

import json
import math
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bottomheat import borrowing
from bottomheat.borrowing import (
    GIVE_UP_S,
    LONGEST_S,
    LOST_S,
    SHORTEST_S,
    TRUSTED_ROWS,
    Outcome,
    Session,
    advance,
    begin,
    resume,
    shown,
    stop,
    why_not,
)
from bottomheat.config import Config
from bottomheat.model import Event, EventKind, Fault, Good, Raw, Sample, Unread
from plant import chamber_keys, config

SPARE, OTHER = "28-0000000000aa", "28-0000000000bb"
KEEPERS = "28-0000000000cc"
CONFIG = config(north=chamber_keys(), south=chamber_keys(1, keeper={"probe": KEEPERS}))
CORRECTED = Config.model_validate(
    {"chambers": {"north": chamber_keys()}, "corrections": {SPARE: {"add": -0.25}}}
)
LAYER = CONFIG.chambers["north"].probes.substrate
ROOM = CONFIG.chambers["south"].probes.room
NOW_S = 5000.0
DAY_S = 86_400.0


def learn(sessions=None, on: Config = CONFIG, now_s: float = NOW_S, **fields: object) -> Outcome:
    request = {"do": "learn", "chamber": "north", "probe": SPARE, "for_s": DAY_S, **fields}
    return begin(sessions or {}, on, request, now_s)


class Bed:
    """A session under way: a cycle every ten seconds, an answer of the probe every twenty."""

    def __init__(self, for_s: float = DAY_S, on: Config = CONFIG, cycle_s: float = 10.0) -> None:
        self.config, self.cycle_s, self.now_s = on, cycle_s, NOW_S
        self.session: Session | None = learn(on=on, for_s=for_s).sessions["north"]
        self.raw: Raw | None = None
        self.read_s = -math.inf
        self.rows: list[Good] = []
        self.ends: list[borrowing.Row] = []
        self.events: list[Event] = []

    def go(self, seconds: float, says: float | Fault, every_s: float = 20.0) -> None:
        end_s = self.now_s + seconds
        while self.session is not None and self.now_s < end_s:
            self.now_s += self.cycle_s
            if self.now_s - self.read_s >= every_s:
                self.read_s = self.now_s
                fault = isinstance(says, Fault)
                self.raw = Unread(says, self.now_s) if fault else Sample(says, self.now_s)
            step = advance("north", self.session, self.raw, self.config, self.now_s)
            self.session = step.session
            self.events += step.events
            self.rows += [] if step.kept is None else [step.kept]
            self.ends += [] if step.row is None else [step.row]


def test_a_session_begins_with_a_row_and_an_event():
    outcome = learn(note="from the drawer")
    assert outcome.answer == {"ok": True, "chamber": "north", "probe": SPARE, "for_s": DAY_S}
    assert outcome.row == ("north", SPARE, DAY_S, "from the drawer")
    (event,) = outcome.events
    assert (event.kind, event.chamber, event.durable) == (EventKind.CALIBRATION, "north", True)
    assert SPARE in event.text
    assert "from the drawer" in event.text
    assert shown(outcome.sessions, NOW_S + 60) == {
        "north": {
            "probe": SPARE,
            "left_s": DAY_S - 60,
            "rows": 0,
            "last_c": None,
            "fault": "not read yet",
        }
    }


@pytest.mark.parametrize(
    ("fields", "part"),
    [
        ({"chamber": "attic"}, "no such chamber; the config has: north, south"),
        ({"chamber": ["north"]}, "no such chamber"),
        ({"probe": "spare"}, "not the name of a probe"),
        ({"probe": f"{SPARE}\n"}, "not the name of a probe"),
        ({"probe": "../28-0000000000aa"}, "not the name of a probe"),
        ({"probe": None}, "not the name of a probe"),
        ({"probe": "10-0000000000aa"}, "not of family 28"),
        ({"probe": LAYER}, "in use already (north, wet layer)"),
        ({"probe": ROOM}, "in use already (south, room)"),
        ({"probe": KEEPERS}, "the keeper's own probe"),
        ({"for_s": SHORTEST_S - 1}, "1 h at least and 14 days at most"),
        ({"for_s": LONGEST_S + 1}, "1 h at least and 14 days at most"),
        ({"for_s": 10**400}, "1 h at least"),
        ({"for_s": math.nan}, "1 h at least"),
        ({"for_s": "2d"}, "1 h at least"),
        ({"for_s": True}, "1 h at least"),
        ({"note": 5}, "must be text"),
        ({"note": "x" * 201}, "shorten it"),
        ({"heat": True}, "as new as"),
    ],
)
def test_what_cannot_be_lent_is_refused_with_the_reason(fields, part):
    before = learn(chamber="south", probe=OTHER).sessions
    outcome = learn(before, **fields)
    assert outcome.answer["ok"] is False
    assert part in outcome.answer["error"]
    assert outcome.sessions is before
    assert (outcome.row, outcome.events) == (None, ())


def test_one_session_a_box_and_one_box_a_probe():
    first = learn()
    again = learn(first.sessions, probe=OTHER, now_s=NOW_S + 3600)
    assert f"learns from {SPARE} already, for 23 h more" in again.answer["error"]
    twice = learn(first.sessions, chamber="south")
    assert "lent to north already" in twice.answer["error"]
    assert again.sessions is twice.sessions is first.sessions
    both = learn(first.sessions, chamber="south", probe=OTHER)
    assert set(both.sessions) == {"north", "south"}


def test_one_row_a_minute_the_first_good_reading_of_it():
    bed = Bed()
    bed.go(3600, 24.5)
    minutes = [int((row.at_s - NOW_S) // 60) for row in bed.rows]
    assert minutes == list(range(60))
    assert all(b.at_s > a.at_s for a, b in pairwise(bed.rows))
    assert {row.celsius for row in bed.rows} == {24.5}
    assert bed.session is not None
    assert bed.session.rows == 60
    assert bed.events == []


@pytest.mark.parametrize("cycle_s", [2.0, 10.0, 20.0])
def test_the_rows_do_not_hang_on_the_cycle(cycle_s):
    bed = Bed(cycle_s=cycle_s)
    bed.go(3600, 24.5)
    assert 60 <= len(bed.rows) <= 61


def test_a_correction_of_the_config_is_added():
    bed = Bed(on=CORRECTED)
    bed.go(60, 24.5)
    assert bed.rows[0].celsius == 24.25
    assert bed.session is not None
    assert bed.session.last_c == 24.25
    assert "corrected by -0.25 K" in learn(on=CORRECTED).events[0].text


def test_what_a_faulty_probe_says_is_not_kept():
    bed = Bed()
    bed.go(600, 24.5)
    kept = len(bed.rows)
    for says in (85.0, 127.9375, -55.0, 200.0, Fault.CRC):
        bed.go(40, says)
    assert len(bed.rows) == kept
    assert bed.session is not None
    assert bed.session.fault is Fault.CRC
    bed.go(60, 24.5)
    assert len(bed.rows) > kept


def test_a_jump_needs_three_answers_and_an_answer_counts_once():
    """A cycle of 2 s sees the same answer ten times; it must not confirm itself."""
    bed = Bed(cycle_s=2.0)
    bed.go(120, 24.5)
    bed.go(38, 40.0)  # two answers
    assert bed.session is not None
    assert bed.session.fault is Fault.JUMP
    assert all(row.celsius == 24.5 for row in bed.rows)
    bed.go(80, 40.0)
    assert bed.session.last_c == 40.0


def test_an_answer_that_stays_the_same_grows_stale():
    bed = Bed()
    bed.go(120, 24.5)
    bed.go(60, 24.5, every_s=math.inf)
    assert bed.session is not None
    assert bed.session.fault is Fault.STALE


def test_a_probe_that_is_pulled_out_is_told_once_and_the_session_ends_by_itself():
    bed = Bed(for_s=SHORTEST_S)
    bed.go(1200, 24.5)
    kept = len(bed.rows)
    bed.go(LOST_S, Fault.ABSENT)
    (told,) = bed.events
    assert "probe folder is gone" in told.text
    assert "heat does not depend on it" in told.text
    bed.go(DAY_S, Fault.ABSENT)
    assert bed.session is None
    assert len(bed.rows) == kept
    assert bed.now_s == NOW_S + SHORTEST_S
    assert [event.text for event in bed.events[1:]] == [
        f"no longer learns from the borrowed probe {SPARE}: its time is up, and it gives no "
        "reading now (probe folder is gone)"
    ]
    assert bed.ends == [("north", SPARE, None, "its time is up")]


def test_a_probe_that_never_answers_is_told_and_given_up_after_a_day():
    bed = Bed(for_s=LONGEST_S)
    bed.go(2 * DAY_S, Fault.HUNG)
    assert bed.now_s == NOW_S + GIVE_UP_S
    assert len(bed.events) == 2
    assert bed.ends[0].note == "no good reading for 24 h"


def test_a_bad_plug_fills_no_log():
    """Six minutes without, six with, for a day: as many events as hours of good readings."""
    bed = Bed(for_s=3 * DAY_S)
    for _ in range(120):
        bed.go(360, Fault.CRC)
        bed.go(360, 24.5)
    good_hours = len(bed.rows) / TRUSTED_ROWS
    assert 2 <= len(bed.events) <= 2 * (good_hours + 1)


def test_after_an_hour_of_good_readings_the_next_loss_is_told_again():
    bed = Bed()
    bed.go(400, Fault.CRC)
    bed.go(3700, 24.5)
    bed.go(400, Fault.CRC)
    texts = [event.text.split(" of ")[0].split(" has ")[0] for event in bed.events]
    assert texts == ["no good reading", f"the borrowed probe {SPARE}", "no good reading"]
    assert [event.durable for event in bed.events] == [True, False, True]


def test_stopping_by_hand():
    first = learn()
    outcome = stop(first.sessions, CONFIG, {"do": "learn-stop", "chamber": "north"}, NOW_S + 60)
    assert outcome.answer == {"ok": True, "chamber": "north", "was_learning": True, "rows": 0}
    assert outcome.sessions == {}
    assert outcome.row == ("north", SPARE, None, "stopped by hand")
    assert len(outcome.events) == 1
    again = stop({}, CONFIG, {"do": "learn-stop", "chamber": "north"}, NOW_S)
    assert again.answer == {"ok": True, "chamber": "north", "was_learning": False}
    assert (again.row, again.events) == (None, ())
    assert not stop({}, CONFIG, {"do": "learn-stop", "chamber": "attic"}, NOW_S).answer["ok"]


def test_what_the_log_remembers_goes_on_and_what_cannot_is_ended():
    assert ROOM is not None
    lent = {"north": (SPARE, 7200.0), "south": (ROOM, 60.0), "attic": (OTHER, 60.0)}
    sessions, rows, events = resume(lent, CONFIG, NOW_S)
    assert {name: (s.probe, s.until_s) for name, s in sessions.items()} == {
        "north": (SPARE, NOW_S + 7200.0)
    }
    assert [(row.chamber, row.for_s) for row in rows] == [("south", None), ("attic", None)]
    assert "in use already" in rows[0].note
    assert "gone from the config" in rows[1].note
    assert [event.chamber for event in events] == ["north", "south", "attic"]
    both = {"north": (SPARE, 60.0), "south": (SPARE, 60.0)}
    sessions, rows, _ = resume(both, CONFIG, NOW_S)
    assert list(sessions) == ["north"]
    assert "another box" in rows[0].note


def test_a_probe_that_the_config_comes_to_use_is_let_go_at_once():
    bed = Bed()
    bed.go(120, 24.5)
    keys = chamber_keys()
    bed.config = config(north={**keys, "probes": {**keys["probes"], "callus": SPARE}})
    bed.go(10, 24.5)
    assert bed.session is None
    assert "in use already (north, callus probe)" in bed.ends[0].note


def test_every_probe_of_the_config_is_refused():
    for name, box in CONFIG.chambers.items():
        for probe in (*box.probes.by_place().values(), box.keeper_probe):
            assert probe is not None
            assert name in (why_not(CONFIG, probe) or "")
    assert why_not(CONFIG, SPARE) is None


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
        "probe": st.sampled_from([SPARE, OTHER, KEEPERS]) | ANY,
        "for_s": st.floats(0, 2 * LONGEST_S) | ANY,
        "note": st.text(max_size=220) | ANY,
        "more": ANY,
    },
)


@given(REQUESTS, st.booleans(), st.sampled_from([begin, stop]))
def test_any_request_is_answered_and_a_refused_one_changes_nothing(request, busy, act):
    sessions = learn().sessions if busy else {}
    outcome = act(sessions, CONFIG, request, NOW_S)
    json.dumps(outcome.answer, ensure_ascii=False, allow_nan=False).encode()
    if not outcome.answer["ok"]:
        assert outcome.sessions is sessions
        assert (outcome.row, outcome.events) == (None, ())
        assert outcome.answer["error"][-1] in ".?"
        return
    assert (outcome.row is None) == (outcome.events == ())
    for event in outcome.events:
        assert event.text.isprintable()
        event.text.encode()
    for name, session in outcome.sessions.items():
        assert name in CONFIG.chambers
        assert why_not(CONFIG, session.probe) is None


RAWS = st.builds(
    Sample,
    st.floats() | st.sampled_from([24.5, 85.0, 24.6]),
    st.floats() | st.floats(NOW_S, NOW_S + 400),
    st.booleans(),
) | st.builds(Unread, st.sampled_from(Fault), st.floats(NOW_S, NOW_S + 400))


@given(st.lists(st.tuples(RAWS | st.none(), st.floats(0, 120)), max_size=30))
def test_whatever_the_probe_says_only_plausible_rows_are_kept(answers):
    session: Session | None = learn().sessions["north"]
    now_s = NOW_S
    minutes = []
    for raw, pause_s in answers:
        now_s += pause_s
        assert session is not None
        step = advance("north", session, raw, CONFIG, now_s)
        json.dumps(shown({} if step.session is None else {"north": step.session}, now_s))
        if step.kept is not None:
            assert -20 <= step.kept.celsius <= 125
            assert 0 <= now_s - step.kept.at_s + 1 <= 31
            minutes.append(max(0, (step.kept.at_s - NOW_S) // 60))
        session = step.session
    assert minutes == sorted(set(minutes)), "no minute has two rows"
