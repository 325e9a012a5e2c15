"""How much heat a relay experiment switches, so that it stays away from every bound.  Pure.

About twice what the box needs at rest: then heat is on half the time, which is what the describing
function is about, and a strong mat is not brought to its bound, nor its lead over the wet layer to
where protection takes the probe for displaced.  Full power on the strong mats of random boxes did
either in every fourth run.  Less than full power is given in turns of a few minutes.
"""

from __future__ import annotations

import math

from bottomheat import modulate
from bottomheat.config import MAT_RIPPLE_K, MAT_RISE_PER_LAYER_RISE, Heater
from bottomheat.modulate import Modulator

TURN_S = 240.0
"""Length of a turn at less than full power, s: short against the swing, which takes an hour or
more; `identification.relay` tells the pauses within a turn from the swing's own."""

TIMES = 2.0
LEAST = 0.2
"""Least duty while on: pulses of 48 s, and pauses that are shorter than those of any swing."""

EASE, MOST_EASED = 0.85, 3
"""Where protection bounds the heat all the same, it is made so much less for the periods to come,
and so often before the run ends; judgement."""

MOST_SHARE = 0.85
"""Heat may be on for so much of the time, or a period takes long and tells little; judgement."""

SWING_FRAC = 0.04
"""How far a relay swings the wet layer above its setpoint, share of the rise that its heat would
have in the end: 0.03 on the nominal box."""

SPARE_LAYER_K = 0.2
SPARE_MAT_K = 2.0
"""Left for a room that goes on cooling meanwhile; judgement."""

LEAD_S = 1800.0
"""Low-pass of the mat's lead over the wet layer: it swings by some kelvin within a window."""

_MEASURED_DUTY = 0.04


def lead_k(
    before_k: float | None, mat_c: float | None, layer_c: float, dt_s: float
) -> float | None:
    """The mat's mean lead over the wet layer, one cycle on, K; None without a probe there.

    Args:
        before_k: a cycle before, K; None at first.
        mat_c: mat, °C; None without a probe.
        layer_c: wet layer, °C.
        dt_s: since then, s.
    """
    if mat_c is None:
        return None
    now_k = mat_c - layer_c
    if before_k is None:
        return now_k
    return before_k - math.expm1(-max(0.0, dt_s) / LEAD_S) * (now_k - before_k)


def most(
    base_duty: float,
    rise_k: float,
    lead_k: float | None,
    layer_room_k: float,
    mat_room_k: float,
) -> float | None:
    """Duty while the relay is on, 0...1; None where even the least is too much.

    Args:
        base_duty: mean duty at rest.
        rise_k: steady rise of the wet layer at full power, K.
        lead_k: the mat's mean lead over the wet layer at that duty, K; None without a probe there.
        layer_room_k: from the upper switching point to where the wet layer is held, K.
        mat_room_k: from there to where the mat is held, K.
    """
    most = min(1.0, max(LEAST, TIMES * base_duty))
    least = max(LEAST, base_duty / MOST_SHARE)
    swing_k = SWING_FRAC * rise_k
    most = min(most, (layer_room_k - SPARE_LAYER_K) / swing_k)
    if lead_k is not None:
        # In proportion to the heat; without any, as on the nominal box.
        full_k = (MAT_RISE_PER_LAYER_RISE - 1.0) * rise_k
        if base_duty >= _MEASURED_DUTY:
            full_k = max(0.5 * full_k, lead_k / base_duty)
        ripple_k = MAT_RIPPLE_K * TURN_S / 600.0
        most = min(most, (mat_room_k - SPARE_MAT_K - ripple_k) / (full_k + swing_k))
    return most if most >= min(1.0, least) else None


def turned(
    relay: Modulator, on: bool, duty: float, now_s: float, heater: Heater, *, bound: bool
) -> Modulator:
    """One cycle of the contact: full power or none at once, less than full power in turns.

    Args:
        relay: state of the cycle before.
        on: whether there is to be heat.
        duty: how much, 0...1.
        now_s: monotonic time, s.
        heater: the mat's relay.
        bound: a temperature is at its bound: open now.
    """
    on_s, off_s = heater.min_on, heater.min_off
    if duty >= 1.0 or not on:
        return modulate.on_off(relay, on, now_s, min_on_s=on_s, min_off_s=off_s, bound=bound)
    return modulate.proportion(
        relay,
        duty,
        now_s,
        window_s=min(heater.window, TURN_S),
        min_on_s=on_s,
        min_off_s=off_s,
        bound=bound,
    )
