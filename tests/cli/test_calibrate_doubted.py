"""A thermometer read while the wet-layer probe is in doubt is kept, and nothing is fitted to it."""

from __future__ import annotations

from pathlib import Path

import pytest

from bottomheat import doubtful
from bottomheat.model import Alarm, Estimate, Event, EventKind, Good, Place
from bottomheat.protect import accused
from bottomheat_drivers.clock import SystemClock
from bottomheat_drivers.log import LogReader, SqliteJournal
from clibench import Shed
from log_tools import SetClock, sample

pytestmark = pytest.mark.process

MINUTES = 30 * 60
FOUND = MINUTES - 60
BEGAN_S = 1000.0


@pytest.fixture
def shed(tmp_path: Path) -> Shed:
    """A box held for 29 hours, and its probe found displaced an hour ago, 40 minutes late."""
    found = Shed(tmp_path)
    now_ms = SystemClock().wall_ms()
    clock = SetClock(BEGAN_S, now_ms - MINUTES * 60_000)
    path = tmp_path / "state" / "log.sqlite"
    journal = SqliteJournal(path, None, clock, "0.1.0", "boot-1", background=False)
    journal.note_config(found.config.read_text(), "checksum")
    for minute in range(MINUTES + 1):
        at_s = BEGAN_S + minute * 60.0
        events = []
        if minute == FOUND:
            text = doubtful.words(accused.DISPLACED, 40 * 60.0)
            events = [
                Event(
                    EventKind.ALARM_RAISED,
                    at_s,
                    "north-bench",
                    "a probe in the bed",
                    Alarm.PROBE_DISPLACED,
                    durable=True,
                ),
                Event(EventKind.DOUBTED, at_s, "north-bench", text),
            ]
        readings = ((Place.SUBSTRATE, Good(29.5, at_s)), (Place.ROOM, Good(11.0, at_s)))
        estimate = None if minute >= FOUND else Estimate(24.9, 0.6)
        journal.record([sample(at_s, readings=readings, estimate=estimate, closings=0)], events)
    clock.now_s, clock.wall = BEGAN_S + MINUTES * 60.0, now_ms
    journal.note_clock(clock.now_s, now_ms, True)
    journal.close()
    return found


@pytest.mark.parametrize(
    ("when", "used"), [("1m ago", False), ("80m ago", False), ("2h ago", True)]
)
def test_a_reading_is_used_only_where_the_probe_was_right(
    shed: Shed, when: str, used: bool
) -> None:
    words = ("--reference", "25.0", "--at", when, "--yes")
    done = shed.run("calibrate", "add", "--chamber", "north-bench", *words)
    assert done.returncode == 0, done.stderr
    with LogReader(shed.folder / "state" / "log.sqlite") as log:
        (kept,) = log.ledger()
    pairing = kept.entry.pairing
    assert pairing.steady is used
    said = " ".join(done.stdout.split())
    assert ("not used for a fit: the wet-layer probe was in doubt then" in said) is not used
