"""What a start and a reader find in the log of borrowed probes, of the room and of the lid."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from bottomheat.model import Bad, Fault, Good, Place
from bottomheat_drivers.log import LogReader
from bottomheat_drivers.log.before import Lent, Past, look_back
from log_tools import (
    LONG_NOTE,
    NOW_MS,
    Disk,
    SetClock,
    journal,
    old_log,
    sample,
)

PROBE = "28-0316a2790007"
DAY_S = 86_400.0


def killed(folder: Path, to: Path) -> Path:
    """What a kill at this moment leaves: the card and the memory."""
    to.mkdir()
    for path in folder.glob("log.sqlite*"):
        shutil.copy(path, to)
    shutil.copytree(folder / "run", to / "run")
    return to


def test_borrowed_readings_of_a_stretch_of_time(tmp_path):
    kept = journal(tmp_path, background=False)
    kept.note_borrowing("north-bench", PROBE, DAY_S, "spare probe, base depth")
    for n in range(10):
        kept.note_borrowed("north-bench", 20.0 + n, 100.0 + 60 * n)
        kept.note_borrowed("south-bench", 5.0, 100.0 + 60 * n)
    kept.note_borrowed("north-bench", float("nan"), 700.0)
    kept.note_borrowing("north-bench", PROBE, None, "over")
    kept.close()
    with LogReader(tmp_path / "log.sqlite") as log:
        stretch = list(log.borrowed("north-bench", NOW_MS + 60_000, NOW_MS + 180_000))
        assert stretch == [(NOW_MS + 60_000, 21.0), (NOW_MS + 120_000, 22.0)]
        assert len(list(log.borrowed("north-bench"))) == 10
        assert list(log.borrowed("attic")) == []
        told = [(row.chamber, row.probe, row.for_s, row.note) for row in log.borrowings()]
        assert [row.wall_ms for row in log.borrowings()] == [NOW_MS, NOW_MS]
    assert told == [
        ("north-bench", PROBE, DAY_S, "spare probe, base depth"),
        ("north-bench", PROBE, None, "over"),
    ]


def look(folder: Path, boot_id: str = "boot-1") -> Past:
    return look_back(folder / "log.sqlite", folder / "run", boot_id, 10.0)


def test_a_borrowed_probe_is_gone_on_with_after_a_stop(tmp_path):
    clock = SetClock(100.0)
    kept = journal(tmp_path, clock)
    kept.note_borrowing("north-bench", "28-of-before", DAY_S)
    kept.note_borrowed("north-bench", 20.0, 160.0)  # of the one before: does not count
    clock.now_s = 200.0
    kept.note_borrowing("north-bench", PROBE, 3600.0)
    kept.note_borrowing("south-bench", PROBE, 3600.0)
    for n in range(1, 11):
        kept.note_borrowed("north-bench", 20.0, 200.0 + 60 * n)
    clock.now_s = 900.0
    kept.note_borrowing("south-bench", PROBE, None)
    kept.close()
    assert look(tmp_path).borrowings == {"north-bench": Lent(PROBE, 3000.0)}
    # Another boot, another run: what it taught since counts, and the time of the stop does not.
    later = journal(tmp_path, SetClock(5.0, NOW_MS + 10**9), boot_id="boot-2")
    later.note_borrowed("north-bench", 20.0, 6.0)
    later.close()
    assert look(tmp_path, "boot-3").borrowings == {"north-bench": Lent(PROBE, 2940.0)}


def test_one_that_taught_long_enough_is_not_gone_on_with(tmp_path):
    kept = journal(tmp_path)
    kept.note_borrowing("north-bench", PROBE, 600.0)
    for n in range(1, 11):
        kept.note_borrowed("north-bench", 20.0, 100.0 + 60 * n)
    kept.close()
    assert look(tmp_path).borrowings == {}


@pytest.mark.parametrize("ended", [False, True])
def test_borrowed_readings_in_memory_count_once(tmp_path, ended):
    """Killed: five readings on the card and in the ring file, five in the ring file alone."""
    kept = journal(tmp_path / "a", SetClock(50.0))
    kept.note_borrowing("north-bench", PROBE, 3600.0)
    kept.close()
    kept = journal(tmp_path / "a")
    for n in range(1, 6):
        kept.note_borrowed("north-bench", 20.0, 100.0 + 60 * n)
    assert kept.flush(60.0)
    for n in range(6, 11):
        kept.note_borrowed("north-bench", 20.0 + n, 100.0 + 60 * n)
    if ended:
        kept._clock.now_s = 800.0
        kept.note_borrowing("north-bench", PROBE, None)
    left = killed(tmp_path / "a", tmp_path / "b")
    kept.close()
    expected = {} if ended else {"north-bench": Lent(PROBE, 3000.0)}
    assert look(left).borrowings == expected
    journal(left).close()  # the rows in memory come back
    with LogReader(left / "log.sqlite") as log:
        values = [celsius for _, celsius in log.borrowed("north-bench")]
    assert values == [20.0] * 5 + [26.0, 27.0, 28.0, 29.0, 30.0]
    assert look(left).borrowings == expected


def test_a_borrowing_in_memory_alone_is_known(tmp_path):
    disk = Disk()
    kept = journal(tmp_path / "a", connect=disk.connect)
    assert kept.flush(60.0)
    disk.goes_on.clear()
    kept.note_borrowing("north-bench", PROBE, 3600.0, LONG_NOTE)
    kept.note_borrowed("north-bench", 20.0, 160.0)
    left = killed(tmp_path / "a", tmp_path / "b")
    disk.goes_on.set()
    kept.close()
    assert look(left).borrowings == {"north-bench": Lent(PROBE, 3540.0)}


def test_the_first_start_after_an_update_knows_the_lids(tmp_path):
    """A log of format 2 is brought up to date only after the look back."""
    old_log(tmp_path, 2, left=True)
    past = look(tmp_path)
    assert {name: lid.value for name, lid in past.lids.items()} == {
        "north-bench": "ajar",
        "south-bench": "off",
    }
    assert past.trouble is None
    assert past.borrowings == {}
    assert past.before.last_s == 140.0


# -- the room and the lid


def test_the_coldest_room(tmp_path):
    def at(at_s, room, chamber="north-bench"):
        return sample(at_s, chamber, readings=((Place.SUBSTRATE, Good(29.0, at_s)), room))

    kept = journal(tmp_path, background=False)
    kept.record(
        [
            at(110.0, (Place.ROOM, Good(7.25, 110.0))),
            at(120.0, (Place.ROOM, Good(-1.5, 120.0))),
            at(130.0, (Place.ROOM, Bad(Fault.CRC, 130.0))),
            at(140.0, (Place.ROOM, Good(-9.0, 140.0)), "south-bench"),
            sample(150.0, "attic", readings=((Place.SUBSTRATE, Good(29.0, 150.0)),)),
        ],
        [],
    )
    kept.close()
    with LogReader(tmp_path / "log.sqlite") as log:
        found = [log.coldest_room(name) for name in ("north-bench", "south-bench", "attic", "no")]
    assert found == [-1.5, -9.0, None, None]


def test_how_the_lid_lay_at_a_time(tmp_path):
    clock = SetClock(100.0)
    kept = journal(tmp_path, clock, background=False)
    for at_s, chamber, lid in (
        (200.0, "north-bench", "ajar"),
        (250.0, "south-bench", "off"),
        (300.0, "north-bench", None),
        (400.0, "north-bench", "off"),
        (400.0, "north-bench", "on"),
        (500.0, "north-bench", "ajar"),
    ):
        clock.now_s = at_s
        kept.note_tending(chamber, "look", "", 60.0, lid)
    kept.close()
    with LogReader(tmp_path / "log.sqlite") as log:
        lids = [log.lid_at("north-bench", NOW_MS + 1000 * s) for s in (0, 99, 100, 250, 300, 400)]
    assert lids == ["on", "on", "ajar", "ajar", "on", "ajar"]
