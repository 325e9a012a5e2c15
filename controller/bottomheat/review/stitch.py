"""Parts of one stretch of time, worked out one after the other, as if at once.  Pure.

A season in rows takes hundreds of MB as a whole; a week at a time it does not.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace
from functools import reduce
from typing import Final

from bottomheat.review.exposure import MERGE_S, Episode, Exposure, Side
from bottomheat.review.parts import Excursion, Part, Unknown
from bottomheat.review.pieces import Piece

BLOCK_MS: Final = 7 * 86_400_000
"""A week: a box of usual cycles has 60 000 rows in it."""
_SAME_H: Final = 1e-9


def blocks(piece: Piece, block_ms: int = BLOCK_MS) -> Iterator[Piece]:
    """The piece cut into stretches of at most ``block_ms``, oldest first."""
    for from_ms in range(piece.from_ms, piece.to_ms, block_ms):
        yield replace(piece, from_ms=from_ms, to_ms=min(from_ms + block_ms, piece.to_ms))


def stitched(parts: Sequence[Part]) -> Part:
    """What adjoining parts of one piece come to together, oldest first, at least one."""
    return reduce(_two, parts)


def _two(one: Part, other: Part) -> Part:
    known_h = one.known_h + other.known_h
    means = [each.mean_c * each.known_h for each in (one, other) if each.mean_c is not None]
    lows = [each.coldest for each in (one, other) if each.coldest is not None]
    highs = [each.hottest for each in (one, other) if each.hottest is not None]
    return Part(
        piece=replace(one.piece, to_ms=other.piece.to_ms),
        known_h=known_h,
        unknown_h=one.unknown_h + other.unknown_h,
        in_band=one.in_band + other.in_band,
        above=_joined(one.above, other.above, one, other),
        below=_joined(one.below, other.below, one, other),
        above_span=one.above_span + other.above_span,
        below_span=one.below_span + other.below_span,
        coldest=min(lows, key=lambda each: each.celsius, default=None),
        hottest=max(highs, key=lambda each: each.celsius, default=None),
        mean_c=sum(means) / known_h if known_h > 0 else None,
        first_c=other.first_c if one.first_c is None else one.first_c,
        last_c=one.last_c if other.last_c is None else other.last_c,
        unknown=_unknown(one, other),
        excursions=_excursions(one, other),
        limits=tuple(
            replace(
                first,
                span=first.span + then.span,
                out=_joined(first.out, then.out, one, other),
            )
            for first, then in zip(one.limits, other.limits, strict=True)
        ),
        energy_kwh=one.energy_kwh + other.energy_kwh,
        heat_h=one.heat_h + other.heat_h,
        closings=one.closings + other.closings,
        thinned_h=one.thinned_h + other.thinned_h,
        grain_h=max(one.grain_h, other.grain_h),
    )


def _joined(first: Exposure, then: Exposure, one: Part, other: Part) -> Exposure:
    """Both exposures; a stretch that reaches over the seam is one."""
    return Exposure(
        hours=first.hours + then.hours,
        degree_hours=first.degree_hours + then.degree_hours,
        longest_h=max(first.longest_h, then.longest_h, first.tail_h + then.head_h),
        first_ms=then.first_ms if first.first_ms is None else first.first_ms,
        head_h=_edge(first.head_h, then.head_h, one),
        tail_h=_edge(then.tail_h, first.tail_h, other),
    )


def _edge(near_h: float, far_h: float, near: Part) -> float:
    """A stretch at an edge: it goes on behind the seam where it fills the part before it."""
    return near_h + far_h if near_h >= near.piece.hours - _SAME_H else near_h


def _unknown(one: Part, other: Part) -> tuple[Unknown, ...]:
    first, then = one.unknown, other.unknown
    if _dark_before(one) and _dark_after(other):
        across = replace(first[-1], to_ms=then[0].to_ms, after_c=then[0].after_c)
        return (*first[:-1], across, *then[1:])
    if _dark_before(one):
        first = (*first[:-1], replace(first[-1], after_c=other.first_c))
    if _dark_after(other):
        then = (replace(then[0], before_c=one.last_c), *then[1:])
    return first + then


def _dark_before(one: Part) -> bool:
    """Whether the seam behind this part is unknown from its side."""
    return bool(one.unknown) and one.unknown[-1].to_ms == one.piece.to_ms


def _dark_after(other: Part) -> bool:
    """Whether the seam before this part is unknown from its side."""
    return bool(other.unknown) and other.unknown[0].from_ms == other.piece.from_ms


def _excursions(one: Part, other: Part) -> tuple[Excursion, ...]:
    kept: list[Excursion] = []
    for side in Side:
        before = [each for each in one.excursions if each.episode.side is side]
        after = [each for each in other.excursions if each.episode.side is side]
        if before and not _dark_after(other):
            before[-1] = _open_end(before[-1], one.piece.to_ms)
        if after and not _dark_before(one):
            after[0] = _open_start(after[0], one.piece.to_ms)
        known = not _dark_before(one) and not _dark_after(other)
        if before and after and known and _close(before[-1].episode, after[0].episode):
            merged = _merged(before.pop(), after.pop(0))
            kept.append(merged)
        kept += before + after
    return tuple(sorted(kept, key=lambda each: each.episode.from_ms))


def _close(first: Episode, then: Episode) -> bool:
    # Within so short a time there is no gap: gaps are longer.
    return then.from_ms - first.to_ms <= MERGE_S * 1000


def _open_end(each: Excursion, seam_ms: int) -> Excursion:
    """At the seam the window of one part ends, and nothing else does."""
    if each.episode.to_ms < seam_ms:
        return each
    return replace(each, episode=replace(each.episode, cut_end=False))


def _open_start(each: Excursion, seam_ms: int) -> Excursion:
    if each.episode.from_ms > seam_ms:
        return each
    return replace(each, episode=replace(each.episode, cut_start=False))


def _merged(first: Excursion, then: Excursion) -> Excursion:
    one, other = first.episode, then.episode
    worst = other if other.worst_k > one.worst_k else one
    return replace(
        first,
        episode=replace(
            one,
            to_ms=other.to_ms,
            hours=one.hours + other.hours,
            degree_hours=one.degree_hours + other.degree_hours,
            worst_k=worst.worst_k,
            worst_c=worst.worst_c,
            worst_ms=worst.worst_ms,
            cut_end=other.cut_end,
        ),
    )
