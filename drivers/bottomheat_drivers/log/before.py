"""What the log and the ring files say of the time before: outage, lids, tending, probes, season.

Read once, before the journal opens its own run.  Read-only, in a thread that is not waited for
longer than ``WITHIN_S``: a damaged, locked or hanging log must not keep the service from starting.
"""

from __future__ import annotations

import sqlite3
import threading
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from bottomheat.errors import LogError
from bottomheat.model import Estimate, Event, EventKind
from bottomheat.outage import Before
from bottomheat.protect.accused import displaced
from bottomheat.protect.tending import Doing, Lid, Tending
from bottomheat.season.ledger import Dated
from bottomheat_drivers.log.codec import (
    BorrowedItem,
    BorrowingItem,
    EventItem,
    Item,
    SampleItem,
    TendingItem,
)
from bottomheat_drivers.log.left import Left, left_rows, season_left
from bottomheat_drivers.log.logfile import DamagedLogError, OlderFormatError
from bottomheat_drivers.log.placing import Pair, Span
from bottomheat_drivers.log.reader import LogReader
from bottomheat_drivers.log.schema import SCHEMA_VERSION

WITHIN_S = 4.0
NEWEST_ROWS = 256
"""Samples looked at for the last one of each chamber."""
ROW_EVERY_S = 60.0
"""A borrowed probe's readings are kept this far apart."""
OLDEST_FORMAT = 2
"""Has the lids; the first start after an update has to know them."""
BORROWING_FORMAT = 3
SEASON_FORMAT = 4
_OF_PROBES = frozenset({EventKind.DIAGNOSED.value, EventKind.RESET.value})


@dataclass(frozen=True, slots=True)
class Lent:
    """A borrowed probe that has not taught for as long as it was to.

    ``left_s`` counts its readings, not the time: while the service stood still it taught nothing.
    """

    probe: str
    left_s: float


@dataclass(frozen=True, slots=True)
class Past:
    """What is known of the time before this start.

    Attributes:
        before: the last that was recorded, or None where nothing is known.
        lids: how the lids lie that were ever said to.
        tendings: the newest spell of each chamber, where it began in this boot and was not ended;
            on this boot's monotonic clock.
        trouble: why a log that is there could not be read, or None.
        borrowings: the borrowed probe of each chamber that has one to go on with.
        season: the season's ledger, in the order of entry; empty where it could not be read.
        closings: of each heat relay, over all runs; None where they could not be read.
    """

    before: Before | None = None
    lids: Mapping[str, Lid] = field(default_factory=dict)
    tendings: Mapping[str, Tending] = field(default_factory=dict)
    trouble: str | None = None
    borrowings: Mapping[str, Lent] = field(default_factory=dict)
    season: tuple[Dated, ...] = ()
    closings: Mapping[str, int] | None = None


def look_back(path: Path, ring_folder: Path, boot_id: str, within_s: float = WITHIN_S) -> Past:
    """Read the past within a bounded time; never raises.

    Args:
        path: the log's file.
        ring_folder: where ring files of dead runs lie.
        boot_id: of the kernel that runs now.
        within_s: longest wait, s.
    """
    found: list[Past] = []

    def work() -> None:
        found.append(_read(path, ring_folder, boot_id))

    # A daemon thread: a read that hangs in the kernel must not keep the process from ending.
    thread = threading.Thread(target=work, name="look back", daemon=True)
    thread.start()
    thread.join(within_s)
    return found[0] if found else Past(trouble=f"it was not read within {within_s:g} s")


@dataclass(slots=True)
class _Told:
    """Lids, tending and borrowed probes, as the rows tell them one after the other."""

    lids: dict[str, Lid] = field(default_factory=dict)
    tendings: dict[str, Tending] = field(default_factory=dict)
    lent: dict[str, tuple[str, float, int]] = field(default_factory=dict)

    def tend(
        self, chamber: str, doing: str, at_s: float, for_s: float | None, lid: str | None, note: str
    ) -> None:
        if lid in set(Lid):
            self.lids[chamber] = Lid(lid)
        self.tendings.pop(chamber, None)
        if for_s is not None and doing in set(Doing):
            self.tendings[chamber] = Tending(Doing(doing), at_s, at_s + for_s, note)

    def lend(self, chamber: str, probe: str, for_s: float | None, rows: int = 0) -> None:
        self.lent.pop(chamber, None)
        if for_s is not None:
            self.lent[chamber] = (probe, for_s, rows)

    def item(self, item: Item) -> None:
        match item:
            case TendingItem():
                for_s = None if item.for_ms is None else item.for_ms / 1000
                self.tend(item.chamber, item.doing, item.t_ms / 1000, for_s, item.lid, item.note)
            case BorrowingItem():
                for_s = None if item.for_ms is None else item.for_ms / 1000
                self.lend(item.chamber, item.probe, for_s)
            case BorrowedItem() if item.chamber in self.lent:
                probe, whole_s, rows = self.lent[item.chamber]
                self.lent[item.chamber] = (probe, whole_s, rows + 1)
            case _:
                pass

    def borrowings(self) -> dict[str, Lent]:
        left = {
            chamber: Lent(probe, for_s - ROW_EVERY_S * rows)
            for chamber, (probe, for_s, rows) in self.lent.items()
        }
        return {chamber: lent for chamber, lent in left.items() if lent.left_s > 0}


def _read(path: Path, ring_folder: Path, boot_id: str) -> Past:
    trouble = None
    before: Before | None = None
    told = _Told()
    kept: Mapping[str, int] = {}
    season = _Season()
    counted: dict[str, _Counted] | None = {}
    try:
        if path.exists() and path.stat().st_size > 0:
            counted = None
            with _Log(path, oldest=OLDEST_FORMAT) as log:
                counted = log.counted()
                before = _last(log)
                kept = log.kept_upto()
                _tell(log, boot_id, told)
                season = _season(log)
    except OlderFormatError:
        return Past()  # from before lids were kept: the journal brings it up to date
    except (DamagedLogError, TypeError, ValueError, LookupError) as error:
        # What the journal will carry over into a new log.  A table whose definition was hit may be
        # read, with values that are not what they should be.
        trouble = str(error) if isinstance(error, LogError) else f"the log {path} is damaged"
        told, kept, season, counted = _salvaged(path, boot_id)
    except (LogError, OSError) as error:
        trouble = str(error)
    left = left_rows(ring_folder, kept)
    for each in left:
        if each.boot_id == boot_id:
            before = _newer(before, each.items, boot_id)
            for item in each.items:
                told.item(item)
    newest = season.entries[-1].number if season.entries else 0
    try:
        season.entries += season_left(left, newest, season.runs, season.pairs)
    except ValueError as error:
        trouble = trouble or f"what the run before left holds a word that is not known ({error})"
    entries = tuple(season.entries)
    closings = None if counted is None else _closings(counted, left)
    return Past(before, told.lids, told.tendings, trouble, told.borrowings(), entries, closings)


@dataclass(frozen=True, slots=True)
class _Counted:
    """How often a heat relay has closed: the run that was counted last, in it, and in all."""

    run: str | None
    in_run: int
    lifetime: int


def _closings(counted: Mapping[str, _Counted], left: Sequence[Left]) -> dict[str, int]:
    """The log's counts with what dead runs left, as the journal will add it."""
    found = dict(counted)
    for each in left:
        samples = [item for item in each.items if isinstance(item, SampleItem)]
        for item in sorted(samples, key=lambda item: item.t_ms):
            was = found.get(item.chamber, _Counted(None, 0, 0))
            in_run = was.in_run if was.run == each.key else 0
            more = item.closings - in_run if item.closings >= in_run else item.closings
            found[item.chamber] = _Counted(each.key, item.closings, was.lifetime + more)
    return {name: each.lifetime for name, each in found.items()}


class _Log(LogReader):
    def counted(self) -> dict[str, _Counted]:
        rows = self._all(
            "SELECT chamber.name, run.key, in_run, lifetime FROM counter "
            "JOIN chamber ON chamber.id = counter.chamber LEFT JOIN run ON run.id = counter.run"
        )
        return {name: _Counted(*row) for name, *row in rows}


class _Salvaged(_Log):
    def __init__(self, path: Path) -> None:
        self._path = path
        self._format = SCHEMA_VERSION
        self._placed = None
        from bottomheat_drivers.log.salvage import in_memory  # seldom needed

        self._connection = in_memory(path)


def _salvaged(
    path: Path, boot_id: str
) -> tuple[_Told, Mapping[str, int], _Season, dict[str, _Counted] | None]:
    told = _Told()
    try:
        with _Salvaged(path) as log:
            _tell(log, boot_id, told)
            return told, log.kept_upto(), _season(log), log.counted()
    except (LogError, sqlite3.Error, OSError):
        return _Told(), {}, _Season(), None


@dataclass(slots=True)
class _Season:
    """The ledger in the file, and what places a row that is not in it yet."""

    entries: list[Dated] = field(default_factory=list)
    runs: Mapping[str, Span] = field(default_factory=dict)
    pairs: Sequence[Pair] = ()


def _season(log: LogReader) -> _Season:
    entries = log.season_entries() if log.format >= SEASON_FORMAT else []
    return _Season(entries, log.spans(), log.pairs())


def _tell(log: LogReader, boot_id: str, told: _Told) -> None:
    same_boot = {row.run for row in log.runs() if row.boot_id == boot_id}
    for row in log.tendings():
        for_s = row.for_s if row.run in same_boot else None  # else on another clock
        told.tend(row.chamber, row.doing, row.t_ms / 1000, for_s, row.lid, row.note)
    if log.format >= BORROWING_FORMAT:
        for newest in {row.chamber: row for row in log.borrowings()}.values():
            told.lend(newest.chamber, newest.probe, newest.for_s, log.borrowed_since(newest))


def _last(log: LogReader) -> Before | None:
    samples = log.newest(NEWEST_ROWS)
    if not samples:
        return None
    newest = samples[0]
    run = next((row for row in log.runs() if row.run == newest.run), None)
    if run is None:
        return None
    estimates: dict[str, Estimate | None] = {}
    for sample in samples:
        if sample.run == newest.run:
            estimates.setdefault(sample.chamber, sample.estimate)
    # Not run.closed: a service that dies of a fault of its own still closes its log.
    stopped = any(row.run == newest.run for row in log.events(kind=EventKind.STOPPED))
    # A reset without the service has a run of its own.
    told = [
        row
        for kind in (EventKind.DIAGNOSED, EventKind.RESET)
        for row in log.events(kind=kind)
        if row.run >= newest.run
    ]
    told.sort(key=lambda row: (row.run, row.event.at_s))
    return Before(
        run.boot_id,
        newest.t_ms / 1000,
        newest.wall_ms if newest.sure else None,
        stopped,
        tuple(sorted(estimates.items())),
        displaced(row.event for row in told),
    )


def _newer(before: Before | None, left: Sequence[Item], boot_id: str) -> Before | None:
    samples = [item for item in left if isinstance(item, SampleItem)]
    if not samples:
        return before
    last_s = max(item.t_ms for item in samples) / 1000
    if before is not None and before.boot_id == boot_id and before.last_s >= last_s:
        return before
    estimates: dict[str, Estimate | None] = {}
    for item in samples:
        estimates[item.chamber] = None
        if item.estimate_mc is not None:
            expanded_k = float("inf") if item.expanded_ck is None else item.expanded_ck / 100
            estimates[item.chamber] = Estimate(item.estimate_mc / 1000, expanded_k)
    orderly = any(
        isinstance(item, EventItem) and item.kind == EventKind.STOPPED.value for item in left
    )
    told = [
        Event(EventKind(item.kind), item.t_ms / 1000, item.chamber, item.text)
        for item in left
        if isinstance(item, EventItem) and item.kind in _OF_PROBES
    ]
    away = displaced(told, () if before is None else before.displaced)
    # Of this boot: its monotonic clock tells all, no wall time is needed.
    return Before(boot_id, last_s, None, orderly, tuple(sorted(estimates.items())), away)
