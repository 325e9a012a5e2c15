"""Probes and a relay on a simulated chamber, with faults to order.

These are what a rehearsal runs on: the controller cannot tell them from the real ones.
"""

from __future__ import annotations

import math
import random
from collections.abc import Collection, Mapping
from enum import StrEnum
from typing import Final, NamedTuple, Protocol

from bottomheat.model import Fault, Place, Raw, Sample, Unread
from bottomheat_drivers.ds18b20 import STEP_K
from bottomheat_drivers.simulated_relay import SimulatedRelay

__all__ = [
    "ChamberModel",
    "ProbeFault",
    "SimulatedProbes",
    "SimulatedRelay",
    "SimulatedThermometer",
]

LAG_S: Final = 40.0
"""Time constant of a probe in a steel sleeve in damp medium, s: judgement, no source."""

NOISE_K: Final = 0.02
"""Standard deviation of a probe's own noise before rounding, K: judgement, no source."""

_COUNTS: Final = (-880, 2000)  # -55 °C and +125 °C, the ends of the datasheet's range
_POWER_ON_C: Final = 85.0
_NO_CONVERSION_C: Final = 127.9375


class ChamberModel(Protocol):
    """Anything that warms and cools like a chamber."""

    def advance(self, seconds: float, heater_watts: float, room_c: float) -> None:
        """Go on by ``seconds`` with constant heater power, W, and room temperature, °C."""
        ...

    def temperature(self, place: str) -> float:
        """Temperature now, °C, at "substrate", "callus", "mat", "room" or "top"."""
        ...


class ProbeFault(StrEnum):
    """What can be wrong with a probe."""

    FROZEN = "frozen"
    UNPLUGGED = "unplugged"
    SHORTED = "shorted"
    POWER_ON = "power-on"
    NO_CONVERSION = "no-conversion"
    CRC = "crc"
    HUNG = "hung"


_UNREAD: Final = {
    ProbeFault.UNPLUGGED: Fault.ABSENT,
    ProbeFault.SHORTED: Fault.ALL_ZERO,
    ProbeFault.CRC: Fault.CRC,
    ProbeFault.HUNG: Fault.HUNG,
}


class SimulatedThermometer:
    """A DS18B20 that lags, has noise and rounds.

    The register is the nearest count of 1/16 K (halves to the even count): the datasheet does not
    say how the part rounds, and rounding down would add a bias of -1/32 K that nobody has
    measured.  It stops at -55 and +125 °C.

    Args:
        rng: source of its noise, and its alone.
        tau_s: time constant of its lag, s, 0 for none.
        sigma_k: standard deviation of its noise, K.

    Raises:
        ValueError: a lag or noise that is negative or not finite.
    """

    def __init__(self, rng: random.Random, tau_s: float = LAG_S, sigma_k: float = NOISE_K) -> None:
        for name, value in (("tau_s", tau_s), ("sigma_k", sigma_k)):
            if not (math.isfinite(value) and value >= 0):
                raise ValueError(f"{name} is {value}; give a finite number, 0 or more")
        self.offset_k = 0.0
        """Error of the probe, K, added before rounding."""
        self._rng = rng
        self._tau_s = tau_s
        self._sigma_k = sigma_k
        self._true_c: float | None = None
        self._tip_c = 0.0
        self._fault: ProbeFault | None = None
        self._frozen_c: float | None = None
        self._last_c: float | None = None
        self._weights = (math.nan, 0.0, 0.0)

    @property
    def fault(self) -> ProbeFault | None:
        """What is wrong with it, or None."""
        return self._fault

    @property
    def tip_c(self) -> float | None:
        """Temperature of the sensing chip, °C, without noise; None before the first step."""
        return None if self._true_c is None else self._tip_c

    def fail(self, fault: ProbeFault, at_c: float | None = None) -> None:
        """Break the probe until ``repair``.

        Args:
            fault: what breaks.
            at_c: for a frozen probe, the value it stays at, °C; its last reading if None.
        """
        self._fault = fault
        self._frozen_c = at_c

    def repair(self) -> None:
        """Undo every fault, the offset included."""
        self._fault = None
        self._frozen_c = None
        self.offset_k = 0.0

    def advance(self, dt_s: float, true_c: float) -> None:
        """Let ``dt_s`` seconds pass, by whose end the surroundings have reached ``true_c`` °C.

        The surroundings move in a straight line from the last call's temperature.  For those the
        response of a first-order lag is exact at any step.  The first call sets both without lag.
        """
        if self._true_c is None:
            self._tip_c = true_c
        elif dt_s > 0:
            stays, share = self._weigh(dt_s)
            rise_k = true_c - self._true_c
            # T(dt) = u1 - s.tau + (T0 - u0 + s.tau).exp(-dt/tau), with slope s of u from u0 to u1.
            self._tip_c = (
                true_c - rise_k * share + stays * (self._tip_c - self._true_c + rise_k * share)
            )
        self._true_c = true_c

    def read(self, at_s: float) -> Raw:
        """Take a reading, stamped ``at_s`` (monotonic, s); never raises."""
        match self._fault:
            case ProbeFault.POWER_ON:
                return Sample(_POWER_ON_C, at_s)
            case ProbeFault.NO_CONVERSION:
                return Sample(_NO_CONVERSION_C, at_s)
            case ProbeFault.FROZEN | None:
                return self._convert(at_s)
            case broken:
                return Unread(_UNREAD[broken], at_s, "simulated")

    def _convert(self, at_s: float) -> Raw:
        if self._true_c is None:
            return Unread(Fault.NOT_READ, at_s)
        if self._fault is ProbeFault.FROZEN:
            if self._frozen_c is None:
                self._frozen_c = self._tip_c if self._last_c is None else self._last_c
            value_c = self._frozen_c
        else:
            value_c = self._tip_c + self.offset_k + self._rng.gauss(0.0, self._sigma_k)
        if not math.isfinite(value_c):
            return Unread(Fault.NOT_FINITE, at_s, "simulated")
        lowest, highest = _COUNTS
        celsius = min(max(round(value_c / STEP_K), lowest), highest) * STEP_K
        self._last_c = celsius
        return Sample(celsius, at_s)

    def _weigh(self, dt_s: float) -> tuple[float, float]:
        """exp(-dt/tau) and tau/dt, kept because a run has one step length."""
        if dt_s != self._weights[0]:
            stays = math.exp(-dt_s / self._tau_s) if self._tau_s else 0.0
            self._weights = (dt_s, stays, self._tau_s / dt_s)
        return self._weights[1:]


class _Spot(NamedTuple):
    """Where a probe lies: at one place of a chamber, or between two."""

    chamber: str
    near: str
    far: str | None = None
    far_share: float = 0.0


class SimulatedProbes:
    """The probes of all chambers of a rehearsal.

    Both substrate probes lie at the same spot of the model; each has its own noise.  The chambers
    are moved on by whoever owns them; call ``advance`` after that.  A probe that has not been
    through an ``advance`` gives no reading.

    Args:
        chambers: model by name of chamber.
        places: where each chamber has a probe.
        seed: of the noise; each probe has its own stream, so that adding one changes no other.
        tau_s: time constant of each probe's lag, s.
        sigma_k: standard deviation of each probe's noise, K.

    Raises:
        ValueError: places are given for a chamber that has no model, or see
            ``SimulatedThermometer``.
    """

    def __init__(
        self,
        chambers: Mapping[str, ChamberModel],
        places: Mapping[str, Collection[Place]],
        seed: int,
        *,
        tau_s: float = LAG_S,
        sigma_k: float = NOISE_K,
    ) -> None:
        if unknown := sorted(places.keys() - chambers.keys()):
            raise ValueError(f"places are given for {', '.join(unknown)}, which has no model")
        self._chambers = dict(chambers)
        self._thermometers = {
            (chamber, place): SimulatedThermometer(
                # Noise for a rehearsal, not for secrets.  A text seeds the same on every run.
                random.Random(f"{seed}/{chamber}/{place}"),  # noqa: S311
                tau_s,
                sigma_k,
            )
            for chamber, wanted in places.items()
            for place in wanted
        }
        self._chambers_with_places = tuple(places)
        self._spots = {key: _Spot(key[0], _spot(key[1])) for key in self._thermometers}
        self._warmed_k: dict[tuple[str, Place], float] = {}
        self._closed = False

    def thermometer(self, chamber: str, place: Place) -> SimulatedThermometer:
        """The probe there, to break or repair it.

        Raises:
            KeyError: there is none.
        """
        return self._thermometers[chamber, place]

    def displace(
        self, chamber: str, place: Place, to: Place, to_chamber: str | None = None
    ) -> None:
        """Put a probe to another place, of its own chamber or of another; it goes on answering.

        Raises:
            KeyError: there is no such probe, or no model of that chamber.
        """
        target = chamber if to_chamber is None else to_chamber
        if (chamber, place) not in self._thermometers or target not in self._chambers:
            raise KeyError(f"no probe {place} in {chamber}, or no model of {target}")
        self._spots[chamber, place] = _Spot(target, _spot(to))

    def put_between(
        self, chamber: str, place: Place, near: Place, far: Place, far_share: float
    ) -> None:
        """Put a probe between two places of its chamber; it goes on answering.

        Args:
            chamber: whose probe.
            place: where it belongs.
            near: where it is at a share of 0.
            far: where it is at a share of 1.
            far_share: how much of the far place's temperature it feels, 0...1.

        Raises:
            KeyError: there is no such probe.
        """
        if (chamber, place) not in self._thermometers:
            raise KeyError(f"no probe {place} in {chamber}")
        self._spots[chamber, place] = _Spot(chamber, _spot(near), _spot(far), far_share)

    def warm(self, chamber: str, place: Place, by_k: float) -> None:
        """Let sun or a draught lie on the probe alone: its surroundings are warmer by ``by_k``.

        Raises:
            KeyError: there is no such probe.
        """
        if (chamber, place) not in self._thermometers:
            raise KeyError(f"no probe {place} in {chamber}")
        self._warmed_k[chamber, place] = by_k

    def put_back(self, chamber: str, place: Place) -> None:
        """Put a displaced probe back where it belongs.

        Raises:
            KeyError: there is no such probe.
        """
        self.displace(chamber, place, place)

    def advance(self, dt_s: float) -> None:
        """Let every probe follow its surroundings for ``dt_s`` seconds."""
        for key, thermometer in self._thermometers.items():
            spot = self._spots[key]
            model = self._chambers[spot.chamber]
            true_c = model.temperature(spot.near)
            if spot.far is not None:
                true_c += spot.far_share * (model.temperature(spot.far) - true_c)
            thermometer.advance(dt_s, true_c + self._warmed_k.get(key, 0.0))

    def read_all(self, now_s: float) -> Mapping[str, Mapping[Place, Raw]]:
        """Read every probe, stamped ``now_s`` (monotonic, s); never raises."""
        readings: dict[str, dict[Place, Raw]] = {c: {} for c in self._chambers_with_places}
        for (chamber, place), thermometer in self._thermometers.items():
            raw = Unread(Fault.NOT_READ, now_s) if self._closed else thermometer.read(now_s)
            readings[chamber][place] = raw
        return readings

    def close(self) -> None:
        """Stop reading: from now on nothing is read; idempotent."""
        self._closed = True


def _spot(place: Place) -> str:
    return Place.SUBSTRATE.value if place is Place.SUBSTRATE_2 else place.value
