"""The frost guard: only where it is asked for and can be trusted, warm enough, and never hot."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

import chambers
from beds import CYCLE_S, Beds, keys_of
from bottomheat.chamber import Chamber
from bottomheat.config import LIMIT_MARGIN_K
from bottomheat.model import Alarm, Place
from bottomheat.protect import frost
from bottomheat.protect import thresholds as th
from bottomheat.protect.layer import Layer
from bottomheat.protect.watch import NOTHING, Watch
from bottomheat.state import ChamberState
from plant import chamber_keys, config, silent

S, S2, ROOM, MAT = Place.SUBSTRATE, Place.SUBSTRATE_2, Place.ROOM, Place.MAT

CHAMBER = config(bench=chamber_keys(frost_guard=True)).chambers["bench"]
STATE = ChamberState(watch=Watch(layer=Layer(full_k=30.0)))
COLD = {S: None, MAT: 2.0, ROOM: -5.0}


def guarded(state=STATE, chamber=CHAMBER, usable=COLD, finding=NOTHING, **more):
    return frost.guarded(finding, state, chamber, usable, **{"hold": None, "proved": True, **more})


def watched(**change) -> ChamberState:
    return replace(STATE, watch=replace(STATE.watch, **change))


# --- by hand ------------------------------------------------------------------------------------


def test_it_gives_what_the_model_says_keeps_the_bed_a_few_degrees_above_freezing():
    assert guarded() == pytest.approx((th.FROST_C + 5.0) / 30.0)
    assert guarded(usable={**COLD, ROOM: 3.0}) == pytest.approx(2.0 / 30.0)
    assert guarded(usable={**COLD, ROOM: 8.0}) == 0.0


def test_it_works_where_the_probe_is_displaced_or_both_probes_are_lost():
    reading = {S: -5.0, MAT: 2.0, ROOM: -5.0}
    assert guarded(usable=reading) is None
    assert guarded(watched(displaced="displaced"), usable=reading) > 0.0
    assert guarded(usable={S: None, S2: 20.0, MAT: 2.0, ROOM: -5.0}) is None
    assert guarded(usable={S: None, S2: None, MAT: 2.0, ROOM: -5.0}) > 0.0


@pytest.mark.parametrize(
    "against",
    [
        {"chamber": config(bench=chamber_keys()).chambers["bench"]},
        {"hold": "the clock went backwards"},
        {"proved": False},
        {"state": watched(stuck=True)},
        {"state": watched(latched="displaced twice")},
        {"state": watched(no_effect="dead")},
        {"state": watched(frozen=frozenset({MAT}))},
        {"finding": replace(NOTHING, pause=True)},
        {"finding": replace(NOTHING, open_series=True)},
        {"finding": replace(NOTHING, room_c=3.0)},
        {"usable": {S: None, MAT: None, ROOM: -5.0}},
        {"usable": {S: None, ROOM: -5.0}},
        {"usable": {S: None, MAT: 2.0, ROOM: None}},
        {"usable": {S: None, MAT: 2.0}},
    ],
    ids=", ".join,
)
def test_any_doubt_and_there_is_no_guard(against):
    assert guarded(**against) is None


@given(
    st.floats(-30.0, 40.0),
    st.floats(5.0, 400.0),
    st.none() | st.floats(1.0, 300.0),
    st.none() | st.floats(5.0, 120.0),
    st.floats(30.0, 60.0),
)
def test_the_duty_never_takes_the_layer_to_its_limit_in_a_room_of_twenty(
    room_c, watts, learned_k, configured_k, limit_c
):
    heater = {"gpio": 17, "watts": watts}
    if configured_k is not None:
        heater["full_power_rise"] = configured_k
    keys = chamber_keys(
        frost_guard=True, heater=heater, layer_ceiling=29.0, limits={"substrate": limit_c}
    )
    chamber = config(bench=keys).chambers["bench"]
    state = ChamberState(watch=Watch(layer=Layer(full_k=learned_k)))
    duty = guarded(state, chamber, {**COLD, ROOM: room_c})
    assert 0.0 <= duty <= 1.0
    # A gain that is not known may be three times what the rating makes likely.
    most_k = configured_k or learned_k or th.PRIOR_SPAN * th.LAYER_K_PER_W * watts
    assert 20.0 + duty * most_k <= limit_c - LIMIT_MARGIN_K + 1e-6


def test_the_words_name_the_duty_and_the_cause():
    assert "29%" in frost.words(0.29)
    assert "probe is lost" in frost.words(0.29)


# --- on boxes -----------------------------------------------------------------------------------


def in_frost(make, *, guard: bool, room_c: float, learn_h: float = 20.0) -> Beds:
    """A warmed box whose wet-layer probe dies, in a shed that goes to so many degrees in 6 h."""
    box = make()
    beds = Beds(
        config(CYCLE_S, bench=keys_of(box, frost_guard=guard)),
        {"bench": box},
        room_c=12.0,
        start_c=12.0,
    )
    beds.run(learn_h)
    from_s = beds.now_s
    beds.room_c = lambda now_s: 12.0 + (room_c - 12.0) * min(1.0, (now_s - from_s) / 21_600.0)
    beds.override = lambda name, place, raw: silent(raw) if place is S else raw
    beds.forget()
    return beds


@pytest.mark.parametrize("make", [Chamber, chambers.DeepBox, chambers.Jacketed])
def test_a_bed_whose_probe_is_lost_does_not_freeze_at_five_below(make):
    beds = in_frost(make, guard=True, room_c=-5.0)
    beds.run(72)
    assert min(beds.callus_c["bench"]) > 0.0
    assert beds.temperature(S) < 12.0
    assert Alarm.PROBE_LOST in beds.alarms()
    assert "frost guard" in beds.records["bench"][-1].reason
    assert beds.latched() is None


def test_without_the_guard_it_freezes():
    beds = in_frost(Chamber, guard=False, room_c=-5.0)
    beds.run(72)
    assert min(beds.callus_c["bench"]) < -1.0
    assert beds.heated() == 0.0


def test_in_a_mild_shed_it_gives_no_heat():
    beds = in_frost(Chamber, guard=True, room_c=10.0)
    beds.run(12)
    assert beds.heated(last=600) == 0.0


@pytest.mark.parametrize("make", [Chamber, chambers.DeepBox, chambers.Jacketed])
@pytest.mark.parametrize("learn_h", [0.0, 20.0])
def test_a_room_probe_that_lies_in_the_snow_cannot_make_the_guard_cook_the_bed(make, learn_h):
    """The worst case that the guard is bounded for: a warm room that reads as a hard frost."""
    beds = in_frost(make, guard=True, room_c=20.0, learn_h=learn_h)
    beds.lies["bench", ROOM] = lambda box, room_c: room_c - 40.0
    hottest_c = 0.0
    for _ in range(60 * 120):
        beds.step()
        hottest_c = max(hottest_c, beds.temperature(S))
    assert hottest_c < 40.0
    if learn_h:
        assert beds.heated(last=1200) > 0.0
