"""A power cut in a rehearsal with a log: what it leaves there, and what a review makes of it."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from bottomheat.model import EventKind
from bottomheat_drivers.log import LogReader
from commandline import bottomheat as run

CONFIG = """
chambers:
  north-bench:
    callus_zone: 25.0
    heater: {gpio: 17, watts: 45}
    probes: {substrate: 28-000000000001, room: 28-000000000002, mat: 28-000000000003}
    offset: {method: temperature-factor, factor: 0.743}
"""
ROOM = "hours,room_c\n0,24.6\n2,15\n"
CUT_S, BACK_S = 5 * 3600.0, 7.5 * 3600.0


@pytest.fixture(scope="module")
def log(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("rehearsed")
    (folder / "one.yaml").write_text(CONFIG)
    (folder / "room.csv").write_text(ROOM)
    log = folder / "r.sqlite"
    done = run(
        *("rehearse", "--config", folder / "one.yaml", "--room", folder / "room.csv"),
        *("--fault", "power-cut@5h:150m", "--days", "0.45", "--log", log, "--json"),
    )
    assert done.returncode == 0, done.stderr
    return log


def test_the_cut_ends_a_run_as_it_would_and_another_boot_begins(log: Path) -> None:
    with LogReader(log) as reader:
        before, after = reader.runs()
        rows = [row.wall_ms / 1000 for row in reader.samples("north-bench")]
        told = [e.event for e in reader.events() if e.event.kind is EventKind.OUTAGE]
    assert before.boot_id != after.boot_id
    assert (before.closed, after.closed) == (False, True)
    begin_s = before.began_wall_ms / 1000
    last_s = max(at for at in rows if at - begin_s < CUT_S + 60) - begin_s
    # What had not reached the card is lost: ten minutes at most.
    assert CUT_S - 610 <= last_s <= CUT_S
    first_s = min(at for at in rows if at - begin_s > CUT_S + 60) - begin_s
    assert first_s == pytest.approx(BACK_S, abs=20)
    assert "power was cut" in told[0].text
    assert "bases when the record ended: north-bench" in told[0].text
    assert told[1].text.startswith("first estimate after the outage")


def test_a_review_says_that_power_was_out_how_long_and_how_cold(log: Path) -> None:
    done = run("review", "--log", log, "--last-fault")
    assert done.returncode == 0, done.stderr
    text = " ".join(done.stdout.split())
    assert text.startswith("Power cut, ")
    assert "05:00-07:30 (2 h 30 min), north-bench." in text  # ten minutes ago it was written
    assert "The power was out." in text
    assert "Bases lowest" in text
    assert "unmeasured, not counted as in band" in text
    assert "stood still" not in text
    data = json.loads(run("review", "--log", log, "--last-fault", "--json").stdout)
    assert cause(data) == "the power was out"


def cause(data: dict[str, Any]) -> object:
    (episode,) = data["episodes"]
    return episode["causes"][0]["first"]["cause"]
