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
    ``waited_s`` how long the first reading has been waited for, s.  ``blind_s`` is how long nothing
    that can be relied on has told of the wet layer, s, and ``misled`` that a probe which is not
    believed has gone through the filters meanwhile.
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
    blind_s: float = 0.0
    misled: bool = False


BEFORE_S = 3600.0
"""An estimate from so long ago still tells how warmly a bed was heated; judgement, less than half
of the bed's memory."""
START_SHARE = 0.35
"""So much of what the wet layer is above the room may the callus zone of a bed be off its settled
course that was heated and then left for hours, half a width (calculated boxes, 2 to 12 h without
power in a room of 4.5 °C: 0.15 to 0.3; judgement)."""
START_S = 4 * 3600.0
"""It forgets that with this time constant, s; judgement, between the bed's own two."""

BY_CALLUS = "callus probe"
"""The basis of an estimate that no other probe has a part in."""

BLIND_S = 600.0
"""After a wet layer that was unknown for no longer the filters go on as if nothing had been: less
than the dead time of a bed (judgement)."""
REGAINED_K = 1.0
"""So far beyond its setpoint may a wet layer have been while a probe misled, K: heat is bounded
then to little more than the setpoint needs (judgement)."""

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
        doubt: why what the wet-layer probe says is not believed, in few words; None: it is.
    """

    substrate_c: float | None
    room_c: float | None
    callus_c: float | None
    room_wanted: bool
    power_w: float | None = None
    u_probe_k: Mapping[Place, float] = field(default_factory=lambda: _NONE)
    doubt: str | None = None

    def u_k(self, place: Place) -> float:
        """Standard uncertainty of the probe at a place, K."""
        return self.u_probe_k.get(place, U_PROBE_K)


@dataclass(frozen=True, slots=True)
class Outlook:
    """The estimate, and the wet-layer temperature that would put it at the setpoint.

    ``lagged_c`` is the wet layer as the callus zone has felt it, °C, where it is known.
    ``doubt`` says in few words why there is no estimate, where a wet-layer probe is to blame, and
    ``evidence`` is what would come of a probe that is not believed: a hot one still speaks against
    heat, and for nothing else.
    """

    estimate: Estimate | None
    substrate_setpoint_c: float | None
    room_c: float | None
    fallback: str | None
    lagged_c: float | None = None
    doubt: str | None = None
    evidence: Estimate | None = None

    def believed(self, inputs: Inputs, basis: str) -> Outlook:
        """What of it stands with a wet layer that is not known, or by a probe not believed.

        A callus probe tells by itself.  Nothing is asked of a wet layer that is not known; by a
        probe that is not believed the setpoint stays, because it does not come from that probe.

        Args:
            inputs: of this cycle.
            basis: what the estimate rests on.
        """
        if basis == BY_CALLUS:
            known = inputs.substrate_c is not None
            return self if known else replace(self, substrate_setpoint_c=None, lagged_c=None)
        if inputs.doubt is None:
            return self
        return replace(
            self, estimate=None, lagged_c=None, doubt=inputs.doubt, evidence=self.estimate
        )


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


def regained(before: Estimator, new: Estimator, inputs: Inputs, lag_s: float) -> Estimator:
    """The state after a cycle for a wet layer that was not known, or by a probe not believed.

    Where it was merely silent, the layer as the callus zone has felt it lies between what it was
    and what it would be had the layer been as warm as now all the time.  Where the probe misled,
    it lies between now and the setpoint that was held.  The middle is taken, with half of that as
    doubt.

    Args:
        before: of the cycle before.
        new: of this cycle, filtered.
        inputs: of this cycle.
        lag_s: of the wet layer, s.
    """
    if before.substrate_c is None or new.at_s is None:
        return new  # a start
    layer_c, held_c = inputs.substrate_c, before.substrate_c
    if layer_c is None or inputs.doubt is not None:
        at_s = new.at_s if before.at_s is None else before.at_s
        return replace(
            new,
            blind_s=before.blind_s + new.at_s - at_s,
            misled=before.misled or inputs.doubt is not None,
        )
    if before.blind_s <= 0.0:
        return new
    new = replace(new, blind_s=0.0, misled=False)
    if before.blind_s <= BLIND_S:
        return new
    beyond_k = 0.0
    if before.misled:
        one_c, beyond_k = layer_c, REGAINED_K
        held_c = layer_c if before.asked_c is None else before.asked_c
    else:
        gone = math.exp(-before.blind_s / lag_s) if lag_s > 0.0 else 0.0
        one_c = layer_c + (held_c - layer_c) * gone
    half_k = abs(held_c - one_c) / 2 + beyond_k
    return replace(
        new,
        substrate_c=(one_c + held_c) / 2 if lag_s > 0.0 else layer_c,
        start_k=math.hypot(new.start_k, half_k / math.sqrt(3.0)),
        shown_c=None,
        handover_k=0.0,
    )


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
