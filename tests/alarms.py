"""Answers of the service about its alarms, made to order; and a service that gives them."""

from __future__ import annotations

import json
import socket
import threading
from collections.abc import Mapping
from pathlib import Path
from typing import Any

START_MS = 1_768_546_200_000  # Fri 16 Jan 2026 06:50 UTC, reckoned by hand


def alarm(name: str = "north-bench/relay-stuck-on", **changed: Any) -> dict[str, Any]:
    chamber, _, kind = name.partition("/")
    return {
        "id": name,
        "serial": 1,
        "chamber": None if chamber == "house" else chamber,
        "alarm": kind,
        "level": "now",
        "state": "new",
        "seen": False,
        "active": True,
        "raised_ms": START_MS,
        "gone_ms": None,
        "paused_until_ms": None,
        "what": "The relay is stuck on",
        "how_long": "About 3 hours",
        "first": "Unplug the mat",
        "helper": "Unplug the grey plug, leave the lid on.",
        **changed,
    }


def box(name: str = "north-bench", **changed: Any) -> dict[str, Any]:
    return {
        "name": name,
        "condition": "HOLDING",
        "estimate_c": 25.0,
        "setpoint_c": 25.0,
        "low_c": 24.7,
        "high_c": 25.2,
        "in_band_frac": 1.0,
        "heat_frac": 0.58,
        **changed,
    }


def answer(*alarms: Mapping[str, Any], **changed: Any) -> dict[str, Any]:
    return {
        "ok": True,
        "now_ms": START_MS,
        "synchronised": True,
        "running_s": 5000.0,
        "away": None,
        "alarms": list(alarms),
        "boxes": [box()],
        **changed,
    }


class FakeService:
    """Listens on a control socket and gives the answer that it was told to give."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self.raw: bytes = b""
        self.asked = 0
        self.say(answer())
        self._listener: socket.socket | None = None
        self._thread: threading.Thread | None = None
        self.start()

    def say(self, data: Mapping[str, Any] | bytes) -> None:
        self.raw = data if isinstance(data, bytes) else json.dumps(data).encode() + b"\n"

    def start(self) -> None:
        self.path.parent.mkdir(parents=True, exist_ok=True)
        self.path.unlink(missing_ok=True)
        self._listener = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
        self._listener.bind(str(self.path))
        self._listener.listen(4)
        self._thread = threading.Thread(target=self._serve, args=(self._listener,), daemon=True)
        self._thread.start()

    def _serve(self, listener: socket.socket) -> None:
        while True:
            try:
                client, _ = listener.accept()
            except OSError:
                return
            with client:
                client.settimeout(5)
                try:
                    if client.recv(4096):
                        self.asked += 1
                        client.sendall(self.raw)
                except OSError:
                    continue

    def stop(self) -> None:
        """Die as a killed process does: the socket file stays and nobody listens."""
        if self._listener is not None and self._thread is not None:
            self._listener.shutdown(socket.SHUT_RDWR)
            self._listener.close()
            self._thread.join(5)
            self._listener = None
