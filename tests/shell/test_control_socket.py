"""The control socket by itself; what it does in a daemon is in test_daemon.py."""

from __future__ import annotations

import socket
import threading
from collections.abc import Iterator
from pathlib import Path

import pytest

from bottomheat_drivers.clock import ManualClock
from bottomheat_drivers.control_socket import PATIENCE_S, ControlSocket, ask


class Wakes:
    """Stands for the process's signals; ``wake`` ends the serving as one would."""

    stop_requested = False

    def __init__(self) -> None:
        self._woken, self._waker = socket.socketpair()

    def fileno(self) -> int:
        return self._woken.fileno()

    def drain(self) -> None:
        self._woken.recv(512)

    def wake(self) -> None:
        self._waker.send(b"x")

    def close(self) -> None:
        self._woken.close()
        self._waker.close()


class SeenClock(ManualClock):
    """Says that somebody has looked at it."""

    def __init__(self) -> None:
        super().__init__()
        self.seen = threading.Event()

    def monotonic_s(self) -> float:
        now_s = super().monotonic_s()
        self.seen.set()
        return now_s


@pytest.fixture
def wakes() -> Iterator[Wakes]:
    made = Wakes()
    yield made
    made.close()


def test_answers_after_a_long_quiet_wait(tmp_path: Path, wakes: Wakes) -> None:
    """Its patience with a client begins when the client comes, not when the wait for one began."""
    clock = SeenClock()
    server = ControlSocket(tmp_path / "control.sock", clock, wakes)  # type: ignore[arg-type]
    clock.seen.clear()
    serving = threading.Thread(target=server.serve_until, args=(1e6, lambda _: {"ok": True}))
    serving.start()
    try:
        assert clock.seen.wait(60.0)
        clock.advance(PATIENCE_S + 1.0)
        assert ask(tmp_path / "control.sock", {"do": "ping"}, timeout_s=60.0) == {"ok": True}
    finally:
        wakes.wake()
        serving.join(60.0)
        server.close()
    assert not serving.is_alive()
