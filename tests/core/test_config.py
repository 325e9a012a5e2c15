"""The config: plain data in, a frozen config or every problem at once out."""

import copy
import math
import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bottomheat.config import (
    ChamberConfig,
    Config,
    Parsed,
    Path,
    Problem,
)
from bottomheat.config_check import operating_point
from bottomheat.config_parse import known_keys, parse, schema
from bottomheat.config_wiring import fingerprint_of_data

Data = dict[str, object]


def outline() -> Data:
    """A config with what most people would write."""
    return {
        "log": "/var/lib/bottomheat/log.sqlite",
        "cycle": 10,
        "w1_devices": "/sys/bus/w1/devices",
        "coldest_room": 3,
        "chambers": {
            "north-bench": {
                "callus_zone": 25.0,
                "law": "pid",
                "heater": {
                    "gpio": 17,
                    "active_high": True,
                    "watts": 45,
                    "relay": "mechanical",
                    "rated_closings": 100000,
                },
                "probes": {
                    "substrate": "28-000000000001",
                    "room": "28-000000000002",
                    "mat": "28-000000000003",
                },
                "offset": {"method": "temperature-factor", "factor": 0.75},
                "layer_ceiling": 34,
                "limits": {"substrate": 40, "mat": 60, "callus": 30},
            },
        },
    }


def with_second(data: Data, **changes: object) -> Data:
    """Add a south bench whose wiring does not clash."""
    south = copy.deepcopy(data["chambers"]["north-bench"])
    south["heater"]["gpio"] = 27
    for n, place in enumerate(("substrate", "room", "mat")):
        south["probes"][place] = f"28-00000000001{n}"
    data["chambers"]["south-bench"] = south
    for dotted, value in changes.items():
        put(data, "chambers.south-bench." + dotted.replace("__", "."), value)
    return data


def put(data: Data, dotted: str, value: object) -> Data:
    """Set a key by its path; ``...`` takes it out."""
    *parents, last = dotted.split(".")
    here = data
    for part in parents:
        here = here.setdefault(part, {})
    if value is ...:
        del here[last]
    else:
        here[last] = value
    return data


BOX = "chambers.north-bench"


def edited(**changes: object) -> Parsed:
    """Parse the outline with keys of the north bench changed (``__`` for a dot)."""
    data = outline()
    for dotted, value in changes.items():
        put(data, f"{BOX}." + dotted.replace("__", "."), value)
    return parse(data)


def only(found: tuple[Problem, ...]) -> Problem:
    assert len(found) == 1, [p.text() for p in found]
    return found[0]


def good(data: object) -> Config:
    parsed = parse(data)
    assert parsed.config is not None, [p.text() for p in parsed.problems]
    return parsed.config


def test_outline_is_accepted_and_frozen() -> None:
    config = good(outline())
    box = config.chambers["north-bench"]
    assert box.callus_zone_c == 25.0
    assert box.keeper_probe == "28-000000000003"
    assert (box.heater.window, box.heater.min_on) == (600.0, 20.0)
    with pytest.raises(ValueError, match="frozen"):
        box.callus_zone_c = 26.0


def test_outline_says_what_the_coldest_night_does() -> None:
    # 3 + 22/0.75 = 32.33; 3 + 1.74 x 29.33 = 54.04; + 3 of ripple reaches 60 - 3 in a 3 °C room.
    warning = only(parse(outline()).warnings)
    assert warning.path == ("chambers", "north-bench", "limits", "mat")
    assert "below its setpoint of 25 °C on a night of 3 °C" in warning.message


def test_boxes_in_one_room_may_share_its_probe_and_no_other() -> None:
    data = with_second(outline())
    put(data, "chambers.south-bench.probes.room", "28-000000000002")
    assert good(data).chambers["south-bench"].probes.room == "28-000000000002"
    put(data, "chambers.south-bench.probes.mat", "28-000000000002")
    assert any("already" in p.message for p in parse(data).problems)


def test_all_problems_at_once_those_across_fields_too() -> None:
    data = with_second(outline())
    put(data, f"{BOX}.callus_zone", "25 C")
    put(data, f"{BOX}.wats", 45)
    put(data, f"{BOX}.heater.watts", ...)
    put(data, f"{BOX}.limits.mat", 38)
    put(data, "chambers.south-bench.heater.gpio", 17)
    put(data, "chambers.south-bench.probes.room", "28-000000000001")
    put(data, "chambers.south-bench.limits.callus", 26)
    put(data, "cycel", 10)
    found = {".".join(map(str, p.path)) for p in parse(data).problems}
    assert found == {
        f"{BOX}.callus_zone",
        f"{BOX}.wats",
        f"{BOX}.heater.watts",
        f"{BOX}.limits.mat",
        "chambers.south-bench.heater.gpio",
        "chambers.south-bench.probes.room",
        "chambers.south-bench.limits.callus",
        "cycel",
    }


@pytest.mark.parametrize(
    ("changes", "key", "words"),
    [
        ({"callus_zone": 77}, "callus_zone", ["looks like °F", "77 °F is 25 °C", "write 25"]),
        ({"callus_zone": 35}, "callus_zone", ["more than cuttings survive", "5 to 30 °C"]),
        ({"callus_zone": 100}, "callus_zone", ["more than cuttings survive", "37.8 °C"]),
        ({"callus_zone": 2}, "callus_zone", ["too low", "5 to 30 °C"]),
        ({"callus_zone": "25"}, "callus_zone", ["quotes", "number alone: 25"]),
        ({"callus_zone": "25 °C"}, "callus_zone", ["number alone: 25"]),
        ({"callus_zone": "77 F"}, "callus_zone", ["in °F", "in °C: 25"]),
        ({"callus_zone": "25,5"}, "callus_zone", ["decimal comma", "25.5"]),
        ({"callus_zone": "warm"}, "callus_zone", ['"warm" is not a number', "such as 25"]),
        ({"callus_zone": "22:30"}, "callus_zone", ["time of day", "number of °C"]),
        ({"callus_zone": True}, "callus_zone", ["true is not a number"]),
        ({"callus_zone": None}, "callus_zone", ["nothing is written here", "such as 25"]),
        ({"callus_zone": [25]}, "callus_zone", ["a list", "one number"]),
        ({"callus_zone": math.nan}, "callus_zone", ["not an ordinary number"]),
        ({"callus_zone": math.inf}, "callus_zone", ["not an ordinary number"]),
        ({"callus_zone": ...}, "callus_zone", ["missing", "write callus_zone: 25"]),
        ({"callus_zone_c": 25}, "callus_zone_c", ["no key", "callus_zone?"]),
        ({"kelvin": 2}, "kelvin", ["belongs under offset with method: fixed"]),
        ({"heater__watts": 45000}, "heater.watts", ["too high", "5 to 400 W"]),
        ({"heater__gpio": "GPIO17"}, "heater.gpio", ["number alone: 17"]),
        ({"heater__gpio": 17.0}, "heater.gpio", ["whole number", "write 17 "]),
        ({"heater__gpio": 4}, "heater.gpio", ["1-Wire bus", "9 to 27"]),
        ({"heater__gpio": 40}, "heater.gpio", ["too high", "2 to 27"]),
        ({"heater__active_high": "yes"}, "heater.active_high", ["write true"]),
        ({"heater__active_high": 0}, "heater.active_high", ["write false"]),
        ({"heater__relay": "mechanic"}, "heater.relay", ["write mechanical"]),
        ({"heater__window": "10 min"}, "heater.window", ["seconds alone: 600"]),
        ({"heater__window": 30}, "heater.window", ["do not fit", "40 s or more"]),
        ({"heater": None}, "heater", ["nothing is written below"]),
        ({"heater": 17}, "heater", ["write keys with values below"]),
        ({"probes": ...}, "probes", ["section is missing", "substrate"]),
        ({"probes__room": 28000000000002}, "probes.room", ["write 28-000000000002"]),
        ({"probes__room": "28-00000000000A"}, "probes.room", ["small letters"]),
        ({"probes__substrate": []}, "probes.substrate", ["one name, or two"]),
        ({"probes__substrate": "left"}, "probes.substrate", ["not the name of a probe"]),
        ({"probes__substrate": None}, "probes.substrate", ["nothing is written"]),
        ({"probes__room": "28-000000000001"}, "probes.room", ["already", "probes.substrate"]),
        ({"probes__room": ...}, "probes", ["no room probe", "add room:", "fixed"]),
        ({"offset": {"method": "direct"}}, "probes", ["no callus probe", "add callus:"]),
        ({"offset": {"method": "fix", "kelvin": 1}}, "offset", ["write fixed"]),
        ({"offset": {"factor": 0.75}}, "offset", ["no method is named"]),
        ({"offset__factor": 0.2}, "offset.factor", ["just outside", "0.2 to 1"]),
        ({"layer_ceiling": 24}, "layer_ceiling", ["below the setpoint of 25", "25 °C or more"]),
        ({"layer_ceiling": 38}, "layer_ceiling", ["too near", "37 °C or less"]),
        ({"limits__callus": 26}, "limits.callus", ["too near the setpoint", "27 °C or more"]),
        ({"limits__mat": 104}, "limits.mat", ["looks like °F", "40 °C"]),
        ({"limits__mat": 50}, "limits.mat", ["will cut out on a night of", "its limit is 50"]),
        (
            {"keeper": {"probe": "28-000000000002"}},
            "keeper.probe",
            ["already", "probes.room"],
        ),
    ],
)
def test_each_mistake_has_one_plain_sentence(changes: Data, key: str, words: list[str]) -> None:
    problem = only(edited(**changes).problems)
    assert problem.where == f"{BOX}.{key}"
    for word in words:
        assert word in problem.message
    assert "\n" not in problem.message


def test_nothing_of_the_validators_own_wording_is_shown() -> None:
    wrong: list[object] = [None, True, "x", 1e9, -1e9, [], {}, math.nan, [None], {"a": 1}]
    for path in known_keys():
        for value in wrong:
            data = outline()
            if path[2:3] == ("offset",):
                put(data, f"{BOX}.offset", {"method": "fixed", "kelvin": 1.5})
            put(data, ".".join(path).replace("*", "north-bench"), value)
            for problem in parse(data).problems:
                text = problem.text("f.yaml")
                assert not any(
                    word in text
                    for word in ("pydantic", "http", "valid ", "Input", "dict", "float", "str ")
                ), text


def test_keeper_may_share_its_own_boxs_mat_probe_only() -> None:
    assert edited(keeper={"probe": "28-000000000003"}).problems == ()
    data = with_second(outline(), keeper__probe="28-000000000003")
    assert "north-bench.probes.mat" in only(parse(data).problems).message


def test_relay_lines_are_unique_across_boxes_and_series_relays() -> None:
    data = with_second(outline(), keeper__series_relay={"gpio": 17})
    problem = only(parse(data).problems)
    assert problem.path == ("chambers", "south-bench", "keeper", "series_relay", "gpio")
    assert "north-bench.heater" in problem.message


def test_series_relay_wants_a_probe_for_the_keeper() -> None:
    parsed = edited(probes__mat=..., keeper={"series_relay": {"gpio": 22}})
    assert "keeper.probe or probes.mat" in only(parsed.problems).message


def test_cycle_may_not_outlast_the_keepers_patience() -> None:
    assert "too long" in only(parse(put(outline(), "cycle", 30)).problems).message


@pytest.mark.parametrize("value", [None, 7, "text", [], {}, True, math.nan])
def test_a_file_that_is_something_else_altogether_is_one_problem(value: object) -> None:
    assert only(parse(value).problems).message


@pytest.mark.parametrize(
    ("changes", "key", "words"),
    [
        ({"heater__gpio": 5}, "heater.gpio", "pulled up at power-on"),
        ({"heater__active_high": False}, "heater.gpio", "pulled down at power-on"),
        ({"probes__mat": ...}, "probes", "no probe lies on the mat"),
        ({"heater__window": 60}, "heater.window", "closings a day"),
        ({"probes__mat": "10-000000000003"}, "probes.mat", "family 28"),
        ({"layer_ceiling": 30}, "layer_ceiling", "below its setpoint of 25 °C on a night of 10"),
        ({"heater__full_power_rise": 32}, "heater.full_power_rise", "heat on 92%"),
        ({"heater__full_power_rise": 20}, "heater.full_power_rise", "not enough below about 10 °C"),
    ],
)
def test_warnings_do_not_refuse(changes: Data, key: str, words: str) -> None:
    parsed = edited(limits__mat=70, **changes)
    assert parsed.config is not None, [p.text() for p in parsed.problems]
    warning = only(parsed.warnings)
    assert warning.where == f"{BOX}.{key}"
    assert words in warning.message


def test_limit_near_normal_operation_is_a_warning_with_its_night() -> None:
    # A solid-state relay's 60 s window leaves 0.3 K of ripple, so 5 K off the mean comes first:
    # 1.74 x 25/0.75 = 58 above ... room r: 58 - 1.32 r = 58.8 - 5 at r = 3.18.
    parsed = edited(heater__relay="solid-state", limits__mat=58.8)
    assert parsed.config is not None
    warning = only(parsed.warnings)
    assert "on a night of 3 °C the mat comes within 5 K" in warning.message


def test_fixed_offset_near_a_limit_is_near_it_on_any_night() -> None:
    parsed = edited(
        callus_zone=24,
        offset={"method": "fixed", "kelvin": 12},
        layer_ceiling=37,
        limits__mat=90,
        probes__room=...,
    )
    assert parsed.config is not None
    assert "on any night the wet layer comes within 5 K" in only(parsed.warnings).message


def test_fixed_offset_above_a_limit_cuts_out_on_any_night() -> None:
    parsed = edited(
        callus_zone=28,
        offset={"method": "fixed", "kelvin": 12.5},
        layer_ceiling=37,
        limits__mat=90,
    )
    assert "this will cut out on any night" in only(parsed.problems).message


def test_bound_in_a_mild_room_is_an_error() -> None:
    # In a 15 °C room the layer wants 15 + 10/0.75 = 28.3.
    problem = only(edited(layer_ceiling=28).problems)
    assert "even in a room of 15 °C" in problem.message
    assert edited(layer_ceiling=29).problems == ()


MODEL = {"gain": 0.71, "slow_lag": 9.3, "quick_lag": 1.9, "quick_share": 0.38, "dead_time": 0.25}


def test_an_identified_mat_counts_and_is_no_mistake_in_the_file() -> None:
    """f 0.75, 45 W, 0.71 K/W, in a room of 3 °C: layer 29.3 above it, 41 W of mean power."""
    usual = only(edited(limits__mat=50).problems)
    assert "the mat reaches 57 °C" in usual.message  # 3 + 1.74 x 29.3 + 3
    model = {**MODEL, "mat_gain": 0.3, "mat_swing": 0.02}
    small = edited(limits__mat=50, model=model)
    assert small.problems == ()
    # 3 + 29.3 + 0.3 x 41.3 + 0.9 is 45.6 at the peaks.
    assert not any("limits" in warning.where for warning in small.warnings)
    large = edited(limits__mat=50, model={**model, "mat_gain": 0.5})
    assert large.problems == ()
    (warning,) = (w for w in large.warnings if w.where.endswith("limits.mat"))
    assert "this will hold the box below its setpoint of 25 °C on a night of" in warning.message
    said = re.search(r"stays at about (\d+\.\d) °C", warning.message)
    assert said is not None
    held = float(said[1])
    # layer + 0.5/0.71 (layer - 3) = 47 - 0.9, callus zone 3 + 0.75 (layer - 3).
    layer_c = (46.1 + 0.5 / 0.71 * 3.0) / (1.0 + 0.5 / 0.71)
    assert held == pytest.approx(3.0 + 0.75 * (layer_c - 3.0), abs=0.06)
    hot = edited(limits__mat=42, limits__substrate=40, model={**model, "mat_gain": 1.0})
    assert hot.problems == ()
    assert any("even in a room of 15 °C" in warning.message for warning in hot.warnings)


@pytest.mark.parametrize("mat", [{"mat_gain": 0.03}, {"mat_gain": 0.03, "mat_swing": 0.001}])
def test_a_slip_in_what_is_said_of_a_mat_that_no_probe_sees_lets_no_limit_pass(mat: Data) -> None:
    plain = only(edited(limits__mat=50, probes__mat=...).problems)
    said = only(edited(limits__mat=50, probes__mat=..., model={**MODEL, **mat}).problems)
    assert said.message == plain.message
    hotter = {**MODEL, "mat_gain": 0.9, "mat_swing": 0.2}
    assert edited(limits__mat=62, probes__mat=...).problems == ()
    assert "cut out" in only(edited(limits__mat=62, probes__mat=..., model=hotter).problems).message


def test_a_mat_that_was_seen_to_bind_first_hides_no_slip_in_the_ceiling() -> None:
    model = {**MODEL, "mat_gain": 1.0, "mat_swing": 0.02}
    parsed = edited(limits__mat=42, limits__substrate=40, layer_ceiling=28, model=model)
    assert only(parsed.problems).where == f"{BOX}.layer_ceiling"


def test_room_that_is_never_that_cold_excuses_the_ceiling() -> None:
    data = put(put(outline(), "coldest_room", 18), f"{BOX}.layer_ceiling", 28)
    assert parse(data).problems == ()
    assert parse(data).warnings == ()


def test_coldest_room_above_the_setpoint_is_questioned() -> None:
    parsed = parse(put(outline(), "coldest_room", 26))
    assert only(parsed.warnings).path == ("coldest_room",)


def box(**changes: object) -> ChamberConfig:
    parsed = edited(**changes)
    assert parsed.config is not None, [p.text() for p in parsed.problems]
    return parsed.config.chambers["north-bench"]


def test_operating_point_of_common_practice() -> None:
    # Common practice, no source: 26.5 °C on the probe for 25 °C in a room of 20.5 °C: f = 0.75.
    point = operating_point(box(), 20.5)
    assert point.substrate_c == pytest.approx(26.5)
    assert point.duty is None
    fixed = box(offset={"method": "fixed", "kelvin": 1.5})
    assert operating_point(fixed, 20.5).substrate_c == pytest.approx(26.5)
    assert operating_point(fixed, 5.0).substrate_c == pytest.approx(26.5)


def test_operating_point_against_a_network_of_the_box() -> None:
    # A five-node network of the nominal box, solved apart from this code: f 0.741, and in a room
    # of 5 °C a layer of 31.99 °C, a mat of 51.9 °C and 37.9 of 45 W, where full power is 32 K.
    nominal = box(offset__factor=0.741, heater__full_power_rise=32.0)
    point = operating_point(nominal, 5.0)
    assert point.substrate_c == pytest.approx(31.99, abs=0.01)
    assert point.mat_c == pytest.approx(51.9, abs=0.1)
    assert point.duty == pytest.approx(37.9 / 45, abs=0.005)


def test_operating_point_turns_the_offset_round_with_its_intercept() -> None:
    point = operating_point(box(offset__intercept=0.5), 10.0)
    assert 10.0 + 0.75 * (point.substrate_c - 10.0) + 0.5 == pytest.approx(25.0)


def test_operating_point_in_a_warm_room_needs_no_heat() -> None:
    point = operating_point(box(heater__full_power_rise=32.0), 28.0)
    assert (point.substrate_c, point.mat_c, point.duty) == (28.0, 28.0, 0.0)


@given(st.floats(-30, 40), st.floats(-30, 40), st.floats(0.21, 1.0))
def test_a_colder_room_never_wants_a_cooler_mat(a_c: float, b_c: float, factor: float) -> None:
    chamber = ChamberConfig.model_validate(
        {
            **outline()["chambers"]["north-bench"],
            "offset": {"method": "temperature-factor", "factor": factor},
        }
    )
    cold, warm = operating_point(chamber, min(a_c, b_c)), operating_point(chamber, max(a_c, b_c))
    if max(a_c, b_c) < chamber.callus_zone_c:
        assert cold.mat_c >= warm.mat_c - 1e-9
        assert cold.mat_c >= cold.substrate_c - 1e-9 >= chamber.callus_zone_c - 2e-9


PLAIN = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=20),
    lambda inner: (
        st.lists(inner, max_size=4)
        | st.dictionaries(st.text(max_size=12) | st.integers() | st.none(), inner, max_size=4)
    ),
    max_leaves=20,
)
"""Any nesting of plain data."""


def ok_or_refused(parsed: Parsed) -> None:
    assert (parsed.config is None) == bool(parsed.problems)
    for problem in (*parsed.problems, *parsed.warnings):
        assert problem.message
        text = problem.text("f.yaml")
        assert text.isprintable(), text


@given(PLAIN)
def test_any_plain_data_is_parsed_without_raising(data: object) -> None:
    ok_or_refused(parse(data))
    fingerprint_of_data(data)


LEAVES = sorted((path for path in known_keys() if path[2:3] != ("offset",)), key=".".join)


@given(st.lists(st.tuples(st.sampled_from(LEAVES), PLAIN), min_size=1, max_size=3))
def test_a_config_with_anything_in_it_is_parsed_without_raising(
    changes: list[tuple[tuple[str, ...], object]],
) -> None:
    data = outline()
    for path, value in changes:
        here: object = data
        parts = [part.replace("*", "north-bench") for part in path]
        for part in parts[:-1]:
            here = here.setdefault(part, {}) if isinstance(here, dict) else None
        if isinstance(here, dict):
            here[parts[-1]] = copy.deepcopy(value)
    ok_or_refused(parse(data))
    fingerprint_of_data(data)


@pytest.mark.parametrize(
    "number",
    [10**400, -(10**400), 10**5000, 2**63, -(2**63) - 1],
    ids=lambda number: f"{number.bit_length()}-bits",
)
def test_enormous_integers_are_refused(number: int) -> None:
    for key in ("callus_zone", "heater__gpio", "heater__watts", "probes__room", "law"):
        ok_or_refused(parsed := edited(**{key: number}))
        assert parsed.config is None


@given(
    st.fixed_dictionaries(
        {
            "callus_zone": st.floats(5, 30),
            "layer_ceiling": st.floats(10, 50),
            "limits__substrate": st.floats(20, 60),
            "limits__mat": st.floats(25, 90),
            "limits__callus": st.floats(15, 40),
        }
    )
)
def test_what_is_accepted_keeps_the_margins(changes: Data) -> None:
    config = edited(**changes).config
    if config is None:
        return
    box_ = config.chambers["north-bench"]
    assert box_.limits.callus_c >= box_.callus_zone_c + 2
    assert box_.callus_zone_c <= box_.layer_ceiling_c <= box_.limits.substrate_c - 3
    assert box_.limits.mat_c > box_.limits.substrate_c
    coldest = operating_point(box_, config.coldest_room_c)
    assert coldest.mat_c < box_.limits.mat_c
    assert coldest.substrate_c < box_.limits.substrate_c


def test_lines_come_from_the_nearest_key_above() -> None:
    lines: dict[Path, int] = {(): 1, ("chambers",): 5, ("chambers", "north-bench"): 6}
    data = put(outline(), f"{BOX}.heater.watts", ...)
    by_mapping = only(parse(data, lines).problems)
    by_function = only(parse(data, lines.get).problems)
    assert by_mapping.line == by_function.line == 6
    assert by_mapping.text("chamber.yaml").startswith(
        "chamber.yaml line 6: chambers.north-bench.heater.watts: "
    )


def test_schema_is_by_the_files_keys_and_says_units() -> None:
    made = schema()
    box_keys = made["$defs"]["ChamberConfig"]["properties"]
    assert "callus_zone" in box_keys
    assert "callus_zone_c" not in box_keys
    assert box_keys["callus_zone"]["description"].endswith("°C")
    assert made["title"] == "bottomheat config"
    for section in made["$defs"].values():
        for key, described in section["properties"].items():
            assert (
                "$ref" in described or "description" in described or key in ("method", "offset")
            ), key
