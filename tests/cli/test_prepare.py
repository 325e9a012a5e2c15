"""``bottomheat prepare``: one walk, broken off and taken up again, beside a fake service."""

from __future__ import annotations

import json
import re
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

import idlog
from bottomheat.app import proof_path, state_folder
from bottomheat.cli.prepare_walk import Facts, Step, closing, progress, to_do
from bottomheat.config_wiring import fingerprint
from bottomheat.tuning import margins
from bottomheat.tuning.rules import Gains
from bottomheat_drivers.config_yaml import load_config
from bottomheat_drivers.proof_file import ProofFile
from clibench import FakeService, Shed, status

NORTH = ("--chamber", "north-bench")
MODEL = (
    "    model: {gain: 0.71, slow_lag: 9.2, quick_lag: 1.8, quick_share: 0.38, dead_time: 0.245}\n"
)
GOOD = Facts(
    name="north-bench",
    setpoint_c=22.0,
    room_c=8.0,
    proved=True,
    model=True,
    tuned=True,
    on_off=False,
    verdict="22 °C in a room of 8 °C takes heat on 58 % of the time (26 W)",
    holds=True,
    measured=True,
)


@pytest.fixture
def shed(tmp_path: Path) -> Shed:
    return Shed(tmp_path)


def proved(shed: Shed) -> None:
    config = load_config(shed.config)
    folder = state_folder(config)
    folder.mkdir(exist_ok=True)
    ProofFile(proof_path(folder)).save(fingerprint(config))


def with_model(shed: Shed) -> None:
    text = shed.text.replace("    limits: {substrate: 42", f"{MODEL}    limits: {{substrate: 42")
    shed.config.write_text(text)


def walk(shed: Shed, *words: str, answers: str = "", code: int = 1) -> str:
    done = shed.run("prepare", *NORTH, *words, answers=answers)
    assert done.returncode == code, done.stdout + done.stderr
    return done.stdout


def stand(shed: Shed) -> dict[str, Any]:
    done = shed.run("prepare", *NORTH, "--json")
    found: dict[str, Any] = json.loads(done.stdout)
    assert (done.returncode == 0) is found["well"]
    return found


# -- the walk


@pytest.mark.process
def test_a_new_box_is_told_what_is_left_and_nothing_is_done(shed: Shed) -> None:
    before = shed.listing()
    text = walk(shed, "--show")
    assert re.search(r"^  1 \[ \] prove ", text, re.M)
    assert text.count("still to do") == 3
    assert re.search(r"^  4 \[x\] capacity ", text, re.M)
    assert max(map(len, text.splitlines())) <= 80
    assert shed.listing() == before
    data = stand(shed)
    assert not data["well"]
    assert len(data["sentences"]) == 3
    assert "No heat flows" in data["sentences"][0]


@pytest.mark.process
def test_later_ends_it_and_skip_asks_for_the_reason_and_keeps_it(shed: Shed) -> None:
    text = walk(shed, answers="later\n")
    assert "Do it now" in text
    assert not (shed.folder / "chamber.yaml.prepare").exists()
    text = walk(shed, answers="later\n")
    text = walk(shed, answers="skip\nproved by Ann.\nskip\nruns since today\n", code=0)
    assert "left out: proved by Ann" in " ".join(text.split())
    assert "waits until it is known" in " ".join(text.split())
    assert not any((shed.folder / "state").iterdir())  # or latches would not begin clear
    again = walk(shed, answers="", code=0)
    assert "Do it now" not in again
    assert "left out: runs since today" in " ".join(again.split())
    data = stand(shed)
    assert data["well"]
    assert [step["left_out"] for step in data["steps"]][:2] == ["proved by Ann", "runs since today"]
    walk(shed, "--again", answers="later\n")
    assert stand(shed)["steps"][0]["left_out"] is None


@pytest.mark.process
def test_a_step_is_left_out_from_the_command_line_with_its_reason(shed: Shed) -> None:
    walk(shed, "--show", "--skip", "identify=no time before Monday")
    walk(shed, "--show", "--skip", "prove=plugs are numbered", code=0)
    data = stand(shed)
    assert data["steps"][1]["left_out"] == "no time before Monday"
    for wrong in ("identify", "identify=", "brew=coffee"):
        done = shed.run("prepare", *NORTH, "--skip", wrong)
        assert done.returncode == 10
        assert len(done.stderr.splitlines()) == 1


@pytest.mark.process
def test_it_goes_on_where_it_stood_tunes_and_says_what_it_comes_to(shed: Shed) -> None:
    with_model(shed)
    proved(shed)
    text = walk(shed, "--yes", code=0)
    assert "Written to" in text
    box = load_config(shed.config).chambers["north-bench"]
    assert box.pid.gain_per_k is not None
    assert stand(shed)["sentences"] == [
        "Heat may flow in north-bench: its wiring is proved.",
        "The heat is governed by what was measured in north-bench; leave it so.",
        stand(shed)["sentences"][2],
    ]
    assert "It will hold on the coldest night: 22 °C in a room of 8 °C" in " ".join(text.split())
    new = shed.config.read_text()
    assert "Written to" not in walk(shed, "--yes", code=0)
    assert shed.config.read_text() == new


@pytest.mark.process
def test_it_proves_by_the_running_service(shed: Shed) -> None:
    finished = {
        "ok": True,
        "finished": True,
        "passed": True,
        "summary": "",
        "chambers": [{"chamber": "north-bench", "passed": True, "lines": ["+1.2 K"]}],
    }
    answers = {
        "status": [status(proved=False)],
        "prove": [{"ok": True}],
        "proving": [finished],
    }
    with FakeService(shed.control, answers) as service:
        text = walk(shed, "--yes", "--skip", "identify=later")
    assert "prove" in service.asked
    assert "north-bench: proved" in text


@pytest.mark.process
def test_what_fails_is_told_and_the_walk_goes_on(shed: Shed) -> None:
    text = walk(shed, "--yes")
    flat = " ".join(text.split())
    assert "prove: the service does not answer" in flat
    assert "There is no log" in flat
    assert re.search(r"^  5 \[", text, re.M)


@pytest.mark.process
def test_a_cold_room_that_is_not_held_is_the_last_sentence(shed: Shed) -> None:
    shed.config.write_text(shed.text.replace("gpio: 17, watts: 45", "gpio: 17, watts: 20"))
    data = stand(shed)
    last = data["sentences"][2]
    assert data["holds"] is False
    assert last.startswith("It will not hold on the coldest night, by the figures of a usual box:")
    assert "in a room of 8 °C" in last


# -- pure

facts = st.builds(
    Facts,
    name=st.just("north-bench"),
    setpoint_c=st.just(22.0),
    room_c=st.just(8.0),
    proved=st.sampled_from([True, False, None]),
    model=st.booleans(),
    tuned=st.booleans(),
    on_off=st.booleans(),
    verdict=st.just("22 °C takes heat"),
    holds=st.sampled_from([True, False, None]),
    measured=st.booleans(),
    remedy=st.sampled_from(["", "insulate"]),
    wrong=st.sampled_from([(), ("the mat comes to its limit",)]),
    skipped=st.dictionaries(st.sampled_from(list(Step)), st.just("no time"), max_size=5),
)


@given(facts)
def test_it_always_ends_in_three_sentences_with_one_full_stop_each(found: Facts) -> None:
    three = closing(found)
    assert len(three) == 3
    for sentence in three:
        assert sentence.endswith(".")
        assert not sentence.endswith("..")
        assert "\n" not in sentence
    lines = progress(found).splitlines()
    assert max(map(len, lines)) <= 80
    assert sum(bool(re.match(r"  \d \[", line)) for line in lines) == 5


@given(facts)
def test_a_step_is_done_left_out_or_to_do_and_never_two_of_them(found: Facts) -> None:
    left = to_do(found)
    for step in (Step.PROVE, Step.IDENTIFY, Step.TUNE):
        ways = (found.done(step), found.why_skipped(step) is not None, step in left)
        assert sum(ways) == 1
    if found.well:
        assert not left


def test_the_sentences_say_what_to_do() -> None:
    assert closing(GOOD)[2].startswith("It will hold on the coldest night: 22 °C")
    cold = replace(GOOD, holds=False, remedy="insulate the box")
    assert closing(cold)[2].endswith("; insulate the box.")
    assert "bottomheat tune" in closing(replace(GOOD, tuned=False))[1]
    assert "bottomheat identify" in closing(replace(GOOD, model=False))[1]
    assert "five days" in closing(replace(GOOD, model=False, tuned=False))[1]
    assert "usual box" in closing(replace(GOOD, measured=False))[2]
    assert "sudo" in closing(replace(GOOD, proved=None))[0]


# -- from a log to a box that is tuned


@pytest.mark.process
@pytest.mark.slow
def test_from_its_log_alone_a_box_becomes_known_and_tuned(shed: Shed) -> None:
    """identify's own words go into tune, and prepare walks the same way by itself."""
    idlog.write_log(shed, idlog.live(2.5))
    proved(shed)
    done = shed.run("identify", *NORTH, "--json")
    assert done.returncode == 0, done.stderr
    found = shed.folder / "found.json"
    found.write_text(done.stdout)
    tuned = shed.run("tune", *NORTH, "--from", str(found), "--json")
    assert tuned.returncode == 0, tuned.stderr
    data = json.loads(tuned.stdout)
    truth = margins.loop_margins(
        idlog.TRUTH,
        load_config(shed.config).chambers["north-bench"].heater.watts,
        Gains(data["tuned"]["gain_per_k"], data["tuned"]["integral_s"]),
        data["window"]["window_s"],
    )
    assert truth.stable
    assert truth.peak < 2.0
    assert not data["doubt_assumed"]

    text = walk(shed, "--yes", code=0)
    box = load_config(shed.config).chambers["north-bench"]
    assert box.model is not None
    assert box.model.gain_k_per_w == pytest.approx(idlog.TRUTH.gain_k_per_w, rel=0.1)
    assert box.pid.gain_per_k == pytest.approx(data["pid"]["gain"], rel=0.3)
    assert "governed by what was measured in north-bench" in " ".join(text.split())
