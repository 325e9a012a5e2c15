"""What a box or a batch went through: time in band, beyond limits and unknown.  Pure; needs numpy.

A batch is followed from box to box and from stage to stage.  Where it stood unheated, or at a
height that the box's estimate is not about, nothing is known of it.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
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
class Part:
    """What one piece came to; times in h, see ``ThermalRecord``.

    ``unknown_head_h`` and ``unknown_tail_h`` are the unknown stretches at its begin and end.
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
    longest_unknown_h: float = 0.0
    unknown_head_h: float = 0.0
    unknown_tail_h: float = 0.0
    excursions: tuple[Excursion, ...] = ()
    limits: tuple[Beyond, ...] = ()
    energy_kwh: float = 0.0
    heat_h: float = 0.0
    closings: int = 0


@dataclass(frozen=True, slots=True)
class ThermalRecord:
    """What a box or a batch went through, over all pieces.

    The estimate is of the callus zone.  Known, unknown and unmeasured time come to the whole; in
    band, above and below to the known time.

    Attributes:
        from_ms: begin, UTC ms.
        to_ms: end, UTC ms.
        known_h: time with an estimate, h.
        unknown_h: time in a heated box without one: power cut, service stopped, probe lost, h.
        unmeasured_h: time that no probe was there for: unheated, or at another height, h.
        in_band: time in band, h.
        above: time above the band and by how much.
        below: time below it.
        above_span: time above the band with its bounds, h.
        below_span: time below it with its bounds, h.
        coldest: the coldest moment, or None.
        hottest: the hottest, or None.
        mean_c: mean over the known time, °C, or None.
        longest_unknown_h: longest stretch that is unknown in a heated box, h.
        worst: the excursion furthest out of band, or None.
        longest: the one with most time out of band, or None.
        excursions: how many there were.
        limits: beyond each limit of each stage; those of 0 h too.
        energy_kwh: heat commanded on by the mat's power, of all the boxes while it stood in them,
            kWh.
        heat_h: time with heat commanded on, h.
        closings: of the boxes' contacts.
        reasons: why time was unmeasured, and how long for each, h.
        parts: of each piece, oldest first.
    """

    from_ms: int
    to_ms: int
    known_h: float
    unknown_h: float
    unmeasured_h: float
    in_band: Span
    above: Exposure
    below: Exposure
    above_span: Span
    below_span: Span
    coldest: Extreme | None
    hottest: Extreme | None
    mean_c: float | None
    longest_unknown_h: float
    worst: Excursion | None
    longest: Excursion | None
    excursions: int
    limits: tuple[Beyond, ...]
    energy_kwh: float
    heat_h: float
    closings: int
    reasons: tuple[tuple[str, float], ...]
    parts: tuple[Part, ...]

    @property
    def in_band_frac(self) -> float | None:
        """Share of the known time in band; None where nothing is known."""
        return self.in_band.hours / self.known_h if self.known_h > 0 else None

    def limit(self, name: str, stage: Stage | None = None) -> Beyond | None:
        """Beyond the limit of this name, of this stage or the first that has it; None: no limit."""
        return next(
            (each for each in self.limits if each.name == name and stage in (None, each.stage)),
            None,
        )


def record(
    pieces: Sequence[Piece],
    signals: Mapping[str, Signals],
    watts: Mapping[str, float],
    *,
    max_gap_s: float = MAX_GAP_S,
) -> ThermalRecord:
    """What these pieces come to.

    Args:
        pieces: oldest first, not overlapping; at least one.
        signals: the rows of each box, from its first piece to its last.
        watts: power of each box's mat, W; none: its energy is left out.
        max_gap_s: between rows further apart nothing is known, s.

    Raises:
        ValueError: no piece.
    """
    if not pieces:
        raise ValueError("a record needs a stretch of time")
    return together(
        [
            part(piece, signals.get(piece.place), watts.get(piece.place, 0.0), max_gap_s)
            for piece in pieces
        ]
    )


def part(piece: Piece, rows: Signals | None, watts: float, max_gap_s: float = MAX_GAP_S) -> Part:
    """What one piece came to.

    Args:
        piece: it.
        rows: of its box, or None where the log has none.
        watts: power of the mat, W.
        max_gap_s: between rows further apart nothing is known, s.
    """
    nothing = Part(
        piece,
        0.0,
        piece.hours,
        longest_unknown_h=piece.hours,
        unknown_head_h=piece.hours,
        unknown_tail_h=piece.hours,
    )
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
        max_gap_s=max_gap_s,
    )
    low, high = _edges_of(piece, line, rows)
    lowest, highest = within_bounds_h(line, low, high)
    above, below = beyond(line, high, Side.ABOVE), beyond(line, low, Side.BELOW)
    unknown_h = _unknown_h(line)
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
        longest_unknown_h=float(np.max(unknown_h)),
        unknown_head_h=float(unknown_h[0]),
        unknown_tail_h=float(unknown_h[-1]),
        excursions=_excursions(piece, line, low, high),
        limits=_limits(piece, line, rows, max_gap_s),
        energy_kwh=heat_h * watts / 1000,
        heat_h=heat_h,
        closings=closings,
    )


def together(parts: Sequence[Part]) -> ThermalRecord:
    """Add parts up, oldest first, at least one."""
    apart = [each for each in parts if each.piece.unmeasured is not None]
    here = [each for each in parts if each.piece.unmeasured is None]
    known_h = sum(each.known_h for each in here)
    weighed = sum(each.known_h * each.mean_c for each in here if each.mean_c is not None)
    excursions = [excursion for each in here for excursion in each.excursions]
    reasons: dict[str, float] = {}
    for each in apart:
        why = each.piece.unmeasured or ""
        reasons[why] = reasons.get(why, 0.0) + each.piece.hours
    return ThermalRecord(
        from_ms=parts[0].piece.from_ms,
        to_ms=parts[-1].piece.to_ms,
        known_h=known_h,
        unknown_h=sum(each.unknown_h for each in here),
        unmeasured_h=sum(each.piece.hours for each in apart),
        in_band=sum((each.in_band for each in here), Span()),
        above=_added([each.above for each in here]),
        below=_added([each.below for each in here]),
        above_span=sum((each.above_span for each in here), Span()),
        below_span=sum((each.below_span for each in here), Span()),
        coldest=min(
            (each.coldest for each in here if each.coldest is not None),
            key=lambda extreme: extreme.celsius,
            default=None,
        ),
        hottest=max(
            (each.hottest for each in here if each.hottest is not None),
            key=lambda extreme: extreme.celsius,
            default=None,
        ),
        mean_c=weighed / known_h if known_h > 0 else None,
        longest_unknown_h=max((each.longest_unknown_h for each in here), default=0.0),
        worst=max(excursions, key=lambda each: each.episode.worst_k, default=None),
        longest=max(excursions, key=lambda each: each.episode.hours, default=None),
        excursions=len(excursions),
        limits=_limits_together(here),
        energy_kwh=sum(each.energy_kwh for each in parts),
        heat_h=sum(each.heat_h for each in parts),
        closings=sum(each.closings for each in parts),
        reasons=tuple(reasons.items()),
        parts=tuple(parts),
    )


def _added(each: Sequence[Exposure]) -> Exposure:
    return Exposure(
        hours=sum(one.hours for one in each),
        degree_hours=sum(one.degree_hours for one in each),
        longest_h=max((one.longest_h for one in each), default=0.0),
        first_ms=min((one.first_ms for one in each if one.first_ms is not None), default=None),
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
            rows.wall_ms, rows.substrate_c, piece.from_ms, piece.to_ms, max_gap_s=max_gap_s
        )
        found.append(_beyond("ceiling_c", stage, layer, wants.ceiling_c, Side.ABOVE))
    return tuple(found)


def _beyond(name: str, stage: Stage, line: Trace, limit_c: float, side: Side) -> Beyond:
    out = beyond(line, limit_c, side)
    span = Span(out.hours, *bounds_h(line, limit_c, side))
    return Beyond(name, stage, side, limit_c, span, out)


def _limits_together(parts: Sequence[Part]) -> tuple[Beyond, ...]:
    found: dict[tuple[str, Stage, float], Beyond] = {}
    for new in (each for one in parts for each in one.limits):
        key = (new.name, new.stage, new.limit_c)
        old = found.get(key)
        if old is not None:
            new = replace(new, span=old.span + new.span, out=_added([old.out, new.out]))
        found[key] = new
    return tuple(found.values())


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


def _unknown_h(line: Trace) -> Array:
    """What is unknown before each segment and after the last, h."""
    begins = np.concatenate((line.begin_ms, [line.to_ms]))
    ends = np.concatenate(([line.from_ms], line.end_ms))
    unknown_h: Array = np.maximum(begins - ends, 0) / HOUR_MS
    return unknown_h
