"""Starts the real daemon and keeper on a fake 1-Wire folder with mock pins; for process tests.

The level of every line is in a file that outlives its process, as a line of a stock Raspberry Pi
kernel outlives it: a killed keeper leaves its relay as it was.
"""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from pathlib import Path
from statistics import median
from threading import Event, Thread
from typing import Any

from bottomheat.app import make_folders
from bottomheat.config_wiring import fingerprint
from bottomheat.errors import NotRunningError
from bottomheat_drivers.config_yaml import load_config
from bottomheat_drivers.control_socket import ask
from bottomheat_drivers.proof_file import ProofFile
from w1tree import W1Tree

ROOT = Path(__file__).resolve().parent.parent
LAYER, ROOM, MAT = "28-000000000001", "28-000000000002", "28-000000000003"

CONFIG = """\
log: {state}/log.sqlite
run_folder: {run}
cycle: 2
w1_devices: {devices}
chambers:
  north-bench:
    callus_zone: {setpoint}
    heater: {{gpio: 17, watts: 45, window: 60, min_on: 2, min_off: 2}}
    probes: {{substrate: 28-000000000001, room: 28-000000000002, mat: 28-000000000003}}
    offset: {{method: temperature-factor, factor: 0.75}}
"""

SOUTH_LAYER, SOUTH_SECOND = "28-000000000011", "28-000000000012"
SOUTH = """\
  south-bench:
    callus_zone: 25.0
    heater: {gpio: 27, watts: 45, window: 60, min_on: 2, min_off: 2}
    probes: {substrate: [28-000000000011, 28-000000000012]}
    offset: {method: fixed, kelvin: 1.5}
"""
"""A second chamber, with two wet-layer probes and no room probe, to add to the config."""


class Service:
    """One state folder with its probes, and the processes started on it."""

    COMMAND = (sys.executable, "-m", "bottomheat")

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        folder.mkdir(exist_ok=True)
        self.state, self.run = folder / "state", folder / "run"
        self.pins = folder / "pins.json"
        self.tree = W1Tree(folder / "w1")
        self.config = folder / "chamber.yaml"
        self.write_config()
        for name, celsius in ((LAYER, 20.0), (ROOM, 12.0), (MAT, 22.0)):
            self.tree.set(name, celsius)
        self.process: subprocess.Popen[str] | None = None
        self.output = folder / "output.txt"
        self.more_environment: dict[str, str] = {}

    def write_config(self, setpoint: float = 25.0, change: Callable[[str], str] = str) -> None:
        """Write the config as an editor would: whole, in one step."""
        text = CONFIG.format(
            state=self.state, run=self.run, devices=self.tree.devices, setpoint=setpoint
        )
        fresh = self.config.with_suffix(".new")
        fresh.write_text(change(text))
        fresh.replace(self.config)

    def prove(self) -> None:
        """Leave the proof that the wiring of the config was proved; makes the folders first."""
        make_folders(load_config(self.config))
        ProofFile(self.state / "wiring-proof.json").save(fingerprint(load_config(self.config)))

    def environment(self) -> dict[str, str]:
        paths = os.pathsep.join(str(ROOT / part) for part in ("controller", "drivers"))
        inherited = {
            k: v for k, v in os.environ.items() if k not in ("NOTIFY_SOCKET", "LISTEN_FDS")
        }
        return {
            **inherited,
            "PYTHONPATH": paths,
            "GPIOZERO_PIN_FACTORY": "mock",
            "BOTTOMHEAT_MOCK_PINS": str(self.pins),
            **self.more_environment,
        }

    def start(self, *options: str) -> None:
        with self.output.open("a") as output:
            self.process = subprocess.Popen(
                [*self.COMMAND, "run", "--config", self.config, *options],
                env=self.environment(),
                stdin=subprocess.DEVNULL,
                stdout=output,
                stderr=subprocess.STDOUT,
                text=True,
            )

    def stop(self, number: signal.Signals = signal.SIGTERM) -> int:
        assert self.process is not None
        self.process.send_signal(number)
        return self.process.wait(120)

    def end(self) -> None:
        """End what is still running: the daemon, and with its pipe the keeper that it started."""
        if self.process is not None and self.process.poll() is None:
            self.process.kill()
            self.process.wait(120)

    def kill_both(self) -> None:
        """Kill daemon and keeper in the same moment, so that neither sees the other die."""
        assert self.process is not None
        keeper = self.ask("status")["keeper_pid"]
        os.kill(keeper, signal.SIGSTOP)  # it cannot see the end of its pipe now
        self.process.kill()
        os.kill(keeper, signal.SIGKILL)
        self.process.wait(120)
        self.process = None
        gone(keeper)

    def command(self, *words: str, said: str = "") -> subprocess.CompletedProcess[str]:
        """Run a command of ours to its end."""
        return subprocess.run(
            [*self.COMMAND, *words, "--config", str(self.config)],
            env=self.environment(),
            input=said,
            capture_output=True,
            text=True,
            timeout=180,
            check=False,
        )

    def ask(self, what: str, **more: Any) -> Mapping[str, Any]:
        return ask(self.run / "control.sock", {"do": what, **more})

    def line(self, gpio: int = 17) -> bool:
        """The level of a relay line, seen from outside."""
        try:
            levels = json.loads(self.pins.read_text())
        except FileNotFoundError:
            return False
        return bool(levels.get(str(gpio), 0))

    def chamber(self, name: str = "north-bench") -> Mapping[str, Any]:
        chambers: list[Mapping[str, Any]] = self.ask("status")["chambers"]
        return next(chamber for chamber in chambers if chamber["name"] == name)

    def keeper(self, name: str = "north-bench") -> Mapping[str, Any]:
        """What the keeper last said of a chamber; empty before it has."""
        return self.chamber(name)["keeper"] or {}

    def alarms(self) -> dict[str, str]:
        """The alarms that stand, by name, with their text."""
        return {each["alarm"]: each["text"] for each in self.ask("status")["alarms"]}

    def steady(self, condition: Callable[[], bool], for_s: float) -> None:
        """Look again and again that a condition holds; fails with the output so far."""
        end = time.monotonic() + for_s
        while time.monotonic() < end:
            assert condition(), self.output.read_text()
            time.sleep(0.05)

    def wait(self, condition: Callable[[], bool], longest_s: float = 120.0) -> float:
        """Poll until a condition holds; returns how long it took, fails with the output so far."""
        began = time.monotonic()
        while time.monotonic() - began < longest_s:
            try:
                if condition():
                    return time.monotonic() - began
            except NotRunningError:
                pass
            code = None if self.process is None else self.process.poll()
            assert code is None, f"it ended with {code}:\n{self.output.read_text()}"
            time.sleep(0.02)
        raise AssertionError(f"did not come true in {longest_s} s:\n{self.output.read_text()}")


def gone(pid: int, within_s: float = 60.0) -> None:
    """Wait until a process that is not our child is gone, or only its entry is left."""
    end = time.monotonic() + within_s
    while time.monotonic() < end:
        with suppress(OSError):
            if Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0] != "Z":
                time.sleep(0.02)
                continue
        return
    raise AssertionError(f"process {pid} is still there")


class LineWatch:
    """Watches a relay line from outside and notes every change with its time.

    Looks a hundred times a second; the keeper switches twice a second at most.
    """

    def __init__(self, service: Service, gpio: int = 17) -> None:
        self._service, self._gpio = service, gpio
        self.changes: list[tuple[float, bool]] = [(time.monotonic(), service.line(gpio))]
        self._stop = Event()
        self._thread = Thread(target=self._run, name=f"watch GPIO {gpio}", daemon=True)
        self._thread.start()

    @property
    def closed(self) -> bool:
        """The level now."""
        return self.changes[-1][1]

    def first(self, closed: bool, since_s: float) -> float | None:
        """When the line first was so at or after ``since_s`` (monotonic s); None: never yet."""
        before = [level for at_s, level in self.changes if at_s <= since_s]
        if before and before[-1] is closed:
            return since_s
        later = (at_s for at_s, level in self.changes if at_s > since_s and level is closed)
        return next(later, None)

    def close(self) -> None:
        """Stop watching."""
        self._stop.set()
        self._thread.join(60)

    def _run(self) -> None:
        while not self._stop.wait(0.01):
            level = self._service.line(self._gpio)
            if level is not self.changes[-1][1]:
                self.changes.append((time.monotonic(), level))


def spread(took_s: Sequence[float]) -> str:
    """Measured times in words: how many, median and worst."""
    return f"{len(took_s)} runs, median {median(took_s):.2f} s, worst {max(took_s):.2f} s"
