"""The keeper's rules, on values alone."""

import math
from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bottomheat.keeper import (
    LEASE_S,
    PROBE_FRESH_S,
    RESET_MARGIN_K,
    SERIES_S,
    SILENT_S,
    KeeperLine,
    KeeperState,
    SeriesLine,
    decide,
    identity,
)
from bottomheat.model import Alarm, EventKind, Fault, Sample, Unread
from bottomheat.ports import Lease

BENCH = KeeperLine("north-bench", 17, True, "28-000000000001", 60.0, SeriesLine(27, True))
BARE = KeeperLine("south-bench", 22, False, None, 60.0)
LINES = (BENCH, BARE)
BOTH = frozenset({"north-bench", "south-bench"})


class Run:
    """Decides again and again, as the loop does, and remembers every command."""

    def __init__(self, lines=LINES, state=None):
        self.lines = lines
        self.state = state or KeeperState()
        self.lease = None
        self.raw = {}
        self.now_s = 100.0
        self.history = []
        self.events = []

    def step(self, after_s=1.0, *, mat=None, lease=None, reset=(), **words):
        self.now_s += after_s
        if mat is not None:
            self.raw = {"north-bench": mat}
        if lease is not None:
            self.lease = Lease(self.now_s, frozenset(lease), frozenset(reset), **words)
        decision = decide(self.state, self.lease, self.raw, self.now_s, self.lines)
        self.state = decision.state
        self.events.extend(decision.events)
        self.sound = decision.sound
        commands = {command.chamber: command for command in decision.commands}
        self.history.append(commands)
        return commands

    def read(self, celsius, **keywords):
        return self.step(mat=Sample(celsius, self.now_s + 1.0), **keywords)

    def trusted(self, celsius=30.0):
        """Three good readings and a lease for both chambers."""
        for _ in range(3):
            self.read(celsius, lease=BOTH)
        return self


def heat(commands):
    return {name: command.heat for name, command in commands.items()}


def test_closed_on_a_lease_and_three_agreeing_readings():
    run = Run()
    closed = [run.read(30.0, lease=BOTH)["north-bench"].heat for _ in range(4)]
    assert closed == [False, False, True, True]


def test_without_a_probe_the_lease_alone_decides():
    run = Run()
    assert not run.step()["south-bench"].heat
    assert run.step(lease=BOTH)["south-bench"].heat
    assert not run.step(lease={"north-bench"})["south-bench"].heat


def test_lease_runs_out_at_twenty_seconds():
    run = Run().trusted()
    sent_s = run.lease.sent_s
    while run.now_s - sent_s < LEASE_S - 1.0:
        assert heat(run.read(30.0)) == {"north-bench": True, "south-bench": True}
    commands = run.read(30.0)
    assert run.now_s - sent_s == LEASE_S == 20.0
    assert heat(commands) == {"north-bench": False, "south-bench": False}
    assert commands["north-bench"].series is True, "the series relay goes by its probe alone"
    assert "silent" in commands["south-bench"].reason


@pytest.mark.parametrize("sent_s", [math.nan, math.inf, -math.inf, 1e9])
def test_a_lease_with_an_impossible_time_is_refused(sent_s):
    run = Run().trusted()
    run.lease = Lease(sent_s, BOTH)
    assert heat(run.step()) == {"north-bench": False, "south-bench": False}


def test_silence_of_the_probe_is_borne_for_thirty_seconds_and_never_latches():
    run = Run().trusted()
    last_s = run.now_s
    while run.now_s + 1.0 - last_s < PROBE_FRESH_S:
        unread = Unread(Fault.CRC, run.now_s + 1.0)
        assert run.step(mat=unread, lease=BOTH)["north-bench"].heat
    for _ in range(100):
        commands = run.step(mat=Unread(Fault.ABSENT, run.now_s + 1.0), lease=BOTH)
        assert (commands["north-bench"].heat, commands["north-bench"].series) == (False, False)
        assert commands["south-bench"].heat
    assert not run.state.latched
    closed = [run.read(30.0, lease=BOTH)["north-bench"].heat for _ in range(3)]
    assert closed == [False, False, True]


def test_a_hung_reader_opens_after_thirty_seconds():
    run = Run().trusted()
    for _ in range(int(PROBE_FRESH_S) - 1):
        assert run.step(lease=BOTH)["north-bench"].heat
    assert not run.step(lease=BOTH)["north-bench"].heat


def test_readings_that_disagree_are_no_ground_for_heat():
    run = Run().trusted(30.0)
    assert not run.read(36.0, lease=BOTH)["north-bench"].heat
    closed = [run.read(36.0, lease=BOTH)["north-bench"].heat for _ in range(2)]
    assert closed == [False, True]
    assert not run.state.latched


def test_one_hot_reading_opens_both_and_two_latch():
    run = Run().trusted()
    first = run.read(60.0, lease=BOTH)["north-bench"]
    assert (first.heat, first.series, first.latched) == (False, False, False)
    second = run.read(60.0, lease=BOTH)["north-bench"]
    assert (second.heat, second.series, second.latched) == (False, False, True)
    cutoffs = [event for event in run.events if event.kind is EventKind.CUTOFF]
    assert [(event.chamber, event.alarm, event.durable) for event in cutoffs] == [
        ("north-bench", Alarm.KEEPER_LATCHED, True)
    ]


def test_the_same_hot_reading_seen_twice_does_not_latch():
    run = Run().trusted()
    run.read(61.0, lease=BOTH)
    for _ in range(20):
        run.step(lease=BOTH)
    assert not run.state.latched


def test_a_cool_reading_between_breaks_the_run_and_silence_does_not():
    run = Run().trusted()
    run.read(61.0)
    run.read(59.0)
    run.read(61.0)
    assert not run.state.latched
    run.step(mat=Unread(Fault.CRC, run.now_s + 1.0))
    run.read(61.0)
    assert list(run.state.latched) == ["north-bench"]


@pytest.mark.parametrize(
    ("sample", "latches"),
    [
        (Sample(85.0, 0.0), False),
        (Sample(127.9375, 0.0), False),
        (Sample(127.937, 0.0), False),
        (Sample(70.0, 0.0, legal_configuration=False), False),
        (Sample(math.inf, 0.0), False),
        (Sample(math.nan, 0.0), False),
        (Sample(84.9375, 0.0), True),
        (Sample(126.0, 0.0), True),
        (Sample(2047.9, 0.0), True),
    ],
)
def test_which_hot_values_latch(sample, latches):
    run = Run().trusted()
    for _ in range(3):
        commands = run.step(mat=replace(sample, at_s=run.now_s + 1.0), lease=BOTH)
        assert (commands["north-bench"].heat, commands["north-bench"].series) == (False, False)
    assert ("north-bench" in run.state.latched) is latches


@pytest.mark.parametrize("celsius", [-55.0, -20.1, -math.inf])
def test_an_impossibly_cold_reading_opens(celsius):
    run = Run().trusted()
    assert not run.read(celsius, lease=BOTH)["north-bench"].heat
    assert not run.state.latched


@pytest.mark.parametrize("age_s", [-1.0, -1e9, PROBE_FRESH_S, math.nan, math.inf, -math.inf])
def test_readings_with_an_impossible_or_old_time_are_no_ground_for_heat(age_s):
    run = Run()
    for _ in range(5):
        commands = run.step(mat=Sample(30.0, run.now_s + 1.0 - age_s), lease=BOTH)
        assert (commands["north-bench"].heat, commands["north-bench"].series) == (False, False)


def latched_run():
    run = Run().trusted()
    run.read(61.0)
    run.read(61.0)
    assert run.state.latched
    return run


def test_latched_stays_open_however_cool_it_gets():
    run = latched_run()
    for _ in range(200):
        command = run.read(20.0, lease=BOTH)["north-bench"]
        assert (command.heat, command.series, command.latched) == (False, False, True)


@pytest.mark.parametrize(("celsius", "cleared"), [(55.0, True), (55.0625, False)])
def test_reset_needs_five_kelvin(celsius, cleared):
    assert BENCH.limit_c - RESET_MARGIN_K == 55.0
    run = latched_run()
    for _ in range(3):
        run.read(celsius, lease=BOTH)
    command = run.read(celsius, lease=BOTH, reset={"north-bench"})["north-bench"]
    assert (command.latched, command.heat) == (not cleared, cleared)
    resets = [event.text for event in run.events if event.kind is EventKind.RESET]
    assert len(resets) == 1
    assert resets[0].startswith("reset refused") is not cleared


def test_reset_is_refused_while_the_probe_is_lost():
    run = latched_run()
    run.step(mat=Unread(Fault.ABSENT, run.now_s + 1.0), lease=BOTH, reset={"north-bench"})
    assert run.state.latched


def test_a_lease_resets_once_and_not_a_latch_that_came_after_it():
    run = latched_run()
    for _ in range(3):
        run.read(30.0)
    run.read(30.0, lease=BOTH, reset={"north-bench"})
    assert not run.state.latched
    run.read(61.0)
    run.read(61.0)
    for _ in range(5):
        run.read(30.0)  # still the same lease, with its reset
    assert run.state.latched


def test_a_stale_lease_does_not_reset():
    run = latched_run()
    run.lease = Lease(run.now_s, BOTH, BOTH)
    run.now_s += LEASE_S
    for _ in range(4):
        run.read(30.0)
    assert run.state.latched


def test_a_latch_without_a_probe_is_cleared_by_the_reset_alone():
    run = Run(state=KeeperState(latched={"south-bench": "the latch file was missing"}))
    assert not run.step(lease=BOTH)["south-bench"].heat
    assert run.step(lease=BOTH, reset={"south-bench"})["south-bench"].heat


def test_latches_of_unwired_chambers_are_kept():
    run = Run(state=KeeperState(latched={"old-bench": "hot"})).trusted()
    assert dict(run.state.latched) == {"old-bench": "hot"}


@pytest.mark.parametrize("jump_s", [-0.001, -1e6, math.nan, math.inf])
def test_when_time_breaks_everything_opens_until_a_new_lease(jump_s):
    run = Run().trusted()
    held = run.lease
    right_s = run.now_s
    run.now_s += jump_s
    commands = run.step(0.0)
    assert heat(commands) == {"north-bench": False, "south-bench": False}
    assert commands["north-bench"].series is False
    run.now_s = right_s if not math.isfinite(jump_s) else run.now_s
    assert run.lease is held
    for _ in range(5):
        assert not run.read(30.0)["south-bench"].heat
    assert run.read(30.0, lease=BOTH)["south-bench"].heat


def test_a_series_relay_without_a_probe_never_closes():
    run = Run(lines=(replace(BENCH, probe=None),))
    assert run.step(lease=BOTH)["north-bench"].series is False


def test_the_series_relay_waits_for_the_first_word():
    run = Run()
    for _ in range(5):
        assert run.read(30.0)["north-bench"].series is False
    command = run.read(30.0, lease=())["north-bench"]
    assert (command.heat, command.series) == (False, True), "closed by its probe, without heat"


def test_the_series_relay_opens_after_a_minute_of_silence_and_closes_with_the_next_word():
    run = Run().trusted()
    sent_s = run.lease.sent_s
    while run.now_s + 1.0 - sent_s < SERIES_S:
        assert run.read(30.0)["north-bench"].series is True
    command = run.read(30.0)["north-bench"]
    assert (command.heat, command.series) == (False, False)
    command = run.read(30.0, lease=BOTH)["north-bench"]
    assert (command.heat, command.series) == (True, True)


def test_the_series_relay_needs_its_probe_after_a_silence_too():
    run = Run().trusted()
    run.step(SERIES_S + PROBE_FRESH_S)
    closed = [run.read(30.0, lease=BOTH)["north-bench"].series for _ in range(4)]
    assert closed == [False, False, True, True]


def test_the_lease_opens_a_series_relay_at_once_and_cannot_close_one():
    run = Run().trusted()
    north = frozenset({"north-bench"})
    command = run.read(30.0, lease=BOTH, open_series=north)["north-bench"]
    assert (command.heat, command.series) == (True, False), "the heat relay is another matter"
    for _ in range(int(LEASE_S) + 5):
        assert run.read(30.0)["north-bench"].series is False, "the word for open outlives its lease"
    assert run.read(30.0, lease=BOTH)["north-bench"].series is True
    doubtful = run.read(130.0, lease=BOTH)["north-bench"]
    assert doubtful.series is False


def test_the_sounder_follows_a_fresh_lease():
    run = Run().trusted()
    assert not run.sound
    run.read(30.0, lease=BOTH, sound=True)
    assert run.sound
    run.read(30.0, lease=BOTH)
    assert not run.sound
    run.read(61.0, lease=BOTH)
    run.read(61.0, lease=BOTH)
    assert run.state.latched
    assert not run.sound, "the controller is there to tell, and knows whether it has been seen"


@pytest.mark.parametrize("heard", [False, True])
def test_the_sounder_sounds_after_five_minutes_without_a_word(heard):
    run = Run().trusted() if heard else Run()
    run.step()
    begun_s = run.lease.sent_s if heard else run.now_s
    while run.now_s + 1.0 - begun_s < SILENT_S:
        run.step()
        assert not run.sound
    run.step()
    assert run.sound
    assert run.now_s - begun_s == SILENT_S == 300.0
    run.step(lease=())
    assert not run.sound


def test_the_sounder_tells_of_a_latch_when_the_controller_is_gone():
    run = latched_run()
    sent_s = run.lease.sent_s
    while run.now_s + 1.0 - sent_s < LEASE_S:
        run.read(30.0)
        assert not run.sound
    run.read(30.0)
    assert run.sound


def test_a_latch_of_an_unwired_chamber_does_not_sound():
    run = Run(state=KeeperState(latched={"old-bench": "hot"}))
    run.step(2 * LEASE_S)
    run.step(LEASE_S)
    assert not run.sound


ANY_FLOAT = st.floats(allow_nan=True, allow_infinity=True)
CELSIUS = st.one_of(
    st.sampled_from([25.0, 26.0, 54.9, 59.9, 60.0, 61.0, 85.0, 127.9375, -55.0]), ANY_FLOAT
)
AGES_S = st.one_of(st.sampled_from([0.0, 0.5, 5.0]), st.floats(-5.0, 60.0), ANY_FLOAT)
STEPS_S = st.one_of(st.sampled_from([0.5, 1.0, 5.0]), st.floats(-50.0, 50.0), ANY_FLOAT)
NAMES = st.frozensets(st.sampled_from(["north-bench", "south-bench", "elsewhere"]))
READINGS = st.one_of(
    st.none(),
    st.builds(Sample, CELSIUS, AGES_S, st.booleans()),
    st.builds(Unread, st.sampled_from(Fault), AGES_S),
)
LEASES = st.one_of(
    st.none(), st.builds(Lease, AGES_S, NAMES, NAMES, st.just(""), NAMES, st.booleans())
)
MOMENTS = st.lists(st.tuples(STEPS_S, LEASES, READINGS), max_size=60)
CALM = st.lists(
    st.tuples(
        st.sampled_from([0.5, 1.0, 8.0]),
        st.one_of(
            st.none(),
            st.builds(Lease, st.just(0.0), st.just(BOTH), st.one_of(st.just(frozenset()), NAMES)),
        ),
        st.builds(Sample, st.sampled_from([50.0, 51.0, 61.0]), st.just(0.0)),
    ),
    max_size=60,
)


def play(moments):
    """Run a whole history; yields what was given and what came of it."""
    state = KeeperState()
    now_s, lease, raw = 1000.0, None, {}
    for step_s, new_lease, reading in moments:
        now_s = now_s + step_s if math.isfinite(now_s) else step_s
        if new_lease is not None:
            lease = replace(new_lease, sent_s=now_s - new_lease.sent_s)
        if reading is not None:
            raw = {"north-bench": replace(reading, at_s=now_s - reading.at_s)}
        before = state
        decision = decide(state, lease, raw, now_s, LINES)
        state = decision.state
        yield before, lease, raw, now_s, decision


@settings(max_examples=300, deadline=None)
@given(st.one_of(MOMENTS, CALM))
def test_closed_implies_every_condition(moments):
    good = []
    for before, lease, raw, now_s, decision in play(moments):
        sample = raw.get("north-bench")
        if isinstance(sample, Sample) and sample.celsius < 60.0 and sample.legal_configuration:
            good.append((sample.at_s, sample.celsius))
        assert [command.chamber for command in decision.commands] == [
            line.chamber for line in LINES
        ]
        for command in decision.commands:
            if command.heat:
                assert lease is not None
                assert 0.0 <= now_s - lease.sent_s < LEASE_S
                assert command.chamber in lease.heat
            if command.heat or command.series:
                assert command.chamber not in decision.state.latched
                assert before.at_s is None or now_s >= before.at_s
            if command.series:
                assert lease is not None
                assert command.chamber not in lease.open_series
            if command.chamber == "north-bench" and (command.heat or command.series):
                fresh = [c for at_s, c in good if 0.0 <= now_s - at_s < PROBE_FRESH_S]
                assert command.probe_c in fresh
                assert len(fresh) >= 1
                assert -20.0 <= command.probe_c < 60.0
                assert not isinstance(sample, Sample) or sample.celsius < 60.0


@settings(max_examples=300, deadline=None)
@given(st.one_of(MOMENTS, CALM))
def test_heat_ends_twenty_seconds_after_the_last_word(moments):
    last_word_s = {}
    for _, lease, _, now_s, decision in play(moments):
        if lease is not None and math.isfinite(now_s) and now_s - lease.sent_s >= 0.0:
            for name in lease.heat:
                last_word_s[name] = lease.sent_s
        for command in decision.commands:
            if command.heat:
                assert now_s - last_word_s[command.chamber] < LEASE_S


@settings(max_examples=300, deadline=None)
@given(st.one_of(MOMENTS, CALM))
def test_the_series_relay_is_open_after_a_minute_without_a_word(moments):
    last_word_s = -math.inf
    for _, lease, _, now_s, decision in play(moments):
        if lease is not None and math.isfinite(now_s) and 0.0 <= now_s - lease.sent_s < LEASE_S:
            last_word_s = lease.sent_s
        for command in decision.commands:
            if command.series:
                assert now_s - last_word_s < SERIES_S


@settings(max_examples=300, deadline=None)
@given(st.one_of(MOMENTS, CALM))
def test_latched_is_open_until_a_granted_reset(moments):
    for before, lease, _, now_s, decision in play(moments):
        for name in before.latched.keys() - decision.state.latched.keys():
            assert lease is not None
            assert name in lease.reset
            assert 0.0 <= now_s - lease.sent_s < LEASE_S
            probe_c = next(c.probe_c for c in decision.commands if c.chamber == name)
            assert probe_c is not None
            assert probe_c <= BENCH.limit_c - RESET_MARGIN_K
        for command in decision.commands:
            if command.latched:
                assert (command.heat, command.series or False) == (False, False)
        assert decision.latches_changed == (dict(before.latched) != dict(decision.state.latched))


def test_identity_tells_wirings_apart_and_leaves_limits_out():
    same = (replace(BENCH, limit_c=45.0), BARE)
    assert identity(LINES) == identity(same) == identity(LINES[::-1])
    others = (
        replace(BENCH, gpio=18),
        replace(BENCH, active_high=False),
        replace(BENCH, probe="28-000000000009"),
        replace(BENCH, series=None),
        replace(BENCH, chamber="east-bench"),
    )
    assert len({identity((line, BARE)) for line in (BENCH, *others)}) == 1 + len(others)


def test_a_lease_for_another_wiring_closes_nothing():
    run = Run().trusted()
    lease = Lease(run.now_s, BOTH, wiring="another")
    for wiring, closed in (("another", True), (identity(LINES), False)):
        decision = decide(run.state, lease, run.raw, run.now_s, LINES, wiring)
        assert [command.heat for command in decision.commands] == [closed, closed]
