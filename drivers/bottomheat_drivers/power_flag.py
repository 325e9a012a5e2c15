"""The Raspberry Pi's own supply: the kernel's flag for a voltage that is too low.

The driver raspberrypi-hwmon asks the firmware every 2 s and keeps the answer, which
``in0_lcrit_alarm`` gives at once (docs.kernel.org/hwmon/raspberrypi-hwmon.html); its hwmon device
is called ``rpi_volt``.  A board without it (and any other machine) says nothing.  A low supply
makes probes give wrong checksums, cards lose data and relays drop out.
"""

from __future__ import annotations

from pathlib import Path

from bottomheat.ports import Clock

HWMON = Path("/sys/class/hwmon")
NAME = "rpi_volt"
FLAG = "in0_lcrit_alarm"
LOOK_AGAIN_S = 600.0
"""Where there is no such device, it may come later (a module loaded after the service)."""

_LOW = "the kernel saw it"


class PowerFlag:
    """Reads the flag (``ports.PowerSupply``); one short read a call, no disk, never raises.

    Args:
        clock: for looking again where the device is missing.
        hwmon_folder: where the kernel lists hwmon devices.
    """

    def __init__(self, clock: Clock, hwmon_folder: Path = HWMON) -> None:
        self._clock = clock
        self._folder = hwmon_folder
        self._flag: Path | None = None
        self._looked_s: float | None = None

    def undervoltage(self) -> str | None:
        """What is known of a supply voltage that is too low, or None: in order or not known."""
        if self._flag is None:
            now_s = self._clock.monotonic_s()
            if self._looked_s is not None and now_s - self._looked_s < LOOK_AGAIN_S:
                return None
            self._looked_s = now_s
            self._flag = _find(self._folder)
        if self._flag is None:
            return None
        text = _read(self._flag)
        if text is None:
            self._flag = None  # its number may have changed: look again, but not every turn
            return None
        return _LOW if text == "1" else None


def _find(folder: Path) -> Path | None:
    try:
        devices = sorted(folder.iterdir())
    except OSError:
        return None
    return next((path / FLAG for path in devices if _read(path / "name") == NAME), None)


def _read(path: Path) -> str | None:
    try:
        with path.open("rb") as file:
            return file.read(64).decode("ascii", "replace").strip()
    except OSError:
        return None
