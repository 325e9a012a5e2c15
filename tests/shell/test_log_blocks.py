"""The log in blocks holds the same rows as its columns."""

from __future__ import annotations

import threading
from pathlib import Path

import numpy as np
import pytest

from bottomheat.errors import LogError
from bottomheat.model import Bad, Estimate, Fault, Good, Place
from bottomheat_drivers.log import blocks as module
from bottomheat_drivers.log.blocks import BlockReader
from bottomheat_drivers.log.columns import columns
from log_tools import SetClock, journal, sample

BEGAN_MS = 1_768_000_000_000
NAMES = ("north-bench", "south-bench")
FIELDS = ("wall_ms", "estimate_c", "setpoint_c", "room_c", "heat")


def write(folder: Path, boot: str, from_min: int, to_min: int) -> Path:
    clock = SetClock(1000.0, BEGAN_MS + from_min * 60_000)
    book = journal(folder, clock, ring=False, background=False, boot_id=boot)
    book.note_clock(1000.0, BEGAN_MS + from_min * 60_000, True)
    for minute in range(from_min, to_min):
        now_s = 1000.0 + 60.0 * (minute - from_min)
        clock.now_s, clock.wall = now_s, BEGAN_MS + minute * 60_000
        room = Bad(Fault.CRC, now_s) if minute % 7 == 0 else Good(8.0 + minute / 100, now_s)
        book.record(
            [
                sample(
                    now_s,
                    name,
                    estimate=None if minute % 11 == 0 else Estimate(20.0 + minute / 50, 0.4),
                    setpoint_c=25.0 if minute < 40 else 22.0,
                    heat=minute % 3 == 0,
                    readings=((Place.SUBSTRATE, Good(29.0, now_s)), (Place.ROOM, room)),
                )
                for name in NAMES
            ],
            (),
        )
    book.close()
    return folder / "log.sqlite"


@pytest.fixture
def log(tmp_path: Path) -> Path:
    write(tmp_path, "boot-1", 0, 60)
    return write(tmp_path, "boot-2", 90, 130)


@pytest.mark.parametrize("minutes", [(0, 200), (10, 100), (40, 41), (62, 88)])
@pytest.mark.parametrize("at_once", [32_000, 7])
def test_blocks_hold_the_same_rows_as_columns(
    log: Path, minutes: tuple[int, int], at_once: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(module, "_AT_ONCE", at_once)
    from_ms, to_ms = (BEGAN_MS + minute * 60_000 for minute in minutes)
    with BlockReader(log) as reader:
        found = list(reader.blocks(from_ms, to_ms))
    for name in NAMES:
        expected = columns(log, name, from_ms, to_ms)
        own = [block for block in found if block.chamber == name]
        for field in FIELDS:
            made = [getattr(block, field) for block in own]
            np.testing.assert_allclose(
                np.concatenate(made) if made else [], getattr(expected, field), rtol=0, atol=1e-9
            )


def test_part_of_a_block(log: Path) -> None:
    with BlockReader(log) as reader:
        block = next(iter(reader.blocks(BEGAN_MS, BEGAN_MS + 3_600_000)))
    assert block.within(0, 2**62) is block
    part = block.within(BEGAN_MS + 600_000, BEGAN_MS + 1_200_000)
    assert len(part.wall_ms) == len(part.estimate_c) == len(part.heat) == 10
    assert part.wall_ms[0] == BEGAN_MS + 600_000


def test_the_uncertainty_at_a_row(log: Path) -> None:
    span = (BEGAN_MS, BEGAN_MS + 7_200_000)
    with BlockReader(log) as reader:
        assert reader.expanded_k("north-bench", BEGAN_MS + 60_000, *span) == 0.4
        assert reader.expanded_k("north-bench", BEGAN_MS + 11 * 60_000, *span) is None
        assert reader.expanded_k("north-bench", BEGAN_MS + 5_000, *span) is None
        assert reader.expanded_k("no-bench", BEGAN_MS + 60_000, *span) is None


def test_it_says_how_far_it_is(log: Path) -> None:
    shares: list[float] = []
    with BlockReader(log) as reader:
        list(reader.blocks(0, 2**60, lambda _, share: shares.append(share)))
    assert shares
    assert all(0.0 <= share <= 1.0 for share in shares)


def test_who_stops_half_way_leaves_no_thread_behind(
    log: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(module, "_AT_ONCE", 5)
    before = threading.active_count()
    with BlockReader(log) as reader:
        found = reader.blocks(0, 2**60)
        next(found)
        assert threading.active_count() == before + 1
        found.close()
        assert threading.active_count() == before


def test_damage_is_told_though_another_thread_met_it(log: Path) -> None:
    with BlockReader(log) as reader:
        found = reader.blocks(0, 2**60)
        log.write_bytes(b"SQLite format 3\0" + bytes(4096))
        with pytest.raises(LogError):
            list(found)
