"""``bottomheat replay`` on the log of a rehearsal."""

from __future__ import annotations

import contextlib
import json
import shutil
import sqlite3
from datetime import datetime
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from bottomheat.cli import group
from bottomheat.errors import InputError
from bottomheat.replay import SETTLE_MS
from bottomheat_drivers.log import LogReader
from thinning_tools import DAY_MS, thin

SAMPLE = Path(__file__).resolve().parents[2] / "config/chamber.yaml"
HOUR_CYCLES = 360
HOUR_MS = 3_600_000


def run(*words: str) -> Result:
    return CliRunner().invoke(group, list(words), catch_exceptions=False)


@pytest.fixture(scope="module")
def log(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("night") / "log.sqlite"
    assert run("rehearse", "--days", "0.3", "--log", str(path)).exit_code == 0
    return path


def test_a_quiet_night_is_decided_as_it_was(log: Path) -> None:
    done = run("replay", "--log", str(log))
    assert done.exit_code == 0
    assert "decides as the log says" in done.output
    assert all(len(line) <= 80 for line in done.output.splitlines())


def test_as_json_with_what_was_compared(log: Path) -> None:
    found = json.loads(run("replay", "--log", str(log), "--json").stdout)
    assert found["same"]
    compared = round((0.3 * 24 - SETTLE_MS / 3_600_000) * HOUR_CYCLES)
    assert found["compared"] == {
        "north-bench": pytest.approx(compared, abs=2),
        "south-bench": pytest.approx(compared, abs=2),
    }


def test_another_config_would_have_heated_less(log: Path, tmp_path: Path) -> None:
    other = tmp_path / "other.yaml"
    text = SAMPLE.read_text(encoding="utf-8")
    assert "callus_zone: 25 " in text
    other.write_text(text.replace("callus_zone: 25 ", "callus_zone: 12 "), encoding="utf-8")
    done = run("replay", "--log", str(log), "--with", str(other))
    assert done.exit_code == 0
    assert "by another config" in done.output
    assert "Heat decided otherwise" in done.output
    assert "north-bench" in done.output
    assert "south-bench" not in done.output


@pytest.mark.parametrize(
    ("words", "part"),
    [
        (("--last-fault",), "no alarm"),
        (("--last-fault", "--from", "3d ago"), "leave --from"),
        (("--from", "2025-12-02", "--to", "2025-12-01"), "before"),
        (("--from", "2020-01-01", "--to", "2020-01-02"), "no rows in that time"),
    ],
)
def test_what_cannot_be_replayed_is_one_sentence(
    log: Path, words: tuple[str, ...], part: str
) -> None:
    with pytest.raises(InputError, match=part):
        run("replay", "--log", str(log), *words)


def test_what_was_thinned_is_not_replayed_and_that_is_said(log: Path, tmp_path: Path) -> None:
    """A box that has an alarm keeps its readings; of the other one there are minutes."""
    path = tmp_path / "log.sqlite"
    shutil.copy(log, path)
    with LogReader(path) as reader:
        newest = reader.newest(1)[0]
    with contextlib.closing(sqlite3.connect(path)) as connection, connection:
        connection.execute(
            "INSERT INTO event (run, t_ms, chamber, kind, alarm, durable, text) SELECT ?, ?, id, "
            "'alarm-raised', 'room-low', 1, 'cold' FROM chamber WHERE name = 'north-bench'",
            (newest.run, newest.t_ms),
        )
        connection.execute(
            "INSERT INTO alarm (name, chamber, raised) "
            "SELECT alarm, chamber, id FROM event ORDER BY id DESC LIMIT 1"
        )
    thin(path, now_ms=newest.wall_ms + 20 * DAY_MS)
    done = run("replay", "--log", str(path))
    assert done.exit_code == 0
    words = " ".join(done.stdout.split())
    assert "rows left out: of south-bench the log keeps only a row each minute of then" in words
    assert "probe-lost" not in done.stdout
    found = json.loads(run("replay", "--log", str(path), "--json").stdout)
    assert list(found["compared"]) == ["north-bench"]


def test_of_a_time_that_was_thinned_nothing_can_be_replayed(log: Path, tmp_path: Path) -> None:
    path = tmp_path / "log.sqlite"
    shutil.copy(log, path)
    with LogReader(path) as reader:
        newest = reader.newest(1)[0]
    thin(path, now_ms=newest.wall_ms - HOUR_MS + 14 * DAY_MS)
    since, until = (
        datetime.fromtimestamp((newest.wall_ms - hours * HOUR_MS) / 1000).strftime("%Y-%m-%d %H:%M")  # noqa: DTZ006 as the command takes it
        for hours in (5, 4)
    )
    with pytest.raises(InputError, match="no single readings of that time any more"):
        run("replay", "--log", str(path), "--from", since, "--to", until)
