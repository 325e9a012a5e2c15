"""``bottomheat ready``: on a log of 48 h, with and without what it needs."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from bottomheat.app import make_folders, proof_path, state_folder
from bottomheat.cli.ready_cmd import _latched, _may_see, _proved
from bottomheat.config_wiring import fingerprint
from bottomheat.model import Alarm, Estimate, Event, EventKind, Good, Place
from bottomheat.ports import Latch
from bottomheat.season.ledger import SeasonEntry, What
from bottomheat_drivers.clock import SystemClock
from bottomheat_drivers.config_yaml import load_config
from bottomheat_drivers.latch_file import LatchFile, keeper_latch_path
from bottomheat_drivers.log import SqliteJournal
from bottomheat_drivers.proof_file import ProofFile
from clibench import FakeService, Shed, status
from log_tools import SetClock, sample

MINUTES = 48 * 60 + 30


@pytest.fixture
def shed(tmp_path: Path) -> Shed:
    """A box that has had what it needs, but for its 48 h."""
    made = Shed(tmp_path)
    made.text = made.text.replace("factor: 0.75}", "factor: 0.75, calibrated: true}")
    made.config.write_text(made.text)
    config = load_config(made.config)
    make_folders(config)
    ProofFile(proof_path(state_folder(config))).save(fingerprint(config))
    return made


def fill(shed: Shed, *, late_minutes: int = 0, cold_until: int = 0, events=(), entries=()) -> None:
    """Rows every two minutes up to ``late_minutes`` ago, cold for the first ``cold_until``."""
    config = load_config(shed.config)
    end_ms = SystemClock().wall_ms() - late_minutes * 60_000
    clock = SetClock(100.0, end_ms - MINUTES * 60_000)
    journal = SqliteJournal(Path(config.log), None, clock, "0.1.0", "boot-1", background=False)
    for entry in entries:
        journal.note_season(entry)
    for minute in range(0, MINUTES + 1, 2):
        at_s = 100.0 + minute * 60.0
        clock.now_s, clock.wall = at_s, end_ms - (MINUTES - minute) * 60_000
        estimate = Estimate(15.0 if minute < cold_until else 22.0, 0.5)
        readings = ((Place.SUBSTRATE, Good(26.0, at_s)), (Place.ROOM, Good(10.0, at_s)))
        heat = minute % 4 == 0
        record = sample(
            at_s,
            setpoint_c=22.0,
            estimate=estimate,
            readings=readings,
            heat=heat,
            closings=int(heat and minute % 12 == 0),
        )
        journal.record([record], [])
    for event in events:
        journal.record([], [event])
    journal.close()


def beside_a_service(shed: Shed, *words: str):
    answers = {"write-soon": [{"ok": True}], "status": [status()]}
    with FakeService(shed.control, answers):
        return shed.run("ready", "north-bench", *words)


def flat(text: str) -> str:
    return " ".join(text.split())


@pytest.mark.process
def test_a_box_that_held_its_target_for_48_hours_is_ready(shed: Shed) -> None:
    fill(shed)
    done = beside_a_service(shed)
    assert done.returncode == 0, done.stdout + done.stderr
    text = flat(done.stdout)
    assert ": READY" in text
    assert "48 h of data, without a gap" in text
    assert "all in band: bases 22.0-22.0 °C, set 22.0 ± 0.5" in text
    assert "the relay closes 120 times a day" in text
    assert "calibrated: the bases are known to ± 0.5 °C" in text
    assert "[ ] damp bags" in text
    data = json.loads(beside_a_service(shed, "--json").stdout)
    assert data["ready"] is True
    assert data["measured"]["known_h"] == pytest.approx(48.0, abs=0.1)
    assert data["measured"]["heat_frac"] == pytest.approx(0.5, abs=0.01)


@pytest.mark.process
def test_everything_that_speaks_against_it_is_on_the_page(shed: Shed) -> None:
    grafts = {"species": "grapevine", "kind": "grafts", "count": 60}
    raised = (EventKind.ALARM_RAISED, 170_000.0, "north-bench", "", Alarm.HEAT_LOST)
    fill(
        shed,
        late_minutes=90,
        cold_until=12 * 60,
        events=[Event(*raised, durable=True)],
        entries=[SeasonEntry(What.ADD, "GRP-2", "north-bench", grafts)],
    )
    config = load_config(shed.config)
    proof_path(state_folder(config)).unlink()
    keeper = LatchFile(keeper_latch_path(state_folder(config)))
    keeper.save({"north-bench": Latch("north-bench", "mat at 61 °C", 1)})
    done = shed.run("ready", "north-bench")
    assert done.returncode == 1
    text = flat(done.stdout)
    for said in (
        "NOT READY",
        "GRP-2 stands in it already",
        "the wiring is not proved",
        "heat is cut until somebody has looked: mat at 61 °C",
        "the service does not run",
        "below",
        "alarm: There is no heat",
        "nobody is told of an alarm",
    ):
        assert said in text, said


@pytest.mark.process
def test_without_a_log_it_says_so_on_the_page(shed: Shed) -> None:
    done = shed.run("ready", "north-bench")
    assert done.returncode == 1
    assert "the log cannot be read: There is no log at" in flat(done.stdout)
    assert "[ ] damp bags" in done.stdout
    unknown = shed.run("ready", "west-bench")
    assert unknown.returncode == 10
    assert "north-bench, south-bench" in unknown.stderr


def test_proof_and_latches_are_read_where_they_lie(shed: Shed) -> None:
    config = load_config(shed.config)
    assert _proved(config) is True
    assert _latched(config, "north-bench") == ()
    folder = state_folder(config)
    keeper = LatchFile(keeper_latch_path(folder))
    keeper.save({"south-bench": Latch("south-bench", "mat at 61 °C", 1)})
    assert _latched(config, "north-bench") == ()
    assert _latched(config, "south-bench") == ("mat at 61 °C",)
    keeper_latch_path(folder).write_text("no latch file")
    (said,) = _latched(config, "north-bench") or ()
    assert "missing or damaged" in said
    proof_path(folder).unlink()
    assert _proved(config) is False
    assert _may_see(folder / "nothing")
