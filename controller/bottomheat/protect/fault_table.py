"""The fault table: what can go wrong, what sees it, and what is done about it; data.

README shows it as ``render`` writes it.  Times and temperatures are taken from where the detectors
take them, levels from ``alarm_words``, so that nothing is typed twice.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final

from bottomheat import drift, keeper, keeper_probe, loop, plausible, relay_life, tonight
from bottomheat import keeper_weld as weld
from bottomheat.alarm_words import TOLD
from bottomheat.alerts.schedule import SILENT_AFTER_S
from bottomheat.cycle import GAP_CYCLES
from bottomheat.durations import words as long
from bottomheat.estimate_state import AGREE_AGAIN_K, AGREE_K
from bottomheat.model import Alarm, EventKind
from bottomheat.protect import cutoff, supply
from bottomheat.protect import thresholds as th
from bottomheat.season import tops

YES: Final = "yes"
NO: Final = "no"


@dataclass(frozen=True, slots=True)
class Row:
    """One fault.

    Attributes:
        fault: what is wrong.
        seen_by: what shows it, with times and thresholds.
        response: what is done to the heat and to the estimate.
        latches: "yes", "no", or when.
        alarms: that say it.
        events: that say it in the log, where no alarm does.
        kinds: faults of ``rehearse --fault`` that cause it, with place and size where these are
            not the usual ones.
        tests: tests that cause it, where a rehearsal cannot.
    """

    fault: str
    seen_by: str
    response: str
    latches: str
    alarms: tuple[Alarm, ...] = ()
    events: tuple[EventKind, ...] = ()
    kinds: tuple[str, ...] = ()
    tests: tuple[str, ...] = ()


def _pc(share: float) -> str:
    return f"{100 * share:.0f} %"


_PROCESS_DISK = "tests/shell/test_process_disk.py"
_PROCESS_CONFIG = "tests/shell/test_process_config.py"

_HOT: Final = (
    Row(
        "over-temperature: wet layer, mat or callus probe above its limit",
        f"one reading opens the relays, {cutoff.RUNNING} running latch; a rejected reading with "
        "the right checksum counts too",
        "heat off, series relay open",
        YES,
        (Alarm.CUTOFF,),
        kinds=("relay-stuck-on",),
    ),
    Row(
        "over-temperature at the keeper's own mat probe",
        f"one reading at the limit opens the relays, {keeper_probe.HOT_READINGS} running latch",
        "both relays open, whatever the service says",
        YES,
        (Alarm.KEEPER_LATCHED,),
        kinds=("relay-stuck-on",),
    ),
    Row(
        "callus zone worked out above its limit, no callus probe",
        f"for {long(cutoff.ESTIMATE_HOT_S)}",
        f"heat off until it is {cutoff.ESTIMATE_CLEAR_K:g} K below",
        f"{cutoff.ESTIMATE_LATCH_K:g} K above, where there was heat and the room is cooler than "
        "the wet layer",
        (Alarm.CALLUS_HOT, Alarm.CUTOFF),
        kinds=("relay-stuck-on", "warm-shed=30"),
    ),
    Row(
        "relay stuck on",
        f"heat off for {long(th.STUCK_OFF_S)}, and the mat and its lead over the wet layer rise by "
        f"{th.STUCK_RISE_K:g} K and {_pc(th.STUCK_RISE_SHARE)} of full lead; or the mat has not "
        f"answered to switching for {long(th.MUTE_S)}, and in {long(th.LOOK_S)} without heat it "
        f"falls by less than {_pc(th.STUCK_STAYS)} of its lead, or in {long(th.STUCK_LONG_S)}; "
        f"or the lead is too long and the layer warms by {th.UNASKED_K:g} K in an hour beyond its "
        f"heat. The keeper alone: mat "
        f"{weld.RISE_K:g} K up within {long(weld.RISE_WITHIN_S)} with its relay open, and still "
        f"rising through a watch of {long(weld.WATCH_S)}. Needs a mat probe",
        "both relays told to open; with one relay: unplug the mat",
        YES,
        (Alarm.RELAY_STUCK_ON, Alarm.KEEPER_LATCHED),
        kinds=("relay-stuck-on", "relay-stuck-on-at-once"),
    ),
    Row(
        "warm without heat: sun, lamp, warm shed",
        f"callus zone {th.WARM_K:g} K above its setpoint after {long(th.WARM_S)} without heat, and "
        "not falling; light on the medium from above shows in the wet layer late and in part. A "
        "mat that does not warm ahead of the wet layer is not called a stuck relay",
        "none: shade, vent or move the box",
        NO,
        (Alarm.WARM_WITHOUT_HEAT,),
        kinds=("warm-shed", "sun", "lamp"),
    ),
)

_COLD: Final = (
    Row(
        "heater without effect: relay stuck off, plug, fuse, cutout or mat",
        f"heat on and {_pc(th.NO_LEAD_SHARE)} of full lead missing for {long(th.NO_LEAD_S)}; or "
        f"less than {_pc(th.ANSWERS)} of the learned answer to switching for {long(th.MUTE_S)} and "
        f"the lead gone; or less than {_pc(th.WEAK)} of it for {long(th.WEAK_S)}. Without a mat "
        f"probe: in an hour that should lift the wet layer by {th.RESPONSE_K:g} K, less than "
        f"{_pc(th.RESPONSE_SHARE)} of it",
        f"duty held to {th.DUTY_FACTOR:g} times what the setpoint needs, and for "
        f"{th.DUTY_EXTRA_K:g} K of the wet layer more",
        NO,
        (Alarm.NO_EFFECT,),
        kinds=("mat-dead", "mat-weak", "relay-stuck-off"),
    ),
    Row(
        "heat lost and plants in danger, whatever the cause",
        f"no heat for {long(th.LOST_S)}, and the callus zone will be {th.LOST_K:g} K low within "
        f"{long(th.LOST_AHEAD_S)}",
        "none: cover the box",
        NO,
        (Alarm.HEAT_LOST,),
        kinds=("mat-dead", "probe-lost"),
    ),
    Row(
        "heat shortfall",
        f"{long(th.SHORT_S)} at {_pc(th.FULL_DUTY)} duty or at a bound, callus zone "
        f"{th.SHORT_K:g} K low, wet layer falling by {th.FALLING_K:g} K an hour",
        "none: the box stays as warm as it gets",
        NO,
        (Alarm.SHORTFALL,),
        kinds=("cold-snap", "mat-weak"),
    ),
    Row(
        "a night to come that the mat will not carry",
        f"looked at every hour where model, `full_power_rise` or half a day of learning say what a "
        f"watt does: the room as a day ago with the trend since, {tonight.AHEAD_H} h ahead, leaves "
        f"the callus zone {tonight.RAISE_K:g} K low with all the heat it may have, and "
        f"{tonight.FAR_K_PER_H:g} K more for each hour beyond the next {tonight.NEAR_H}. Gone once "
        f"it would be less than {tonight.CLEAR_K:g} K for {tonight.CALM} h",
        "none: cover the box before dark. Told once when it is foretold, too",
        NO,
        (Alarm.TONIGHT,),
        kinds=("cold-night",),
    ),
)

_PROBES: Final = (
    Row(
        "probe lost",
        f"no good reading for {supply.LOST_CYCLES} cycles",
        "wet layer, mat: heat off, or the second wet-layer probe; callus probe: worked out from "
        f"the others. Counts again after {long(supply.RETURN_S)} of good readings",
        NO,
        (Alarm.PROBE_LOST,),
        kinds=("probe-lost", "probe-shorted", "probe-garbled"),
    ),
    Row(
        "probe read hangs, or the folder of all probes is gone",
        f"no reading younger than {long(plausible.STALE_S)}",
        "heat off",
        NO,
        (Alarm.PROBE_LOST,),
        tests=("tests/shell/test_process_probes.py",),
    ),
    Row(
        "probe implausible",
        f"{plausible.POWER_ON_C:g} °C (power-on), {plausible.NO_CONVERSION_C:.2f} °C (no "
        "conversion), all bytes zero, illegal configuration byte, outside "
        f"{plausible.LOWEST_C:g} to {plausible.HIGHEST_C:g} °C; a jump of more than "
        f"{plausible.JUMP_K:g} K until {plausible.CONFIRMATIONS} readings agree",
        "reading rejected, with its reason in the log; if it persists: probe lost",
        NO,
        (Alarm.PROBE_LOST,),
        kinds=("probe-85", "probe-shorted"),
    ),
    Row(
        "probe frozen",
        f"wet layer: one count for {long(th.STILL_S)} while the model moves by "
        f"{th.STILL_RANGE_K:g} K; where it expects nothing, a proving window lumps the same heat "
        f"over {long(th.WINDOW_S)}, once in {long(th.WINDOW_AGAIN_S)} at most. Mat: one count for "
        f"{long(th.MAT_STILL_S)} while its lead should move by {th.MAT_STILL_K:g} K",
        "heat off and no estimate, or the second wet-layer probe; counts again after "
        f"{long(supply.RETURN_S)} of moving. The record takes the time since its last change for "
        "unknown",
        NO,
        (Alarm.PROBE_FROZEN,),
        kinds=("probe-frozen", "probe-frozen.mat"),
    ),
    Row(
        "wet-layer probe displaced",
        f"the mat leads it by {th.DISPLACED_K:g} K and {_pc(th.DISPLACED_SHARE)} more than its "
        f"heat explains, for {long(th.DISPLACED_S)}; it fell and the mat has not followed "
        f"{long(th.DISPLACED_LOOK_S)} later; it reads the room's temperature for "
        f"{long(th.ROOM_TOUCH_S)}. Without a mat probe: it fell and has not come back in "
        f"{long(th.RECOVERS_S)}",
        f"heat off and no estimate; after {long(th.AGREES_S)} of agreement tried at "
        f"{_pc(th.PROBATION_SHARE)} of the model's duty for {long(th.PROBATION_S)}, the interval "
        "is wider. With a mat probe it is known after a restart too. The record takes the time "
        "since it last agreed for unknown",
        f"the second time within {long(th.AGAIN_S)}",
        (Alarm.PROBE_DISPLACED, Alarm.CUTOFF),
        kinds=("probe-displaced", "probe-displaced-top", "probe-displaced-half"),
    ),
    Row(
        "more heat than setpoint and room justify: a probe that drifts or has slipped unseen",
        f"mean duty over {long(th.MEAN_DUTY_S)} above {th.DUTY_FACTOR:g} times what the setpoint "
        f"needs and {th.DUTY_EXTRA_K:g} K of the wet layer more, and the bed does not answer as "
        "the model says",
        "duty held to what the setpoint needs",
        NO,
        kinds=("probe-drift", "probe-offset"),
    ),
    Row(
        "two wet-layer probes disagree",
        f"more than {AGREE_K:g} K apart, until less than {AGREE_AGAIN_K:g} K",
        "the warmer one rules",
        NO,
        (Alarm.SUBSTRATES_DISAGREE,),
        kinds=("probe-displaced", "probe-offset"),
    ),
    Row(
        "room probe lost",
        f"no good reading for {supply.LOST_CYCLES} cycles",
        "the heat of the mat says how cold the room is (in the first half day the mean room), "
        "the interval is wider",
        NO,
        (Alarm.ROOM_LOST,),
        kinds=("probe-lost.room",),
    ),
    Row(
        "room probe sunlit, or against the box",
        f"{th.ROOM_JUMP_K:g} K up within {th.ROOM_JUMP_MINUTES} min, and neither another box's "
        f"room nor this bed bears it out; told after {long(th.ROOM_TOLD_S)}",
        f"the room from before is used, {long(th.ROOM_HELD_S)} at most",
        NO,
        (Alarm.ROOM_DOUBTED,),
        kinds=("room-sunlit", "room-near-box"),
    ),
    Row(
        "room probe frozen",
        f"one count for {long(th.ROOM_STILL_S)} while another box's room moves by "
        f"{th.ROOM_OTHERS_K:g} K, or the wet layer drifts by {th.ROOM_IMPLIED_K:g} K from what "
        "such a room would make of it",
        "the heat of the mat says how cold the room is (in the first half day the mean room), "
        "the interval is wider",
        NO,
        (Alarm.ROOM_DOUBTED,),
        kinds=("probe-frozen.room",),
    ),
    Row(
        "callus probe displaced or frozen",
        f"{th.CALLUS_APART_K:g} K from where it usually lies against wet layer and room, for "
        f"{long(th.CALLUS_APART_S)}; or one count for {long(th.CALLUS_STILL_S)} while these move "
        f"it by {th.CALLUS_STILL_K:g} K",
        "not used: the callus zone is worked out from wet layer and room",
        NO,
        (Alarm.PROBE_DISPLACED, Alarm.PROBE_FROZEN),
        kinds=("probe-displaced.callus", "probe-frozen.callus"),
    ),
)

_BOX: Final = (
    Row(
        "box opened, filled or watered",
        f"wet layer {th.DROP_K:g} K lower in {th.DROP_MINUTES} min than heat and room explain, and "
        "the bed follows; or `bottomheat tend`",
        f"detectors that it fools wait until the bed has recovered, {long(th.DISTURBED_S)} at "
        "most; limits, cutoff, lost probes, stuck relay and duty bound stay",
        "never",
        events=(EventKind.DIAGNOSED, EventKind.TENDING),
        kinds=("lid-off", "lid-ajar", "water", "bags", "tend"),
    ),
    Row(
        "plugs or probes of two boxes crossed while they run",
        "one bed warms with its heat off while another is heated and shows no heat",
        "heat off in both and no estimate",
        YES,
        (Alarm.CROSSED,),
        kinds=("crossed-plugs", "crossed-probes"),
    ),
    Row(
        "wiring new or changed",
        "no proof for this wiring",
        "no heat until `bottomheat prove` has passed",
        NO,
        (Alarm.NOT_PROVED,),
        tests=("tests/shell/test_daemon.py",),
    ),
    Row(
        "series relay stuck",
        f"once in {long(th.PROOF_EVERY_S)} it is held open for {long(th.PROOF_S)}, the heat "
        f"relay closed: the lead grows by more than {_pc(th.PROOF_STUCK)} of what heat would add",
        "none: do not leave the box alone",
        NO,
        (Alarm.SERIES_STUCK,),
        kinds=("series-stuck",),
    ),
)

_MACHINE: Final = (
    Row(
        "keeper's own probe silent or doubtful",
        f"no good reading for {long(keeper_probe.PROBE_FRESH_S)}, or a reading that a healthy "
        f"probe does not send; told once heat was refused for {long(loop.HELD_OPEN_S)}",
        f"both relays open until {keeper_probe.AGREEING_READINGS} good readings agree",
        NO,
        (Alarm.KEEPER_HOLDS,),
        kinds=("probe-lost.keeper", "probe-85.keeper"),
    ),
    Row(
        "keeper killed or hung",
        f"no word from it for {long(loop.KEEPER_SILENT_S)}",
        "systemd ends it, opens the lines and starts it again",
        NO,
        (Alarm.KEEPER_SILENT,),
        kinds=("keeper-hang",),
    ),
    Row(
        "service killed or hung",
        f"no word from it for {long(SILENT_AFTER_S)}: told by the alerts, and by the sounder",
        f"heat relay open {long(keeper.LEASE_S)} after its last word, series relay after "
        f"{long(keeper.SERIES_S)}; systemd starts it again",
        NO,
        (Alarm.DAEMON_SILENT,),
        kinds=("daemon-hang",),
    ),
    Row(
        "power lost, restart",
        f"run left open; {GAP_CYCLES} cycles without one",
        "probes and models start again; how long and how cold is told",
        NO,
        events=(EventKind.OUTAGE, EventKind.GAP),
        kinds=("power-cut",),
    ),
    Row(
        "latch file missing, damaged or not writable",
        f"at start and at every latch; tried again every {long(loop.LATCH_RETRY_S)}",
        "no heat",
        "missing or damaged: yes",
        (Alarm.LATCH_UNWRITABLE, Alarm.CUTOFF, Alarm.KEEPER_LATCHED),
        tests=(_PROCESS_DISK,),
    ),
    Row(
        "log full, read-only or damaged",
        "the database's error",
        "control goes on; rows wait in memory, a damaged file is set aside",
        NO,
        (Alarm.LOG_FAILED,),
        tests=(_PROCESS_DISK,),
    ),
    Row(
        "config refused",
        "at start and at every change of the file",
        "the last accepted one stays; at start only where its wiring still matches, else no heat",
        NO,
        (Alarm.CONFIG_REFUSED, Alarm.CONFIG_FALLBACK),
        tests=(_PROCESS_CONFIG,),
    ),
    Row(
        "clock set by a step",
        f"wall clock against monotonic clock, more than {loop.CLOCK_STEP_MS / 1000:g} s",
        "none: heat does not go by it",
        NO,
        events=(EventKind.CLOCK_STEPPED,),
        tests=(_PROCESS_CONFIG,),
    ),
    Row(
        "supply voltage of the computer too low",
        "the kernel's flag",
        "none: fit the maker's supply",
        NO,
        (Alarm.UNDERVOLTAGE,),
        tests=("tests/shell/test_power_flag.py",),
    ),
    Row(
        "box or mat changed over weeks: ageing mat, wetter or drier medium, lid, draught",
        f"what a watt does to wet layer and mat, by the day, against the first "
        f"{drift.REFERENCE_DAYS} days: a CUSUM with {_pc(drift.SLACK)} of slack past "
        f"{_pc(drift.BOUND)}, and {drift.CONFIRM_DAYS} days that confirm it",
        "none: what has changed is told, with where to look",
        NO,
        events=(EventKind.DIAGNOSED,),
        tests=("tests/core/test_drift.py",),
    ),
    Row(
        "air at the buds warm for long, with dormant wood in the box",
        f"top probe above `warn_top_above` for {long(tops.WARM_FOR_S)}, until roots show",
        "none: vent, shade, a cooler room",
        NO,
        (Alarm.TOP_WARM,),
        tests=("tests/core/test_tops.py",),
    ),
    Row(
        "room too cold for plants outside the boxes",
        "room probe below `room_low`, with a batch hardened off outside the boxes",
        "none",
        NO,
        (Alarm.ROOM_LOW,),
        tests=("tests/core/test_tops.py",),
    ),
    Row(
        "relay worn",
        f"it has closed {_pc(relay_life.WORN_SHARE)} of `rated_closings` since it was put in, "
        "counted over restarts and lost logs",
        "none: have it changed, then `bottomheat done relay`",
        NO,
        (Alarm.RELAY_WORN,),
        tests=("tests/shell/test_loop_contacts.py",),
    ),
)

ROWS: Final[tuple[Row, ...]] = (*_HOT, *_COLD, *_PROBES, *_BOX, *_MACHINE)
"""Every fault, in the order of README."""

_HEAD = ("fault", "seen by", "response", "latches", "alarm", "rehearse it")


def render() -> str:
    """Write the table in Markdown, one line a row, without an end of line at the end."""
    lines = [_HEAD, ("---",) * len(_HEAD), *_cells()]
    return "\n".join(f"| {' | '.join(cells)} |" for cells in lines)


def _cells() -> Iterator[tuple[str, ...]]:
    for row in ROWS:
        told = [f"`{alarm}` ({TOLD[alarm].level})" for alarm in row.alarms]
        if row.events:
            told.append("none; in the log")
        yield (
            row.fault,
            row.seen_by,
            row.response,
            row.latches,
            ", ".join(told) or "none; `status` says so",
            ", ".join(f"`{kind}`" for kind in row.kinds) or _tested(row),
        )


def _tested(row: Row) -> str:
    process = any("process" in path or "daemon" in path for path in row.tests)
    return "process tests only" if process else "tests only"
