"""What of the log is not thinned, when none is, and what a fault in thinning costs."""

from __future__ import annotations

import contextlib
import sqlite3
from pathlib import Path

import pytest

from bottomheat.model import Alarm, Event, EventKind
from bottomheat_drivers.log import migrations
from bottomheat_drivers.log.columns import columns
from bottomheat_drivers.log.gaps import gaps
from bottomheat_drivers.log.keeping import Keeping
from bottomheat_drivers.log.retention import Thinning
from bottomheat_drivers.log.store import Old
from log_tools import NOW_MS, SetClock, journal, raw
from thinning_tools import (
    BEGAN_MS,
    DAY_MS,
    HOUR_S,
    START_S,
    TENS,
    course,
    open_log,
    row,
    thin,
    wall_ms,
    whole,
    write,
)


def alarmed(folder: Path, begin_s: float, end_s: float | None, hours: float = 100.0) -> Path:
    kept = open_log(folder)
    boxes = ("north-bench", "other")
    for n in range(round(hours * 60)):
        kept.record([row(60.0 * n, 25.0, box) for box in boxes], [])
    for kind, after_s in ((EventKind.ALARM_RAISED, begin_s), (EventKind.ALARM_CLEARED, end_s)):
        if after_s is not None:
            at_s = START_S + after_s
            kept.record([], [Event(kind, at_s, "north-bench", "lost", Alarm.PROBE_LOST)])
    kept.close()
    return folder / "log.sqlite"


def kept_h(path: Path, box: str) -> tuple[float, float]:
    """From when to when samples of a box are left, h after the begin."""
    ((first, last),) = raw(
        path,
        f"SELECT min(t_ms), max(t_ms) FROM sample_row WHERE chamber = '{box}'",  # noqa: S608
    )
    return (first / 1000 - START_S) / HOUR_S, (last / 1000 - START_S) / HOUR_S


def test_samples_stay_for_a_day_before_and_after_an_alarm_of_their_box(tmp_path):
    path = alarmed(tmp_path, 40 * HOUR_S, 42 * HOUR_S)
    thin(path, now_ms=TENS)
    assert kept_h(path, "north-bench") == pytest.approx((16.0, 66.0), abs=0.02)
    assert raw(path, "SELECT count(*) FROM sample_row WHERE chamber = 'other'") == [(0,)]
    found = columns(path, "north-bench")
    assert whole(found, wall_ms(0), wall_ms(99 * HOUR_S)).known_h == pytest.approx(99.0)


def test_an_alarm_that_stood_for_weeks_keeps_its_first_week_and_its_last_day(tmp_path):
    path = alarmed(tmp_path, 30 * HOUR_S, 330 * HOUR_S, hours=400)
    thin(path, now_ms=TENS)
    first, last = kept_h(path, "north-bench")
    assert (first, last) == pytest.approx((6.0, 354.0), abs=0.02)
    holes = [
        (one, other)
        for one, other in zip(times_h(path)[:-1], times_h(path)[1:], strict=True)
        if other - one > 1
    ]
    assert holes == [pytest.approx((30 + 7 * 24, 306), abs=0.03)]


def times_h(path: Path) -> list[float]:
    rows = raw(path, "SELECT t_ms FROM sample_row WHERE chamber = 'north-bench' ORDER BY id")
    return [(t / 1000 - START_S) / HOUR_S for (t,) in rows]


def test_a_run_without_a_place_in_time_stays_and_later_ones_do_not_wait(tmp_path):
    dark = SetClock(START_S, BEGAN_MS - 10**9, synchronised=False)
    kept = open_log(tmp_path, dark, "dark")
    kept.record([row(10.0 * n, 25.0) for n in range(500)], [])
    kept.close()
    kept = open_log(tmp_path, boot="lit")
    kept.record([row(10.0 * n, 25.0) for n in range(500)], [])
    kept.close()
    path = tmp_path / "log.sqlite"
    thin(path, now_ms=TENS)
    assert raw(path, "SELECT run, count(*) FROM sample_row GROUP BY run") == [(1, 500)]
    assert raw(path, "SELECT DISTINCT run FROM thinned_row") == [(2,)]


def test_samples_around_a_clock_that_was_set_stay(tmp_path):
    kept = open_log(tmp_path)
    for n in range(6 * 360):
        kept.record([row(10.0 * n, 25.0)], [])
        if n == 1080:
            kept.note_clock(START_S + 10.0 * n + 5, wall_ms(10.0 * n + 5) + 3_600_000, True)
    kept.close()
    path = tmp_path / "log.sqlite"
    before = gaps(path)
    thin(path, now_ms=TENS)
    first, last = kept_h(path, "north-bench")
    assert (first, last) == pytest.approx((3 - 1 / 6, 3 + 1 / 6), abs=0.01)
    assert gaps(path) == before
    (gap,) = before
    assert gap.why == "the clock was set forward"


# -- when


def test_only_by_a_clock_that_is_set_and_was_not_set_anew():
    clock = SetClock(1000.0, NOW_MS, synchronised=False)
    keeping = Keeping(14 * 86_400.0)

    def later(seconds: float, step_ms: int = 0) -> Old | None:
        clock.now_s += seconds
        clock.wall += round(seconds * 1000) + step_ms
        return keeping.old(clock)

    assert later(0.0) is None
    assert later(3600.0) is None  # not set
    clock.good = True
    assert later(3600.0) is None  # set just now, maybe
    assert later(3600.0) == Old(clock.wall, 14 * DAY_MS)
    assert later(60.0) is None  # not with a commit that comes soon after
    assert later(3600.0, step_ms=400 * DAY_MS) is None  # it jumped
    assert later(3600.0, step_ms=-400 * DAY_MS) is None
    assert later(3600.0) is not None


def test_the_journal_thins_while_it_writes_and_an_alarm_does_not_wait_for_it(tmp_path):
    write(tmp_path, [row(10.0 * n, 25.0) for n in range(5 * 360)])
    clock = SetClock(50.0, NOW_MS)
    kept = journal(tmp_path, clock, boot_id="boot-2", keep_raw_s=14 * 86_400.0)
    path = tmp_path / "log.sqlite"

    def pass_hour() -> None:
        clock.now_s += 3600.0
        clock.wall += 3_600_000
        kept.record([row(clock.now_s - START_S, 25.0)], [])
        assert kept.flush(60.0)

    assert kept.flush(60.0)  # it is open
    pass_hour()
    ((some,),) = raw(path, "SELECT sum(samples) FROM thinned")
    assert 100 < some < 4 * 61  # some of it each time
    for _ in range(10):
        pass_hour()
    kept.close()
    assert kept.failure() is None
    assert raw(path, "SELECT count(*) FROM sample_row WHERE run = 1") == [(0,)]
    assert raw(path, "SELECT sum(samples) BETWEEN 1795 AND 1800 FROM thinned") == [(1,)]


OLD = Old(NOW_MS, 14 * DAY_MS)


@pytest.mark.parametrize(
    "error", [ZeroDivisionError(), sqlite3.DatabaseError("database disk image is malformed")]
)
def test_a_fault_of_its_own_costs_no_sample_and_is_told(tmp_path, monkeypatch, error):
    write(tmp_path, [row(10.0 * n, 25.0) for n in range(2 * 360)])

    def fails(*_):
        raise error

    monkeypatch.setattr("bottomheat_drivers.log.retention.minutes", fails)
    clock = SetClock(50.0, NOW_MS)
    kept = journal(tmp_path, clock, boot_id="boot-2", keep_raw_s=14 * 86_400.0)
    for _ in range(3):
        clock.now_s += 3600.0
        clock.wall += 3_600_000
        kept.record([row(clock.now_s - START_S, 25.0)], [])
        assert kept.flush(60.0)
    kept.close()
    path = tmp_path / "log.sqlite"
    assert raw(path, "SELECT run, count(*) FROM sample_row GROUP BY run") == [(1, 720), (2, 3)]
    assert raw(path, "SELECT count(*) FROM thinned") == [(0,)]
    told = raw(path, "SELECT count(*) FROM event WHERE text LIKE '%not thinned any more%'")
    assert told == [(1,)]


@pytest.mark.parametrize(
    "word", ["INSERT INTO thinned", "DELETE FROM sample", "UPDATE run SET sam"]
)
def test_a_full_disk_while_thinning_leaves_all_as_it_was_and_what_is_new_is_written(tmp_path, word):
    path = write(tmp_path, [row(10.0 * n, 25.0) for n in range(2 * 360)])

    class Full(sqlite3.Connection):
        def _check(self, sql: str) -> None:
            if sql.startswith(word):
                error = sqlite3.OperationalError("database or disk is full")
                error.sqlite_errorcode = sqlite3.SQLITE_FULL
                raise error

        def execute(self, sql: str, values=()):
            self._check(sql)
            return super().execute(sql, values)

        def executemany(self, sql: str, values):
            self._check(sql)
            return super().executemany(sql, values)

    def connect(path: Path) -> sqlite3.Connection:
        return sqlite3.connect(path, isolation_level=None, check_same_thread=False, factory=Full)

    clock = SetClock(50.0, NOW_MS)
    kept = journal(tmp_path, clock, boot_id="boot-2", keep_raw_s=14 * 86_400.0, connect=connect)
    for _ in range(3):
        clock.now_s += 3600.0
        clock.wall += 3_600_000
        kept.record([row(clock.now_s - START_S, 25.0)], [])
        assert kept.flush(60.0)
    assert kept.failure() is None
    kept.close()
    assert raw(path, "SELECT run, count(*) FROM sample_row GROUP BY run") == [(1, 720), (2, 3)]
    assert raw(path, "SELECT count(*) FROM thinned") == [(0,)]


def test_samples_and_rows_change_places_in_one_transaction(tmp_path):
    """Whatever statement is the last before a power cut, all or nothing of it is there."""
    path = write(tmp_path, course(5, hours=3.0))
    was = raw(path, "SELECT id FROM sample")
    with contextlib.closing(migrations.connect(path)) as connection:
        connection.execute("BEGIN IMMEDIATE")
        assert Thinning().go(connection, 1, NOW_MS, 14 * DAY_MS)
        assert connection.execute("SELECT count(*) FROM thinned").fetchone()[0] > 0
        connection.execute("ROLLBACK")
    assert raw(path, "SELECT id FROM sample") == was
    assert raw(path, "SELECT count(*) FROM thinned") == [(0,)]
