"""The fast warm-up in the cycle: quicker, within every bound, gone when anything is odd."""

from dataclasses import replace

import pytest

from bottomheat.chamber import Chamber
from bottomheat.model import Fault, Place, Unread
from plant import Plant, chamber_keys, config

# The nominal box's two lags, fitted to its exact step response (tests/random_boxes.py).
MODEL = {
    "gain": 0.788,
    "slow_lag": 8.28,
    "quick_lag": 1.71,
    "quick_share": 0.258,
    "dead_time": 0.244,
    "room_quick_share": -0.04,
}
OFFSET = {
    "method": "temperature-factor",
    "factor": 0.743,
    "calibrated": True,
    "substrate_lag": 2.2,
    "room_lag": 4.2,
}
STRONG = {"gpio": 17, "watts": 60.0}
CYCLE_S = 30.0


def plant(room_c=12.0, start_c=12.0, **keys):
    given = {"heater": STRONG, "model": MODEL, "warm_up": "fast", "offset": OFFSET, **keys}
    return Plant(
        config(cycle_s=CYCLE_S, bench=chamber_keys(**given)),
        {"bench": Chamber()},
        start_c=start_c,
        room_c=room_c,
    )


def hours_to_band(stand, most_hours=16.0):
    for step in range(round(most_hours * 3600 / CYCLE_S)):
        stand.step()
        if stand.callus_c["bench"][-1] >= 24.5:
            return step * CYCLE_S / 3600.0
    return most_hours


def warmest(stand, hours):
    """Warmest wet layer and mat over so many hours, °C."""
    box, layer_c, mat_c = stand.boxes["bench"], 0.0, 0.0
    for _ in range(round(hours * 3600 / CYCLE_S)):
        stand.step()
        layer_c = max(layer_c, box.temperature("substrate"))
        mat_c = max(mat_c, box.temperature("mat"))
    return layer_c, mat_c


def leading(stand):
    lead = stand.state.chambers["bench"].law.lead
    return lead is not None and lead.fast


def test_it_is_much_quicker_than_the_gentle_one_and_overshoots_little():
    fast, gentle = plant(), plant(warm_up="gentle")
    quick_h, slow_h = hours_to_band(fast), hours_to_band(gentle)
    assert quick_h < 0.7 * slow_h
    fast.run(12.0)
    assert max(fast.callus_c["bench"]) < 25.5
    assert not leading(fast)
    assert not fast.state.chambers["bench"].alarms


@pytest.mark.parametrize(
    ("limits", "ceiling_c"),
    [({"mat": 60}, 45.0), ({"mat": 48}, 45.0), ({"mat": 60}, 30.0), ({"substrate": 34}, 45.0)],
)
def test_it_keeps_ceiling_and_limits(limits, ceiling_c):
    stand = plant(layer_ceiling=ceiling_c, limits={"substrate": 50, **limits})
    layer_c, mat_c = warmest(stand, 14.0)
    box = stand.state.chambers["bench"]
    assert mat_c < limits.get("mat", 60)
    # Heat stored in the mat still comes after the contact has opened.
    assert layer_c < min(ceiling_c, limits.get("substrate", 50) - 3.0) + 0.7
    assert box.cutoff.latched is None


def test_a_bound_does_not_make_the_contact_chatter():
    stand = plant(limits={"substrate": 50, "mat": 48}, layer_ceiling=45)
    warmest(stand, 8.0)
    assert stand.state.chambers["bench"].relay.closings < 8 * 15


@pytest.mark.parametrize(
    "keys",
    [
        {"model": None},
        {"warm_up": "gentle"},
        {"probes": (Place.SUBSTRATE, Place.ROOM)},
        {"offset": {"method": "fixed", "kelvin": 1.5}},
        {"law": "hysteresis"},
    ],
)
def test_there_is_none_without_what_it_needs(keys):
    stand = plant(**keys)
    stand.run(1.0)
    assert not leading(stand)


def test_a_probe_that_is_lost_ends_the_heat_at_once_and_it_does_not_come_back_as_a_fast_one():
    stand = plant()
    stand.run(2.0)
    assert leading(stand)
    stand.override = lambda name, place, raw: (
        Unread(Fault.ABSENT, raw.at_s) if place is Place.SUBSTRATE else raw
    )
    stand.run(0.05)
    assert not stand.heat
    stand.run(2.0)
    assert not stand.heat
    stand.override = None
    stand.run(0.6)
    warmest(stand, 12.0)
    assert max(stand.callus_c["bench"]) < 25.6


def test_a_lost_mat_probe_ends_the_heat():
    stand = plant()
    stand.run(2.0)
    assert leading(stand)
    stand.override = lambda name, place, raw: (
        Unread(Fault.ABSENT, raw.at_s) if place is Place.MAT else raw
    )
    stand.run(0.1)
    assert not stand.heat


def test_a_wet_layer_probe_pulled_out_is_found_as_without_a_fast_warm_up():
    # It reads the room: full power without a rise, which is what a displaced probe looks like.
    stand = plant()
    stand.run(1.0)
    stand.override = lambda name, place, raw: (
        replace(raw, celsius=12.0) if place is Place.SUBSTRATE else raw
    )
    stand.run(1.5)
    assert not stand.heat
    assert max(stand.callus_c["bench"]) < 25.0


@pytest.mark.parametrize("gain", [0.3, 2.0])
def test_a_model_that_is_far_wrong_only_makes_it_slower_or_warmer_within_bounds(gain):
    stand = plant(model={**MODEL, "gain": gain})
    layer_c, mat_c = warmest(stand, 36.0)
    assert mat_c < 60.0
    assert layer_c < 34.7
    assert max(stand.callus_c["bench"]) < 27.0
    # And the PID still brings the callus zone to its setpoint.
    assert stand.callus_c["bench"][-1] == pytest.approx(25.0, abs=0.3)


@pytest.mark.parametrize(
    "wrong",
    [
        {"quick_lag": 0.02, "quick_share": 1.0},
        {"gain": 2.5, "quick_lag": 0.4, "quick_share": 1.0, "dead_time": 3.0},
    ],
)
def test_a_model_that_is_far_too_quick_does_not_hold_the_box_cold_for_good(wrong):
    stand = plant(model={**MODEL, **wrong})
    assert hours_to_band(stand, most_hours=20.0) < 18.0


def test_another_model_ends_what_the_one_before_led():
    stand = plant()
    stand.run(2.0)
    assert leading(stand)
    stand.config = config(
        cycle_s=CYCLE_S,
        bench=chamber_keys(
            heater=STRONG, model={**MODEL, "gain": 1.6}, warm_up="fast", offset=OFFSET
        ),
    )
    stand.step()
    assert stand.state.chambers["bench"].law.lead is None


def test_with_a_long_window_it_is_not_worked_out_every_cycle():
    stand = plant(heater={**STRONG, "window": 3600})
    led_s = set()
    for _ in range(120):
        stand.step()
        lead = stand.state.chambers["bench"].law.lead
        led_s.add(None if lead is None else lead.at_s)
    assert leading(stand)
    assert len(led_s) < 16
