"""Rehearsed faults as a diagnosis sees them: rows and events, nothing of what was ordered."""

from __future__ import annotations

import copy
import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from bottomheat.campaign import (
    DAY_H,
    NIGHT_WATCH_H,
    SPACING_H,
    WARM_UP_H,
    WATCH_H,
    Batch,
    Run,
    tending,
)
from bottomheat.campaign_boxes import BOXES, scene_world
from bottomheat.model import Alarm, Bad, Condition, Event, EventKind, Good, Place, Record
from bottomheat.rehearse_acts import HOUR_S, KEEPER, Order
from bottomheat.rehearse_faults import Sabotage
from bottomheat.rehearse_kinds import KINDS
from bottomheat.rehearse_world import World
from bottomheat.review.causes import Cause
from bottomheat.review.window import Hole, Said, Tended, Window

MADE_APART = ("DeepBox", "HalfFull", "ShallowBags", "CardUnder", "Jacketed", "DryPeat", "WetSand")
"""Boxes of the second model, which was written apart from the one that ships."""
OTHER_BOXES = (
    *(name for name in BOXES if name != "nominal"),
    *(f"{Path(__file__).with_name('chambers.py')}:{name}" for name in MADE_APART),
)
"""Chambers other than the one that is built in."""
BEFORE_H = 8.0
"""So much of the time before a fault is in the window."""
QUIET_H = 12.0
TRACE_K = 0.5
PROBES = (Cause.PROBE_SILENT, Cause.PROBE_FROZEN, Cause.PROBE_DISPLACED, Cause.PROBE_WRONG)
RIGHT = {
    "relay-stuck-on": Cause.HEAT_UNASKED,
    "relay-stuck-on-at-once": Cause.HEAT_UNASKED,
    "relay-stuck-off": Cause.NO_HEAT,
    "mat-dead": Cause.NO_HEAT,
    "mat-weak": Cause.WEAK_HEAT,
    "probe-lost": Cause.PROBE_SILENT,
    "probe-85": Cause.PROBE_SILENT,
    "probe-shorted": Cause.PROBE_SILENT,
    "probe-garbled": Cause.PROBE_SILENT,
    "probe-frozen": Cause.PROBE_FROZEN,
    "probe-displaced": Cause.PROBE_DISPLACED,
    "probe-displaced-top": Cause.PROBE_DISPLACED,
    "probe-displaced-half": Cause.PROBE_DISPLACED,
    "probe-drift": Cause.PROBE_WRONG,
    "probe-offset": Cause.PROBE_WRONG,
    "room-sunlit": Cause.ROOM_PROBE_WARMED,
    "room-near-box": Cause.ROOM_PROBE_WARMED,
    "crossed-plugs": Cause.CROSSED,
    "crossed-probes": Cause.CROSSED,
    "series-stuck": Cause.SERIES_STUCK,
    "lid-off": Cause.OPENED,
    "lid-ajar": Cause.OPENED,
    "water": Cause.OPENED,
    "bags": Cause.OPENED,
    "sun": Cause.WARM_FROM_OUTSIDE,
    "lamp": Cause.WARM_FROM_OUTSIDE,
    "warm-shed": Cause.WARM_ROOM,
    "cold-snap": Cause.COLD_ROOM,
    "cold-night": Cause.COLD_ROOM,
    "power-cut": Cause.POWER_CUT,
    "daemon-hang": Cause.SERVICE_SILENT,
    "keeper-hang": Cause.KEEPER_SILENT,
}
"""What each kind of fault is, in the words of a diagnosis."""


@dataclass(frozen=True)
class Case:
    """A window with what was ordered in it (None: no fault), and the box's name there.

    Attributes:
        order: the fault.
        window: what a diagnosis sees.
        box: the box's name.
        announced: the grower said so.
        event: without a fault: what hands or weather did.
        may_say: without a fault: what that may be called, by name (values are words, and change).
        raised: of a fault: an alarm was raised that its fault-free twin does not raise.
        strayed_k: how far the estimate came from that of the twin, at most, K.
    """

    order: Order | None
    window: Window
    box: str
    announced: bool = False
    event: str = ""
    may_say: frozenset[str] = frozenset()
    raised: bool = False
    strayed_k: float = math.inf


def truth(case: Case) -> tuple[Cause, Place | None]:
    """The cause that is right, with the probe that it is about."""
    order = case.order
    if order is None:
        return Cause.NONE, None
    cause = RIGHT[order.kind]
    if order.place == KEEPER:
        return Cause.KEEPER_PROBE, None
    return cause, Place(order.place) if cause in PROBES and order.place else None


def too_cold(seen: Window) -> bool:
    """Whether the mat was truly not enough: heat on for an hour or more, the bases half a K low."""
    at_bound = (seen.duty > 0.97) & (seen.setpoint_c - seen.estimate_c > TRACE_K)
    return int(at_bound.sum()) * 10.0 > HOUR_S


def traceless(case: Case) -> bool:
    """Whether nothing shows of a fault.

    Nothing was raised that would not have been raised without it, nothing is missing, and the
    estimate stayed within half a kelvin of what it would have been without it.
    """
    return not (case.raised or case.window.holes) and case.strayed_k < TRACE_K


@dataclass
class Tape:
    """What the daemon would have logged."""

    records: list[Record]
    events: list[Event]
    dark_s: list[float]

    @classmethod
    def blank(cls) -> Tape:
        return cls([], [], [])

    def follow(self, world: World, hours: float, orders: Sequence[Order] = ()) -> None:
        sabotage = Sabotage(orders) if orders else None
        for _ in range(round(hours * HOUR_S / world.config.cycle_s)):
            if sabotage is not None:
                sabotage(world)
            self.take(world, world.step())

    def take(self, world: World, events: Sequence[Event]) -> None:
        """Keep what came of a cycle."""
        self.records += world.records
        # That the daemon is silent is told by another process, and is not in its log.
        self.events += [e for e in events if e.alarm is not Alarm.DAEMON_SILENT]
        if not world.powered:
            self.dark_s.append(world.now_s)

    def forget(self, before_s: float) -> None:
        """Let go of what was before a time."""
        self.records = [each for each in self.records if each.at_s >= before_s]
        self.events = [each for each in self.events if each.at_s >= before_s]
        self.dark_s = [each for each in self.dark_s if each >= before_s]

    def copy(self) -> Tape:
        return Tape(list(self.records), list(self.events), list(self.dark_s))


def window(
    tape: Tape,
    world: World,
    name: str,
    from_s: float,
    tended: Sequence[Tended] = (),
    to_s: float = math.inf,
) -> Window:
    """One box of a tape, from one time to another."""
    rows = [r for r in tape.records if r.chamber == name and from_s <= r.at_s < to_s]
    chamber = world.config.chambers[name]
    places = [place for place in Place if place in chamber.probes.by_place()]
    celsius = {place: np.full(len(rows), np.nan) for place in places}
    faults = []
    last: dict[Place, object] = {}
    for index, row in enumerate(rows):
        for place, reading in row.readings:
            if isinstance(reading, Good):
                celsius[place][index] = reading.celsius
                last.pop(place, None)
            elif isinstance(reading, Bad) and last.get(place) is not reading.fault:
                last[place] = reading.fault
                faults.append((row.at_s, place, reading.fault))
    times = np.array([row.at_s for row in rows])
    said = [
        Said(e.at_s, e.kind, e.chamber, e.text, e.alarm)
        for e in tape.events
        if from_s <= e.at_s < to_s
    ]
    ends_s = min(to_s, world.now_s)
    holes = holes_of(times, tape.dark_s, world.config.cycle_s, ends_s)
    return Window(
        chamber=name,
        config=chamber,
        at_s=times,
        celsius=celsius,
        estimate_c=np.array(
            [np.nan if r.estimate is None else r.estimate.celsius for r in rows], dtype=float
        ),
        setpoint_c=np.array([r.setpoint_c for r in rows]),
        duty=np.array([r.duty for r in rows]),
        heat=np.array([r.heat for r in rows], dtype=bool),
        condition=[Condition(r.condition) for r in rows],
        faults=faults,
        said=[each for each in said if each.chamber in (None, name)],
        beside={
            other: beside(tape, other, times) for other in world.config.chambers if other != name
        },
        others=[each for each in said if each.chamber not in (None, name)],
        tended=tended,
        holes=holes,
        ends_s=ends_s,
    )


def beside(tape: Tape, name: str, times: np.ndarray) -> dict[Place, np.ndarray]:
    """Readings of another box at these times."""
    found: dict[Place, np.ndarray] = {}
    for record in tape.records:
        if record.chamber != name:
            continue
        index = int(np.searchsorted(times, record.at_s))
        if index == len(times) or times[index] != record.at_s:
            continue
        for place, reading in record.readings:
            if isinstance(reading, Good):
                found.setdefault(place, np.full(len(times), np.nan))[index] = reading.celsius
    return found


def holes_of(
    times: np.ndarray, dark_s: Sequence[float], cycle_s: float, ends_s: float
) -> list[Hole]:
    """Gaps as the log tells them: after a power cut the boot is another one."""
    edges = np.append(times, ends_s)
    found = []
    for index in np.flatnonzero(np.diff(edges) > max(120.0, 3 * cycle_s)):
        from_s, to_s = float(edges[index]), float(edges[index + 1])
        dark = any(from_s <= at_s <= to_s for at_s in dark_s)
        found.append(Hole(from_s, to_s, "power" if dark else "unknown"))
    return found


def of_batch(batch: Batch) -> Iterator[Case]:
    """The faulted windows of a scene, and those of its time without a fault."""
    scene = batch.scene
    world = scene_world(scene, (WARM_UP_H + DAY_H + SPACING_H + WATCH_H) / 24.0)
    twin = Tape.blank()
    twin.follow(world, WARM_UP_H)
    starts: dict[int, tuple[World, Tape]] = {}
    wanted = {run.start for run in batch.runs}
    for start in range(round(DAY_H / SPACING_H)):
        if start in wanted:
            starts[start] = (copy.deepcopy(world), twin.copy())
        twin.follow(world, SPACING_H)
    twin.follow(world, SPACING_H + WATCH_H)
    for name, box in zip(scene.names, scene.boxes, strict=True):
        for half in range(2 * int((DAY_H + SPACING_H + WATCH_H) // QUIET_H) - 1):
            to_s = world.now_s - half * QUIET_H * HOUR_S / 2
            quiet = window(twin, world, name, to_s - QUIET_H * HOUR_S, to_s=to_s)
            yield Case(None, quiet, box, event="nothing")
    for run in batch.runs:
        yield of_run(run, batch, starts, twin)


def of_run(run: Run, batch: Batch, starts: dict[int, tuple[World, Tape]], twin: Tape) -> Case:
    order = run.order
    warm, before = starts[run.start]
    world, tape = copy.deepcopy(warm), before.copy()
    besides = (tending(order),) if run.announced else ()
    watch_h = NIGHT_WATCH_H if KINDS[order.kind].foretold else WATCH_H
    tape.follow(world, (order.at_s - world.now_s) / HOUR_S + watch_h, (order, *besides))
    tended = [
        Tended(each.at_s, each.at_s + (each.lasts_s or 1800.0), str(each.place)) for each in besides
    ]
    names = batch.scene.names
    box = batch.scene.boxes[names.index(order.chamber)]
    seen = window(tape, world, order.chamber, order.at_s - BEFORE_H * HOUR_S, tended)
    return Case(
        order,
        seen,
        box,
        run.announced,
        raised=bool(raised(tape, order.at_s) - raised(twin, order.at_s)),
        strayed_k=strayed_k(seen, twin, order),
    )


def raised(tape: Tape, from_s: float) -> set[tuple[str | None, Alarm | None]]:
    """The alarms raised from then on, each with its box."""
    kinds = (EventKind.ALARM_RAISED, EventKind.CUTOFF)
    return {(e.chamber, e.alarm) for e in tape.events if e.kind in kinds and e.at_s >= from_s}


def strayed_k(seen: Window, twin: Tape, order: Order) -> float:
    """How far the estimate came from its twin's after an order, at most, K; inf: it was lost."""
    without_c = {
        r.at_s: r.estimate.celsius
        for r in twin.records
        if r.chamber == order.chamber and r.estimate is not None
    }
    off_k = [
        abs(celsius - without_c[at_s])
        for at_s, celsius in zip(seen.at_s.tolist(), seen.estimate_c.tolist(), strict=True)
        if at_s >= order.at_s and at_s in without_c
    ]
    return max((math.inf if math.isnan(k) else k for k in off_k), default=math.inf)
