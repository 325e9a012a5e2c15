"""When nothing was recorded, and why."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from enum import StrEnum
from itertools import pairwise
from pathlib import Path

from bottomheat.model import EventKind
from bottomheat_drivers.log.placing import Placing
from bottomheat_drivers.log.reader import LogReader
from bottomheat_drivers.log.searching import LONGEST_ROW_MS, Table
from bottomheat_drivers.log.writer import LOST

MAX_GAP_S = 120.0
"""Rows further apart leave a gap: twelve cycles of the usual length, two of the longest."""
THINNED_FORMAT = 5
_FAR_T_MS = 2**62
STEP_MS = 1000
"""A clock that is set by less leaves no gap."""


class Cause(StrEnum):
    """Why nothing was recorded."""

    POWER = "power"
    STOPPED = "stopped"
    LOG_FAILED = "log failed"
    UNKNOWN = "unknown"


@dataclass(frozen=True, slots=True)
class Gap:
    """Nothing was recorded from here to there, UTC ms; ``why`` in words for a grower."""

    from_ms: int
    to_ms: int
    cause: Cause
    why: str

    @property
    def length_s(self) -> float:
        """How long, s."""
        return (self.to_ms - self.from_ms) / 1000


@dataclass(frozen=True, slots=True)
class _Stretch:
    """Rows of one run without a gap between them: wall ms, and the run's own ms of its ends."""

    from_ms: int
    to_ms: int
    run: int
    from_t_ms: int
    to_t_ms: int


@dataclass(frozen=True, slots=True)
class _Ends:
    """How the runs began and ended, and what they said of rows that were lost."""

    boots: dict[int, str]
    stopped: frozenset[int]
    lost: dict[int, list[int]]
    stood_still: dict[int, list[int]]
    set_aside: frozenset[int]


def gaps(
    path: Path,
    from_ms: int | None = None,
    to_ms: int | None = None,
    max_gap_s: float = MAX_GAP_S,
) -> list[Gap]:
    """The stretches of a window in which no box was recorded, oldest first.

    Args:
        path: the log's file.
        from_ms: begin of the window, UTC ms; None: where the log begins.
        to_ms: its end; None: where the log ends.
        max_gap_s: rows that are further apart leave a gap, s.

    Raises:
        LogError: the log cannot be read.
    """
    with GapReader(path) as log:
        return log.gaps(from_ms, to_ms, round(max_gap_s * 1000))


class GapReader(LogReader):
    """Finds the gaps of a log that is open."""

    def gaps(self, from_ms: int | None, to_ms: int | None, longest_ms: int) -> list[Gap]:
        """As ``gaps``, with the longest time between two rows that leaves none, ms."""
        ends = self._ends()
        found: list[Gap] = []
        before: _Stretch | None = None
        stretches = self._stretches(from_ms, to_ms, longest_ms)
        for stretch in sorted(stretches, key=lambda each: each.from_ms):
            if before is None:
                if from_ms is not None and stretch.from_ms - from_ms > longest_ms:
                    found.append(Gap(from_ms, stretch.from_ms, *_begin(stretch, ends)))
                before = stretch
                continue
            if stretch.from_ms - before.to_ms > longest_ms:
                told = _cause(before, stretch, longest_ms, ends)
                found.append(Gap(before.to_ms, stretch.from_ms, *told))
            if stretch.to_ms > before.to_ms:
                before = stretch
        if to_ms is not None:
            found += _end(before, from_ms, to_ms, longest_ms, ends)
        return list(_clipped(found, from_ms, to_ms))

    def _stretches(
        self, from_ms: int | None, to_ms: int | None, longest_ms: int
    ) -> Iterator[_Stretch]:
        # A gap that reaches into the window is judged by the rows around it: every run gives at
        # least the row that lies nearest.
        low_ms = -_FAR_T_MS if from_ms is None else from_ms - longest_ms
        high_ms = _FAR_T_MS if to_ms is None else to_ms + longest_ms
        for run, placing in self._placings().items():
            window = placing.t_range(low_ms, high_ms)
            pieces = [
                *self._pieces(run, window, longest_ms),
                *self._thinned_pieces(run, window, longest_ms),
            ]
            last: tuple[int, int] | None = None
            steps = list(self._steps(run, placing, window))
            for piece in sorted(pieces):
                if last is None:
                    last = piece
                elif piece[0] - last[1] <= longest_ms:
                    last = last[0], max(last[1], piece[1])
                else:
                    yield from self._apart(run, placing, last, steps)
                    last = piece
            if last is not None:
                yield from self._apart(run, placing, last, steps)

    def _neighbours(
        self, first: int, end: int, low: int, high: int, table: Table
    ) -> tuple[int, int]:
        rows = self._all(
            f"SELECT (SELECT max(id) FROM {table} WHERE id < ?1 AND id >= ?3), "  # noqa: S608
            f"(SELECT min(id) FROM {table} WHERE id >= ?2 AND id < ?4)",
            (first, end, low, high),
        )[0]
        return (first if rows[0] is None else rows[0]), (end if rows[1] is None else rows[1] + 1)

    def _around(self, run: int, window: tuple[int, int], table: Table) -> tuple[int, int]:
        """The rowids of a window of a run, with the row before it and the one after it."""
        low, high = self._run_rows(run, table)
        if low == high:
            return low, low
        first = self._search(low, high, (run, window[0]), table)
        end = self._search(first, high, (run, window[1]), table)
        return self._neighbours(first, end, low, high, table)

    def _pieces(
        self, run: int, window: tuple[int, int], longest_ms: int
    ) -> Iterator[tuple[int, int]]:
        """When samples came without a gap, from one of the run's times to another."""
        first, end = self._around(run, window, "sample")
        if first >= end:
            return
        begun_t_ms = self._t_ms_from(first)
        last_t_ms = self._t_ms(end - 1)
        jumps = {
            *self._jumps(first, end, longest_ms),
            *self._jumps_at_bases(run, first, end, longest_ms),
        }
        for left_t_ms, right_t_ms in sorted(jumps):
            yield begun_t_ms, left_t_ms
            begun_t_ms = right_t_ms
        yield begun_t_ms, last_t_ms

    def _thinned_pieces(
        self, run: int, window: tuple[int, int], longest_ms: int
    ) -> Iterator[tuple[int, int]]:
        """The same of samples that were thinned; adjoining ones are given as they come."""
        if self._format < THINNED_FORMAT:
            return
        first, end = self._around(run, (window[0] - LONGEST_ROW_MS, window[1]), "thinned")
        last: tuple[int, int] | None = None
        for t_ms, span_ms, samples in self._each(
            "SELECT base_ms + t_ms, span_ms, samples FROM thinned CROSS JOIN state "
            "ON state.id = thinned.state WHERE thinned.id >= ? AND thinned.id < ? "
            "ORDER BY thinned.id",
            (first, end),
        ):
            # One of a single sample tells that nothing came until its end.
            gap = samples == 1 and span_ms > longest_ms
            for from_t_ms, to_t_ms in (
                [(t_ms, t_ms), (t_ms + span_ms, t_ms + span_ms)]
                if gap
                else [(t_ms, t_ms + span_ms)]
            ):
                if last is not None and last[0] <= from_t_ms <= last[1] + longest_ms:
                    last = last[0], max(last[1], to_t_ms)
                    continue
                if last is not None:
                    yield last
                last = from_t_ms, to_t_ms
        if last is not None:
            yield last

    def _apart(
        self,
        run: int,
        placing: Placing,
        piece: tuple[int, int],
        steps: Sequence[tuple[int, int]],
    ) -> Iterator[_Stretch]:
        """A piece as stretches of wall time: where the clock was set another one begins."""
        begun_t_ms, end_t_ms = piece
        for left_t_ms, right_t_ms in steps:
            if begun_t_ms <= left_t_ms and right_t_ms <= end_t_ms:
                yield self._stretch(run, placing, begun_t_ms, left_t_ms)
                begun_t_ms = right_t_ms
        yield self._stretch(run, placing, begun_t_ms, end_t_ms)

    def _stretch(self, run: int, placing: Placing, from_t_ms: int, to_t_ms: int) -> _Stretch:
        return _Stretch(
            placing.wall_ms(from_t_ms), placing.wall_ms(to_t_ms), run, from_t_ms, to_t_ms
        )

    def _jumps(self, first: int, end: int, longest_ms: int) -> list[tuple[int, int]]:
        """Both ends of each jump between rows of one run, in the run's own ms.

        Two cursors over the rowids: six times as fast as a window function.  The stored times are
        what is left after base_ms, so that a change of it shows as a jump and is sorted out after.
        """
        ((count,),) = self._all(
            "SELECT count(*) FROM sample WHERE id >= ? AND id < ?", (first, end)
        )
        following = "a.id + 1"
        if count < end - first:  # some were thinned
            following = "(SELECT id FROM sample WHERE id > a.id ORDER BY id LIMIT 1)"
        rows = self._all(
            "SELECT before.base_ms + a.t_ms, after.base_ms + b.t_ms FROM sample AS a "  # noqa: S608
            f"CROSS JOIN sample AS b ON b.id = {following} "
            "CROSS JOIN state AS before ON before.id = a.state "
            "CROSS JOIN state AS after ON after.id = b.state "
            "WHERE a.id >= ? AND a.id < ? AND abs(b.t_ms - a.t_ms) > ? ORDER BY a.id",
            (first, end - 1, longest_ms),
        )
        return [(left, right) for left, right in rows if right - left > longest_ms]

    def _jumps_at_bases(
        self, run: int, first: int, end: int, longest_ms: int
    ) -> Iterator[tuple[int, int]]:
        """Jumps that the stored times do not show, because base_ms changed by as much."""
        bases = self._all("SELECT DISTINCT base_ms FROM state WHERE run = ? ORDER BY 1", (run,))
        low_ms, high_ms = self._t_ms_from(first), self._t_ms(end - 1)
        for (before_ms,), (after_ms,) in pairwise(bases):
            # A row of the later one lies past the middle between both.
            middle_ms = (before_ms + after_ms) // 2
            if not low_ms < middle_ms <= high_ms:
                continue
            row = self._search(first, end, (run, middle_ms))
            if first < row < end:
                left, right = self._t_ms(row - 1), self._t_ms_from(row)
                if right - left > longest_ms:
                    yield left, right

    def _steps(
        self, run: int, placing: Placing, window: tuple[int, int]
    ) -> Iterator[tuple[int, int]]:
        """The rows on both sides of where the wall clock was set in the middle of the run.

        Those are never thinned.
        """
        offsets = list(zip(placing.starts_ms, placing.offsets_ms, strict=True))
        for (_, before_ms), (start_ms, after_ms) in pairwise(offsets):
            if abs(after_ms - before_ms) > STEP_MS and window[0] <= start_ms <= window[1]:
                first, end = self._run_rows(run)
                row = self._search(first, end, (run, start_ms))
                if first < row < end:
                    yield self._t_ms(row - 1), self._t_ms_from(row)

    def _t_ms(self, row: int) -> int:
        """A row's time in its run, ms; of the nearest row before where there is none."""
        return int(
            self._all(
                "SELECT base_ms + t_ms FROM sample CROSS JOIN state ON state.id = sample.state "
                "WHERE sample.id <= ? ORDER BY sample.id DESC LIMIT 1",
                (row,),
            )[0][0]
        )

    def _t_ms_from(self, row: int) -> int:
        """The same of the nearest row after."""
        return int(
            self._all(
                "SELECT base_ms + t_ms FROM sample CROSS JOIN state ON state.id = sample.state "
                "WHERE sample.id >= ? ORDER BY sample.id LIMIT 1",
                (row,),
            )[0][0]
        )

    def _ends(self) -> _Ends:
        boots = dict(self._all("SELECT id, boot_id FROM run"))
        lost: dict[int, list[int]] = {}
        stood_still: dict[int, list[int]] = {}
        stopped: set[int] = set()
        set_aside: set[int] = set()
        for run, t_ms, kind, text in self._each(
            "SELECT run, t_ms, kind, text FROM event WHERE kind IN (?, ?, ?) ORDER BY id",
            (EventKind.STOPPED.value, EventKind.GAP.value, EventKind.LOG.value),
        ):
            if kind == EventKind.STOPPED.value:
                stopped.add(run)
            elif kind == EventKind.GAP.value:
                stood_still.setdefault(run, []).append(t_ms)
            elif LOST in text:
                lost.setdefault(run, []).append(t_ms)
            elif "set aside" in text:
                set_aside.add(run)
        return _Ends(boots, frozenset(stopped), lost, stood_still, frozenset(set_aside))


def _cause(before: _Stretch, after: _Stretch, longest_ms: int, ends: _Ends) -> tuple[Cause, str]:
    if before.run == after.run:
        if after.from_t_ms - before.to_t_ms <= longest_ms:
            return Cause.UNKNOWN, "the clock was set forward"
        missed_t_ms = (before.to_t_ms, after.from_t_ms + longest_ms)
        if any(missed_t_ms[0] < t <= missed_t_ms[1] for t in ends.stood_still.get(after.run, ())):
            return Cause.UNKNOWN, "the service stood still"
        if any(t >= after.from_t_ms for t in ends.lost.get(after.run, ())):
            return Cause.LOG_FAILED, "the card did not take the rows"
        return Cause.UNKNOWN, "why is not known"
    orderly = before.run in ends.stopped
    one, other = ends.boots[before.run], ends.boots[after.run]
    if any(not boot or boot.startswith("unknown") for boot in (one, other)):
        return Cause.UNKNOWN, "why is not known"
    if one == other:
        why = "the service had been stopped" if orderly else "the service died or was killed"
        return Cause.STOPPED, why
    if orderly:
        return Cause.STOPPED, "the service had been stopped, and the machine was off or restarted"
    return Cause.POWER, "power was cut, or the machine crashed or was reset"


def _begin(first: _Stretch, ends: _Ends) -> tuple[Cause, str]:
    if first.run in ends.set_aside:
        return Cause.LOG_FAILED, "the log of before was damaged and set aside"
    return Cause.UNKNOWN, "the log begins only then"


def _end(
    last: _Stretch | None, from_ms: int | None, to_ms: int, longest_ms: int, ends: _Ends
) -> Iterator[Gap]:
    if last is None:
        if from_ms is not None:
            yield Gap(from_ms, to_ms, Cause.UNKNOWN, "the log holds nothing of then")
    elif to_ms - last.to_ms > longest_ms:
        if last.run in ends.stopped:
            yield Gap(last.to_ms, to_ms, Cause.STOPPED, "the service had been stopped")
        else:
            yield Gap(last.to_ms, to_ms, Cause.UNKNOWN, "the log holds nothing after that yet")


def _clipped(found: list[Gap], from_ms: int | None, to_ms: int | None) -> Iterator[Gap]:
    for gap in found:
        low = gap.from_ms if from_ms is None else max(gap.from_ms, from_ms)
        high = gap.to_ms if to_ms is None else min(gap.to_ms, to_ms)
        if low < high:
            yield Gap(low, high, gap.cause, gap.why)
