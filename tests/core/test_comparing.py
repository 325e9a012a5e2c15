"""Probes compared with ice, a thermometer and each other: steadiness, corrections, uncertainty."""

from __future__ import annotations

import math
import random

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bottomheat.calibration.comparing import (
    COUNT_K,
    Part,
    against,
    apart_k,
    combined_k,
    ice_point,
    jar,
    jar_unsteady,
    rectangular_k,
    stretch,
    together_k,
    unsteady,
)


def readings(of_c, many: int = 60, every_s: float = 2.0) -> list[tuple[float, float]]:
    """What a 12-bit probe makes of a temperature that is a function of time."""
    times = [number * every_s for number in range(many)]
    return [(at_s, round(of_c(at_s) / COUNT_K) * COUNT_K) for at_s in times]


def line(celsius: float, k_per_min: float = 0.0, many: int = 60):
    found = stretch(readings(lambda at_s: celsius + k_per_min * at_s / 60, many))
    assert found is not None
    return found


def test_standard_uncertainties_of_published_cases():
    # JCGM 100:2008, 4.3.7: ±0.5 as a rectangular distribution; F.2.2.1: a resolution of 0.0625.
    assert rectangular_k(0.5) == pytest.approx(0.288675, abs=5e-7)
    assert rectangular_k(COUNT_K / 2) == pytest.approx(0.018042, abs=5e-7)


@given(st.lists(st.floats(0, 2), max_size=8))
def test_no_part_is_larger_than_the_whole_nor_the_whole_than_the_sum(parts_k):
    whole = combined_k([Part("x", each) for each in parts_k])
    assert all(each <= whole + 1e-12 for each in parts_k)
    assert whole <= sum(parts_k) + 1e-12


@given(st.floats(-10, 60), st.floats(-0.01, 0.01), st.integers(2, 50))
def test_a_line_is_found_again(celsius, slope, many):
    found = stretch([(at_s * 2.0, celsius + slope * at_s * 2.0) for at_s in range(many)])
    assert found is not None
    assert found.slope_k_per_s == pytest.approx(slope, abs=1e-9)
    assert found.mean_c == pytest.approx(celsius + slope * (many - 1), abs=1e-9)
    assert found.scatter_k == pytest.approx(0, abs=1e-8)
    assert found.drift_k == pytest.approx(slope * 2.0 * (many - 1), abs=1e-9)


@pytest.mark.parametrize("points", [[], [(0.0, 20.0)], [(5.0, 20.0), (5.0, 21.0)]])
def test_no_line_goes_through_less_than_two_times(points):
    assert stretch(points) is None


def test_a_probe_is_steady_when_its_line_hardly_moves():
    assert unsteady(line(0.2)) == ""
    assert unsteady(line(0.2, 0.02)) == ""
    assert unsteady(line(0.2, 0.1)) == "still rising"
    assert unsteady(line(0.2, -0.1)) == "still falling"
    assert unsteady(line(0.2, many=3)) == "too few readings yet"
    assert unsteady(None) == "too few readings yet"
    assert unsteady(stretch(readings(lambda at_s: 5 + 0.2 * math.sin(at_s)))) == "restless"


@given(st.floats(-1, 1), st.integers(0, 10))
def test_a_probe_that_comes_to_rest_is_called_steady_only_when_its_mean_is_right(error_k, seed):
    chance = random.Random(seed)
    tau_s = chance.uniform(10, 60)
    whole = readings(lambda at_s: error_k + 18 * math.exp(-at_s / tau_s), many=400)
    for end in range(60, 400):
        seen = stretch(whole[end - 60 : end])
        assert seen is not None
        if not unsteady(seen):
            assert seen.mean_c == pytest.approx(error_k, abs=1.5 * COUNT_K)
            return
    raise AssertionError("it never came to rest")


@given(st.floats(-0.9, 0.9))
def test_the_ice_point_gives_back_the_error_of_a_probe(error_k):
    found = ice_point(line(error_k))
    assert found.add_k == pytest.approx(-error_k, abs=COUNT_K / 2 + 0.001)
    assert found.doubt == ""
    # ±0.1 K of ice and ±0.1 K of curve, both rectangular, and the resolution, by hand.
    assert found.u_k == pytest.approx(math.sqrt(0.1**2 / 3 * 2 + 0.0625**2 / 12), abs=0.001)


def test_a_probe_far_off_in_ice_is_doubted_and_the_ice_is_asked_about():
    found = ice_point(line(2.3))
    assert "2.3 K off" in found.doubt
    assert "crushed" in found.doubt


def test_a_thermometer_beside_the_probe_counts_with_half_of_its_two_sigma_uncertainty():
    found = against(line(24.6), 24.8, 0.2)
    assert found.add_k == pytest.approx(0.2, abs=COUNT_K / 2 + 0.001)
    assert found.parts[0].u_k == 0.1
    assert found.u_k == pytest.approx(math.hypot(0.1, 0.018), abs=0.002)
    assert against(line(24.6), 24.8, 0.2, bits=9).u_k > found.u_k
    assert against(line(4.8), 5.0, 0.2).u_k > found.u_k
    assert "look" in against(line(22.0), 24.8, 0.2).doubt


ERRORS_K = {"a": 0.25, "b": -0.125, "c": 0.0, "d": -0.125}


def test_probes_of_one_jar_agree_once_they_are_corrected():
    found = jar({name: line(25.0 + error_k) for name, error_k in ERRORS_K.items()})
    assert found.at_c == pytest.approx(25.0, abs=0.001)
    assert found.spread_k == pytest.approx(0.375)
    for name, error_k in ERRORS_K.items():
        assert found.probes[name].add_k == pytest.approx(-error_k, abs=0.001)
        assert found.probes[name].doubt == ""
    assert apart_k(found.probes["a"]) < 0.05 < found.together_k <= found.probes["a"].u_k


@given(st.lists(st.floats(-0.45, 0.45), min_size=2, max_size=8), st.floats(-0.08, 0.08))
def test_only_differences_are_known_without_a_thermometer(errors_k, k_per_min):
    lines = {str(n): line(25 + error_k, k_per_min) for n, error_k in enumerate(errors_k)}
    found = jar(lines)
    assert sum(each.add_k for each in found.probes.values()) == pytest.approx(0, abs=0.01)
    corrected = [each.mean_c + each.add_k for each in found.probes.values()]
    assert max(corrected) - min(corrected) < 0.0021
    with_it = jar(lines, 25.0, 0.1)
    for name, each in with_it.probes.items():
        assert each.mean_c + each.add_k == pytest.approx(25.0, abs=0.001)
        assert apart_k(each) == pytest.approx(apart_k(found.probes[name]), abs=0.005)
    assert with_it.together_k < found.together_k


def test_a_probe_that_is_not_in_the_jar_is_doubted_and_not_in_the_mean():
    found = jar({"a": line(25.1), "b": line(24.9), "c": line(25.0), "out": line(18.0625)})
    assert "6.9 K below the others" in found.probes["out"].doubt
    assert found.at_c == pytest.approx(25.0, abs=0.05)
    assert not found.probes["a"].doubt


def test_of_two_probes_that_differ_by_more_than_a_kelvin_both_are_doubted():
    found = jar({"a": line(25.0), "b": line(26.5)})
    assert all("differ by 1.5 K" in each.doubt for each in found.probes.values())


def test_a_probe_that_stands_still_in_water_that_cools_is_doubted():
    lines = {name: line(25.0, -0.09, many=300) for name in "abc"} | {"stuck": line(24.6, many=300)}
    assert jar_unsteady(lines) == ""
    found = jar(lines)
    assert "stood still" in found.probes["stuck"].doubt
    assert not found.probes["a"].doubt


def test_many_probes_know_the_water_hardly_better_than_a_few():
    # By hand: 0.289/sqrt(5) = 0.129 of their own beside 0.15 that they share.
    assert together_k(5) == pytest.approx(math.hypot(0.15, 0.28868 / math.sqrt(5)), abs=1e-4)
    assert together_k(1) == pytest.approx(0.28868, abs=1e-4)
    assert together_k(1000) == pytest.approx(0.15, abs=0.001)
    assert [together_k(n) for n in range(1, 9)] == sorted(
        map(together_k, range(1, 9)), reverse=True
    )


def test_one_probe_has_nothing_to_be_compared_with():
    with pytest.raises(ValueError, match="alone"):
        jar({"a": line(25.0)})


def test_a_jar_is_steady_while_the_water_drifts_slowly_and_all_follow():
    together = {name: line(25.0 + e, -0.05) for name, e in ERRORS_K.items()}
    assert jar_unsteady(together) == ""
    assert "cools" in jar_unsteady({name: line(25.0, -0.3) for name in "abc"})
    assert "warms" in jar_unsteady({name: line(25.0, 0.3) for name in "abc"})
    assert "d does not follow" in jar_unsteady(together | {"d": line(22.0, 1.0)})
    assert "too few readings yet of d" in jar_unsteady(together | {"d": None})
    wild = stretch(readings(lambda at_s: 25 + 0.2 * math.sin(at_s)))
    assert "d is restless" in jar_unsteady(together | {"d": wild})
    assert jar_unsteady({}) == "no readings yet"
