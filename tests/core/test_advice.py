"""What a calibration says to write, how far to trust it, and when to read once more."""

from __future__ import annotations

import math
import random
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bottomheat.calibration import advice
from bottomheat.calibration import outcome as made_of
from bottomheat.calibration.fit import Fit, fit, one_more
from bottomheat.calibration.outcome import FACTOR, FIXED, FLOW, K, Zone, zone_of
from bottomheat.calibration.problem import Doubts, Line, Row
from bottomheat.config import Config
from bottomheat.estimate import Estimator, Inputs, advance
from bottomheat.protect.tending import Lid
from bottomheat_drivers.config_edit import with_offset
from bottomheat_drivers.config_yaml import check_text

SAMPLE = Path(__file__).parents[2] / "config" / "chamber.yaml"
SET_C = 25.0
F = 0.72
W_PER_K = 1.6
DOUBTS = Doubts(substrate_k=0.289, room_k=0.289)
ASSUMED = Zone(0.25, "assumed")


def row(number: int, room_c: float, off_k: float = 0.0, spot: str = "middle", u_k: float = 0.1):
    """A reading of a made-up box, of which F is the factor, in a room that stands still."""
    x_k = (SET_C - room_c) / F
    y_k = F * x_k + off_k
    return Row(
        number=number,
        x_k=x_k,
        y_k=y_k,
        flow_y_k=y_k - x_k,
        power_w=W_PER_K * x_k,
        room_c=room_c,
        thermometer_k=u_k,
        own_k=0.08,
        steadiness_k=0.03,
        spot=spot,
    )


def fitted(*rooms_c: float, doubts: Doubts = DOUBTS, u_k: float = 0.1) -> Fit:
    return fit([row(i + 1, room_c, u_k=u_k) for i, room_c in enumerate(rooms_c)], doubts)


def config_with(outcome: made_of.Outcome, lid: Lid = Lid.ON) -> Config:
    """The sample config with the outcome in it."""
    edit = with_offset(SAMPLE.read_text(), "north-bench", lid, outcome.values)
    config = check_text(edit.text).parsed.config
    assert config is not None
    return config


def service_k(config: Config, room_c: float, layer_c: float, power_w: float) -> tuple[float, float]:
    """What the service estimates once all stands still: °C, and expanded uncertainty in K."""
    state, look = Estimator(), None
    inputs = Inputs(layer_c, room_c, None, room_wanted=True, power_w=power_w)
    for hour in range(300):
        state, look = advance(
            state, inputs, config.chambers["north-bench"], hour * 3600.0, regulating=False
        )
    assert look is not None
    assert look.estimate is not None
    return look.estimate.celsius, look.estimate.expanded_k


@pytest.mark.parametrize("room_c", [-2.0, 3.0, 9.0, 15.0])
def test_the_service_states_the_width_that_is_promised_for_a_factor(room_c: float) -> None:
    outcome = made_of.factor_from_readings(fitted(14.0, 6.0), ASSUMED, lags_measured=False)
    x_k = outcome.line.x_at(SET_C, room_c)
    celsius, wide_k = service_k(config_with(outcome), room_c, room_c + x_k, 20.0)
    assert celsius == pytest.approx(SET_C, abs=0.01)
    assert wide_k == pytest.approx(outcome.expanded_k(SET_C, room_c), abs=1e-6)


@pytest.mark.parametrize("room_c", [3.0, 9.0, 15.0])
def test_the_service_states_the_width_that_is_promised_for_heat_flow(room_c: float) -> None:
    outcome = made_of.flow_from_readings(fitted(14.0, 6.0), ASSUMED)
    assert outcome is not None
    power_w = -outcome.at(SET_C, room_c)
    layer_c = SET_C + outcome.line.factor * power_w - outcome.line.intercept_k
    celsius, wide_k = service_k(config_with(outcome), room_c, layer_c, power_w)
    assert celsius == pytest.approx(SET_C, abs=0.01)
    assert wide_k == pytest.approx(outcome.expanded_k(SET_C, room_c), abs=1e-3)
    assert power_w == pytest.approx(W_PER_K * (SET_C - room_c) / F, rel=0.03)


@pytest.mark.parametrize("room_c", [3.0, 9.0, 15.0])
def test_the_service_states_the_width_that_is_promised_for_a_fixed_offset(room_c: float) -> None:
    made = fitted(10.0, 9.0)
    outcome = made_of.fixed_from_readings(made.rows, DOUBTS, ASSUMED)
    celsius, wide_k = service_k(config_with(outcome), room_c, SET_C + outcome.value, 20.0)
    assert celsius == pytest.approx(SET_C, abs=0.01)
    assert wide_k == pytest.approx(outcome.expanded_k(SET_C, room_c), abs=1e-6)
    assert outcome.room_c == pytest.approx(9.5, abs=0.1)
    assert outcome.value == pytest.approx((SET_C - 9.5) * (1 / F - 1), abs=0.05)


@settings(max_examples=40)
@given(
    st.lists(st.floats(0.0, 18.0), min_size=1, max_size=6),
    st.floats(-5.0, 20.0),
    st.integers(0, 2**32),
)
def test_a_budget_adds_up_to_what_is_promised(
    rooms_c: list[float], room_c: float, seed: int
) -> None:
    """Squares of the contributions make the square of the whole (JCGM 100:2008, 5.1.2)."""
    rng = random.Random(seed)
    spots = ("middle", "corner", "edge")
    rows = [
        row(i + 1, each, rng.gauss(0.0, 0.08), rng.choice(spots)) for i, each in enumerate(rooms_c)
    ]
    made = fit(rows, DOUBTS)
    outcome = made_of.factor_from_readings(made, zone_of(made, None), lags_measured=False)
    found = advice.budget_of(outcome, made, SET_C, room_c)
    squares = sum(s.contribution_k**2 for s in (*found.spot, *found.service))
    assert math.sqrt(squares) == pytest.approx(found.combined_k)
    # The config holds three decimals.
    assert found.expanded_k == pytest.approx(outcome.expanded_k(SET_C, room_c), rel=0.05, abs=0.02)


@settings(max_examples=25)
@given(st.lists(st.floats(2.0, 18.0), min_size=1, max_size=4), st.floats(-3.0, 8.0))
def test_one_more_reading_does_what_was_said(rooms_c: list[float], coldest_c: float) -> None:
    made = fitted(*rooms_c)
    outcome = made_of.factor_from_readings(made, ASSUMED, lags_measured=False)
    more = advice.next_reading(made, outcome, SET_C, coldest_c)
    assert more.at_c == coldest_c
    assert more.then_k <= more.now_k + 0.02
    taken = row(99, more.room_c)
    after = fit([*made.rows, replace(taken, own_k=min(r.own_k for r in made.rows))], DOUBTS)
    then = made_of.factor_from_readings(after, ASSUMED, lags_measured=False)
    assert then.expanded_k(SET_C, coldest_c) == pytest.approx(more.then_k, abs=0.02)
    for other_c in (coldest_c, 10.0, 16.0):  # and no other room narrows it more
        if math.floor(min(*rooms_c, coldest_c)) <= other_c <= max(rooms_c):
            other = one_more(made, SET_C, round(other_c))
            spot_k = other.line.u_k(other.line.x_at(SET_C, coldest_c))
            assert K * math.hypot(spot_k, 0.25, outcome.weather_k) >= more.then_k - 1e-3


def test_a_cold_reading_is_asked_for_where_it_shows_and_not_where_it_does_not() -> None:
    sinking = replace(DOUBTS, sink_k=1.5)
    one = fitted(12.0, doubts=sinking)
    tight = Zone(0.05, "readings")
    outcome = made_of.factor_from_readings(one, tight, lags_measured=False)
    more = advice.next_reading(one, outcome, SET_C, 2.0)
    assert more.needed
    assert more.room_c < 8.0
    many = fitted(12.0, 4.0, 2.0, 8.0, 3.0)
    outcome = made_of.factor_from_readings(many, tight, lags_measured=False)
    assert not advice.next_reading(many, outcome, SET_C, 2.0).needed


def test_what_makes_most_of_it_is_named() -> None:
    poor = fitted(12.0, u_k=1.0)
    outcome = made_of.factor_from_readings(poor, ASSUMED, lags_measured=False)
    assert advice.next_reading(poor, outcome, SET_C, 4.0).most.name == "thermometer"
    good = fitted(12.0, 4.0, u_k=0.03)
    outcome = made_of.factor_from_readings(good, ASSUMED, lags_measured=False)
    assert advice.next_reading(good, outcome, SET_C, 4.0).most.name == "spread over the box"


def test_the_spread_over_the_box_is_as_read_else_as_written_else_assumed() -> None:
    one = fitted(12.0)
    two = fit([row(1, 12.0), row(2, 12.0, 0.6, "corner")], DOUBTS)
    assert zone_of(one, None) == Zone(0.25, "assumed")
    assert zone_of(one, 0.1) == Zone(0.1, "config")
    assert zone_of(two, 0.1).source == "readings"
    assert zone_of(two, 0.1).u_k == pytest.approx(0.6 / 2 / math.sqrt(3.0), abs=0.01)
    written = made_of.factor_from_readings(two, zone_of(two, None), lags_measured=False).values
    assert written["zone_uncertainty"] == zone_of(two, None).u_k
    assumed = made_of.factor_from_readings(one, zone_of(one, None), lags_measured=False).values
    assert "zone_uncertainty" not in assumed


def test_measured_lags_narrow_the_weather_alone() -> None:
    made = fitted(12.0)
    usual = made_of.factor_from_readings(made, ASSUMED, lags_measured=False)
    known = made_of.factor_from_readings(made, ASSUMED, lags_measured=True)
    assert known.values == usual.values
    assert (usual.weather_k, known.weather_k) == (0.1, 0.06)


def test_trust_is_the_widest_in_the_rooms_and_on_the_coldest_night() -> None:
    outcome = made_of.factor_from_readings(fitted(9.0, 17.0), ASSUMED, lags_measured=False)
    found = advice.trust(outcome, SET_C, (9.0, 17.0), 2.0)
    ends = [outcome.expanded_k(SET_C, each) for each in (9.0, 17.0)]
    assert found.expanded_k == max(ends)
    assert found.coldest_k == outcome.expanded_k(SET_C, 2.0)
    assert found.beyond
    assert not advice.trust(outcome, SET_C, (9.0, 17.0), 8.8).beyond
    assert advice.trust(outcome, SET_C, (9.0, 17.0), None).coldest_k is None


def held(value: float = 0.0) -> made_of.Outcome:
    """A factor that a borrowed probe taught."""
    line = Line(F, value, 12.0, 0.1, 0.01)
    values = {"method": FACTOR, "factor": F, "uncertainty": 0.1}
    return made_of.Outcome(FACTOR, "borrowed probe", F, values, line, ASSUMED, 0.06)


def test_readings_beside_a_borrowed_probe_are_inside_or_outside_what_both_allow() -> None:
    near, far = row(1, 10.0, 0.2), row(2, 10.0, 1.0)
    first, second = advice.beside(held(), [near, far])
    assert (first.number, first.outside) == (1, False)
    assert (second.number, second.outside) == (2, True)
    assert second.difference_k == pytest.approx(1.0)
    u_k = math.hypot(held().line.u_k(near.x_k), 0.1, 0.08)
    assert first.expanded_k == pytest.approx(K * u_k)
    (corner,) = advice.beside(held(), [replace(near, spot="corner")])
    assert corner.expanded_k == pytest.approx(K * math.hypot(u_k, 0.25))


def test_readings_together_count_more_than_one_but_share_their_thermometer() -> None:
    one = advice.apart(held(), [row(1, 10.0, 0.3)])
    many = advice.apart(held(), [row(i, 10.0, 0.3) for i in range(50)])
    assert one is not None
    assert many is not None
    assert many.difference_k == pytest.approx(one.difference_k)
    assert K * 0.1 < many.expanded_k < one.expanded_k
    assert advice.apart(held(), []) is None


def test_a_disagreement_is_in_the_interval_and_in_the_config() -> None:
    wide = held().beside(1.2)
    share_k = 1.2 / math.sqrt(3.0)
    assert wide.values["uncertainty"] == pytest.approx(math.hypot(0.1, share_k), abs=5e-4)
    spot_k = math.hypot(held().spot_k(SET_C, 9.0), share_k)
    assert wide.spot_k(SET_C, 9.0) == pytest.approx(spot_k)
    named = [source.name for source in advice.budget_of(wide, None, SET_C, 9.0).spot]
    assert "borrowed and read apart" in named


@pytest.mark.parametrize(
    ("changed", "told"),
    [
        ({"factor": 1.08}, ["factor of 1.08 is not possible (0.2 to 1)"]),
        ({"factor": 0.2}, ["factor of 0.2 is not possible (0.2 to 1)"]),
        ({"factor": 1.0}, []),
        ({"uncertainty": 3.2}, ["uncertainty of 3.2 is not possible (0 to 3)"]),
        ({"factor": math.nan}, ["factor of nan is not possible (0.2 to 1)"]),
        ({"factor": 0.7}, []),
    ],
)
def test_what_the_config_would_refuse_is_said(changed: dict, told: list[str]) -> None:
    outcome = replace(held(), values={**held().values, **changed})
    assert outcome.out_of_bounds() == told


def test_readings_that_scatter_widen_what_rests_on_them() -> None:
    """R. Birge, Phys. Rev. 40 (1932) 207: by the root of chi-square over its freedom."""
    assert made_of.widening(0.5, 3) == 1.0
    assert made_of.widening(7.0, 3) == 1.0  # p = 0.07
    assert made_of.widening(12.0, 3) == pytest.approx(2.0)
    assert made_of.widening(12.0, 0) == 1.0
    calm = [replace(row(i, 9.0), room_c=math.nan, x_k=1.0, y_k=-2.0) for i in range(4)]
    wild = [replace(each, y_k=-2.0 + 2 * (-1) ** i) for i, each in enumerate(calm)]
    quiet, loud = (made_of.fixed_from_readings(rows, DOUBTS, ASSUMED) for rows in (calm, wild))
    assert quiet.value == pytest.approx(3.0)
    assert loud.value == pytest.approx(3.0)
    # Without a room the service allows 1 K: a standard deviation of 2.3 K is 2.1 K more than that.
    assert quiet.line.least_k < 0.2
    assert loud.line.least_k == pytest.approx(math.sqrt(16 / 3 - 1), rel=0.02)
    assert quiet.room_c is None
    assert quiet.method == FIXED


def test_the_verdict_says_what_the_readings_support() -> None:
    assert "every method" in advice.verdict(fitted(10.0))
    assert "factor fits these readings better than a fixed" in advice.verdict(fitted(14.0, 4.0))
    assert "do not tell a factor from a fixed" in advice.verdict(fitted(10.0, 10.2))
    const = fit([row(i, c, 1.5) for i, c in enumerate((15.0, 12.0, 6.0, 3.0))], DOUBTS)
    assert "constant part beside the factor shows" in advice.verdict(const)


def test_without_power_there_is_no_heat_flow() -> None:
    made = fit([replace(row(1, 9.0), power_w=None)], DOUBTS)
    assert made_of.flow_from_readings(made, ASSUMED) is None
    flow = made_of.flow_from_readings(fitted(9.0), ASSUMED)
    assert flow is not None
    assert flow.method == FLOW
    assert flow.value == pytest.approx((1 - F) / W_PER_K, abs=1e-4)
