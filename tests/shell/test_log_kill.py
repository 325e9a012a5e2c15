"""SIGKILL 200 times at random moments: nothing that was taken is lost, nothing is there twice.

A moment is drawn either as a number of rows, or as a time from the start of the process on, which
may fall into the opening of the log and the mending of what the kill before left.
"""

from __future__ import annotations

import contextlib
import os
import random
import select
import shutil
import signal
import subprocess
import sys
import time
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

import pytest

from bottomheat_drivers.log import LogReader
from bottomheat_drivers.log.before import look_back
from log_tools import LONG_NOTE, SetClock, entry, journal, raw, rings

CHILD = Path(__file__).with_name("log_kill_child.py")
LOGS = 8
KILLS = 25
"""Of the writer of each log."""
SEED = 20260116
BORROWED = (
    "SELECT began_ms / 100000000, value_mc - 20000 FROM borrowed JOIN run ON run.id = borrowed.run"
)
READINGS = (
    "SELECT began_ms / 100000000, reading_mc FROM reference JOIN run ON run.id = reference.run"
)
"""Number of the child, and of its row: the value tells which one it was."""


@dataclass
class Told:
    """What the children said that they had handed over."""

    samples: set[int] = field(default_factory=set)
    events: set[str] = field(default_factory=set)
    borrowed: set[int] = field(default_factory=set)
    readings: set[tuple[str, float]] = field(default_factory=set)
    ledger: list[tuple[str, int]] = field(default_factory=list)
    durable: dict[int, int] = field(default_factory=dict)

    def take(self, number: int, words: list[str]) -> None:
        for word in words:
            kind, _, n = word.partition(" ")
            if kind in ("s", "e"):
                self.samples.add(number * 100_000 + int(n))
            if kind == "e":
                self.events.add(f"event {number}-{n}")
            if kind == "m":
                self.borrowed.add(number * 100_000 + int(n))
            if kind == "r":
                self.readings.add((f"run {number}", int(n) / 1000))
            if kind == "l":
                self.ledger.append((f"run {number}", int(n)))
            if kind == "d":
                self.durable[number] = int(n)


class Children:
    """Starts them one after the other, and kills each."""

    def __init__(self, orders: int, said: int) -> None:
        self._orders = orders
        self._said = said
        self._rest = b""

    def killed(self, number: int, after_lines: int | None, after_s: float) -> list[str]:
        """What the child said until it was killed: after so many lines, or so long."""
        os.write(self._orders, f"{number}\n".encode())
        lines: list[str] = []
        ends_s = time.monotonic() + (20.0 if after_lines is not None else after_s)
        while (left_s := ends_s - time.monotonic()) > 0:
            if after_lines is not None and len(lines) >= after_lines:
                break
            lines += self._read(left_s)
        os.write(self._orders, b"kill\n")
        while not lines or not lines[-1].startswith("end "):
            more = self._read(20.0)
            assert more, "the child could not be killed"
            lines += more
        assert lines.pop() == f"end {number} {-signal.SIGKILL}", "the child fell before the kill"
        return lines

    def _read(self, within_s: float) -> list[str]:
        if not select.select([self._said], [], [], within_s)[0]:
            return []
        *whole, self._rest = (self._rest + os.read(self._said, 65536)).split(b"\n")
        return [line.decode() for line in whole]


@contextlib.contextmanager
def children(folder: Path) -> Iterator[Children]:
    environment = {**os.environ, "PYTHONPATH": os.pathsep.join(sys.path)}
    with subprocess.Popen(
        [sys.executable, str(CHILD), str(folder)],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        env=environment,
    ) as process:
        assert process.stdin is not None
        assert process.stdout is not None
        yield Children(process.stdin.fileno(), process.stdout.fileno())
        process.stdin.close()
        assert process.wait(20.0) == 0


def opens(folder: Path, copy: Path, told: Told, number: int) -> None:
    """What the kill left opens as it is, and holds what the child knew to be in the file."""
    path = folder / "log.sqlite"
    if not path.exists():
        assert number not in told.durable
        return
    for name in ("log.sqlite", "log.sqlite-wal"):
        (copy / name).unlink(missing_ok=True)
        if (folder / name).exists():
            shutil.copy(folder / name, copy / name)
    copied = copy / "log.sqlite"
    assert raw(copied, "PRAGMA quick_check") == [("ok",)]
    upto = told.durable.get(number, 0)
    if not upto:
        return
    found = {t_ms // 1000 for (t_ms,) in raw(copied, "SELECT t_ms FROM sample_row")}
    assert {number * 100_000 + n for n in range(1, upto + 1)} <= found
    for every, taken in ((17, BORROWED), (41, READINGS)):
        there = {n for began, n in raw(copied, taken) if began == number}
        assert set(range(every, upto + 1, every)) <= there
    texts = {text for (text,) in raw(copied, "SELECT text FROM event")}
    assert {f"event {number}-{n}" for n in range(37, upto + 1, 37)} <= texts


@pytest.mark.process
@pytest.mark.parametrize("log", range(LOGS))
def test_killed_at_any_moment(tmp_path, log):
    seed = SEED + log
    print(f"seed {seed}")
    chance = random.Random(seed)
    folder, copy = tmp_path / "log", tmp_path / "copy"
    folder.mkdir()
    copy.mkdir()
    told = Told()
    with children(folder) as each:
        for number in range(1, KILLS + 1):
            rows = chance.choice((1, 2, 30, 60, 400, 410, 1000)) + chance.randrange(20)
            after_s = 10 ** chance.uniform(-3.5, -0.7)
            by_rows = number % 2 == 0
            told.take(number, each.killed(number, rows if by_rows else None, after_s))
            opens(folder, copy, told, number)
    assert len(told.samples) > 1000
    assert told.durable
    assert rings(folder)
    before = look_back(folder / "log.sqlite", folder / "run", "boot-1")
    assert before.closings is not None

    kept = journal(folder, SetClock(now_s=5e6), ballast_bytes=0)
    assert kept.flush(60.0)
    assert kept.failure() is None
    kept.close()
    assert rings(folder) == []
    assert not list(folder.glob("*.damaged-*"))
    assert whole(folder / "log.sqlite", told) == before.closings["north-bench"]


def whole(path: Path, told: Told) -> int:
    """Everything that was handed over is in the log, once; returns the closings in it."""
    assert raw(path, "PRAGMA quick_check") == [("ok",)]
    with LogReader(path) as log:
        samples = Counter(row.t_ms // 1000 for row in log.samples("north-bench"))
        events = Counter(
            row.event.text for row in log.events() if row.event.text.startswith("event ")
        )
        closings = log.closings("north-bench")
        readings = log.ledger()
        season = log.season_entries()
    assert told.samples <= set(samples)
    assert set(samples.values()) == {1}
    assert told.events <= set(events)
    assert set(events.values()) == {1}
    spots = {(row.entry.spot, row.entry.reading_c) for row in readings}
    assert len(told.readings) > 20
    assert told.readings <= spots
    assert len(spots) == len(readings)
    assert all(row.entry.note == LONG_NOTE for row in readings)
    assert all(row.entry.pairing == entry().pairing for row in readings)
    entered = [(dated.entry.batch, dated.entry.data["sampled"]) for dated in season]
    assert [dated.number for dated in season] == list(range(1, len(season) + 1))
    assert len(told.ledger) > 20
    assert [each for each in entered if each in set(told.ledger)] == told.ledger
    assert len(set(entered)) == len(entered)
    borrowed = Counter(t_ms // 1000 for (t_ms,) in raw(path, "SELECT t_ms FROM borrowed"))
    assert len(told.borrowed) > 20
    assert told.borrowed <= set(borrowed)
    assert set(borrowed.values()) == {1}
    last = {t // 100_000: t % 100_000 for t in sorted(samples)}
    assert closings == sum(last.values())
    return closings
