"""What ``check`` says about the computer: board, bus, lines, watchdog, clocks, card; pure.

Quiet where it does not apply: most of it speaks only on a Raspberry Pi.  Each finding is told in
one place; what config, probes and folders say by themselves is told by the other parts.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Final

from bottomheat.cli.findings import Finding, note, well, wrong
from bottomheat.config import Config
from bottomheat_drivers.machine import Lgpio, Machine, Mount, ProbeSettings
from bottomheat_drivers.pins import LGPIO_REMEDY

HEADER_CONTROLLERS: Final = frozenset(
    {"brcm,bcm2835-gpio", "brcm,bcm2711-gpio", "raspberrypi,rp1-gpio"}
)
"""What the device tree calls the chips that the pin header hangs on (from memory)."""

W1_OVERLAYS: Final = frozenset({"w1-gpio", "w1-gpio-pullup", "w1-gpio-pi5"})
USUAL_W1_GPIO: Final = 4
DEAD_BATTERY_V: Final = 2.0
"""Below this a clock's lithium cell is empty or missing (judgement)."""
EARLIEST_YEAR: Final = 2025
"""A clock that shows an earlier year has lost its time; the software is younger."""

_RESTART = "then restart the computer"


def bus_findings(machine: Machine, config: Config | None, *, bus_there: bool) -> list[Finding]:
    """The 1-Wire bus: who makes it, on which line, and whether it finds probes.

    Args:
        machine: what was seen.
        config: the config, or None where it is refused.
        bus_there: the kernel's folder of 1-Wire devices is there; without it the list of probes
            says already how to switch the bus on.
    """
    found: list[Finding] = []
    boot = machine.boot
    if boot is not None:
        overlays = [each for each in boot.overlays if each.name in W1_OVERLAYS]
        numbers = [_gpio(each.parameters.get("gpiopin")) for each in overlays]
        lines = ", ".join(f"GPIO {number}" for number in numbers)
        if overlays and not machine.w1_gpio_bound and not machine.bus_masters:
            found.append(
                wrong(
                    f"{boot.path} has dtoverlay={overlays[0].name}, and the bus is not there",
                    "restart the computer; if it stays so: sudo dmesg | grep -i w1",
                )
            )
        elif overlays:
            found.append(well(f"the 1-Wire bus is on {lines}, by dtoverlay={overlays[0].name}"))
        elif machine.w1_gpio_bound:
            found.append(
                note(
                    f"the 1-Wire bus was switched on by hand: {boot.path} has no "
                    "dtoverlay=w1-gpio, so the next restart loses every probe",
                    f"add a line dtoverlay=w1-gpio to {boot.path}",
                )
            )
        elif bus_there and not machine.bus_masters:
            found.append(
                wrong(
                    f"{boot.path} has no line dtoverlay=w1-gpio, so there is no 1-Wire bus",
                    f"add that line, {_RESTART}",
                )
            )
        found += _taken_lines(numbers, lines, config)
    found += [
        note(
            f"{master.name} does not search: a probe that is plugged in or comes back is not found",
            f"echo -1 | sudo tee /sys/bus/w1/devices/{master.name}/w1_master_search",
        )
        for master in machine.bus_masters
        if not master.searching
    ]
    return found


def _gpio(text: str | None) -> int:
    return int(text) if text is not None and text.isdecimal() else USUAL_W1_GPIO


def _taken_lines(numbers: list[int], lines: str, config: Config | None) -> list[Finding]:
    found = []
    if len(set(numbers)) < len(numbers):
        found.append(
            wrong(
                f"two 1-Wire buses want the same line ({lines})",
                f"give each dtoverlay=w1-gpio its own gpiopin, {_RESTART}",
            )
        )
    found += [
        wrong(
            f"{label} is on GPIO {gpio}, which is the 1-Wire bus: the two would disturb each other",
            "put one of them on another line (gpiopin=, or gpio in the config)",
        )
        for label, gpio in relay_lines(config)
        if gpio in numbers and gpio != USUAL_W1_GPIO
    ]
    return found


def relay_lines(config: Config | None) -> list[tuple[str, int]]:
    """Every line that the config drives, with what is on it."""
    lines = []
    for name, box in {} if config is None else config.chambers.items():
        lines.append((f"{name} relay", box.heater.gpio))
        if box.keeper.series_relay is not None:
            lines.append((f"{name} series relay", box.keeper.series_relay.gpio))
    if config is not None and config.sounder is not None:
        lines.append(("sounder", config.sounder.gpio))
    return lines


def probe_setting_findings(
    settings: Mapping[str, ProbeSettings], machine: Machine
) -> list[Finding]:
    """Power and driver settings of each probe; its resolution is told with its reading."""
    strong = machine.boot is not None and any(
        each.name == "w1-gpio-pullup" for each in machine.boot.overlays
    )
    found = []
    for name, said in settings.items():
        if said.external_power is False:
            found.append(
                note(
                    f"{name} lives on its data wire: it may show 85 °C or 127.94 °C when that "
                    "does not give enough, and its reads hold up those of the others"
                    + ("" if strong else "; nothing here gives it a stronger pull-up"),
                    "connect its supply wire to 3.3 V",
                )
            )
        if said.polls:
            found.append(
                note(
                    f"{name} is polled for the end of each reading, which keeps the bus from the "
                    "others",
                    f"echo 0 | sudo tee /sys/bus/w1/devices/{name}/features",
                )
            )
    told = [said.external_power for said in settings.values()]
    if told and all(told):
        found.insert(0, well(f"all {len(told)} probes have a supply of their own"))
    if machine.is_pi_5 and machine.w1_gpio_bound:
        found.append(
            note(
                "on a Raspberry Pi 5 probes have been reported to drop out on wiring that worked "
                "on an older one",
                "keep the kernel current, and watch the probes for a day before you rely on them",
            )
        )
    return found


def line_setting_findings(
    machine: Machine, config: Config | None, library: Lgpio | None, *, mock: bool
) -> list[Finding]:
    """What kernel, boot file and library do with the relay lines."""
    if mock or not (machine.chips or machine.is_pi):
        return []
    return [
        *_library(library),
        *_chips(machine),
        *_release(machine),
        *_boot_lines(machine, config),
    ]


def _library(library: Lgpio | None) -> list[Finding]:
    if library is None:
        return [
            wrong("the library lgpio is not installed: no relay line can be driven", LGPIO_REMEDY)
        ]
    version = "" if library.version is None else f" {library.version}"
    if not library.real:
        return [
            wrong(
                f"lgpio{version} is an empty shell: no relay line can be driven",
                f"uninstall it, then {LGPIO_REMEDY}",
            )
        ]
    return [well(f"lgpio{version} is there")]


def _chips(machine: Machine) -> list[Finding]:
    """The chip that gpiozero opens: number 4 on a Pi 5 that has one, else number 0."""
    by_name = {chip.device: chip for chip in machine.chips}
    newer = by_name.get("/dev/gpiochip4") if machine.is_pi_5 else None
    chip = newer or by_name.get("/dev/gpiochip0")
    if chip is None:
        return []  # told with the lines
    found = []
    if machine.is_pi and chip.controllers:
        if not HEADER_CONTROLLERS.intersection(chip.controllers):
            return [
                wrong(
                    f"{chip.device} is {chip.controllers[0]}, not the pin header: the relays would "
                    "not be driven",
                    "bring the system up to date (sudo apt full-upgrade), "
                    "and look what other GPIO chips are connected",
                )
            ]
        found.append(well(f"{chip.device} is the pin header ({chip.controllers[0]})"))
    if "gpio" not in machine.groups:
        found.append(
            wrong(
                "this system has no group gpio, by which the keeper's unit gets at the lines",
                "sudo groupadd --system gpio, and a udev rule that gives it /dev/gpiochip*",
            )
        )
    elif chip.group != "gpio" or not chip.group_may_use:
        found.append(
            wrong(
                f"{chip.device} is not open to the group gpio, by which the keeper's unit gets at "
                "the lines",
                'a udev rule: SUBSYSTEM=="gpio", KERNEL=="gpiochip*", GROUP="gpio", MODE="0660"',
            )
        )
    return found


def _release(machine: Machine) -> list[Finding]:
    """Whether a line lets go when its program dies; see README on strict_gpiod."""
    if not machine.is_pi:
        return []
    boot = machine.boot
    path = "/boot/firmware/config.txt" if boot is None else boot.path
    asked = boot is not None and boot.is_on("strict_gpiod")
    keeps = "the kernel keeps a relay line as it was when its program is killed"
    if machine.keeps_levels is False:
        return [well("the kernel lets go of a relay line when its program is killed")]
    if machine.keeps_levels is None:
        if asked:
            return [well(f"{path} has dtparam=strict_gpiod; this kernel does not say what it does")]
        return [
            wrong(
                f"{keeps}, as far as can be seen",
                f"add a line dtparam=strict_gpiod to {path}, {_RESTART}",
            )
        ]
    if asked:
        return [
            wrong(
                f"{keeps}, although {path} has dtparam=strict_gpiod",
                "restart the computer; if it stays so: sudo apt full-upgrade",
            )
        ]
    return [wrong(keeps, f"add a line dtparam=strict_gpiod to {path}, {_RESTART}")]


def _boot_lines(machine: Machine, config: Config | None) -> list[Finding]:
    """``gpio=`` lines of config.txt that would close a relay before the service runs."""
    if machine.boot is None or config is None:
        return []
    active_high = {box.heater.gpio: box.heater.active_high for box in config.chambers.values()}
    found = []
    for label, gpio in relay_lines(config):
        closing = {"dh", "pu"} if active_high.get(gpio, True) else {"dl", "pd"}
        said = closing.intersection(machine.boot.lines.get(gpio, ()))
        if said:
            found.append(
                wrong(
                    f"{machine.boot.path} sets GPIO {gpio} to {min(said)} at the start, which "
                    f"closes the {label} before anybody watches it",
                    f"take that gpio= line out, {_RESTART}",
                )
            )
    return found


def clock_chip_findings(machine: Machine, *, tells_by_the_clock: bool) -> list[Finding]:
    """Where the time comes from after a power cut, and the time zone.

    Args:
        machine: what was seen.
        tells_by_the_clock: messages are sent at a time of the day.
    """
    found = []
    if machine.is_pi:
        chip = machine.clock_chip
        if chip is None and machine.clock_is_saved:
            found.append(
                note(
                    "no clock with a battery: after a power cut without network the time goes on "
                    "where it was saved last, which may be an hour ago; dates in the log are "
                    "put right once it is synchronised",
                )
            )
        elif chip is None:
            found.append(
                note(
                    "no clock with a battery, and nothing saves the time: after a power cut "
                    "without network it begins years ago",
                    "sudo apt install fake-hwclock, or fit a clock with a battery",
                )
            )
        elif (chip.battery_v is not None and chip.battery_v < DEAD_BATTERY_V) or (
            chip.year is not None and chip.year < EARLIEST_YEAR
        ):
            shown = (
                f"shows the year {chip.year}"
                if chip.battery_v is None
                else f"has {chip.battery_v:.1f} V"
            )
            found.append(
                note(
                    f"the clock chip ({chip.name}) {shown}: it does not run through a power cut",
                    "fit or change its battery",
                )
            )
        else:
            found.append(well(f"a clock chip ({chip.name}) keeps the time through a power cut"))
        if tells_by_the_clock and machine.zone in (None, "Etc/UTC", "UTC", "Etc/UCT", "Universal"):
            found.append(
                note(
                    "the time zone is UTC, and the message of the morning goes by it",
                    "sudo timedatectl set-timezone, with yours from timedatectl list-timezones",
                )
            )
    return found


_IN_MEMORY = frozenset({"tmpfs", "ramfs", "overlay"})


def card_findings(machine: Machine, state_folder: Path, run_folder: Path) -> list[Finding]:
    """What the card says of itself, and what lies on it that should not, or the other way round.

    Args:
        machine: what was seen.
        state_folder: the folder of the log and the latches.
        run_folder: the folder of sockets and of the rows that are not on the card yet.
    """
    if not machine.is_pi:
        return []
    found: list[Finding] = []
    state, run = machine.mount_of(state_folder), machine.mount_of(run_folder)
    if state is not None:
        found += _state_mount(state, state_folder)
    if run is not None and run.kind != "tmpfs":
        found.append(
            wrong(
                f"{run_folder} is on a disk ({run.kind}): it is written at every cycle, which "
                "wears a card out",
                "put run_folder below /run",
            )
        )
    for folder in ("/", "/var"):
        mount = machine.mount_of(Path(folder))
        if mount is not None and mount.folder == folder and mount != state and _read_only(mount):
            found.append(
                note(
                    f"{folder} is mounted read-only",
                    "look why: a kernel does that to a worn-out card (sudo dmesg | grep -i ext4)",
                )
            )
    found += _cards(machine)
    found += [
        note(
            f"memory is swapped to {swap}: that wears a card out, and can make control wait",
            "switch it off: sudo swapoff "
            + swap
            + " (Bookworm for good: sudo systemctl disable --now dphys-swapfile)",
        )
        for swap in machine.swaps
        if not swap.startswith("/dev/zram")
    ]
    return found


def _state_mount(mount: Mount, folder: Path) -> list[Finding]:
    if mount.kind in _IN_MEMORY:
        return [
            wrong(
                f"{folder} is in memory only ({mount.kind}): every restart loses the log, the "
                "latches and the proof of the wiring, so that there is no heat",
                "switch the overlay file system off (sudo raspi-config), or give the folder a "
                "disk of its own",
            )
        ]
    if mount.options & {"nobarrier", "barrier=0"}:
        return [
            wrong(
                f"{mount.folder} is mounted with barriers off: what is written may be lost or "
                "torn in a power cut",
                "take nobarrier or barrier=0 out of /etc/fstab, and restart",
            )
        ]
    return []


def _read_only(mount: Mount) -> bool:
    return "ro" in mount.options


def _cards(machine: Machine) -> Iterable[Finding]:
    for card in machine.cards:
        for part, count in card.errors.items():
            yield wrong(
                f"the file system on {part} has counted {count} errors",
                "keep a copy of /var/lib/bottomheat, check the card in another computer (fsck), "
                "and change it",
            )
        used = card.life_used_percent
        if card.spare_low or (used is not None and used > 80):
            worn = "more than it is rated for" if used is None or used > 100 else f"{used} %"
            yield note(
                f"{card.device} says it has used {worn} of its writes"
                + (", and its spare blocks run out" if card.spare_low else ""),
                "change it before the season",
            )
        elif used is not None:
            yield well(f"{card.device} says it has used at most {used} % of its rated writes")


def computer_findings(machine: Machine) -> list[Finding]:
    """The hardware watchdog, panics and the system's journal."""
    if not machine.is_pi:
        return []
    return [*_watchdog(machine), *_journal(machine)]


def _watchdog(machine: Machine) -> list[Finding]:
    dog = machine.watchdog
    off = dog.runtime is None or bool(re.fullmatch(r"off|infinity|no|0+ *[a-z]*", dog.runtime))
    setting = (
        "put RuntimeWatchdogSec=16s under [Manager] into a file "
        f"/etc/systemd/system.conf.d/90-watchdog.conf, {_RESTART}"
    )
    if not dog.device:
        return [
            wrong(
                "there is no hardware watchdog /dev/watchdog0: a frozen kernel leaves the relays "
                "as they are",
                "sudo modprobe bcm2835_wdt; if it stays so, bring the system up to date",
            )
        ]
    if off:
        panic = (
            f"; only a panic restarts it, after {machine.panic_s} s"
            if machine.panic_s is not None and machine.panic_s > 0
            else ""
        )
        return [
            wrong(
                "nobody feeds the hardware watchdog (RuntimeWatchdogSec): a frozen kernel leaves "
                f"the relays as they are{panic}",
                setting,
            )
        ]
    if dog.active is False:
        return [
            wrong(
                f"RuntimeWatchdogSec is {dog.runtime}, and the hardware watchdog does not run",
                "restart the computer; if it stays so: sudo journalctl -b | grep -i watchdog",
            )
        ]
    return [well(f"the hardware watchdog restarts a frozen kernel (after {dog.runtime})")]


def _journal(machine: Machine) -> list[Finding]:
    storage = machine.journal_storage
    if storage == "persistent" or (storage == "auto" and machine.journal_folder):
        return [well("the system's journal outlives a restart")]
    return [
        note(
            "the system's journal is lost at every restart, and with it what kernel and systemd "
            "said of a crash; bottomheat's own log is not",
            "to keep it, at the cost of writes to the card: Storage=persistent under [Journal] in "
            "/etc/systemd/journald.conf.d/90-keep.conf",
        )
    ]
