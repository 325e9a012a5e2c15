"""SIGKILL at random moments while a log is thinned: no sample is lost, and none is there twice."""

from __future__ import annotations

import os
import random
import subprocess
import sys
import time
from pathlib import Path

import pytest

from bottomheat.review.parts import part
from bottomheat.review.pieces import piece_of_box
from bottomheat_drivers.log.columns import columns
from log_tools import raw
from thinning_tools import MINUTES, TENS, row, wall_ms, write

CHILD = Path(__file__).with_name("log_thin_child.py")
ENV = {**os.environ, "PYTHONPATH": os.pathsep.join(sys.path)}
KILLS = 15
HOURS = 40.0
SEED = 20261126


def sums(path: Path) -> tuple[float, ...]:
    """What the thermal record says of both boxes, and how many samples it is made of."""
    found: list[float] = []
    for box in ("north-bench", "other"):
        rows = columns(path, box)
        made = part(piece_of_box(box, wall_ms(-600), wall_ms(3600 * HOURS)), rows, 45.0)
        found += [
            made.known_h,
            made.in_band.hours,
            made.above.degree_hours,
            made.below.degree_hours,
            made.heat_h,
            float(made.closings),
        ]
    return tuple(found)


def test_killed_while_thinning(tmp_path):
    chance = random.Random(SEED)
    records = []
    for n in range(round(HOURS * 360)):
        for box, phase in (("north-bench", 0), ("other", 40)):
            heat = (n + phase) % 60 < 35
            celsius = 25.0 + chance.gauss(0.0, 0.4)
            closings = (n + phase) // 60
            records.append(row(10.0 * n, celsius, box, heat=heat, closings=closings))
    path = write(tmp_path, records)
    was = sums(path)
    in_the_middle = 0
    for kill in range(KILLS):
        # In turn samples to minutes, and both to rows of ten.
        now_ms = TENS if kill % 2 else MINUTES
        child = subprocess.Popen(
            [sys.executable, str(CHILD), str(path), str(now_ms)],
            stdout=subprocess.PIPE,
            env=ENV,
        )
        assert child.stdout is not None
        try:
            assert child.stdout.readline() == b"begun\n"
            time.sleep(chance.random() * 0.05)
        finally:
            child.kill()
            child.wait()
            child.stdout.close()
        assert raw(path, "PRAGMA integrity_check") == [("ok",)]
        left, rows = raw(path, "SELECT (SELECT count(*) FROM sample), count(*) FROM thinned")[0]
        in_the_middle += left > 0 and rows > 0
        assert sums(path) == pytest.approx(was, abs=2e-4)
    assert in_the_middle > 3
    done = subprocess.run(
        [sys.executable, str(CHILD), str(path), str(TENS)], capture_output=True, check=True, env=ENV
    )
    assert done.stdout == b"begun\nend\n"
    assert raw(path, "SELECT count(*) FROM sample") == [(0,)]
    assert raw(path, "SELECT min(samples) > 30 FROM thinned WHERE span_ms > 500000") == [(1,)]
    assert sums(path) == pytest.approx(was, abs=2e-4)
