"""A probe in the callus zone that has moved or stands still.

Wet layer and room make a temperature likely there; how far the probe usually lies from it is
learned, because nobody knows the factor to better than that.  A probe that is not believed any more
is not used: the direct method then works on what is likely, as when the probe is lost.
"""

from __future__ import annotations

import math

from bottomheat.model import Place
from bottomheat.protect import thresholds as th
from bottomheat.protect.frozen import changed
from bottomheat.protect.watch import CallusProbe, Facts, Watch


def follow(watch: Watch, facts: Facts, now_s: float, *, quiet: bool) -> Watch:
    """Take one cycle into account.

    Args:
        watch: of this cycle.
        facts: of this cycle.
        now_s: monotonic time, s.
        quiet: the bed is disturbed, so that nothing can be told.
    """
    value_c, likely_c = facts.readings_c.get(Place.CALLUS), facts.likely_c
    if value_c is None or likely_c is None:
        return watch
    probe = watch.callus
    dt_s = 0.0 if probe.at_s is None else max(0.0, now_s - probe.at_s)
    off_k = value_c - likely_c - probe.bias_k
    learned = probe.learned_s >= th.CALLUS_LEARNED_S
    # A warmer one is believed: it may be the lamp, and it asks for less heat.
    apart = learned and not quiet and off_k <= -th.CALLUS_APART_K
    apart_s = (now_s if probe.apart_s is None else probe.apart_s) if apart else None
    bias_k, learned_s = probe.bias_k, probe.learned_s
    far = learned and abs(off_k) >= th.CALLUS_APART_K
    if not (quiet or far or probe.displaced or probe.frozen or watch.suspected):
        # The first hours are a plain mean, the rest forgets within half a day.
        learned_s += dt_s
        tau_s = min(th.CALLUS_BIAS_S, max(learned_s, dt_s, 1.0))
        bias_k += off_k * -math.expm1(-dt_s / tau_s)
    moved = value_c != probe.count_c
    low_c = likely_c if moved else min(probe.low_c, likely_c)
    high_c = likely_c if moved else max(probe.high_c, likely_c)
    since_s = now_s if moved else probe.since_s
    still = now_s - since_s >= th.CALLUS_STILL_S and high_c - low_c >= th.CALLUS_STILL_K
    after = CallusProbe(
        bias_k=bias_k,
        learned_s=learned_s,
        at_s=now_s,
        apart_s=apart_s,
        count_c=value_c,
        since_s=since_s,
        low_c=low_c,
        high_c=high_c,
        displaced=probe.displaced
        if quiet
        else apart_s is not None and now_s - apart_s >= th.CALLUS_APART_S,
        frozen=not moved and (probe.frozen or (still and not quiet)),
    )
    return changed(watch, callus=after)
