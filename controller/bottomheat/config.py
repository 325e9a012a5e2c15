"""The checked configuration.

``parse`` takes plain data (what the YAML loader made of the file) and either gives a frozen
``Config`` or every problem at once, each with its path.  Values are never clipped or coerced:
``callus_zone: "25"`` is refused, and so is a setpoint in °F.

Attribute names carry units, keys in the file do not: a grower writes ``callus_zone: 25.0``.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Annotated, Any, Literal, Self

from pydantic import (
    BaseModel,
    ConfigDict,
    Field,
    FiniteFloat,
    StringConstraints,
    ValidationError,
    model_validator,
)

from bottomheat.model import Place

Path = tuple[str | int, ...]

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

ProbeId = Annotated[str, StringConstraints(pattern=r"^[0-9a-f]{2}-[0-9a-f]{12}$")]


class _Section(BaseModel):
    model_config = ConfigDict(
        extra="forbid", frozen=True, strict=True, populate_by_name=True, hide_input_in_errors=True
    )


class Heater(_Section):
    """The mat and its relay."""

    gpio: int = Field(ge=2, le=27, description="GPIO number (BCM) of the relay's driver input")
    active_high: bool = Field(
        default=True, description="true: the relay closes when the line is high"
    )
    watts: FiniteFloat = Field(ge=5, le=400, description="rated power of the mat, W")
    relay: Literal["mechanical", "solid-state"] = Field(default="mechanical")
    rated_closings: int = Field(
        default=100_000, ge=1000, description="rated electrical life of the contact, closings"
    )
    window_s: FiniteFloat | None = Field(
        default=None, alias="window", ge=10, le=3600, description="time-proportioning window, s"
    )
    min_on_s: FiniteFloat | None = Field(
        default=None, alias="min_on", ge=0, le=900, description="shortest time closed, s"
    )
    min_off_s: FiniteFloat | None = Field(
        default=None, alias="min_off", ge=0, le=900, description="shortest time open, s"
    )
    full_power_rise_k: FiniteFloat | None = Field(
        default=None,
        alias="full_power_rise",
        gt=1,
        le=200,
        description="how far full power lifts the wet layer above the room in the end, K; "
        "leave out when not measured",
    )

    @property
    def window(self) -> float:
        """Time-proportioning window, s: 600 on a mechanical relay, 60 on a solid-state one."""
        return self.window_s or (600.0 if self.relay == "mechanical" else 60.0)

    @property
    def min_on(self) -> float:
        """Shortest closed time, s."""
        if self.min_on_s is not None:
            return self.min_on_s
        return 20.0 if self.relay == "mechanical" else 0.0

    @property
    def min_off(self) -> float:
        """Shortest open time, s."""
        if self.min_off_s is not None:
            return self.min_off_s
        return 20.0 if self.relay == "mechanical" else 0.0

    @model_validator(mode="after")
    def _times_fit(self) -> Self:
        if self.gpio == 4:
            raise ValueError("gpio 4 is the 1-Wire bus of the probes: put the relay on another line")
        if self.min_on + self.min_off > self.window:
            raise ValueError(
                f"min_on {self.min_on:g} s and min_off {self.min_off:g} s do not fit "
                f"in a window of {self.window:g} s"
            )
        return self


class Probes(_Section):
    """Which probe lies where."""

    substrate: ProbeId | Annotated[list[ProbeId], Field(min_length=1, max_length=2)]
    room: ProbeId | None = None
    mat: ProbeId | None = None
    callus: ProbeId | None = None
    top: ProbeId | None = None

    def by_place(self) -> dict[Place, str]:
        """Probe names by place; the control probe is always there."""
        layer = [self.substrate] if isinstance(self.substrate, str) else list(self.substrate)
        found = dict(zip((Place.SUBSTRATE, Place.SUBSTRATE_2), layer, strict=False))
        for place in (Place.ROOM, Place.MAT, Place.CALLUS, Place.TOP):
            name = getattr(self, place.value)
            if name is not None:
                found[place] = name
        return found


class FixedOffset(_Section):
    """Callus zone = wet layer minus a fixed number of kelvin: right at one room temperature."""

    method: Literal["fixed"]
    offset_k: FiniteFloat = Field(alias="kelvin", ge=0, le=15)
    calibrated: bool = False


class TemperatureFactor(_Section):
    """Callus zone = room + f x (wet layer - room) + intercept, each path with its own lag."""

    method: Literal["temperature-factor"]
    factor: FiniteFloat = Field(gt=0.2, le=1, description="temperature factor f, dimensionless")
    factor_uncertainty: FiniteFloat | None = Field(
        default=None, ge=0, le=0.3, description="standard uncertainty of f (k = 1)"
    )
    intercept_k: FiniteFloat = Field(default=0.0, alias="intercept", ge=-5, le=5)
    room_lag_h: FiniteFloat | None = Field(default=None, alias="room_lag", ge=0, le=12)
    substrate_lag_h: FiniteFloat | None = Field(default=None, alias="substrate_lag", ge=0, le=6)
    calibrated: bool = False


class Direct(_Section):
    """Callus zone = the probe in the medium, with the wet layer as inner loop."""

    method: Literal["direct"]
    factor: FiniteFloat = Field(default=0.75, gt=0.2, le=1)
    calibrated: bool = True


Offset = Annotated[FixedOffset | TemperatureFactor | Direct, Field(discriminator="method")]


class Limits(_Section):
    """Temperatures above which heat is cut and latched, °C."""

    substrate_c: FiniteFloat = Field(default=40.0, alias="substrate", ge=20, le=60)
    mat_c: FiniteFloat = Field(default=60.0, alias="mat", ge=25, le=90)
    callus_c: FiniteFloat = Field(default=30.0, alias="callus", ge=15, le=40)


class Pid(_Section):
    """Tunings of the wet-layer loop, where the defaults are not wanted."""

    gain_per_k: FiniteFloat | None = Field(
        default=None, alias="gain", gt=0, le=10, description="proportional gain, duty per K"
    )
    integral_h: FiniteFloat | None = Field(
        default=None, alias="integral_time", gt=0.05, le=24, description="integral time, h"
    )
    derivative_h: FiniteFloat = Field(
        default=0.0, alias="derivative_time", ge=0, le=4, description="derivative time, h"
    )


class SeriesRelay(_Section):
    """A second relay in series with the first, driven by the keeper's own probe alone."""

    gpio: int = Field(ge=2, le=27)
    active_high: bool = True


class KeeperSection(_Section):
    """What the keeper watches by itself."""

    probe: ProbeId | None = Field(
        default=None, description="the keeper's own mat probe; default: the mat probe"
    )
    series_relay: SeriesRelay | None = None


class ChamberConfig(_Section):
    """One box on one mat."""

    callus_zone_c: FiniteFloat = Field(
        alias="callus_zone", description="what the callus zone should feel, °C"
    )
    law: Literal["pid", "hysteresis"] = "pid"
    differential_k: FiniteFloat = Field(
        default=0.5, alias="differential", ge=0.1, le=5, description="on/off law: total width, K"
    )
    heater: Heater
    probes: Probes
    offset: Offset
    layer_ceiling_c: FiniteFloat = Field(default=34.0, alias="layer_ceiling", ge=10, le=50)
    limits: Limits = Limits()
    pid: Pid = Pid()
    keeper: KeeperSection = KeeperSection()

    @property
    def keeper_probe(self) -> str | None:
        """The probe that the keeper reads by itself, if any."""
        return self.keeper.probe or self.probes.mat


ChamberName = Annotated[str, StringConstraints(pattern=r"^[a-z0-9][a-z0-9-]{0,30}$")]


class Config(_Section):
    """The whole file."""

    log: str = "/var/lib/bottomheat/log.sqlite"
    run_folder: str = Field(
        default="/run/bottomheat", description="folder for sockets and the ring file (tmpfs)"
    )
    cycle_s: FiniteFloat = Field(default=10.0, alias="cycle", ge=2, le=60)
    w1_devices: str = "/sys/bus/w1/devices"
    coldest_room_c: FiniteFloat = Field(default=3.0, alias="coldest_room", ge=-30, le=30)
    chambers: Annotated[dict[ChamberName, ChamberConfig], Field(min_length=1, max_length=16)]
