"""The desk: dead-band in time, what is logged and when, pauses, being away, restarts."""

from __future__ import annotations

import inspect
import json
from collections.abc import Mapping
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bottomheat import alarm_answers, alarm_desk, alarm_memo
from bottomheat.alarm_answers import alarm_row
from bottomheat.alarm_desk import Desk, Entry, Key, acknowledge, pause, set_away, take
from bottomheat.alarm_states import State
from bottomheat.alarm_words import TOLD, Danger, Level, helper_sentence, sentence
from bottomheat.board import Board
from bottomheat.config import Config
from bottomheat.model import Alarm, Condition, Estimate, Event, EventKind, Record
from bottomheat.state import ControllerState, Step

BOX = "north-bench"
WALL_MS = 1_800_000_000_000
HOUR_S = 3600.0
HOT: Key = (BOX, Alarm.CALLUS_HOT)
STUCK: Key = (BOX, Alarm.RELAY_STUCK_ON)
LOST: Key = (BOX, Alarm.PROBE_LOST)
SHORT: Key = (BOX, Alarm.SHORTFALL)


def config(**more: Any) -> Config:
    box = {
        "callus_zone": 25.0,
        "heater": {"gpio": 17, "watts": 45.0},
        "probes": {"substrate": "28-000000000001"},
        "offset": {"method": "fixed", "kelvin": 1.5},
        **more.pop("box", {}),
    }
    return Config.model_validate({"chambers": {BOX: box}, **more})


class Table:
    """A desk that is handed cycles of 10 s."""

    def __init__(self, desk: Desk | None = None, now_s: float = 1000.0) -> None:
        self.desk = desk or Desk()
        self.now_s = now_s
        self.events: list[Event] = []

    @property
    def wall_ms(self) -> int:
        return WALL_MS + round(self.now_s * 1000)

    def cycles(self, count: int, *present: Key, **more: Any) -> Table:
        for _ in range(count):
            self.now_s += 10.0
            given = dict.fromkeys(present, "")
            self.desk, events = take(self.desk, given, self.now_s, self.wall_ms, **more)
            self.events += events
        return self

    def ack(self, *keys: Key) -> None:
        self.desk, events, _ = acknowledge(self.desk, keys, self.now_s)
        self.events += events

    def pause(self, key: Key, for_s: float) -> str | None:
        self.desk, events, refused = pause(self.desk, key, for_s, self.now_s)
        self.events += events
        return refused

    def count(self, kind: EventKind, key: Key) -> int:
        return sum(e.kind is kind and (e.chamber, e.alarm) == key for e in self.events)

    def state(self, key: Key) -> State | None:
        entry = self.desk.entries.get(key)
        return None if entry is None else entry.machine.state

    def restarted(self, *, down_s: float = 60.0, wall_step_ms: int = 0) -> Table:
        """Through the file's text to another run whose monotonic clock begins anew."""
        text = json.dumps(alarm_memo.to_plain(self.desk, self.now_s, self.wall_ms))
        wall_ms = self.wall_ms + round(down_s * 1000) + wall_step_ms
        desk = alarm_memo.from_plain(json.loads(text), [BOX], 50.0, wall_ms)
        fresh = Table(desk, 50.0)
        return fresh


def test_every_alarm_has_its_words() -> None:
    assert list(TOLD) == list(Alarm)
    for alarm, told in TOLD.items():
        assert len(told.what) > 20, alarm
        assert len(told.how_long) > 20, alarm
        assert len(told.first) > 20, alarm
        assert not told.what.endswith("."), alarm
        assert told.on_s >= 0, alarm
        assert told.off_s >= 0, alarm


def test_levels_and_latches_are_those_of_the_protection() -> None:
    now = {alarm for alarm, told in TOLD.items() if told.level is Level.NOW}
    assert now >= {
        Alarm.CUTOFF,
        Alarm.CALLUS_HOT,
        Alarm.RELAY_STUCK_ON,
        Alarm.CROSSED,
        Alarm.KEEPER_LATCHED,
        Alarm.KEEPER_SILENT,
        Alarm.KEEPER_HOLDS,
        Alarm.HEAT_LOST,
        Alarm.LATCH_UNWRITABLE,
        Alarm.DAEMON_SILENT,
    }
    latching = {alarm for alarm, told in TOLD.items() if told.latching}
    assert latching == {Alarm.CUTOFF, Alarm.RELAY_STUCK_ON, Alarm.CROSSED, Alarm.KEEPER_LATCHED}
    assert not any(told.on_s for told in TOLD.values() if told.level is Level.NOW)
    assert not any(told.rests_while_tending for told in TOLD.values() if told.latching)


def test_chambers_own_helper_comes_before_the_house() -> None:
    house = {"too_hot": "Unplug the grey plug.", "other": "Ring me."}
    both = config(helper=house, box={"helper": {"too_hot": "Unplug the red plug."}})
    assert helper_sentence(both, BOX, Alarm.CUTOFF) == "Unplug the red plug."
    assert helper_sentence(both, None, Alarm.KEEPER_LATCHED) == "Unplug the grey plug."
    assert helper_sentence(both, BOX, Alarm.ROOM_LOST) == "Ring me."
    assert helper_sentence(both, BOX, Alarm.HEAT_LOST) is None
    assert helper_sentence(config(), BOX, Alarm.CUTOFF) is None
    assert {told.danger for told in TOLD.values()} == set(Danger)


def test_sentence_ends_once() -> None:
    assert sentence(Alarm.LOG_FAILED, "the card is full.").endswith("it: the card is full.")
    assert sentence(Alarm.LOG_FAILED).endswith("without it.")
    assert sentence(Alarm.KEEPER_SILENT, "is it running?").endswith("is it running?")


def test_on_delay_waits_for_an_unbroken_spell() -> None:
    wait = round(TOLD[Alarm.SHORTFALL].on_s / 10)
    table = Table()
    for _ in range(3):
        table.cycles(wait - 1, SHORT).cycles(1)
    assert table.desk.entries == {}
    assert table.events == []
    table.cycles(wait + 1, SHORT)
    assert table.count(EventKind.ALARM_RAISED, SHORT) == 1
    assert table.state(SHORT) is State.UNACKNOWLEDGED


def test_chattering_condition_is_one_alarm() -> None:
    table = Table()
    for _ in range(50):
        table.cycles(2, LOST).cycles(5)
    assert table.count(EventKind.ALARM_RAISED, LOST) == 1
    assert table.count(EventKind.ALARM_CLEARED, LOST) == 0
    table.cycles(round(TOLD[Alarm.PROBE_LOST].off_s / 10) + 1)
    assert table.count(EventKind.ALARM_CLEARED, LOST) == 1
    assert table.state(LOST) is State.RETURNED


def test_what_is_gone_and_not_seen_stays_until_it_is_seen() -> None:
    table = Table().cycles(3, HOT).cycles(200)
    assert table.state(HOT) is State.RETURNED
    assert not table.desk.wants_sound
    table.ack(HOT)
    assert table.desk.entries == {}
    assert table.count(EventKind.ALARM_SEEN, HOT) == 1


def test_gone_is_dated_by_the_end_of_the_condition_not_of_the_delay() -> None:
    table = Table().cycles(5, HOT)
    last_ms = table.wall_ms
    table.cycles(100)
    gone = table.desk.entries[HOT].gone
    assert gone is not None
    assert gone.label_ms(table.now_s, table.wall_ms) == last_ms + 10_000


def test_sound_until_seen_or_paused_and_for_the_first_level_alone() -> None:
    table = Table().cycles(2, LOST)
    assert not table.desk.wants_sound
    table.cycles(1, LOST, HOT)
    assert table.desk.wants_sound
    table.ack(HOT)
    assert not table.desk.wants_sound
    table.cycles(3, LOST, HOT, STUCK, latched=frozenset({BOX}))
    assert table.desk.wants_sound
    assert table.pause(STUCK, HOUR_S) is None
    assert not table.desk.wants_sound


def test_latching_alarm_waits_for_the_reset_of_its_chamber() -> None:
    cut = frozenset({BOX})
    table = Table().cycles(3, STUCK, latched=cut).cycles(3, latched=cut)
    assert table.state(STUCK) is State.LATCHED_UNACKNOWLEDGED
    assert table.count(EventKind.ALARM_CLEARED, STUCK) == 0
    table.ack(STUCK)
    assert table.state(STUCK) is State.LATCHED_ACKNOWLEDGED
    table.cycles(1)
    assert table.state(STUCK) is None
    assert table.count(EventKind.ALARM_CLEARED, STUCK) == 1


def test_one_latch_is_one_alarm() -> None:
    cut, cutoff = frozenset({BOX}), (BOX, Alarm.CUTOFF)
    table = Table().cycles(3, STUCK, cutoff, latched=cut).cycles(3, cutoff, latched=cut)
    assert table.state(cutoff) is None
    assert table.state(STUCK) is State.LATCHED_UNACKNOWLEDGED
    assert table.restarted().cycles(3, cutoff, latched=cut).state(cutoff) is None
    alone = Table().cycles(3, cutoff, latched=cut).cycles(3, cutoff, STUCK, latched=cut)
    assert alone.state(cutoff) is State.UNACKNOWLEDGED  # what was told stays
    assert alone.state(STUCK) is State.UNACKNOWLEDGED


def test_reset_of_what_nobody_saw_leaves_it_to_be_seen() -> None:
    table = Table().cycles(3, STUCK, latched=frozenset({BOX})).cycles(1)
    assert table.state(STUCK) is State.RETURNED


def test_pause_ends_by_itself_and_what_stands_is_told_anew() -> None:
    table = Table().cycles(2, HOT)
    serial = table.desk.entries[HOT].serial
    table.pause(HOT, 600.0)
    table.cycles(58, HOT)
    assert table.state(HOT) is State.SHELVED
    assert not table.desk.wants_sound
    table.cycles(3, HOT)
    assert table.state(HOT) is State.UNACKNOWLEDGED
    assert table.desk.wants_sound
    assert table.desk.entries[HOT].serial > serial
    assert table.count(EventKind.ALARM_PAUSED, HOT) == 2
    assert table.count(EventKind.ALARM_RAISED, HOT) == 1


def test_pause_has_bounds_and_needs_an_alarm() -> None:
    table = Table().cycles(2, HOT)
    assert "24 hours" in (table.pause(HOT, 24 * HOUR_S + 1) or "")
    assert "1 minute" in (table.pause(HOT, 1.0) or "")
    assert "no such alarm" in (table.pause(LOST, HOUR_S) or "")
    assert table.pause(HOT, 24 * HOUR_S) is None


def test_pause_ended_by_hand_tells_again() -> None:
    table = Table().cycles(2, HOT)
    table.pause(HOT, HOUR_S)
    table.desk, _, refused = alarm_desk.resume(table.desk, HOT, table.now_s)
    assert refused is None
    assert table.desk.wants_sound
    assert alarm_desk.resume(table.desk, HOT, table.now_s)[2] == "it is not paused"


def test_tending_makes_its_alarms_wait_and_no_other() -> None:
    end_s = 1000.0 + 300.0
    table = Table().cycles(20, LOST, HOT, resting={BOX: end_s})
    assert table.state(LOST) is State.SUPPRESSED
    assert table.state(HOT) is State.UNACKNOWLEDGED
    assert table.count(EventKind.ALARM_RAISED, LOST) == 0
    table.cycles(11, LOST, HOT, resting={BOX: end_s})
    assert table.state(LOST) is State.UNACKNOWLEDGED
    assert table.count(EventKind.ALARM_RAISED, LOST) == 1


def test_tending_that_came_and_went_leaves_nothing() -> None:
    table = Table().cycles(10, LOST, resting={BOX: 1300.0}).cycles(100)
    assert table.desk.entries == {}
    assert table.events == []


def test_away_ends_at_its_date_and_back_ends_it_before() -> None:
    table = Table()
    until_ms = table.wall_ms + 60_000
    table.desk, events, refused = set_away(table.desk, until_ms, table.now_s, table.wall_ms)
    assert refused is None
    assert [e.kind for e in events] == [EventKind.AWAY]
    table.cycles(5)
    assert table.desk.away is not None
    table.cycles(2)
    assert table.desk.away is None
    assert [e.text for e in table.events] == ["no longer away"]
    assert set_away(table.desk, table.wall_ms, table.now_s, table.wall_ms)[2] is not None
    assert set_away(table.desk, table.wall_ms * 2, table.now_s, table.wall_ms)[2] is not None


def test_restart_keeps_seen_paused_away_and_gone_but_not_seen() -> None:
    table = Table().cycles(2, HOT, LOST, STUCK).cycles(200, LOST, STUCK)
    table.ack(LOST)
    table.pause(STUCK, 2 * HOUR_S)
    table.desk = set_away(table.desk, table.wall_ms + 10**8, table.now_s, table.wall_ms)[0]
    serial = {key: entry.serial for key, entry in table.desk.entries.items()}
    fresh = table.restarted(down_s=HOUR_S)
    assert fresh.state(HOT) is State.RETURNED
    assert fresh.state(LOST) is State.ACKNOWLEDGED
    assert fresh.state(STUCK) is State.SHELVED
    assert fresh.desk.entries[STUCK].until_s == pytest.approx(50.0 + HOUR_S)
    assert {key: entry.serial for key, entry in fresh.desk.entries.items()} == serial
    assert fresh.desk.away == table.desk.away
    fresh.cycles(3, LOST, STUCK, latched=frozenset({BOX}))
    assert fresh.state(LOST) is State.ACKNOWLEDGED
    assert fresh.count(EventKind.ALARM_RAISED, LOST) == 1  # it stands in this run's log too
    assert fresh.state(HOT) is State.RETURNED


def test_restart_gives_a_remembered_alarm_time_to_be_found_again() -> None:
    table = Table().cycles(2, HOT)
    table.ack(HOT)
    fresh = table.restarted().cycles(300)
    assert fresh.state(HOT) is State.ACKNOWLEDGED
    fresh.cycles(1, HOT)
    assert fresh.state(HOT) is State.ACKNOWLEDGED
    assert not fresh.desk.wants_sound
    gone = table.restarted().cycles(370)
    assert gone.state(HOT) is None
    assert gone.events == []


@pytest.mark.parametrize("step_days", [-20_000, -365, 365])
def test_pause_over_a_restart_never_grows_by_a_wrong_clock(step_days: int) -> None:
    table = Table().cycles(2, HOT)
    table.pause(HOT, 2 * HOUR_S)
    fresh = table.restarted(wall_step_ms=step_days * 86_400_000)
    until_s = fresh.desk.entries[HOT].until_s
    assert until_s is not None
    assert 50.0 <= until_s <= 50.0 + 2 * HOUR_S
    fresh.cycles(730, HOT)
    assert fresh.state(HOT) is State.UNACKNOWLEDGED


def test_alarm_raised_before_the_clock_was_set_is_dated_by_the_right_clock() -> None:
    desk, _ = take(Desk(), {HOT: ""}, 10.0, 1000)
    row = alarm_row(HOT, desk.entries[HOT], config(), 70.0, WALL_MS)
    assert row["raised_ms"] == WALL_MS - 60_000


def test_chamber_that_is_no_more_is_forgotten_and_a_strange_payload_refused() -> None:
    table = Table().cycles(2, HOT, (None, Alarm.LOG_FAILED))
    plain = alarm_memo.to_plain(table.desk, table.now_s, table.wall_ms)
    other = alarm_memo.from_plain(plain, ["south-bench"], 0.0, WALL_MS)
    assert set(other.entries) == {(None, Alarm.LOG_FAILED)}
    plain["entries"][0]["alarm"] = "of-a-later-version"
    assert len(alarm_memo.from_plain(plain, [BOX], 0.0, WALL_MS).entries) == 1
    for wrong in (None, [], {}, {**plain, "entries": [{"chamber": 3}]}, {**plain, "away": 7}):
        with pytest.raises(ValueError, match=r"damaged|no desk"):
            alarm_memo.from_plain(wrong, [BOX], 0.0, WALL_MS)


KEYS: list[Key] = [HOT, STUCK, LOST, SHORT, (None, Alarm.LOG_FAILED), (None, Alarm.KEEPER_LATCHED)]
acts = st.lists(
    st.one_of(
        st.tuples(st.just("cycle"), st.sets(st.sampled_from(KEYS)), st.integers(1, 90)),
        st.tuples(st.just("ack"), st.sampled_from(KEYS), st.just(0)),
        st.tuples(st.just("pause"), st.sampled_from(KEYS), st.integers(60, 7200)),
        st.tuples(st.just("restart"), st.just(None), st.just(0)),
    ),
    max_size=25,
)


@settings(max_examples=60, deadline=None)
@given(acts)
def test_nothing_active_is_lost_and_the_log_holds_pairs(given_acts: list[Any]) -> None:
    table = Table()
    present: set[Key] = set()
    for what, on, number in given_acts:
        match what:
            case "cycle":
                present = on
                table.cycles(number, *on)
            case "ack":
                table.ack(on)
            case "pause":
                table.pause(on, number)
            case "restart":
                table = table.restarted()
        for key in present:
            waits = key in table.desk.pending_s or TOLD[key[1]].on_s > 0
            fresh = table.now_s == 50.0
            assert key in table.desk.entries or waits or fresh
        for key in KEYS:
            raised = table.count(EventKind.ALARM_RAISED, key)
            cleared = table.count(EventKind.ALARM_CLEARED, key)
            assert raised - cleared in (0, 1)
            entry = table.desk.entries.get(key)
            assert (raised - cleared == 1) is (entry is not None and entry.logged)
        serials = [entry.serial for entry in table.desk.entries.values()]
        assert len(set(serials)) == len(serials)
        assert all(serial < table.desk.next_serial for serial in serials)
    # Whatever was paused comes back by itself within the longest pause.
    table.cycles(1)
    for _ in range(25):
        table.now_s += HOUR_S
        table.cycles(1, *present)
    assert State.SHELVED not in {entry.machine.state for entry in table.desk.entries.values()}


@settings(max_examples=60, deadline=None)
@given(acts)
def test_memory_reads_back_as_it_was(given_acts: list[Any]) -> None:
    table = Table()
    for what, on, number in given_acts:
        if what == "cycle":
            table.cycles(min(number, 5), *on)
        elif what == "ack":
            table.ack(on)
        elif what == "pause":
            table.pause(on, number)
    plain = json.loads(json.dumps(alarm_memo.to_plain(table.desk, table.now_s, table.wall_ms)))
    again = alarm_memo.from_plain(plain, [BOX], table.now_s, table.wall_ms)
    assert again.next_serial == table.desk.next_serial
    assert {key: entry.machine for key, entry in again.entries.items()} == {
        key: entry.machine for key, entry in table.desk.entries.items()
    }


def test_desk_and_its_answers_know_nothing_of_heat() -> None:
    fields = {*Desk.__dataclass_fields__, *Entry.__dataclass_fields__}
    assert fields == {
        *("entries", "pending_s", "next_serial", "away"),
        *("machine", "serial", "raised", "gone", "detail", "absent_since_s", "until_s"),
        *("logged", "confirmed"),
    }
    for function in (alarm_answers.acknowledge, alarm_answers.pause, alarm_answers.away):
        assert function.__annotations__["return"] == "Changed"
        assert "state" not in inspect.signature(function).parameters


def answer(table: Table) -> Mapping[str, Any]:
    told: Mapping[str, Any] = alarm_answers.alarms_answer(
        table.desk,
        Board(started_s=0.0),
        config(helper={"too_hot": "Unplug."}),
        table.now_s,
        table.wall_ms,
        synchronised=True,
    )
    return told


def test_answer_is_the_json_that_messages_are_made_from() -> None:
    table = Table().cycles(2, HOT, LOST)
    table.pause(HOT, HOUR_S)
    told = json.loads(json.dumps(answer(table)))
    assert set(told) == {
        *("ok", "now_ms", "synchronised", "running_s", "away", "alarms", "boxes"),
    }
    hot = told["alarms"][0]
    assert hot == {
        "id": "north-bench/callus-hot",
        "serial": 1,
        "chamber": BOX,
        "alarm": "callus-hot",
        "level": "now",
        "at_once": False,
        "state": "paused",
        "seen": True,
        "active": True,
        "raised_ms": table.wall_ms - 10_000,
        "gone_ms": None,
        "paused_until_ms": table.wall_ms + 3_600_000,
        "what": sentence(Alarm.CALLUS_HOT),
        "how_long": TOLD[Alarm.CALLUS_HOT].how_long,
        "first": TOLD[Alarm.CALLUS_HOT].first,
        "helper": "Unplug.",
    }
    assert told["alarms"][1]["helper"] is None


@pytest.mark.parametrize(
    ("what", "seen"),
    [
        ("all", ["north-bench/callus-hot", "house/log-failed", "north-bench/probe-lost"]),
        (None, ["north-bench/callus-hot", "house/log-failed", "north-bench/probe-lost"]),
        (BOX, ["north-bench/callus-hot", "north-bench/probe-lost"]),
        ("house", ["house/log-failed"]),
        ("north-bench/probe-lost", ["north-bench/probe-lost"]),
        ("log-failed", ["house/log-failed"]),
    ],
)
def test_ack_takes_one_a_box_or_all(what: object, seen: list[str]) -> None:
    table = Table().cycles(2, HOT, LOST, (None, Alarm.LOG_FAILED))
    desk, events, told = alarm_answers.acknowledge(table.desk, what, config(), table.now_s)
    assert told["ok"]
    assert told["seen"] == seen
    assert len(events) == len(seen)
    again = alarm_answers.acknowledge(desk, what, config(), table.now_s)
    assert again[2]["seen"] == []


@pytest.mark.parametrize("what", ["nowhere", 7, ["all"], "north-bench/cutoff", "x/y", ""])
def test_ack_of_what_is_not_there_says_what_is(what: object) -> None:
    table = Table().cycles(2, HOT)
    desk, events, told = alarm_answers.acknowledge(table.desk, what, config(), table.now_s)
    assert not told["ok"]
    assert "north-bench/callus-hot" in told["error"]
    assert (desk, events) == (table.desk, ())


@pytest.mark.parametrize(
    "request_",
    [{}, {"id": 3}, {"id": "north-bench/callus-hot"}, {"for_s": 600.0}]
    + [{"id": "north-bench/callus-hot", "for_s": bad} for bad in (float("nan"), True, "2h", 1e9)],
)
def test_pause_of_nonsense_is_refused(request_: Mapping[str, Any]) -> None:
    table = Table().cycles(2, HOT)
    desk, events, told = alarm_answers.pause(table.desk, request_, table.now_s, table.wall_ms)
    assert told["ok"] is False
    assert (desk, events) == (table.desk, ())


def record(celsius: float | None, heat: bool) -> Record:
    estimate = None if celsius is None else Estimate(celsius, 0.4)
    return Record(BOX, 0.0, (), estimate, 25.0, None, 0.5, heat, Condition.HOLDING, "")


def test_board_keeps_twelve_hours_of_extremes_and_shares() -> None:
    board = Board(started_s=0.0)

    def go(now_s: float, celsius: float | None, heat: bool = False) -> None:
        nonlocal board
        step = Step(ControllerState({}), frozenset(), (), (record(celsius, heat),), {})
        board = board.take(step, now_s)

    go(0.0, 30.0)
    for hour in range(1, 25):
        go(hour * HOUR_S, 25.0 + (hour == 14), heat=hour % 2 == 0)
    go(24 * HOUR_S + 10, None)
    (box,) = board.boxes()
    assert (box["low_c"], box["high_c"]) == (25.0, 26.0)
    assert box["heat_frac"] == pytest.approx(6 / 13)
    assert box["in_band_frac"] == pytest.approx(11 / 13)  # no estimate is not in band
    assert box["estimate_c"] is None
    assert len(board.hours[BOX]) == 12
