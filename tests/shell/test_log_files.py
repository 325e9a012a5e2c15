"""Damaged, foreign, older and newer files; what a dead run left in its ring file."""

from __future__ import annotations

import contextlib
import os
import sqlite3
import subprocess
import sys
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bottomheat.errors import LogError
from bottomheat_drivers.log import LogReader, migrations, ring
from bottomheat_drivers.log.schema import SCHEMA_VERSION
from log_tools import (
    NOW_MS,
    Disk,
    SetClock,
    entry,
    journal,
    note,
    old_log,
    raw,
    rings,
    sample,
    shape,
    texts,
    times,
)

DAY = "20260116"


def written(folder: Path, rows: int = 500) -> Path:
    kept = journal(folder, background=False)
    kept.record([sample(100.0 + n) for n in range(rows)], [])
    kept.close()
    return folder / "log.sqlite"


def damage(path: Path, at: int, length: int) -> None:
    with path.open("r+b") as file:
        file.seek(at)
        file.write(b"\xa5" * length)


@pytest.mark.parametrize("at", [0, 4096 * 2, 4096 * 20])
def test_a_damaged_file_is_set_aside_and_a_new_one_begun(tmp_path, at):
    path = written(tmp_path, 5000)
    connection = sqlite3.connect(path)
    connection.execute("UPDATE run SET closed = 0")  # as after a power cut: it is checked
    connection.commit()
    connection.close()
    damage(path, at, 4096)
    was = path.read_bytes()
    kept = journal(tmp_path)
    kept.record([sample(9000.0)], [])
    kept.close()
    (aside,) = tmp_path.glob(f"log.sqlite.damaged-{DAY}*")
    assert aside.read_bytes() == was
    assert times(path) == [9000]
    assert kept.notices() == (
        f"The log {path} is damaged: it was set aside as {aside}, and a new one was begun.",
    )
    assert texts(path) == list(kept.notices())


@pytest.mark.parametrize("content", [b"notes: buy peat\n" * 300, b"\0" * 5000])
def test_a_file_that_is_no_database_is_set_aside(tmp_path, content):
    path = tmp_path / "log.sqlite"
    path.write_bytes(content)
    with pytest.raises(LogError, match="not a log"):
        LogReader(path)
    journal(tmp_path).close()
    (aside,) = tmp_path.glob("log.sqlite.damaged-*")
    assert aside.read_bytes() == content
    assert raw(path, "PRAGMA quick_check") == [("ok",)]


def test_a_database_of_another_program_is_left_alone(tmp_path):
    path = tmp_path / "log.sqlite"
    connection = sqlite3.connect(path)
    connection.execute("CREATE TABLE invoice (id INTEGER PRIMARY KEY)")
    connection.execute("INSERT INTO invoice VALUES (7)")
    connection.commit()
    connection.close()
    with pytest.raises(LogError, match="not a log of bottomheat"):
        LogReader(path)
    with pytest.raises(LogError, match="another program"):
        journal(tmp_path, background=False)
    kept = journal(tmp_path)
    kept.flush(5)
    assert "another program" in (kept.failure() or "")
    kept.close()
    assert raw(path, "SELECT id FROM invoice") == [(7,)]
    assert raw(path, "SELECT name FROM sqlite_master") == [("invoice",)]
    assert not list(tmp_path.glob("log.sqlite.*damaged*"))


def test_a_second_damaged_file_of_the_same_second_has_another_name(tmp_path):
    for n in range(3):
        (tmp_path / "log.sqlite").write_text(f"nonsense {n} " * 500)
        journal(tmp_path, background=False).close()
    assert len(list(tmp_path.glob("log.sqlite.damaged-*"))) == 3


def test_an_empty_file_is_a_new_log(tmp_path):
    (tmp_path / "log.sqlite").touch()
    written(tmp_path, 3)
    assert len(times(tmp_path / "log.sqlite")) == 3
    assert not list(tmp_path.glob("*.damaged-*"))


def test_a_newer_file_is_refused_and_left_alone(tmp_path):
    path = written(tmp_path, 3)
    connection = sqlite3.connect(path)
    connection.execute(f"PRAGMA user_version = {SCHEMA_VERSION + 1}")
    connection.close()
    was = path.read_bytes()
    with pytest.raises(LogError, match="newer version"):
        journal(tmp_path, background=False)
    kept = journal(tmp_path)
    kept.record([sample(9000.0)], [])
    assert not kept.flush(0.2)
    assert "newer version" in kept.failure()
    kept.close()
    with pytest.raises(LogError, match="update bottomheat"):
        LogReader(path)
    assert path.read_bytes() == was
    assert len(rings(tmp_path)) == 1  # what came meanwhile waits for the right version


def test_no_file_is_one_sentence(tmp_path):
    with pytest.raises(LogError, match="There is no log at"):
        LogReader(tmp_path / "nowhere.sqlite")
    assert not (tmp_path / "nowhere.sqlite").exists()


NOW = SCHEMA_VERSION
STEPS = {
    NOW: "ALTER TABLE tending ADD COLUMN tended_by TEXT;",
    NOW + 1: "CREATE TABLE batch (id INTEGER PRIMARY KEY) STRICT;",
}


@pytest.mark.parametrize("number", [1, 2])
def test_a_log_of_an_older_format_is_brought_up_to_date_and_goes_on(tmp_path, number):
    """The file is one that a program of that format wrote."""
    path = old_log(tmp_path, number)
    was = raw(path, "SELECT * FROM reference")
    with pytest.raises(LogError, match=f"has format {number}"):
        LogReader(path)
    kept = journal(tmp_path, background=False)
    kept.record([sample(200.0)], [])
    kept.note_tending("north-bench", "look", "", 600.0, "off")
    kept.note_reference(entry())
    kept.note_drop(1, "no pairing")
    kept.close()
    written(tmp_path / "new", 1)
    assert shape(path) == shape(tmp_path / "new" / "log.sqlite")
    with LogReader(path) as log:
        tended = [(row.chamber, row.doing, row.for_s, row.lid) for row in log.tendings()]
        readings = [(row.number, row.reading_c, row.pairing) for row in log.references()]
        (usable,) = log.ledger()
        first = log.references()[0]
        events = [row.event.text for row in log.events()]
    old = ("water", None, None) if number == 1 else ("look", 1800.0, "ajar")
    assert tended == [("north-bench", *old), ("north-bench", "look", 600.0, "off")]
    assert readings == [(1, 24.8, None), (2, 24.8, entry().pairing)]
    assert (usable.number, usable.entry, usable.dropped) == (2, entry(), None)
    assert (first.lid, first.ago_s, first.wall_ms, first.dropped) == (None, 0, NOW_MS, "no pairing")
    assert times(path) == [110, 120, 130, 140, 200]
    assert "first run" in events
    copy = tmp_path / f"log.sqlite.before-format-{NOW}"
    assert raw(copy, "PRAGMA user_version") == [(number,)]
    assert raw(copy, "SELECT * FROM reference") == was


@pytest.mark.parametrize("number", [1, 2])
def test_the_ring_file_of_an_older_format_is_added(tmp_path, number):
    """Killed, updated, started again: what only the ring held is there, what both held is once."""
    path = old_log(tmp_path, number, left=True)
    journal(tmp_path).close()
    assert rings(tmp_path) == []
    assert times(path) == [110, 120, 130, 140]
    with LogReader(path) as log:
        readings = [(row.chamber, row.reading_c, row.expanded_k) for row in log.references()]
        tended = [(row.chamber, row.doing, row.lid) for row in log.tendings()]
        assert log.ledger() == []
    assert readings == [("north-bench", 24.8, 0.2), ("south-bench", 21.5, None)]
    assert tended == (
        [("north-bench", "water", None), ("north-bench", "fill", None)]
        if number == 1
        else [("north-bench", "look", "ajar"), ("south-bench", "fill", "off")]
    )


def test_migration_goes_step_by_step_and_keeps_a_copy(tmp_path):
    path = written(tmp_path, 50)
    with contextlib.closing(migrations.connect(path)) as connection:
        (told,) = migrations.migrate(connection, path, STEPS, target=NOW + 2)
        assert migrations.pragma(connection, "user_version") == NOW + 2
        assert connection.execute("SELECT count(tended_by) FROM tending").fetchone() == (0,)
        assert connection.execute("SELECT count(*) FROM batch").fetchone() == (0,)
        assert connection.execute("SELECT count(*) FROM sample").fetchone() == (50,)
        assert migrations.migrate(connection, path, STEPS, target=NOW + 2) == []
    copy = tmp_path / f"log.sqlite.before-format-{NOW + 2}"
    assert str(copy) in told
    assert len(times(copy)) == 50  # still a log of the format before


def test_a_migration_that_fails_leaves_the_last_whole_step(tmp_path):
    path = written(tmp_path, 5)
    steps = {
        **STEPS,
        NOW + 1: "CREATE TABLE batch (id INTEGER PRIMARY KEY); CREATE TABLE run (id);",
    }
    with contextlib.closing(migrations.connect(path)) as connection:
        with pytest.raises(sqlite3.OperationalError, match="already exists"):
            migrations.migrate(connection, path, steps, target=NOW + 2)
        assert not connection.in_transaction
        assert migrations.pragma(connection, "user_version") == NOW + 1
        tables = connection.execute("SELECT name FROM sqlite_schema").fetchall()
        assert ("batch",) not in tables
        migrations.migrate(connection, path, STEPS, target=NOW + 2)
        assert migrations.pragma(connection, "user_version") == NOW + 2
    assert (tmp_path / f"log.sqlite.before-format-{NOW + 2}").exists()
    assert (tmp_path / f"log.sqlite.before-format-{NOW + 2}-2").exists()


def test_a_gap_in_the_steps_is_refused(tmp_path):
    path = written(tmp_path, 5)
    with contextlib.closing(migrations.connect(path)) as connection:
        with pytest.raises(LogError, match="cannot bring up to date"):
            migrations.migrate(connection, path, {NOW + 1: STEPS[NOW + 1]}, target=NOW + 2)
        assert migrations.pragma(connection, "user_version") == NOW


def test_a_reader_of_a_closed_log_leaves_no_files_behind(tmp_path):
    path = written(tmp_path, 5)
    was = path.read_bytes()
    assert len(times(path)) == 5
    assert sorted(tmp_path.iterdir()) == [path]
    assert path.read_bytes() == was


def test_a_reader_without_write_permission_beside_the_service(tmp_path):
    """The account of a user who may read only; the service keeps the file open."""
    if os.geteuid() != 0:
        pytest.skip("only root can read as somebody else")
    kept = journal(tmp_path)
    kept.record([sample(110.0)], [])
    assert kept.flush(60.0)
    for folder in (tmp_path, *tmp_path.parents):
        if folder.stat().st_uid == 0 and folder.name.startswith(("pytest-", "popen-", "test_")):
            folder.chmod(0o755)
    script = (
        "import os, sys; from pathlib import Path; from bottomheat_drivers.log import LogReader\n"
        "os.setgroups([]); os.setgid(65534); os.setuid(65534)\n"
        "with LogReader(Path(sys.argv[1])) as log:\n"
        "    print([row.t_ms for row in log.samples('north-bench')])\n"
    )
    environment = {**os.environ, "PYTHONPATH": os.pathsep.join(sys.path)}
    done = subprocess.run(
        [sys.executable, "-c", script, str(tmp_path / "log.sqlite")],
        capture_output=True,
        text=True,
        env=environment,
        check=False,
    )
    kept.close()
    assert (done.stdout, done.returncode) == ("[110000]\n", 0), done.stderr


def test_a_reader_leaves_the_file_as_it_is(tmp_path):
    """A reader's close, the last one on the file, must not checkpoint (nor remove the -wal)."""
    script = (
        "import os, sys; from pathlib import Path; from log_tools import journal, sample\n"
        "kept = journal(Path(sys.argv[1]))\n"
        "kept.record([sample(110.0)], []); assert kept.flush(60.0); os._exit(0)\n"
    )
    environment = {**os.environ, "PYTHONPATH": os.pathsep.join(sys.path)}
    subprocess.run([sys.executable, "-c", script, str(tmp_path)], check=True, env=environment)
    path, wal = tmp_path / "log.sqlite", tmp_path / "log.sqlite-wal"
    was = path.read_bytes(), wal.read_bytes()
    assert was[1]
    assert times(path) == [110]
    assert (path.read_bytes(), wal.read_bytes()) == was


# -- ring


def left_behind(folder: Path, clock: SetClock | None = None) -> Path:
    """A ring file as a killed run leaves it: 20 samples and an event, none in the log."""
    disk = Disk()
    kept = journal(folder, clock, connect=disk.connect)
    assert kept.flush(60.0)
    kept.record([sample(100.0 + n) for n in range(20)], [note(119.0, "last words")])
    (path,) = rings(folder)
    copy = path.read_bytes()
    disk.fail(sqlite3.SQLITE_IOERR, "gone")
    kept.close()
    path.write_bytes(copy)
    return path


def test_what_a_dead_run_left_is_added_once(tmp_path):
    path = left_behind(tmp_path)
    copy = path.read_bytes()
    for _ in range(2):
        path.write_bytes(copy)  # the second time: killed before it could remove the file
        journal(tmp_path).close()
    assert times(tmp_path / "log.sqlite") == list(range(100, 120))
    assert texts(tmp_path / "log.sqlite").count("last words") == 1
    assert rings(tmp_path) == []


def test_recovered_rows_go_into_a_new_log_too(tmp_path):
    left_behind(tmp_path)
    damage(tmp_path / "log.sqlite", 0, 4096)
    journal(tmp_path, SetClock(500.0, NOW_MS + 400_000)).close()
    with LogReader(tmp_path / "log.sqlite") as log:
        assert [row.wall_ms for row in log.samples("north-bench")] == [
            NOW_MS + 1000 * n for n in range(20)
        ]
        assert [row.began_wall_ms for row in log.runs()] == [NOW_MS, NOW_MS + 400_000]


def test_the_ring_of_a_living_run_is_left_alone(tmp_path):
    first = journal(tmp_path)
    assert first.flush(60.0)
    first.record([sample(110.0)], [])
    second = journal(tmp_path)
    assert second.flush(60.0)
    assert len(rings(tmp_path)) == 2
    second.close()
    first.close()
    assert times(tmp_path / "log.sqlite") == [110]
    assert rings(tmp_path) == []


@settings(max_examples=25, deadline=None)
@given(at=st.integers(0, ring.SLOT * 22), length=st.integers(1, 400))
def test_a_damaged_ring_gives_only_whole_rows(tmp_path_factory, at, length):
    folder = tmp_path_factory.mktemp("ring")
    path = left_behind(folder)
    data = bytearray(path.read_bytes())
    for n in range(at, at + length):
        data[n] ^= 1  # a digit stays a digit: only the checksum can tell
    path.write_bytes(data)
    journal(folder).close()
    with LogReader(folder / "log.sqlite") as log:
        rows = list(log.samples("north-bench"))
    assert all(row.readings == sample(row.t_ms / 1000).readings for row in rows)
    found = [row.t_ms // 1000 for row in rows]
    assert set(found) <= set(range(100, 120))
    assert len(found) == len(set(found))
    hit = set(range(at // ring.SLOT, (at + length - 1) // ring.SLOT + 1))
    if 0 not in hit:
        assert len(found) >= 20 - len(hit)
    assert rings(folder) == []


def test_a_row_with_one_digit_changed_is_left_out(tmp_path):
    path = left_behind(tmp_path)
    data = path.read_bytes()
    assert data.count(b"29400") >= 20
    path.write_bytes(data.replace(b"29400", b"29401", 1))
    journal(tmp_path).close()
    assert times(tmp_path / "log.sqlite") == list(range(101, 120))


def test_a_file_that_is_no_ring_is_set_aside(tmp_path):
    (tmp_path / "run").mkdir()
    (tmp_path / "run" / "log-feed.ring").write_text("nonsense")
    journal(tmp_path).close()
    (aside,) = (tmp_path / "run").glob("log-feed.ring.damaged-*")
    assert aside.read_text() == "nonsense"
    assert any("ring file" in text for text in texts(tmp_path / "log.sqlite"))


def test_the_ring_keeps_the_newest_when_it_goes_round(tmp_path):
    (tmp_path / "run").mkdir()
    kept = ring.Ring(tmp_path / "run", "key", {})
    for seq in range(1, ring.SLOTS + 101):
        kept.put(seq, str(seq).encode())
    assert ring.read(kept.path) is None
    path = kept.path
    kept.close(remove=False)
    kept.close(remove=False)
    remains = ring.read(path)
    assert [int(row) for row in remains.rows] == list(range(101, ring.SLOTS + 101))
    assert remains.bad == 0


def test_a_log_in_a_folder_that_may_not_be_entered_is_one_sentence(tmp_path):
    if os.geteuid() != 0:
        pytest.skip("only root can read as somebody else")
    written(tmp_path, 5)
    tmp_path.chmod(0o700)
    script = (
        "import os, sys; from pathlib import Path; from bottomheat.errors import LogError\n"
        "from bottomheat_drivers.log import LogReader\n"
        "os.setgroups([]); os.setgid(65534); os.setuid(65534)\n"
        "try: LogReader(Path(sys.argv[1]))\n"
        "except LogError as error: print(error)\n"
    )
    environment = {**os.environ, "PYTHONPATH": os.pathsep.join(sys.path)}
    done = subprocess.run(
        [sys.executable, "-c", script, str(tmp_path / "log.sqlite")],
        capture_output=True,
        text=True,
        env=environment,
        check=False,
    )
    assert "sudo" in done.stdout, done.stderr
