"""The alerts killed and hung beside daemon and keeper: control has nothing to do with them."""

from __future__ import annotations

import json
import signal
import subprocess
import sys
from contextlib import ExitStack
from pathlib import Path

import pytest

from service import SOUTH, SOUTH_LAYER, SOUTH_SECOND, LineWatch, Service

pytestmark = [pytest.mark.process, pytest.mark.slow]


def test_alerts_that_hang_and_die_disturb_no_heat(tmp_path: Path) -> None:
    """Their command does not end, then they are stopped, then killed, with an alarm standing."""
    mark = tmp_path / "taken"
    program = "import pathlib, sys, time; pathlib.Path(sys.argv[1]).touch(); time.sleep(20)"
    section = json.dumps({"command": [sys.executable, "-c", program, str(mark)]})
    with ExitStack() as stack:
        service = Service(tmp_path)
        stack.callback(service.end)
        for name in (SOUTH_LAYER, SOUTH_SECOND):
            service.tree.set(name, 20.0)
        service.write_config(change=lambda text: f"{text}{SOUTH}alerts: {section}\n")
        service.prove()
        service.start()
        service.wait(lambda: service.line(17) and service.line(27))
        watch = LineWatch(service)
        stack.callback(watch.close)
        for name in (SOUTH_LAYER, SOUTH_SECOND):
            service.tree.set(name, 41.0)
        service.wait(lambda: "cutoff" in service.alarms())
        assert not service.line(27)
        (tmp_path / "alerts").mkdir()
        alerts = subprocess.Popen(
            [*Service.COMMAND, "alerts", "--config", str(service.config)],
            env=service.environment() | {"STATE_DIRECTORY": str(tmp_path / "alerts")},
            stdin=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )
        stack.callback(alerts.wait, 20)
        stack.callback(alerts.kill)

        def well() -> bool:
            return watch.closed and service.ask("status")["data_age_s"] < 4.0

        service.wait(mark.exists)
        service.steady(well, 2.5)
        alerts.send_signal(signal.SIGSTOP)
        service.steady(well, 2.5)
        alerts.kill()
        service.steady(well, 2.5)
        assert [level for _, level in watch.changes] == [True]
