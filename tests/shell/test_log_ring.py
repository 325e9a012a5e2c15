"""Ring files of dead runs that wait for the log: what they hold stays, what they take is little."""

from __future__ import annotations

import os
from pathlib import Path

from hypothesis import given
from hypothesis import strategies as st

from bottomheat_drivers.log import ring
from bottomheat_drivers.log.writer import LOST
from log_tools import journal, texts


def dead(folder: Path, number: int, rows: int) -> Path:
    """A dead run's file; a later one has a later time."""
    folder.mkdir(exist_ok=True)
    made = ring.Ring(folder, f"{number:04}", {"number": number})
    for seq in range(1, rows + 1):
        made.put(seq, f"row {number} {seq}".encode())
    made.close(remove=False)
    os.utime(made.path, ns=(0, 1_000_000_000 * number))
    return made.path


def held(path: Path) -> int:
    remains = ring.read(path)
    assert remains is not None
    assert remains.bad == 0
    return len(remains.rows)


@given(rows=st.integers(0, 40), number=st.integers(0, 99))
def test_a_shortened_file_holds_the_same(tmp_path_factory, rows, number):
    path = dead(tmp_path_factory.mktemp("ring"), number, rows)
    before = ring.read(path)
    for _ in range(2):
        assert ring.make_room(path.parent) == 0
        assert path.stat().st_size == ring.SLOT * (1 + (rows + 1 if rows else 0))
        assert ring.read(path) == before


def test_what_had_to_go_is_said(tmp_path):
    for number in range(101):
        dead(tmp_path / "run", number, 1)
    journal(tmp_path, boot_id="boot-2").close()
    said = [text for text in texts(tmp_path / "log.sqlite") if LOST in text]
    assert said == [
        "37 ring files of runs that the log never took were given up, to keep memory free: "
        "their rows were lost."
    ]


def test_a_service_that_falls_again_and_again_keeps_the_hours_before(tmp_path):
    folder = tmp_path / "run"
    first = dead(folder, 0, 900)
    for number in range(1, 101):
        dead(folder, number, number % 3)
    assert ring.make_room(folder) == 101 - ring.MOST_FILES
    left = ring.others(folder, None)
    assert len(left) == ring.MOST_FILES
    assert left[0] == first
    assert held(first) == 900
    assert min(held(path) for path in left) >= 1  # 34 of the 100 had none, 33 had one
    assert sum(path.stat().st_size for path in left) < 2**20


def test_full_files_take_no_more_than_their_share_of_memory(tmp_path):
    folder = tmp_path / "run"
    for number in range(12):
        dead(folder, number, ring.SLOTS)
    assert ring.make_room(folder) == 4
    left = ring.others(folder, None)
    assert [path.name for path in left] == [f"log-{number:04}.ring" for number in range(4, 12)]
    assert all(held(path) == ring.SLOTS for path in left)


def test_a_living_run_keeps_its_room(tmp_path):
    alive = ring.Ring(tmp_path, "alive", {})
    for number in range(80):
        dead(tmp_path, number, 0)
    ring.make_room(tmp_path)
    assert alive.path.stat().st_size == ring.SLOT * (ring.SLOTS + 1)
    assert len(ring.others(tmp_path, alive.path)) == ring.MOST_FILES
    alive.close(remove=True)
