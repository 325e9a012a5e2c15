"""Asks the running service for its alarms; whatever goes wrong is no answer."""

from __future__ import annotations

import json
import socket
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from bottomheat.ports import Clock

MOST_BYTES = 1_000_000
PATIENCE_S = 8.0
"""The service answers between two cycles, and a slow probe may hold a cycle up for seconds."""


class AlarmLink:
    """The alerts' end of the control socket."""

    def __init__(self, path: Path, clock: Clock) -> None:
        self._path = path
        self._clock = clock

    def alarms(self) -> Mapping[str, Any] | None:
        """The answer as plain data, not checked yet; None if there is none within 8 s."""
        deadline_s = self._clock.monotonic_s() + PATIENCE_S
        answer = bytearray()
        try:
            with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM | socket.SOCK_CLOEXEC) as sock:
                sock.settimeout(PATIENCE_S)
                sock.connect(str(self._path))
                sock.sendall(b'{"do": "alarms"}\n')
                while True:
                    left_s = deadline_s - self._clock.monotonic_s()
                    if left_s <= 0:
                        return None
                    sock.settimeout(left_s)
                    piece = sock.recv(65_536)
                    if not piece:
                        break
                    answer += piece
                    if len(answer) > MOST_BYTES:
                        return None
        except (OSError, ValueError):
            return None
        try:
            data = json.loads(answer)
        except (ValueError, RecursionError):
            return None
        return data if isinstance(data, dict) else None
