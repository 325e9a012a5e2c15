"""What the estimate goes by and remembers, what it hands to the laws, and its one filter."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from types import MappingProxyType

from bottomheat.doubts import U_PROBE_K
from bottomheat.model import Estimate, Place


@dataclass(frozen=True, slots=True)
class Estimator:
    """Filter states at ``at_s``, °C, K and W; None before the first reading.

    ``basis`` names what the last estimate rested on, ``shown_c`` and ``asked_c`` are the last
    estimate and wet-layer setpoint, ``handover_k`` and ``asked_handover_k`` what is handed over.
    ``before_c`` is the last estimate of the run before where that was just now, and
    ``power_doubt_w`` how unsure the mean power still is of what flowed before this run.
    ``steer_w`` is the mean power over a longer memory, which the setpoint goes by.
    ``outer_held_k`` is what of ``outer_k`` has been there for long.
    ``start_k`` is the standard uncertainty that is left of a start in a warm bed, K, and
    ``waited_s`` how long the first reading has been waited for, s.
    """

    at_s: float | None = None
    room_c: float | None = None
    substrate_c: float | None = None
    setpoint_room_c: float | None = None
    room_mean_c: float | None = None
    outer_k: float = 0.0
    outer_held_k: float = 0.0
    disagree: bool = False
    before_c: float | None = None
    power_w: float | None = None
    steer_w: float | None = None
    power_doubt_w: float = 0.0
    layer_c: float | None = None
    power_mean_w: float | None = None
    difference_mean_k: float | None = None
    paired_s: float = 0.0
    basis: str | None = None
    shown_c: float | None = None
    asked_c: float | None = None
    handover_k: float = 0.0
    asked_handover_k: float = 0.0
    start_k: float = 0.0
    waited_s: float = 0.0


BEFORE_S = 3600.0
"""An estimate from so long ago still tells how warmly a bed was heated; judgement, less than half
of the bed's memory."""
START_SHARE = 0.35
"""So much of what the wet layer is above the room may the callus zone of a bed be off its settled
course that was heated and then left for hours, half a width (calculated boxes, 2 to 12 h without
power in a room of 4.5 °C: 0.15 to 0.3; judgement)."""
START_S = 4 * 3600.0
"""It forgets that with this time constant, s; judgement, between the bed's own two."""

AGREE_K = 1.0
AGREE_AGAIN_K = 0.7
"""Two substrate probes agree within 1 K (two of ±0.5 °C), and again within 0.7 K."""

_NONE: Mapping[Place, float] = MappingProxyType({})


@dataclass(frozen=True, slots=True)
class Inputs:
    """What control may use this cycle; None where a probe is absent or cannot be relied on.

    Attributes:
        substrate_c: wet layer, °C.
        room_c: room, °C.
        callus_c: callus probe, °C.
        room_wanted: the chamber has a room probe.
        power_w: mean power of the mat since the cycle before, W; None where nobody knows.
        u_probe_k: standard uncertainties of probes that were compared, K, by place.
    """

    substrate_c: float | None
    room_c: float | None
    callus_c: float | None
    room_wanted: bool
    power_w: float | None = None
    u_probe_k: Mapping[Place, float] = field(default_factory=lambda: _NONE)

    def u_k(self, place: Place) -> float:
        """Standard uncertainty of the probe at a place, K."""
        return self.u_probe_k.get(place, U_PROBE_K)


@dataclass(frozen=True, slots=True)
class Outlook:
    """The estimate, and the wet-layer temperature that would put it at the setpoint.

    ``lagged_c`` is the wet layer as the callus zone has felt it, °C, where it is known.
    """

    estimate: Estimate | None
    substrate_setpoint_c: float | None
    room_c: float | None
    fallback: str | None
    lagged_c: float | None = None


def lag(old_value: float | None, value: float | None, dt_s: float, tau_s: float) -> float | None:
    """One exact step of a first-order lag; holds its state while there is no value.

    Args:
        old_value: of the cycle before, in the unit of ``value``; None before the first value.
        value: what is filtered, held since the cycle before.
        dt_s: since then, s.
        tau_s: time constant, s; 0 for no lag.
    """
    if value is None or old_value is None:
        return value if old_value is None else old_value
    if tau_s <= 0.0:
        return value
    return old_value + (value - old_value) * -math.expm1(-dt_s / tau_s)


def unsettled(before: Estimator, new: Estimator, room_c: float | None, dt_s: float) -> Estimator:
    """The state with what its first reading leaves open: nobody saw how warm the bed was before.

    Args:
        before: of the cycle before.
        new: of this cycle, filtered.
        room_c: room, °C, or None.
        dt_s: time between them, s.
    """
    if new.substrate_c is None:
        waited_s = before.waited_s + dt_s
        kept_c = before.before_c if waited_s <= BEFORE_S else None
        return replace(new, waited_s=waited_s, before_c=kept_c)
    if before.substrate_c is not None:
        faded_k = before.start_k * math.exp(-dt_s / START_S)
        return new if faded_k == new.start_k else replace(new, start_k=faded_k)
    if before.before_c is not None or room_c is None:
        return new
    half_k = START_SHARE * abs(new.substrate_c - room_c)
    return replace(new, start_k=half_k / math.sqrt(3.0))


def control_substrate(
    estimator: Estimator, first_c: float | None, second_c: float | None
) -> tuple[Estimator, float | None]:
    """One wet-layer temperature from one or two probes.

    The mean while they agree; beyond their uncertainty the warmer rules; one lost, the other goes
    on.  Returns the new state (``disagree`` with its dead-band) and °C or None.
    """
    if first_c is None or second_c is None:
        only = second_c if first_c is None else first_c
        return replace(estimator, disagree=False) if estimator.disagree else estimator, only
    apart = abs(first_c - second_c)
    disagree = apart > (AGREE_AGAIN_K if estimator.disagree else AGREE_K)
    if disagree is not estimator.disagree:
        estimator = replace(estimator, disagree=disagree)
    return estimator, max(first_c, second_c) if disagree else (first_c + second_c) / 2
