"""The life of the relays on screen: check, status, today, done; and by a real service."""

from __future__ import annotations

import json
import signal
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest

from bottomheat.cli.findings import Finding, Level
from bottomheat.cli.relay_data import lives_of
from bottomheat.cli.relay_text import outlook, relay_life_findings
from bottomheat.cli.status_text import render
from bottomheat.relay_life import DAY_MS, Count, Life, to_plain
from bottomheat_drivers.config_yaml import load_config
from bottomheat_drivers.desk_file import contacts_file
from clibench import Shed
from log_tools import SetClock, journal, sample
from service import Service

CHAMBER: dict[str, Any] = {
    **{"name": "north-bench", "condition": "HOLDING", "reason": "", "lid": "on", "closings": 3},
    **{"setpoint_c": 25.0, "estimate_c": 25.0, "expanded_k": 0.3, "in_band_s": None},
    **{"method": "temperature-factor", "calibrated": True, "heat": True, "heat_fraction": 0.4},
    **{"readings": {}, "tending": None, "keeper": None, "learning": None, "fallback": None},
}
NORTH, SOUTH = "north-bench", "south-bench"
HEAT = (NORTH, "relay")
NOW_MS = round(datetime(2026, 1, 14, 8, tzinfo=UTC).timestamp() * 1000)


def findings(life: Life, which: str = "relay", trouble: str | None = None) -> list[Finding]:
    return list(relay_life_findings({(NORTH, which): life}, trouble, NOW_MS, UTC))


def test_a_life_is_told_with_its_day() -> None:
    """8 000 closings at 92 a day are 86.96 days, from 14 January 08:00 to 11 April 07:00."""
    assert outlook(Life(92_000, 100_000, per_day=92.0), NOW_MS, UTC) == (
        "closed 92 000 of 100 000 times; at 92 a day it reaches the 100 000 its maker rates it for "
        "after 87 days of heating, about 11 April 2026 if it never rests"
    )
    text = outlook(Life(2_000, 100_000, per_day=92.0), NOW_MS, UTC)
    assert "after 2.9 years of heating, about 14 December 2028" in text
    assert "after 5 months of heating" in outlook(Life(86_000, 100_000, per_day=92.0), NOW_MS, UTC)
    assert "more than 100 years of heating" in outlook(Life(0, 10**9, per_day=1.0), NOW_MS, UTC)
    assert outlook(Life(0, 10**9, per_day=1e-9), NOW_MS, UTC).endswith("years of heating")
    assert outlook(Life(5, 100_000), NOW_MS, UTC) == "closed 5 of 100 000 times"


def test_a_change_and_a_loss_are_told() -> None:
    changed = Life(5, 100, since_ms=NOW_MS - DAY_MS)
    assert outlook(changed, NOW_MS, UTC) == (
        "closed 5 of 100 times since it was changed on 13 Jan 2026"
    )
    assert outlook(Life(5, 100, begun_ms=NOW_MS), NOW_MS, UTC).endswith(
        "; what it closed before 14 Jan 2026 is not in it, that count is lost"
    )
    assert outlook(Life(5, 100, begun_ms=0), NOW_MS, UTC).endswith(
        "; what it closed is not in it, that count is lost"
    )


@pytest.mark.parametrize(
    ("life", "level"),
    [
        (Life(79_000, 100_000), Level.WELL),
        (Life(80_000, 100_000), Level.NOTE),
        (Life(100_000, 100_000), Level.WRONG),
    ],
)
def test_how_much_it_matters(life: Life, level: Level) -> None:
    (found,) = findings(life)
    assert found.level is level
    assert (f"bottomheat done relay {NORTH}" in found.do) is (level is not Level.WELL)
    (series,) = findings(life, "series-relay")
    assert series.text.startswith(f"{NORTH}: the series relay has closed")


def test_what_has_no_contact_is_not_told_and_a_bad_file_is() -> None:
    assert findings(Life(10**9, None)) == []
    said, _ = findings(Life(5, 100), trouble="contacts.json: is damaged; what it means")
    assert said.level is Level.NOTE
    assert "damaged" in said.text


def test_status_shows_the_count_of_the_relay_that_is_in() -> None:
    def screen(contacts: Any) -> str:
        chamber = {**CHAMBER, "contacts": contacts}
        answer = {"data_age_s": 2.0, "synchronised": True, "wall_ms": 0, "running_s": 60.0,
                  "proving": None, "alarms": [], "gone": [], "chambers": [chamber]}  # fmt: skip
        return render(answer, {})

    mechanical = {"relay": {"closings": 81_240, "rated": 100_000}}
    assert "relay closed 81 240 of 100 000 times   lid on" in screen(mechanical)
    assert "relay closed 81 240 times" in screen({"relay": {"closings": 81_240, "rated": None}})
    assert "3 closings since start" in screen(None)


def kept(shed: Shed, **counts: Count) -> None:
    store = contacts_file(shed.folder / "state")
    store.save({"boxes": {NORTH: {name: to_plain(each) for name, each in counts.items()}}})
    store.close()


def logged(shed: Shed, closings: int) -> None:
    made = journal(shed.folder / "state", SetClock(), ring=False, background=False)
    made.record([sample(110.0, closings=0), sample(120.0, closings=closings)], [])
    made.close()


def told(shed: Shed) -> tuple[dict[tuple[str, str], Life], str | None]:
    return lives_of(load_config(shed.config))


def test_a_command_finds_file_and_log_and_what_was_entered(tmp_path: Path) -> None:
    shed = Shed(tmp_path)
    lives, trouble = told(shed)
    assert trouble is None
    assert {key: life.closings for key, life in lives.items()} == {HEAT: 0, (SOUTH, "relay"): 0}
    logged(shed, 400)
    assert told(shed)[0][HEAT].closings == 400
    kept(shed, relay=Count(90_000, logged=380))
    assert told(shed)[0][HEAT].closings == 90_020
    text = shed.run("check").stdout
    assert "the relay has closed 90 020 of 100 000 times" in " ".join(text.split())
    assert "have it changed by somebody licensed" in " ".join(text.split())
    assert f"bottomheat done relay {NORTH}" in shed.run("today").stdout
    done = shed.run("done", "relay", "north")
    assert done.stdout.startswith("Done (no. 1): relay, north-bench.")
    assert told(shed)[0][HEAT].closings == 0
    assert f"done relay {NORTH}" not in shed.run("today").stdout
    refused = shed.run("done", "relay")
    assert "of which box the relay was changed: north-bench, south-bench" in refused.stderr


def test_a_damaged_file_is_told_by_check_and_the_log_holds(tmp_path: Path) -> None:
    shed = Shed(tmp_path)
    logged(shed, 400)
    (tmp_path / "state" / "contacts.json").write_text("{}")
    lives, trouble = told(shed)
    assert lives[HEAT].closings == 400
    assert trouble is not None
    assert "the closings that were kept cannot be used" in " ".join(
        shed.run("check").stdout.split()
    )


@pytest.fixture
def service(tmp_path: Path) -> Iterator[Service]:
    made = Service(tmp_path)
    yield made
    made.end()


def count(service: Service) -> int:
    return int(service.chamber()["contacts"]["relay"]["closings"])


@pytest.mark.process
def test_a_service_counts_on_over_a_kill_a_stop_and_a_lost_log(service: Service) -> None:
    service.prove()
    service.start()
    service.wait(service.line)
    service.wait(lambda: count(service) == 1)
    service.kill_both()
    service.start()
    service.wait(lambda: count(service) == 1)
    service.wait(service.line)
    service.wait(lambda: count(service) == 2)
    assert service.stop(signal.SIGTERM) == 0
    state = next(service.folder.rglob("contacts.json"))
    assert json.loads(state.read_bytes())["payload"]["boxes"][NORTH]["relay"]["ever"] == 2
    for path in state.parent.glob("log.sqlite*"):
        path.unlink()
    service.start()
    service.wait(lambda: count(service) >= 2)
    service.wait(service.line)
    service.wait(lambda: count(service) == 3)
