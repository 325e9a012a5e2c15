"""The duty that a box needs by its model: what the PID trims, and how a warm-up is led.

Two degrees of freedom.  On the way to a new setpoint a twin of the wet layer is led there by the
model alone, with the measured room: its duty is the feed-forward, and the PID acts on the
difference between the twin and the layer.  Once there, the feed-forward is what holds the setpoint
in this room in the end, at once, and the PID acts on the setpoint itself: led all the time, the
twin would follow the weather late (0.04-0.1 K RMS at the callus zone instead of 0.03, two boxes,
calculated).  Either way the loop's margins are those of the PID, whatever the model is worth.

The twin is led by predictive functional control with one coincidence point (J. Richalet, Control
Eng. Practice 1 (1993) 385-399): the duty that, held, puts it on its way to the setpoint at the end
of the horizon.

A fast warm-up leads the callus zone instead: full power under the bounds for as long as the heat
that is in the bed already would not carry the callus zone beyond its setpoint, then hold.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

from bottomheat.response import Response, Twin, advance, rested

HORIZON_S = 1800.0
"""From the end of the dead time to the point that the twin is led by; judgement: long against a
window, short against the bed."""

APPROACH_S = 600.0
"""The twin's distance from its setpoint is to fall by a factor e in this time; judgement."""

BEGINS_K = 1.0
"""A wet layer this far from its setpoint as the law begins to act is led there; judgement."""

ARRIVED_K = 0.5
"""Nearer to its setpoint than this the twin has arrived; judgement."""

FORGOTTEN_S = 3600.0
"""A twin that has not been led for so long begins again; nobody knows what the bed did."""

FAST_FROM_K = 1.0
"""A fast warm-up begins when the callus zone is this far below its setpoint; judgement: what less
is missing, the PID brings in an hour."""

FAST_LATE_FRAC, FAST_MOST_SHORT_K = 0.03, 0.3
"""It aims below the setpoint by this share of what is still on its way from the wet layer, because
one lag is not how the callus zone really follows: without it a box of the bench went 0.64 K over
(calculated).  Never so far below that it would end short of the band."""

FAST_ENDS_K = 0.1
"""It ends this near to the setpoint whatever the look ahead says; judgement."""

FAST_STUCK_S, FAST_LEFT_FRAC = 2 * 3600.0, 0.75
"""One that holds heat back, and in this time and the dead time has left more than this share of
what was missing, is given up: its model is wrong, and would hold the box cold for good; judgement.
"""

LOOK_S, LOOK_STEP_S = 6 * 3600.0, 600.0
"""How far it looks ahead, and in what steps: the callus zone peaks within three hours after the
heat was cut on the boxes of the bench (calculated)."""


@dataclass(frozen=True, slots=True)
class Lead:
    """The twin of a wet layer as it is led.

    Attributes:
        twin: where the model is.
        at_s: time that it was led last.
        duty: what it was led with, 0...1.
        feed: feed-forward of the PID, duty; the PID keeps it within 0...1.
        fast: a fast warm-up is under way.
        on_its_way_c: where the PID is to hold the wet layer meanwhile, °C; None for its setpoint.
        nearest_k: what was missing at the callus zone when a share of it had been made up last, in
            this fast warm-up, K.
        nearest_s: when that was, s.
        given_up: a fast warm-up led nowhere; no other before there is a new setpoint.
    """

    twin: Twin
    at_s: float
    duty: float = 0.0
    feed: float = 0.0
    fast: bool = False
    on_its_way_c: float | None = None
    nearest_k: float = math.inf
    nearest_s: float = 0.0
    given_up: bool = False


def moved(
    lead: Lead | None,
    response: Response,
    layer_c: float,
    room_c: float,
    now_s: float,
    watts: float,
    given_duty: float | None,
) -> Lead:
    """The twin as it is now, after what it was given; a new one where there is none.

    Args:
        lead: as it was left, or None.
        response: the model of the wet layer.
        layer_c: the wet layer, °C: where a new twin begins, as if it had been there for long.
        room_c: the room, °C.
        now_s: monotonic time, s.
        watts: rated power, W.
        given_duty: what the mat was given instead of ``lead.duty``, 0...1; None for that.
    """
    if lead is None or not 0.0 <= now_s - lead.at_s <= FORGOTTEN_S:
        return Lead(rested(response, layer_c, room_c), now_s)
    duty = lead.duty if given_duty is None else given_duty
    twin = advance(lead.twin, response, now_s - lead.at_s, duty * watts, room_c)
    return replace(lead, twin=twin, at_s=now_s, duty=duty, feed=0.0, on_its_way_c=None)


def led(
    lead: Lead, response: Response, layer_c: float, setpoint_c: float, room_c: float, watts: float
) -> Lead | None:
    """The twin with its duty for the coming window and the feed-forward; None once it has arrived.

    A layer that is ahead of the twin is not drawn back to it.  With no heat or all of it the model
    cannot say where the layer should be: a wrong one must not keep the PID from the setpoint.

    Args:
        lead: the twin as it is now.
        response: the model of the wet layer.
        layer_c: the wet layer as measured, °C.
        setpoint_c: of the wet layer, °C.
        room_c: the room, °C.
        watts: rated power, W.
    """
    twin = lead.twin
    twin_c = twin.place_c(response)
    if abs(twin_c - setpoint_c) < ARRIVED_K:
        return None
    duty = needed_duty(twin, response, setpoint_c, room_c, watts)
    held_w = response.watts_for(setpoint_c, twin.room_c(response))
    on_its_way_c = _nearer_c(twin_c, layer_c, setpoint_c) if 0.0 < duty < 1.0 else None
    feed = duty
    if on_its_way_c is not None:
        feed += settled_duty(response, setpoint_c, room_c, watts) - held_w / watts
    return replace(lead, duty=duty, feed=feed, fast=False, on_its_way_c=on_its_way_c)


def warmed_fast(lead: Lead, duty: float, short_k: float, response: Response) -> Lead:
    """The twin on a fast warm-up with this duty, or with that given up.

    Args:
        lead: the twin as it is now.
        duty: what a fast warm-up asks for, 0...1.
        short_k: what is missing at the callus zone, K.
        response: the model of the wet layer.
    """
    if not lead.fast or short_k < lead.nearest_k * FAST_LEFT_FRAC:
        lead = replace(lead, nearest_k=short_k, nearest_s=lead.at_s)
    stuck = lead.at_s - lead.nearest_s > FAST_STUCK_S + response.dead_s
    if stuck and duty < 1.0:
        return replace(lead, fast=False, given_up=True)
    return replace(lead, duty=duty, fast=True, on_its_way_c=None)


def _nearer_c(twin_c: float, layer_c: float, setpoint_c: float) -> float:
    """Twin or layer, whichever is further on its way to the setpoint, but not beyond it, °C."""
    if twin_c < setpoint_c:
        return max(twin_c, min(layer_c, setpoint_c))
    return min(twin_c, max(layer_c, setpoint_c))


def settled_duty(response: Response, setpoint_c: float, room_c: float, watts: float) -> float:
    """What holds the layer at its setpoint in this room in the end, duty; not bounded.

    Args:
        response: the model of the wet layer.
        setpoint_c: of the wet layer, °C.
        room_c: the room, °C.
        watts: rated power, W.
    """
    return response.watts_for(setpoint_c, room_c) / watts


def needed_duty(
    twin: Twin, response: Response, setpoint_c: float, room_c: float, watts: float
) -> float:
    """The duty that leads the twin to its setpoint, 0...1.

    Args:
        twin: where the model is.
        response: the model of the wet layer.
        setpoint_c: of the wet layer, °C.
        room_c: the room, which is taken to stay, °C.
        watts: rated power, W.
    """
    dead, at_end = response.dead_s, response.dead_s + HORIZON_S
    begins_c = advance(twin, response, dead, 0.0, room_c).place_c(response)
    left_c = advance(twin, response, at_end, 0.0, room_c).place_c(response)
    aim_c = setpoint_c - (setpoint_c - begins_c) * math.exp(-HORIZON_S / APPROACH_S)
    duty = (aim_c - left_c) / response.step_k(watts, at_end)
    return min(1.0, max(0.0, duty))


@dataclass(frozen=True, slots=True)
class Callus:
    """How the callus zone follows the wet layer, for the look ahead.

    Attributes:
        now_c: its estimate now, °C.
        factor: how far the wet layer moves it in the end, K for each K.
        lag_s: the lag of that, s.
        lagged_c: the wet layer through that lag, °C.
    """

    now_c: float
    factor: float
    lag_s: float
    lagged_c: float


def peaks_c(
    twin: Twin,
    response: Response,
    layer_c: float,
    callus: Callus,
    room_c: float,
    watts: float,
    duty: float,
    window_s: float,
) -> tuple[float, float]:
    """Warmest that callus zone and wet layer would become, °C: this duty for a window, none after.

    From the end of that window on: a zone that falls without heat is not as warm as now, or no
    duty between none and full power would be in proportion, and one that holds it too cool for good
    could come out of that.
    The callus zone peaks as the falling wet layer comes by it.  Where that peak is the setpoint,
    the layer is at its own setpoint in that moment too, and need only be held.  What the model is
    wrong by now it is taken to stay wrong by; the room is taken to stay.

    Args:
        twin: where the model is.
        response: the model of the wet layer.
        layer_c: the wet layer as measured, °C.
        callus: the callus zone.
        room_c: the room, °C.
        watts: rated power, W.
        duty: over the coming window, 0...1.
        window_s: its length, s.
    """
    wrong_k, before_c = layer_c - twin.place_c(response), layer_c
    lagged_c, warmest_c, highest_c = callus.lagged_c, -math.inf, -math.inf
    left_s = LOOK_S
    while left_s > 0.0:
        first = left_s == LOOK_S
        step_s = window_s if first else LOOK_STEP_S
        twin = advance(twin, response, step_s, duty * watts if first else 0.0, room_c)
        ahead_c = twin.place_c(response) + wrong_k
        share = -math.expm1(-step_s / callus.lag_s) if callus.lag_s > 0.0 else 1.0
        lagged_c += ((before_c + ahead_c) / 2.0 - lagged_c) * share
        before_c = ahead_c
        highest_c = max(highest_c, ahead_c)
        warmest_c = max(warmest_c, callus.now_c + callus.factor * (lagged_c - callus.lagged_c))
        left_s -= step_s
    return warmest_c, highest_c


def fast_duty(
    lead: Lead,
    response: Response,
    layer_c: float,
    callus: Callus,
    setpoint_c: float,
    most_c: float,
    room_c: float,
    watts: float,
    window_s: float,
) -> float | None:
    """Duty of a fast warm-up for the coming window, 0...1; None where there is to be none.

    Args:
        lead: the twin; ``fast`` says whether a fast warm-up is under way.
        response: the model of the wet layer.
        layer_c: the wet layer as measured, °C.
        callus: the callus zone.
        setpoint_c: of the callus zone, °C.
        most_c: what the wet layer is to stay below, with the heat that is on its way, °C.
        room_c: the room, °C.
        watts: rated power, W.
        window_s: length of the window, s.
    """
    short_k = setpoint_c - callus.now_c
    if lead.given_up or short_k <= FAST_ENDS_K or (short_k < FAST_FROM_K and not lead.fast):
        return None
    late_k = callus.factor * max(0.0, layer_c - callus.lagged_c)
    aim_c = setpoint_c - min(FAST_MOST_SHORT_K, FAST_LATE_FRAC * late_k)
    given = (lead.twin, response, layer_c, callus, room_c, watts)
    full_c, top_c = peaks_c(*given, 1.0, window_s)
    if full_c <= aim_c and top_c <= most_c:
        return 1.0
    none_c, low_c = peaks_c(*given, 0.0, window_s)
    if max(none_c, callus.now_c) >= aim_c:
        return None
    return min(_between(none_c, full_c, aim_c), _between(low_c, top_c, most_c))


def _between(none_c: float, full_c: float, wanted_c: float) -> float:
    """The duty, 0...1, that gives what is wanted: in proportion between none and full power.

    0 where it is too warm already and heat of this window changes nothing of that.
    """
    if full_c <= wanted_c:
        return 1.0
    if full_c <= none_c:
        return 0.0
    return max(0.0, (wanted_c - none_c) / (full_c - none_c))
