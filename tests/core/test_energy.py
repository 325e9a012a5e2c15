"""Energy: degree-hours by hand, published degree-days, and a box that lived through the weeks."""

from __future__ import annotations

import math
import random
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bottomheat.capacity import Basis, Lift
from bottomheat.chamber import Chamber
from bottomheat.config import ChamberConfig, Config
from bottomheat.energy import below, energy
from bottomheat.operating_point import needed_layer_c
from calibration_world import live, random_biases, truth_factor
from cold_nights import config_of

LIFT = Lift(0.7, Basis.MODEL)


def box(watts: float = 45.0) -> ChamberConfig:
    return config_of(0.75, watts, limits={"mat": 85.0, "substrate": 48.0}, layer_ceiling=42.0)


# A day as straight lines: t in minutes and T in °C, worked out by hand and by a polygon clipper.
V1_MIN = (0, 10, 15, 30, 40, 100, 110, 130)
V1_C = (24, 26, 27, 23, 25, 25, 28, 24)


def test_degree_minutes_of_a_course_of_straight_lines():
    """Area and length below 24.5 and above 26, from two independent polygon programs."""
    minutes, area = below(V1_MIN, V1_C, 24.5)
    assert minutes == pytest.approx(18.125)
    assert area == pytest.approx(11.09375)
    minutes, area = below(V1_MIN, [-each for each in V1_C], -26.0)
    assert minutes == pytest.approx(25.4166667)
    assert area == pytest.approx(21.0416667)


@pytest.mark.parametrize(
    ("low_c", "high_c", "base_c", "degree_days"),
    [
        (2.0, 12.0, 15.5, 8.5),
        (16.0, 24.0, 15.5, 0.0),
    ],
)
def test_degree_days_of_a_day_all_below_or_above_the_base(low_c, high_c, base_c, degree_days):
    """The published forms of the Met Office and Met Éireann agree there with any course."""
    _, area = below((0.0, 12.0, 24.0), (low_c, high_c, low_c), base_c)
    assert area / 24.0 == pytest.approx(degree_days)


@pytest.mark.parametrize(
    ("low", "high", "base", "above"),
    [(12.0, 28.0, 15.0, 5.562349810), (40.0, 80.0, 50.0, 12.179955621)],
)
def test_degree_days_of_a_single_sine(low, high, base, above):
    """Baskerville & Emin, Ecology 50 (1969) 514-517: the sine between minimum and maximum."""
    hours = [24.0 * i / 20000 for i in range(20001)]
    mean, swing = 0.5 * (low + high), 0.5 * (high - low)
    course = [-(mean + swing * math.sin(2.0 * math.pi * h / 24.0)) for h in hours]
    _, area = below(hours, course, -base)
    assert area / 24.0 == pytest.approx(above, abs=1e-6)


def test_energy_by_hand():
    """f 0.75 and 0.7 K/W: (25 - 10)/0.75/0.7 W for a day in a room of 10 °C."""
    found = energy(box(), LIFT, (0.0, 24.0), (10.0, 10.0), 0.30)
    watts = (25.0 - 10.0) / 0.75 * 0.75 / (0.75 * 0.7)
    assert found.kwh.value == pytest.approx(watts * 24.0 / 1000.0)
    assert found.cost is not None
    assert found.cost.value == pytest.approx(found.kwh.value * 0.30)
    assert found.mean_duty == pytest.approx(watts / 45.0)
    assert found.short_hours == 0.0
    assert found.kwh.low is None


def test_energy_is_degree_days_below_the_setpoint_over_f_and_gain():
    """Heating degree-days to base 25 of a cold day, 24 h and 1/(f·gain) W a kelvin."""
    found = energy(box(), LIFT, (0.0, 12.0, 24.0), (4.0, 14.0, 4.0))
    degree_days = 25.0 - 9.0
    assert found.kwh.value == pytest.approx(degree_days * 24.0 / (0.75 * 0.7) / 1000.0)
    assert found.mean_room_c == pytest.approx(9.0)
    assert found.coldest_c == 4.0


def test_no_more_than_full_power_is_counted_and_the_rest_is_told():
    """The coldest room at full power is 25 - 0.75·0.7·45 = 1.375 °C."""
    found = energy(box(), LIFT, (0.0, 10.0), (-8.625, -8.625), None)
    assert found.kwh.value == pytest.approx(0.45)
    assert found.mean_duty == pytest.approx(1.0)
    assert found.short_hours == pytest.approx(10.0)
    assert found.short_k_h == pytest.approx(100.0)


def test_a_warm_room_costs_nothing():
    assert energy(box(), LIFT, (0.0, 24.0), (26.0, 30.0), 1.0).kwh.value == 0.0


def test_a_better_gain_costs_less_and_the_interval_says_how_much():
    lift = Lift(0.7, Basis.MODEL, k_per_w_half=0.07, load_half_k=0.3)
    found = energy(box(), lift, (0.0, 24.0), (10.0, 10.0), 2.0)
    assert found.kwh.low is not None
    assert found.kwh.high is not None
    assert found.kwh.low < found.kwh.value < found.kwh.high
    assert found.kwh.high >= found.kwh.value / 0.9 - 1e-9
    assert found.cost is not None
    assert found.cost.high == pytest.approx(2.0 * found.kwh.high)


def test_a_single_point_is_no_winter():
    with pytest.raises(ValueError, match="two points"):
        energy(box(), LIFT, (0.0,), (5.0,))


courses = st.lists(st.floats(-30.0, 30.0), min_size=2, max_size=30)


@given(courses, st.floats(-30.0, 30.0))
def test_exact_against_a_fine_sum(course, base_c):
    hours = [float(i) for i in range(len(course))]
    time_h, area = below(hours, course, base_c)
    fine = 0.0
    for one, other in pairwise(course):
        steps = [one + (other - one) * (i + 0.5) / 400 for i in range(400)]
        fine += sum(max(0.0, base_c - each) for each in steps) / 400
    assert area == pytest.approx(fine, abs=0.02 * len(course))
    assert 0.0 <= time_h <= hours[-1] + 1e-9


@given(courses)
def test_energy_is_the_mean_power_of_every_moment(course):
    chamber, hours = box(), [float(i) for i in range(len(course))]
    kwh = 0.0
    for one, other in pairwise(course):
        for i in range(200):
            room_c = one + (other - one) * (i + 0.5) / 200
            layer_c = needed_layer_c(25.0, chamber.offset, room_c, 0.7)
            kwh += min(45.0, max(0.0, (layer_c - room_c) / 0.7)) / 200_000.0
    found = energy(chamber, LIFT, hours, course)
    assert found.kwh.value == pytest.approx(kwh, abs=0.002 * len(course))


def test_a_box_that_lived_through_it_took_as_much():
    """Six days in closed loop, swinging by ±5 K, after two to warm up: within 3 %."""
    chamber = Chamber()
    rng = random.Random(5)
    factor = truth_factor(chamber.construction)

    def room(hour: float) -> float:
        return 9.0 + 5.0 * math.cos(2.0 * math.pi * (hour - 15.0) / 24.0)

    offset = {"method": "temperature-factor", "factor": factor}
    biases = random_biases(rng, 0.0)
    lived = live(chamber.construction, offset, room, 8.0, rng, biases=biases, watts=60.0)
    later = lived.t_s > 2 * 86_400.0
    took = float(lived.heat[later].sum()) * lived.watts * lived.cycle_s / 3.6e6
    hours = [48.0 + i / 4.0 for i in range(6 * 96 + 1)]
    gain = chamber.settled("substrate", 1.0, 0.0)
    made = Config.model_validate(
        {
            "chambers": {
                "a": {
                    "callus_zone": 25.0,
                    "heater": {"gpio": 17, "watts": 60.0},
                    "probes": {"substrate": "28-000000000001", "room": "28-000000000002"},
                    "offset": offset,
                }
            }
        }
    )
    told = energy(made.chambers["a"], Lift(gain, Basis.MODEL), hours, [room(h) for h in hours])
    assert told.kwh.value == pytest.approx(took, rel=0.03)
