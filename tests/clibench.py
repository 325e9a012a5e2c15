"""Runs commands as processes, on a fake bus and beside a fake service."""

from __future__ import annotations

import os
import subprocess
import sys
import threading
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

from bottomheat_drivers.clock import SystemClock
from bottomheat_drivers.control_socket import ControlSocket
from w1tree import W1Tree

ROOT = Path(__file__).parents[1]
LONGEST_S = 180.0
PINS = "mock"

LAYER, ROOM, MAT = "28-000000000001", "28-000000000002", "28-000000000003"
SOUTH_LAYER, SOUTH_MAT = "28-000000000011", "28-000000000013"
WHOLE = (LAYER, ROOM, MAT, SOUTH_LAYER, SOUTH_MAT)

CONFIG = """\
# our cold shed
log: {folder}/state/log.sqlite
run_folder: {folder}/run
w1_devices: {folder}/bus/devices
coldest_room: 8
chambers:
  north-bench:                # mulberry
    callus_zone: 22
    heater: {{gpio: 17, watts: 45}}
    probes:
      substrate: 28-000000000001   # on the wet layer
      room: 28-000000000002        # shaded
      mat: 28-000000000003
      # callus: none yet
    offset: {{method: temperature-factor, factor: 0.75}}
    limits: {{substrate: 42, mat: 65}}

  south-bench:
    callus_zone: 17
    heater: {{gpio: 27, watts: 45}}
    probes: {{substrate: 28-000000000011, room: 28-000000000002, mat: 28-000000000013}}
    offset: {{method: temperature-factor, factor: 0.75}}
"""


class Shed:
    """A folder with a config, a fake bus with five probes at rest, and no service."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        for name in ("bus", "run", "state"):
            (folder / name).mkdir()
        self.bus = W1Tree(folder / "bus")
        for number, name in enumerate(WHOLE):
            self.bus.set(name, 18.0 + number / 4)
        self.config = folder / "chamber.yaml"
        self.text = CONFIG.format(folder=folder)
        self.config.write_text(self.text)
        self.control = folder / "run" / "control.sock"

    def run(self, *words: str, answers: str = "") -> subprocess.CompletedProcess[str]:
        """Run a command on this shed's config to its end."""
        return subprocess.run(
            [*_command(words), *self._config(words)],
            input=answers,
            capture_output=True,
            text=True,
            timeout=LONGEST_S,
            env=environment(),
            check=False,
        )

    def start(self, *words: str, **more: Any) -> subprocess.Popen[str]:
        """Start a command; its output is a pipe, line by line."""
        pipes = {"stdin": subprocess.PIPE, "stdout": subprocess.PIPE, "stderr": subprocess.PIPE}
        return subprocess.Popen(
            [*_command(words), *self._config(words)], text=True, env=environment(), **pipes | more
        )

    def _config(self, words: tuple[str, ...]) -> list[str]:
        return [] if "--config" in words else ["--config", str(self.config)]

    def listing(self) -> dict[str, bytes]:
        """Every file with its content, to see whether a command changed any."""
        return {
            str(path.relative_to(self.folder)): path.read_bytes()
            for path in sorted(self.folder.rglob("*"))
            if path.is_file()
        }


def environment() -> dict[str, str]:
    """Sources on the path and make-believe pins."""
    return {
        **os.environ,
        "PYTHONPATH": os.pathsep.join((str(ROOT / "controller"), str(ROOT / "drivers"))),
        "GPIOZERO_PIN_FACTORY": PINS,
        "PYTHONUNBUFFERED": "1",
        "TZ": "UTC",
        "COLUMNS": "100",
    }


def _command(words: tuple[str, ...]) -> list[str]:
    return [sys.executable, "-m", "bottomheat", *words]


def read_until(stream: Any, text: str) -> str:
    """Lines up to and with the first that has ``text`` in it; fails at the end of the stream."""
    read = ""
    for line in stream:
        read += line
        if text in line:
            return read
    raise AssertionError(f"{text!r} never came; there was:\n{read}")


class _NoSignals:
    """Signals that never come."""

    def __init__(self) -> None:
        self._ends = os.pipe()

    stop_requested = False

    def fileno(self) -> int:
        return self._ends[0]

    def drain(self) -> None:
        return

    def close(self) -> None:
        for end in self._ends:
            os.close(end)


class FakeService:
    """The real control socket with a handler of ours, in a thread; remembers what it was asked."""

    def __init__(self, path: Path, answers: Mapping[str, list[Mapping[str, Any]]]) -> None:
        """``answers``: by request, one after the other; the last one is given again and again."""
        self.asked: list[str] = []
        self.heard: Callable[[str], None] = lambda _do: None
        self._answers = {do: list(given) for do, given in answers.items()}
        self._signals = _NoSignals()
        self._clock = SystemClock()
        self._socket = ControlSocket(path, self._clock, self._signals)
        self._ended = threading.Event()
        self._thread = threading.Thread(target=self._serve)
        self._thread.start()

    def __enter__(self) -> FakeService:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def close(self) -> None:
        self._ended.set()
        self._thread.join(LONGEST_S)
        self._socket.close()
        self._signals.close()

    def _serve(self) -> None:
        while not self._ended.is_set():
            self._socket.serve_until(self._clock.monotonic_s() + 0.05, self._handle)

    def _handle(self, request: Mapping[str, Any]) -> Mapping[str, Any]:
        do = str(request.get("do"))
        self.asked.append(do)
        self.heard(do)
        given = self._answers.get(do)
        if given is None:
            return {"ok": True} if do == "ping" else {"ok": False, "error": "unknown request"}
        return given.pop(0) if len(given) > 1 else given[0]


def status(**more: Any) -> dict[str, Any]:
    """What a healthy service says of itself."""
    box = {"keeper": {"closed": False, "reason": ""}}
    return {
        "ok": True,
        "data_age_s": 4.0,
        "running_s": 7200.0,
        "proved": True,
        "proving": None,
        "hold": None,
        "alarms": [],
        "chambers": [{"name": name, **box} for name in ("north-bench", "south-bench")],
        **more,
    }
