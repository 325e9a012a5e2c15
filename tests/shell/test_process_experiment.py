"""An experiment in the daemon as a process: shown, ended by a lost probe, ended by a kill."""

from __future__ import annotations

import signal
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from bottomheat.model import EventKind
from bottomheat_drivers.log import LogReader
from service import MAT, Service

pytestmark = pytest.mark.process

BOX = "north-bench"
STEP = {"chamber": BOX, "kind": "step", "confirmed": True}


@pytest.fixture
def service(tmp_path: Path) -> Iterator[Service]:
    service = Service(tmp_path)
    service.write_config(setpoint=18.0)  # where its probes say it is
    service.prove()
    yield service
    service.end()


def trial(service: Service) -> dict[str, Any]:
    return dict(service.chamber()["experiment"] or {})


def test_lost_probe_and_kill_end_it(service: Service) -> None:
    """Ended with its reason where the daemon lives, forgotten where it was killed."""
    service.start()
    service.wait(lambda: service.chamber()["condition"] == "HOLDING")
    asked = service.ask("experiment", chamber=BOX, kind="step")
    assert (asked["ok"], asked["done"]) == (True, False)
    assert service.ask("experiment", **STEP)["done"]
    service.wait(lambda: bool(trial(service).get("running")))
    assert "step under way: waiting until the box is at rest" in service.command("status").stdout
    service.tree.unplug(MAT)
    service.wait(lambda: trial(service)["over"] is not None)
    assert trial(service)["over"] == "no good reading any more: mat"
    assert service.stop() == 0
    service.tree.set(MAT, 22.0)
    service.start()
    service.wait(lambda: service.chamber()["condition"] == "HOLDING")
    assert service.ask("experiment", **STEP)["done"]
    service.stop(signal.SIGKILL)
    service.start()
    service.wait(lambda: service.chamber()["condition"] == "HOLDING")
    assert trial(service) == {}
    assert service.stop() == 0
    with LogReader(service.state / "log.sqlite") as log:
        told = [row.event.text for row in log.events(kind=EventKind.EXPERIMENT)]
    assert [text.partition(";")[0] for text in told] == [
        "experiment: the step was asked for",
        "experiment: the step is over, broken off: no good reading any more: mat",
        "experiment: the step was asked for",
    ]
