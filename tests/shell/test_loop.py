"""The daemon's loop over working fakes and a clock that goes when it is told to."""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bottomheat.borrowing import Session
from bottomheat.errors import LatchError
from bottomheat.model import Alarm, Event, EventKind, Fault, Raw, Sample, Unread
from bottomheat.ports import ConfigChange, Handler
from bottomheat_drivers.desk_file import MemoryDesk
from loopbench import BOX, SPARE, Bench, config


def test_heat_is_leased_after_three_agreeing_readings_and_withdrawn_at_the_end() -> None:
    bench = Bench(turns=5)
    bench.loop.run()
    assert [bool(lease.heat) for lease in bench.keeper.leases] == [False, False, True, True, True]
    assert bench.keeper.closed
    assert bench.kinds()[0] is EventKind.STARTED
    assert bench.kinds()[-1] is EventKind.STOPPED
    assert bench.service.cycles == 5
    assert bench.service.messages[-1] == "stopping"


def test_cycles_lie_on_a_grid_even_when_a_turn_is_late() -> None:
    bench = Bench(turns=6)
    bench.desk.plan[2] = lambda _: bench.clock.set(bench.clock.monotonic_s() + 33.0)
    bench.loop.run()
    assert bench.desk.waits[:2] == [110.0, 120.0]
    assert all((wait_s - 100.0) % 10.0 == pytest.approx(0.0) for wait_s in bench.desk.waits)
    assert bench.desk.waits == sorted(set(bench.desk.waits))


def test_lease_goes_before_the_latch_and_the_latch_before_the_record() -> None:
    bench = Bench(turns=6, mat="22*4 61*9")
    bench.loop.run()
    at = bench.history.index("latch")
    assert bench.history[at - 1] == "lease"
    assert bench.history[at + 1] == "record"
    assert not bench.keeper.leases[-1].heat
    assert bench.latches.saved[0][BOX].cause == "mat at 61.0 °C, limit 60"


def test_latch_that_cannot_be_written_holds_heat_and_is_tried_again() -> None:
    bench = Bench(turns=16, mat="22*4 61*2 22*30")
    bench.latches.problem = "the disk is full"

    def mend(_: Handler) -> None:
        with pytest.raises(LatchError):  # a restart now would find every chamber latched
            bench.latches.load()
        bench.latches.problem = None

    bench.desk.plan[10] = mend
    bench.loop.run()
    assert Alarm.LATCH_UNWRITABLE in bench.raised()
    assert [
        e.kind
        for e in bench.journal.events
        if e.alarm is Alarm.LATCH_UNWRITABLE and e.kind is not EventKind.ALARM_RAISED
    ] == [EventKind.ALARM_CLEARED]
    assert bench.latches.load()[BOX].cause.startswith("mat at 61")
    assert not any(lease.heat for lease in bench.keeper.leases[5:])


def test_silent_and_latched_keeper_are_alarms_that_clear() -> None:
    bench = Bench(turns=20)

    def silence(_: Handler) -> None:
        bench.keeper.silent = True

    def speak(_: Handler) -> None:
        bench.keeper.silent, bench.keeper.latched = False, True

    bench.desk.plan.update({3: silence, 9: speak})
    bench.loop.run()
    assert bench.raised() == [Alarm.KEEPER_SILENT, Alarm.KEEPER_LATCHED]
    cleared = [e.alarm for e in bench.journal.events if e.kind is EventKind.ALARM_CLEARED]
    assert cleared == [Alarm.KEEPER_SILENT]


def test_keeper_that_keeps_the_relay_open_is_an_alarm_that_clears() -> None:
    bench = Bench(turns=30)
    bench.keeper.refuses = True

    def relent(_: Handler) -> None:
        bench.keeper.refuses = False

    bench.desk.plan[15] = relent
    bench.loop.run()
    assert bench.raised() == [Alarm.KEEPER_HOLDS]
    cleared = [e.alarm for e in bench.journal.events if e.kind is EventKind.ALARM_CLEARED]
    assert cleared == [Alarm.KEEPER_HOLDS]


def test_a_reset_that_the_keeper_did_not_hear_is_said_again() -> None:
    bench = Bench(turns=20, mat="22*4 61*2 22*40")
    bench.desk.plan[12] = lambda _: setattr(bench.keeper, "silent", True)
    bench.desk.plan[13] = lambda ask: (
        ask({"do": "reset", "chamber": BOX, "confirmed": True}) and None
    )
    bench.desk.plan[16] = lambda _: setattr(bench.keeper, "silent", False)
    bench.loop.run()
    assert [bool(lease.reset) for lease in bench.keeper.leases[13:19]] == [
        False,
        True,
        True,
        True,
        True,
        False,
    ]


def test_log_failure_is_told_and_control_goes_on() -> None:
    bench = Bench(turns=8)
    bench.journal.failing = "the card is full"
    bench.loop.run()
    answer = bench.loop.handle({"do": "status"})
    assert [a["alarm"] for a in answer["alarms"]] == ["log-failed"]
    assert bench.keeper.leases[-1].heat


def test_wall_clock_step_is_an_event_and_a_clock_row_and_changes_nothing_else() -> None:
    bench = Bench(turns=8)
    year_ms = 365 * 86_400_000
    bench.desk.plan[4] = lambda _: bench.clock.set_wall(1_800_000_000_000 + year_ms)
    bench.loop.run()
    assert bench.kinds().count(EventKind.CLOCK_STEPPED) == 1
    assert len(bench.journal.clock_rows) == 2
    assert bench.keeper.leases[-1].heat


def test_changed_config_acts_at_the_next_cycle_and_is_logged() -> None:
    bench = Bench(turns=8)
    warmer = config(callus_zone=26.0)

    def change(_: Handler) -> None:
        bench.source.next = ConfigChange(warmer, "text", "sum", ())
        bench.desk.reload = True

    bench.desk.plan[5] = change
    bench.loop.run()
    assert bench.journal.records[-1].setpoint_c == 26.0
    assert bench.journal.records[5].setpoint_c == 25.0
    assert bench.journal.configs == [("text", "sum")]
    (event,) = (e for e in bench.journal.events if e.kind is EventKind.CONFIG_ACCEPTED)
    assert "callus_zone: 25.0 -> 26.0" in event.text


@pytest.mark.parametrize(
    "change",
    [
        ConfigChange(None, "", "bad", ("line 3: no",)),
        ConfigChange(config(heater={"gpio": 18, "watts": 45.0}), "text", "other wiring", ()),
        ConfigChange(config(limits={"mat": 55.0}), "text", "a limit the keeper has not", ()),
    ],
)
def test_refused_config_leaves_the_old_one_with_an_alarm(change: ConfigChange) -> None:
    bench = Bench(turns=8)

    def offer(_: Handler) -> None:
        bench.source.next = change

    bench.desk.plan[4] = offer
    bench.loop.run()
    assert bench.raised() == [Alarm.CONFIG_REFUSED]
    assert bench.source.accepted == []
    assert bench.keeper.leases[-1].heat


def test_proving_stopped_by_hand_says_nothing_about_the_wiring() -> None:
    bench = Bench(turns=12)
    bench.desk.plan[4] = lambda ask: ask({"do": "prove"}) and None
    bench.desk.plan[8] = lambda ask: ask({"do": "prove-stop"}) and None
    bench.loop.run()
    assert bench.proof.saved == []
    assert bench.kinds().count(EventKind.PROVED) == 1
    assert not any(lease.heat for lease in bench.keeper.leases[5:9])


def test_reset_needs_the_cause_gone_and_a_second_word() -> None:
    bench = Bench(turns=30, mat="22*4 61*6 22*40")
    answers: dict[int, Mapping[str, Any]] = {}

    def ask(turn: int, confirmed: bool) -> None:
        def act(handler: Handler) -> None:
            answers[turn] = handler({"do": "reset", "chamber": BOX, "confirmed": confirmed})

        bench.desk.plan[turn] = act

    ask(8, confirmed=True)
    ask(20, confirmed=False)
    ask(21, confirmed=True)
    bench.loop.run()
    assert not answers[8]["ok"]
    assert answers[20]["ok"]
    assert not answers[20]["done"]
    assert answers[21]["done"]
    assert bench.latches.load() == {}
    assert any(lease.reset == {BOX} for lease in bench.keeper.leases)
    assert bench.keeper.leases[-1].heat
    assert not any(lease.heat for lease in bench.keeper.leases[6:21])


@pytest.mark.parametrize(
    "request_",
    [
        {},
        {"do": None},
        {"do": ["status"]},
        {"do": "reset"},
        {"do": "reset", "chamber": ["x"]},
        {"do": "reference"},
        {"do": "reference-drop", "chamber": BOX, "number": "one"},
        {"do": "probe-check", "probe": {}},
        {"do": "learn"},
        {"do": "learn-stop"},
        {"do": "away", "until_ms": 10**400},
    ],
)
def test_nonsense_is_answered_and_does_no_harm(request_: Mapping[str, Any]) -> None:
    bench = Bench(turns=1)
    assert bench.loop.handle(request_)["ok"] is False


ANY = st.recursive(
    st.none()
    | st.booleans()
    | st.integers()
    | st.floats()
    | st.text(max_size=9)
    | st.sampled_from([10**400, BOX, SPARE, "on", "all", f"{BOX}/probe-lost"]),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=4), inner),
    max_leaves=4,
)
KINDS = (
    *("ping", "status", "reset", "prove", "prove-stop", "proving", "alarms", "ack", "pause"),
    *("tend", "away", "write-soon", "reference", "reference-drop", "probe-check", "learn"),
    *("learn-stop", "learning"),
)
FIELDS = (
    *("chamber", "confirmed", "what", "id", "for_s", "end", "until_ms", "back", "doing", "done"),
    *("lid", "note", "spot", "reading_c", "expanded_k", "ago_s", "pairing", "number", "probe"),
    *("how", "add_k", "uncertainty_k", "at_c"),
)


@given(
    st.sampled_from(KINDS),
    st.dictionaries(st.sampled_from(FIELDS), ANY, max_size=6),
)
def test_no_request_ends_the_daemon(kind: str, fields: Mapping[str, Any]) -> None:
    bench = Bench(turns=8, mat="no-answer")
    asked: list[Mapping[str, Any]] = []
    bench.desk.plan[5] = lambda ask: asked.append(ask({"do": kind, **fields}))
    bench.loop.run()
    assert isinstance(asked[0]["ok"], bool)
    json.dumps(asked[0], ensure_ascii=False)
    assert len(bench.keeper.leases) == 8


def test_lease_is_withdrawn_when_the_loop_fails() -> None:
    bench = Bench(turns=5)

    def explode(_: Handler) -> None:
        raise RuntimeError("a fault of ours")

    bench.desk.plan[3] = explode
    with pytest.raises(RuntimeError):
        bench.loop.run()
    assert bench.keeper.closed


def test_records_carry_what_the_board_shows() -> None:
    bench = Bench(turns=6)
    bench.loop.run()
    shown = bench.loop.handle({"do": "status"})["chambers"][0]
    last = bench.journal.records[-1]
    assert shown["heat"] is last.heat
    assert shown["estimate_c"] == last.estimate.celsius
    assert shown["substrate_setpoint_c"] == last.substrate_setpoint_c
    assert shown["learning"] is None
    assert shown["fallback"] is None
    assert shown["lid_calibrated"] is True


def test_alarm_is_logged_once_when_told_and_once_when_over() -> None:
    bench = Bench(turns=250, mat="22*4 no-answer*8 22*300")
    bench.loop.run()
    raised, cleared = (e for e in bench.journal.events if e.alarm is Alarm.PROBE_LOST)
    assert (raised.kind, cleared.kind) == (EventKind.ALARM_RAISED, EventKind.ALARM_CLEARED)
    assert raised.durable
    assert cleared.durable
    assert "mat" in raised.text
    name = "north-bench/probe-lost"
    told = {a["id"]: a for a in bench.loop.handle({"do": "alarms"})["alarms"]}
    assert (told[name]["state"], told[name]["active"]) == ("gone but not seen", False)
    status = bench.loop.handle({"do": "status"})
    assert name not in [a["id"] for a in status["alarms"]]
    assert name in [a["id"] for a in status["gone"]]


def test_sounder_is_asked_for_until_the_cutoff_was_seen_and_seeing_gives_no_heat() -> None:
    bench = Bench(turns=40, mat="22*4 61*3 22*60")
    answers: list[Mapping[str, Any]] = []
    bench.desk.plan[15] = lambda ask: answers.append(ask({"do": "ack"}))
    bench.desk.plan[20] = lambda ask: answers.append(
        ask({"do": "pause", "id": "north-bench/cutoff", "for_s": 3600})
    )
    bench.loop.run()
    sound = [lease.sound for lease in bench.keeper.leases]
    first = sound.index(True)
    assert sound == [False] * first + [True] * (16 - first) + [False] * 24
    assert not any(lease.heat for lease in bench.keeper.leases[first:])
    assert answers[0]["seen"] == ["north-bench/cutoff"]
    assert "reset cutoff" in answers[0]["note"]
    assert "reset cutoff" in answers[1]["note"]
    kinds = [e.kind for e in bench.journal.events if e.alarm is Alarm.CUTOFF]
    assert kinds.count(EventKind.ALARM_RAISED) == 1
    assert kinds.count(EventKind.ALARM_SEEN) == 1
    assert kinds.count(EventKind.ALARM_PAUSED) == 1
    assert bench.latches.load()[BOX].cause.startswith("mat at 61")


def test_reset_ends_the_cutoffs_alarm() -> None:
    bench = Bench(turns=30, mat="22*4 61*6 22*40")
    bench.desk.plan[20] = lambda ask: ask({"do": "ack"}) and None
    bench.desk.plan[21] = lambda ask: (
        ask({"do": "reset", "chamber": BOX, "confirmed": True}) and None
    )
    bench.loop.run()
    assert bench.loop.handle({"do": "alarms"})["alarms"] == []


def test_desk_is_kept_when_it_changed_and_taken_up_by_the_next_run() -> None:
    bench = Bench(turns=30, mat="22*4 61*3 22*60")
    bench.desk.plan[15] = lambda ask: ask({"do": "ack"}) and None
    bench.loop.run()
    assert len(bench.memory.saved) == 2  # when it came, and when it was seen
    again = Bench(turns=3, memory=bench.memory)
    (alarm,) = again.loop.handle({"do": "alarms"})["alarms"]
    assert (alarm["id"], alarm["state"], alarm["seen"]) == (
        "north-bench/cutoff",
        "needs reset",
        True,
    )


def test_memory_that_fails_is_told_once_and_costs_nothing_else() -> None:
    bench = Bench(turns=12)
    bench.memory.failing = "alarms.json: the card is full"
    bench.desk.plan[8] = lambda _: setattr(bench.memory, "failing", None)
    bench.loop.run()
    told = [e.text for e in bench.journal.events if e.kind is EventKind.LOG]
    assert told == ["alarms.json: the card is full", "seen alarms are kept again"]
    assert bench.keeper.leases[-1].heat


@pytest.mark.parametrize("payload", [[], {"next": "x"}, {"next": 1, "away": None, "entries": [3]}])
def test_strange_memory_is_forgotten(payload: Any) -> None:
    bench = Bench(turns=4, memory=MemoryDesk(payload))
    bench.loop.run()
    assert bench.keeper.leases[-1].heat
    assert bench.loop.handle({"do": "alarms"})["alarms"] == []


def test_low_supply_voltage_is_an_alarm() -> None:
    bench = Bench(turns=6)
    bench.power.text = "seen since the start"
    bench.loop.run()
    assert bench.raised() == [Alarm.UNDERVOLTAGE]


def test_opening_events_are_told_right_after_the_start() -> None:
    outage = Event(EventKind.OUTAGE, 100.0, None, "power was out", durable=True)
    bench = Bench(turns=2, opening=(outage,))
    bench.loop.run()
    assert bench.kinds()[:2] == [EventKind.STARTED, EventKind.OUTAGE]


def test_tending_reaches_the_state_and_the_log() -> None:
    bench = Bench(turns=6)
    answers: list[Mapping[str, Any]] = []
    bench.desk.plan[3] = lambda ask: answers.append(
        ask({"do": "tend", "chamber": BOX, "doing": "water", "lid": "ajar"})
    )
    bench.loop.run()
    assert answers[0]["ok"]
    assert [row[:2] for row in bench.journal.tendings] == [(BOX, "water")]
    assert bench.kinds().count(EventKind.TENDING) == 1
    box = bench.loop.handle({"do": "status"})["chambers"][0]
    assert box["lid"] == "ajar"
    assert box["tending"]["doing"] == "water"
    assert not bench.loop.handle({"do": "tend", "chamber": "nowhere"})["ok"]


def learn(ask: Handler, **more: Any) -> Mapping[str, Any]:
    return ask({"do": "learn", "chamber": BOX, "probe": SPARE, "for_s": 3600, **more})


def test_borrowed_probe_teaches_until_its_time_is_up_and_control_goes_its_way() -> None:
    plain, bench = Bench(turns=400), Bench(turns=400)
    bench.desk.plan[6] = lambda ask: learn(ask) and None
    during: list[Mapping[str, Any]] = []
    bench.desk.plan[100] = lambda ask: during.append(ask({"do": "status"})["chambers"][0])
    plain.loop.run()
    bench.loop.run()
    begins, ends = bench.journal.borrowings
    assert begins == (BOX, SPARE, 3600.0, "")
    assert ends == (BOX, SPARE, None, "its time is up")
    assert len(bench.journal.borrowed) == 60
    assert {row[:2] for row in bench.journal.borrowed} == {(BOX, 24.5)}
    assert during[0]["learning"]["probe"] == SPARE
    assert during[0]["learning"]["last_c"] == 24.5
    assert bench.borrowed.lent == {}
    assert bench.loop.handle({"do": "status"})["chambers"][0]["learning"] is None
    assert bench.kinds().count(EventKind.CALIBRATION) == 2
    assert bench.journal.records == plain.journal.records
    assert [lease.heat for lease in bench.keeper.leases] == [
        lease.heat for lease in plain.keeper.leases
    ]


@pytest.mark.parametrize(
    "says",
    [
        lambda now_s: Unread(Fault.HUNG, now_s),
        lambda now_s: Sample(99.0, now_s),
        lambda now_s: Sample(float("nan"), now_s),
        lambda now_s: Sample(24.5, now_s - 3600),
    ],
)
def test_whatever_the_borrowed_probe_says_control_is_the_same(
    says: Callable[[float], Raw],
) -> None:
    plain, bench = Bench(turns=60), Bench(turns=60)
    bench.spare = says
    bench.desk.plan[3] = lambda ask: learn(ask) and None
    plain.loop.run()
    bench.loop.run()
    assert bench.journal.records == plain.journal.records
    assert bench.raised() == plain.raised() == []
    assert bench.journal.borrowings[0][:3] == (BOX, SPARE, 3600.0)


def test_borrowed_probe_is_given_back_when_told_to_and_a_refusal_lends_nothing() -> None:
    bench = Bench(turns=20)
    answers: list[Mapping[str, Any]] = []
    bench.desk.plan[2] = lambda ask: answers.append(learn(ask, probe="28-000000000001"))
    bench.desk.plan[3] = lambda ask: answers.append(learn(ask))
    bench.desk.plan[4] = lambda ask: answers.append(learn(ask))
    bench.desk.plan[5] = lambda ask: answers.append(ask({"do": "learning"}))
    bench.desk.plan[6] = lambda ask: answers.append(ask({"do": "learn-stop", "chamber": BOX}))
    bench.loop.run()
    assert [answer["ok"] for answer in answers] == [False, True, False, True, True]
    assert answers[3]["sessions"][BOX]["left_s"] == 3580.0
    assert answers[4]["rows"] == 1
    assert bench.borrowed.lent == {}
    assert [row[2] for row in bench.journal.borrowings] == [3600.0, None]


def test_borrowed_probe_that_is_pulled_out_is_told_once() -> None:
    plain, bench = Bench(turns=400), Bench(turns=400)

    def pull(_: Handler) -> None:
        bench.spare = lambda now_s: Unread(Fault.ABSENT, now_s)

    bench.desk.plan.update({2: lambda ask: learn(ask) and None, 100: pull})
    plain.loop.run()
    bench.loop.run()
    texts = [e.text for e in bench.journal.events if e.kind is EventKind.CALIBRATION]
    assert len(texts) == 3
    assert "no good reading" in texts[1]
    assert "its time is up" in texts[2]
    assert bench.raised() == plain.raised()
    assert bench.journal.records == plain.journal.records


def test_session_of_the_run_before_goes_on() -> None:
    bench = Bench(turns=20, sessions={BOX: Session(SPARE, 100.0, 160.0, good_s=100.0)})
    assert bench.borrowed.lent == {BOX: SPARE}
    bench.loop.run()
    assert len(bench.journal.borrowed) == 1
    assert bench.journal.borrowings == [(BOX, SPARE, None, "its time is up")]


def test_what_a_grower_measured_reaches_the_log() -> None:
    bench = Bench(turns=3)
    check = {
        "do": "probe-check",
        "probe": SPARE,
        "how": "jar",
        "add_k": 0.1,
        "uncertainty_k": 0.05,
        "at_c": 24.0,
    }
    assert bench.loop.handle(check) == {"ok": True}
    assert not bench.loop.handle({**check, "add_k": 20})["ok"]
    assert bench.loop.handle({"do": "reference-drop", "chamber": BOX, "number": 3})["ok"]
    assert [row.probe for row in bench.journal.probe_checks] == [SPARE]
    assert bench.journal.drops == [(3, "")]
    assert bench.kinds() == [EventKind.CALIBRATION] * 2
    assert bench.loop.handle({"do": "write-soon"}) == {
        "ok": True,
        "now_ms": bench.clock.wall_ms(),
    }


def test_box_figures_are_of_the_estimate() -> None:
    bench = Bench(turns=8)
    bench.loop.run()
    (box,) = bench.loop.handle({"do": "alarms"})["boxes"]
    seen = [r.estimate.celsius for r in bench.journal.records if r.estimate is not None]
    assert (box["low_c"], box["high_c"]) == (min(seen), max(seen))
    heated = [r.heat for r in bench.journal.records]
    assert box["heat_frac"] == pytest.approx(sum(heated) / len(heated))


def test_away_and_back() -> None:
    bench = Bench(turns=2)
    until_ms = bench.clock.wall_ms() + 86_400_000
    assert bench.loop.handle({"do": "away"})["until_ms"] is None
    assert bench.loop.handle({"do": "away", "until_ms": until_ms})["ok"]
    assert bench.loop.handle({"do": "alarms"})["away"]["until_ms"] == until_ms
    assert not bench.loop.handle({"do": "away", "until_ms": 5})["ok"]
    assert not bench.loop.handle({"do": "away", "until_ms": "soon"})["ok"]
    assert bench.loop.handle({"do": "away", "back": True})["until_ms"] is None
    assert [e.kind for e in bench.journal.events] == [EventKind.AWAY, EventKind.AWAY]
