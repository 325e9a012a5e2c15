"""``bottomheat identify`` on logs as the service writes them, of a box whose answer is known."""

from __future__ import annotations

import json
import re
from collections.abc import Mapping
from dataclasses import replace
from functools import cache
from pathlib import Path
from typing import Any

import pytest

import idlog
from bottomheat.identification.stretch import Stretch
from bottomheat_drivers.config_edit_model import with_model
from bottomheat_drivers.config_yaml import load_config
from clibench import Shed

pytestmark = pytest.mark.process

NORTH = ("--chamber", "north-bench")
TRUTH = idlog.TRUTH
MAT_GAIN = 0.5
"""K/W; the other logs have no reading of the mat."""


@cache
def running() -> Stretch:
    return idlog.live(2.5)


@pytest.fixture(scope="module")
def known(tmp_path_factory: pytest.TempPathFactory) -> Shed:
    """A shed with a log of two and a half days, in which the box was looked at once."""
    shed = Shed(tmp_path_factory.mktemp("shed"))
    stretch = idlog.with_mat(running(), MAT_GAIN)
    idlog.write_log(shed, stretch, tended=[(30.0, "look", 900.0, None)])
    return shed


def identified(shed: Shed, *words: str) -> Mapping[str, Any]:
    done = shed.run("identify", *NORTH, "--json", *words)
    assert done.returncode == 0, done.stderr
    data: Mapping[str, Any] = json.loads(done.stdout)
    return data


def refused(shed: Shed, *words: str) -> str:
    done = shed.run("identify", *words)
    assert done.returncode == 10, done.stdout + done.stderr
    assert len(done.stderr.splitlines()) == 1
    assert "Traceback" not in done.stderr
    return done.stderr


def test_it_says_in_words_how_the_box_answers(known: Shed) -> None:
    before = known.listing()
    done = known.run("identify", *NORTH, "--from-log")
    assert done.returncode == 0, done.stderr
    assert max(len(line) for line in done.stdout.splitlines()) <= 80
    assert known.listing() == before  # it only looks
    told = re.search(
        r"a watt lifts the wet layer +(\d\.\d+) K +between (\d\.\d+) and (\d\.\d+)", done.stdout
    )
    assert told is not None
    value, low, high = (float(each) for each in told.groups())
    assert value == pytest.approx(TRUTH.gain_k_per_w, rel=0.02)
    assert low <= TRUTH.gain_k_per_w <= high
    assert "o measured   - model" in done.stdout
    assert re.search(r"a watt lifts mat over wet layer +0\.5\d* K +between 0\.4\d+", done.stdout)
    assert "Left out: 0.8 h" in done.stdout
    assert re.search(r"^  model:\n    gain: 0\.7\d+\n    slow_lag: [89]\.\d+$", done.stdout, re.M)
    assert done.stdout.rstrip().endswith("bottomheat tune.")
    for word in ("Ljung", "covariance", "posterior", "p-value", "sigma"):
        assert word not in done.stdout


def test_json_holds_the_answer_and_its_intervals(known: Shed) -> None:
    data = identified(known)
    assert data["chamber"] == "north-bench"
    found = data["found"]
    assert found["method"] == "log"
    assert found["response"]["slow_s"] == pytest.approx(TRUTH.slow_s, rel=0.06)
    assert found["response"]["dead_s"] == pytest.approx(TRUTH.dead_s, abs=60.0)
    for field in ("gain_k_per_w", "slow_s", "quick_s", "quick_share"):
        low, high = found["intervals"][field]
        assert low <= getattr(TRUTH, field) <= high
    callus = found["callus"]["gain_k_per_w"]
    assert callus == pytest.approx(idlog.FACTOR * TRUTH.gain_k_per_w, rel=0.02)
    assert found["confidence"] == 0.95
    assert isinstance(found["white"], bool)
    assert set(data["config"]["model"]) >= {"gain", "slow_lag", "quick_lag", "quick_share"}
    low, high = found["mat"]["interval"]
    assert low < found["mat"]["gain_k_per_w"] < high
    assert low <= MAT_GAIN <= high
    assert found["mat"]["swing_k_per_w"] == pytest.approx(idlog.mat_swing(MAT_GAIN), rel=0.1)
    assert found["first_rise_s"] is None


def test_write_puts_it_into_the_config_and_keeps_every_note(known: Shed, tmp_path: Path) -> None:
    config = tmp_path / "chamber.yaml"
    config.write_text(known.config.read_text())
    words = ("identify", *NORTH, "--write", "--config", str(config))
    done = known.run(*words)
    assert done.returncode == 0, done.stderr
    assert "Written to" in done.stdout
    text = config.read_text()
    for line in known.config.read_text().splitlines():
        assert line in text
    model = load_config(config).chambers["north-bench"].model
    assert model is not None
    assert model.response.gain_k_per_w == pytest.approx(TRUTH.gain_k_per_w, rel=0.02)
    assert model.method == "log"
    assert model.gain_uncertainty_k_per_w is not None
    assert 0.0 < model.gain_uncertainty_k_per_w < 0.03
    assert model.mat_gain_k_per_w == pytest.approx(MAT_GAIN, rel=0.05)
    assert model.mat_swing_k_per_w == pytest.approx(idlog.mat_swing(MAT_GAIN), rel=0.1)
    assert load_config(config).chambers["south-bench"].model is None
    assert config.with_name("chamber.yaml.before").read_text() == known.config.read_text()
    again = known.run(*words)
    assert "The config says so already." in again.stdout
    assert config.read_text() == text


def test_a_write_protected_config_is_refused_before_anything_is_fitted(shed: Shed) -> None:
    shed.config.chmod(0o444)
    assert "write-protected" in refused(shed, *NORTH, "--write")


def test_hours_with_the_lid_off_are_left_out(shed: Shed) -> None:
    # What stands in the log of those hours would make another box of it.
    stretch = running()
    hours = (stretch.time_s - stretch.time_s[0]) / 3600.0
    off = (hours >= 26.0) & (hours < 34.0)
    layer_c = stretch.substrate_c.copy()
    layer_c[off] -= 6.0
    idlog.write_log(
        shed,
        replace(stretch, substrate_c=layer_c),
        tended=[(26.0, "look", 60.0, "off"), (34.0, "look", 60.0, "on")],
    )
    data = identified(shed)
    found = data["found"]
    assert found["response"]["gain_k_per_w"] == pytest.approx(TRUTH.gain_k_per_w, rel=0.03)
    assert any("8.5 h" in note for note in found["notes"])


def test_a_refilled_box_is_another_box(shed: Shed) -> None:
    idlog.write_log(shed, running(), tended=[(50.0, "fill", 1800.0, None)])
    text = refused(shed, *NORTH)
    assert "a day at least is needed" in text
    assert "since the box was last filled or moved" in text


def test_a_log_that_ended_long_ago_tells_as_much(known: Shed, shed: Shed) -> None:
    idlog.write_log(shed, running(), tended=[(30.0, "look", 900.0, None)], days_ago=90.0)
    old, new = identified(shed), identified(known)
    assert old["found"]["response"] == pytest.approx(new["found"]["response"], rel=1e-3, abs=1e-3)


def test_not_enough_is_said_in_json_too_and_nothing_is_written(shed: Shed) -> None:
    idlog.write_log(shed, idlog.live(0.5))
    before = shed.config.read_text()
    done = shed.run("identify", *NORTH, "--json", "--write")
    assert done.returncode == 10
    assert "not enough to know how the box answers" in done.stderr
    assert json.loads(done.stdout)["found"]["reasons"]
    assert shed.config.read_text() == before


def test_without_a_log_or_a_room_probe_it_says_so(shed: Shed) -> None:
    done = shed.run("identify", *NORTH)
    assert done.returncode != 0
    assert "Traceback" not in done.stderr
    shed.config.write_text(shed.text.replace("      room: 28-000000000002        # shaded\n", ""))
    shed.config.write_text(
        shed.config.read_text().replace(
            "offset: {method: temperature-factor, factor: 0.75}\n    limits",
            "offset: {method: fixed, kelvin: 1.5}\n    limits",
        )
    )
    assert "no room probe" in refused(shed, *NORTH)


@pytest.fixture
def shed(tmp_path: Path) -> Shed:
    return Shed(tmp_path)


def test_a_model_that_stands_there_is_replaced_whole() -> None:
    text = (
        "chambers:\n  a:\n    callus_zone: 22\n    model:   # of last year\n"
        "      gain: 0.5  # guess\n"
        "      slow_lag: 9\n      quick_lag: 2\n      quick_share: 0.4\n      dead_time: 0.2\n"
    )
    values = {"gain": 0.7, "slow_lag": 8.0, "quick_lag": 1.5, "quick_share": 0.3, "dead_time": 0.2}
    edit = with_model(text, "a", values)
    assert "gain: 0.7" in edit.text
    assert "# of last year" in edit.text
    assert with_model(edit.text, "a", values).said == ()
