"""Capacity: what a mat carries, what binds, and what would do."""

from __future__ import annotations

import math
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bottomheat.capacity import (
    HIGH_DUTY,
    Basis,
    Capacity,
    Learned,
    Lift,
    Limit,
    capacity,
    lift_of,
)
from bottomheat.chamber import Chamber
from bottomheat.config import ChamberConfig, Config
from bottomheat.heating import layer_cap
from bottomheat.insulation import least, lift_k_per_w, measures
from bottomheat.lift import mat_most_w, ripple_k
from bottomheat.operating_point import callus_given_c, needed_layer_c
from calibration_world import truth_factor

PROBES = {"substrate": "28-000000000001", "room": "28-000000000002", "mat": "28-000000000003"}
MODEL = {"gain": 0.7, "slow_lag": 9, "quick_lag": 1.5, "quick_share": 0.35, "dead_time": 0.25}


def box(**changes: Any) -> ChamberConfig:
    chamber = {
        "callus_zone": 25.0,
        "heater": {"gpio": 17, "watts": 45.0, **changes.pop("heater", {})},
        "probes": changes.pop("probes", PROBES),
        "offset": {"method": "temperature-factor", "factor": 0.75},
        "layer_ceiling": 42.0,
        "limits": {"substrate": 48.0, "mat": 85.0},
        **changes,
    }
    return Config.model_validate({"chambers": {"a": chamber}}).chambers["a"]


def asked(chamber: ChamberConfig, lift: Lift, room_c: float) -> Capacity:
    found = capacity(chamber, lift, room_c)
    assert found is not None
    return found


def test_full_power_carries_down_to_the_room_worked_out_by_hand():
    """f 0.75, 0.7 K/W, 45 W: layer 31.5 above the room, callus zone 23.625: 25 - 23.625."""
    found = asked(box(), Lift(0.7, Basis.MODEL), 5.0)
    assert found.binds is Limit.POWER
    assert found.coldest_c.value == pytest.approx(1.375)
    assert found.holds
    assert found.duty.value == pytest.approx(20.0 / 23.625)
    assert found.watts.value == pytest.approx(20.0 / 23.625 * 45.0)


def test_a_room_that_is_too_cold_leaves_the_callus_zone_short_by_hand():
    found = asked(box(), Lift(0.7, Basis.MODEL), -5.0)
    assert not found.holds
    assert found.callus_c.value == pytest.approx(-5.0 + 23.625)
    assert found.remedy is not None
    assert found.remedy.setpoint_c == pytest.approx(18.625)


def test_the_ceiling_binds_where_the_layer_would_have_to_be_above_it():
    chamber = box(layer_ceiling=30.0)
    found = asked(chamber, Lift(0.9, Basis.MODEL), 5.0)
    assert found.binds is Limit.CEILING
    cap_c = layer_cap(chamber)
    assert needed_layer_c(25.0, chamber.offset, found.coldest_c.value, 0.9) == pytest.approx(cap_c)
    assert found.callus_c.value == pytest.approx(callus_given_c(cap_c, chamber.offset, 5.0, 0.9))
    assert found.remedy is not None
    assert found.remedy.ceiling_c == pytest.approx(5.0 + 20.0 / 0.75 + 0.15)


def test_the_limit_of_the_wet_layer_is_named_where_it_is_lower_than_the_ceiling():
    chamber = box(layer_ceiling=34.0, limits={"substrate": 36.0, "mat": 85.0})
    bounds = asked(chamber, Lift(2.0, Basis.MODEL), 0.0).bounds
    assert next(each.limit for each in bounds if each.limit is not Limit.MAT_LIMIT) is (
        Limit.LAYER_LIMIT
    )


def test_the_mat_limit_binds_only_where_a_probe_tells_of_it():
    limits = {"substrate": 48.0, "mat": 50.0}
    seen = asked(box(limits=limits), Lift(0.7, Basis.MODEL), 5.0)
    assert seen.binds is Limit.MAT_LIMIT
    blind = {key: name for key, name in PROBES.items() if key != "mat"}
    unseen = asked(box(limits=limits, probes=blind), Lift(0.7, Basis.MODEL), 5.0)
    assert unseen.binds is Limit.POWER
    kept = box(limits=limits, probes=blind, keeper={"probe": "28-000000000009"})
    assert asked(kept, Lift(0.7, Basis.MODEL), 5.0).binds is Limit.MAT_LIMIT


def test_more_watts_do_not_help_a_mat_at_its_limit_but_less_loss_does():
    chamber = box(limits={"substrate": 48.0, "mat": 50.0})
    lift = Lift(0.7, Basis.MODEL)
    found = asked(chamber, lift, -3.0)
    remedy = found.remedy
    assert remedy is not None
    assert remedy.watts_least is None
    assert remedy.k_per_w_least is not None
    mat_k_per_w = 0.74 * 0.7
    better = Lift(remedy.k_per_w_least * 1.05, Basis.MODEL, mat_k_per_w=mat_k_per_w)
    assert asked(chamber, better, -3.0).holds


def test_what_would_do_does():
    chamber = box()
    remedy = asked(chamber, Lift(0.7, Basis.MODEL), -5.0).remedy
    assert remedy is not None
    assert remedy.watts_easy is not None
    assert remedy.k_per_w_easy is not None
    stronger = box(heater={"watts": remedy.watts_easy})
    assert asked(stronger, Lift(0.7, Basis.MODEL), -5.0).duty.value == pytest.approx(HIGH_DUTY)
    insulated = asked(chamber, Lift(remedy.k_per_w_easy, Basis.MODEL), -5.0)
    assert insulated.duty.value == pytest.approx(HIGH_DUTY)
    lower = chamber.model_copy(update={"callus_zone_c": remedy.setpoint_c - 0.01})
    assert asked(lower, Lift(0.7, Basis.MODEL), -5.0).holds


def test_a_load_shifts_what_is_carried_by_itself_over_the_factor():
    """Layer = room + load + ...: a kelvin of load is f kelvin at the callus zone."""
    plain = asked(box(), Lift(0.7, Basis.MODEL), 5.0).coldest_c.value
    helped = asked(box(), Lift(0.7, Basis.MODEL, 1.0), 5.0).coldest_c.value
    assert plain - helped == pytest.approx(0.75)


def test_intervals_come_from_gain_and_load():
    lift = Lift(0.7, Basis.MODEL, k_per_w_half=0.035, load_half_k=0.2)
    told = asked(box(), lift, 5.0).coldest_c
    assert told.low is not None
    assert told.high is not None
    assert told.low < told.value < told.high
    half = math.hypot(0.035 * 45.0 * 0.75, 0.2 * 0.75)
    assert told.high - told.value == pytest.approx(half)
    assert asked(box(), Lift(0.7, Basis.MODEL), 5.0).coldest_c.low is None


@pytest.mark.parametrize(
    ("changes", "learned", "basis", "k_per_w"),
    [
        ({"heater": {"full_power_rise": 36.0}, "model": MODEL}, None, Basis.FULL_POWER, 0.8),
        ({"model": MODEL}, Learned(30.0, 22.0, 99.0), Basis.MODEL, 0.7),
        ({}, Learned(27.0, 22.5, 20.0), Basis.LEARNED, 0.6),
        ({}, Learned(27.0, 22.5, 2.0), Basis.NOMINAL, 0.71),
        ({}, Learned(None, None, 50.0), Basis.NOMINAL, 0.71),
        ({}, None, Basis.NOMINAL, 0.71),
    ],
)
def test_what_it_rests_on(changes, learned, basis, k_per_w):
    lift = lift_of(box(**changes), learned)
    assert lift.basis is basis
    assert lift.k_per_w == pytest.approx(k_per_w)
    assert lift.measured is (basis is not Basis.NOMINAL)
    if learned is not None and learned.full_power_lead_k is not None and learned.hours > 12.0:
        assert lift.mat_k_per_w == pytest.approx(learned.full_power_lead_k / 45.0)
    else:
        assert lift.mat_k_per_w is None
    assert lift.mat_swing_k_per_w is None


def test_what_was_identified_of_the_mat_counts_before_what_was_learned():
    known = {**MODEL, "mat_gain": 0.4, "mat_gain_uncertainty": 0.01, "mat_swing": 0.1}
    lift = lift_of(box(model=known), Learned(30.0, 22.0, 99.0))
    assert lift.mat_k_per_w == 0.4
    assert lift.mat_k_per_w_half == pytest.approx(0.0196)
    assert lift.mat_swing_k_per_w == 0.1


def test_the_models_uncertainties_become_intervals():
    """f 0.75: the coldest room moves with 0.75 x 45 W of the gain's half and 0.75 of the load's."""
    sure = box(model={**MODEL, "gain_uncertainty": 0.01, "load_uncertainty": 0.1})
    coldest = asked(sure, lift_of(sure), 5.0).coldest_c
    half_k = math.hypot(0.75 * 45.0 * 0.0196, 0.75 * 0.196)
    assert coldest.low is not None
    assert coldest.high is not None
    assert coldest.value - coldest.low == pytest.approx(half_k, rel=1e-3)
    assert coldest.high - coldest.value == pytest.approx(half_k, rel=1e-3)
    assert asked(box(model=MODEL), lift_of(box(model=MODEL)), 5.0).coldest_c.low is None


def test_the_mat_binds_where_its_own_rise_and_swing_say():
    """Peaks at 50 - 3: mean 1.5 times the layer's rise, and 4d(1 - d) x 0.1 K/W x 45 W."""
    lift = Lift(0.7, Basis.MODEL, 0.0, 0.0, 0.0, 0.35, 0.0175, 0.1)
    chamber = box(limits={"substrate": 48.0, "mat": 50.0})
    found = asked(chamber, lift, 5.0)
    assert found.binds is Limit.MAT_LIMIT
    room_c = found.coldest_c.value
    rise_k = (25.0 - room_c) / 0.75
    duty = rise_k / 31.5
    peak_c = room_c + 1.5 * rise_k + 0.1 * 45.0 * 4.0 * duty * (1.0 - duty)
    assert peak_c == pytest.approx(47.0, abs=0.02)
    assert found.coldest_c.low is not None
    assert found.coldest_c.high is not None
    assert found.coldest_c.low < room_c - 0.3
    assert found.coldest_c.high > room_c + 0.3
    usual = asked(chamber, Lift(0.7, Basis.MODEL), 5.0)
    assert usual.coldest_c.value > room_c + 1.0


def test_heat_flow_that_runs_away_has_no_capacity():
    wild = box(offset={"method": "heat-flow", "resistance": 0.7})
    assert capacity(wild, Lift(0.71, Basis.NOMINAL), 5.0) is None


@given(
    gain=st.floats(0.2, 2.0),
    factor=st.floats(0.3, 1.0),
    ceiling_c=st.floats(27.0, 42.0),
    mat_c=st.floats(45.0, 85.0),
    load_k=st.floats(-2.0, 2.0),
    room_c=st.floats(-30.0, 24.0),
)
@settings(max_examples=200)
def test_held_exactly_where_the_room_is_not_colder_than_the_coldest(
    gain, factor, ceiling_c, mat_c, load_k, room_c
):
    chamber = box(
        offset={"method": "temperature-factor", "factor": factor},
        layer_ceiling=ceiling_c,
        limits={"substrate": 48.0, "mat": mat_c},
    )
    found = asked(chamber, Lift(gain, Basis.MODEL, load_k), room_c)
    assert found.bounds == tuple(sorted(found.bounds, key=lambda b: -b.room_c.value))
    assert found.holds is (room_c >= found.coldest_c.value)
    if room_c > found.coldest_c.value + 0.3:
        assert found.callus_c.value == pytest.approx(25.0, abs=0.05)
        assert found.duty.value <= 1.0
    if room_c < found.coldest_c.value - 0.5:
        assert found.callus_c.value < 25.0
        assert found.remedy is not None
        assert found.remedy.setpoint_c < 25.0
    colder = asked(chamber, Lift(gain, Basis.MODEL, load_k), room_c - 1.0)
    assert colder.watts.value >= found.watts.value
    assert colder.callus_c.value <= found.callus_c.value + 1e-9


@given(st.floats(25.0, 60.0), st.floats(20.0, 100.0))
def test_power_under_the_mat_limit_puts_its_peaks_there(layer_c, watts):
    chamber = box(heater={"watts": watts}, limits={"substrate": 48.0, "mat": 65.0})
    lift = Lift(0.7, Basis.MODEL)
    most_w = mat_most_w(chamber, lift, layer_c)
    peak_c = layer_c + 0.74 * 0.7 * most_w + ripple_k(chamber, most_w / watts)
    assert 0.0 <= most_w <= watts
    assert peak_c <= 62.0 + 0.5 or most_w < 1.0


def test_foam_lowers_the_loss_and_half_of_it_goes_with_thirty_millimetres():
    found = measures()
    shares = [each.loss_share for each in found]
    assert shares == sorted(shares, reverse=True)
    assert all(0.0 < share < 1.0 for share in shares)
    half = least(found, 0.51)
    assert half is not None
    assert (half.under_mm, half.round_mm) == (30, 0)
    assert half.loss_share == pytest.approx(lift_k_per_w(0, 0) / lift_k_per_w(30, 0))
    assert least(found, 0.01) is None


def test_foam_that_lies_there_already_is_not_proposed_again():
    assert all(each.under_mm > 30 or each.round_mm for each in measures(30))
    assert lift_k_per_w(30, 0) == pytest.approx(Chamber().settled("substrate", 1.0, 0.0))


def test_the_steady_state_is_that_of_the_chamber():
    """The built-in box settled with the power that capacity asks for holds its setpoint."""
    chamber = Chamber()
    gain = chamber.settled("substrate", 1.0, 0.0)
    factor = truth_factor(chamber.construction)
    mat_k_per_w = chamber.settled("mat", 1.0, 0.0) - gain
    config = box(offset={"method": "temperature-factor", "factor": factor})
    found = asked(config, Lift(gain, Basis.MODEL, mat_k_per_w=mat_k_per_w), 3.0)
    watts = found.watts.value
    assert chamber.settled("callus", watts, 3.0) == pytest.approx(25.0)
    assert chamber.settled("substrate", watts, 3.0) == pytest.approx(found.layer_c)
    assert chamber.settled("mat", watts, 3.0) == pytest.approx(found.mat_c)
    full = asked(config, Lift(gain, Basis.MODEL), found.coldest_c.value)
    assert chamber.settled("callus", 45.0, full.coldest_c.value) == pytest.approx(25.0)
