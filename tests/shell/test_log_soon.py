"""What waits is written soon for a reader that asks."""

from __future__ import annotations

import time

from bottomheat_drivers.log import LogReader
from log_tools import (
    NOW_MS,
    Disk,
    entry,
    journal,
    sample,
)


def test_write_soon_shows_a_reader_what_waits(tmp_path):
    disk = Disk()
    kept = journal(tmp_path, connect=disk.connect)
    assert kept.flush(60.0)
    kept.record([sample(110.0)], [])
    kept.note_borrowed("north-bench", 21.0, 110.0)
    kept.write_soon()
    deadline = time.perf_counter() + 60
    seen: list = []
    while not seen and time.perf_counter() < deadline:
        with LogReader(tmp_path / "log.sqlite") as log:
            seen = list(log.samples("north-bench")) and list(log.borrowed("north-bench"))
    assert seen == [(NOW_MS + 10_000, 21.0)]
    commits = disk.commits
    kept.write_soon()  # nothing waits: the card is left alone
    assert kept.flush(60.0)
    assert disk.commits == commits
    kept.close()
    kept.write_soon()


def test_write_soon_waits_for_no_disk(tmp_path):
    disk = Disk()
    kept = journal(tmp_path, connect=disk.connect)
    assert kept.flush(60.0)
    disk.goes_on.clear()
    kept.record([sample(110.0)], [])
    for _ in range(3):
        kept.write_soon()
    assert disk.waiting.wait(60.0)  # the writer hangs, the caller is here
    kept.record([sample(120.0)], [])
    disk.goes_on.set()
    assert kept.flush(60.0)
    kept.close()
    with LogReader(tmp_path / "log.sqlite") as log:
        assert [row.t_ms for row in log.samples("north-bench")] == [110_000, 120_000]


def test_a_closed_foreground_journal_is_not_opened_again(tmp_path):
    kept = journal(tmp_path, background=False)
    kept.note_reference(entry())
    kept.close()
    kept.write_soon()
    assert [path.name for path in tmp_path.iterdir()] == ["log.sqlite"]
