"""What a box was like, worked out of its rows in the log.  Pure; needs numpy."""

from __future__ import annotations

from dataclasses import replace
from typing import Protocol

import numpy as np
import numpy.typing as npt

from bottomheat.review import exposure
from bottomheat.season.night import Night, Tops
from bottomheat.season.tops import BACK_K
from bottomheat.telling import BAND_K

_HOUR_MS = 3_600_000.0
_SAME_SETPOINT_K = 1e-3
FULL_HOUR = 0.75
"""An hour of which less than this is known says nothing of how busy the heat was."""

Array = npt.NDArray[np.float64]


class Rows(Protocol):
    """The columns of one box that are needed, equally long, in the order of their times.

    ``wall_ms`` is UTC ms, temperatures are °C with NaN where there was no good reading, ``heat``
    is whether it was commanded on, ``closings`` how often the contact closed since the row before.
    """

    @property
    def wall_ms(self) -> npt.NDArray[np.int64]:
        """When, UTC ms."""
        ...

    @property
    def estimate_c(self) -> Array:
        """Callus zone."""
        ...

    @property
    def expanded_k(self) -> Array:
        """Its expanded uncertainty (k = 2), K."""
        ...

    @property
    def setpoint_c(self) -> Array:
        """What the callus zone should be."""
        ...

    @property
    def substrate_c(self) -> Array:
        """Wet layer."""
        ...

    @property
    def room_c(self) -> Array:
        """Room."""
        ...

    @property
    def top_c(self) -> Array:
        """Air at the buds."""
        ...

    @property
    def heat(self) -> npt.NDArray[np.bool_]:
        """Whether heat was commanded on."""
        ...

    @property
    def closings(self) -> npt.NDArray[np.int64]:
        """Closings of the contact since the row before."""
        ...


def night(rows: Rows, from_ms: int, to_ms: int) -> Night:
    """What the box was like from ``from_ms`` to ``to_ms``, UTC ms.

    Rows from outside may be given: a few minutes of them let time at the edges be known.
    """
    bases = exposure.trace(rows.wall_ms, rows.estimate_c, from_ms, to_ms)
    off = exposure.trace(rows.wall_ms, rows.estimate_c - rows.setpoint_c, from_ms, to_ms)
    coldest, hottest = exposure.coldest(bases), exposure.hottest(bases)
    inside = (rows.wall_ms >= from_ms) & (rows.wall_ms <= to_ms)
    found = Night(
        from_ms,
        to_ms,
        known_h=off.known_h,
        unknown_h=max((to_ms - from_ms) / _HOUR_MS - off.known_h, 0.0),
        in_band_h=exposure.within_h(off, -BAND_K, BAND_K),
        below_h=exposure.below(off, -BAND_K).hours,
        above_h=exposure.above(off, BAND_K).hours,
        low_c=None if coldest is None else coldest.celsius,
        low_ms=None if coldest is None else coldest.at_ms,
        high_c=None if hottest is None else hottest.celsius,
        high_ms=None if hottest is None else hottest.at_ms,
    )
    if not inside.any():
        return found
    wall_ms, room_c = rows.wall_ms[inside], rows.room_c[inside]
    estimates = np.flatnonzero(np.isfinite(rows.estimate_c[inside]))
    doubts = rows.expanded_k[inside][estimates]
    setpoint_c, since_ms = _setpoint(wall_ms, rows.setpoint_c[inside])
    heat_frac, busiest_frac = _heat(rows, from_ms, to_ms)
    rises = (rows.substrate_c[inside] - room_c)[np.isfinite(rows.substrate_c[inside] - room_c)]
    rooms = room_c[np.isfinite(room_c)]
    return replace(
        found,
        expanded_k=float(np.max(doubts)) if doubts.size and np.isfinite(doubts).all() else None,
        estimate_c=float(rows.estimate_c[inside][estimates[-1]]) if estimates.size else None,
        newest_ms=int(wall_ms[-1]),
        setpoint_c=setpoint_c,
        setpoint_since_ms=since_ms,
        room_low_c=float(np.min(rooms)) if rooms.size else None,
        room_high_c=float(np.max(rooms)) if rooms.size else None,
        heat_frac=heat_frac,
        busiest_frac=busiest_frac,
        rise_k=float(np.mean(rises)) if rises.size else None,
        closings=int(np.sum(rows.closings[inside])),
    )


def tops(rows: Rows, limit_c: float, now_ms: int) -> Tops | None:
    """Since when the air at the buds has been warm without a break; None: it is cool or unknown.

    It is warm above ``limit_c``, and cool again ``BACK_K`` below it, as for the alarm.

    Args:
        rows: of the last days.
        limit_c: what is too warm for dormant wood, °C.
        now_ms: UTC ms; rows after it do not count.
    """
    good = np.isfinite(rows.top_c) & (rows.wall_ms <= now_ms)
    top_c, wall_ms = rows.top_c[good], rows.wall_ms[good]
    if not top_c.size:
        return None
    cool = np.flatnonzero(top_c <= limit_c - BACK_K)
    apart = np.flatnonzero(np.diff(wall_ms) > _HOUR_MS) + 1
    begin = max(cool[-1] + 1 if cool.size else 0, apart[-1] if apart.size else 0)
    warm = np.flatnonzero(top_c[begin:] > limit_c)
    if not warm.size or now_ms - wall_ms[-1] > _HOUR_MS:
        return None
    first = begin + int(warm[0])
    return Tops(limit_c, int(wall_ms[first]), int(wall_ms[-1]), float(np.max(top_c[first:])))


def _setpoint(wall_ms: npt.NDArray[np.int64], setpoint_c: Array) -> tuple[float | None, int | None]:
    """The newest setpoint and since when it has been that."""
    good = np.flatnonzero(np.isfinite(setpoint_c))
    if not good.size:
        return None, None
    newest_c = float(setpoint_c[good[-1]])
    other = good[np.abs(setpoint_c[good] - newest_c) > _SAME_SETPOINT_K]
    since = good[good > other[-1]][0] if other.size else good[0]
    return newest_c, int(wall_ms[since])


def _heat(rows: Rows, from_ms: int, to_ms: int) -> tuple[float | None, float | None]:
    """Share of the time with heat on: of all that is known, and of the busiest hour."""
    begin = np.clip(rows.wall_ms[:-1], from_ms, to_ms)
    end = np.clip(rows.wall_ms[1:], from_ms, to_ms)
    length = (end - begin) / _HOUR_MS
    length[np.diff(rows.wall_ms) > exposure.MAX_GAP_S * 1000.0] = 0.0
    whole_h = float(np.sum(length))
    if whole_h <= 0.0:
        return None, None
    on = rows.heat[:-1] * length
    hour = ((begin - from_ms) // int(_HOUR_MS)).astype(np.int64)
    known = np.bincount(hour, length)
    heated = np.bincount(hour, on)
    full = known >= FULL_HOUR
    busiest = float(np.max(heated[full] / known[full])) if full.any() else None
    return float(np.sum(on)) / whole_h, busiest
