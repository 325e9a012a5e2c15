"""Small logs with batches in them, for tests of commands about a season."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime
from pathlib import Path

from bottomheat.model import Condition, Estimate, Good, Place, Record
from bottomheat.season.ledger import DAY_MS, SeasonEntry, What
from bottomheat_drivers.clock import ManualClock
from bottomheat_drivers.log import SqliteJournal

BEGINS_MS = round(datetime(2026, 1, 5, 8, tzinfo=UTC).timestamp() * 1000)
EVERY_S = 900.0

CONFIG = """\
log: {folder}/state/log.sqlite
run_folder: {folder}/run
chambers:
  north-bench:
    callus_zone: 24
    heater: {{gpio: 17, watts: 45}}
    probes: {{substrate: 28-000000000001, room: 28-000000000002, mat: 28-000000000003}}
    offset: {{method: temperature-factor, factor: 0.75}}
  south-bench:
    callus_zone: 18
    in_use: false
    heater: {{gpio: 27, watts: 45}}
    probes: {{substrate: 28-000000000011, room: 28-000000000002, mat: 28-000000000013}}
    offset: {{method: temperature-factor, factor: 0.75}}
"""


def day_ms(day: float) -> int:
    """So many days after the begin, UTC ms."""
    return BEGINS_MS + round(day * DAY_MS)


def added(
    name: str, day: float, count: int, box: str = "north-bench", species: str = "mulberry"
) -> SeasonEntry:
    """A batch put into a box."""
    data = {"species": species, "kind": "cuttings", "count": count, "made_ms": day_ms(day)}
    return SeasonEntry(What.ADD, name, box, data, about_ms=day_ms(day))


def closed(name: str, day: float, **ends: int) -> SeasonEntry:
    """A batch closed with its counts."""
    return SeasonEntry(What.CLOSE, name, data=ends, about_ms=day_ms(day))


def ended(name: str, day: float) -> SeasonEntry:
    """A season closed."""
    return SeasonEntry(What.SEASON, data={"name": name}, about_ms=day_ms(day))


def write(folder: Path, entries: Sequence[SeasonEntry], days: float = 22.0) -> Path:
    """A config with its log: rows of both boxes every quarter of an hour, and these entries.

    North is at 24.0 °C with heat on for every other row; south at 18.0 °C without.

    Returns:
        The config file.
    """
    (folder / "state").mkdir()
    (folder / "run").mkdir()
    config = folder / "chamber.yaml"
    config.write_text(CONFIG.format(folder=folder))
    clock = ManualClock(wall_ms=BEGINS_MS)
    journal = SqliteJournal(
        folder / "state" / "log.sqlite", None, clock, "test", "boot", background=False
    )
    journal.note_clock(0.0, BEGINS_MS, True)
    journal.note_config(config.read_text(), "sum")
    for index in range(round(days * 86_400 / EVERY_S) + 1):
        now_s = index * EVERY_S
        clock.set(now_s)
        journal.record([_row("north-bench", now_s, index), _row("south-bench", now_s, index)], ())
    for entry in entries:
        journal.note_season(entry)
    journal.close()
    assert journal.failure() is None
    return config


def _row(box: str, now_s: float, index: int) -> Record:
    north = box == "north-bench"
    callus_c = 24.0 if north else 18.0
    heat = north and index % 2 == 0
    return Record(
        box,
        now_s,
        ((Place.SUBSTRATE, Good(callus_c + 4.0, now_s)), (Place.ROOM, Good(6.0, now_s))),
        Estimate(callus_c, 0.4),
        callus_c,
        callus_c + 4.0,
        0.5 if north else 0.0,
        heat,
        Condition.HOLDING,
        "",
        closings=1 if heat else 0,
    )
