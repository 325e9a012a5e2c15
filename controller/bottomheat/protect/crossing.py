"""Chambers whose plugs or probes have changed places while they run.

One bed warms while its own heat is off, and another is heated and stays cold: two faults at once,
or one mistake.  Both are cut and latch.
"""

from __future__ import annotations

from collections.abc import Mapping

from bottomheat.protect import thresholds as th
from bottomheat.protect.watch import Watch


def crossed(watches: Mapping[str, Watch]) -> Mapping[str, str]:
    """Which chambers are crossed now, with the words that latch them.

    Args:
        watches: of every chamber, after this cycle.
    """
    warm = [name for name, watch in watches.items() if watch.stuck]
    if not warm:
        return {}
    cold = [name for name, watch in watches.items() if not watch.stuck and _unheated(watch)]
    if not cold:
        return {}
    names = " and ".join(sorted({*warm, *cold}))
    text = (
        f"{names} answer to each other's heat: plugs or probes have changed places; "
        "put them right, then run bottomheat prove"
    )
    return dict.fromkeys((*warm, *cold), text)


def _unheated(watch: Watch) -> bool:
    """Whether a heated bed shows no heat: its lead is missing."""
    lead = watch.lead
    if watch.no_effect is not None:
        return True
    gain_k = lead.level_k or lead.ripple_k
    if gain_k is None or lead.lead_k is None or lead.sleeve < th.LEVEL_LEARNS_FROM:
        return False
    return lead.lead_k - gain_k * lead.sleeve < -max(
        th.STUCK_RISE_K, th.STUCK_LEAD_SHARE * gain_k * min(1.0, 2.0 * lead.sleeve)
    )
