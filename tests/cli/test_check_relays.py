"""What ``bottomheat check`` says about relays in series and about a mat that nobody watches."""

from __future__ import annotations

from bottomheat.cli.check_config import relay_findings
from bottomheat.cli.findings import Finding, Level
from bottomheat_drivers.config_yaml import check_text
from clibench import CONFIG, Shed

TWO_BOXES = CONFIG.format(folder="/nowhere")
SERIES = "    keeper: {series_relay: {gpio: 22}}\n"
OWN = "    keeper: {probe: 28-000000000014, series_relay: {gpio: 22}}\n"
NO_MAT = TWO_BOXES.replace(", mat: 28-000000000013}", "}")


def south(text: str) -> list[Finding]:
    parsed = check_text(text).parsed
    assert parsed.config is not None, parsed.problems
    return [f for f in relay_findings(parsed.config) if f.text.startswith("south-bench")]


def test_one_relay_is_a_note_that_says_what_it_cannot_do() -> None:
    (found,) = south(TWO_BOXES)
    assert found.level is Level.NOTE
    assert "welds" in found.text
    assert "not enough to leave" in found.text
    assert "licensed" in found.do
    assert "keeper.series_relay" in found.do


def test_two_relays_in_series_are_well_and_say_which_probe_opens_the_second() -> None:
    (shared,), (own,) = south(TWO_BOXES + SERIES), south(TWO_BOXES + OWN)
    assert {shared.level, own.level} == {Level.WELL}
    assert "same mat probe" in shared.text
    assert "a mat probe of its own" in own.text


def test_a_mat_without_a_probe_is_a_note_wherever_the_probe_is_named() -> None:
    relay, mat = south(NO_MAT)
    assert relay.level is mat.level is Level.NOTE
    assert "cannot be told from sun" in mat.text
    assert "probes.mat" in mat.do
    assert len(south(NO_MAT + OWN)) == 1


def test_the_command_says_it_and_still_ends_by_what_is_wrong(tmp_path) -> None:
    shed = Shed(tmp_path)
    shed.config.write_text(shed.text + "sounder: {gpio: 23}\n")
    done = shed.run("check")
    assert "Cutting the heat" in done.stdout
    assert done.stdout.count("one relay. If its contact welds") == 2
    assert "sounder, GPIO 23" in done.stdout
    assert done.returncode == 1  # no service, and no proof
    assert "2 things marked WRONG" in done.stdout
