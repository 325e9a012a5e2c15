"""Offsets of every method and position of the lid, and corrections of probes, in the config."""

from __future__ import annotations

import copy
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bottomheat.config import ChamberConfig, Config, HeatFlow, Parsed, Problem, TemperatureFactor
from bottomheat.config_parse import known_keys, parse
from bottomheat.config_sections import Model
from bottomheat.operating_point import (
    callus_given_c,
    layer_under_c,
    mat_at_c,
    needed_layer_c,
    operating_point,
    rise_k_per_w,
)
from bottomheat.protect.tending import Lid

LAYER, ROOM, MAT, CALLUS = (f"28-00000000000{n}" for n in (1, 2, 3, 4))
STRANGER = "28-0a1b2c3d4e5f"
FACTOR = {"method": "temperature-factor", "factor": 0.75}
FLOW = {"method": "heat-flow", "resistance": 0.18}

Data = dict[str, Any]


def data(corrections: object = None, drop: tuple[str, ...] = (), **box: object) -> Data:
    """One box; ``box`` replaces keys of it, ``drop`` takes probes away."""
    chamber: Data = {
        "callus_zone": 22,
        "heater": {"gpio": 17, "watts": 45},
        "probes": {"substrate": LAYER, "room": ROOM, "mat": MAT},
        "offset": FACTOR,
        **box,
    }
    chamber = copy.deepcopy(chamber)
    for place in drop:
        del chamber["probes"][place]
    made: Data = {"coldest_room": 8, "chambers": {"north-bench": chamber}}
    return made if corrections is None else {**made, "corrections": corrections}


def good(made: Data) -> Config:
    parsed = parse(made)
    assert parsed.config is not None, [p.text() for p in parsed.problems]
    return parsed.config


def box(**changes: object) -> ChamberConfig:
    return good(data(**changes)).chambers["north-bench"]


def only(found: tuple[Problem, ...]) -> Problem:
    assert len(found) == 1, [p.text() for p in found]
    return found[0]


def test_each_position_of_the_lid_has_its_own_offset_or_borrows() -> None:
    chamber = box(offset_ajar={"method": "fixed", "kelvin": 2.5, "measured_room": 14})
    assert chamber.offset_with(Lid.ON) == (chamber.offset, True)
    assert chamber.offset_with(Lid.AJAR) == (chamber.offset_ajar, True)
    assert chamber.offset_with(Lid.OFF) == (chamber.offset, False)


def test_every_key_of_a_calibration_is_read() -> None:
    chamber = box(
        offset={
            **FACTOR,
            "calibrated": True,
            "uncertainty": 0.12,
            "zone_uncertainty": 0.2,
            "measured_difference": 9.5,
            "factor_uncertainty": 0.02,
        },
        offset_off={
            **FLOW,
            "calibrated": True,
            "uncertainty": 0.2,
            "measured_power": 15,
            "resistance_uncertainty": 0.02,
            "memory": 3,
            "intercept": -0.1,
        },
    )
    assert isinstance(chamber.offset, TemperatureFactor)
    assert (chamber.offset.uncertainty_k, chamber.offset.measured_difference_k) == (0.12, 9.5)
    flow = chamber.offset_off
    assert isinstance(flow, HeatFlow)
    assert (flow.measured_power_w, flow.memory_h, flow.intercept_k) == (15, 3, -0.1)


def test_heat_flow_needs_no_room_probe() -> None:
    assert parse(data(offset=FLOW, drop=("room",))).problems == ()


@pytest.mark.parametrize(
    ("made", "key", "words"),
    [
        (data(offset={"method": "heatflow"}), "offset", ["write heat-flow"]),
        (data(offset={"method": "slope"}), "offset", ["temperature-factor, heat-flow, direct"]),
        (data(offset={**FLOW, "resistance": 0}), "offset.resistance", ["0 to 2 K/W"]),
        (data(offset={**FLOW, "resistance": "0.18 K/W"}), "offset.resistance", ["alone: 0.18"]),
        (data(offset={"method": "heat-flow"}), "offset.resistance", ["write resistance: 0.18"]),
        (data(offset={**FACTOR, "resistance": 1}), "offset.resistance", ["method: heat-flow"]),
        (data(offset={**FACTOR, "slope": 1}), "offset.slope", ["did you mean factor?"]),
        (data(offset_ajar=0.7), "offset_ajar", ["write keys with values below"]),
        (data(offset_ajar={"factor": 0.7}), "offset_ajar", ["no method is named"]),
        (data(offset_ajar={**FACTOR, "factor": 2}), "offset_ajar.factor", ["0.2 to 1"]),
        (data(offset_off={**FACTOR, "factr": 1}), "offset_off.factr", ["did you mean factor?"]),
        (data(offset_off={**FLOW, "memory": "2 h"}), "offset_off.memory", ["alone: 2"]),
        (data(offset_of=FACTOR), "offset_of", ["did you mean offset_off?"]),
        (
            data(offset=FLOW, offset_off=FACTOR, drop=("room",)),
            "probes",
            ["temperature-factor under offset_off", "no room probe", "offset_off: {method: fixed"],
        ),
        (
            data(offset_ajar={"method": "direct"}),
            "probes",
            ["direct under offset_ajar", "no callus probe"],
        ),
    ],
)
def test_each_mistake_in_an_offset_has_one_plain_sentence(
    made: Data, key: str, words: list[str]
) -> None:
    problem = only(parse(made).problems)
    assert problem.where == f"chambers.north-bench.{key}"
    for word in words:
        assert word in problem.message


@pytest.mark.parametrize(
    ("corrections", "where", "words"),
    [
        ({LAYER: 0.19}, f"corrections.{LAYER}", ["0.19 stands here", "{add: 0.19}"]),
        ({LAYER: "0.19 K"}, f"corrections.{LAYER}", ["write it as {add: 0.19}"]),
        ({LAYER: True}, f"corrections.{LAYER}", ["true stands here", "{add: 0.19}"]),
        ({LAYER: None}, f"corrections.{LAYER}", ["nothing is written for this probe"]),
        ({LAYER: {}}, f"corrections.{LAYER}.add", ["write add: 0.19"]),
        ({LAYER: {"add": 3}}, f"corrections.{LAYER}.add", ["too high", "-2 to 2 K"]),
        ({LAYER: {"add": "0,19"}}, f"corrections.{LAYER}.add", ["decimal comma", "0.19"]),
        ({LAYER: {"offset": 0.1, "add": 0.1}}, f"corrections.{LAYER}.offset", ["mean add?"]),
        ({"layer": {"add": 0.1}}, "corrections.layer", ["not the name of a probe"]),
        ({"28-0A1B2C3D4E5F": {"add": 0.1}}, "corrections.28-0A1B2C3D4E5F", ["small letters"]),
        ([LAYER], "corrections", ["write keys with values below"]),
    ],
)
def test_each_mistake_in_a_correction_has_one_plain_sentence(
    corrections: object, where: str, words: list[str]
) -> None:
    problem = only(parse(data(corrections)).problems)
    assert problem.where == where
    for word in words:
        assert word in problem.message


def test_nothing_of_the_validators_own_wording_is_shown_of_a_correction() -> None:
    for value in (None, True, "x", 1e9, -1e9, [], {}, float("nan"), [None], {"a": 1}, 10**400):
        for made in ({LAYER: value}, {LAYER: {"add": value}}, {LAYER: {"uncertainty": value}}):
            for problem in parse(data(made)).problems:
                text = problem.text("f.yaml")
                assert not any(w in text for w in ("pydantic", "http", "valid ", "dict", "float"))
                assert text.isprintable()


@pytest.mark.parametrize(
    ("made", "where", "words"),
    [
        (
            data({LAYER: {"add": 0.6}}),
            f"corrections.{LAYER}.add",
            ["+0.6 K is more than the ±0.5 °C", "compare it again"],
        ),
        (data({STRANGER: {"add": 0.1}}), f"corrections.{STRANGER}", ["no box uses", "lent"]),
        (
            data({"28-000000000007": {"add": 0.1}}),
            "corrections.28-000000000007",
            ["no box uses", "did you mean 28-"],
        ),
        (
            data({STRANGER: {"add": 0.1}}, keeper={"probe": STRANGER}),
            f"corrections.{STRANGER}",
            ["without any correction"],
        ),
        (
            data(offset={**FACTOR, "uncertainty": 0.1}),
            "chambers.north-bench.offset.uncertainty",
            ["calibrated: true"],
        ),
        (
            data(offset={**FACTOR, "measured_difference": 9}),
            "chambers.north-bench.offset.measured_difference",
            ["there is no uncertainty"],
        ),
        (
            data(offset_off={**FLOW, "measured_power": 9}),
            "chambers.north-bench.offset_off.measured_power",
            ["there is no uncertainty"],
        ),
        (
            data(offset={**FLOW, "resistance": 0.6}),
            "chambers.north-bench.offset.resistance",
            ["a usual box allows", "0.57 or less"],
        ),
    ],
)
def test_doubts_are_warnings_and_do_not_refuse(made: Data, where: str, words: list[str]) -> None:
    parsed = parse(made)
    assert parsed.config is not None, [p.text() for p in parsed.problems]
    warning = only(tuple(w for w in parsed.warnings if "night" not in w.message))
    assert warning.where == where
    for word in words:
        assert word in warning.message


def test_a_correction_of_a_used_probe_within_the_datasheet_says_nothing() -> None:
    assert parse(data({LAYER: {"add": -0.5}, ROOM: {"add": 0.19}})).warnings == ()


def test_a_wrong_correction_hides_no_other() -> None:
    parsed = parse(data({LAYER: {"add": 9}, STRANGER: {"add": 0.1}}))
    assert len(parsed.problems) == 1
    assert only(parsed.warnings).path == ("corrections", STRANGER)


def test_a_resistance_that_runs_away_is_refused_where_full_power_was_measured() -> None:
    # 45 W lift the layer 32 K, 0.711 K/W: of 0.6 K/W every watt asks for 84 % of itself again.
    heater = {"gpio": 17, "watts": 45, "full_power_rise": 32}
    problem = only(parse(data(offset={**FLOW, "resistance": 0.6}, heater=heater)).problems)
    assert problem.where == "chambers.north-bench.offset.resistance"
    assert "full_power_rise of 32 K" in problem.message
    assert "0.57 or less" in problem.message
    assert parse(data(offset={**FLOW, "resistance": 0.25}, heater=heater)).problems == ()


def test_a_callus_limit_must_hold_for_what_a_probe_reads_uncorrected() -> None:
    made = data(
        {CALLUS: {"add": -0.4}},
        probes={"substrate": LAYER, "room": ROOM, "mat": MAT, "callus": CALLUS},
        limits={"callus": 24},
    )
    problem = only(parse(made).problems)
    assert problem.where == "chambers.north-bench.limits.callus"
    assert "24.4 °C or more" in problem.message
    made["chambers"]["north-bench"]["limits"]["callus"] = 24.4
    assert parse(made).problems == ()
    made["chambers"]["north-bench"]["limits"]["callus"] = 24
    made["corrections"][CALLUS]["add"] = 0.4
    assert parse(made).problems == ()


def test_heat_flow_settles_where_its_resistance_says() -> None:
    # By hand: layer - R P = 22 with P = (layer - 8) / (32/45): layer = (22 - R 8/r) / (1 - R/r).
    heater = {"gpio": 17, "watts": 45, "full_power_rise": 32}
    r, resistance = 32 / 45, 0.18
    point = operating_point(box(offset=FLOW, heater=heater), 8.0)
    assert point.duty is not None
    power_w = 45 * point.duty
    assert point.substrate_c == pytest.approx(
        (22 - resistance * 8 / r) / (1 - resistance / r), abs=1e-9
    )
    assert point.substrate_c - resistance * power_w == pytest.approx(22.0)
    assert point.substrate_c - 8.0 == pytest.approx(r * power_w)


@given(
    st.floats(0.01, 2.0),
    st.floats(-3, 3),
    st.floats(-20, 30),
    st.floats(5, 200),
    st.floats(5, 400),
)
def test_needed_layer_turns_round_for_heat_flow(
    resistance: float, intercept_k: float, room_c: float, full_k: float, watts: float
) -> None:
    offset = HeatFlow.model_validate({**FLOW, "resistance": resistance, "intercept": intercept_k})
    k_per_w = full_k / watts
    layer_c = needed_layer_c(25.0, offset, room_c, k_per_w)
    assert callus_given_c(layer_c, offset, room_c, k_per_w) == pytest.approx(25.0, abs=1e-6)


def test_a_watt_lifts_what_was_measured_or_what_a_usual_box_has() -> None:
    assert rise_k_per_w(box().heater) == pytest.approx(0.71)
    heater = {"gpio": 17, "watts": 90, "full_power_rise": 45}
    assert rise_k_per_w(box(heater=heater).heater) == pytest.approx(0.5)


@given(
    st.floats(-20, 20),
    st.floats(20, 60),
    st.floats(0.1, 2.0),
    st.one_of(st.none(), st.floats(0.05, 2.0)),
    st.floats(-3.0, 3.0),
)
def test_layer_under_a_mat_turns_round_for_any_box(
    room_c: float, mat_c: float, k_per_w: float, mat_gain: float | None, load_k: float
) -> None:
    keys = {"gain": k_per_w, "slow_lag": 9, "quick_lag": 2, "quick_share": 0.4, "dead_time": 0.2}
    model = Model.model_validate({**keys, "load": load_k, "mat_gain": mat_gain})
    layer_c = layer_under_c(mat_c, room_c, k_per_w, model)
    assert mat_at_c(layer_c, room_c, k_per_w, model) == pytest.approx(mat_c, abs=1e-6)
    if mat_gain is not None:
        watts = (layer_c - room_c - load_k) / k_per_w
        assert mat_c == pytest.approx(layer_c + mat_gain * watts, abs=1e-6)
    else:
        assert mat_c == pytest.approx(room_c + 1.74 * (layer_c - room_c), abs=1e-6)


def test_cold_nights_are_worked_out_for_heat_flow() -> None:
    # 1 - 0.3/0.71 = 0.577: at 8 °C the layer wants 8 + 14/0.577 = 32.2, at 4 °C 35.2, above 34.
    made = data(offset={**FLOW, "resistance": 0.3}, limits={"mat": 80})
    made["coldest_room"] = 4
    parsed: Parsed = parse(made)
    assert parsed.problems == ()
    assert any("below its setpoint of 22 °C" in w.message for w in parsed.warnings)


def test_keys_of_every_position_and_of_corrections_are_known() -> None:
    known = known_keys()
    assert ("corrections", "*", "add") in known
    for key in ("offset", "offset_ajar", "offset_off"):
        assert ("chambers", "*", key, "resistance") in known
        assert ("chambers", "*", key, "measured_room") in known
