"""Looking back at the start: what log and ring files say of the time before, in any state."""

from __future__ import annotations

import shutil
import signal
import sqlite3
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from bottomheat.model import Estimate, Event, EventKind
from bottomheat.outage import Before, Start
from bottomheat.protect.tending import Doing, Lid, Tending
from bottomheat.protect.watch import AWAY, BACK
from bottomheat.restart import openings, restarted
from bottomheat_drivers.log import LogReader
from bottomheat_drivers.log.before import Past, look_back
from log_tools import NOW_MS, SetClock, journal, sample
from plant import chamber_keys, config
from service import Service

LOG = "log.sqlite"


def cut(folder: Path, to: Path, *, memory: bool) -> Path:
    """What is left when all stops at this moment: the card, and memory unless the power went."""
    to.mkdir()
    for path in folder.glob(f"{LOG}*"):
        shutil.copy(path, to)
    if memory:
        shutil.copytree(folder / "run", to / "run")
    return to


def look(folder: Path, boot_id: str, within_s: float = 10.0) -> Past:
    return look_back(folder / LOG, folder / "run", boot_id, within_s)


def test_a_probe_that_was_found_displaced_is_known_after_a_cut(tmp_path):
    def told(at_s: float, text: str, kind: EventKind = EventKind.DIAGNOSED) -> list[Event]:
        return [Event(kind, at_s, "north-bench", text, durable=True)]

    kept = journal(tmp_path / "a", boot_id="boot-1")
    kept.record([sample(110.0)], told(110.0, f"{AWAY}: it fell"))
    assert kept.flush(60.0)
    kept.record([sample(120.0)], [])  # only in memory yet
    left = cut(tmp_path / "a", tmp_path / "b", memory=True)
    for boot in ("boot-1", "boot-2"):
        before = look(left, boot).before
        assert before is not None
        assert before.displaced == {"north-bench"}
    kept.record([sample(130.0)], told(130.0, f"{BACK}: heat is tried"))
    left = cut(tmp_path / "a", tmp_path / "c", memory=True)
    before = look(left, "boot-1").before
    assert before is not None
    assert before.displaced == frozenset()
    kept.record([sample(140.0)], told(140.0, f"{AWAY}: again"))
    kept.record([], told(150.0, "cleared", EventKind.RESET))
    assert kept.flush(60.0)
    kept.close()
    before = look(tmp_path / "a", "boot-2").before
    assert before is not None
    assert before.displaced == frozenset()


def test_before_the_first_start_there_is_nothing(tmp_path):
    assert look(tmp_path, "boot-1") == Past(closings={})
    (tmp_path / LOG).touch()
    assert look(tmp_path, "boot-1") == Past(closings={})


def test_after_a_power_cut_the_last_sample_on_the_card_counts(tmp_path):
    kept = journal(tmp_path / "a", boot_id="boot-1")
    kept.record([sample(110.0), sample(110.0, "south-bench", estimate=None)], [])
    kept.record([sample(120.0, estimate=Estimate(24.0, 0.5))], [])
    assert kept.flush(60.0)
    kept.record([sample(130.0)], [])  # only in memory yet
    left = cut(tmp_path / "a", tmp_path / "b", memory=False)
    kept.close()
    assert look(left, "boot-2") == Past(
        Before(
            "boot-1",
            120.0,
            NOW_MS + 20_000,
            orderly=False,
            estimates=(("north-bench", Estimate(24.0, 0.5)), ("south-bench", None)),
        ),
        closings={"north-bench": 0, "south-bench": 0},
    )


def test_after_a_kill_the_rows_in_memory_count_too(tmp_path):
    kept = journal(tmp_path / "a", boot_id="boot-1")
    kept.record([sample(110.0)], [])
    assert kept.flush(60.0)
    kept.record([sample(140.0, estimate=Estimate(23.5, 0.5))], [])
    left = cut(tmp_path / "a", tmp_path / "b", memory=True)
    kept.close()
    past = look(left, "boot-1")
    assert past.before is not None
    assert (past.before.last_s, past.before.orderly) == (140.0, False)
    assert past.before.estimates == (("north-bench", Estimate(23.5, 0.5)),)
    # The same files after a restart of the machine: what lay in memory is of another clock.
    past = look(left, "boot-2")
    assert past.before is not None
    assert past.before.last_s == 110.0


def test_an_orderly_end_is_known_from_the_file_and_from_memory(tmp_path):
    kept = journal(tmp_path / "a", boot_id="boot-1")
    stopped = Event(EventKind.STOPPED, 115.0, None, "service stopped", durable=True)
    kept.record([sample(110.0)], [stopped])
    left = cut(tmp_path / "a", tmp_path / "b", memory=True)
    kept.close()
    for folder in (left, tmp_path / "a"):
        past = look(folder, "boot-1")
        assert past.before is not None
        assert past.before.orderly


def test_a_log_closed_by_a_service_that_died_of_a_fault_is_no_orderly_end(tmp_path):
    kept = journal(tmp_path, boot_id="boot-1")
    kept.record([sample(110.0)], [])
    kept.close()
    past = look(tmp_path, "boot-1")
    assert past.before is not None
    assert not past.before.orderly


def test_a_command_run_in_between_is_no_run_of_the_service(tmp_path):
    kept = journal(tmp_path, boot_id="boot-1")
    kept.record([sample(110.0)], [])
    assert kept.flush(60.0)
    left = cut(tmp_path, tmp_path / "b", memory=False)
    kept.close()
    offline = journal(left, SetClock(5.0), boot_id="boot-2", background=False)
    offline.note_tending("north-bench", "look", "", 600.0, None)
    offline.close()
    past = look(left, "boot-3")
    assert past.before is not None
    assert (past.before.boot_id, past.before.orderly) == ("boot-1", False)


def test_a_clock_that_was_never_set_places_nothing(tmp_path):
    kept = journal(tmp_path, SetClock(synchronised=False), boot_id="boot-1", background=False)
    kept.record([sample(110.0)], [])
    kept.close()
    past = look(tmp_path, "boot-2")
    assert past.before is not None
    assert past.before.last_wall_ms is None


def test_lids_outlive_everything_and_spells_their_boot_only(tmp_path):
    first = journal(tmp_path, boot_id="boot-1", background=False)
    first.note_tending("north-bench", "fill", "", 3600.0, "off")
    first.note_tending("south-bench", "look", "", 3600.0, "ajar")
    first.note_tending("attic", "look", "", 3600.0, None)
    first.close()
    second = journal(tmp_path, SetClock(50.0), boot_id="boot-2", background=False)
    second.note_tending("north-bench", "water", "2 l", 1800.0, None)
    second.note_tending("south-bench", "look", "", 1800.0, "sideways")
    second.note_tending("south-bench", "done")
    second.close()
    past = look(tmp_path, "boot-2")
    assert past.lids == {"north-bench": Lid.OFF, "south-bench": Lid.AJAR}
    assert past.tendings == {"north-bench": Tending(Doing.WATER, 50.0, 1850.0, "2 l")}
    assert look(tmp_path, "boot-3").tendings == {}


def test_tending_that_never_reached_the_card_is_found_in_memory(tmp_path):
    kept = journal(tmp_path / "a", boot_id="boot-1")
    kept.note_tending("north-bench", "fill", "", 3600.0, "ajar")
    left = cut(tmp_path / "a", tmp_path / "b", memory=True)
    kept.close()
    for path in left.glob(f"{LOG}*"):
        path.unlink()
    past = look(left, "boot-1")
    assert past.lids == {"north-bench": Lid.AJAR}
    assert past.tendings["north-bench"].doing is Doing.FILL


def test_the_state_takes_over_lids_and_the_spells_that_still_run():
    boxes = config(north=chamber_keys(), south=chamber_keys(1))
    running = Tending(Doing.FILL, 100.0, 400.0)
    past = Past(lids={"north": Lid.OFF, "attic": Lid.AJAR}, tendings={"south": running})
    state = restarted(boxes, {"north": "hot"}, past, Start("boot-1", 399.0, NOW_MS), proved=True)
    assert state.chambers["north"].cutoff.latched == "hot"
    assert (state.chambers["north"].lid, state.chambers["south"].lid) == (Lid.OFF, Lid.ON)
    assert state.chambers["south"].tending == running
    assert set(state.chambers) == {"north", "south"}
    for now_s in (99.0, 400.0):
        start = Start("boot-1", now_s, NOW_MS)
        after = restarted(boxes, {}, past, start, proved=True)
        assert after.chambers["south"].tending is None


@pytest.mark.parametrize(
    ("gap_s", "taken_c"), [(60.0, 24.6), (3500.0, 24.6), (3700.0, None), (86_400.0, None)]
)
def test_the_state_takes_over_an_estimate_that_is_not_old(gap_s, taken_c):
    before = Before("boot-1", 1000.0, None, True, (("north", Estimate(24.6, 0.6)), ("south", None)))
    boxes = config(north=chamber_keys(), south=chamber_keys(1))
    for start, expected_c in (
        (Start("boot-1", 1000.0 + gap_s, None), taken_c),
        (Start("boot-2", 5.0, NOW_MS), None),  # no clock tells how long ago
    ):
        chambers = restarted(boxes, {}, Past(before), start, proved=True).chambers
        assert chambers["north"].estimator.before_c == expected_c
        assert chambers["south"].estimator.before_c is None


@pytest.mark.parametrize("content", [b"nonsense " * 2000, b"SQLite format 3\x00" + b"\xff" * 8000])
def test_a_damaged_log_is_only_no_outage_and_a_word_about_the_lids(tmp_path, content):
    (tmp_path / LOG).write_bytes(content)
    past = look(tmp_path, "boot-1")
    assert past.before is None
    assert past.trouble is not None
    (event,), after = openings(past, Start("boot-1", 5.0, NOW_MS))
    assert after is None
    assert "every lid is taken to be on" in event.text
    assert event.kind is EventKind.TENDING


def test_a_damaged_ring_file_is_passed_over(tmp_path):
    kept = journal(tmp_path, boot_id="boot-1")
    kept.record([sample(110.0)], [])
    kept.close()
    (tmp_path / "run" / "log-broken.ring").write_bytes(b"\x00" * 4096)
    past = look(tmp_path, "boot-1")
    assert past.trouble is None
    assert past.before is not None


def test_a_log_of_the_format_before_knows_no_lids_and_is_no_trouble(tmp_path):
    journal(tmp_path, background=False).close()
    connection = sqlite3.connect(tmp_path / LOG)
    connection.execute("PRAGMA user_version = 1")
    connection.close()
    assert look(tmp_path, "boot-1") == Past()


def test_a_log_that_another_program_locks_does_not_hold_up_the_start(tmp_path):
    journal(tmp_path, background=False).close()
    other = sqlite3.connect(tmp_path / LOG, isolation_level=None)
    other.execute("PRAGMA locking_mode = EXCLUSIVE")
    other.execute("UPDATE run SET version = 'x'")
    began = time.monotonic()
    past = look(tmp_path, "boot-1", within_s=0.3)
    took_s = time.monotonic() - began
    other.close()
    assert past.trouble is not None
    assert past.before is None
    assert took_s < 3


@pytest.fixture
def service(tmp_path: Path) -> Iterator[Service]:
    made = Service(tmp_path)
    yield made
    made.end()


def outages(service: Service) -> list[Event]:
    with LogReader(service.state / LOG) as log:
        return [row.event for row in log.events(kind=EventKind.OUTAGE)]


@pytest.mark.process
def test_a_killed_service_says_so_at_its_next_start_and_still_knows_lid_and_spell(
    service: Service,
) -> None:
    def estimated() -> bool:
        return service.chamber()["estimate_c"] is not None

    service.start()
    service.wait(estimated)
    tended = service.command("tend", "north-bench", "--doing", "water", "--lid", "ajar")
    assert tended.returncode == 0, tended.stderr
    assert "watering" in tended.stdout
    assert "not running" not in tended.stdout
    refused = service.command("tend", "attic", "--doing", "look")
    assert (refused.returncode, refused.stdout) == (10, "")
    service.stop(signal.SIGKILL)

    service.start()
    service.wait(lambda: estimated() and len(outages(service)) >= 2)
    opened, first = outages(service)
    assert "the service died or was killed" in opened.text
    assert "north-bench 1" in opened.text or "north-bench 2" in opened.text
    assert first.chamber == "north-bench"
    assert "first estimate after the outage" in first.text
    done = service.command("tend", "north-bench", "--done")
    assert "north-bench is no longer tended" in done.stdout
    assert "still taken to be ajar" in done.stdout
    assert service.stop() == 0

    service.start()
    service.wait(estimated)
    assert service.stop() == 0
    assert len(outages(service)) == 2, "an orderly restart is no outage"
    with LogReader(service.state / LOG) as log:
        assert [(row.doing, row.lid) for row in log.tendings()] == [
            ("water", "ajar"),
            ("done", None),
        ]
