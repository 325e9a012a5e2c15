"""What ``check`` says about a Raspberry Pi: from what was seen to sentences."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bottomheat.cli.check_pi import (
    bus_findings,
    card_findings,
    clock_chip_findings,
    computer_findings,
    line_setting_findings,
    probe_setting_findings,
)
from bottomheat.cli.findings import Finding, Level
from bottomheat.config import Config
from bottomheat_drivers.boot_config import BootConfig, Overlay
from bottomheat_drivers.config_yaml import check_text
from bottomheat_drivers.machine import (
    BusMaster,
    Card,
    Chip,
    Lgpio,
    Machine,
    Mount,
    ProbeSettings,
    RealTimeClock,
    Watchdog,
)

PATH = "/boot/firmware/config.txt"
BOOT = BootConfig(PATH, (Overlay("w1-gpio"),), {"strict_gpiod": "on"})
CHIP = Chip("/dev/gpiochip0", ("brcm,bcm2711-gpio",), "gpio", group_may_use=True)
ROOT = Mount("/dev/mmcblk0p2", "/", "ext4", frozenset({"rw"}))
RUN = Mount("tmpfs", "/run", "tmpfs", frozenset({"rw"}))
PI = Machine(
    model="Raspberry Pi 4 Model B Rev 1.5",
    boot=BOOT,
    keeps_levels=False,
    chips=(CHIP,),
    bus_masters=(BusMaster("w1_bus_master1"),),
    w1_gpio_bound=True,
    watchdog=Watchdog(device=True, runtime="16s", active=True),
    panic_s=10,
    clock_chip=RealTimeClock("rpi-rtc", 2026, 3.0),
    zone="Etc/GMT-1",
    journal_storage="persistent",
    mounts=(ROOT, RUN),
    cards=(Card("mmcblk0"),),
    groups=frozenset({"gpio"}),
)
PI_5 = replace(PI, model="Raspberry Pi 5 Model B Rev 1.0")
REAL = Lgpio("0.2.2.0", real=True)
STATE, RUN_FOLDER = Path("/var/lib/bottomheat"), Path("/run/bottomheat")

TEXT = """\
chambers:
  north-bench:
    callus_zone: 22
    heater: {gpio: 17, watts: 45}
    probes: {substrate: 28-000000000001, room: 28-000000000002, mat: 28-000000000003}
    offset: {method: temperature-factor, factor: 0.75}
    keeper: {series_relay: {gpio: 22}}
"""


def config() -> Config:
    parsed = check_text(TEXT).parsed
    assert parsed.config is not None, parsed.problems
    return parsed.config


def everything(machine: Machine, library: Lgpio | None = REAL) -> list[Finding]:
    settings = {"28-000000000001": ProbeSettings(external_power=True)}
    return [
        *bus_findings(machine, config(), bus_there=True),
        *probe_setting_findings(settings, machine),
        *line_setting_findings(machine, config(), library, mock=False),
        *clock_chip_findings(machine, tells_by_the_clock=True),
        *card_findings(machine, STATE, RUN_FOLDER),
        *computer_findings(machine),
    ]


def only(machine: Machine, *, library: Lgpio | None = REAL) -> Finding:
    """The one finding that is not well."""
    (found,) = [f for f in everything(machine, library) if f.level is not Level.WELL]
    return found


def test_a_healthy_pi_is_well_in_every_part() -> None:
    found = everything(PI)
    assert {f.level for f in found} == {Level.WELL}
    assert len({f.text for f in found}) == len(found), "nothing is said twice"
    assert not any(f.do for f in found)


def test_another_computer_hears_nothing_of_a_pi() -> None:
    settings = {"28-000000000001": ProbeSettings()}
    pc = Machine(mounts=(Mount("overlay", "/", "overlay", frozenset({"ro"})),), swaps=("/swap",))
    assert bus_findings(pc, config(), bus_there=True) == []
    assert probe_setting_findings(settings, pc) == []
    assert line_setting_findings(pc, config(), None, mock=False) == []
    assert clock_chip_findings(pc, tells_by_the_clock=True) == []
    assert card_findings(pc, STATE, RUN_FOLDER) == []
    assert computer_findings(pc) == []


def test_a_pi_whose_boot_file_cannot_be_read_is_not_told_what_to_put_into_it() -> None:
    assert bus_findings(replace(PI, boot=None), config(), bus_there=True) == []


# Each fault alone: its level, words of it, words of what to do

W, N = Level.WRONG, Level.NOTE
FAULTS = [
    (replace(PI, keeps_levels=True, boot=replace(BOOT, parameters={})), W, "keeps a relay line",
     "add a line dtparam=strict_gpiod"),
    (replace(PI, keeps_levels=True), W, "although", "restart the computer"),
    (replace(PI, keeps_levels=None, boot=replace(BOOT, parameters={})), W, "as far as can be seen",
     "dtparam=strict_gpiod"),
    (replace(PI, boot=replace(BOOT, overlays=())), N, "switched on by hand", "dtoverlay=w1-gpio"),
    (replace(PI, boot=replace(BOOT, overlays=()), w1_gpio_bound=False, bus_masters=()), W,
     "no line dtoverlay=w1-gpio", "restart the computer"),
    (replace(PI, w1_gpio_bound=False, bus_masters=()), W, "the bus is not there", "dmesg"),
    (replace(PI, bus_masters=(BusMaster("w1_bus_master1", searching=False),)), N, "does not search",
     "w1_master_search"),
    (replace(PI, boot=replace(BOOT, overlays=(Overlay("w1-gpio", {"gpiopin": "22"}),))), W,
     "north-bench series relay is on GPIO 22, which is the 1-Wire bus", "another line"),
    (replace(PI, boot=replace(BOOT, overlays=(Overlay("w1-gpio"), Overlay("w1-gpio")))), W,
     "two 1-Wire buses want the same line (GPIO 4, GPIO 4)", "gpiopin"),
    (replace(PI, boot=replace(BOOT, lines={17: ("op", "dh")})), W,
     "sets GPIO 17 to dh at the start, which closes the north-bench relay", "take that gpio= line"),
    (replace(PI, chips=(replace(CHIP, controllers=("brcm,brcmstb-gpio",)),)), W,
     "not the pin header", "up to date"),
    (replace(PI, groups=frozenset({"root"})), W, "no group gpio", "groupadd"),
    (replace(PI, chips=(replace(CHIP, group="root"),)), W, "not open to the group gpio", "udev"),
    (replace(PI, chips=(replace(CHIP, group_may_use=False),)), W, "not open to the group", "udev"),
    (replace(PI, watchdog=Watchdog(device=False, runtime="16s")), W, "no hardware watchdog",
     "modprobe"),
    (replace(PI, watchdog=Watchdog(device=True)), W, "only a panic restarts it, after 10 s",
     "RuntimeWatchdogSec=16s"),
    (replace(PI, watchdog=Watchdog(device=True, runtime="off"), panic_s=0), W, "nobody feeds",
     "RuntimeWatchdogSec=16s"),
    (replace(PI, watchdog=Watchdog(device=True, runtime="16s", active=False)), W, "does not run",
     "restart"),
    (replace(PI, clock_chip=None), N, "nothing saves the time", "fake-hwclock"),
    (replace(PI, clock_chip=None, clock_is_saved=True), N, "may be an hour ago", ""),
    (replace(PI, clock_chip=RealTimeClock("rpi-rtc", 2026, 0.1)), N, "has 0.1 V", "battery"),
    (replace(PI, clock_chip=RealTimeClock("rtc-ds3231", 2000)), N, "shows the year 2000",
     "battery"),
    (replace(PI, zone="Etc/UTC"), N, "time zone is UTC", "timedatectl"),
    (replace(PI, journal_storage="volatile", journal_folder=True), N, "lost at every restart",
     "Storage=persistent"),
    (replace(PI, journal_storage="auto"), N, "lost at every restart", "Storage=persistent"),
    (replace(PI, mounts=(replace(ROOT, kind="overlay"), RUN)), W, "in memory only (overlay)",
     "overlay file system"),
    (replace(PI, mounts=(ROOT,)), W, "/run/bottomheat is on a disk (ext4)", "below /run"),
    (replace(PI, mounts=(replace(ROOT, options=frozenset({"rw", "barrier=0"})), RUN)), W,
     "barriers off", "fstab"),
    (replace(PI, mounts=(replace(ROOT, options=frozenset({"ro"})), RUN,
                         Mount("/dev/sda1", "/var/lib/bottomheat", "ext4", frozenset({"rw"})))),
     N, "/ is mounted read-only", "dmesg"),
    (replace(PI, swaps=("/var/swap",)), N, "swapped to /var/swap", "swapoff /var/swap"),
    (replace(PI, cards=(Card("mmcblk0", errors={"mmcblk0p2": 3}),)), W,
     "mmcblk0p2 has counted 3 errors", "fsck"),
    (replace(PI, cards=(Card("mmcblk0", life_used_percent=90),)), N, "used 90 %", "change it"),
    (replace(PI, cards=(Card("mmcblk0", life_used_percent=110),)), N, "more than it is rated for",
     "change it"),
    (replace(PI, cards=(Card("mmcblk0", life_used_percent=20, spare_low=True),)), N,
     "spare blocks run out", "change it"),
]  # fmt: skip


@pytest.mark.parametrize(("machine", "level", "text", "do"), FAULTS, ids=[f[2] for f in FAULTS])
def test_one_fault_is_told_once_and_with_what_to_do(
    machine: Machine, level: Level, text: str, do: str
) -> None:
    found = only(machine)
    assert found.level is level
    assert text in found.text
    assert do in found.do
    assert bool(found.do) is bool(do)


@pytest.mark.parametrize(
    ("library", "text"),
    [(None, "is not installed"), (Lgpio("0.0.0.2", real=False), "lgpio 0.0.0.2 is an empty shell")],
)
def test_a_missing_or_empty_lgpio_drives_no_relay(library: Lgpio | None, text: str) -> None:
    found = only(PI, library=library)
    assert found.level is W
    assert text in found.text
    assert "apt install python3-lgpio" in found.do


def test_mock_pins_need_no_library_and_no_chip() -> None:
    assert line_setting_findings(PI, config(), None, mock=True) == []


def test_a_worn_chip_that_is_not_worn_out_is_well() -> None:
    found = card_findings(replace(PI, cards=(Card("mmcblk0", 30),)), STATE, RUN_FOLDER)
    assert [f.level for f in found] == [Level.WELL]
    assert "at most 30 %" in found[0].text


def test_probes_on_their_data_wire_and_polled_ones_are_notes() -> None:
    settings = {
        "28-000000000001": ProbeSettings(external_power=False),
        "28-000000000002": ProbeSettings(external_power=True, polls=True),
    }
    parasite, polled = probe_setting_findings(settings, PI)
    assert parasite.level is polled.level is N
    assert "28-000000000001 lives on its data wire" in parasite.text
    assert "nothing here gives it a stronger pull-up" in parasite.text
    assert "supply wire" in parasite.do
    assert "28-000000000002" in polled.text
    assert "28-000000000002/features" in polled.do
    pulled = replace(PI, boot=replace(BOOT, overlays=(Overlay("w1-gpio-pullup"),)))
    assert "stronger pull-up" not in probe_setting_findings(settings, pulled)[0].text


def test_a_driver_that_does_not_say_how_probes_are_powered_is_left_alone() -> None:
    assert probe_setting_findings({"28-000000000001": ProbeSettings()}, PI) == []


def test_a_pi_5_is_told_of_its_reported_trouble_and_its_chip_is_number_4_where_there_is_one() -> (
    None
):
    assert "Raspberry Pi 5" in probe_setting_findings({}, PI_5)[0].text
    other = replace(CHIP, controllers=("brcm,brcmstb-gpio",))
    header = Chip("/dev/gpiochip4", ("raspberrypi,rp1-gpio",), "gpio", group_may_use=True)
    old_kernel = replace(PI_5, chips=(other, header))
    texts = [f.text for f in line_setting_findings(old_kernel, config(), REAL, mock=False)]
    assert "/dev/gpiochip4 is the pin header (raspberrypi,rp1-gpio)" in texts
    no_header = replace(PI_5, chips=(other,))
    found = line_setting_findings(no_header, config(), REAL, mock=False)
    assert any(f.level is W and "brcm,brcmstb-gpio" in f.text for f in found)


def test_a_relay_that_closes_on_low_is_closed_by_the_other_level() -> None:
    low = TEXT.replace("gpio: 17, watts", "gpio: 17, active_high: false, watts")
    parsed = check_text(low).parsed
    assert parsed.config is not None
    at_start = {"dh": False, "dl": True}
    for attribute, closes in at_start.items():
        machine = replace(PI, boot=replace(BOOT, lines={17: ("op", attribute)}))
        found = line_setting_findings(machine, parsed.config, REAL, mock=False)
        assert any("closes the north-bench relay" in f.text for f in found) is closes


MIXED = st.builds(
    lambda given: replace(PI, **given),
    st.fixed_dictionaries(
        {},
        optional={
            name: st.sampled_from([getattr(fault[0], name) for fault in FAULTS])
            for name in Machine.__dataclass_fields__
            if name not in ("model", "panic_s")
        },
    ),
)


@given(MIXED)
def test_however_faults_come_together_each_is_told_once_and_what_is_wrong_has_a_remedy(
    machine: Machine,
) -> None:
    found = everything(machine)
    assert len({f.text for f in found}) == len(found)
    assert all(f.do for f in found if f.level is W)
    assert not any(f.do for f in found if f.level is Level.WELL)
