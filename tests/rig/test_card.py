"""A card that fills up, and one that turns read-only, under the service while it heats."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from rig.machine import Machine
from rig.shed import DAEMON, alarms, heats, put_right


@pytest.fixture
def heating(shed: Machine) -> Iterator[Machine]:
    put_right(shed)
    heats(shed, 240.0)
    yield shed
    shed.run("mount -o remount,rw /srv/data; rm -f /srv/data/filler")


def entry(machine: Machine, note: str) -> None:
    """Make an entry that has to be written at once."""
    answer = machine.ask("tend", chamber="north-bench", doing="look", for_s=60, note=note)
    assert answer is not None
    assert answer["ok"], answer


IN_LOG = """
import sqlite3
log = sqlite3.connect("file:/var/lib/bottomheat/log.sqlite?mode=ro", uri=True, timeout=5)
answer = log.execute("SELECT count(*) FROM tending WHERE note = ?", (given,)).fetchone()[0]
log.close()
"""


def in_log(machine: Machine, note: str) -> bool:
    """Whether the log on the card has an entry."""
    found = machine.python(IN_LOG, note)
    return bool(found)


@pytest.mark.parametrize("fault", ["full", "read-only"])
def test_control_goes_on_and_the_log_catches_up(heating: Machine, fault: str) -> None:
    if fault == "full":
        # The ballast is what the log is to fall back on, so fill what is left of it as well.
        heating.run("rm -f /var/lib/bottomheat/log.sqlite.ballast")
        heating.run("dd if=/dev/zero of=/srv/data/filler bs=64k; sync")
    else:
        heating.do("mount -o remount,ro /srv/data")
    before = heating.pid(DAEMON)
    since_s = heating.now_s()
    for number in range(40 if fault == "full" else 1):
        entry(heating, f"{fault} {number}")
    heating.wait(lambda: "log-failed" in alarms(heating), 180.0)
    heating.wait(lambda: heating.now_s() > since_s + 45.0, 90.0, every_s=5.0)
    assert heating.line(), "heat does not wait for the log"
    assert heating.first(False, since_s) is None
    assert heating.pid(DAEMON) == before
    assert not in_log(heating, f"{fault} {39 if fault == 'full' else 0}")
    heating.do("mount -o remount,rw /srv/data; rm -f /srv/data/filler")
    last = f"{fault} {39 if fault == 'full' else 0}"
    heating.wait(lambda: in_log(heating, last), 150.0, every_s=2.0)
    heating.wait(lambda: "log-failed" not in alarms(heating), 60.0, every_s=2.0)
