"""What lies outside the bed: a room probe that lies, warmth without heat, too little heat, none."""

from __future__ import annotations

import math

from bottomheat.model import Place
from bottomheat.protect import layer as lay
from bottomheat.protect import thresholds as th
from bottomheat.protect.frozen import changed
from bottomheat.protect.watch import Facts, RoomStill, Watch, suspended


def room(watch: Watch, facts: Facts, now_s: float) -> tuple[Watch, str | None]:
    """Whether the room probe can be believed.

    A room that warms by 4 K in 20 minutes is doubted: sun on the probe, or the probe by the box.
    The room from before is used until it comes back, or for six hours.  Another chamber's room
    that rose as well bears it out, and so does a bed that warms with it.

    Returns:
        The watch with ``room_s`` and ``room_ref_c`` or ``room_frozen``, and why the room is
        doubted, once that is to be told.
    """
    room_c = facts.room_c
    if room_c is None:
        return changed(watch, room_s=None, room_ref_c=None, room_path=(), room_still=None), None
    watch, still = _room_still(watch, facts, room_c, now_s)
    if still:
        watch = changed(watch, room_s=None, room_ref_c=None, room_frozen=True)
        return watch, f"it has stood at {room_c:.1f} °C for hours while the bed says that it moved"
    if watch.room_frozen:
        watch = changed(watch, room_frozen=False)
    if watch.room_s is not None and watch.room_ref_c is not None:
        if room_c - watch.room_ref_c < th.ROOM_BACK_K:
            return changed(watch, room_s=None, room_ref_c=None, room_path=()), None
        held_s = now_s - watch.room_s
        if held_s >= th.ROOM_HELD_S or _bed_follows(watch, room_c, held_s):
            return changed(watch, room_s=None, room_ref_c=None, room_path=(room_c,)), None
        words = f"it reads {room_c:.1f} °C; {watch.room_ref_c:.1f} °C is used"
        return watch, words if held_s >= th.ROOM_TOLD_S else None
    if now_s - watch.room_minute_s >= 59.5:
        path = (*watch.room_path[-th.ROOM_JUMP_MINUTES :], room_c)
        others = (*watch.room_others[-th.ROOM_JUMP_MINUTES :], facts.other_rooms_c)
        watch = changed(watch, room_path=path, room_others=others, room_minute_s=now_s)
    before = min(watch.room_path, default=room_c)
    if room_c - before >= th.ROOM_JUMP_K and not _others_rose(watch, facts):
        watch = changed(watch, room_s=now_s, room_ref_c=before)
    return watch, None


def _bed_follows(watch: Watch, room_c: float, held_s: float) -> bool:
    """Whether the layer has warmed in the last hour as it would in a room that did."""
    moved = lay.moved_k(watch.layer, th.PATH_MINUTES)
    if moved is None or held_s < th.PATH_MINUTES * 60.0 or watch.room_ref_c is None:
        return False
    due_k = (room_c - watch.room_ref_c) * -math.expm1(-3600.0 / th.LAYER_SLOW_S)
    return moved[0] - moved[1] >= th.ROOM_FOLLOWS_SHARE * due_k


def _others_rose(watch: Watch, facts: Facts) -> bool:
    """Whether another room has risen in the last 20 minutes by half as much at least."""
    if not watch.room_others:
        return False
    then = watch.room_others[0]
    return any(
        now_c - then[name] >= th.ROOM_JUMP_K / 2
        for name, now_c in facts.other_rooms_c.items()
        if name in then
    )


def _room_still(watch: Watch, facts: Facts, room_c: float, now_s: float) -> tuple[Watch, bool]:
    """Whether the room probe stands still while other rooms move, or the bed says that it moved."""
    drift_k = 0.0 if facts.substrate_c is None else facts.substrate_c - watch.layer.expected_c
    still = watch.room_still
    if still is None or still.celsius != room_c or suspended(watch, facts, now_s):
        usual_s = math.inf if still is None else now_s - still.since_s
        if still is not None and still.celsius == room_c:
            usual_s = still.usual_s
        fresh = RoomStill(room_c, now_s, dict(facts.other_rooms_c), drift_k, usual_s)
        return changed(watch, room_still=fresh), False
    if now_s - still.since_s < th.ROOM_STILL_S:
        return watch, False
    moved = [
        abs(now_c - still.others_c[name])
        for name, now_c in facts.other_rooms_c.items()
        if name in still.others_c
    ]
    lively = still.usual_s <= th.ROOM_LIVELY_S  # a room without a breath may stand for hours
    implied = lively and watch.layer.full_k is not None and not watch.suspected
    return watch, max(moved, default=0.0) >= th.ROOM_OTHERS_K or (
        implied and abs(drift_k - still.drift_k) >= th.ROOM_IMPLIED_K
    )


def warm_without_heat(
    watch: Watch, facts: Facts, now_s: float, *, standing: bool
) -> tuple[Watch, bool]:
    """Sun, a lamp or a warm shed: above the band, without heat for an hour, and not falling."""
    value_c = facts.estimate_c
    if value_c is None and standing and not (watch.stuck or facts.heat):
        return watch, True  # who is not believed or silent says nothing for it and nothing against
    moved = lay.moved_k(watch.layer, th.PATH_MINUTES)
    bound_c = facts.setpoint_c + (th.WARM_STILL_K if standing else th.WARM_K)
    top_c = facts.readings_c.get(Place.TOP)
    # Bottom heat leaves the air above cooler than the zone: warmer, and heat comes in from above.
    from_above = top_c is not None and top_c >= bound_c
    warm = not watch.stuck and (
        from_above or (value_c is not None and not facts.heat and value_c >= bound_c)
    )
    if not warm:
        return (watch if watch.warm_s is None else changed(watch, warm_s=None)), False
    since = now_s if watch.warm_s is None else watch.warm_s
    if watch.warm_s is None:
        watch = changed(watch, warm_s=now_s)
    falling = moved is not None and moved[0] <= -th.FALLING_K
    return watch, standing or (now_s - since >= th.WARM_S and (from_above or not falling))


def shortfall(watch: Watch, facts: Facts, now_s: float, *, standing: bool) -> tuple[Watch, bool]:
    """The heat is at its bound and the callus zone is low all the same."""
    value_c = facts.estimate_c
    short = (
        value_c is not None
        and facts.no_heat is None
        and (facts.duty >= th.FULL_DUTY or facts.short)
        and value_c <= facts.setpoint_c - th.SHORT_K
        and watch.no_effect is None
    )
    if not short:
        return (watch if watch.short_s is None else changed(watch, short_s=None)), False
    if watch.short_s is None:
        return changed(watch, short_s=now_s), False
    moved = lay.moved_k(watch.layer, th.PATH_MINUTES)
    falling = moved is not None and moved[0] <= -th.FALLING_K
    return watch, now_s - watch.short_s >= th.SHORT_S and (falling or standing)


def _fed(watch: Watch, now_s: float) -> bool:
    """Whether the mat is warm although its heat has been off for half an hour."""
    lead_k, gain_k = watch.lead.lead_k, watch.lead.level_k or watch.lead.ripple_k
    if watch.off_s is None or now_s - watch.off_s < th.UNHEARD_S or lead_k is None:
        return False
    if watch.displaced is not None:
        return False  # the lead is too long by how far the probe lies off
    return lead_k >= max(th.STUCK_LEAD_K, th.STUCK_LEAD_SHARE * (gain_k or 0.0))


def heat_lost(watch: Watch, facts: Facts, now_s: float, *, standing: bool) -> tuple[Watch, bool]:
    """No heat can flow, and within six hours the callus zone is three kelvin low."""
    value_c = facts.estimate_c
    if value_c is not None and value_c != watch.last_c:
        held = watch.held or value_c >= facts.setpoint_c - th.SHORT_K
        watch = changed(watch, last_c=value_c, held=held)
    without_effect = watch.no_effect is not None and (
        value_c is None or value_c < facts.setpoint_c - th.SHORT_K / 2
    )
    if watch.stuck or (facts.no_heat is None and not without_effect):
        return (watch if watch.cold_s is None else changed(watch, cold_s=None)), False
    if watch.cold_s is None:
        return changed(watch, cold_s=now_s), False
    if not watch.held or now_s - watch.cold_s < th.LOST_S or facts.pulse or _fed(watch, now_s):
        return watch, False
    room_c = watch.layer.room_c if facts.room_c is None else facts.room_c
    if watch.last_c is None or room_c is None:
        return watch, True
    ahead_s = th.LOST_AHEAD_S
    if value_c is None:
        ahead_s += now_s - watch.cold_s  # what is known is from before it began to cool
    ahead_c = room_c + (watch.last_c - room_c) * math.exp(-ahead_s / th.COOLS_S)
    bound_c = facts.setpoint_c - th.LOST_K + (th.LOST_BACK_K if standing else 0.0)
    return watch, min(ahead_c, watch.last_c) <= bound_c
