"""What a review of a season costs.

    python tests/bench/review.py

Writes a log of 120 days, 10 s cycles and 4 chambers by SQL (4.1 million rows, 160 MB), with some
alarms and holes in it, and reviews the whole of it, the last week and the last fault, each in a
process of its own: time, processor time and peak memory, beside SQLite alone, which in one SELECT
reads and sums every column that the review uses.  Then the same season as the service leaves it,
thinned day by day.  ``--days 10`` for a small one; ``--folder`` for the disk in question;
``--keep`` leaves the logs there.
"""

from __future__ import annotations

import argparse
import contextlib
import resource
import sqlite3
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path

import numpy as np

sys.path.append(str(Path(__file__).resolve().parents[1]))

from bottomheat.model import Alarm, Event, EventKind
from bottomheat.words import ALARM_WORDS
from bottomheat_drivers.log import SqliteJournal
from bottomheat_drivers.log.retention import Thinning
from bottomheat_drivers.log.store import MAT_BASE_MC, STATE_MS
from log_tools import SetClock, sample

DAY_CYCLES = 8640
BEGAN_MS = 1_790_812_800_000
"""Thu 1 Oct 2026 00:00 UTC."""
START_S = 1000.0
DAY_MS = 86_400_000
BOX = """\
  bench-{n}:
    callus_zone: 25
    heater: {{gpio: {gpio}, watts: 45}}
    probes: {{substrate: 28-0000000000{n}1, room: 28-000000000002, mat: 28-0000000000{n}3}}
    offset: {{method: temperature-factor, factor: 0.75}}
"""
BARE = (
    "SELECT chamber, heat, count(*), total(base_ms + t_ms), total(estimate_base_mc + "
    "estimate_over_mc), total(setpoint_mc), total(room_mc), total(heat) "
    "FROM sample CROSS JOIN state ON state.id = sample.state GROUP BY chamber, heat "
    "UNION ALL "
    "SELECT chamber, 0, count(*), total(base_ms + t_ms + span_ms), total(estimate_base_mc + "
    "estimate_over_mc + estimate_low_mk + estimate_high_mk), total(setpoint_mc), "
    "total(room_mc + room_low_mk + room_high_mk), total(heat_ms + above_ms + below_ms + samples) "
    "FROM thinned CROSS JOIN state ON state.id = thinned.state GROUP BY chamber"
)
"""Every column that the review of a season uses, read and summed."""
PEAK = (
    "import atexit, sys; atexit.register(lambda: print(*(line for line in "
    "open('/proc/self/status') if line.startswith('VmHWM')), file=sys.stderr)); "
)
REVIEW = f"{PEAK}from bottomheat.cli.review_cmd import command; command()"
COLUMNS = (
    f"{PEAK}import sys; from pathlib import Path; from bottomheat_drivers.log.columns import "
    "columns; print(len(columns(Path(sys.argv[1]), 'bench-0')))"
)
SQL = (
    f"{PEAK}import sqlite3; "
    "print(len(sqlite3.connect(sys.argv[1]).execute(sys.argv[2]).fetchall()))"
)


def season(path: Path, days: int, boxes: int, *, keep_days: int | None = None) -> int:
    """Write the log, thinned each day to what is older than ``keep_days``; rows before that."""
    names = [f"bench-{n}" for n in range(boxes)]
    text = "chambers:\n" + "".join(BOX.format(n=n, gpio=17 + n) for n in range(boxes))
    clock = SetClock(START_S, BEGAN_MS)
    book = SqliteJournal(path, None, clock, "0.1.0", "boot-1", background=False)
    book.note_clock(START_S, BEGAN_MS, True)
    book.note_config(text, "sum")
    for name in names:
        book.record([sample(START_S, name)], [])
    for day in range(5, days, 6):
        at_s = START_S + 86_400.0 * day + 7_000.0
        words = ALARM_WORDS[Alarm.NO_EFFECT]
        for kind, after_s in ((EventKind.ALARM_RAISED, 0.0), (EventKind.ALARM_CLEARED, 5_000.0)):
            name = names[day % boxes]
            book.record([], [Event(kind, at_s + after_s, name, words, Alarm.NO_EFFECT)])
    book.close()
    connection = sqlite3.connect(path, isolation_level=None)
    connection.execute("BEGIN")
    connection.execute("DELETE FROM sample")
    connection.execute("DELETE FROM state")
    count = 0
    for day in range(days):
        count += fill(connection, day, boxes)
        if keep_days is not None:
            connection.execute("COMMIT")
            thin(connection, BEGAN_MS + (day + 1) * DAY_MS, keep_days)
            connection.execute("BEGIN")
    connection.execute("UPDATE run SET last_ms = (SELECT max(t_ms) FROM sample_row)")
    connection.execute("COMMIT")
    connection.close()
    return count


def thin(connection: sqlite3.Connection, now_ms: int, keep_days: int) -> None:
    """Thin as the service does, some of it in each transaction."""
    thinning = Thinning()
    more = True
    while more:
        connection.execute("BEGIN IMMEDIATE")
        more = thinning.go(connection, 1, now_ms, keep_days * DAY_MS)
        connection.execute("COMMIT")


def fill(connection: sqlite3.Connection, day: int, boxes: int) -> int:
    """Write the rows of a day; every eleventh has a hole of an hour."""
    chance = np.random.default_rng(day)
    number = np.arange(day * DAY_CYCLES, (day + 1) * DAY_CYCLES)
    if day % 11 == 10:
        number = number[: -DAY_CYCLES // 24]
    t_ms = round(START_S * 1000) + 10_000 * number + chance.integers(0, 100, len(number))
    columns = [list(of_box(number, t_ms, box, chance)) for box in range(boxes)]
    state: dict[tuple[int, ...], int] = {}
    rows = []
    for at, each in enumerate(number.tolist()):
        for box in range(boxes):
            now_ms = int(t_ms[at]) + box
            base_ms = (now_ms + STATE_MS // 2) // STATE_MS * STATE_MS
            key = (box + 1, int(each % 60 < 35), int(each % 60 == 0), base_ms)
            if key not in state:
                state[key] = state_row(connection, *key)
            substrate, room, mat, estimate, doubt, setpoint, duty = columns[box][at]
            rows.append(
                (
                    state[key],
                    now_ms - base_ms,
                    substrate,
                    room,
                    mat - MAT_BASE_MC,
                    estimate - 25_000,
                    doubt,
                    setpoint,
                    duty,
                )
            )
    connection.executemany(
        "INSERT INTO sample VALUES (NULL, ?, ?, ?, NULL, ?, ?, NULL, NULL, ?, ?, ?, ?)", rows
    )
    return len(rows)


def state_row(
    connection: sqlite3.Connection, chamber: int, heat: int, closings: int, base_ms: int
) -> int:
    """A state: a few are new every day, as in a log."""
    cursor = connection.execute(
        "INSERT INTO state VALUES (NULL, 1, ?, 25000, 'HOLDING', ?, ?, ?, '', ?, 25000)",
        (chamber, heat, closings, base_ms, MAT_BASE_MC),
    )
    return int(cursor.lastrowid or 0)


def of_box(
    number: np.ndarray, t_ms: np.ndarray, box: int, chance: np.random.Generator
) -> Iterator[list[int]]:
    """Rows with the spread of a running box."""
    many = len(number)
    day = 2 * np.pi * number / DAY_CYCLES
    table = np.stack(
        (
            29_400 + chance.integers(-3, 4, many) * 62,
            8_000 + 3_000 * np.sin(day + box) + chance.integers(-3, 4, many) * 62,
            41_000 + chance.integers(-20, 20, many) * 62,
            25_000 + 700 * np.sin(day / 7 + box) + chance.normal(0, 50, many),
            chance.integers(38, 44, many),
            29_400 + chance.normal(0, 300, many),
            580 + chance.normal(0, 50, many),
        ),
        axis=1,
    )
    yield from table.astype(int).tolist()


def measured(name: str, *words: str) -> float:
    """Run Python with these words and print what it cost; the time in s."""
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    begun = time.perf_counter()
    process = subprocess.run([sys.executable, *words], capture_output=True, text=True, check=True)
    took_s = time.perf_counter() - begun
    used = resource.getrusage(resource.RUSAGE_CHILDREN)
    cpu_s = used.ru_utime + used.ru_stime - before.ru_utime - before.ru_stime
    # Not of RUSAGE_CHILDREN: that counts what this process had when it forked.
    peak_kib = int(process.stderr.rpartition("VmHWM:")[2].split()[0])
    print(
        f"  {name:<28} {took_s:6.2f} s, processor {cpu_s:5.2f} s, "
        f"peak {peak_kib / 1024:4.0f} MB, {len(process.stdout.splitlines())} lines"
    )
    return took_s


def main() -> None:
    """Make the log and measure."""
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("--days", type=int, default=120)
    options.add_argument("--boxes", type=int, default=4)
    options.add_argument("--folder", type=Path, default=None)
    options.add_argument("--repeat", type=int, default=3)
    options.add_argument("--keep", action="store_true")
    asked = options.parse_args()
    with contextlib.ExitStack() as stack:
        if asked.keep:
            folder = tempfile.mkdtemp(dir=asked.folder)
        else:
            folder = stack.enter_context(tempfile.TemporaryDirectory(dir=asked.folder))
        for name, keep_days in (("as it was recorded", None), ("as it is kept", 14)):
            path = Path(folder) / f"{name.replace(' ', '-')}.sqlite"
            begun = time.perf_counter()
            count = season(path, asked.days, asked.boxes, keep_days=keep_days)
            took_s = time.perf_counter() - begun
            print(f"The season {name}, written in {took_s:.0f} s:")
            sizes(path, count)
            look(path, asked.repeat)


def sizes(path: Path, count: int) -> None:
    """Print what the file holds."""
    with contextlib.closing(sqlite3.connect(path)) as connection:
        connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
        left, thinned, free = (
            connection.execute(sql).fetchone()[0]
            for sql in (
                "SELECT count(*) FROM sample",
                "SELECT count(*) FROM thinned",
                "PRAGMA freelist_count",
            )
        )
    size = path.stat().st_size
    print(f"  {size / 1e6:.1f} MB, of it {free * 1024 / 1e6:.1f} free")
    if thinned:
        print(f"  {left} samples of {count}, and {thinned} rows of minutes")
    else:
        print(f"  {count} samples, {size / count:.1f} bytes each")


def look(path: Path, repeat: int) -> None:
    """Review it."""
    log = ("--log", str(path), "--config", "/none")
    for _ in range(repeat):
        bare_s = measured("SQLite alone", "-c", SQL, str(path), BARE)
        own_s = measured("review of all of it", "-c", REVIEW, "--from", "2026-10-01", *log)
        print(f"  {own_s / bare_s:.2f} times as long as SQLite alone")
    measured("columns of all values, a box", "-c", COLUMNS, str(path))
    measured("review (last 7 days)", "-c", REVIEW, *log)
    measured("review --last-fault", "-c", REVIEW, "--last-fault", *log)
    page = path.with_name("page.html")
    for name, *words in (
        ("review --last-fault --html", "--last-fault"),
        ("review of all of it --html", "--from", "2026-10-01"),
    ):
        measured(name, "-c", REVIEW, *words, "--html", str(page), *log)
        print(f"  {page.stat().st_size / 1e6:.2f} MB of page")


if __name__ == "__main__":
    main()
