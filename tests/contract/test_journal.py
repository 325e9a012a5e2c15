"""What every ``ports.Journal`` does."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

from bottomheat.ports import Journal
from bottomheat.season.ledger import SeasonEntry, What
from bottomheat_drivers.log import LogReader, MemoryJournal
from log_tools import NOW_MS, SetClock, check, entry, journal, note, sample


@dataclass
class Case:
    """A journal, and what can be read back from it."""

    journal: Any
    seen: Callable[[], dict[str, list]]


def memory(_folder: Path) -> Case:
    kept = MemoryJournal()
    return Case(
        kept,
        lambda: {
            "samples": [(r.chamber, r.at_s, r.heat) for r in kept.records],
            "events": list(kept.events),
            "clock": [(round(m * 1000), w, s) for m, w, s in kept.clock_rows],
            "configs": list(kept.configs),
            "tendings": list(kept.tendings),
            "references": list(kept.references),
            "drops": list(kept.drops),
            "probe_checks": list(kept.probe_checks),
            "borrowings": list(kept.borrowings),
            "borrowed": list(kept.borrowed),
            "season": list(kept.season),
        },
    )


def from_file(folder: Path) -> dict[str, list]:
    with LogReader(folder / "log.sqlite") as log:
        samples = [row for name in log.chambers() for row in log.samples(name)]
        samples.sort(key=lambda row: row.t_ms)
        clock = log._all("SELECT t_ms, wall_ms, synchronised FROM clock ORDER BY id")[1:]
        return {
            "samples": [(r.chamber, r.t_ms / 1000, r.heat) for r in samples],
            "events": [row.event for row in log.events()],
            "clock": [(t, w, bool(s)) for t, w, s in clock],
            "configs": [(row.text, row.checksum) for row in log.configs()],
            "tendings": [(r.chamber, r.doing, r.note, r.for_s, r.lid) for r in log.tendings()],
            "references": [r.entry for r in sorted(log.ledger(), key=lambda r: r.number)],
            "drops": [(r.number, r.dropped) for r in log.ledger() if r.dropped is not None],
            "probe_checks": [row.check for row in log.probe_checks()],
            "borrowings": [(r.chamber, r.probe, r.for_s, r.note) for r in log.borrowings()],
            "borrowed": [
                (name, celsius, (wall_ms - NOW_MS) / 1000 + 100.0)
                for name in log.chambers()
                for wall_ms, celsius in log.borrowed(name)
            ],
            "season": [dated.entry for dated in log.season_entries()],
        }


def background(folder: Path) -> Case:
    return Case(journal(folder, SetClock()), lambda: from_file(folder))


def foreground(folder: Path) -> Case:
    return Case(journal(folder, SetClock(), background=False), lambda: from_file(folder))


@pytest.fixture(params=[memory, background, foreground])
def case(request, tmp_path):
    found = request.param(tmp_path)
    yield found
    found.journal.close()


def test_gives_back_everything_in_order(case):
    taken: Journal = case.journal
    first, second = sample(110.0), sample(120.0, heat=False)
    other = sample(120.5, chamber="south-bench")
    events = [note(110.0, "first"), note(120.0, "second", durable=True), note(121.0, "third")]
    taken.record([first], events[:1])
    taken.note_clock(115.0, NOW_MS + 15_000, True)
    taken.note_config("cycle: 10\n", "abc")
    taken.record([second, other], events[1:])
    case.journal.note_tending("north-bench", "water", "2 l, lukewarm")
    case.journal.note_tending("north-bench", "look", "", 1800.0, "ajar")
    readings = [entry(), entry("south-bench", 21.5, spot="corner", lid="ajar", ago_s=90.0)]
    for reading in readings:
        taken.note_reference(reading)
    taken.note_drop(2, "thermometer lay on the mat")
    taken.note_probe_check(check())
    taken.note_borrowing("south-bench", "28-0316a2790007", 5 * 86_400.0, "for a week")
    for n in range(3):
        taken.note_borrowed("south-bench", 23.5 + n, 160.0 + 60 * n)
    taken.note_borrowing("south-bench", "28-0316a2790007", None)
    made = SeasonEntry(
        What.ADD,
        "MUL-1",
        "unheated",
        {"species": "mulberry", "kind": "cuttings", "count": 40, "height_mm": 30.5},
        "from the tree by the gate",
        NOW_MS - 86_400_000,
    )
    taken.note_season(made)
    done = SeasonEntry(What.DONE, chamber="north-bench", data={"reminder": "layer"}, corrects=1)
    taken.note_season(done)
    taken.write_soon()
    taken.close()
    assert taken.failure() is None
    assert case.seen() == {
        "samples": [
            ("north-bench", 110.0, True),
            ("north-bench", 120.0, False),
            ("south-bench", 120.5, True),
        ],
        "events": events,
        "clock": [(115_000, NOW_MS + 15_000, True)],
        "configs": [("cycle: 10\n", "abc")],
        "tendings": [
            ("north-bench", "water", "2 l, lukewarm", None, None),
            ("north-bench", "look", "", 1800.0, "ajar"),
        ],
        "references": readings,
        "drops": [(2, "thermometer lay on the mat")],
        "probe_checks": [check()],
        "borrowings": [
            ("south-bench", "28-0316a2790007", 432_000.0, "for a week"),
            ("south-bench", "28-0316a2790007", None, ""),
        ],
        "borrowed": [
            ("south-bench", 23.5, 160.0),
            ("south-bench", 24.5, 220.0),
            ("south-bench", 25.5, 280.0),
        ],
        "season": [made, done],
    }


def test_close_twice_and_rows_that_come_too_late(case):
    case.journal.record([sample(110.0)], [])
    case.journal.close()
    case.journal.close()
    case.journal.record([sample(120.0)], [note(120.0, "late", durable=True)])
    case.journal.note_clock(120.0, NOW_MS, True)
    case.journal.note_config("late", "late")
    case.journal.note_reference(entry())
    case.journal.note_drop(1, "late")
    case.journal.note_probe_check(check())
    case.journal.note_borrowing("north-bench", "28-0316a2790007", 60.0)
    case.journal.note_borrowed("north-bench", 20.0, 120.0)
    case.journal.note_season(SeasonEntry(What.DONE, data={"reminder": "mist"}))
    case.journal.write_soon()
    seen = case.seen()
    assert seen["samples"] == [("north-bench", 110.0, True)]
    assert seen["events"] == []
    assert seen["configs"] == []
    for what in ("references", "drops", "probe_checks", "borrowings", "borrowed", "season"):
        assert seen[what] == []


def test_takes_nothing_at_all(case):
    case.journal.record([], [])
    case.journal.close()
    assert case.journal.failure() is None
    assert case.seen()["samples"] == []


def test_memory_journal_fails_on_order():
    kept = MemoryJournal()
    kept.failing = "The card is full."
    kept.record([sample(1.0)], [note(1.0, "a")])
    assert (kept.failure(), kept.lost, kept.records) == ("The card is full.", 2, [])
