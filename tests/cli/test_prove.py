"""``bottomheat prove`` against a service that answers from a script."""

from __future__ import annotations

import signal
from pathlib import Path

import pytest

from bottomheat.cli.prove_cmd import progress
from clibench import FakeService, Shed, read_until, status

pytestmark = pytest.mark.process

RUNNING = {
    "ok": True,
    "finished": False,
    "passed": False,
    "summary": "wiring proved: ",
    "no_heat": None,
    "rises": {},
    "chambers": [],
}
LOOKING = {**RUNNING, "under_test": "north-bench", "phase": "measuring before the pulse"}
HEATING = {
    **RUNNING,
    "under_test": "north-bench",
    "phase": "heating",
    "rises": {"north-bench mat": 6.1, "north-bench room": 0.1, "south-bench substrate-2": 0.6},
}
NORTH_WELL = {
    "chamber": "north-bench",
    "passed": True,
    "lines": ["north-bench: its own probes answered, no other did"],
}
SOUTH_CROSSED = {
    "chamber": "south-bench",
    "passed": False,
    "lines": ["heating south-bench warmed the probe that the config calls north-bench mat, by 5 K"],
}
NEXT = {**LOOKING, "under_test": "south-bench", "chambers": [NORTH_WELL]}
PASSED = {
    **RUNNING,
    "finished": True,
    "passed": True,
    "summary": "wiring proved: north-bench",
    "under_test": None,
    "chambers": [NORTH_WELL],
}
FAILED = {
    **PASSED,
    "passed": False,
    "summary": "wiring not proved: south-bench",
    "chambers": [NORTH_WELL, SOUTH_CROSSED],
}
SOON = ("--every", "0.05")


@pytest.fixture
def shed(tmp_path: Path) -> Shed:
    return Shed(tmp_path)


def script(*proving: dict, **more: list) -> dict[str, list]:
    return {
        "status": [status(proved=False)],
        "prove": [{"ok": True}],
        "prove-stop": [{"ok": True}],
        "proving": list(proving),
        **more,
    }


def test_explains_shows_how_it_goes_and_ends_well(shed: Shed) -> None:
    with FakeService(shed.control, script(LOOKING, HEATING, HEATING, NEXT, PASSED)) as service:
        done = shed.run("prove", "--yes", *SOON)
    assert done.returncode == 0, done.stderr
    assert service.asked == ["status", "prove", *["proving"] * 5]
    said = done.stdout
    order = [
        "north-bench, south-bench",
        "115 minutes",
        "pull its plug",
        "north-bench: measuring before the pulse",
        "north-bench: heating   north-bench mat +6.0 K   "
        "south-bench wet layer, second probe +0.5 K",
        "north-bench: proved",
        "    north-bench: its own probes answered",
        "south-bench: measuring before the pulse",
        "The wiring is proved",
    ]
    places = [said.find(words) for words in order]
    assert places == sorted(places), said
    assert -1 not in places, said
    assert said.count("north-bench: heating") == 1, "a line that says nothing new"
    assert said.count("north-bench: proved") == 1


def test_a_crossed_wire_is_named_and_the_status_is_8(shed: Shed) -> None:
    with FakeService(shed.control, script(LOOKING, NEXT, FAILED)):
        done = shed.run("prove", "--yes", *SOON)
    assert done.returncode == 8
    assert "south-bench: NOT PROVED" in done.stdout
    assert "warmed the probe that the config calls north-bench mat" in done.stdout
    assert "wiring not proved: south-bench; there is no heat until it is" in done.stderr


def test_the_service_may_refuse(shed: Shed) -> None:
    refused = [{"ok": False, "error": "north-bench is cut out: reset it first"}]
    with FakeService(shed.control, script(PASSED, prove=refused)) as service:
        done = shed.run("prove", "--yes", *SOON)
    assert done.returncode == 8
    assert "north-bench is cut out: reset it first" in done.stderr
    assert service.asked == ["status", "prove"]


def test_saying_no_starts_nothing(shed: Shed) -> None:
    with FakeService(shed.control, script(PASSED)) as service:
        done = shed.run("prove", *SOON, answers="n\n")
    assert done.returncode == 8
    assert "nothing was started" in done.stderr
    assert service.asked == ["status"]


def test_no_answer_to_the_question_starts_nothing(shed: Shed) -> None:
    with FakeService(shed.control, script(PASSED)) as service:
        done = shed.run("prove", *SOON)
    assert done.returncode == 130
    assert service.asked == ["status"]


def test_without_the_service_it_says_how_to_start_it(shed: Shed) -> None:
    done = shed.run("prove", "--yes")
    assert done.returncode == 6
    assert "bottomheat run" in done.stderr
    assert "Traceback" not in done.stderr


def test_an_older_config_in_the_service_is_not_proved(shed: Shed) -> None:
    alarm = {"chamber": None, "alarm": "config-refused", "text": "its wiring differs", "for_s": 3.0}
    with FakeService(shed.control, script(PASSED, status=[status(alarms=[alarm])])) as service:
        done = shed.run("prove", "--yes", *SOON)
    assert done.returncode == 8
    assert "restart it first" in done.stderr
    assert service.asked == ["status"]


def test_joins_a_run_that_is_under_way(shed: Shed) -> None:
    under_way = [status(proving="heating")]
    with FakeService(shed.control, script(HEATING, PASSED, status=under_way)) as service:
        done = shed.run("prove", *SOON)
    assert done.returncode == 0
    assert "under way already" in done.stdout
    assert "prove" not in service.asked


def test_control_c_stops_the_heat(shed: Shed) -> None:
    with FakeService(shed.control, script(LOOKING, HEATING)) as service:
        with shed.start("prove", "--yes", *SOON) as process:
            read_until(process.stdout, "heating")
            process.send_signal(signal.SIGINT)
            _, complaint = process.communicate(timeout=120)
        assert service.asked[-1] == "prove-stop"
    assert process.returncode == 8
    assert "stopped by hand" in complaint


def test_a_service_that_goes_away_is_told(shed: Shed) -> None:
    service = FakeService(shed.control, script(LOOKING, HEATING))
    with shed.start("prove", "--yes", *SOON) as process:
        read_until(process.stdout, "heating")
        service.close()
        _, complaint = process.communicate(timeout=120)
    assert process.returncode == 6
    assert "stopped answering while proving" in complaint


def test_a_service_restarted_meanwhile_has_lost_the_run(shed: Shed) -> None:
    fresh = {"ok": True, "finished": True, "passed": True, "chambers": []}
    with FakeService(shed.control, script(LOOKING, fresh)):
        done = shed.run("prove", "--yes", *SOON)
    assert done.returncode == 8, "an older proof is not this run's"
    assert "restarted while proving" in done.stderr


def test_a_refused_config_cannot_be_proved_but_a_run_can_be_stopped(shed: Shed) -> None:
    shed.config.write_text(shed.text.replace("callus_zone: 22", "callus_zone: warm"))
    with FakeService(shed.control, script(HEATING)) as service:
        refused = shed.run("prove", "--yes", *SOON)
        stopped = shed.run("prove", "--stop")
    assert refused.returncode == 3
    assert "callus_zone" in refused.stderr
    assert stopped.returncode == 0
    assert service.asked == ["prove-stop"]


def test_a_missing_config_is_said(shed: Shed) -> None:
    shed.config.unlink()
    done = shed.run("prove", "--yes")
    assert done.returncode == 3
    assert "there is no config file" in done.stderr


def test_progress_tells_why_there_is_no_heat() -> None:
    line = progress({**HEATING, "no_heat": "mat probe lost"})
    assert "no heat at present: mat probe lost" in line


def test_progress_changes_only_when_something_happens() -> None:
    later = {**HEATING, "rises": {**HEATING["rises"], "north-bench mat": 6.2}}
    assert progress(HEATING) == progress(later)
    much_later = {**HEATING, "rises": {**HEATING["rises"], "north-bench mat": 6.6}}
    assert progress(HEATING) != progress(much_later)
