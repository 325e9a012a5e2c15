"""Starts the real daemon and keeper on a fake 1-Wire folder with mock pins; for process tests."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

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


class Service:
    """One state folder with its probes, and the processes started on it."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.state, self.run = folder / "state", folder / "run"
        self.pins = folder / "pins.json"
        self.tree = W1Tree(folder / "w1")
        self.config = folder / "chamber.yaml"
        self.write_config()
        for name, celsius in ((LAYER, 20.0), (ROOM, 12.0), (MAT, 22.0)):
            self.tree.set(name, celsius)
        self.process: subprocess.Popen[str] | None = None
        self.output = folder / "output.txt"

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
        self.start()
        self.wait(lambda: self.ask("status")["data_age_s"] is not None)
        self.stop()
        ProofFile(self.state / "wiring-proof.json").save(fingerprint(load_config(self.config)))

    def environment(self) -> dict[str, str]:
        paths = os.pathsep.join(str(ROOT / part) for part in ("controller", "drivers"))
        return {
            **os.environ,
            "PYTHONPATH": paths,
            "GPIOZERO_PIN_FACTORY": "mock",
            "BOTTOMHEAT_MOCK_PINS": str(self.pins),
        }

    def start(self, *options: str) -> None:
        with self.output.open("a") as output:
            self.process = subprocess.Popen(
                [sys.executable, "-m", "bottomheat", "run", "--config", self.config, *options],
                env=self.environment(),
                stdin=subprocess.DEVNULL,
                stdout=output,
                stderr=subprocess.STDOUT,
                text=True,
            )

    def stop(self, number: signal.Signals = signal.SIGTERM) -> int:
        assert self.process is not None
        self.process.send_signal(number)
        return self.process.wait(20)

    def end(self) -> None:
        """End what is still running."""
        if self.process is not None and self.process.poll() is None:
            self.process.kill()
            self.process.wait(20)

    def command(self, *words: str, said: str = "") -> subprocess.CompletedProcess[str]:
        """Run a command of ours to its end."""
        return subprocess.run(
            [sys.executable, "-m", "bottomheat", *words, "--config", str(self.config)],
            env=self.environment(),
            input=said,
            capture_output=True,
            text=True,
            timeout=60,
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

    def chamber(self) -> Mapping[str, Any]:
        found: Mapping[str, Any] = self.ask("status")["chambers"][0]
        return found

    def wait(self, condition: Callable[[], bool], longest_s: float = 30.0) -> float:
        """Poll until a condition holds; returns how long it took, fails with the output so far."""
        began = time.monotonic()
        while time.monotonic() - began < longest_s:
            try:
                if condition():
                    return time.monotonic() - began
            except NotRunningError:
                pass
            assert self.process is None or self.process.poll() is None, self.output.read_text()
            time.sleep(0.1)
        raise AssertionError(f"did not come true in {longest_s} s:\n{self.output.read_text()}")
