"""``bottomheat check`` as a process: what is well, what is not, and an exit status to match."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from service import LAYER, MAT, ROOM, Service


@pytest.fixture
def service(tmp_path: Path) -> Iterator[Service]:
    made = Service(tmp_path)
    yield made
    made.end()


def told(service: Service) -> tuple[int, dict[str, Any]]:
    done = service.command("check", "--json")
    assert "Traceback" not in done.stderr
    return done.returncode, json.loads(done.stdout)


def text_of(service: Service) -> str:
    done = service.command("check")
    assert done.returncode in (0, 1, 3), done.stderr
    return done.stdout


def wrongs(answer: dict[str, Any]) -> list[str]:
    return [
        finding["text"]
        for group in answer["groups"]
        for finding in group["findings"]
        if finding["level"] == "wrong"
    ]


@pytest.mark.process
def test_all_is_well_with_a_proved_running_service(service: Service) -> None:
    service.prove()
    service.start()
    service.wait(service.line)
    code, answer = told(service)
    assert wrongs(answer) == []
    assert code == 0
    assert service.line(), "check must not switch a relay"


def test_each_fault_of_a_probe_is_named_with_what_to_do(service: Service) -> None:
    service.tree.unplug(LAYER)
    service.tree.short(ROOM)
    service.tree.corrupt(MAT)
    service.tree.set("28-00000000beef", 18.5)
    text = text_of(service)
    assert "short between its data wire and ground" in text
    assert "28-00000000beef" in text
    assert "18.5" in text
    code, answer = told(service)
    assert code == 1
    found = " ".join(wrongs(answer))
    for probe in (LAYER, ROOM, MAT):
        assert probe in found


def test_unproved_wiring_and_stopped_service_are_wrong(service: Service) -> None:
    code, answer = told(service)
    assert code == 1
    found = " ".join(wrongs(answer))
    assert "not proved" in found
    assert "does not answer" in found


def test_refused_config_is_three_and_the_rest_is_looked_at_all_the_same(service: Service) -> None:
    service.write_config(
        change=lambda text: text.replace("watts: 45", "wats: 45").replace("25.0", "77.0")
    )
    done = service.command("check")
    assert done.returncode == 3
    assert "wats" in done.stdout
    assert "°F" in done.stdout
    assert "Clock" in done.stdout


def test_missing_config_is_one_sentence(service: Service) -> None:
    service.config.unlink()
    done = service.command("check")
    assert done.returncode == 3
    assert "there is no config file" in done.stdout + done.stderr
    assert "Traceback" not in done.stderr


def test_missing_bus_says_how_to_switch_it_on(service: Service) -> None:
    service.write_config(change=lambda text: text.replace("w1_devices: ", "w1_devices: /nowhere"))
    assert "dtoverlay=w1-gpio" in text_of(service)


def test_schema_goes_to_a_file_or_to_the_screen(service: Service, tmp_path: Path) -> None:
    shown = service.command("check", "--schema", "-")
    assert shown.returncode == 0
    schema = json.loads(shown.stdout)
    assert "chambers" in schema["properties"]
    target = tmp_path / "schema.json"
    assert service.command("check", "--schema", str(target)).returncode == 0
    assert json.loads(target.read_text()) == schema
    refused = service.command("check", "--schema", str(tmp_path / "no" / "where.json"))
    assert refused.returncode == 10
    assert "Traceback" not in refused.stderr
