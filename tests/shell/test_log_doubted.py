"""Estimates of a time that was in doubt are in the log, and nobody who makes a record sees them."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner

from bottomheat import doubtful
from bottomheat.cli.record_cmd import command as record_command
from bottomheat.cli.record_data import of_box
from bottomheat.cli.rehearse_cmd import command as rehearse_command
from bottomheat.config import Config
from bottomheat.doubtful import Doubt
from bottomheat.model import Alarm, Event, EventKind
from bottomheat.protect import accused
from bottomheat.review.tally import Adding
from bottomheat_drivers.log import LogReader
from bottomheat_drivers.log.blocks import BlockReader
from bottomheat_drivers.log.columns import columns
from log_tools import NOW_MS, SetClock, journal, sample
from plant import chamber_keys, config

MINUTES = 240
FOUND = 180
"""The minute at which the probe is found out, 47 minutes after it went wrong."""
BEGAN_S = 1000.0


@pytest.fixture
def log(tmp_path: Path) -> Path:
    """Four hours of two boxes; in one a probe is found displaced after three."""
    clock = SetClock(BEGAN_S, NOW_MS)
    book = journal(tmp_path, clock, ring=False, background=False)
    book.note_clock(BEGAN_S, NOW_MS, True)
    for minute in range(MINUTES + 1):
        clock.now_s = BEGAN_S + minute * 60.0
        clock.wall = NOW_MS + minute * 60_000
        events = []
        more = {}
        if minute == FOUND:
            text = doubtful.words(accused.DISPLACED, 47 * 60.0)
            events = [Event(EventKind.DOUBTED, clock.now_s, "north-bench", text)]
        if minute >= FOUND:
            more = {"estimate": None}
        book.record(
            [sample(clock.now_s, **more), sample(clock.now_s, "south-bench")],
            events,
        )
    book.close()
    return tmp_path / "log.sqlite"


def setting() -> Config:
    return config(**{"north-bench": chamber_keys(0), "south-bench": chamber_keys(1)})


def test_the_event_is_kept_as_a_stretch_of_wall_time(log: Path) -> None:
    with LogReader(log) as reader:
        found = reader.doubted()
    end_ms = NOW_MS + FOUND * 60_000
    assert found == {"north-bench": [Doubt(end_ms - 47 * 60_000, end_ms, accused.DISPLACED)]}


def test_columns_have_no_estimate_in_doubt_and_every_reading(log: Path) -> None:
    found = columns(log, "north-bench")
    minutes = (found.wall_ms - NOW_MS) // 60_000
    known = np.isfinite(found.estimate_c)
    assert minutes[known].tolist() == list(range(FOUND - 47))
    assert np.isfinite(found.expanded_k).tolist() == known.tolist()
    assert np.isfinite(found.substrate_c).all()
    assert np.isfinite(columns(log, "south-bench").estimate_c).all()
    only = columns(log, "north-bench", only=("room_c",))
    assert np.isfinite(only.room_c).all(), "columns that were not asked for stay as they are"


def test_a_tally_over_months_counts_it_as_unknown(log: Path) -> None:
    adding: dict[str, Adding] = {}
    reader = BlockReader(log)
    for block in reader.blocks(0, NOW_MS + 10**9):
        adding.setdefault(block.chamber, Adding()).add(block)
    reader.close()
    north, south = (adding[name].tally() for name in ("north-bench", "south-bench"))
    assert south.known_h == pytest.approx(MINUTES / 60)
    assert north.known_h == pytest.approx((FOUND - 48) / 60)
    assert north.in_band_h == pytest.approx(north.known_h)
    assert north.recorded_h == pytest.approx(MINUTES / 60)


def test_the_record_says_that_it_is_not_known_and_why(log: Path) -> None:
    end_ms = NOW_MS + MINUTES * 60_000
    made = of_box(log, setting(), "north-bench", NOW_MS, end_ms)
    assert made is not None
    record = made.record
    (gap,) = record.unknown
    assert gap.why == accused.DISPLACED
    assert gap.from_ms == NOW_MS + (FOUND - 48) * 60_000
    assert gap.to_ms == end_ms
    assert record.known_h + record.unknown_h == pytest.approx(MINUTES / 60)
    assert record.in_band.hours == pytest.approx(record.known_h)
    south = of_box(log, setting(), "south-bench", NOW_MS, end_ms)
    assert south is not None
    assert south.record.unknown == ()


# --- rehearsed ----------------------------------------------------------------------------------

ORDERS = {
    "probe-displaced-half": (accused.DISPLACED, Alarm.PROBE_DISPLACED),
    "probe-frozen": (accused.FROZEN, Alarm.PROBE_FROZEN),
}


@pytest.fixture(scope="module", params=ORDERS)
def rehearsed(request, tmp_path_factory: pytest.TempPathFactory) -> tuple[str, Path]:
    folder = tmp_path_factory.mktemp("rehearsed")
    words = ["--days", "1.25", "--fault", f"{request.param}@20h:5h", "--log", str(folder / "log")]
    done = CliRunner().invoke(rehearse_command, words)
    assert done.exit_code == 0, done.output
    return request.param, folder / "log"


def test_a_rehearsed_fault_leaves_no_estimate_from_the_probe_in_any_record(rehearsed) -> None:
    kind, path = rehearsed
    why, alarm = ORDERS[kind]
    with LogReader(path) as reader:
        (run,) = reader.runs()
        stood = [row for row in reader.alarms() if row.alarm is alarm]
        assert stood, "else nothing was at stake"
        from_ms = run.began_wall_ms + 20 * 3_600_000
        to_ms = stood[-1].cleared_wall_ms or run.last_wall_ms
        raised_ms = stood[0].raised_wall_ms
        rows = list(reader.samples("north-bench", raised_ms + 60_000, to_ms - 60_000))
        (doubt,) = reader.doubted()["north-bench"]
    assert len(rows) > 100
    assert all(row.estimate is None for row in rows)
    assert doubt.why == why
    assert abs(doubt.from_ms - from_ms) < 15 * 60_000, "from when the fault began"
    found = columns(path, "north-bench")
    away = (found.wall_ms >= from_ms + 5 * 60_000) & (found.wall_ms < to_ms - 60_000)
    assert away.sum() > 100
    assert not np.isfinite(found.estimate_c[away]).any()
    said = CliRunner().invoke(
        record_command, ["--chamber", "north-bench", "--log", str(path)], catch_exceptions=False
    )
    assert f"{why} " in " ".join(said.output.split())
    assert "Unknown" in said.output
    assert not math.isnan(float(found.substrate_c[away][0])), "the readings stay"
