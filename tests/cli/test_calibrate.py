"""``bottomheat calibrate add``, ``list``, ``drop`` and ``learn``, beside a service and without."""

from __future__ import annotations

import json
import os
import pty
import sqlite3
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from bottomheat.model import Estimate, Good, Place
from bottomheat.protect.tending import Doing
from bottomheat_drivers.clock import SystemClock
from bottomheat_drivers.log import LogReader, SqliteJournal
from clibench import LAYER, ROOM, FakeService, Shed, status
from log_tools import SetClock, sample
from service import Service

pytestmark = pytest.mark.process

HOUR_S = 3600.0
SPARE = "28-0000000000aa"


@pytest.fixture
def shed(tmp_path: Path) -> Shed:
    return Shed(tmp_path)


def log_of(shed: Shed) -> Path:
    return shed.folder / "state" / "log.sqlite"


def fill(shed: Shed, hours: float = 30.0, until_ago_s: float = 0.0, tended_ago_s: float = 0.0):
    """A log of a box that was held for so long, one row a minute, up to a while ago."""
    now_ms = SystemClock().wall_ms()
    begin_s = 1000.0
    end_s = begin_s + hours * HOUR_S
    clock = SetClock(begin_s, now_ms - round((hours * HOUR_S + until_ago_s) * 1000))
    journal = SqliteJournal(log_of(shed), None, clock, "0.1.0", "boot-1", background=False)
    journal.note_config(shed.config.read_text(), "checksum")
    for minute in range(int(hours * 60) + 1):
        at_s = begin_s + minute * 60.0
        readings = (
            (Place.SUBSTRATE, Good(29.5, at_s)),
            (Place.ROOM, Good(11.0, at_s)),
        )
        journal.record(
            [sample(at_s, readings=readings, estimate=Estimate(24.9, 0.6), closings=0)], ()
        )
    if tended_ago_s:
        clock.now_s = end_s - tended_ago_s
        journal.note_tending("north-bench", Doing.WATER.value, "", 600.0, None)
    clock.now_s = end_s
    clock.wall = now_ms - round(until_ago_s * 1000)
    journal.note_clock(end_s, clock.wall, True)
    journal.close()


def add(shed: Shed, *words: str):
    return shed.run("calibrate", "add", "--chamber", "north-bench", *words)


def ledger(shed: Shed) -> list[Any]:
    with LogReader(log_of(shed)) as log:
        return log.ledger()


def test_a_reading_is_kept_with_what_the_probes_showed_then(shed: Shed) -> None:
    fill(shed)
    words = ("--reference", "25,1", "--uncertainty", "0.2", "--depth-note", "two fingers deep")
    done = add(shed, *words, "--at", "20m ago")
    assert done.returncode == 0, done.stderr
    assert done.stderr == ""
    assert "north-bench, middle, lid on" in done.stdout
    assert "25.1 ± 0.2 °C. It is no. 1." in done.stdout
    said = " ".join(done.stdout.split())
    assert "24.9 ± 0.6 °C: 0.2 K warmer as read, within what both allow (E_n +0.32)" in said
    assert "The box was steady" in done.stdout
    assert "came from no calibration" in done.stdout
    assert "The service is not running" in done.stdout
    (kept,) = ledger(shed)
    assert kept.number == 1
    assert kept.wall_ms == pytest.approx(SystemClock().wall_ms() - 1_200_000, abs=60_000)
    entry, pairing = kept.entry, kept.entry.pairing
    assert (entry.reading_c, entry.expanded_k, entry.note) == (25.1, 0.2, "two fingers deep")
    assert (entry.lid, entry.spot) == ("on", "middle")
    assert pairing.substrate_c == pytest.approx(29.5)
    assert pairing.lagged_room_c == pytest.approx(11.0)
    assert pairing.estimate_c == pytest.approx(24.9)
    assert pairing.power_w == pytest.approx(45.0, rel=0.01)
    assert pairing.steady
    assert pairing.probes == {"substrate": LAYER, "room": ROOM, "mat": "28-000000000003"}


def test_the_list_and_the_drop_show_what_was_kept(shed: Shed) -> None:
    fill(shed)
    for reading in ("25.1", "26.3"):
        assert add(shed, "--reference", reading, "--at", "20m ago").returncode == 0
    listed = shed.run("calibrate", "list")
    assert listed.returncode == 0, listed.stderr
    assert "25.1 ± 0.5" in listed.stdout
    assert "+1.4 K  outside" in listed.stdout
    dropped = shed.run("calibrate", "drop", "2", "--note", "read in the corner")
    assert dropped.returncode == 0, dropped.stderr
    assert "No. 2 (north-bench, middle, 26.3 °C) is dropped" in dropped.stdout
    again = shed.run("calibrate", "drop", "2")
    assert again.returncode == 0
    assert "was dropped before (read in the corner)" in again.stdout
    assert "DROPPED: read in the corner" in shed.run("calibrate", "list").stdout
    data = json.loads(shed.run("calibrate", "list", "--chamber", "north-bench", "--json").stdout)
    assert [row["dropped"] for row in data["readings"]] == [None, "read in the corner"]
    assert data["readings"][0]["en"] == pytest.approx(0.2 / (0.5**2 + 0.6**2) ** 0.5, abs=0.01)
    assert [row.dropped for row in ledger(shed)] == [None, "read in the corner"]
    other = json.loads(shed.run("calibrate", "list", "--chamber", "south-bench", "--json").stdout)
    assert other["readings"] == []
    missing = shed.run("calibrate", "drop", "9")
    assert missing.returncode == 10
    assert "no reading no. 9" in missing.stderr


def test_a_household_thermometer_is_taken_where_no_uncertainty_is_given(shed: Shed) -> None:
    fill(shed)
    done = add(shed, "--reference", "25.1")
    assert done.returncode == 0, done.stderr
    assert "±0.5 K is taken" in done.stdout
    assert "to about ±0.3 °C" in done.stdout
    assert ledger(shed)[0].entry.expanded_k == 0.5


def test_a_reading_in_an_open_box_is_kept_and_not_used(shed: Shed) -> None:
    fill(shed, tended_ago_s=600.0)
    done = add(shed, "--reference", "25.1")
    assert done.returncode == 0, done.stderr
    assert "not used for a fit: the box was opened" in " ".join(done.stdout.split())
    assert not ledger(shed)[0].entry.pairing.steady
    assert "not steady: the box was opened" in shed.run("calibrate", "list").stdout


def test_a_reading_in_another_box_or_in_fahrenheit_is_asked_about(shed: Shed) -> None:
    fill(shed)
    far = add(shed, "--reference", "17.2")
    assert far.returncode == 0
    assert "8 K below" in far.stdout
    assert "Was it north-bench" in far.stdout
    assert "calibrate drop 1 --note wrong" in far.stdout
    hot = add(shed, "--reference", "76.8")
    assert hot.returncode == 10
    assert "76.8 °F would be 24.9 °C" in hot.stderr
    assert len(ledger(shed)) == 1


def test_mistakes_end_in_one_sentence_and_leave_no_row(shed: Shed) -> None:
    fill(shed, until_ago_s=7200.0)
    with LogReader(log_of(shed)) as log:
        before = len(log.runs())
    for words, code, part in (
        (("add", "--reference", "25"), 10, "say which box: --chamber with one of north-bench"),
        (("add", "--chamber", "attic", "--reference", "25"), 10, "there is no chamber attic"),
        (("add", "--chamber", "north-bench", "--reference", "nan"), 2, "not a number"),
        (("add", "--chamber", "north-bench", "--reference", "25", "--at", "noon"), 10, "--at"),
        (("add", "--chamber", "north-bench", "--reference", "25"), 10, "within 5 minutes"),
        (("add", "--chamber", "south-bench", "--reference", "17"), 10, "within 5 minutes"),
        (("list", "--chamber", "attic"), 10, "there is no chamber attic"),
        (("drop", "1"), 10, "there is none yet"),
        (("drop", "0"), 2, "give at least 1"),
        (("add", "--chamber", "north-bench"), 2, "--reference"),
    ):
        done = shed.run("calibrate", *words)
        assert done.returncode == code, (words, done.stderr)
        assert part in done.stderr or (part == "--at" and "not set" in done.stderr)
        assert done.stdout == ""
        if code == 10:
            assert len(done.stderr.splitlines()) == 1, done.stderr
    with LogReader(log_of(shed)) as log:
        assert (log.ledger(), len(log.runs())) == ([], before)


def test_no_log_an_older_one_and_a_foreign_file_are_told_apart(shed: Shed) -> None:
    path = log_of(shed)
    expected = []
    expected.append(("There is no log", _runs(shed)))
    path.write_bytes(b"these are notes about mulberry, and no log " * 100)
    expected.append(("not a log of bottomheat", _runs(shed)))
    path.unlink()
    path.mkdir()
    expected.append(("is a folder", _runs(shed)))
    path.rmdir()
    script = Path(__file__).parents[1] / "shell" / "log_format_2.sql"
    with sqlite3.connect(path) as connection:
        connection.executescript(script.read_text())
    connection.close()
    expected.append(("start the service once", _runs(shed)))
    for part, runs in expected:
        for done in runs:
            assert done.returncode == 5, done.stderr
            assert part in done.stderr
            assert len(done.stderr.splitlines()) == 1


def _runs(shed: Shed):
    return [
        shed.run("calibrate", "list"),
        add(shed, "--reference", "25"),
    ]


def test_readings_of_an_older_version_are_counted_and_not_shown(shed: Shed) -> None:
    fill(shed)
    assert add(shed, "--reference", "25.1").returncode == 0
    with sqlite3.connect(log_of(shed)) as connection:
        connection.execute(
            "INSERT INTO reference (run, t_ms, chamber, spot, reading_mc, expanded_ck, note) "
            "SELECT run, t_ms, chamber, spot, reading_mc, expanded_ck, note FROM reference"
        )
    connection.close()
    done = shed.run("calibrate", "list")
    assert done.returncode == 0, done.stderr
    assert done.stdout.count("25.1 ± 0.5") == 1
    assert "1 more was kept without what the probes showed" in done.stderr


def test_a_log_that_may_only_be_read_keeps_nothing_and_says_so(shed: Shed) -> None:
    fill(shed)
    # Root may write what is write-protected: a folder in the way of the lock does it for all.
    (shed.folder / "state" / "daemon.lock").unlink(missing_ok=True)
    (shed.folder / "state" / "daemon.lock").mkdir()
    done = add(shed, "--reference", "25.1")
    assert done.returncode == 4
    assert "daemon.lock" in done.stderr
    assert ledger(shed) == []


def calibrated(shed: Shed) -> None:
    text = shed.config.read_text()
    shed.config.write_text(text.replace("factor: 0.75}", "factor: 0.75, calibrated: true}", 1))


def test_later_readings_say_when_to_fit_again(shed: Shed) -> None:
    calibrated(shed)
    fill(shed)
    first = add(shed, "--reference", "26.2", "--uncertainty", "0.2", "--at", "3h ago")
    assert "calibration with the lid on: read again" in first.stdout
    second = add(shed, "--reference", "26.3", "--uncertainty", "0.2", "--at", "2h ago")
    assert "FIT AGAIN: 2 of the last 2 readings were warmer" in second.stdout
    assert "FIT AGAIN" in shed.run("calibrate", "list").stdout
    # Fitted again: the offset is another, and what was read before speaks for it no longer.
    text = shed.config.read_text().replace("factor: 0.75, cal", "factor: 0.81, cal")
    shed.config.write_text(text)
    clock = SetClock(200_000.0, SystemClock().wall_ms())
    journal = SqliteJournal(log_of(shed), None, clock, "0.1.0", "boot-2", background=False)
    journal.note_config(text, "another")
    journal.close()
    after = json.loads(shed.run("calibrate", "list", "--json").stdout)
    assert after["calibrations"] == [
        {"chamber": "north-bench", "lid": "on", "advice": "none", "why": "", "readings": []}
    ]


def test_a_reading_is_paired_with_the_corrections_of_its_time(shed: Shed) -> None:
    fill(shed)
    now = shed.config.read_text()
    first = f"corrections: {{{LAYER}: {{add: 0.2}}}}\nalerts:\n  addresses: [mailto://a:b@c]\n{now}"
    clock = SetClock(200_000.0, SystemClock().wall_ms() - 600_000)
    journal = SqliteJournal(log_of(shed), None, clock, "0.1.0", "boot-2", background=False)
    journal.note_config(first, "another")
    journal.close()
    for at in ("20m ago", "5m ago"):
        assert add(shed, "--reference", "25.1", "--at", at).returncode == 0
    kept = [each.entry.pairing.corrections_k for each in ledger(shed)]
    assert kept == [{}, {"substrate": 0.2}]


def test_at_a_terminal_a_reading_far_off_is_asked_about(shed: Shed) -> None:
    fill(shed)
    answers, screen = pty.openpty()
    words = ("calibrate", "add", "--chamber", "north-bench", "--reference", "17.2")
    with shed.start(*words, stdin=screen) as process:
        os.close(screen)
        os.write(answers, b"n\n")
        said, complaint = process.communicate(timeout=60)
    os.close(answers)
    assert process.returncode == 8, complaint
    assert "8 K below" in said
    assert "nothing is noted, as you wish" in complaint
    assert ledger(shed) == []


def test_a_service_is_asked_to_write_first_and_then_to_keep(shed: Shed) -> None:
    fill(shed)
    answers = {"write-soon": [{"ok": True, "now_ms": 0}], "reference": [{"ok": True}]}
    with FakeService(shed.control, answers) as service:
        done = add(shed, "--reference", "25.1", "--at", "20m ago")
    assert service.asked == ["write-soon", "reference"]
    assert done.returncode == 0, done.stderr
    assert "is not running" not in done.stdout
    assert "It is no." not in done.stdout  # this service keeps nothing
    refused = {"write-soon": [{"ok": True}], "reference": [{"ok": False, "error": "not today"}]}
    with FakeService(shed.control, refused):
        done = add(shed, "--reference", "25.1", "--at", "20m ago")
    assert done.returncode == 10
    assert "nothing is noted: not today." in done.stderr


def learn(shed: Shed, *words: str):
    return shed.run("calibrate", "learn", "--chamber", "north-bench", *words)


def test_learning_needs_the_service_and_a_spare_probe(shed: Shed) -> None:
    shed.bus.set(SPARE, 24.0)
    done = learn(shed, "--probe", SPARE)
    assert done.returncode == 6
    assert "read by the running service" in done.stderr
    for words, code, part in (
        (("--probe", LAYER), 10, "has a place already (north-bench wet layer)"),
        (
            ("--probe", "28-0000000000bb"),
            10,
            f"is not on the bus: plug it in, and see bottomheat probes; spare ones there: {SPARE}",
        ),
        (("--stop", "--probe", SPARE), 2, "leave --probe and --for out"),
        (("--for", "2d"), 2, "--for goes with --probe"),
        (("--probe", SPARE, "--for", "soon"), 10, "not a length of time"),
    ):
        done = learn(shed, *words)
        assert done.returncode == code, done.stderr
        assert part in done.stderr


def test_a_service_that_refuses_to_learn_is_quoted(shed: Shed) -> None:
    shed.bus.set(SPARE, 24.0)
    answers = {"learn": [{"ok": False, "error": "the probe is lent to south-bench already"}]}
    with FakeService(shed.control, answers | {"status": [status()]}):
        done = learn(shed, "--probe", SPARE)
    assert done.returncode == 8
    assert "lent to south-bench already." in done.stderr


@pytest.fixture
def service(tmp_path: Path) -> Iterator[Service]:
    made = Service(tmp_path / "live")
    made.prove()
    yield made
    made.end()


def test_beside_the_real_service_a_reading_and_a_lesson_are_kept(service: Service) -> None:
    service.tree.set(SPARE, 24.0)
    service.start()
    service.wait(lambda: service.ask("status")["chambers"] != [])
    done = service.command("calibrate", "add", "--reference", "18.1", "--uncertainty", "0.2")
    assert done.returncode == 0, done.stderr + done.stdout
    assert "It is no. 1." in done.stdout
    assert "wet layer 20.0   room 12.0" in done.stdout
    assert "the log goes back only" in done.stdout
    assert "not running" not in done.stdout
    assert "no. 1" not in service.command("calibrate", "drop", "1").stderr
    assert "DROPPED" in service.command("calibrate", "list").stdout
    begun = service.command("calibrate", "learn", "--probe", SPARE, "--for", "48h")
    assert begun.returncode == 0, begun.stderr
    assert "Not compared in one jar" in begun.stdout
    service.wait(lambda: SPARE in service.command("calibrate", "learn").stdout)
    stopped = service.command("calibrate", "learn", "--stop")
    assert stopped.returncode == 0, stopped.stderr
    assert "take it out" in stopped.stdout
    assert "No borrowed probe" in service.command("calibrate", "learn").stdout
    jar = service.command("calibrate", "jar", "--for", "1s", "--every", "0.1")
    assert jar.returncode == 8
    assert "may heat north-bench" in jar.stderr
    assert service.stop() == 0
    with LogReader(service.state / "log.sqlite") as log:
        assert [row.dropped for row in log.ledger()] == [""]
        assert [row.for_s for row in log.borrowings()] == [172_800.0, None]
