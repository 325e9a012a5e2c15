"""``bottomheat replay`` on the log of a rehearsal."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from bottomheat.cli import group
from bottomheat.errors import InputError
from bottomheat.replay import SETTLE_MS

SAMPLE = Path(__file__).resolve().parents[2] / "config/chamber.yaml"
HOUR_CYCLES = 360


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
