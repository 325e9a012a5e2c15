"""``bottomheat probes`` on a fake bus."""

from __future__ import annotations

import os
import pty
import select
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from bottomheat_drivers.config_yaml import check_text
from clibench import LAYER, MAT, ROOM, WHOLE, FakeService, Shed, read_until

pytestmark = pytest.mark.process

NEW = "28-00000000beef"
QUICK = ("--every", "0.05")
WARM_ONE = "Now warm ONE probe"


@pytest.fixture
def shed(tmp_path: Path) -> Shed:
    return Shed(tmp_path)


def data(shed: Shed) -> dict:
    plain = check_text(shed.config.read_text()).plain
    assert plain is not None
    return plain.data


def probes_of(shed: Shed, chamber: str = "north-bench") -> dict:
    return data(shed)["chambers"][chamber]["probes"]


@contextmanager
def warming(shed: Shed, *names: str) -> Iterator[None]:
    """From the start on, these probes rise by 0.4 K every 50 ms."""
    ended = threading.Event()

    def rise() -> None:
        step = 0
        while not ended.wait(0.05):
            step += 1
            for name in names:
                shed.bus.set(name, 19.0 + min(step * 0.4, 12.0))

    hand = threading.Thread(target=rise)
    hand.start()
    try:
        yield
    finally:
        ended.set()
        hand.join(10)


def find(shed: Shed, warm: str, *words: str, answers: str = "") -> tuple[int, str, str]:
    """Run --find, warm a probe when asked to, and return exit status, output and complaints."""
    with shed.start("probes", "--find", *QUICK, "--timeout", "40", *words) as process:
        said = read_until(process.stdout, WARM_ONE)
        with warming(shed, warm):
            rest, complaint = process.communicate(answers, timeout=120)
    return process.returncode, said + rest, complaint


def test_lists_every_probe_with_its_place(shed: Shed) -> None:
    shed.bus.set(NEW, 12.5)
    shed.bus.set("28-ff00000000aa", 12.5, 9)
    shed.bus.short(MAT)
    shed.bus.unplug(LAYER)
    done = shed.run("probes")
    assert done.returncode == 0
    lines = {line.split()[0]: line for line in done.stdout.splitlines()}
    assert "18.2 °C" in lines[ROOM]
    assert "north-bench room, south-bench room" in lines[ROOM]
    assert "no reading" in lines[MAT]
    assert "all bytes zero" in lines[MAT]
    assert "NOT FOUND" in lines[LAYER]
    assert "north-bench wet layer" in lines[LAYER]
    assert "12.5 °C" in lines[NEW]
    assert "not in the config" in lines[NEW]
    assert "serial number" in lines["28-ff00000000aa"]
    assert "9 bits" in lines["28-ff00000000aa"]
    assert "--find" in done.stdout


def test_lists_without_a_config(shed: Shed) -> None:
    shed.config.unlink()
    done = shed.run("probes", "--devices", str(shed.bus.devices))
    assert done.returncode == 0
    assert all(name in done.stdout for name in WHOLE)
    assert "No config yet" in done.stderr


def test_a_missing_bus_and_an_empty_one_are_said(shed: Shed) -> None:
    missing = shed.run("probes", "--devices", str(shed.folder / "nothing"))
    assert missing.returncode == 4
    assert "dtoverlay=w1-gpio" in missing.stderr
    shed.config.unlink()
    for name in WHOLE:
        shed.bus.unplug(name)
    empty = shed.run("probes", "--find", "--devices", str(shed.bus.devices))
    assert empty.returncode == 4
    assert "no probe is on the bus" in empty.stderr


def test_the_warm_one_is_named_and_goes_into_the_config(shed: Shed) -> None:
    shed.bus.set(NEW, 19.0)
    before = shed.config.read_text()
    code, said, complaint = find(shed, NEW, "--place", "north-bench:callus probe", "--yes")
    assert code == 0, complaint
    assert f"It is {NEW}" in said
    assert probes_of(shed)["callus"] == NEW
    assert check_text(shed.config.read_text()).parsed.config is not None
    assert (shed.folder / "chamber.yaml.before").read_text() == before
    for comment in ("# our cold shed", "# mulberry", "# on the wet layer", "# callus: none yet"):
        assert comment in shed.config.read_text()


def test_an_unfinished_config_is_filled_in_probe_by_probe(shed: Shed) -> None:
    text = shed.text
    for name in (LAYER, MAT):
        text = text.replace(name, "28-xxxxxxxxxxxx", 1)
    shed.config.write_text(text)
    many = len(check_text(text).parsed.problems)
    assert many >= 2
    for name, place in ((LAYER, "substrate"), (MAT, "mat")):
        shed.bus.set(name, 19.0)
        code, said, complaint = find(shed, name, "--place", f"north-bench:{place}", "--yes")
        assert code == 0, said + complaint
        assert probes_of(shed)[place] == name
        now = len(check_text(shed.config.read_text()).parsed.problems)
        assert now < many
        many = now
    assert many == 0


def test_crossed_probes_change_places(shed: Shed) -> None:
    shed.config.write_text(shed.text.replace(LAYER, "X").replace(MAT, LAYER).replace("X", MAT))
    code, said, complaint = find(shed, LAYER, "--place", "north-bench:substrate", "--yes")
    assert code == 0, complaint
    assert (probes_of(shed)["substrate"], probes_of(shed)["mat"]) == (LAYER, MAT)
    assert f"north-bench mat, where it stood before, has {MAT} now" in said


def test_a_change_that_the_check_would_refuse_is_not_made(shed: Shed) -> None:
    before = shed.listing()
    code, _, complaint = find(shed, ROOM, "--place", "north-bench:top", "--yes")
    assert code == 10
    assert "temperature-factor needs to know the room" in complaint
    assert {k: v for k, v in shed.listing().items() if "bus" not in k} == {
        k: v for k, v in before.items() if "bus" not in k
    }


def test_a_write_protected_config_stays(shed: Shed) -> None:
    shed.bus.set(NEW, 19.0)
    shed.config.chmod(0o444)
    code, said, complaint = find(shed, NEW, "--place", "north-bench:callus", "--yes")
    assert code == 10
    assert f"It is {NEW}" in said
    assert "write-protected" in complaint
    assert shed.config.read_text() == shed.text
    assert not (shed.folder / "chamber.yaml.before").exists()


def test_two_that_warm_together_are_asked_for_again(shed: Shed) -> None:
    words = ("probes", "--find", *QUICK, "--timeout", "50", "--place", "nowhere", "--yes")
    with shed.start(*words) as process:
        read_until(process.stdout, WARM_ONE)
        with warming(shed, LAYER, MAT):
            said = read_until(process.stdout, "get warm together")
        assert LAYER in said
        assert MAT in said
        read_until(process.stdout, WARM_ONE)
        with warming(shed, ROOM):
            rest, _ = process.communicate(timeout=120)
    assert process.returncode == 0
    assert f"It is {ROOM}" in rest
    assert shed.config.read_text() == shed.text


def test_when_none_gets_warm_it_says_so(shed: Shed) -> None:
    done = shed.run("probes", "--find", "--yes", *QUICK, "--timeout", "1.5")
    assert done.returncode == 1
    assert "no probe has risen by 1.5 K" in done.stderr


def test_when_none_answers_it_says_so(shed: Shed) -> None:
    for name in WHOLE:
        shed.bus.short(name)
    done = shed.run("probes", "--find", "--yes", *QUICK, "--timeout", "1")
    assert done.returncode == 1
    assert "no probe has given a good reading" in done.stderr


def test_a_shorted_probe_does_not_keep_another_from_being_found(shed: Shed) -> None:
    shed.bus.short(ROOM)
    code, said, _ = find(shed, MAT, "--place", "nowhere", "--yes")
    assert code == 0
    assert f"It is {MAT}" in said


@pytest.mark.parametrize(
    ("words", "code", "sentence"),
    [
        (("--find", "--place", "attic:mat"), 10, "there is no box attic"),
        (("--find", "--place", "north-bench:roof"), 10, "--place north-bench:roof"),
        (("--find", "--place", "mat"), 10, "such as north-bench:substrate"),
        (("--place", "north-bench:mat"), 2, "go with --find"),
        (("--find", "--timeout", "0"), 2, "--timeout"),
    ],
)
def test_bad_options_are_refused_before_anything_is_warmed(
    shed: Shed, words: tuple[str, ...], code: int, sentence: str
) -> None:
    done = shed.run("probes", *words)
    assert (done.returncode, sentence in done.stderr) == (code, True), done.stderr
    assert "Measuring" not in done.stdout


def test_a_place_without_a_config_is_refused(shed: Shed) -> None:
    shed.config.unlink()
    done = shed.run("probes", "--find", "--place", "north-bench:mat", "--yes")
    assert done.returncode == 3
    assert "there is no config file" in done.stderr


def test_text_that_is_no_config_is_left_alone(shed: Shed) -> None:
    shed.config.write_text("chambers: [\n")
    done = shed.run("probes", "--find", "--place", "north-bench:mat", "--yes")
    assert done.returncode == 3
    assert "bottomheat check" in done.stderr


def test_asks_where_it_goes(shed: Shed) -> None:
    shed.bus.set(NEW, 19.0)
    code, said, complaint = find(shed, NEW, answers="2\ny\nn\n")
    assert code == 0, complaint
    assert f"north-bench wet layer   (now {LAYER})" in said
    assert probes_of(shed)["substrate"] == [LAYER, NEW]


def test_nowhere_writes_nothing(shed: Shed) -> None:
    code, _, _ = find(shed, MAT, answers="0\nn\n")
    assert code == 0
    assert shed.config.read_text() == shed.text


def test_a_running_service_is_pointed_out(shed: Shed) -> None:
    shed.bus.set(NEW, 19.0)
    with FakeService(shed.control, {}):
        code, said, _ = find(shed, NEW, "--place", "north-bench:callus", "--yes")
    assert code == 0
    assert "heat may warm a mat probe" in said
    assert "restart bottomheat, and bottomheat prove" in said


def test_on_a_terminal_the_rises_are_shown_in_place(shed: Shed) -> None:
    ours, theirs = pty.openpty()
    words = ("probes", "--find", *QUICK, "--timeout", "40", "--place", "nowhere", "--yes")
    seen = b""
    with shed.start(*words, stdout=theirs) as process:
        os.close(theirs)
        seen += _read(ours, b"warm ONE")
        with warming(shed, MAT):
            seen += _read(ours, b"In the config")
            process.wait(50)
    os.close(ours)
    assert process.returncode == 0
    assert "█".encode() in seen
    assert f"It is {MAT}".encode() in seen


def _read(end: int, until: bytes) -> bytes:
    got = b""
    while until not in got:
        assert select.select([end], [], [], 50)[0], got
        got += os.read(end, 65_536)
    return got
