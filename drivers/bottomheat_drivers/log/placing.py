"""Where on the wall clock a run's monotonic times lie.  Pure.

A Pi without a clock battery starts with a wrong date and steps it once it has a network.  So a
row's place comes from the pairs of monotonic and wall time that were taken while the clock was
synchronised: the last one before the row, or for rows written before the clock was right the first
one after.  A run that never was synchronised borrows a pair of another run of the same boot (they
share the monotonic clock); failing that it is placed by its own newest pair, but never before the
end of an earlier run whose place is known, and every time of it is marked as not sure.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Pair:
    """One moment on both clocks, ms."""

    run: int
    t_ms: int
    wall_ms: int
    synchronised: bool


@dataclass(frozen=True, slots=True)
class Span:
    """A run's first and last monotonic ms, and its boot."""

    run: int
    boot_id: str
    began_ms: int
    last_ms: int


@dataclass(frozen=True, slots=True)
class Placing:
    """Turns one run's monotonic ms into wall ms; ``sure`` where a synchronised pair ties it."""

    starts_ms: tuple[int, ...]
    offsets_ms: tuple[int, ...]
    sure: bool

    def wall_ms(self, t_ms: int) -> int:
        """UTC in ms since 1970 of a monotonic time of the run."""
        return t_ms + self.offsets_ms[max(bisect_right(self.starts_ms, t_ms) - 1, 0)]

    def t_range(self, from_ms: int, to_ms: int) -> tuple[int, int]:
        """Monotonic ms that hold every row of this stretch of wall time, and maybe some more."""
        return from_ms - max(self.offsets_ms), to_ms - min(self.offsets_ms)


def place(spans: Sequence[Span], pairs: Iterable[Pair]) -> Mapping[int, Placing]:
    """A placing for each run, by run id; ``spans`` in the order in which the runs were begun."""
    by_run: dict[int, list[Pair]] = {}
    for pair in pairs:
        by_run.setdefault(pair.run, []).append(pair)
    by_boot: dict[str, list[Pair]] = {}
    for span in spans:
        good = [pair for pair in by_run.get(span.run, []) if pair.synchronised]
        by_boot.setdefault(span.boot_id, []).extend(good)
    placings: dict[int, Placing] = {}
    known_end_ms: int | None = None
    for span in spans:
        own = by_run.get(span.run, [])
        good = [pair for pair in own if pair.synchronised] or by_boot[span.boot_id]
        if good:
            good = sorted(good, key=lambda pair: pair.t_ms)
            placing = Placing(
                tuple(pair.t_ms for pair in good),
                tuple(pair.wall_ms - pair.t_ms for pair in good),
                sure=True,
            )
            end_ms = placing.wall_ms(span.last_ms)
            known_end_ms = end_ms if known_end_ms is None else max(known_end_ms, end_ms)
        else:
            newest = max(own, key=lambda pair: pair.t_ms, default=None)
            offset_ms = newest.wall_ms - newest.t_ms if newest else 0
            if known_end_ms is not None:
                offset_ms = max(offset_ms, known_end_ms - span.began_ms)
            placing = Placing((span.began_ms,), (offset_ms,), sure=False)
        placings[span.run] = placing
    return placings
