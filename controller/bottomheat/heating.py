"""From the outlook of a bed to its relay: the law within its bounds, then the modulator."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

from bottomheat import feedforward, modulate, regulate
from bottomheat.config import LIMIT_MARGIN_K, ChamberConfig, Direct, Offset, TemperatureFactor
from bottomheat.estimate import Outlook, lags_s
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

MAT_AGAIN_K, LAYER_AGAIN_K = 2.0, 0.3
"""So far below its bound has a place to be before a fast warm-up goes on: a dozen closings an hour
where the mat is at its bound, few where the wet layer is (calculated; judgement)."""

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
    feed_c = outlook.room_c if Place.ROOM in usable else None
    room_lost = usable.get(Place.ROOM) is None
    key = (tunings, offset or chamber.offset, outlook.fallback, room_lost, chamber.model)
    asked_c = chamber.callus_zone_c
    changed = law.evaluated_s is not None and (law.key != key or law.asked_c != asked_c)
    due = changed or (
        modulate.starts_window(relay, now_s, window_s)
        and regulate.due(law, now_s, key, asked_c, window_s)
    )
    if due:
        begins = law.evaluated_s is None or law.asked_c != asked_c
        if law.lead is not None and (law.key is None or law.key[-1] != chamber.model):
            law = replace(law, lead=None)  # where another model is, this one cannot say
        law = _led(
            law, setpoint_c, outlook, feed_c, usable, now_s, chamber, finding, offset, begins=begins
        )
        lead, feed = law.lead, None
        if lead is not None:
            feed = lead.feed
        elif chamber.model is not None and feed_c is not None:
            response = chamber.model.response
            feed = feedforward.settled_duty(response, setpoint_c, feed_c, heater.watts)
        if lead is not None and lead.fast:
            law = regulate.at_duty(law, lead.duty, now_s, key=key, asked_c=asked_c)
        else:
            law = regulate.pid(
                law,
                setpoint_c,
                feed_c,
                tunings,
                now_s,
                key=key,
                asked_c=asked_c,
                given_duty=relay.given_s / window_s,
                feed_duty=feed,
                reference_c=None if lead is None else lead.on_its_way_c,
            )
    if law.lead is not None and law.lead.fast and law.duty >= 1.0 and finding.duty_cap is None:
        relay = modulate.on_off(
            relay,
            relay.closed or not _near_bound(chamber, usable),
            now_s,
            min_on_s=heater.min_on,
            min_off_s=heater.min_off,
            bound=at_bound is not None,
        )
        return law, relay, reason
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


def _led(
    law: regulate.Law,
    setpoint_c: float,
    outlook: Outlook,
    room_c: float | None,
    usable: Mapping[Place, float | None],
    now_s: float,
    chamber: ChamberConfig,
    finding: Finding,
    offset: Offset | None,
    *,
    begins: bool,
) -> regulate.Law:
    """The law with its model led on, where there is one and it is on its way to its setpoint."""
    layer_c = law.filtered_c
    if chamber.model is None or room_c is None or layer_c is None:
        return law if law.lead is None else replace(law, lead=None)
    if law.lead is None and not (begins and abs(setpoint_c - layer_c) >= feedforward.BEGINS_K):
        return law
    response, watts, window_s = chamber.model.response, chamber.heater.watts, chamber.heater.window
    lead, given_duty = law.lead, None
    if lead is not None and (law.bounded or lead.fast or law.evaluated_s is None):
        given_duty = min(1.0, law.heated_s / max(1.0, now_s - lead.at_s))
    lead = feedforward.moved(lead, response, layer_c, room_c, now_s, watts, given_duty)
    if begins and lead.given_up:
        lead = replace(lead, given_up=False)
    duty = None
    callus = _callus(outlook, chamber, offset or chamber.offset)
    # Without a mat probe nobody sees the mat's limit, and a bounded duty means that something is
    # not as it should be.
    if callus is not None and finding.duty_cap is None and usable.get(Place.MAT) is not None:
        duty = feedforward.fast_duty(
            lead,
            response,
            layer_c,
            callus,
            chamber.callus_zone_c,
            layer_cap(chamber),
            room_c,
            watts,
            window_s,
        )
    if duty is not None and callus is not None:
        lead = feedforward.warmed_fast(lead, duty, chamber.callus_zone_c - callus.now_c, response)
        if lead.fast:
            return replace(law, lead=lead, heated_s=0.0)
    led = feedforward.led(lead, response, layer_c, setpoint_c, room_c, watts)
    return replace(law, lead=led, heated_s=0.0)


def _callus(outlook: Outlook, chamber: ChamberConfig, offset: Offset) -> feedforward.Callus | None:
    """How the callus zone follows, where a fast warm-up is wanted and can be led."""
    estimate, lagged_c = outlook.estimate, outlook.lagged_c
    if chamber.warm_up != "fast" or estimate is None or lagged_c is None:
        return None
    if not isinstance(offset, TemperatureFactor | Direct) or outlook.fallback is not None:
        return None
    return feedforward.Callus(estimate.celsius, offset.factor, lags_s(offset)[1], lagged_c)


def _near_bound(chamber: ChamberConfig, usable: Mapping[Place, float | None]) -> bool:
    """Whether a contact that a bound has opened is to stay open still."""
    limits = chamber.limits
    mat_c = usable.get(Place.MAT)
    if mat_c is not None and mat_c > limits.mat_c - LIMIT_MARGIN_K - MAT_AGAIN_K:
        return True
    cap_c = min(chamber.layer_ceiling_c, limits.substrate_c - LIMIT_MARGIN_K)
    layers_c = [usable.get(place) for place in (Place.SUBSTRATE, Place.SUBSTRATE_2)]
    return any(each is not None and each > cap_c - LAYER_AGAIN_K for each in layers_c)


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
