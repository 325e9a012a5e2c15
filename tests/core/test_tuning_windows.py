"""Windows, closings and what a loop is predicted to do: against the relay and the model run out."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from bottomheat import modulate, regulate
from bottomheat.config import ChamberConfig
from bottomheat.config_parse import parse
from bottomheat.response import Response, advance, rested
from bottomheat.tuning import margins, offers, prediction, windows
from bottomheat.tuning.rules import Gains
from bottomheat.tuning.study import plant_of, study

NOMINAL = Response(0.712, 9.27 * 3600, 1.80 * 3600, 0.38, 14.7 * 60)
FACTOR, AFTER_S = 0.74, 1800.0


def box(offset: dict[str, object], **heater: object) -> ChamberConfig:
    data = {
        "chambers": {
            "north-bench": {
                "callus_zone": 25,
                "heater": {"gpio": 17, "watts": 45, **heater},
                "probes": {
                    "substrate": "28-000000000001",
                    "room": "28-000000000002",
                    "mat": "28-000000000003",
                    "callus": "28-000000000004",
                },
                "offset": offset,
                "limits": {"mat": 80, "substrate": 45},
            }
        }
    }
    config = parse(data, {}).config
    assert config is not None
    return config.chambers["north-bench"]


def counted(duty: float, window_s: float, least_s: float, days: float) -> float:
    """Closings a day of the daemon's own modulator at a steady duty, from its third hour on."""
    relay = modulate.Modulator()
    start = 0
    for i in range(round(days * 86_400 / 10)):
        relay = modulate.proportion(
            relay,
            duty,
            i * 10.0,
            window_s=window_s,
            min_on_s=least_s,
            min_off_s=least_s,
            bound=False,
        )
        if i == 1080:
            start = relay.closings
    return (relay.closings - start) / (days - 0.125)


@settings(max_examples=30, deadline=None)
@example(0.8046875, 300.0, 60.0)  # in turn: the cycles carry it over the shortest open time
@given(
    st.floats(0.02, 0.98),
    st.sampled_from([300.0, 600.0, 900.0]),
    st.sampled_from([20.0, 60.0]),
)
def test_closings_are_those_of_the_modulator(duty: float, window_s: float, least_s: float) -> None:
    found = windows.closings_a_day(duty, window_s, least_s, least_s)
    assert found == pytest.approx(counted(duty, window_s, least_s, 1.5), rel=0.04, abs=4.0)
    assert found <= 86_400 / window_s


@pytest.mark.parametrize(
    ("duty", "window_s", "least_s", "turns"),
    [
        (0.5, 600.0, 20.0, 1),
        (0.05, 600.0, 60.0, 2),
        (0.025, 600.0, 60.0, 4),
        (0.95, 600.0, 60.0, 2),
    ],
)
def test_heat_comes_in_each_window_or_in_turns(
    duty: float, window_s: float, least_s: float, turns: int
) -> None:
    """By hand: the shortest time is a tenth of the window, a twentieth of it comes every second."""
    found = windows.closings_a_day(duty, window_s, least_s, least_s)
    assert found == pytest.approx(86_400 / window_s / turns, rel=0.002)


def test_no_heat_and_all_of_it_close_nothing() -> None:
    for duty in (0.0, 1.0):
        assert windows.closings_a_day(duty, 600.0, 20.0, 20.0) == 0.0
        assert windows.ripple_k(NOMINAL, 45.0, 600.0, duty=duty) == 0.0


@pytest.mark.parametrize("window_s", [600.0, 1800.0, 3600.0])
@pytest.mark.parametrize("duty", [0.3, 0.6])
def test_ripple_is_that_of_the_lags_run_out(window_s: float, duty: float) -> None:
    """Without a dead time the model can be run as it is; with one it counts as a lag."""
    plain = Response(0.712, 33_000.0, 6500.0, 0.38, 0.0)
    twin = rested(plain, 10.0 + 0.712 * 45.0 * duty, 10.0)
    seen: list[float] = []
    for turn in range(60):
        for heat, share in ((45.0, duty), (0.0, 1.0 - duty)):
            for _ in range(20):
                twin = advance(twin, plain, share * window_s / 20, heat, 10.0)
                if turn >= 50:
                    seen.append(twin.place_c(plain))
    swing_k = max(seen) - min(seen)
    assert windows.ripple_k(plain, 45.0, window_s, duty=duty) == pytest.approx(swing_k, rel=0.03)


def test_the_reference_box_swings_no_more_than_is_said() -> None:
    """Wet layer and callus zone of the full model, 45 W at half power: 0.015 and 0.00003 K with ten
    minutes, 0.13 and 0.0015 K with twenty, 0.34 and 0.008 K with thirty (calculated)."""
    for window_s, layer_k, callus_k in (
        (600, 0.015, 3e-5),
        (1200, 0.13, 0.0015),
        (1800, 0.34, 0.008),
    ):
        said_k = windows.ripple_k(NOMINAL, 45.0, window_s)
        assert 0.75 * layer_k < said_k < 4.0 * layer_k
        assert windows.ripple_k(NOMINAL, 45.0, window_s, factor=FACTOR, after_s=AFTER_S) > callus_k


@settings(max_examples=60, deadline=None)
@given(
    st.floats(0.3, 1.5),
    st.floats(1.0, 15.0),
    st.floats(0.1, 0.9),
    st.floats(0.0, 0.9),
    st.floats(0.0, 2400.0),
    st.floats(25.0, 100.0),
)
def test_a_chosen_window_keeps_its_bounds_and_says_why(
    gain: float, slow_h: float, ratio: float, share: float, dead_s: float, watts: float
) -> None:
    response = Response(gain, slow_h * 3600, slow_h * ratio * 3600, share, dead_s)
    found = windows.choose(response, watts, "mechanical", factor=FACTOR, after_s=AFTER_S)
    assert found.window_s in (600.0, 900.0, 1200.0)
    assert found.reason
    if found.window_s > 600.0:
        assert found.window_s <= dead_s
        assert found.callus_ripple_k <= windows.CALLUS_RIPPLE_K
        assert found.layer_ripple_k <= windows.LAYER_RIPPLE_K
    solid = windows.choose(response, watts, "solid-state", factor=FACTOR, after_s=AFTER_S)
    assert solid.window_s == 60.0
    assert solid.layer_ripple_k <= found.layer_ripple_k + 1e-9


def test_a_slow_bed_gets_a_longer_window() -> None:
    slow = Response(0.7, 36_000.0, 9000.0, 0.3, 1500.0)
    found = windows.choose(slow, 45.0, "mechanical", factor=FACTOR, after_s=AFTER_S)
    assert found.window_s == 1200.0
    assert "72 closings a day" in found.reason
    quick = Response(0.7, 36_000.0, 9000.0, 0.3, 500.0)
    assert (
        windows.choose(quick, 45.0, "mechanical", factor=FACTOR, after_s=AFTER_S).window_s == 600.0
    )


# -- prediction


def test_a_box_at_rest_stays_at_rest() -> None:
    plant = prediction.Plant(NOMINAL, 45.0, FACTOR, AFTER_S, 3600.0)
    course = prediction.run(
        plant,
        Gains(0.15, 9000.0),
        600.0,
        callus_zone_c=lambda _: 25.0,
        room_c=lambda _: 13.0,
        hours=20.0,
    )
    assert course.rms_k(25.0) < 0.05
    assert all(abs(c - 25.0) < 0.1 for c in course.callus_c)
    assert course.hours[-1] == pytest.approx(20.0, abs=0.05)


@pytest.mark.parametrize("rule", offers.RULES)
def test_whatever_is_offered_brings_the_bases_back(rule: offers.Rule) -> None:
    found = study(box({"method": "temperature-factor", "factor": 0.74}), NOMINAL, rule)
    assert found.drop.callus_c[-1] == pytest.approx(25.0, abs=0.1)
    assert found.step.callus_c[-1] == pytest.approx(25.0, abs=0.1)
    assert max(found.step.callus_c) < 25.4
    assert min(found.drop.callus_c) > 23.5
    assert found.rms_k < 0.5


def test_a_tuning_that_swings_swings_in_the_prediction_too() -> None:
    plant = prediction.Plant(NOMINAL, 45.0)
    wild = Gains(1.1, 6.1 * 3600)
    assert not margins.loop_margins(NOMINAL, 45.0, wild, 600.0).stable
    course = prediction.run(
        plant,
        wild,
        600.0,
        callus_zone_c=lambda now_s: 25.0 if now_s < 1 else 26.0,
        room_c=lambda _: 11.0,
        hours=48.0,
    )
    late = [c for t, c in zip(course.hours, course.layer_c, strict=True) if t > 36]
    assert max(late) - min(late) > 0.5


@pytest.mark.parametrize(
    ("offset", "factor"),
    [
        ({"method": "temperature-factor", "factor": 0.7}, 0.7),
        ({"method": "direct", "factor": 0.65}, 0.65),
        ({"method": "fixed", "kelvin": 1.5}, 1.0),
        ({"method": "heat-flow", "resistance": 0.178}, 0.75),
    ],
)
def test_every_offset_method_can_be_tuned(offset: dict[str, object], factor: float) -> None:
    chamber = box(offset)
    assert plant_of(chamber, NOMINAL).factor == pytest.approx(factor, abs=1e-3)
    found = study(chamber, NOMINAL, "simc")
    assert math.isfinite(found.rms_k)
    assert found.duty == pytest.approx(0.5, abs=0.05)


def test_a_window_of_ones_own_is_tuned_for() -> None:
    chamber = box({"method": "temperature-factor", "factor": 0.74})
    short = study(chamber, NOMINAL, "simc", window_s=300.0)
    long = study(chamber, NOMINAL, "simc", window_s=1200.0)
    assert long.offer.gains.gain_per_k < short.offer.gains.gain_per_k
    assert long.closings_a_day == 72


@settings(max_examples=40, deadline=None)
@given(st.floats(0.02, 0.5), st.floats(0.5, 6.0), st.floats(-0.8, 0.8))
def test_new_tunings_come_into_force_without_a_jump(
    gain: float, integral_h: float, off_k: float
) -> None:
    """As tune --write brings them into a service that runs."""
    before = regulate.Tuning(0.172, 7200.0, 600.0, 32.0)
    law = regulate.measure(regulate.Law(), 27.0 - off_k, 0.0, bounded=False)
    for number in range(4):
        now_s = 600.0 * number
        law = regulate.measure(law, 27.0 - off_k, now_s, bounded=False)
        law = regulate.pid(law, 27.0, 12.0, before, now_s, key=(before,), asked_c=25.0)
    after = regulate.Tuning(gain, integral_h * 3600.0, 0.0, 32.0)
    law_now = regulate.measure(law, 27.0 - off_k, 1810.0, bounded=False)
    new = regulate.pid(law_now, 27.0, 12.0, after, 1810.0, key=(after,), asked_c=25.0)
    assert new.duty == pytest.approx(law.duty, abs=1e-6)


def test_a_short_dead_time_is_not_believed_to_the_second() -> None:
    """However narrow its interval: two lags and a dead time are a likeness of a bed."""
    short = Response(0.9, 48_000.0, 6500.0, 0.39, 280.0)
    narrow = offers.doubt_of(short, {"dead_s": (270.0, 290.0)})
    assert narrow.dead[1] * short.dead_s == pytest.approx(460.0)
    found = offers.offer(short, 30.0, 600.0, doubt=narrow)
    assert found.gains.gain_per_k < 0.9 * found.published.gain_per_k
    wide = offers.doubt_of(short, {"dead_s": (100.0, 900.0)})
    assert wide.dead == (pytest.approx(100 / 280), pytest.approx(900 / 280))
    none = replace(short, dead_s=0.0)
    assert max(each.dead_s for each in offers.corners(none, offers.doubt_of(none, {}))) > 170.0
