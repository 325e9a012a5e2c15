"""A campaign: many seeded rehearsals of single faults, and fault-free seasons, drawn by chance.

Each scene (a box, or two, in a room) is warmed up once and followed for a day without a fault;
each faulted run starts from a copy of it, somewhere in that day.  All draws come from the seed
before anything runs, so that the outcome is the same however many processes share the work.
"""

from __future__ import annotations

import copy
import multiprocessing
import random
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Final, TypeVar

from bottomheat.campaign_boxes import (
    BOXES,
    ROOMS,
    WATTS,
    Scene,
    cold_enough,
    scene_world,
    size_of,
)
from bottomheat.errors import InputError
from bottomheat.model import Alarm, Place
from bottomheat.protect.tending import Doing
from bottomheat.rehearse_acts import DAY_S, HOUR_S, KEEPER, MINUTE_S, Order
from bottomheat.rehearse_faults import Sabotage, make_order
from bottomheat.rehearse_kinds import KINDS
from bottomheat.rehearse_verdict import Course, FaultResult, Heard, follow, run_fault
from bottomheat.rehearse_world import World
from bottomheat.tonight import AHEAD_H

MOST_RUNS: Final = 100_000
MOST_SEASONS: Final = 1000
MOST_JOBS: Final = 64

WARM_UP_H: Final = 36.0
DAY_H: Final = 24.0
SPACING_H: Final = 2.0
"""Copies of the warm world are kept this far apart; a fault begins up to that long after one."""
WATCH_H: Final = 12.0
NIGHT_WATCH_H: Final = 20.0
"""A cold night lasts so long; the copies that it begins from are those of an afternoon."""
NIGHT_STARTS: Final = 2
UNATTENDED_H: Final = 8.0
"""With one relay nobody can cut the heat: what the bed reaches in so long, h."""

RUNS_A_SCENE: Final = 20
PAIR_EVERY: Final = 4
"""Every so many scenes one has two boxes side by side."""

SEVERAL: Final = 2
ONE_RELAY_SHARE: Final = 0.2
STRONG_SHARE: Final = 0.15
STRONG_W: Final = 100.0
SECOND_PROBE_SHARE: Final = 0.25
CALLUS_PROBE_SHARE: Final = 0.15
TOP_PROBE_SHARE: Final = 0.3
KEEPER_PROBE_SHARE: Final = 0.6
SIGMAS_K: Final = (0.0, 0.02, 0.02, 0.05, 0.1)
FACTOR_ERROR: Final = 0.02

SUBSTRATE_2, CALLUS = str(Place.SUBSTRATE_2), str(Place.CALLUS)
_LIKELY: Final = (
    *(("relay-stuck-on", None), ("relay-stuck-on-at-once", None), ("relay-stuck-off", None)),
    *(("mat-dead", None), ("mat-weak", None)),
    *(("probe-lost", place) for place in ("substrate", "room", "mat", SUBSTRATE_2, CALLUS, KEEPER)),
    *(("probe-frozen", place) for place in ("substrate", "room", "mat", SUBSTRATE_2, CALLUS)),
    *(("probe-displaced", place) for place in ("substrate", "mat", SUBSTRATE_2, CALLUS)),
    *(("probe-displaced-top", "substrate"), ("probe-displaced-half", "substrate")),
    *(("probe-85", "substrate"), ("probe-85", "mat"), ("probe-85", KEEPER)),
    *(("probe-shorted", "substrate"), ("probe-garbled", "substrate")),
    *(("probe-drift", "substrate"), ("probe-offset", "substrate")),
    *(("room-sunlit", None), ("room-near-box", None)),
    *(("crossed-plugs", None), ("crossed-probes", "substrate"), ("crossed-probes", "mat")),
    *(("series-stuck", None), ("power-cut", None), ("daemon-hang", None), ("keeper-hang", None)),
    *(("lid-off", None), ("lid-ajar", None), ("water", None), ("bags", None)),
    *(("sun", None), ("lamp", None), ("warm-shed", None), ("cold-snap", None)),
    ("cold-night", None),
)
"""Every fault of a campaign: kind, and place of the probe where it has one."""

_TENDED: Final = {"lid-off": Doing.LOOK, "lid-ajar": Doing.LOOK, "water": Doing.WATER}


@dataclass(frozen=True, slots=True)
class Run:
    """One faulted run, drawn: ``start`` is the copy it begins from."""

    number: int
    order: Order
    announced: bool
    start: int


@dataclass(frozen=True, slots=True)
class Batch:
    """A scene with its runs."""

    scene: Scene
    runs: tuple[Run, ...]


@dataclass(frozen=True, slots=True)
class RunResult:
    """A run with what came of it, and what the world was."""

    number: int
    scene: Scene
    announced: bool
    result: FaultResult


@dataclass(frozen=True, slots=True)
class BatchResult:
    """A scene's runs, and what was said without any fault."""

    scene: Scene
    runs: tuple[RunResult, ...]
    days: float
    untrue: tuple[Heard, ...]


@dataclass(frozen=True, slots=True)
class SeasonResult:
    """A fault-free season: alarms that were not true, those that were, latches."""

    scene: Scene
    days: float
    untrue: tuple[Heard, ...]
    true: tuple[Heard, ...]
    latched: tuple[str, ...]


def draw(number: int, seed: int, boxes_drawn: Sequence[str] | None = None) -> tuple[Batch, ...]:
    """Draw ``number`` faulted runs; the same for the same seed.

    Args:
        number: how many.
        seed: of every draw.
        boxes_drawn: the boxes to draw from; None: ``BOXES``.

    Raises:
        InputError: not between 1 and 100 000.
    """
    if not 1 <= number <= MOST_RUNS:
        raise InputError(f"a campaign of {number} runs is not possible; give 1 to {MOST_RUNS}.")
    rng = random.Random(f"campaign {seed}")  # noqa: S311 - draws for a rehearsal, not a secret
    kinds = list(_LIKELY)
    rng.shuffle(kinds)
    faults = [kinds[index % len(kinds)] for index in range(number)]
    boxes = list(BOXES if boxes_drawn is None else boxes_drawn)
    rng.shuffle(boxes)
    scenes = max(1, -(-number // RUNS_A_SCENE))
    drawn = [_scene(rng, index, boxes) for index in range(max(scenes, min(scenes + 1, SEVERAL)))]
    runs: list[list[Run]] = [[] for _ in drawn]
    for index, (kind, place) in enumerate(faults):
        fit = [n for n, scene in enumerate(drawn) if _fits(scene, kind, place)]
        if not fit:  # few scenes, and none has what this one needs
            drawn.append(_scene_for(rng, len(drawn), boxes, kind, place))
            runs.append([])
            fit = [len(drawn) - 1]
        least = min(len(runs[n]) for n in fit)
        chosen = rng.choice([n for n in fit if len(runs[n]) == least])
        runs[chosen].append(_run(rng, index, drawn[chosen], kind, place))
    return tuple(Batch(scene, tuple(mine)) for scene, mine in zip(drawn, runs, strict=True) if mine)


def _scene(rng: random.Random, index: int, boxes: Sequence[str], *, pair: bool = False) -> Scene:
    pair = pair or index % PAIR_EVERY == PAIR_EVERY - 1
    chosen = tuple(boxes[(index + more) % len(boxes)] for more in range(2 if pair else 1))
    strong = rng.random() < STRONG_SHARE
    return Scene(
        boxes=chosen,
        room=rng.choice(ROOMS),
        watts=tuple(STRONG_W if strong else WATTS.get(box, 45.0) for box in chosen),
        seed=rng.randrange(1, 10**6),
        series=rng.random() >= ONE_RELAY_SHARE,
        keeper_probe=rng.random() < KEEPER_PROBE_SHARE,
        second_probe=rng.random() < SECOND_PROBE_SHARE,
        callus_probe=rng.random() < CALLUS_PROBE_SHARE,
        top_probe=rng.random() < TOP_PROBE_SHARE,
        sigma_k=rng.choice(SIGMAS_K),
        factor_error=rng.uniform(-FACTOR_ERROR, FACTOR_ERROR),
    )


def _scene_for(
    rng: random.Random, index: int, boxes: Sequence[str], kind: str, place: str | None
) -> Scene:
    while True:
        scene = _scene(rng, index, boxes, pair=KINDS[kind].chambers > 1)
        if _fits(scene, kind, place):
            return scene


def _fits(scene: Scene, kind: str, place: str | None) -> bool:
    return (
        len(scene.boxes) >= KINDS[kind].chambers
        and (kind != "series-stuck" or scene.series)
        and (place != KEEPER or scene.keeper_probe)
        and (place != SUBSTRATE_2 or scene.second_probe)
        and (place != CALLUS or scene.callus_probe)
        and (kind != "cold-night" or cold_enough(scene))
    )


def _run(rng: random.Random, number: int, scene: Scene, kind: str, place: str | None) -> Run:
    starts = NIGHT_STARTS if kind == "cold-night" else round(DAY_H / SPACING_H)
    start = rng.randrange(starts)
    at_h = WARM_UP_H + start * SPACING_H + rng.uniform(0.0, SPACING_H)
    announced = kind in (*_TENDED, "bags") and rng.random() < 0.5
    chamber = rng.choice(scene.names)
    order = make_order(kind, at_h * HOUR_S, chamber, place=place)
    if kind in ("sun", "lamp") and order.value is not None:
        size = size_of(scene.boxes[scene.names.index(chamber)])
        order = replace(order, value=round(order.value * size, 1))
    return Run(number, order, announced, start)


def tending(order: Order) -> Order:
    """The grower's word that goes with a kind of tending: five minutes before, half an hour."""
    doing = _TENDED.get(order.kind, Doing.FILL)
    lasts_s = max(30 * MINUTE_S, order.lasts_s or 0.0)
    return Order("tend", max(0.0, order.at_s - 5 * MINUTE_S), lasts_s, order.chamber, str(doing))


def do_batch(batch: Batch) -> BatchResult:
    """Warm a scene up, follow it without a fault, and do its runs.

    Raises:
        InputError: a chamber failed.
    """
    scene = batch.scene
    hours = DAY_H + SPACING_H + WATCH_H
    world = scene_world(scene, (WARM_UP_H + hours) / 24.0)
    follow(world, WARM_UP_H)
    first = world.cycles
    starts: dict[int, World] = {}
    wanted = {run.start for run in batch.runs}
    cycles = round(SPACING_H * HOUR_S / world.config.cycle_s)

    def keep(at: World) -> None:
        start, within = divmod(at.cycles - first, cycles)
        if within == 0 and start in wanted:
            starts[start] = copy.deepcopy(at)

    twin = follow(world, hours, before=keep)
    results = tuple(
        RunResult(run.number, scene, run.announced, _do(run, scene, starts, twin))
        for run in batch.runs
    )
    untrue = tuple(h for h in twin.heard if not true_alarm(h, twin, world))
    return BatchResult(scene, results, hours / 24.0, untrue)


def _do(run: Run, scene: Scene, starts: dict[int, World], twin: Course) -> FaultResult:
    order = run.order
    # One relay: see what the bed reaches before somebody comes.
    unattended = not scene.series and order.kind.startswith("relay-stuck-on")
    watch_h = NIGHT_WATCH_H if KINDS[order.kind].foretold else WATCH_H
    hours = (UNATTENDED_H if unattended else watch_h) + SPACING_H
    return run_fault(
        starts[run.start],
        order,
        twin,
        hours=hours,
        besides=(tending(order),) if run.announced else (),
        to_the_end=unattended,
    )


_TRULY_K: Final = 0.5
"""So far off its setpoint the callus zone is too cold, or too warm, indeed, K."""

_BEFORE_H, _AHEAD_H = 1.0, 6.0
"""An alarm about it is true where this is so within so many hours, for it may well foresee it."""


def true_alarm(heard: Heard, course: Course, world: World) -> bool:
    """Whether an alarm without a fault is true: the bed is, or will be, too cold or too warm."""
    name = heard.chamber
    if name is None:
        return False
    at = round(heard.at_s / course.cycle_s) - course.first
    ahead_h = AHEAD_H if heard.alarm is Alarm.TONIGHT else _AHEAD_H
    before, ahead = (round(hours * HOUR_S / course.cycle_s) for hours in (_BEFORE_H, ahead_h))
    near = course.callus_c[name][max(0, at - before) : at + ahead]
    setpoint_c = world.config.chambers[name].callus_zone_c
    if not near:
        return False
    if heard.alarm in (Alarm.SHORTFALL, Alarm.HEAT_LOST, Alarm.TONIGHT):
        return min(near) < setpoint_c - _TRULY_K
    warm = heard.alarm in (Alarm.WARM_WITHOUT_HEAT, Alarm.CALLUS_HOT)
    return warm and max(near) > setpoint_c + _TRULY_K


# --- seasons ------------------------------------------------------------------------------------

QUIET: Final = ("sun", "lamp", "lid-off", "lid-ajar", "water", "bags", "tend")
"""What happens to a box in a season without a fault."""

SUNNY_SHARE: Final = 0.35
SUN_W: Final = (15.0, 80.0)
"""Absorbed by the medium of a nominal box at the sun's highest, W: 60 to 330 W/m²; judgement."""
SUN_H: Final = (2.0, 6.0)
LAMP_W: Final = (8.0, 20.0)
EXTREMES: Final = {"card": 2 / 3, "jacketed": 2.1}
"""With so many times their usual power these two have a third and three times the gain of the
nominal box."""


def draw_seasons(
    number: int, seed: int, boxes_drawn: Sequence[str] | None = None
) -> tuple[Scene, ...]:
    """Draw the scenes of fault-free seasons: each box in turn, one chamber each.

    Args:
        number: how many.
        seed: of every draw.
        boxes_drawn: the boxes to draw from; None: ``BOXES``.

    Raises:
        InputError: not between 0 and 1000.
    """
    if not 0 <= number <= MOST_SEASONS:
        raise InputError(f"{number} seasons are not possible; give 0 to {MOST_SEASONS}.")
    rng = random.Random(f"seasons {seed}")  # noqa: S311 - as above
    boxes = list(BOXES if boxes_drawn is None else boxes_drawn)
    rooms = ("shed", "swing", "15", "shed", "10")
    scenes = []
    for index in range(number):
        box = boxes[index % len(boxes)]
        drawn = rng.choice((2 / 3, 1.0, 1.0, 1.5, 2.0))
        watts = WATTS.get(box, 45.0) * EXTREMES.get(box, drawn)
        scenes.append(
            Scene(
                boxes=(box,),
                room=rooms[index % len(rooms)],
                watts=(round(watts, 1),),
                seed=rng.randrange(1, 10**6),
                sigma_k=rng.choice(SIGMAS_K),
                factor_error=rng.uniform(-FACTOR_ERROR, FACTOR_ERROR),
                second_probe=rng.random() < SECOND_PROBE_SHARE,
                keeper_probe=rng.random() < KEEPER_PROBE_SHARE,
                top_probe=rng.random() < TOP_PROBE_SHARE,
            )
        )
    return tuple(scenes)


def season_orders(scene: Scene, days: float) -> tuple[Order, ...]:
    """What happens in a season without a fault: sun, a lamp for some weeks, tending every week."""
    rng = random.Random(f"season {scene.seed}")  # noqa: S311 - as above
    return tuple(
        order
        for name, box in zip(scene.names, scene.boxes, strict=True)
        for order in _season_of(rng, name, size_of(box), days)
    )


def _season_of(rng: random.Random, name: str, size: float, days: float) -> Iterator[Order]:
    lamp_from = rng.uniform(0.2, 0.6) * days
    for day in range(2, int(days)):
        midnight_s = day * DAY_S
        if lamp_from <= day < lamp_from + days / 4:  # one of the two at a time
            watts = size * rng.uniform(*LAMP_W)
            yield Order("lamp", midnight_s + 7 * HOUR_S, 12 * HOUR_S, name, value=watts)
        elif rng.random() < SUNNY_SHARE:
            hours = rng.uniform(*SUN_H)
            at_s = midnight_s + (12.5 - hours / 2) * HOUR_S
            yield Order("sun", at_s, hours * HOUR_S, name, value=size * rng.uniform(*SUN_W))
        if day % 7 == 3:
            yield from _tended(rng, name, midnight_s + rng.uniform(8.0, 18.0) * HOUR_S)


def _tended(rng: random.Random, name: str, at_s: float) -> Iterator[Order]:
    kind = rng.choice(("lid-off", "lid-off", "lid-ajar", "water", "water", "bags"))
    value = {"water": rng.uniform(0.5, 2.0), "bags": rng.uniform(1.5, 6.0)}.get(kind)
    minutes = rng.uniform(10.0, 40.0) if kind.startswith("lid") else rng.uniform(5.0, 20.0)
    order = make_order(kind, at_s, name, lasts_s=minutes * MINUTE_S, value=value)
    yield order
    if rng.random() < 0.5:
        yield tending(order)


@dataclass(frozen=True, slots=True)
class Season:
    """A season to do."""

    scene: Scene
    days: float


def do_season(season: Season) -> SeasonResult:
    """Run a fault-free season from a cold start.

    Raises:
        InputError: a chamber failed.
    """
    scene, days = season.scene, season.days
    world = scene_world(scene, days)
    course = follow(world, days * 24.0, before=Sabotage(season_orders(scene, days)))
    true = tuple(h for h in course.heard if true_alarm(h, course, world))
    untrue = tuple(h for h in course.heard if h not in true)
    return SeasonResult(scene, days, untrue, true, tuple(sorted(course.latched)))


# --- processes ----------------------------------------------------------------------------------

_Job = TypeVar("_Job")
_Done = TypeVar("_Done")


def share_out(
    do: Callable[[_Job], _Done],
    jobs: Sequence[_Job],
    processes: int,
    on_done: Callable[[_Done], None] | None = None,
) -> list[_Done]:
    """Do every job, in the order given, in so many processes; ``on_done`` is told of each.

    Raises:
        InputError: a job failed, or ``processes`` is not between 1 and 64.
    """
    if not 1 <= processes <= MOST_JOBS:
        raise InputError(f"{processes} processes are not possible; give 1 to {MOST_JOBS}.")
    done: list[_Done] = []

    def take(found: Iterator[_Done]) -> None:
        for result in found:
            done.append(result)
            if on_done is not None:
                on_done(result)

    if processes == 1 or len(jobs) < SEVERAL:
        take(map(do, jobs))
    else:
        with multiprocessing.get_context("spawn").Pool(processes) as pool:
            take(pool.imap(do, jobs))
    return done
