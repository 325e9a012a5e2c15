"""The model of a box and its warm-up in the config: what is refused, and what is worth knowing."""

import pytest

from bottomheat.config_parse import parse

MODEL = {"gain": 0.71, "slow_lag": 9.3, "quick_lag": 1.9, "quick_share": 0.38, "dead_time": 0.25}


def data(**chamber):
    box = {
        "callus_zone": 25,
        "heater": {"gpio": 17, "watts": 45},
        "probes": {
            "substrate": "28-000000000001",
            "room": "28-000000000002",
            "mat": "28-000000000003",
        },
        "offset": {"method": "temperature-factor", "factor": 0.75},
    }
    return {"chambers": {"north-bench": {**box, **chamber}}}


def said(parsed):
    return [problem.text() for problem in (*parsed.problems, *parsed.warnings)]


def test_a_model_is_read_in_hours_and_given_in_seconds():
    config = parse(data(model=MODEL, warm_up="fast")).config
    box = config.chambers["north-bench"]
    assert box.warm_up == "fast"
    assert box.model.response.slow_s == pytest.approx(9.3 * 3600.0)
    assert box.model.response.dead_s == 900.0
    assert box.model.response.room_quick_share == 0.0


def test_lags_the_wrong_way_round_are_refused_with_the_way_out():
    parsed = parse(data(model={**MODEL, "slow_lag": 1.9, "quick_lag": 9.3}))
    assert parsed.config is None
    (only,) = parsed.problems
    assert only.where == "chambers.north-bench.model"
    assert "quick_lag of 9.3 h is longer than slow_lag of 1.9 h" in only.message


@pytest.mark.parametrize(
    ("chamber", "lacks"),
    [
        ({}, "a model of the box"),
        (
            {
                "model": MODEL,
                "probes": {"substrate": "28-000000000001", "room": "28-000000000002"},
            },
            "a mat probe",
        ),
        ({"model": MODEL, "offset": {"method": "fixed", "kelvin": 1.5}}, "temperature-factor"),
    ],
)
def test_a_fast_warm_up_that_would_be_gentle_is_told(chamber, lacks):
    (line,) = [
        line for line in said(parse(data(**chamber, warm_up="fast"))) if "fast needs" in line
    ]
    assert lacks in line
    assert line.endswith("until then the warm-up is gentle")


def test_nothing_is_said_where_fast_has_all_it_needs():
    assert not [line for line in said(parse(data(model=MODEL, warm_up="fast"))) if "fast" in line]


@pytest.mark.parametrize(("rise", "told"), [(32, False), (50, True)])
def test_a_rise_that_contradicts_the_model_is_told(rise, told):
    heater = {"gpio": 17, "watts": 45, "full_power_rise": rise}
    lines = [
        line for line in said(parse(data(model=MODEL, heater=heater))) if "which counts" in line
    ]
    assert bool(lines) is told


@pytest.mark.parametrize(
    ("gain", "told"), [(0.05, True), (0.17, False), (1.15, False), (4.0, True)]
)
def test_a_mat_that_no_mat_is_like_is_told(gain, told):
    """0.17 to 1.15 K/W within handbook ranges (calculated)."""
    lines = [
        line
        for line in said(parse(data(model={**MODEL, "mat_gain": gain})))
        if "look for a slip" in line
    ]
    assert bool(lines) is told
    assert all(f"not by {gain:g}" in line for line in lines)
