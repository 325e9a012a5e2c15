"""What thinning old samples adds to what the log writes to the card, and where those bytes go.

    python tests/bench/thinning.py                                  # 4 boxes, 64 days, 14 and 42
    python tests/bench/thinning.py --keep 3 --tens 6 --days 30      # ten times round, in less time
    python tests/bench/thinning.py --keep 6 --tens 6 --days 17      # samples to tens at once

Writes a log in memory commit by commit, as the service does, so that its pages lie as years leave
them: pages that old samples leave are taken by new ones, and lie apart a little more every time
round.  Then goes on with it for some days on a card (root: a loop device), with and without
thinning: what the device took, SQLite's frames and checkpoints among it, and of which tables.
"""

from __future__ import annotations

import argparse
import os
import shutil
import sqlite3
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

from bench_log import CYCLES, winter
from winter_card import make_card

sys.path.append(str(Path(__file__).resolve().parents[1]))

from bottomheat_drivers.log import codec, retention
from bottomheat_drivers.log.store import Old, RunStart, Store

DAY_S, DAY_MS = 86_400.0, 86_400_000
START_S = 1000.0
BEGAN_MS = 1_790_812_800_000
COMMITS, COMMIT_S = 144, 600.0
BLOCK = 4096
"""Of ext4, bytes."""


@dataclass(slots=True)
class Frames:
    """What goes into the -wal file, and from there into the log: told from the file itself.

    The file's format: sqlite.org/fileformat2.html, "The Write-Ahead Log".
    """

    path: Path
    page_size: int = 0
    frames: Counter[int] = field(default_factory=Counter)
    copied: Counter[int] = field(default_factory=Counter)
    blocks: int = 0
    checkpoints: int = 0
    _salt: bytes = b""
    _seen: int = 0
    _pages: set[int] = field(default_factory=set)

    def look(self) -> None:
        """Count what was added since the last look."""
        with self.path.open("rb") as file:
            head = file.read(32)
            self.page_size = int.from_bytes(head[8:12], "big")
            if head[16:24] != self._salt:  # begun anew: all of before had been copied
                self._copied()
                self._salt, self._seen = head[16:24], 0
            while True:
                file.seek(32 + self._seen * (24 + self.page_size))
                frame = file.read(24)
                if frame[8:16] != self._salt:
                    return
                page = int.from_bytes(frame[:4], "big")
                self.frames[page] += 1
                self._pages.add(page)
                self._seen += 1

    def _copied(self) -> None:
        self.copied.update(self._pages)
        self.blocks += len({(page - 1) * self.page_size // BLOCK for page in self._pages})
        self.checkpoints += bool(self._pages)
        self._pages.clear()


class Days:
    """The log of these boxes, day by day."""

    def __init__(self, path: Path, boxes: int, first: int, keep_days: int | None) -> None:
        self._boxes, self._day, self._keep_days = boxes, first, keep_days
        self._seq = 0
        t_ms, now_ms = round((START_S + first * DAY_S) * 1000), BEGAN_MS + first * DAY_MS
        run = RunStart(f"run-{first}", f"boot-{first}", "0", t_ms, now_ms, True)
        self.store = Store(path, run, None, None, 0)
        self.store.open(now_ms, t_ms)

    def go_on(self, days: int, after: Callable[[float], None] | None = None) -> tuple[float, float]:
        """Write these days; the longest commit, and all of them for each day, s."""
        longest_s = whole_s = 0.0
        for _ in range(days):
            begun_s = START_S + self._day * DAY_S
            rows = [
                winter(f"bench-{no}", CYCLES, 100 * self._day + no, begun_s)
                for no in range(self._boxes)
            ]
            for commit in range(COMMITS):
                items: list[codec.Item] = []
                for _ in range(CYCLES // COMMITS):
                    for box in rows:
                        self._seq += 1
                        items.append(codec.sample_item(self._seq, next(box)))
                now_ms = BEGAN_MS + round(self._day * DAY_MS + (commit + 1) * COMMIT_S * 1000)
                if commit % 6 == 0:
                    self._seq += 1
                    t_ms = now_ms - BEGAN_MS + round(START_S * 1000)
                    items.append(codec.ClockItem(self._seq, t_ms, now_ms, 1))
                keep = self._keep_days
                begun = time.perf_counter()
                self.store.write(items, None if keep is None else Old(now_ms, keep * DAY_MS))
                took_s = time.perf_counter() - begun
                longest_s, whole_s = max(longest_s, took_s), whole_s + took_s
                if after is not None:
                    after((now_ms - BEGAN_MS) / 1000)
            self._day += 1
        if self.store.fault is not None:
            raise RuntimeError(self.store.fault)
        return longest_s, whole_s / days

    def close(self) -> None:
        """As at an orderly end."""
        self.store.close(orderly=True)


def aged(path: Path, boxes: int, days: int, keep_days: int) -> None:
    """Write the log of so many days."""
    log = Days(path, boxes, 0, keep_days)
    longest_s, a_day_s = log.go_on(days)
    log.close()
    print(
        f"{days} days of {boxes} boxes in memory: {path.stat().st_size / 1e6:.1f} MB; commits of "
        f"{a_day_s:.1f} s a day, the longest {longest_s * 1000:.0f} ms"
    )


def measured(folder: Path, log: Path, boxes: int, first: int, keep: int | None, days: int) -> float:
    """Go on with a copy of the log on a card, a day to settle and so many to count; MB a day."""
    card = make_card(folder)
    try:
        path = card.folder / "log.sqlite"
        shutil.copy(log, path)
        going = Days(path, boxes, first, keep)
        frames = Frames(Path(f"{path}-wal"))

        def after(at_s: float) -> None:
            frames.look()
            for later_s in (0.0, 6.0, 40.0):
                card.pass_time(at_s + later_s)

        going.go_on(1, after)
        before, _ = card.written([os.getpid()])
        frames.frames.clear(), frames.copied.clear()
        frames.blocks = frames.checkpoints = 0
        longest_s, a_day_s = going.go_on(days, after)
        written, _ = card.written([os.getpid()])
        a_day_mb = (written - before) / days / 1e6
        print(
            f"{'without thinning' if keep is None else 'with it'}: {a_day_mb:.2f} MB a day to the "
            f"device; commits of {a_day_s:.1f} s a day, the longest {longest_s * 1000:.0f} ms"
        )
        tell(path, frames, days)
        going.close()
        return a_day_mb
    finally:
        card.close()
        shutil.rmtree(card.folder, ignore_errors=True)


def tell(path: Path, frames: Frames, days: int) -> None:
    """Print frames and checkpoints of a day, and of which tables they are."""
    count, copied = frames.frames.total(), frames.copied.total()
    print(
        f"  {count / days:.0f} frames, {count * (24 + frames.page_size) / days / 1e6:.2f} MB; "
        f"{frames.checkpoints / days:.1f} checkpoints of {copied / days:.0f} pages in "
        f"{frames.blocks / days:.0f} blocks of 4 KiB, {frames.blocks * BLOCK / days / 1e6:.2f} MB"
    )
    connection = sqlite3.connect(f"file:{path}?mode=ro", uri=True)
    try:
        pages = {
            page: f"{name}, {kind} pages"
            for page, name, kind in connection.execute("SELECT pageno, name, pagetype FROM dbstat")
        }
    except sqlite3.OperationalError:  # this SQLite was built without it
        return
    finally:
        connection.close()
    of: Counter[str] = Counter()
    for page, number in frames.frames.items():
        of[pages.get(page, "free")] += number
    for name, number in of.most_common(8):
        print(f"    {number / days:5.0f} frames of {name}")


def main() -> None:
    """Age a log and measure."""
    parse = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parse.add_argument("--boxes", type=int, default=4)
    parse.add_argument("--days", type=int, default=64, help="how old the log is")
    parse.add_argument("--keep", type=int, default=14, help="days that samples stay")
    parse.add_argument("--tens", type=int, default=42, help="days until rows of ten minutes")
    parse.add_argument("--measure", type=int, default=3, help="days on the card")
    parse.add_argument("--where", type=Path, default=None, help="folder on the disk in question")
    asked = parse.parse_args()
    retention.TENS_AFTER_MS = asked.tens * DAY_MS
    memory = "/dev/shm" if os.path.isdir("/dev/shm") else None
    with (
        tempfile.TemporaryDirectory(dir=memory) as name,
        tempfile.TemporaryDirectory(dir=asked.where) as disk,
    ):
        log = Path(name) / "log.sqlite"
        aged(log, asked.boxes, asked.days, asked.keep)
        written = [
            measured(Path(disk), log, asked.boxes, asked.days, keep, asked.measure)
            for keep in (None, asked.keep)
        ]
    print(f"thinning adds {written[1] - written[0]:.2f} MB a day")


if __name__ == "__main__":
    main()
