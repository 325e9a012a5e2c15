"""The story of one season on two boxes, for the rehearsal: who does what and when.  Pure.

All of it is invented.  A cold shed, a north bench that calluses and a south bench that roots; four
batches, one of them with mould beside it; a power cut in January; a fortnight away in March while
the oldest batch passes its latest day.  Times are UTC.
"""

from __future__ import annotations

import math
import random
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Any, Final, TypeAlias

from bottomheat.rooms import RoomSeries
from bottomheat.season.ledger import UNHEATED

BEGINS: Final = datetime(2026, 10, 1, tzinfo=UTC)
ENDS: Final = datetime(2027, 5, 31, 18, tzinfo=UTC)
DAYS: Final = (ENDS - BEGINS) / timedelta(days=1)
SEASON: Final = "2026-27"
NORTH: Final = "north-bench"
SOUTH: Final = "south-bench"

CONFIG: Final = """\
# The two boxes of the rehearsed season.
log: {log}
cycle: 10
coldest_room: 0
season:
  reminders: {{layer: 7, mist: 7}}
chambers:
  north-bench:                        # calluses
    callus_zone: 24
    in_use: {north}
    zone: base
    zone_height: 30
    heater: {{gpio: 17, watts: 45}}
    probes: {{substrate: 28-000000000001, room: 28-000000000002, mat: 28-000000000003}}
    offset: {{method: temperature-factor, factor: 0.743, calibrated: true, uncertainty: 0.12,
      measured_difference: 20, factor_uncertainty: 0.005, zone_uncertainty: 0.2, room_lag: 3.75,
      substrate_lag: 1.25}}
  south-bench:                        # roots and hardens off
    callus_zone: 19
    in_use: {south}
    zone: base
    zone_height: 30
    heater: {{gpio: 27, watts: 45}}
    probes: {{substrate: 28-000000000011, room: 28-000000000002, mat: 28-000000000013}}
    offset: {{method: temperature-factor, factor: 0.743, calibrated: true, uncertainty: 0.12,
      measured_difference: 20, factor_uncertainty: 0.005, zone_uncertainty: 0.2, room_lag: 3.75,
      substrate_lag: 1.25}}
    layer_ceiling: 28
"""

# The shed: every figure is a judgement, none is measured.
_MONTHS_C: Final = {10: 12.0, 11: 9.0, 12: 7.0, 1: 6.0, 2: 6.5, 3: 8.5, 4: 11.0, 5: 14.0, 6: 17.0}
_SWING_K: Final = {10: 2.5, 11: 2.0, 12: 1.5, 1: 1.5, 2: 2.0, 3: 2.5, 4: 3.0, 5: 3.5, 6: 3.5}
_WARMEST_HOUR: Final = 15.0
_FRONT_K: Final = 2.0
_FRONT_EVERY_H: Final = (36.0, 120.0)
_SNAP: Final = (datetime(2027, 1, 19, 12, tzinfo=UTC), 66.0, -3.5)
_SNAP_RAMP_H: Final = 12.0


def winter_shed(seed: int) -> RoomSeries:
    """Invent the shed's temperature by the hour from ``BEGINS`` to ``ENDS``; °C over hours.

    The mean of each month, a daily swing that is warmest at 15:00, passing fronts of up to 2 K, and
    a cold snap of -3.5 K for some days in January.

    Args:
        seed: of the fronts.
    """
    rng = random.Random(f"winter {seed}")  # noqa: S311 - weather for a rehearsal, not a secret
    length_h = DAYS * 24.0
    at_h, front_k = [0.0], [rng.uniform(-_FRONT_K, _FRONT_K)]
    while at_h[-1] < length_h:
        at_h.append(at_h[-1] + rng.uniform(*_FRONT_EVERY_H))
        front_k.append(rng.uniform(-_FRONT_K, _FRONT_K))
    front = RoomSeries(at_h, front_k)
    begins, lasts_h, deep_k = _SNAP
    snap_h = _hours(begins)
    hours = [float(hour) for hour in range(math.ceil(length_h) + 2)]
    mean, swing = _by_month(_MONTHS_C), _by_month(_SWING_K)
    room_c = []
    for hour in hours:
        day = math.cos(2.0 * math.pi * (hour - _WARMEST_HOUR) / 24.0)
        into = min((hour - snap_h) / _SNAP_RAMP_H, (snap_h + lasts_h - hour) / _SNAP_RAMP_H)
        snap_k = deep_k * max(0.0, min(1.0, into))
        room_c.append(mean(hour) + swing(hour) * day + front(hour) + snap_k)
    return RoomSeries(hours, room_c)


def _by_month(values: Mapping[int, float]) -> RoomSeries:
    """Straight lines between the middles of the months."""
    found = sorted(
        (_hours(datetime(2026 if month >= 10 else 2027, month, 15, tzinfo=UTC)), value)
        for month, value in values.items()
    )
    return RoomSeries([hour for hour, _ in found], [value for _, value in found])


def _hours(when: datetime) -> float:
    return (when - BEGINS) / timedelta(hours=1)


# -- what happens


@dataclass(frozen=True, slots=True)
class Say:
    """A command: the request that it sends to the service."""

    at: datetime
    request: Mapping[str, Any]


@dataclass(frozen=True, slots=True)
class Put:
    """Done to a box by hand: "fill" it, "clear" it, lay the lid "on" or "off", put "bags" in.

    ``size`` is of the bags, kg.
    """

    at: datetime
    box: str
    what: str
    size: float = 0.0


@dataclass(frozen=True, slots=True)
class Use:
    """A line of the config changed: a box is in use from now on, or not."""

    at: datetime
    box: str
    in_use: bool


@dataclass(frozen=True, slots=True)
class Cut:
    """The mains go, for so many hours."""

    at: datetime
    hours: float


Act: TypeAlias = Say | Put | Use | Cut

LAST: Final = "last"
"""Stands in a request for the number of the entry that was made last."""

BATCHES: Final = ("MUL-1", "GRP-1", "BLC-1", "MUL-2")
CUT_AT: Final = datetime(2027, 1, 27, 2, 10, tzinfo=UTC)
CUT_HOURS: Final = 5.0 + 35.0 / 60.0
DRY_RUN_AT: Final = datetime(2027, 1, 7, 8, tzinfo=UTC)


def story() -> tuple[Act, ...]:
    """All that happens, in order of time."""
    acts = [*_boxes(), *_mul_1(), *_grp_1(), *_blc_1(), *_mul_2(), *_house(), *_end()]
    return tuple(sorted(acts, key=lambda act: act.at))


def _at(month: int, day: int, hour: int = 10, minute: int = 0) -> datetime:
    return datetime(2026 if month >= 10 else 2027, month, day, hour, minute, tzinfo=UTC)


def _season(
    when: datetime,
    what: str,
    batch: str | None = None,
    chamber: str | None = None,
    *,
    note: str = "",
    **data: Any,
) -> Say:
    request: dict[str, Any] = {"do": "season", "what": what, "data": data}
    if batch is not None:
        request["batch"] = batch
    if chamber is not None:
        request["chamber"] = chamber
    if note:
        request["note"] = note
    return Say(when, request)


def _done(when: datetime, reminder: str, target: str | None = None) -> Say:
    """Something done that there is a reminder for; the target is a box or a batch."""
    request: dict[str, Any] = {"do": "season", "what": "done", "data": {"reminder": reminder}}
    if target is not None:
        request["target"] = target
    return Say(when, request)


def _open(when: datetime, box: str, doing: str, minutes: float = 20.0) -> Iterator[Act]:
    """A box opened for some minutes, and announced before."""
    yield Say(when, {"do": "tend", "chamber": box, "doing": doing, "for_s": 1800.0})
    yield Put(when + timedelta(minutes=2), box, "off")
    yield Put(when + timedelta(minutes=2 + minutes), box, "on")


def _visit(
    when: datetime, batch: str, box: str | None, note: str = "", **seen: int
) -> Iterator[Act]:
    """Look at ten of a batch; in a box the layer is topped up and the bags are misted, too."""
    if box is not None:
        yield from _open(when, box, "look")
        yield _done(when + timedelta(minutes=18), "layer", box)
        yield _done(when + timedelta(minutes=20), "mist", box)
    look: dict[str, Any] = {"sampled": 10, **seen}
    yield _season(when + timedelta(minutes=25), "look", batch, note=note, **look)


def _add(
    when: datetime, batch: str, box: str, kg: float, species: str, count: int, **data: Any
) -> Iterator[Act]:
    """A batch is made and put into a box."""
    yield from _open(when, box, "fill", 25.0)
    yield Put(when + timedelta(minutes=10), box, "bags", kg)
    yield _season(
        when + timedelta(minutes=30), "add", batch, box, species=species, count=count, **data
    )


def _boxes() -> Iterator[Act]:
    """When the boxes are set up and put away."""
    yield Put(DRY_RUN_AT, NORTH, "fill")
    yield Use(DRY_RUN_AT, NORTH, in_use=True)
    yield Put(_at(1, 31, 14), SOUTH, "fill")
    yield Use(_at(1, 31, 14), SOUTH, in_use=True)
    yield Put(_at(3, 15, 12), NORTH, "clear")
    yield Use(_at(3, 15, 12), NORTH, in_use=False)
    yield _done(_at(3, 15, 15), "clean", NORTH)
    yield Put(_at(3, 15, 16), NORTH, "fill")
    yield Use(_at(3, 15, 16), NORTH, in_use=True)
    yield Use(_at(4, 12, 12), SOUTH, in_use=False)
    yield Put(_at(4, 12, 12), SOUTH, "clear")
    yield _done(_at(4, 12, 15), "clean", SOUTH)
    yield Use(_at(5, 3, 12), NORTH, in_use=False)
    yield Put(_at(5, 3, 12), NORTH, "clear")
    yield _done(_at(5, 3, 15), "clean", NORTH)


def _mul_1() -> Iterator[Act]:
    yield from _add(_at(1, 10), "MUL-1", NORTH, 8.0, "mulberry", 40, kind="cuttings")
    yield from _visit(_at(1, 17), "MUL-1", NORTH, callused=0, buds=0, mould=0)
    yield from _visit(_at(1, 24), "MUL-1", NORTH, callused=3, buds=0, mould=0)
    yield _done(_at(1, 24, 11), "light", "MUL-1")
    yield from _visit(_at(1, 31), "MUL-1", NORTH, callused=8, rooted=2, buds=1, mould=0)
    yield _season(_at(1, 31, 11), "stage", "MUL-1", stage="rooting")
    yield from _open(_at(2, 1), NORTH, "move")
    yield from _open(_at(2, 1, 10, 20), SOUTH, "move")
    yield Put(_at(2, 1, 10, 30), SOUTH, "bags", 8.0)
    yield _season(_at(2, 1, 10, 45), "move", "MUL-1", SOUTH)
    # A slip of the finger, put right at once.
    yield from _visit(_at(2, 7), "MUL-1", SOUTH, callused=9, rooted=9, buds=3, mould=0)
    yield Say(_at(2, 7, 10, 28), {"do": "season", "corrects": LAST, "data": {"rooted": 4}})
    yield from _visit(_at(2, 14), "MUL-1", SOUTH, callused=9, rooted=7, buds=5, mould=0)
    yield _season(_at(2, 14, 11), "stage", "MUL-1", stage="hardening-off")
    yield from _open(_at(2, 16, 14), SOUTH, "move")
    yield _season(_at(2, 16, 14, 20), "move", "MUL-1", UNHEATED)
    yield from _visit(_at(3, 21), "MUL-1", None, callused=10, rooted=9, buds=10, mould=0)
    yield _season(_at(3, 28), "close", "MUL-1", callused=34, rooted=31)
    yield _season(_at(5, 20), "count", "MUL-1", potted=30, alive=28)


def _grp_1() -> Iterator[Act]:
    yield from _add(
        _at(2, 1, 8),
        "GRP-1",
        NORTH,
        10.0,
        "grapevine",
        60,
        kind="grafts",
        zone="union",
        height_mm=90.0,
    )
    yield from _visit(_at(2, 8), "GRP-1", NORTH, callused=1, buds=0, mould=0)
    yield from _visit(_at(2, 15), "GRP-1", NORTH, callused=4, buds=0, mould=0)
    yield _done(_at(2, 15, 11), "light", "GRP-1")
    yield from _visit(_at(2, 22), "GRP-1", NORTH, callused=6, buds=2, mould=0)
    # A fortnight away: if nobody looks in time, the heat goes down by itself.
    yield _season(_at(2, 24), "change", "GRP-1", at_latest="lower-to 18")
    yield Say(_at(2, 25, 8), {"do": "away", "until_ms": to_ms(_at(3, 14, 8))})
    yield from _visit(_at(3, 14), "GRP-1", NORTH, callused=9, rooted=3, buds=6, mould=0)
    yield _season(_at(3, 14, 11), "stage", "GRP-1", stage="rooting")
    yield from _open(_at(3, 15), SOUTH, "move")
    yield Put(_at(3, 15, 10, 10), SOUTH, "bags", 6.0)
    yield _season(_at(3, 15, 10, 20), "move", "GRP-1", SOUTH)
    yield from _visit(_at(3, 22), "GRP-1", SOUTH, callused=9, rooted=6, buds=8, mould=0)
    yield _season(_at(3, 22, 11), "stage", "GRP-1", stage="hardening-off")
    yield _season(_at(4, 1), "move", "GRP-1", UNHEATED)
    yield _season(_at(4, 18), "close", "GRP-1", callused=52, rooted=44)
    yield _season(_at(5, 20, 10, 5), "count", "GRP-1", potted=41, alive=39)


def _blc_1() -> Iterator[Act]:
    yield from _add(_at(2, 8, 14), "BLC-1", SOUTH, 5.0, "blackcurrant", 50, kind="cuttings")
    # Mould: out with them and their neighbours, and a look every day for a week.
    yield from _visit(
        _at(2, 12),
        "BLC-1",
        SOUTH,
        "grey down on two, out with their neighbours",
        callused=0,
        buds=1,
        mould=2,
    )
    yield _done(_at(2, 12, 11), "tools")
    for day, mould in ((13, 1), (14, 0), (15, 0), (16, 0), (17, 0), (18, 0), (19, 0)):
        hour = 15 if day == 14 else 9
        yield from _visit(_at(2, day, hour), "BLC-1", SOUTH, callused=1, buds=2, mould=mould)
        if day <= 16:
            yield _done(_at(2, day, hour, 40), "mould", "MUL-1")
    yield _done(_at(2, 22, 11), "light", "BLC-1")
    yield from _visit(_at(2, 23, 14), "BLC-1", SOUTH, callused=3, rooted=0, buds=4, mould=0)
    yield from _visit(_at(3, 14, 14), "BLC-1", SOUTH, callused=7, rooted=3, buds=9, mould=0)
    yield from _visit(_at(3, 21, 14), "BLC-1", SOUTH, callused=9, rooted=6, buds=10, mould=0)
    yield _season(_at(3, 21, 15), "stage", "BLC-1", stage="rooting")
    yield from _visit(_at(4, 4), "BLC-1", SOUTH, callused=10, rooted=9, buds=10, mould=0)
    yield _season(_at(4, 4, 11), "stage", "BLC-1", stage="hardening-off")
    yield _season(_at(4, 12), "move", "BLC-1", UNHEATED)
    yield _season(_at(4, 25), "close", "BLC-1", callused=46, rooted=45)
    yield _season(_at(5, 20, 10, 10), "count", "BLC-1", potted=44, alive=44)


def _mul_2() -> Iterator[Act]:
    yield from _add(_at(3, 16), "MUL-2", NORTH, 6.0, "mulberry", 30, kind="cuttings")
    yield from _visit(_at(3, 23), "MUL-2", NORTH, callused=1, buds=0, mould=0)
    yield from _visit(_at(3, 30), "MUL-2", NORTH, callused=4, buds=1, mould=0)
    yield _done(_at(3, 30, 11), "light", "MUL-2")
    yield from _visit(_at(4, 6), "MUL-2", NORTH, callused=7, rooted=1, buds=3, mould=0)
    yield from _visit(_at(4, 11), "MUL-2", NORTH, callused=9, rooted=2, buds=5, mould=0)
    # It stays where it is: the box goes down with it, step by step.
    yield _season(_at(4, 11, 11), "stage", "MUL-2", stage="rooting")
    yield from _visit(_at(4, 18), "MUL-2", NORTH, callused=9, rooted=5, buds=8, mould=0)
    yield from _visit(_at(4, 25), "MUL-2", NORTH, callused=9, rooted=7, buds=9, mould=0)
    yield _season(_at(4, 25, 11), "stage", "MUL-2", stage="hardening-off")
    yield _season(_at(5, 3), "move", "MUL-2", UNHEATED)
    yield _season(_at(5, 16), "close", "MUL-2", callused=25, rooted=23)
    yield _season(_at(5, 20, 10, 15), "count", "MUL-2", potted=22, alive=22)


def _house() -> Iterator[Act]:
    # The daemon has its rows written every ten minutes; a rehearsal has to ask for it.
    yield Say(CUT_AT - timedelta(minutes=5), {"do": "write-soon"})
    yield Cut(CUT_AT, CUT_HOURS)


def _end() -> Iterator[Act]:
    yield _season(_at(5, 31, 12), "season", name=SEASON)


def to_ms(when: datetime) -> int:
    """UTC ms since 1970."""
    return round(when.timestamp() * 1000)
