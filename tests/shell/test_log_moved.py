"""A log that is moved, removed or replaced while it is being written."""

from __future__ import annotations

from pathlib import Path

import pytest

from log_tools import journal, note, sample, times

PARTS = ("log.sqlite", "log.sqlite-wal", "log.sqlite-shm")


@pytest.mark.parametrize("moved", [PARTS, PARTS[:1]])
def test_rows_go_on_in_a_new_file_and_the_moved_one_keeps_its_own(
    tmp_path: Path, moved: tuple[str, ...]
) -> None:
    kept = journal(tmp_path)
    kept.record([sample(110.0)], [note(110.0, "first", durable=True)])
    assert kept.flush(60.0)
    (tmp_path / "copy").mkdir()
    for part in moved:
        (tmp_path / part).rename(tmp_path / "copy" / part)
    kept.record([sample(120.0)], [note(120.0, "second", durable=True)])
    assert not kept.flush(0.2)
    assert "was moved or removed" in (kept.failure() or "")
    assert kept.flush(60.0)
    assert kept.failure() is None
    kept.close()
    assert times(tmp_path / "log.sqlite") == [120]
    assert times(tmp_path / "copy" / "log.sqlite") == [110]


def test_a_removed_log_is_begun_again(tmp_path: Path) -> None:
    kept = journal(tmp_path)
    assert kept.flush(60.0)
    for part in PARTS:
        (tmp_path / part).unlink()
    kept.record([sample(120.0)], [])
    assert kept.flush(60.0)
    kept.close()
    assert times(tmp_path / "log.sqlite") == [120]
