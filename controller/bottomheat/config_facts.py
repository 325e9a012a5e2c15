"""What can be believed of a config that may be wrong in places."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, TypeVar

from pydantic import BaseModel, TypeAdapter, ValidationError

from bottomheat.config import (
    ChamberConfig,
    Config,
    Correction,
    Heater,
    KeeperSection,
    Limits,
    Offset,
    Path,
    Probes,
    Problem,
    SeriesRelay,
)
from bottomheat.config_sections import Model
from bottomheat.operating_point import rise_k_per_w
from bottomheat.protect.thresholds import LAYER_K_PER_W

_M = TypeVar("_M", bound=BaseModel)
_PROBE = re.compile(r"[0-9a-f]{2}-[0-9a-f]{12}")
_OFFSET: TypeAdapter[Offset] = TypeAdapter(Offset)


@dataclass(frozen=True, slots=True, kw_only=True)
class ChamberFacts:
    """One box: each fact is None where the file does not give it rightly."""

    name: str
    setpoint_c: float | None
    ceiling_c: float | None
    substrate_c: float | None
    mat_c: float | None
    callus_c: float | None
    offset: Offset | None
    offsets: Mapping[str, Offset]
    rise_k_per_w: float
    full_power_rise_k: float | None
    relay: str | None
    rated_closings: int | None
    window_s: float | None
    min_on_s: float | None
    min_off_s: float | None
    gpios: tuple[tuple[Path, int], ...]
    active_highs: Mapping[Path, bool]
    probes: Mapping[str, str]
    probe_claims: tuple[tuple[Path, str], ...]
    probes_read: bool
    has_keeper_probe: bool
    series_relay: bool
    in_use: bool
    by_batches: bool
    warms_fast: bool
    model: Model | None
    watts: float | None
    lead: str | None
    zone: str | None
    zone_height_mm: float | None

    def path(self, *keys: str | int) -> Path:
        """The path of a key of this box."""
        return ("chambers", self.name, *keys)

    def problem(self, keys: Path, message: str) -> Problem:
        """Say something about a key of this box."""
        return Problem(self.path(*keys), None, message)

    def has_probe(self, place: str) -> bool:
        """Whether a probe is named for a place."""
        return place in self.probes

    def active_high(self, gpio_path: Path) -> bool | None:
        """Which level closes the relay on this line."""
        return self.active_highs.get(gpio_path)


@dataclass(frozen=True, slots=True)
class HouseFacts:
    """The whole file."""

    cycle_s: float | None
    coldest_room_c: float | None
    corrections: Mapping[str, Correction]
    chambers: tuple[ChamberFacts, ...]


def facts_of(data: object) -> HouseFacts:
    """Collect what is right in plain data; never raises."""
    top = _right(Config, data, leave_out=("chambers", "corrections"))
    chambers = data.get("chambers") if isinstance(data, Mapping) else None
    boxes = chambers if isinstance(chambers, Mapping) else {}
    return HouseFacts(
        cycle_s=getattr(top, "cycle_s", None),
        coldest_room_c=getattr(top, "coldest_room_c", None),
        corrections=_corrections(_below(data, "corrections")),
        chambers=tuple(
            _chamber(name, box)
            for name, box in boxes.items()
            if isinstance(name, str) and isinstance(box, Mapping)
        ),
    )


def _chamber(name: str, data: Mapping[Any, Any]) -> ChamberFacts:
    offsets = ("offset", "offset_ajar", "offset_off")
    sections = ("heater", "probes", *offsets, "limits", "pid", "model", "keeper")
    box = _right(ChamberConfig, data, leave_out=sections)
    heater = _right(Heater, data.get("heater"))
    limits = _right(Limits, data.get("limits", {}))
    keeper = _right(KeeperSection, data.get("keeper", {}), leave_out=("series_relay",))
    series = _right(SeriesRelay, _below(data.get("keeper"), "series_relay"))
    window_s, min_on_s, min_off_s = _times(heater)
    here: Path = ("chambers", name)
    relays = (((*here, "heater"), heater), ((*here, "keeper", "series_relay"), series))
    gpios = [
        ((*path, "gpio"), relay) for path, relay in relays if isinstance(_of(relay, "gpio"), int)
    ]
    probes, claims = _probes(here, data.get("probes"), _of(keeper, "probe"))
    return ChamberFacts(
        name=name,
        setpoint_c=_of(box, "callus_zone_c"),
        ceiling_c=_of(box, "layer_ceiling_c"),
        substrate_c=_of(limits, "substrate_c"),
        mat_c=_of(limits, "mat_c"),
        callus_c=_of(limits, "callus_c"),
        offset=_offset(data.get("offset")),
        offsets={key: right for key in offsets if (right := _offset(data.get(key))) is not None},
        rise_k_per_w=_rise_k_per_w(data.get("heater"), data.get("model")),
        full_power_rise_k=_of(heater, "full_power_rise_k")
        or _modelled_k(data.get("model"), heater),
        relay=_of(heater, "relay"),
        rated_closings=_of(heater, "rated_closings"),
        window_s=window_s,
        min_on_s=min_on_s,
        min_off_s=min_off_s,
        gpios=tuple((path, _of(relay, "gpio")) for path, relay in gpios),
        active_highs={
            path: level
            for path, relay in gpios
            if isinstance(level := _of(relay, "active_high"), bool)
        },
        probes=probes,
        probe_claims=claims,
        probes_read=_whole(Probes, data.get("probes")),
        has_keeper_probe=_of(keeper, "probe") is not None,
        series_relay=series is not None,
        in_use=_of(box, "in_use") is not False,
        by_batches=_of(box, "setpoint_by") != "config",
        warms_fast=_of(box, "warm_up") == "fast",
        model=_model(data.get("model")),
        watts=_of(heater, "watts"),
        lead=_of(box, "lead"),
        zone=_of(box, "zone"),
        zone_height_mm=_of(box, "zone_height_mm"),
    )


def _of(section: object, name: str) -> Any:
    return getattr(section, name, None)


def _below(data: object, key: str) -> object:
    return data.get(key) if isinstance(data, Mapping) else None


def _right(model: type[_M], data: object, leave_out: tuple[str, ...] = ()) -> _M | None:
    """A section with what is right in it and its defaults; a key that is wrong has no attribute."""
    if not isinstance(data, Mapping):
        return None
    keys = {field.alias or name: name for name, field in model.model_fields.items()}
    given = {k: v for k, v in data.items() if k in keys and k not in leave_out}
    wrong: set[object] = set(leave_out)
    try:
        model.model_validate(given, by_alias=True, by_name=False)
    except ValidationError as error:
        wrong |= {entry["loc"][0] for entry in error.errors() if entry["loc"]}
    made = model.model_construct(**{keys[k]: v for k, v in given.items() if k not in wrong})
    for key, name in keys.items():
        if key in wrong:
            made.__dict__.pop(name, None)
    return made


def _whole(model: type[BaseModel], data: object) -> bool:
    try:
        model.model_validate(data, by_alias=True, by_name=False)
    except ValidationError:
        return False
    return True


def _offset(data: object) -> Offset | None:
    try:
        return _OFFSET.validate_python(data, by_alias=True, by_name=False)
    except ValidationError:
        return None


def _rise_k_per_w(heater: object, model: object) -> float:
    """Of heater and model as they are written; the nominal box's where that is wrong."""
    try:
        right = Heater.model_validate(heater, by_alias=True, by_name=False)
    except ValidationError:
        return LAYER_K_PER_W
    return rise_k_per_w(right, _model(model))


def _modelled_k(data: object, heater: Heater | None) -> float | None:
    """What full power does by the model that was found of the box, K."""
    model, watts = _model(data), _of(heater, "watts")
    return None if model is None or watts is None else float(model.gain_k_per_w * watts)


def _model(data: object) -> Model | None:
    try:
        return Model.model_validate(data, by_alias=True, by_name=False)
    except ValidationError:
        return None


def _corrections(data: object) -> Mapping[str, Correction]:
    """Those of the corrections that are right."""
    found: dict[str, Correction] = {}
    for probe, each in data.items() if isinstance(data, Mapping) else ():
        if not isinstance(probe, str) or not _PROBE.fullmatch(probe):
            continue
        try:
            found[probe] = Correction.model_validate(each, by_alias=True, by_name=False)
        except ValidationError:
            continue
    return found


def _times(heater: Heater | None) -> tuple[float | None, float | None, float | None]:
    """Window and shortest times, s; None where they, or the relay that sets them, are wrong."""
    if heater is None:
        return None, None, None
    named = {"window_s", "min_on_s", "min_off_s", "relay"}
    if not named <= heater.__dict__.keys():
        return None, None, None
    return heater.window, heater.min_on, heater.min_off


def _probes(
    here: Path, data: object, keeper_probe: object
) -> tuple[Mapping[str, str], tuple[tuple[Path, str], ...]]:
    """Probes by place, and every claim to a probe but the keeper's to its own box's mat probe."""
    section = _right(Probes, data)
    named: dict[str, str] = {}
    claims: list[tuple[Path, str]] = []
    layer = _of(section, "substrate")
    for number, probe in enumerate([layer] if isinstance(layer, str) else layer or ()):
        at: Path = ("substrate",) if isinstance(layer, str) else ("substrate", number)
        named.setdefault("substrate", probe)
        claims.append(((*here, "probes", *at), probe))
    for place in ("room", "mat", "callus", "top"):
        probe = _of(section, place)
        if isinstance(probe, str):
            named[place] = probe
            claims.append(((*here, "probes", place), probe))
    if isinstance(keeper_probe, str) and keeper_probe != named.get("mat"):
        claims.append(((*here, "keeper", "probe"), keeper_probe))
    return named, tuple(claims)
