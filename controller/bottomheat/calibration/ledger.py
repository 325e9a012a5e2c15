"""What is kept of a calibration: a reading, what the probes showed then, and how steady it was.

The pairing is kept with the reading, because the log thins its old rows and a reading has to stay
usable for years.  All temperatures °C, as corrected by the config of that time.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, dataclass, fields
from typing import Any

MIDDLE = "middle"
USUAL_SPOT = MIDDLE
"""Where a reading is taken unless said otherwise: at base depth, in the middle of the box."""


@dataclass(frozen=True, slots=True)
class Pairing:
    """What the log knew at the time of a reading.

    Attributes:
        substrate_c: wet layer that control goes by, mean of some minutes, °C.
        room_c: room, the same, or None without a room probe.
        lagged_substrate_c: wet layer as the callus zone sees it (first-order lag), °C.
        lagged_room_c: room as the callus zone sees it, °C.
        power_w: mean heater power over the bed's memory, W; None where it was not known.
        steadiness_k: standard uncertainty from weather and warm-up, K: how much the answer
            depends on the lags.
        hours: length of the record before the reading that it rests on, h.
        steady: whether the reading may enter a fit.
        why: what was not steady, in words for the grower; empty where it was.
        room_lag_h: lag that was used on the room, h.
        substrate_lag_h: lag that was used on the wet layer, h.
        memory_h: memory that was used for the power, h.
        estimate_c: what the service took the callus zone for, °C.
        expanded_k: its expanded uncertainty (k = 2), K.
        calibrated: the offset of that time came from a calibration of this position of the lid.
        probes: name of the probe at each place ("substrate", "room" ...).
        corrections_k: what was added to each of these places' readings then, K.
    """

    substrate_c: float
    room_c: float | None
    lagged_substrate_c: float
    lagged_room_c: float | None
    power_w: float | None
    steadiness_k: float
    hours: float
    steady: bool
    why: str
    room_lag_h: float
    substrate_lag_h: float
    memory_h: float
    estimate_c: float | None
    expanded_k: float | None
    calibrated: bool
    probes: Mapping[str, str]
    corrections_k: Mapping[str, float]


@dataclass(frozen=True, slots=True)
class ReferenceEntry:
    """A reading of a trusted thermometer at the callus zone, on its way into the log.

    Attributes:
        chamber: name of the box.
        spot: where in the box: "middle", "corner", or the grower's word.
        lid: how the lid lay: "on", "ajar" or "off".
        reading_c: the thermometer, °C.
        expanded_k: its expanded uncertainty (k = 2), K.
        note: the grower's, and the depth.
        ago_s: how long before the entry the reading was taken, s.
        pairing: what the log knew then.
    """

    chamber: str
    spot: str
    lid: str
    reading_c: float
    expanded_k: float
    note: str
    ago_s: float
    pairing: Pairing


@dataclass(frozen=True, slots=True)
class ProbeCheck:
    """A comparison of a probe with something trusted, on its way into the log.

    Attributes:
        probe: its name.
        how: "ice point", "against" or "jar".
        add_k: what has to be added to its uncorrected reading, K.
        uncertainty_k: standard uncertainty of the corrected reading (k = 1), K.
        at_c: temperature at which it was compared, °C.
        note: the grower's.
    """

    probe: str
    how: str
    add_k: float
    uncertainty_k: float
    at_c: float
    note: str


@dataclass(frozen=True, slots=True)
class Reference:
    """A reading in the ledger.

    Attributes:
        number: what ``drop`` calls it by.
        wall_ms: when it was taken, UTC ms since 1970.
        sure: a synchronised clock ties that time.
        entry: the reading itself; its ``ago_s`` is already in ``wall_ms``.
        dropped: why it was dropped; None where it stands.
    """

    number: int
    wall_ms: int
    sure: bool
    entry: ReferenceEntry
    dropped: str | None


def to_plain(pairing: Pairing) -> dict[str, Any]:
    """The pairing as plain JSON data."""
    return asdict(pairing)


def from_plain(data: object) -> Pairing:
    """The pairing that plain JSON data holds.

    Raises:
        ValueError: it is not one: a key is missing or unknown, or a value is of the wrong kind.
    """
    if not isinstance(data, Mapping) or set(data) != {field.name for field in fields(Pairing)}:
        raise ValueError("not a pairing")
    for name, value in data.items():
        good = {
            "why": isinstance(value, str),
            "steady": isinstance(value, bool),
            "calibrated": isinstance(value, bool),
            "probes": _maps(value, str),
            "corrections_k": _maps(value, float),
        }.get(name, _number(value) or (value is None and name in _MAY_BE_NONE))
        if not good:
            raise ValueError(f"not a pairing: {name}")
    return Pairing(**data)


_MAY_BE_NONE = frozenset({"room_c", "lagged_room_c", "power_w", "estimate_c", "expanded_k"})


def _number(value: object) -> bool:
    return (
        isinstance(value, int | float)
        and not isinstance(value, bool)
        and abs(value) < 1e6  # false for a nan, and safe for an int of any length
    )


def _maps(value: object, kind: type) -> bool:
    return isinstance(value, Mapping) and all(
        isinstance(key, str) and (_number(each) if kind is float else isinstance(each, kind))
        for key, each in value.items()
    )
