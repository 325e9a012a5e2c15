"""``bottomheat today``: beside a service and without, on any day, on an empty log, on no log."""

from __future__ import annotations

import json
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path

import pytest

from bottomheat.cli.season_view import moment_ms, stood
from bottomheat.errors import InputError
from bottomheat.model import Alarm, Estimate, Event, EventKind, Good, Place
from bottomheat.season.ledger import DAY_MS, SeasonEntry, What
from bottomheat_drivers.clock import SystemClock
from bottomheat_drivers.log import AlarmRow, RunRow, SqliteJournal
from clibench import FakeService, Shed, status
from log_tools import SetClock, sample
from service import Service

DAWN_MS = round(datetime(2026, 1, 16, 7, 10, tzinfo=UTC).timestamp() * 1000)
GRAPES = {"species": "grapevine", "kind": "grafts", "count": 60}


@pytest.fixture
def shed(tmp_path: Path) -> Shed:
    return Shed(tmp_path)


def log_of(shed: Shed) -> Path:
    return shed.folder / "state" / "log.sqlite"


class Writer:
    """Writes a log that ends at a moment, a row a minute."""

    def __init__(self, shed: Shed, end_ms: int, hours: float, boot="boot-1", sure=True) -> None:
        self.shed = shed
        self.clock = SetClock(100.0, end_ms - round(hours * 3_600_000), sure)
        self.journal = SqliteJournal(
            log_of(shed), None, self.clock, "0.1.0", boot, background=False
        )
        self.minutes = round(hours * 60)

    def note(self, what: What, days_ago: float = 0.0, batch=None, chamber=None, **data) -> Writer:
        end_ms = self.clock.wall + self.minutes * 60_000
        about_ms = end_ms - round(days_ago * DAY_MS) if days_ago else None
        self.journal.note_season(SeasonEntry(what, batch, chamber, data, about_ms=about_ms))
        return self

    def rows(self, estimate_c=22.0, top_c: float | None = None) -> Writer:
        for _ in range(self.minutes + 1):
            at_s = self.clock.now_s
            readings = [(Place.SUBSTRATE, Good(26.0, at_s)), (Place.ROOM, Good(6.5, at_s))]
            if top_c is not None:
                readings.append((Place.TOP, Good(top_c, at_s)))
            for name, setpoint_c in (("north-bench", 22.0), ("south-bench", 17.0)):
                record = sample(
                    at_s,
                    name,
                    setpoint_c=setpoint_c,
                    estimate=Estimate(estimate_c + setpoint_c - 22.0, 0.4),
                    readings=tuple(readings),
                )
                self.journal.record([record], ())
            self.clock.now_s += 60.0
            self.clock.wall += 60_000
        return self

    def event(self, event: Event) -> Writer:
        self.journal.record([], [event])
        return self

    def end(self) -> None:
        self.journal.close()


def at(shed: Shed, when: str = "2026-01-16 07:10", *words: str):
    done = shed.run("today", "--at", when, *words)
    assert done.returncode == 0, done.stderr
    return done.stdout


def flat(text: str) -> str:
    return " ".join(text.split())


def filled(shed: Shed, end_ms: int = DAWN_MS) -> None:
    writer = Writer(shed, end_ms, 30.0)
    writer.note(What.ADD, 9, "GRP-2", "north-bench", **GRAPES)
    writer.note(What.LOOK, 2, "GRP-2", sampled=10, callused=3, mould=0)
    writer.rows().end()


@pytest.mark.process
def test_a_morning_of_the_log(shed: Shed) -> None:
    filled(shed)
    text = at(shed)
    assert text.startswith(
        "Fri 16 Jan 07:10\n"
        "Overnight 18:00-07:10\n"
        "  north-bench  22.0-22.0 °C, all in band\n"
        "  south-bench  17.0-17.0 °C, all in band\n"
        "  No power cut. Room down to 6.5 °C.\n"
    )
    assert "  GRP-2  60 grapevine bench grafts, callusing, day 9 of 14-24 [from memory]\n" in text
    assert "last look 14 Jan: 3 of 10 callused, none with mould" in text
    assert "The service" not in text


@pytest.mark.process
def test_a_day_knows_nothing_of_the_days_after_it(shed: Shed) -> None:
    filled(shed)
    before = at(shed, "2026-01-13")
    assert before.startswith("Tue 13 Jan 08:00\n")
    assert "no data. The log begins on" in before
    assert "callusing, day 6 of 14-24" in before
    assert "last look" not in before
    assert "GRP-2" not in at(shed, "2026-01-01")
    assert "no data. The newest row is of Fri 16 Jan 07:1" in at(shed, "2026-02-01")


@pytest.mark.process
def test_the_data_is_one_json_object(shed: Shed) -> None:
    filled(shed)
    data = json.loads(at(shed, "2026-01-16 07:10", "--json"))
    assert data["now_ms"] == DAWN_MS
    assert data["clock_set"] is True
    assert data["running"] is None
    north, south = data["boxes"]
    assert north["night"]["known_h"] == pytest.approx(13 + 1 / 6)
    assert north["night"]["in_band_h"] == pytest.approx(north["night"]["known_h"])
    assert north["setpoint_c"] == 22.0
    assert [batch["name"] for batch in north["batches"]] == ["GRP-2"]
    assert south["batches"] == []


@pytest.mark.process
def test_an_empty_log_and_no_log(shed: Shed) -> None:
    none = shed.run("today")
    assert none.returncode == 5
    assert "There is no log at" in none.stderr
    Writer(shed, DAWN_MS, 0.0).end()
    done = shed.run("today")
    assert done.returncode == 0, done.stderr
    assert "no data. The log has no rows yet." in done.stdout
    assert "The service does not answer" in done.stdout
    assert "No batches." in done.stdout


@pytest.mark.process
def test_a_log_whose_clock_was_never_set(shed: Shed) -> None:
    writer = Writer(shed, DAWN_MS, 14.0, sure=False)
    writer.note(What.ADD, 0, "GRP-2", "north-bench", **GRAPES).rows().end()
    done = shed.run("today", "--log", str(log_of(shed)))
    assert done.stdout.startswith("CLOCK NOT SET\n"), done.stderr
    assert "The last 12 h\n  north-bench  22.0-22.0 °C, all in band" in done.stdout
    assert "callusing (days are not counted)" in done.stdout


@pytest.mark.process
def test_a_power_cut_in_the_night_is_told(shed: Shed) -> None:
    Writer(shed, DAWN_MS - 7 * 3_600_000, 12.0).rows().journal.flush(5.0)
    Writer(shed, DAWN_MS, 2.0, boot="boot-2").rows().end()
    text = flat(at(shed))
    assert "Power cut 00:11-05:10 (4 h 59 min)" in text or "Power cut 00:10-05:10 (5 h)" in text
    assert "No power cut" not in text
    assert "5.0 h not known" in text


@pytest.mark.process
def test_alarms_that_stood_then_are_told_and_those_of_other_days_are_not(shed: Shed) -> None:
    writer = Writer(shed, DAWN_MS, 30.0).rows()
    raised_s = writer.clock.now_s - 3600.0
    words = (EventKind.ALARM_RAISED, raised_s, "north-bench", "room probe lost", Alarm.ROOM_LOST)
    writer.event(Event(*words, durable=True)).end()
    text = at(shed)
    assert "ALARM\n  ! north-bench: The room probe is lost" in text
    assert "ALARM" not in at(shed, "2026-01-15 07:10")


@pytest.mark.process
def test_warm_air_at_the_buds_comes_from_the_log(shed: Shed) -> None:
    text = shed.text.replace("# callus: none yet", "top: 28-000000000004")
    shed.config.write_text(text)
    writer = Writer(shed, DAWN_MS, 30.0)
    writer.note(What.ADD, 9, "GRP-2", "north-bench", **GRAPES).rows(top_c=13.4).end()
    assert "! air at buds above 12 for 30 h, up to 13.4: GRP-2" in at(shed)


@pytest.mark.process
def test_another_log_brings_its_own_config(shed: Shed, tmp_path: Path) -> None:
    writer = Writer(shed, DAWN_MS, 13.0)
    told = shed.text.replace("north-bench:", "east-bench:")
    told += "alerts:\n  addresses: (hidden)\n"
    writer.journal.note_config(told, "checksum")
    writer.note(What.ADD, 9, "GRP-2", "east-bench", **GRAPES).rows().end()
    done = shed.run("today", "--log", str(log_of(shed)), "--config", str(tmp_path / "none.yaml"))
    assert done.returncode == 0, done.stderr
    assert "EAST-BENCH   set 2" in done.stdout
    assert "Fri 16 Jan 07:1" in done.stdout
    bare = Shed(_made(tmp_path / "bare"))
    Writer(bare, DAWN_MS, 0.0).end()
    done = bare.run("today", "--log", str(log_of(bare)), "--config", str(tmp_path / "none.yaml"))
    assert done.returncode == 3
    assert "holds no config of that time" in done.stderr


def _made(folder: Path) -> Path:
    folder.mkdir()
    return folder


@pytest.mark.process
def test_beside_a_service_it_asks_for_the_newest_rows_and_for_its_alarms(shed: Shed) -> None:
    filled(shed, SystemClock().wall_ms())
    alarm = {
        "id": "north-bench/heat-lost",
        "chamber": "north-bench",
        "alarm": "heat-lost",
        "level": "now",
        "state": "new",
        "text": "There is no heat: relay.",
        "for_s": 60.0,
    }
    answers = {"write-soon": [{"ok": True}], "status": [status(alarms=[alarm])]}
    with FakeService(shed.control, answers) as service:
        done = shed.run("today")
    assert service.asked == ["write-soon", "status"]
    assert done.returncode == 0, done.stderr
    assert "ALARM\n  ! NOW north-bench: There is no heat: relay.\n" in done.stdout
    assert "does not answer" not in done.stdout
    assert "north-bench  22.0-22.0 °C, all in band" in done.stdout
    assert "GRP-2" in done.stdout


@pytest.fixture
def service(tmp_path: Path) -> Iterator[Service]:
    made = Service(tmp_path / "live")
    made.prove()
    yield made
    made.end()


@pytest.mark.process
def test_beside_the_real_service_a_batch_is_on_the_screen_at_once(service: Service) -> None:
    service.start()
    service.wait(lambda: service.ask("status")["chambers"] != [])
    added = service.command("batch", "add", "MUL-1", "mulberry", "40", "--in", "north-bench")
    assert added.returncode == 0, added.stderr + added.stdout
    done = service.command("today")
    assert done.returncode == 0, done.stderr
    assert "does not answer" not in done.stdout
    assert "  MUL-1  40 mulberry cuttings, callusing" in done.stdout
    assert "for MUL-1" in done.stdout
    assert "no data" not in done.stdout


@pytest.mark.parametrize(
    "said", ["tomorrow", "2026-13-01", "", "07:10", "9999-01-01", "0001-01-01"]
)
def test_what_names_no_day_is_refused(said: str) -> None:
    with pytest.raises(InputError) as refused:
        moment_ms(said, UTC)
    assert "2027-01-16" in str(refused.value)


def test_a_day_without_a_time_is_its_morning() -> None:
    assert moment_ms("2026-01-16 07:10", UTC) == DAWN_MS
    assert moment_ms("2026-01-16", UTC) == DAWN_MS + 50 * 60_000
    assert moment_ms("2026-01-16T08:10+01:00", UTC) == DAWN_MS


def runs(*began: int) -> list[RunRow]:
    return [
        RunRow(n, f"boot-{n}", "0.1.0", at_ms, at_ms, True, True) for n, at_ms in enumerate(began)
    ]


def row(raised: int, cleared: int | None, run: int = 0) -> AlarmRow:
    return AlarmRow(Alarm.ROOM_LOST, "north-bench", run, raised, cleared, True)


@pytest.mark.parametrize(
    ("alarm", "found"),
    [
        (row(5, None), [False]),
        (row(15, None), [False]),
        (row(5, 12), [True]),
        (row(15, 18), [True]),
        (row(15, 25), [False]),
        (row(5, 9), []),
        (row(25, None), []),
    ],
)
def test_an_alarm_stood_in_a_stretch_of_time_and_may_be_over(alarm, found) -> None:
    assert [over for _, over in stood([alarm], runs(0), 10, 20)] == found


def test_an_alarm_that_its_run_left_open_is_over_with_it() -> None:
    both = runs(0, 14)
    assert stood([row(5, None)], both, 10, 20) == []
    assert [over for _, over in stood([row(12, None)], both, 10, 20)] == [True]
    assert [over for _, over in stood([row(16, None, run=1)], both, 10, 20)] == [False]
    assert [over for _, over in stood([row(12, None)], both, 10, 13)] == [False]
