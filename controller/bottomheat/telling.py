"""What a cycle tells: alarms, the chamber's condition in one word, events, the row of the log."""

from __future__ import annotations

from collections.abc import Mapping

from bottomheat import doubtful
from bottomheat.config import ChamberConfig
from bottomheat.estimate import Estimator
from bottomheat.estimate_state import BY_CALLUS
from bottomheat.model import Alarm, Condition, Event, EventKind, Place, Record
from bottomheat.protect import accused
from bottomheat.protect.cutoff import Cutoff
from bottomheat.protect.supply import Standing, Supply
from bottomheat.state import ChamberState
from bottomheat.words import ALARM_WORDS

BAND_K = 0.5
"""Half-width of the band around the setpoint that counts as held."""


def alarms(
    supplies: Mapping[Place, Supply],
    estimator: Estimator,
    watched: Cutoff,
    *,
    proved: bool,
) -> frozenset[Alarm]:
    """Every alarm of one chamber that stands now."""
    found: set[Alarm] = set()
    if watched.latched is not None:
        found.add(Alarm.CUTOFF)
    if watched.estimate_held:
        found.add(Alarm.CALLUS_HOT)
    if estimator.disagree:
        found.add(Alarm.SUBSTRATES_DISAGREE)
    if not proved:
        found.add(Alarm.NOT_PROVED)
    for place, supply in supplies.items():
        if supply.lost:
            found.add(Alarm.ROOM_LOST if place is Place.ROOM else Alarm.PROBE_LOST)
    return frozenset(found)


def condition(
    state: ChamberState, chamber: ChamberConfig, *, proving: bool, held: bool
) -> Condition:
    """The chamber in one word."""
    if state.cutoff.latched is not None:
        return Condition.CUT_OUT
    if state.no_heat is not None:
        starting = any(
            s.standing is Standing.STARTING and not s.lost for s in state.supplies.values()
        )
        return Condition.STARTING if starting else Condition.NO_HEAT
    if proving:
        return Condition.PROVING
    estimate = state.outlook.estimate
    if estimate is None:
        return Condition.STARTING
    error_k = estimate.celsius - chamber.callus_zone_c
    if abs(error_k) <= BAND_K:
        return Condition.HOLDING
    if error_k > 0:
        return Condition.COOLING
    return Condition.HELD_LOW if held else Condition.WARMING


def tell(
    name: str,
    before: ChamberState,
    after: ChamberState,
    now_s: float,
    events: list[Event],
) -> None:
    """Add the events of what changed since the cycle before."""
    if after.cutoff.latched is not None and before.cutoff.latched is None:
        events.append(
            Event(EventKind.CUTOFF, now_s, name, after.cutoff.latched, Alarm.CUTOFF, durable=True)
        )
    if after.alarms != before.alarms:
        for alarm in sorted(after.alarms - before.alarms):
            text = ALARM_WORDS[alarm]
            events.append(Event(EventKind.ALARM_RAISED, now_s, name, text, alarm, durable=True))
        for alarm in sorted(before.alarms - after.alarms):
            text = ALARM_WORDS[alarm]
            events.append(Event(EventKind.ALARM_CLEARED, now_s, name, text, alarm, durable=True))
    if (after.no_heat is None) is not (before.no_heat is None):
        kind = EventKind.HEAT_RELEASED if after.no_heat is None else EventKind.HEAT_HELD
        events.append(Event(kind, now_s, name, after.no_heat or "heat may flow"))


def doubted(
    name: str,
    before: ChamberState,
    after: ChamberState,
    now_s: float,
    events: list[Event],
) -> None:
    """Say from when on the estimates that were given are not to be believed.

    The probe was wrong for a time before it was accused, and the rows of that time are written.
    """
    doubt, last = after.outlook.doubt, before.outlook
    by_callus = (before.estimator.basis or "").startswith(BY_CALLUS)
    if doubt is None or last.doubt is not None or last.estimate is None or by_callus:
        return
    since_s = accused.since_s(after.watch, doubt, now_s)
    if since_s is not None and since_s < now_s:
        text = doubtful.words(doubt, now_s - since_s)
        events.append(Event(EventKind.DOUBTED, now_s, name, text))


def record(
    name: str,
    state: ChamberState,
    now_s: float,
    chamber: ChamberConfig,
    condition: Condition,
    reason: str,
) -> Record:
    """The row of the log for this cycle."""
    return Record(
        chamber=name,
        at_s=now_s,
        readings=state.readings,
        estimate=state.outlook.estimate,
        setpoint_c=chamber.callus_zone_c,
        substrate_setpoint_c=state.outlook.substrate_setpoint_c,
        duty=state.law.duty,
        heat=state.relay.closed,
        condition=condition,
        reason=reason,
        alarms=state.alarms,
        closings=state.relay.closings,
    )
