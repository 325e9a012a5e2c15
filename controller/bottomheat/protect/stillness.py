"""Probes that stand still while the bed moves.

A healthy DS18B20 in a bed that is under control may show one count for hours, so standing still
proves nothing by itself: the model has to say that it should have moved.  Where it expects
nothing, a proving window lumps the same heat over 40 minutes and makes it move.
"""

from __future__ import annotations

from bottomheat.model import Place
from bottomheat.protect import thresholds as th
from bottomheat.protect.frozen import changed
from bottomheat.protect.supply import RETURN_S
from bottomheat.protect.watch import Facts, Still, Watch, level_k

LAYERS = (Place.SUBSTRATE, Place.SUBSTRATE_2)


def follow(watch: Watch, facts: Facts, now_s: float) -> tuple[Watch, frozenset[Place]]:
    """Note which counts have changed, and how far the models have moved since.

    Returns:
        The watch, and the places whose probe is frozen.
    """
    stills = watch.still
    frozen: set[Place] = set()
    lead_k = level_k(watch, facts) * watch.lead.sleeve
    for place, celsius in facts.readings_c.items():
        if celsius is None or place not in (*LAYERS, Place.MAT):
            continue
        model_k = lead_k if place is Place.MAT else watch.layer.expected_c
        known = stills.get(place)
        if known is None or celsius != known.celsius:
            stills = {**stills, place: Still(celsius, now_s, model_k, model_k)}
            continue
        if not known.low_k <= model_k <= known.high_k:
            known = changed(
                known, low_k=min(known.low_k, model_k), high_k=max(known.high_k, model_k)
            )
            stills = {**stills, place: known}
        stands = place in watch.frozen and now_s - known.since_s >= RETURN_S
        if stands or _frozen(watch, place, known, now_s):
            frozen.add(place)
    if stills is not watch.still:
        watch = changed(watch, still=stills)
    return watch, frozenset(frozen)


def _frozen(watch: Watch, place: Place, still: Still, now_s: float) -> bool:
    stands_s = now_s - still.since_s
    if place is Place.MAT:
        learned = watch.lead.ripple_k is not None
        due_k = th.MAT_STILL_K if learned else th.MAT_STILL_K * th.STILL_UNLEARNED
        return stands_s >= th.MAT_STILL_S and still.range_k >= due_k
    unsure = 1.0 if watch.layer.full_k is not None else th.STILL_UNLEARNED
    if stands_s >= th.STILL_S and still.range_k >= th.STILL_RANGE_K * unsure:
        return True
    from_s = watch.window_from_s
    return (
        from_s is not None
        and still.since_s <= from_s
        and now_s - from_s >= th.WINDOW_JUDGED_S
        and still.range_k >= th.WINDOW_RANGE_K * unsure
    )


def window(watch: Watch, facts: Facts, now_s: float) -> Watch:
    """Ask for a proving window where a layer probe has not moved for long."""
    if watch.window_from_s is not None and now_s - watch.window_from_s >= th.WINDOW_JUDGED_S + 60.0:
        watch = changed(watch, window_from_s=None)
    low, high = th.WINDOW_DUTY
    if not facts.modulated or not low <= facts.duty <= high or facts.no_heat is not None:
        return watch
    if watch.window_s is not None and now_s - watch.window_s < th.WINDOW_AGAIN_S:
        return watch
    standing = [
        still
        for place, still in watch.still.items()
        if place in LAYERS and facts.readings_c.get(place) is not None
    ]
    silent_s = now_s - (watch.answered_s or watch.begun_s or now_s)
    mute = facts.mat_c is not None and silent_s >= th.WINDOW_AGAIN_S  # windows too short to tell
    if not mute and not any(now_s - still.since_s >= th.STILL_S for still in standing):
        return watch
    stills = {
        place: changed(still, low_k=watch.layer.expected_c, high_k=watch.layer.expected_c)
        if place in LAYERS
        else still
        for place, still in watch.still.items()
    }
    return changed(watch, still=stills, window_s=now_s, window_from_s=now_s)
