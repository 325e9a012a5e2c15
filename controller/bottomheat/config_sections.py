"""The parts of a chamber's config that describe what is built: heater, probes, offset."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import (
    AfterValidator,
    BaseModel,
    ConfigDict,
    Field,
    FiniteFloat,
    StringConstraints,
)

from bottomheat.model import Place
from bottomheat.response import Response

_CALIBRATED = "true once the offset comes from readings in this box; narrows the uncertainty"

ProbeId = Annotated[
    str,
    StringConstraints(pattern=r"^[0-9a-f]{2}-[0-9a-f]{12}$"),
    Field(examples=["28-000000000001"]),
]


def _not_the_bus(gpio: int) -> int:
    if gpio == 4:
        raise ValueError(
            "gpio 4 is the 1-Wire bus of the probes; put the relay on another line, 9 to 27"
        )
    return gpio


Gpio = Annotated[int, Field(ge=2, le=27, examples=[17]), AfterValidator(_not_the_bus)]


class Section(BaseModel):
    """What every section is: frozen, strict, with no unknown key."""

    model_config = ConfigDict(
        extra="forbid", frozen=True, strict=True, populate_by_name=True, hide_input_in_errors=True
    )


class Heater(Section):
    """The mat and its relay."""

    gpio: Gpio = Field(description="GPIO number (BCM) of the relay's driver input")
    active_high: bool = Field(
        default=True, description="true: the relay closes when the line is high"
    )
    watts: FiniteFloat = Field(ge=5, le=400, description="rated power of the mat, W", examples=[45])
    relay: Literal["mechanical", "solid-state"] = Field(
        default="mechanical", description="kind of relay; sets window, min_on and min_off"
    )
    rated_closings: int = Field(
        default=100_000,
        ge=1000,
        description="rated electrical life of the contact at the mat's load, closings",
        examples=[100_000],
    )
    window_s: FiniteFloat | None = Field(
        default=None,
        alias="window",
        ge=10,
        le=3600,
        description="time-proportioning window, s; 600 on a mechanical relay, 60 on a solid-state",
        examples=[600],
    )
    min_on_s: FiniteFloat | None = Field(
        default=None,
        alias="min_on",
        ge=0,
        le=900,
        description="shortest time closed, s; 20 on a mechanical relay, 0 on a solid-state one",
        examples=[20],
    )
    min_off_s: FiniteFloat | None = Field(
        default=None,
        alias="min_off",
        ge=0,
        le=900,
        description="shortest time open, s; 20 on a mechanical relay, 0 on a solid-state one",
        examples=[20],
    )
    full_power_rise_k: FiniteFloat | None = Field(
        default=None,
        alias="full_power_rise",
        gt=1,
        le=200,
        description="how far full power lifts the wet layer above the room in the end, K; "
        "leave out when not measured",
        examples=[32],
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


class Probes(Section):
    """Which probe lies where: the name of its folder in the 1-Wire devices folder."""

    substrate: ProbeId | Annotated[list[ProbeId], Field(min_length=1, max_length=2)] = Field(
        description="the control probe on the wet layer; one name, or two in brackets"
    )
    room: ProbeId | None = Field(default=None, description="in the air beside the box, shaded")
    mat: ProbeId | None = Field(default=None, description="on the mat's surface, under the box")
    callus: ProbeId | None = Field(
        default=None, description="in the medium at the height of the callus"
    )
    top: ProbeId | None = Field(default=None, description="in the air at the height of the buds")

    def by_place(self) -> dict[Place, str]:
        """Probe names by place; the control probe is always there."""
        layer = [self.substrate] if isinstance(self.substrate, str) else list(self.substrate)
        found = dict(zip((Place.SUBSTRATE, Place.SUBSTRATE_2), layer, strict=False))
        for place in (Place.ROOM, Place.MAT, Place.CALLUS, Place.TOP):
            name = getattr(self, place.value)
            if name is not None:
                found[place] = name
        return found


class Correction(Section):
    """What has to be added to a probe's own reading, found by a comparison."""

    add_k: FiniteFloat = Field(
        alias="add",
        ge=-2,
        le=2,
        description="what is added to every reading of this probe, K",
        examples=[0.19],
    )
    uncertainty_k: FiniteFloat = Field(
        default=0.06,
        alias="uncertainty",
        ge=0,
        le=1,
        description="standard uncertainty of the corrected reading (k = 1), K",
        examples=[0.06],
    )
    apart_k: FiniteFloat | None = Field(
        default=None,
        alias="apart",
        ge=0,
        le=1,
        description="standard uncertainty (k = 1) of its difference from the others in the "
        "same jar, K; leave out when there was none",
        examples=[0.04],
    )


class Calibrated(Section):
    """What every offset method may carry from a calibration."""

    uncertainty_k: FiniteFloat | None = Field(
        default=None,
        alias="uncertainty",
        ge=0,
        le=3,
        description="standard uncertainty (k = 1) of the callus zone at the calibrated spot, "
        "in the weather that the readings were taken in, K",
        examples=[0.12],
    )
    zone_uncertainty_k: FiniteFloat | None = Field(
        default=None,
        alias="zone_uncertainty",
        ge=0,
        le=3,
        description="standard uncertainty (k = 1) for the spread between the spots of the box, K",
        examples=[0.2],
    )
    calibrated: bool = Field(default=False, description=_CALIBRATED)


class FixedOffset(Calibrated):
    """Callus zone = wet layer minus a fixed number of kelvin: right at one room temperature."""

    method: Literal["fixed"]
    offset_k: FiniteFloat = Field(
        alias="kelvin",
        ge=0,
        le=15,
        description="how much cooler the callus zone is than the wet layer, K",
        examples=[1.5],
    )
    measured_room_c: FiniteFloat | None = Field(
        default=None,
        alias="measured_room",
        ge=-30,
        le=40,
        description="room that the offset was measured in, °C; it is right there alone",
        examples=[17],
    )


class TemperatureFactor(Calibrated):
    """Callus zone = room + f x (wet layer - room) + intercept, each path with its own lag."""

    method: Literal["temperature-factor"]
    factor: FiniteFloat = Field(
        gt=0.2, le=1, description="temperature factor f, dimensionless", examples=[0.75]
    )
    factor_uncertainty: FiniteFloat | None = Field(
        default=None,
        ge=0,
        le=0.3,
        description="standard uncertainty of f (k = 1), dimensionless",
        examples=[0.02],
    )
    measured_difference_k: FiniteFloat | None = Field(
        default=None,
        alias="measured_difference",
        ge=-50,
        le=100,
        description="wet layer less room at which the callus zone is known best, K; "
        "uncertainty counts there, and factor_uncertainty adds to it away from there",
        examples=[9.5],
    )
    intercept_k: FiniteFloat = Field(
        default=0.0,
        alias="intercept",
        ge=-5,
        le=5,
        description="constant part found by a calibration at two room temperatures, K",
        examples=[0.0],
    )
    room_lag_h: FiniteFloat | None = Field(
        default=None,
        alias="room_lag",
        ge=0,
        le=12,
        description="how late the callus zone follows the room, h; leave out when not measured",
        examples=[1.0],
    )
    substrate_lag_h: FiniteFloat | None = Field(
        default=None,
        alias="substrate_lag",
        ge=0,
        le=6,
        description="how late the callus zone follows the wet layer, h; "
        "leave out when not measured",
        examples=[0.5],
    )


class HeatFlow(Calibrated):
    """Callus zone = wet layer - R x mean heater power + intercept: needs no room probe."""

    method: Literal["heat-flow"]
    resistance_k_per_w: FiniteFloat = Field(
        alias="resistance",
        gt=0,
        le=2,
        description="R, how much cooler the callus zone is for every watt of mean power, K/W",
        examples=[0.18],
    )
    resistance_uncertainty_k_per_w: FiniteFloat | None = Field(
        default=None,
        alias="resistance_uncertainty",
        ge=0,
        le=1,
        description="standard uncertainty of R (k = 1), K/W",
        examples=[0.02],
    )
    measured_power_w: FiniteFloat | None = Field(
        default=None,
        alias="measured_power",
        ge=-100,
        le=800,
        description="mean power at which the callus zone is known best, W; uncertainty counts "
        "there, and resistance_uncertainty adds to it away from there",
        examples=[15],
    )
    intercept_k: FiniteFloat = Field(
        default=0.0,
        alias="intercept",
        ge=-5,
        le=5,
        description="constant part found by a calibration at two room temperatures, K",
        examples=[0.0],
    )
    memory_h: FiniteFloat | None = Field(
        default=None,
        alias="memory",
        ge=0.2,
        le=24,
        description="how long the bed remembers power, h; leave out when not measured",
        examples=[4.0],
    )


class Direct(Section):
    """Callus zone = the probe in the medium, with the wet layer as inner loop."""

    method: Literal["direct"]
    factor: FiniteFloat = Field(
        default=0.75,
        gt=0.2,
        le=1,
        description="temperature factor f for the inner loop, dimensionless",
        examples=[0.75],
    )
    zone_uncertainty_k: FiniteFloat | None = Field(
        default=None,
        alias="zone_uncertainty",
        ge=0,
        le=3,
        description="standard uncertainty (k = 1) for the spread between the spots of the box, K",
        examples=[0.2],
    )
    calibrated: bool = Field(default=True, description=_CALIBRATED)


Offset = Annotated[
    FixedOffset | TemperatureFactor | HeatFlow | Direct, Field(discriminator="method")
]


class Model(Section):
    """How the box answers heat and room, as ``identify`` found it; what feed-forward goes by."""

    gain_k_per_w: FiniteFloat = Field(
        alias="gain",
        ge=0.05,
        le=5,
        description="how far a watt of mean power lifts the wet layer in the end, K/W",
        examples=[0.71],
    )
    slow_h: FiniteFloat = Field(
        alias="slow_lag", ge=0.2, le=72, description="slow lag of the wet layer, h", examples=[9.3]
    )
    quick_h: FiniteFloat = Field(
        alias="quick_lag", ge=0.02, le=24, description="quick lag, h", examples=[1.9]
    )
    quick_share: FiniteFloat = Field(
        ge=0, le=1, description="share of the gain that comes quickly, 0 to 1", examples=[0.38]
    )
    dead_h: FiniteFloat = Field(
        alias="dead_time",
        ge=0,
        le=3,
        description="until heat is first felt at the wet layer, h",
        examples=[0.25],
    )
    room_quick_share: FiniteFloat = Field(
        default=0.0,
        ge=-0.5,
        le=1,
        description="share of the room's influence that comes through the quick lag",
        examples=[0.1],
    )
    load_k: FiniteFloat = Field(
        default=0.0,
        alias="load",
        ge=-10,
        le=10,
        description="how far the wet layer settles above the room without heat, K",
        examples=[0.0],
    )
    gain_uncertainty_k_per_w: FiniteFloat | None = Field(
        default=None,
        alias="gain_uncertainty",
        ge=0,
        le=5,
        description="standard uncertainty of gain (k = 1), K/W",
        examples=[0.01],
    )
    slope_uncertainty_frac: FiniteFloat | None = Field(
        default=None,
        alias="slope_uncertainty",
        ge=0,
        le=1,
        description="standard uncertainty (k = 1) of how fast the wet layer rises where it begins "
        "to, as a share of that; a step shows it",
        examples=[0.06],
    )
    dead_uncertainty_h: FiniteFloat | None = Field(
        default=None,
        alias="dead_time_uncertainty",
        ge=0,
        le=3,
        description="standard uncertainty of dead_time (k = 1), h",
        examples=[0.02],
    )
    load_uncertainty_k: FiniteFloat | None = Field(
        default=None,
        alias="load_uncertainty",
        ge=0,
        le=10,
        description="standard uncertainty of load (k = 1), K",
        examples=[0.2],
    )
    mat_gain_k_per_w: FiniteFloat | None = Field(
        default=None,
        alias="mat_gain",
        ge=0.02,
        le=5,
        description="how far a watt of mean power lifts the mat above the wet layer, K/W",
        examples=[0.53],
    )
    mat_gain_uncertainty_k_per_w: FiniteFloat | None = Field(
        default=None,
        alias="mat_gain_uncertainty",
        ge=0,
        le=5,
        description="standard uncertainty of mat_gain (k = 1), K/W",
        examples=[0.015],
    )
    mat_swing_k_per_w: FiniteFloat | None = Field(
        default=None,
        alias="mat_swing",
        ge=0.001,
        le=1,
        description="how far the mat's peaks lie above its mean at half power in windows of 600 s, "
        "for each rated watt, K/W",
        examples=[0.065],
    )
    method: Literal["log", "step", "relay"] | None = Field(
        default=None, description="what it was found from", examples=["log"]
    )

    @property
    def response(self) -> Response:
        """The same for the core."""
        return Response(
            gain_k_per_w=self.gain_k_per_w,
            slow_s=self.slow_h * 3600.0,
            quick_s=self.quick_h * 3600.0,
            quick_share=self.quick_share,
            dead_s=self.dead_h * 3600.0,
            room_quick_share=self.room_quick_share,
            load_k=self.load_k,
        )


def _in_order(model: Model) -> Model:
    if model.quick_h > model.slow_h:
        raise ValueError(
            f"quick_lag of {model.quick_h:g} h is longer than slow_lag of {model.slow_h:g} h; "
            "give them the other way round, and take quick_share from 1"
        )
    return model


BoxModel = Annotated[Model, AfterValidator(_in_order)]
