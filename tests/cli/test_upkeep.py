"""``bottomheat upkeep``: what is said of log and card, and that nothing is written."""

from __future__ import annotations

import os
import sqlite3
from collections.abc import Iterator
from pathlib import Path

import pytest

from bottomheat.cli.findings import Finding, Level
from bottomheat.cli.upkeep_cmd import LATE_S, card_findings, log_findings
from bottomheat.errors import UNWELL
from bottomheat_drivers.log.health import Health, health, put_aside, room
from log_tools import SetClock, journal, sample
from service import Service

WHOLE = Health(None, 24_000_000, 100_000, 1)


@pytest.fixture
def service(tmp_path: Path) -> Iterator[Service]:
    made = Service(tmp_path)
    yield made
    made.end()


def written(folder: Path, rows: int = 3000, at_s: float = 100.0) -> Path:
    folder.mkdir(exist_ok=True)
    kept = journal(folder, SetClock(at_s + rows), background=False)
    kept.record([sample(at_s + n) for n in range(rows)], [])
    kept.close()
    return folder / "log.sqlite"


def damage(path: Path, at: int) -> None:
    with path.open("r+b") as file:
        file.seek(at)
        file.write(b"\xa5" * 4096)


def listing(folder: Path) -> dict[str, tuple[int, int]]:
    status = {path.name: path.stat() for path in folder.iterdir()}
    return {name: (each.st_size, each.st_mtime_ns) for name, each in status.items()}


def levels(found: list[Finding]) -> list[Level]:
    return [finding.level for finding in found]


def test_where_nothing_has_run_nothing_is_wrong_and_nothing_is_made(service: Service) -> None:
    done = service.command("upkeep")
    assert (done.returncode, done.stderr) == (0, "")
    assert "nothing has run here yet" in done.stdout
    assert not service.state.exists(), "an empty state folder is how a first start knows itself"


def test_a_stopped_service_with_a_whole_log_is_well(service: Service) -> None:
    written(service.state)
    before = listing(service.state)
    done = service.command("upkeep")
    assert done.returncode == 0, done.stdout + done.stderr
    assert "the log is whole" in done.stdout
    assert "the service does not run" in done.stdout
    assert "left on the card" in done.stdout
    assert listing(service.state) == before


def test_a_damaged_log_is_told_and_left_as_it_is(service: Service) -> None:
    path = written(service.state)
    damage(path, 4096 * 20)
    before = listing(service.state)
    done = service.command("upkeep")
    assert done.returncode == UNWELL
    assert "damaged" in done.stdout
    assert "Traceback" not in done.stdout + done.stderr
    assert listing(service.state) == before


def test_files_put_aside_are_listed(service: Service) -> None:
    path = written(service.state)
    aside = path.with_name("log.sqlite.damaged-20260116-080000")
    aside.write_bytes(b"x" * 2_500_000)
    path.with_name("log.sqlite.before-format-3").write_bytes(b"x" * 1000)
    assert [size for _, size in put_aside(path)] == [1000, 2_500_000]
    done = service.command("upkeep")
    assert done.returncode == 0
    assert f"{aside} was put aside, 2.5 MB" in done.stdout.replace("\n          ", " ")


@pytest.mark.process
def test_beside_a_running_service_it_reads_and_writes_nothing(service: Service) -> None:
    service.start()
    service.wait((service.state / "log.sqlite-wal").exists)
    service.wait(lambda: bool(service.ask("status").get("ok", True)))
    done = service.command("upkeep")
    assert done.returncode == 0, done.stdout + done.stderr
    assert "the log is whole" in done.stdout
    assert "does not run" not in done.stdout
    with sqlite3.connect(f"file:{service.state / 'log.sqlite'}?mode=ro", uri=True) as log:
        (runs,) = log.execute("SELECT count(*) FROM run").fetchone()
    assert runs == 1


def test_the_newest_row_is_one_of_this_boot(tmp_path: Path) -> None:
    path = written(tmp_path, rows=50, at_s=100.0)
    connection = sqlite3.connect(path)
    (boot,) = connection.execute("SELECT boot_id FROM run").fetchone()
    connection.close()
    assert health(path, boot).newest_ms == 149_000
    assert health(path, "another boot").newest_ms is None
    assert health(path, boot).size_bytes >= path.stat().st_size


@pytest.mark.parametrize(
    ("since_s", "running_s", "level"),
    [
        (30.0, 3 * LATE_S, Level.WELL),
        (LATE_S + 1, LATE_S + 1, Level.WRONG),
        (None, LATE_S + 1, Level.WRONG),
        (None, LATE_S - 1, None),  # just started: rows reach the card after ten minutes
        (LATE_S + 1, LATE_S - 1, Level.WELL),  # of the run before
        (30.0, None, Level.NOTE),
    ],
)
def test_rows_that_do_not_arrive_are_told(
    since_s: float | None, running_s: float | None, level: Level | None
) -> None:
    found = levels(log_findings(WHOLE, since_s=since_s, running_s=running_s))
    assert found == [Level.WELL] + ([] if level is None else [level])


def test_rows_that_wait_beside_the_log_for_long_are_told() -> None:
    waits = Health(None, 90_000_000, 60_000_000, 1)
    assert Level.NOTE in levels(log_findings(waits, since_s=5.0, running_s=10.0))


@pytest.mark.parametrize(
    ("free_bytes", "read_only", "level"),
    [
        (30_000_000_000, False, Level.WELL),
        (100_000_000, False, Level.NOTE),
        (10_000_000, False, Level.WRONG),
        (30_000_000_000, True, Level.WRONG),
    ],
)
def test_a_full_or_dying_card_is_told(free_bytes: int, read_only: bool, level: Level) -> None:
    assert levels(card_findings(free_bytes, read_only)) == [level]


def test_a_folder_that_only_this_unit_sees_read_only_is_no_dying_card(tmp_path: Path) -> None:
    device = os.stat(tmp_path).st_dev
    line = "36 35 {}:{} / / {},relatime shared:1 - ext4 /dev/mmcblk0p2 {},errors=remount-ro\n"
    mounts = tmp_path / "mountinfo"
    for own, kernels, read_only in (("ro", "rw", False), ("rw", "ro", True), ("rw", "rw", False)):
        other = line.format(0, 99, "ro", "ro")
        mounts.write_text(other + line.format(os.major(device), os.minor(device), own, kernels))
        left, found = room(tmp_path, mounts)
        assert left > 0
        assert found is read_only
