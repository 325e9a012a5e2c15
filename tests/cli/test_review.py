"""``review`` on a log of three days: a power cut, a lost probe, a welded relay."""

from __future__ import annotations

import json
import re
import shlex
import time
from collections.abc import Iterator
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from bottomheat.cli.review_cmd import command
from bottomheat.errors import InputError
from bottomheat.model import Alarm, Bad, Estimate, Event, EventKind, Fault, Good, Place
from bottomheat.season.ledger import SeasonEntry, What
from bottomheat.words import ALARM_WORDS
from clibench import CONFIG
from log_tools import SetClock, journal, sample

HOUR_MS = 3_600_000
BEGAN_MS = 1_798_444_800_000
"""Mon 28 Dec 2026 08:00 UTC."""
NORTH, SOUTH = "north-bench", "south-bench"
CUT_H, BACK_H = 20.0, 25.5
LOST_H, FOUND_H = 44.0, 44.5
WELDED_H, LATCHED_H, ENDS_H = 55.0, 55.6, 60.0


def bases_c(hour: float) -> float:
    """25 °C; 17.0 after the power cut and back within eight hours; with the weld up to 34 °C."""
    if BACK_H <= hour < BACK_H + 8:
        return 17.0 + (hour - BACK_H)
    return 25.0 + max(0.0, min(9.0, 3.0 * (hour - WELDED_H)))


def mat_c(hour: float) -> float:
    """45 °C, and from the weld on 12 K an hour more."""
    return 45.0 + max(0.0, min(25.0, 12.0 * (hour - WELDED_H)))


@pytest.fixture(scope="module")
def log(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("review")
    run(folder, "boot-1", 0.0, CUT_H)
    run(folder, "boot-2", BACK_H, ENDS_H)
    return folder / "log.sqlite"


def run(folder: Path, boot: str, from_h: float, to_h: float) -> None:
    clock = SetClock(1000.0, BEGAN_MS + round(from_h * HOUR_MS))
    book = journal(folder, clock, ring=False, background=False, boot_id=boot)
    book.note_clock(clock.now_s, clock.wall, True)
    book.note_config(CONFIG.format(folder=folder), "sum")
    if from_h == 0.0:
        grafts = {"species": "grapevine", "kind": "grafts", "count": 60}
        book.note_season(SeasonEntry(What.ADD, "GRP-2", NORTH, grafts))
    for minute in range(round(from_h * 60), round(to_h * 60)):
        hour = minute / 60
        clock.now_s = 1000.0 + (hour - from_h) * 3600
        clock.wall = BEGAN_MS + round(hour * HOUR_MS)
        book.record([north(clock.now_s, hour), south(clock.now_s, hour)], events(clock, minute))
    book.close()


def north(now_s: float, hour: float):
    base_c, wobble_k = bases_c(hour), 0.0625 * (round(hour * 60) % 2)
    readings = (
        (Place.SUBSTRATE, Good(base_c + 4 + wobble_k, now_s)),
        (Place.ROOM, Good(9.0 + wobble_k, now_s)),
        (Place.MAT, Good(mat_c(hour) + wobble_k, now_s)),
    )
    return sample(
        now_s,
        NORTH,
        estimate=Estimate(base_c, 0.5),
        readings=readings,
        heat=hour < LATCHED_H - 0.5 and round(hour * 60) % 2 == 0,
    )


def south(now_s: float, hour: float):
    lost = LOST_H <= hour < FOUND_H
    wobble_k = 0.0625 * (round(hour * 60) % 3)
    layer = Bad(Fault.CRC, now_s) if lost else Good(18.0 + wobble_k, now_s)
    return sample(
        now_s,
        SOUTH,
        estimate=None if lost else Estimate(17.0, 0.4),
        setpoint_c=17.0,
        readings=(
            (Place.SUBSTRATE, layer),
            (Place.ROOM, Good(9.0 + wobble_k, now_s)),
            (Place.MAT, Good(24.0 + wobble_k, now_s)),
        ),
        heat=not lost and round(hour * 60) % 4 == 0,
    )


def events(clock: SetClock, minute: int) -> list[Event]:
    now_s = clock.now_s

    def alarm(kind: EventKind, which: Alarm, chamber: str) -> Event:
        return Event(kind, now_s, chamber, ALARM_WORDS[which], which, durable=True)

    raised, cleared = EventKind.ALARM_RAISED, EventKind.ALARM_CLEARED
    told = {
        30 * 60: [
            Event(EventKind.TENDING, now_s, SOUTH, "tended for 30 min: looking", durable=True)
        ],
        round(LOST_H * 60) + 1: [alarm(raised, Alarm.PROBE_LOST, SOUTH)],
        round(FOUND_H * 60) + 10: [alarm(cleared, Alarm.PROBE_LOST, SOUTH)],
        round(LATCHED_H * 60): [
            alarm(raised, Alarm.RELAY_STUCK_ON, NORTH),
            alarm(EventKind.ALARM_RAISED, Alarm.CUTOFF, NORTH),
            Event(EventKind.HEAT_HELD, now_s, NORTH, "the mat warms with its relay open"),
        ],
    }
    return told.get(minute, [])


@pytest.fixture(autouse=True)
def utc(monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    monkeypatch.setenv("TZ", "UTC")
    time.tzset()
    yield
    monkeypatch.undo()
    time.tzset()


def ask(log: Path, *words: str) -> Result:
    answer = CliRunner().invoke(command, [*words, "--log", str(log), "--config", "/nowhere.yaml"])
    assert answer.exception is None or isinstance(answer.exception, InputError), answer.exception
    return answer


def text(log: Path, *words: str) -> str:
    answer = ask(log, *words)
    assert answer.exit_code == 0, answer.exception
    long = [line for line in answer.output.splitlines() if len(line) > 80]
    assert all("--log" in line for line in long)  # commands are never broken
    return answer.output


def plain(shown: str) -> str:
    return " ".join(shown.split())


def data(log: Path, *words: str) -> dict:
    return json.loads(ask(log, *words, "--json").stdout)


def refused(log: Path, *words: str) -> str:
    answer = ask(log, *words)
    assert isinstance(answer.exception, InputError)
    return str(answer.exception)


def test_without_words_the_last_days_box_by_box_and_what_happened(log: Path) -> None:
    shown = text(log)
    assert shown.startswith("The last 2 days 12 h: Mon 28 Dec 2026 08:00 to Wed 30 Dec 2026 19:59")
    assert "NEEDS RESET: north-bench" in shown
    assert "What happened: 3, the newest last" in shown
    assert re.search(r"Tue 29 Dec 03:59 +Power cut; north-bench, south-bench", plain(shown))
    assert "GRP-2" in shown


def test_each_command_of_the_list_tells_that_and_nothing_else(log: Path) -> None:
    shown = text(log)
    commands = [line.strip() for line in shown.splitlines() if "bottomheat review --from" in line]
    heads = []
    for line in commands:
        words = shlex.split(line)[2:]
        at = words.index("--log")
        assert words[at + 1] == str(log)
        heads.append(plain(text(log, *words[:at])).split(",")[0])
    assert heads == [
        "Power cut",
        "The wet layer probe gives no good reading",
        "Heat that nobody asked for",
    ]


def test_the_last_fault_with_its_cause_its_toll_and_what_to_do(log: Path) -> None:
    shown = plain(text(log, "--last-fault"))
    assert shown.startswith("Heat that nobody asked for, Wed 30 Dec")
    assert "still so), north-bench. NEEDS RESET: north-bench" in shown
    assert "15:36 alarm: the mat warms with its relay open (still so at the end)" in shown
    assert "for Wed 30 Dec 15:36 the mat warms with its relay open" in shown
    assert "highest 34.0 ± 0.5 °C Wed 30 Dec 18:00" in shown
    assert "Not back in band yet." in shown
    assert "1 Pull the mat's plug first" in shown
    assert "GRP-2 60 grapevine bench grafts: check before deciding" in shown
    assert "cut five bases" in shown
    assert "Throw nothing away before the test" in shown
    assert "Reset Not safe before the relay has been replaced or the socket put right." in shown
    assert "Then: bottomheat reset cutoff north-bench" in shown


def test_a_power_cut_is_told_once_and_its_hours_are_not_counted_as_in_band(log: Path) -> None:
    shown = plain(text(log, "--from", "2026-12-29T04:00", "--to", "2026-12-29T09:30"))
    assert shown.startswith("Power cut, Tue 29 Dec 03:59-09:30 (5 h 31 min), north-bench, south")
    assert "Nothing to reset." in shown
    assert shown.count("nothing recorded: power was cut") == 1
    assert shown.count("Why Power cut") + shown.count("Why The power was out.") == 1
    assert "5 h 31 min unmeasured, not counted as in band." in shown
    assert "Bases lowest 17.0 ± 0.5 °C Tue 29 Dec 09:30" in shown
    assert "Back in band Tue 29 Dec 17:00." in shown
    assert "growth paused for about 3 h" in shown
    assert "Nothing to throw away on this evidence." in shown


def test_of_one_box_alone(log: Path) -> None:
    shown = plain(text(log, "--last-fault", "--chamber", SOUTH))
    assert shown.startswith("The wet layer probe gives no good reading, Wed 30 Dec 04:00-04:40")
    assert "Nothing to reset." in shown
    assert "wet layer: checksum wrong, for 29 min" in shown
    assert NORTH not in shown


def test_a_quiet_time_says_so(log: Path) -> None:
    shown = plain(text(log, "--from", "2026-12-28T10:00", "--to", "2026-12-29T01:00"))
    assert shown.startswith("No fault found, Mon 28 Dec 10:00")
    assert "Why No fault" in shown
    assert "within 0.5 K of the setpoint" in shown
    assert "1 Nothing." not in shown  # a batch stands there
    assert "GRP-2 60 grapevine bench grafts: no harm expected" in shown


def test_what_the_grower_did_is_in_the_timeline(log: Path) -> None:
    shown = plain(text(log, "--from", "2026-12-29T04:00", "--to", "2026-12-29T10:00"))
    assert "14:00 south-bench: tended for 30 min: looking" in shown


def test_of_a_batch(log: Path) -> None:
    shown = plain(text(log, "--batch", "grp-2"))
    assert shown.startswith("GRP-2: Mon 28 Dec 2026 08:00 to Wed 30 Dec 2026")
    assert "check before deciding" in shown
    assert "Power cut" in shown
    assert "probe" not in shown.partition("What happened")[2]


def test_as_data(log: Path) -> None:
    (told,) = data(log, "--last-fault")["episodes"]
    assert told["title"] == "Heat that nobody asked for"
    assert told["latched"] == [NORTH]
    assert told["standing"] is True
    (cause,) = told["causes"]
    assert cause["boxes"] == [NORTH]
    assert cause["first"]["cause"] == "heat that nobody asked for"
    assert cause["first"]["weight"] == pytest.approx(
        sum(m["weight"] for m in cause["first"]["marks"])
    )
    (box,) = told["boxes"]
    assert box["record"]["hottest"]["celsius"] == 34.0
    assert box["batches"][0]["record"]["verdict"]["level"] == "check"
    assert told["do_now"][0].startswith("Pull the mat's plug")


def test_the_overview_as_data_comes_to_what_the_rows_say(log: Path) -> None:
    found = data(log)
    boxes = {each["chamber"]: each for each in found["boxes"]}
    # Below 24.5 from 17.0 °C at 1 K an hour: 7.5 h; the warming itself counts to the minute.
    assert boxes[NORTH]["below_h"] == pytest.approx(7.5, abs=0.02)
    # Above 25.5 from ten minutes after the weld.
    assert boxes[NORTH]["above_h"] == pytest.approx(ENDS_H - WELDED_H - 1 / 6, abs=0.04)
    assert boxes[SOUTH]["known_h"] == pytest.approx(ENDS_H - (BACK_H - CUT_H) - 0.5, abs=0.1)
    assert boxes[SOUTH]["in_band_fraction"] == 1.0
    assert found["unrecorded_h"] == pytest.approx(BACK_H - CUT_H, abs=0.05)
    assert [each["boxes"] for each in found["episodes"]] == [[NORTH, SOUTH], [SOUTH], [NORTH]]


def test_a_page_of_the_last_fault(log: Path, tmp_path: Path) -> None:
    page = tmp_path / "page.html"
    answer = ask(log, "--last-fault", "--html", str(page))
    assert answer.exit_code == 0, answer.exception
    assert str(page) in answer.stderr
    assert answer.stdout == ""
    shown = page.read_text(encoding="utf-8")
    assert page.stat().st_size < 2_000_000
    for part in ("Heat that nobody asked for", "NEEDS RESET", "cut five bases", "Pull the mat"):
        assert part in shown


def test_a_page_of_the_last_days_and_of_a_batch_beside_the_data(log: Path, tmp_path: Path) -> None:
    page = tmp_path / "page.html"
    found = data(log, "--html", str(page))
    assert len(found["episodes"]) == 3
    assert "Power cut; north-bench, south-bench" in page.read_text(encoding="utf-8")
    assert ask(log, "--batch", "GRP-2", "--html", str(page)).exit_code == 0
    shown = page.read_text(encoding="utf-8")
    assert "60 grapevine bench grafts" in shown
    assert ">south-bench<" not in shown


def test_a_chart_below_the_text_fits_the_screen(log: Path) -> None:
    shown = text(log, "--last-fault", "--chart")
    words, drawn = shown.split("°C  o bases", 1)
    assert "bottomheat reset cutoff" in words
    assert "north-bench" in drawn.splitlines()[0]
    assert len(drawn.splitlines()) > 15
    assert "°C  o bases" not in text(log, "--last-fault")


def test_a_page_that_cannot_be_written_is_said(log: Path, tmp_path: Path) -> None:
    told = refused(log, "--last-fault", "--html", str(tmp_path / "none" / "page.html"))
    assert "cannot be written (No such file or directory)" in told


def test_what_cannot_be_reviewed_is_said(log: Path, tmp_path: Path) -> None:
    assert "there is no chamber shed" in refused(log, "--chamber", "shed")
    assert "there is no batch XYZ; the season has: GRP-2" in refused(log, "--batch", "XYZ")
    assert "give one of" in refused(log, "--last-fault", "--batch", "GRP-2")
    assert "leave --chamber out" in refused(log, "--batch", "GRP-2", "--chamber", NORTH)
    assert "no rows of that time" in refused(log, "--from", "2026-11-01", "--to", "2026-11-02")
    assert "before --to" in refused(log, "--from", "2026-12-30", "--to", "2026-12-28")
    assert "is no day and no time" in refused(log, "--from", "sometime")


def test_a_log_without_rows(tmp_path: Path) -> None:
    book = journal(tmp_path, SetClock(1000.0, BEGAN_MS), ring=False, background=False)
    book.note_config(CONFIG.format(folder=tmp_path), "sum")
    book.close()
    assert "no rows yet" in refused(tmp_path / "log.sqlite")


def test_without_a_fault_there_is_no_last_one(tmp_path: Path) -> None:
    run(tmp_path, "boot-1", 0.0, 2.0)
    assert "tells of no fault" in refused(tmp_path / "log.sqlite", "--last-fault")
    assert "No fault and no gap in that time." in text(tmp_path / "log.sqlite")
