"""The alerts beside the real service: its answer is understood, and its death is told."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path

import pytest

from alertstand import Stand
from bottomheat.alerts.answer import parse_answer
from service import Service


@pytest.fixture
def service(tmp_path: Path) -> Iterator[Service]:
    made = Service(tmp_path)
    yield made
    made.end()


@pytest.fixture
def stand(tmp_path: Path) -> Iterator[Stand]:
    made = Stand(tmp_path / "alerts")
    made.service.stop()
    yield made
    made.end()


@pytest.mark.process
def test_the_death_of_the_real_service_is_told_and_its_return(
    service: Service, stand: Stand
) -> None:
    section = json.dumps({"command": stand.script(), "daily": True})
    service.write_config(change=lambda text: f"{text}alerts: {section}\n")
    service.start("--no-keeper")
    service.wait(lambda: bool(service.ask("alarms")["alarms"]))
    answer = parse_answer(service.ask("alarms"))
    assert answer is not None
    assert [box.name for box in answer.boxes] == ["north-bench"]
    assert all(alarm.what and alarm.first and alarm.how_long for alarm in answer.alarms)
    stand.config, stand.silent_s = service.config, 4.0
    stand.start()
    stand.wait(lambda: "alerts: 1 ways out" in stand.output.read_text())
    service.end()
    stand.wait(lambda: "silent" in stand.kinds())
    service.start("--no-keeper")
    stand.wait(lambda: stand.kinds()[-1] == "answers")
