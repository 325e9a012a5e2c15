"""A copy of the log while it is written, and what is said of a log that was looked through."""

from __future__ import annotations

import json
import re
import sqlite3
from pathlib import Path

import pytest

import thinning_tools as thinning
from bottomheat.errors import InputError, LogError
from bottomheat.model import Alarm, Event, EventKind
from bottomheat.season.ledger import SeasonEntry, What
from bottomheat_drivers.log import LogReader, copying
from bottomheat_drivers.log.checking import Checked, check
from bottomheat_drivers.log.copying import Copied, backup
from commandline import bottomheat
from log_tools import NOW_MS, SetClock, journal, note, old_log, raw, sample, shape, times

STOPPED = Event(EventKind.STOPPED, 0.0, None, "service stopped, relay open", durable=True)


def quiet(_what: str, _share: float) -> None:
    """Tell nobody."""


def alarm(kind: EventKind, at_s: float, which: Alarm = Alarm.PROBE_LOST) -> Event:
    return Event(kind, at_s, "north-bench", "no good reading", which, durable=True)


def written(folder: Path, rows: int = 3000) -> Path:
    folder.mkdir(exist_ok=True)
    kept = journal(folder, background=False)
    kept.record([sample(100.0 + 10 * n, closings=n // 60) for n in range(rows)], [])
    kept.record([], [alarm(EventKind.ALARM_RAISED, 500.0), alarm(EventKind.ALARM_CLEARED, 900.0)])
    kept.note_season(SeasonEntry(What.DONE, data={"reminder": "mist"}))
    kept.record([], [STOPPED])
    kept.close()
    return folder / "log.sqlite"


def content(path: Path) -> dict[str, list[tuple]]:
    return {name: raw(path, f'SELECT * FROM "{name}"') for name in shape(path)}  # noqa: S608


def damage(path: Path, at: int) -> None:
    with path.open("r+b") as file:
        file.seek(at)
        file.write(b"\xa5" * 4096)


# -- backup


def test_a_copy_holds_what_the_log_holds_in_one_file(tmp_path):
    path = written(tmp_path / "state")
    target = tmp_path / "copy.sqlite"
    told: list[float] = []
    found = backup(path, target, lambda _, share: told.append(share))
    assert content(target) == content(path)
    end_ms = NOW_MS + 29_990_000
    assert found == Copied(target, target.stat().st_size, 3000, NOW_MS, end_ms)
    assert sorted(tmp_path.iterdir()) == [target, tmp_path / "state"]
    assert all(0.0 <= share <= 1.0 for share in told)
    assert target.read_bytes()[18:20] == b"\x01\x01"  # no -wal file belongs to it


def test_a_copy_beside_a_running_service_is_the_log_as_it_was_at_its_beginning(
    tmp_path, monkeypatch
):
    """Pages are written between every two steps; SQLite would begin again each time."""
    monkeypatch.setattr(copying, "PAGES_AT_ONCE", 8)
    kept = journal(tmp_path)
    kept.record([sample(100.0 + n) for n in range(900)], [note(900.0, "before", True)])
    assert kept.flush(60.0)
    more = iter(range(10_000))

    def write_on(_what: str, _share: float) -> None:
        at_s = 2000.0 + next(more)
        kept.record([sample(at_s)], [note(at_s, "meanwhile", True)])
        assert kept.flush(60.0)

    target = tmp_path / "copy.sqlite"
    found = backup(tmp_path / "log.sqlite", target, write_on)
    kept.close()
    assert next(more) > 3
    assert found.rows == 900
    assert times(target) == [100 + n for n in range(900)]
    with LogReader(target) as log:
        assert [row.event.text for row in log.events()] == ["before"]
    with LogReader(tmp_path / "log.sqlite") as log:
        assert [row.event.text for row in log.events()].count("meanwhile") > 3


def test_a_copy_that_is_put_back_goes_on_as_the_log(tmp_path):
    backup(written(tmp_path / "state"), tmp_path / "log.sqlite", quiet)
    kept = journal(tmp_path, SetClock(90_000.0, NOW_MS + 90_000_000))
    kept.record([sample(90_010.0)], [])
    kept.note_season(SeasonEntry(What.DONE, data={"reminder": "layer"}))
    kept.close()
    assert kept.failure() is None
    assert kept.notices() == ()
    with LogReader(tmp_path / "log.sqlite") as log:
        assert [dated.number for dated in log.season_entries()] == [1, 2]
        assert len(list(log.samples("north-bench"))) == 3001


@pytest.mark.parametrize("number", [1, 2, 3])
def test_a_log_of_an_older_format_is_copied_as_it_is(tmp_path, number):
    path = old_log(tmp_path, number)
    backup(path, tmp_path / "copy.sqlite", quiet)
    assert content(tmp_path / "copy.sqlite") == content(path)
    assert raw(tmp_path / "copy.sqlite", "PRAGMA user_version") == [(number,)]
    assert check(tmp_path / "copy.sqlite", quiet).defects == ()


def test_nothing_is_written_over_and_no_folder_is_made(tmp_path):
    path = written(tmp_path / "state", 10)
    (tmp_path / "notes.txt").write_text("buy peat")
    with pytest.raises(InputError, match="exists already"):
        backup(path, tmp_path / "notes.txt", quiet)
    assert (tmp_path / "notes.txt").read_text() == "buy peat"
    with pytest.raises(InputError, match="There is no folder"):
        backup(path, tmp_path / "stick" / "copy.sqlite", quiet)


def test_no_copy_of_a_damaged_log_is_left_behind(tmp_path):
    path = written(tmp_path / "state")
    damage(path, 1024 * 60)
    with pytest.raises(LogError, match="damaged"):
        backup(path, tmp_path / "copy.sqlite", quiet)
    assert list(tmp_path.iterdir()) == [tmp_path / "state"]


def test_the_command_names_the_copy_by_the_date_and_says_what_it_holds(tmp_path):
    path = written(tmp_path / "state")
    (tmp_path / "stick").mkdir()
    done = bottomheat("backup", tmp_path / "stick", "--log", path)
    assert (done.returncode, done.stderr) == (0, "")
    (copy,) = (tmp_path / "stick").iterdir()
    assert copy.name.startswith("bottomheat-log-2")
    assert f"to {copy}: 0.1 MB, 3000 rows, looked through and whole." in done.stdout
    assert "It holds 2026-01-16 07:53 to 2026-01-16 16:13." in done.stdout


def test_what_is_left_of_a_damaged_log_by_the_command(tmp_path):
    path = written(tmp_path / "state")
    damage(path, 1024 * 60)
    done = bottomheat("backup", tmp_path / "left.sqlite", "--log", path, "--salvage")
    assert (done.returncode, done.stderr) == (0, "")
    assert done.stdout.splitlines()[0].endswith(" rows, what could be read.")
    assert 2500 < len(times(tmp_path / "left.sqlite")) < 3000
    done = bottomheat("backup", tmp_path / "again.sqlite", "--salvage")
    assert done.returncode == InputError.exit_code
    assert "needs the damaged log" in done.stderr


def test_a_disk_that_is_too_small_is_one_sentence_and_leaves_nothing(tmp_path):
    path = written(tmp_path / "state")
    (tmp_path / "stick").mkdir()
    done = bottomheat("backup", tmp_path / "stick", "--log", path, limit=60_000)
    assert done.returncode == LogError.exit_code
    assert "could not be written" in done.stderr
    assert len(done.stderr.splitlines()) == 1
    assert list((tmp_path / "stick").iterdir()) == []


# -- verify


def spoilt(path: Path, sql: str) -> Checked:
    with sqlite3.connect(path) as connection:
        connection.executescript(sql)
    connection.close()
    return check(path, quiet)


def test_a_whole_log_has_no_defect(tmp_path):
    found = check(written(tmp_path), quiet)
    assert found.defects == ()
    assert (found.runs, found.rows, found.events, found.entries) == (1, 3000, 3, 1)
    assert found.alarms == (1, 0)
    assert (found.unplaced, found.unclosed) == (0, 0)
    assert (found.from_ms, found.to_ms) == (NOW_MS, NOW_MS + 29_990_000)
    assert found.gaps == ()


def test_a_log_that_is_being_written_is_whole(tmp_path):
    kept = journal(tmp_path)
    kept.record([sample(110.0 + n) for n in range(50)], [alarm(EventKind.ALARM_RAISED, 120.0)])
    assert kept.flush(60.0)
    found = check(tmp_path / "log.sqlite", quiet)
    assert (found.defects, found.rows, found.unclosed) == ((), 50, 0)
    kept.close()


def test_runs_that_were_killed_and_alarms_that_they_left_open_are_no_defect(tmp_path):
    for n in range(3):
        clock = SetClock(100.0 + 1000 * n, NOW_MS + 1_000_000 * n, synchronised=n != 1)
        kept = journal(tmp_path, clock, background=False, boot_id=f"boot-{n}")
        kept.record([sample(clock.now_s + 10)], [alarm(EventKind.ALARM_RAISED, clock.now_s)])
        kept.close()
    found = check(tmp_path / "log.sqlite", quiet)
    assert found.defects == ()
    assert (found.runs, found.unclosed, found.unplaced, found.alarms) == (3, 2, 1, (3, 2))
    assert [gap.cause for gap in found.gaps] == ["power", "power"]


@pytest.mark.parametrize(
    ("sql", "told"),
    [
        (
            "DELETE FROM state WHERE id = 1",
            "rows of sample: the state that belongs to it is not there",
        ),
        (
            "DELETE FROM event WHERE kind = 'alarm-raised'",
            r"alarm 1 \(probe-lost\) has no event that raised",
        ),
        ("UPDATE event SET alarm = 'frost' WHERE kind = 'alarm-cleared'", "that cleared it"),
        ("UPDATE alarm SET raised = 2, cleared = 1", "alarm 1"),
        ("DELETE FROM alarm", "1 row of event: the alarm that it raised is not there"),
        (
            "UPDATE sample SET t_ms = 5 WHERE id = 700",
            "out of order: 1 row of sample, the first of them row 700",
        ),
        ("UPDATE run SET last_ms = began_ms", "run 1 has rows of before its start or after its"),
        ("DELETE FROM clock", "run 1 cannot be placed in time"),
        ("UPDATE counter SET lifetime = 7", "the contact closed 49 times, and 7 are counted"),
    ],
)
def test_what_does_not_hold_together_is_named(tmp_path, sql, told):
    found = spoilt(written(tmp_path), sql)
    assert any(re.search(told, defect) for defect in found.defects), found.defects


def thinned(folder: Path) -> Path:
    """Half a day of two boxes, all of it thinned, and an hour that is not."""
    at_s = [10 * n for n in range(4320)] + [99.9 * 86_400 + 10 * n for n in range(360)]
    path = thinning.write(
        folder,
        [
            thinning.row(t_s, 25 + t_s % 700 / 700, name, closings=int(t_s) // 600)
            for t_s in at_s
            for name in ("north-bench", "south-bench")
        ],
    )
    thinning.thin(path)
    return path


def test_a_log_whose_older_rows_were_thinned_is_whole_and_says_so(tmp_path):
    path = thinned(tmp_path)
    found = check(path, quiet)
    assert found.defects == ()
    assert found.rows == 720
    assert found.thinned > 100
    done = bottomheat("verify", path)
    assert f"720 rows, and {found.thinned} rows of older times" in done.stdout
    assert json.loads(bottomheat("verify", path, "--json").stdout)["thinned"] == found.thinned


@pytest.mark.parametrize(
    ("sql", "told"),
    [
        ("UPDATE thinned SET t_ms = 0", "out of order: 1 row of thinned"),
        ("UPDATE thinned SET span_ms = -1", "out of order: 1 row of thinned"),
        (
            "UPDATE thinned SET span_ms = 1e10",
            "1 row of thinned of after the end of the run",
        ),
        ("UPDATE thinned SET closings = 10000", "the contact closed"),
    ],
)
def test_what_does_not_hold_together_in_older_rows_is_named(tmp_path, sql, told):
    one = "(SELECT id FROM thinned ORDER BY id LIMIT 1 OFFSET 99)"
    found = spoilt(thinned(tmp_path), f"{sql} WHERE id = {one}")
    assert any(told in defect for defect in found.defects), found.defects


def test_a_box_that_is_looked_at_every_five_minutes_has_no_gaps(tmp_path):
    kept = journal(tmp_path, background=False)
    times_s = [100.0 + 300 * n for n in range(400) if not 200 < n < 206]
    kept.record([sample(at_s, name) for at_s in times_s for name in ("a", "b", "c")], [])
    kept.close()
    (gap,) = check(tmp_path / "log.sqlite", quiet).gaps
    assert gap.length_s == 1800


@pytest.mark.parametrize("page", [0, 5, 30, 90])
def test_a_damaged_log_is_one_sentence(tmp_path, page):
    path = written(tmp_path)
    damage(path, 1024 * page)
    done = bottomheat("verify", path)
    assert (done.returncode, done.stdout) == (LogError.exit_code, "")
    assert f"The log {path} is damaged" in done.stderr
    assert len(done.stderr.splitlines()) == 1
    assert f"bottomheat backup --salvage --log {path} NEW-FILE" in done.stderr
    assert "service" not in done.stderr  # which has nothing to do with a file from elsewhere
    with pytest.raises(LogError, match=r"damaged.*the service"):
        check(path, quiet)


def test_a_file_that_is_not_there_is_one_sentence(tmp_path):
    done = bottomheat("verify", tmp_path / "log.sqlite")
    assert done.returncode == LogError.exit_code
    assert done.stderr.count("\n") == 1
    assert "There is no file" in done.stderr
    assert "service" not in done.stderr


@pytest.mark.parametrize(
    "content", [b"notes: buy peat\n" * 300, b"SQLite format 3\0" + b"x" * 3000]
)
def test_a_foreign_file_is_one_sentence(tmp_path, content):
    path = tmp_path / "notes.txt"
    path.write_bytes(content)
    for word in ("verify", "backup"):
        more = (tmp_path / "copy.sqlite", "--log", path) if word == "backup" else (path,)
        done = bottomheat(word, *more)
        assert (done.returncode, done.stdout) == (LogError.exit_code, "")
        assert "not a log of bottomheat" in done.stderr
        assert len(done.stderr.splitlines()) == 1
    assert list(tmp_path.iterdir()) == [path]
    assert path.read_bytes() == content


def test_a_database_of_another_program_and_a_newer_log_are_one_sentence(tmp_path):
    path = tmp_path / "other.sqlite"
    with sqlite3.connect(path) as connection:
        connection.execute("CREATE TABLE invoice (id INTEGER PRIMARY KEY)")
    connection.close()
    assert "not a log of bottomheat" in bottomheat("verify", path).stderr
    newer = written(tmp_path / "state", 5)
    with sqlite3.connect(newer) as connection:
        connection.execute("PRAGMA user_version = 99")
    connection.close()
    done = bottomheat("verify", newer)
    assert (done.returncode, done.stdout) == (LogError.exit_code, "")
    assert "format 99" in done.stderr


def test_the_command_lists_the_gaps_with_their_causes(tmp_path):
    for n in range(12):
        clock = SetClock(100.0 + 4000 * n, NOW_MS + 4_000_000 * n)
        kept = journal(tmp_path, clock, background=False)
        kept.record([sample(clock.now_s + 10 * m) for m in range(60)], [])
        kept.record([], [STOPPED] if n % 2 else [])
        kept.close()
    path = tmp_path / "log.sqlite"
    was = path.read_bytes()
    done = bottomheat("verify", path)
    assert (done.returncode, done.stderr) == (0, "")
    assert "10 h 25 min in 11 gaps" in done.stdout
    assert done.stdout.count("the service had been stopped") == 5
    assert "these are the 10 longest" in done.stdout
    assert done.stdout.endswith("All well.\n")
    data = json.loads(bottomheat("verify", path, "--json").stdout)
    assert data["ok"] is True
    assert [gap["cause"] for gap in data["gaps"]] == ["stopped"] * 11
    assert data["gaps"][0]["from_ms"] == NOW_MS + 590_000
    assert path.read_bytes() == was
    assert list(tmp_path.iterdir()) == [path]
