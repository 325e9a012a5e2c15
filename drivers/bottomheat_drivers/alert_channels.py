"""Where messages go: Apprise addresses, a local command, a heartbeat; each in a child process.

Nothing here waits: a child is started, looked at, and ended when its time is up, so that one that
hangs delays no other.  Addresses hold secrets: none is in a message, an error, a log line, a repr,
a command line or an environment.
"""

from __future__ import annotations

import hashlib
import json
import os
import shutil
import signal
import stat
import subprocess
import sys
from collections.abc import Callable, Mapping
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from bottomheat.alerts.message import Outcome
from bottomheat.config import Alerts
from bottomheat.errors import InputError
from bottomheat_drivers import alert_worker

COMMAND_S = 30.0
WORKER_S = 45.0
"""The worker ends itself 30 s after its libraries are loaded; this is for one that cannot load."""

MOST_AT_ONCE = 6
"""Each worker takes some 45 MB for a second or two (measured, x86-64), and a Pi may have 512."""

MOST_FAILING = 2
"""So many of them at most for addresses that failed before: the rest is for the others."""

LARGEST_BYTES = 16_384
MOST_ADDRESSES = 32

_OUTCOMES = {
    alert_worker.TAKEN: Outcome.TAKEN,
    alert_worker.UNREACHABLE: Outcome.UNREACHABLE,
    alert_worker.NOT_UNDERSTOOD: Outcome.NOT_UNDERSTOOD,
    alert_worker.NO_LIBRARY: Outcome.NO_LIBRARY,
    -signal.SIGALRM: Outcome.TOO_SLOW,
}
_NOT_PASSED_ON = ("NOTIFY_SOCKET", "WATCHDOG_USEC", "WATCHDOG_PID")


@dataclass(frozen=True, slots=True)
class Channel:
    """One way out.

    Attributes:
        key: what the outbox calls it; tells nothing of the address.
        name: what people call it, "address 2".
        address: an Apprise or web address; a secret.
        argv: a program and its arguments, instead of an address.
    """

    key: str
    name: str
    address: str | None = field(default=None, repr=False)
    argv: tuple[str, ...] = field(default=(), repr=False)


@dataclass(frozen=True, slots=True)
class Channels:
    """All ways out that a config names, and why some of them cannot be known."""

    outward: tuple[Channel, ...]
    heartbeat: Channel | None
    trouble: str | None


def channels_of(alerts: Alerts) -> Channels:
    """The ways out that the config names; an addresses file that cannot be read is told."""
    addresses = list(alerts.addresses)
    trouble = None
    if alerts.addresses_file is not None:
        try:
            addresses += read_addresses(Path(alerts.addresses_file))
        except InputError as error:
            trouble = str(error)
    outward: dict[str, Channel] = {}
    for number, address in enumerate(dict.fromkeys(addresses), start=1):
        key = _key(address)
        while key in outward:
            key += "+"
        outward[key] = Channel(key, f"address {number}", address=address)
    if alerts.command is not None:
        outward["command"] = Channel("command", "command", argv=tuple(alerts.command))
    heartbeat = None
    if alerts.heartbeat is not None:
        heartbeat = Channel("heartbeat", "heartbeat", address=alerts.heartbeat)
    return Channels(tuple(outward.values()), heartbeat, trouble)


def _key(address: str) -> str:
    """Tells addresses apart and cannot be turned back: 24 bits fit to a great many addresses."""
    return "address-" + hashlib.sha256(f"bottomheat\0{address}".encode()).hexdigest()[:6]


def read_addresses(path: Path) -> list[str]:
    """Read a file with one address a line; empty lines and lines that begin with # are notes.

    Raises:
        InputError: it cannot be read or is not such a file; says where, never what it holds.
    """
    try:
        handle = os.open(path, os.O_RDONLY | os.O_NONBLOCK | os.O_CLOEXEC)
    except (OSError, ValueError) as error:
        why = error.strerror if isinstance(error, OSError) else "not a path"
        raise InputError(
            f"the addresses file {path} cannot be opened ({why}); make it, readable by the user of "
            "the alerts service alone"
        ) from None
    try:
        regular = stat.S_ISREG(os.fstat(handle).st_mode)
        data = b""
        while regular and len(data) <= LARGEST_BYTES and (piece := os.read(handle, LARGEST_BYTES)):
            data += piece
    except OSError as error:
        raise InputError(f"the addresses file {path} cannot be read: {error.strerror}") from None
    finally:
        os.close(handle)
    if not regular or len(data) > LARGEST_BYTES:
        raise InputError(f"{path} is no file of addresses: one address a line, at most 16 KiB")
    try:
        lines = [line.strip() for line in data.decode("utf-8-sig").splitlines()]
    except UnicodeDecodeError:
        raise InputError(f"the addresses file {path} is not UTF-8; save it as UTF-8") from None
    found = [line for line in lines if line and not line.startswith("#")]
    if len(found) > MOST_ADDRESSES or not all(line.isprintable() for line in found):
        raise InputError(
            f"{path} is no file of addresses: one address a line, at most {MOST_ADDRESSES}"
        )
    return found


@dataclass(frozen=True, slots=True)
class Result:
    """What became of one attempt; ``detail`` is for people and holds no secret."""

    channel: Channel
    message_id: str
    outcome: Outcome
    detail: str


@dataclass(slots=True)
class _Running:
    channel: Channel
    message_id: str
    child: subprocess.Popen[bytes]
    until_s: float
    failing: bool
    killed: bool = False


class Deliveries:
    """Hands messages over in child processes, without waiting for any of them."""

    def __init__(self) -> None:
        self._running: dict[str, _Running] = {}
        self._ended: list[Result] = []

    @property
    def busy(self) -> frozenset[str]:
        """Keys of the channels that are handing something over."""
        return frozenset(self._running)

    def room(self, *, failing: bool) -> bool:
        """Whether one more address may be started; ``failing``: one that failed the last time."""
        used = [running for running in self._running.values() if running.channel.address]
        if failing and sum(running.failing for running in used) >= MOST_FAILING:
            return False
        return len(used) < MOST_AT_ONCE

    def start(
        self,
        channel: Channel,
        message_id: str,
        content: Mapping[str, Any],
        now_s: float,
        *,
        failing: bool = False,
    ) -> None:
        """Begin to hand ``content`` to a channel that is not busy; never waits, never raises.

        Args:
            channel: where to.
            message_id: comes back with the result.
            content: the message as plain data (for a heartbeat: nothing).
            now_s: the time, s.
            failing: it failed the last time.
        """
        job: Mapping[str, Any] = content
        argv = list(channel.argv)
        if channel.address is not None:
            kind = "heartbeat" if channel.key == "heartbeat" else "message"
            job = {**content, "kind": kind, "address": channel.address}
            argv = [sys.executable, "-P", "-m", alert_worker.__name__]
        try:
            child = _start(argv, json.dumps(job).encode())
        except (OSError, ValueError) as error:
            why = (error.strerror if isinstance(error, OSError) else None) or "not usable"
            detail = f"{Outcome.NOT_STARTED.value} ({why})"
            self._ended.append(Result(channel, message_id, Outcome.NOT_STARTED, detail))
            return
        longest_s = WORKER_S if channel.address is not None else COMMAND_S
        self._running[channel.key] = _Running(
            channel, message_id, child, now_s + longest_s, failing
        )

    def finished(self, now_s: float) -> list[Result]:
        """Results since the last call; ends what has run too long."""
        ended, self._ended = self._ended, []
        for key, running in list(self._running.items()):
            status = running.child.poll()
            if status is not None:
                del self._running[key]
                ended.append(_result(running, status))
            elif now_s >= running.until_s and not running.killed:
                running.killed = True
                _kill(running.child)
        return ended

    def close(self, wait: Callable[[float], None], longest_s: float) -> list[Result]:
        """Let what runs end within ``longest_s`` seconds, then end it; returns what became of it.

        Args:
            wait: waits so many seconds.
            longest_s: patience, s.
        """
        ended = self.finished(0.0)
        waited_s = 0.0
        while self._running and waited_s < longest_s:
            wait(0.1)
            waited_s += 0.1
            ended += self.finished(0.0)
        for running in self._running.values():
            running.killed = True
            _kill(running.child)
        for running in self._running.values():
            with suppress(subprocess.TimeoutExpired):
                running.child.wait(1.0)
        return ended + self.finished(0.0)


def _start(argv: list[str], data: bytes) -> subprocess.Popen[bytes]:
    """Start a program with ``data`` on its standard input, in a process group of its own.

    The data lies in a file in memory, not in a pipe, so that a program that does not read it
    cannot hold us up.
    """
    memory = os.memfd_create("message", os.MFD_CLOEXEC)
    try:
        os.write(memory, data)
        os.lseek(memory, 0, os.SEEK_SET)
        return subprocess.Popen(
            argv,
            stdin=memory,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
            env={k: v for k, v in os.environ.items() if k not in _NOT_PASSED_ON},
            start_new_session=True,
        )
    finally:
        os.close(memory)


def _kill(child: subprocess.Popen[bytes]) -> None:
    """End the whole group that we started; its leader is not reaped, so the id is still ours."""
    with suppress(ProcessLookupError, PermissionError):
        os.killpg(child.pid, signal.SIGKILL)


def _result(running: _Running, status: int) -> Result:
    channel = running.channel
    if status == 0:
        outcome = Outcome.TAKEN
    elif running.killed:
        outcome = Outcome.TOO_SLOW
    elif channel.address is not None:
        outcome = _OUTCOMES.get(status, Outcome.REFUSED)
    else:
        outcome = Outcome.FAILED
    detail = outcome.value
    if outcome is Outcome.FAILED:
        how = f"exit status {status}" if status > 0 else f"ended by signal {-status}"
        detail = f"{detail} ({how})"
    return Result(channel, running.message_id, outcome, detail)


@dataclass(frozen=True, slots=True)
class FileMode:
    """What can be seen of a file from outside."""

    path: Path
    exists: bool
    readable: bool
    open_to_all: bool
    trouble: str | None = None


def look_at_file(path: Path, *, addresses: bool = False) -> FileMode:
    """Who may read a file with secrets; with ``addresses``, also whether it holds addresses."""
    try:
        mode = path.stat().st_mode
    except (OSError, ValueError):
        return FileMode(path, exists=os.path.lexists(path), readable=False, open_to_all=False)
    readable = os.access(path, os.R_OK)
    trouble = None
    if addresses and readable:
        try:
            if not read_addresses(path):
                trouble = f"the addresses file {path} holds no address; write one a line"
        except InputError as error:
            trouble = str(error)
    return FileMode(path, True, readable, bool(mode & stat.S_IROTH), trouble)


def program_found(argv: tuple[str, ...]) -> bool:
    """Whether the first word of a command is a program that this user may start."""
    return shutil.which(argv[0]) is not None
