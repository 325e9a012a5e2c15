"""Is a box ready for its first batch?  48 h at target, with damp bags and no cuttings.  Pure.

Damp bags stand for the cuttings: they hold the heat and the water that the cuttings will, so that
what the box does now is what it will do.  What no probe can see is left as questions to the grower.
The bounds are judgement, each said where it stands.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import Final

from bottomheat.alarm_words import TOLD, Level, sentence
from bottomheat.config import ChamberConfig, Config
from bottomheat.durations import words
from bottomheat.heating import layer_cap
from bottomheat.model import Alarm
from bottomheat.operating_point import callus_given_c, needed_layer_c, rise_k_per_w
from bottomheat.season.night import MORE_THAN_A_SLIP_H, Hole, Night

SOAK_H: Final = 48.0
"""How long the box is tried: the room has two nights, a deep bed is warm within one."""

KNOWN_LEAST_H: Final = 47.0
"""So much of it must have data: a restart or two is no harm, a night without is."""

IN_BAND_LEAST: Final = 0.95
"""So much of the known time in band: lifting a lid once costs about an hour."""

FRESH_S: Final = 1800.0
"""Data older than this is not of now: the log takes its rows every ten minutes."""

AT_BOUND: Final = 0.95
"""An hour with heat on for more than this share of it is an hour with nothing in hand."""

SEASON_DAYS: Final = 120.0
"""What a contact should last from here on, days."""


class Mark(StrEnum):
    """What a point says of the box."""

    WELL = "well"
    NOTE = "note"
    NOT = "NOT"


@dataclass(frozen=True, slots=True)
class Point:
    """One thing that was looked at, and what to do about it."""

    mark: Mark
    text: str
    do: str = ""


@dataclass(frozen=True, slots=True)
class Stood:
    """An alarm that stood in those 48 h; ``over`` says whether it is gone."""

    alarm: Alarm
    over: bool


@dataclass(frozen=True, slots=True)
class Seen:
    """What was found out about a box.

    Attributes:
        now_ms: when, UTC ms.
        night: its last 48 h; None where the log could not be read or has nothing of it.
        holes: the stretches without data.
        alarms: what stood in that time, the box's and the house's.
        opened: how often the box was tended in that time.
        lid: how it lies.
        proved: whether the wiring is proved; None: this user may not see.
        latched: what is cut out and why; None: this user may not see.
        ageing: what the later readings say of the calibration, in words; empty: nothing.
        closings_ever: of the contact, since the relay was put in.
        running: whether the service answers.
        clock_sure: whether the clock is synchronised.
        told: whether somebody is told of an alarm.
        inside: names of the batches that stand in it.
        log_problem: why the log could not be read; empty: it could.
    """

    now_ms: int
    night: Night | None
    holes: tuple[Hole, ...] = ()
    alarms: tuple[Stood, ...] = ()
    opened: int = 0
    lid: str = "on"
    proved: bool | None = True
    latched: tuple[str, ...] | None = ()
    ageing: str = ""
    closings_ever: int = 0
    running: bool = True
    clock_sure: bool = True
    told: bool = True
    inside: tuple[str, ...] = ()
    log_problem: str = ""


@dataclass(frozen=True, slots=True)
class Ready:
    """The verdict on one box, with every point; ``until_ms``: look again then, where that helps."""

    chamber: str
    now_ms: int
    night: Night | None
    points: tuple[Point, ...]
    until_ms: int | None = None

    @property
    def ready(self) -> bool:
        """Whether nothing speaks against it."""
        return not any(point.mark is Mark.NOT for point in self.points)

    def marked(self, mark: Mark) -> tuple[Point, ...]:
        """The points with this mark."""
        return tuple(point for point in self.points if point.mark is mark)


ONLY_YOU: Final = (
    "damp bags lie in it as the cuttings will, and no cuttings",
    "the wet layer is wet and not flooded; the lid lies as it will in winter",
    "the RCD trips when its test button is pressed, and the mat has its own cutout and fuse",
    "no cable, plug or relay is where water can drip; nothing smells warm",
)
"""What no probe sees, for the grower to tick."""


def judge(name: str, config: Config, seen: Seen) -> Ready:
    """Say whether a box is ready, and why.

    Args:
        name: a chamber of the config.
        config: the accepted config.
        seen: what was found out.
    """
    chamber = config.chambers[name]
    points = (
        *_inside(seen),
        *_heat_may_flow(seen, chamber),
        *_data(seen),
        *_at_target(seen, chamber),
        *_alarms(seen),
        *_known_how_well(seen, chamber),
        *_in_hand(seen, config, chamber),
        *_contact(seen, chamber),
        *_somebody(seen, chamber),
    )
    return Ready(name, seen.now_ms, seen.night, points, _again_ms(seen))


def _well(text: str) -> Point:
    return Point(Mark.WELL, text)


def _note(text: str, do: str = "") -> Point:
    return Point(Mark.NOTE, text, do)


def _not(text: str, do: str) -> Point:
    return Point(Mark.NOT, text, do)


def _inside(seen: Seen) -> Iterator[Point]:
    if seen.inside:
        names = " and ".join(seen.inside)
        stands = "stands" if len(seen.inside) == 1 else "stand"
        yield _not(
            f"{names} {stands} in it already",
            "this is for a box without cuttings; bottomheat today tells of the batches",
        )
    else:
        yield _well("no batch stands in it")


def _heat_may_flow(seen: Seen, chamber: ChamberConfig) -> Iterator[Point]:
    if not chamber.in_use:
        yield _not("the config says that it is not in use, so there is no heat", "in_use: true")
    if seen.proved is None or seen.latched is None:
        yield _not(
            "latches and the proof of the wiring may not be read by this user",
            "run this with sudo, or as a member of the group bottomheat",
        )
    if seen.proved:
        yield _well("the wiring is proved: the box answers to its own heat")
    elif seen.proved is not None:
        yield _not("the wiring is not proved, so there is no heat", "bottomheat prove")
    for cause in seen.latched or ():
        yield _not(
            f"heat is cut until somebody has looked: {cause}",
            "look at the box and the mat, then: bottomheat reset cutoff",
        )
    if seen.latched == ():
        yield _well("nothing is cut out")


def _data(seen: Seen) -> Iterator[Point]:
    night = seen.night
    if seen.log_problem:
        yield _not(f"the log cannot be read: {seen.log_problem.rstrip('.')}", "bottomheat check")
        return
    if night is None or night.newest_ms is None:
        yield _not(
            "the log knows nothing of this box in the last 48 h",
            "start the service, set the box to its target, and look again in two days",
        )
        return
    late_s = (seen.now_ms - night.newest_ms) / 1000
    old = f"the newest data is {words(late_s)} old" if late_s > FRESH_S else ""
    if not seen.running:
        yield _not(
            "the service does not run" + (f", {old}" if old else ""), "systemctl start bottomheat"
        )
    elif old:
        yield _not(old, "the service runs and its rows do not reach the log: bottomheat check")
    long = [hole for hole in seen.holes if hole.hours >= MORE_THAN_A_SLIP_H]
    why = "; ".join(
        f"{words(hole.hours * 3600)} {'power cut' if hole.cause == 'power' else hole.cause}"
        for hole in long[:3]
    )
    if night.known_h < KNOWN_LEAST_H:
        yield _not(
            f"only {night.known_h:.0f} h of the last {SOAK_H:.0f} h are known"
            + (f" ({why})" if why else ""),
            "leave it as it is until there are 48 h without a break",
        )
    else:
        yield _well(
            f"{night.known_h:.0f} h of data, " + (f"with gaps: {why}" if why else "without a gap")
        )


def _at_target(seen: Seen, chamber: ChamberConfig) -> Iterator[Point]:
    night = seen.night
    if night is None or night.setpoint_c is None:
        return
    span = _span(night)
    if night.setpoint_since_ms is not None and night.setpoint_since_ms > night.from_ms:
        since_s = (night.to_ms - night.setpoint_since_ms) / 1000
        if since_s < KNOWN_LEAST_H * 3600:
            yield _not(
                f"set to {night.setpoint_c:.1f} °C only {words(since_s)} ago",
                "the 48 h count from there on",
            )
    if abs(night.setpoint_c - chamber.callus_zone_c) > 0.05:
        yield _note(
            f"the box holds {night.setpoint_c:.1f} °C, the config says {chamber.callus_zone_c:g}"
        )
    share = night.in_band_frac
    if share is None:
        yield _not("the temperature of the bases was never known", "bottomheat status says why")
        return
    opened = f", opened {seen.opened} times" if seen.opened > 1 else ""
    opened = ", opened once" if seen.opened == 1 else opened
    if share >= IN_BAND_LEAST:
        all_in = "all" if night.all_in_band else f"{int(100 * share)} % of the time"
        yield _well(f"{all_in} in band: {span}, set {night.setpoint_c:.1f} ± 0.5{opened}")
        return
    parts = [
        f"{hours:.0f} h {where}"
        for hours, where in ((night.below_h, "below"), (night.above_h, "above"))
        if hours >= 0.5
    ]
    yield _not(
        f"in band {int(100 * share)} % of the time{_bracket(parts)}: {span}, "
        f"set {night.setpoint_c:.1f} ± 0.5{opened}",
        "still warming up? look again in a day; else: bottomheat status says what holds it"
        if night.below_h > night.above_h
        else "too warm: sun, a lamp or a warm room on the box? shade it, vent it",
    )


def _span(night: Night) -> str:
    if night.low_c is None or night.high_c is None:
        return "bases not known"
    return f"bases {night.low_c:.1f}-{night.high_c:.1f} °C"


def _bracket(parts: Sequence[str]) -> str:
    return f" ({', '.join(parts)})" if parts else ""


def _alarms(seen: Seen) -> Iterator[Point]:
    if seen.night is None:
        return
    told: set[Alarm] = set()
    for stood in seen.alarms:
        if stood.alarm in told:
            continue
        told.add(stood.alarm)
        again = [each for each in seen.alarms if each.alarm is stood.alarm]
        here = any(not each.over for each in again)
        what = sentence(stood.alarm).rstrip(".")
        if here:
            yield _not(f"alarm: {what}", TOLD[stood.alarm].first)
        elif TOLD[stood.alarm].level is Level.NOW:
            yield _not(
                f"in these 48 h, and over: {what}", "find out why, then let 48 h go by once more"
            )
        else:
            times = f", {len(again)} times" if len(again) > 1 else ""
            yield _note(f"in these 48 h, and over{times}: {what}")
    if not told:
        yield _well("no alarm in that time")


def _known_how_well(seen: Seen, chamber: ChamberConfig) -> Iterator[Point]:
    night = seen.night
    wide = "" if night is None or night.expanded_k is None else f" to ± {night.expanded_k:.1f} °C"
    offset = chamber.offset
    if offset.method == "fixed":
        yield _not(
            "a fixed offset is right at one room temperature only",
            "give it a room probe and temperature-factor, or calibrate: bottomheat calibrate",
        )
    elif not offset.calibrated:
        yield _not(
            f"not calibrated: the bases are known{wide or ' roughly'} only",
            "read a thermometer you trust at the bases: bottomheat calibrate add",
        )
    elif seen.ageing:
        yield _not(f"the calibration is in doubt: {seen.ageing}", "bottomheat calibrate list")
    else:
        yield _well(f"calibrated{': the bases are known' + wide if wide else ''}")
    if seen.lid != "on":
        yield _note(f"the lid was said to be {seen.lid}", "if it is not: bottomheat lid")


def _in_hand(seen: Seen, config: Config, chamber: ChamberConfig) -> Iterator[Point]:
    """What the mat has in hand: in these 48 h, and in the coldest room of the config."""
    night = seen.night
    if night is None or night.heat_frac is None or night.busiest_frac is None:
        return
    room = "" if night.room_low_c is None else f", room down to {night.room_low_c:.1f} °C"
    text = (
        f"heat on {100 * night.heat_frac:.0f} % of the time, "
        f"{100 * night.busiest_frac:.0f} % in the busiest hour{room}"
    )
    yield (_note if night.busiest_frac > AT_BOUND else _well)(text)
    cold_c = config.coldest_room_c
    per_w = rise_k_per_w(chamber.heater, chamber.model)
    layer_c = needed_layer_c(chamber.callus_zone_c, chamber.offset, cold_c, per_w)
    if layer_c > layer_cap(chamber):
        drop_c = callus_given_c(layer_cap(chamber), chamber.offset, cold_c, per_w)
        yield _note(
            f"a room of {cold_c:g} °C would put the wet layer at its ceiling: about {drop_c:.1f} "
            "°C at the bases",
            "insulate the box: blankets over the lid, boards under the mat",
        )
    if night.rise_k is None or night.rise_k < 1.0 or night.heat_frac <= 0.0:
        return
    # In steady state the heat is in proportion to how far the wet layer is above the room.
    needed = night.heat_frac / night.rise_k * (min(layer_c, layer_cap(chamber)) - cold_c)
    if needed > 1.0:
        yield _note(
            f"a room of {cold_c:g} °C would ask for {100 * needed:.0f} % of what the mat gives "
            "(reckoned from these 48 h)",
            "insulate the box; by the first frost at the latest",
        )
    elif night.room_low_c is not None and cold_c < night.room_low_c - 1.0:
        yield _well(f"a room of {cold_c:g} °C would take about {100 * needed:.0f} %")


def _contact(seen: Seen, chamber: ChamberConfig) -> Iterator[Point]:
    night = seen.night
    if night is None or night.known_h < 1.0:
        return
    a_day = 24.0 * night.closings / night.known_h
    if chamber.heater.relay != "mechanical":
        yield _well(f"heat switched on {a_day:.0f} times a day; no contact to wear")
        return
    left = chamber.heater.rated_closings - seen.closings_ever
    lasts_days = left / a_day if a_day > 0 else float("inf")
    rated = f"rated for {chamber.heater.rated_closings:,}".replace(",", " ")
    text = f"the relay closes {a_day:.0f} times a day, {rated}"
    if left <= 0:
        yield _not(
            f"{text}, and has closed {seen.closings_ever} times",
            "have the relay changed before a contact welds",
        )
    elif lasts_days < SEASON_DAYS:
        yield _note(
            f"{text}: worn out in about {lasts_days:.0f} days",
            "have it changed before the season, or make window: longer in the config",
        )
    else:
        yield _well(text)


def _somebody(seen: Seen, chamber: ChamberConfig) -> Iterator[Point]:
    if seen.clock_sure:
        yield _well("the clock is set")
    else:
        yield _note("the clock is not set: days are not counted", "connect the network")
    if seen.told:
        yield _well("somebody is told of an alarm; to try it: bottomheat alerts --test")
    else:
        yield _note(
            "nobody is told of an alarm",
            "give the config an alerts section, or look at bottomheat status every morning",
        )
    if chamber.probes.mat is None and chamber.keeper.probe is None:
        yield _note("no probe on the mat: a stuck relay looks like sun on the box")
    if chamber.keeper.series_relay is None:
        yield _note("one relay: if its contact welds, no program can open it", "do not leave it")


def _again_ms(seen: Seen) -> int | None:
    """When 48 h will be full, where time alone is short."""
    night = seen.night
    if night is None or night.newest_ms is None or not seen.running:
        return None
    from_ms = max(
        [night.setpoint_since_ms or night.from_ms, *(h.to_ms for h in _breaks(seen.holes))]
    )
    until_ms = from_ms + round(SOAK_H * 3_600_000)
    return until_ms if until_ms > seen.now_ms + 3_600_000 else None


def _breaks(holes: Sequence[Hole]) -> list[Hole]:
    return [hole for hole in holes if hole.hours > SOAK_H - KNOWN_LEAST_H]
