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
from bottomheat import guard, heating, modulate, regulate
from bottomheat.commission import proving
from bottomheat.config import ChamberConfig, Config, HeatFlow
from bottomheat.heating import layer_cap
from bottomheat.model import (
    PLACE_WORDS,
    Alarm,
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
from bottomheat.plausible import History, judge
from bottomheat.protect import accused, crossing, frost
from bottomheat.protect import cutoff as cut
from bottomheat.protect import watch as watching
from bottomheat.protect.supply import Supply, follow, restart
from bottomheat.protect.tending import Doing, Lid, Tending
from bottomheat.state import ChamberState, ControllerState, Step
from bottomheat.telling import BAND_K, alarms, condition, doubted, record, tell
from bottomheat.words import unreliable

__all__ = [
    "BAND_K",
    "ChamberState",
    "ControllerState",
    "Step",
    "advance",
    "layer_cap",
    "reset_cutoff",
    "start",
    "tend",
]

REJECTED_AGAIN_S = 600.0
OF_A_BOX_IN_USE = frozenset(
    {
        Alarm.HEAT_LOST,
        Alarm.NOT_PROVED,
        Alarm.PROBE_DISPLACED,
        Alarm.PROBE_FROZEN,
        Alarm.PROBE_LOST,
        Alarm.ROOM_DOUBTED,
        Alarm.ROOM_LOST,
        Alarm.SHORTFALL,
        Alarm.SUBSTRATES_DISAGREE,
        Alarm.WARM_WITHOUT_HEAT,
    }
)
"""What matters only while something stands in the box; its probes may lie in a drawer."""
GAP_CYCLES = 4
RESTART_GAP_S = 60.0
"""After a gap of this length, and of ``GAP_CYCLES`` cycles, every probe starts again."""


def start(config: Config, latched: Mapping[str, str], *, proved: bool) -> ControllerState:
    """The state before the first cycle; ``latched`` gives the causes read from the latch file."""
    chambers = {}
    for name in config.chambers:
        cause = latched.get(name)
        # A proved wiring has had a season before: cuttings may lie there from the first cycle on.
        watch = watching.Watch(held=proved)
        if cause is not None and cause.startswith(watching.WELDED):
            watch = watching.Watch(held=proved, stuck=True, latched=cause)
        chambers[name] = ChamberState(cutoff=replace(cut.CLEAR, latched=cause), watch=watch)
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
    open_series: set[str] = set()
    hold, afresh = state.hold, False
    if not math.isfinite(now_s) or (state.at_s is not None and now_s < state.at_s):
        hold, afresh = hold or "the monotonic clock went backwards", True
        now_s = now_s if math.isfinite(now_s) else state.at_s or 0.0
    elif state.at_s is not None and now_s - state.at_s > GAP_CYCLES * config.cycle_s:
        gap_s = now_s - state.at_s
        afresh = gap_s > RESTART_GAP_S
        events.append(Event(EventKind.GAP, now_s, None, f"no cycle ran for {gap_s:.0f} s"))
    for name in config.chambers:
        before = state.chambers.get(name) or ChamberState()
        given = readings.get(name) or {}
        chambers[name] = _judge(name, before, given, now_s, config, events, afresh=afresh)
    run = state.proving
    if run is not None and hold is None:
        run = proving.advance(run, {n: c.readings for n, c in chambers.items()}, now_s)
    stopped = None
    heard = feedback or {}
    rooms_c = guard.other_rooms(
        chambers, {name: chamber.probes.room for name, chamber in config.chambers.items()}
    )
    decided = {}
    for name, chamber in config.chambers.items():
        pulse = None if run is None else run.heats(name)
        decided[name] = guard.detected(
            chambers[name],
            now_s,
            chamber,
            rooms_c[name],
            heard.get(name),
            config.cycle_s,
            proving=run is not None and not run.finished,
            heard=feedback is None or name in feedback,
        )
    many = len(config.chambers)
    turns = {name: i / many if many > 1 else None for i, name in enumerate(config.chambers)}
    crossed = crossing.crossed({name: bed.state.watch for name, bed in decided.items()}, now_s)
    for name, chamber in config.chambers.items():
        before = state.chambers.get(name) or ChamberState()
        pulse = None if run is None else run.heats(name)
        bed = decided[name]
        if name in crossed:
            bed = guard.cut_crossed(bed, crossed[name])
        if chamber.in_use:
            events += [Event(EventKind.DIAGNOSED, now_s, name, text) for text in bed.finding.told]
        else:  # nothing is missing there, however long it has been cold
            bed = replace(bed, state=replace(bed.state, watch=watching.at_rest(bed.state.watch)))
        after, word, reason = _decide(
            bed,
            now_s,
            chamber,
            u_probe_k=_probe_uncertainties(chamber, config),
            hold=hold or _rests(chamber, run),
            proved=state.proved,
            pulse=pulse,
            turn_share=turns[name],
        )
        after, idle = guard.idle(before, after, now_s)
        if bed.finding.open_series or after.cutoff.latched is not None or idle:
            open_series.add(name)
        if pulse and after.no_heat is not None:
            stopped = f"{name}: {after.no_heat}"
        tell(name, before, after, now_s, events)
        if chamber.in_use:
            doubted(name, before, after, now_s, events)
        if after.experiment is not None and after.experiment is not before.experiment:
            from bottomheat.commission import experiment

            events += experiment.told(name, before.experiment, after.experiment, now_s)
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
    return Step(
        new, frozenset(heat), tuple(events), tuple(records), latched, frozenset(open_series)
    )


def _rests(chamber: ChamberConfig, run: proving.Proving | None) -> str | None:
    """Why a box that is not in use gets no heat; a proving run goes through all boxes."""
    if chamber.in_use or (run is not None and not run.finished):
        return None
    return "not in use, as the config says"


def _asked(chamber: ChamberConfig, found: frozenset[Alarm]) -> frozenset[Alarm]:
    """The alarms that anybody wants to hear of: of a box not in use those of heat alone."""
    return found if chamber.in_use else found - OF_A_BOX_IN_USE


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
    if tending is not None and tending.doing in (Doing.FILL, Doing.MOVE):
        chamber = replace(chamber, watch=watching.afresh(chamber.watch))
    return replace(state, chambers={**state.chambers, name: chamber})


def reset_cutoff(
    state: ControllerState, name: str, config: Config
) -> tuple[ControllerState, bool, tuple[str, ...]]:
    """Clear a latched cutoff if its cause is gone.

    Returns:
        The state, whether it was cleared, and the proof or what stands against it, in words.
    """
    chamber = state.chambers[name]
    seen = chamber.outlook
    fit, lines = cut.may_reset(
        chamber.readings, seen.estimate, config.chambers[name].limits, seen.evidence
    )
    calm, more = watching.may_reset(chamber.watch)
    lines = (*lines, *more)
    if not (fit and calm):
        return state, False, lines
    cleared = replace(chamber, cutoff=cut.CLEAR, watch=watching.reset(chamber.watch))
    return replace(state, chambers={**state.chambers, name: cleared}), True, lines


def _judge(
    name: str,
    before: ChamberState,
    raws: Mapping[Place, Raw],
    now_s: float,
    config: Config,
    events: list[Event],
    *,
    afresh: bool,
) -> ChamberState:
    histories: dict[Place, History] = {}
    supplies: dict[Place, Supply] = {}
    rejected = before.rejected
    readings: list[tuple[Place, Reading]] = []
    for place, probe in config.chambers[name].probes.by_place().items():
        raw = raws.get(place) or Unread(Fault.NOT_READ, now_s)
        history = before.histories.get(place) or History()
        histories[place], reading = judge(history, raw, now_s, config.add_k(probe))
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


def _probe_uncertainties(chamber: ChamberConfig, config: Config) -> dict[Place, float]:
    """Standard uncertainties of the probes that were compared, K, by place.

    The wet layer's is that of its worse probe, and of none that was compared unless both were.
    """
    if not config.corrections:
        return {}
    found = {
        place: config.corrections[probe].uncertainty_k
        for place, probe in chamber.probes.by_place().items()
        if probe in config.corrections
    }
    second_k = found.pop(Place.SUBSTRATE_2, None)
    if not isinstance(chamber.probes.substrate, str) and len(chamber.probes.substrate) > 1:
        first_k = found.pop(Place.SUBSTRATE, None)
        if first_k is not None and second_k is not None:
            found[Place.SUBSTRATE] = max(first_k, second_k)
    return found


def _decide(
    bed: guard.Bed,
    now_s: float,
    chamber: ChamberConfig,
    *,
    u_probe_k: Mapping[Place, float],
    hold: str | None,
    proved: bool,
    pulse: bool | None,
    turn_share: float | None,
) -> tuple[ChamberState, Condition, str]:
    state, usable, substrate_c, finding = bed.state, bed.usable, bed.substrate_c, bed.finding
    watched, hot, supplies = state.cutoff, bed.hot, state.supplies
    offset, _ = chamber.offset_with(state.lid)
    inputs = est.Inputs(
        substrate_c,
        usable.get(Place.ROOM),
        usable.get(Place.CALLUS),
        room_wanted=Place.ROOM in usable,
        power_w=bed.power_w,
        u_probe_k=u_probe_k,
        doubt=accused.why(state.watch, watched.latched, substrate_c),
    )
    estimator, outlook = est.advance(
        state.estimator,
        inputs,
        chamber,
        now_s,
        regulating=state.no_heat is None,
        lid=state.lid,
    )
    outlook = accused.lost(outlook, supplies)
    if inputs.callus_c is None:
        watched, warm = cut.watch_estimate(
            watched,
            outlook.estimate,
            substrate_c,
            inputs.room_c,
            chamber.limits,
            now_s,
            heated=watching.heated(state.watch),
            evidence=outlook.evidence,
        )
        hot = hot or warm
    else:
        watched = cut.forget_estimate(watched)
    no_heat = (
        watched.latched or hot or hold or finding.no_heat or unreliable(offset, supplies, outlook)
    )
    if no_heat is None and pulse is None and not proved:
        no_heat = "wiring not proved: run bottomheat prove"
    law = state.law
    if (
        law.key is None
        and estimator.before_c is not None
        and estimator.power_w is not None
        and isinstance(offset, HeatFlow)
        and Place.ROOM not in usable
    ):
        # No room says what the box needs, and beginning at nothing would lower the setpoint too.
        law = replace(law, integral=min(1.0, estimator.power_w / chamber.heater.watts))
    if substrate_c is not None:
        law = regulate.measure(
            law, substrate_c, now_s, bounded=state.relay.cut, closed=state.relay.closed
        )
    bound = heating.bound(chamber, usable)
    if bound is None and finding.pause:
        bound = "heat off for some minutes, to see how the mat answers"
    relay, reason = state.relay, ""
    trial = state.experiment
    if trial is not None:
        from bottomheat.commission import experiment  # loaded by whoever asked for it

        trial = experiment.follow(
            state,
            law,
            outlook,
            usable,
            chamber,
            finding,
            now_s,
            bound=bound,
            no_heat=no_heat,
            proving=pulse is not None,
        )
    guarded = frost.guarded(bed.finding, state, chamber, usable, hold=hold, proved=proved)
    if watched.latched is None and not hot and no_heat is not None and guarded is not None:
        law, reason = regulate.idle(law), frost.words(guarded)
        relay = heating.shared_out(relay, guarded, now_s, chamber, bound=bound is not None)
    elif no_heat is not None:
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
    elif trial is not None and trial.drives:
        from bottomheat.commission import experiment

        law, relay, reason = experiment.driven(trial, law, relay, finding, bound, now_s, turn_share)
    else:
        law, relay, reason = heating.regulated(
            law, relay, outlook, usable, bound, now_s, chamber, finding, turn_share, offset=offset
        )
    after = replace(
        state,
        cutoff=watched,
        estimator=estimator,
        law=law,
        relay=relay,
        outlook=outlook,
        experiment=trial,
        alarms=_asked(
            chamber, alarms(supplies, estimator, watched, proved=proved) | finding.alarms
        ),
        no_heat=no_heat,
    )
    return after, condition(after, chamber, proving=pulse is not None, held=bool(reason)), reason
