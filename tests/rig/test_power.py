"""A machine with an old log and its clock in 1970 writes, trips, hangs, and boots again.

The log is of the first release; the machine has a hardware watchdog.  QEMU keeps every write to its
disk in order, so that the disk can be made again as a power cut may have left it at many moments:
with all of before the last flush, and an arbitrary part of what came after.  What a card does of
its own accord is not in this.
"""

from __future__ import annotations

import random
import shutil
import sqlite3
import subprocess
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import pytest

from bottomheat_drivers.latch_file import LatchFile
from bottomheat_drivers.log import SCHEMA_VERSION, LogReader
from bottomheat_drivers.log.before import look_back
from log_tools import OLD_LOGS
from rig import writes
from rig.image import WATCHDOG_S, Image
from rig.machine import Machine
from rig.shed import alarms, heats, in_log, latched, tended, trip

Record = Callable[[str, object], None]

CUTS = 24
ENTRIES = 30
SEED = 20261125
TRUE_TIME_S = 1_796_000_000
"""What the clock is set to, s since 1970: a day in November 2026."""
CLOCK_GRAIN_S = 1.0
"""The machine's clock chip, which goes on while its kernel hangs, shows whole seconds."""

HANG_SOON = """
def _hang():
    time.sleep(0.5)
    Path('/sys/kernel/debug/shed_gpio/hang').write_text('now')
threading.Thread(target=_hang).start()
answer = int(Path('/sys/class/rtc/rtc0/since_epoch').read_text()) + 0.5
"""

SET_CLOCK = """
import ctypes
time.clock_settime(time.CLOCK_REALTIME, given)
# What a time service does then, so that the kernel counts the clock as synchronised (adjtimex(2)):
# the struct begins with modes, offset, frequency, maxerror, esterror and status.
timex = (ctypes.c_long * 32)()
timex[0], timex[3], timex[4], timex[5] = 0x10 | 0x04 | 0x08, 1000, 1000, 0x0001
answer = ctypes.CDLL(None, use_errno=True).adjtimex(ctypes.byref(timex))
"""


@dataclass(frozen=True, repr=False)
class Story:
    """What the first machine did: the disk of before, all writes, and the disk in the end.

    ``notes`` and ``latched_at`` say with which entry of ``writes`` something was on the disk.
    """

    base: bytes
    writes: list[writes.Entry]
    notes: list[tuple[int, str]]
    latched_at: int
    disk: Path
    clock_set_s: float
    trip_s: float
    reset_s: float


@pytest.fixture(scope="module")
def story(image: Image, proved: Path, tmp_path_factory: pytest.TempPathFactory) -> Story:
    folder = tmp_path_factory.mktemp("story")
    disk, log, old = folder / "data.img", folder / "writes.log", folder / "old.sqlite"
    shutil.copy(proved, disk)
    make_old_log(old)
    debugfs(disk, f"write {old} /bottomheat/log.sqlite", "-w")
    base = disk.read_bytes()
    machine = Machine(
        image,
        folder,
        data=disk,
        data_options=writes.options(disk, log),
        watchdog=True,
        clock="1970-01-01T00:00:00",
    )
    try:
        heats(machine, 240.0)
        assert machine.python("answer = time.time()") < TRUE_TIME_S - 86_400
        machine.wait(lambda: machine.ask("status")["running_s"] > 20.0, 60.0)
        clock_set_s = machine.now_s()
        assert machine.python(SET_CLOCK, TRUE_TIME_S) >= 0
        machine.wait(lambda: machine.ask("status")["synchronised"], 60.0)
        assert "config-refused" not in alarms(machine)
        notes, latched_at, trip_s = [], 0, 0.0
        for number in range(ENTRIES):
            note = f"entry {number}"
            tended(machine, note)
            machine.wait(lambda note=note: in_log(machine, note), 20.0, every_s=0.05)
            notes.append((writes.entry_count(log), note))
            if number == ENTRIES // 2:
                trip_s = trip(machine)
                latched_at = writes.entry_count(log)
        hung_at_s = float(machine.python(HANG_SOON))
        happened = machine.monitor.happened("WATCHDOG", "SHUTDOWN", longest_s=300.0)
        reset_s = machine.monitor.rtc_s() - hung_at_s
        assert happened.index("WATCHDOG") < happened.index("SHUTDOWN"), happened
    finally:
        machine.power_cut()
    kept = list(writes.entries(log))
    return Story(base, kept, notes, latched_at, disk, clock_set_s, trip_s, reset_s)


def make_old_log(path: Path) -> None:
    """Make a log as the first release left it."""
    log = sqlite3.connect(path)
    log.executescript((OLD_LOGS / "log_format_1.sql").read_text())
    log.close()


def debugfs(disk: Path, command: str, *options: str) -> None:
    """Do something to the files on a disk that is not mounted."""
    subprocess.run(
        ["debugfs", *options, "-R", command, disk],
        check=True,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )


def state_on(disk: Path, folder: Path) -> Path:
    """Do to a copy of a disk what the boot does, and copy its files out."""
    folder.mkdir()
    copy = folder / "copy.img"
    shutil.copy(disk, copy)
    checked = subprocess.run(["e2fsck", "-p", copy], capture_output=True, check=False)
    assert checked.returncode in (0, 1), checked.stdout
    debugfs(copy, f"rdump /bottomheat {folder}")
    copy.unlink()
    return folder / "bottomheat"


def rows(log: Path, sql: str) -> list[tuple[object, ...]]:
    """What a query finds in a log, as plain SQLite."""
    opened = sqlite3.connect(log)
    try:
        return opened.execute(sql).fetchall()
    finally:
        opened.close()


def test_a_log_of_the_first_release_goes_on(story: Story, tmp_path: Path) -> None:
    old = tmp_path / "old.sqlite"
    make_old_log(old)
    log = state_on(story.disk, tmp_path / "end") / "log.sqlite"
    assert rows(log, "PRAGMA user_version") == [(SCHEMA_VERSION,)]
    for table in ("event", "reference", "sample"):
        before = rows(old, f"SELECT id, t_ms FROM {table} ORDER BY id")  # noqa: S608
        assert before, table
        after = rows(log, f"SELECT id, t_ms FROM {table} ORDER BY id")  # noqa: S608
        assert before == after[: len(before)], table
        assert len(after) > len(before) or table == "reference"


def test_samples_of_before_the_clock_was_set_are_placed_right(
    story: Story, tmp_path: Path, record_property: Record
) -> None:
    with LogReader(state_on(story.disk, tmp_path / "end") / "log.sqlite") as log:
        (run,) = (each for each in log.runs()[-1:])
        assert run.sure
        walls = [
            row.wall_ms / 1000
            for row in log.samples("north-bench", from_ms=round(run.began_wall_ms) - 1000)
        ]
    assert walls == sorted(walls)
    assert all(at > TRUE_TIME_S - story.clock_set_s - 2.0 for at in walls), "none is in 1970"
    early = sum(at < TRUE_TIME_S for at in walls)
    record_property("samples of before the clock was set", early)
    assert early >= 2
    assert len(walls) - early >= 2


def test_no_cut_in_mid_write_loses_an_entry_or_a_latch(
    story: Story, tmp_path: Path, record_property: Record
) -> None:
    first = story.notes[0][0]
    chance = random.Random(SEED)
    lost = 0
    for number, at in enumerate(sorted(chance.sample(range(first, len(story.writes)), CUTS))):
        image, some = writes.cut(story.base, story.writes, at, chance)
        lost += some
        disk = tmp_path / "cut.img"
        disk.write_bytes(image)
        state = state_on(disk, tmp_path / f"cut-{number}")
        log = state / "log.sqlite"
        for name in ("daemon", "keeper"):
            latches = LatchFile(state / f"{name}-latch.json").load()
            assert "north-bench" in latches or at < story.latched_at, (at, name)
        before = look_back(log, state / "run", "after the cut", 20.0).before
        assert before is not None, at
        assert not before.orderly, "so that the outage is told"
        acknowledged = {note for index, note in story.notes if index <= at}
        with LogReader(log) as reader:
            assert acknowledged <= {row.note for row in reader.tendings()}, at
        assert rows(log, "PRAGMA integrity_check") == [("ok",)], at
    record_property("power cuts in mid-write", CUTS)
    record_property("writes lost or torn by them", lost)
    assert lost, "else they were no cuts in mid-write"


def test_boots_after_a_cut_in_mid_write(story: Story, image: Image, tmp_path: Path) -> None:
    """Before the trip: it tells the outage and heats again by itself."""
    chance = random.Random(SEED)
    at = chance.randrange(story.notes[2][0], story.notes[ENTRIES // 2][0])
    disk = tmp_path / "cut.img"
    disk.write_bytes(writes.cut(story.base, story.writes, at, chance)[0])
    machine = Machine(image, tmp_path, data=disk)
    try:
        machine.wait(lambda: machine.python(OUTAGE), 240.0, every_s=2.0)
        assert not latched(machine)
        heats(machine, 120.0)
    finally:
        machine.power_cut()


OUTAGE = """
import sqlite3
try:
    log = sqlite3.connect("file:/var/lib/bottomheat/log.sqlite?mode=ro", uri=True, timeout=5)
    answer = log.execute(
        "SELECT text FROM event WHERE kind = 'outage' AND run = (SELECT max(id) FROM run)"
    ).fetchall()
    log.close()
except sqlite3.Error:
    answer = []
"""


def test_latched_after_the_watchdog_has_reset_the_machine(
    story: Story, image: Image, tmp_path: Path, record_property: Record
) -> None:
    """The time to the reset is the machine's, by its clock chip, which QEMU goes on to show.

    The kernel hangs with its interrupts off; nothing in it can feed the watchdog any more.
    """
    record_property("line low after the mat read 65 °C", f"{story.trip_s:.1f} s")
    record_property("reset after the kernel hung", f"{story.reset_s:.1f} s, give or take 1 s")
    assert 0.0 < story.reset_s <= WATCHDOG_S + CLOCK_GRAIN_S
    disk = tmp_path / "data.img"
    shutil.copy(story.disk, disk)
    machine = Machine(image, tmp_path, data=disk)
    try:
        machine.wait(lambda: latched(machine), 240.0, every_s=2.0)
        machine.wait(lambda: machine.ask("status")["running_s"] > 30.0, 90.0, every_s=5.0)
        assert latched(machine)
        assert machine.first(True, 0.0) is None, "not for a moment since the boot"
        status, said = machine.run("/opt/bottomheat/bin/bottomheat reset cutoff north-bench --yes")
        assert status == 0, said
        heats(machine, 120.0)
    finally:
        machine.power_cut()
