"""What ``check`` says about probes, lines, clock, folders, latches and service.

Each function turns what was seen into findings; only ``check_cmd`` looks.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from bottomheat.cli.findings import Finding, in_two, note, well, wrong
from bottomheat.cli.status_text import duration, stamp
from bottomheat.config import Config
from bottomheat.errors import LatchError
from bottomheat.model import PLACE_WORDS, Fault, Good, Place, Reading
from bottomheat.ports import Latch
from bottomheat_drivers.surroundings import Disk, Line
from bottomheat_drivers.w1 import FoundProbe

LITTLE_BYTES = 200 * 10**6
TOO_LITTLE_BYTES = 20 * 10**6
"""Room on the disk that is worth a note, and that needs attention (judgement)."""

_REMEDIES: Mapping[Fault, str] = {
    Fault.ABSENT: "look at its plug and cable; is its name right? bottomheat probes lists the bus",
    Fault.NO_ANSWER: "look at its plug and cable",
    Fault.ALL_ZERO: "look for a short between its data wire and ground",
    Fault.CRC: "look at cable length and joints, and at the pull-up resistor (4.7 kΩ)",
    Fault.POWER_ON: "it loses power: look at its supply wire and joints",
    Fault.NO_CONVERSION: "it lacks power: connect its supply wire to 3.3 V",
    Fault.PERMISSION: "run the check as the user of the service, or with sudo",
    Fault.HUNG: "look at the wiring of the bus, then restart the computer",
}
_OTHER_REMEDY = "look at its cable and plug; change the probe if it stays so"

Readings = Mapping[str, Mapping[Place, Reading]]


def probe_findings(
    config: Config | None, readings: Readings, found: Sequence[FoundProbe]
) -> list[Finding]:
    """Every configured probe with its reading, then what else is on the bus."""
    findings: list[Finding] = []
    by_name = {probe.name: probe for probe in found}
    named: set[str] = set()
    for chamber, box in {} if config is None else config.chambers.items():
        places = {PLACE_WORDS[place]: name for place, name in box.probes.by_place().items()}
        for place, name in box.probes.by_place().items():
            reading = readings.get(chamber, {}).get(place)
            findings += _probe(f"{chamber} {PLACE_WORDS[place]} {name}", reading, by_name.get(name))
        named |= set(places.values())
        own = box.keeper.probe
        if own is not None and own not in named:
            named.add(own)
            findings += _found(f"{chamber} keeper's own probe {own}", by_name.get(own))
    for probe in found:
        if probe.name in named:
            continue
        where = "" if probe.celsius is None else f", {probe.celsius:.1f} °C"
        do = "bottomheat probes --find says which it is and puts it into the config"
        findings.append(note(f"{probe.name} is on the bus and not in the config{where}", do))
        if not probe.supported:
            findings.append(note(f"{probe.name} is of a kind that cannot be read here"))
    return findings


def _probe(what: str, reading: Reading | None, probe: FoundProbe | None) -> list[Finding]:
    if reading is None:
        return []
    if not isinstance(reading, Good):
        detail = f" ({reading.detail})" if reading.detail else ""
        remedy = _REMEDIES.get(reading.fault, _OTHER_REMEDY)
        return [wrong(f"{what}: {reading.fault.value}{detail}", remedy)]
    return [well(f"{what}: {reading.celsius:.1f} °C"), *_make(what, probe)]


def _found(what: str, probe: FoundProbe | None) -> list[Finding]:
    """A probe that only the list of the bus has read."""
    if probe is None:
        return [wrong(f"{what}: {Fault.ABSENT.value}", _REMEDIES[Fault.ABSENT])]
    if probe.celsius is None:
        fault = probe.fault or Fault.NOT_READ
        return [wrong(f"{what}: {fault.value}", _REMEDIES.get(fault, _OTHER_REMEDY))]
    return [well(f"{what}: {probe.celsius:.1f} °C"), *_make(what, probe)]


def _make(what: str, probe: FoundProbe | None) -> list[Finding]:
    """What the probe's serial number and settings say about it."""
    if probe is None:
        return []
    found = []
    signs = [] if probe.authentic_rom else ["its serial number is not as the maker gives them"]
    if probe.unlike is not None:
        signs.append(f"its answer is not as the maker's parts give it ({probe.unlike})")
    if signs:
        found.append(
            note(
                f"{what}: {' and '.join(signs)}: it may be a copy, and copies can be off by "
                "degrees or keep an old value",
                "compare it with a thermometer you trust, in ice water and at 25 °C",
            )
        )
    bits = probe.resolution_bits
    if bits is not None and bits < 12:
        step_k = 0.0625 * 2 ** (12 - bits)
        found.append(
            note(
                f"{what}: reads in {bits} bits, steps of {step_k:g} K",
                f"set it to 12: echo 12 | sudo tee /sys/bus/w1/devices/{probe.name}/resolution",
            )
        )
    return found


def line_findings(pins: str, lines: Sequence[Line], devices: Mapping[str, bool]) -> list[Finding]:
    """The relay lines, without switching any.

    Args:
        pins: ``lgpio`` or ``mock``.
        lines: the lines of the config, each with the process that drives it.
        devices: GPIO devices of this machine, each with whether this user may use it.
    """
    findings: list[Finding] = []
    if pins == "mock":
        findings.append(
            note(
                "GPIO lines are make-believe here (GPIOZERO_PIN_FACTORY=mock): no relay will move",
                "unset GPIOZERO_PIN_FACTORY where a real mat is to be heated",
            )
        )
    elif not devices:
        findings.append(
            wrong(
                "this machine has no GPIO device /dev/gpiochip0: it cannot drive a relay",
                "run this on a Raspberry Pi, or set GPIOZERO_PIN_FACTORY=mock to try it without",
            )
        )
    elif not any(devices.values()):
        findings.append(
            wrong(
                f"this user may not use {', '.join(devices)}",
                "add the user of the service to the group gpio: sudo usermod -aG gpio USER",
            )
        )
    else:
        usable = ", ".join(name for name, allowed in devices.items() if allowed)
        findings.append(well(f"{usable} is there and may be used"))
    for line in lines:
        if line.holder is None:
            findings.append(note(f"{line.name}, GPIO {line.gpio}: no keeper drives it at present"))
        else:
            findings.append(
                well(f"{line.name}, GPIO {line.gpio}: driven by the keeper, process {line.holder}")
            )
    return findings


def clock_findings(*, synchronised: bool) -> list[Finding]:
    """Whether dates can be believed; control needs none."""
    if synchronised:
        return [well("the clock is synchronised")]
    return [
        note(
            "the clock has not been set since the computer started; heat is not affected, dates "
            "in the log may be wrong until it is",
            "connect the network, or fit a clock with a battery",
        )
    ]


def disk_findings(disk: Disk) -> list[Finding]:
    """The folder of the log and the latches."""
    folder = disk.folder
    if not disk.exists:
        if disk.can_be_made:
            return [well(f"{folder} is not there yet; the first start makes it")]
        return [
            wrong(
                f"{folder} is not there and this user may not make it",
                "install the service, or make the folder and give it to the user of the service",
            )
        ]
    if disk.read_only:
        return [
            wrong(
                f"{folder} is on a disk that is mounted read-only: nothing can be logged, and "
                "there is no heat where a latch cannot be kept",
                "look for a worn-out card (dmesg); remount it for writing or change it",
            )
        ]
    if not disk.writable:
        return [
            wrong(
                f"this user may not write to {disk.barrier or folder}",
                "run the check as the user of the service, or give that user the folder",
            )
        ]
    left = f"{disk.free_bytes / 1e6:.0f} MB left on the disk of {folder}"
    if disk.free_bytes < TOO_LITTLE_BYTES or disk.no_more_files:
        more = ", and no more files fit" if disk.no_more_files else ""
        return [wrong(f"{left}{more}", "make room: the log and the latches need it")]
    if disk.free_bytes < LITTLE_BYTES:
        return [note(left, "make room before the season")]
    return [well(f"{folder} can be written to, {left}")]


@dataclass(frozen=True, slots=True)
class LatchView:
    """One latch file as it was found: its latches, or why it cannot be read."""

    owner: str
    exists: bool
    readable: bool
    latches: Mapping[str, Latch]
    error: LatchError | None = None


def latch_findings(views: Sequence[LatchView], *, fresh: bool) -> list[Finding]:
    """Whether a cutoff is latched.

    Args:
        views: the latch files.
        fresh: nothing was ever started here, so that there are none yet.
    """
    if fresh:
        return [well("no latch file yet; the first start makes them, clear")]
    findings: list[Finding] = []
    for view in views:
        if view.exists and not view.readable:
            findings.append(
                wrong(
                    f"the {view.owner}'s latch file may not be read by this user, so whether "
                    "heat is cut is not known",
                    "run the check with sudo, or as a member of the group bottomheat",
                )
            )
        elif view.error is not None:
            findings.append(wrong(*in_two(str(view.error))))
        elif not view.latches:
            findings.append(well(f"nothing latched by the {view.owner}"))
        for latch in view.latches.values():
            since = f" since {stamp(latch.wall_ms, None)}" if latch.wall_ms > 0 else ""
            findings.append(
                wrong(
                    f"{latch.chamber} is cut out by the {view.owner}{since}: {latch.cause}",
                    f"look at the box and the mat, then: bottomheat reset cutoff {latch.chamber}",
                )
            )
    return findings


def proof_findings(*, proved: bool | None) -> list[Finding]:
    """Whether each box was seen to answer to its own heat alone; None: this user may not see."""
    if proved is None:
        return [
            wrong(
                "the proof of the wiring may not be read by this user, so whether heat may flow "
                "is not known",
                "run the check with sudo, or as a member of the group bottomheat",
            )
        ]
    if proved:
        return [well("the wiring is proved: each box answers to its own heat")]
    return [
        wrong(
            "the wiring is not proved, so there is no heat yet",
            "with the service running and the boxes at rest: bottomheat prove",
        )
    ]


def service_findings(answer: Mapping[str, Any] | None, why_not: str = "") -> list[Finding]:
    """What the running service says of itself; alarms of latch and proof are told elsewhere."""
    if answer is None:
        return [wrong(*in_two(why_not))]
    age_s = answer.get("data_age_s")
    data = "no data yet" if age_s is None else f"data {duration(age_s)} old"
    findings = [well(f"the service has run for {duration(answer.get('running_s', 0))}, {data}")]
    if answer.get("hold"):
        findings.append(wrong(f"no heat: {answer['hold']}", "put that right"))
    boxes = answer.get("chambers") or []
    if boxes and all(box.get("keeper") is None for box in boxes):
        findings.append(
            wrong(
                "the keeper, which owns the relays, does not answer: no heat",
                "systemctl start bottomheat-keeper, or restart bottomheat run",
            )
        )
    for alarm in answer.get("alarms") or []:
        if alarm.get("alarm") in ("cutoff", "not-proved"):
            continue
        where = f"{alarm['chamber']}: " if alarm.get("chamber") else ""
        text, remedy = in_two(str(alarm.get("text") or alarm.get("alarm")))
        findings.append(wrong(f"alarm, {where}{text}", remedy or "bottomheat status says more"))
    return findings


def caution_findings() -> list[Finding]:
    """What no check of software can see."""
    return [
        note(
            "the mat must be safe without this software: its own thermal cutout and thermal fuse, "
            "a fuse, and an RCD, fitted to your local code by someone licensed to",
        ),
        note(
            "no software can open a welded contact: with one relay only the thermal cutout is "
            "left, and a second relay in series replaces neither that cutout nor fuse nor RCD",
        ),
    ]
