"""``bottomheat tune``: as a grower calls it, on a config and on what ``identify`` wrote."""

from __future__ import annotations

import json
import math
import re
from pathlib import Path
from typing import Any

import pytest

from bottomheat.cli.tune_source import bounds_of
from bottomheat.response import Response
from bottomheat.tuning import margins
from bottomheat.tuning.offers import early_slope_k_per_s
from bottomheat.tuning.rules import Gains
from bottomheat_drivers.config_yaml import load_config
from clibench import Shed

pytestmark = pytest.mark.process

NORTH = ("--chamber", "north-bench")
RESPONSE = {
    "gain_k_per_w": 0.71,
    "slow_s": 33_120.0,
    "quick_s": 6480.0,
    "quick_share": 0.38,
    "dead_s": 882.0,
    "room_quick_share": 0.1,
    "load_k": 0.0,
}
MODEL = (
    "    model: {gain: 0.71, slow_lag: 9.2, quick_lag: 1.8, quick_share: 0.38, dead_time: 0.245}\n"
)


@pytest.fixture
def shed(tmp_path: Path) -> Shed:
    return Shed(tmp_path)


def identified(shed: Shed, **more: Any) -> str:
    """A file as ``identify --json`` writes it."""
    data = {"chamber": "north-bench", "method": "step", "response": RESPONSE, **more}
    path = shed.folder / "found.json"
    path.write_text(json.dumps(data))
    return str(path)


def with_model(shed: Shed) -> None:
    shed.text = shed.text.replace(
        "    limits: {substrate: 42", f"{MODEL}    limits: {{substrate: 42"
    )
    shed.config.write_text(shed.text)


def tune(shed: Shed, *words: str) -> str:
    done = shed.run("tune", *NORTH, *words)
    assert done.returncode == 0, done.stderr
    assert done.stderr == ""
    return done.stdout


def tune_data(shed: Shed, *words: str) -> dict[str, Any]:
    found: dict[str, Any] = json.loads(tune(shed, "--json", *words))
    return found


def refused(shed: Shed, *words: str, code: int = 10) -> str:
    done = shed.run("tune", *words)
    assert done.returncode == code, done.stdout + done.stderr
    assert done.stdout == ""
    assert len(done.stderr.splitlines()) == 1
    return done.stderr


def test_without_a_model_it_says_how_to_get_one(shed: Shed) -> None:
    said = refused(shed, *NORTH)
    assert "north-bench has no model yet" in said
    assert "identify --chamber north-bench" in said


def test_it_says_what_to_set_and_what_comes_of_it_and_changes_nothing(shed: Shed) -> None:
    with_model(shed)
    dull = "    pid: {gain: 0.02, integral_time: 8}\n    offset"
    shed.config.write_text(shed.text.replace("    offset", dull, 1))
    before = shed.listing()
    text = tune(shed)
    lines = text.splitlines()
    assert re.match(r"north-bench: set gain 0\.1\d+, integral time 2\.63 h", lines[0])
    flat = " ".join(text.split())
    assert "settle without swinging" in flat
    assert "within 0." in flat
    assert "144 closings a day" in flat
    assert "rated for 100 000" in flat
    assert "With --write this goes into the config" in flat
    assert "How sure the model is was not said" in flat
    assert max(map(len, lines)) <= 80
    for word in ("sensitivity", "SIMC", "Ms", "phase margin"):
        assert word not in text
    assert shed.listing() == before


def test_details_have_margins_both_curves_and_the_rule_in_80_columns(shed: Shed) -> None:
    text = tune(shed, "--from", identified(shed), "--details")
    assert max(map(len, text.splitlines())) <= 80
    for word in (
        "gain margin",
        "phase margin",
        "sensitivity peak Ms",
        "SIMC",
        "8.90 K/h",
        "19.7 min",
    ):
        assert word in text
    assert text.count("┌") == 2
    assert "o" in text
    assert "+" in text


def test_what_it_offers_is_calm_on_the_model_by_a_count_of_our_own(shed: Shed) -> None:
    file = identified(shed, intervals={"dead_s": [700, 1000], "gain_k_per_w": [0.6, 0.8]})
    response = Response(**RESPONSE)
    for rule in ("simc", "amigo", "relay"):
        data = tune_data(shed, "--from", file, "--rule", rule)
        pid = data["pid"]
        gains = Gains(pid["gain"], pid["integral_time"] * 3600, pid["derivative_time"] * 3600)
        found = margins.loop_margins(response, 45.0, gains, data["window"]["window_s"])
        assert found.peak == pytest.approx(data["tuned"]["peak"], rel=0.01)
        assert found.peak < 1.8
        assert data["tuned"]["worst_peak"] <= 2.0
        assert not data["doubt_assumed"]
        assert data["closings_a_day"] == 144


def test_a_relay_run_is_tuned_by_its_own_gain_and_period(shed: Shed) -> None:
    file = identified(shed, method="relay", relay={"ku_per_k": 0.67, "period_s": 3360})
    data = tune_data(shed, "--from", file, "--rule", "relay")
    # Half a window more of delay: a quarter of the period is 840 s, and then 1140 s.
    assert data["published"]["gain_per_k"] == pytest.approx(0.67 * 840 / 1140 / 3.2)
    assert data["published"]["integral_s"] == pytest.approx(2.2 * 3360 * 1140 / 840)
    plain = tune_data(shed, "--from", file)
    assert plain["tuned"]["gain_per_k"] < plain["published"]["gain_per_k"]


def test_wide_intervals_make_it_gentler(shed: Shed) -> None:
    sure = tune_data(
        shed, "--from", identified(shed, intervals={"dead_s": [850, 910], "slope": [2e-5, 6e-5]})
    )
    narrow = tune_data(shed, "--from", identified(shed, intervals={"dead_s": [850, 910]}))
    wide = tune_data(shed, "--from", identified(shed, intervals={"dead_s": [600, 1700]}))
    assert narrow["notes"] == []
    assert wide["tuned"]["gain_per_k"] < 0.8 * narrow["tuned"]["gain_per_k"]
    assert "gain was lowered" in wide["notes"][0]
    assert sure["tuned"]["gain_per_k"] <= narrow["tuned"]["gain_per_k"]


def test_the_config_says_how_sure_its_model_is_as_a_file_does(shed: Shed) -> None:
    """exp(1.96 u/x) either way: what ``identify --write`` wrote comes to what its file says."""
    sure = "gain_uncertainty: 0.01, dead_time_uncertainty: 0.06, slope_uncertainty: 0.1"
    shed.text = shed.text.replace(
        "    limits: {substrate: 42",
        f"{MODEL.rstrip().rstrip('}')}, {sure}}}\n    limits: {{substrate: 42",
    )
    shed.config.write_text(shed.text)
    model = load_config(shed.config).chambers["north-bench"].model
    assert model is not None
    slope = early_slope_k_per_s(Response(**RESPONSE), 1.0)
    bounds = {
        "gain_k_per_w": [0.71 / math.exp(1.96 * 0.01 / 0.71), 0.71 * math.exp(1.96 * 0.01 / 0.71)],
        "dead_s": [882.0 / math.exp(1.96 * 216 / 882.0), 882.0 * math.exp(1.96 * 216 / 882.0)],
        "slope": [slope / math.exp(0.196), slope * math.exp(0.196)],
    }
    for name, (low, high) in bounds_of(model).items():
        assert [low, high] == pytest.approx(bounds[name], rel=1e-4)
    assert bounds_of(model).keys() == bounds.keys()
    of_config, of_file = (
        tune_data(shed),
        tune_data(shed, "--from", identified(shed, intervals=bounds)),
    )
    assert of_config["pid"] == pytest.approx(of_file["pid"], rel=1e-3)
    assert of_config["doubt_assumed"] is False
    shed.config.write_text(shed.text.replace(sure, "dead_time_uncertainty: 0.005"))
    assert tune_data(shed)["pid"]["gain"] > 1.1 * of_config["pid"]["gain"]


def test_a_model_of_a_relay_run_is_taken_to_be_too_flat_from_the_config_too(shed: Shed) -> None:
    with_model(shed)
    plain = tune_data(shed)
    shed.config.write_text(
        shed.text.replace("dead_time: 0.245}", "dead_time: 0.245, method: relay}")
    )
    assert tune_data(shed)["pid"]["gain"] < 0.95 * plain["pid"]["gain"]


def test_a_model_that_answers_before_the_bed_did_is_refused(shed: Shed) -> None:
    said = refused(shed, *NORTH, "--from", identified(shed, first_rise_s=1500), code=8)
    assert "after 15 min" in said
    assert "25 min" in said
    assert tune_data(shed, "--from", identified(shed, first_rise_s=900))["pid"]["gain"] > 0


@pytest.mark.parametrize(
    ("content", "said"),
    [
        ("no json", "not what bottomheat identify --json writes"),
        ("[]", "not what bottomheat identify --json writes"),
        ("{}", "lacks gain_k_per_w, slow_s, quick_s, quick_share, dead_s"),
        (json.dumps({"reasons": ["too short"]}), "did not tell enough"),
        (json.dumps({"response": {**RESPONSE, "dead_s": None}}), "lacks dead_s"),
        (json.dumps({"response": {**RESPONSE, "quick_s": 1e9}}), "cannot be true"),
        (json.dumps({"chamber": "south-bench", "response": RESPONSE}), "about south-bench"),
    ],
)
def test_a_file_that_holds_no_model_is_refused_in_a_sentence(
    shed: Shed, content: str, said: str
) -> None:
    file = shed.folder / "found.json"
    file.write_text(content)
    assert said in refused(shed, *NORTH, "--from", str(file))


def test_no_such_file_and_no_such_box(shed: Shed) -> None:
    assert "cannot be read" in refused(shed, *NORTH, "--from", str(shed.folder / "none.json"))
    assert "there is no chamber west-bench" in refused(shed, "--chamber", "west-bench")


def test_write_puts_it_into_the_config_keeps_every_note_and_is_done_once(shed: Shed) -> None:
    file = identified(shed)
    text = tune(shed, "--from", file, "--write")
    assert "pid of north-bench is now {gain: 0.1" in text
    assert "without a jump in the heat" in text
    new = shed.config.read_text()
    for line in shed.text.splitlines():
        assert line in new
    box = load_config(shed.config).chambers["north-bench"]
    assert box.pid.gain_per_k == pytest.approx(0.171, abs=0.001)
    assert box.pid.integral_h == pytest.approx(2.63)
    assert (shed.folder / "chamber.yaml.before").read_text() == shed.text
    again = tune(shed, "--from", file, "--write")
    assert "The config says so already." in again
    assert shed.config.read_text() == new


def test_a_window_of_ones_own_is_written_where_it_differs(shed: Shed) -> None:
    text = tune(shed, "--from", identified(shed), "--window", "900", "--write")
    assert "window: 900" in text
    assert "# mulberry" in shed.config.read_text()
    assert load_config(shed.config).chambers["north-bench"].heater.window == 900
    data = tune_data(shed, "--from", identified(shed), "--window", "900")
    assert data["closings_a_day"] == 96


def test_a_longer_window_is_not_taken_where_the_mat_would_come_to_its_limit(shed: Shed) -> None:
    slow = {**RESPONSE, "dead_s": 1800.0}
    file = identified(shed, response=slow)
    assert tune_data(shed, "--from", file)["window"]["window_s"] == 1200
    shed.config.write_text(shed.text.replace("mat: 65", "mat: 45"))
    data = tune_data(shed, "--from", file)
    assert data["window"]["window_s"] == 600
    assert "mat to its limit" in data["window"]["reason"]


def test_a_write_protected_config_is_refused_before_anything_is_worked_out(shed: Shed) -> None:
    shed.config.chmod(0o444)
    said = refused(shed, *NORTH, "--from", identified(shed), "--write")
    assert "write-protected" in said


def test_a_solid_state_relay_gets_a_short_window(shed: Shed) -> None:
    shed.config.write_text(
        shed.text.replace("gpio: 17, watts: 45", "gpio: 17, watts: 45, relay: solid-state")
    )
    data = tune_data(shed, "--from", identified(shed))
    assert data["window"]["window_s"] == 60
    assert "does not wear" in data["window"]["reason"]


def test_tunings_that_swing_are_named(shed: Shed) -> None:
    shed.config.write_text(shed.text + "    pid: {gain: 0.9}\n")
    north = shed.text.replace(
        "    limits: {substrate: 42, mat: 65}",
        "    limits: {substrate: 42, mat: 65}\n    pid: {gain: 0.9}",
    )
    shed.config.write_text(north)
    assert "What is set now swings" in " ".join(tune(shed, "--from", identified(shed)).split())
    assert not tune_data(shed, "--from", identified(shed))["now"]["stable"]


def test_tunings_that_are_as_good_are_left_alone(shed: Shed) -> None:
    file = identified(shed, intervals={"dead_s": [860, 900]})
    tune(shed, "--from", file, "--write")
    assert "nothing needs to change" in " ".join(tune(shed, "--from", file).split())


def test_a_box_that_is_switched_on_and_off_is_told_that_it_does_not_count_there(shed: Shed) -> None:
    shed.config.write_text(
        shed.text.replace("    callus_zone: 22\n", "    callus_zone: 22\n    law: hysteresis\n")
    )
    text = " ".join(tune(shed, "--from", identified(shed)).split())
    assert "they count once law is pid" in text
