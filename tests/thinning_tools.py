"""Logs to thin, for tests: courses written through the journal, and the thinning called by hand."""

from __future__ import annotations

import contextlib
from collections.abc import Sequence
from pathlib import Path

from bottomheat.model import Bad, Estimate, Fault, Good, Place, Record
from bottomheat_drivers.log import SqliteJournal, migrations
from bottomheat_drivers.log.retention import Thinning
from log_tools import NOW_MS, SetClock, sample

DAY_MS = 86_400_000
START_S = 1000.0
BEGAN_MS = NOW_MS - 100 * DAY_MS
"""Wall time of ``START_S``."""

Point = tuple[float, float | None]
"""Seconds after the begin, and the estimate, °C, or None."""


def wall_ms(after_s: float) -> int:
    """The wall time of so many seconds after the begin, UTC ms."""
    return BEGAN_MS + round(after_s * 1000)


def row(
    after_s: float,
    estimate_c: float | None,
    chamber: str = "north-bench",
    *,
    setpoint_c: float | None = 25.0,
    heat: bool = False,
    closings: int = 0,
    expanded_k: float = 0.4,
    room_c: float | None = 9.0,
    substrate_c: float | None = 29.4,
) -> Record:
    """A sample that long after the begin."""
    at_s = START_S + after_s

    def read(value: float | None) -> Good | Bad:
        return Bad(Fault.CRC, at_s) if value is None else Good(value, at_s)

    return sample(
        at_s,
        chamber,
        closings,
        readings=(
            (Place.SUBSTRATE, read(substrate_c)),
            (Place.ROOM, read(room_c)),
            (Place.MAT, Good(43.8, at_s)),
        ),
        estimate=None if estimate_c is None else Estimate(estimate_c, expanded_k),
        setpoint_c=setpoint_c,
        heat=heat,
    )


def open_log(
    folder: Path, clock: SetClock | None = None, boot: str = "boot-1", *, synchronised: bool = True
) -> SqliteJournal:
    """A journal whose run began a hundred days ago."""
    clock = clock or SetClock(START_S, BEGAN_MS, synchronised)
    return SqliteJournal(folder / "log.sqlite", None, clock, "0.1.0", boot, background=False)


def write(folder: Path, records: Sequence[Record]) -> Path:
    """A log of these samples."""
    kept = open_log(folder)
    for record in records:
        kept.record([record], [])
    kept.close()
    assert kept.failure() is None
    return folder / "log.sqlite"


def thin(path: Path, *, now_ms: int = NOW_MS, keep_days: float = 14.0, most: int = 10**6) -> bool:
    """Thin what is older than ``keep_days``, in one go; whether there was anything to do."""
    with contextlib.closing(migrations.connect(path)) as connection:
        connection.execute("BEGIN IMMEDIATE")
        (run,) = connection.execute("SELECT max(id) FROM run").fetchone()
        done = Thinning().go(connection, run, now_ms, round(keep_days * DAY_MS), most)
        connection.execute("COMMIT")
        connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    return done
