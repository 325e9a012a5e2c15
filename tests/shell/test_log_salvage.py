"""A damaged log is set aside, and what the grower entered is carried over, with its numbers."""

from __future__ import annotations

import contextlib
import sqlite3
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bottomheat.errors import InputError, LogError
from bottomheat.model import Alarm, Event, EventKind
from bottomheat.season.ledger import Dated, SeasonEntry, What
from bottomheat_drivers.log import LogReader, migrations
from bottomheat_drivers.log.before import Past, look_back
from bottomheat_drivers.log.checking import check
from bottomheat_drivers.log.copying import rescue
from log_tools import NOW_MS, SetClock, entry, journal, note, old_log, raw, rings, rows, sample
from log_tools import check as probe_check

PAGE = 1024
ENTRIES = 40


def look(number: int) -> SeasonEntry:
    """An entry that takes a good part of a page."""
    return SeasonEntry(
        What.LOOK, "MUL-1", data={"sampled": 20, "callused": number}, note=f"look {number} " * 30
    )


def written(folder: Path) -> Path:
    """A log of two runs with much in it, the last one not ended in order: so it is checked."""
    for number in range(2):
        clock = SetClock(100.0 + 20_000 * number, NOW_MS + 20_000_000 * number)
        kept = journal(folder, clock, background=False)
        kept.note_config("cycle: 10\n", f"sum {number}")
        kept.record([sample(clock.now_s + 10 * n, closings=n // 60) for n in range(900)], [])
        for n in range(ENTRIES // 2):
            kept.note_season(look(number * ENTRIES // 2 + n + 1))
        kept.note_reference(entry(reading_c=20.0 + number))
        kept.note_probe_check(probe_check())
        kept.note_tending("north-bench", "look", "", 600.0, "ajar")
        kept.note_borrowing("north-bench", "28-0316a2790007", 7200.0)
        raised = Event(
            EventKind.ALARM_RAISED, clock.now_s, None, "told", Alarm.LOG_FAILED, durable=True
        )
        kept.record([], [note(clock.now_s, f"run {number}"), raised])
        kept.close()
    path = folder / "log.sqlite"
    with sqlite3.connect(path) as connection:
        connection.execute("UPDATE run SET closed = 0")
    connection.close()
    return path


def spoil(path: Path, page: int) -> None:
    """Write over a page, counted from 0."""
    with path.open("r+b") as file:
        file.seek(page * PAGE)
        file.write(b"\xa5" * PAGE)


def page_of(path: Path, text: str) -> int:
    return path.read_bytes().index(text.encode()) // PAGE


def root_of(path: Path, table: str) -> int:
    """The page that a table begins with."""
    query = f"SELECT rootpage FROM sqlite_schema WHERE name = '{table}'"  # noqa: S608
    return raw(path, query)[0][0] - 1


def past(folder: Path) -> Past:
    return look_back(folder / "log.sqlite", folder / "run", "boot-1")


def reopened(folder: Path) -> list[Dated]:
    """Start a run on the damaged log; the ledger that it begins with."""
    kept = journal(folder, SetClock(90_000.0, NOW_MS + 90_000_000))
    assert kept.flush(60.0)
    assert kept.failure() is None
    kept.close()
    with LogReader(folder / "log.sqlite") as log:
        return log.season_entries()


def test_damaged_samples_cost_nothing_else(tmp_path):
    path = written(tmp_path)
    kept = ("season_entry", "reference", "probe_check", "tending", "borrowing", "counter", "clock")
    was = {name: rows(path, name) for name in kept}
    events, alarms = rows(path, "event"), rows(path, "alarm")
    assert len(alarms) == 2
    assert len(was["season_entry"]) == ENTRIES
    spoil(path, root_of(path, "sample"))
    before = past(tmp_path)
    found = reopened(tmp_path)
    assert list(before.season) == found
    assert [dated.number for dated in found] == list(range(1, ENTRIES + 1))
    assert [dated.entry for dated in found] == [look(n + 1) for n in range(ENTRIES)]
    for name in kept[:-1]:
        assert rows(path, name) == was[name]
    assert rows(path, "clock")[: len(was["clock"])] == was["clock"]
    assert rows(path, "event")[: len(events)] == events
    assert rows(path, "alarm") == alarms
    with LogReader(path) as log:
        (told,) = [row.event.text for row in log.events() if "Carried" in row.event.text]
        assert log.alarms()[0].alarm is Alarm.LOG_FAILED
        assert list(log.samples("north-bench")) == []
        assert log.closings("north-bench") == 28
    assert told == (
        "Carried over from the damaged log: 40 entries on batches and chores, 2 readings of the "
        "thermometer, 2 comparisons of probes, 2 notes of when a box was opened, 4 events; its "
        "temperatures stay there."
    )
    assert check(path, lambda *_: None).defects == ()


def test_the_next_entry_goes_on_from_the_last_number(tmp_path):
    path = written(tmp_path)
    spoil(path, root_of(path, "sample"))
    kept = journal(tmp_path)
    kept.note_season(SeasonEntry(What.WITHDRAW, corrects=17))
    kept.close()
    with LogReader(path) as log:
        newest = log.season_entries()[-1]
    assert (newest.number, newest.entry.corrects) == (ENTRIES + 1, 17)


def test_a_damaged_page_of_the_ledger_costs_what_stood_on_it(tmp_path):
    path = written(tmp_path)
    spoil(path, page_of(path, "look 20 look 20"))
    before = past(tmp_path)
    assert "damaged" in (before.trouble or "")
    found = reopened(tmp_path)
    assert list(before.season) == found
    numbers = [dated.number for dated in found]
    assert 20 not in numbers
    assert set(numbers) >= {*range(1, 16), *range(25, ENTRIES + 1)}
    assert all(dated.entry == look(dated.number) for dated in found)
    # The lids and the borrowed probe are known all the same.
    assert before.lids == {"north-bench": "ajar"}
    assert before.borrowings["north-bench"].probe == "28-0316a2790007"


def test_what_the_ring_holds_comes_after_what_was_carried_over(tmp_path):
    path = written(tmp_path)
    disk_full = journal(tmp_path, SetClock(50_000.0, NOW_MS + 50_000_000))
    assert disk_full.flush(10.0)
    disk_full.note_season(look(ENTRIES + 1))
    assert disk_full.flush(10.0)
    (ring,) = rings(tmp_path)
    copy = ring.read_bytes()
    disk_full.close()
    ring.write_bytes(copy)  # killed: what the file holds is in the ring too
    with sqlite3.connect(path) as connection:
        connection.execute("UPDATE run SET closed = 0")
    connection.close()
    spoil(path, page_of(path, "look 20 look 20"))
    before = past(tmp_path)
    found = reopened(tmp_path)
    assert list(before.season) == found
    assert found[-1].number == ENTRIES + 1
    assert [dated.entry.note for dated in found].count(look(ENTRIES + 1).note) == 1


@pytest.mark.parametrize("table", ["run", "clock", "chamber"])
def test_the_ledger_outlives_the_rows_that_it_hangs_on(tmp_path, table):
    path = written(tmp_path)
    spoil(path, root_of(path, table))
    assert [dated.number for dated in past(tmp_path).season] == list(range(1, ENTRIES + 1))
    found = reopened(tmp_path)
    assert [dated.entry for dated in found] == [look(n + 1) for n in range(ENTRIES)]
    if table != "clock":
        assert found[0].entered_ms == NOW_MS + 0


def test_a_table_whose_definition_was_hit_is_damage(tmp_path):
    """SQLite takes any definition that it can read; the rows of the table are lost."""
    path = written(tmp_path)
    data = path.read_bytes()
    path.write_bytes(data.replace(b"boot_id TEXT NOT NULL,", b"bo_t_id TEXT NOT NULL,", 1))
    before = past(tmp_path)
    found = reopened(tmp_path)
    assert "damaged" in (before.trouble or "")
    assert list(before.season) == found
    assert [dated.entry for dated in found] == [look(n + 1) for n in range(ENTRIES)]
    assert len(list(tmp_path.glob("log.sqlite.damaged-*"))) == 1


def test_a_header_of_a_format_that_there_is_not_is_damage(tmp_path):
    path = written(tmp_path)
    with path.open("r+b") as file:
        file.seek(47)
        file.write(b"\x55")
    assert "damaged" in (past(tmp_path).trouble or "")
    reopened(tmp_path)
    assert len(list(tmp_path.glob("log.sqlite.damaged-*"))) == 1


@pytest.mark.parametrize("content", [b"nonsense" * 900, b"SQLite format 3\0" + b"\xa5" * 8000])
def test_of_a_file_that_is_no_log_nothing_is_carried_over(tmp_path, content):
    (tmp_path / "log.sqlite").write_bytes(content)
    assert past(tmp_path).season == ()
    assert reopened(tmp_path) == []
    (told,) = raw(tmp_path / "log.sqlite", "SELECT text FROM event")
    assert "was set aside" in told[0]


@pytest.mark.parametrize("number", [1, 2, 3])
def test_of_an_older_format_too(tmp_path, number):
    path = old_log(tmp_path, number)
    (tending, reference) = (rows(path, "tending"), rows(path, "reference"))
    with contextlib.closing(migrations.connect(path)) as connection:
        connection.execute("PRAGMA journal_mode = DELETE")
        (root,) = connection.execute(
            "SELECT rootpage FROM sqlite_schema WHERE name = 'sample'"
        ).fetchone()
        size = migrations.pragma(connection, "page_size")
    with path.open("r+b") as file:
        file.seek((root - 1) * size)
        file.write(b"\xa5" * size)
    reopened(tmp_path)
    assert [row[: len(tending[0])] for row in rows(path, "tending")] == tending
    assert [row[: len(reference[0])] for row in rows(path, "reference")] == reference
    assert check(path, lambda *_: None).defects == ()


def test_where_the_card_does_not_take_it_a_new_log_is_begun_all_the_same(tmp_path):
    path = written(tmp_path)
    spoil(path, page_of(path, "look 20 look 20"))

    class Full(sqlite3.Connection):
        def execute(self, sql: str, values=()):
            if sql.startswith("INSERT OR IGNORE INTO season_entry"):
                raise sqlite3.OperationalError("database or disk is full")
            return super().execute(sql, values)

    def connect(path: Path) -> sqlite3.Connection:
        return sqlite3.connect(
            path, timeout=2.0, isolation_level=None, check_same_thread=False, factory=Full
        )

    kept = journal(tmp_path, connect=connect)
    kept.record([sample(110.0)], [])
    assert kept.flush(60.0)
    kept.close()
    assert any("could not be carried over" in text for text in kept.notices())
    with LogReader(path) as log:
        assert len(list(log.samples("north-bench"))) == 1
        assert log.season_entries() == []
    assert check(path, lambda *_: None).defects == ()


def sample_pages(path: Path) -> list[int]:
    """Leaf pages of the samples: full of the wet layer's 29.400 °C."""
    data = path.read_bytes()
    pages = [data[at : at + PAGE] for at in range(0, len(data), PAGE)]
    value = (29_400).to_bytes(2, "big")
    return [n for n, page in enumerate(pages) if page[0] == 0x0D and page.count(value) > 10]


def test_rescue_reads_past_every_damaged_page(tmp_path):
    path = written(tmp_path / "state")
    leaves = sample_pages(path)
    whole = dict(raw(path, "SELECT id, t_ms FROM sample_row"))
    assert len(leaves) > 30
    for page in (leaves[0], leaves[7], leaves[8], leaves[20], leaves[-1]):
        spoil(path, page)
    was = path.read_bytes()
    target = tmp_path / "rescued.sqlite"
    found = rescue(path, target, lambda *_: None)
    assert path.read_bytes() == was
    rescued = dict(raw(target, "SELECT id, t_ms FROM sample_row"))
    assert rescued.items() <= whole.items()
    lost = len(whole) - len(rescued)
    assert 5 < lost < 5 * 60
    assert found.rows == len(rescued) == len(whole) - lost
    assert check(target, lambda *_: None).defects == ()
    assert len(rows(target, "season_entry")) == ENTRIES
    assert sorted(tmp_path.iterdir()) == [target, tmp_path / "state"]
    with LogReader(target) as log:
        assert len(list(log.samples("north-bench"))) == len(rescued)
    kept = journal(tmp_path / "state", SetClock(90_000.0, NOW_MS + 90_000_000))
    assert kept.flush(60.0)  # the service does the same, without the samples
    kept.close()
    with LogReader(path) as log, LogReader(target) as other:
        assert log.season_entries() == other.season_entries()
        assert log.ledger() == other.ledger()
        assert log.alarms() == other.alarms()


def test_rescue_of_nothing_is_one_sentence(tmp_path):
    (tmp_path / "log.sqlite").write_bytes(b"notes: buy peat " * 500)
    with pytest.raises(LogError, match="Nothing can be read"):
        rescue(tmp_path / "log.sqlite", tmp_path / "out.sqlite", lambda *_: None)
    with pytest.raises(LogError, match="There is no file"):
        rescue(tmp_path / "none.sqlite", tmp_path / "out.sqlite", lambda *_: None)
    with pytest.raises(InputError, match="exists already"):
        rescue(tmp_path / "log.sqlite", tmp_path / "log.sqlite", lambda *_: None)
    assert [each.name for each in tmp_path.iterdir()] == ["log.sqlite"]


@pytest.fixture(scope="module")
def whole(tmp_path_factory) -> Path:
    return written(tmp_path_factory.mktemp("whole"))


@settings(max_examples=25, deadline=None)
@given(
    hits=st.lists(st.tuples(st.integers(0, 10**6), st.integers(1, 3000)), min_size=1, max_size=4)
)
def test_whatever_is_damaged_a_whole_log_is_begun(tmp_path_factory, whole, hits):
    """Bytes anywhere but in the header, which says whose file it is and of which format."""
    folder = tmp_path_factory.mktemp("log")
    path = folder / "log.sqlite"
    data = bytearray(whole.read_bytes())
    for at, length in hits:
        begin = 100 + at % (len(data) - 100)
        for place in range(begin, min(begin + length, len(data))):
            data[place] ^= 0x5A
    path.write_bytes(data)
    before = past(folder)
    found = reopened(folder)
    told = {n: look(n) for n in range(1, ENTRIES + 1)}
    aside = list(folder.glob("log.sqlite.damaged-*"))
    if aside:
        # A run whose moments on both clocks are lost cannot be placed, and verify says so.
        defects = check(path, lambda *_: None).defects
        assert [each for each in defects if "cannot be placed in time" not in each] == []
        if before.trouble is None or "word" not in before.trouble:
            # Times may differ: the new run's clock ties those of its boot.
            known = [(dated.number, dated.entry) for dated in before.season]
            assert known == [(dated.number, dated.entry) for dated in found]
    assert {dated.number for dated in found} <= set(told)
