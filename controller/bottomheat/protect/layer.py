"""What the wet layer should do: heat, room, and how long it may stand still.

After a step of full power the layer rises, after a dead time, as the sum of two lags; it follows
the room with the slower one.  Shape and lags are those of boxes calculated with handbook
properties, deep to shallow; the rise itself is learned.  The model is coarse on purpose: it says
what cannot be, not what will be to a tenth.

Pure.  All numbers come from ``thresholds``.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from bottomheat.protect import thresholds as th
from bottomheat.protect.frozen import changed


@dataclass(frozen=True)
class Layer:
    """What is known of one wet layer.

    Attributes:
        at_s: time of the last cycle, s.
        dead: three equal lags in a row that make the dead time.
        quick: first part of the normalised response to heat, 0...1.
        slow: second part.
        room_c: room as the layer feels it, °C; None without a room.
        full_k: learned rise at full power, K; None before it is known.
        learned_s: how long it has been learned from, s.
        anchor_k: rise that later ones are held to; None for the first half day.
        xx: sums behind ``full_k``.
        xy: the same.
        expected_c: what heat and room make of the layer, °C up to a constant; summed up from
            changes, so that a gain learned anew does not look like a jump.
        path: (measured °C, expected °C, share) a minute apart, oldest first, an hour at most.
        minute_s: time of the newest of them, s.
    """

    at_s: float | None = None
    dead: tuple[float, float, float] = (0.0, 0.0, 0.0)
    quick: float = 0.0
    slow: float = 0.0
    room_c: float | None = None
    full_k: float | None = None
    learned_s: float = 0.0
    anchor_k: float | None = None
    xx: float = 0.0
    xy: float = 0.0
    expected_c: float = 0.0
    path: tuple[tuple[float, float, float], ...] = ()
    minute_s: float = -math.inf

    @property
    def share(self) -> float:
        """Rise that the heat of the past explains, over the rise at full power, 0...1."""
        return _share(self.quick, self.slow)


def advance(
    layer: Layer,
    heat: bool,
    substrate_c: float | None,
    room_c: float | None,
    now_s: float,
    *,
    prior_k: float,
    learn: bool,
) -> Layer:
    """Move on by one cycle.

    Args:
        layer: of the cycle before.
        heat: whether heat was asked for and allowed since the cycle before.
        substrate_c: wet layer now, °C; None without a reading.
        room_c: room now, °C; None without one.
        now_s: monotonic time, s.
        prior_k: rise at full power that the mat's rating makes likely, K.
        learn: nothing is suspected, so that this cycle may be learned from.
    """
    if layer.at_s is None:
        if substrate_c is None:
            return layer
        base_c = substrate_c if room_c is None else room_c
        share = min(1.0, max(0.0, (substrate_c - base_c) / prior_k))
        return Layer(now_s, (share, share, share), share, share, base_c)
    dt_s = now_s - layer.at_s
    if dt_s <= 0.0:
        return layer
    u = 1.0 if heat else 0.0
    gone = _gone(dt_s, th.LAYER_DEAD_S / 3.0)
    one = layer.dead[0] + (u - layer.dead[0]) * gone
    two = layer.dead[1] + (one - layer.dead[1]) * gone
    three = layer.dead[2] + (two - layer.dead[2]) * gone
    felt_c = layer.room_c
    if room_c is not None and felt_c is not None:
        felt_c += (room_c - felt_c) * _gone(dt_s, th.LAYER_SLOW_S)
    quick = layer.quick + (three - layer.quick) * _gone(dt_s, th.LAYER_QUICK_S)
    slow = layer.slow + (three - layer.slow) * _gone(dt_s, th.LAYER_SLOW_S)
    warmer_k = (full_k(layer, prior_k)) * (_share(quick, slow) - layer.share)
    if felt_c is not None and layer.room_c is not None:
        warmer_k += felt_c - layer.room_c
    layer = changed(
        layer,
        at_s=now_s,
        dead=(one, two, three),
        quick=quick,
        slow=slow,
        room_c=room_c if felt_c is None else felt_c,
        expected_c=layer.expected_c + warmer_k,
    )
    if substrate_c is None:
        return changed(layer, path=(), minute_s=-math.inf)
    if learn and layer.room_c is not None:
        layer = _learn(layer, substrate_c, dt_s, prior_k)
    if now_s - layer.minute_s >= 59.5:
        path = (*layer.path[-th.PATH_MINUTES :], (substrate_c, layer.expected_c, layer.share))
        layer = changed(layer, path=path, minute_s=now_s)
    return layer


def _learn(layer: Layer, substrate_c: float, dt_s: float, prior_k: float) -> Layer:
    share = layer.share
    if share < th.LAYER_LEARNS_FROM or layer.room_c is None:
        return layer
    stays = 1.0 - _gone(dt_s, th.FULL_MEMORY_S)
    xx = layer.xx * stays + share * share * dt_s
    xy = layer.xy * stays + share * (substrate_c - layer.room_c) * dt_s
    learned_k, learned_s = layer.full_k, layer.learned_s
    if xx >= th.FULL_FIRST:
        least_k = prior_k / th.PRIOR_SPAN
        if layer.anchor_k is not None:
            least_k = max(least_k, layer.anchor_k / th.ANCHOR_SHARE)
        learned_k = min(prior_k * th.PRIOR_SPAN, max(least_k, xy / xx))
        learned_s += dt_s
    anchor_k = layer.anchor_k
    if anchor_k is None and learned_s >= th.ANCHOR_S:
        anchor_k = learned_k
    return changed(layer, xx=xx, xy=xy, full_k=learned_k, learned_s=learned_s, anchor_k=anchor_k)


def full_k(layer: Layer, prior_k: float) -> float:
    """Rise of the layer at full power, K: the learned one, or what the rating makes likely."""
    return prior_k if layer.full_k is None else layer.full_k


def moved_k(layer: Layer, minutes: int) -> tuple[float, float] | None:
    """How far the layer has moved in so many minutes, and how far it should have, K."""
    if len(layer.path) <= minutes:
        return None
    now, then = layer.path[-1], layer.path[-1 - minutes]
    return now[0] - then[0], now[1] - then[1]


def moved_by_heat_k(layer: Layer, minutes: int, prior_k: float) -> float | None:
    """How far heat alone should have moved the layer in so many minutes, K."""
    if len(layer.path) <= minutes:
        return None
    return full_k(layer, prior_k) * (layer.path[-1][2] - layer.path[-1 - minutes][2])


def _share(quick: float, slow: float) -> float:
    return th.LAYER_QUICK_SHARE * quick + (1.0 - th.LAYER_QUICK_SHARE) * slow


def _gone(dt_s: float, tau_s: float) -> float:
    return -math.expm1(-dt_s / tau_s)
