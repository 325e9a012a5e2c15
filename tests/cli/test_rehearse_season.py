"""``bottomheat rehearse --season``: the rehearsed winter, read back and worked out a second time.

What is expected here is worked out from the raw tables of the log with plain ``sqlite3`` and the
arithmetic below; none of the project's own reading, folding or adding up is used for it.
"""

from __future__ import annotations

import json
import logging
import math
import re
import sqlite3
import time
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner

from bottomheat.cli import rehearse_cmd, rehearse_season
from bottomheat.errors import InputError
from bottomheat.rehearse_season import change_of
from bottomheat.season.ledger import fold
from bottomheat.season.season_story import NORTH, SOUTH, Use, story, to_ms
from bottomheat.season.setpoint import rule
from bottomheat_drivers.log import LogReader

pytestmark = pytest.mark.slow

HOUR_MS = 3_600_000
DAY_MS = 24 * HOUR_MS
MAX_GAP_MS = 900_000
BANDS = {
    ("mulberry", "callusing"): (21.0, 25.0),
    ("mulberry", "rooting"): (18.0, 20.0),
    ("mulberry", "hardening-off"): (15.0, 18.0),
    ("blackcurrant", "callusing"): (10.0, 20.0),
    ("blackcurrant", "rooting"): (10.0, 20.0),
    ("blackcurrant", "hardening-off"): (5.0, 18.0),
}
"""What these want, °C, written down once more."""
WATTS = 45.0


def at(month: int, day: int, hour: int = 0, minute: int = 0) -> int:
    """UTC ms within the season."""
    year = 2026 if month >= 10 else 2027
    return round(datetime(year, month, day, hour, minute, tzinfo=UTC).timestamp() * 1000)


# -- the log, read a second way


@dataclass(frozen=True)
class Row:
    """A sample placed in wall time."""

    wall_ms: int
    run: int
    setpoint_c: float
    estimate_c: float | None
    expanded_k: float | None
    room_c: float | None
    heat: int
    closings: int


@dataclass(frozen=True)
class Piece:
    """A stretch of a batch in one place and stage."""

    place: str
    stage: str
    from_ms: int
    to_ms: int


class Raw:
    """The log's tables."""

    def __init__(self, path: Path) -> None:
        self.path = path
        base = sqlite3.connect(f"file:{path}?mode=ro", uri=True)
        self.offset_ms = {
            run: wall_ms - t_ms
            for run, t_ms, wall_ms in base.execute(
                "SELECT run, t_ms, wall_ms FROM clock ORDER BY id"
            )
        }
        self.runs = base.execute("SELECT id, boot_id, closed FROM run ORDER BY id").fetchall()
        self.rows: dict[str, list[Row]] = {}
        for chamber, run, t_ms, set_mc, est_mc, exp_ck, room_mc, heat, closings in base.execute(
            "SELECT chamber, run, t_ms, setpoint_mc, estimate_mc, expanded_ck, room_mc, heat, "
            "closings FROM sample_row ORDER BY id"
        ):
            row = Row(
                t_ms + self.offset_ms[run],
                run,
                set_mc / 1000,
                None if est_mc is None else est_mc / 1000,
                None if exp_ck is None else exp_ck / 100,
                None if room_mc is None else room_mc / 1000,
                heat,
                closings,
            )
            self.rows.setdefault(chamber, []).append(row)
        self.events = [
            (t_ms + self.offset_ms[run], chamber, kind, text)
            for run, t_ms, chamber, kind, text in base.execute(
                "SELECT run, t_ms, name, kind, text FROM event "
                "LEFT JOIN chamber ON chamber.id = event.chamber ORDER BY event.id"
            )
        ]
        self.entries = [
            (number, t_ms + self.offset_ms[run] if about is None else about, what, batch, box,
             json.loads(data), corrects)
            for number, run, t_ms, about, what, batch, box, data, corrects in base.execute(
                "SELECT id, run, t_ms, about_ms, what, batch, chamber, data, corrects "
                "FROM season_entry ORDER BY id"
            )
        ]  # fmt: skip
        base.close()

    def pieces(self, name: str) -> list[Piece]:
        """Where a batch stood and in which stage, from its entries."""
        changes: list[tuple[int, str, str]] = []
        end_ms = 0
        for _, at_ms, what, batch, box, data, _ in self.entries:
            if batch != name:
                continue
            if what == "add":
                changes += [(at_ms, "place", box), (at_ms, "stage", "callusing")]
            elif what == "move":
                changes.append((at_ms, "place", box))
            elif what == "stage":
                changes.append((at_ms, "stage", data["stage"]))
            elif what == "close":
                end_ms = at_ms
        cuts = sorted({at_ms for at_ms, _, _ in changes} | {end_ms})
        found = []
        for begin, end in pairwise(cuts):
            now = {kind: value for at_ms, kind, value in changes if at_ms <= begin}
            found.append(Piece(now["place"], now["stage"], begin, end))
        return found

    def species(self, name: str) -> str:
        """Of a batch."""
        return next(
            data["species"]
            for _, _, what, batch, _, data, _ in self.entries
            if what == "add" and batch == name
        )

    def between(self, box: str, from_ms: int, to_ms: int) -> list[Row]:
        """The rows of a box within a time."""
        return [row for row in self.rows[box] if from_ms <= row.wall_ms < to_ms]


def segments(rows: Sequence[Row], from_ms: int, to_ms: int) -> Iterator[tuple[float, ...]]:
    """The known straight lines in a time: from, to (ms), and the temperatures there, °C."""
    good = [row for row in rows if row.estimate_c is not None]
    for one, other in pairwise(good):
        if not 0 < other.wall_ms - one.wall_ms <= MAX_GAP_MS:
            continue
        begin, end = max(one.wall_ms, from_ms), min(other.wall_ms, to_ms)
        if begin >= end:
            continue
        assert one.estimate_c is not None
        assert other.estimate_c is not None
        slope = (other.estimate_c - one.estimate_c) / (other.wall_ms - one.wall_ms)
        low_c = one.estimate_c + slope * (begin - one.wall_ms)
        high_c = one.estimate_c + slope * (end - one.wall_ms)
        yield begin, end, low_c, high_c


def over(height_k: float, end_k: float, length_h: float) -> tuple[float, float]:
    """Time above nought and the area there of one straight line, h and K·h."""
    if height_k <= 0 and end_k <= 0:
        return 0.0, 0.0
    if height_k >= 0 and end_k >= 0:
        return length_h, (height_k + end_k) / 2 * length_h
    top = max(height_k, end_k)
    part_h = length_h * top / (top - min(height_k, end_k))
    return part_h, top * part_h / 2


@dataclass
class Sums:
    """What a record adds up."""

    known_h: float = 0.0
    above_h: float = 0.0
    above_kh: float = 0.0
    below_h: float = 0.0
    below_kh: float = 0.0
    heat_h: float = 0.0
    closings: int = 0
    coldest_c: float = math.inf
    hottest_c: float = -math.inf
    weighed: float = 0.0

    @property
    def in_band_h(self) -> float:
        return self.known_h - self.above_h - self.below_h


def worked_out(raw: Raw, name: str) -> tuple[Sums, float, float]:
    """The record of a batch; and its time unmeasured and unknown, h."""
    sums, measured_h, unmeasured_h = Sums(), 0.0, 0.0
    for piece in raw.pieces(name):
        length_h = (piece.to_ms - piece.from_ms) / HOUR_MS
        if piece.place == "unheated":
            unmeasured_h += length_h
            continue
        measured_h += length_h
        low_c, high_c = BANDS[raw.species(name), piece.stage]
        rows = raw.between(piece.place, piece.from_ms - MAX_GAP_MS, piece.to_ms + MAX_GAP_MS)
        for begin, end, start_c, end_c in segments(rows, piece.from_ms, piece.to_ms):
            hours = (end - begin) / HOUR_MS
            sums.known_h += hours
            sums.weighed += hours * (start_c + end_c) / 2
            hot_h, hot_kh = over(start_c - high_c, end_c - high_c, hours)
            cold_h, cold_kh = over(low_c - start_c, low_c - end_c, hours)
            sums.above_h, sums.above_kh = sums.above_h + hot_h, sums.above_kh + hot_kh
            sums.below_h, sums.below_kh = sums.below_h + cold_h, sums.below_kh + cold_kh
            sums.coldest_c = min(sums.coldest_c, start_c, end_c)
            sums.hottest_c = max(sums.hottest_c, start_c, end_c)
        for one, other in pairwise(rows):
            if other.wall_ms - one.wall_ms <= MAX_GAP_MS and one.heat:
                held_ms = min(other.wall_ms, piece.to_ms) - max(one.wall_ms, piece.from_ms)
                sums.heat_h += max(0, held_ms) / HOUR_MS
        sums.closings += sum(
            row.closings for row in rows if piece.from_ms <= row.wall_ms < piece.to_ms
        )
    return sums, unmeasured_h, measured_h - sums.known_h


# -- the season, rehearsed once for all of this


@dataclass(frozen=True)
class Rehearsed:
    log: Path
    found: rehearse_season.Season
    screen: str
    raw: Raw
    days: Sequence[float]


@pytest.fixture(scope="module")
def season(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Rehearsed]:
    """A whole season; about a minute of computing."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("TZ", "UTC")
        time.tzset()
        log = tmp_path_factory.mktemp("season") / "season.sqlite"
        days: list[float] = []
        found = rehearse_season.played(log, 1, days.append)
        yield Rehearsed(log, found, rehearse_season.render(found, kept=True), Raw(log), days)
    time.tzset()


def asked(command: str, *arguments: str) -> Any:
    """A command on the log, its JSON read."""
    import importlib

    module = importlib.import_module(f"bottomheat.cli.{command}_cmd")
    done = CliRunner().invoke(module.command, [*arguments], catch_exceptions=False)
    assert done.exit_code == 0, done.output
    return json.loads(done.output)


# -- what is on the screen


def test_the_screen_has_a_record_of_each_batch_and_how_to_look_on(season: Rehearsed) -> None:
    for name in ("MUL-1", "GRP-1", "BLC-1", "MUL-2"):
        assert re.search(rf"^{name}  \d+ ", season.screen, re.MULTILINE)
    assert "Not taken" not in season.screen
    assert f"bottomheat today --log {season.log} --at 2027-" in season.screen
    assert "bottomheat record MUL-1 --log" in season.screen
    assert (
        max(len(line) for line in season.screen.splitlines() if str(season.log) not in line) <= 80
    )


def test_without_a_log_the_screen_says_how_to_keep_one(season: Rehearsed) -> None:
    thrown_away = rehearse_season.render(season.found, kept=False)
    assert "bottomheat rehearse --season --log FILE" in thrown_away
    assert str(season.log) not in thrown_away


def test_the_same_as_data(season: Rehearsed) -> None:
    data = json.loads(json.dumps(rehearse_season.as_data(season.found, kept=True), allow_nan=False))
    assert (data["simulation"], data["season"], data["seed"]) == (True, "2026-27", 1)
    assert data["log"] == str(season.log)
    assert [each["name"] for each in data["batches"]] == ["MUL-1", "GRP-1", "BLC-1", "MUL-2"]
    assert data["not_taken"] == []
    assert data["commands"] > 100
    assert {each["chamber"] for each in data["setpoints"]} == {NORTH, SOUTH}
    assert data["to_ms"] - data["from_ms"] > 240 * DAY_MS
    assert rehearse_season.as_data(season.found, kept=False)["log"] is None


def test_the_daemon_does_not_flood_the_screen_and_speaks_again_afterwards(
    season: Rehearsed, caplog: pytest.LogCaptureFixture
) -> None:
    assert len(season.raw.events) > 100
    logging.getLogger("bottomheat").warning("after it")
    assert [record.getMessage() for record in caplog.records] == ["after it"]


def test_it_says_how_far_it_is_day_by_day(season: Rehearsed) -> None:
    assert list(season.days) == [float(day) for day in range(1, 243)]


def test_every_setpoint_order_of_the_log_is_on_the_screen(season: Rehearsed) -> None:
    orders = [text for _, box, kind, text in season.raw.events
              if kind == "season" and box and text.startswith("setpoint ")]  # fmt: skip
    assert len(orders) > 10
    flat = " ".join(season.screen.split())
    for text in orders:
        # Where a word is broken at its hyphen the screen has a space after it.
        assert text.replace("- ", "-") in flat.replace("- ", "-")


# -- the log


def test_a_power_cut_parts_the_log_in_two_runs_and_the_ledger_goes_on(season: Rehearsed) -> None:
    raw = season.raw
    assert [(boot, closed) for _, boot, closed in raw.runs] == [
        ("rehearsed-boot-1", 0),
        ("rehearsed-boot-2", 1),
    ]
    last = max(row.wall_ms for row in raw.rows[NORTH] if row.run == raw.runs[0][0])
    first = min(row.wall_ms for row in raw.rows[NORTH] if row.run == raw.runs[1][0])
    assert at(1, 27, 2) < last <= at(1, 27, 2, 5)
    assert at(1, 27, 7, 45) <= first < at(1, 27, 7, 50)
    told = [text for _, _, kind, text in raw.events if kind == "outage"]
    assert "power was cut" in told[0]
    numbers = [number for number, *_ in raw.entries]
    assert numbers == list(range(1, len(numbers) + 1))
    assert sum(entry[1] < last for entry in raw.entries) > 5
    with LogReader(season.log) as reader:
        assert fold(reader.season_entries()).problems == ()


def test_rows_are_dense_while_a_box_is_in_use_and_never_a_gap_but_the_power_cut(
    season: Rehearsed,
) -> None:
    for box in (NORTH, SOUTH):
        gaps = [
            (one.wall_ms, other.wall_ms)
            for one, other in pairwise(season.raw.rows[box])
            if other.wall_ms - one.wall_ms > 480_000
        ]
        assert len(gaps) == 1
        assert gaps[0][0] < at(1, 27, 2, 10) < at(1, 27, 7, 45) <= gaps[0][1]
    used = season.raw.between(NORTH, at(2, 2), at(3, 2))
    assert {other.wall_ms - one.wall_ms for one, other in pairwise(used)} == {120_000}


def test_a_box_that_is_not_in_use_gets_no_heat(season: Rehearsed) -> None:
    uses = [act for act in story() if isinstance(act, Use)]
    for box in (NORTH, SOUTH):
        in_use, since_ms = False, 0
        spans = []
        for act in uses:
            if act.box == box and act.in_use != in_use:
                if not in_use:
                    spans.append((since_ms, to_ms(act.at)))
                in_use, since_ms = act.in_use, to_ms(act.at)
        spans.append((since_ms, at(6, 1)))
        late_ms = 480_000  # the change counts at the next cycle
        for begin, end in spans:
            idle = season.raw.between(box, begin + late_ms, end)
            assert len(idle) > 10
            assert not any(row.heat for row in idle)


def test_the_bases_were_warm_where_they_were_to_be(season: Rehearsed) -> None:
    """Away from power cuts, openings and lowering the estimate keeps to the setpoint."""
    for box, begin, end in (
        (NORTH, at(1, 12), at(1, 16)),
        (NORTH, at(2, 16), at(2, 21)),
        (SOUTH, at(2, 24), at(3, 13)),
        (NORTH, at(3, 9), at(3, 14)),
    ):
        rows = season.raw.between(box, begin, end)
        off_k = [abs((row.estimate_c or 0.0) - row.setpoint_c) for row in rows]
        assert len(rows) > 2000
        assert max(off_k) < 0.5


# -- the setpoint


def changes(rows: Sequence[Row]) -> list[tuple[int, float, float]]:
    return [
        (other.wall_ms, one.setpoint_c, other.setpoint_c)
        for one, other in pairwise(rows)
        if other.setpoint_c != one.setpoint_c
    ]


def test_every_change_of_the_setpoint_is_announced_by_an_order(season: Rehearsed) -> None:
    """A raise, or a step down, as the last order said; lowered at 1.5 K a day and never faster."""
    seen = 0
    for box in (NORTH, SOUTH):
        orders = [(when, text) for when, name, kind, text in season.raw.events
                  if kind == "season" and name == box and text.startswith("setpoint ")]  # fmt: skip
        for when, old_c, new_c in changes(season.raw.rows[box]):
            seen += 1
            given = [(each, text) for each, text in orders if each <= when]
            assert given, (box, when, old_c, new_c)
            since, text = given[-1]
            lowered = re.match(
                r"setpoint lowered from ([\d.]+) to ([\d.]+) °C by 1\.5 K a day", text
            )
            if lowered:
                from_c, to_c = float(lowered[1]), float(lowered[2])
                due_c = from_c - 1.5 * (when - since) / DAY_MS
                assert round(old_c - new_c, 6) == 0.1
                late_k = 1.5 * 480_000 / DAY_MS  # the rule is looked at once a cycle
                assert new_c >= max(to_c, due_c - late_k) - 1e-6
                assert new_c <= due_c + 0.1 + late_k
            else:
                said = re.match(r"setpoint ([\d.]+) °C", text)
                assert said is not None
                assert new_c == float(said[1])
                # A step down announced as reached is the last of its way.
                assert when - since <= 480_000
    assert seen > 100


def test_every_change_goes_towards_what_the_rule_says_then(season: Rehearsed) -> None:
    with LogReader(season.log) as reader:
        entries = reader.season_entries()
    uses = [act for act in story() if isinstance(act, Use)]
    for box in (NORTH, SOUTH):
        for when, old_c, new_c in changes(season.raw.rows[box]):
            in_use = {NORTH: False, SOUTH: False}
            in_use |= {act.box: act.in_use for act in uses if to_ms(act.at) <= when}
            config = change_of(season.log, in_use).config
            assert config is not None
            want_c = rule(config, box, fold(entries, when), when).setpoint_c
            low_c, high_c = sorted((old_c, want_c))
            assert low_c - 1e-9 <= new_c <= high_c + 1e-9, (box, when, old_c, new_c, want_c)


def test_the_setpoint_at_the_turns_of_the_story(season: Rehearsed) -> None:
    def setpoint_c(box: str, when: int) -> float:
        return [row.setpoint_c for row in season.raw.rows[box] if row.wall_ms <= when][-1]

    assert setpoint_c(NORTH, at(1, 20)) == 24.0
    assert setpoint_c(NORTH, at(1, 27, 12)) == 24.0  # kept over the power cut
    assert 20.0 < setpoint_c(NORTH, at(2, 1, 8)) < 24.0  # on its way down for MUL-1
    assert setpoint_c(NORTH, at(2, 1, 9)) == 24.0  # GRP-1 still calluses and leads
    assert setpoint_c(SOUTH, at(2, 2)) == 19.0
    assert setpoint_c(NORTH, at(3, 3)) == 24.0
    assert 18.0 < setpoint_c(NORTH, at(3, 5)) < 24.0  # nobody came: lower-to 18
    assert setpoint_c(NORTH, at(3, 8)) == 18.0
    assert setpoint_c(NORTH, at(3, 14, 12)) == 20.0
    assert setpoint_c(NORTH, at(4, 1)) == 24.0
    assert setpoint_c(NORTH, at(4, 20)) == 20.0
    assert setpoint_c(NORTH, at(4, 30)) == 18.0


# -- the record


@pytest.mark.parametrize("name", ["MUL-1", "BLC-1", "MUL-2"])
def test_the_record_is_what_the_raw_rows_come_to(season: Rehearsed, name: str) -> None:
    sums, unmeasured_h, unknown_h = worked_out(season.raw, name)
    found = asked("record", name, "--log", str(season.log), "--json")
    assert sums.known_h > 500.0
    same = pytest.approx
    assert found["known_h"] == same(sums.known_h, abs=1e-6)
    assert found["unknown_h"] == same(unknown_h, abs=1e-6)
    assert found["unmeasured_h"] == same(unmeasured_h, abs=1e-6)
    assert found["in_band"]["hours"] == same(sums.in_band_h, abs=1e-6)
    assert found["above"]["hours"] == same(sums.above_h, abs=1e-6)
    assert found["above"]["degree_hours"] == same(sums.above_kh, abs=1e-6)
    assert found["below"]["hours"] == same(sums.below_h, abs=1e-6)
    assert found["below"]["degree_hours"] == same(sums.below_kh, abs=1e-6)
    assert found["coldest"]["celsius"] == same(sums.coldest_c, abs=1e-9)
    assert found["hottest"]["celsius"] == same(sums.hottest_c, abs=1e-9)
    assert found["mean_c"] == same(sums.weighed / sums.known_h, abs=1e-6)
    assert found["heat_h"] == same(sums.heat_h, abs=1e-6)
    assert found["energy_kwh"] == same(sums.heat_h * WATTS / 1000, abs=1e-6)
    assert found["closings"] == sums.closings


def test_the_power_cut_is_unknown_time_and_not_in_band(season: Rehearsed) -> None:
    _, _, unknown_h = worked_out(season.raw, "MUL-1")
    assert 5.5 < unknown_h < 6.0
    for name in ("BLC-1", "MUL-2"):
        assert worked_out(season.raw, name)[2] < 0.3


def test_nothing_is_said_of_unions_that_no_probe_was_near(season: Rehearsed) -> None:
    found = asked("record", "GRP-1", "--log", str(season.log), "--json")
    assert found["known_h"] == 0
    length_h = sum(piece.to_ms - piece.from_ms for piece in season.raw.pieces("GRP-1")) / HOUR_MS
    assert found["unmeasured_h"] == pytest.approx(length_h)
    heat_h = 0.0
    for piece in season.raw.pieces("GRP-1"):
        if piece.place == "unheated":
            continue
        for one, other in pairwise(season.raw.rows[piece.place]):
            held_ms = min(other.wall_ms, piece.to_ms) - max(one.wall_ms, piece.from_ms)
            if one.heat and held_ms > 0 and other.wall_ms - one.wall_ms <= MAX_GAP_MS:
                heat_h += held_ms / HOUR_MS
    assert found["energy_kwh"] == pytest.approx(heat_h * WATTS / 1000)


# -- today, on any of its days

SAMPLE_DAYS: Sequence[tuple[tuple[int, int, int], dict[str, dict[str, tuple[str, int, int]]]]] = (
    # when (month, day, hour): by place, of each batch its stage, day, day of the stage
    ((10, 1, 8), {}),
    ((12, 24, 8), {}),
    ((1, 9, 8), {}),
    ((1, 11, 8), {NORTH: {"MUL-1": ("callusing", 0, 0)}}),
    ((1, 26, 8), {NORTH: {"MUL-1": ("callusing", 15, 15)}}),
    ((1, 27, 8), {NORTH: {"MUL-1": ("callusing", 16, 16)}}),
    ((2, 1, 9), {NORTH: {"MUL-1": ("rooting", 21, 0), "GRP-1": ("callusing", 0, 0)}}),
    (
        (2, 13, 8),
        {
            NORTH: {"GRP-1": ("callusing", 11, 11)},
            SOUTH: {"MUL-1": ("rooting", 33, 12), "BLC-1": ("callusing", 4, 4)},
        },
    ),
    (
        (3, 5, 8),
        {
            NORTH: {"GRP-1": ("callusing", 31, 31)},
            SOUTH: {"BLC-1": ("callusing", 24, 24)},
            "unheated": {"MUL-1": ("hardening-off", 53, 18)},
        },
    ),
    (
        (3, 25, 8),
        {
            NORTH: {"MUL-2": ("callusing", 8, 8)},
            SOUTH: {"BLC-1": ("rooting", 44, 3), "GRP-1": ("hardening-off", 51, 2)},
            "unheated": {"MUL-1": ("hardening-off", 73, 38)},
        },
    ),
    (
        (4, 22, 20),
        {
            NORTH: {"MUL-2": ("rooting", 37, 11)},
            "unheated": {"BLC-1": ("hardening-off", 73, 18)},
        },
    ),
    ((5, 25, 8), {}),
)


def today_at(season: Rehearsed, when: tuple[int, int, int]) -> Any:
    moment = datetime.fromtimestamp(at(*when) / 1000, UTC).strftime("%Y-%m-%d %H:%M+00:00")
    return asked("today", "--log", str(season.log), "--at", moment, "--json")


@pytest.mark.parametrize(
    ("when", "expected"), SAMPLE_DAYS, ids=[str(day) for day, _ in SAMPLE_DAYS]
)
def test_today_has_each_batch_where_it_stood_and_as_far_as_it_was(
    season: Rehearsed,
    when: tuple[int, int, int],
    expected: dict[str, dict[str, tuple[str, int, int]]],
) -> None:
    found = today_at(season, when)
    shown = {
        place["name"]: {
            batch["name"]: (batch["stage"], batch["day"], batch["stage_day"])
            for batch in place["batches"]
        }
        for place in found["boxes"]
    }
    shown["unheated"] = {
        batch["name"]: (batch["stage"], batch["day"], batch["stage_day"])
        for batch in found["outside"]
    }
    assert {place: batches for place, batches in shown.items() if batches} == expected


@pytest.mark.parametrize("when", [day for day, _ in SAMPLE_DAYS], ids=str)
def test_today_tells_the_night_and_the_setpoint_that_the_raw_rows_have(
    season: Rehearsed, when: tuple[int, int, int]
) -> None:
    found = today_at(season, when)
    now_ms = at(*when)
    uses = [act for act in story() if isinstance(act, Use) and to_ms(act.at) <= now_ms]
    night = found["night"]
    month, day, hour = when
    if hour < 18:
        assert (night["from_ms"], night["to_ms"]) == (
            at(month, day, 0) - 6 * HOUR_MS,
            min(now_ms, at(month, day, 8)),
        )
    for box in found["boxes"]:
        name = box["name"]
        in_use = next((act.in_use for act in reversed(uses) if act.box == name), False)
        assert box["in_use"] is in_use
        if in_use:
            rows = [row for row in season.raw.rows[name] if row.wall_ms <= now_ms]
            assert box["setpoint_c"] == pytest.approx(rows[-1].setpoint_c)
        lines = list(
            segments(
                season.raw.between(
                    name, night["from_ms"] - MAX_GAP_MS, night["to_ms"] + MAX_GAP_MS
                ),
                night["from_ms"],
                night["to_ms"],
            )
        )
        told = box["night"]
        known_h = sum(end - begin for begin, end, _, _ in lines) / HOUR_MS
        assert told["known_h"] == pytest.approx(known_h, abs=1e-6)
        if lines:
            # The coldest row may lie on the edge of the night, where the line is cut.
            assert told["low_c"] == pytest.approx(min(min(x[2:]) for x in lines), abs=0.002)
            assert told["high_c"] == pytest.approx(max(max(x[2:]) for x in lines), abs=0.002)


def said(found: Any) -> str:
    return json.dumps(found, ensure_ascii=False)


def test_today_after_the_power_cut_says_so(season: Rehearsed) -> None:
    (gap,) = today_at(season, (1, 27, 8))["night"]["gaps"]
    assert gap["cause"] == "power"
    assert at(1, 27, 2) < gap["from_ms"] <= at(1, 27, 2, 10)
    assert at(1, 27, 7, 45) <= gap["to_ms"] < at(1, 27, 7, 50)
    assert today_at(season, (1, 26, 8))["night"]["gaps"] == []


def test_today_asks_for_a_daily_look_in_the_week_of_the_mould(season: Rehearsed) -> None:
    mouldy = said(today_at(season, (2, 13, 8))["boxes"])
    assert "mould was seen here yesterday" in mouldy
    assert "mould was seen in BLC-1 beside it" in mouldy
    before, after = (said(today_at(season, when)["boxes"]) for when in ((2, 11, 8), (2, 23, 8)))
    assert "mould was seen" not in before
    assert "mould was seen" not in after


def test_today_says_who_has_to_move(season: Rehearsed) -> None:
    boxes = {box["name"]: box for box in today_at(season, (2, 1, 9))["boxes"]}
    (conflict,) = boxes[NORTH]["conflicts"]
    assert "MUL-1 (mulberry, rooting) wants 18 to 20" in conflict["text"]
    assert conflict["command"] == "bottomheat batch move MUL-1 --to south-bench"
    assert boxes[NORTH]["lead"] == "GRP-1"
    later = {box["name"]: box for box in today_at(season, (2, 2, 8))["boxes"]}
    assert later[NORTH]["conflicts"] == later[SOUTH]["conflicts"] == []


def test_today_in_the_holiday_says_that_a_stage_has_lasted_too_long(season: Rehearsed) -> None:
    found = today_at(season, (3, 5, 8))
    north = next(box for box in found["boxes"] if box["name"] == NORTH)
    (batch,) = north["batches"]
    assert batch["overdue"] is True
    assert north["wanted_c"] == 18.0
    assert north["setpoint_c"] > 18.0
    early = next(b for b in today_at(season, (3, 2, 8))["boxes"] if b["name"] == NORTH)
    assert early["batches"][0]["overdue"] is False
    assert early["wanted_c"] == 24.0


# -- the rest of the commands, on a whole season


def test_compare_says_that_it_cannot_tell_before_any_share(season: Rehearsed) -> None:
    from bottomheat.cli import compare_cmd

    done = CliRunner().invoke(compare_cmd.command, ["--log", str(season.log)])
    assert done.exit_code == 0, done.output
    first = done.output.splitlines()[0]
    assert first == "MUL-1, MUL-2: 31/40 against 23/30 rooted: cannot tell yet."
    assert "%" not in first
    assert "GRP-1, BLC-1" in done.output
    data = asked("compare", "MUL-1", "MUL-2", "--log", str(season.log), "--json")
    sums, _, _ = worked_out(season.raw, "MUL-2")
    side = next(each for each in data["sides"] if each["name"] == "MUL-2")
    assert side["known_h"] == pytest.approx(sums.known_h, abs=1e-6)
    assert side["below_h"] == pytest.approx(sums.below_h, abs=1e-6)
    assert side["energy_kwh"] == pytest.approx(sums.heat_h * WATTS / 1000, abs=1e-6)


def test_season_show_has_every_count_and_nothing_left_to_count(season: Rehearsed) -> None:
    from bottomheat.cli import season_cmd

    done = CliRunner().invoke(season_cmd.command, ["show", "--log", str(season.log), "--json"])
    assert done.exit_code == 0, done.output
    data = json.loads(done.output)
    assert (data["name"], data["missing"], data["in_use"], data["not_cleaned"]) == (
        "2026-27", [], [], [],
    )  # fmt: skip
    assert data["closed_ms"] == at(5, 31, 12)
    assert {b["name"]: b["endings"]["alive"] for b in data["batches"]} == {
        "MUL-1": 28, "GRP-1": 39, "BLC-1": 44, "MUL-2": 22,
    }  # fmt: skip
    lifetime = {box: sum(row.closings for row in season.raw.rows[box]) for box in (NORTH, SOUTH)}
    assert {each["chamber"]: each["closings"] for each in data["relays"]} == lifetime


# -- how it is asked for


@pytest.mark.parametrize(
    "more",
    [
        ["--days", "3"],
        ["--fault", "mat-dead@1h"],
        ["--config", "x.yaml"],
        ["--room", "x.csv"],
        ["--campaign", "3"],
        ["--seasons", "1"],
        ["--chamber", "x.py:X"],
    ],
)
def test_what_does_not_go_with_a_story_of_its_own_is_refused(more: list[str]) -> None:
    with pytest.raises(InputError, match=rf"{more[0]} cannot go with --season"):
        CliRunner().invoke(
            rehearse_cmd.command, ["--season", *more], catch_exceptions=False, standalone_mode=False
        )


def test_a_log_of_something_else_is_left_alone(tmp_path: Path) -> None:
    log = tmp_path / "mine.sqlite"
    log.write_text("my own")
    with pytest.raises(InputError, match="exists already"):
        rehearse_season.run(log, 1, as_json=False)
    assert log.read_text() == "my own"
