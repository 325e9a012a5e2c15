"""One cycle of control: (state, readings, now, config) -> (state, command, events).

The order is the safety case: judge every reading, decide whether each probe can be relied on, watch
the cutoff, then estimate and regulate, then let protection have the last word on the relay.
Nothing in here raises on bad data, reads a clock or touches the outside.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import replace

from bottomheat import estimate as est
from bottomheat import modulate, regulate
from bottomheat.commission import proving
from bottomheat.config import LIMIT_MARGIN_K, ChamberConfig, Config
from bottomheat.estimate import Outlook
from bottomheat.model import (
    PLACE_WORDS,
    Bad,
    Condition,
    Event,
    EventKind,
    Fault,
    Feedback,
    Place,
    Raw,
    Reading,
    Record,
    Unread,
)
from bottomheat.modulate import Modulator
from bottomheat.plausible import History, judge
from bottomheat.protect import cutoff as cut
from bottomheat.protect.supply import Supply, follow, restart
from bottomheat.protect.tending import Lid, Tending
from bottomheat.state import ChamberState, ControllerState, Step
from bottomheat.telling import BAND_K, alarms, condition, record, tell
from bottomheat.words import held_low, mat_held, unreliable

__all__ = [
    "BAND_K",
    "CEILING_MARGIN_K",
    "ChamberState",
    "ControllerState",
    "Step",
    "advance",
    "layer_cap",
    "reset_cutoff",
    "start",
    "tend",
]

CEILING_MARGIN_K = 0.15
"""The wet layer is regulated this far below its ceiling, so that ripple stays under it."""

SWING_MARGIN_K = 0.75
"""The same for the on/off law, whose swing is wider: heat stored in the mat lifts the wet layer by
0.5 to 0.6 K after the contact has opened (calculated on a chamber model)."""

REJECTED_AGAIN_S = 600.0
GAP_CYCLES = 4
RESTART_GAP_S = 60.0
"""After a gap of this length, and of ``GAP_CYCLES`` cycles, every probe starts again."""


def start(config: Config, latched: Mapping[str, str], *, proved: bool) -> ControllerState:
    """The state before the first cycle; ``latched`` gives the causes read from the latch file."""
    chambers = {}
    for name in config.chambers:
        cause = latched.get(name)
        chambers[name] = ChamberState(cutoff=replace(cut.CLEAR, latched=cause))
    return ControllerState(chambers, proved=proved)


def advance(
    state: ControllerState,
    readings: Mapping[str, Mapping[Place, Raw]],
    now_s: float,
    config: Config,
    feedback: Mapping[str, Feedback] | None = None,
) -> Step:
    """Run one cycle for every chamber.

    Args:
        state: state of the cycle before.
        readings: what the probes gave, by chamber and place; a missing one counts as unread.
        now_s: monotonic time, s.
        config: the accepted config.
        feedback: what the keeper last said of each chamber's relays; a chamber of which it has
            said nothing lately is missing.

    Returns:
        The new state, the chambers whose heat relay is to be closed, events and log rows.
    """
    events: list[Event] = []
    records: list[Record] = []
    chambers: dict[str, ChamberState] = {}
    latched: dict[str, str] = {}
    heat: set[str] = set()
    hold, afresh = state.hold, False
    if not math.isfinite(now_s) or (state.at_s is not None and now_s < state.at_s):
        hold, afresh = hold or "the monotonic clock went backwards", True
        now_s = now_s if math.isfinite(now_s) else state.at_s or 0.0
    elif state.at_s is not None and now_s - state.at_s > GAP_CYCLES * config.cycle_s:
        gap_s = now_s - state.at_s
        afresh = gap_s > RESTART_GAP_S
        events.append(Event(EventKind.GAP, now_s, None, f"no cycle ran for {gap_s:.0f} s"))
    for name, chamber in config.chambers.items():
        before = state.chambers.get(name) or ChamberState()
        given = readings.get(name) or {}
        chambers[name] = _judge(name, before, given, now_s, chamber, events, afresh=afresh)
    run = state.proving
    if run is not None and hold is None:
        run = proving.advance(run, {n: c.readings for n, c in chambers.items()}, now_s)
    stopped = None
    for name, chamber in config.chambers.items():
        before = state.chambers.get(name) or ChamberState()
        pulse = None if run is None else run.heats(name)
        after, word, reason = _decide(
            chambers[name], now_s, chamber, hold=hold, proved=state.proved, pulse=pulse
        )
        if pulse and after.no_heat is not None:
            stopped = f"{name}: {after.no_heat}"
        tell(name, before, after, now_s, events)
        if after.cutoff.latched is not None and before.cutoff.latched is None:
            latched[name] = after.cutoff.latched
        chambers[name] = after
        if after.relay.closed:
            heat.add(name)
        records.append(record(name, after, now_s, chamber, word, reason))
    proved = state.proved
    if run is not None:
        # A pulse that cannot heat would be taken for an unplugged mat.
        run = run if stopped is None else replace(run, cancelled=stopped)
        if run.finished:
            proved = run.proves(proved)
            if state.proving is not None and not state.proving.finished:
                events.append(Event(EventKind.PROVED, now_s, None, run.summary, durable=True))
    new = ControllerState(chambers, now_s, proved, run, state.hold)
    return Step(new, frozenset(heat), tuple(events), tuple(records), latched)


def tend(
    state: ControllerState, name: str, tending: Tending | None, lid: Lid | None = None
) -> ControllerState:
    """Note that a chamber is being tended, or, with None, that this is over.

    Args:
        state: the controller.
        name: a chamber of it.
        tending: what is done, and until when.
        lid: how the lid lies from now on; None leaves it as it is.
    """
    chamber = state.chambers[name]
    chamber = replace(chamber, tending=tending, lid=chamber.lid if lid is None else lid)
    return replace(state, chambers={**state.chambers, name: chamber})


def reset_cutoff(
    state: ControllerState, name: str, config: Config
) -> tuple[ControllerState, bool, tuple[str, ...]]:
    """Clear a latched cutoff if its cause is gone.

    Returns:
        The state, whether it was cleared, and the proof or what stands against it, in words.
    """
    chamber = state.chambers[name]
    fit, lines = cut.may_reset(
        chamber.readings, chamber.outlook.estimate, config.chambers[name].limits
    )
    if not fit:
        return state, False, lines
    cleared = replace(chamber, cutoff=cut.CLEAR)
    return replace(state, chambers={**state.chambers, name: cleared}), True, lines


def _judge(
    name: str,
    before: ChamberState,
    raws: Mapping[Place, Raw],
    now_s: float,
    chamber: ChamberConfig,
    events: list[Event],
    *,
    afresh: bool,
) -> ChamberState:
    histories: dict[Place, History] = {}
    supplies: dict[Place, Supply] = {}
    rejected = before.rejected
    readings: list[tuple[Place, Reading]] = []
    for place in chamber.probes.by_place():
        raw = raws.get(place) or Unread(Fault.NOT_READ, now_s)
        histories[place], reading = judge(before.histories.get(place) or History(), raw, now_s)
        supply = before.supplies.get(place) or Supply()
        supplies[place] = follow(restart(supply) if afresh else supply, reading, now_s)
        readings.append((place, reading))
        if isinstance(reading, Bad):
            told = rejected.get(place)
            if told is None or told[0] is not reading.fault or now_s - told[1] >= REJECTED_AGAIN_S:
                rejected = {**rejected, place: (reading.fault, now_s)}
                detail = f" ({reading.detail})" if reading.detail else ""
                text = f"{PLACE_WORDS[place]}: {reading.fault.value}{detail}"
                events.append(Event(EventKind.READING_REJECTED, now_s, name, text))
    return replace(
        before,
        histories=histories,
        supplies=supplies,
        readings=tuple(readings),
        rejected=rejected,
    )


def _decide(
    state: ChamberState,
    now_s: float,
    chamber: ChamberConfig,
    *,
    hold: str | None,
    proved: bool,
    pulse: bool | None,
) -> tuple[ChamberState, Condition, str]:
    supplies = state.supplies
    usable = {place: supply.usable for place, supply in supplies.items()}
    watched, hot = cut.watch(state.cutoff, state.readings, chamber.limits)
    estimator, substrate_c = est.control_substrate(
        state.estimator, usable.get(Place.SUBSTRATE), usable.get(Place.SUBSTRATE_2)
    )
    inputs = est.Inputs(
        substrate_c,
        usable.get(Place.ROOM),
        usable.get(Place.CALLUS),
        room_wanted=Place.ROOM in usable,
    )
    estimator, outlook = est.advance(
        estimator, inputs, chamber, now_s, regulating=state.no_heat is None
    )
    if inputs.callus_c is None:
        watched, warm = cut.watch_estimate(
            watched, outlook.estimate, substrate_c, inputs.room_c, chamber.limits, now_s
        )
        hot = hot or warm
    else:
        watched = cut.forget_estimate(watched)
    no_heat = watched.latched or hot or hold or unreliable(chamber, supplies, outlook)
    if no_heat is None and pulse is None and not proved:
        no_heat = "wiring not proved: run bottomheat prove"
    law = state.law
    if substrate_c is not None:
        law = regulate.measure(law, substrate_c, now_s, bounded=state.relay.cut)
    bound = _bound(chamber, usable)
    relay, reason = state.relay, ""
    if no_heat is not None:
        law, relay, reason = regulate.idle(law), modulate.force_open(relay, now_s), no_heat
    elif pulse is not None:
        law = regulate.idle(law)
        relay = modulate.on_off(
            relay,
            pulse,
            now_s,
            min_on_s=0.0,
            min_off_s=chamber.heater.min_off,
            bound=bound is not None or not pulse,
        )
        reason = "a heat pulse proves the wiring" if pulse else "waiting while the wiring is proved"
    else:
        law, relay, reason = _regulate(law, relay, outlook, usable, bound, now_s, chamber)
    after = replace(
        state,
        cutoff=watched,
        estimator=estimator,
        law=law,
        relay=relay,
        outlook=outlook,
        alarms=alarms(supplies, estimator, watched, proved=proved),
        no_heat=no_heat,
    )
    return after, condition(after, chamber, proving=pulse is not None, held=bool(reason)), reason


def _regulate(
    law: regulate.Law,
    relay: Modulator,
    outlook: Outlook,
    usable: Mapping[Place, float | None],
    bound: str | None,
    now_s: float,
    chamber: ChamberConfig,
) -> tuple[regulate.Law, Modulator, str]:
    wanted_c = outlook.substrate_setpoint_c
    if wanted_c is None:
        return (
            regulate.idle(law),
            modulate.force_open(relay, now_s),
            "no setpoint for the wet layer",
        )
    heater = chamber.heater
    cap_c = layer_cap(chamber)
    setpoint_c = min(wanted_c, cap_c)
    reason = ""
    if wanted_c > cap_c + 0.05:
        reason = held_low(chamber, wanted_c - cap_c)
    elif bound is not None:
        reason = bound
    elif law.held and usable.get(Place.MAT) is not None and _far_below(law.filtered_c, cap_c):
        reason = mat_held(chamber)
    if chamber.law == "hysteresis":
        half_k = chamber.differential_k / 2
        setpoint_c = min(setpoint_c, cap_c - half_k)
        law = regulate.hysteresis(law, setpoint_c, chamber.differential_k, now_s)
        relay = modulate.on_off(
            relay,
            law.want,
            now_s,
            min_on_s=heater.min_on,
            min_off_s=heater.min_off,
            bound=bound is not None,
        )
        return law, relay, reason
    window_s = heater.window
    tunings = regulate.tuning(chamber)
    room_c = usable.get(Place.ROOM)
    feed_c = outlook.room_c if Place.ROOM in usable else None
    key = (tunings, chamber.offset, outlook.fallback, room_c is None)
    asked_c = chamber.callus_zone_c
    changed = law.evaluated_s is not None and (law.key != key or law.asked_c != asked_c)
    if changed or (
        modulate.starts_window(relay, now_s, window_s)
        and regulate.due(law, now_s, key, asked_c, window_s)
    ):
        law = regulate.pid(
            law,
            setpoint_c,
            feed_c,
            tunings,
            now_s,
            key=key,
            asked_c=asked_c,
            given_duty=relay.given_s / window_s,
        )
    relay = modulate.proportion(
        relay,
        law.duty,
        now_s,
        window_s=window_s,
        min_on_s=heater.min_on,
        min_off_s=heater.min_off,
        bound=bound is not None,
        restart=changed,
    )
    return law, relay, reason


def _far_below(layer_c: float | None, cap_c: float) -> bool:
    """Whether the wet layer cannot have been at its own bound within the last window."""
    return layer_c is not None and layer_c < cap_c - 1.5


def layer_cap(chamber: ChamberConfig) -> float:
    """Highest setpoint of the wet layer, °C: below its ceiling, and 3 K below its limit."""
    margin_k = SWING_MARGIN_K if chamber.law == "hysteresis" else CEILING_MARGIN_K
    return min(chamber.layer_ceiling_c, chamber.limits.substrate_c - LIMIT_MARGIN_K) - margin_k


def _bound(chamber: ChamberConfig, usable: Mapping[Place, float | None]) -> str | None:
    """Which temperature is at its bound, in words, or None."""
    limits = chamber.limits
    mat_c = usable.get(Place.MAT)
    if mat_c is not None and mat_c >= limits.mat_c - LIMIT_MARGIN_K:
        return mat_held(chamber)
    cap_c = min(chamber.layer_ceiling_c, limits.substrate_c - LIMIT_MARGIN_K)
    for place in (Place.SUBSTRATE, Place.SUBSTRATE_2):
        layer_c = usable.get(place)
        if layer_c is not None and layer_c >= cap_c:
            return f"wet layer at its ceiling of {cap_c:g} °C"
    return None
