"""Whether a log is whole and holds together; read-only, of this format or an older one."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path

from bottomheat.errors import LogError
from bottomheat.model import EventKind
from bottomheat_drivers.log.copying import Tell
from bottomheat_drivers.log.gaps import MAX_GAP_S, THINNED_FORMAT, Gap, GapReader
from bottomheat_drivers.log.logfile import DamagedLogError
from bottomheat_drivers.log.migrations import defect

_MOST = 5
"""So many defects of one sort are named."""
_SAMPLE, _STATE = "of sample: the state", "of state: the"
"""Without these nothing can be placed."""
_PROBED = 200
_ROWS_OF_A_CYCLE = 12
"""The boxes of one cycle have their rows together; so many boxes one machine hardly has."""
_FAR_T_MS = 2**62
_CLOSED = (
    "SELECT chamber.name, coalesce(counter.lifetime, 0), sum({1}) FROM {0} "
    "CROSS JOIN state ON state.id = {0}.state CROSS JOIN chamber ON chamber.id = state.chamber "
    "LEFT JOIN counter ON counter.chamber = chamber.id WHERE {1} > 0 GROUP BY chamber.id"
)
"""How often each contact closed, by the rows of a table, beside what is counted for its life."""
_SET_ASIDE = "when the service starts it sets a damaged log aside and begins a new one."


@dataclass(frozen=True, slots=True)
class Checked:
    """What was found; times are UTC ms, None where the log has no rows.

    Attributes:
        format: of the file.
        size_bytes: with what waits beside it.
        defects: what does not hold together, each in a sentence; none is good.
        runs: starts of the service.
        unplaced: of these, how many no synchronised clock places.
        unclosed: of these, how many had no orderly end, the last one aside.
        rows: samples.
        thinned: rows that older samples were made into.
        events: events.
        alarms: alarms, and of these how many were left open by a run that ended.
        entries: entries in the season's ledger.
        from_ms: when the log begins.
        to_ms: when it ends.
        gaps: when nothing was recorded, oldest first.
    """

    format: int
    size_bytes: int
    defects: tuple[str, ...]
    runs: int
    unplaced: int
    unclosed: int
    rows: int
    events: int
    alarms: tuple[int, int]
    entries: int
    from_ms: int | None
    to_ms: int | None
    gaps: tuple[Gap, ...]
    thinned: int = 0


def check(path: Path, tell: Tell, *, own: bool = True) -> Checked:
    """Look through the whole file.  Takes no lock on the writer.

    Args:
        path: the log's file.
        tell: is told how far it is.
        own: it is the one that the service here writes; else a copy, or one from elsewhere, with
            which the service will do nothing.

    Raises:
        LogError: missing, not a log of ours, of a newer format, or so damaged that it cannot be
            opened.
    """
    if own:
        return _check(path, tell, _SET_ASIDE)
    if not path.exists():
        raise LogError(f"There is no file {path}: look for a slip in its name.")
    salvage = (
        f"what can still be read is written to a new file by bottomheat backup --salvage --log "
        f"{path} NEW-FILE."
    )
    try:
        return _check(path, tell, salvage)
    except DamagedLogError as error:
        raise LogError(
            f"The log {path} is damaged or not a log of bottomheat: keep it as it is; {salvage}"
        ) from error


def _check(path: Path, tell: Tell, advice: str) -> Checked:
    with _Checker(path, oldest=1) as log:
        log.hold()
        log.pages(advice)
        defects: list[str] = []
        steps = (log.pointers, log.order, log.clocks, log.alarm_rows, log.counters)
        for number, step in enumerate(steps, 1):
            tell("Looking through the log", number / (len(steps) + 2))
            defects += step()
            if any(half in defect for defect in defects for half in (_SAMPLE, _STATE)):
                return log.broken(_size(path), tuple(defects))
        tell("Looking for gaps", 1 - 1 / (len(steps) + 2))
        return log.sums(_size(path), tuple(defects))


def _size(path: Path) -> int:
    waiting = path.with_name(path.name + "-wal")
    return path.stat().st_size + (waiting.stat().st_size if waiting.exists() else 0)


class _Checker(GapReader):
    @property
    def _thins(self) -> bool:
        return self.format >= THINNED_FORMAT

    def hold(self) -> None:
        """Look at the log as it is now, whatever is written meanwhile."""
        self._all("BEGIN")

    def pages(self, advice: str) -> None:
        """Have every page read.

        Args:
            advice: what to do about a damaged one.

        Raises:
            LogError: one is damaged.
        """
        try:
            said = defect(self._connection)
        except sqlite3.Error as error:
            raise self._told(error) from error
        if said is not None:
            raise LogError(
                f"The log {self._path} is damaged ({said}): keep a copy of it and of its -wal file "
                f"before anything else; {advice}"
            )

    def pointers(self) -> Iterator[str]:
        """Rows that point to rows that are not there."""
        lost: dict[tuple[str, str], int] = {}
        for table, _, parent, _ in self._each("PRAGMA foreign_key_check"):
            lost[table, parent] = lost.get((table, parent), 0) + 1
        for (table, parent), count in sorted(lost.items()):
            yield f"{_rows(count, table)}: the {parent} that belongs to it is not there"

    def order(self) -> Iterator[str]:
        """By rowid, run and time never decrease: readers search by that."""
        ((count, first),) = self._all(
            "SELECT count(*), min(b.id) FROM sample AS a CROSS JOIN sample AS b ON b.id = a.id + 1 "
            "CROSS JOIN state AS before ON before.id = a.state "
            "CROSS JOIN state AS after ON after.id = b.state "
            "WHERE (after.run, after.base_ms + b.t_ms) < (before.run, before.base_ms + a.t_ms)"
        )
        if count:
            yield f"out of order: {_rows(count, 'sample')}, the first of them row {first}"
        for run, span in sorted((span.run, span) for span in self.spans().values()):
            low, high = self._run_rows(run)
            if low < high and not count:
                first_t_ms, last_t_ms = self._t_ms(low), self._t_ms(high - 1)
                if first_t_ms < span.began_ms or last_t_ms > span.last_ms:
                    yield f"run {run} has rows of before its start or after its end"
        if self._thins:
            yield from self._thinned_order()

    def _thinned_order(self) -> Iterator[str]:
        """By rowid, run and time of thinned rows never decrease, and none outlasts its run."""
        before = (0, -_FAR_T_MS)
        wrong = late = 0
        ends = {span.run: span.last_ms for span in self.spans().values()}
        for run, t_ms, span_ms in self._each(
            "SELECT run, base_ms + t_ms, span_ms FROM thinned CROSS JOIN state "
            "ON state.id = thinned.state ORDER BY thinned.id"
        ):
            wrong += (run, t_ms) < before or span_ms < 0
            late += t_ms + span_ms > ends.get(run, -_FAR_T_MS)
            before = run, t_ms
        if wrong:
            yield f"out of order: {_rows(wrong, 'thinned')}"
        if late:
            yield f"{_rows(late, 'thinned')} of after the end of the run that they are of"

    def clocks(self) -> Iterator[str]:
        """Every run has a moment that is known on both clocks."""
        for (run,) in self._each(
            "SELECT id FROM run WHERE id NOT IN (SELECT run FROM clock) ORDER BY id"
        ):
            yield f"run {run} cannot be placed in time: it has no clock row"

    def alarm_rows(self) -> Iterator[str]:
        """Each alarm has the event that raised it, and where it is over the one that cleared it."""
        rows = self._all(
            "SELECT alarm.id, alarm.name, up.kind, up.alarm, up.chamber IS alarm.chamber, "
            "alarm.cleared, down.kind, down.alarm, down.chamber IS alarm.chamber, up.id < down.id "
            "FROM alarm LEFT JOIN event AS up ON up.id = alarm.raised "
            "LEFT JOIN event AS down ON down.id = alarm.cleared ORDER BY alarm.id"
        )
        for number, name, kind, raised, here, cleared, ended, other, there, later in rows:
            if (kind, raised) != (EventKind.ALARM_RAISED.value, name) or not here:
                yield f"alarm {number} ({name}) has no event that raised it"
            elif cleared is not None and (
                (ended, other) != (EventKind.ALARM_CLEARED.value, name) or not (there and later)
            ):
                yield f"alarm {number} ({name}) has no event that cleared it"
        ((count,),) = self._all(
            "SELECT count(*) FROM event WHERE kind = ? AND alarm IS NOT NULL AND NOT EXISTS "
            "(SELECT 1 FROM alarm WHERE alarm.name = event.alarm "
            "AND alarm.chamber IS event.chamber AND alarm.raised <= event.id)",
            (EventKind.ALARM_RAISED.value,),
        )
        if count:
            yield f"{_rows(count, 'event')}: the alarm that it raised is not there"

    def counters(self) -> Iterator[str]:
        """No contact closed more often than is counted for its lifetime."""
        seen: dict[str, int] = {}
        counted: dict[str, int] = {}
        for name, lifetime, more in [
            *self._each(_CLOSED.format("sample", "state.closings")),
            *(self._each(_CLOSED.format("thinned", "thinned.closings")) if self._thins else ()),
        ]:
            counted[name] = lifetime
            seen[name] = seen.get(name, 0) + more
        for name, lifetime in counted.items():
            if seen[name] > lifetime:
                yield f"{name}: the contact closed {seen[name]} times, and {lifetime} are counted"

    def broken(self, size_bytes: int, defects: tuple[str, ...]) -> Checked:
        return Checked(self.format, size_bytes, defects, 0, 0, 0, 0, 0, (0, 0), 0, None, None, ())

    def sums(self, size_bytes: int, defects: tuple[str, ...]) -> Checked:
        placings = self._placings()
        spans = list(self.spans().values())
        starts = [placings[span.run].wall_ms(span.began_ms) for span in spans]
        ends = [placings[span.run].wall_ms(span.last_ms) for span in spans]
        newest = max((span.run for span in spans), default=0)
        counts = {
            name: self._all(f"SELECT count(*) FROM {name}")[0][0]  # noqa: S608 names of ours
            for name in ("sample", "event", "alarm")
        }
        ((unclosed,),) = self._all(
            "SELECT count(*) FROM run WHERE id < ? AND id NOT IN "
            "(SELECT run FROM event WHERE kind = ?)",
            (newest, EventKind.STOPPED.value),
        )
        ((left_open,),) = self._all(
            "SELECT count(*) FROM alarm JOIN event ON event.id = raised "
            "WHERE cleared IS NULL AND run < ?",
            (newest,),
        )
        entries = len(self.season_entries()) if self.format >= 4 else 0
        return Checked(
            self.format,
            size_bytes,
            defects,
            len(spans),
            sum(not placings[span.run].sure for span in spans),
            unclosed,
            counts["sample"],
            counts["event"],
            (counts["alarm"], left_open),
            entries,
            min(starts, default=None),
            max(ends, default=None),
            tuple(self.gaps(None, None, self._longest_ms())),
            self._all("SELECT count(*) FROM thinned")[0][0] if self._thins else 0,
        )

    def _longest_ms(self) -> int:
        """The longest time between two rows that is no gap, by the cycle that the log shows."""
        low, high = self._all_rows()
        step = max(1, (high - low) // _PROBED)
        seen: list[int] = []
        for first in range(low, high, step):
            times = self._all(
                "SELECT run, base_ms + t_ms FROM sample CROSS JOIN state "
                "ON state.id = sample.state WHERE sample.id >= ? ORDER BY sample.id LIMIT ?",
                (first, _ROWS_OF_A_CYCLE),
            )
            seen.append(max((b[1] - a[1] for a, b in pairwise(times) if a[0] == b[0]), default=0))
        usual_ms = sorted(seen)[len(seen) // 2] if seen else 0
        return max(round(MAX_GAP_S * 1000), round(2.5 * usual_ms))


def _rows(count: int, table: str) -> str:
    return f"{count} row{'s' if count != 1 else ''} of {table}"
