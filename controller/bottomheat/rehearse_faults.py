"""Faults to order in a rehearsal: reading the order, and carrying it out."""

from __future__ import annotations

import difflib
import math
import re
from collections.abc import Collection, Mapping
from typing import Final

from bottomheat import rehearse_acts as acts
from bottomheat.config import Config
from bottomheat.durations import parse_duration_s
from bottomheat.errors import InputError
from bottomheat.model import Place
from bottomheat.rehearse_acts import Order, other_chamber
from bottomheat.rehearse_kinds import KINDS, Kind
from bottomheat.rehearse_nights import SHORT_K, room_for
from bottomheat.rehearse_world import Stand, World

FORM: Final = (
    "[CHAMBER/]KIND[.PLACE][=SIZE]@TIME[:DURATION], such as mat-dead@36h or lid-off@2d4h:40m"
)
_ORDER = re.compile(
    r"(?:(?P<chamber>[^/@]*)/)?(?P<kind>[a-z0-9-]+)(?:\.(?P<place>[a-z0-9-]+))?"
    r"(?:=(?P<value>[^@:]+))?@(?P<at>[^:]+)(?::(?P<lasts>[^:]+))?"
)
_ZERO = re.compile(r"0+[dhms]?")
LARGEST: Final = 200.0
"""Of any size: K, W, kg or litres."""


class Sabotage:
    """Orders, carried out on a world as its time comes.

    Args:
        orders: what to do; checked by ``check``.
    """

    def __init__(self, orders: Collection[Order]) -> None:
        self._waiting = sorted(orders, key=lambda order: order.at_s)
        self._running: list[Order] = []

    def __call__(self, world: World) -> None:
        """Do to the world what is due, before its next cycle."""
        now_s = world.now_s
        while self._waiting and self._waiting[0].at_s <= now_s:
            order = self._waiting.pop(0)
            KINDS[order.kind].begin(world, order)
            self._running.append(order)
        for order in tuple(self._running):
            kind = KINDS[order.kind]
            into_s = now_s - order.at_s
            if order.lasts_s is not None and into_s >= order.lasts_s:
                self._running.remove(order)
                if kind.end is not None:
                    kind.end(world, order)
            elif kind.during is not None:
                kind.during(world, order, into_s)


def check(orders: Collection[Order], config: Config, stands: Mapping[str, Stand]) -> None:
    """See to it that every order can be carried out on these stands.

    Raises:
        InputError: a probe, a relay, a chamber or a chamber's method is missing.
    """
    for order in orders:
        kind = KINDS[order.kind]
        what = f"--fault {order.kind}"
        stand = stands[order.chamber]
        for hook in kind.hooks:
            stand.model.require_hook(hook, what)
        if len(config.chambers) < kind.chambers:
            raise InputError(f"{what} needs {kind.chambers} chambers; the config has only one.")
        if kind.name == "series-stuck" and stand.series is None:
            raise InputError(f"{what} needs a series relay, and {order.chamber} has none.")
        if kind.name == "cold-night":
            chamber, short_k = config.chambers[order.chamber], order.value
            room_for(stand.model, order.chamber, chamber, SHORT_K if short_k is None else short_k)
        for name in (order.chamber, other_chamber(config, order.chamber))[: kind.chambers]:
            _check_place(order, what, config, name)


def _check_place(order: Order, what: str, config: Config, name: str) -> None:
    chamber, place = config.chambers[name], order.place
    if place is None or order.kind == "tend":
        return
    if place == acts.KEEPER:
        if chamber.keeper.probe is None:
            raise InputError(f"{what}.keeper: the keeper of {name} has no probe of its own.")
    elif Place(place) not in chamber.probes.by_place():
        raise InputError(f"{what}.{place}: {name} has no probe there.")


def parse(text: str, config: Config) -> Order:
    """Read an order as it is typed.

    Raises:
        InputError: it is not of the form, or names no kind, place, chamber, time or size.
    """
    found = _ORDER.fullmatch(text.strip())
    if found is None:
        raise InputError(f"--fault {text[:60]!r} cannot be read; write {FORM}.")
    name = found["kind"]
    kind = KINDS.get(name)
    if kind is None:
        near = difflib.get_close_matches(name, KINDS, 1)
        meant = f"did you mean {near[0]}?" if near else "--help lists the kinds."
        raise InputError(f"--fault knows no kind {name[:40]!r}; {meant}")
    what = f"--fault {name}"
    chamber = next(iter(config.chambers)) if found["chamber"] is None else found["chamber"]
    if chamber not in config.chambers:
        names = ", ".join(config.chambers)
        raise InputError(f"{what}: the config has no chamber {chamber[:40]!r}; it has {names}.")
    place = found["place"]
    if place is not None and place not in kind.places:
        places = ", ".join(kind.places)
        known = f"it goes with {places}" if kind.places else "it is not about a place"
        raise InputError(f"{what}: no place {place[:40]!r}; {known}.")
    lasts = found["lasts"]
    if lasts is not None and kind.end is None and name != "tend":
        raise InputError(f"{what} does not end by itself; leave the duration out.")
    return make_order(
        name,
        _seconds(found["at"], what, "time"),
        chamber,
        place=place,
        lasts_s=None if lasts is None else _seconds(lasts, what, "duration"),
        value=None if found["value"] is None else _value(found["value"], kind, what),
    )


def _seconds(text: str, what: str, named: str) -> float:
    """Read 36h, 2d4h or 90m; a time, not a duration, may be 0."""
    if named == "time" and _ZERO.fullmatch(text.strip()):
        return 0.0
    try:
        return parse_duration_s(text)
    except InputError as error:
        raise InputError(f"{what}: the {named} {error}") from None


def _value(text: str, kind: Kind, what: str) -> float:
    if kind.value is None:
        raise InputError(f"{what} has no size; leave out the ={text[:20]}.")
    try:
        value = float(text)
    except ValueError:
        raise InputError(
            f"{what}: the size {text[:40]!r} is no number; it is {kind.unit}."
        ) from None
    negative = kind.unit.startswith("K")
    if not (math.isfinite(value) and (0.0 if not negative else -LARGEST) <= value <= LARGEST):
        least = f"{-LARGEST:g}" if negative else "0"
        raise InputError(
            f"{what}: a size of {text[:20]} {kind.unit} is not possible; "
            f"give {least} to {LARGEST:g}."
        )
    return value


def make_order(
    kind: str,
    at_s: float,
    chamber: str,
    *,
    place: str | None = None,
    lasts_s: float | None = None,
    value: float | None = None,
) -> Order:
    """Order a fault; what is not given is as usual for its kind."""
    usual = KINDS[kind]
    return Order(
        kind,
        at_s,
        usual.lasts_s if lasts_s is None else lasts_s,
        chamber,
        (str(usual.places[0]) if usual.places else None) if place is None else place,
        usual.value if value is None else value,
    )
