"""The services under the machine's own systemd: killed, stopped, starved and hung while they heat,
their config edited, their card full and read-only; all in one boot.

The relay line is watched by the kernel module behind it, which keeps its level when its owner dies
and writes down every change.  All deadlines are counted on the machine's clock.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator

import pytest

from rig.machine import SOUTH, Machine
from rig.shed import (
    CONFIG,
    CONFIG_FILE,
    DAEMON,
    KEEPER,
    alarms,
    heats,
    in_log,
    put_right,
    rewire,
    tended,
)

Record = Callable[[str, object], None]

LEASE_S = 20.0
KEEPER_KILLED_S = 5.0
KEEPER_HUNG_S = 15.0
FIRST_HEAT_S = 60.0
PROBES_LOST_S = 30.0 + 2 * 10.0
"""A reading counts for 30 s, and the keeper's own too; a cycle has 10 s."""


@pytest.fixture
def heating(shed: Machine) -> Iterator[Machine]:
    """The machine with its relay closed; puts right what the test broke."""
    put_right(shed)
    heats(shed)
    yield shed
    shed.python("control('bus ok')")
    shed.run("rm -f /srv/data/filler")


def send(machine: Machine, signal: str, *units: str) -> float:
    """Send a signal to the main process of each unit; returns when, by the machine's clock."""
    pids = [machine.pid(unit) for unit in units]
    assert all(pids), "0 would be the agent and all that it started"
    code = f"import signal\nanswer = now()\nfor p in given: os.kill(p, signal.{signal})"
    return float(machine.python(code, pids))


def opened(machine: Machine, since_s: float, longest_s: float) -> float:
    """Wait until the line is low; returns how long after ``since_s`` that was."""
    at_s = machine.wait(lambda: machine.first(False, since_s), longest_s + 20.0)
    return float(at_s) - since_s


def test_boots_reaches_ready_and_heats(shed: Machine, record_property: Record) -> None:
    """As installed: nothing is started by hand."""
    heats(shed, 240.0)
    shown = shed.do(f"systemctl show -P ExecMainStartTimestampMonotonic {DAEMON}")
    began_s = int(shown) / 1e6
    first_s = shed.first(True, 0.0)
    assert first_s is not None
    record_property("boot, host's clock", f"{shed.boot_took_s:.1f} s")
    record_property("start of the service to first heat", f"{first_s - began_s:.1f} s")
    assert first_s - began_s <= FIRST_HEAT_S
    for unit in (DAEMON, KEEPER):
        assert shed.do(f"systemctl is-active {unit}").strip() == "active"
        assert shed.do(f"systemctl show -P NRestarts {unit}").strip() == "0"
    owners = shed.do("ps -o user= -C python,bottomheat").split()
    assert set(owners) == {"bottomheat"}, "nothing of ours runs as root"


def test_lets_go_when_the_setpoint_is_lowered_while_it_runs(heating: Machine) -> None:
    """The config is edited live; no restart."""
    before = heating.pid(DAEMON)
    since_s = heating.now_s()
    heating.write(CONFIG_FILE, CONFIG.replace("callus_zone: 25.0", "callus_zone: 10.0"))
    took_s = opened(heating, since_s, 30.0)
    assert took_s <= 30.0, "the next cycle, after the window's shortest time"
    since_s = heating.now_s()
    heating.write(CONFIG_FILE, CONFIG.replace("callus_zone: 25.0", "callus_zone: warm"))
    heating.wait(lambda: "config-refused" in alarms(heating), 60.0)
    assert heating.first(True, since_s) is None, "the last good config goes on"
    heating.write(CONFIG_FILE, CONFIG)
    heats(heating)
    assert heating.pid(DAEMON) == before


def test_daemon_killed(heating: Machine, record_property: Record) -> None:
    took_s = opened(heating, send(heating, "SIGKILL", DAEMON), LEASE_S)
    record_property("line low after kill -9 of the daemon", f"{took_s:.2f} s")
    assert took_s <= LEASE_S
    heats(heating)


def test_daemon_stopped(heating: Machine, record_property: Record) -> None:
    """SIGSTOP; its watchdog of 60 s ends it and it is started again."""
    before = heating.pid(DAEMON)
    since_s = send(heating, "SIGSTOP", DAEMON)
    took_s = opened(heating, since_s, LEASE_S)
    record_property("line low after SIGSTOP of the daemon", f"{took_s:.2f} s")
    assert took_s <= LEASE_S
    heating.wait(lambda: heating.pid(DAEMON) not in (0, before), 120.0, every_s=2.0)
    heats(heating)
    again_s = heating.first(True, since_s + took_s)
    assert again_s is not None
    record_property("heat again after that", f"{again_s - since_s:.0f} s")


def test_keeper_killed(heating: Machine, record_property: Record) -> None:
    """The line stays high when its owner dies; ExecStopPost opens it."""
    took_s = opened(heating, send(heating, "SIGKILL", KEEPER), KEEPER_KILLED_S)
    record_property("line low after kill -9 of the keeper", f"{took_s:.2f} s")
    assert 0.0 < took_s <= KEEPER_KILLED_S
    heats(heating)


def test_keeper_stopped(heating: Machine, record_property: Record) -> None:
    """SIGSTOP; its watchdog of 10 s ends it, then ExecStopPost opens the line."""
    took_s = opened(heating, send(heating, "SIGSTOP", KEEPER), KEEPER_HUNG_S)
    record_property("line low after SIGSTOP of the keeper", f"{took_s:.2f} s")
    assert took_s <= KEEPER_HUNG_S
    heats(heating)


def test_both_killed(heating: Machine, record_property: Record) -> None:
    took_s = opened(heating, send(heating, "SIGKILL", DAEMON, KEEPER), KEEPER_KILLED_S)
    record_property("line low after kill -9 of both", f"{took_s:.2f} s")
    assert took_s <= KEEPER_KILLED_S
    heats(heating)


def test_daemon_killed_again_and_again(heating: Machine, record_property: Record) -> None:
    """As soon as it runs again, eight times; systemd restarts the keeper with it, and neither is
    given up.
    """
    counted = f"systemctl show -P NRestarts {DAEMON}"
    before = int(heating.do(counted))
    since_s = 0.0
    for _ in range(8):
        pid = heating.pid(DAEMON)
        since_s = send(heating, "SIGKILL", DAEMON)
        heating.wait(lambda pid=pid: heating.pid(DAEMON) not in (0, pid), 60.0)
    assert int(heating.do(counted)) == before + 8
    took_s = opened(heating, since_s, LEASE_S)
    assert took_s <= LEASE_S
    heats(heating, 240.0)
    again_s = heating.first(True, since_s + took_s)
    assert again_s is not None
    record_property(
        "heat after the last of eight kills of the daemon", f"{again_s - since_s:.0f} s"
    )
    for unit in (DAEMON, KEEPER):
        assert heating.do(f"systemctl is-active {unit}").strip() == "active"


SOUTH_BENCH = """  south-bench:
    callus_zone: 25.0
    heater: {gpio: 27, watts: 45, window: 60, min_on: 5, min_off: 5}
    probes: {substrate: 28-000000000011, room: 28-000000000002, mat: 28-000000000013}
    offset: {method: temperature-factor, factor: 0.75}
"""
LOOKS = 40


def test_six_probes_on_one_bus(heating: Machine, record_property: Record) -> None:
    """Two boxes; this kernel reads the probes of a bus one after the other, 0.78 s each.

    The keeper reads the two on the mats as well.
    """
    mat = "mat: 28-000000000003"
    six = CONFIG.replace(mat, f"{mat}, callus: 28-000000000004") + SOUTH_BENCH
    rewire(heating, six)
    try:
        heats(heating)
        heating.wait(lambda: heating.line(SOUTH), 120.0)
        seen: set[str] = set()
        bad: list[object] = []
        for _ in range(LOOKS):
            status = heating.ask("status")
            assert status is not None
            for box in status["chambers"]:
                for place, reading in box["readings"].items():
                    seen.add(f"{box['name']} {place}")
                    if "celsius" not in reading:
                        bad.append((status["wall_ms"], box["name"], place, reading))
            raised = alarms(heating)
            assert not any("probe" in name for name in raised), raised
            heating.python("time.sleep(given)", 5.0)
        assert len(seen) == 7, "six probes, one of them in both boxes"
        record_property("looks at the readings, and bad ones", f"{LOOKS}, {len(bad)}")
        assert not bad, bad
    finally:
        heating.python("for box in world.boxes.values(): box.pinned = {}")
        rewire(heating, CONFIG)


def oom_kills_s(machine: Machine, unit: str) -> list[float]:
    """When the kernel killed processes of a unit for want of memory, by the machine's clock."""
    said = machine.do(f"journalctl -b --no-pager -o json -u {unit} | grep 'OOM killer' || true")
    return [int(json.loads(line)["__MONOTONIC_TIMESTAMP"]) / 1e6 for line in said.splitlines()]


def test_out_of_memory(heating: Machine, record_property: Record) -> None:
    """A limit below what it uses has the kernel kill it at once; what comes after it has room."""
    for unit, longest_s in ((DAEMON, LEASE_S), (KEEPER, KEEPER_KILLED_S)):
        heats(heating)
        before = len(oom_kills_s(heating, unit))
        limit = f"systemctl set-property --runtime {unit} MemoryMax"
        heating.do(f"{limit}=4M; {limit}=256M")
        kills = heating.wait(lambda unit=unit, n=before: oom_kills_s(heating, unit)[n:], 60.0)
        took_s = opened(heating, kills[0], longest_s)
        record_property(f"line low after {unit} was killed for want of memory", f"{took_s:.2f} s")
        assert took_s <= longest_s
        heats(heating)


def goes_on_without_a_log(machine: Machine, notes: list[str]) -> None:
    """Make entries that cannot be kept; it says so, and goes on heating."""
    pid, since_s = machine.pid(DAEMON), machine.now_s()
    for note in notes:
        tended(machine, note)
    machine.wait(lambda: "log-failed" in alarms(machine), 60.0)
    machine.wait(lambda: machine.now_s() > since_s + 40.0, 60.0, every_s=5.0)
    assert machine.first(False, since_s) is None, "heat does not wait for the log"
    assert machine.pid(DAEMON) == pid


def test_card_full(heating: Machine) -> None:
    """Once there is room again the log catches up."""
    # The ballast is what the log falls back on, so fill its place as well.
    heating.run("rm -f /var/lib/bottomheat/log.sqlite.ballast")
    heating.run("dd if=/dev/zero of=/srv/data/filler bs=64k; sync")
    notes = [f"card full {number}" for number in range(40)]
    goes_on_without_a_log(heating, notes)
    assert not in_log(heating, notes[-1])
    heating.do("rm /srv/data/filler")
    heating.wait(lambda: all(in_log(heating, note) for note in notes), 120.0, every_s=5.0)
    heating.wait(lambda: "log-failed" not in alarms(heating), 150.0, every_s=5.0)


def test_card_turns_read_only(heating: Machine) -> None:
    """An error of the file system; what could not be written is in the log after a repair."""
    (disk,) = heating.do("basename $(findmnt -no SOURCE /srv/data)").split()
    heating.do(
        "mount -o remount,errors=remount-ro /srv/data"
        f" && echo rig >/sys/fs/ext4/{disk}/trigger_fs_error"
    )
    assert heating.run("touch /srv/data/try")[0] != 0
    goes_on_without_a_log(heating, ["card read-only"])
    heating.do(f"systemctl stop {DAEMON} {KEEPER}")
    heating.do(
        "umount /var/lib/bottomheat /srv/data"
        f" && {{ e2fsck -p /dev/{disk}; [ $? -le 1 ]; }}"
        " && mount /srv/data && mount /var/lib/bottomheat"
    )
    heating.do(f"systemctl start {KEEPER} {DAEMON}", 240.0)
    heating.wait(lambda: in_log(heating, "card read-only"), 60.0, every_s=2.0)
    heats(heating)


def test_hung_probe_reads(heating: Machine, record_property: Record) -> None:
    """A transfer that does not return holds the bus, so that no probe can be read any more."""
    before = heating.pid(DAEMON)
    since_s = float(heating.python("answer = now(); control('bus hang')"))
    took_s = opened(heating, since_s, PROBES_LOST_S)
    record_property("line low after the 1-Wire bus hangs", f"{took_s:.2f} s")
    assert took_s <= PROBES_LOST_S
    assert heating.ask("status") is not None, f"the daemon goes on\n{heating.journal()}"
    assert heating.pid(DAEMON) == before
