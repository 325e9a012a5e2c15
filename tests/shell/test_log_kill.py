"""SIGKILL at random moments: nothing that was taken is lost, nothing is there twice."""

from __future__ import annotations

import os
import random
import subprocess
import sys
from collections import Counter
from pathlib import Path

import pytest

from bottomheat_drivers.log import LogReader
from log_tools import LONG_NOTE, SetClock, entry, journal, raw, rings

CHILD = Path(__file__).with_name("log_kill_child.py")
KILLS = 15
BORROWED = (
    "SELECT began_ms / 100000000, value_mc - 20000 FROM borrowed JOIN run ON run.id = borrowed.run"
)
READINGS = (
    "SELECT began_ms / 100000000, reading_mc FROM reference JOIN run ON run.id = reference.run"
)
"""Number of the child, and of its row: the value tells which one it was."""


def run_until_killed(folder: Path, number: int, after_lines: int) -> list[str]:
    """What the child said until it was killed, after that many lines of its own."""
    environment = {**os.environ, "PYTHONPATH": os.pathsep.join(sys.path)}
    with subprocess.Popen(
        [sys.executable, str(CHILD), str(folder), str(number)],
        stdout=subprocess.PIPE,
        env=environment,
    ) as child:
        assert child.stdout is not None
        said = []
        try:
            for line in child.stdout:
                said.append(line)
                if len(said) == after_lines:
                    break
        finally:
            child.kill()
        said += child.stdout.readlines()
    return [line.decode().strip() for line in said if line.endswith(b"\n")]


@pytest.mark.process
def test_killed_at_any_moment(tmp_path):
    chance = random.Random(20260116)
    samples: Counter[int] = Counter()
    events: set[str] = set()
    borrowed: set[int] = set()
    readings: set[tuple[str, float]] = set()
    ledger: list[tuple[str, int]] = []
    durable: dict[int, int] = {}
    for number in range(1, KILLS + 1):
        after = chance.choice((1, 2, 30, 60, 400, 410, 1000)) + chance.randrange(20)
        for word in run_until_killed(tmp_path, number, after):
            kind, _, n = word.partition(" ")
            if kind in ("s", "e"):
                samples[number * 100_000 + int(n)] += 1
            if kind == "e":
                events.add(f"event {number}-{n}")
            if kind == "m":
                borrowed.add(number * 100_000 + int(n))
            if kind == "r":
                readings.add((f"run {number}", int(n) / 1000))
            if kind == "l":
                ledger.append((f"run {number}", int(n)))
            if kind == "d":
                durable[number] = int(n)
        if number == KILLS // 2:
            # In the file itself, before any recovery: what a flush confirmed.
            found = {t // 1000 for (t,) in raw(tmp_path / "log.sqlite", "SELECT t_ms FROM sample")}
            for run, upto in durable.items():
                confirmed = {run * 100_000 + n for n in range(1, upto + 1)}
                assert confirmed <= found
                for every, taken in ((17, BORROWED), (41, READINGS)):
                    there = {n for began, n in raw(tmp_path / "log.sqlite", taken) if began == run}
                    assert set(range(every, upto + 1, every)) <= there
    assert sum(samples.values()) > 1000
    assert durable
    assert rings(tmp_path)

    kept = journal(tmp_path, SetClock(now_s=5e6), ballast_bytes=0)
    assert kept.flush(10.0)
    assert kept.failure() is None
    kept.close()
    assert rings(tmp_path) == []
    assert not list(tmp_path.glob("*.damaged-*"))
    assert raw(tmp_path / "log.sqlite", "PRAGMA quick_check") == [("ok",)]
    with LogReader(tmp_path / "log.sqlite") as log:
        found_samples = Counter(row.t_ms // 1000 for row in log.samples("north-bench"))
        found_events = Counter(
            row.event.text for row in log.events() if row.event.text.startswith("event ")
        )
        closings = log.closings("north-bench")
        kept_readings = log.ledger()
        season = log.season_entries()
    assert set(samples) <= set(found_samples)
    assert set(found_samples.values()) == {1}
    assert events <= set(found_events)
    assert set(found_events.values()) == {1}
    assert len(readings) > 20
    assert readings <= {(row.entry.spot, row.entry.reading_c) for row in kept_readings}
    assert len({(row.entry.spot, row.entry.reading_c) for row in kept_readings}) == len(
        kept_readings
    )
    assert all(row.entry.note == LONG_NOTE for row in kept_readings)
    assert all(row.entry.pairing == entry().pairing for row in kept_readings)
    found_season = [(dated.entry.batch, dated.entry.data["sampled"]) for dated in season]
    assert [dated.number for dated in season] == list(range(1, len(season) + 1))
    assert len(ledger) > 20
    assert [each for each in found_season if each in set(ledger)] == ledger
    assert len(set(found_season)) == len(found_season)
    found_borrowed = Counter(
        t_ms // 1000 for (t_ms,) in raw(tmp_path / "log.sqlite", "SELECT t_ms FROM borrowed")
    )
    assert len(borrowed) > 20
    assert borrowed <= set(found_borrowed)
    assert set(found_borrowed.values()) == {1}
    assert closings == sum(
        max(t % 100_000 for t in found_samples if t // 100_000 == number)
        for number in range(1, KILLS + 1)
        if any(t // 100_000 == number for t in found_samples)
    )
