"""What one piece of a record came to: in band, beyond limits, unknown.  Pure; needs numpy."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final, Protocol

import numpy as np
import numpy.typing as npt

from bottomheat.review.exposure import (
    HOUR_MS,
    MAX_GAP_S,
    Array,
    Episode,
    Exposure,
    Extreme,
    Limit,
    Side,
    Times,
    Trace,
    beyond,
    bounds_h,
    coldest,
    episodes,
    hottest,
    trace,
    within_bounds_h,
    within_h,
)
from bottomheat.review.pieces import Piece
from bottomheat.season.ledger import UNHEATED, Stage
from bottomheat.telling import BAND_K

FROST_C: Final = 0.0
"""Below this soft tissue may freeze, °C (judgement)."""
COLD_WET_C: Final = 15.0
"""Days below this in a wet medium raise the risk of rot, °C (judgement)."""
HOT_C: Final = 35.0
"""A day above this browns the callus of any species, °C (32 to 35, from memory)."""
DEADLY_C: Final = 38.0
"""Hours above this kill callus, °C (38 to 40: of apple, quoted second-hand; of others by
judgement)."""
NEVER: Final = Exposure(0.0, 0.0, 0.0, None)
_LIMITS: Final = (
    ("slow_below_c", Side.BELOW),
    ("stops_below_c", Side.BELOW),
    ("warm_limit_c", Side.ABOVE),
    ("injury_c", Side.ABOVE),
    ("kills_c", Side.ABOVE),
)
_OURS: Final = (
    ("frost_c", FROST_C, Side.BELOW),
    ("cold_wet_c", COLD_WET_C, Side.BELOW),
    ("hot_c", HOT_C, Side.ABOVE),
    ("deadly_c", DEADLY_C, Side.ABOVE),
)
"""Limits that hold for all species."""


class Signals(Protocol):
    """The columns of one box, equally long, by time; °C, NaN where there was no good reading.

    Rows from a little outside the window let time at its edges be known.
    """

    @property
    def wall_ms(self) -> Times:
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
    def heat(self) -> npt.NDArray[np.bool_]:
        """Whether heat was commanded on."""
        ...

    @property
    def closings(self) -> npt.NDArray[np.int64]:
        """Closings of the contact since the row before."""
        ...

    @property
    def under_k(self) -> Array:
        """How far below its estimate the course may have lain besides, K: 0 for samples."""
        ...

    @property
    def over_k(self) -> Array:
        """How far above it."""
        ...

    @property
    def layer_under_k(self) -> Array:
        """The same of the wet layer."""
        ...

    @property
    def layer_over_k(self) -> Array:
        """The same of the wet layer."""
        ...

    @property
    def grain_ms(self) -> Times:
        """Length of the thinned row that it begins in, ms; 0: it is a sample."""
        ...


@dataclass(frozen=True, slots=True)
class Span:
    """A length of time, and the least and most that the estimate's uncertainty allows, h."""

    hours: float = 0.0
    least_h: float = 0.0
    most_h: float = 0.0

    def __add__(self, other: Span) -> Span:
        """Both lengths of time, one after the other."""
        return Span(
            self.hours + other.hours, self.least_h + other.least_h, self.most_h + other.most_h
        )


@dataclass(frozen=True, slots=True)
class Beyond:
    """Time beyond one limit.

    Attributes:
        name: the field of ``Needs`` ("ceiling_c" is of the wet layer), or one that holds for all
            species: "frost_c", "cold_wet_c", "hot_c", "deadly_c".
        stage: that the limit belongs to.
        side: on which side of it.
        limit_c: the limit, °C.
        span: how long, h.
        out: the same by the estimate alone: area, longest stretch in one box, first time.
    """

    name: str
    stage: Stage
    side: Side
    limit_c: float
    span: Span
    out: Exposure

    @property
    def degree_hours(self) -> float:
        """By how much, K·h."""
        return self.out.degree_hours

    @property
    def longest_h(self) -> float:
        """Longest stretch in one box, h."""
        return self.out.longest_h

    @property
    def first_ms(self) -> int | None:
        """When it was first crossed, UTC ms; None: never."""
        return self.out.first_ms


@dataclass(frozen=True, slots=True)
class Excursion:
    """An episode out of band, and where."""

    place: str
    edge_c: float | None
    episode: Episode


@dataclass(frozen=True, slots=True)
class Unknown:
    """A stretch in a heated box without an estimate.

    Attributes:
        place: the box.
        from_ms: begin, UTC ms.
        to_ms: end, UTC ms.
        before_c: the last temperature before it, °C; None: none in this stretch of time.
        after_c: the first after it, °C.
        why: what was wrong with the wet-layer probe, in few words; None: it was not that.
    """

    place: str
    from_ms: int
    to_ms: int
    before_c: float | None
    after_c: float | None
    why: str | None = None

    @property
    def hours(self) -> float:
        """Its length, h."""
        return (self.to_ms - self.from_ms) / HOUR_MS


@dataclass(frozen=True, slots=True)
class Part:
    """What one piece came to; times in h, see ``record.ThermalRecord``.

    ``first_c`` and ``last_c`` are the first and last temperature that is known in it, ``thinned_h``
    how much of the known time is left in thinned rows alone, and ``grain_h`` the longest of them.
    """

    piece: Piece
    known_h: float
    unknown_h: float
    in_band: Span = Span()
    above: Exposure = NEVER
    below: Exposure = NEVER
    above_span: Span = Span()
    below_span: Span = Span()
    coldest: Extreme | None = None
    hottest: Extreme | None = None
    mean_c: float | None = None
    first_c: float | None = None
    last_c: float | None = None
    unknown: tuple[Unknown, ...] = ()
    excursions: tuple[Excursion, ...] = ()
    limits: tuple[Beyond, ...] = ()
    energy_kwh: float = 0.0
    heat_h: float = 0.0
    closings: int = 0
    thinned_h: float = 0.0
    grain_h: float = 0.0


def part(piece: Piece, rows: Signals | None, watts: float, max_gap_s: float = MAX_GAP_S) -> Part:
    """What one piece came to.

    Args:
        piece: it.
        rows: of its box, or None where the log has none.
        watts: power of the mat, W.
        max_gap_s: between rows further apart nothing is known, s.
    """
    whole = Unknown(piece.place, piece.from_ms, piece.to_ms, None, None)
    nothing = Part(piece, 0.0, piece.hours, unknown=(whole,))
    if rows is None or piece.place == UNHEATED:
        return nothing
    heat_h, closings = _heat(piece, rows, max_gap_s)
    if piece.unmeasured is not None:
        return replace(nothing, energy_kwh=heat_h * watts / 1000, heat_h=heat_h, closings=closings)
    line = trace(
        rows.wall_ms,
        rows.estimate_c,
        piece.from_ms,
        piece.to_ms,
        expanded_k=rows.expanded_k,
        beside_k=(rows.under_k, rows.over_k),
        max_gap_s=max_gap_s,
    )
    grain_ms = rows.grain_ms[line.row]
    low, high = _edges_of(piece, line, rows)
    lowest, highest = within_bounds_h(line, low, high)
    above, below = beyond(line, high, Side.ABOVE), beyond(line, low, Side.BELOW)
    return Part(
        piece=piece,
        known_h=line.known_h,
        unknown_h=line.unknown_h,
        in_band=Span(within_h(line, low, high), lowest, highest),
        above=above,
        below=below,
        above_span=Span(above.hours, *bounds_h(line, high, Side.ABOVE)),
        below_span=Span(below.hours, *bounds_h(line, low, Side.BELOW)),
        coldest=coldest(line),
        hottest=hottest(line),
        mean_c=line.mean_c(),
        first_c=float(line.start_c[0]) if line.row.size else None,
        last_c=float(line.end_c[-1]) if line.row.size else None,
        unknown=_unknown(piece, line),
        excursions=_excursions(piece, line, low, high),
        limits=_limits(piece, line, rows, max_gap_s),
        energy_kwh=heat_h * watts / 1000,
        heat_h=heat_h,
        closings=closings,
        thinned_h=float(np.sum(line.hours_of(np.flatnonzero(grain_ms)))),
        grain_h=float(np.max(grain_ms, initial=0)) / HOUR_MS,
    )


def _edges_of(piece: Piece, line: Trace, rows: Signals) -> tuple[Limit, Limit]:
    """The band of each segment, °C; a setpoint holds from its row to the next."""
    if piece.band_c is not None:
        return piece.band_c
    setpoint_c = rows.setpoint_c[line.row]
    return setpoint_c - BAND_K, setpoint_c + BAND_K


def _excursions(piece: Piece, line: Trace, low: Limit, high: Limit) -> tuple[Excursion, ...]:
    edges = (None, None) if piece.band_c is None else piece.band_c
    found = [
        Excursion(piece.place, edge_c, episode)
        for edge_c, limit, side in ((edges[0], low, Side.BELOW), (edges[1], high, Side.ABOVE))
        for episode in episodes(line, limit, side)
    ]
    return tuple(sorted(found, key=lambda each: each.episode.from_ms))


def _limits(piece: Piece, line: Trace, rows: Signals, max_gap_s: float) -> tuple[Beyond, ...]:
    wants, stage = piece.needs, piece.stage
    if wants is None or stage is None:
        return ()
    found = [
        _beyond(name, stage, line, limit_c, side)
        for name, side in _LIMITS
        if (limit_c := getattr(wants, name)) is not None
    ]
    found += [_beyond(name, stage, line, limit_c, side) for name, limit_c, side in _OURS]
    if wants.ceiling_c is not None:
        layer = trace(
            rows.wall_ms,
            rows.substrate_c,
            piece.from_ms,
            piece.to_ms,
            beside_k=(rows.layer_under_k, rows.layer_over_k),
            max_gap_s=max_gap_s,
        )
        found.append(_beyond("ceiling_c", stage, layer, wants.ceiling_c, Side.ABOVE))
    return tuple(found)


def _beyond(name: str, stage: Stage, line: Trace, limit_c: float, side: Side) -> Beyond:
    out = beyond(line, limit_c, side)
    span = Span(out.hours, *bounds_h(line, limit_c, side))
    return Beyond(name, stage, side, limit_c, span, out)


def _heat(piece: Piece, rows: Signals, max_gap_s: float) -> tuple[float, int]:
    """Time with heat commanded on, h, and closings; a row holds until the next one."""
    inside = (rows.wall_ms >= piece.from_ms) & (rows.wall_ms < piece.to_ms)
    closings = int(np.sum(rows.closings[inside]))
    length_ms = np.diff(rows.wall_ms)
    begin_ms = np.maximum(rows.wall_ms[:-1], piece.from_ms)
    end_ms = np.minimum(rows.wall_ms[1:], piece.to_ms)
    held_ms = np.maximum(end_ms - begin_ms, 0)
    held_ms = np.where((length_ms > 0) & (length_ms <= max_gap_s * 1000.0), held_ms, 0)
    return float(np.sum(held_ms * rows.heat[:-1])) / HOUR_MS, closings


def _unknown(piece: Piece, line: Trace) -> tuple[Unknown, ...]:
    begins = np.concatenate((line.begin_ms, [line.to_ms]))
    ends = np.concatenate(([line.from_ms], line.end_ms))
    last = line.row.size
    return tuple(
        Unknown(
            piece.place,
            int(ends[at]),
            int(begins[at]),
            None if at == 0 else float(line.end_c[at - 1]),
            None if at == last else float(line.start_c[at]),
        )
        for at in np.flatnonzero(begins > ends)
    )
