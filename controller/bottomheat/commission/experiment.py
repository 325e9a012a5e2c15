"""Experiments on a box that show how it answers heat: a step of the duty, or a relay.

First the ordinary law brings the box to rest and one hour is measured.  Then either the duty is
changed by a small step and held (the room's changes are made up for meanwhile), or heat is switched
on and off by the wet layer around its setpoint, about twice what the box needs (`relay_heat`;
K. J. Åström & T. Hägglund, Automatica 20 (1984) 645).  The experiment only takes the place of the
law: cutoff, detectors, bounds of wet layer and mat, and the keeper stay above it.  Anything out of
the ordinary ends it, and the law goes on from what it knew before, so that its duty does not jump.

Sizes come from handbook values (calculated on chamber models) unless the config has a model.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from enum import StrEnum
from typing import TYPE_CHECKING

from bottomheat import modulate, regulate
from bottomheat.commission import relay_heat
from bottomheat.config import LIMIT_MARGIN_K, ChamberConfig, Direct, TemperatureFactor
from bottomheat.estimate import Outlook
from bottomheat.heating import CAPPED, layer_cap
from bottomheat.model import PLACE_WORDS, Event, EventKind, Place
from bottomheat.modulate import Modulator
from bottomheat.operating_point import rise_k_per_w
from bottomheat.protect.tending import Lid
from bottomheat.protect.thresholds import WINDOW_S
from bottomheat.protect.watch import Finding
from bottomheat.response import Response
from bottomheat.words import ALARM_WORDS, mat_held

if TYPE_CHECKING:
    from bottomheat.state import ChamberState

STEP_H = 4.0
SWING_K = 0.6
PERIODS = 4
HALF_K = 0.08
"""Half the width between switching off and on: more than one count of a probe, 1/16 K, and four
times the noise of the filtered wet layer (judgement)."""

BOUND_FACTOR = 1.7
"""The estimate may go this many times further than is planned; boxes that rest at the same duty
differ by about 1.3 times either way (calculated)."""

BLOCK_S = 3600.0
ON_OFF_BLOCK_S = 3 * 3600.0
REST_K = 0.2
"""Change of the wet layer over a block, and twice that off the setpoint, that count as at rest."""

SWINGING_REST_K = 1.0
"""The same for the on/off law, which swings by itself."""

REST_MOST_S = 10 * 3600.0
RELAY_MOST_S = 16 * 3600.0
GAP_S = 90.0
LEAST_SIZE, MOST_SIZE = 0.03, 0.25
LEAST_DUTY, MOST_DUTY = 0.04, 0.92
MARGIN_K = 0.2
FACTOR = 0.74
LAYER_SLOW_S, LAYER_QUICK_S, LAYER_QUICK_SHARE, LAYER_DEAD_S = 33_120.0, 6_480.0, 0.38, 900.0
"""How the nominal box's wet layer answers (calculated); its rise is measured at rest."""

_ASKED, _BEGUN, _OVER = "was asked for", "begins", "is over"


class Kind(StrEnum):
    """What is done."""

    STEP = "step"
    RELAY = "relay"


class Said(StrEnum):
    """What an event of the log says of an experiment."""

    ASKED = "asked"
    BEGUN = "begun"
    OVER = "over"


class Phase(StrEnum):
    """Where an experiment stands."""

    REST = "waiting until the box is at rest"
    STEP = "heat changed by a step, watching"
    RELAY = "switching heat on and off"


@dataclass(frozen=True, slots=True)
class Plan:
    """What is to be done.

    Attributes:
        kind: step or relay.
        hours: length of the step, h.
        swing_k: how far a step is to move the estimate of the callus zone, K; it ends at
            ``BOUND_FACTOR`` times that, and so does a relay.  The callus zone itself follows later,
            and comes some two thirds as far in four hours.
        periods: of the relay.
        half_k: half the width between the relay's switching points, K.
    """

    kind: Kind
    hours: float = STEP_H
    swing_k: float = SWING_K
    periods: int = PERIODS
    half_k: float = HALF_K

    @property
    def bound_k(self) -> float:
        """How far the estimate of the callus zone may move before it ends, K."""
        return BOUND_FACTOR * self.swing_k


@dataclass(frozen=True, slots=True)
class Experiment:
    """An experiment, asked for, under way or over.

    Attributes:
        plan: what is to be done.
        chamber: the config that it began with; another ends it.
        lid: how the lid lay; another ends it.
        asked_s: when it was asked for, s.
        at_s: last cycle, s.
        phase: where it stands.
        block_s: when the hour of rest began, s.
        block_c: wet layer then, °C; None before the first reading.
        given_s: heat given in it, s.
        begun_s: when rest was over, s; None before.
        base: mean duty at rest.
        size: of the step, duty, below 0 downwards.
        room_c: room when it began, °C.
        start_c: callus zone when it began, °C.
        rise_k: steady rise of the wet layer at full power, K, as it rested.
        moved_k: how far it has been away from that, K, signed.
        lead_k: how far the mat is above the wet layer at rest, K, low-passed; None without a probe.
        high: duty while the relay is on, 0...1.
        eased: in which periods of the relay that was made less.
        on: the relay's wish.
        switched: how often it has switched on.
        duty: what is asked for now, 0...1.
        over: why it ended; None while it goes on.
        over_s: when, s.
        complete: it ran to its end.
    """

    plan: Plan
    chamber: ChamberConfig
    lid: Lid
    asked_s: float
    at_s: float
    phase: Phase = Phase.REST
    block_s: float = 0.0
    block_c: float | None = None
    given_s: float = 0.0
    begun_s: float | None = None
    base: float = 0.0
    size: float = 0.0
    room_c: float = 0.0
    start_c: float = 0.0
    rise_k: float = 0.0
    moved_k: float = 0.0
    lead_k: float | None = None
    high: float = 1.0
    eased: tuple[int, ...] = ()
    on: bool = False
    switched: int = 0
    duty: float = 0.0
    over: str | None = None
    over_s: float | None = None
    complete: bool = False

    @property
    def drives(self) -> bool:
        """Whether it takes the place of the law in this cycle."""
        return self.over is None and self.phase is not Phase.REST


def begin(plan: Plan, chamber: ChamberConfig, lid: Lid, now_s: float) -> Experiment:
    """An experiment that waits for rest."""
    return Experiment(plan, chamber, lid, now_s, now_s, block_s=now_s)


def ended(trial: Experiment, why: str, now_s: float, *, complete: bool = False) -> Experiment:
    """The experiment, over."""
    return replace(trial, over=why, over_s=now_s, complete=complete, duty=0.0)


def layer_per_duty_k(chamber: ChamberConfig, full_rise_k: float, hours: float) -> float:
    """How far a whole duty would move the wet layer in so many hours, K.

    Args:
        chamber: the box; its model is gone by where it has one.
        full_rise_k: steady rise at full power, K, where it has none.
        hours: h.
    """
    if chamber.model is not None:
        return chamber.model.response.step_k(chamber.heater.watts, hours * 3600.0)
    nominal = Response(full_rise_k, LAYER_SLOW_S, LAYER_QUICK_S, LAYER_QUICK_SHARE, LAYER_DEAD_S)
    return nominal.step_k(1.0, hours * 3600.0)


def full_rise_k(trial: Experiment, layer_c: float, room_c: float) -> float:
    """Steady rise of the wet layer at full power, K: as it rests now, within reason."""
    usual_k = rise_k_per_w(trial.chamber.heater, trial.chamber.model) * trial.chamber.heater.watts
    if trial.base < LEAST_DUTY:
        return usual_k
    return min(2.0 * usual_k, max(0.3 * usual_k, (layer_c - room_c) / trial.base))


def follow(
    state: ChamberState,
    law: regulate.Law,
    outlook: Outlook,
    usable: Mapping[Place, float | None],
    chamber: ChamberConfig,
    finding: Finding,
    now_s: float,
    *,
    bound: str | None,
    no_heat: str | None,
    proving: bool,
) -> Experiment | None:
    """One cycle of a chamber's experiment, if there is one.

    Args:
        state: of the cycle before.
        law: with this cycle's measurement.
        outlook: estimate and setpoint of this cycle.
        usable: probes that can be relied on, °C.
        chamber: its config.
        finding: what protection asks for.
        now_s: monotonic time, s.
        bound: a temperature at its bound, in words.
        no_heat: why there is no heat, or None.
        proving: the wiring is being proved.
    """
    trial = state.experiment
    if trial is None or trial.over is not None:
        return trial
    why = _trouble(trial, state, outlook, usable, chamber, finding, now_s, bound, no_heat)
    if why is None and proving:
        why = "the wiring is being proved"
    layer_c, room_c, estimate = law.filtered_c, usable.get(Place.ROOM), outlook.estimate
    wanted_c = outlook.substrate_setpoint_c
    if why is None and (layer_c is None or room_c is None or estimate is None or wanted_c is None):
        why = "wet layer, room or callus zone are not known"
    if why is not None or layer_c is None or room_c is None or estimate is None or wanted_c is None:
        return ended(trial, why or "", now_s)
    before_s = trial.at_s
    heated_s = now_s - before_s if state.relay.closed else 0.0
    trial = replace(trial, at_s=now_s, given_s=trial.given_s + heated_s)
    off_k = estimate.celsius - chamber.callus_zone_c
    if trial.phase is Phase.REST:
        lead_k = relay_heat.lead_k(trial.lead_k, usable.get(Place.MAT), layer_c, now_s - before_s)
        trial = _rest(replace(trial, lead_k=lead_k), layer_c, off_k, now_s)
        if trial.begun_s is None or trial.over is not None:
            return trial
        rise_k = full_rise_k(trial, layer_c, room_c)
        trial = replace(trial, room_c=room_c, start_c=estimate.celsius, rise_k=rise_k)
        if trial.plan.kind is Kind.STEP:
            return _begin_step(trial, layer_c, bound, now_s)
        return _begin_relay(trial, wanted_c, bound, now_s)
    moved_k = estimate.celsius - trial.start_c
    if abs(moved_k) > abs(trial.moved_k):
        trial = replace(trial, moved_k=moved_k)
    if abs(moved_k) > trial.plan.bound_k:
        return ended(trial, f"the callus zone has moved by {trial.plan.bound_k:.1f} K", now_s)
    if trial.phase is Phase.STEP:
        return _step(trial, room_c, now_s)
    if bound is not None or finding.duty_cap is not None:
        trial = _eased(trial, bound or CAPPED, now_s)
    return _relay(trial, layer_c, wanted_c, now_s)


def _eased(trial: Experiment, why: str, now_s: float) -> Experiment:
    """Less heat from now on, once a period; a mat that stays warm without would seem welded."""
    if trial.on and trial.eased[-1:] == (trial.switched,):
        return trial
    if not trial.on or len(trial.eased) >= relay_heat.MOST_EASED:
        return ended(trial, f"so much heat is too much for it: {why}; a step needs less", now_s)
    high = max(relay_heat.LEAST, relay_heat.EASE * trial.high)
    return replace(trial, high=high, duty=high, eased=(*trial.eased, trial.switched))


def _trouble(
    trial: Experiment,
    state: ChamberState,
    outlook: Outlook,
    usable: Mapping[Place, float | None],
    chamber: ChamberConfig,
    finding: Finding,
    now_s: float,
    bound: str | None,
    no_heat: str | None,
) -> str | None:
    """What is out of the ordinary, in words."""
    if now_s - trial.at_s > GAP_S:
        return f"the service paused for {now_s - trial.at_s:.0f} s"
    if chamber is not trial.chamber and chamber != trial.chamber:
        return "the config or the setpoint was changed"
    if state.lid is not trial.lid:
        return f"the lid is {state.lid.value} now"
    if state.tending is not None and now_s < state.tending.until_s:
        return "the box is being tended"
    lost = [PLACE_WORDS[place] for place, value in usable.items() if value is None]
    if lost:
        return f"no good reading any more: {', '.join(lost)}"
    if no_heat is not None:
        return f"no heat: {no_heat}"
    alarms = sorted(state.alarms | finding.alarms)
    if alarms:
        return f"alarm: {ALARM_WORDS[alarms[0]]}"
    if outlook.fallback is not None:
        return "the callus zone is worked out by a stand-in"
    if not trial.drives:
        return None
    if finding.prove_series:
        return "the weekly proof of the series relay came between; begin again"
    if finding.pause:
        return "protection wants to see how the mat answers with its heat off"
    if bound == mat_held(chamber):
        return None  # it cuts a pulse short, as it does under the law, and the log knows
    return bound


def _rest(trial: Experiment, layer_c: float, off_k: float, now_s: float) -> Experiment:
    """Wait for an hour in which the wet layer hardly moves; measure its duty."""
    on_off = trial.chamber.law == "hysteresis"
    rest_k = SWINGING_REST_K if on_off else REST_K
    if trial.block_c is None:
        return replace(trial, block_s=now_s, block_c=layer_c, given_s=0.0)
    length_s = now_s - trial.block_s
    if length_s < (ON_OFF_BLOCK_S if on_off else BLOCK_S):
        return trial
    if abs(layer_c - trial.block_c) <= rest_k and abs(off_k) <= 2.0 * REST_K:
        return replace(trial, begun_s=now_s, base=trial.given_s / length_s)
    if now_s - trial.asked_s > REST_MOST_S:
        why = f"the box did not come to rest in {REST_MOST_S / 3600.0:.0f} hours"
        return ended(trial, why, now_s)
    return replace(trial, block_s=now_s, block_c=layer_c, given_s=0.0)


def _begin_step(trial: Experiment, layer_c: float, bound: str | None, now_s: float) -> Experiment:
    """Choose size and direction: downwards where there is heat to take away, which is safest."""
    chamber, plan = trial.chamber, trial.plan
    offset = chamber.offset_with(trial.lid)[0]
    factor = offset.factor if isinstance(offset, TemperatureFactor | Direct) else FACTOR
    per_duty_k = layer_per_duty_k(chamber, trial.rise_k, plan.hours)
    size = min(MOST_SIZE, max(LEAST_SIZE, plan.swing_k / (factor * per_duty_k)))
    above_k = per_duty_k * size + MARGIN_K
    if trial.base - size >= LEAST_DUTY:
        size = -size
    elif (
        trial.base + size > MOST_DUTY or layer_c + above_k > layer_cap(chamber) or bound is not None
    ):
        why = (
            f"no room for a step: heat is on {trial.base:.0%} of the time and the wet layer is "
            f"{layer_cap(chamber) - layer_c:.1f} K below where it is held"
        )
        return ended(trial, why, now_s)
    return replace(trial, phase=Phase.STEP, size=size, duty=_clear(trial.base + size))


def _step(trial: Experiment, room_c: float, now_s: float) -> Experiment:
    if now_s - (trial.begun_s or now_s) >= trial.plan.hours * 3600.0:
        return ended(trial, "the step has run its time", now_s, complete=True)
    # A room that cools would add a step of its own to the callus zone.
    made_up = (trial.room_c - room_c) / trial.rise_k
    return replace(trial, duty=_clear(trial.base + trial.size + made_up))


def _clear(duty: float) -> float:
    return min(1.0, max(0.0, duty))


def _begin_relay(trial: Experiment, wanted_c: float, bound: str | None, now_s: float) -> Experiment:
    """Choose the heat; refuse where even the least would take the box to a bound."""
    chamber = trial.chamber
    upper_c = wanted_c + trial.plan.half_k
    layer_k, mat_k = layer_cap(chamber) - upper_c, chamber.limits.mat_c - LIMIT_MARGIN_K - upper_c
    most = relay_heat.most(trial.base, trial.rise_k, trial.lead_k, layer_k, mat_k)
    if most is None or bound is not None:
        why = (
            f"no room for a relay: the wet layer is to be at {wanted_c:.1f} °C, is held at "
            f"{layer_cap(chamber):.1f} °C at most, and the mat at "
            f"{chamber.limits.mat_c - LIMIT_MARGIN_K:g} °C; a step needs less"
        )
        return ended(trial, why, now_s)
    # Without heat at first: a window of the law's that has begun would lengthen the first turn.
    return replace(trial, phase=Phase.RELAY, high=most)


def _relay(trial: Experiment, layer_c: float, wanted_c: float, now_s: float) -> Experiment:
    if trial.over is not None:
        return trial
    if now_s - (trial.begun_s or now_s) >= RELAY_MOST_S:
        why = f"time is up: {max(0, trial.switched - 1)} of {trial.plan.periods} periods"
        return ended(trial, why, now_s)
    if trial.switched > trial.plan.periods:
        # The last switching on is in the log: it ends the last period.
        return ended(trial, "all periods are there", now_s, complete=True)
    if trial.on and layer_c >= wanted_c + trial.plan.half_k:
        return replace(trial, on=False, duty=0.0)
    if not trial.on and layer_c <= wanted_c - trial.plan.half_k:
        return replace(trial, on=True, duty=trial.high, switched=trial.switched + 1)
    return trial


def driven(
    trial: Experiment,
    law: regulate.Law,
    relay: Modulator,
    finding: Finding,
    bound: str | None,
    now_s: float,
    turn_share: float | None,
) -> tuple[regulate.Law, Modulator, str]:
    """Drive the relay in the place of the law, which keeps what it has learnt.

    Args:
        trial: of this cycle; it drives.
        law: with this cycle's measurement.
        relay: state of the cycle before.
        finding: what protection asks for.
        bound: a temperature at its bound: open now.
        now_s: monotonic time, s.
        turn_share: as for the law's windows.

    Returns:
        Law, relay, and what there is to say about it.
    """
    heater = trial.chamber.heater
    duty = trial.duty if finding.duty_cap is None else min(trial.duty, finding.duty_cap)
    law = replace(regulate.idle(law), duty=duty)
    if trial.phase is Phase.RELAY:
        said = "full heat" if trial.high >= 1.0 else f"{trial.high:.0%} of full heat"
        relay = relay_heat.turned(relay, trial.on, duty, now_s, heater, bound=bound is not None)
        return law, relay, f"{said} on and off, to see how the bed answers"
    relay = modulate.proportion(
        relay,
        duty,
        now_s,
        window_s=heater.window,
        min_on_s=heater.min_on,
        min_off_s=heater.min_off,
        bound=bound is not None,
        length_s=max(heater.window, WINDOW_S) if finding.long_window else None,
        phase_s=None if turn_share is None else turn_share * heater.window,
    )
    return law, relay, f"heat changed by {trial.size:+.0%} for a while, to see how the bed answers"


def told(
    name: str, before: Experiment | None, after: Experiment | None, now_s: float
) -> list[Event]:
    """The events of what changed since the cycle before: begun, and over with its reason."""
    if after is None or before is None or after is before:
        return []
    events = []
    kind = after.plan.kind.value
    if before.begun_s is None and after.begun_s is not None and after.drives:
        how = f"heat changed by {after.size:+.1%} of full power from {after.base:.1%}"
        if after.plan.kind is Kind.RELAY:
            how = (
                f"{after.high:.0%} of full heat on and off; it was on {after.base:.1%} of the time"
            )
        text = f"experiment: the {kind} {_BEGUN}: {how}"
        events.append(Event(EventKind.EXPERIMENT, now_s, name, text, durable=True))
    if before.over is None and after.over is not None:
        events.append(over_event(name, after, now_s))
    return events


def asked_event(name: str, trial: Experiment, now_s: float) -> Event:
    """The event of an experiment that was asked for."""
    kind = trial.plan.kind.value
    text = f"experiment: the {kind} {_ASKED}; first the box has to come to rest"
    return Event(EventKind.EXPERIMENT, now_s, name, text, durable=True)


def read(text: str) -> tuple[Kind, Said] | None:
    """What an event's text says of which experiment; None where it is of something else."""
    for kind in Kind:
        for words, said in ((_ASKED, Said.ASKED), (_BEGUN, Said.BEGUN), (_OVER, Said.OVER)):
            if text.startswith(f"experiment: the {kind.value} {words}"):
                return kind, said
    return None


def over_event(name: str, trial: Experiment, now_s: float) -> Event:
    """The event of an experiment that has ended."""
    whole = "complete" if trial.complete else "broken off"
    text = f"experiment: the {trial.plan.kind.value} {_OVER}, {whole}: {trial.over}"
    return Event(EventKind.EXPERIMENT, now_s, name, text, durable=True)
