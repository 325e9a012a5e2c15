"""What is wired to what: the part of a config that a change needs a restart and a proof for."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from dataclasses import asdict, dataclass

from pydantic import ValidationError

from bottomheat.alike import alike
from bottomheat.config import ChamberConfig, Config, Heater, KeeperSection, Probes, SeriesRelay


@dataclass(frozen=True, slots=True, kw_only=True)
class ChamberWiring:
    """Relay lines and probes of one box.  ``probes`` holds (place, probe) pairs."""

    chamber: str
    gpio: int
    active_high: bool
    probes: tuple[tuple[str, str], ...]
    keeper_probe: str | None
    series_gpio: int | None
    series_active_high: bool | None


def wiring(config: Config) -> tuple[ChamberWiring, ...]:
    """List what is wired to what, by the name of the box."""
    return tuple(
        _wired(name, box.heater.gpio, box.heater.active_high, box.probes, box.keeper)
        for name, box in sorted(config.chambers.items())
    )


def fingerprint(config: Config) -> str:
    """Hash the wiring: SHA-256, hex.

    It changes when a line, its level, a probe or the keeper's own wiring changes, or a box comes
    or goes; not when a temperature does.
    """
    return _hash(wiring(config))


def fingerprint_of_data(data: object) -> str | None:
    """Hash the wiring of plain data that may be refused for other reasons; never raises.

    None where the wiring cannot be read with certainty: something in a wiring section is wrong, or
    a key that nobody knows may have been meant for the wiring.
    """
    boxes = data.get("chambers") if isinstance(data, Mapping) else None
    if not isinstance(boxes, Mapping) or not boxes:
        return None
    found: list[ChamberWiring] = []
    for name, box in boxes.items():
        wired = _wired_data(name, box)
        if wired is None:
            return None
        found.append(wired)
    return _hash(tuple(sorted(found, key=lambda one: one.chamber)))


def _hash(wired: tuple[ChamberWiring, ...]) -> str:
    plain = json.dumps([asdict(one) for one in wired], sort_keys=True, separators=(",", ":"))
    return hashlib.sha256(plain.encode()).hexdigest()


def _wired(
    name: str, gpio: int, active_high: bool, probes: Probes, keeper: KeeperSection
) -> ChamberWiring:
    series = keeper.series_relay
    return ChamberWiring(
        chamber=name,
        gpio=gpio,
        active_high=active_high,
        probes=tuple((place.value, probe) for place, probe in probes.by_place().items()),
        keeper_probe=keeper.probe or probes.mat,
        series_gpio=None if series is None else series.gpio,
        series_active_high=None if series is None else series.active_high,
    )


def _wired_data(name: object, box: object) -> ChamberWiring | None:
    if not isinstance(name, str) or not isinstance(box, Mapping):
        return None
    if not _strangers_are_harmless(box, set(_keys(ChamberConfig)), {"heater", "probes", "keeper"}):
        return None
    heater = box.get("heater")
    if not isinstance(heater, Mapping):
        return None
    line_keys = {"gpio", "active_high"}
    if not _strangers_are_harmless(heater, set(_keys(Heater)), line_keys):
        return None
    try:
        line = SeriesRelay.model_validate({k: v for k, v in heater.items() if k in line_keys})
        probes = Probes.model_validate(box.get("probes"))
        keeper = KeeperSection.model_validate(box.get("keeper", {}))
    except ValidationError:
        return None
    return _wired(name, line.gpio, line.active_high, probes, keeper)


def _keys(section: type[Heater] | type[ChamberConfig]) -> list[str]:
    return [field.alias or name for name, field in section.model_fields.items()]


def _strangers_are_harmless(
    section: Mapping[object, object], known: set[str], of_wiring: set[str]
) -> bool:
    """Whether no unknown key can have been meant for the wiring.

    A misspelt setpoint is harmless, a misspelt probe or a whole unknown section is not.
    """
    for key, value in section.items():
        if key in known:
            continue
        near = alike(str(key).lower(), known)
        if isinstance(value, Mapping | list) or not near or near[0] in of_wiring:
            return False
    return True
