"""What came of a fault that was ordered: known or not, how soon, how warm, and what was wrong.

A faulted run and its fault-free twin start from one warmed-up world with the same noise, so that
whatever differs is the fault's doing.
"""

from __future__ import annotations

import copy
import math
from array import array
from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import asdict, dataclass, field
from typing import Any, Final

from bottomheat.config import Config
from bottomheat.model import Alarm, Event, EventKind
from bottomheat.rehearse_acts import Order, other_chamber
from bottomheat.rehearse_faults import Sabotage
from bottomheat.rehearse_kinds import KINDS, allowed_alarms, heat_due_off, right_alarms
from bottomheat.rehearse_nights import Night, night_of
from bottomheat.rehearse_world import World

DEPARTED_K: Final = 0.25
"""The wet layer counts as off its fault-free course from here on, K."""

HEAT_OFF_S: Final = 1800.0
"""No power into the mat for so long counts as heat off, s: longer than two windows."""

WATCHED_S: Final = 2 * 3600.0
"""A run goes on for so long after all is known and done, s: stored heat peaks within 46 min."""


_RAISED: Final = (EventKind.ALARM_RAISED, EventKind.CUTOFF)


@dataclass(frozen=True, slots=True)
class Heard:
    """An alarm as it was raised."""

    at_s: float
    chamber: str | None
    alarm: Alarm
    text: str


@dataclass(slots=True)
class Course:
    """What a run went through, cycle by cycle, by chamber.

    Attributes:
        first: cycles that the world had done before.
        cycle_s: length of a cycle, s.
        substrate_c: true wet layer, °C.
        callus_c: true callus zone, °C.
        mat_c: true mat, °C.
        room_c: true room, °C.
        heated_s: how long power went into the mat, s.
        heard: alarms raised.
        latched: chambers that latched, with the time, s.
        latched_before: those that were latched already.
        standing: alarms raised and not cleared.
        warned_before: boxes that a cold night was foretold for already.
    """

    first: int
    cycle_s: float
    substrate_c: dict[str, array[float]]
    callus_c: dict[str, array[float]]
    mat_c: dict[str, array[float]]
    room_c: dict[str, array[float]]
    heated_s: dict[str, array[float]]
    heard: list[Heard] = field(default_factory=list)
    latched: dict[str, float] = field(default_factory=dict)
    latched_before: frozenset[str] = frozenset()
    standing: set[tuple[str | None, Alarm]] = field(default_factory=set)
    warned_before: frozenset[str] = frozenset()

    @classmethod
    def of(cls, world: World) -> Course:
        """Begin at where a world is."""
        a, b, c, d, e = ({name: array("d") for name in world.stands} for _ in range(5))
        course = cls(world.cycles, world.config.cycle_s, a, b, c, d, e)
        course.latched_before, course.warned_before = world.latched, world.warned
        return course

    def take(self, world: World) -> None:
        """Move the world on by a cycle and write down what happened.

        Raises:
            InputError: a chamber failed.
        """
        self.note(world, world.step())

    def note(self, world: World, events: Sequence[Event]) -> None:
        """Write down the cycle that the world has just done."""
        for event in events:
            if event.alarm is None:
                continue
            key = (event.chamber, event.alarm)
            if event.kind is EventKind.ALARM_CLEARED:
                self.standing.discard(key)
            # A cutoff is an event and an alarm of the same name; one of them counts.
            elif event.kind in _RAISED and key not in self.standing:
                self.standing.add(key)
                self.heard.append(Heard(event.at_s, event.chamber, event.alarm, event.text))
        for name, stand in world.stands.items():
            model = stand.model
            self.substrate_c[name].append(model.temperature("substrate"))
            self.callus_c[name].append(model.temperature("callus"))
            self.mat_c[name].append(model.temperature("mat"))
            self.room_c[name].append(model.temperature("room"))
            self.heated_s[name].append(world.heated_s[name])
        for name in world.latched - self.latched_before:
            self.latched.setdefault(name, world.now_s)


@dataclass(frozen=True, slots=True)
class FaultResult:
    """What came of one fault.  Times are s from its beginning; None: never, within the run.

    Attributes:
        order: what was ordered.
        hours: how long the run was watched from then on, h.
        known_by: the first right alarm.
        known_s: when it was raised.
        departed_s: when the true wet layer had left its twin by a quarter of a kelvin; of a fault
            that is to be foretold, when the true callus zone of a box left its band.
        heat_due_off: heat has to go off for it.
        heat_off_s: when power last went into the mat before half an hour without, the end of which
            lies behind the alarm.
        heated_s: how long power went into the mat until then.
        latched_s: when a cutoff latched.
        max_callus_c: highest true callus zone of the boxes concerned, °C.
        max_mat_c: highest true mat, °C.
        min_callus_c: lowest true callus zone, °C.
        twin_max_callus_c: the same of the fault-free twin.
        twin_max_mat_c: likewise.
        heard: every alarm raised from the beginning of the fault.
        wrong: those that do not belong to it and that the twin does not raise.
        false_latch: a cutoff latched that should not have.
        nights: of a fault that is to be foretold, box by box.
    """

    order: Order
    hours: float
    known_by: Alarm | None
    known_s: float | None
    departed_s: float | None
    heat_due_off: bool
    heat_off_s: float | None
    heated_s: float
    latched_s: float | None
    max_callus_c: float
    max_mat_c: float
    min_callus_c: float
    twin_max_callus_c: float
    twin_max_mat_c: float
    heard: tuple[Heard, ...]
    wrong: tuple[Heard, ...]
    false_latch: bool
    nights: tuple[Night, ...] = ()

    @property
    def late_s(self) -> float | None:
        """From the wet layer's departure to the alarm, s; 0 where the alarm came first."""
        if self.known_s is None:
            return None
        return 0.0 if self.departed_s is None else max(0.0, self.known_s - self.departed_s)


class Witness:
    """Carries out orders in a rehearsal and writes down what happens, for ``judge``.

    Args:
        orders: checked.
    """

    def __init__(self, orders: Collection[Order]) -> None:
        self._orders = tuple(orders)
        self._sabotage = Sabotage(orders)
        self._course: Course | None = None

    def before(self, world: World) -> None:
        """Do what is due; for ``rehearse``'s ``before_cycle``."""
        if self._course is None:
            self._course = Course.of(world)
        self._sabotage(world)

    def after(self, world: World, events: Sequence[Event]) -> None:
        """Write down a cycle; for ``rehearse``'s ``after_cycle``."""
        if self._course is not None:
            self._course.note(world, events)

    def results(self, twin: Course, config: Config) -> tuple[FaultResult, ...]:
        """What came of each order that began; ``twin`` is a fault-free run as long."""
        course, found = self._course, []
        for order in self._orders:
            begin = math.ceil(order.at_s / config.cycle_s)
            if course is not None and begin < len(course.callus_c[order.chamber]):
                besides = [other for other in self._orders if other is not order]
                found.append(judge(order, course, twin, begin, config, besides))
        return tuple(found)


def follow(
    world: World,
    hours: float,
    *,
    before: Callable[[World], None] | None = None,
    until: Callable[[Course], bool] | None = None,
) -> Course:
    """Run a world, which is changed, for some hours or until a condition holds.

    Raises:
        InputError: a chamber failed.
    """
    course = Course.of(world)
    for _ in range(round(hours * 3600.0 / world.config.cycle_s)):
        if before is not None:
            before(world)
        course.take(world)
        if until is not None and until(course):
            break
    return course


def run_fault(
    warm: World,
    order: Order,
    twin: Course,
    *,
    hours: float = 12.0,
    besides: Collection[Order] = (),
    to_the_end: bool = False,
) -> FaultResult:
    """Run one fault on a copy of a warmed-up world.

    Args:
        warm: the world before the fault; it is not changed.
        order: the fault; it begins at its time, or at once where that is past.
        twin: a fault-free run of the same world that covers the time.
        hours: how long to watch at most, from now on, h.
        besides: further orders, such as tending that is announced.
        to_the_end: do not stop when all is known and heat is off.

    Raises:
        InputError: a chamber failed.
    """
    world = copy.deepcopy(warm)
    begin = max(0, math.ceil(order.at_s / warm.config.cycle_s) - warm.cycles)
    done = (
        None
        if to_the_end or KINDS[order.kind].foretold
        else _done(order, world.config, world.now_s + begin * world.config.cycle_s)
    )
    course = follow(world, hours, before=Sabotage((order, *besides)), until=done)
    return judge(order, course, twin, begin, warm.config, besides)


def _done(order: Order, config: Config, at_s: float) -> Callable[[Course], bool]:
    """Whether the alarm has been raised and heat has been off for long enough."""
    right, due = right_alarms(order), heat_due_off(order, config)
    known = False
    seen = quiet = since = 0

    def done(course: Course) -> bool:
        nonlocal known, seen, quiet, since
        for heard in course.heard[seen:]:
            known = known or (heard.alarm in right and heard.at_s > at_s)
        seen = len(course.heard)
        quiet = 0 if course.heated_s[order.chamber][-1] > 0.0 else quiet + 1
        if not known:
            return False
        since += 1
        off = not due or quiet * course.cycle_s >= HEAT_OFF_S
        return off and since * course.cycle_s >= WATCHED_S

    return done


def judge(
    order: Order,
    course: Course,
    twin: Course,
    begin: int,
    config: Config,
    besides: Collection[Order] = (),
) -> FaultResult:
    """Compare a faulted run with its twin.

    Args:
        order: what was ordered.
        course: the faulted run.
        twin: the fault-free one; it covers the same cycles and may begin earlier.
        begin: index in ``course`` of the fault's first cycle.
        config: of both worlds.
        besides: what else was ordered.
    """
    kind, cycle_s = KINDS[order.kind], course.cycle_s
    shift = course.first - twin.first
    at_s = (course.first + begin) * cycle_s
    end = len(course.callus_c[order.chamber])
    names = [order.chamber, other_chamber(config, order.chamber)][: kind.chambers]
    if kind.everywhere:
        names = list(config.chambers)
    heard = tuple(h for h in course.heard if h.at_s > at_s)
    right = right_alarms(order)
    allowed = allowed_alarms(order).union(*map(allowed_alarms, besides))
    known = next((h for h in heard if h.alarm in right and h.chamber in (None, *names)), None)
    departed = _first(
        begin,
        end,
        lambda i: any(
            abs(course.substrate_c[n][i] - twin.substrate_c[n][i + shift]) >= DEPARTED_K
            for n in names
        ),
    )
    departed_s = None if departed is None else (departed + 1 - begin) * cycle_s
    nights: tuple[Night, ...] = ()
    if kind.foretold:
        boxes = (_night(name, course, twin, begin, config) for name in names)
        nights = tuple(night for night in boxes if night is not None)
        departed_s = min((n.left_s for n in nights if n.left_s is not None), default=None)
    # The cycle ends one step later than it begins.
    known_s = None if known is None else known.at_s - at_s
    off = _heat_off(course, names, begin, known_s)
    by_twin = {(h.chamber, h.alarm) for h in twin.heard if h.at_s > at_s - HEAT_OFF_S}
    wrong = tuple(
        h
        for h in heard
        if (h.chamber, h.alarm) not in by_twin
        and not (h.alarm in allowed and h.chamber in (None, *names))
    )
    latched_s = min(
        (t - at_s for n, t in course.latched.items() if n in names and t > at_s), default=None
    )
    last = end if off is None else off
    return FaultResult(
        order=order,
        hours=(end - begin) * cycle_s / 3600.0,
        known_by=None if known is None else known.alarm,
        known_s=known_s,
        departed_s=departed_s,
        heat_due_off=heat_due_off(order, config),
        heat_off_s=None if off is None else (off - begin) * cycle_s,
        heated_s=sum(course.heated_s[order.chamber][begin:last]),
        latched_s=latched_s,
        max_callus_c=_most(course.callus_c, names, begin, end),
        max_mat_c=_most(course.mat_c, names, begin, end),
        min_callus_c=min(min(course.callus_c[n][begin:end]) for n in names),
        twin_max_callus_c=_most(twin.callus_c, names, begin + shift, end + shift),
        twin_max_mat_c=_most(twin.mat_c, names, begin + shift, end + shift),
        heard=heard,
        wrong=wrong,
        false_latch=_false_latch(order, course, config, names, at_s),
        nights=nights,
    )


def _night(name: str, course: Course, twin: Course, begin: int, config: Config) -> Night | None:
    """What became of one box; None where it was not in its band to begin with."""
    at_s, shift = (course.first + begin) * course.cycle_s, course.first - twin.first
    raised = (h.at_s for h in course.heard if h.alarm is Alarm.TONIGHT and h.chamber == name)
    warned_s = next((heard_s - at_s for heard_s in raised if heard_s > at_s), None)
    return night_of(
        name,
        config.chambers[name].callus_zone_c,
        course.callus_c[name][begin:],
        twin.callus_c[name][begin + shift :],
        course.cycle_s,
        0.0 if warned_s is None and name in course.warned_before else warned_s,
    )


def _first(begin: int, end: int, holds: Callable[[int], bool]) -> int | None:
    return next((index for index in range(begin, end) if holds(index)), None)


def _most(values: Mapping[str, array[float]], names: Sequence[str], begin: int, end: int) -> float:
    return max(max(values[name][begin:end]) for name in names)


def _heat_off(
    course: Course, names: Sequence[str], begin: int, known_s: float | None
) -> int | None:
    """Index of the first cycle of the spell without heat, in every box concerned.

    The spell is long enough, and reaches to the alarm or, without one, to the end.
    """
    need = round(HEAT_OFF_S / course.cycle_s)
    end = len(course.heated_s[names[0]])
    known = end - 1 if known_s is None else begin + known_s / course.cycle_s
    run = 0
    for index in range(begin, end):
        run = 0 if any(course.heated_s[name][index] > 0.0 for name in names) else run + 1
        if run >= need and index >= known:
            return index + 1 - run
    return None


def _false_latch(
    order: Order, course: Course, config: Config, names: Sequence[str], at_s: float
) -> bool:
    """A latch in a box that has nothing to do with the fault, or for a kind that needs none.

    Where the truth passed a limit the latch is right whatever the kind.
    """
    for name, latched_s in course.latched.items():
        if latched_s <= at_s:
            continue
        if name in names and KINDS[order.kind].may_latch:
            continue
        limits = config.chambers[name].limits
        until = round(latched_s / course.cycle_s) - course.first
        hot = (
            max(course.substrate_c[name][:until]) >= limits.substrate_c
            or max(course.mat_c[name][:until]) >= limits.mat_c
            or max(course.callus_c[name][:until]) >= limits.callus_c
        )
        if not hot:
            return True
    return False


def as_plain(result: FaultResult) -> dict[str, Any]:
    """Turn a result into plain data for JSON."""
    order = result.order
    return {
        "fault": str(order),
        "kind": order.kind,
        "chamber": order.chamber,
        "place": order.place,
        "at_hours": order.at_s / 3600.0,
        "hours": result.hours,
        "known_by": None if result.known_by is None else str(result.known_by),
        "known_s": result.known_s,
        "departed_s": result.departed_s,
        "late_s": result.late_s,
        "heat_due_off": result.heat_due_off,
        "heat_off_s": result.heat_off_s,
        "heated_s": result.heated_s,
        "latched_s": result.latched_s,
        "max_callus_c": result.max_callus_c,
        "max_mat_c": result.max_mat_c,
        "min_callus_c": result.min_callus_c,
        "twin_max_callus_c": result.twin_max_callus_c,
        "twin_max_mat_c": result.twin_max_mat_c,
        "alarms": [_heard(h) for h in result.heard],
        "wrong": [_heard(h) for h in result.wrong],
        "false_latch": result.false_latch,
        "nights": [
            {**asdict(night), "ahead_s": night.ahead_s, "missed": night.missed}
            for night in result.nights
        ],
    }


def _heard(heard: Heard) -> dict[str, Any]:
    return {
        "hours": heard.at_s / 3600.0,
        "chamber": heard.chamber,
        "alarm": str(heard.alarm),
        "text": heard.text,
    }
