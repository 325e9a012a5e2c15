"""How often the relays closed, as a start finds it: the log and what dead runs left."""

from __future__ import annotations

import contextlib
import sqlite3

from bottomheat_drivers.log import LogReader
from bottomheat_drivers.log.before import look_back
from log_tools import Disk, SetClock, failure, journal, note, sample


def closings(folder, boot="boot-1"):
    return look_back(folder / "log.sqlite", folder / "run", boot).closings


def run(folder, began_s: float, counts, *, chamber="north-bench", boot="boot-1", dies=False):
    """A run that ends in order, or one whose rows are in its ring file only."""
    disk = Disk()
    kept = journal(folder, SetClock(began_s), connect=disk.connect, boot_id=boot)
    assert kept.flush(60.0)
    (path,) = (folder / "run").glob("log-*.ring")
    kept.record(
        [sample(began_s + n, chamber, closings=count) for n, count in enumerate(counts)], []
    )
    if not dies:
        kept.close()
        return
    copy = path.read_bytes()
    disk.error = failure(10, "gone")
    kept.close()
    path.write_bytes(copy)


def test_of_no_log_there_is_nothing_and_of_an_unreadable_one_nobody_knows(tmp_path):
    assert closings(tmp_path) == {}
    run(tmp_path, 100.0, (0, 1))
    with contextlib.closing(sqlite3.connect(tmp_path / "log.sqlite")) as connection:
        connection.execute("PRAGMA user_version = 99")
    assert closings(tmp_path) is None


def test_runs_are_added_up(tmp_path):
    run(tmp_path, 100.0, (0, 1, 1, 2))
    run(tmp_path, 1000.0, (0, 1, 3))
    run(tmp_path, 2000.0, (1, 1), chamber="south-bench")
    assert closings(tmp_path) == {"north-bench": 5, "south-bench": 1}


def test_what_a_killed_run_left_is_in_it_once_also_of_another_boot(tmp_path):
    run(tmp_path, 100.0, (0, 1, 2))
    run(tmp_path, 1000.0, (1, 2, 4), dies=True)
    found = closings(tmp_path, "boot-2")
    assert found == {"north-bench": 6}
    kept = journal(tmp_path, SetClock(5000.0), boot_id="boot-2")
    kept.record([], [note(5001.0, "begun")])
    kept.close()
    with LogReader(tmp_path / "log.sqlite") as log:
        assert log.closings("north-bench") == 6
    assert closings(tmp_path, "boot-2") == found


def test_a_run_of_which_a_part_is_in_the_file_counts_once(tmp_path):
    disk = Disk()
    kept = journal(tmp_path, SetClock(100.0), connect=disk.connect)
    kept.record([sample(101.0, closings=3)], [])
    assert kept.flush(60.0)
    kept.record([sample(102.0, closings=5)], [])
    assert closings(tmp_path) == {"north-bench": 3}, "of a run that lives nothing is left behind"
    (path,) = (tmp_path / "run").glob("log-*.ring")
    copy = path.read_bytes()
    disk.error = failure(10, "gone")
    kept.close()
    path.write_bytes(copy)
    assert closings(tmp_path) == {"north-bench": 5}
