"""The checked configuration: what each key means, its unit and its bounds.

``config_parse.parse`` makes a ``Config`` from plain data (what the YAML loader made of the file),
or says everything that is wrong at once.  Values are never clipped or coerced: a quoted number is
refused, and so is a setpoint in °F.  A ``Config`` built any other way has had the bounds of its
fields checked and nothing else; the rules across fields are in ``config_check``.

Attribute names carry units, keys in the file do not: a grower writes ``callus_zone: 25.0``.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Annotated, Literal

from pydantic import Field, FiniteFloat, StringConstraints

from bottomheat.config_alarms import Alerts, Helper, Sounder
from bottomheat.config_season import (
    BatchName,
    OwnNeeds,
    OwnSpecies,
    SeasonSection,
    WrittenBatch,
    ZoneName,
)
from bottomheat.config_sections import (
    BoxModel,
    Correction,
    Direct,
    FixedOffset,
    Gpio,
    Heater,
    HeatFlow,
    Offset,
    ProbeId,
    Probes,
    Section,
    TemperatureFactor,
)
from bottomheat.protect.tending import Lid

__all__ = [
    "LIMIT_MARGIN_K",
    "MAT_RIPPLE_K",
    "MAT_RISE_PER_LAYER_RISE",
    "TOO_COLD_TO_CALLUS_C",
    "TOO_HOT_FOR_CUTTINGS_C",
    "Alerts",
    "BatchName",
    "ChamberConfig",
    "ChamberName",
    "Config",
    "Correction",
    "Direct",
    "FixedOffset",
    "HeatFlow",
    "Heater",
    "Helper",
    "KeeperSection",
    "Limits",
    "LineOf",
    "Offset",
    "OwnNeeds",
    "OwnSpecies",
    "Parsed",
    "Path",
    "Pid",
    "ProbeId",
    "Probes",
    "Problem",
    "SeasonSection",
    "Section",
    "SeriesRelay",
    "Sounder",
    "TemperatureFactor",
    "WrittenBatch",
]

Path = tuple[str | int, ...]

LineOf = Callable[[Path], int | None] | Mapping[Path, int]
"""Where a key stands in the file: 1-based line of a path, None or missing where not known."""

MAT_RISE_PER_LAYER_RISE = 1.74
"""(T_mat - T_room)/(T_substrate - T_room) in steady state: 1.24/0.71 K/W of a 45 W mat under
25 mm of damp vermiculite, calculated from handbook properties, not measured on a box."""

MAT_RIPPLE_K = 3.0
"""Half the mat's swing within a 10-minute window at half power, same calculation (5.6 K in all)."""

LIMIT_MARGIN_K = 3.0
"""The law stays this far below a limit, so that reaching a limit is a fault."""

TOO_HOT_FOR_CUTTINGS_C = 30.0
"""Prolonged warmth that callus of the usual species does not stand (grape 29 °C ceiling: Hartmann &
Kester, Plant Propagation, grafting chapter, second hand)."""

TOO_COLD_TO_CALLUS_C = 5.0
"""Below this nothing that wants bottom heat grows; a setpoint there is a slip (judgement)."""


@dataclass(frozen=True, slots=True)
class Problem:
    """One thing that is wrong, or that a grower should know, and where it stands."""

    path: Path
    line: int | None
    message: str

    @property
    def where(self) -> str:
        """The path as a grower would say it; empty for the file as a whole."""
        parts = (f" no. {p + 1}" if isinstance(p, int) else f".{p[:40]}" for p in self.path)
        said = "".join(parts).removeprefix(".")
        return "".join(c if c.isprintable() else "?" for c in said)

    def text(self, file: str = "") -> str:
        """Write it on one line: ``FILE line 12: chambers.north-bench.callus_zone: ...``."""
        line = f"line {self.line}" if self.line is not None else ""
        parts = (f"{file} {line}".strip(), self.where, self.message)
        return ": ".join(part for part in parts if part)


class Limits(Section):
    """Temperatures above which heat is cut and latched, °C."""

    substrate_c: FiniteFloat = Field(
        default=40.0,
        alias="substrate",
        ge=20,
        le=60,
        description="wet layer, °C",
        examples=[40],
    )
    mat_c: FiniteFloat = Field(
        default=60.0,
        alias="mat",
        ge=25,
        le=90,
        description="mat surface, °C; from the rating of its maker",
        examples=[60],
    )
    callus_c: FiniteFloat = Field(
        default=30.0, alias="callus", ge=15, le=40, description="callus zone, °C", examples=[30]
    )


class Pid(Section):
    """Tunings of the wet-layer loop, where the defaults are not wanted."""

    gain_per_k: FiniteFloat | None = Field(
        default=None,
        alias="gain",
        gt=0,
        le=10,
        description="proportional gain, duty per K",
        examples=[0.3],
    )
    integral_h: FiniteFloat | None = Field(
        default=None,
        alias="integral_time",
        gt=0.05,
        le=24,
        description="integral time, h",
        examples=[2.0],
    )
    derivative_h: FiniteFloat | None = Field(
        default=None,
        alias="derivative_time",
        ge=0,
        le=4,
        description="derivative time, h",
        examples=[0.0],
    )


class SeriesRelay(Section):
    """A second relay in series with the first, driven by the keeper's own probe alone."""

    gpio: Gpio = Field(description="GPIO number (BCM) of the second relay's driver input")
    active_high: bool = Field(
        default=True, description="true: the relay closes when the line is high"
    )


class KeeperSection(Section):
    """What the keeper watches by itself."""

    probe: ProbeId | None = Field(
        default=None, description="the keeper's own mat probe; default: the mat probe"
    )
    series_relay: SeriesRelay | None = Field(
        default=None, description="a second relay in series with the first"
    )


class ChamberConfig(Section):
    """One box on one mat."""

    callus_zone_c: FiniteFloat = Field(
        alias="callus_zone",
        ge=TOO_COLD_TO_CALLUS_C,
        le=TOO_HOT_FOR_CUTTINGS_C,
        description="what the callus zone should feel, °C",
        examples=[25],
    )
    law: Literal["pid", "hysteresis"] = Field(
        default="pid", description="control method: pid, or hysteresis for on/off"
    )
    differential_k: FiniteFloat = Field(
        default=0.25,
        alias="differential",
        ge=0.1,
        le=5,
        description="on/off law: total width, K",
        examples=[0.5],
    )
    heater: Heater
    probes: Probes
    offset: Offset
    offset_ajar: Offset | None = Field(
        default=None, description="the offset with the lid ajar, from a calibration of its own"
    )
    offset_off: Offset | None = Field(
        default=None, description="the offset with the lid off, from a calibration of its own"
    )
    layer_ceiling_c: FiniteFloat = Field(
        default=34.0,
        alias="layer_ceiling",
        ge=10,
        le=50,
        description="highest temperature that is asked of the wet layer, for the roots, °C",
        examples=[34],
    )
    limits: Limits = Limits()
    pid: Pid = Pid()
    model: BoxModel | None = Field(
        default=None, description="how the box answers heat and room, from bottomheat identify"
    )
    warm_up: Literal["gentle", "fast"] = Field(
        default="gentle",
        description="gentle: the wet layer never warmer than the callus zone needs; fast: full "
        "power under the mat limit and the ceiling until the model says so, then hold",
    )
    keeper: KeeperSection = KeeperSection()
    frost_guard: bool = Field(
        default=False,
        description="with the wet-layer probe lost and room and mat probe good, keep the bed a "
        "few degrees above freezing at a bounded duty",
    )
    helper: Helper | None = Field(
        default=None, description="what a helper does for this box, instead of the house's"
    )
    in_use: bool = Field(
        default=True, description="false: no heat, and nothing is said of missing heat"
    )
    setpoint_by: Literal["batches", "config"] = Field(
        default="batches",
        description="batches: by what lies in the box; config: callus_zone whatever lies in it",
    )
    lead: BatchName | None = Field(
        default=None,
        description="the batch that the temperature goes by; left out, the youngest that is "
        "still callusing",
        examples=["GRP-2"],
    )
    zone: ZoneName | None = Field(
        default=None,
        description="what lies where the callus zone was calibrated: base of the cuttings, or "
        "union of grafts; left out, base",
    )
    zone_height_mm: FiniteFloat | None = Field(
        default=None,
        alias="zone_height",
        ge=0,
        le=500,
        description="how high above the wet layer the callus zone was calibrated, mm",
        examples=[30],
    )

    @property
    def keeper_probe(self) -> str | None:
        """The probe that the keeper reads by itself, if any."""
        return self.keeper.probe or self.probes.mat

    def offset_with(self, lid: Lid) -> tuple[Offset, bool]:
        """The offset for a position of the lid, and whether it is that position's own."""
        own = {Lid.ON: self.offset, Lid.AJAR: self.offset_ajar, Lid.OFF: self.offset_off}[lid]
        return (self.offset, False) if own is None else (own, True)


ChamberName = Annotated[str, StringConstraints(pattern=r"^[a-z0-9][a-z0-9-]{0,30}$")]


class Config(Section):
    """The whole file."""

    log: str = Field(
        default="/var/lib/bottomheat/log.sqlite",
        description="file of the log",
        examples=["/var/lib/bottomheat/log.sqlite"],
    )
    keep_raw_days: int = Field(
        default=14,
        ge=2,
        le=3650,
        description="every reading stays in the log for so many days, and for good from a day "
        "before to a day after each alarm; then one row a minute, after six weeks one each ten "
        "minutes; counts from the next start, days",
        examples=[14],
    )
    run_folder: str = Field(
        default="/run/bottomheat",
        description="folder for sockets and the ring file (tmpfs)",
        examples=["/run/bottomheat"],
    )
    cycle_s: FiniteFloat = Field(
        default=10.0,
        alias="cycle",
        ge=2,
        le=60,
        description="how often the probes are read and the heat decided, s",
        examples=[10],
    )
    w1_devices: str = Field(
        default="/sys/bus/w1/devices",
        description="folder where the kernel shows the probes",
        examples=["/sys/bus/w1/devices"],
    )
    coldest_room_c: FiniteFloat = Field(
        default=3.0,
        alias="coldest_room",
        ge=-30,
        le=30,
        description="coldest room to be ready for, °C; used to check limits and capacity only",
        examples=[3],
    )
    corrections: dict[ProbeId, Correction] = Field(
        default={},
        description="what is added to a probe's readings before everything else, by its name",
    )
    sounder: Sounder | None = Field(
        default=None, description="a buzzer or lamp in the shed, driven by the keeper"
    )
    alerts: Alerts | None = Field(default=None, description="how alarms leave the shed")
    helper: Helper = Field(
        default=Helper(), description="what a helper does when an alarm reaches him or her"
    )
    chambers: Annotated[dict[ChamberName, ChamberConfig], Field(min_length=1, max_length=16)] = (
        Field(description="the boxes, by name: small letters, digits and hyphens")
    )

    season: SeasonSection = Field(default=SeasonSection(), description="what holds for all batches")
    batches: dict[BatchName, WrittenBatch] = Field(
        default={}, description="batches, by name; they may also be added by command"
    )

    def add_k(self, probe: str) -> float:
        """What is added to a probe's readings, K; 0 where it was not compared."""
        correction = self.corrections.get(probe)
        return 0.0 if correction is None else correction.add_k


@dataclass(frozen=True, slots=True)
class Parsed:
    """What came of a file: a config, or every reason why not; and what to know in either case."""

    config: Config | None
    problems: tuple[Problem, ...]
    warnings: tuple[Problem, ...]
