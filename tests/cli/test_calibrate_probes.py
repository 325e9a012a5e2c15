"""``bottomheat calibrate jar`` and ``probe`` on a fake bus."""

from __future__ import annotations

import os
import re
import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from bottomheat_drivers.config_yaml import check_text
from bottomheat_drivers.log import LogReader
from bottomheat_drivers.process_lock import lock_state
from clibench import LAYER, MAT, ROOM, WHOLE, FakeService, Shed, read_until, status

pytestmark = pytest.mark.process

SPARE = "28-0000000000aa"
QUICK = ("--for", "1s", "--every", "0.05", "--timeout", "20s")
ERRORS_K = dict(zip(WHOLE, (0.25, -0.125, 0.0, 0.0625, -0.1875), strict=True))


@pytest.fixture
def shed(tmp_path: Path) -> Shed:
    return Shed(tmp_path)


@pytest.fixture
def jar(shed: Shed) -> Shed:
    for name, error_k in ERRORS_K.items():
        shed.bus.set(name, 25.0 + error_k)
    return shed


def corrections(shed: Shed) -> dict:
    config = check_text(shed.config.read_text()).parsed.config
    assert config is not None
    return dict(config.corrections)


def checks(shed: Shed) -> dict:
    with LogReader(shed.folder / "state" / "log.sqlite") as log:
        return {row.check.probe: row.check for row in log.probe_checks()}


@contextmanager
def melting(shed: Shed, name: str, to_c: float) -> Iterator[None]:
    """The probe cools by half of the rest every 50 ms."""
    ended = threading.Event()

    def cool() -> None:
        now_c = 18.0
        while not ended.wait(0.05):
            now_c = to_c + (now_c - to_c) / 2
            shed.bus.set(name, now_c)

    hand = threading.Thread(target=cool)
    hand.start()
    try:
        yield
    finally:
        ended.set()
        hand.join(10)


def test_a_jar_gives_each_probe_the_correction_that_makes_all_agree(jar: Shed) -> None:
    done = jar.run("calibrate", "jar", *QUICK, "--write", "--note", "kitchen")
    assert done.returncode == 0, done.stderr
    assert done.stderr == ""
    assert "5 probes in one jar at 25.00 °C (the mean of all)" in done.stdout
    assert "differ by 0.44 K" in done.stdout
    assert "only their differences matter" in done.stdout
    assert "back into its own place" in done.stdout
    written = corrections(jar)
    assert set(written) == set(WHOLE)
    for name, error_k in ERRORS_K.items():
        assert written[name].add_k == pytest.approx(-error_k, abs=0.006)
        assert 0.1 < written[name].uncertainty_k < 0.3
    assert "# our cold shed" in jar.config.read_text()
    assert (jar.folder / "chamber.yaml.before").read_text() == jar.text
    kept = checks(jar)
    assert set(kept) == set(WHOLE)
    assert (kept[LAYER].how, kept[LAYER].note) == ("jar", "kitchen")
    assert kept[LAYER].add_k == written[LAYER].add_k
    assert kept[LAYER].at_c == pytest.approx(25.0, abs=0.01)


def test_a_second_jar_goes_by_the_readings_as_they_are_and_changes_nothing(jar: Shed) -> None:
    assert jar.run("calibrate", "jar", *QUICK, "--write").returncode == 0
    text = jar.config.read_text()
    again = jar.run("calibrate", "jar", *QUICK, "--write")
    assert again.returncode == 0, again.stderr
    assert "says so already" in again.stdout
    assert jar.config.read_text() == text


def test_without_write_the_lines_for_the_config_are_shown_and_it_stays(jar: Shed) -> None:
    words = (LAYER, ROOM, "--reference", "25.1", "--uncertainty", "0.1")
    done = jar.run("calibrate", "jar", *words, *QUICK)
    assert done.returncode == 0, done.stderr
    assert "corrections:" in done.stdout
    assert f"{LAYER}: {{add: -0.15, uncertainty: 0.07, apart: 0.0" in done.stdout
    assert jar.config.read_text() == jar.text
    assert set(checks(jar)) == {LAYER, ROOM}


def test_a_probe_that_is_not_in_the_jar_is_doubted_and_gets_no_correction(jar: Shed) -> None:
    jar.bus.set(SPARE, 19.0)
    done = jar.run("calibrate", "jar", *QUICK, "--write")
    assert done.returncode == 0, done.stderr
    assert f"! {SPARE}: it reads 5.9 K below the others" in done.stdout
    assert set(corrections(jar)) == set(WHOLE)


def test_two_probes_that_do_not_agree_end_in_a_refusal(jar: Shed) -> None:
    jar.bus.set(ROOM, 27.0)
    done = jar.run("calibrate", "jar", LAYER, ROOM, *QUICK, "--write")
    assert done.returncode == 8
    assert "every probe is doubted" in done.stderr
    assert jar.config.read_text() == jar.text
    assert not (jar.folder / "state" / "log.sqlite").exists()


def test_what_cannot_be_compared_is_said_before_anything_is_read(jar: Shed) -> None:
    jar.bus.unplug(MAT)
    for words, code, part in (
        ((), 10, f"not on the bus: {MAT} (north-bench mat)"),
        ((LAYER,), 10, "one probe only"),
        ((LAYER, SPARE), 10, f"{SPARE} is not on the bus; there: {LAYER}"),
        ((LAYER, ROOM, "--uncertainty", "0.1"), 2, "goes with --reference"),
        ((LAYER, ROOM, "--for", "soon"), 10, "not a length of time"),
    ):
        done = jar.run("calibrate", "jar", *QUICK, *words)
        assert done.returncode == code, (words, done.stderr)
        assert part in done.stderr
        assert "Reading" not in done.stdout
    assert done.stderr.count("\n") == 1


def test_a_jar_that_never_comes_to_rest_is_given_up_with_the_reason(jar: Shed) -> None:
    ended = threading.Event()

    def stir() -> None:
        step = 0
        while not ended.wait(0.03):
            step += 1
            jar.bus.set(ROOM, 25.0 + (step % 2) * 0.5)

    hand = threading.Thread(target=stir)
    hand.start()
    try:
        done = jar.run("calibrate", "jar", LAYER, ROOM, *QUICK, "--timeout", "3s")
    finally:
        ended.set()
        hand.join(10)
    assert done.returncode == 1
    assert f"{ROOM} is restless" in done.stderr
    assert "Nothing was noted or written" in done.stderr


def test_a_probe_that_does_not_answer_is_named_with_its_fault(jar: Shed) -> None:
    jar.bus.hang(ROOM)
    done = jar.run("calibrate", "jar", LAYER, ROOM, "--for", "1s", "--timeout", "3s")
    assert done.returncode == 4
    assert f"{ROOM} has given no good reading for" in done.stderr
    assert "read did not return" in done.stderr


def test_melting_ice_gives_the_correction_of_a_probe(shed: Shed) -> None:
    shed.bus.set(LAYER, 18.0)
    with melting(shed, LAYER, 0.3125):
        done = shed.run("calibrate", "probe", LAYER, "--ice-point", *QUICK, "--write")
    assert done.returncode == 0, done.stderr
    # The ice melts while it is read: how far it had come depends on the machine's pace.
    said = re.search(rf"{LAYER} \(north-bench wet layer\) reads (\d\.\d\d) °C", done.stdout)
    assert said is not None, done.stdout
    assert float(said[1]) == pytest.approx(0.3125, abs=0.02)
    assert "the ice, as a kitchen makes it" in done.stdout
    assert "Put it back" in done.stdout
    written = corrections(shed)
    assert set(written) == {LAYER}
    assert written[LAYER].add_k == pytest.approx(-0.31, abs=0.02)
    assert written[LAYER].uncertainty_k == pytest.approx(0.09, abs=0.011)
    check = checks(shed)[LAYER]
    assert (check.how, check.at_c) == ("ice point", 0.0)


def test_a_probe_beside_a_thermometer(shed: Shed) -> None:
    shed.bus.set(SPARE, 24.6875)
    done = shed.run("calibrate", "probe", SPARE, "--against", "24.8", *QUICK)
    assert done.returncode == 0, done.stderr
    assert "±0.5 K is taken" in done.stdout
    assert f"{SPARE}: {{add: 0.11, uncertainty: 0.26}}" in done.stdout
    assert "Put it back" not in done.stdout
    assert checks(shed)[SPARE].how == "against"


def test_a_probe_far_off_in_ice_is_neither_noted_nor_written(shed: Shed) -> None:
    shed.bus.set(LAYER, 3.0)
    done = shed.run("calibrate", "probe", LAYER, "--ice-point", *QUICK, "--write")
    assert done.returncode == 8
    assert "3.0 K off" in done.stderr
    assert shed.config.read_text() == shed.text
    assert not (shed.folder / "state" / "log.sqlite").exists()


@pytest.mark.parametrize("both", [(), ("--ice-point", "--against", "25")])
def test_ice_or_a_thermometer_and_not_both(shed: Shed, both: tuple[str, ...]) -> None:
    done = shed.run("calibrate", "probe", LAYER, *both)
    assert done.returncode == 2
    assert "either --ice-point or --against" in done.stderr


def test_a_config_that_may_not_be_written_is_said_before_anything_is_read(jar: Shed) -> None:
    if os.geteuid() == 0:
        jar.config.chmod(0o444)
    else:
        jar.config.chmod(0o400)
    for words in (("jar",), ("probe", LAYER, "--ice-point")):
        done = jar.run("calibrate", *words, *QUICK, "--write")
        assert done.returncode == 10
        assert "write-protected" in done.stderr
        assert "Reading" not in done.stdout


def test_a_log_that_cannot_be_written_does_not_lose_the_comparison(jar: Shed) -> None:
    (jar.folder / "state" / "log.sqlite").mkdir()
    done = jar.run("calibrate", "jar", *QUICK, "--write")
    assert done.returncode == 0
    assert "Not noted in the log" in done.stderr
    assert set(corrections(jar)) == set(WHOLE)


def test_nothing_is_measured_while_the_service_may_heat_by_these_probes(jar: Shed) -> None:
    with FakeService(jar.control, {"status": [status()]}) as service:
        for words in (("jar",), ("probe", LAYER, "--ice-point"), ("probe", ROOM, "--against", "9")):
            done = jar.run("calibrate", *words, *QUICK, "--write")
            assert done.returncode == 8
            assert "the service may heat north-bench" in done.stderr
            assert "systemctl stop bottomheat" in done.stderr
        assert set(service.asked) == {"status"}
    assert jar.config.read_text() == jar.text


def test_a_spare_probe_and_one_that_stays_in_its_place_may_be_read_while_it_heats(
    shed: Shed,
) -> None:
    shed.bus.set(SPARE, 0.0)
    with FakeService(
        shed.control, {"status": [status()], "probe-check": [{"ok": True}]}
    ) as service:
        spare = shed.run("calibrate", "probe", SPARE, "--ice-point", *QUICK)
        in_place = shed.run("calibrate", "probe", ROOM, "--against", "18.3", "--in-place", *QUICK)
    assert (spare.returncode, in_place.returncode) == (0, 0), spare.stderr + in_place.stderr
    assert service.asked.count("probe-check") == 2
    assert "Put it back" not in in_place.stdout


def test_a_probe_that_teaches_a_box_is_not_put_into_a_jar(jar: Shed) -> None:
    jar.bus.set(SPARE, 25.0)
    boxes = [{"name": "north-bench", "learning": {"probe": SPARE}}]
    with FakeService(jar.control, {"status": [status(proved=False, chambers=boxes)]}):
        done = jar.run("calibrate", "jar", *QUICK)
    assert done.returncode == 8
    assert f"{SPARE} teaches north-bench at present" in done.stderr


def test_a_service_without_proof_gives_no_heat_and_is_no_hindrance(jar: Shed) -> None:
    unproved = {"status": [status(proved=False)], "probe-check": [{"ok": True}]}
    with FakeService(jar.control, unproved) as service:
        done = jar.run("calibrate", "jar", *QUICK)
    assert done.returncode == 0, done.stderr
    assert service.asked.count("probe-check") == 5


def test_heat_that_begins_meanwhile_ends_the_measurement(jar: Shed) -> None:
    answers = {"status": [status(proved=False), status(proved=True)]}
    with FakeService(jar.control, answers):
        done = jar.run("calibrate", "jar", *QUICK)
    assert done.returncode == 8
    assert "may heat north-bench and south-bench now" in done.stderr
    assert "corrections:" not in done.stdout


def test_a_service_that_holds_its_lock_and_does_not_answer_counts_as_heating(jar: Shed) -> None:
    lock = lock_state(jar.folder / "state")
    try:
        done = jar.run("calibrate", "jar", *QUICK)
    finally:
        lock.close()
    assert done.returncode == 8
    assert "does not answer" in done.stderr


def test_ctrl_c_leaves_everything_as_it_was(jar: Shed) -> None:
    import signal

    before = jar.listing()
    with jar.start("calibrate", "jar", "--write") as process:
        read_until(process.stdout, "Reading 5 probes")
        process.send_signal(signal.SIGINT)
        _, complaint = process.communicate(timeout=120)
    assert process.returncode == 130
    assert complaint.strip() == "Stopped."
    after = {name: data for name, data in jar.listing().items() if not name.endswith(".lock")}
    assert after == before


def test_the_commands_load_no_analysis_library() -> None:
    import subprocess

    from clibench import environment

    program = (
        "import sys, importlib;"
        "[importlib.import_module('bottomheat.cli.calibrate_' + name) for name in "
        "('cmd', 'jar', 'probe', 'add', 'list', 'drop', 'learn', 'reads', 'text', 'compare_text')];"
        "sys.exit(', '.join({'numpy', 'scipy', 'plotext', 'rich'} & set(sys.modules)) or 0)"
    )
    done = subprocess.run(
        [sys.executable, "-c", program],
        capture_output=True,
        text=True,
        env=environment(),
        check=False,
    )
    assert done.returncode == 0, done.stderr
