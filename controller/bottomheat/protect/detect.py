"""One cycle of detection for one bed: facts in, what protection asks for out.

Order: models, then what can never be suspended, then what stands still, then whether the box has
been opened, then what compares the bed with its model, then what lies outside the bed.
"""

from __future__ import annotations

import math

from bottomheat.model import PLACE_WORDS, Alarm, Place
from bottomheat.protect import callus, series_proof, signs, stillness
from bottomheat.protect import circumstances as outside
from bottomheat.protect import layer as lay
from bottomheat.protect import thresholds as th
from bottomheat.protect.frozen import changed
from bottomheat.protect.supply import RETURN_S
from bottomheat.protect.watch import (
    AWAY,
    BACK,
    WELDED,
    Facts,
    Finding,
    Watch,
    apart_k,
    excess_k,
    level_k,
    models,
    needed_duty,
    suspended,
)

STUCK = f"{WELDED}: the contact has welded, or the mat is fed from elsewhere; unplug the mat"
NO_EFFECT = (
    "heat is switched on and the mat does not warm: look at its plug, its cutout and fuse, the "
    "relay, and whether its probe still lies on it"
)
CALLUS_AWAY = (
    "the callus probe is displaced: it reads colder than wet layer and room make likely; it is not "
    "used until it agrees again"
)
WEAK = "the mat gives less than two thirds of the heat that it gave: part of it may be dead"


def advance(
    watch: Watch, facts: Facts, now_s: float, standing: frozenset[Alarm]
) -> tuple[Watch, Finding]:
    """Take one cycle into account.

    Args:
        watch: of the cycle before.
        facts: of this cycle.
        now_s: monotonic time, s.
        standing: alarms of this chamber that stood in the cycle before.
    """
    told: list[str] = []
    alarms: set[Alarm] = set()
    if watch.begun_s is None:
        watch = changed(watch, begun_s=now_s)
    last_s = watch.lead.at_s if watch.layer.at_s is None else watch.layer.at_s
    if last_s is not None and now_s - last_s > max(th.GAP_S, 4.0 * facts.cycle_s):
        facts = changed(facts, heat=False, heard=False)  # the lease ran out in the gap
    watch = models(watch, facts, now_s)
    if _tended_until_now(watch, facts, now_s):
        watch = signs.after_tending(watch, now_s)
    if facts.substrate_c is None and watch.layer.at_s is not None:
        watch = changed(watch, blind_s=now_s)
    if not facts.tending:
        watch = watch if watch.tending_s is None else changed(watch, tending_s=None)
    elif watch.tending_s is None:
        watch = changed(watch, tending_s=now_s)
    if facts.tending:
        watch = changed(watch, tended_s=now_s, disturbed_s=None, look_s=None, mute_s=None)
    if not facts.heard and (facts.closed or watch.lead.sleeve > 0.0):
        watch = changed(watch, unheard_s=now_s, off_s=None, look_s=None, mute_s=None)
    elif watch.proof_from_s is None and (facts.heat or not facts.closed):
        watch = signs.warms_while_off(watch, facts, now_s)
    watch, still = stillness.follow(watch, facts, now_s)
    watch, room_why = outside.room(watch, facts, now_s)
    waiting = facts.pulse or facts.tending
    quiet = suspended(watch, facts, now_s)
    if facts.tending or watch.disturbed_s is not None:
        watch = changed(watch, opened_s=now_s)
    opened = watch.opened_s is not None and now_s - watch.opened_s < th.CALLUS_OPENED_S
    lay_right = not watch.callus.displaced
    # Nobody knows what is likely there while the wet layer is not known, and for hours after.
    learned = watch.callus.learned_s >= th.CALLUS_LEARNED_S
    blind = facts.substrate_c is None or watch.displaced is not None
    blind = blind or (learned and not facts.felt)
    blind = blind or not watch.frozen.isdisjoint(stillness.LAYERS)
    watch = callus.follow(watch, facts, now_s, quiet=quiet or opened or blind)
    if lay_right and watch.callus.displaced:
        told.append(CALLUS_AWAY)
    if not waiting and Place.MAT not in watch.frozen:
        watch = signs.disturbance(watch, facts, now_s)
        watch = signs.touches_room(watch, facts, now_s)
        watch = _displacement(watch, facts, now_s, told)
        quiet = suspended(watch, facts, now_s)
    frozen = watch.frozen & still if quiet else still
    for place in sorted(frozen - watch.frozen):
        told.append(f"{PLACE_WORDS[place]}: its probe stands still while the bed moves: frozen")
    watch = _thaw(watch, frozen, now_s)
    if watch.tending_s is not None and now_s - watch.tending_s >= th.TENDED_LONG_S:
        # A plug that was pulled for the work and forgotten: an open box does not hide that.
        watch = signs.missing_lead(watch, facts, now_s)
        if watch.no_lead_s is not None and now_s - watch.no_lead_s >= th.NO_LEAD_S:
            watch = changed(watch, no_effect=NO_EFFECT)
    elif quiet or watch.displaced is not None or watch.frozen:
        watch = changed(watch, mute_s=None, weak_s=None, look_s=None, no_lead_s=None)
    else:
        watch = _heat(watch, facts, now_s, told)
        watch = stillness.window(watch, facts, now_s)
    watch, proved = series_proof.advance(watch, facts, now_s, quiet=quiet)
    if proved is not None:
        told.append(proved)
    if watch.series_stuck:
        alarms.add(Alarm.SERIES_STUCK)
    if watch.stuck:
        alarms.add(Alarm.RELAY_STUCK_ON)
    if watch.no_effect is not None:
        alarms.add(Alarm.NO_EFFECT)
    if watch.frozen:
        alarms.add(Alarm.PROBE_FROZEN)
    if watch.displaced is not None:
        alarms.add(Alarm.PROBE_DISPLACED)
    if room_why is not None:
        alarms.add(Alarm.ROOM_DOUBTED)
    if watch.callus.displaced:
        alarms.add(Alarm.PROBE_DISPLACED)
    if watch.callus.frozen:
        alarms.add(Alarm.PROBE_FROZEN)
    watch, warm = outside.warm_without_heat(
        watch, facts, now_s, standing=Alarm.WARM_WITHOUT_HEAT in standing
    )
    watch, short = outside.shortfall(watch, facts, now_s, standing=Alarm.SHORTFALL in standing)
    watch, lost = outside.heat_lost(watch, facts, now_s, standing=Alarm.HEAT_LOST in standing)
    alarms.update(
        alarm
        for alarm, stands in (
            (Alarm.WARM_WITHOUT_HEAT, warm),
            (Alarm.SHORTFALL, short),
            (Alarm.HEAT_LOST, lost),
        )
        if stands
    )
    latch = None
    if watch.stuck and watch.stuck_s is None:
        watch = changed(watch, stuck_s=now_s)
    if watch.stuck and watch.latched is None:
        latch = STUCK
    elif watch.latched is not None:
        latch = watch.latched
    watch = changed(watch, latched=latch) if latch is not None else watch
    return watch, Finding(
        no_heat=_no_heat(watch, facts),
        pause=watch.look_s is not None or watch.proof_cools_s is not None,
        duty_cap=_cap(watch, facts, now_s),
        latch=latch,
        open_series=watch.stuck or watch.proof_from_s is not None,
        prove_series=watch.proof_from_s is not None,
        long_window=watch.window_from_s is not None
        and now_s - watch.window_from_s < facts.window_s,
        dropped=_dropped(watch),
        room_c=watch.room_ref_c if watch.room_s is not None else None,
        alarms=frozenset(alarms),
        told=tuple(told),
    )


def _tended_until_now(watch: Watch, facts: Facts, now_s: float) -> bool:
    if facts.tending or watch.tended_s is None or watch.disturbed_s is not None:
        return False
    return now_s - watch.tended_s <= 2.0 * facts.cycle_s


def _thaw(watch: Watch, frozen: frozenset[Place], now_s: float) -> Watch:
    """Take note of what is frozen; a probe that moves again counts after ten good minutes."""
    if frozen >= watch.frozen:
        if frozen == watch.frozen and watch.thaw_s is None:
            return watch
        return changed(watch, frozen=frozen, thaw_s=None)
    if watch.thaw_s is None:
        return changed(watch, frozen=frozen | watch.frozen, thaw_s=now_s)
    if now_s - watch.thaw_s < RETURN_S:
        return watch
    return changed(watch, frozen=frozen, thaw_s=None)


def _displacement(watch: Watch, facts: Facts, now_s: float, told: list[str]) -> Watch:
    if watch.displaced is not None:
        return watch if watch.latched else _agreement(watch, facts, now_s, told)
    if watch.no_effect is not None or watch.stuck:
        return watch
    past = watch
    watch, why, opened = signs.displaced(watch, facts, now_s)
    if opened is not None:
        told.append(opened)
    if why is None:
        return watch
    text = f"{AWAY}: {why}"
    doubted_s = _in_doubt_since(past, now_s)
    again = watch.displaced_s is not None and now_s - watch.displaced_s < th.AGAIN_S
    told.append(text)
    return changed(
        watch,
        displaced=text,
        displaced_s=now_s,
        doubted_s=doubted_s,
        displaced_c=math.inf if facts.substrate_c is None else facts.substrate_c,
        agrees_s=None,
        disturbed_s=None,
        probation_s=None,
        latched=f"{text}, for the second time in a day" if again else watch.latched,
    )


def _in_doubt_since(watch: Watch, now_s: float) -> float:
    """Since when a displaced probe has been in doubt: since it last agreed, or since the signs."""
    since_s = watch.agreed_s if excess_k(watch) is not None else None
    if since_s is None:
        fell_s = watch.disturbed_s
        signs_s = [
            now_s,
            math.inf if fell_s is None else fell_s - th.DROP_MINUTES * 60.0,
            math.inf if watch.touch_s is None else watch.touch_s,
            math.inf if watch.apart_s is None else watch.apart_s,
        ]
        since_s = min(signs_s)
    return max(since_s, now_s - th.DOUBTED_S)


def _agreement(watch: Watch, facts: Facts, now_s: float, told: list[str]) -> Watch:
    """A displaced probe: tried again once it has agreed for half an hour with the heat off."""
    excess = excess_k(watch)
    if (
        excess is None
        and math.isinf(watch.displaced_c)
        and watch.lead.sleeve < th.LEVEL_LEARNS_FROM
    ):
        excess = (
            watch.lead.lead_k
        )  # known from the run before: without heat nothing has to be learned
    if excess is not None:
        bound_k = th.AGREES_K
        # Without heat a mat on a bench loses more downwards than upwards: below, the bound is wide.
        low_k = -apart_k(watch, facts)
        agrees = low_k <= excess <= bound_k
    else:
        # Without a mat probe: it jumped back, or a day has gone.
        layer_c = facts.substrate_c
        back_k = max(th.BACK_K, th.BACK_SHARE * watch.drop_k)
        agrees = layer_c is not None and layer_c >= watch.displaced_c + back_k
        agrees = agrees or now_s - (watch.displaced_s or now_s) >= th.AGAIN_S
    if not agrees:
        return watch if watch.agrees_s is None else changed(watch, agrees_s=None)
    if watch.agrees_s is None:
        return changed(watch, agrees_s=now_s)
    if now_s - watch.agrees_s < th.AGREES_S:
        return watch
    told.append(f"{BACK}: heat is tried at half the duty")
    return changed(
        watch,
        displaced=None,
        agrees_s=None,
        apart_s=None,
        touch_s=None,
        probation_s=now_s + th.PROBATION_S,
    )


def _heat(watch: Watch, facts: Facts, now_s: float, told: list[str]) -> Watch:
    """Whether the heat has its effect."""
    before = watch.no_effect
    watch, seen = signs.look(watch, facts, now_s)
    watch = signs.missing_lead(watch, facts, now_s)
    frozen_mat = Place.MAT in watch.frozen
    gone = seen == "no effect" or (
        watch.no_lead_s is not None and now_s - watch.no_lead_s >= th.NO_LEAD_S
    )
    if not gone and watch.lead.lead_k is None:
        gone = signs.unanswered(watch, facts) == "no effect"
    if gone and not frozen_mat and watch.displaced is None:
        watch = changed(watch, no_effect=NO_EFFECT)
    elif watch.weak_s is not None and now_s - watch.weak_s >= th.WEAK_S:
        watch = changed(watch, no_effect=watch.no_effect or WEAK)
    elif watch.no_effect is not None and watch.no_lead_s is None and _has_effect(watch, facts):
        watch = changed(watch, no_effect=None)
    if watch.no_effect is not None and before is None:
        told.append(watch.no_effect)
    return watch


def _has_effect(watch: Watch, facts: Facts) -> bool:
    """Whether the heat is back, seen without switching: the lead, with the heat on."""
    excess = excess_k(watch)
    if excess is None or watch.lead.sleeve < th.NO_LEAD_FROM or not facts.heat:
        return False
    return excess > -th.NO_LEAD_SHARE / 2 * level_k(watch, facts)


def _dropped(watch: Watch) -> frozenset[Place]:
    places = set(watch.frozen)
    if watch.callus.displaced or watch.callus.frozen:
        places.add(Place.CALLUS)
    if watch.room_frozen:
        places.add(Place.ROOM)
    return frozenset(places)


def _no_heat(watch: Watch, facts: Facts) -> str | None:
    if watch.stuck:
        return STUCK
    if watch.displaced is not None:
        return watch.displaced
    layers = [p for p in stillness.LAYERS if facts.readings_c.get(p) is not None]
    blind = bool(layers) and watch.frozen.issuperset(layers)
    if blind or Place.MAT in watch.frozen:
        names = ", ".join(PLACE_WORDS[place] for place in sorted(watch.frozen))
        return f"probe frozen: {names}"
    return None


def _cap(watch: Watch, facts: Facts, now_s: float) -> float | None:
    """Bound of the duty while the bed's answer is in doubt; None while it answers."""
    needed = needed_duty(watch, facts)
    if watch.probation_s is not None and now_s < watch.probation_s:
        return th.PROBATION_SHARE * (th.DUTY_UNMEASURED if needed is None else needed)
    excess = excess_k(watch)
    in_doubt = watch.no_effect is not None or watch.apart_s is not None or watch.touch_s is not None
    if watch.disturbed_s is not None:
        in_doubt = in_doubt or excess is None or not watch.judged
    elif excess is not None and suspended(watch, facts, now_s):
        in_doubt = in_doubt or excess >= th.DISPLACED_K
    if in_doubt:
        if needed is None:
            return th.DUTY_UNMEASURED
        if watch.no_effect is not None and excess is None:
            return needed  # no mat probe: it may be the layer's probe that lies elsewhere
        return min(1.0, th.DUTY_FACTOR * needed + _extra(watch, facts))
    factor = th.DUTY_FACTOR if excess is not None else th.DUTY_BLIND_FACTOR
    if needed is None or watch.mean_duty <= factor * needed + _extra(watch, facts):
        return None
    return None if _justified(watch, facts, excess) else needed


def _extra(watch: Watch, facts: Facts) -> float:
    """Duty that lifts the layer by ``DUTY_EXTRA_K``: less on a strong mat, 0...1."""
    full_k = facts.full_power_rise_k or lay.full_k(watch.layer, facts.layer_prior_k)
    return th.DUTY_EXTRA_K / full_k


def _justified(watch: Watch, facts: Facts, excess: float | None) -> bool:
    """Whether the bed answers to more heat than its setpoint needs as the model says it should."""
    if excess is not None:
        return excess < apart_k(watch, facts)
    moved = lay.moved_k(watch.layer, th.PATH_MINUTES)
    by_heat_k = lay.moved_by_heat_k(watch.layer, th.PATH_MINUTES, facts.layer_prior_k)
    if moved is None or by_heat_k is None or by_heat_k < th.RESPONSE_K:
        return False
    return moved[0] >= by_heat_k / 2.0
