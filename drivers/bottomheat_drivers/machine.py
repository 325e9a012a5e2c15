"""The computer under the service: board, kernel, watchdog, clocks, card.  Looks, never touches.

Everything is read from files below a root folder, so that a test can lay out a machine of its own.
What cannot be read is None or empty, and whoever judges it keeps quiet about it.
"""

from __future__ import annotations

import os
import re
from collections.abc import Iterator, Mapping
from contextlib import suppress
from dataclasses import dataclass, field
from functools import partial
from importlib.machinery import PathFinder
from importlib.metadata import PackageNotFoundError, distributions
from pathlib import Path
from typing import Final

from bottomheat_drivers.boot_config import BootConfig, read_boot_config
from bottomheat_drivers.probe_threads import Answer, ProbeThreads

ROOT: Final = Path("/")
_BOOT_CONFIGS: Final = ("boot/firmware/config.txt", "boot/config.txt")
_LONGEST_FILE_BYTES: Final = 100_000
_PATIENCE_S: Final = 5.0
_PI_5: Final = re.compile(r"Raspberry Pi (5\b|500\b|Compute Module 5)")


@dataclass(frozen=True, slots=True)
class Chip:
    """One GPIO device.

    Attributes:
        device: its path, such as ``/dev/gpiochip0``.
        controllers: what the device tree calls it, most exact first; empty where it says nothing.
        group: the group that owns it, or None.
        group_may_use: that group may read and write it.
    """

    device: str
    controllers: tuple[str, ...] = ()
    group: str | None = None
    group_may_use: bool = False


@dataclass(frozen=True, slots=True)
class BusMaster:
    """One master of a 1-Wire bus; ``searching`` is False where it never looks for new probes."""

    name: str
    searching: bool = True


@dataclass(frozen=True, slots=True)
class Mount:
    """One mounted file system, as /proc/self/mounts has it."""

    device: str
    folder: str
    kind: str
    options: frozenset[str]


@dataclass(frozen=True, slots=True)
class RealTimeClock:
    """A clock chip.

    Attributes:
        name: its driver's name.
        year: the year that it shows, or None.
        battery_v: voltage of its battery, V, where the driver says so (a Raspberry Pi 5).
    """

    name: str
    year: int | None = None
    battery_v: float | None = None


@dataclass(frozen=True, slots=True)
class Watchdog:
    """The hardware watchdog and who feeds it.

    Attributes:
        device: ``/dev/watchdog0`` is there.
        runtime: systemd's RuntimeWatchdogSec as it is written; None where nothing sets it.
        active: it is running, where the kernel says so.
    """

    device: bool = False
    runtime: str | None = None
    active: bool | None = None


@dataclass(frozen=True, slots=True)
class Card:
    """What a card or flash chip says of itself.

    Attributes:
        device: such as ``mmcblk0``.
        life_used_percent: most of its rated writes used by then, where it is an eMMC that tells.
        spare_low: its spare blocks run out.
        errors: faults that the file system on it has counted, by partition.
    """

    device: str
    life_used_percent: int | None = None
    spare_low: bool = False
    errors: Mapping[str, int] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Machine:
    """Everything that was seen.

    Attributes:
        model: the board's name, or None where there is no device tree.
        boot: its config.txt, where it is a Raspberry Pi that has one.
        keeps_levels: the kernel leaves a released output at its level; None where it does not say.
        chips: the GPIO devices.
        bus_masters: masters of 1-Wire buses.
        w1_gpio_bound: a bus on the board's own pins is running.
        watchdog: the hardware watchdog.
        panic_s: after a panic the kernel restarts in so many seconds; 0: it stands still.
        clock_chip: a clock that runs without power, or None.
        clock_is_saved: the time is saved at intervals, so that a start does not begin in 1970.
        zone: the time zone's name, or None.
        journal_storage: journald's Storage.
        journal_folder: /var/log/journal is there.
        mounts: file systems, in their order.
        swaps: files and devices that memory is swapped to.
        cards: cards and flash chips.
        groups: groups of this machine.
    """

    model: str | None = None
    boot: BootConfig | None = None
    keeps_levels: bool | None = None
    chips: tuple[Chip, ...] = ()
    bus_masters: tuple[BusMaster, ...] = ()
    w1_gpio_bound: bool = False
    watchdog: Watchdog = Watchdog()
    panic_s: int | None = None
    clock_chip: RealTimeClock | None = None
    clock_is_saved: bool = False
    zone: str | None = None
    journal_storage: str = "auto"
    journal_folder: bool = False
    mounts: tuple[Mount, ...] = ()
    swaps: tuple[str, ...] = ()
    cards: tuple[Card, ...] = ()
    groups: frozenset[str] = frozenset()

    @property
    def is_pi(self) -> bool:
        """Whether this is a Raspberry Pi."""
        return self.model is not None and self.model.startswith("Raspberry Pi")

    @property
    def is_pi_5(self) -> bool:
        """Whether its header hangs on the RP1 chip."""
        return self.model is not None and bool(_PI_5.match(self.model))

    def mount_of(self, folder: Path) -> Mount | None:
        """The file system that a folder lies on; the last one mounted there counts."""
        lies_in = {str(folder), *map(str, folder.parents)}
        found = [mount for mount in self.mounts if mount.folder in lies_in]
        longest = max((len(mount.folder) for mount in found), default=0)
        return next((m for m in reversed(found) if len(m.folder) == longest), None)


def look_at_machine(root: Path = ROOT) -> Machine:
    """Look at everything below ``root``; never raises."""
    model = _text(root / "proc/device-tree/model")
    model = None if model is None else model.strip("\0 \n")
    groups = _groups(root)
    panic = (_text(root / "proc/sys/kernel/panic") or "").strip()
    return Machine(
        model=model or None,
        boot=_boot(root, model or ""),
        keeps_levels=_keeps_levels(root, model or ""),
        chips=tuple(_chips(root, dict(groups))),
        bus_masters=tuple(_bus_masters(root)),
        w1_gpio_bound=any(":" not in n and "@" in n for n in _names(root / _W1_GPIO_DRIVER)),
        watchdog=_watchdog(root),
        panic_s=int(panic) if panic.lstrip("-").isdecimal() else None,
        clock_chip=_clock_chip(root),
        clock_is_saved=_clock_is_saved(root),
        zone=_zone(root),
        journal_storage=(systemd_setting(root, "journald.conf", "Storage") or "auto").lower(),
        journal_folder=os.path.isdir(root / "var/log/journal"),
        mounts=tuple(_mounts(root)),
        swaps=tuple(line.split()[0] for line in _lines(root / "proc/swaps")[1:] if line.split()),
        cards=tuple(_cards(root)),
        groups=frozenset(name for _, name in groups),
    )


_W1_GPIO_DRIVER: Final = "sys/bus/platform/drivers/w1-gpio"


@dataclass(frozen=True, slots=True)
class ProbeSettings:
    """What the kernel's driver says of one probe.

    Attributes:
        external_power: False: it lives on its data wire; None where the driver does not say.
        polls: the driver polls it for the end of a conversion and keeps the bus meanwhile.
    """

    external_power: bool | None = None
    polls: bool = False


def probe_settings(devices: Path, names: list[str]) -> dict[str, ProbeSettings]:
    """Ask the driver about probes, in a few seconds at most.

    ``ext_power`` and ``features`` as in the kernel's ABI documentation sysfs-driver-w1_therm;
    reading the first may use the bus, hence the deadline.

    Args:
        devices: the kernel's folder of 1-Wire devices.
        names: probes, such as 28-000000000001.
    """
    wanted = ("ext_power", "features")
    files = {f"{name}/{what}": devices / name / what for name in names for what in wanted}
    threads = ProbeThreads(files, lambda: 0.0)
    try:
        answers = threads.read(0.0, _PATIENCE_S)
    finally:
        threads.close()
    said = {
        key: answer.text.strip()
        for key, answer in answers.items()
        if isinstance(answer, Answer) and answer.error is None
    }
    found = {}
    for name in names:
        power = {"1": True, "0": False}.get(said.get(f"{name}/ext_power", ""))
        features = said.get(f"{name}/features", "")
        found[name] = ProbeSettings(power, features.isdecimal() and bool(int(features) & 2))
    return found


@dataclass(frozen=True, slots=True)
class Lgpio:
    """The library that drives a Pi's lines: its version, and whether it is more than a shell."""

    version: str | None
    real: bool


def lgpio_library(path: list[str] | None = None) -> Lgpio | None:
    """Look for the library lgpio without importing it, which would leave a file behind.

    An installation that asks for no version takes the empty 0.0.0.2 where there is no wheel of the
    real one, as for Python 3.13.

    Args:
        path: folders to look in; None: where this program's modules come from.
    """
    spec = PathFinder.find_spec("lgpio", path)
    if spec is None:
        return None
    text = "" if spec.origin is None else _text(Path(spec.origin)) or ""
    built = PathFinder.find_spec("_lgpio", path) is not None
    version = None
    with suppress(PackageNotFoundError, OSError):
        known = (
            distributions(name="lgpio") if path is None else distributions(name="lgpio", path=path)
        )
        version = next((each.version for each in known), None)
    return Lgpio(version, built and "def gpiochip_open" in text)


def systemd_setting(root: Path, name: str, key: str) -> str | None:
    """A setting of ``system.conf`` or ``journald.conf`` with its drop-ins, or None where unset.

    As systemd-system.conf(5) has it: the main file first, then the drop-ins of all folders in the
    order of their names; one in /etc hides one of the same name elsewhere, and an empty value
    takes back what was set.
    """
    folders = [
        root / part / "systemd" for part in ("usr/lib", "lib", "usr/local/lib", "run", "etc")
    ]
    drop_ins: dict[str, Path] = {}
    for folder in folders:
        for each in _names(folder / f"{name}.d"):
            if each.endswith(".conf"):
                drop_ins[each] = folder / f"{name}.d" / each
    main = next((f / name for f in reversed(folders) if os.path.isfile(f / name)), None)
    files = ([] if main is None else [main]) + [drop_ins[each] for each in sorted(drop_ins)]
    value: str | None = None
    for file in files:
        for line in _lines(file):
            left, found, right = line.partition("=")
            if found and left.strip() == key:
                value = right.strip() or None
    return value


def _boot(root: Path, model: str) -> BootConfig | None:
    if not model.startswith("Raspberry Pi"):
        return None
    for name in _BOOT_CONFIGS:
        text = _text(root / name)
        if text is not None:
            beside = partial(_beside, (root / name).parent)
            return read_boot_config(f"/{name}", text, model, beside)
    return None


def _beside(folder: Path, name: str) -> str | None:
    return _text(folder / name)


def _keeps_levels(root: Path, model: str) -> bool | None:
    """The driver's parameter persist_gpio_outputs; ``dtparam=strict_gpiod`` switches it off.

    The header of a Pi 5 hangs on another driver than that of the rest, and one kernel has both.
    """
    driver = "pinctrl_rp1" if _PI_5.match(model) else "pinctrl_bcm2835"
    text = _text(root / f"sys/module/{driver}/parameters/persist_gpio_outputs")
    return None if text is None else text.strip() in ("Y", "y", "1")


def _chips(root: Path, groups: Mapping[int, str]) -> Iterator[Chip]:
    for name in _names(root / "dev"):
        device = root / "dev" / name
        if not re.fullmatch(r"gpiochip\d+", name):
            continue
        try:
            status = device.stat()
        except OSError:
            continue
        # An alias such as gpiochip4 -> gpiochip0 has no entry of its own in sysfs.
        sysfs = root / "sys/bus/gpio/devices" / os.path.basename(os.path.realpath(device))
        compatible = _text(sysfs / "of_node/compatible") or ""
        yield Chip(
            f"/dev/{name}",
            tuple(part for part in compatible.strip("\n").split("\0") if part),
            groups.get(status.st_gid),
            status.st_mode & 0o060 == 0o060,
        )


def _bus_masters(root: Path) -> Iterator[BusMaster]:
    folder = root / "sys/bus/w1/devices"
    for name in _names(folder):
        if re.fullmatch(r"w1_bus_master\d+", name):
            search = _text(folder / name / "w1_master_search")
            yield BusMaster(name, search is None or search.strip() != "0")


def _watchdog(root: Path) -> Watchdog:
    state = _text(root / "sys/class/watchdog/watchdog0/state")
    return Watchdog(
        os.path.exists(root / "dev/watchdog0"),
        systemd_setting(root, "system.conf", "RuntimeWatchdogSec"),
        None if state is None else state.strip() == "active",
    )


def _clock_chip(root: Path) -> RealTimeClock | None:
    folder = root / "sys/class/rtc/rtc0"
    name = _text(folder / "name")
    if name is None:
        return None
    date = (_text(folder / "date") or "").strip()
    battery = _text(folder / "battery_voltage") or _text(folder / "device/battery_voltage") or ""
    micro_v = battery.strip()
    return RealTimeClock(
        name.strip(),
        int(date[:4]) if re.match(r"\d{4}-", date) else None,
        int(micro_v) / 1e6 if micro_v.isdecimal() else None,
    )


def _clock_is_saved(root: Path) -> bool:
    """By fake-hwclock, or by timesyncd in the time stamp of a file (systemd-timesyncd(8))."""
    files = ("etc/fake-hwclock.data", "var/lib/systemd/timesync/clock")
    return any(os.path.exists(root / file) for file in files)


def _zone(root: Path) -> str | None:
    with suppress(OSError):
        _, found, name = os.readlink(root / "etc/localtime").partition("zoneinfo/")
        if found:
            return name
    return (_text(root / "etc/timezone") or "").strip() or None


def _mounts(root: Path) -> Iterator[Mount]:
    for line in _lines(root / "proc/self/mounts"):
        words = [re.sub(r"\\(\d{3})", lambda m: chr(int(m[1], 8)), w) for w in line.split()]
        if len(words) >= 4:
            yield Mount(words[0], words[1], words[2], frozenset(words[3].split(",")))


def _cards(root: Path) -> Iterator[Card]:
    """Cards and eMMC chips; life_time and pre_eol_info as in the kernel's mmc-dev-attrs."""
    for name in _names(root / "sys/block"):
        if not re.fullmatch(r"mmcblk\d+", name):
            continue
        device = root / "sys/block" / name / "device"
        steps = re.findall(r"0x([0-9a-fA-F]{2})", _text(device / "life_time") or "")
        used = max((int(step, 16) for step in steps), default=0)
        spare = (_text(device / "pre_eol_info") or "").strip()
        errors = {}
        for part in _names(root / "sys/fs/ext4"):
            count = (_text(root / "sys/fs/ext4" / part / "errors_count") or "").strip()
            if part.startswith(name) and count.isdecimal() and int(count) > 0:
                errors[part] = int(count)
        yield Card(name, 10 * used if used else None, spare in ("0x02", "0x03"), errors)


def _groups(root: Path) -> list[tuple[int, str]]:
    parts = (line.split(":") for line in _lines(root / "etc/group"))
    return [(int(each[2]), each[0]) for each in parts if len(each) >= 3 and each[2].isdecimal()]


def _names(folder: Path) -> list[str]:
    try:
        return sorted(os.listdir(folder))
    except OSError:
        return []


def _lines(file: Path) -> list[str]:
    return (_text(file) or "").splitlines()


def _text(file: Path) -> str | None:
    try:
        with file.open("rb") as stream:
            return stream.read(_LONGEST_FILE_BYTES).decode("utf-8", "replace")
    except (OSError, ValueError):
        return None
