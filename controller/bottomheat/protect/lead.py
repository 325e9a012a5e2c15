"""The mat's lead over the wet layer: what it should be, and how it answers to switching.

The mat is the first to feel the heat and the layer is between it and everything else, so the lead

    e = T_mat - T_substrate

depends on the heater alone: not on the room, the lid, the bags or the weather.  After a step of
full power it rises as about a third of its final value with 4 minutes and two thirds with half an
hour, in boxes deep and shallow, wet and dry (calculated with handbook properties).  Two gains are
learned: of the ripple within a window, and of the level over hours.

What lead there is at a start comes of heat that nobody knows: how much of full power it is depends
on the very gain that is to be learned.  So it is carried in kelvin, dies away as any lead does, and
gains are learned from what is beyond it.

Pure.  All numbers come from ``thresholds``.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from bottomheat.protect import thresholds as th
from bottomheat.protect.frozen import changed


@dataclass(frozen=True)
class Lead:
    """What is known of one mat.

    Attributes:
        at_s: time of the last cycle, s.
        quick: first part of the normalised response to heat since the start, 0...1.
        slow_since: second part.
        since: both, seen through the probe's lag.
        since_2: slow mean of ``since``.
        mean_k: slow mean of the lead measured beyond what is left of the first, K; None before it.
        begun_s: time of the first cycle, s.
        begun_k: the lead then, K.
        begun_share: the same over what the mat's rating makes likely at full power, 0...1.
        xx: forgetting sum of squares of the expected ripple, s.
        xy: the same of expected times measured ripple, K s.
        ripple_k: learned gain of the ripple, K at full power; None before it is known.
        level_k: learned gain of the level, K at full power.
        level_xx: sums behind ``level_k``.
        level_xy: the same.
        lead_k: the lead measured last, K.
        learned_s: how long the ripple has been learned from, s.
        anchor_k: level that later ones are held to; None for the first half day.
        heat: whether heat was on in the last cycle.
        switched_s: when that last changed, s.
    """

    at_s: float | None = None
    quick: float = 0.0
    slow_since: float = 0.0
    since: float = 0.0
    since_2: float = 0.0
    mean_k: float | None = None
    begun_s: float = 0.0
    begun_k: float = 0.0
    begun_share: float = 0.0
    xx: float = 0.0
    xy: float = 0.0
    ripple_k: float | None = None
    level_k: float | None = None
    level_xx: float = 0.0
    level_xy: float = 0.0
    lead_k: float | None = None
    learned_s: float = 0.0
    anchor_k: float | None = None
    heat: bool = False
    switched_s: float | None = None

    @property
    def sleeve(self) -> float:
        """The lead that all heat explains over its full-power value, 0...1."""
        return min(1.0, self.since + self._first_share() * self._left()[0])

    @property
    def slow(self) -> float:
        """The slow part of it: how much of full power there has been for long, 0...1."""
        return min(1.0, self.slow_since + self._first_share() * self._left()[1])

    @property
    def carried_k(self) -> float:
        """What is left of the first lead, K."""
        return self.begun_k * self._left()[0]

    def _first_share(self) -> float:
        gain_k = self.level_k or self.ripple_k
        if gain_k is None:
            return self.begun_share
        return min(1.0, max(0.0, self.begun_k / gain_k))

    def _left(self) -> tuple[float, float]:
        """What is left of a lead that was there for long, and of its slow part alone, 0...1."""
        if self.at_s is None or self.begun_k == 0.0:
            return 0.0, 0.0
        for_s = self.at_s - self.begun_s
        quick, slow = math.exp(-for_s / th.LEAD_QUICK_S), math.exp(-for_s / th.LEAD_SLOW_S)
        return th.LEAD_QUICK_SHARE * quick + (1.0 - th.LEAD_QUICK_SHARE) * slow, slow


def advance(
    lead: Lead,
    heat: bool,
    mat_c: float | None,
    substrate_c: float | None,
    now_s: float,
    *,
    prior_k: float,
    learn: bool,
) -> Lead:
    """Move on by one cycle.

    Args:
        lead: of the cycle before.
        heat: whether heat was asked for and allowed since the cycle before.
        mat_c: mat now, °C; None without a reading.
        substrate_c: wet layer now, °C; None without one.
        now_s: monotonic time, s.
        prior_k: full-power lead that the mat's rating makes likely, K.
        learn: nothing is suspected, so that this cycle may be learned from.
    """
    measured_k = None if mat_c is None or substrate_c is None else mat_c - substrate_c
    if lead.at_s is None:
        if measured_k is None:
            return lead
        # Heat from before we ran is still in the mat: what is seen at first is taken as such.
        share = min(1.0, max(0.0, measured_k / prior_k))
        return Lead(
            now_s,
            begun_s=now_s,
            begun_k=measured_k,
            begun_share=share,
            mean_k=0.0,
            lead_k=measured_k,
        )
    dt_s = now_s - lead.at_s
    if dt_s <= 0.0:
        return lead
    u = 1.0 if heat else 0.0
    quick = lead.quick + (u - lead.quick) * _gone(dt_s, th.LEAD_QUICK_S)
    slow = lead.slow_since + (u - lead.slow_since) * _gone(dt_s, th.LEAD_SLOW_S)
    whole = th.LEAD_QUICK_SHARE * quick + (1.0 - th.LEAD_QUICK_SHARE) * slow
    since = lead.since + (whole - lead.since) * _gone(dt_s, th.SLEEVE_S)
    base_gone = _gone(dt_s, th.RIPPLE_BASE_S)
    since_2 = lead.since_2 + (since - lead.since_2) * base_gone
    switched_s = now_s - dt_s if heat is not lead.heat else lead.switched_s
    lead = changed(
        lead,
        at_s=now_s,
        quick=quick,
        slow_since=slow,
        since=since,
        since_2=since_2,
        heat=heat,
        switched_s=switched_s,
    )
    if measured_k is None:
        return changed(lead, lead_k=None, mean_k=None)
    beyond_k = measured_k - lead.carried_k
    if lead.mean_k is None:
        return changed(lead, lead_k=measured_k, mean_k=beyond_k, xx=0.0, xy=0.0)
    mean_k = lead.mean_k + (beyond_k - lead.mean_k) * base_gone
    stays = 1.0 - _gone(dt_s, th.RIPPLE_MEMORY_S)
    xx, xy = lead.xx * stays, lead.xy * stays
    if switching(lead, now_s):
        # Long after a switch only the tail of the response is left, whose shape differs by box.
        x, y = since - since_2, beyond_k - mean_k
        xx, xy = xx + x * x * dt_s, xy + x * y * dt_s
    lead = changed(lead, lead_k=measured_k, mean_k=mean_k, xx=xx, xy=xy)
    return _learn(lead, dt_s, prior_k) if learn else lead


def switching(lead: Lead, now_s: float) -> bool:
    """Whether the relay has switched lately enough for the mat to show it."""
    return lead.switched_s is not None and now_s - lead.switched_s <= th.RIPPLE_AFTER_SWITCH_S


def _learn(lead: Lead, dt_s: float, prior_k: float) -> Lead:
    ripple_k, level_k, learned_s = lead.ripple_k, lead.level_k, lead.learned_s
    told = answer(lead, prior_k, dt_s)
    if told is not None and told >= th.ANSWERS:
        gain_k = lead.xy / lead.xx
        if ripple_k is None:
            ripple_k = gain_k if lead.xx >= th.RIPPLE_FIRST else None
        else:
            ripple_k += (gain_k - ripple_k) * _gone(dt_s, th.GAIN_MEMORY_S)
            learned_s += dt_s
    xx, xy = lead.level_xx, lead.level_xy
    if lead.since >= th.LEVEL_LEARNS_FROM and lead.lead_k is not None and ripple_k is not None:
        stays = 1.0 - _gone(dt_s, th.GAIN_MEMORY_S)
        xx = xx * stays + lead.since * lead.since * dt_s
        xy = xy * stays + lead.since * (lead.lead_k - lead.carried_k) * dt_s
        if xx >= th.LEVEL_FIRST:
            level_k = max(xy / xx, prior_k / th.PRIOR_SPAN)
            if lead.anchor_k is not None:
                level_k = min(level_k, th.ANCHOR_SHARE * lead.anchor_k)
    anchor_k = lead.anchor_k
    if anchor_k is None and learned_s >= th.ANCHOR_S:
        anchor_k = level_k
    return changed(
        lead,
        ripple_k=ripple_k,
        level_k=level_k,
        level_xx=xx,
        level_xy=xy,
        learned_s=learned_s,
        anchor_k=anchor_k,
    )


def answer(lead: Lead, prior_k: float, cycle_s: float) -> float | None:
    """The mat's answer to switching over the learned one; None where it cannot be told.

    Against the least likely gain while none is learned.  1 is as always, 0 is no answer.
    """
    if lead.xx <= 0.0 or lead.at_s is None or not switching(lead, lead.at_s):
        return None
    expected_k = lead.ripple_k if lead.ripple_k is not None else prior_k / th.PRIOR_SPAN
    sigma_k = th.LEAD_NOISE_K * math.sqrt(cycle_s / lead.xx)
    if th.SIGMAS * sigma_k > (1.0 - th.ANSWERS) * expected_k:
        return None
    return lead.xy / lead.xx / expected_k


def excess_k(lead: Lead) -> float | None:
    """The lead beyond what the heat explains, K; None before the level is learned."""
    if lead.lead_k is None or lead.level_k is None:
        return None
    return lead.lead_k - lead.level_k * lead.sleeve


def _gone(dt_s: float, tau_s: float) -> float:
    return -math.expm1(-dt_s / tau_s)
