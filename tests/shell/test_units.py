"""The unit files and what is installed with them: understood by systemd, tight, one in kind."""

from __future__ import annotations

import re
import shutil
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

from bottomheat.installing import (
    ALERTS,
    FOLDERS,
    KEEPER,
    PIECES,
    PROGRAM,
    SERVICE,
    TIMER,
    UNITS,
    UPKEEP,
    USERS,
)
from units import KEEPER as KEEPER_NAME
from units import command_line

ROOT = Path(__file__).resolve().parents[2]
FOLDER = ROOT / "systemd"
SERVICES = tuple(unit for unit in UNITS if unit.endswith(".service"))
DAEMONS = (SERVICE, KEEPER, ALERTS)
MOST_EXPOSURE = 2.0
KEEPER_HANG_S = 13.0
"""Leaves two seconds of the fifteen within which the lines of a hung keeper have to be open."""

each_service = pytest.mark.parametrize("unit", SERVICES)


def settings(unit: str) -> dict[str, list[str]]:
    found: dict[str, list[str]] = {}
    for line in (FOLDER / unit).read_text().splitlines():
        key, equals, value = line.partition("=")
        if equals and not line.startswith("#"):
            found.setdefault(key, []).append(value)
    return found


def environment(unit: str) -> dict[str, str]:
    words = " ".join(settings(unit)["Environment"]).split()
    return dict(word.split("=", 1) for word in words)


def analyze() -> str:
    program = shutil.which("systemd-analyze")
    if program is None:
        pytest.skip("systemd-analyze is not installed here")
    return program


def test_every_file_is_installed_and_every_installed_file_is_there() -> None:
    assert sorted(PIECES.values()) == sorted(path.name for path in FOLDER.iterdir())


def test_systemd_understands_every_unit(tmp_path: Path) -> None:
    program = analyze()
    for unit in UNITS:
        text = (FOLDER / unit).read_text()
        text = re.sub(rf"{PROGRAM}/bin/\w+", "/bin/true", text)  # it has to be there to be verified
        (tmp_path / unit).write_text(text)
    done = subprocess.run(
        [program, "verify", *(str(tmp_path / unit) for unit in UNITS)],
        capture_output=True,
        text=True,
        check=False,
        timeout=180,
    )
    if "Failed to" in done.stderr and "manager" in done.stderr:
        pytest.skip("systemd-analyze cannot run here")
    assert (done.returncode, done.stderr.strip()) == (0, "")


@each_service
def test_exposure_is_at_most_two(unit: str, record_property: Callable[[str, object], None]) -> None:
    done = subprocess.run(
        [analyze(), "security", "--offline=true", "--no-pager", str(FOLDER / unit)],
        capture_output=True,
        text=True,
        check=False,
        timeout=180,
    )
    found = re.search(r"Overall exposure level for \S+: ([0-9.]+)", done.stdout)
    if found is None and "offline" in done.stderr:
        pytest.skip("this systemd-analyze cannot look at a unit that is not loaded")
    assert found is not None, done.stderr
    record_property(f"exposure of {unit}", found[1])
    assert float(found[1]) <= MOST_EXPOSURE


def test_only_the_keeper_has_gpio_and_only_the_alerts_have_the_network() -> None:
    for unit in SERVICES:
        keys = settings(unit)
        assert keys["DevicePolicy"] == ["closed"]
        if unit == KEEPER:
            assert keys["DeviceAllow"] == ["char-gpiochip rw"]
            assert keys["SupplementaryGroups"] == ["gpio"]
            assert "PrivateDevices" not in keys
        else:
            assert not {"DeviceAllow", "SupplementaryGroups"} & set(keys)
            assert keys["PrivateDevices"] == ["yes"]
        if unit == ALERTS:
            assert not {"PrivateNetwork", "IPAddressDeny"} & set(keys)
        else:
            assert keys["PrivateNetwork"] == ["yes"]
            assert keys["IPAddressDeny"] == ["any"]
            assert keys["RestrictAddressFamilies"] == ["AF_UNIX"]


@each_service
def test_each_runs_without_privileges_from_the_one_program(unit: str) -> None:
    keys = settings(unit)
    assert keys["User"][0] in USERS
    assert keys["Group"] == ["bottomheat"]
    assert keys["NoNewPrivileges"] == ["yes"]
    assert keys["CapabilityBoundingSet"] == [""]
    assert keys["ProtectSystem"] == ["strict"]
    commands = [value for key in keys if key.startswith("Exec") for value in keys[key]]
    ours = [command for command in commands if not command.startswith("/bin/kill ")]
    assert ours
    assert all(command.lstrip("+").startswith(f"{PROGRAM}/bin/") for command in ours)
    assert [command for command in commands if command.startswith("+")] == (
        keys["ExecStopPost"] if unit == KEEPER else []
    ), "nothing but opening the lines is done as root"


@pytest.mark.parametrize("unit", DAEMONS)
def test_each_daemon_is_watched_and_restarted_for_ever(unit: str) -> None:
    keys = settings(unit)
    assert keys["Type"] == ["notify"]
    assert float(keys["WatchdogSec"][0]) > 0
    assert keys["Restart"] == ["always"]
    assert keys["StartLimitIntervalSec"] == ["0"], "five crashes must not end it for good"
    assert not {"Requires", "BindsTo"} & set(keys)
    assert keys["LimitCORE"] == ["0"], "a core dump on the card would hold up opening the lines"


def test_a_hung_keeper_is_ended_in_time() -> None:
    keys = settings(KEEPER)
    assert float(keys["WatchdogSec"][0]) + float(keys["TimeoutAbortSec"][0]) <= KEEPER_HANG_S
    assert int(keys["OOMScoreAdjust"][0]) < int(settings(SERVICE)["OOMScoreAdjust"][0]) < 0


@pytest.mark.parametrize("cured", [True, False], ids=["as installed", "without the cure"])
def test_the_working_folder_gives_the_root_step_no_modules(tmp_path: Path, cured: bool) -> None:
    """It is the service's own folder: who has taken the service over must not become root."""
    spy, shed = tmp_path / "loaded", tmp_path / "run"
    shed.mkdir()
    (shed / "logging.py").write_text(f"open({str(spy)!r}, 'w').close(); raise SystemExit(5)\n")
    unit = environment(KEEPER)
    if not cured:
        del unit["PYTHONSAFEPATH"]
    done = subprocess.run(
        command_line(KEEPER_NAME, "ExecStopPost", tmp_path / "chamber.yaml"),
        cwd=shed,
        env={"PYTHONPATH": ":".join(map(str, sys_path())), "PATH": "/usr/bin:/bin", **unit},
        capture_output=True,
        text=True,
        check=False,
        timeout=180,
    )
    assert spy.exists() is not cured
    assert done.returncode == (3 if cured else 5), "3: there is no config here"


def sys_path() -> list[Path]:
    return [ROOT / "controller", ROOT / "drivers"]


@each_service
def test_no_unit_takes_modules_from_where_its_user_writes(unit: str) -> None:
    assert environment(unit)["PYTHONSAFEPATH"] == "1"
    assert environment(unit)["PYTHONNOUSERSITE"] == "1"


def test_the_upkeep_can_write_nothing_and_goes_last() -> None:
    keys = settings(UPKEEP)
    assert keys["Type"] == ["oneshot"]
    assert not {"StateDirectory", "ReadWritePaths", "RuntimeDirectory"} & set(keys)
    assert keys["IOSchedulingClass"] == ["idle"]
    assert keys["Nice"] == ["19"]
    assert settings(TIMER)["Persistent"] == ["yes"]
    assert settings(TIMER)["WantedBy"] == ["timers.target"]


def test_folders_are_the_same_at_boot_as_at_installation() -> None:
    lines = [line.split() for line in (FOLDER / "bottomheat.tmpfiles").read_text().splitlines()]
    made = {
        line[1]: (int(line[2].lstrip(":"), 8), line[3].lstrip(":"), line[4].lstrip(":"))
        for line in lines
        if line and line[0] == "d"
    }
    assert made.pop("/run/bottomheat") == (0o750, "bottomheat", "bottomheat")
    assert made == FOLDERS
    assert all(line[2].startswith(":") for line in lines if line and line[0] == "d"), (
        "what is there already keeps its owner and mode"
    )


def test_users_are_those_of_the_units() -> None:
    text = (FOLDER / "bottomheat.sysusers").read_text()
    assert re.findall(r"^u (\S+)", text, re.M) == list(USERS)
    assert {settings(unit)["User"][0] for unit in SERVICES} == set(USERS)


def test_this_python_knows_the_safe_path() -> None:
    done = subprocess.run(
        [sys.executable, "-c", "import sys; print(sys.flags.safe_path)"],
        env={"PYTHONSAFEPATH": "1"},
        capture_output=True,
        text=True,
        check=True,
    )
    assert done.stdout.strip() == "True"
