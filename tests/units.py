"""Stands in for systemd, as far as the fault tests need it, because none runs where tests do.

A ``Unit`` takes its command, ``ExecStopPost``, ``WatchdogSec``, ``TimeoutAbortSec`` and
``RestartSec`` from the unit files that ship, listens on ``NOTIFY_SOCKET``, and does what
systemd.service(5) says: a watchdog that is not petted in time ends the process with SIGABRT, and
after ``TimeoutAbortSec`` with SIGKILL; ``ExecStopPost`` runs after every end; then it restarts.
"""

from __future__ import annotations

import shlex
import signal
import socket
import subprocess
import sys
import time
from contextlib import suppress
from pathlib import Path
from threading import Event, Thread

from service import ROOT, Service, gone

KEEPER, DAEMON = "bottomheat-keeper", "bottomheat"


def setting(unit: str, key: str) -> str:
    """The value of a key in a unit file that ships."""
    text = (ROOT / "systemd" / f"{unit}.service").read_text()
    (found,) = [line.partition("=")[2] for line in text.splitlines() if line.startswith(f"{key}=")]
    return found


def command_line(unit: str, key: str, config: Path) -> list[str]:
    """A command of a unit file, with this Python and this config in place of the installed ones."""
    program, *rest = shlex.split(setting(unit, key).lstrip("+-"))
    start = [sys.executable] if program.endswith("python") else [sys.executable, "-m", "bottomheat"]
    return [*start, *(str(config) if word.endswith("chamber.yaml") else word for word in rest)]


class Unit:
    """One process and what the service manager does for it.

    Attributes:
        heard: time of arrival (monotonic, s) and text of each notification.
        watched: whether the watchdog acts.
        restarts: whether the process is started again after an end.
        stopped: set once ``ExecStopPost`` has run, if any.
    """

    def __init__(
        self, service: Service, name: str, *, watched: bool = True, restarts: bool = False
    ) -> None:
        self.service, self.name = service, name
        self.watched, self.restarts = watched, restarts
        self.heard: list[tuple[float, str]] = []
        self.stopped = Event()
        self.process: subprocess.Popen[str] | None = None
        self._ending = Event()
        self._thread: Thread | None = None
        self._watchdog_s = float(setting(name, "WatchdogSec"))
        self._abort_s = float(setting(name, "TimeoutAbortSec"))
        self._restart_s = float(setting(name, "RestartSec"))
        # A socket's path may be 107 bytes long, which a test's folder may exceed.
        self._socket = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
        self._socket.bind(b"")  # Linux gives it an abstract name of its own
        self._socket.settimeout(0.05)
        self._address = "@" + self._socket.getsockname()[1:].decode()

    def start(self) -> None:
        """Start the process and mind it."""
        self.stopped.clear()
        self._ending.clear()
        self.process = self._spawn()
        self._thread = Thread(target=self._mind, name=f"unit {self.name}", daemon=True)
        self._thread.start()

    @property
    def pid(self) -> int:
        """The main process."""
        assert self.process is not None
        return self.process.pid

    def send(self, number: signal.Signals) -> float:
        """Send a signal to the main process; returns when, monotonic s."""
        assert self.process is not None
        at_s = time.monotonic()
        self.process.send_signal(number)
        return at_s

    def petted(self, since_s: float) -> int:
        """How often the watchdog was petted since then."""
        return sum(1 for at_s, text in list(self.heard) if at_s > since_s and "WATCHDOG=1" in text)

    def end(self) -> None:
        """End the process and the minding of it."""
        self._ending.set()
        if self.process is not None and self.process.poll() is None:
            self.process.kill()
        if self._thread is not None:
            self._thread.join(30)
            self._thread = None

    def close(self) -> None:
        """End everything."""
        self.end()
        self._socket.close()

    def _spawn(self) -> subprocess.Popen[str]:
        with self.service.output.open("a") as output:
            return subprocess.Popen(
                command_line(self.name, "ExecStart", self.service.config),
                env=self._environment() | {"NOTIFY_SOCKET": self._address},
                stdin=subprocess.DEVNULL,
                stdout=output,
                stderr=output,
                text=True,
            )

    def _environment(self) -> dict[str, str]:
        folders = {
            "RUNTIME_DIRECTORY": str(self.service.run),
            "STATE_DIRECTORY": str(self.service.state),
        }
        return self.service.environment() | folders

    def _mind(self) -> None:
        assert self.process is not None
        while True:
            self._listen(self.process)
            gone(self.process.pid)
            if self.name == KEEPER:
                stop = command_line(self.name, "ExecStopPost", self.service.config)
                subprocess.run(stop, env=self._environment(), check=True, timeout=60)
            self.stopped.set()
            if not self.restarts or self._ending.wait(self._restart_s):
                return
            self.process = self._spawn()

    def _listen(self, process: subprocess.Popen[str]) -> None:
        petted_s: float | None = None
        while process.poll() is None:
            with suppress(TimeoutError):
                text = self._socket.recv(4096).decode()
                self.heard.append((time.monotonic(), text))
                if text.startswith(("READY=1", "WATCHDOG=1")):
                    petted_s = time.monotonic()
            late = petted_s is not None and time.monotonic() - petted_s > self._watchdog_s
            if self.watched and late:
                # systemd lets a stopped process go on, so that it can take the signal
                process.send_signal(signal.SIGABRT)
                process.send_signal(signal.SIGCONT)
                with suppress(subprocess.TimeoutExpired):
                    process.wait(self._abort_s)
                    return
                process.kill()
                process.wait(20)


class Units:
    """Keeper and daemon of one state folder as two units."""

    def __init__(self, service: Service) -> None:
        self.service = service
        self.keeper = Unit(service, KEEPER)
        self.daemon = Unit(service, DAEMON)

    def start(self) -> None:
        """Start both, as at boot."""
        self.keeper.start()
        self.daemon.start()

    def close(self) -> None:
        """End both."""
        self.daemon.close()
        self.keeper.close()
