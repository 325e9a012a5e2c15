"""Runs the alerts as a process beside a fake service, a loopback web server and local commands."""

from __future__ import annotations

import json
import os
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Callable
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any

from alarms import FakeService

ROOT = Path(__file__).resolve().parent.parent

CONFIG = """\
log: {folder}/state/log.sqlite
run_folder: {folder}/run
helper: {{too_cold: Lay the two blankets over the box.}}
chambers:
  north-bench:
    callus_zone: 25
    heater: {{gpio: 17, watts: 45}}
    probes: {{substrate: 28-000000000001, room: 28-000000000002, mat: 28-000000000003}}
    offset: {{method: temperature-factor, factor: 0.75}}
"""

PROGRAM = """\
import sys
import bottomheat.app_alerts as app
from bottomheat.alerts import outbox, schedule
app.POLL_S = {poll_s}
outbox.FIRST_RETRY_S = {retry_s}
schedule.SILENT_AFTER_S = {silent_s}
from bottomheat.cli import main
main(["alerts", "--config", sys.argv[1]])
"""


class Web:
    """A web server on a loopback port that takes what is posted, answers as told, or hangs."""

    def __init__(self) -> None:
        self.posts: list[dict[str, Any]] = []
        self.gets: list[str] = []
        self.status = 200
        self.port = 0
        self._server: ThreadingHTTPServer | None = None
        self.start()

    def start(self) -> None:
        stand = self

        class Handler(BaseHTTPRequestHandler):
            def do_POST(self) -> None:
                data = self.rfile.read(int(self.headers["Content-Length"]))
                if stand.status == 200:
                    stand.posts.append(json.loads(data))
                self._answer()

            def do_GET(self) -> None:
                stand.gets.append(self.path)
                self._answer()

            def _answer(self) -> None:
                self.send_response(stand.status)
                self.send_header("Content-Length", "0")
                self.end_headers()

            def log_message(self, *args: object) -> None:
                return

        self._server = ThreadingHTTPServer(("127.0.0.1", self.port), Handler)
        self.port = self._server.server_port
        threading.Thread(target=self._server.serve_forever, args=(0.05,), daemon=True).start()

    def stop(self) -> None:
        if self._server is not None:
            self._server.shutdown()
            self._server.server_close()
            self._server = None

    @property
    def address(self) -> str:
        return f"json://127.0.0.1:{self.port}/box"


class Hung:
    """Takes connections on a loopback port and never says a word."""

    def __init__(self) -> None:
        self._listener = socket.create_server(("127.0.0.1", 0), backlog=16)
        self.port = self._listener.getsockname()[1]

    @property
    def address(self) -> str:
        return f"json://127.0.0.1:{self.port}/?rto=300&cto=300"

    def stop(self) -> None:
        self._listener.close()


class Stand:
    """A folder with a config, and the processes started on it."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        folder.mkdir(exist_ok=True)
        self.state = folder / "state" / "alerts"
        self.config = folder / "chamber.yaml"
        self.output = folder / "output.txt"
        self.taken = folder / "taken.jsonl"
        self.service = FakeService(folder / "run" / "control.sock")
        self.process: subprocess.Popen[str] | None = None
        self.more_environment: dict[str, str] = {}
        self.poll_s, self.retry_s, self.silent_s = 0.3, 0.5, 300.0
        self.alerts(command=self.script())

    def alerts(self, **keys: Any) -> None:
        """Write the config with these keys of its alerts section (JSON is YAML)."""
        text = CONFIG.format(folder=self.folder) + f"alerts: {json.dumps(keys)}\n"
        fresh = self.config.with_suffix(".new")
        fresh.write_text(text)
        fresh.chmod(0o600)
        fresh.replace(self.config)

    def script(self, text: str = "", name: str = "bell") -> list[str]:
        """A command that appends what it gets to a file, or does as ``text`` says."""
        path = self.folder / name
        path.write_text(f"#!/bin/sh\n{text or f'exec cat >> {self.taken}'}\n")
        path.chmod(0o700)
        return [str(path)]

    def environment(self) -> dict[str, str]:
        paths = os.pathsep.join(str(ROOT / part) for part in ("controller", "drivers"))
        before = self.more_environment.get("PYTHONPATH")
        found = {**os.environ, **self.more_environment}
        found["PYTHONPATH"] = f"{before}{os.pathsep}{paths}" if before else paths
        return found

    def start(self) -> None:
        program = PROGRAM.format(poll_s=self.poll_s, retry_s=self.retry_s, silent_s=self.silent_s)
        with self.output.open("a") as output:
            self.process = subprocess.Popen(
                [sys.executable, "-c", program, str(self.config)],
                env=self.environment(),
                stdin=subprocess.DEVNULL,
                stdout=output,
                stderr=subprocess.STDOUT,
                text=True,
            )

    def stop(self) -> int:
        assert self.process is not None
        self.process.terminate()
        return self.process.wait(120)

    def end(self) -> None:
        if self.process is not None and self.process.poll() is None:
            self.process.kill()
            self.process.wait(120)
        self.service.stop()

    def command(self, *words: str) -> subprocess.CompletedProcess[str]:
        return subprocess.run(
            [sys.executable, "-m", "bottomheat", *words, "--config", str(self.config)],
            env=self.environment(),
            stdin=subprocess.DEVNULL,
            capture_output=True,
            text=True,
            timeout=180,
            check=False,
        )

    def got(self) -> list[dict[str, Any]]:
        """What the local command has been handed."""
        if not self.taken.exists():
            return []
        decoder, found, text = json.JSONDecoder(), [], self.taken.read_text()
        while text:
            one, end = decoder.raw_decode(text)
            found.append(one)
            text = text[end:]
        return found

    def kinds(self) -> list[str]:
        return [one["kind"] for one in self.got()]

    def wait(self, condition: Callable[[], bool], longest_s: float = 120.0) -> float:
        began = time.monotonic()
        while time.monotonic() - began < longest_s:
            if condition():
                return time.monotonic() - began
            assert self.process is None or self.process.poll() is None, self.output.read_text()
            time.sleep(0.05)
        raise AssertionError(f"did not come true in {longest_s} s:\n{self.output.read_text()}")
