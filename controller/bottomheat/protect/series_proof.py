"""Proof that the series relay opens, once a week and at the first chance after a start.

For five minutes the heat relay is closed and the series relay is held open.  No heat may flow, and
the model says what the mat's lead does with and without: the measured one is near the one or near
the other.  One closing, and no heat, a week.
"""

from __future__ import annotations

import math

from bottomheat.protect import thresholds as th
from bottomheat.protect.frozen import changed
from bottomheat.protect.watch import Facts, Watch


def advance(watch: Watch, facts: Facts, now_s: float, *, quiet: bool) -> tuple[Watch, str | None]:
    """Take one cycle into account.

    Args:
        watch: of this cycle, models moved on.
        facts: of this cycle.
        now_s: monotonic time, s.
        quiet: the bed is disturbed, so that nothing can be proved.

    Returns:
        The watch, with ``proof_from_s`` while the series relay has to be open and the heat relay
        closed, and what was found.
    """
    if watch.proof_from_s is not None:
        return _running(watch, facts, now_s, quiet=quiet)
    due = watch.proof_s is None or now_s - watch.proof_s >= th.PROOF_EVERY_S
    tried_s = math.inf if watch.proof_tried_s is None else now_s - watch.proof_tried_s
    able = facts.series and not quiet and not watch.suspected and facts.no_heat is None
    if not (due and able and facts.heard) or _gain_k(watch) is None:
        return watch if watch.proof_cools_s is None else changed(watch, proof_cools_s=None), None
    if watch.lead.lead_k is None:
        return watch, None
    if tried_s < th.PROOF_AGAIN_S:
        return watch, None
    if facts.mat_margin_k is not None and facts.mat_margin_k < th.PROOF_MARGIN_K:
        # A mat at its bound would end the proof at once: let it cool first.
        since_s = now_s if watch.proof_cools_s is None else watch.proof_cools_s
        if now_s - since_s < th.PROOF_COOLS_S:
            return changed(watch, proof_cools_s=since_s), None
    return changed(
        watch,
        proof_from_s=now_s,
        proof_cools_s=None,
        proof_tried_s=now_s,
        proof_lead_k=watch.lead.lead_k,
        proof_sleeve=watch.lead.sleeve,
    ), None


def _running(watch: Watch, facts: Facts, now_s: float, *, quiet: bool) -> tuple[Watch, str | None]:
    since_s = now_s - (watch.proof_from_s or now_s)
    lead_k, gain_k = watch.lead.lead_k, _gain_k(watch)
    over = since_s >= th.PROOF_S
    # The keeper's word is one cycle late, so closed is not asked for at once.
    idle = since_s > 3.0 * facts.cycle_s and not (facts.closed and facts.series_open)
    over = over or (idle and since_s >= th.PROOF_TELLS_S)  # the mat came to its bound: it is heated
    if (
        quiet
        or (idle and not over)
        or facts.no_heat is not None
        or lead_k is None
        or gain_k is None
    ):
        return _broken_off(watch, now_s), None
    if not over:
        return watch, None
    share = heated_share(since_s)
    without_k = gain_k * (watch.lead.sleeve - watch.proof_sleeve)
    told = (lead_k - watch.proof_lead_k - without_k) / (gain_k * share)
    if idle and told < th.PROOF_STUCK:
        return _broken_off(watch, now_s), None
    if gain_k * share * th.PROOF_OPEN < th.SIGMAS * th.LEAD_NOISE_K or (
        th.PROOF_OPEN < told < th.PROOF_STUCK
    ):
        return _broken_off(watch, now_s), None
    if told >= th.PROOF_STUCK:
        found = "the series relay does not open: the mat warmed through it"
        return changed(_broken_off(watch, now_s), proof_s=now_s, series_stuck=True), found
    watch = changed(watch, proof_from_s=None, off_s=None)
    found = "the series relay opens: the mat did not warm while it was held open"
    return changed(watch, proof_s=now_s, series_stuck=False), found


def _gain_k(watch: Watch) -> float | None:
    return watch.lead.ripple_k or watch.lead.level_k


def _broken_off(watch: Watch, now_s: float) -> Watch:
    """The proof is over, and nobody knows whether heat flowed in it."""
    return changed(watch, proof_from_s=None, off_s=None, unheard_s=now_s)


def heated_share(since_s: float) -> float:
    """Share of the full lead that heat adds within a time, s, as the probe sees it."""
    seen_s = max(0.0, since_s - th.SLEEVE_S)  # a lag is about a delay where all else is slower
    quick = -math.expm1(-seen_s / th.LEAD_QUICK_S)
    slow = -math.expm1(-seen_s / th.LEAD_SLOW_S)
    return th.LEAD_QUICK_SHARE * quick + (1.0 - th.LEAD_QUICK_SHARE) * slow
