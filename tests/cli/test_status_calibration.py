"""What ``status`` says of a calibration: when it was read, in which rooms, and its age."""

from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

from bottomheat.calibration.ageing import Advice, Ageing
from bottomheat.calibration.ledger import Reference
from bottomheat.cli.status_calibration import calibrations, words
from bottomheat.cli.status_text import render
from bottomheat.config import Config
from bottomheat_drivers.log import SqliteJournal
from bottomheat_drivers.log.rows import BorrowingRow
from log_tools import SetClock, entry, paired
from plant import chamber_keys, config


def at_ms(day: int) -> int:
    return round(datetime(2026, 1, day, 7, tzinfo=UTC).timestamp() * 1000)


def reading(number: int, day: int, room_c: float = 11.2, **over) -> Reference:
    pairing = paired(room_c=room_c, steady=over.pop("steady", True))
    dropped = over.pop("dropped", None)
    return Reference(number, at_ms(day), True, entry(pairing=pairing, **over), dropped)


def said(readings, lent=(), age=None, lid="on") -> str:
    return words("north-bench", lid, readings, lent, age, UTC)


def test_the_last_reading_and_the_rooms_are_told():
    readings = [reading(1, 6, 17.2), reading(2, 14, 9.4)]
    assert said(readings) == "calibrated: thermometer last read 14 Jan (rooms 9 to 17 °C)"
    assert said(readings[:1]) == "calibrated: thermometer last read 6 Jan (room 17 °C)"


def test_only_readings_that_count_are_told():
    readings = [
        reading(1, 6, 17.2),
        reading(2, 10, 1.0, steady=False),
        reading(3, 11, 2.0, dropped="misread"),
        reading(4, 12, 3.0, lid="off"),
        reading(5, 13, 4.0, chamber="south-bench"),
    ]
    assert said(readings) == "calibrated: thermometer last read 6 Jan (room 17 °C)"
    assert said(readings, lid="off") == "calibrated: thermometer last read 12 Jan (room 3 °C)"
    assert said([]) == ""


def test_a_borrowed_probe_is_told_once_it_has_ended():
    began = BorrowingRow(1, 0, at_ms(3), True, "north-bench", "28-0000000000aa", 172_800.0, "")
    assert said([], [began]) == ""
    ended = replace(began, wall_ms=at_ms(5), for_s=None)
    assert said([], [began, ended]) == "calibrated: borrowed probe until 5 Jan"


def test_what_makes_it_old_says_what_to_do():
    age = Ageing((), Advice.READ, "the box was filled after the last steady reading")
    assert said([reading(1, 6)], age=age).endswith(
        "\n  ! the box was filled after the last steady reading: "
        "read again (bottomheat calibrate add)"
    )
    age = Ageing((), Advice.FIT, "2 of the last 3 readings were warmer than the estimate")
    assert "fit again (bottomheat calibrate fit)" in said([reading(1, 6)], age=age)


def box(**over):
    return {"name": "north-bench", "lid": "on", "calibrated": True, **over}


def test_the_log_is_looked_up_and_its_absence_is_no_trouble(tmp_path: Path):
    path = tmp_path / "log.sqlite"
    offset = {"method": "temperature-factor", "factor": 0.74, "calibrated": True}
    keys = config(**{"north-bench": chamber_keys(offset=offset)}).model_dump(by_alias=True)
    made = Config.model_validate({**keys, "log": str(path)}, strict=False)
    answer = {"chambers": [box()]}
    assert calibrations(made, answer) == {}
    journal = SqliteJournal(path, None, SetClock(0.0, at_ms(16)), "0.1.0", "boot", background=False)
    journal.note_reference(entry())
    journal.close()
    assert "thermometer last read" in calibrations(made, answer)["north-bench"]
    assert calibrations(made, {"chambers": [box(calibrated=False)]}) == {}
    path.write_bytes(b"no log at all, but long enough to be read as something" * 40)
    assert calibrations(made, answer) == {}


def test_the_screen_shows_it_below_its_box():
    chamber = {
        **box(),
        "condition": "HOLDING",
        "reason": "",
        "setpoint_c": 25.0,
        "estimate_c": 25.0,
        "expanded_k": 0.6,
        "method": "temperature-factor",
        "readings": {"substrate": {"celsius": 27.1}},
        "heat": True,
        "heat_fraction": 0.4,
        "closings": 3,
        "in_band_s": None,
        "tending": None,
        "keeper": None,
    }
    answer = {
        "data_age_s": 2.0,
        "synchronised": True,
        "wall_ms": 0,
        "running_s": 60.0,
        "proving": None,
        "alarms": [],
        "gone": [],
        "chambers": [chamber],
    }
    line = "calibrated: thermometer last read 14 Jan (rooms 9 to 17 °C)"
    assert f"\n  {line}\n" in render(answer, {}, UTC, {"north-bench": line})
    assert "calibrated:" not in render(answer, {}, UTC)
    assert "not calibrated" in render(
        {**answer, "chambers": [{**chamber, "calibrated": False}]}, {}, UTC, {"north-bench": line}
    )
