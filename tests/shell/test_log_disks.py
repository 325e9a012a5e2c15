"""Slow, failing, full and read-only disks."""

from __future__ import annotations

import shutil
import sqlite3
import subprocess
import time

import pytest

from bottomheat.errors import LogError
from bottomheat_drivers.log import LogReader
from log_tools import Disk, SetClock, journal, note, rings, sample, texts, times


@pytest.fixture
def small_disk(tmp_path):
    """A mounted file system of 2 MiB."""
    folder = tmp_path / "small"
    folder.mkdir()
    tried = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", "size=2m", "tmpfs", str(folder)],
        capture_output=True,
        text=True,
        check=False,
    )
    if tried.returncode != 0:
        pytest.skip(f"mounting is not possible here: {tried.stderr.strip()}")
    yield folder
    subprocess.run(["umount", "--lazy", str(folder)], check=True)


def test_a_hanging_disk_holds_nobody_up(tmp_path):
    disk = Disk()
    kept = journal(tmp_path, connect=disk.connect)
    assert kept.flush(60.0)
    disk.goes_on.clear()
    kept.record([sample(110.0)], [note(110.0, "urgent", durable=True)])
    assert disk.waiting.wait(60.0)  # the writer now hangs in its commit
    begun = time.perf_counter()
    for n in range(1000):
        kept.record([sample(120.0 + n)], [note(120.0 + n, "also", durable=True)])
        kept.failure()
    taken_s = time.perf_counter() - begun
    assert not kept.flush(0.05)
    disk.goes_on.set()
    assert kept.flush(60.0)
    kept.close()
    assert taken_s < 1.0
    assert len(times(tmp_path / "log.sqlite")) == 1001


def test_close_is_bounded_and_the_next_start_adds_the_rest(tmp_path, monkeypatch):
    monkeypatch.setattr("bottomheat_drivers.log.writer.CLOSE_WITHIN_S", 0.2)
    disk = Disk()
    kept = journal(tmp_path, connect=disk.connect)
    assert kept.flush(60.0)
    disk.goes_on.clear()
    kept.record([sample(110.0)], [note(110.0, "urgent", durable=True)])
    assert disk.waiting.wait(60.0)
    begun = time.perf_counter()
    kept.close()
    assert time.perf_counter() - begun < 2.0
    assert "did not take the end of the log" in kept.failure()
    assert len(rings(tmp_path)) == 1
    # the disk comes back: the thread ends by itself, and what it wrote is not added a second time
    disk.goes_on.set()
    kept._thread.join(60.0)
    again = journal(tmp_path)
    again.close()
    assert times(tmp_path / "log.sqlite") == [110]


def test_samples_wait_for_ten_minutes_and_durable_events_do_not(tmp_path):
    disk = Disk()
    kept = journal(tmp_path, connect=disk.connect)
    assert kept.flush(60.0)
    before = disk.commits
    for n in range(60):
        kept.record([sample(110.0 + 10 * n)], [note(110.0 + 10 * n, "slow")])
    assert disk.commits == before
    kept.record([sample(710.0)], [])  # ten minutes after the first
    deadline = time.perf_counter() + 60
    while len(times(tmp_path / "log.sqlite")) < 61 and time.perf_counter() < deadline:
        time.sleep(0.01)
    assert disk.commits == before + 1
    kept.record([sample(720.0)], [note(720.0, "urgent", durable=True)])
    while "urgent" not in texts(tmp_path / "log.sqlite") and time.perf_counter() < deadline:
        time.sleep(0.01)
    assert disk.commits == before + 2
    assert times(tmp_path / "log.sqlite")[-1] == 720
    kept.close()


def test_the_oldest_are_dropped_counted_and_told(tmp_path):
    disk = Disk()
    disk.fail(sqlite3.SQLITE_IOERR_WRITE, "disk I/O error")
    kept = journal(tmp_path, connect=disk.connect, capacity=100)
    for n in range(150):
        kept.record([sample(100.0 + n)], [])
    assert not kept.flush(0.2)
    assert "input/output error" in kept.failure()
    assert "50 rows were lost" in kept.failure()
    disk.error = None
    assert kept.flush(60.0)
    assert kept.failure() is None
    kept.close()
    assert times(tmp_path / "log.sqlite") == list(range(150, 250))
    assert texts(tmp_path / "log.sqlite") == [
        "50 rows were lost while the log could not be written."
    ]


@pytest.mark.parametrize(
    ("code", "words"),
    [
        (sqlite3.SQLITE_IOERR_FSYNC, "change the card"),
        (sqlite3.SQLITE_READONLY, "turned read-only"),
        (sqlite3.SQLITE_BUSY, "locked"),
        (sqlite3.SQLITE_FULL, "full"),
        (sqlite3.SQLITE_CANTOPEN, "folder exists"),
        (sqlite3.SQLITE_INTERNAL, "cannot be written"),
    ],
)
def test_says_why_and_goes_on_when_it_is_over(tmp_path, code, words):
    disk = Disk()
    kept = journal(tmp_path, connect=disk.connect)
    assert kept.flush(60.0)
    disk.fail(code, "as ordered")
    kept.record([sample(110.0)], [note(110.0, "urgent", durable=True)])
    assert not kept.flush(0.1)
    told = kept.failure()
    assert words in told
    assert told.count("\n") == 0
    disk.error = None
    assert kept.flush(60.0)
    assert kept.failure() is None
    kept.close()
    assert times(tmp_path / "log.sqlite") == [110]


def test_a_row_is_not_written_twice_when_the_disk_does_not_confirm(tmp_path):
    disk = Disk()
    kept = journal(tmp_path, connect=disk.connect)
    assert kept.flush(60.0)
    disk.unconfirmed = True  # the commit takes effect, then says that it failed
    kept.record([sample(110.0)], [])
    assert kept.flush(60.0)
    assert not disk.unconfirmed
    kept.close()
    assert times(tmp_path / "log.sqlite") == [110]


def test_a_full_disk_takes_the_reserve_then_the_memory(small_disk):
    kept = journal(small_disk, ring=False, capacity=60_000, ballast_bytes=2**18)
    assert kept.flush(60.0)
    reserve = small_disk / "log.sqlite.ballast"
    assert reserve.stat().st_size == 2**18
    told: list[str] = []
    n = 0
    while n < 60_000 and not (told and "cannot grow" in told[-1]):
        for _ in range(1000):
            n += 1
            kept.record([sample(100.0 + n)], [])
        kept.flush(1.0)
        failure = kept.failure()
        if failure is not None and failure not in told:
            told.append(failure)
            if "last reserve" in failure:
                assert not reserve.exists()
    assert "last reserve" in told[0]
    assert "cannot grow" in told[-1]
    with LogReader(small_disk / "log.sqlite") as log:  # reading still works
        whole = sum(1 for _ in log.samples("north-bench"))
    assert 0 < whole < n
    subprocess.run(["mount", "-o", "remount,size=16m", str(small_disk)], check=True)
    assert kept.flush(60.0)
    assert kept.failure() is None
    assert reserve.exists()
    kept.close()
    assert times(small_disk / "log.sqlite") == list(range(101, 101 + n))


def test_a_read_only_disk(small_disk):
    kept = journal(small_disk, ring=False)
    kept.record([sample(110.0)], [])
    kept.close()
    shutil.copy(small_disk / "log.sqlite", small_disk / "torn.sqlite")
    (small_disk / "torn.sqlite-wal").write_bytes(b"x" * 100)
    subprocess.run(["mount", "-o", "remount,ro", str(small_disk)], check=True)
    assert times(small_disk / "log.sqlite") == [110]
    with LogReader(small_disk / "log.sqlite") as log:
        assert log.last_sample("north-bench").heat
    again = journal(small_disk, ring=False)
    again.record([sample(120.0)], [])
    assert not again.flush(0.3)
    assert "read-only" in again.failure() or "cannot be opened" in again.failure()
    again.close()
    with pytest.raises(LogError, match="torn"):
        times(small_disk / "torn.sqlite")


def test_a_folder_that_cannot_be_made(tmp_path):
    (tmp_path / "file").write_text("in the way")
    with pytest.raises(LogError, match="cannot be written"):
        journal(tmp_path / "file", background=False)
    kept = journal(tmp_path / "file", ring=False)
    assert not kept.flush(0.1)
    assert "cannot be written" in kept.failure()
    kept.close()


def test_a_ring_folder_that_cannot_be_used_is_told_and_costs_no_rows(tmp_path):
    (tmp_path / "run").write_text("in the way")
    kept = journal(tmp_path)
    kept.record([sample(110.0)], [])
    kept.close()
    assert times(tmp_path / "log.sqlite") == [110]
    assert any("crash would lose" in text for text in texts(tmp_path / "log.sqlite"))


@pytest.mark.filterwarnings("ignore::pytest.PytestUnhandledThreadExceptionWarning")
def test_a_fault_of_our_own_in_the_writer_is_not_silent(tmp_path):
    class Broken(SetClock):
        broken = False

        def wall_ms(self) -> int:
            if self.broken:
                raise ZeroDivisionError
            return super().wall_ms()

    clock = Broken()
    disk = Disk()
    kept = journal(tmp_path, clock, connect=disk.connect)
    assert kept.flush(60.0)
    clock.broken = True
    disk.fail(sqlite3.SQLITE_IOERR, "gone")  # it opens the file again, and asks the clock
    kept.record([sample(110.0)], [])
    assert not kept.flush(0.1)
    kept._thread.join(60.0)
    assert "fault in bottomheat itself" in kept.failure()
    kept.record([sample(120.0)], [])
    kept.close()
    assert len(rings(tmp_path)) == 1
    journal(tmp_path).close()
    assert times(tmp_path / "log.sqlite") == [110, 120]
