"""``record`` on a log of three days: what it prints is what the rows come to."""

from __future__ import annotations

import json
import time
from collections.abc import Iterator
from itertools import pairwise
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from bottomheat.cli.record_cmd import command
from bottomheat.errors import InputError
from bottomheat.model import Estimate, Good, Place
from bottomheat.season.ledger import SeasonEntry, What
from clibench import CONFIG
from log_tools import SetClock, journal, raw, sample

HOUR_MS = 3_600_000
BEGAN_MS = 1_798_444_800_000
"""Mon 28 Dec 2026 08:00 UTC."""
GRAFTS = {"species": "grapevine", "kind": "grafts", "count": 60}
CUTTINGS = {"species": "mulberry", "kind": "cuttings", "count": 40}
UNIONS = {**GRAFTS, "zone": "union", "height_mm": 90}


def callus_c(hour: float) -> float:
    """25 °C; from hour 20 down to 17 within two hours, back from hour 26; 33 from hour 50 to 53."""
    if 20 <= hour < 30:
        return max(17.0, 25 - 4 * (hour - 20), 25 - 4 * (30 - hour))
    return 33.0 if 50 <= hour < 53 else 25.0


@pytest.fixture(scope="module")
def log(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("record")
    clock = SetClock(1000.0, BEGAN_MS)
    book = journal(folder, clock, ring=False, background=False)
    book.note_clock(1000.0, BEGAN_MS, True)
    book.note_config(CONFIG.format(folder=folder), "sum")

    def at(hour: float) -> None:
        clock.now_s = 1000.0 + hour * 3600
        clock.wall = BEGAN_MS + round(hour * HOUR_MS)

    for name, place, data in (
        ("GRP-2", "north-bench", GRAFTS),
        ("MUL-1", "north-bench", CUTTINGS),
        ("UNI-1", "south-bench", UNIONS),
    ):
        book.note_season(SeasonEntry(What.ADD, name, place, data))
    for minute in range(72 * 60 + 1):
        hour = minute / 60
        at(hour)
        if minute == 40 * 60:
            book.note_season(SeasonEntry(What.STAGE, "MUL-1", data={"stage": "rooting"}))
            book.note_season(SeasonEntry(What.MOVE, "MUL-1", "south-bench"))
        if 60 < hour < 64:
            continue
        now_s, north_c = clock.now_s, callus_c(hour)
        book.record(
            [
                sample(
                    now_s,
                    estimate=Estimate(north_c, 0.5),
                    readings=((Place.SUBSTRATE, Good(north_c + 4, now_s)),),
                    heat=minute % 4 == 0,
                    closings=int(minute % 4 == 0),
                ),
                sample(now_s, "south-bench", estimate=Estimate(19.0, 0.5), setpoint_c=19.0),
            ],
            (),
        )
    book.close()
    return folder / "log.sqlite"


@pytest.fixture(autouse=True)
def utc(monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    monkeypatch.setenv("TZ", "UTC")
    time.tzset()
    yield
    monkeypatch.undo()
    time.tzset()


def ask(log: Path, *words: str) -> Result:
    answer = CliRunner().invoke(command, [*words, "--log", str(log), "--config", "/nowhere.yaml"])
    assert answer.exception is None or isinstance(answer.exception, InputError)
    return answer


def text(log: Path, *words: str) -> str:
    answer = ask(log, *words)
    assert answer.exit_code == 0, answer.exception
    assert max(map(len, answer.output.splitlines())) <= 80
    return answer.output


def data(log: Path, *words: str) -> dict:
    return json.loads(ask(log, *words, "--json").output)


def refused(log: Path, *words: str) -> str:
    answer = ask(log, *words)
    assert isinstance(answer.exception, InputError)
    return str(answer.exception)


def plain(shown: str) -> str:
    return " ".join(shown.split())


def test_a_batch_with_its_verdict_and_the_test_to_make(log: Path) -> None:
    shown = plain(text(log, "GRP-2"))
    assert "GRP-2 60 grapevine bench grafts, callusing" in shown
    assert "Mon 28 Dec 2026 08:00 to Thu 31 Dec 2026 08:00 (72 h)" in shown
    assert "Verdict check before deciding" in shown
    # 33 °C for three hours; a degree at each flank within a minute.
    assert "above 32 °C [from memory] for 3 h" in shown
    assert "below 20 °C [quoted second-hand] for 7.5 h (between 7.3 and 7.8)" in shown
    assert "cut five bases: green and firm, or brown, wet and sour? look again in 7 days" in shown
    assert "Not measured: moisture; temperature of the unions; 4 h without data" in shown
    assert "coldest 17.0 ± 0.5 °C Tue 29 Dec 06:00" in shown
    assert "hottest 33.0 ± 0.5 °C Wed 30 Dec 10:00" in shown
    assert (
        "Unknown 4 h, counted neither in band nor out of it no data, cause not known "
        "Wed 30 Dec 20:00 to Thu 31 Dec 00:00 (4 h): 25.0 °C before, 25.0 after" in shown
    )
    assert "24-27 °C callusing [quoted second-hand]" in shown


def test_what_is_printed_is_what_the_raw_rows_come_to(log: Path) -> None:
    """By plain SQL and our own arithmetic: a minute at a time, crossings by a hundred steps."""
    rows = raw(
        log,
        "SELECT t_ms, estimate_mc, heat FROM sample_row WHERE chamber = 'north-bench' ORDER BY id",
    )
    known = inside = below_20 = area = heated = 0.0
    for (t0, a, heat), (t1, b, _) in pairwise(rows):
        if t1 - t0 > 900_000:
            continue
        hours = (t1 - t0) / HOUR_MS
        known += hours
        heated += hours * heat
        for step in range(100):
            celsius = (a + (b - a) * (step + 0.5) / 100) / 1000
            inside += hours / 100 * (24 <= celsius <= 27)
            below_20 += hours / 100 * (celsius < 20)
            area += hours / 100 * max(20 - celsius, 0)
    found = data(log, "GRP-2")
    slow = next(each for each in found["limits"] if each["name"] == "slow_below_c")
    assert found["known_h"] == pytest.approx(known)
    assert found["unknown_h"] == pytest.approx(4.0)
    assert found["in_band"]["hours"] == pytest.approx(inside, abs=2e-3)
    assert slow["span"]["hours"] == pytest.approx(below_20, abs=2e-3)
    assert slow["degree_hours"] == pytest.approx(area, abs=2e-3)
    assert found["energy_kwh"] == pytest.approx(heated * 0.045)
    assert found["verdict"]["level"] == "check"
    assert [each["cause"] for each in found["gaps"]] == ["unknown"]
    assert slow["source"]["confidence"] == "quoted second-hand"


def test_a_batch_is_followed_into_the_other_box(log: Path) -> None:
    shown = plain(text(log, "mul-1"))
    assert "north-bench, callusing Wed 30 Dec 00:00 south-bench, rooting" in shown
    assert "Limits, callusing" in shown
    assert "Limits, rooting" in shown
    # The hot hours came after it had gone.
    assert "growth paused for about" in shown
    assert "hottest 25.0" in shown
    parts = data(log, "MUL-1")["parts"]
    assert [part["place"] for part in parts] == ["north-bench", "south-bench"]
    assert parts[1]["in_band"]["hours"] == pytest.approx(28.0)


def test_unions_are_not_judged_by_bases(log: Path) -> None:
    shown = plain(text(log, "UNI-1"))
    assert "no probe has measured it: nothing can be said" in shown
    assert "its unions are 90 mm up and were not measured in south-bench" in shown
    assert "bottomheat record --chamber south-bench --from 2026-12-28 --to 2026-12-31" in shown
    assert data(log, "UNI-1")["known_h"] == 0.0


def test_a_window_of_days(log: Path) -> None:
    day = data(log, "GRP-2", "--from", "2026-12-29", "--to", "2026-12-29")
    assert (day["to_ms"] - day["from_ms"]) / HOUR_MS == 24.0
    assert day["known_h"] == pytest.approx(24.0)
    hour = data(log, "GRP-2", "--from", "2026-12-30 10:00", "--to", "2026-12-30 11:00")
    assert hour["mean_c"] == pytest.approx(33.0)
    assert data(log, "GRP-2", "--to", "2027-06-01")["to_ms"] == BEGAN_MS + 72 * HOUR_MS


def test_a_box_is_held_against_its_setpoint(log: Path) -> None:
    shown = plain(text(log, "--chamber", "south-bench"))
    assert "SOUTH-BENCH, against its setpoint" in shown
    assert "within 0.5 K of the setpoint" in shown
    assert "100 % of what is known" in shown
    assert "Verdict" not in shown
    box = data(log, "--chamber", "north-bench")
    assert box["energy_kwh"] == pytest.approx(data(log, "GRP-2")["energy_kwh"])


def test_without_a_name_each_has_a_few_lines(log: Path) -> None:
    shown = text(log)
    for name in ("GRP-2  ", "MUL-1  ", "UNI-1  ", "NORTH-BENCH", "SOUTH-BENCH"):
        assert name in shown
    assert len(data(log)["records"]) == 5


def test_warmth_is_an_index_and_no_forecast(log: Path) -> None:
    shown = plain(text(log, "GRP-2", "--warmth", "10", "--need", "200"))
    assert "degree-days above 10 °C" in shown
    assert "of your own figure of 200" in shown
    assert "no forecast" in shown
    warm = data(log, "GRP-2", "--warmth", "10")["warmth"]
    # 68 h at 25 °C, less the cold spell, more the hot one.
    assert warm["amount"] == pytest.approx((68 * 15 - 64 + 3 * 8) / 24, abs=0.05)
    assert warm["share"] is None
    assert "growing-degree-hours" in text(log, "GRP-2", "--warmth", "gdh")


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("GRP-9",), "there is no batch GRP-9; the season has: GRP-2, MUL-1, UNI-1"),
        (("north-bench",), "bottomheat record --chamber north-bench"),
        (("--chamber", "west-bench"), "there is no chamber west-bench"),
        (("GRP-2", "--chamber", "north-bench"), "not both"),
        (("GRP-2", "--from", "2026-12-30", "--to", "2026-12-29"), "--from must be before --to"),
        (("GRP-2", "--from", "2027-12-30"), "--from must be before --to"),
        (("GRP-2", "--from", "soon"), "'soon' is no day"),
        (("GRP-2", "--need", "5"), "--need goes with --warmth"),
        (("GRP-2", "--warmth", "warm"), "'warm' is no base"),
        (("GRP-2", "--warmth", "99"), "no base"),
        (("GRP-2", "--warmth", "10", "--need", "-1"), "no sum of warmth"),
        (("GRP-2", "--to", "2026-12-01"), "GRP-2 was nowhere in that time"),
    ],
)
def test_what_makes_no_sense_is_said_in_a_sentence(
    log: Path, words: tuple[str, ...], said: str
) -> None:
    assert said in refused(log, *words)
