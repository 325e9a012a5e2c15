"""The keeper as a real process on mock lines and a fake bus, seen from outside."""

from __future__ import annotations

import os
import select
import signal
import socket
import subprocess
import sys
import time
from pathlib import Path

import pytest

from bottomheat.errors import AlreadyRunningError, ConfigError
from bottomheat.keeper import identity
from bottomheat.ports import Lease
from bottomheat.wiring import wiring_of
from bottomheat_drivers.config_yaml import load_config
from bottomheat_drivers.keeper_link import KeeperClient
from bottomheat_drivers.latch_file import LatchFile, begin_clear
from bottomheat_drivers.pins import MOCK_PINS, mirrored_levels
from bottomheat_drivers.process_lock import lock_line
from w1tree import W1Tree

pytestmark = pytest.mark.process

NORTH, SOUTH = "north-bench", "south-bench"
BOTH = frozenset({NORTH, SOUTH})
MAT = "28-000000000003"
SILENT, SOUNDS = {23: True}, {23: False}
OPEN = {17: False, 27: False, 22: True} | SILENT
CLOSED = {17: True, 27: True, 22: False} | SILENT
SERIES_ALONE = {17: False, 27: True, 22: True} | SILENT
CONFIG = """\
log: {folder}/state/log.sqlite
run_folder: {folder}/run
w1_devices: {devices}
sounder: {{gpio: 23, active_high: false}}
chambers:
  north-bench:
    callus_zone: 25
    heater: {{gpio: 17, watts: 45}}
    probes: {{substrate: 28-000000000001, room: 28-000000000002, mat: 28-000000000003}}
    offset: {{method: temperature-factor, factor: 0.75}}
    keeper: {{series_relay: {{gpio: 27}}}}
  south-bench:
    callus_zone: 17
    heater: {{gpio: 22, active_high: false, watts: 45}}
    probes: {{substrate: 28-000000000011, room: 28-000000000012}}
    offset: {{method: temperature-factor, factor: 0.75}}
"""


def poll(condition, within_s=60.0):
    """Wait for something that another process does; fails at the deadline."""
    deadline_s = time.monotonic() + within_s
    while not condition():
        assert time.monotonic() < deadline_s, "it did not happen in time"
        time.sleep(0.05)


class Shed:
    """Folders, bus, config and processes of one test."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.pins = folder / "pins.json"
        self.config = folder / "chamber.yaml"
        self.latches = LatchFile(folder / "state" / "keeper-latch.json")
        for name in ("run", "state"):
            (folder / name).mkdir()
        self.tree = W1Tree(folder)
        self.tree.set(MAT, 30.0)
        self.config.write_text(CONFIG.format(folder=folder, devices=self.tree.devices))
        begin_clear(folder / "state")
        self.client = KeeperClient(
            folder / "run" / "keeper.sock",
            folder / "run" / "test.sock",
            identity(wiring_of(load_config(self.config), self.config).lines),
        )
        self.processes: list[subprocess.Popen[bytes]] = []
        self.env = {
            **os.environ,
            "PYTHONPATH": os.pathsep.join(sys.path),
            "GPIOZERO_PIN_FACTORY": "mock",
            MOCK_PINS: str(self.pins),
            "RUNTIME_DIRECTORY": str(folder / "run"),
            "STATE_DIRECTORY": str(folder / "state"),
        }
        self.env.pop("NOTIFY_SOCKET", None)

    def start(self, *words: str, **keywords) -> subprocess.Popen[bytes]:
        words = words or ("bottomheat.keep_main", "keep", str(self.config))
        process = subprocess.Popen(
            [sys.executable, "-m", *words],
            stdin=keywords.pop("stdin", subprocess.DEVNULL),
            stdout=subprocess.DEVNULL,
            stderr=subprocess.PIPE,
            env={**self.env, **keywords},
        )
        self.processes.append(process)
        return process

    def keeper(self, **keywords) -> subprocess.Popen[bytes]:
        """Start a keeper and wait until it answers."""
        process = self.start(**keywords)

        def answers() -> bool:
            if process.poll() is not None:
                raise AssertionError(process.communicate()[1].decode())
            return self.line(NORTH, process.pid) is not None

        poll(answers)
        return process

    def line(self, chamber, pid=None, heat=frozenset(), reset=frozenset(), **words):
        """Send a lease, and return the newest answer about a chamber."""
        self.client.send(Lease(time.monotonic(), frozenset(heat), frozenset(reset), **words))
        status = self.client.status()
        if status is None or (pid is not None and status.pid != pid):
            return None
        return status.line(chamber)

    def heated(self) -> bool:
        """Ask for heat in both chambers; True once both lines have it."""
        self.line(NORTH, heat=BOTH)
        return mirrored_levels(self.pins) == CLOSED

    def open_lines(self) -> None:
        words = ("bottomheat.keep_main", "open-lines", str(self.config))
        subprocess.run([sys.executable, "-m", *words], env=self.env, check=True, timeout=180)

    def close(self) -> None:
        self.client.close()
        for process in self.processes:
            if process.poll() is None:
                process.kill()
            process.communicate(timeout=120)


@pytest.fixture
def shed(tmp_path):
    shed = Shed(tmp_path)
    yield shed
    shed.close()


def test_closes_on_a_lease_and_opens_on_an_empty_one(shed):
    shed.keeper()
    assert mirrored_levels(shed.pins) == OPEN | {27: mirrored_levels(shed.pins)[27]}
    poll(shed.heated)
    poll(lambda: shed.line(NORTH) and mirrored_levels(shed.pins)[17] is False)
    assert mirrored_levels(shed.pins) == SERIES_ALONE


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGHUP, signal.SIGINT])
def test_opens_on_a_signal_and_ends_well(shed, number):
    process = shed.keeper()
    poll(shed.heated)
    process.send_signal(number)
    assert process.wait(120) == 0
    assert mirrored_levels(shed.pins) == OPEN
    assert not (shed.folder / "run" / "keeper.sock").exists()


def test_opens_when_the_daemon_hangs_up(shed):
    shed.keeper()
    poll(shed.heated)
    shed.client.close()
    poll(lambda: mirrored_levels(shed.pins) == SERIES_ALONE)


def test_opens_the_series_relay_when_asked_to(shed):
    shed.keeper()
    poll(shed.heated)
    wanted = {17: True, 27: False, 22: False} | SILENT

    def opened() -> bool:
        shed.line(NORTH, heat=BOTH, open_series={NORTH})
        return mirrored_levels(shed.pins) == wanted

    poll(opened)


def sounds(shed) -> bool:
    """Ask for heat and for the sounder; True once all lines have it."""
    shed.line(NORTH, heat=BOTH, sound=True)
    return mirrored_levels(shed.pins) == CLOSED | SOUNDS


def test_sounds_while_asked_to_and_is_silent_at_the_end(shed):
    process = shed.keeper()
    poll(lambda: sounds(shed))
    poll(shed.heated)
    poll(lambda: sounds(shed))
    process.terminate()
    assert process.wait(120) == 0
    assert mirrored_levels(shed.pins) == OPEN


def test_open_lines_silences_the_sounder_of_a_killed_keeper(shed):
    process = shed.keeper()
    poll(lambda: sounds(shed))
    process.kill()
    process.wait(120)
    assert mirrored_levels(shed.pins) == CLOSED | SOUNDS
    shed.open_lines()
    assert mirrored_levels(shed.pins) == OPEN


def test_a_sounder_that_another_program_holds_costs_no_heat(shed):
    lock = lock_line(shed.folder / "run", 23)
    process = shed.keeper()
    poll(lambda: shed.line(SOUTH, process.pid, heat=BOTH, sound=True).closed)
    process.terminate()
    _, said = process.communicate(timeout=120)
    lock.close()
    assert process.returncode == 0
    assert "goes on without its sounder" in said.decode()
    assert 23 not in mirrored_levels(shed.pins)


@pytest.mark.slow
def test_opens_twenty_seconds_after_the_last_word(shed):
    shed.keeper()
    poll(shed.heated)
    last_s = time.monotonic()
    poll(lambda: mirrored_levels(shed.pins) == SERIES_ALONE, within_s=60.0)
    took_s = time.monotonic() - last_s
    assert 18.0 < took_s <= 21.0


@pytest.mark.parametrize("entry", ["bottomheat.keep_main", "bottomheat"])
def test_opens_and_ends_with_its_parent(shed, entry):
    config = [str(shed.config)] if entry.endswith("main") else ["--config", str(shed.config)]
    words = (entry, "keep", *config, "--with-parent", "0")
    process = shed.start(*words, stdin=subprocess.PIPE)
    poll(lambda: shed.line(NORTH, process.pid) is not None)
    poll(shed.heated)
    assert process.stdin is not None
    process.stdin.close()
    process.stdin = None
    assert process.wait(120) == 0
    assert mirrored_levels(shed.pins) == OPEN


def test_a_hot_mat_latches_through_kill_and_restart_until_reset(shed):
    process = shed.keeper()
    poll(shed.heated)
    shed.tree.set(MAT, 61.0)
    poll(lambda: shed.line(NORTH, heat=BOTH).latched)
    assert mirrored_levels(shed.pins) == {17: False, 27: False, 22: False} | SILENT
    assert "61.0" in shed.latches.load()[NORTH].cause
    process.kill()
    process.wait(120)
    shed.tree.set(MAT, 30.0)
    process = shed.keeper()
    poll(lambda: shed.line(SOUTH, process.pid, heat=BOTH).closed)
    for _ in range(40):
        line = shed.line(NORTH, process.pid, heat=BOTH)
        assert (line.latched, line.closed, line.series_closed) == (True, False, False)
        time.sleep(0.1)
    poll(lambda: not shed.line(NORTH, process.pid, heat=BOTH, reset={NORTH}).latched)
    poll(shed.heated)
    assert shed.latches.load() == {}


@pytest.mark.parametrize("damage", ["damaged", "missing"])
def test_without_a_sound_latch_file_there_is_no_heat(shed, damage):
    path = shed.folder / "state" / "keeper-latch.json"
    path.unlink() if damage == "missing" else path.write_bytes(path.read_bytes()[:-9])
    process = shed.keeper()
    for _ in range(30):
        line = shed.line(SOUTH, process.pid, heat=BOTH)
        assert (line.latched, line.closed) == (True, False)
        time.sleep(0.1)
    assert mirrored_levels(shed.pins) == OPEN


def test_a_second_keeper_is_refused_and_disturbs_nothing(shed):
    process = shed.keeper()
    poll(shed.heated)
    second = shed.start()
    _, said = second.communicate(timeout=120)
    assert second.returncode == AlreadyRunningError.exit_code
    assert f"process {process.pid}" in said.decode()
    assert mirrored_levels(shed.pins) == CLOSED


@pytest.mark.parametrize("spoilt", [False, True])
def test_killed_keeps_the_level_and_open_lines_opens(shed, spoilt):
    """As on a Pi without strict_gpiod; the config is not needed."""
    process = shed.keeper()
    poll(shed.heated)
    process.kill()
    process.wait(120)
    assert mirrored_levels(shed.pins) == CLOSED
    if spoilt:
        shed.config.unlink()
    else:
        for folder in ("run", "state"):
            (shed.folder / folder / "keeper-wiring.json").unlink()
    shed.open_lines()
    assert mirrored_levels(shed.pins) == OPEN


def test_a_restart_after_a_kill_opens_at_once(shed):
    process = shed.keeper()
    poll(shed.heated)
    process.kill()
    process.wait(120)
    shed.start()
    poll(lambda: mirrored_levels(shed.pins) == OPEN | {27: mirrored_levels(shed.pins)[27]})


def test_a_config_spoilt_later_does_not_stop_a_restart(shed):
    process = shed.keeper()
    process.terminate()
    process.wait(120)
    shed.config.write_text("chambers: nonsense\n")
    shed.keeper()
    poll(shed.heated)


def test_a_refused_config_at_the_first_start_is_said_without_a_traceback(shed):
    shed.config.write_text("chambers: nonsense\n")
    process = shed.start()
    _, said = process.communicate(timeout=120)
    assert process.returncode == ConfigError.exit_code
    assert str(shed.config) in said.decode()
    assert "Traceback" not in said.decode()


@pytest.mark.slow
def test_a_hung_probe_opens_and_the_lease_of_the_other_goes_on(shed):
    shed.keeper()
    poll(shed.heated)
    shed.tree.hang(MAT)
    poll(lambda: shed.line(NORTH, heat=BOTH).closed is False, within_s=60.0)
    line = shed.line(NORTH, heat=BOTH)
    assert (line.latched, line.series_closed) == (False, False)
    assert shed.line(SOUTH, heat=BOTH).closed


def test_tells_the_service_manager(shed):
    path = shed.folder / "notify"
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as manager:
        manager.bind(str(path))
        process = shed.start(NOTIFY_SOCKET=str(path))
        messages: list[str] = []
        while messages.count("WATCHDOG=1") < 4:
            ready, _, _ = select.select([manager], [], [], 20)
            assert ready, messages
            messages.append(manager.recv(4096).decode())
        process.send_signal(signal.SIGSTOP)
        while select.select([manager], [], [], 1.5)[0]:
            manager.recv(4096)
        process.send_signal(signal.SIGCONT)
        process.terminate()
        assert process.wait(120) == 0
        while select.select([manager], [], [], 0)[0]:
            messages.append(manager.recv(4096).decode())
    assert next(m for m in messages if m in ("READY=1", "WATCHDOG=1")) == "READY=1"
    assert messages[-1] == "STOPPING=1"
    assert any(m.startswith("STATUS=north-bench off") for m in messages)


def test_stays_small(shed):
    """No parser, terminal or analysis library; memory within 25 MB (goal for a 512 MB Pi)."""
    process = shed.keeper()
    poll(shed.heated)
    mapped = Path(f"/proc/{process.pid}/maps").read_text()
    for library in ("pydantic_core", "yaml", "numpy", "scipy"):
        assert library not in mapped
    status = dict(
        line.split(":", 1) for line in Path(f"/proc/{process.pid}/status").read_text().splitlines()
    )
    assert int(status["VmRSS"].split()[0]) <= 25 * 1024
