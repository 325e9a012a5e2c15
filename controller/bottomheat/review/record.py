"""What a box or a batch went through: time in band, beyond limits and unknown.  Pure.

A batch is followed from box to box and from stage to stage.  Where it stood unheated, or at a
height that the box's estimate is not about, nothing is known of it.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

from bottomheat.review.exposure import MAX_GAP_S, Exposure, Extreme
from bottomheat.review.parts import Beyond, Excursion, Part, Signals, Span, Unknown, part
from bottomheat.review.pieces import Piece
from bottomheat.season.ledger import Stage


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
        unknown: the stretches that are unknown in a heated box, oldest first.
        worst: the excursion furthest out of band, or None.
        longest: the one with most time out of band, or None.
        excursions: how many there were.
        limits: beyond each limit of each stage; those of 0 h too.
        energy_kwh: heat commanded on by the mat's power, of all the boxes while it stood in them,
            kWh.
        heat_h: time with heat commanded on, h.
        closings: of the boxes' contacts.
        thinned_h: known time of which the log has thinned rows alone, h; times in band and beyond
            its edges are those of the samples, others lie between the bounds of their ``Span``.
        grain_h: the longest of those rows, h: to it moments are known.
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
    unknown: tuple[Unknown, ...]
    worst: Excursion | None
    longest: Excursion | None
    excursions: int
    limits: tuple[Beyond, ...]
    energy_kwh: float
    heat_h: float
    closings: int
    reasons: tuple[tuple[str, float], ...]
    parts: tuple[Part, ...]
    thinned_h: float = 0.0
    grain_h: float = 0.0

    @property
    def in_band_frac(self) -> float | None:
        """Share of the known time in band; None where nothing is known."""
        return self.in_band.hours / self.known_h if self.known_h > 0 else None

    @property
    def longest_unknown_h(self) -> float:
        """Longest stretch that is unknown in a heated box, h."""
        return max((each.hours for each in self.unknown), default=0.0)

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
        unknown=tuple(each for one in here for each in one.unknown),
        worst=max(excursions, key=lambda each: each.episode.worst_k, default=None),
        longest=max(excursions, key=lambda each: each.episode.hours, default=None),
        excursions=len(excursions),
        limits=_limits_together(here),
        energy_kwh=sum(each.energy_kwh for each in parts),
        heat_h=sum(each.heat_h for each in parts),
        closings=sum(each.closings for each in parts),
        reasons=tuple(reasons.items()),
        parts=tuple(parts),
        thinned_h=sum(each.thinned_h for each in here),
        grain_h=max((each.grain_h for each in here), default=0.0),
    )


def _added(each: Sequence[Exposure]) -> Exposure:
    return Exposure(
        hours=sum(one.hours for one in each),
        degree_hours=sum(one.degree_hours for one in each),
        longest_h=max((one.longest_h for one in each), default=0.0),
        first_ms=min((one.first_ms for one in each if one.first_ms is not None), default=None),
    )


def _limits_together(parts: Sequence[Part]) -> tuple[Beyond, ...]:
    found: dict[tuple[str, Stage, float], Beyond] = {}
    for new in (each for one in parts for each in one.limits):
        key = (new.name, new.stage, new.limit_c)
        old = found.get(key)
        if old is not None:
            new = replace(new, span=old.span + new.span, out=_added([old.out, new.out]))
        found[key] = new
    return tuple(found.values())
