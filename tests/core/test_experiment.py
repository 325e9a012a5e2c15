"""Experiments under the real cycle: what they do, what ends them, what goes on afterwards."""

import copy
import math
import sys
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bottomheat import regulate
from bottomheat.chamber import Chamber
from bottomheat.commission import experiment, proving, relay_heat
from bottomheat.commission.experiment import Experiment, Kind, Phase, Plan
from bottomheat.estimate import Outlook
from bottomheat.identification.found import Found
from bottomheat.identification.relay import fit_relay
from bottomheat.identification.relay_found import RelayFound
from bottomheat.identification.step import fit_step
from bottomheat.model import Alarm, Estimate, Place
from bottomheat.modulate import Modulator
from bottomheat.protect.tending import Lid
from bottomheat.protect.watch import NOTHING
from bottomheat.state import ChamberState
from experiment_world import Trial
from plant import chamber_keys, config, silent

sys.path.insert(0, str(Path(__file__).parents[1] / "bench"))
from experiments import FAULTS, peaks

STEP, RELAY = Plan(Kind.STEP), Plan(Kind.RELAY)


_BEGUN = {}


def begun(plan):
    """A nominal box in the middle of an experiment, half an hour after its begin."""
    if plan not in _BEGUN:
        trial = Trial(Chamber(), 45.0, 14.0, settle_h=8.0)
        trial.ask(plan)
        trial.until_begun()
        trial.plant.run(0.5)
        assert trial.experiment.drives
        _BEGUN[plan] = trial
    return copy.deepcopy(_BEGUN[plan])


def test_step_runs_its_time_and_shows_the_box():
    """Four hours, the callus zone within its bound, and a fit at the end."""
    trial = Trial(Chamber(), 45.0, 14.0, settle_h=8.0)
    trial.ask(STEP)
    done = trial.until_over()
    assert done.complete, done.over
    assert done.over_s - done.begun_s == pytest.approx(4 * 3600.0, abs=60.0)
    assert 0.0 < abs(done.moved_k) <= STEP.bound_k
    assert trial.swing_k(Place.CALLUS) <= STEP.bound_k
    assert [text.split(":")[1].split()[1:3] for text in trial.told()] == [
        ["step", "begins"],
        ["step", "is"],
    ]
    found = fit_step(trial.stretch())
    assert isinstance(found, Found), found
    # The nominal box: 8.9 K/h of slope at 45 W, 15 min of delay (calculated).
    assert found.response.dead_s == pytest.approx(900.0, rel=0.5)


def test_relay_makes_its_periods_and_shows_the_box():
    """Four periods about the setpoint, none of it felt at the bases."""
    trial = Trial(Chamber(), 45.0, 14.0, settle_h=8.0)
    trial.ask(RELAY)
    done = trial.until_over()
    assert done.complete, done.over
    assert done.switched == RELAY.periods + 1
    assert trial.swing_k(Place.CALLUS) < 0.4
    found = fit_relay(trial.stretch(), done.begun_s, done.over_s)
    assert isinstance(found, RelayFound), found
    assert found.cycle.periods >= RELAY.periods - 1  # the first still remembers the rest
    # True ultimate gain without a window: 1.15 duty/K, 20 % low to be expected (calculated).
    assert 0.7 < found.ku_per_k < 1.15


def test_step_goes_down_where_there_is_heat_to_take_away():
    """Less heat is the safer side; up only where there is hardly any."""
    cold = Trial(Chamber(), 45.0, 14.0, settle_h=8.0)
    cold.ask(STEP)
    cold.until_begun()
    assert cold.experiment.size < 0.0
    warm = Trial(Chamber(), 45.0, 24.0, settle_h=8.0)
    warm.ask(STEP)
    warm.until_begun()
    assert warm.experiment.size > 0.0


def test_room_is_made_up_for():
    """A room that falls by 1 K/h during the step: the duty follows, the bases stay in bound."""
    trial = Trial(
        Chamber(), 45.0, lambda now_s: 16.0 - max(0.0, now_s - 33_500.0) / 3600.0, settle_h=8.0
    )
    trial.ask(STEP)
    trial.until_begun()
    first = trial.experiment.duty
    trial.plant.run(2.0)
    assert trial.experiment.duty > first + 0.03
    assert abs(trial.experiment.moved_k) <= STEP.bound_k


@pytest.mark.parametrize("plan", [STEP, RELAY], ids=["step", "relay"])
@pytest.mark.parametrize(
    ("what", "why"),
    [
        ("tended", "being tended"),
        ("lid", "the lid is off now"),
        ("setpoint", "config or the setpoint"),
        ("proving", "being proved"),
        ("gap", "paused for 600 s"),
        ("wet layer", "no good reading any more: wet layer"),
        ("room", "no good reading any more: room"),
        ("mat", "no good reading any more: mat"),
        ("latched", "no heat: too hot"),
        ("hold", "no heat: no latch file"),
    ],
)
def test_anything_out_of_the_ordinary_ends_it(plan, what, why):
    """Within three cycles; the heat never stays where the experiment had it."""
    trial = begun(plan)
    plant = trial.plant
    if what == "tended":
        plant.tend(0.5)
    elif what == "lid":
        trial.put(lid=Lid.OFF)
    elif what == "setpoint":
        keys = plant.config.model_dump(by_alias=True, exclude_none=True)
        keys["chambers"]["bench"]["callus_zone"] = 24.0
        plant.config = type(plant.config).model_validate(keys)
    elif what == "proving":
        plant.state = replace(plant.state, proving=proving.begin(("bench",)))
    elif what == "gap":
        plant.now_s += 600.0 - plant.config.cycle_s
    elif what == "latched":
        trial.put(cutoff=replace(trial.chamber.cutoff, latched="too hot"))
    elif what == "hold":
        plant.state = replace(plant.state, hold="no latch file")
    else:
        place = {"wet layer": Place.SUBSTRATE, "room": Place.ROOM, "mat": Place.MAT}[what]
        plant.override = lambda _name, at, raw: silent(raw) if at is place else raw
    for _ in range(3):
        plant.step()
    done = trial.experiment
    assert done.over is not None
    assert why in done.over
    assert not done.complete
    assert trial.told()[-1].endswith(f"is over, broken off: {done.over}")


def test_alarm_ends_it():
    """The relay welds shut: the detectors see it as ever, and the experiment is over."""
    trial = begun(RELAY)
    trial.plant.welded.add("bench")
    trial.plant.until(lambda: trial.experiment.over is not None, 2.0)
    trial.plant.until(lambda: Alarm.RELAY_STUCK_ON in trial.plant.alarms(), 1.0)
    assert not trial.plant.heat


@pytest.mark.parametrize("plan", [STEP, RELAY], ids=["step", "relay"])
def test_law_takes_over_without_a_bump(plan):
    """The first duty is what the law held the box with before, and its gain times the error."""
    trial = Trial(Chamber(), 45.0, 14.0, settle_h=8.0)
    trial.ask(plan)
    trial.until_begun()
    before = trial.chamber.law.feed + trial.chamber.law.integral
    assert before == pytest.approx(trial.experiment.base, abs=0.08)
    trial.plant.run(0.5)
    trial.put(experiment=experiment.ended(trial.experiment, "stopped by hand", trial.plant.now_s))
    # The window that runs is finished first.
    trial.plant.until(lambda: trial.chamber.law.evaluated_s is not None, 0.2)
    record = trial.plant.records["bench"][-1]
    error_k = (record.substrate_setpoint_c or math.nan) - trial.chamber.law.filtered_c
    tuning = regulate.tuning(trial.plant.config.chambers["bench"])
    assert record.duty == pytest.approx(before + tuning.gain_per_k * error_k, abs=0.02)
    trial.plant.run(6.0)
    assert abs(record.setpoint_c - trial.chamber.outlook.estimate.celsius) < 0.4


def test_estimate_that_leaves_its_bounds_ends_it():
    """A door stands open: the bases may not go further than was said."""
    cold_s = [math.inf]
    trial = begun(Plan(Kind.STEP, swing_k=0.2))
    trial.plant.room_c = lambda now_s: 14.0 if now_s < cold_s[0] else 6.0
    cold_s[0] = trial.plant.now_s
    done = trial.until_over(5.0)
    assert not done.complete
    assert "has moved by 0.3 K" in done.over


def test_box_that_does_not_rest_gets_no_experiment():
    """A room that swings: it waits, then gives up, the law ruling all the time."""
    trial = Trial(
        Chamber(), 45.0, lambda now_s: 12.0 + 5.0 * math.sin(now_s / 2500.0), settle_h=4.0
    )
    trial.ask(STEP)
    done = trial.until_over(12.0)
    assert "did not come to rest" in done.over or done.begun_s is not None
    if done.begun_s is None:
        assert done.over_s - done.asked_s <= experiment.REST_MOST_S + 2 * experiment.BLOCK_S


def test_relay_is_refused_below_a_near_ceiling():
    """Full power would take the wet layer to its ceiling: nothing is begun."""
    trial = Trial(Chamber(), 45.0, 14.0, settle_h=8.0, keys={"layer_ceiling": 29.5})
    trial.ask(RELAY)
    done = trial.until_over()
    assert "no room for a relay" in done.over
    assert done.phase is Phase.REST


def test_a_relay_gives_less_heat_where_the_mat_would_reach_its_bound():
    """A mat limit that full power reaches: all periods come, the mat stays below its bound."""
    trial = Trial(
        Chamber(), 45.0, 14.0, settle_h=8.0, keys={"limits": {"mat": 50, "substrate": 40}}
    )
    trial.ask(RELAY)
    done = trial.until_over()
    assert done.complete, done.over
    assert done.eased == ()
    assert 0.4 < done.high < 0.75
    assert f"begins: {done.high:.0%} of full heat on and off" in trial.told()[0]
    rows = trial.plant.records["bench"][trial.asked :]
    assert max(dict(row.readings)[Place.MAT].celsius for row in rows) < 47.0
    found = fit_relay(trial.stretch(), done.begun_s, done.over_s)
    assert isinstance(found, RelayFound), found
    assert found.cycle.on_duty == pytest.approx(done.high, abs=0.05)
    assert 0.7 < found.ku_per_k < 1.15  # as of full heat


def test_a_relay_is_refused_where_even_little_heat_takes_the_mat_to_its_bound():
    trial = Trial(
        Chamber(), 45.0, 14.0, settle_h=8.0, keys={"limits": {"mat": 44, "substrate": 40}}
    )
    trial.ask(RELAY)
    done = trial.until_over()
    assert "no room for a relay" in done.over
    assert "the mat at 41 °C; a step needs less" in done.over


def eased(trial, finding=NOTHING, bound=None, layer_c=24.0):
    """One cycle later, the relay on, with what protection asks for."""
    law, outlook, usable = seen(layer_c, 14.0, 25.0, 25.0)
    return experiment.follow(
        ChamberState(experiment=trial),
        law,
        outlook,
        usable,
        BOX,
        finding,
        trial.at_s + 10.0,
        bound=bound,
        no_heat=None,
        proving=False,
    )


def test_a_relay_whose_heat_is_bounded_goes_on_with_less_and_ends_the_fourth_time():
    """Once a period; the bound itself holds all the while."""
    finding = replace(NOTHING, duty_cap=0.3)
    trial = replace(
        experiment.begin(RELAY, BOX, Lid.ON, 0.0),
        phase=Phase.RELAY,
        begun_s=0.0,
        start_c=25.0,
        base=0.4,
        high=0.8,
        duty=0.8,
        on=True,
    )
    for period in range(relay_heat.MOST_EASED):
        trial = replace(trial, switched=period, on=True)
        trial = eased(eased(trial, finding), finding)
        assert trial.over is None
        assert trial.high == pytest.approx(0.8 * relay_heat.EASE ** (period + 1))
        assert trial.duty == trial.high
        law, relay, _ = experiment.driven(
            trial, regulate.Law(), Modulator(), finding, None, trial.at_s, None
        )
        assert law.duty == 0.3
        assert relay.planned_s == pytest.approx(0.3 * relay_heat.TURN_S)
    # With the heat off a mat that is warmer than expected would end as a welded contact.
    off = eased(replace(trial, switched=3, on=False), finding, layer_c=25.0)
    assert "so much heat is too much for it" in off.over
    trial = eased(replace(trial, switched=3, on=True), finding)
    assert "so much heat is too much for it" in trial.over
    assert trial.duty == 0.0


duties = st.floats(0.0, 1.0)


@given(
    duties,
    st.floats(5.0, 90.0),
    st.none() | st.floats(-5.0, 60.0),
    st.floats(-5.0, 20.0),
    st.floats(-10.0, 60.0),
)
def test_heat_of_a_relay_reaches_no_bound_and_switches_back(base, rise_k, lead_k, layer_k, mat_k):
    high = relay_heat.most(base, rise_k, lead_k, layer_k, mat_k)
    if high is None:
        return
    assert relay_heat.LEAST <= high <= 1.0
    assert high >= min(1.0, base / relay_heat.MOST_SHARE)
    assert relay_heat.SWING_FRAC * rise_k * high < layer_k
    if lead_k is not None and base > 0.05:
        assert high * max(0.0, lead_k) / base < mat_k
    # Less room never gives more heat.
    less = relay_heat.most(base, rise_k, lead_k, layer_k - 0.5, mat_k - 1.0)
    assert less is None or less <= high


def test_the_lead_of_the_mat_is_its_mean():
    """Ripple of a window, 6 K in all, leaves a tenth of it; no probe, no lead."""
    lead_k, ends = None, []
    for step in range(1080):
        mat_c = 40.0 + 3.0 * math.sin(2.0 * math.pi * step / 60.0)
        lead_k = relay_heat.lead_k(lead_k, mat_c, 28.0, 10.0)
        ends.append(lead_k)
    assert ends[-60:] == pytest.approx([12.0] * 60, abs=0.3)
    assert relay_heat.lead_k(12.0, None, 28.0, 10.0) is None


def test_on_off_law_can_be_stepped_too():
    """Three hours are measured, because it swings by itself."""
    trial = Trial(Chamber(), 45.0, 14.0, settle_h=8.0, keys={"law": "hysteresis"})
    trial.ask(STEP)
    done = trial.until_over()
    assert done.begun_s - done.asked_s >= experiment.ON_OFF_BLOCK_S
    assert done.complete, done.over


@pytest.mark.parametrize("make", ["nominal", "other make, deep", "shallow"])
@pytest.mark.parametrize("kind", list(Kind))
def test_faults_are_no_worse_during_an_experiment(make, kind):
    """A wet-layer probe that slips out: peaks no higher than under the law, but for the swing."""
    fault = FAULTS["wet-layer probe slips out"]
    law, trial = peaks(make, None, fault), peaks(make, kind, fault)
    assert trial.over_min < 10.0
    assert trial.layer_c < law.layer_c + 1.0
    assert trial.mat_c < law.mat_c + 5.0
    assert trial.callus_c < law.callus_c + 0.3


# Properties of the pure part

celsius = st.one_of(st.floats(-20.0, 60.0), st.sampled_from([math.nan, math.inf]))
BOX = config(bench=chamber_keys()).chambers["bench"]


def seen(layer_c, room_c, callus_c, wanted_c):
    """Law, outlook and probes of one cycle."""
    outlook = Outlook(Estimate(callus_c, 0.3), wanted_c, None, None)
    return regulate.Law(filtered_c=layer_c), outlook, {Place.SUBSTRATE: layer_c, Place.ROOM: room_c}


@settings(max_examples=60)
@given(
    st.lists(st.tuples(celsius, celsius, celsius, celsius), min_size=1, max_size=40),
    st.sampled_from(list(Kind)),
    st.floats(30.0, 90.0),
)
def test_duty_is_always_a_duty(rows, kind, dt_s):
    """Whatever is read: between 0 and 1, and once over it never drives again."""
    trial, now_s, over = experiment.begin(Plan(kind), BOX, Lid.ON, 0.0), 0.0, False
    trial = replace(
        trial,
        phase=Phase(Phase.STEP if kind is Kind.STEP else Phase.RELAY),
        begun_s=0.0,
        base=0.5,
        size=-0.05,
        room_c=14.0,
        start_c=25.0,
        rise_k=32.0,
    )
    relay = Modulator()
    for layer_c, room_c, callus_c, wanted_c in rows:
        now_s += dt_s
        law, outlook, usable = seen(layer_c, room_c, callus_c, wanted_c)
        state = ChamberState(experiment=trial, no_heat=None)
        trial = experiment.follow(
            state,
            law,
            outlook,
            usable,
            BOX,
            NOTHING,
            now_s,
            bound=None,
            no_heat=None,
            proving=False,
        )
        assert isinstance(trial, Experiment)
        assert 0.0 <= trial.duty <= 1.0
        assert not (over and trial.drives)
        over = trial.over is not None
        if trial.drives:
            law, relay, _ = experiment.driven(trial, law, relay, NOTHING, None, now_s, None)
            assert 0.0 <= law.duty <= 1.0
