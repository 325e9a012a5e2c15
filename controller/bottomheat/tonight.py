"""Whether the box will hold its setpoint tonight: said before it is cold.  Pure.

The room of the coming hours is taken to go as it went a day ago, shifted by how much colder or
warmer it has become since and goes on becoming, which is what a shed that follows the weather
mostly does; no forecast is fetched.  The box is run along that room by its response, with as much
heat as its mat, its ceiling and its mat limit allow, so that a short cold spell that stored heat
bridges is not called a shortfall.  Only a box of which somebody measured or learned how far a watt
lifts it is foretold.

Raised where the callus zone would end ``RAISE_K`` low, or somewhat more where that is far ahead,
and cleared where it would no longer be ``CLEAR_K`` low at ``CALM`` looks running, or once the night
is over; looked at once an hour.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from bottomheat.config import LIMIT_MARGIN_K, ChamberConfig
from bottomheat.estimate import lags_s
from bottomheat.heating import layer_cap
from bottomheat.hourly import HOUR_S, Hour
from bottomheat.lift import Lift, Limit, mat_most_w
from bottomheat.operating_point import callus_given_c, needed_layer_c
from bottomheat.protect import thresholds as th
from bottomheat.response import Response, Twin, advance, rested

DAY_H = 24
AHEAD_H = 18
"""How far ahead is looked: from the afternoon to the next morning."""

KEPT_H = 32
"""Hours of the room that are kept: a day, and what a trend is seen by."""

TREND_H = 3
"""What the last so many hours differ from the same a day before is the trend.  Its pace is the
median of their changes and its level that of what they come to now, so that a door that stood open
for an hour makes no cold night."""

TREND_STAYS_PER_H = 0.97
"""How much of the trend is still taken to hold an hour later: what one day differs from the last is
half gone in 23 h."""

PACE_STAYS_PER_H = 0.87
"""How much of its pace: a shed goes on cooling for hours after the weather has turned, by 6.7 times
what it has cooled in the last hour.  Both near the least error on sheds in recorded weather
(``tests/bench/tonight.py``)."""

GAPS_H = 8
"""So many missing hours in a day are bridged: a restart."""

RAISE_K = 0.8
FAR_K_PER_H = 0.05
NEAR_H = 8
CLEAR_K = 0.5
CALM = 3
"""A kelvin is what the shortfall alarm goes by (``SHORT_K``).  What is foretold comes out a little
warm, and is off by more the further ahead, where it takes so much more an hour beyond the eighth.
Half a kelvin clears it.  Judgement, tried by the same bench."""

HELD_K = 0.7
"""A box further below its setpoint than this is warming up or short already: nothing is foretold,
another alarm or the screen says what is."""


@dataclass(frozen=True, slots=True)
class Outlook:
    """What the coming hours make of a box.

    Attributes:
        lowest_c: lowest callus zone, mean of an hour, °C.
        in_h: in how many hours that is.
        coldest_c: coldest room in those hours, mean of an hour, °C.
        setpoint_c: of the callus zone, °C.
        binds: what keeps it from being warmer.
    """

    lowest_c: float
    in_h: int
    coldest_c: float
    setpoint_c: float
    binds: Limit

    @property
    def short_k(self) -> float:
        """How far below its setpoint it gets, K; below 0 not at all."""
        return self.setpoint_c - self.lowest_c


@dataclass(frozen=True, slots=True)
class Night:
    """What is remembered of one box.

    Attributes:
        twin: the box run along by its response; None before the first hour.
        felt_c: room as the callus zone feels it, with the offset's lag, °C.
        rooms: mean room of the last hours with their numbers, °C, oldest first.
        at: number of the last hour.
        stands: the warning stands.
        calm: looks running that would clear it.
        outlook: of the last look; None where nothing can be foretold.
    """

    twin: Twin | None = None
    felt_c: float | None = None
    rooms: tuple[tuple[int, float], ...] = ()
    at: int | None = None
    stands: bool = False
    calm: int = 0
    outlook: Outlook | None = None


def response_of(chamber: ChamberConfig, lift: Lift) -> Response:
    """The box's response: the identified one, or the detectors' shape with what is known of it."""
    if chamber.model is not None and chamber.heater.full_power_rise_k is None:
        return chamber.model.response
    return Response(
        gain_k_per_w=lift.k_per_w,
        slow_s=th.LAYER_SLOW_S,
        quick_s=th.LAYER_QUICK_S,
        quick_share=th.LAYER_QUICK_SHARE,
        dead_s=th.LAYER_DEAD_S,
        load_k=lift.load_k,
    )


def advance_hour(night: Night, hour: Hour, chamber: ChamberConfig, lift: Lift) -> Night:
    """Take an hour into account, and look ahead.

    Args:
        night: of the hour before.
        hour: the one that has ended.
        chamber: the box's config, with the setpoint and the ceiling in force.
        lift: how it answers to steady heat.
    """
    response = response_of(chamber, lift)
    twin = night.twin
    missed = None if night.at is None else hour.number - night.at
    if twin is None or missed is None or not 1 <= missed <= GAPS_H:
        twin, felt_c = rested(response, hour.layer_c, hour.room_c), hour.room_c
    else:
        felt_c = _felt_c(night.felt_c, hour.room_c, chamber, missed)
        twin = advance(twin, response, missed * HOUR_S, hour.watts, hour.room_c)
    first = hour.number - KEPT_H
    rooms = (
        *(each for each in night.rooms if first < each[0] < hour.number),
        (hour.number, hour.room_c),
    )
    outlook = None
    if lift.measured and hour.callus_c is not None and hour.calm:
        ahead = rooms_ahead(rooms, hour.number)
        if ahead is not None:
            outlook = _look(twin, response, felt_c, hour, ahead, chamber, lift)
    stands, calm = _standing(night, hour, outlook)
    return Night(twin, felt_c, rooms, hour.number, stands, calm, outlook)


def _standing(night: Night, hour: Hour, outlook: Outlook | None) -> tuple[bool, int]:
    if outlook is None or hour.callus_c is None:
        return False, 0
    if not night.stands:
        held = hour.callus_c >= hour.setpoint_c - HELD_K
        far_k = FAR_K_PER_H * max(0, outlook.in_h - NEAR_H)
        return held and outlook.short_k >= RAISE_K + far_k, 0
    calm = night.calm + 1 if outlook.short_k < CLEAR_K else 0
    return calm < CALM, calm


def rooms_ahead(rooms: Sequence[tuple[int, float]], now: int) -> list[float] | None:
    """The room of the coming hours, °C: as a day ago, shifted by the trend since, which goes on.

    Args:
        rooms: (hour's number, mean room in °C), oldest first, up to now.
        now: number of the hour that has ended.

    Returns:
        None where too much of the last day is missing.
    """
    known = dict(rooms)
    trend = _trend(known, now)
    if trend is None:
        return None
    trend_k, pace_k = trend  # the pace is of one hour
    ahead: list[float] = []
    missing = 0
    goes_on = 0.0
    for k in range(1, AHEAD_H + 1):
        goes_on += PACE_STAYS_PER_H**k
        before_c = known.get(now + k - DAY_H)
        if before_c is None:
            missing += 1
            if missing > GAPS_H:
                return None
            ahead.append(ahead[-1] if ahead else known[now])
            continue
        ahead.append(before_c + (trend_k + pace_k * goes_on) * TREND_STAYS_PER_H**k)
    return ahead


def _trend(known: Mapping[int, float], now: int) -> tuple[float, float] | None:
    """By how much it is now colder or warmer than a day before, K, and becomes so in an hour, K.

    None where that is not known; where only a single hour is, it is taken to stand still.
    """
    off = {
        n: known[n] - known[n - DAY_H]
        for n in range(now, now - TREND_H - 1, -1)
        if n in known and n - DAY_H in known
    }
    if not off:
        return None
    changes = [off[n] - off[n - 1] for n in off if n - 1 in off]
    pace_k = _middle(changes) if len(changes) > 1 else 0.0
    lately = [value + (now - n) * pace_k for n, value in off.items() if n > now - TREND_H]
    return (_middle(lately) if lately else next(iter(off.values()))), pace_k


def _middle(values: Sequence[float]) -> float:
    """The median; the statistics module would cost the daemon a megabyte."""
    ordered, half = sorted(values), len(values) // 2
    return ordered[half] if len(values) % 2 else 0.5 * (ordered[half - 1] + ordered[half])


def _felt_c(felt_c: float | None, room_c: float, chamber: ChamberConfig, hours: int) -> float:
    """The room as the callus zone feels it so many hours later, °C: through the offset's lags."""
    room_s, layer_s = lags_s(chamber.offset)
    lag_s = room_s - layer_s
    if felt_c is None or lag_s <= 0.0:
        return room_c
    return felt_c + (room_c - felt_c) * -math.expm1(-hours * HOUR_S / lag_s)


def _look(
    twin: Twin,
    response: Response,
    felt_c: float,
    hour: Hour,
    ahead: Sequence[float],
    chamber: ChamberConfig,
    lift: Lift,
) -> Outlook:
    """Run the box along the hours ahead with the heat it may have."""
    offset = chamber.offset
    bias_k = hour.layer_c - twin.place_c(response)
    rated, cap_c = chamber.heater.watts, layer_cap(chamber)
    layer_c = hour.layer_c
    lowest_c, in_h, binds = math.inf, 0, Limit.POWER
    for k, room_c in enumerate(ahead, 1):
        felt_c = _felt_c(felt_c, room_c, chamber, 1)
        wanted_c = needed_layer_c(chamber.callus_zone_c, offset, felt_c, lift.k_per_w)
        aim_c = min(wanted_c, cap_c)
        most_w = min(rated, mat_most_w(chamber, lift, layer_c))
        idle = advance(twin, response, HOUR_S, 0.0, room_c)
        full = advance(twin, response, HOUR_S, most_w, room_c)
        cold_c, warm_c = idle.place_c(response) + bias_k, full.place_c(response) + bias_k
        share = (aim_c - cold_c) / (warm_c - cold_c) if warm_c > cold_c else 1.0
        twin = advance(twin, response, HOUR_S, most_w * min(1.0, max(0.0, share)), room_c)
        layer_c = twin.place_c(response) + bias_k
        short = wanted_c > layer_c
        callus_c = (
            callus_given_c(layer_c, offset, felt_c, lift.k_per_w)
            if short
            else chamber.callus_zone_c
        )
        if callus_c < lowest_c:
            lowest_c, in_h = callus_c, k
            binds = _binding(chamber, held=share < 1.0, hot=most_w < rated)
    return Outlook(lowest_c, in_h, min(ahead), chamber.callus_zone_c, binds)


def _binding(chamber: ChamberConfig, *, held: bool, hot: bool) -> Limit:
    """What keeps a box from being warmer: ``held`` at its layer's cap, or its mat too ``hot``."""
    if held:
        limit_c = chamber.limits.substrate_c - LIMIT_MARGIN_K
        return Limit.LAYER_LIMIT if limit_c < chamber.layer_ceiling_c else Limit.CEILING
    return Limit.MAT_LIMIT if hot else Limit.POWER


def words(outlook: Outlook) -> str:
    """What the warning adds to its sentence."""
    what = {
        Limit.POWER: "heat all the time is not enough",
        Limit.CEILING: "the wet layer will be at its ceiling",
        Limit.LAYER_LIMIT: "the wet layer will be near its limit",
        Limit.MAT_LIMIT: "the mat will be near its limit",
    }[outlook.binds]
    return (
        f"about {outlook.lowest_c:.1f} instead of {outlook.setpoint_c:g} °C, {what} in a room of "
        f"about {outlook.coldest_c:.0f} °C"
    )


def to_plain(night: Night) -> dict[str, Any]:
    """What is worth keeping over a restart, as JSON data; the rest is known again in an hour."""
    twin = night.twin
    return {
        "at": night.at,
        "stands": night.stands,
        "felt_c": night.felt_c,
        "rooms": [[number, round(room_c, 2)] for number, room_c in night.rooms],
        "twin": None
        if twin is None
        else [twin.quick_w, twin.slow_w, twin.room_quick_c, twin.room_slow_c],
    }


def from_plain(data: Any, later_h: int | None) -> Night:
    """From what ``to_plain`` made.

    Args:
        data: JSON data.
        later_h: what to add to its hours so that they are those of this run; None where nobody
            knows how long ago it was: then nothing of it is of use.

    Raises:
        ValueError: it is none of ours.
    """
    match data:
        case {
            "at": (None | int()) as at,
            "stands": bool(stands),
            "felt_c": (None | float() | int()) as felt_c,
            "rooms": [*rows],
            "twin": (None | [_, _, _, _]) as lags,
        }:
            pass
        case _:
            raise ValueError("it is no night of a box")
    if later_h is None or at is None:
        return Night()
    rooms = []
    for row in rows:
        match row:
            case [int(number), float() | int() as room_c] if math.isfinite(room_c):
                rooms.append((number + later_h, float(room_c)))
            case _:
                raise ValueError("a room of its nights is damaged")
    twin = None
    if lags is not None:
        if not all(isinstance(n, float | int) and math.isfinite(n) for n in lags):
            raise ValueError("a lag of its nights is damaged")
        twin = Twin(float(lags[0]), float(lags[1]), float(lags[2]), float(lags[3]))
    if felt_c is not None and not math.isfinite(felt_c):
        raise ValueError("the room of its nights is damaged")
    return Night(twin, felt_c, tuple(rooms), at + later_h, stands)
