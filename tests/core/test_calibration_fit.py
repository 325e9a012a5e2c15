"""The offset from readings of a thermometer: the fit, its honesty, and its budget."""

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from bottomheat.calibration import regression
from bottomheat.calibration.budget import budget
from bottomheat.calibration.fit import (
    INTERCEPT_SPAN_K,
    Doubts,
    Row,
    fit,
    one_more,
    rows_of,
)
from bottomheat.calibration.ledger import Pairing, Reference, ReferenceEntry
from bottomheat.calibration.problem import Problem

U_PROBE = 0.5 / math.sqrt(3)
DOUBTS = Doubts(U_PROBE, U_PROBE)
EXACT = Doubts(1e-6, 1e-6)


def row(x_k, y_k, room_c=15.0, number=1, thermometer_k=0.1, own_k=0.08, spot="middle", watts=20.0):
    return Row(
        number=number,
        x_k=x_k,
        y_k=y_k,
        flow_y_k=y_k - x_k,
        power_w=watts,
        room_c=room_c,
        thermometer_k=thermometer_k,
        own_k=own_k,
        steadiness_k=0.03,
        spot=spot,
    )


def line(f, b, rooms, spot="middle", **more):
    """Readings without error of a box with this factor and constant, held at 25 °C."""
    made = []
    for number, room_c in enumerate(rooms, 1):
        x_k = (25.0 - b - room_c) / f
        made.append(row(x_k, f * x_k + b, room_c, number, spot=spot, watts=1.4 * x_k, **more))
    return made


# --- what a grower's readings give -------------------------------------------------------------


def test_the_trades_own_point_gives_three_quarters():
    """26.5 °C on the wet layer for 25 °C at the callus, in a room of 20 to 21 °C.

    Common practice, no source: f = 4.5/6 = 0.75 at 20.5 °C.
    """
    for room_c, factor in ((20.0, 0.769), (20.5, 0.75), (21.0, 0.727)):
        made = fit([row(26.5 - room_c, 25.0 - room_c, room_c)], DOUBTS)
        assert made.line.factor == pytest.approx(factor, abs=0.0005)
        assert made.line.intercept_k == 0.0


def test_one_reading_has_the_width_of_what_is_known_beforehand():
    """At its own room only thermometer and reading count; colder, the probes' errors come in."""
    made = fit([row(10.0, 7.5, own_k=0.08)], DOUBTS)
    assert made.line.u_k(10.0) == pytest.approx(math.hypot(0.1, 0.08), rel=1e-3)
    bias_k = math.hypot(0.75 * U_PROBE, 0.25 * U_PROBE)
    twice = math.hypot(2 * math.hypot(0.1, 0.08), bias_k)
    assert made.line.u_k(20.0) == pytest.approx(twice, rel=1e-3)


def test_one_room_supports_the_factor_alone_and_two_rooms_also_an_intercept():
    near = fit(line(0.72, 0.3, (15.0, 15.0 + INTERCEPT_SPAN_K - 0.1)), DOUBTS)
    far = fit(line(0.72, 0.3, (15.0, 15.0 - INTERCEPT_SPAN_K)), DOUBTS)
    assert not near.with_intercept
    assert near.line.intercept_k == 0.0
    assert far.with_intercept
    assert 0.0 < far.line.intercept_k < 0.3  # as far as the probes' tolerance makes it credible
    many = fit(line(0.72, 0.3, (5.0, 8.0, 11.0, 14.0, 17.0, 20.0) * 20, own_k=0.02), DOUBTS)
    assert many.line.factor == pytest.approx(0.72, abs=0.002)


def test_compared_probes_and_two_rooms_find_the_factor():
    made = fit(line(0.72, 0.0, (17.0, 7.0)), Doubts(0.03, 0.03))
    assert made.line.factor == pytest.approx(0.72, abs=1e-9)
    assert made.line.u_k(13.0) < fit(line(0.72, 0.0, (17.0, 7.0)), DOUBTS).line.u_k(13.0) + 1e-9


def test_standard_errors_of_common_designs():
    """From the ordinary formulas at 0.1 K a reading: SE of 1 - f."""
    for xs, through_origin in (
        ([5, 6, 6, 7, 8], 0.0069),
        ([5, 6, 8, 11, 14], 0.0048),
        ([5] * 5 + [14] * 5, 0.0030),
    ):
        rows = [row(x, 0.75 * x, thermometer_k=0.0, own_k=0.1) for x in xs]
        problem = replace(
            Problem.of(rows, np.array([r.x_k for r in rows]), EXACT, 0.75), spread_frac=0.0
        )
        made = regression.least_squares(
            problem.x[:, None],
            [r.y_k for r in rows],
            covariance=problem.covariance,
            known_scale=True,
        )
        assert made.standard_errors[0] == pytest.approx(through_origin, abs=0.00005)


def test_one_more_reading_on_a_cold_day_narrows_the_coldest_night():
    made = fit(line(0.75, 0.0, (17.0,)), DOUBTS)
    x_k = made.line.x_at(25.0, 2.0)
    now, same, colder = (
        each.line.u_k(x_k) for each in (made, one_more(made, 25.0, 17.0), one_more(made, 25.0, 5.0))
    )
    assert colder < 0.75 * same < now


# --- honesty ------------------------------------------------------------------------------------


@settings(max_examples=40)
@given(
    st.lists(st.tuples(st.floats(3.0, 25.0), st.floats(0.02, 0.3)), min_size=1, max_size=8),
    st.floats(0.0, 0.5),
    st.floats(0.0, 0.5),
    st.floats(2.0, 30.0),
    st.floats(-2.0, 2.0),
)
def test_the_prediction_is_the_best_linear_unbiased_one(
    points, thermometer_k, probe_k, at_k, shift
):
    """Two ways to the same numbers: ours by weights, regression.best_prediction by residuals."""
    assume(probe_k > 1e-3)
    rows = [
        row(x, 0.7 * x + shift, thermometer_k=thermometer_k, own_k=own_k) for x, own_k in points
    ]
    x = np.array([r.x_k for r in rows])
    y = np.array([r.y_k for r in rows])
    problem = Problem.of(rows, x, Doubts(probe_k, probe_k), 0.7)
    found = regression.least_squares(x[:, None], y, covariance=problem.covariance, known_scale=True)
    shared, variance = problem.shared(at_k)
    other = regression.best_prediction(found, [[at_k]], shared=shared, variance=variance)
    weights = problem.weights(at_k, with_intercept=True)
    assert weights @ y == pytest.approx(other.centre[0], abs=1e-6)
    assert problem.variance(at_k, weights) == pytest.approx(
        other.standard_error[0] ** 2, rel=1e-5, abs=1e-9
    )
    made = problem.line(y, 1.0, with_intercept=True)
    assert made.factor * at_k + made.intercept_k == pytest.approx(other.centre[0], abs=1e-6)
    assert made.u_k(at_k) == pytest.approx(other.standard_error[0], rel=1e-3, abs=1e-6)


@pytest.mark.parametrize("rooms", [(15.0,), (15.0, 16.0, 14.0), (17.0, 7.0), (18.0, 12.0, 6.0)])
def test_intervals_hold_the_truth_as_often_as_they_say(rooms):
    """Monte Carlo of the model itself (JCGM 101:2008, in spirit): 95 % of 700, here and colder."""
    rng = np.random.default_rng(7)
    hits = np.zeros(2)
    draws = 700
    for _ in range(draws):
        f = rng.uniform(0.6, 0.85)
        d_layer, d_room = rng.normal(0.0, U_PROBE, 2)
        b = -(1 - f) * d_room - f * d_layer
        own = rng.normal(0.0, 0.1)
        rows = []
        for number, room_c in enumerate(rooms, 1):
            x_k = (25.0 - b - room_c) / f
            y_k = f * x_k + b + own + rng.normal(0.0, 0.08)
            rows.append(row(x_k, y_k, room_c, number))
        made = fit(rows, DOUBTS)
        for index, room_c in enumerate((np.mean(rooms), np.mean(rooms) - 10.0)):
            x_k = (25.0 - b - room_c) / f
            off_k = made.line.factor * x_k + made.line.intercept_k - (f * x_k + b)
            hits[index] += abs(off_k) <= 1.96 * made.line.u_k(x_k)
    # Three standard deviations of a share of 700 are 0.025; the Birge ratio widens a few.
    assert np.all(hits / draws > 0.95 - 0.025)
    assert np.all(hits / draws < 0.95 + 0.033)


def test_scatter_beyond_what_is_known_widens_and_is_told():
    rows = line(0.75, 0.0, (15.0,) * 6)
    wild = [replace(r, y_k=r.y_k + (0.6 if i % 2 else -0.6)) for i, r in enumerate(rows)]
    calm, made = fit(rows, DOUBTS), fit(wild, DOUBTS)
    assert calm.birge == 1.0
    assert made.birge > 3.0
    assert made.line.u_k(13.0) == pytest.approx(made.birge * calm.line.u_k(13.0), rel=0.01)
    names = [source.name for source in budget(made, 25.0, 15.0).spot]
    assert "readings disagree" in names


def test_an_outlier_is_named_and_stays_in():
    rows = line(0.75, 0.0, (15.0, 14.0, 13.0, 16.0, 12.0))
    rows[2] = replace(rows[2], y_k=rows[2].y_k + 1.0)
    made = fit(rows, DOUBTS)
    assert made.outliers == (3,), made.standardised
    assert len(made.rows) == 5
    assert fit(line(0.75, 0.0, (15.0, 14.0, 13.0)), DOUBTS).outliers == ()


def test_methods_are_compared_on_the_same_rows():
    """Two rooms 10 K apart: a fixed offset cannot follow, f and mean power can."""
    made = fit(line(0.75, 0.0, (17.0, 7.0, 16.0, 8.0)), DOUBTS)
    by_name = {method.name: method for method in made.methods}
    assert by_name["fixed"].p_value < 1e-6
    assert by_name["temperature-factor"].p_value > 0.5
    assert by_name["heat-flow"].p_value > 0.5
    assert by_name["temperature-factor"].aic < by_name["fixed"].aic
    assert by_name["heat-flow"].value == pytest.approx(0.25 / 1.4, rel=0.01)


def test_two_spots_count_as_their_mean_and_their_spread():
    rows = [
        *line(0.76, 0.0, (15.0, 8.0)),
        *(replace(r, number=r.number + 2) for r in line(0.72, 0.0, (15.0, 8.0), spot="corner")),
    ]
    made = fit(rows, Doubts(0.03, 0.03))
    assert made.spots == ("middle", "corner")
    assert made.line.factor == pytest.approx(0.74, abs=0.003)
    apart_k = 0.5 * 0.04 * np.mean([r.x_k for r in rows]) / math.sqrt(3)
    assert made.zone_k == pytest.approx(apart_k, rel=0.25)
    assert fit(rows[:2], DOUBTS).zone_k is None


# --- the budget ---------------------------------------------------------------------------------


@settings(max_examples=60)
@given(
    st.lists(
        st.tuples(st.floats(2.0, 20.0), st.sampled_from(["middle", "corner"])),
        min_size=1,
        max_size=6,
    ),
    st.floats(0.0, 22.0),
    st.floats(0.01, 0.3),
    st.floats(0.0, 1.5),
)
def test_the_budget_adds_up_to_the_fits_own_variance(points, room_c, thermometer_k, sink_k):
    """JCGM 100:2008, 5.1.2: the squares of the contributions are the combined variance."""
    doubts = Doubts(U_PROBE, 0.1, sink_k=sink_k)
    # The fit's own uncertainty of a reading is made of the parts that the budget lists.
    own_k = math.hypot(0.06, 0.0625 / math.sqrt(12), 0.04, 0.03)
    rows = [
        replace(r, spot=spot)
        for room, spot in points
        for r in line(0.74, 0.0, (room,), thermometer_k=thermometer_k, own_k=own_k)
    ]
    made = fit(rows, doubts)
    told = budget(made, 25.0, room_c)
    assert told.spot_k == pytest.approx(made.line.u_k(told.difference_k), rel=1e-3, abs=1e-5)
    assert told.expanded_k == pytest.approx(
        2 * math.hypot(told.spot_k, *(s.contribution_k for s in told.service))
    )


# --- what may enter -----------------------------------------------------------------------------

PROBES = {"substrate": "28-000000000001", "room": "28-000000000002"}


def reference(number=1, dropped=None, lid="on", reading_c=25.0, **pairing):
    pair = Pairing(
        **{
            "substrate_c": 28.4,
            "room_c": 15.0,
            "lagged_substrate_c": 28.3,
            "lagged_room_c": 15.0,
            "power_w": 20.0,
            "steadiness_k": 0.02,
            "hours": 40.0,
            "steady": True,
            "why": "",
            "room_lag_h": 3.75,
            "substrate_lag_h": 1.25,
            "memory_h": 2.3,
            "estimate_c": 24.9,
            "expanded_k": 1.0,
            "calibrated": False,
            "probes": PROBES,
            "corrections_k": {},
            **pairing,
        }
    )
    entry = ReferenceEntry("bench", "middle", lid, reading_c, 0.2, "", 0.0, pair)
    return Reference(number, 0, True, entry, dropped)


def used(references, lid="on", corrections_k=None, probes=None):
    return rows_of(
        references,
        lid=lid,
        probes=probes or PROBES,
        corrections_k=corrections_k or {},
        doubts=DOUBTS,
    )


def test_only_steady_readings_of_this_lid_and_these_probes_enter_and_the_rest_say_why():
    rows, left_out = used(
        [
            reference(1),
            reference(2, dropped="wrong box"),
            reference(3, lid="off"),
            reference(4, steady=False, why="the wet layer was warming"),
            reference(5, probes={**PROBES, "substrate": "28-00000000000f"}),
            reference(6, lagged_room_c=None, room_c=None),
        ]
    )
    assert [r.number for r in rows] == [1]
    assert {each.number: each.why for each in left_out} == {
        2: "dropped: wrong box",
        3: "the lid was off",
        4: "the wet layer was warming",
        5: "another probe lay in the place wet layer then",
        6: "no room was measured then",
    }
    assert [r.number for r in used([reference(3, lid="off")], lid="off")[0]] == [3]


def test_a_correction_that_came_later_counts_for_old_readings_too():
    (now,), _ = used([reference()], corrections_k={"substrate": 0.3, "room": -0.1})
    assert now.room_c == pytest.approx(14.9)
    assert now.x_k == pytest.approx(28.6 - 14.9)
    assert now.y_k == pytest.approx(25.0 - 14.9)
    assert now.flow_y_k == pytest.approx(25.0 - 28.7)
    then = reference(corrections_k={"substrate": 0.3, "room": -0.1})
    (same,), _ = used([then], corrections_k={"substrate": 0.3, "room": -0.1})
    assert same.x_k == pytest.approx(13.3)


def test_two_probes_on_the_wet_layer_count_by_their_mean():
    two = {**PROBES, "substrate-2": "28-000000000003"}
    later = {"substrate": 0.3, "substrate-2": -0.1, "room": 0.0}
    (both,), _ = used([reference(probes=two)], corrections_k=later, probes=two)
    assert both.x_k == pytest.approx(13.3 + 0.1)
    _, (left,) = used([reference()], probes=two)
    assert left.why == "another probe lay in the place wet layer, second probe then"


def test_an_open_lid_expects_a_constant_from_the_first_readings_on():
    """Evaporation is a sink that does not depend on the room: 2 K here, rooms 4 K apart."""
    rows = line(0.72, -2.0, (16.0, 12.0), own_k=0.02, thermometer_k=0.02)
    shut, opened = fit(rows, Doubts(0.05, 0.05)), fit(rows, Doubts(0.05, 0.05, sink_k=1.5))
    assert not shut.with_intercept
    assert opened.line.intercept_k < -1.5
    x_k = (25.0 + 2.0 - 2.0) / 0.72
    truth_k = 0.72 * x_k - 2.0
    off_k = abs(opened.line.factor * x_k + opened.line.intercept_k - truth_k)
    assert off_k < 2 * opened.line.u_k(x_k)


def test_no_reading_is_no_fit():
    with pytest.raises(ValueError, match="no reading"):
        fit([], DOUBTS)
