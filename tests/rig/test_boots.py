"""What a boot may begin with: a clock in 1970, a log of the first release, a machine that hung."""

from __future__ import annotations

import sqlite3
import subprocess
import time
from collections.abc import Callable
from pathlib import Path

import pytest

from bottomheat_drivers.log import SCHEMA_VERSION, LogReader
from log_tools import OLD_LOGS
from rig.conftest import Boot
from rig.shed import heats, latched, trip

Record = Callable[[str, object], None]

TRUE_TIME = 1_796_000_000
"""Wall time that the machine is set to, s since 1970; of 30 November 2026."""


def put(disk: Path, file: Path, name: str) -> None:
    """Put a file into the state folder on a data disk."""
    subprocess.run(
        ["debugfs", "-w", "-R", f"write {file} /bottomheat/{name}", disk],
        check=True,
        capture_output=True,
    )


def take(disk: Path, folder: Path) -> Path:
    """Copy the state folder out of a data disk; returns where it is."""
    subprocess.run(["e2fsck", "-p", disk], capture_output=True, check=False)
    subprocess.run(
        ["debugfs", "-R", f"rdump /bottomheat {folder}", disk], capture_output=True, check=True
    )
    return folder / "bottomheat"


SET_CLOCK = """
import ctypes
time.clock_settime(time.CLOCK_REALTIME, given)
# What a time service does then: the kernel counts the clock as synchronised (adjtimex(2)).
# The struct begins with modes, offset, frequency, maxerror, esterror and status.
timex = (ctypes.c_long * 32)()
timex[0] = 0x10 | 0x04 | 0x08
timex[3] = timex[4] = 1000
timex[5] = 0x0001
answer = ctypes.CDLL(None, use_errno=True).adjtimex(ctypes.byref(timex))
"""


def test_clock_in_1970_and_a_log_of_the_first_release(
    boot: Boot, tmp_path: Path, record_property: Record
) -> None:
    """Samples from before the clock was set are placed where they belong; old rows are there."""
    disk, old = tmp_path / "data.img", tmp_path / "old.sqlite"
    with sqlite3.connect(old) as log:
        log.executescript((OLD_LOGS / "log_format_1.sql").read_text())
    log.close()
    with LogReaderOfAnyAge(old) as before:
        events, references = before.count("event"), before.count("reference")
    put(disk, old, "log.sqlite")
    machine = boot(clock="1970-01-01T00:00:00")
    heats(machine, 240.0)
    assert machine.python("answer = time.time()") < TRUE_TIME - 86_400
    machine.wait(lambda: machine.ask("status")["running_s"] > 20.0, 60.0)
    set_s = machine.now_s()
    assert machine.python(SET_CLOCK, TRUE_TIME) >= 0
    machine.wait(lambda: machine.ask("status")["synchronised"], 60.0)
    assert machine.line(), "a step of the clock is no reason to let go"
    machine.wait(lambda: machine.now_s() > set_s + 20.0, 60.0)
    machine.do("systemctl stop bottomheat.service", 120.0)
    machine.do("sync")
    machine.power_cut()
    state = take(disk, tmp_path)
    with LogReaderOfAnyAge(state / "log.sqlite") as after:
        assert after.version == SCHEMA_VERSION
        assert after.count("event") > events
        assert after.count("reference") == references
    with LogReader(state / "log.sqlite") as log:
        run = log.runs()[-1]
        assert run.sure
        samples = [row for row in log.samples("north-bench") if row.run == run.id]
    assert len(samples) >= 6
    walls = [row.wall_ms / 1000 for row in samples]
    assert walls == sorted(walls)
    earliest = TRUE_TIME - set_s
    assert all(earliest < at < TRUE_TIME + 120.0 for at in walls), "none is in 1970"
    assert sum(at < TRUE_TIME for at in walls) >= 3, "those of before it was set too"
    record_property("samples placed right around a jump of the clock", len(samples))


class LogReaderOfAnyAge:
    """A log as plain SQLite."""

    def __init__(self, path: Path) -> None:
        self._log = sqlite3.connect(path)

    def __enter__(self) -> LogReaderOfAnyAge:
        return self

    def __exit__(self, *_: object) -> None:
        self._log.close()

    @property
    def version(self) -> int:
        return int(self._log.execute("PRAGMA user_version").fetchone()[0])

    def count(self, table: str) -> int:
        return int(self._log.execute(f"SELECT count(*) FROM {table}").fetchone()[0])  # noqa: S608


def test_trip_then_the_kernel_hangs_then_still_latched(boot: Boot, record_property: Record) -> None:
    """The hardware watchdog resets a machine whose kernel has stopped; the latch outlives it."""
    machine = boot(watchdog=True)
    assert "watchdog" in machine.do("journalctl -b --no-pager -k -u init.scope").lower()
    heats(machine, 240.0)
    took_s = trip(machine)
    record_property("line low after the mat read 65 °C", f"{took_s:.1f} s")
    machine.python("Path('/proc/sys/kernel/sysrq').write_text('1')")
    began = time.monotonic()
    with pytest.raises((RuntimeError, TimeoutError)):
        machine.python("Path('/proc/sysrq-trigger').write_text('c')", longest_s=30.0)
    machine.process.wait(600.0)  # QEMU ends where a machine would start again
    record_property(
        "reset after the kernel hung, host's clock", f"{time.monotonic() - began:.0f} s"
    )
    again = boot(watchdog=True)
    again.wait(lambda: again.ask("status"), 240.0, every_s=2.0)
    assert latched(again)
    again.wait(lambda: again.ask("status")["running_s"] > 40.0, 90.0, every_s=5.0)
    assert latched(again)
    assert again.first(True, 0.0) is None, "not for a moment since the boot"
    status, said = again.run("bottomheat reset cutoff north-bench --yes")
    assert status == 0, said
    heats(again, 120.0)
