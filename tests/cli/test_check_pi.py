"""``bottomheat check`` on the files of a Raspberry Pi, laid out below a folder."""

from __future__ import annotations

import os
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bottomheat.cli.check_cmd import look
from bottomheat.cli.check_machine import probe_findings
from bottomheat.cli.findings import Finding, Group, Level
from bottomheat.model import Good
from bottomheat_drivers.boot_config import read_boot_config
from bottomheat_drivers.config_yaml import load_config
from bottomheat_drivers.ds18b20 import unlike_the_part
from bottomheat_drivers.machine import (
    Card,
    Chip,
    Lgpio,
    Machine,
    ProbeSettings,
    lgpio_library,
    look_at_machine,
    probe_settings,
    systemd_setting,
)
from bottomheat_drivers.w1 import list_probes
from clibench import LAYER, MAT, ROOM, Shed
from pi_tree import GOOD_CONFIG, PiTree
from w1tree import scratchpad, sealed

PI_4 = "Raspberry Pi 4 Model B Rev 1.5"


@pytest.fixture
def tree(tmp_path: Path) -> PiTree:
    return PiTree(tmp_path / "pi")


@pytest.fixture
def shed(tmp_path: Path) -> Shed:
    (tmp_path / "shed").mkdir()
    return Shed(tmp_path / "shed")


# What is seen


def test_a_pi_is_seen_as_it_is(tree: PiTree) -> None:
    seen = look_at_machine(tree.root)
    assert seen.model == PI_4
    assert seen.is_pi
    assert not seen.is_pi_5
    assert seen.boot is not None
    assert seen.boot.path == "/boot/firmware/config.txt"
    assert [each.name for each in seen.boot.overlays] == ["w1-gpio"]
    assert seen.boot.is_on("strict_gpiod")
    assert seen.keeps_levels is False
    assert seen.chips == (Chip("/dev/gpiochip0", ("brcm,bcm2711-gpio",), "gpio", True),)
    assert seen.w1_gpio_bound
    assert [master.searching for master in seen.bus_masters] == [True]
    assert (seen.watchdog.device, seen.watchdog.runtime) == (True, "16s")
    assert seen.watchdog.active
    assert seen.panic_s == 10
    assert seen.clock_is_saved
    assert seen.clock_chip is None
    assert seen.zone == "Etc/GMT-1"
    assert seen.journal_storage == "auto"
    assert seen.journal_folder
    assert seen.swaps == ("/dev/zram0",)
    assert seen.cards == (Card("mmcblk0"),)
    assert seen.groups == {"root", "gpio"}


def test_an_empty_folder_is_no_pi_and_nothing_is_known(tmp_path: Path) -> None:
    assert look_at_machine(tmp_path) == Machine()
    assert not Machine().is_pi


def test_the_board_says_whose_setting_counts(tree: PiTree) -> None:
    """One kernel has the drivers of all boards, each with its own persist_gpio_outputs."""
    tree.model("Raspberry Pi 5 Model B Rev 1.0")
    assert look_at_machine(tree.root).keeps_levels is True
    tree.drop("sys/module/pinctrl_rp1/parameters/persist_gpio_outputs")
    assert look_at_machine(tree.root).keeps_levels is None


def test_an_alias_of_a_gpio_chip_is_known_by_what_it_points_to(tree: PiTree) -> None:
    tree.model("Raspberry Pi 5 Model B Rev 1.0")
    tree.chip("gpiochip0", "raspberrypi,rp1-gpio")
    (tree.root / "dev/gpiochip4").symlink_to("gpiochip0")
    chips = {chip.device: chip.controllers for chip in look_at_machine(tree.root).chips}
    assert chips["/dev/gpiochip4"] == chips["/dev/gpiochip0"] == ("raspberrypi,rp1-gpio",)


def test_the_clock_chip_of_a_pi_5_tells_its_battery(tree: PiTree) -> None:
    tree.put("sys/class/rtc/rtc0/name", "rpi-rtc soc:rpi_rtc\n")
    tree.put("sys/class/rtc/rtc0/date", "2026-11-25\n")
    tree.put("sys/class/rtc/rtc0/battery_voltage", "2964099\n")
    chip = look_at_machine(tree.root).clock_chip
    assert chip is not None
    assert (chip.year, chip.battery_v) == (2026, pytest.approx(2.964, abs=1e-3))


def test_mounts_with_blanks_and_mounts_over_mounts(tree: PiTree) -> None:
    more = "/dev/sda1 /mnt/my\\040disk ext4 ro 0 0\noverlay / overlay rw,lowerdir=/x 0 0\n"
    tree.put("proc/self/mounts", "/dev/root / ext4 rw 0 0\n" + more)
    seen = look_at_machine(tree.root)
    below = seen.mount_of(Path("/mnt/my disk/log"))
    assert below is not None
    assert below.device == "/dev/sda1"
    top = seen.mount_of(Path("/var/lib"))
    assert top is not None
    assert top.kind == "overlay", "the last one mounted there is the one that is seen"


def test_a_chip_tells_its_wear_and_its_file_system_its_errors(tree: PiTree) -> None:
    """Bands of 10 % and the states 1 to 3: JEDEC eMMC 5.0, by the kernel's mmc-dev-attrs."""
    device = "sys/block/mmcblk0/device"
    tree.put(f"{device}/life_time", "0x02 0x03\n")
    tree.put(f"{device}/pre_eol_info", "0x02\n")
    tree.put("sys/fs/ext4/mmcblk0p2/errors_count", "7\n")
    tree.put("sys/fs/ext4/sda1/errors_count", "9\n")
    tree.put("sys/block/mmcblk0boot0/device/life_time", "0x0b\n")
    assert look_at_machine(tree.root).cards == (Card("mmcblk0", 30, True, {"mmcblk0p2": 7}),)


def test_settings_of_systemd_come_from_the_last_file_that_sets_them(tmp_path: Path) -> None:
    """Order and hiding of drop-ins as in systemd-system.conf(5)."""

    def put(path: str, value: str) -> None:
        file = tmp_path / path
        file.parent.mkdir(parents=True, exist_ok=True)
        file.write_text(f"[Manager]\n# RuntimeWatchdogSec=1h\nRuntimeWatchdogSec={value}\n")

    def value() -> str | None:
        return systemd_setting(tmp_path, "system.conf", "RuntimeWatchdogSec")

    assert value() is None
    put("etc/systemd/system.conf", "5s")
    assert value() == "5s"
    put("usr/lib/systemd/system.conf.d/40-a.conf", "1m")
    assert value() == "1m"
    put("usr/lib/systemd/system.conf.d/70-b.conf", "16s")
    assert value() == "16s"
    put("etc/systemd/system.conf.d/50-mine.conf", "20s")
    assert value() == "16s", "a later name wins, wherever it is"
    put("etc/systemd/system.conf.d/70-b.conf", "30s")
    assert value() == "30s", "one in /etc hides its namesake"
    put("run/systemd/system.conf.d/90-off.conf", "")
    assert value() is None


@pytest.mark.parametrize(
    ("text", "model", "pins"),
    [
        ("dtoverlay=w1-gpio,gpiopin=22,pullup=on", PI_4, ["22"]),
        ("dtoverlay=w1-gpio:gpiopin=22", PI_4, ["22"]),
        ("dtoverlay=w1-gpio\ndtparam=gpiopin=5,pullup", PI_4, ["5"]),
        ("dtoverlay=w1-gpio\ndtoverlay=\ndtparam=gpiopin=5", PI_4, [None]),
        ("dtoverlay=w1-gpio\ndtoverlay=other\ndtparam=gpiopin=5", PI_4, [None]),
        ("#dtoverlay=w1-gpio", PI_4, []),
        ("[pi5]\ndtoverlay=w1-gpio\n[all]\n", PI_4, []),
        ("[pi5]\ndtoverlay=w1-gpio", "Raspberry Pi 5 Model B Rev 1.0", [None]),
        ("[pi5]\ndtoverlay=w1-gpio", "Raspberry Pi Compute Module 5 Rev 1.0", [None]),
        ("[pi4]\n[all]\n dtoverlay = w1-gpio ", PI_4, [None]),
        ("[none]\ndtoverlay=w1-gpio", PI_4, []),
        ("[cm4]\ndtoverlay=w1-gpio", PI_4, []),
        ("[0x12345678]\ndtoverlay=w1-gpio", PI_4, [None]),
        ("[pi0]\ndtoverlay=w1-gpio", "Raspberry Pi Zero 2 W Rev 1.0", [None]),
        ("include more.txt\ninclude loop.txt", PI_4, ["6"]),
        ("dtoverlay=w1-gpio\ndtoverlay=w1-gpio,gpiopin=9", PI_4, [None, "9"]),
    ],
)
def test_the_boot_file_is_read_as_its_documentation_has_it(
    text: str, model: str, pins: list[str | None]
) -> None:
    files = {"more.txt": "dtoverlay=w1-gpio,gpiopin=6", "loop.txt": "include loop.txt"}
    boot = read_boot_config("config.txt", text, model, files.get)
    w1 = [each for each in boot.overlays if each.name == "w1-gpio"]
    assert [each.parameters.get("gpiopin") for each in w1] == pins


@pytest.mark.parametrize(
    ("line", "is_on"),
    [
        ("dtparam=strict_gpiod", True),
        ("dtparam=strict_gpiod=on", True),
        ("dtparam=strict_gpiod=off", False),
        ("dtparam=audio=on,strict_gpiod", True),
        ("dtoverlay=w1-gpio\ndtparam=strict_gpiod", True),
        ("dtparam=audio=on", False),
    ],
)
def test_a_base_parameter_is_on_or_off(line: str, is_on: bool) -> None:
    boot = read_boot_config("config.txt", line, PI_4, lambda _: None)
    assert boot.is_on("strict_gpiod") is is_on


def test_lines_set_at_the_start_are_read_by_number_and_range() -> None:
    boot = read_boot_config("c", "gpio=17,22=op,dh\ngpio=5-7=pd\ngpio=x=pu", PI_4, lambda _: None)
    assert boot.lines == {17: ("op", "dh"), 22: ("op", "dh"), **dict.fromkeys((5, 6, 7), ("pd",))}


@given(st.text(st.sampled_from("dtparamoverlaygpio=,:-[]#4 \n0w1includ"), max_size=200))
def test_no_boot_file_makes_it_fail(text: str) -> None:
    boot = read_boot_config("config.txt", text, PI_4, lambda _: text)
    assert all(each.name for each in boot.overlays)


def test_lgpio_is_told_from_its_empty_namesake_without_being_imported(tmp_path: Path) -> None:
    where = [str(tmp_path)]
    assert lgpio_library(where) is None
    (tmp_path / "lgpio.py").write_text("raise SystemExit('it was imported')\n")
    info = tmp_path / "lgpio-0.0.0.2.dist-info"
    info.mkdir()
    (info / "METADATA").write_text("Metadata-Version: 2.1\nName: lgpio\nVersion: 0.0.0.2\n")
    assert lgpio_library(where) == Lgpio("0.0.0.2", real=False)
    (tmp_path / "lgpio.py").write_text("import _lgpio\ndef gpiochip_open(chip):\n    ...\n")
    assert lgpio_library(where) == Lgpio("0.0.0.2", real=False), "its compiled half is missing"
    (tmp_path / "_lgpio.py").write_text("")
    assert lgpio_library(where) == Lgpio("0.0.0.2", real=True)


def test_the_driver_is_asked_about_each_probe_and_one_that_hangs_holds_up_nobody(
    shed: Shed, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("bottomheat_drivers.machine._PATIENCE_S", 0.5)
    devices = shed.bus.devices
    (devices / LAYER / "ext_power").write_text("1\n")
    (devices / LAYER / "features").write_text("2\n")
    (devices / ROOM / "ext_power").write_text("0\n")
    (devices / ROOM / "features").write_text("1\n")
    os.mkfifo(devices / MAT / "ext_power")
    (devices / MAT / "features").write_text("-5\n")
    assert probe_settings(devices, [LAYER, ROOM, MAT, "28-00000000dead"]) == {
        LAYER: ProbeSettings(True, polls=True),
        ROOM: ProbeSettings(False),
        MAT: ProbeSettings(),
        "28-00000000dead": ProbeSettings(),
    }


# Copies


@pytest.mark.parametrize("hexed", ["50054b467fff0c10", "91014b467fff0f10", "72014b467fff0e10"])
def test_answers_of_authentic_parts_show_no_sign(hexed: str) -> None:
    """Datasheet's power-up scratchpad; two that the kernel's documentation and users print."""
    assert unlike_the_part(sealed(bytes.fromhex(hexed))) is None


@given(st.integers(-55 * 16, 125 * 16), st.sampled_from([9, 10, 11, 12]))
def test_no_temperature_of_an_authentic_part_is_taken_for_a_sign(count: int, bits: int) -> None:
    assert unlike_the_part(scratchpad(count / 16, bits)) is None


@pytest.mark.parametrize(
    ("hexed", "sign"),
    [
        ("91014b467fff0c10", "byte 6 is 0c beside 91"),
        ("92014b467fffffff", "byte 7 is ff, byte 6 is ff beside 92"),
        ("91014b467f000f10", "byte 5 is 00"),
    ],
)
def test_signs_of_copies(hexed: str, sign: str) -> None:
    """Families with a constant 0C, and with FF: cpetrich/counterfeit_DS18B20, README."""
    assert unlike_the_part(sealed(bytes.fromhex(hexed))) == sign


def test_a_probe_that_may_be_a_copy_is_a_note_that_claims_no_more(shed: Shed) -> None:
    shed.bus.raw(ROOM, scratchpad(20.0625, byte_6=0x0C))
    house = load_config(shed.config)
    readings = {
        name: {place: Good(20.0, 0.0) for place in box.probes.by_place()}
        for name, box in house.chambers.items()
    }
    copies = [
        f
        for f in probe_findings(house, readings, list_probes(shed.bus.devices))
        if "copy" in f.text
    ]
    assert {f.level for f in copies} == {Level.NOTE}
    assert all(ROOM in f.text and "it may be a copy" in f.text for f in copies)
    assert all("compare it" in f.do for f in copies)


# The whole command


def told(groups: list[Group], level: Level) -> list[Finding]:
    return [f for g in groups for f in g.findings if f.level is level]


def bad(shed: Shed, root: Path) -> list[str]:
    groups, _ = look(shed.config, root)
    return [f.text for f in told(groups, Level.WRONG)]


def test_the_parts_of_a_spoilt_pi_are_told_among_the_rest(
    shed: Shed, tree: PiTree, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.delenv("GPIOZERO_PIN_FACTORY", raising=False)
    tree.put("sys/module/pinctrl_bcm2835/parameters/persist_gpio_outputs", "Y\n")
    tree.config(GOOD_CONFIG.replace("w1-gpio", "w1-gpio,gpiopin=27"))
    tree.put("etc/systemd/system.conf.d/90-off.conf", "[Manager]\nRuntimeWatchdogSec=off\n")
    groups, refused = look(shed.config, tree.root)
    assert not refused
    by_title = {group.title: [f.text for f in group.findings] for group in groups}
    assert any("south-bench relay is on GPIO 27" in text for text in by_title["Probes"])
    assert any("although /boot/firmware" in text for text in by_title["Relay lines"])
    assert any("nobody feeds" in text for text in by_title["Computer"])
    assert any("saved last" in text for text in by_title["Clock"])
    texts = [text for found in by_title.values() for text in found]
    assert len(texts) == len(set(texts))


def test_a_healthy_pi_adds_nothing_that_is_wrong(
    shed: Shed, tree: PiTree, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("GPIOZERO_PIN_FACTORY", "mock")
    mounts = f"/dev/mmcblk0p2 / ext4 rw 0 0\ntmpfs {shed.folder}/run tmpfs rw 0 0\n"
    tree.put("proc/self/mounts", mounts)
    empty = tmp_path / "nothing"
    empty.mkdir()
    assert bad(shed, tree.root) == bad(shed, empty)


def test_what_is_wrong_with_the_machine_is_no_all_well(shed: Shed, tree: PiTree) -> None:
    tree.drop("dev/watchdog0")
    assert any("no hardware watchdog" in text for text in bad(shed, tree.root))
