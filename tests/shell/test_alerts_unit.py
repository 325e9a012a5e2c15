"""The unit file of the alerts, and what the process loads."""

from __future__ import annotations

import shutil
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
UNIT = ROOT / "systemd" / "bottomheat-alerts.service"


def settings() -> dict[str, list[str]]:
    found: dict[str, list[str]] = {}
    for line in UNIT.read_text().splitlines():
        key, equals, value = line.partition("=")
        if equals and not line.startswith("#"):
            found.setdefault(key, []).append(value)
    return found


def test_it_has_the_network_and_no_relay_line_and_never_stays_dead() -> None:
    unit = settings()
    assert unit["PrivateDevices"] == ["yes"]
    assert "DeviceAllow" not in unit
    assert "SupplementaryGroups" not in unit
    assert "PrivateNetwork" not in unit
    assert "IPAddressDeny" not in unit
    assert "AF_INET" in unit["RestrictAddressFamilies"][0].split()
    assert unit["Restart"] == ["always"]
    assert unit["StartLimitIntervalSec"] == ["0"]
    assert unit["Group"] == ["bottomheat"]
    assert not {"Requires", "BindsTo", "PartOf"} & set(unit), "it must outlive the service"
    assert unit["StateDirectory"] == ["bottomheat-alerts"]
    assert unit["NoNewPrivileges"] == ["yes"]


def test_systemd_understands_it(tmp_path: Path) -> None:
    program = shutil.which("systemd-analyze")
    if program is None:
        pytest.skip("systemd-analyze is not installed here")
    copy = tmp_path / UNIT.name
    copy.write_text(UNIT.read_text().replace("/opt/bottomheat/bin/bottomheat", "/bin/true"))
    done = subprocess.run(
        [program, "verify", str(copy)], capture_output=True, text=True, check=False, timeout=60
    )
    if "Failed to" in done.stderr and "manager" in done.stderr:
        pytest.skip("systemd-analyze cannot run here")
    assert (done.returncode, done.stderr.strip()) == (0, "")


def test_the_process_itself_loads_no_library_that_talks_to_the_network() -> None:
    program = (
        "import sys, bottomheat.app_alerts;"
        "heavy = {'apprise', 'requests', 'urllib3', 'ssl', 'urllib.request', 'http.client',"
        " 'numpy', 'rich', 'gpiozero', 'sqlite3'} & set(sys.modules);"
        "sys.exit(', '.join(sorted(heavy)) or 0)"
    )
    done = subprocess.run(
        [sys.executable, "-c", program], cwd=ROOT, capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stderr
