"""A winter's day for the real daemon and the real keeper: four boxes in a cold shed.

``Shed`` is what they see: a config, fake probes that follow calculated chambers, mock lines.
``Paced`` runs both processes through hours in minutes, in lock step (see ``winter_child.py``);
nothing depends on how busy this machine is.
"""

from __future__ import annotations

import atexit
import math
import os
import random
import shutil
import signal
import socket
import subprocess
import sys
import tempfile
from collections.abc import Callable, Mapping
from contextlib import suppress
from functools import cache
from pathlib import Path
from typing import Any

from winter_child import START_S, WORD

from bottomheat.alerts.kept import Kept, Saved
from bottomheat.app import make_folders
from bottomheat.chamber import Chamber
from bottomheat.config_wiring import fingerprint
from bottomheat_drivers.alert_store import AlertStore
from bottomheat_drivers.config_yaml import load_config
from bottomheat_drivers.control_socket import ask
from bottomheat_drivers.pins import mirrored_levels
from bottomheat_drivers.proof_file import ProofFile
from w1tree import W1Tree

ROOT = Path(__file__).resolve().parents[2]
CHILD = Path(__file__).with_name("winter_child.py")
CYCLE_S = 10.0
TURN_S = 0.5
POLL_EVERY_S = 10.0
"""The alerts ask so often."""
WATTS = 45.0
SETPOINTS_C = (25.0, 22.0, 17.0, 20.0)
GPIOS = (17, 27, 22, 23)
ROOM_PROBE = "28-000000000099"
BOX = """\
  bench-{no}:
    callus_zone: {setpoint}
    heater: {{gpio: {gpio}, watts: 45}}
    probes: {{substrate: 28-0000000000{no}1, room: 28-000000000099, mat: 28-0000000000{no}3}}
    offset: {{method: temperature-factor, factor: 0.743}}
    limits: {{substrate: 42, mat: 70}}
"""


ROOTS = [str(ROOT / part) for part in ("controller", "drivers", "tests", "tests/bench")]


@cache
def _compiled() -> str:
    """A folder of all modules as an install leaves them: compiled."""
    folder = tempfile.mkdtemp()
    atexit.register(shutil.rmtree, folder, ignore_errors=True)
    left_out = ("PYTHONDONTWRITEBYTECODE",)
    environment = {k: v for k, v in os.environ.items() if k not in left_out}
    environment |= {"PYTHONPYCACHEPREFIX": folder, "PYTHONPATH": os.pathsep.join(ROOTS)}
    program = "import bottomheat.__main__, bottomheat.app, bottomheat.keep_main, winter_child"
    subprocess.run([sys.executable, "-c", program], env=environment, check=True)
    return folder


class Shed:
    """Four boxes with their probes and lines; ``disk`` holds the state, ``memory`` the rest."""

    def __init__(self, disk: Path, memory: Path, seed: int = 1) -> None:
        self.state, self.run = disk / "state", memory / "run"
        self.pins, self.config = memory / "pins.json", memory / "chamber.yaml"
        self._chance = random.Random(seed)
        self._tree = W1Tree(memory / "w1")
        self._boxes = [Chamber() for _ in SETPOINTS_C]
        self._absent: set[str] = set()
        self._alerts = disk / "alerts"
        self._alerts.mkdir()
        boxes = "".join(
            BOX.format(no=no, setpoint=setpoint, gpio=gpio)
            for no, (setpoint, gpio) in enumerate(zip(SETPOINTS_C, GPIOS, strict=True))
        )
        self.config.write_text(
            f"log: {self.state}/log.sqlite\nrun_folder: {self.run}\n"
            f"w1_devices: {self._tree.devices}\ncycle: {CYCLE_S:g}\nchambers:\n{boxes}"
        )
        make_folders(load_config(self.config))
        ProofFile(self.state / "wiring-proof.json").save(fingerprint(load_config(self.config)))

    @property
    def environment(self) -> dict[str, str]:
        left_out = ("NOTIFY_SOCKET", "LISTEN_FDS", "PYTHONDONTWRITEBYTECODE")
        outer = {k: v for k, v in os.environ.items() if k not in left_out}
        return {
            **outer,
            "PYTHONPATH": os.pathsep.join(ROOTS),
            # An install compiles its modules; a process that has to do it takes a megabyte more.
            "PYTHONPYCACHEPREFIX": _compiled(),
            "GPIOZERO_PIN_FACTORY": "mock",
            "BOTTOMHEAT_MOCK_PINS": str(self.pins),
            "STATE_DIRECTORY": str(self.state),
            "RUNTIME_DIRECTORY": str(self.run),
        }

    def begin_warm(self, at_s: float) -> None:
        """Boxes that have run for a day."""
        for box, setpoint_c in zip(self._boxes, SETPOINTS_C, strict=True):
            watts = 1.9 * (setpoint_c - room_c(at_s))
            for _ in range(96):
                box.advance(900.0, watts, room_c(at_s))
        self.show(at_s)

    def begin_cold(self, at_s: float) -> None:
        """Boxes that have never been heated."""
        for box in self._boxes:
            box.advance(1.0, 0.0, room_c(at_s))
        self.show(at_s)

    def heated(self) -> tuple[bool, ...]:
        """Which relays are closed, seen from outside."""
        levels = mirrored_levels(self.pins)
        return tuple(levels.get(gpio, False) for gpio in GPIOS)

    def advance(self, by_s: float, at_s: float, shares: tuple[float, ...]) -> None:
        """Let time pass in the boxes, each heated for its share of it, and show it."""
        for box, share in zip(self._boxes, shares, strict=True):
            box.advance(by_s, WATTS * share, room_c(at_s))
        self.show(at_s)

    def show(self, at_s: float) -> None:
        """Have the probes show what they feel."""
        self._show(ROOM_PROBE, room_c(at_s))
        for no, box in enumerate(self._boxes):
            self._show(f"28-0000000000{no}1", box.temperature("substrate"))
            self._show(f"28-0000000000{no}3", box.temperature("mat"))

    def unplug(self, name: str) -> None:
        self._absent.add(name)
        self._tree.unplug(name)

    def replug(self, name: str) -> None:
        self._absent.discard(name)

    def ask(self, **request: Any) -> Mapping[str, Any]:
        return ask(self.run / "control.sock", request)

    def save_alerts(self, at_s: float) -> None:
        """What the alerts, a third process, keep on the card every ``SAVE_S``."""
        saved = Saved(boot="b", monotonic_s=at_s, now_s=at_s, wall_ms=0, synchronised=True)
        AlertStore(self._alerts).save(Kept(saved=saved))

    def log_bytes(self) -> int:
        return sum(file.stat().st_size for file in self.state.glob("log.sqlite*"))

    def _show(self, name: str, celsius: float) -> None:
        if name not in self._absent:
            self._tree.set(name, celsius + self._chance.gauss(0, 0.02))


def room_c(at_s: float) -> float:
    """The shed: 7 °C, 3 K up and down in a day, with gusts."""
    return 7.0 + 3.0 * math.sin(at_s / 13751.0) + 0.2 * math.sin(at_s / 97.0)


def events_of_a_day(shed: Shed) -> list[tuple[float, Callable[[], object]]]:
    """What people and faults do, by the hour: one alarm, seen and gone, and each box opened once.

    A room probe is off its plug for a quarter of an hour.
    """

    def look_into(no: int) -> Callable[[], object]:
        return lambda: shed.ask(do="tend", chamber=f"bench-{no}", doing="look", for_s=600.0)

    opened = [(8.0 + no / 10, look_into(no)) for no in range(len(SETPOINTS_C))]
    return [
        (2.0, lambda: shed.unplug(ROOM_PROBE)),
        (2.25, lambda: shed.replug(ROOM_PROBE)),
        (7.0, lambda: shed.ask(do="ack", what=None)),
        *opened,
        (7.1, lambda: shed.ask(do="status")),
        (19.0, lambda: shed.ask(do="status")),
    ]


class Paced:
    """Daemon and keeper as processes, in lock step with a clock that we move."""

    def __init__(self, shed: Shed, memory: Path, nice: int = 10) -> None:
        self._shed = shed
        self.now_s = START_S
        self._listener = socket.socket(socket.AF_UNIX, socket.SOCK_SEQPACKET)
        self._listener.bind(str(memory / "pace.sock"))
        self._listener.listen(2)
        self._listener.settimeout(60)
        self.output = memory / "output.txt"
        self._processes: dict[str, subprocess.Popen[bytes]] = {}
        self._lines: dict[str, socket.socket] = {}
        self._until_s: dict[str, float] = {}
        for what in ("keeper", "daemon"):
            with self.output.open("a") as output:
                self._processes[what] = subprocess.Popen(
                    [
                        *("nice", "-n", str(nice), sys.executable, str(CHILD), what),
                        *(str(shed.config), str(memory / "pace.sock")),
                    ],
                    env=shed.environment,
                    cwd=shed.run,
                    stdout=output,
                    stderr=subprocess.STDOUT,
                )
            self._lines[what], _ = self._listener.accept()
            self._lines[what].settimeout(60)
            self._rest(what)

    @property
    def pids(self) -> dict[str, int]:
        return {what: process.pid for what, process in self._processes.items()}

    def cycle(self) -> tuple[float, ...]:
        """Go on by one cycle; returns the share of it that each box was heated."""
        end_s = self.now_s + CYCLE_S
        turns, closed = 0, [0] * len(GPIOS)
        while self.now_s < end_s - 1e-6:
            self.now_s += TURN_S
            self._move("keeper")
            if self._until_s["daemon"] <= self.now_s + 1e-6:
                self._move("daemon")
            turns += 1
            closed = [n + level for n, level in zip(closed, self._shed.heated(), strict=True)]
        return tuple(n / turns for n in closed)

    def close(self) -> None:
        for process in self._processes.values():
            process.send_signal(signal.SIGTERM)
        for what in ("daemon", "keeper"):
            with suppress(OSError):
                self._lines[what].send(WORD.pack(self.now_s, 0.0))
            try:
                self._processes[what].wait(20)
            except subprocess.TimeoutExpired:
                self._processes[what].kill()
                self._processes[what].wait()
            self._lines[what].close()
        self._listener.close()

    def _move(self, what: str) -> None:
        # A little past the full half second, so that no rounding leaves a wait of nothing.
        self._lines[what].send(WORD.pack(self.now_s + 1e-4, 0.0))
        while True:
            at_s = self._rest(what)
            if at_s >= self.now_s:
                return

    def _rest(self, what: str) -> float:
        data = self._lines[what].recv(WORD.size)
        if not data:
            raise RuntimeError(f"the {what} has ended:\n{self.output.read_text()[-3000:]}")
        at_s, self._until_s[what] = WORD.unpack(data)
        return at_s
