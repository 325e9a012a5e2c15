"""Lays out the files of a Raspberry Pi below a folder, for tests of what ``check`` sees there.

As the kernel and Raspberry Pi OS lay them out, by their documentation; nobody has compared the
tree with a real board.
"""

from __future__ import annotations

import os
from pathlib import Path

GOOD_CONFIG = "dtparam=audio=on\n[all]\ndtoverlay=w1-gpio\ndtparam=strict_gpiod\n"
MOUNTS = """\
/dev/mmcblk0p2 / ext4 rw,noatime 0 0
tmpfs /run tmpfs rw,nosuid,size=380000k 0 0
/dev/mmcblk0p1 /boot/firmware vfat rw,relatime 0 0
"""


class PiTree:
    """A healthy Raspberry Pi 4 with Raspberry Pi OS, ready to be spoilt."""

    def __init__(self, root: Path) -> None:
        self.root = root
        self.model("Raspberry Pi 4 Model B Rev 1.5")
        self.config(GOOD_CONFIG)
        self.put("sys/module/pinctrl_bcm2835/parameters/persist_gpio_outputs", "N\n")
        # One kernel for all boards: a Pi 4 has the Pi 5's driver too, with its own setting.
        self.put("sys/module/pinctrl_rp1/parameters/persist_gpio_outputs", "Y\n")
        self.chip("gpiochip0", "brcm,bcm2711-gpio")
        self.put("etc/group", f"root:x:0:\ngpio:x:{os.getgid()}:grower\n")
        self.master(-1)
        self.put("sys/bus/platform/drivers/w1-gpio/onewire@4/uevent", "")
        self.put("dev/watchdog0", "")
        self.put("sys/class/watchdog/watchdog0/state", "active\n")
        self.put(
            "usr/lib/systemd/system.conf.d/70-rpi-enable-watchdog.conf",
            "[Manager]\nRuntimeWatchdogSec=16s\n",
        )
        self.put("proc/sys/kernel/panic", "10\n")
        self.put("etc/fake-hwclock.data", "2026-11-25 20:00:00\n")
        self.zone("Etc/GMT-1")
        self.put("proc/self/mounts", MOUNTS)
        self.put("proc/swaps", "Filename Type Size Used Priority\n/dev/zram0 partition 9 0 100\n")
        (root / "sys/block/mmcblk0/device").mkdir(parents=True)
        (root / "var/log/journal").mkdir(parents=True)

    def put(self, path: str, text: str) -> None:
        file = self.root / path
        file.parent.mkdir(parents=True, exist_ok=True)
        file.write_text(text)

    def drop(self, path: str) -> None:
        (self.root / path).unlink()

    def model(self, name: str) -> None:
        self.put("proc/device-tree/model", name + "\0")

    def config(self, text: str) -> None:
        self.put("boot/firmware/config.txt", text)

    def chip(self, name: str, *compatible: str, mode: int = 0o660) -> None:
        self.put(f"dev/{name}", "")
        (self.root / "dev" / name).chmod(mode)
        node = "".join(f"{each}\0" for each in compatible)
        self.put(f"sys/bus/gpio/devices/{name}/of_node/compatible", node)

    def master(self, search: int) -> None:
        self.put("sys/bus/w1/devices/w1_bus_master1/w1_master_search", f"{search}\n")

    def zone(self, name: str) -> None:
        link = self.root / "etc/localtime"
        link.unlink(missing_ok=True)
        link.parent.mkdir(parents=True, exist_ok=True)
        link.symlink_to(f"/usr/share/zoneinfo/{name}")
