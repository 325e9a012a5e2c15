"""What each fault to order does to the simulated world.

Each acts on truth alone (a contact, a plug, a probe, the weather, a process), never on the
controller's memory; the one exception is tending that is announced, which is the grower's word.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Final, TypeAlias

from bottomheat import cycle
from bottomheat.config import Config
from bottomheat.errors import InputError
from bottomheat.model import Place
from bottomheat.protect.tending import Doing, Tending
from bottomheat.rehearse_world import World
from bottomheat_drivers.simulated import ProbeFault, SimulatedProbes, SimulatedThermometer
from bottomheat_drivers.simulated_relay import SimulatedRelay

MINUTE_S: Final = 60.0
HOUR_S: Final = 3600.0
DAY_S: Final = 86_400.0

# What is done to a box; all judgement.
WATER_LITRES: Final = 2.0
WATER_C: Final = 8.0
BAGS_KG: Final = 6.0
BAGS_C: Final = 4.0
WEAK_SHARE: Final = 0.5
NEAR_BOX_SHARE: Final = 0.6
HALF_OUT_SHARE: Final = 0.5
SUNLIT_RISE_S: Final = 600.0
"""A probe in the sun warms with this time constant, s."""
ROOM_SHIFT_S: Final = 3600.0
"""A shed takes about so long to warm or cool by most of its way, s."""

KEEPER: Final = "keeper"
"""The place of the keeper's own probe."""


UNITS: Final = (("d", DAY_S), ("h", HOUR_S), ("m", MINUTE_S), ("s", 1.0))


@dataclass(frozen=True, slots=True)
class Order:
    """One fault, ordered.

    Attributes:
        kind: its name.
        at_s: when it begins, s from the start.
        lasts_s: how long it lasts, s; None: to the end.
        chamber: where.
        place: the probe that is meant, or "keeper"; None where the kind is not about a probe.
        value: its size, in the kind's own unit; None where it has none.
    """

    kind: str
    at_s: float
    lasts_s: float | None
    chamber: str
    place: str | None = None
    value: float | None = None

    def __str__(self) -> str:
        place = "" if self.place is None else f".{self.place}"
        value = "" if self.value is None else f"={self.value:g}"
        lasts = "" if self.lasts_s is None else f":{spell(self.lasts_s)}"
        return f"{self.chamber}/{self.kind}{place}{value}@{spell(self.at_s)}{lasts}"

    @property
    def label(self) -> str:
        """The kind with its place, for a table."""
        return self.kind if self.place in (None, Place.SUBSTRATE) else f"{self.kind}.{self.place}"


Act: TypeAlias = Callable[[World, Order], None]
During: TypeAlias = Callable[[World, Order, float], None]


def spell(seconds: float) -> str:
    """Write a time as --fault reads it: 2d4h, 90m."""
    parts, left = [], round(seconds)
    for letter, size in UNITS:
        count, left = divmod(left, int(size))
        if count:
            parts.append(f"{count}{letter}")
    return "".join(parts) or "0s"


def _relay(world: World, order: Order, *, series: bool = False) -> SimulatedRelay:
    stand = world.stands[order.chamber]
    relay = stand.series if series else stand.heat
    if not isinstance(relay, SimulatedRelay):
        raise InputError(f"the chamber {order.chamber} has no series relay that could stick.")
    return relay


def weld(world: World, order: Order) -> None:
    """Weld the heat relay at once."""
    _relay(world, order).weld()


def weld_next(world: World, order: Order) -> None:
    """Weld the heat relay when it closes next."""
    _relay(world, order).weld_at_next_closing()


def dead_coil(world: World, order: Order) -> None:
    """Let the heat relay close no more."""
    _relay(world, order).kill_coil()


def mend_relay(world: World, order: Order) -> None:
    """Mend the heat relay."""
    _relay(world, order).repair()


def weld_series(world: World, order: Order) -> None:
    """Weld the series relay at once."""
    _relay(world, order, series=True).weld()


def mend_series(world: World, order: Order) -> None:
    """Mend the series relay."""
    _relay(world, order, series=True).repair()


def power_share(share: float) -> Act:
    """Let the mat take a share of its power."""

    def act(world: World, order: Order) -> None:
        world.mat_share[order.chamber] = share

    return act


Spot: TypeAlias = tuple[SimulatedProbes, Place]


def _spots(world: World, order: Order) -> Iterator[Spot]:
    """Every reader of the probe that is meant: one on the mat may be read by both processes."""
    keeper_probes, probes = world.keeper_probes, world.probes
    if not isinstance(keeper_probes, SimulatedProbes) or not isinstance(probes, SimulatedProbes):
        raise InputError("only simulated probes can be broken to order.")
    if order.place == KEEPER:
        yield keeper_probes, Place.MAT
        return
    place = Place(order.place or Place.SUBSTRATE)
    yield probes, place
    if place is Place.MAT and world.config.chambers[order.chamber].keeper.probe is None:
        yield keeper_probes, place


def _thermometers(world: World, order: Order) -> Iterator[SimulatedThermometer]:
    for probes, place in _spots(world, order):
        yield probes.thermometer(order.chamber, place)


def break_probe(fault: ProbeFault) -> Act:
    """Break the probe."""

    def act(world: World, order: Order) -> None:
        for thermometer in _thermometers(world, order):
            thermometer.fail(fault)

    return act


def mend_probe(world: World, order: Order) -> None:
    """Mend the probe and put it back."""
    for probes, place in _spots(world, order):
        probes.thermometer(order.chamber, place).repair()
        probes.put_back(order.chamber, place)
        probes.warm(order.chamber, place, 0.0)


def displace(to: Place) -> Act:
    """Put the probe to another place of its box."""

    def act(world: World, order: Order) -> None:
        for probes, place in _spots(world, order):
            probes.displace(order.chamber, place, to)

    return act


def between(far: Place, share: float) -> Act:
    """Put the probe between its place and another."""

    def act(world: World, order: Order) -> None:
        for probes, place in _spots(world, order):
            probes.put_between(order.chamber, place, place, far, share)

    return act


def nothing(world: World, order: Order) -> None:
    """Everything happens in ``during`` or at the end."""


def _size(order: Order) -> float:
    return 0.0 if order.value is None else order.value


def drift(world: World, order: Order, into_s: float) -> None:
    """Let the probe's error grow, by the order's value in K a day."""
    for thermometer in _thermometers(world, order):
        thermometer.offset_k = _size(order) * into_s / DAY_S


def offset(world: World, order: Order) -> None:
    """Let the probe be off, by the order's value in K."""
    for thermometer in _thermometers(world, order):
        thermometer.offset_k = _size(order)


def sunlit(world: World, order: Order, into_s: float) -> None:
    """Let sun lie on the probe alone, by the order's value in K."""
    for probes, place in _spots(world, order):
        kelvin = _size(order) * -math.expm1(-into_s / SUNLIT_RISE_S)
        probes.warm(order.chamber, place, kelvin)


def other_chamber(config: Config, name: str) -> str:
    """The chamber after this one in the config: the one that it is crossed with."""
    names = list(config.chambers)
    return names[(names.index(name) + 1) % len(names)]


def cross_plugs(world: World, order: Order) -> None:
    """Swap the mats of two boxes."""
    other = other_chamber(world.config, order.chamber)
    world.feeds[order.chamber], world.feeds[other] = other, order.chamber


def uncross_plugs(world: World, order: Order) -> None:
    """Swap them back."""
    for name in (order.chamber, other_chamber(world.config, order.chamber)):
        world.feeds[name] = name


def cross_probes(world: World, order: Order) -> None:
    """Swap the probes of two boxes."""
    other = other_chamber(world.config, order.chamber)
    for probes, place in _spots(world, order):
        probes.displace(order.chamber, place, place, other)
        probes.displace(other, place, place, order.chamber)


def uncross_probes(world: World, order: Order) -> None:
    """Swap them back."""
    for probes, place in _spots(world, order):
        probes.put_back(order.chamber, place)
        probes.put_back(other_chamber(world.config, order.chamber), place)


def lid(state: str) -> Act:
    """Lay the lid "on", "ajar" or "off"."""

    def act(world: World, order: Order) -> None:
        world.stands[order.chamber].model.do("open_lid", state)

    return act


def water(world: World, order: Order) -> None:
    """Take the lid off and water, with so many litres."""
    lid("off")(world, order)
    world.stands[order.chamber].model.do("add_water", _size(order), WATER_C)


def bags(world: World, order: Order) -> None:
    """Take the lid off and put cold bags in, so many kg."""
    lid("off")(world, order)
    world.stands[order.chamber].model.do("place_bags", _size(order), BAGS_C)


def sun(world: World, order: Order, into_s: float) -> None:
    """A window passes by: half a sine over its time."""
    phase = math.pi * into_s / (order.lasts_s or 6 * HOUR_S)
    watts = _size(order) * max(0.0, math.sin(phase))
    world.stands[order.chamber].model.do("set_sun", watts)


def lamp(world: World, order: Order) -> None:
    """Switch a lamp on, W absorbed by the medium."""
    world.stands[order.chamber].model.do("set_sun", _size(order))


def dark(world: World, order: Order) -> None:
    """End sun or lamp."""
    world.stands[order.chamber].model.do("set_sun", 0.0)


def shift_room(world: World, order: Order, into_s: float) -> None:
    """Warm the room, by the order's value in K; negative cools it."""
    world.room_shift_k = _size(order) * -math.expm1(-into_s / ROOM_SHIFT_S)


def room_back(world: World, _: Order) -> None:
    """Let the room be as it was."""
    world.room_shift_k = 0.0


def tend(world: World, order: Order) -> None:
    """Tell the controller that the box is being tended."""
    until_s = order.at_s + (order.lasts_s or 30 * MINUTE_S)
    tending = Tending(Doing(order.place or Doing.LOOK), world.now_s, until_s)
    world.state = cycle.tend(world.state, order.chamber, tending)
