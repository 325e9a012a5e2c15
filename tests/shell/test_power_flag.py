"""The kernel's undervoltage flag, on a folder laid out as sysfs does it.

Layout: docs.kernel.org/hwmon/raspberrypi-hwmon.html and sysfs-interface.html.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from bottomheat_drivers.clock import ManualClock
from bottomheat_drivers.power_flag import LOOK_AGAIN_S, PowerFlag


def device(folder: Path, number: int, name: str, flag: str | None = None) -> Path:
    made = folder / f"hwmon{number}"
    made.mkdir(parents=True)
    (made / "name").write_text(f"{name}\n")
    if flag is not None:
        (made / "in0_lcrit_alarm").write_text(f"{flag}\n")
    return made


def test_says_so_while_the_flag_is_up_and_no_longer(tmp_path):
    device(tmp_path, 0, "cpu_thermal")
    made = device(tmp_path, 1, "rpi_volt", "0")
    power = PowerFlag(ManualClock(), tmp_path)
    assert power.undervoltage() is None
    (made / "in0_lcrit_alarm").write_text("1\n")
    assert power.undervoltage()
    (made / "in0_lcrit_alarm").write_text("0\n")
    assert power.undervoltage() is None


def test_another_device_with_such_a_flag_counts_for_nothing(tmp_path):
    device(tmp_path, 0, "other_sensor", "1")
    assert PowerFlag(ManualClock(), tmp_path).undervoltage() is None


def test_a_missing_device_is_looked_for_again_after_ten_minutes(tmp_path):
    clock = ManualClock()
    power = PowerFlag(clock, tmp_path / "none")
    assert power.undervoltage() is None
    device(tmp_path / "none", 3, "rpi_volt", "1")
    clock.advance(LOOK_AGAIN_S - 1)
    assert power.undervoltage() is None
    clock.advance(1)
    assert power.undervoltage() is not None


def test_a_device_that_gets_another_number_is_found_again(tmp_path):
    clock = ManualClock()
    made = device(tmp_path, 1, "rpi_volt", "1")
    power = PowerFlag(clock, tmp_path)
    assert power.undervoltage() is not None
    made.rename(tmp_path / "hwmon2")
    assert power.undervoltage() is None
    clock.advance(LOOK_AGAIN_S)
    assert power.undervoltage() is not None


@pytest.mark.parametrize("content", [b"", b"\xff\xfe", b"11", b"yes", b"1" * 5000])
def test_nonsense_is_no_alarm(tmp_path, content):
    made = device(tmp_path, 0, "rpi_volt")
    (made / "in0_lcrit_alarm").write_bytes(content)
    assert PowerFlag(ManualClock(), tmp_path).undervoltage() is None


def test_a_flag_that_cannot_be_read_is_no_alarm(tmp_path):
    made = device(tmp_path, 0, "rpi_volt")
    (made / "in0_lcrit_alarm").mkdir()
    power = PowerFlag(ManualClock(), tmp_path)
    assert power.undervoltage() is None
    assert power.undervoltage() is None
