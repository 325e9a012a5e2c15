"""``bottomheat season``: what is still to count, closing, and looking at it again."""

from __future__ import annotations

import json
from collections.abc import Sequence
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from bottomheat.cli import season_cmd
from bottomheat.errors import InputError
from bottomheat.season.ledger import SeasonEntry, fold
from bottomheat_drivers.log import LogReader
from seasonlog import added, closed, ended, write

COUNTED = (added("MUL-1", 0, 20), closed("MUL-1", 20, callused=17, rooted=14))


def run(config: Path, *words: str) -> Result:
    return CliRunner().invoke(season_cmd.command, [*words, "--config", str(config)])


def refused(config: Path, *words: str) -> tuple[str, str]:
    """What it printed, and the error."""
    done = run(config, *words)
    assert isinstance(done.exception, InputError)
    return done.output, str(done.exception)


def closings(config: Path) -> list[str]:
    with LogReader(config.parent / "state" / "log.sqlite") as reader:
        return [name for name, _ in fold(reader.season_entries()).closed]


def test_missing_counts_are_asked_for_as_commands_and_nothing_is_closed(tmp_path: Path) -> None:
    config = write(tmp_path, (*COUNTED, added("MUL-2", 1, 20)))
    output, error = refused(config, "close")
    assert "bottomheat batch close MUL-2 --callused N --rooted N" in output
    assert "--as-it-is" in error
    assert closings(config) == []


def test_a_season_is_closed_with_its_record_and_the_lists(tmp_path: Path) -> None:
    config = write(tmp_path, COUNTED)
    done = run(config, "close")
    assert done.exit_code == 0, done.output
    assert closings(config) == ["2025-26"]
    assert "Season 2025-26, closed now" in done.output
    assert "14 of 20" in done.output
    assert "In band" in done.output
    assert "CLEAN NOW" in done.output
    assert "CHECK IN OCTOBER" in done.output
    assert "bottomheat done clean north-bench" in done.output
    assert "Still in use by the config: north-bench." in done.output
    assert "bottomheat batch count MUL-1 --potted N --alive N" in done.output
    assert "of 100000 that it is made for" in done.output


def test_it_is_closed_as_it_is_where_that_is_said(tmp_path: Path) -> None:
    config = write(tmp_path, (*COUNTED, added("MUL-2", 1, 20)))
    done = run(config, "close", "--as-it-is", "--name", "the wet winter")
    assert done.exit_code == 0, done.output
    assert closings(config) == ["the wet winter"]
    assert "Season the wet winter, closed now" in done.output


def test_a_season_is_closed_once(tmp_path: Path) -> None:
    config = write(tmp_path, (*COUNTED, ended("2025-26", 25)))
    assert "2025-26 is closed" in refused(config, "close")[1]
    assert closings(config) == ["2025-26"]


def test_no_two_seasons_have_one_name(tmp_path: Path) -> None:
    more = (added("MUL-2", 10, 20), closed("MUL-2", 20, callused=1, rooted=1))
    config = write(tmp_path, (*COUNTED, ended("2025-26", 5), *more))
    assert "already" in refused(config, "close", "--name", "2025-26")[1]


def test_it_can_be_looked_at_at_any_time(tmp_path: Path) -> None:
    config = write(tmp_path, (*COUNTED, added("MUL-2", 1, 20)))
    text = run(config, "show").output
    assert text.startswith("Season 2025-26, not closed yet")
    assert "MUL-2  20 mulberry cuttings, stands in north-bench" in text
    assert "14 of 20" in text
    assert "70 %, of many it would be 48 to 85 %" in text  # Wilson by statsmodels: 48.1 to 85.5
    assert "CLEAN NOW" not in text
    assert max(len(line) for line in text.splitlines()) <= 80
    data = json.loads(run(config, "show", "--json").output)
    assert data["waits"] is True
    assert [each["batch"] for each in data["missing"]] == ["MUL-2", "MUL-1", "MUL-2"]


def test_an_earlier_season_is_shown_by_its_name(tmp_path: Path) -> None:
    config = write(tmp_path, (*COUNTED, ended("dry", 21), added("MUL-2", 25, 20)))
    data = json.loads(run(config, "show", "DRY", "--json").output)
    assert [batch["name"] for batch in data["batches"]] == ["MUL-1"]
    assert "there is no closed season wet; closed are: dry" in refused(config, "show", "wet")[1]


@pytest.mark.parametrize("words", [("show",), ("close",)])
def test_without_a_batch_there_is_no_season(tmp_path: Path, words: Sequence[str]) -> None:
    entries: tuple[SeasonEntry, ...] = ()
    assert "there is no batch yet" in refused(write(tmp_path, entries, 1.0), *words)[1]
