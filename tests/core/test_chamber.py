"""The thermal model keeps its books: heat in, heat stored, heat out."""

import math
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import chambers
from bottomheat.chamber import Chamber
from bottomheat.construction import DRAUGHTY, NOMINAL, Construction

READ_PLACES = ("substrate", "callus", "mat", "top")
TEST_BOXES = (
    chambers.DeepBox,
    chambers.HalfFull,
    chambers.ShallowBags,
    chambers.CardUnder,
    chambers.Jacketed,
    chambers.DryPeat,
    chambers.WetSand,
)
EVERY_BOX: tuple[Any, ...] = (Chamber, *TEST_BOXES)

watts = st.floats(0.0, 150.0)
rooms = st.floats(-15.0, 40.0)
lids = st.sampled_from(["on", "ajar", "off"])


def places(box: Any) -> list[float]:
    return [box.temperature(place) for place in READ_PLACES]


def after(hours: float, heater_watts: float, room_c: float, start_c: float = 18.0) -> Chamber:
    box = Chamber()
    box.advance(0, 0, start_c)
    box.advance(hours * 3600, heater_watts, room_c)
    return box


# --- what every chamber promises ------------------------------------------------------------------


@pytest.mark.parametrize("make", EVERY_BOX)
def test_a_box_without_heat_stays_at_its_room(make):
    box = make()
    for _ in range(50):
        box.advance(600, 0, 11.3)
    assert places(box) == pytest.approx([11.3] * 4, abs=1e-9)
    assert box.temperature("room") == 11.3


@pytest.mark.parametrize("make", EVERY_BOX)
def test_the_box_is_as_warm_as_the_first_room_it_is_told(make):
    box = make()
    box.advance(0, 45, -4.0)
    assert places(box) == pytest.approx([-4.0] * 4, abs=1e-9)


@pytest.mark.parametrize("make", EVERY_BOX)
@pytest.mark.parametrize("heater_watts", [0.0, 45.0])
def test_one_long_step_equals_many_short_ones(make, heater_watts):
    long, short = make(), make()
    for box in (long, short):
        box.advance(0, 0, 20)
    long.advance(60, heater_watts, 5)
    for _ in range(6):
        short.advance(10, heater_watts, 5)
    assert places(long) == pytest.approx(places(short), abs=1e-9)


@pytest.mark.parametrize("make", EVERY_BOX)
def test_warming_from_rest_never_turns_back(make):
    box = make()
    box.advance(0, 0, 10)
    before = places(box)
    for _ in range(400):
        box.advance(600, 45, 10)
        now = places(box)
        # 1e-9 K of rounding once the box has settled.
        assert all(b >= a - 1e-9 for a, b in zip(before, now, strict=True))
        before = now
    mat, substrate, callus = (box.temperature(p) for p in ("mat", "substrate", "callus"))
    assert mat > substrate > callus > box.temperature("top") > 10


@pytest.mark.parametrize("make", EVERY_BOX)
@pytest.mark.parametrize(
    "step",
    [
        (-1.0, 0.0, 20.0),
        (math.nan, 0.0, 20.0),
        (math.inf, 0.0, 20.0),
        (10.0, -0.1, 20.0),
        (10.0, math.nan, 20.0),
        (10.0, math.inf, 20.0),
        (10.0, 0.0, math.nan),
        (10.0, 0.0, math.inf),
        (10.0, 0.0, -math.inf),
        (10.0, 0.0, -300.0),
    ],
)
def test_a_senseless_step_is_refused_and_changes_nothing(make, step):
    box = make()
    box.advance(3600, 45, 20)
    before = places(box)
    with pytest.raises(ValueError, match="finite number"):
        box.advance(*step)
    assert places(box) == before
    assert box.temperature("room") == 20


@pytest.mark.parametrize("make", EVERY_BOX)
def test_an_unknown_place_is_refused_by_name(make):
    box = make()
    box.advance(0, 0, 20)
    with pytest.raises(ValueError, match=r"no place 'bench'.*substrate, callus, mat, room, top"):
        box.temperature("bench")


@pytest.mark.parametrize("make", EVERY_BOX)
@pytest.mark.parametrize("place", ["substrate", "room"])
def test_no_temperature_before_the_box_knows_its_room(make, place):
    with pytest.raises(ValueError, match="before"):
        make().temperature(place)


# --- energy -----------------------------------------------------------------------------------


@settings(max_examples=20, deadline=None)
@given(heater_watts=watts, room_c=rooms, sun=st.floats(0.0, 60.0), lid=lids)
def test_settled_box_loses_what_it_is_given(heater_watts, room_c, sun, lid):
    box = Chamber()
    box.open_lid(lid)
    box.set_sun(sun)
    box.advance(0, 0, room_c)
    box.advance(60 * 86400, heater_watts, room_c)
    assert box.heat_loss_watts() == pytest.approx(heater_watts + sun, abs=1e-6)
    for place in READ_PLACES:
        assert box.temperature(place) == pytest.approx(
            box.settled(place, heater_watts, room_c), abs=1e-6
        )


@settings(max_examples=10, deadline=None)
@given(heater_watts=watts, room_c=rooms, start_c=rooms, sun=st.floats(0.0, 60.0), lid=lids)
def test_stored_heat_is_heat_in_less_heat_out(heater_watts, room_c, start_c, sun, lid):
    box = Chamber()
    box.advance(0, 0, start_c)
    box.open_lid(lid)
    box.set_sun(sun)
    # One step moves the room at once; after that losses change smoothly and the trapezium holds.
    box.advance(1800, heater_watts, room_c)
    stored, lost, step_s = box.heat_content_j(), 0.0, 5.0
    before = box.heat_loss_watts()
    for _ in range(720):
        box.advance(step_s, heater_watts, room_c)
        now = box.heat_loss_watts()
        lost += 0.5 * (before + now) * step_s
        before = now
    supplied = (heater_watts + sun) * 720 * step_s
    assert box.heat_content_j() - stored == pytest.approx(supplied - lost, abs=5.0)  # of about 1e5


@settings(max_examples=20, deadline=None)
@given(
    one=st.tuples(watts, rooms, rooms), two=st.tuples(watts, rooms, rooms), hours=st.floats(0.1, 40)
)
def test_two_causes_add_up_with_the_lid_on(one, two, hours):
    both = tuple(a + b for a, b in zip(one, two, strict=True))
    apart = [
        a + b for a, b in zip(places(after(hours, *one)), places(after(hours, *two)), strict=True)
    ]
    assert places(after(hours, *both)) == pytest.approx(apart, abs=1e-6)


@settings(max_examples=20, deadline=None)
@given(heater_watts=st.floats(5.0, 60.0), room_c=st.floats(-5.0, 30.0))
def test_factor_depends_on_neither_power_nor_room(heater_watts, room_c):
    box = Chamber()
    rise = {p: box.settled(p, heater_watts, room_c) - room_c for p in ("substrate", "callus")}
    nominal = box.settled("callus", 1, 0) / box.settled("substrate", 1, 0)
    assert rise["callus"] / rise["substrate"] == pytest.approx(nominal, rel=1e-9)


def test_settled_leaves_the_box_as_it_was():
    box = after(5, 45, 10)
    before = places(box)
    assert box.settled("callus", 45, 10) > before[1]
    assert places(box) == before


def test_more_step_lengths_than_are_kept_change_nothing():
    many, one = after(0, 0, 10), after(0, 0, 10)
    for step_s in range(1, 61):
        many.advance(step_s, 45, 10)
    one.advance(sum(range(1, 61)), 45, 10)
    assert places(many) == pytest.approx(places(one), abs=1e-9)
    assert len(many._steps) <= 16


# --- what happens to a box --------------------------------------------------------------------


@settings(max_examples=25, deadline=None)
@given(litres=st.floats(0.0, 20.0), water_c=st.floats(0.0, 60.0))
def test_water_brings_its_heat_and_takes_along_that_of_the_mix(litres, water_c):
    box = after(30, 30, 12)
    before = box.heat_content_j()
    # Mean of the layer from its own share of stored heat: pour an endless amount at 0 °C.
    empty = after(30, 30, 12)
    empty.add_water(1e12, 0.0)
    layer_j = before - empty.heat_content_j()
    layer_j_per_k = NOMINAL.layer_j_per_m3k * NOMINAL.layer_m * NOMINAL.floor_m2
    layer_c = layer_j / layer_j_per_k
    water_j_per_k = litres * 0.998 * 4190
    mix_c = (layer_j_per_k * layer_c + water_j_per_k * water_c) / (layer_j_per_k + water_j_per_k)
    box.add_water(litres, water_c)
    assert box.heat_content_j() - before == pytest.approx(
        water_j_per_k * (water_c - mix_c), abs=1e-3
    )


def test_cold_water_chills_the_probe_first_and_the_callus_zone_later():
    box, dry = after(60, 30, 12), after(60, 30, 12)
    box.add_water(3, 8)
    assert box.temperature("substrate") < dry.temperature("substrate") - 5
    assert box.temperature("callus") == dry.temperature("callus")
    for kept in (box, dry):
        kept.advance(3600, 30, 12)
    assert box.temperature("callus") < dry.temperature("callus") - 0.3


@settings(max_examples=25, deadline=None)
@given(share=st.floats(0.0, 1.0), bag_c=st.floats(-5.0, 40.0))
def test_bags_bring_their_heat_for_that_of_as_many_bags(share, bag_c):
    box = after(30, 30, 12)
    full = after(30, 30, 12)
    full.place_bags(NOMINAL.medium_kg, 0.0)
    medium_j = box.heat_content_j() - full.heat_content_j()
    medium_j_per_k = (
        NOMINAL.medium_j_per_m3k * NOMINAL.medium_m * NOMINAL.floor_m2 * NOMINAL.fill_frac
    )
    before = box.heat_content_j()
    box.place_bags(share * NOMINAL.medium_kg, bag_c)
    gained = share * (medium_j_per_k * bag_c - medium_j)
    assert box.heat_content_j() - before == pytest.approx(gained, abs=1e-3)


def test_every_bag_changed_leaves_the_callus_zone_as_warm_as_the_bags():
    box = after(30, 30, 12)
    box.place_bags(NOMINAL.medium_kg, 6.0)
    assert box.temperature("callus") == pytest.approx(6.0)


def test_lid_off_costs_heat_and_ajar_costs_less():
    boxes = {}
    for lid in ("on", "ajar", "off"):
        boxes[lid] = after(60, 30, 15)
        boxes[lid].open_lid(lid)
        stored = boxes[lid].heat_content_j()
        boxes[lid].advance(0, 30, 15)
        assert boxes[lid].heat_content_j() == stored  # opening itself takes nothing
        boxes[lid].advance(4 * 3600, 30, 15)
        assert boxes[lid].lid == lid
    assert (
        boxes["on"].temperature("callus")
        > boxes["ajar"].temperature("callus")
        > boxes["off"].temperature("callus")
    )


def test_opening_the_lid_counts_from_the_next_step_of_the_same_length():
    used, new = after(0, 0, 10), after(0, 0, 10)
    used.advance(600, 45, 10)
    new.advance(300, 45, 10)
    new.advance(300, 45, 10)
    for box in (used, new):
        box.open_lid("off")
        box.advance(600, 45, 10)
    assert places(used) == pytest.approx(places(new), abs=1e-9)


def test_factor_alone_fails_with_the_lid_off():
    """An open lid is a constant sink: the rise at no heat is not 0 but below the room."""
    box = Chamber()
    box.open_lid("off")
    box.advance(0, 0, 20)
    assert box.settled("callus", 0, 20) < 19
    ratios = [
        (box.settled("callus", heater_watts, 20) - 20)
        / (box.settled("substrate", heater_watts, 20) - 20)
        for heater_watts in (15, 45)
    ]
    assert ratios[1] - ratios[0] > 0.05


def test_lid_put_back_on_is_the_box_it_was():
    box, shut = after(5, 30, 15), after(5, 30, 15)
    box.open_lid("off")
    box.open_lid("on")
    for kept in (box, shut):
        kept.advance(7200, 45, 15)
    assert places(box) == places(shut)


def test_sun_warms_the_top_before_the_probe_and_ends_when_told():
    box = after(100, 10, 15)
    before = {place: box.temperature(place) for place in READ_PLACES}
    box.set_sun(40)
    box.advance(900, 10, 15)
    rise = {place: box.temperature(place) - before[place] for place in READ_PLACES}
    assert rise["top"] > 0.5
    assert rise["top"] > 10 * max(rise["substrate"], rise["mat"])
    box.set_sun(0)
    box.advance(100 * 3600, 10, 15)
    assert {place: box.temperature(place) for place in READ_PLACES} == pytest.approx(
        before, abs=1e-3
    )


@pytest.mark.parametrize(
    ("hook", "arguments", "says"),
    [
        ("open_lid", ("half",), '"on", "ajar" or "off"'),
        ("set_sun", (-1.0,), "watts"),
        ("set_sun", (math.inf,), "watts"),
        ("add_water", (-1.0, 20.0), "litres"),
        ("add_water", (math.nan, 20.0), "litres"),
        ("add_water", (1.0, -0.5), "celsius"),
        ("add_water", (1.0, 101.0), "celsius"),
        ("add_water", (1.0, math.nan), "celsius"),
        ("place_bags", (-1.0, 20.0), "mass_kg"),
        ("place_bags", (NOMINAL.medium_kg * 1.01, 20.0), "mass_kg"),
        ("place_bags", (1.0, -300.0), "celsius"),
        ("place_bags", (1.0, math.nan), "celsius"),
        ("settled", ("bench", 10.0, 20.0), "no place"),
        ("settled", ("callus", -10.0, 20.0), "heater_watts"),
        ("settled", ("callus", 10.0, math.nan), "room_c"),
    ],
)
def test_hooks_refuse_nonsense_in_one_sentence_and_change_nothing(hook, arguments, says):
    box = after(5, 45, 10)
    before = places(box)
    with pytest.raises(ValueError, match=says) as refusal:
        getattr(box, hook)(*arguments)
    assert "\n" not in str(refusal.value)
    box.advance(0, 45, 10)
    assert places(box) == before


@pytest.mark.parametrize(
    ("hook", "arguments"),
    [
        ("add_water", (1.0, 10.0)),
        ("place_bags", (1.0, 10.0)),
        ("heat_content_j", ()),
        ("heat_loss_watts", ()),
    ],
)
def test_hooks_that_need_temperatures_wait_for_the_first_room(hook, arguments):
    with pytest.raises(ValueError, match="before its first advance"):
        getattr(Chamber(), hook)(*arguments)


# --- construction -----------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("change", "says"),
    [
        ({"board_m": 0.0}, "board_m"),
        ({"medium_w_per_mk": math.nan}, "medium_w_per_mk"),
        ({"layer_m": math.inf}, "layer_m"),
        ({"fill_frac": 1.2}, "fill_frac"),
        ({"layer_cells": 4}, "cells"),
        ({"height_m": 0.1}, "height_m"),
        ({"callus_m": 0.2}, "callus_m"),
        ({"mat_m2": 0.5}, "mat_m2"),
    ],
)
def test_a_construction_that_cannot_be_built_is_refused(change, says):
    with pytest.raises(ValueError, match=says):
        Construction(**change)


def test_a_draught_costs_power():
    assert Chamber(DRAUGHTY).settled("callus", 45, 5) < Chamber().settled("callus", 45, 5) - 1


@pytest.mark.parametrize("make", TEST_BOXES)
def test_a_named_test_box_settles_where_its_own_truth_says(make):
    box = make()
    box.advance(0, 0, 8)
    box.advance(90 * 86400, 30, 8)
    for place in READ_PLACES:
        assert box.temperature(place) == pytest.approx(8 + 30 * make.rise(place), abs=1e-6)
    share = (box.temperature("callus") - 8) / (box.temperature("substrate") - 8)
    assert share == pytest.approx(make.factor(), abs=1e-9)


@pytest.mark.parametrize("make", TEST_BOXES)
def test_fitted_lags_of_a_test_box_follow_its_step_response(make):
    lags = make.lags()
    box = make()
    box.advance(0, 0, 0)
    for quarter in range(1, 193):
        box.advance(900, 1, 0)
        t = quarter * 900.0
        slow, quick = (
            1 - math.exp(-max(t - lags.substrate_dead_s, 0) / lag)
            for lag in (lags.substrate_slow_s, lags.substrate_quick_s)
        )
        share = lags.substrate_quick_share
        substrate = make.rise("substrate") * ((1 - share) * slow + share * quick)
        callus = make.rise("callus") * (
            1 - math.exp(-max(t - lags.callus_dead_s, 0) / lags.callus_lag_s)
        )
        assert box.temperature("substrate") == pytest.approx(
            substrate, abs=0.02 * make.rise("substrate")
        )
        assert box.temperature("callus") == pytest.approx(callus, abs=0.03 * make.rise("callus"))
