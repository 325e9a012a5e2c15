"""From the outlook of a bed to its relay: the law within its bounds, then the modulator."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

from bottomheat import modulate, regulate
from bottomheat.config import LIMIT_MARGIN_K, ChamberConfig, Offset
from bottomheat.estimate import Outlook
from bottomheat.model import Place
from bottomheat.modulate import Modulator
from bottomheat.protect.thresholds import WINDOW_S
from bottomheat.protect.watch import Finding
from bottomheat.words import held_low, mat_held

CEILING_MARGIN_K = 0.15
"""The wet layer is regulated this far below its ceiling, so that ripple stays under it."""

SWING_MARGIN_K = 0.75
"""The same for the on/off law, whose swing is wider: heat stored in the mat lifts the wet layer by
0.5 to 0.6 K after the contact has opened (calculated on a chamber model)."""

CAPPED = "heat bounded to what the setpoint needs, until the bed answers as it should"


def regulated(
    law: regulate.Law,
    relay: Modulator,
    outlook: Outlook,
    usable: Mapping[Place, float | None],
    at_bound: str | None,
    now_s: float,
    chamber: ChamberConfig,
    finding: Finding,
    turn_share: float | None,
    *,
    offset: Offset | None = None,
) -> tuple[regulate.Law, Modulator, str]:
    """Run the law for one cycle, and drive the relay.

    Args:
        law: state of the cycle before, with this cycle's measurement.
        relay: state of the cycle before.
        outlook: estimate and wet-layer setpoint.
        usable: probes that can be relied on, °C.
        at_bound: which bound is reached, in words, or None.
        now_s: monotonic time, s.
        chamber: its config.
        finding: what protection asks for.
        turn_share: part of the window after which this chamber begins its own, 0...1; None if it is
            alone.
        offset: the one in force; None for that of the closed lid.

    Returns:
        Law, relay, and what there is to say about it.
    """
    wanted_c = outlook.substrate_setpoint_c
    if wanted_c is None:
        return (
            regulate.idle(law),
            modulate.force_open(relay, now_s),
            "no setpoint for the wet layer",
        )
    heater = chamber.heater
    cap_c = layer_cap(chamber)
    setpoint_c = min(wanted_c, cap_c)
    reason = ""
    if wanted_c > cap_c + 0.05:
        reason = held_low(chamber, offset or chamber.offset, wanted_c - cap_c)
    elif at_bound is not None:
        reason = at_bound
    elif law.held and usable.get(Place.MAT) is not None and _far_below(law.filtered_c, cap_c):
        reason = mat_held(chamber)
    if finding.prove_series:
        relay = modulate.on_off(
            relay,
            True,
            now_s,
            min_on_s=0.0,
            min_off_s=heater.min_off,
            bound=_mat_bound(usable.get(Place.MAT), chamber),
        )
        return law, relay, "proving for five minutes that the series relay opens"
    if chamber.law == "hysteresis":
        half_k = chamber.differential_k / 2
        setpoint_c = min(setpoint_c, cap_c - half_k)
        law = regulate.hysteresis(law, setpoint_c, chamber.differential_k, now_s)
        if finding.duty_cap is not None and law.want:
            relay = shared_out(relay, finding.duty_cap, now_s, chamber, bound=at_bound is not None)
            return law, relay, reason or CAPPED
        relay = modulate.on_off(
            relay,
            law.want,
            now_s,
            min_on_s=heater.min_on,
            min_off_s=heater.min_off,
            bound=at_bound is not None,
        )
        return law, relay, reason
    window_s = heater.window
    tunings = regulate.tuning(chamber)
    room_c = usable.get(Place.ROOM)
    feed_c = outlook.room_c if Place.ROOM in usable else None
    key = (tunings, offset or chamber.offset, outlook.fallback, room_c is None)
    asked_c = chamber.callus_zone_c
    changed = law.evaluated_s is not None and (law.key != key or law.asked_c != asked_c)
    if changed or (
        modulate.starts_window(relay, now_s, window_s)
        and regulate.due(law, now_s, key, asked_c, window_s)
    ):
        law = regulate.pid(
            law,
            setpoint_c,
            feed_c,
            tunings,
            now_s,
            key=key,
            asked_c=asked_c,
            given_duty=relay.given_s / window_s,
        )
    duty = law.duty
    if finding.duty_cap is not None and finding.duty_cap < duty:
        duty = finding.duty_cap
        law = replace(law, bounded=True)
        reason = reason or CAPPED
    relay = modulate.proportion(
        relay,
        duty,
        now_s,
        window_s=window_s,
        min_on_s=heater.min_on,
        min_off_s=heater.min_off,
        bound=at_bound is not None,
        restart=changed,
        length_s=max(window_s, WINDOW_S) if finding.long_window else None,
        phase_s=None if turn_share is None else turn_share * window_s,
    )
    return law, relay, reason


def shared_out(
    relay: Modulator, duty: float, now_s: float, chamber: ChamberConfig, *, bound: bool
) -> Modulator:
    """Share a given duty out over windows of ten minutes at least.

    Args:
        relay: state of the cycle before.
        duty: share of the time, 0...1.
        now_s: monotonic time, s.
        chamber: its config.
        bound: a temperature is at its bound: open now.
    """
    heater = chamber.heater
    return modulate.proportion(
        relay,
        duty,
        now_s,
        window_s=max(heater.window, regulate.PERIOD_S),
        min_on_s=heater.min_on,
        min_off_s=heater.min_off,
        bound=bound,
    )


def _far_below(layer_c: float | None, cap_c: float) -> bool:
    """Whether the wet layer cannot have been at its own bound within the last window."""
    return layer_c is not None and layer_c < cap_c - 1.5


def layer_cap(chamber: ChamberConfig) -> float:
    """Highest setpoint of the wet layer, °C: below its ceiling, and 3 K below its limit."""
    margin_k = SWING_MARGIN_K if chamber.law == "hysteresis" else CEILING_MARGIN_K
    return min(chamber.layer_ceiling_c, chamber.limits.substrate_c - LIMIT_MARGIN_K) - margin_k


def bound(chamber: ChamberConfig, usable: Mapping[Place, float | None]) -> str | None:
    """Which temperature is at its bound, in words, or None."""
    limits = chamber.limits
    if _mat_bound(usable.get(Place.MAT), chamber):
        return mat_held(chamber)
    cap_c = min(chamber.layer_ceiling_c, limits.substrate_c - LIMIT_MARGIN_K)
    for place in (Place.SUBSTRATE, Place.SUBSTRATE_2):
        layer_c = usable.get(place)
        if layer_c is not None and layer_c >= cap_c:
            return f"wet layer at its ceiling of {cap_c:g} °C"
    return None


def _mat_bound(mat_c: float | None, chamber: ChamberConfig) -> bool:
    return mat_c is not None and mat_c >= chamber.limits.mat_c - LIMIT_MARGIN_K
