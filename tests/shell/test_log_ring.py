"""Ring files of dead runs that wait for the log: what they hold stays, what they take is little."""

from __future__ import annotations

import os
import tempfile
from pathlib import Path
from typing import BinaryIO

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bottomheat_drivers.log import ring
from bottomheat_drivers.log.writer import LOST
from log_tools import (
    journal,
    texts,
)


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


def tear(file: BinaryIO, seq: int) -> None:
    """Spoil the first byte of a row in its slot."""
    file.seek(ring.SLOT * (1 + seq % ring.SLOTS) + ring.SLOT - ring.ROOM)
    file.write(b"\xa5")


def test_parts_of_two_rows_are_never_joined(tmp_path):
    """The one's end and the other's beginning are torn: the places would fit."""
    made = ring.Ring(tmp_path, "key", {})
    second = made.put(1, b"[" + b"a" * 1200) + 1
    assert made.put(second, b"[" + b"b" * 1200) == 6
    path = made.path
    made.close(remove=False)
    with path.open("r+b") as file:
        for seq in (3, 4, 5):
            tear(file, seq)
    remains = ring.read(path)
    assert (remains.rows, remains.bad) == ((), 3)


@settings(max_examples=40, deadline=None)
@given(
    st.lists(st.integers(0, 4000), min_size=1, max_size=12),
    st.sets(st.integers(0, 60), max_size=5),
    st.integers(1, 2 * ring.SLOTS),
)
def test_a_ring_file_gives_whole_rows_only(lengths_of_rows, torn, first):
    """Rows of any length, some slots torn: the others come back whole and in order."""
    rows = [f"[{n}{'x' * length}".encode() for n, length in enumerate(lengths_of_rows)]
    with tempfile.TemporaryDirectory() as name:
        made = ring.Ring(Path(name), "key", {})
        taken, seq = {}, first
        for row in rows:
            last = made.put(seq, row)
            taken[row] = set(range(seq, last + 1))
            seq = last + 1
        path = made.path
        made.close(remove=False)
        with path.open("r+b") as file:
            for n in torn:
                tear(file, first + n)
        remains = ring.read(path)
    hit = {first + n for n in torn}
    assert list(remains.rows) == [row for row in rows if not taken[row] & hit]


def test_a_ring_file_that_went_round_gives_no_half_rows(tmp_path):
    made = ring.Ring(tmp_path, "key", {})
    seq = 1
    sent = []
    for n in range(3 * ring.SLOTS // 5):
        sent.append(f"[{n}{'y' * (1800 if n % 3 else 10)}".encode())
        seq = made.put(seq, sent[-1]) + 1
    assert seq > ring.SLOTS + 100
    path = made.path
    made.close(remove=False)
    found = list(ring.read(path).rows)
    assert found == sent[-len(found) :]
    assert len(found) > ring.SLOTS // 5
    with pytest.raises(ValueError, match="too long"):
        ring.Ring(tmp_path, "other", {}).put(1, b"[" * (ring.WIDE_ROOM + 1))
