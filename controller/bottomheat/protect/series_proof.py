"""Proof that the series relay opens, once a week and at the first chance after a start.

At the beginning of a long heating the series relay is held open for five minutes, while the heat
relay is closed.  The mat must not warm.  The cuttings lose five minutes of heat a week.
"""

from __future__ import annotations

import math
from dataclasses import replace

from bottomheat.protect import thresholds as th
from bottomheat.protect.watch import Facts, Watch


def advance(watch: Watch, facts: Facts, now_s: float, *, quiet: bool) -> tuple[Watch, str | None]:
    """Take one cycle into account.

    Args:
        watch: of this cycle, models moved on.
        facts: of this cycle.
        now_s: monotonic time, s.
        quiet: the bed is disturbed, so that nothing can be proved.

    Returns:
        The watch, with ``proof_from_s`` while the series relay has to be open, and what was found.
    """
    if watch.proof_from_s is not None:
        return _running(watch, facts, now_s, quiet=quiet)
    due = watch.proof_s is None or now_s - watch.proof_s >= th.PROOF_EVERY_S
    if not (due and facts.series) or quiet or watch.suspected or facts.no_heat is not None:
        return watch, None
    if watch.lead.ripple_k is None or facts.mat_c is None or not facts.heard:
        return watch, None
    # Not in a window that would be over before the five minutes are.
    fresh = watch.lead.switched_s is not None and now_s - watch.lead.switched_s <= 30.0
    if not (facts.closed and fresh and facts.planned_s >= th.PROOF_S + 30.0):
        return watch, None
    return replace(watch, proof_from_s=now_s, proof_mat_c=math.inf), None


def _running(watch: Watch, facts: Facts, now_s: float, *, quiet: bool) -> tuple[Watch, str | None]:
    since_s = now_s - (watch.proof_from_s or now_s)
    if quiet or not facts.closed or facts.mat_c is None or facts.no_heat is not None:
        return replace(watch, proof_from_s=None), None
    if since_s < th.STUCK_BLIND_S:
        return watch, None  # what the mat took up before is still on its way to the probe
    watch = replace(watch, proof_mat_c=min(watch.proof_mat_c, facts.mat_c))
    bound_k = max(th.PROOF_RISE_K, th.PROOF_RISE_SHARE * (watch.lead.ripple_k or 0.0))
    rise_k = facts.mat_c - watch.proof_mat_c
    if rise_k >= bound_k:
        found = f"the series relay does not open: the mat warmed by {rise_k:.1f} K through it"
        return replace(watch, proof_from_s=None, proof_s=now_s, series_stuck=True), found
    if since_s < th.PROOF_S:
        return watch, None
    found = "the series relay opens: the mat did not warm while it was held open"
    return replace(watch, proof_from_s=None, proof_s=now_s, series_stuck=False), found
