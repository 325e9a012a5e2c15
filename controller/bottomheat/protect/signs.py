"""Diagnoses from the mat and the wet layer: stuck on, no effect, opened, displaced.

Each takes the watch and one cycle's facts and returns the watch with what it now knows.  ``detect``
calls them in order.
"""

from __future__ import annotations

import math

from bottomheat.model import Place
from bottomheat.protect import layer as lay
from bottomheat.protect import lead as led
from bottomheat.protect import thresholds as th
from bottomheat.protect.frozen import changed
from bottomheat.protect.watch import Facts, Watch, apart_k, excess_k, level_k, suspended


def warms_while_off(watch: Watch, facts: Facts, now_s: float) -> Watch:
    """Stuck on, seen with the heat off: the mat warms, and faster than the layer.

    Nothing else does that, open box or not, so it is never suspended.
    """
    lead_k = watch.lead.lead_k
    if facts.heat or facts.mat_c is None:
        return changed(watch, off_s=None, off_mat_c=math.inf) if watch.off_s is not None else watch
    if watch.off_s is None:
        return changed(
            watch,
            off_s=now_s,
            off_mat_c=math.inf,
            off_first_c=facts.mat_c,
            off_first_k=lead_k or 0.0,
            off_room_c=facts.room_c,
        )
    off_s = now_s - watch.off_s
    still = watch.still.get(Place.MAT)
    alive = still is None or now_s - still.since_s < th.MAT_STILL_S
    if off_s >= th.STUCK_LONG_S and alive and lead_k is not None:
        lost_k = watch.off_first_c - facts.mat_c
        warm_k = max(th.STUCK_LEAD_K, th.STUCK_LEAD_SHARE * level_k(watch, facts))
        first_k = watch.off_first_k
        if lead_k >= warm_k and first_k >= warm_k and lost_k < th.STUCK_STAYS * first_k:
            return changed(watch, stuck=True)
    if off_s < th.STUCK_BLIND_S:
        return watch
    if facts.mat_c < watch.off_mat_c:
        return changed(watch, off_mat_c=facts.mat_c, off_lead_k=0.0 if lead_k is None else lead_k)
    rise_k = max(th.STUCK_RISE_K, th.STUCK_RISE_SHARE * level_k(watch, facts))
    if off_s < th.STUCK_OFF_S or facts.mat_c - watch.off_mat_c < rise_k:
        return watch
    if lead_k is None:
        return _warms_blindly(watch, facts, rise_k)
    if lead_k - watch.off_lead_k < 0.7 * rise_k:
        return watch
    # More than the heat of before explains: a box that is put back warms a cold mat, to no more.
    excess = excess_k(watch)
    if (lead_k if excess is None else excess) < 0.7 * rise_k:
        return watch
    return changed(watch, stuck=True)


def _warms_blindly(watch: Watch, facts: Facts, rise_k: float) -> Watch:
    """The same without a wet layer to compare with: the mat warms and the room has not."""
    if facts.room_c is None or watch.off_room_c is None:
        return watch
    by_room_k = max(0.0, facts.room_c - watch.off_room_c)
    if facts.mat_c is None or facts.mat_c - watch.off_mat_c < rise_k + by_room_k:
        return watch
    if facts.mat_c - facts.room_c < th.STUCK_ABOVE_ROOM_K:
        return watch
    return changed(watch, stuck=True)


def look(watch: Watch, facts: Facts, now_s: float) -> tuple[Watch, str | None]:
    """The mat does not answer to switching: tell which fault it is.

    With most of the lead missing there is no heat.  With the lead there, heat is held off for ten
    minutes: a healthy mat cools in that time and a welded one does not.

    Returns:
        The watch, and what was found: "no effect", "stuck", "answers", or None.
    """
    if watch.look_s is not None:
        return _looking(watch, facts, now_s)
    told = led.answer(watch.lead, facts.lead_prior_k, facts.cycle_s)
    if told is None:
        return _unmute(watch), None
    watch = changed(watch, answered_s=now_s)
    if told >= th.ANSWERS:
        weak_s = watch.weak_s
        if told >= th.WEAK or not _thin(watch) or abs(watch.lead.carried_k) > th.CARRIED_K:
            weak_s = None
        elif weak_s is None:
            weak_s = now_s
        no_effect = watch.no_effect
        if no_effect is not None and told >= th.WEAK and not _bare(watch):
            no_effect = None
        return changed(watch, mute_s=None, weak_s=weak_s, no_effect=no_effect), None
    mute_s = now_s if watch.mute_s is None else watch.mute_s
    watch = changed(watch, mute_s=mute_s)
    if now_s - mute_s < th.MUTE_S or facts.mat_c is None:
        return watch, None
    if _bare(watch):
        return watch, "no effect"
    lead_k = watch.lead.lead_k
    full_k = level_k(watch, facts)
    if lead_k is None or lead_k < max(th.STUCK_LEAD_K, th.STUCK_LEAD_SHARE * full_k):
        return watch, None
    if watch.looked_s is not None and now_s - watch.looked_s < th.LOOK_AGAIN_S:
        return watch, None
    return (
        changed(watch, look_s=now_s, look_mat_c=facts.mat_c, look_lead_k=lead_k),
        None,
    )


def _thin(watch: Watch) -> bool:
    """Whether a part of the lead that the heat explains is missing, as far as the level tells."""
    gain_k, lead_k = watch.lead.level_k, watch.lead.lead_k
    if gain_k is None or lead_k is None:
        return True
    return lead_k < th.WEAK_LEAD_SHARE * gain_k * watch.lead.sleeve


def _bare(watch: Watch) -> bool:
    """Whether most of the lead that the heat explains is missing."""
    gain_k = watch.lead.level_k or watch.lead.ripple_k
    if gain_k is None or watch.lead.lead_k is None:
        return False
    due_k = gain_k * watch.lead.sleeve
    return due_k >= th.BARE_K and watch.lead.lead_k < th.BARE_SHARE * due_k


def _unmute(watch: Watch) -> Watch:
    if watch.mute_s is None and watch.weak_s is None:
        return watch
    return changed(watch, mute_s=None, weak_s=None)


def _looking(watch: Watch, facts: Facts, now_s: float) -> tuple[Watch, str | None]:
    lead_k = watch.lead.lead_k
    if facts.mat_c is None or lead_k is None or watch.look_s is None:
        return changed(watch, look_s=None, looked_s=now_s), None
    if now_s - watch.look_s < th.LOOK_S:
        return watch, None
    full_k = level_k(watch, facts)
    fell_k = watch.look_mat_c - facts.mat_c
    stays = fell_k < th.STUCK_STAYS * watch.look_lead_k
    if watch.no_effect is not None:
        stays = stays and -fell_k >= th.STUCK_RISE_K  # a dead mat does not warm
    watch = changed(watch, look_s=None, looked_s=now_s, mute_s=None)
    if stays and lead_k >= max(th.STUCK_LEAD_K, th.STUCK_LEAD_SHARE * full_k):
        return changed(watch, stuck=True), "stuck"
    return watch, "answers"


def missing_lead(watch: Watch, facts: Facts, now_s: float) -> Watch:
    """No effect, seen with the heat on for long, when nothing is switched: the lead is missing."""
    lead_k = watch.lead.lead_k
    if lead_k is None or not facts.heat or watch.lead.sleeve < th.NO_LEAD_FROM:
        return watch if watch.no_lead_s is None else changed(watch, no_lead_s=None)
    gain_k = watch.lead.level_k or watch.lead.ripple_k
    if gain_k is None:
        missing = lead_k < th.ANSWERS * facts.lead_prior_k / th.PRIOR_SPAN * watch.lead.sleeve
    else:
        missing = lead_k - gain_k * watch.lead.sleeve < -th.NO_LEAD_SHARE * gain_k
    if not missing:
        return watch if watch.no_lead_s is None else changed(watch, no_lead_s=None)
    return changed(watch, no_lead_s=now_s) if watch.no_lead_s is None else watch


def disturbance(watch: Watch, facts: Facts, now_s: float) -> Watch:
    """Something has come over the bed: it fell faster than heat and room explain."""
    layer_c = facts.substrate_c
    if layer_c is None:
        return watch
    if watch.disturbed_s is not None:
        excess = excess_k(watch)
        peak_k = watch.peak_k if excess is None else max(watch.peak_k, excess)
        drop_k = watch.drop_k
        moved = lay.moved_k(watch.layer, th.DROP_MINUTES)
        if moved is not None and now_s - watch.disturbed_s < th.DROP_MINUTES * 60.0:
            drop_k = max(drop_k, moved[1] - moved[0])
        return changed(watch, peak_k=peak_k, drop_k=drop_k, lowest_c=min(watch.lowest_c, layer_c))
    moved = lay.moved_k(watch.layer, th.DROP_MINUTES)
    if moved is None or moved[1] - moved[0] < th.DROP_K or moved[0] > -th.DROP_ITSELF_K:
        return watch
    excess = excess_k(watch)
    if excess is None and moved[0] > -th.DROP_BLIND_K:
        return watch  # without a mat probe a dead mat looks like a slow drop
    if excess is not None and excess < -th.DROP_K and moved[0] > -3.0 * th.DROP_K:
        return watch  # the mat is colder than its heat explains: it fails, and the layer follows
    return changed(
        watch,
        disturbed_s=now_s,
        drop_k=moved[1] - moved[0],
        lowest_c=layer_c,
        peak_k=0.0 if excess is None else excess,
        judged=False,
        mute_s=None,
        weak_s=None,
        look_s=None,
        no_lead_s=None,
        apart_s=None,
    )


def after_tending(watch: Watch, now_s: float) -> Watch:
    """The box is closed again: a lead that is too long now has to come back like after a drop."""
    excess = excess_k(watch)
    if excess is None or excess < th.DISPLACED_JUMP_K:
        return watch
    return changed(watch, disturbed_s=now_s, drop_k=0.0, peak_k=excess, judged=False)


def touches_room(watch: Watch, facts: Facts, now_s: float) -> Watch:
    """The wet layer reads what the room reads, where it should be well above it."""
    layer_c, room_c = facts.substrate_c, facts.room_c
    touching = False
    if layer_c is not None and room_c is not None:
        should_k = lay.full_k(watch.layer, facts.layer_prior_k) * watch.layer.share
        touching = abs(layer_c - room_c) <= th.ROOM_TOUCH_K and should_k >= th.ROOM_APART_K
    if not touching:
        return watch if watch.touch_s is None else changed(watch, touch_s=None)
    return changed(watch, touch_s=now_s) if watch.touch_s is None else watch


def displaced(watch: Watch, facts: Facts, now_s: float) -> tuple[Watch, str | None, str | None]:
    """Whether the wet-layer probe lies where it should, as far as the mat can tell.

    Returns:
        The watch, why it is taken to be displaced (or None), and what to tell about an opened box
        (or None).
    """
    excess = excess_k(watch)
    if watch.touch_s is not None and now_s - watch.touch_s >= th.ROOM_TOUCH_S:
        # Cold bags may lie at the room's temperature too: after a drop the mat tells, or time.
        opened = suspended(watch, facts, now_s)
        if excess is None:
            # A shed that is as warm as the bed on a mild day looks the same: only after a jump.
            away = watch.blind_s is not None and now_s - watch.blind_s <= th.BLIND_S
        else:
            away = excess >= th.DISPLACED_K
        if away and not opened:
            return watch, "it reads the room's temperature", None
    bound_k = apart_k(watch, facts)
    if watch.disturbed_s is not None:
        return _disturbed(watch, facts, now_s, excess, bound_k)
    if excess is None or watch.lead.level_k is None or excess < bound_k:
        return (watch if watch.apart_s is None else changed(watch, apart_s=None)), None, None
    if watch.apart_s is None:
        return changed(watch, apart_s=now_s), None, None
    if now_s - watch.apart_s < th.DISPLACED_S:
        return watch, None, None
    moved = lay.moved_k(watch.layer, th.PATH_MINUTES)
    if moved is not None and moved[0] - moved[1] >= th.UNASKED_K:
        # The layer warms beyond its heat as well: nobody has moved the probe, the mat is fed.
        return changed(watch, stuck=True, apart_s=None), None, None
    return watch, f"it reads {excess:.1f} K less than the mat's heat makes of the layer", None


def _disturbed(
    watch: Watch, facts: Facts, now_s: float, excess: float | None, bound_k: float
) -> tuple[Watch, str | None, str | None]:
    since_s = now_s - (watch.disturbed_s or now_s)
    layer_c = facts.substrate_c
    why = told = None
    if excess is not None:
        if since_s < th.DISPLACED_LOOK_S:
            return watch, None, None
        if not watch.judged:
            watch = changed(watch, judged=True)
            if excess >= max(th.DISPLACED_JUMP_K, th.DISPLACED_STAYS * watch.peak_k):
                why = f"{_fell(watch)} and the mat did not follow"
            else:
                told = _opened(watch)
        if why is None and since_s >= th.DISTURBED_S and excess >= bound_k:
            why = f"{_fell(watch)} and has not come back"
        over = excess < th.SETTLED_K and since_s >= th.RECOVERS_S
    else:
        if since_s < th.RECOVERS_S:
            return watch, None, None
        risen_k = -math.inf if layer_c is None else layer_c - watch.lowest_c
        if not watch.judged:
            watch = changed(watch, judged=True)
            touches = watch.touch_s is not None and now_s - watch.touch_s >= th.ROOM_TOUCH_S
            if risen_k < th.RECOVERS_SHARE * watch.drop_k or (
                touches and risen_k < th.TOUCH_RECOVERS_SHARE * watch.drop_k
            ):
                why = f"{_fell(watch)} and has not come back"
            else:
                told = _opened(watch)
        over = False
    if why is not None or over or since_s >= th.DISTURBED_S:
        watch = changed(watch, disturbed_s=None, apart_s=None)
    return watch, why, told


def _fell(watch: Watch) -> str:
    return f"it fell by {watch.drop_k:.1f} K" if watch.drop_k > 0.0 else "it was low after tending"


def _opened(watch: Watch) -> str | None:
    if watch.drop_k <= 0.0:
        return None  # it began with tending that was announced
    return (
        f"box opened, filled or watered: the wet layer fell by {watch.drop_k:.1f} K and the bed "
        "follows; detectors wait until it has recovered"
    )


def unanswered(watch: Watch, facts: Facts) -> str | None:
    """Without a mat probe: the layer does not rise as it should.

    Returns:
        "no effect", or None.
    """
    if watch.lead.lead_k is not None:
        return None
    moved = lay.moved_k(watch.layer, th.PATH_MINUTES)
    if moved is None or (facts.room_c is None and watch.layer.full_k is None):
        return None  # a warm bed at a restart, of which nothing is known yet
    rise_k, due_k = moved
    if watch.layer.full_k is None:
        due_k /= th.PRIOR_SPAN
    if due_k >= th.RESPONSE_K and rise_k < th.RESPONSE_SHARE * due_k:
        return "no effect"
    return None
