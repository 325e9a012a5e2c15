"""Config replaced and clock stepped under the daemon as a process; the relay line is watched."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import ExitStack
from pathlib import Path

import pytest

from bottomheat.model import EventKind
from bottomheat_drivers.config_watch import YamlConfigSource
from bottomheat_drivers.log import LogReader
from service import ROOT, LineWatch, Service
from side_by_side import Played, Scenario, outcome, play

pytestmark = pytest.mark.process

YEAR_S = 365 * 86_400

STEPPED_CLOCK = '''\
"""Loaded by Python at its start (module site): the wall clock goes by what a file says."""
import os, time

_time_ns = time.time_ns

def _offset_ns():
    with open(os.environ["TEST_WALL_OFFSET"]) as file:
        return int(float(file.read()) * 1e9)

time.time_ns = lambda: _time_ns() + _offset_ns()
time.time = lambda: time.time_ns() / 1e9
'''


@pytest.fixture
def service(tmp_path: Path) -> Service:
    made = Service(tmp_path)
    made.prove()
    return made


def heat(service: Service, stack: ExitStack) -> LineWatch:
    service.prove()
    service.start()
    service.wait(service.line)
    watch = LineWatch(service)
    stack.callback(watch.close)
    return watch


def put(path: Path, content: bytes) -> None:
    """Replace a file as an editor does."""
    fresh = path.with_suffix(".new")
    fresh.write_bytes(content)
    fresh.replace(path)


NOTHING = (b"", b"\0" * 4096)
"""What a power cut leaves of a file that was written and not yet on the disk."""
NONSENSE = (b"\xff\xfe{[", b"chambers: [\n", b"Dear Sir,\n")


def garbage_while_it_runs_then_a_power_cut(service: Service, stack: ExitStack) -> None:
    """The last accepted config stays, and is used at the next start too, with an alarm."""
    service.more_environment["STATE_DIRECTORY"] = str(service.state)  # as its unit has it
    watch = heat(service, stack)
    good = service.config.read_bytes()
    for garbage in (NONSENSE[0], NOTHING[1]):
        put(service.config, good)
        service.wait(lambda: "config-refused" not in service.alarms())
        put(service.config, garbage)
        service.wait(lambda: "config-refused" in service.alarms())
        assert "the last accepted one stays" in service.alarms()["config-refused"]
        assert service.chamber()["setpoint_c"] == 25.0
    assert [level for _, level in watch.changes] == [True], "the heat has not noticed"
    service.kill_both()
    service.start()
    service.wait(lambda: not watch.closed)
    service.wait(lambda: watch.closed)
    assert service.chamber()["setpoint_c"] == 25.0
    assert "last accepted config is used" in service.alarms()["config-fallback"]


@pytest.mark.parametrize("garbage", [*NOTHING, *NONSENSE])
def test_without_an_accepted_copy_garbage_is_no_heat_and_one_clear_message(
    service: Service, garbage: bytes
) -> None:
    put(service.config, garbage)
    assert_refused(service)


@pytest.mark.parametrize("garbage", NONSENSE)
def test_nonsense_in_place_of_the_wiring_is_no_heat_whatever_was_accepted(
    service: Service, garbage: bytes
) -> None:
    """Somebody may have changed the wiring and broken the file in one edit."""
    accepted(service)
    put(service.config, garbage)
    assert_refused(service)


def test_a_refused_file_and_a_spoilt_copy_of_the_accepted_one(service: Service) -> None:
    accepted(service)
    (service.state / "accepted-config.yaml").write_bytes(b"\0" * 512)
    for garbage in (service.config.read_bytes().replace(b"watts: 45", b"watts: lots"), b""):
        put(service.config, garbage)
        assert_refused(service)


def accepted(service: Service) -> None:
    """Leave a copy of the config as the daemon does when it has accepted one."""
    source = YamlConfigSource(service.config, service.state)
    change = source.poll(force=True)
    assert change is not None
    source.accept(change)


def assert_refused(service: Service) -> None:
    done = service.command("run")
    assert done.returncode == 3, done
    assert done.stderr.startswith("bottomheat: ")
    assert str(service.config) in done.stderr
    assert "Traceback" not in done.stderr
    assert not service.line()


def wall_clock_stepped_by_a_year_and_back(service: Service, stack: ExitStack) -> None:
    """Python itself is told another wall clock; the monotonic one cannot be stepped."""
    hook, offset = service.folder / "hook", service.folder / "offset"
    hook.mkdir()
    (hook / "sitecustomize.py").write_text(STEPPED_CLOCK)
    offset.write_text("0")
    paths = ":".join(str(path) for path in (hook, ROOT / "controller", ROOT / "drivers"))
    service.more_environment = {"PYTHONPATH": paths, "TEST_WALL_OFFSET": str(offset)}
    watch = heat(service, stack)
    begun_ms = service.ask("status")["wall_ms"]
    for by_s in (YEAR_S, -YEAR_S, 0):
        put(offset, str(by_s).encode())
        service.wait(
            lambda by_s=by_s: abs(service.ask("status")["wall_ms"] - begun_ms - 1000 * by_s) < 60e3
        )
        service.steady(lambda: watch.closed, 3.0)
        assert service.ask("status")["data_age_s"] < 5
    assert [level for _, level in watch.changes] == [True], "control runs on the monotonic clock"
    assert service.chamber()["latched"] is None
    service.stop()
    with LogReader(service.state / "log.sqlite") as reader:
        told = [r.event.text for r in reader.events() if r.event.kind is EventKind.CLOCK_STEPPED]
        rows = list(reader.samples("north-bench"))
    steps_s = [int(text.split(" by ")[1].split(" s")[0]) for text in told]
    assert [round(step / YEAR_S) for step in steps_s] == [1, -2, 1]
    assert len(rows) > 4


@pytest.fixture(scope="module")
def played(
    request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory
) -> Iterator[Played]:
    yield from play(request, tmp_path_factory)


@pytest.mark.slow
@pytest.mark.parametrize(
    "scenario", [garbage_while_it_runs_then_a_power_cut, wall_clock_stepped_by_a_year_and_back]
)
def test_while_it_runs(
    scenario: Scenario, played: Played, record_property: Callable[[str, object], None]
) -> None:
    outcome(played, scenario, record_property)
