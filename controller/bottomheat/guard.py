"""Between the cycle and the detectors: one cycle's facts of a bed, gathered from its state."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace

from bottomheat import estimate as est
from bottomheat.config import LIMIT_MARGIN_K, ChamberConfig
from bottomheat.model import Alarm, Feedback, Place
from bottomheat.protect import cutoff as cut
from bottomheat.protect import detect
from bottomheat.protect import thresholds as th
from bottomheat.protect.watch import Facts, Finding
from bottomheat.state import ChamberState

IDLE_S = 60.0
"""So long without heat before the series relay opens as well: one bad reading must not click it."""


def gather(
    state: ChamberState,
    chamber: ChamberConfig,
    usable: Mapping[Place, float | None],
    substrate_c: float | None,
    other_rooms_c: Mapping[str, float],
    feedback: Feedback | None,
    now_s: float,
    cycle_s: float,
    *,
    pulse: bool,
    heard: bool,
) -> Facts:
    """Gather the facts that the detectors go by.

    Args:
        state: of the cycle before, with this cycle's readings judged.
        chamber: its config.
        usable: probes that can be relied on, °C.
        substrate_c: wet layer that control goes by, °C.
        other_rooms_c: rooms of other chambers by other probes, °C.
        feedback: what the keeper said last, or None.
        now_s: monotonic time, s.
        cycle_s: length of a cycle, s.
        pulse: the wiring is being proved.
        heard: the keeper has spoken of this chamber lately, or there is none to listen to.
    """
    flowed = state.relay.closed and (
        feedback is None or (feedback.closed and feedback.series_closed is not False)
    )
    mat_c = usable.get(Place.MAT)
    if mat_c is None and Place.MAT not in usable and feedback is not None:
        mat_c = feedback.probe_c
    cut_off = feedback is not None and feedback.latched
    estimate = state.outlook.estimate
    offset, _ = chamber.offset_with(state.lid)
    tending = state.tending
    return Facts(
        heat=flowed,
        readings_c=usable,
        mat_c=mat_c,
        substrate_c=substrate_c,
        room_c=usable.get(Place.ROOM),
        other_rooms_c=other_rooms_c,
        likely_c=est.likely_c(state.estimator, offset),
        felt=math.sqrt(3.0) * state.estimator.start_k <= th.CALLUS_FELT_K,
        estimate_c=None if estimate is None else estimate.celsius,
        setpoint_c=chamber.callus_zone_c,
        needed_c=state.outlook.substrate_setpoint_c,
        duty=state.law.duty,
        short=state.law.held,
        no_heat="cut by the keeper" if cut_off else state.no_heat,
        tending=tending is not None and now_s < tending.until_s,
        modulated=chamber.law == "pid",
        pulse=pulse,
        heard=heard,
        window_s=chamber.heater.window,
        series=chamber.keeper.series_relay is not None,
        series_open=feedback is not None and feedback.series_closed is False,
        mat_margin_k=None if mat_c is None else chamber.limits.mat_c - LIMIT_MARGIN_K - mat_c,
        closed=state.relay.closed and (feedback is None or feedback.closed),
        watts=chamber.heater.watts,
        full_power_rise_k=chamber.heater.full_power_rise_k,
        cycle_s=cycle_s,
    )


def other_rooms(
    states: Mapping[str, ChamberState], rooms: Mapping[str, str | None]
) -> Mapping[str, Mapping[str, float]]:
    """For each chamber the rooms of the others, °C, where another probe measures them.

    Args:
        states: chambers with this cycle's readings judged.
        rooms: name of each chamber's room probe.
    """
    if len({probe for probe in rooms.values() if probe is not None}) < 2:
        return {name: {} for name in states}
    values = {}
    for name, state in states.items():
        supply = state.supplies.get(Place.ROOM)
        if supply is not None and supply.usable is not None:
            values[name] = supply.usable
    return {
        name: {
            other: celsius
            for other, celsius in values.items()
            if other != name and rooms[other] != rooms[name]
        }
        for name in states
    }


@dataclass(frozen=True, slots=True)
class Bed:
    """One chamber between detection and decision."""

    state: ChamberState
    usable: Mapping[Place, float | None]
    substrate_c: float | None
    finding: Finding
    hot: str | None
    power_w: float | None = None
    """Mean power of the mat since the cycle before, W; None where the keeper has been silent."""


def detected(
    state: ChamberState,
    now_s: float,
    chamber: ChamberConfig,
    other_rooms_c: Mapping[str, float],
    feedback: Feedback | None,
    cycle_s: float,
    *,
    proving: bool,
    heard: bool,
) -> Bed:
    """Run cutoff and detectors for one cycle.

    Args:
        state: of the cycle before, with this cycle's readings judged.
        now_s: monotonic time, s.
        chamber: its config.
        other_rooms_c: rooms of other chambers by other probes, °C.
        feedback: what the keeper said last, or None.
        cycle_s: length of a cycle, s.
        proving: the wiring is being proved.
        heard: the keeper has spoken of this chamber lately, or there is none to listen to.
    """
    usable = {place: supply.usable for place, supply in state.supplies.items()}
    watched, hot = cut.watch(state.cutoff, state.readings, chamber.limits)
    estimator, substrate_c = est.control_substrate(
        state.estimator, usable.get(Place.SUBSTRATE), usable.get(Place.SUBSTRATE_2)
    )
    if state.tending is not None and now_s >= state.tending.until_s:
        state = replace(state, tending=None)
    facts = gather(
        state,
        chamber,
        usable,
        substrate_c,
        other_rooms_c,
        feedback,
        now_s,
        cycle_s,
        pulse=proving,
        heard=heard,
    )
    watch, finding = detect.advance(state.watch, facts, now_s, state.alarms)
    if finding.dropped:
        usable = {k: None if k in finding.dropped else v for k, v in usable.items()}
        estimator, substrate_c = est.control_substrate(
            state.estimator, usable.get(Place.SUBSTRATE), usable.get(Place.SUBSTRATE_2)
        )
    if finding.room_c is not None:
        usable = {**usable, Place.ROOM: finding.room_c}
    if Place.MAT not in usable and feedback is not None and feedback.probe_c is not None:
        # Bounds the law like a probe of our own, but as the keeper read it, without correction.
        usable = {**usable, Place.MAT: feedback.probe_c}
    if finding.latch is not None and watched.latched is None:
        watched = replace(watched, latched=finding.latch)
    after = replace(state, cutoff=watched, estimator=estimator, watch=watch)
    power_w = (chamber.heater.watts if facts.heat else 0.0) if heard else None
    at_s = estimator.at_s
    if at_s is not None and now_s - at_s > max(th.GAP_S, 4.0 * cycle_s):
        power_w = 0.0  # no cycle ran: the lease ran out early in the gap
    return Bed(after, usable, substrate_c, finding, hot, power_w)


def cut_crossed(bed: Bed, text: str) -> Bed:
    """A chamber that answers to another's heat: off and latched."""
    watched = bed.state.cutoff
    if watched.latched is None or bed.state.watch.stuck:
        watched = replace(watched, latched=text)
    watch = replace(bed.state.watch, latched=text)
    finding = replace(
        bed.finding,
        no_heat=text,
        alarms=bed.finding.alarms - {Alarm.RELAY_STUCK_ON, Alarm.NO_EFFECT} | {Alarm.CROSSED},
    )
    return replace(bed, state=replace(bed.state, cutoff=watched, watch=watch), finding=finding)


def idle(before: ChamberState, after: ChamberState, now_s: float) -> tuple[ChamberState, bool]:
    """Whether no heat may flow for longer than a spell of bad readings.

    Then a second relay in series opens as well: a first one that sticks must not go on feeding a
    bed of which nobody knows how warm it is.  It breaks no current otherwise.

    Args:
        before: the chamber a cycle ago.
        after: the chamber now; its ``idle_s`` is brought up to date.
        now_s: monotonic time, s.
    """
    if after.no_heat is None or after.relay.closed:
        return (after if after.idle_s is None else replace(after, idle_s=None)), False
    since_s = now_s if before.idle_s is None else before.idle_s
    return replace(after, idle_s=since_s), now_s - since_s >= IDLE_S
