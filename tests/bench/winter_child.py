"""Runs the real daemon or the real keeper in time that ``winter_day.py`` deals out.

``python tests/bench/winter_child.py daemon|keeper CONFIG SOCKET``

All is real but these: the clock, which stands still until the other side moves it; the wait
for the next cycle or turn, which tells the other side until when it would sleep; and the keeper's
thread for its own probes, which reads within a turn instead, because it sleeps in real seconds.
What the mock pins remember is dropped, because real ones remember nothing.
"""

from __future__ import annotations

import select
import selectors
import socket
import struct
import sys
from collections.abc import Mapping
from pathlib import Path
from typing import Any

START_S = 1000.0
START_WALL_MS = 1_796_000_000_000
WORD = struct.Struct("dd")


class Pace:
    """This process's end of the line to whoever deals out the time."""

    def __init__(self, path: str) -> None:
        self.sock = socket.socket(socket.AF_UNIX, socket.SOCK_SEQPACKET)
        self.sock.connect(path)
        self.now_s = START_S

    def rests_until(self, at_s: float) -> None:
        self.sock.send(WORD.pack(self.now_s, at_s))

    def take(self) -> None:
        data = self.sock.recv(WORD.size)
        if not data:
            sys.exit("the bench is gone")
        self.now_s = WORD.unpack(data)[0]


class PacedSelector:
    """The daemon's wait between two cycles: ends when time has moved or somebody asks."""

    def __init__(self, inner: selectors.DefaultSelector, pace: Pace) -> None:
        self._inner, self._pace = inner, pace

    def select(self, wait_s: float) -> Any:
        self._pace.rests_until(self._pace.now_s + wait_s)
        ready, _, _ = select.select([self._pace.sock, self._inner], [], [])
        if self._pace.sock in ready:
            self._pace.take()
        return self._inner.select(0)

    def __getattr__(self, name: str) -> Any:
        return getattr(self._inner, name)


class PacedSelect:
    """The keeper's wait between two turns, in place of the module ``select``."""

    def __init__(self, pace: Pace) -> None:
        self._pace = pace
        self.factories: list[Any] = []

    def select(self, read: list[Any], write: list[Any], bad: list[Any], wait_s: float) -> Any:
        self._forget()
        self._pace.rests_until(self._pace.now_s + wait_s)
        self._pace.take()
        return select.select(read, write, bad, 0)

    def _forget(self) -> None:
        """Drop what gpiozero's mock pins remember: each change of level, for ever."""
        for factory in self.factories:
            for pin in factory.pins.values():
                del pin.states[:-1]


def pace_clock(pace: Pace) -> None:
    from bottomheat_drivers.clock import SystemClock

    SystemClock.monotonic_s = lambda self: pace.now_s
    SystemClock.wall_ms = lambda self: START_WALL_MS + round((pace.now_s - START_S) * 1000)
    SystemClock.synchronised = lambda self: True


def daemon(config: Path, pace: Pace) -> None:
    from bottomheat.app import run_daemon
    from bottomheat_drivers.control_socket import ControlSocket

    begin = ControlSocket.__init__

    def paced(self: Any, *arguments: Any) -> None:
        begin(self, *arguments)
        self._selector = PacedSelector(self._selector, pace)

    ControlSocket.__init__ = paced
    run_daemon(config, start_keeper=False)


def keeper(config: Path, pace: Pace) -> None:
    from bottomheat import app_keeper, keep
    from bottomheat.app_keeper import keep as run_keeper
    from bottomheat.model import Place

    keep.select = paced = PacedSelect(pace)
    make_pins = app_keeper.pin_factory

    def pins(kind: str) -> Any:
        paced.factories.append(make_pins(kind))
        return paced.factories[-1]

    app_keeper.pin_factory = pins
    read_s = [-1e9]

    def latest(self: Any) -> Mapping[str, Any]:
        if pace.now_s - read_s[0] >= self._every_s:
            read_s[0] = pace.now_s
            readings = self._probes.read_all(pace.now_s)
            self._latest = {
                name: places[Place.MAT] for name, places in readings.items() if Place.MAT in places
            }
        return self._latest

    keep.ProbeReader.latest = latest
    keep.ProbeReader._run = lambda self: self._stop.wait()
    run_keeper(config)


if __name__ == "__main__":
    what, config_path, socket_path = sys.argv[1:]
    pace_ = Pace(socket_path)
    pace_clock(pace_)
    {"daemon": daemon, "keeper": keeper}[what](Path(config_path), pace_)
