"""``bottomheat sheet``: on the screen, as a file, with and without a log."""

from __future__ import annotations

from pathlib import Path

import pytest

from bottomheat.season.ledger import SeasonEntry, What
from bottomheat_drivers.clock import SystemClock
from bottomheat_drivers.log import SqliteJournal
from clibench import Shed
from log_tools import SetClock

pytestmark = pytest.mark.process

MULBERRY = {"species": "mulberry", "kind": "cuttings", "count": 40}


@pytest.fixture
def shed(tmp_path: Path) -> Shed:
    made = Shed(tmp_path)
    made.config.write_text(made.text + "helper:\n  too_hot: Unplug the grey plug.\n")
    return made


def fill(shed: Shed) -> None:
    path = shed.folder / "state" / "log.sqlite"
    clock = SetClock(wall_ms=SystemClock().wall_ms() - 3_600_000)
    journal = SqliteJournal(path, None, clock, "0.1.0", "boot-1", background=False)
    journal.note_season(SeasonEntry(What.ADD, "MUL-1", "north-bench", MULBERRY))
    journal.close()


def test_the_page_shows_what_is_in_the_boxes_and_what_to_do(shed: Shed) -> None:
    fill(shed)
    done = shed.run("sheet")
    assert done.returncode == 0, done.stderr
    assert done.stderr == ""
    lines = done.stdout.splitlines()
    assert len(lines) <= 66
    assert max(map(len, lines)) <= 80
    assert "    MUL-1  40 mulberry cuttings" in done.stdout
    assert "for MUL-1; cut at wet layer 42, mat 65" in " ".join(done.stdout.split())
    assert "  DO: Unplug the grey plug." in done.stdout


def test_without_a_log_there_is_a_page_all_the_same(shed: Shed) -> None:
    done = shed.run("sheet")
    assert done.returncode == 0
    assert "Without batches: There is no log at" in done.stderr
    assert "north-bench: 22.0 ± 0.5 °C at the bases" in done.stdout


def test_the_web_page_goes_into_a_file_or_to_the_screen(shed: Shed, tmp_path: Path) -> None:
    fill(shed)
    target = tmp_path / "door.html"
    done = shed.run("sheet", "--html", str(target))
    assert done.returncode == 0, done.stderr
    assert str(target) in done.stdout
    text = target.read_text(encoding="utf-8")
    assert text.startswith("<!DOCTYPE html>")
    assert "MUL-1" in text
    assert shed.run("sheet", "--html", "-").stdout == text
    refused = shed.run("sheet", "--html", str(tmp_path / "nowhere" / "door.html"))
    assert refused.returncode == 10
    assert "cannot be written" in refused.stderr
