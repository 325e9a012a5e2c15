"""What the log costs: ``python tests/bench/bench_log.py``.

Prints bytes a sample row, bytes written a day (from /proc/self/io: ``write_bytes`` is what goes to
the device, before the card's own amplification), and times.  Give a folder on the disk in question
as the argument; the default is the folder for temporary files.  What thinning adds is measured by
``thinning.py``.
"""

from __future__ import annotations

import os
import random
import sys
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path

sys.path.append(str(Path(__file__).resolve().parents[1]))

from bottomheat.model import Estimate, Good, Place, Record
from bottomheat_drivers.log import LogReader, SqliteJournal
from log_tools import SetClock, raw, sample

CYCLES = 8640  # a day at 10 s


def winter(chamber: str, cycles: int, seed: int, start_s: float = 1000.0) -> Iterator[Record]:
    """Rows with the spread of a running box: three probes, a relay in a 10-minute window."""
    chance = random.Random(seed)
    closings = 0
    for n in range(cycles):
        at_s = start_s + 10.0 * n + chance.random() / 10
        heat = n % 60 < 35
        closings += n % 60 == 0
        readings = (
            (Place.SUBSTRATE, Good(29.4 + round(chance.gauss(0, 3)) / 16, at_s)),
            (Place.ROOM, Good(11.2 + round(chance.gauss(0, 40)) / 16, at_s)),
            (Place.MAT, Good(41.0 + round(chance.gauss(0, 40)) / 16, at_s)),
        )
        yield sample(
            at_s,
            chamber,
            closings,
            readings=readings,
            estimate=Estimate(25.0 + chance.gauss(0, 0.05), 0.4 + chance.gauss(0, 0.02)),
            substrate_setpoint_c=29.4 + chance.gauss(0, 0.3),
            duty=0.58 + chance.gauss(0, 0.05),
            heat=heat,
        )


def io() -> dict[str, int]:
    """This process's counters, bytes."""
    lines = Path("/proc/self/io").read_text().splitlines()
    return {key: int(value) for key, value in (line.split(": ") for line in lines)}


def fortnight(folder: Path) -> None:
    rows = list(winter("north-bench", 14 * CYCLES, 1))
    begun = time.perf_counter()
    kept = SqliteJournal(folder / "a.sqlite", None, SetClock(), "0", "b", background=False)
    for row in rows:
        kept.record((row,), ())
    kept.close()
    written_s = time.perf_counter() - begun
    size = (folder / "a.sqlite").stat().st_size
    begun = time.perf_counter()
    with LogReader(folder / "a.sqlite") as log:
        found = sum(1 for _ in log.samples("north-bench"))
    read_s = time.perf_counter() - begun
    print(f"14 days x 1 chamber in the foreground: {found} rows")
    print(f"  written in {written_s:.2f} s, read back in {read_s:.2f} s")
    print(f"  {size / found:.1f} bytes of file a row")


def day(folder: Path, ring_folder: Path, chambers: int) -> None:
    names = [f"bench-{n}" for n in range(chambers)]
    cycles = list(zip(*(winter(name, CYCLES, n) for n, name in enumerate(names)), strict=True))
    kept = SqliteJournal(folder / "b.sqlite", ring_folder, SetClock(), "0", "b", commit_every_s=1e9)
    kept.flush(10.0)
    before = io()
    caller_s: list[float] = []
    for n, records in enumerate(cycles, 1):
        begun = time.perf_counter()
        kept.record(records, ())
        caller_s.append(time.perf_counter() - begun)
        if n % 60 == 0:  # ten minutes
            kept.flush(30.0)
    after = io()
    kept.close()
    closed = io()
    ring_bytes = sum(min(512, 200) for _ in cycles) * chambers  # about; memory, not the card
    caller_s.sort()
    rows = raw(folder / "b.sqlite", "SELECT count(*) FROM sample")[0][0]
    print(f"1 day x {chambers} chambers in the background, a commit every 10 minutes: {rows} rows")
    print(f"  to the device {(after['write_bytes'] - before['write_bytes']) / 1e6:.2f} MB,")
    print(f"  and {(closed['write_bytes'] - after['write_bytes']) / 1e6:.2f} MB at the close")
    print(
        f"  by write calls {(after['wchar'] - before['wchar']) / 1e6:.2f} MB, of which about "
        f"{ring_bytes / 1e6:.1f} MB into the ring file in memory"
    )
    print(
        f"  record() of {chambers} rows holds its caller {caller_s[len(caller_s) // 2] * 1e6:.0f} "
        f"µs (median), {caller_s[-len(caller_s) // 1000] * 1e6:.0f} µs (99.9 %)"
    )


def late_rows(folder: Path) -> None:
    """A row late in a season: rowids over two million, hundreds of states, long uptime."""
    kept = SqliteJournal(folder / "c.sqlite", None, SetClock(), "0", "b", background=False)
    kept.record(list(winter("north-bench", 2, 1)), ())
    kept.close()
    import sqlite3

    connection = sqlite3.connect(folder / "c.sqlite")
    connection.execute("UPDATE sample SET id = id + 3000000")
    connection.execute("UPDATE state SET id = id + 1000")
    connection.execute("UPDATE sample SET state = state + 1000")
    connection.commit()
    connection.close()
    size = (folder / "c.sqlite").stat().st_size
    kept = SqliteJournal(folder / "c.sqlite", None, SetClock(), "0", "b", background=False)
    kept.record(list(winter("north-bench", 5 * CYCLES, 1, start_s=2.6e6)), ())
    kept.close()
    more = (folder / "c.sqlite").stat().st_size - size
    print(f"late in a season, 30 days after boot: {more / (5 * CYCLES):.1f} bytes of file a row")


def main() -> None:
    where = sys.argv[1] if len(sys.argv) > 1 else None
    memory = "/dev/shm" if os.path.isdir("/dev/shm") else None
    with (
        tempfile.TemporaryDirectory(dir=where) as name,
        tempfile.TemporaryDirectory(dir=memory) as ring_name,
    ):
        fortnight(Path(name))
        day(Path(name), Path(ring_name), 1)
        (Path(name) / "b.sqlite").unlink()
        day(Path(name), Path(ring_name), 4)
        late_rows(Path(name))


if __name__ == "__main__":
    main()
