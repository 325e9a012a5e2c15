"""The control socket: commands that talk to the daemon, one JSON line each way.

The server has no thread.  It works in the time that the loop has left between two cycles, never
waits for a client, and drops one that is slow, so that no client can delay control.
"""

from __future__ import annotations

import contextlib
import json
import os
import selectors
import signal
import socket
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from types import FrameType
from typing import Any

from bottomheat.errors import AlreadyRunningError, DriverError, NotRunningError
from bottomheat.ports import Clock, Handler

MOST_BYTES = 65_536
MOST_CLIENTS = 8
PATIENCE_S = 5.0


class ProcessSignals:
    """SIGTERM and SIGINT ask for a stop, SIGHUP for a re-read; each wakes the waiting loop."""

    def __init__(self) -> None:
        self._stop = False
        self._reload = False
        self._woken, self._waker = socket.socketpair()
        self._woken.setblocking(False)
        self._waker.setblocking(False)
        signal.set_wakeup_fd(self._waker.fileno(), warn_on_full_buffer=False)
        for number in (signal.SIGTERM, signal.SIGINT):
            signal.signal(number, self._on_stop)
        signal.signal(signal.SIGHUP, self._on_reload)

    def _on_stop(self, number: int, frame: FrameType | None) -> None:  # noqa: ARG002
        self._stop = True

    def _on_reload(self, number: int, frame: FrameType | None) -> None:  # noqa: ARG002
        self._reload = True

    @property
    def stop_requested(self) -> bool:
        """Whether the process was asked to end."""
        return self._stop

    def take_reload(self) -> bool:
        """Whether a re-read of the config was asked for since the last call."""
        asked, self._reload = self._reload, False
        return asked

    def fileno(self) -> int:
        """Becomes readable when a signal arrives."""
        return self._woken.fileno()

    def drain(self) -> None:
        """Forget the wake-ups so far."""
        with contextlib.suppress(BlockingIOError):
            while self._woken.recv(512):
                pass


@dataclass
class _Client:
    sock: socket.socket
    since_s: float
    request: bytearray = field(default_factory=bytearray)
    answer: bytes = b""


class ControlSocket:
    """Serves the commands between cycles; implements ``ports.ControlServer``."""

    def __init__(self, path: Path, clock: Clock, signals: ProcessSignals) -> None:
        """Listen on ``path`` with mode 0660.

        Raises:
            AlreadyRunningError: another daemon answers there.
            DriverError: the folder is missing or not writable.
        """
        self._path = path
        self._clock = clock
        self._signals = signals
        self._clients: dict[int, _Client] = {}
        self._listener = _listen(path)
        self._selector = selectors.DefaultSelector()
        self._selector.register(self._listener, selectors.EVENT_READ, "listener")
        self._selector.register(signals, selectors.EVENT_READ, "signals")

    def serve_until(self, deadline_s: float, handler: Handler) -> bool:
        """Answer requests until the deadline or a signal; True if a signal cut it short."""
        while True:
            now_s = self._clock.monotonic_s()
            if self._signals.stop_requested:
                return True
            for client in list(self._clients.values()):
                if now_s - client.since_s > PATIENCE_S:
                    self._drop(client)
            wait_s = deadline_s - now_s
            if wait_s <= 0:
                return False
            if self._clients:
                wait_s = min(wait_s, 1.0)
            for key, _ in self._selector.select(wait_s):
                if key.data == "signals":
                    self._signals.drain()
                    return True
                if key.data == "listener":
                    self._accept(self._clock.monotonic_s())  # not that of before the wait
                else:
                    self._serve(key.data, handler)

    def close(self) -> None:
        """Close and remove the socket; idempotent."""
        if self._listener.fileno() == -1:
            return
        for client in list(self._clients.values()):
            self._drop(client)
        self._selector.close()
        self._listener.close()
        self._path.unlink(missing_ok=True)

    def _accept(self, now_s: float) -> None:
        try:
            sock, _ = self._listener.accept()
        except OSError:  # the client has gone again, or no descriptors are left: it may retry
            return
        if len(self._clients) >= MOST_CLIENTS:
            sock.close()
            return
        sock.setblocking(False)
        client = _Client(sock, now_s)
        self._clients[sock.fileno()] = client
        self._selector.register(sock, selectors.EVENT_READ, client)

    def _serve(self, client: _Client, handler: Handler) -> None:
        try:
            if client.answer:
                sent = client.sock.send(client.answer)
                client.answer = client.answer[sent:]
                if not client.answer:
                    self._drop(client)
                return
            piece = client.sock.recv(4096)
        except BlockingIOError:
            return
        except OSError:
            self._drop(client)
            return
        client.request += piece
        if not piece or len(client.request) > MOST_BYTES:
            self._drop(client)
            return
        if b"\n" not in client.request:
            return
        answer = handler(_parse(bytes(client.request)))
        client.answer = json.dumps(answer, ensure_ascii=False).encode() + b"\n"
        self._selector.modify(client.sock, selectors.EVENT_WRITE, client)

    def _drop(self, client: _Client) -> None:
        self._clients.pop(client.sock.fileno(), None)
        with contextlib.suppress(KeyError, ValueError):
            self._selector.unregister(client.sock)
        client.sock.close()


def _parse(line: bytes) -> Mapping[str, Any]:
    try:
        request = json.loads(line)
    except (ValueError, RecursionError):
        return {}
    return request if isinstance(request, dict) else {}


def _listen(path: Path) -> socket.socket:
    if len(os.fsencode(path)) > 107:  # sun_path of unix(7) holds 108 bytes with its end
        raise DriverError(f"{path}: the path of the control socket is too long; shorten run_folder")
    try:
        ask(path, {"do": "ping"}, timeout_s=1.0)
    except NotRunningError:
        pass
    else:
        raise AlreadyRunningError(f"another bottomheat already answers on {path}")
    listener = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM | socket.SOCK_CLOEXEC)
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        path.unlink(missing_ok=True)
        before = os.umask(0o117)
        try:
            listener.bind(str(path))
        finally:
            os.umask(before)
        listener.listen(MOST_CLIENTS)
        listener.setblocking(False)
    except OSError as error:
        listener.close()
        raise DriverError(
            f"cannot make the control socket {path} ({error.strerror}); "
            "is run_folder there and writable?"
        ) from error
    return listener


def ask(path: Path, request: Mapping[str, Any], timeout_s: float = 20.0) -> Mapping[str, Any]:
    """Send one request to the daemon and return its answer.

    Raises:
        NotRunningError: nobody listens, or no answer came in time.
    """
    data = json.dumps(request).encode() + b"\n"
    answer = bytearray()
    with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM | socket.SOCK_CLOEXEC) as sock:
        sock.settimeout(timeout_s)
        try:
            sock.connect(str(path))
            sock.sendall(data)
            while piece := sock.recv(65_536):
                answer += piece
        except PermissionError as error:
            raise NotRunningError(
                f"you may not talk to the service at {path}; join the group bottomheat or use sudo"
            ) from error
        except OSError as error:
            raise NotRunningError(
                f"the service does not answer at {path}; start it with: bottomheat run, "
                "or: systemctl start bottomheat"
            ) from error
    parsed = _parse(bytes(answer))
    if not parsed:
        raise NotRunningError(f"the service hung up without an answer at {path}; try again")
    return parsed
