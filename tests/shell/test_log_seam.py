"""Wherever thinning stops for the moment, the record over the seam is that of the samples."""

from __future__ import annotations

import random

import pytest

from bottomheat.review.parts import part
from bottomheat.review.pieces import piece_of_box
from bottomheat_drivers.log.columns import columns
from log_tools import raw
from thinning_tools import BEGAN_MS, DAY_MS, row, thin, wall_ms, write

HOURS = 6.0


def told(path):
    rows = columns(path, "north-bench")
    made = part(piece_of_box("north-bench", wall_ms(-60), wall_ms(3600 * HOURS)), rows, 45.0)
    return made.known_h, made.in_band.hours, made.above.degree_hours, made.heat_h


@pytest.mark.parametrize("seed", [1, 2, 3, 7, 11])
def test_the_seam_is_whole_wherever_it_lies(tmp_path, seed):
    # Heat that comes on, or a temperature that leaves the band, just where the seam lies.
    chance = random.Random(seed)
    records = [
        row(10.0 * n, 25.0 + chance.gauss(0.0, 0.4), heat=n % 12 < 7)
        for n in range(round(HOURS * 360))
    ]
    path = write(tmp_path, records)
    was, seams = told(path), set()
    while thin(path, now_ms=BEGAN_MS + 30 * DAY_MS, most=1):
        ((left,),) = raw(path, "SELECT count(*) FROM sample")
        seams.add(left)
        assert told(path) == pytest.approx(was, abs=2e-4)
        assert len(seams) < 100
    assert len(seams) > 10
