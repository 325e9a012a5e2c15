"""``bottomheat species``: numbers, how far to trust them, and where they come from."""

from __future__ import annotations

import json
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner, Result

from bottomheat.cli.species_cmd import command
from bottomheat.cli.species_text import LABELS, WIDTH, as_plain, listed, names, one
from bottomheat.config_season import OwnSpecies, SeasonSection
from bottomheat.errors import ConfigError, InputError
from bottomheat.season.ledger import Stage
from bottomheat.season.species import SPECIES, VALUES, needs
from clibench import CONFIG, Shed

MINE = {
    "mulberry": {"callusing": {"band": [23, 25], "latest": 60}},
    "willow": {"rooting": {"band": [12, 18]}},
}


def own(**species: Any) -> Mapping[str, OwnSpecies]:
    return SeasonSection.model_validate({"species": species}).species


def run(*words: str, config: Path | None = None) -> Result:
    path = "/nowhere/chamber.yaml" if config is None else str(config)
    return CliRunner().invoke(command, [*words, "--config", path])


@pytest.fixture
def config(tmp_path: Path) -> Path:
    path = tmp_path / "chamber.yaml"
    season = {"species": MINE}
    path.write_text(f"{CONFIG.format(folder=tmp_path)}\nseason: {json.dumps(season)}\n")
    return path


def test_lists_every_species_in_a_line_that_fits() -> None:
    shown = run().output
    for name in SPECIES:
        (line,) = [each for each in shown.splitlines() if each.split(" ")[0] == name]
        assert needs(name, Stage.CALLUSING, {}).said("band_c") in line
    assert (
        "mulberry        perhaps 21 to 25 °C [weak]         perhaps 21 to 40 days [weak]" in shown
    )
    assert "There is no config /nowhere/chamber.yaml: numbers of your own are not" in shown


@pytest.mark.parametrize("mine", [{}, own(**MINE)])
def test_no_line_of_text_is_wider_than_a_screen(mine: Mapping[str, OwnSpecies]) -> None:
    for text in (listed(mine), *(one(name, mine) for name in names(mine))):
        assert max(len(line) for line in text.splitlines()) <= WIDTH


@pytest.mark.parametrize("name", SPECIES)
def test_one_species_shows_each_number_its_mark_and_its_source(name: str) -> None:
    text = one(name, {})
    flat = " ".join(text.split())
    for stage in Stage:
        wants = needs(name, stage, {})
        for value in VALUES:
            if getattr(wants, value) is not None:
                assert f"{LABELS[value]} {wants.said(value)}" in flat
        for value, source in wants.sources.items():
            if value != "until" and source.text != source.confidence.value:
                assert source.text in flat
    for note in SPECIES[name].notes:
        assert note in flat


def test_weak_numbers_are_told_as_perhaps_and_marked() -> None:
    lines = one("fig", {}).splitlines()
    for label in ("band", "slow below", "too warm above", "harmed above"):
        line = next(each for each in lines if each.startswith(f"  {label}  "))
        assert " perhaps " in line
        assert line.endswith("[weak]")


def test_the_growers_numbers_are_shown_as_his_own(config: Path) -> None:
    shown = run("mulberry", config=config)
    assert shown.exit_code == 0
    assert "  band               23 to 25 °C            [your own]" in shown.output
    assert "  slow below         perhaps 18 °C          [weak]" in shown.output
    assert "There is no config" not in shown.output
    assert "willow          not known" in run(config=config).output
    assert "Not in the table" in run("willow", config=config).output


def test_what_does_not_go_together_is_shown() -> None:
    text = one("mulberry", own(mulberry={"callusing": {"band": [25, 30]}}))
    assert "! the band reaches 30 °C [your own], above the warm limit of 27 °C [weak]" in " ".join(
        text.split()
    )


def test_json_has_every_number_with_confidence_and_source(config: Path) -> None:
    every = json.loads(run("--json", config=config).output)
    assert every["config_read"] is True
    assert [each["name"] for each in every["species"]] == [*SPECIES, "willow"]
    (mulberry,) = json.loads(run("mulberry", "--json", config=config).output)["species"]
    callusing = mulberry["stages"]["callusing"]
    assert callusing["band_c"] == {
        "value": [23.0, 25.0],
        "confidence": "your own",
        "source": "your own number, from the config",
    }
    assert callusing["slow_below_c"]["value"] == 18.0
    assert callusing["slow_below_c"]["confidence"] == "weak"
    assert callusing["kills_c"] is None
    assert json.loads(run("--json").output)["config_read"] is False


def test_plain_data_is_plain() -> None:
    for name in SPECIES:
        assert json.loads(json.dumps(as_plain(name, {}))) == as_plain(name, {})


def test_a_species_that_nobody_knows_is_refused_with_those_there_are(config: Path) -> None:
    failed = run("bao\x07bab", config=config)
    assert isinstance(failed.exception, InputError)
    assert str(failed.exception).startswith("there is no species 'bao?bab'; there are grapevine, ")
    assert "willow" in str(failed.exception)


def test_a_refused_config_is_said_and_not_passed_over(config: Path) -> None:
    config.write_text("chambers: 3\n")
    assert isinstance(run(config=config).exception, ConfigError)


@pytest.mark.process
def test_as_a_command_it_needs_no_service_and_changes_nothing(tmp_path: Path) -> None:
    shed = Shed(tmp_path)
    before = shed.listing()
    shown = shed.run("species", "fig")
    assert (shown.returncode, shown.stderr) == (0, "")
    assert "[weak]" in shown.stdout
    failed = shed.run("species", "baobab")
    assert (failed.returncode, failed.stdout) == (InputError.exit_code, "")
    assert failed.stderr.count("\n") == 1
    assert "Traceback" not in failed.stderr
    assert shed.listing() == before
