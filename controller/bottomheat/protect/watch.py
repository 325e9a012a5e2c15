"""What is known of one bed beyond its readings: models, suspicions, and what has been diagnosed.

``advance`` takes one cycle's facts and returns the new knowledge with a ``Finding``: what
protection asks for.  The diagnoses are in ``signs`` (mat and layer) and ``stillness`` (probes that
stand still); this module keeps their order and decides what suspends what.

A box that is opened, filled or watered fools every detector that compares the bed with the model.
While that runs, announced or not, and until the bed has recovered, only those stay that cannot be
fooled: a mat that warms with its contact open, and everything outside this module (limits, cutoff,
lost probes).
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field

from bottomheat.model import Alarm, Place
from bottomheat.protect import layer as lay
from bottomheat.protect import lead as led
from bottomheat.protect import thresholds as th
from bottomheat.protect.frozen import changed
from bottomheat.protect.layer import Layer
from bottomheat.protect.lead import Lead

WELDED = "the mat warms with its relay open"
"""How the words of a stuck relay begin, in a latch file too."""
AWAY = "the wet-layer probe is displaced"
"""The same of a displaced probe."""
BACK = "the wet-layer probe agrees with the mat again"
"""How the words begin that take this back."""


@dataclass(frozen=True)
class Facts:
    """One cycle's facts about one bed.

    Attributes:
        heat: heat was asked for and the keeper let it flow since the cycle before.
        readings_c: probes that can be relied on, °C by place; None where one cannot now.
        mat_c: the mat, by its own probe or the keeper's, °C.
        substrate_c: the wet layer that control goes by, °C.
        room_c: the room, °C, or None.
        other_rooms_c: rooms of other chambers by other probes, °C by chamber.
        likely_c: callus zone that wet layer and room make likely, °C.
        felt: it is known well enough how warm the wet layer was for what it makes likely.
        estimate_c: the callus zone as of the cycle before, °C.
        setpoint_c: of the callus zone, °C.
        needed_c: wet layer that the setpoint asks for, as of the cycle before, °C.
        duty: of the law, 0...1.
        short: the law is at a bound.
        no_heat: why no heat may flow, as of the cycle before; None if it may.
        tending: a person has said that the box is open.
        modulated: duty is shared out over windows (the PID), so that a proving window is possible.
        pulse: the wiring is being proved.
        heard: the keeper says what it did; otherwise nobody knows whether heat flowed.
        window_s: length of a window, s.
        series: there is a second relay in series.
        series_open: the keeper says that it is open.
        mat_margin_k: how far the mat is below the temperature it is held at, K.
        closed: the heat relay is asked to be closed, whatever the series relay does.
        watts: rating of the mat, W.
        full_power_rise_k: of the layer, K, where it is configured.
        cycle_s: length of a cycle, s.
    """

    heat: bool
    readings_c: Mapping[Place, float | None]
    mat_c: float | None
    substrate_c: float | None
    room_c: float | None
    other_rooms_c: Mapping[str, float]
    likely_c: float | None
    estimate_c: float | None
    setpoint_c: float
    needed_c: float | None
    duty: float
    short: bool
    no_heat: str | None
    tending: bool
    modulated: bool
    pulse: bool
    heard: bool
    window_s: float
    series: bool
    series_open: bool
    mat_margin_k: float | None
    closed: bool
    watts: float
    full_power_rise_k: float | None
    cycle_s: float
    felt: bool = True

    @property
    def lead_prior_k(self) -> float:
        """Lead at full power that the rating makes likely, K."""
        return th.LEAD_K_PER_W * self.watts

    @property
    def layer_prior_k(self) -> float:
        """Rise of the layer at full power, configured or made likely by the rating, K."""
        return self.full_power_rise_k or th.LAYER_K_PER_W * self.watts


@dataclass(frozen=True)
class Still:
    """A probe's last count, since when it stands, and how far the model has moved meanwhile."""

    celsius: float
    since_s: float
    low_k: float
    high_k: float

    @property
    def range_k(self) -> float:
        """Range of the model since the last change, K."""
        return self.high_k - self.low_k


@dataclass(frozen=True, slots=True)
class CallusProbe:
    """A probe in the callus zone, against the temperature that layer and room make likely there.

    Attributes:
        bias_k: how far it usually lies from that, K.
        learned_s: how long that has been learned, s.
        at_s: time of the last cycle.
        apart_s: since when it is further off than usual.
        count_c: its last count, °C.
        since_s: when that came.
        low_c: lowest likely temperature since, °C.
        high_c: highest.
        displaced: it does not lie where it was.
        frozen: it stands still.
    """

    bias_k: float = 0.0
    learned_s: float = 0.0
    at_s: float | None = None
    apart_s: float | None = None
    count_c: float | None = None
    since_s: float = 0.0
    low_c: float = math.inf
    high_c: float = -math.inf
    displaced: bool = False
    frozen: bool = False


@dataclass(frozen=True, slots=True)
class RoomStill:
    """The room probe's last count, since when it stands, and what else was the case then.

    Attributes:
        celsius: the count, °C.
        since_s: when it came.
        others_c: other rooms then, °C by chamber.
        drift_k: layer less what the model expected then, K.
        usual_s: how long the count before it stood, s.
    """

    celsius: float
    since_s: float
    others_c: Mapping[str, float]
    drift_k: float
    usual_s: float


@dataclass(frozen=True)
class Watch:
    """Everything the detectors remember of one bed; times monotonic, s; None: not so.

    Attributes:
        begun_s: first cycle.
        lead: model of the mat's lead.
        layer: model of the wet layer.
        still: by place, how long a probe has shown the same count.
        disturbed_s: since when the bed is disturbed (opened, filled, watered, or worse).
        drop_k: how far the layer had fallen then, K.
        lowest_c: lowest layer since, °C.
        peak_k: largest excess of the lead since, K.
        judged: whether the half-hour look at the disturbance has been taken.
        tended_s: last time that the box was known to be tended.
        tending_s: since when it has been without a break.
        opened_s: last time that the box was tended or disturbed.
        unheard_s: last time that the keeper was silent.
        mute_s: since when the mat does not answer.
        answered_s: when the ripple last told anything.
        weak_s: since when it answers weakly.
        look_s: since when heat is held off for a look.
        looked_s: end of the last look.
        look_mat_c: mat at its start, °C.
        look_lead_k: lead at its start, K.
        off_s: since when heat is off.
        off_mat_c: lowest mat since then, °C.
        off_lead_k: lead at that, K.
        off_first_c: mat when the heat went off, °C.
        off_first_k: lead then, K.
        off_room_c: room then, °C.
        no_lead_s: since when the lead is missing with the heat on.
        apart_s: since when the lead is too long.
        touch_s: since when the layer reads the room's temperature.
        blind_s: last time that the layer was not known.
        no_effect: heat has no effect, in words.
        displaced: the wet-layer probe is displaced, in words.
        displaced_s: when that was last diagnosed.
        displaced_c: what it read then, °C.
        agrees_s: since when it agrees again.
        probation_s: until when it is tried at half duty.
        agreed_s: when what it says last agreed with the mat.
        doubted_s: since when what it says has been in doubt, when it was diagnosed.
        frozen: places whose probe is frozen.
        thaw_s: since when one of them moves again.
        window_s: when the last proving window was asked for.
        window_from_s: start of the one that has not been judged yet.
        room_ref_c: room before it jumped, °C.
        room_s: since when that is used instead of the reading.
        room_path: room a minute apart, °C.
        room_others: other chambers' rooms at the same times, °C.
        room_minute_s: time of the newest of them.
        room_still: the room probe's count.
        room_frozen: it stands still while the room moves.
        callus: what is known of a probe in the callus zone.
        warm_s: since when it is warm without heat.
        short_s: since when the heat is at its bound and too little.
        cold_s: since when no heat can flow.
        held: the bed has been in band in this run.
        last_c: the last estimate of the callus zone, °C.
        mean_duty: mean of the heat over three hours, 0...1.
        proof_s: end of the last proof that the series relay opens, or None before the first.
        proof_from_s: start of the one that runs.
        proof_tried_s: start of the last one.
        proof_cools_s: since when the mat is left to cool for one.
        proof_lead_k: lead at its start, K.
        proof_sleeve: expected lead at its start, share of full power.
        series_stuck: it failed.
        latched: what latched in this run, in words.
        stuck: the relay is stuck on.
        stuck_s: when that was found.
    """

    begun_s: float | None = None
    lead: Lead = field(default_factory=Lead)
    layer: Layer = field(default_factory=Layer)
    still: Mapping[Place, Still] = field(default_factory=dict)
    disturbed_s: float | None = None
    drop_k: float = 0.0
    lowest_c: float = math.inf
    peak_k: float = 0.0
    judged: bool = False
    tended_s: float | None = None
    tending_s: float | None = None
    opened_s: float | None = None
    unheard_s: float | None = None
    mute_s: float | None = None
    answered_s: float | None = None
    weak_s: float | None = None
    look_s: float | None = None
    looked_s: float | None = None
    look_mat_c: float = 0.0
    look_lead_k: float = 0.0
    off_s: float | None = None
    off_mat_c: float = math.inf
    off_lead_k: float = 0.0
    off_first_c: float = math.inf
    off_first_k: float = 0.0
    off_room_c: float | None = None
    no_lead_s: float | None = None
    apart_s: float | None = None
    touch_s: float | None = None
    blind_s: float | None = None
    no_effect: str | None = None
    displaced: str | None = None
    displaced_s: float | None = None
    displaced_c: float = math.inf
    agrees_s: float | None = None
    probation_s: float | None = None
    agreed_s: float | None = None
    doubted_s: float | None = None
    frozen: frozenset[Place] = frozenset()
    thaw_s: float | None = None
    window_s: float | None = None
    window_from_s: float | None = None
    room_ref_c: float | None = None
    room_s: float | None = None
    room_path: tuple[float, ...] = ()
    room_others: tuple[Mapping[str, float], ...] = ()
    room_minute_s: float = -math.inf
    room_still: RoomStill | None = None
    room_frozen: bool = False
    callus: CallusProbe = field(default_factory=CallusProbe)
    warm_s: float | None = None
    short_s: float | None = None
    cold_s: float | None = None
    held: bool = False
    last_c: float | None = None
    mean_duty: float = 0.0
    proof_s: float | None = None
    proof_from_s: float | None = None
    proof_tried_s: float | None = None
    proof_cools_s: float | None = None
    proof_lead_k: float = 0.0
    proof_sleeve: float = 0.0
    series_stuck: bool = False
    latched: str | None = None
    stuck: bool = False
    stuck_s: float | None = None

    @property
    def suspected(self) -> bool:
        """Whether anything stands against learning from this bed now."""
        return (
            self.disturbed_s is not None
            or self.mute_s is not None
            or self.weak_s is not None
            or self.look_s is not None
            or self.no_lead_s is not None
            or self.apart_s is not None
            or self.touch_s is not None
            or self.no_effect is not None
            or self.displaced is not None
            or self.stuck
            or bool(self.frozen)
        )


@dataclass(frozen=True, slots=True)
class Finding:
    """What protection asks for this cycle.

    Attributes:
        no_heat: why no heat may flow, or None.
        pause: heat is held off for a look of ten minutes; the law goes on as if it were not.
        duty_cap: highest duty allowed, 0...1, or None.
        latch: what latches now, in words, or None.
        open_series: the series relay has to open.
        prove_series: the heat relay is to be closed all the same, to see whether it has.
        long_window: lump the heat of the next window over 40 min, to see the probe move.
        dropped: places whose probe is not to be used.
        room_c: room to use instead of the reading, °C, or None.
        alarms: conditions that stand.
        told: what was found out in this cycle, in words.
    """

    no_heat: str | None = None
    pause: bool = False
    duty_cap: float | None = None
    latch: str | None = None
    open_series: bool = False
    prove_series: bool = False
    long_window: bool = False
    dropped: frozenset[Place] = frozenset()
    room_c: float | None = None
    alarms: frozenset[Alarm] = frozenset()
    told: tuple[str, ...] = ()


NOTHING = Finding()


def level_k(watch: Watch, facts: Facts) -> float:
    """Lead at full power: learned from the level, else from the ripple, else from the rating, K."""
    return watch.lead.level_k or watch.lead.ripple_k or facts.lead_prior_k


def excess_k(watch: Watch) -> float | None:
    """The lead beyond what the heat explains, K; None while nothing is learned or measured."""
    gain_k = watch.lead.level_k or watch.lead.ripple_k
    if watch.lead.lead_k is None or gain_k is None:
        return None
    return watch.lead.lead_k - gain_k * watch.lead.sleeve


def apart_k(watch: Watch, facts: Facts) -> float:
    """How much too long a lead may be and still be the box's own, K.

    The model is off in proportion to the heat that is in the mat, not to what the mat could give: a
    strong mat in a mild room would hide a probe that lies ten kelvin off.
    """
    heat = max(watch.lead.sleeve, watch.lead.slow, th.DISPLACED_HEAT)
    return max(th.DISPLACED_K, th.DISPLACED_SHARE * level_k(watch, facts) * heat)


def models(watch: Watch, facts: Facts, now_s: float) -> Watch:
    """Move both models on by one cycle."""
    learn = not (watch.suspected or suspended(watch, facts, now_s) or facts.pulse)
    if watch.displaced_s is not None and now_s - watch.displaced_s < th.AGAIN_S:
        learn = False  # or half a displacement would be learned in the trial
    lead = led.advance(
        watch.lead,
        facts.heat,
        facts.mat_c,
        facts.substrate_c,
        now_s,
        prior_k=facts.lead_prior_k,
        learn=learn,
    )
    layer = lay.advance(
        watch.layer,
        facts.heat,
        facts.substrate_c,
        facts.room_c if watch.room_s is None else watch.room_ref_c,
        now_s,
        prior_k=facts.layer_prior_k,
        learn=learn,
    )
    mean_duty = watch.mean_duty
    last_s = watch.lead.at_s if watch.layer.at_s is None else watch.layer.at_s
    if last_s is not None:
        gone = min(1.0, (now_s - last_s) / th.MEAN_DUTY_S)
        mean_duty += (float(facts.heat) - mean_duty) * max(0.0, gone)
    after = changed(watch, lead=lead, layer=layer, mean_duty=mean_duty)
    excess = excess_k(after)
    if excess is None or excess > max(th.AGREES_K, apart_k(after, facts) / 2.0):
        return after
    return changed(after, agreed_s=now_s)


def suspended(watch: Watch, facts: Facts, now_s: float) -> bool:
    """Whether the box is or was lately open, so that the models do not hold."""
    if facts.tending or watch.disturbed_s is not None:
        return True
    if watch.unheard_s is not None and now_s - watch.unheard_s < th.UNHEARD_S:
        return True
    return watch.tended_s is not None and now_s - watch.tended_s < th.DISTURBED_S


def afresh(watch: Watch) -> Watch:
    """The watch of a box that is filled or moved: what was learned may change without bounds."""
    lead = changed(watch.lead, anchor_k=None, learned_s=0.0)
    layer = changed(watch.layer, anchor_k=None, learned_s=0.0)
    return changed(watch, lead=lead, layer=layer)


def at_rest(watch: Watch) -> Watch:
    """The watch of a box that is not in use: it was not held, and nobody waits for its heat."""
    return (
        watch
        if watch.cold_s is None and not watch.held
        else changed(watch, cold_s=None, held=False)
    )


def heated(watch: Watch) -> bool:
    """Whether heat may have flowed within the last hours: by what was asked, or by the mat."""
    lead = watch.lead
    if lead.at_s is None or watch.stuck or lead.lead_k is None:
        return True
    return lead.slow >= th.LEVEL_LEARNS_FROM or lead.lead_k >= th.STUCK_LEAD_K


def may_reset(watch: Watch) -> tuple[bool, tuple[str, ...]]:
    """Whether no heat flows unasked, with the proof or what stands against it."""
    gain_k = watch.lead.level_k or watch.lead.ripple_k
    lead_k = watch.lead.lead_k
    if not watch.stuck:
        return True, ()
    if lead_k is None:
        return False, ("the mat cannot be compared with the wet layer now",)
    bound_k = max(th.STUCK_LEAD_K, th.STUCK_LEAD_SHARE * (gain_k or 0.0))
    if lead_k >= bound_k:
        return False, (f"the mat is still {lead_k:.1f} K warmer than the wet layer, heat off",)
    return True, (f"the mat has cooled to {lead_k:.1f} K above the wet layer, heat off",)


def reset(watch: Watch) -> Watch:
    """The watch after a person has looked: what was learned stays, what was suspected goes."""
    return Watch(
        lead=watch.lead,
        layer=watch.layer,
        still=watch.still,
        proof_s=watch.proof_s,
        proof_tried_s=watch.proof_tried_s,
        series_stuck=watch.series_stuck,
        mean_duty=watch.mean_duty,
        last_c=watch.last_c,
        held=watch.held,
    )


def needed_duty(watch: Watch, facts: Facts) -> float | None:
    """Duty that the setpoint needs in this room by the model, 0...1; None without a room."""
    room_c = watch.layer.room_c if watch.room_s is not None else facts.room_c
    if room_c is None or facts.needed_c is None:
        return None
    full_k = facts.full_power_rise_k or watch.layer.full_k
    if watch.lead.lead_k is None and watch.layer.anchor_k is not None:
        # Without a mat probe nothing else tells a probe that creeps out from a bed that loses more.
        full_k = facts.full_power_rise_k or watch.layer.anchor_k
    if full_k is None:
        return None
    return min(1.0, max(0.0, (facts.needed_c - room_c) / full_k))
