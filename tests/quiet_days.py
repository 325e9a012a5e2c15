"""Days without a fault, as a diagnosis sees them: looks, water, sun, cold snaps, a new setpoint.

Nothing of box, wiring, probes or power is wrong in any of them.  What hands and weather do shows
all the same, and a diagnosis may name it: that is no fault, and is told apart.
"""

from __future__ import annotations

import math
import random
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from typing import Final

from bottomheat.campaign import draw_seasons, tending
from bottomheat.campaign_boxes import Scene, scene_world, size_of
from bottomheat.config import Config
from bottomheat.protect.tending import Doing
from bottomheat.rehearse_acts import HOUR_S, MINUTE_S, Order
from bottomheat.rehearse_faults import Sabotage, make_order
from bottomheat.review.causes import Cause
from bottomheat.review.window import Tended
from diagnosis_world import Case, Tape, window

WINDOW_H: Final = 12.0
WINDOWS: Final = 11
"""So many times that, one event in each; they are cut so as to overlap by half.

The first begins with a cold box, the next see it settle."""
SETTLED: Final = 3
LINGERS_S: Final = 8 * HOUR_S
"""So long after its end what hands or weather did may still be named."""
DAYS: Final = WINDOW_H * WINDOWS / 24.0
COOLEST_C, WARMEST_C = 19.0, 27.0
"""The season's setpoints, °C; 3 K below the limit is the warmest that it may ask for."""
NOTHING: Final = "nothing"
EVENTS: Final = (
    *(NOTHING, NOTHING, "look", "look", "ajar", "water", "water", "bags", "said", "move"),
    *("sun", "sun", "lamp", "cold-snap", "cold-snap", "warm-spell", "up", "down"),
)
MAY_SAY: Final = {
    "sun": (Cause.WARM_FROM_OUTSIDE,),
    "lamp": (Cause.WARM_FROM_OUTSIDE,),
    "cold-snap": (Cause.COLD_ROOM,),
    "warm-spell": (Cause.WARM_ROOM,),
    "look": (Cause.OPENED,),
    "ajar": (Cause.OPENED,),
    "water": (Cause.OPENED,),
    "bags": (Cause.OPENED,),
    "said": (Cause.OPENED,),
    "move": (Cause.OPENED,),
}
"""What hands and weather did may be named as what it was."""


@dataclass(frozen=True, slots=True)
class Spell:
    """A room that is colder or warmer for a while; it comes and goes as a front does."""

    from_h: float
    lasts_h: float
    kelvin: float

    def at(self, hours: float) -> float:
        """What it adds to the room, K."""
        into = (hours - self.from_h) / self.lasts_h
        return self.kelvin * math.sin(math.pi * into) ** 2 if 0.0 < into < 1.0 else 0.0


@dataclass(frozen=True, slots=True)
class Weather:
    """A room with spells on top of it."""

    room_c: Callable[[float], float]
    spells: Sequence[Spell]

    def __call__(self, hours: float) -> float:
        return self.room_c(hours) + sum(each.at(hours) for each in self.spells)


@dataclass(slots=True)
class Plan:
    """What happens in one box over some days; ``events`` has one name every ``WINDOW_H``."""

    scene: Scene
    events: list[str]
    orders: list[Order] = field(default_factory=list)
    spells: list[Spell] = field(default_factory=list)
    setpoints: list[tuple[float, float]] = field(default_factory=list)
    """When, s, and what is added to the setpoint then, K."""
    begin_s: list[float] = field(default_factory=list)
    ends_s: list[float] = field(default_factory=list)
    """When each event began, and was over, s."""


def draw_quiet(number: int, seed: int, boxes: Sequence[str]) -> Iterator[Plan]:
    """So many rehearsals of ``WINDOWS`` windows each."""
    for scene in draw_seasons(number, seed, boxes):
        yield plan(scene)


def plan(scene: Scene) -> Plan:
    """What happens there, drawn by the scene's own seed."""
    rng = random.Random(f"quiet days {scene.seed}")
    names = [NOTHING if k < SETTLED else rng.choice(EVENTS) for k in range(WINDOWS)]
    made = Plan(scene, names)
    for number, name in enumerate(names):
        at_s = (number * WINDOW_H + rng.uniform(1.0, 6.0)) * HOUR_S
        made.begin_s.append(at_s)
        made.ends_s.append(_happens(made, name, at_s, rng))
    return made


def _happens(made: Plan, name: str, at_s: float, rng: random.Random) -> float:
    """Put an event into the plan; when it is over, s."""
    scene = made.scene
    box, size = scene.names[0], size_of(scene.boxes[0])
    minutes = rng.uniform(5.0, 40.0)
    if name in ("look", "ajar", "water", "bags"):
        kind = {"look": "lid-off", "ajar": "lid-ajar"}.get(name, name)
        value = {"water": size * rng.uniform(0.5, 2.0), "bags": size * rng.uniform(1.5, 6.0)}
        order = make_order(kind, at_s, box, lasts_s=minutes * MINUTE_S, value=value.get(name))
        said = [tending(order)] if rng.random() < 0.5 else []
        made.orders += [order, *said]
        return at_s + minutes * MINUTE_S
    if name in ("said", "move"):
        doing = str(Doing.MOVE if name == "move" else Doing.LOOK)
        made.orders.append(Order("tend", at_s, 30 * MINUTE_S, box, doing))
        return at_s + 30 * MINUTE_S
    if name in ("sun", "lamp"):
        hours = rng.uniform(2.0, 6.0)
        watts = size * (rng.uniform(15.0, 60.0) if name == "sun" else rng.uniform(5.0, 15.0))
        made.orders.append(make_order(name, at_s, box, lasts_s=hours * HOUR_S, value=watts))
        return at_s + hours * HOUR_S
    if name in ("cold-snap", "warm-spell"):
        hours = rng.uniform(10.0, 24.0)
        kelvin = -rng.uniform(4.0, 10.0) if name == "cold-snap" else rng.uniform(4.0, 8.0)
        made.spells.append(Spell(at_s / HOUR_S, hours, kelvin))
        return at_s + hours * HOUR_S
    if name == "up":  # a new batch, or a stage that wants it warmer: at once
        made.setpoints.append((at_s, rng.uniform(0.5, 2.5)))
        return at_s
    if name == "down":  # in steps of a tenth, half an hour to an hour and a half apart
        apart_s = rng.uniform(0.5, 1.5) * HOUR_S
        made.setpoints += [(at_s + step * apart_s, -0.1) for step in range(rng.randint(5, 15))]
        return made.setpoints[-1][0]
    return at_s


def of_plan(made: Plan) -> Iterator[Case]:
    """The windows of one rehearsal, each half a window after the one before."""
    scene = made.scene
    world = scene_world(scene, DAYS)
    world.room_c = Weather(world.room_c, made.spells)
    sabotage = Sabotage(made.orders)
    tape = Tape.blank()
    due = sorted(made.setpoints)
    tended = [
        Tended(each.at_s, each.at_s + (each.lasts_s or 1800.0), str(each.place))
        for each in made.orders
        if each.kind == "tend"
    ]
    name, half_s = scene.names[0], WINDOW_H * HOUR_S / 2
    for half in range(1, 2 * WINDOWS):
        from_s, to_s = (half - 1) * half_s, (half + 1) * half_s
        while world.now_s < to_s:
            while due and due[0][0] <= world.now_s:
                world.config = shifted(world.config, name, due.pop(0)[1])
            sabotage(world)
            tape.take(world, world.step())
        seen = window(tape, world, name, from_s, near(tended, from_s, to_s), to_s)
        event, said = happened(made, from_s, to_s), may_say(made, from_s, to_s)
        yield Case(None, seen, scene.boxes[0], event=event, may_say=said)
        tape.forget(from_s + half_s)


def happened(made: Plan, from_s: float, to_s: float) -> str:
    """What was begun in this time."""
    begun = [
        name
        for name, at_s in zip(made.events, made.begin_s, strict=True)
        if name != NOTHING and from_s <= at_s < to_s
    ]
    return "+".join(begun) or NOTHING


def near(tended: Sequence[Tended], from_s: float, to_s: float) -> list[Tended]:
    return [each for each in tended if each.from_s < to_s and each.to_s > from_s]


def may_say(made: Plan, from_s: float, to_s: float) -> frozenset[str]:
    """What hands and weather did in this time, or shortly before it."""
    return frozenset(
        cause.name
        for event, began_s, ended_s in zip(made.events, made.begin_s, made.ends_s, strict=True)
        if began_s < to_s and ended_s + LINGERS_S > from_s
        for cause in MAY_SAY.get(event, ())
    )


def shifted(config: Config, name: str, kelvin: float) -> Config:
    """The config with one setpoint moved, as the season moves it."""
    chamber = config.chambers[name]
    callus_c = min(max(chamber.callus_zone_c + kelvin, COOLEST_C), WARMEST_C)
    moved = chamber.model_copy(update={"callus_zone_c": callus_c})
    return config.model_copy(update={"chambers": {**config.chambers, name: moved}})
