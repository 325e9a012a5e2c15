"""The machine loses its power while it writes; what is left on the disk is opened and booted.

One run writes, QEMU keeps every write in order, and the disk is made again as it may have been at
many moments: with everything of before the last flush, and an arbitrary part of what came after.
What a card does of its own accord when its power goes is not in this.
"""

from __future__ import annotations

import random
import shutil
import sqlite3
import subprocess
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from bottomheat.model import EventKind
from bottomheat_drivers.latch_file import LatchFile
from bottomheat_drivers.log import LogReader
from bottomheat_drivers.log.before import look_back
from rig import writes
from rig.conftest import Boot
from rig.machine import Machine
from rig.shed import heats, latched, trip

Record = Callable[[str, object], None]

CUTS = 24
BOOTED = 2
ENTRIES = 40
SEED = 20261125


@dataclass(frozen=True)
class Written:
    """What a machine wrote: the disk of before, and all writes; by index what was acknowledged."""

    base: bytes
    entries: list[writes.Entry]
    notes: list[tuple[int, str]]
    latched_at: int


def enter(machine: Machine, note: str) -> None:
    """Make an entry as a grower does, and wait until the log has it."""
    answer = machine.ask("tend", chamber="north-bench", doing="look", for_s=600, note=note)
    assert answer is not None
    assert answer["ok"], answer
    machine.wait(lambda: machine.python(IN_LOG, note), 20.0, every_s=0.05)


IN_LOG = """
import sqlite3
log = sqlite3.connect("file:/var/lib/bottomheat/log.sqlite?mode=ro", uri=True, timeout=5)
answer = log.execute("SELECT count(*) FROM tending WHERE note = ?", (given,)).fetchone()[0]
log.close()
"""


OUTAGES = """
import sqlite3
log = sqlite3.connect("file:/var/lib/bottomheat/log.sqlite?mode=ro", uri=True, timeout=5)
answer = [text for (text,) in log.execute(
    "SELECT text FROM event WHERE kind = 'outage' AND run = (SELECT max(id) FROM run)")]
log.close()
"""


def write_until_cut(boot: Boot, disk: Path, log: Path) -> Written:
    """Let it run, make entries, trip the cutoff in between, and cut the power in mid-write."""
    base = disk.read_bytes()
    machine = boot(data_options=writes.options(disk, log))
    heats(machine, 240.0)
    notes = []
    latched_at = 0
    for number in range(ENTRIES):
        note = f"entry {number}"
        enter(machine, note)
        notes.append((writes.entry_count(log), note))
        if number == ENTRIES // 2:
            trip(machine)
            latched_at = writes.entry_count(log)
    machine.power_cut()
    return Written(base, list(writes.entries(log)), notes, latched_at)


def repaired(disk: Path, folder: Path) -> Path:
    """Do to a disk what the boot does, and copy its files out; returns the state folder."""
    checked = subprocess.run(["e2fsck", "-p", disk], capture_output=True, check=False)
    assert checked.returncode in (0, 1), checked.stdout
    subprocess.run(
        ["debugfs", "-R", f"rdump /bottomheat {folder}", disk], capture_output=True, check=True
    )
    return folder / "bottomheat"


def check(state: Path, at: int, written: Written) -> None:
    """What was acknowledged before the cut is there, and nothing is damaged."""
    log = state / "log.sqlite"
    acknowledged = [note for index, note in written.notes if index <= at]
    for name in ("daemon", "keeper"):
        latches = LatchFile(state / f"{name}-latch.json").load()
        assert "north-bench" in latches or at < written.latched_at, name
    if log.exists() or acknowledged:
        before = look_back(log, state / "run", "after the cut", 20.0).before
        assert before is None or not before.orderly
        if acknowledged:
            assert before is not None
            with LogReader(log) as reader:
                assert set(acknowledged) <= {row.note for row in reader.tendings()}
                assert len(reader.events(kind=EventKind.TENDING)) >= len(acknowledged)
        with sqlite3.connect(log) as whole:
            assert whole.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
        whole.close()


def test_no_cut_loses_an_entry_or_a_latch(
    boot: Boot, tmp_path: Path, record_property: Record
) -> None:
    disk = tmp_path / "data.img"
    written = write_until_cut(boot, disk, tmp_path / "writes.log")
    first = written.notes[0][0]
    assert len(written.entries) > first + CUTS, "it wrote all the while"
    chance = random.Random(SEED)
    lost = 0
    moments = sorted(chance.sample(range(first, len(written.entries)), CUTS))
    for number, at in enumerate(moments):
        image, some = writes.cut(written.base, written.entries, at, chance)
        lost += some
        disk.write_bytes(image)
        if number in (CUTS // 3, CUTS - 1):
            shutil.copy(disk, tmp_path / f"boot-{number}.img")
        folder = tmp_path / f"cut-{number}"
        folder.mkdir()
        check(repaired(disk, folder), at, written)
    record_property("power cuts in mid-write", CUTS)
    record_property("writes lost or torn by them", lost)
    assert lost, "else they were no cuts in mid-write"
    for number in (CUTS // 3, CUTS - 1):
        again = boot(data=tmp_path / f"boot-{number}.img")
        boots_and_tells(again, cut_out=moments[number] >= written.latched_at)


def boots_and_tells(machine: Machine, *, cut_out: bool) -> None:
    """It comes up by itself, says that there was an outage, and is latched if it was."""
    machine.wait(lambda: machine.ask("status"), 240.0, every_s=2.0)
    machine.wait(lambda: machine.python(OUTAGES), 60.0)
    if cut_out:
        assert latched(machine)
        machine.wait(lambda: machine.ask("status")["running_s"] > 30.0, 120.0, every_s=5.0)
        assert machine.first(True, 0.0) is None, "no heat since the boot"
    else:
        heats(machine, 120.0)
