"""Logs to thin, for tests: courses written through the journal, and the thinning called by hand."""

from __future__ import annotations

import contextlib
import random
from collections.abc import Sequence
from pathlib import Path

from bottomheat.model import Bad, Estimate, Fault, Good, Place, Record
from bottomheat.review.parts import part
from bottomheat.review.pieces import piece_of_box
from bottomheat_drivers.log import SqliteJournal, migrations
from bottomheat_drivers.log.columns import Columns
from bottomheat_drivers.log.retention import Thinning
from bottomheat_drivers.log.store import RunStart, Store
from log_tools import NOW_MS, SetClock, sample

DAY_MS = 86_400_000
HOUR_S = 3600.0
START_S = 1000.0
BEGAN_MS = NOW_MS - 100 * DAY_MS
"""Wall time of ``START_S``."""

MINUTES, TENS = BEGAN_MS + 20 * DAY_MS, BEGAN_MS + 90 * DAY_MS
"""When all of a log that began then is old enough for rows of a minute, and of ten."""

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


def course(seed: int, hours: float = 9.0, chamber: str = "north-bench") -> list[Record]:
    """A box that wanders about its band, with lost estimates, holes and a setpoint that changes."""
    chance = random.Random(seed)
    after_s, value, setpoint_c, closings = 0.0, 25.0, 25.0, 0
    made: list[Record] = []
    while after_s < hours * HOUR_S:
        value += chance.gauss(0, 0.03) - 0.01 * (value - 25)
        if chance.random() < 0.002:
            setpoint_c = chance.choice([24.0, 25.0, 25.3])
        if chance.random() < 0.001:
            after_s += chance.choice([100, 200, 600, 1000, 2000])
        lost = chance.random() < 0.02 or 3 * HOUR_S < after_s < 3.4 * HOUR_S
        closings += chance.random() < 0.05
        made.append(
            row(
                after_s,
                None if lost else value,
                chamber,
                setpoint_c=setpoint_c,
                heat=chance.random() < 0.5,
                closings=closings,
                room_c=None if chance.random() < 0.01 else 9 + chance.gauss(0, 0.5),
                substrate_c=29.4 + chance.gauss(0, 0.2),
                expanded_k=0.4 + chance.random() / 10,
            )
        )
        after_s += 10 + chance.choice([0, 0, 0, 0.123, -0.2, 3])
    return made


def days(number: float) -> int:
    """The wall time of so many days after the begin of the log, UTC ms."""
    return BEGAN_MS + round(number * DAY_MS)


def thin_at(path: Path, nows_ms: tuple[int, ...]) -> None:
    """Thin what is old at each of these times."""
    for now_ms in nows_ms:
        assert thin(path, now_ms=now_ms)


def whole(found: Columns, from_ms: int, to_ms: int):
    """The record of the box against its setpoint."""
    made = part(piece_of_box("north-bench", from_ms, to_ms), found, 45.0)
    assert made.known_h > 0
    return made


def store(path: Path, connect: migrations.Connect = migrations.connect) -> Store:
    """The log opened by a run of a hundred days later."""
    run = RunStart("key-2", "boot-2", "0.1.0", 1000, NOW_MS, True)
    made = Store(path, run, None, None, 0, connect)
    made.open(NOW_MS, 1000)
    return made
