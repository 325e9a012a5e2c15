"""Chambers whose plugs or probes have changed places while they run.

One bed warms while its own heat is off, and another is heated and stays cold: two faults at once,
or one mistake.  Both are cut and latch.
"""

from __future__ import annotations

from collections.abc import Mapping

from bottomheat.protect import thresholds as th
from bottomheat.protect.watch import Watch

FOREIGN = "answer to each other's heat"
"""Stands in the words of crossed boxes, in a latch file too."""


def crossed(watches: Mapping[str, Watch], now_s: float) -> Mapping[str, str]:
    """Which chambers are crossed now, with the words that latch them.

    Args:
        watches: of every chamber, after this cycle.
        now_s: monotonic time, s.
    """
    warm = [
        name
        for name, watch in watches.items()
        if watch.stuck_s is not None and now_s - watch.stuck_s <= th.CROSSED_S
    ]
    if not warm:
        return {}
    cold = [name for name, watch in watches.items() if not watch.stuck and _unheated(watch)]
    if not cold:
        return {}
    names = " and ".join(sorted({*warm, *cold}))
    text = (
        f"{names} {FOREIGN}: plugs or probes have changed places; "
        "put them right, then run bottomheat prove"
    )
    return dict.fromkeys((*warm, *cold), text)


def _unheated(watch: Watch) -> bool:
    """Whether a heated bed shows no heat: its lead is missing, and the box has not been opened."""
    lead = watch.lead
    gain_k = lead.level_k or lead.ripple_k
    if gain_k is None or lead.lead_k is None or lead.sleeve < th.LEVEL_LEARNS_FROM:
        return False
    at_s = lead.at_s or 0.0
    tended = watch.tended_s is not None and at_s - watch.tended_s < th.DISTURBED_S
    unheard = watch.unheard_s is not None and at_s - watch.unheard_s < th.UNHEARD_S
    if watch.disturbed_s is not None or tended or unheard:
        return False
    if watch.no_effect is not None:
        return True
    return lead.lead_k - gain_k * lead.sleeve < -max(
        th.STUCK_RISE_K, th.STUCK_LEAD_SHARE * gain_k * min(1.0, 2.0 * lead.sleeve)
    )
