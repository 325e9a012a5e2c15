"""The line between daemon and keeper: datagrams on unix sockets.

A lease is one datagram from the daemon, the answer is one datagram back.  Datagrams keep their
borders, so a sender that dies half way leaves nothing half read, and either side may be restarted
at any time.  Nothing here blocks.
"""

from __future__ import annotations

import json
import math
import os
import socket
import stat
from collections.abc import Mapping
from contextlib import suppress
from dataclasses import replace
from pathlib import Path
from typing import Any

from bottomheat.errors import AlreadyRunningError, DriverError
from bottomheat.ports import KeeperStatus, Lease, LineStatus

MAX_BYTES = 16_384
"""Largest datagram either side accepts: 16 chambers with their reasons are below 8 kB."""

MAX_CHAMBERS = 16
_MAX_NAME = 64
_MAX_DRAIN = 64
_MAX_PEERS = 4
_VERSION = 3
"""Both sides drop what has another version: heat waits until both have been restarted."""


class KeeperServer:
    """The keeper's end.

    Raises:
        AlreadyRunningError: another keeper listens on the same path.
        DriverError: the socket cannot be made.
    """

    def __init__(self, path: Path) -> None:
        self._path = path
        self._peers: list[str] = []
        self._socket = _bind(path)

    def fileno(self) -> int:
        """Return the descriptor, to wait on."""
        return self._socket.fileno()

    def receive(self) -> Lease | None:
        """Return the newest lease that waits, or None; drains the queue and never raises.

        A datagram that is not exactly a lease is dropped.  A reset asked for in a lease that was
        overtaken in the queue goes with the newest one: the keeper judges it by its own probe.
        """
        newest: Lease | None = None
        peers: list[str] = []
        for _ in range(_MAX_DRAIN):
            got = _receive(self._socket)
            if got is None:
                break
            data, peer = got
            lease = parse_lease(data)
            if lease is None:
                continue
            if newest is not None:
                lease = replace(lease, reset=lease.reset | newest.reset)
            newest = lease
            if peer and peer not in peers:
                peers.append(peer)
        if peers:
            self._peers = peers[-_MAX_PEERS:]
        return newest

    def reply(self, status: KeeperStatus) -> None:
        """Send the status to whoever sent the last leases; drops it if they do not listen."""
        data = format_status(status)
        for peer in self._peers:
            with suppress(OSError):
                self._socket.sendto(data, peer)

    def close(self) -> None:
        """Close and remove the socket; idempotent."""
        if self._socket.fileno() >= 0:
            self._socket.close()
            with suppress(OSError):
                self._path.unlink()


class KeeperClient:
    """The daemon's end; every failure is "nobody took it", and the next call tries again."""

    def __init__(self, path: Path, own_path: Path, wiring: str) -> None:
        """Talk to the keeper at ``path``; answers come back to ``own_path``.

        ``wiring`` (``keeper.identity``) goes with every lease.
        """
        self._path = path
        self._wiring = wiring
        self._own_path = own_path
        self._socket: socket.socket | None = None
        self._status: KeeperStatus | None = None
        self._last: Lease | None = None
        self._closed = False

    def send(self, lease: Lease) -> bool:
        """Send a lease; False if nobody took it."""
        if self._closed:
            return False
        self._last = lease
        return self._send(lease)

    def status(self) -> KeeperStatus | None:
        """Return the newest answer received, or None if there was none yet."""
        if self._socket is not None:
            for _ in range(_MAX_DRAIN):
                got = _receive(self._socket)
                if got is None:
                    break
                self._status = parse_status(got[0]) or self._status
        return self._status

    def close(self) -> None:
        """Send a lease that allows no heat, then hang up; idempotent.

        It carries the time of the last lease: the keeper takes the one that came last.  It also
        goes on asking for open series relays, because a contact stays welded.
        """
        if self._closed:
            return
        if self._last is not None:
            self._send(replace(self._last, heat=frozenset(), reset=frozenset()))
        self._closed = True
        if self._socket is not None:
            self._socket.close()
            self._socket = None
            with suppress(OSError):
                self._own_path.unlink()

    def _send(self, lease: Lease) -> bool:
        data = format_lease(replace(lease, wiring=self._wiring))
        try:
            if self._socket is None or not self._own_path.exists():
                self._reopen()
            if self._socket is None:
                return False
            self._socket.sendto(data, str(self._path))
        except OSError:
            return False
        return True

    def _reopen(self) -> None:
        if self._socket is not None:
            self._socket.close()
            self._socket = None
        try:
            self._socket = _bind(self._own_path)
        except (AlreadyRunningError, DriverError):
            self._socket = None


def format_lease(lease: Lease) -> bytes:
    """Return the lease as a datagram."""
    return json.dumps(
        {
            "version": _VERSION,
            "sent_s": lease.sent_s,
            "heat": sorted(lease.heat),
            "reset": sorted(lease.reset),
            "open_series": sorted(lease.open_series),
            "sound": lease.sound,
            "wiring": lease.wiring,
        }
    ).encode("ascii")


def parse_lease(data: bytes) -> Lease | None:
    """Return the lease in a datagram, or None if it is not exactly one; never raises."""
    match _object(data):
        case {
            "version": 3,
            "sent_s": sent,
            "heat": list(heat),
            "reset": list(reset),
            "open_series": list(open_series),
            "sound": bool(sound),
            "wiring": str(wiring),
            **rest,
        }:
            sent_s = _finite(sent)
            if rest or sent_s is None:
                return None
            if not (_names(heat) and _names(reset) and _names(open_series)):
                return None
            return Lease(
                sent_s,
                frozenset(heat),
                frozenset(reset),
                wiring,
                open_series=frozenset(open_series),
                sound=sound,
            )
        case _:
            return None


def format_status(status: KeeperStatus) -> bytes:
    """Return the status as a datagram."""
    return json.dumps(
        {
            "version": _VERSION,
            "at_s": status.at_s,
            "pid": status.pid,
            "lines": [
                {
                    "chamber": line.chamber,
                    "closed": line.closed,
                    "closings": line.closings,
                    "latched": line.latched,
                    "reason": line.reason,
                    "probe_c": line.probe_c,
                    "series_closed": line.series_closed,
                }
                for line in status.lines
            ],
        }
    ).encode("ascii")


def parse_status(data: bytes) -> KeeperStatus | None:
    """Return the status in a datagram, or None if it is not exactly one; never raises."""
    match _object(data):
        case {"version": 3, "at_s": at, "pid": int(pid), "lines": list(entries)}:
            lines = [_line(entry) for entry in entries]
            at_s = _finite(at)
            known = tuple(line for line in lines if line is not None)
            if at_s is None or len(known) != len(lines):
                return None
            return KeeperStatus(at_s, pid, known)
        case _:
            return None


def _line(entry: Any) -> LineStatus | None:
    match entry:
        case {
            "chamber": str(chamber),
            "closed": bool(closed),
            "closings": int(closings),
            "latched": bool(latched),
            "reason": str(reason),
            "probe_c": float() | int() | None as probe_c,
            "series_closed": bool() | None as series_closed,
        }:
            celsius = None if probe_c is None else _finite(probe_c)
            return LineStatus(chamber, closed, closings, latched, reason, celsius, series_closed)
        case _:
            return None


def _object(data: bytes) -> Mapping[str, Any]:
    if len(data) > MAX_BYTES:
        return {}
    try:
        found = json.loads(data)
    except (ValueError, RecursionError):
        return {}
    return found if isinstance(found, dict) else {}


def _finite(value: Any) -> float | None:
    if isinstance(value, bool) or not isinstance(value, int | float):
        return None
    try:
        number = float(value)
    except OverflowError:
        return None
    return number if math.isfinite(number) else None


def _names(values: list[Any]) -> bool:
    return len(values) <= MAX_CHAMBERS and all(
        isinstance(value, str) and 0 < len(value) <= _MAX_NAME for value in values
    )


def _receive(sock: socket.socket) -> tuple[bytes, str] | None:
    """One datagram with its sender's path, or None; a closed or failing socket has none."""
    try:
        data, peer = sock.recvfrom(MAX_BYTES + 1)
    except OSError:
        return None
    return data, peer if isinstance(peer, str) else ""


def _bind(path: Path) -> socket.socket:
    """Bind a datagram socket that only its user and group may write to, over a dead one."""
    if _listens(path):
        raise AlreadyRunningError(
            f"{path}: another process already listens there; stop it before starting this one."
        )
    sock = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM | socket.SOCK_CLOEXEC)
    try:
        sock.setblocking(False)
        with suppress(FileNotFoundError):
            if stat.S_ISSOCK(path.lstat().st_mode):
                path.unlink()
        before = os.umask(0o117)
        try:
            sock.bind(str(path))
        finally:
            os.umask(before)
    except OSError as error:
        sock.close()
        raise DriverError(
            f"{path}: cannot make the socket there ({error.strerror or error}); "
            "check that the folder exists and belongs to this user."
        ) from error
    return sock


def _listens(path: Path) -> bool:
    try:
        with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM | socket.SOCK_CLOEXEC) as trial:
            trial.connect(str(path))
    except OSError:
        return False
    return True
