"""The season's ledger in the log: kept, numbered in the order of entry, known at the start."""

from __future__ import annotations

import os
import sqlite3
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bottomheat.errors import LogError
from bottomheat.season.ledger import Dated, SeasonEntry, What, fold
from bottomheat_drivers.log import LogReader, codec
from bottomheat_drivers.log.before import look_back
from bottomheat_drivers.log.schema import SCHEMA_VERSION
from log_tools import (
    LONG_NOTE,
    NOW_MS,
    Disk,
    SetClock,
    journal,
    old_log,
    raw,
    rings,
    rows,
    sample,
    shape,
)

HOUR_MS = 3_600_000


def added(name: str = "MUL-1", **over) -> SeasonEntry:
    fields = {
        "what": What.ADD,
        "batch": name,
        "chamber": "north-bench",
        "data": {"species": "mulberry", "kind": "cuttings", "count": 40, "made_ms": NOW_MS},
        "note": "from the tree by the gate",
    }
    return SeasonEntry(**{**fields, **over})


def done(reminder: str, **over) -> SeasonEntry:
    return SeasonEntry(What.DONE, chamber="north-bench", data={"reminder": reminder}, **over)


def entries(path: Path) -> list[Dated]:
    with LogReader(path) as log:
        return log.season_entries()


def past(folder: Path, boot_id: str = "boot-1") -> tuple[Dated, ...]:
    found = look_back(folder / "log.sqlite", folder / "run", boot_id)
    assert found.trouble is None
    return found.season


def killed(folder: Path, clock: SetClock, told: list[SeasonEntry], boot_id: str = "boot-1") -> None:
    """A run that the disk never let write these, ended by a kill: they are in its ring alone."""
    disk = Disk()
    kept = journal(folder, clock, boot_id=boot_id, connect=disk.connect)
    assert kept.flush(60.0)
    disk.fail(sqlite3.SQLITE_IOERR, "gone")
    for entry in told:
        kept.note_season(entry)
        clock.now_s += 1.0
        clock.wall += 1000
    (path,) = [each for each in rings(folder) if each == kept._ring.path]
    copy = path.read_bytes()
    kept.close()
    path.write_bytes(copy)


def test_entries_are_numbered_in_the_order_of_entry_over_all_runs(tmp_path):
    clock = SetClock()
    told = [added(), done("layer"), added("GRP-2", about_ms=NOW_MS - HOUR_MS), done("mist")]
    for n, entry in enumerate(told):
        kept = journal(tmp_path, clock)
        kept.note_season(entry)
        kept.record([sample(clock.now_s)], [])
        kept.close()
        clock.now_s += 3600.0
        clock.wall += HOUR_MS
        assert [dated.number for dated in entries(tmp_path / "log.sqlite")] == list(range(1, n + 2))
    found = entries(tmp_path / "log.sqlite")
    assert [dated.entry for dated in found] == told
    assert [dated.entered_ms - NOW_MS for dated in found] == [0, HOUR_MS, 2 * HOUR_MS, 3 * HOUR_MS]
    assert [dated.at_ms - NOW_MS for dated in found] == [0, HOUR_MS, -HOUR_MS, 3 * HOUR_MS]
    assert all(dated.sure for dated in found)
    assert past(tmp_path) == tuple(found)


def test_an_entry_is_on_the_card_at_once(tmp_path):
    disk = Disk()
    kept = journal(tmp_path, connect=disk.connect)
    assert kept.flush(60.0)
    kept.note_season(added())
    disk.goes_on.clear()
    kept.note_season(done("layer"))
    assert disk.waiting.wait(60.0)
    disk.goes_on.set()
    kept.close()
    assert disk.synchronous[-1] == "FULL"
    assert len(entries(tmp_path / "log.sqlite")) == 2


def test_what_only_ring_files_hold_is_known_with_the_numbers_it_will_get(tmp_path):
    clock = SetClock()
    kept = journal(tmp_path, clock)
    kept.note_season(added())
    kept.close()
    clock.now_s, clock.wall = 500.0, NOW_MS + HOUR_MS
    killed(tmp_path, clock, [done("layer"), added("GRP-2", note=LONG_NOTE)])
    seen = past(tmp_path)
    assert [(dated.number, dated.entry.what) for dated in seen] == [
        (1, What.ADD),
        (2, What.DONE),
        (3, What.ADD),
    ]
    assert seen[2].entry.note == LONG_NOTE
    assert [dated.entered_ms - NOW_MS for dated in seen] == [0, HOUR_MS, HOUR_MS + 1000]
    after = journal(tmp_path, clock)
    after.note_season(done("mist"))
    after.close()
    found = entries(tmp_path / "log.sqlite")
    assert tuple(found[:3]) == seen
    assert (found[3].number, found[3].entry) == (4, done("mist"))


def test_a_command_while_no_service_runs_adds_what_a_dead_run_left_first(tmp_path):
    clock = SetClock()
    killed(tmp_path, clock, [added(), done("layer")])
    seen = past(tmp_path)
    assert [dated.number for dated in seen] == [1, 2]
    kept = journal(tmp_path, clock, background=False)
    kept.note_season(done("mist", corrects=2))
    kept.close()
    found = entries(tmp_path / "log.sqlite")
    assert tuple(found[:2]) == seen
    assert (found[2].number, found[2].entry) == (3, done("mist", corrects=2))
    assert rings(tmp_path) == []
    assert past(tmp_path) == tuple(found)


def test_two_dead_runs_and_no_log_yet(tmp_path):
    clock = SetClock()
    killed(tmp_path, clock, [added()])
    (first,) = rings(tmp_path)
    copy = first.read_bytes()
    killed(tmp_path, clock, [done("layer"), done("mist")])  # its start took the first one in
    first.write_bytes(copy)
    os.utime(first, (0, 0))
    for ending in ("", "-wal", "-shm"):
        (tmp_path / f"log.sqlite{ending}").unlink(missing_ok=True)
    seen = past(tmp_path)
    journal(tmp_path, clock).close()
    assert tuple(entries(tmp_path / "log.sqlite")) == seen
    assert [dated.entry for dated in seen] == [added(), done("layer"), done("mist")]


def test_an_entry_of_a_clock_that_was_set_later_is_placed_and_sure(tmp_path):
    clock = SetClock(wall_ms=1_000_000, synchronised=False)
    kept = journal(tmp_path, clock)
    kept.note_season(added())
    assert kept.flush(60.0)
    (unsure,) = entries(tmp_path / "log.sqlite")
    kept.note_clock(160.0, NOW_MS + 60_000, True)
    kept.close()
    (sure,) = entries(tmp_path / "log.sqlite")
    assert (unsure.entered_ms, unsure.sure) == (1_000_000, False)
    assert (sure.entered_ms, sure.sure) == (NOW_MS, True)


def test_while_the_disk_takes_nothing_entries_are_the_last_to_be_dropped(tmp_path):
    disk = Disk()
    disk.fail(sqlite3.SQLITE_FULL, "database or disk is full")
    kept = journal(tmp_path, connect=disk.connect, capacity=20, ballast_bytes=0)
    told = [added(), *[done("layer", note=str(n)) for n in range(4)]]
    for n, entry in enumerate(told):
        kept.note_season(entry)
        kept.record([sample(100.0 + 40 * n + m) for m in range(40)], [])
    disk.error = None
    assert kept.flush(60.0)
    kept.close()
    assert [dated.entry for dated in entries(tmp_path / "log.sqlite")] == told
    assert len(raw(tmp_path / "log.sqlite", "SELECT id FROM sample")) < 40


def test_a_log_of_format_3_gets_the_ledger_and_keeps_the_rest(tmp_path):
    """The file is one that a program of that format wrote."""
    path = old_log(tmp_path, 3)
    names = ("reference", "reference_drop", "probe_check", "borrowing", "borrowed", "tending")
    was = {name: rows(path, name) for name in names}
    assert all(was.values())
    with pytest.raises(LogError, match="has format 3"):
        LogReader(path)
    assert past(tmp_path) == ()
    kept = journal(tmp_path, background=False)
    kept.note_season(added())
    kept.close()
    assert {name: rows(path, name) for name in names} == was
    (tmp_path / "new").mkdir()
    journal(tmp_path / "new", background=False).close()
    assert shape(path) == shape(tmp_path / "new" / "log.sqlite")
    assert [dated.entry for dated in entries(path)] == [added()]
    (copy,) = tmp_path.glob("log.sqlite.before-format-*")
    assert copy.name == f"log.sqlite.before-format-{SCHEMA_VERSION}"
    assert raw(copy, "PRAGMA user_version") == [(3,)]


def test_the_ring_file_of_format_3_is_added(tmp_path):
    path = old_log(tmp_path, 3, left=True)
    journal(tmp_path).close()
    assert rings(tmp_path) == []
    with LogReader(path) as log:
        readings = [(row.chamber, row.reading_c, row.dropped) for row in log.references()]
        tended = [(row.chamber, row.doing, row.lid) for row in log.tendings()]
        lent = [(row.probe, row.for_s) for row in log.borrowings()]
    assert readings == [
        ("north-bench", 24.8, "no: the lid was ajar"),
        ("north-bench", 31.0, "lay on the mat"),
        ("south-bench", 21.5, None),
    ]
    assert tended == [("north-bench", "look", "ajar"), ("south-bench", "fill", "off")]
    assert lent == [("28-0316a2790007", 432_000.0), ("28-0316a2790007", None)]


@pytest.mark.parametrize("number", [1, 2])
def test_logs_of_before_the_ledger_have_an_empty_one(tmp_path, number):
    path = old_log(tmp_path, number, left=True)
    assert past(tmp_path) == ()
    journal(tmp_path).close()
    assert entries(path) == []


def test_a_row_with_damaged_data_is_given_without_it(tmp_path):
    kept = journal(tmp_path, background=False)
    kept.note_season(added())
    kept.close()
    path = tmp_path / "log.sqlite"
    with sqlite3.connect(path) as connection:
        connection.execute("UPDATE season_entry SET data = '{\"count\": 4'")
    connection.close()
    (found,) = entries(path)
    assert (found.entry.batch, found.entry.data) == ("MUL-1", {})


def test_a_word_that_is_not_known_costs_that_entry_and_no_other(tmp_path):
    kept = journal(tmp_path, background=False)
    kept.note_season(added())
    kept.note_season(added("B"))
    kept.close()
    path = tmp_path / "log.sqlite"
    with sqlite3.connect(path) as connection:
        connection.execute("UPDATE season_entry SET what = 'grafted' WHERE id = 1")
    connection.close()
    first, second = entries(path)
    assert (first.number, first.entry.what) == (1, What.UNREADABLE)
    assert (second.number, second.entry.batch) == (2, "B")
    (problem,) = fold([first, second]).problems
    assert "grafted" in problem
    found = look_back(path, tmp_path / "run", "boot-1")
    assert found.trouble is None
    assert len(found.season) == 2


def test_an_entry_keeps_the_number_that_it_was_given(tmp_path):
    kept = journal(tmp_path, background=False)
    kept.note_season(added("A"), 7)
    kept.note_season(added("B"), 7)
    kept.note_season(added("C"))
    kept.close()
    assert [(e.number, e.entry.batch) for e in entries(tmp_path / "log.sqlite")] == [
        (7, "A"),
        (8, "B"),
        (9, "C"),
    ]


plain = st.none() | st.booleans() | st.integers(-(2**60), 2**60) | st.text(max_size=8)
data = st.dictionaries(
    st.text(max_size=8),
    st.recursive(plain | st.floats(allow_nan=False, allow_infinity=False), st.lists, max_leaves=8),
    max_size=4,
)
words = st.text(max_size=40)


@settings(max_examples=200, deadline=None)
@given(
    st.builds(
        SeasonEntry,
        st.sampled_from(What),
        st.none() | words,
        st.none() | words,
        data,
        words,
        st.none() | st.integers(-(2**53), 2**53),
        words,
        st.none() | st.integers(1, 2**40),
    )
)
def test_any_entry_goes_through_the_ring_as_it_is(entry):
    item = codec.season_item(7, 8, entry)
    again = codec.from_bytes(codec.to_bytes(item, 2**20))
    assert again == item
    assert codec.season_entry(again) == entry


def test_what_is_no_json_becomes_plain(tmp_path):
    entry = SeasonEntry(
        What.ADD, "A\ud800", data={"count": float("nan"), "days": (1, 2.5), "at": Path("x")}
    )
    item = codec.season_item(1, 1, entry)
    assert codec.season_entry(item) == SeasonEntry(
        What.ADD, "A?", data={"count": None, "days": [1, 2.5], "at": "x"}
    )
