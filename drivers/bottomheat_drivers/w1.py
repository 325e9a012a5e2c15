"""DS18B20 probes on the kernel's 1-Wire bus.

Of w1thermsensor we use the table of sensor families and the lookup of a probe's folder and file.
Its reader of raw lines is not used: it turns every operating system error into "no sensor found"
and every other bad answer into "not ready", and to learn which it was would cost a second
conversion that may answer differently.  So the file is opened here, where errno and content are
kept, and its bytes are judged by ``ds18b20``.
"""

from __future__ import annotations

import errno
import math
import os
import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from bottomheat.errors import DriverError
from bottomheat.model import PLACE_WORDS, Fault, Place, Raw, Sample, Unread
from bottomheat.ports import Clock
from bottomheat_drivers.ds18b20 import (
    CONFIGURATION_BYTE,
    RESOLUTION_BITS,
    crc8,
    decode,
    scratchpad,
    unlike_the_part,
)
from bottomheat_drivers.probe_threads import Answer, Hung, ProbeThreads

# Without this the import runs modprobe, waits a second and raises where there is no 1-Wire bus.
os.environ["W1THERMSENSOR_NO_KERNEL_MODULE"] = "1"

from w1thermsensor import Sensor, W1ThermSensor
from w1thermsensor.errors import NoSensorFoundError

__all__ = [
    "FoundProbe",
    "W1Probes",
    "crc8",
    "decode",
    "fault_of",
    "is_supported",
    "list_probes",
    "slave_file",
    "usual_deadline_s",
]

_NAME: Final = re.compile(r"[0-9a-f]{2}-[0-9a-f]{12}")


def fault_of(error: OSError, at_s: float, devices: Path) -> Unread:
    """Say which fault a failed system call is; its errno name is the detail."""
    name = errno.errorcode.get(error.errno or 0, f"errno {error.errno}")
    match error.errno:
        case errno.ENOENT | errno.ENODEV:
            # os.path, not pathlib: this must not raise where the folder may not be looked at.
            if not os.path.isdir(devices):
                name = f"{name}: no 1-Wire folder {devices}"
            return Unread(Fault.ABSENT, at_s, name)
        case errno.EACCES | errno.EPERM:
            return Unread(Fault.PERMISSION, at_s, name)
        case errno.EMFILE | errno.ENFILE:
            return Unread(Fault.TOO_MANY_FILES, at_s, name)
        case _:
            return Unread(Fault.IO_ERROR, at_s, name)


class W1Probes:
    """Reads all probes of all chambers at once, each through its own thread.

    A probe that is named in several places is read once.  A read that does not return is reported
    as hung and left behind; when it comes back at last, its answer is thrown away.

    Args:
        devices: the kernel's folder of 1-Wire devices.
        wiring: probe name by chamber and place.
        clock: gives the time stamps; called from several threads.
        deadline_s: longest time that ``read_all`` takes, s; None: by the number of probes on the
            bus (``usual_deadline_s``).

    Raises:
        DriverError: a probe is not of a family that we can read, or there are no threads left.
    """

    def __init__(
        self,
        devices: Path,
        wiring: Mapping[str, Mapping[Place, str]],
        clock: Clock,
        deadline_s: float | None = None,
    ) -> None:
        if deadline_s is None:
            names = {name for places in wiring.values() for name in places.values()}
            deadline_s = usual_deadline_s(max(len(names), _on_bus(devices)))
        if not (math.isfinite(deadline_s) and deadline_s > 0):
            raise ValueError(f"deadline_s is {deadline_s}; give a finite number above 0")
        self._devices = devices
        self._wiring = {chamber: dict(places) for chamber, places in wiring.items()}
        self._clock = clock
        self._deadline_s = deadline_s
        files: dict[str, Path] = {}
        for chamber, places in self._wiring.items():
            for place, name in places.items():
                if not is_supported(name):
                    raise DriverError(
                        f"Probe {name} of {chamber} ({PLACE_WORDS[place]}) is not of a kind that "
                        "bottomheat can read; use a DS18B20, whose name begins with 28-."
                    )
                files[name] = slave_file(devices, name)
        self._threads = _start(files, clock.monotonic_s)

    def read_all(self, now_s: float) -> Mapping[str, Mapping[Place, Raw]]:
        """Read every probe once; returns by the deadline and never raises.

        Args:
            now_s: monotonic time of asking, s.

        Returns:
            A reading for every chamber and place of the wiring; its time is the end of its read.
            After ``close`` none has been read.
        """
        answers = self._threads.read(now_s, self._deadline_s)
        end_s = self._clock.monotonic_s()
        by_name = {name: self._judge(answer, end_s) for name, answer in answers.items()}
        closed = Unread(Fault.NOT_READ, end_s, "reading has been stopped")
        return {
            chamber: {place: by_name.get(name, closed) for place, name in places.items()}
            for chamber, places in self._wiring.items()
        }

    def close(self) -> None:
        """Stop reading without waiting for a read that hangs; idempotent."""
        self._threads.close()

    def _judge(self, answer: Answer | Hung, end_s: float) -> Raw:
        if isinstance(answer, Hung):
            return Unread(Fault.HUNG, end_s, f"asked {end_s - answer.asked_s:.0f} s ago")
        if answer.error is not None:
            return fault_of(answer.error, answer.at_s, self._devices)
        return decode(answer.text, answer.at_s)


LEAST_DEADLINE_S, MOST_DEADLINE_S = 3.0, 8.0
EACH_READ_S = 0.85


def usual_deadline_s(probes: int) -> float:
    """How long to wait for all probes of a bus, s.

    A 12-bit conversion takes 0.75 s, and reads of 0.85 to 1.78 s have been reported from the field.
    Reads of several probes overlap on some kernels and follow each other on others (6.1.192: 0.77 s
    each, measured on an emulated machine), and the keeper reads its own besides.  Below the usual
    cycle, so that a probe that hangs delays no lease.
    """
    return min(MOST_DEADLINE_S, max(LEAST_DEADLINE_S, EACH_READ_S * (probes + 1)))


def _on_bus(devices: Path) -> int:
    """Thermometers that the kernel shows, at the start."""
    try:
        return sum(is_supported(entry.name) for entry in devices.iterdir())
    except OSError:
        return 0


def is_supported(name: str) -> bool:
    """Whether the family gives 12-bit temperatures with the DS18B20's configuration byte.

    A DS18S20 (10-) counts in half kelvins, so that its bytes would read as far too cold; a DS1825
    or MAX31850K (3b-) keeps its address in the configuration byte.
    """
    try:
        kind = Sensor.from_id_string(name[:2])
    except ValueError:
        return False
    return bool(kind.comply_12bit_standard()) and kind is not Sensor.DS1825


def slave_file(devices: Path, name: str) -> Path:
    """The file of a probe whose reading makes it convert."""
    return devices / name / str(W1ThermSensor.SLAVE_FILE)


def _start(files: Mapping[str, Path], monotonic_s: Callable[[], float]) -> ProbeThreads:
    try:
        return ProbeThreads(files, monotonic_s)
    except RuntimeError as error:
        raise DriverError(
            f"The system gives no thread for one of {len(files)} probes ({error}); "
            "look what else runs on this machine and start again."
        ) from error


@dataclass(frozen=True, slots=True)
class FoundProbe:
    """A thermometer found on the bus.

    Attributes:
        name: as the config wants it, such as 28-0000xxxxxxxx.
        supported: of a family that ``W1Probes`` can read.
        authentic_rom: a DS18B20 whose serial number is as the maker gives them, with two zero
            bytes; common practice among those who study copies, necessary and not sufficient.
        resolution_bits: 9 to 12, or None where the configuration byte is illegal or was not read.
        celsius: its temperature now, °C, or None where there is none.
        fault: why there is no temperature.
        detail: more about the fault.
        unlike: in what its scratchpad differs from that of an authentic part, or None.
    """

    name: str
    supported: bool
    authentic_rom: bool
    resolution_bits: int | None = None
    celsius: float | None = None
    fault: Fault | None = None
    detail: str = ""
    unlike: str | None = None


def list_probes(devices: Path, deadline_s: float = 5.0) -> list[FoundProbe]:
    """List the thermometers on the bus in order of name, each read once.

    Devices of other families are left out.  A probe whose folder is half gone, as it is just after
    unplugging, is listed as absent and does not hide the others.

    Args:
        devices: the kernel's folder of 1-Wire devices.
        deadline_s: longest time to wait for all probes together, s.

    Raises:
        DriverError: the folder is missing or cannot be listed.
    """
    files = _discover(devices)
    readable = {name: file for name, file in files.items() if file and is_supported(name)}
    threads = _start(readable, lambda: 0.0)  # a list needs no time stamps
    try:
        answers = threads.read(0.0, deadline_s)
    finally:
        threads.close()
    return [_describe(name, answers.get(name), files[name], devices) for name in sorted(files)]


def _discover(devices: Path) -> dict[str, Path | None]:
    """The file of every thermometer, or None where its folder is half gone.

    The library's own list of all sensors raises for all of them when one is half gone, or when
    some other folder has a similar name; so it is asked for one probe at a time.  Its base folder
    is a class attribute, so a subclass carries ours and nobody else's changes.
    """
    library = type("Library", (W1ThermSensor,), {"BASE_DIRECTORY": devices})
    files: dict[str, Path | None] = {}
    try:
        names = [name for name in os.listdir(devices) if _NAME.fullmatch(name)]
    except FileNotFoundError as error:
        raise DriverError(
            f"There is no 1-Wire folder {devices}: switch the 1-Wire bus on (dtoverlay=w1-gpio in "
            "the boot configuration), restart, and check w1_devices in the config."
        ) from error
    except OSError as error:
        raise DriverError(
            f"The 1-Wire folder {devices} cannot be listed ({os.strerror(error.errno or 0)}): "
            "check its permissions, and w1_devices in the config."
        ) from error
    for name in names:
        try:
            kind = Sensor.from_id_string(name[:2])
        except ValueError:
            continue  # a switch, a memory: not a thermometer
        try:
            files[name] = library(kind, name[3:]).sensorpath
        except (NoSensorFoundError, OSError):
            files[name] = None
    return files


def _describe(
    name: str, answer: Answer | Hung | None, file: Path | None, devices: Path
) -> FoundProbe:
    supported = is_supported(name)
    authentic = name.startswith("28-0000")

    def without(fault: Fault, detail: str = "") -> FoundProbe:
        return FoundProbe(name, supported, authentic, fault=fault, detail=detail)

    if file is None:
        return without(Fault.ABSENT, "its folder is there, its answer file is not")
    if answer is None:
        return without(Fault.NOT_READ, "not of a kind that bottomheat can read")
    if isinstance(answer, Hung):
        return without(Fault.HUNG)
    if answer.error is not None:
        unread = fault_of(answer.error, answer.at_s, devices)
        return without(unread.fault, unread.detail)
    content = scratchpad(answer.text)
    if isinstance(content, Fault):
        return without(content)
    sample = decode(answer.text, answer.at_s)
    return FoundProbe(
        name,
        supported,
        authentic,
        resolution_bits=RESOLUTION_BITS.get(content[CONFIGURATION_BYTE]),
        celsius=sample.celsius if isinstance(sample, Sample) else None,
        unlike=unlike_the_part(content) if name.startswith("28-") else None,
    )
