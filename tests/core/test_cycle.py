"""One cycle, by what it does to the relay: whatever is read, at whatever time."""

import math
from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import chambers
from bottomheat import cycle
from bottomheat.chamber import Chamber
from bottomheat.commission import experiment, proving
from bottomheat.commission.experiment import Kind, Plan
from bottomheat.config_sections import Correction
from bottomheat.model import (
    Alarm,
    Condition,
    EventKind,
    Fault,
    Good,
    Place,
    Sample,
    Unread,
)
from plant import USUAL, Feed, Plant, chamber_keys, config

S, S2, ROOM, MAT, CALLUS = (
    Place.SUBSTRATE,
    Place.SUBSTRATE_2,
    Place.ROOM,
    Place.MAT,
    Place.CALLUS,
)
DIRECT = {"method": "direct"}


# --- whatever is read ---------------------------------------------------------------------------

KEYS = (
    chamber_keys(),
    chamber_keys(probes=(S, ROOM)),
    chamber_keys(law="hysteresis"),
    chamber_keys(probes=(S, S2, ROOM, MAT)),
    chamber_keys(probes=(S, ROOM, MAT, CALLUS), offset=DIRECT),
    chamber_keys(probes=(S,), offset={"method": "fixed", "kelvin": 1.5}),
    chamber_keys(
        probes=(S, S2, ROOM, MAT, CALLUS, Place.TOP),
        heater={"gpio": 17, "watts": 45.0, "relay": "solid-state"},
    ),
    chamber_keys(probes=(S, MAT), offset={"method": "heat-flow", "resistance": 0.2}),
)


def compared(cfg, add_k):
    """The config with the same correction of every probe, K."""
    probes = cfg.chambers["bench"].probes.by_place().values()
    return cfg.model_copy(update={"corrections": {p: Correction(add_k=add_k) for p in probes}})


PLAIN = tuple(config(bench=keys) for keys in KEYS)
CONFIGS = (*PLAIN, *(compared(cfg, add_k) for cfg in PLAIN for add_k in (-2.0, 0.3)))

temperatures = st.one_of(
    st.sampled_from([20.0, 20.0625, 20.0, 20.1, 25.0, 29.5]),
    st.sampled_from([85.0, 127.9375, 39.9375, 40.0, 60.0, 59.9375, 33.9, 37.0, -20.0, -55.0, 70.0]),
    st.floats(),
)
raw_readings = st.one_of(
    st.builds(Sample, st.sampled_from([19.0, 20.0, 20.0625, 21.0]), st.just(0.0)),
    st.builds(Sample, temperatures, st.just(0.0), st.booleans()),
    st.builds(Sample, temperatures, st.floats()),
    st.builds(Unread, st.sampled_from(Fault), st.just(0.0)),
    st.none(),
)
steps_of = st.lists(
    st.tuples(
        st.sampled_from(
            [10.0] * 12 + [1.0, 59.0, 700.0, 1e5, 0.0, -5.0, -500.0, math.nan, math.inf]
        ),
        st.dictionaries(st.sampled_from(Place), raw_readings, max_size=3),
    ),
    max_size=40,
)


def raws_of(change, places, now_s):
    raws = {}
    for place in places:
        raw = change.get(place, Sample(USUAL[place], 0.0))
        if raw is not None:
            raws[place] = replace(raw, at_s=now_s) if raw.at_s == 0.0 else raw
    return raws


class Witness:
    """What the invariants need, kept apart from the code under test."""

    def __init__(self, cfg):
        self.chamber = cfg.chambers["bench"]
        self.good = {}
        self.row = {}
        self.hot_twice = False
        self.count = 0
        limits = self.chamber.limits
        self.limit_c = {
            S: limits.substrate_c,
            S2: limits.substrate_c,
            MAT: limits.mat_c,
            CALLUS: limits.callus_c,
        }

    def see(self, raws, record):
        self.count += 1
        for place, reading in record.readings:
            if isinstance(reading, Good):
                self.good[place] = (self.count, reading.celsius)
            raw, limit_c = raws.get(place), self.limit_c.get(place)
            if limit_c is None or not isinstance(raw, Sample) or not raw.legal_configuration:
                continue
            fresh = -1.0 <= record.at_s - raw.at_s <= 30.0
            if not fresh or raw.celsius in (85.0, 127.9375):
                continue
            if raw.celsius >= limit_c and math.isfinite(raw.celsius):
                self.row[place] = self.row.get(place, 0) + 1
                self.hot_twice |= self.row[place] >= 2
            elif -20.0 <= raw.celsius < limit_c:
                self.row[place] = 0

    def recent(self, place):
        """The last good value if it came within three cycles, this one included."""
        seen = self.good.get(place)
        return None if seen is None or seen[0] <= self.count - 3 else seen[1]


@settings(max_examples=150, deadline=None)
@given(st.sampled_from(CONFIGS), steps_of, st.sampled_from(["proved", "pulse", "not proved"]))
def test_whatever_comes_heat_needs_good_cool_readings_and_no_latch(cfg, steps, wiring):
    state = cycle.start(cfg, {}, proved=wiring == "proved")
    if wiring == "pulse":
        run = replace(proving.begin(("bench",)), phase=proving.Phase.PULSE)
        state = replace(state, proving=run)
    witness, now_s, latched_before = Witness(cfg), 1000.0, False
    places = tuple(cfg.chambers["bench"].probes.by_place())
    for dt_s, change in [(10.0, {})] * 3 + steps:
        time_s = now_s + dt_s
        raws = raws_of(change, places, time_s)
        step = cycle.advance(state, {"bench": raws}, time_s, cfg)
        state = step.state
        now_s = time_s if math.isfinite(time_s) else now_s
        (record,) = step.records
        witness.see(raws, record)
        after = state.chambers["bench"]
        latched = after.cutoff.latched is not None
        assert latched or not witness.hot_twice
        assert latched or not latched_before
        latched_before = latched
        assert record.heat is ("bench" in step.heat)
        assert 0.0 <= record.duty <= 1.0
        if not step.heat:
            continue
        assert not latched
        assert state.proved or wiring == "pulse"
        limits = cfg.chambers["bench"].limits
        layers = [c for p in (S, S2) if p in places and (c := witness.recent(p)) is not None]
        assert layers
        assert all(c < min(limits.substrate_c - 3, 34.0) for c in layers)
        if MAT in places:
            mat_c = witness.recent(MAT)
            assert mat_c is not None
            assert mat_c < limits.mat_c - 3


lags_h = st.tuples(st.floats(0.02, 24.0), st.floats(0.2, 72.0)).filter(
    lambda lags: lags[0] <= lags[1]
)
models = st.builds(
    lambda gain, lags, share, dead, room, load: {
        "gain": gain,
        "quick_lag": lags[0],
        "slow_lag": lags[1],
        "quick_share": share,
        "dead_time": dead,
        "room_quick_share": room,
        "load": load,
    },
    st.floats(0.05, 5.0),
    lags_h,
    st.floats(0.0, 1.0),
    st.floats(0.0, 3.0),
    st.floats(-0.5, 1.0),
    st.floats(-10.0, 10.0),
)
led_boxes = st.fixed_dictionaries(
    {
        "model": st.one_of(models, models, st.none()),
        "warm_up": st.sampled_from(["fast", "fast", "gentle"]),
        "callus_zone": st.sampled_from([18, 22, 25]),
        "law": st.sampled_from(["pid", "pid", "pid", "hysteresis"]),
    }
)
TESTS = st.sampled_from([None, None, *(Plan(kind) for kind in Kind)])


@settings(max_examples=60, deadline=None)
@given(st.lists(led_boxes, min_size=1, max_size=3), TESTS, steps_of)
def test_no_model_and_no_experiment_gives_more_heat_than_the_bounds_allow(boxes, plan, steps):
    cfgs = [config(bench=chamber_keys(**box)) for box in boxes]
    state, now_s = cycle.start(cfgs[0], {}, proved=True), 1000.0
    witness, places = Witness(cfgs[0]), tuple(cfgs[0].chambers["bench"].probes.by_place())
    start = [(10.0, {})] * 3
    for n, (dt_s, change) in enumerate(start + steps * 2):
        cfg = cfgs[n * len(cfgs) // (len(start) + 2 * len(steps))]
        kept = state.chambers["bench"]
        if n == len(start) and plan is not None:
            # As if it had rested for an hour.
            trial = experiment.begin(plan, cfg.chambers["bench"], kept.lid, now_s)
            trial = replace(trial, block_s=now_s - 3600.0, block_c=20.0, given_s=1800.0)
            state = replace(state, chambers={"bench": replace(kept, experiment=trial)})
        time_s = now_s + dt_s
        raws = raws_of(change, places, time_s)
        step = cycle.advance(state, {"bench": raws}, time_s, cfg)
        state, now_s = step.state, time_s if math.isfinite(time_s) else now_s
        (record,) = step.records
        witness.see(raws, record)
        after = state.chambers["bench"]
        assert 0.0 <= record.duty <= 1.0
        assert math.isfinite(after.law.integral)
        assert after.law.lead is None or len(after.law.lead.twin.waiting) < 500
        assert after.cutoff.latched is not None or not witness.hot_twice
        if step.heat:
            assert after.cutoff.latched is None
            assert after.no_heat is None
            limits = cfg.chambers["bench"].limits
            layer_c, mat_c = witness.recent(S), witness.recent(MAT)
            assert layer_c is not None
            assert mat_c is not None
            assert layer_c < min(limits.substrate_c - 3, 34.0)
            assert mat_c < limits.mat_c - 3


@settings(max_examples=30, deadline=None)
@given(steps_of)
def test_latched_never_heats_until_reset_whatever_comes(steps):
    feed = Feed(latched={"bench": "wet layer at 41.0 °C, limit 40"})
    for dt_s, change in [(10.0, {})] * 3 + steps:
        feed.now_s += dt_s if math.isfinite(dt_s) else 0.0
        raws = raws_of(change, feed.places, feed.now_s)
        step = cycle.advance(feed.state, {"bench": raws}, feed.now_s, feed.config)
        feed.state = step.state
        assert not step.heat
        assert step.records[0].condition is Condition.CUT_OUT


def test_no_chamber_and_no_place_has_to_be_there():
    feed = Feed().warm()
    for readings in ({}, {"other": {}}, {"bench": {}}):
        feed.now_s += 10
        step = cycle.advance(feed.state, readings, feed.now_s, feed.config)
        feed.state = step.state
    assert not step.heat


# --- start, lost, back --------------------------------------------------------------------------


def test_no_heat_before_three_agreeing_readings():
    assert Feed().heat(count=4) == [False, False, True, True]
    feed = Feed()
    assert feed.heat({S: 20.0}) + feed.heat({S: 24.0}) + feed.heat({S: 20.0}) == [False] * 3
    assert feed.heat(count=2) == [False, True]


@pytest.mark.parametrize("place", [S, MAT])
def test_a_lost_probe_switches_off_by_the_third_cycle_and_is_back_after_ten_good_minutes(place):
    feed = Feed().warm()
    assert feed.heat({place: None}, count=3) == [True, True, False]
    assert Alarm.PROBE_LOST in feed.chamber.alarms
    assert feed.heat({place: None}, count=30) == [False] * 30
    assert feed.heat(count=60) == [False] * 60
    assert "waiting for ten good minutes" in feed.chamber.no_heat
    assert feed.heat(count=2) == [True, True]
    assert not feed.chamber.alarms


@pytest.mark.parametrize(
    "bad",
    [
        None,
        Unread(Fault.CRC, 0.0),
        Unread(Fault.ALL_ZERO, 0.0),
        math.nan,
        -55.0,
        30.0,
        Sample(20.0, 0.0, legal_configuration=False),
    ],
)
def test_a_lone_bad_reading_does_not_open_the_relay(bad):
    feed = Feed().warm()
    assert feed.heat({S: bad}) + feed.heat(count=3) == [True] * 4
    assert feed.chamber.relay.closings == 1


@pytest.mark.parametrize("bad", [85.0, 127.9375, Sample(70.0, 0.0, legal_configuration=False)])
@pytest.mark.parametrize("place", [S, MAT])
def test_values_of_a_faulty_probe_open_and_do_not_latch(place, bad):
    feed = Feed().warm()
    assert feed.heat({place: bad}, count=20) == [False] * 20
    assert feed.chamber.cutoff.latched is None
    assert any(feed.heat(count=70))


def test_after_one_power_on_value_heat_is_back_as_soon_as_the_contact_has_rested():
    feed = Feed().warm()
    assert feed.heat({S: 85.0}) == [False]
    assert feed.heat(count=2) == [False, True]


def test_one_spike_costs_no_integral():
    keys = chamber_keys(probes=(S,), offset={"method": "fixed", "kelvin": 1.5})
    feed = Feed(keys)
    feed.heat({S: 26.4}, count=2000)
    before = feed.chamber.law.integral
    assert before > 0.03
    feed.heat({S: 85.0})
    feed.heat({S: 26.4}, count=5)
    assert feed.chamber.law.integral == pytest.approx(before, abs=0.01)


def test_a_gap_starts_every_probe_again():
    feed = Feed().warm()
    assert feed.heat({S: None}, dt_s=600.0) == [False]
    assert any(e.kind is EventKind.GAP for e in feed.events)
    assert feed.heat(count=3) == [False, False, True]


def test_a_clock_that_goes_backwards_opens():
    feed = Feed().warm()
    assert feed.heat(dt_s=-1.0) == [False]
    assert "backwards" in feed.chamber.no_heat


def test_a_hold_of_the_shell_opens_and_its_end_releases():
    feed = Feed().warm()
    feed.state = replace(feed.state, hold="the latch file cannot be written")
    assert feed.heat(count=3) == [False] * 3
    feed.state = replace(feed.state, hold=None)
    assert feed.heat() == [True]


def test_not_proved_never_heats_and_says_so():
    feed = Feed(proved=False)
    assert feed.heat(count=100) == [False] * 100
    assert Alarm.NOT_PROVED in feed.chamber.alarms
    assert "prove" in feed.chamber.no_heat


# --- cutoff -------------------------------------------------------------------------------------


@pytest.mark.parametrize(("place", "hot_c"), [(S, 41.0), (MAT, 61.0), (S, 120.0), (MAT, 126.0)])
def test_two_running_hot_readings_latch_and_reset_needs_it_cool(place, hot_c):
    feed = Feed().warm()
    assert feed.heat({place: hot_c}, count=2) == [False, False]
    assert list(feed.latched) == ["bench"]
    cut = [e for e in feed.events if e.kind is EventKind.CUTOFF]
    assert len(cut) == 1
    assert cut[0].durable
    _, cleared, lines = cycle.reset_cutoff(feed.state, "bench", feed.config)
    assert not cleared
    assert lines
    assert feed.heat(count=100) == [False] * 100
    feed.state, cleared, _ = cycle.reset_cutoff(feed.state, "bench", feed.config)
    assert cleared
    assert any(feed.heat(count=65))


def test_a_latch_from_the_file_cannot_be_reset_before_a_reading():
    feed = Feed(latched={"bench": "unreadable latch file"})
    _, cleared, _ = cycle.reset_cutoff(feed.state, "bench", feed.config)
    assert not cleared


def test_a_hot_callus_probe_latches_and_a_lost_one_hands_over_to_the_estimate():
    keys = chamber_keys(probes=(S, ROOM, MAT, CALLUS))
    feed = Feed(keys).warm()
    assert feed.heat({CALLUS: 30.5}, count=2) == [False, False]
    assert feed.latched
    feed = Feed(keys).warm()
    feed.heat({CALLUS: None, S: 33.5, ROOM: 25.0}, count=2000)
    assert Alarm.CALLUS_HOT in feed.chamber.alarms
    feed.heat(count=70)
    assert Alarm.CALLUS_HOT not in feed.chamber.alarms


def estimate_feed():
    """No lags: what the probes say is what is worked out."""
    offset = {"method": "temperature-factor", "factor": 0.75, "room_lag": 0.0, "substrate_lag": 0.0}
    return Feed(chamber_keys(offset=offset)).warm()


def test_the_estimate_limit_waits_ten_minutes_clears_itself_and_latches_at_two_kelvin():
    warm = {S: 33.0, ROOM: 24.0}  # 30.75 °C at the callus zone
    feed = estimate_feed()
    for room_c in (18.0, 21.0, 24.0):  # slower than a sunlit probe, which is doubted
        feed.heat({S: 22.0, ROOM: room_c}, count=125)
    feed.heat({S: 25.0, ROOM: 24.0}, count=3)
    feed.heat({S: 29.0, ROOM: 24.0}, count=3)
    feed.heat(warm, count=60)
    assert Alarm.CALLUS_HOT not in feed.chamber.alarms
    feed.heat(warm, count=2)
    assert Alarm.CALLUS_HOT in feed.chamber.alarms
    assert feed.heat(warm, count=3) == [False] * 3
    assert feed.chamber.cutoff.latched is None
    feed.heat({S: 31.0, ROOM: 24.0}, count=3)  # 29.25
    assert Alarm.CALLUS_HOT not in feed.chamber.alarms
    feed.heat({S: 35.0, ROOM: 24.0}, count=2)  # 32.25
    assert "callus zone worked out" in feed.chamber.cutoff.latched


@pytest.mark.parametrize("room_c", [38.0, 60.0, 125.0])
@pytest.mark.parametrize("layer_c", [20.0, 31.5, 33.9, 36.5])
def test_a_sunlit_room_probe_never_latches_whatever_the_wet_layer(layer_c, room_c):
    feed = estimate_feed()
    for value in range(21, int(layer_c) + 1, 2):
        feed.heat({S: float(value)}, count=2)
    feed.heat({S: layer_c, ROOM: room_c}, count=500)
    assert feed.chamber.cutoff.latched is None
    assert not any(feed.heat({S: layer_c, ROOM: room_c}, count=10)) or layer_c < 30


@pytest.mark.parametrize("box", [chambers.DeepBox, chambers.ShallowBags, Chamber])
def test_the_sun_on_the_room_probe_of_a_box_in_a_cold_shed_never_latches(box):
    """Wet layer at its ceiling because the shed is cold; then the room probe reads 60 °C."""
    plant = Plant(config(cycle_s=30.0), {"bench": box()}, start_c=3.0, room_c=3.0)
    plant.run(24)
    plant.override = lambda name, place, raw: replace(raw, celsius=60.0) if place is ROOM else raw
    plant.run(8)
    assert plant.state.chambers["bench"].cutoff.latched is None
