"""The logged readings through the cycle again: where does it decide otherwise than it did?

The same version on the same config should decide as the log says; a newer version or another
setting shows what it would have done.  The bed itself is not simulated: the readings answer to the
heat that really flowed, so it shows where decisions part, not where the bed would have gone.

What the log does not keep is not there to replay: what a rejected reading said in degrees, what the
keeper answered, what the controller had learned before the first row.  Pure.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Final, Protocol

from bottomheat import alarm_desk, cycle
from bottomheat.alarm_conditions import conditions, latched_chambers, resting
from bottomheat.alarm_desk import Desk
from bottomheat.config import Config
from bottomheat.model import (
    Alarm,
    Condition,
    Event,
    EventKind,
    Feedback,
    Good,
    Place,
    Raw,
    Reading,
    Record,
    Sample,
    Unread,
)
from bottomheat.protect import cutoff as cut
from bottomheat.protect.tending import Lid, Tending

DUTY_APART: Final = 0.15
"""Duties further apart than this count as different."""
SPAN_MS: Final = 2 * 3_600_000
"""Decisions are compared over spans of two hours: on and off fall as they may within."""
SAME_ALARM_MS: Final = 30 * 60_000
"""An alarm raised within so long of the logged one is the same: detectors learn a box's answer to
heat over hours, and what was learned before the first row is not in the log."""
SETTLE_MS: Final = 2 * 3_600_000
"""After a start the controller learns again what it had learned: differences do not count yet."""
_OFF: Final = frozenset({Condition.NO_HEAT, Condition.CUT_OUT, Condition.STARTING})


class Row(Protocol):
    """One chamber's cycle as logged (``log.rows.SampleRow``)."""

    @property
    def run(self) -> int: ...  # noqa: D102
    @property
    def t_ms(self) -> int: ...  # noqa: D102
    @property
    def wall_ms(self) -> int: ...  # noqa: D102
    @property
    def chamber(self) -> str: ...  # noqa: D102
    @property
    def readings(self) -> tuple[tuple[Place, Reading], ...]: ...  # noqa: D102
    @property
    def setpoint_c(self) -> float | None: ...  # noqa: D102
    @property
    def duty(self) -> float | None: ...  # noqa: D102
    @property
    def heat(self) -> bool: ...  # noqa: D102
    @property
    def condition(self) -> Condition: ...  # noqa: D102


@dataclass(frozen=True, slots=True)
class Act:
    """What a person did at a monotonic time of a run: tended a box, laid its lid, reset it."""

    run: int
    t_ms: int
    chamber: str
    tending: Tending | None = None
    lid: Lid | None = None
    reset: bool = False


@dataclass(frozen=True, slots=True)
class Told:
    """An alarm as the log has it, raised at a wall time."""

    wall_ms: int
    chamber: str | None
    alarm: Alarm


@dataclass(frozen=True, slots=True)
class Span:
    """A stretch in which a chamber decided otherwise; duties are means over it, 0 to 1."""

    chamber: str
    from_ms: int
    to_ms: int
    duty_then: float
    duty_now: float
    condition_then: Condition
    condition_now: Condition
    reason_now: str


@dataclass(frozen=True, slots=True)
class Replayed:
    """What came of it.

    Attributes:
        cycles: how many were replayed.
        from_ms: wall time of the first, UTC ms.
        to_ms: of the last.
        counted: cycles that were compared, by chamber.
        spans: where the heat was decided otherwise.
        only_then: alarms that the log has and the replay has not.
        only_now: alarms of the replay that the log has not.
        both: alarms of both, with how much later the replay raised them, ms.
        latched_now: chambers that latched in the replay, with the cause.
        skipped: rows that could not be replayed, by why.
    """

    cycles: int
    from_ms: int
    to_ms: int
    counted: Mapping[str, int]
    spans: tuple[Span, ...]
    only_then: tuple[Told, ...]
    only_now: tuple[Told, ...]
    both: tuple[tuple[Told, int], ...]
    latched_now: Mapping[str, str]
    skipped: Mapping[str, int]

    @property
    def same(self) -> bool:
        """Whether it decided as the log says."""
        return not (self.spans or self.only_then or self.only_now)


@dataclass(slots=True)
class _Bin:
    """A chamber's two hours."""

    number: int
    from_ms: int
    to_ms: int
    then: float = 0.0
    now: float = 0.0
    off: int = 0
    count: int = 0
    condition_then: Condition = Condition.STARTING
    condition_now: Condition = Condition.STARTING
    reason_now: str = ""


@dataclass(slots=True)
class _Run:
    """The controller while one run of the daemon is replayed."""

    run: int
    state: cycle.ControllerState
    began_ms: int
    desk: Desk = field(default_factory=Desk)


def replay(
    rows: Iterable[Sequence[Row]],
    config_at: Callable[[int, int], Config | None],
    acts: Iterable[Act] = (),
    told: Iterable[Told] = (),
    *,
    keep_setpoints: bool = True,
    on_cycle: Callable[[int], None] | None = None,
) -> Replayed:
    """Run the cycle on what was logged.

    Args:
        rows: the rows of each cycle together, in order.
        config_at: (run, wall ms) -> the config that held, or None where none is known.
        acts: what people did, in any order.
        told: the alarms of the log in the time replayed.
        keep_setpoints: go by the logged setpoints, not by the config's.
        on_cycle: told the wall time after each cycle, UTC ms.
    """
    waiting = sorted(acts, key=lambda act: (act.run, act.t_ms))
    running: _Run | None = None
    bins: dict[str, list[_Bin]] = {}
    found: list[Told] = []
    latched: dict[str, str] = {}
    skipped: dict[str, int] = {}
    counted: dict[str, int] = {}
    cycles, first_ms, last_ms = 0, 0, 0
    for together in rows:
        head = together[0]
        config = config_at(head.run, head.wall_ms)
        if config is None:
            skipped["no config is known for it"] = skipped.get("no config is known for it", 0) + 1
            continue
        if running is None or running.run != head.run:
            running = _Run(head.run, _start(config, together), head.wall_ms)
        while waiting and (waiting[0].run, waiting[0].t_ms) <= (head.run, head.t_ms):
            act = waiting.pop(0)
            if act.run == head.run:
                running.state = _done(running.state, act)
        known = [row for row in together if row.chamber in config.chambers]
        if keep_setpoints:
            config = _with_setpoints(config, known)
        now_s = head.t_ms / 1000
        step = cycle.advance(
            running.state,
            {row.chamber: _raws(row, config) for row in known},
            now_s,
            config,
            # What the keeper had said by then: of the heat decided a cycle ago.
            {
                row.chamber: Feedback(closed=running.state.chambers[row.chamber].relay.closed)
                for row in known
            },
        )
        running.state = _as_it_flowed(step.state, known)
        running.desk, events = alarm_desk.take(
            running.desk,
            conditions(step.state, step.records, {}),
            now_s,
            head.wall_ms,
            latched=latched_chambers(step.state, None),
            resting=resting(step.state),
        )
        found += _raised(events, head.wall_ms)
        latched.update(step.latched)
        if cycles == 0:
            first_ms = head.wall_ms
        cycles, last_ms = cycles + 1, head.wall_ms
        if head.wall_ms - running.began_ms >= SETTLE_MS:
            records = {record.chamber: record for record in step.records}
            for row in known:
                _compare(bins.setdefault(row.chamber, []), row, records[row.chamber])
                counted[row.chamber] = counted.get(row.chamber, 0) + 1
        if on_cycle is not None:
            on_cycle(head.wall_ms)
    spans = [span for name, kept in bins.items() for span in _spans(name, kept)]
    only_then, only_now, both = _matched(list(told), found)
    return Replayed(
        cycles,
        first_ms,
        last_ms,
        counted,
        tuple(sorted(spans, key=lambda span: (span.from_ms, span.chamber))),
        only_then,
        only_now,
        both,
        latched,
        skipped,
    )


def together(rows: Iterable[Row]) -> Iterator[list[Row]]:
    """The rows of each cycle as one list; ``rows`` in the order of run and time."""
    group: list[Row] = []
    for row in rows:
        if group and (row.run, row.t_ms) != (group[0].run, group[0].t_ms):
            yield group
            group = []
        group.append(row)
    if group:
        yield group


def _start(config: Config, rows: Sequence[Row]) -> cycle.ControllerState:
    """The controller at the first row of a run: latched where that row says so."""
    causes = {row.chamber: "latched before" for row in rows if row.condition is Condition.CUT_OUT}
    return cycle.start(config, causes, proved=True)


def _done(state: cycle.ControllerState, act: Act) -> cycle.ControllerState:
    chamber = state.chambers.get(act.chamber)
    if chamber is None:
        return state
    if act.reset:
        chamber = replace(chamber, cutoff=cut.CLEAR, watch=type(chamber.watch)(held=True))
        return replace(state, chambers={**state.chambers, act.chamber: chamber})
    return cycle.tend(state, act.chamber, act.tending, act.lid)


def _as_it_flowed(state: cycle.ControllerState, rows: Sequence[Row]) -> cycle.ControllerState:
    """The state with the relays as they really were: the mat answers to that, whoever decides."""
    chambers = dict(state.chambers)
    for row in rows:
        chamber = chambers[row.chamber]
        chambers[row.chamber] = replace(chamber, relay=replace(chamber.relay, closed=row.heat))
    return replace(state, chambers=chambers)


def _with_setpoints(config: Config, rows: Sequence[Row]) -> Config:
    changed = {
        row.chamber: config.chambers[row.chamber].model_copy(
            update={"callus_zone_c": row.setpoint_c}
        )
        for row in rows
        if row.setpoint_c is not None
        and row.setpoint_c != config.chambers[row.chamber].callus_zone_c
    }
    if not changed:
        return config
    return config.model_copy(update={"chambers": {**config.chambers, **changed}})


def _raws(row: Row, config: Config) -> dict[Place, Raw]:
    """What the probes must have sent: the log has their readings with the correction added."""
    probes = config.chambers[row.chamber].probes.by_place()
    raws: dict[Place, Raw] = {}
    for place, reading in row.readings:
        if place not in probes:
            continue
        if isinstance(reading, Good):
            add_k = config.add_k(probes[place])
            raws[place] = Sample(reading.celsius - add_k, reading.at_s)
        else:
            raws[place] = Unread(reading.fault, reading.at_s, reading.detail)
    return raws


def _raised(events: Iterable[Event], wall_ms: int) -> Iterator[Told]:
    for event in events:
        if event.kind is EventKind.ALARM_RAISED and event.alarm is not None:
            yield Told(wall_ms, event.chamber, event.alarm)


def _compare(bins: list[_Bin], row: Row, record: Record) -> None:
    number = row.wall_ms // SPAN_MS
    if not bins or bins[-1].number != number:
        bins.append(_Bin(number, row.wall_ms, row.wall_ms))
    current = bins[-1]
    current.count += 1
    current.to_ms = row.wall_ms
    current.then += row.duty or 0.0
    current.now += record.duty
    current.off += (row.condition in _OFF) is not (record.condition in _OFF)
    current.condition_then, current.condition_now = row.condition, record.condition
    current.reason_now = record.reason


def _spans(name: str, bins: Sequence[_Bin]) -> Iterator[Span]:
    """Neighbouring spans that differ, joined."""
    group: list[_Bin] = []
    for each in bins:
        apart = abs(each.then - each.now) > DUTY_APART * each.count or each.off > each.count / 2
        if group and (not apart or each.number != group[-1].number + 1):
            yield _span(name, group)
            group = []
        if apart:
            group.append(each)
    if group:
        yield _span(name, group)


def _span(name: str, group: Sequence[_Bin]) -> Span:
    count = sum(each.count for each in group)
    last = group[-1]
    return Span(
        name,
        group[0].from_ms,
        last.to_ms,
        sum(each.then for each in group) / count,
        sum(each.now for each in group) / count,
        last.condition_then,
        last.condition_now,
        last.reason_now,
    )


def _matched(
    then: list[Told], now: list[Told]
) -> tuple[tuple[Told, ...], tuple[Told, ...], tuple[tuple[Told, int], ...]]:
    """The alarms of one side only, and those of both with the time between them."""
    left = list(now)
    only_then: list[Told] = []
    both: list[tuple[Told, int]] = []
    for each in then:
        near = [
            other
            for other in left
            if (other.chamber, other.alarm) == (each.chamber, each.alarm)
            and abs(other.wall_ms - each.wall_ms) <= SAME_ALARM_MS
        ]
        if near:
            nearest = min(near, key=lambda other: abs(other.wall_ms - each.wall_ms))
            left.remove(nearest)
            both.append((each, nearest.wall_ms - each.wall_ms))
        else:
            only_then.append(each)
    return tuple(only_then), tuple(left), tuple(both)
