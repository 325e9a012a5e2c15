"""Real files, real threads: each fault of a probe by its name, and reads that never return."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import tempfile
import textwrap
import threading
import time
from pathlib import Path

import pytest

from bottomheat.errors import DriverError
from bottomheat.model import Fault, Place, Sample, Unread
from bottomheat_drivers.clock import SystemClock
from bottomheat_drivers.w1 import FoundProbe, W1Probes, list_probes
from w1tree import W1Tree

ONE, TWO = "28-000000000001", "28-000000000002"
WIRING = {"north-bench": {Place.SUBSTRATE: ONE, Place.ROOM: TWO}}
PATIENCE_S = 60.0
DEADLINE_S = 1.0


@pytest.fixture
def tree(tmp_path: Path) -> W1Tree:
    made = W1Tree(tmp_path)
    made.set(ONE, 24.5)
    made.set(TWO, 6.0)
    return made


@pytest.fixture
def probes(tree: W1Tree):
    made = W1Probes(tree.devices, WIRING, SystemClock(), DEADLINE_S)
    yield made
    made.close()


def read(probes: W1Probes):
    return probes.read_all(time.monotonic())["north-bench"]


FAULTS = {
    "folder gone": (lambda tree: tree.unplug(ONE), Fault.ABSENT),
    "file gone": (lambda tree: tree.half_remove(ONE), Fault.ABSENT),
    "empty": (lambda tree: tree.empty(ONE), Fault.NO_ANSWER),
    "one line": (lambda tree: tree.one_line(ONE), Fault.PARTIAL),
    "cut in the first line": (lambda tree: tree.truncate(ONE, 20), Fault.PARTIAL),
    "cut in the second line": (lambda tree: tree.truncate(ONE, 60), Fault.PARTIAL),
    "words": (lambda tree: tree.text(ONE, "no such device\n"), Fault.GARBLED),
    "bytes of no text": (lambda tree: tree.text(ONE, "\xff\x00\xfe" * 30), Fault.GARBLED),
    "far too long": (lambda tree: tree.text(ONE, "7f " * 5000), Fault.GARBLED),
    "NO": (lambda tree: tree.say_no(ONE), Fault.CRC),
    "bad checksum with YES": (lambda tree: tree.corrupt(ONE, 5), Fault.CRC),
    "shorted": (lambda tree: tree.short(ONE), Fault.ALL_ZERO),
    "all ones": (lambda tree: tree.raw(ONE, b"\xff" * 9), Fault.CRC),
}


@pytest.mark.parametrize("case", FAULTS)
def test_each_fault_by_its_name_and_the_other_probe_goes_on(case, tree, probes):
    break_it, fault = FAULTS[case]
    assert read(probes)[Place.SUBSTRATE].celsius == 24.5
    break_it(tree)
    readings = read(probes)
    assert isinstance(readings[Place.SUBSTRATE], Unread)
    assert readings[Place.SUBSTRATE].fault is fault
    assert readings[Place.ROOM].celsius == 6.0
    tree.set(ONE, 25.0)
    assert read(probes)[Place.SUBSTRATE].celsius == 25.0


@pytest.mark.parametrize(
    ("break_it", "celsius", "legal"),
    [
        (lambda tree: tree.power_on(ONE), 85.0, True),
        (lambda tree: tree.no_conversion(ONE), 127.9375, True),
        (lambda tree: tree.illegal_configuration(ONE, 71.5), 71.5, False),
    ],
    ids=["power-on", "no conversion", "illegal configuration"],
)
def test_a_right_checksum_is_passed_on_as_evidence(break_it, celsius, legal, tree, probes):
    break_it(tree)
    raw = read(probes)[Place.SUBSTRATE]
    assert isinstance(raw, Sample)
    assert (raw.celsius, raw.legal_configuration) == (celsius, legal)


def test_other_errors_of_the_system_keep_their_name(tree, probes):
    tree.half_remove(ONE)
    (tree.devices / ONE / "w1_slave").mkdir()
    raw = read(probes)[Place.SUBSTRATE]
    assert (raw.fault, raw.detail) == (Fault.IO_ERROR, "EISDIR")


def test_a_bus_that_is_gone_says_so_and_comes_back(tree, probes):
    aside = tree.devices.with_name("gone")
    os.rename(tree.devices, aside)
    for raw in read(probes).values():
        assert raw.fault is Fault.ABSENT
        assert str(tree.devices) in raw.detail
    os.rename(aside, tree.devices)
    assert read(probes)[Place.SUBSTRATE].celsius == 24.5


def test_a_bus_that_is_not_there_at_start_appears_later(tmp_path):
    probes = W1Probes(tmp_path / "devices", WIRING, SystemClock(), DEADLINE_S)
    assert {raw.fault for raw in read(probes).values()} == {Fault.ABSENT}
    tree = W1Tree(tmp_path)
    tree.set(ONE, 20.0)
    assert read(probes)[Place.SUBSTRATE].celsius == 20.0
    probes.close()


def test_a_hung_read_costs_one_deadline_and_its_late_answer_is_as_old_as_its_asking(tree, probes):
    tree.hang(ONE)
    started = hung_since = time.monotonic()
    readings = read(probes)
    waited = time.monotonic() - started
    assert DEADLINE_S <= waited < 4 * DEADLINE_S
    assert readings[Place.SUBSTRATE].fault is Fault.HUNG
    assert readings[Place.ROOM].celsius == 6.0

    # From the second time on nobody waits for it.
    started = time.monotonic()
    for _ in range(20):
        readings = read(probes)
        assert readings[Place.SUBSTRATE].fault is Fault.HUNG
        assert readings[Place.ROOM].celsius == 6.0
    assert time.monotonic() - started < 20 * DEADLINE_S

    # It comes back with 99 °C of long ago, which may pass for that only; then with 25 °C of now.
    tree.release(ONE, late_celsius=99.0, then_celsius=25.0)
    asked = time.monotonic()
    until = asked + PATIENCE_S
    while isinstance(raw := read(probes)[Place.SUBSTRATE], Unread) or raw.celsius == 99.0:
        if isinstance(raw, Unread):
            assert raw.fault is Fault.HUNG
        else:
            assert hung_since <= raw.at_s < hung_since + DEADLINE_S, "the time of asking"
        assert time.monotonic() < until, "the reader did not come back"
    assert raw.celsius == 25.0
    assert raw.at_s > asked


def test_a_bus_slower_than_the_deadline_still_gives_every_reading(tree, tmp_path):
    """As with many probes that are read one after the other; each reading tells its own time."""
    probes = W1Probes(tree.devices, WIRING, SystemClock(), DEADLINE_S)
    told = []
    for celsius in (20.0, 21.0, 22.0):
        tree.hang(ONE)
        asked = time.monotonic()
        told.append((asked, read(probes)[Place.SUBSTRATE]))
        tree.release(ONE, celsius)
        until = time.monotonic() + PATIENCE_S
        while not all(reader.idle for reader in probes._threads._readers):
            assert time.monotonic() < until, "the reader did not come back"
            time.sleep(0.01)
    probes.close()
    assert told[0][1].fault is Fault.HUNG
    for (asked, _), (_, raw), celsius in zip(told, told[1:], (20.0, 21.0), strict=False):
        assert raw.celsius == celsius
        assert asked <= raw.at_s < asked + DEADLINE_S


def test_closing_does_not_wait_for_a_hung_read(tree, probes):
    tree.hang(ONE)
    tree.hang(TWO)
    read(probes)
    started = time.monotonic()
    probes.close()
    probes.close()
    assert time.monotonic() - started < 2 * DEADLINE_S
    assert {raw.fault for raw in read(probes).values()} == {Fault.NOT_READ}
    names = {f"probe {ONE}", f"probe {TWO}"}
    assert names <= {thread.name for thread in threading.enumerate()}
    tree.release(ONE, 20.0)
    tree.release(TWO, 20.0)
    until = time.monotonic() + PATIENCE_S
    while names & {thread.name for thread in threading.enumerate()}:
        assert time.monotonic() < until, "a thread outlives its release"
        time.sleep(0.01)


def test_reads_overlap(tree, probes):
    # Both hang, and together they cost one deadline, not two.
    tree.hang(ONE)
    tree.hang(TWO)
    started = time.monotonic()
    assert {raw.fault for raw in read(probes).values()} == {Fault.HUNG}
    assert time.monotonic() - started < 2 * DEADLINE_S
    tree.release(ONE, 20.0)
    tree.release(TWO, 20.0)


class CountingClock(SystemClock):
    """Every look at it gives the next whole number, so that two reads cannot share a stamp."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._count = 0

    def monotonic_s(self) -> float:
        with self._lock:
            self._count += 1
            return float(self._count)


def test_a_probe_named_in_several_places_is_read_once(tree):
    wiring = {"a": {Place.SUBSTRATE: ONE, Place.ROOM: TWO}, "b": {Place.ROOM: TWO}}
    probes = W1Probes(tree.devices, wiring, CountingClock())
    readings = probes.read_all(0.0)
    probes.close()
    assert readings["a"][Place.ROOM] == readings["b"][Place.ROOM]
    assert readings["a"][Place.ROOM].celsius == 6.0
    stamps = {raw.at_s for places in readings.values() for raw in places.values()}
    assert stamps == {1.0, 2.0}


def test_no_signal_reaches_a_reader(tree):
    # The kernel's wait for a conversion ends early on a signal, and the file then reads as empty.
    before = set(threading.enumerate())
    probes = W1Probes(tree.devices, WIRING, SystemClock())
    read(probes)
    readers = set(threading.enumerate()) - before
    assert {reader.name for reader in readers} == {f"probe {ONE}", f"probe {TWO}"}
    never = {signal.SIGKILL, signal.SIGSTOP}
    for reader in readers:
        status = Path(f"/proc/self/task/{reader.native_id}/status").read_text()
        mask = int(status.split("SigBlk:")[1].split()[0], 16)
        open_to = {s for s in signal.Signals if not mask >> (s - 1) & 1}
        assert open_to <= never
    probes.close()


def test_a_family_that_counts_otherwise_is_refused(tree):
    # A DS18S20's half kelvins would read as an eighth of the temperature, and heat would be given.
    for name in ("10-000000000001", "3b-000000000001", "1d-000000000001"):
        with pytest.raises(DriverError, match="use a DS18B20") as caught:
            W1Probes(tree.devices, {"a": {Place.SUBSTRATE: name}}, SystemClock())
        assert name in str(caught.value)
        assert "wet layer" in str(caught.value)


# Faults that need a process of their own.


def run(script: str, *arguments: str) -> None:
    """Run ``script`` in a new interpreter; it fails by an assertion of its own."""
    done = subprocess.run(
        [sys.executable, "-c", PRELUDE + textwrap.dedent(script), *arguments],
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
        env=os.environ | {"PYTHONPATH": os.pathsep.join(p for p in sys.path if p)},
    )
    assert done.returncode == 0, done.stderr
    assert done.stdout == "done\n", done.stderr


PRELUDE = textwrap.dedent(
    """
    import os, resource, sys, time
    from pathlib import Path
    from bottomheat.model import Fault, Place, Sample
    from bottomheat_drivers.clock import SystemClock
    from bottomheat_drivers.w1 import W1Probes, list_probes
    from w1tree import W1Tree
    ONE = "28-000000000001"
    WIRING = {"a": {Place.SUBSTRATE: ONE}}
    tree = W1Tree(Path(sys.argv[1]))
    tree.set(ONE, 20.0)
    probes = W1Probes(tree.devices, WIRING, SystemClock(), 5.0)
    def read():
        return probes.read_all(time.monotonic())["a"][Place.SUBSTRATE]
    assert read().celsius == 20.0
    """
)


@pytest.mark.process
def test_no_descriptor_left_is_told_apart_from_a_lost_probe(tmp_path):
    run(
        """
        resource.setrlimit(resource.RLIMIT_NOFILE, (32, 32))
        held = []
        try:
            while True:
                held.append(os.open("/dev/null", os.O_RDONLY))
        except OSError:
            pass
        raw = read()
        assert (raw.fault, raw.detail) == (Fault.TOO_MANY_FILES, "EMFILE"), raw
        os.close(held.pop())
        assert read().celsius == 20.0
        print("done")
        """,
        str(tmp_path),
    )


@pytest.mark.process
def test_a_file_that_may_not_be_read_is_told_apart_from_a_lost_probe():
    # Root may read anything, so the process becomes somebody else first; pytest's own folder
    # would be closed to that one as a whole.
    with tempfile.TemporaryDirectory() as folder:
        Path(folder).chmod(0o755)
        run(
            """
            (tree.devices / ONE / "w1_slave").chmod(0)
            if os.geteuid() == 0:
                os.setgroups([])
                os.setgid(65534)
                os.setuid(65534)
            raw = read()
            assert (raw.fault, raw.detail) == (Fault.PERMISSION, "EACCES"), raw
            found, = list_probes(tree.devices)
            assert found.fault is Fault.PERMISSION, found
            print("done")
            """,
            folder,
        )


@pytest.mark.process
def test_a_process_with_a_hung_read_still_ends(tmp_path):
    run(
        """
        probes.close()
        probes = W1Probes(tree.devices, WIRING, SystemClock(), 0.1)
        tree.hang(ONE)
        assert read().fault is Fault.HUNG
        print("done")
        """,
        str(tmp_path),
    )


@pytest.mark.process
def test_importing_starts_no_program(tmp_path):
    # Left alone, the library runs modprobe when it is imported where there is no 1-Wire bus.
    modprobe = tmp_path / "modprobe"
    modprobe.write_text(f"#!/bin/sh\ntouch {tmp_path}/was-run\n")
    modprobe.chmod(0o755)
    environment = os.environ | {
        "PATH": f"{tmp_path}:{os.environ['PATH']}",
        "PYTHONPATH": os.pathsep.join(p for p in sys.path if p),
    }
    environment.pop("W1THERMSENSOR_NO_KERNEL_MODULE", None)
    done = subprocess.run(
        [sys.executable, "-c", "import bottomheat_drivers.w1"],
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
        env=environment,
    )
    assert done.returncode == 0, done.stderr
    assert not (tmp_path / "was-run").exists()


# Discovery.


def test_listing_tells_resolution_authenticity_and_temperature(tree):
    tree.set("28-0316a2793bff", 20.5, resolution_bits=9)
    (tree.devices / "29-000000000001").mkdir()  # a switch
    (tree.devices / "28-stray").mkdir()
    assert list_probes(tree.devices) == [
        FoundProbe(ONE, True, True, 12, 24.5),
        FoundProbe(TWO, True, True, 12, 6.0),
        FoundProbe("28-0316a2793bff", True, False, 9, 20.5),
    ]


def test_listing_survives_a_half_removed_probe_and_names_every_fault(tree):
    names = [f"28-0000000000{n:02x}" for n in range(3, 7)]
    tree.half_remove(names[0])
    tree.short(names[1])
    tree.illegal_configuration(names[2], 30.0)
    tree.set("10-000000000001", 20.0)
    tree.hang(names[3])
    found = {probe.name: probe for probe in list_probes(tree.devices, DEADLINE_S)}
    tree.release(names[3], 20.0)
    assert found[ONE].celsius == 24.5
    assert found[names[0]].fault is Fault.ABSENT
    assert found[names[1]].fault is Fault.ALL_ZERO
    assert (found[names[2]].celsius, found[names[2]].resolution_bits) == (30.0, None)
    assert found[names[3]].fault is Fault.HUNG
    other = found["10-000000000001"]
    assert (other.supported, other.celsius, other.fault) == (False, None, Fault.NOT_READ)


def test_listing_without_a_bus_says_what_to_do(tmp_path):
    with pytest.raises(DriverError, match="switch the 1-Wire bus on") as caught:
        list_probes(tmp_path / "devices")
    assert str(tmp_path / "devices") in str(caught.value)
    (tmp_path / "file").touch()
    with pytest.raises(DriverError, match="cannot be listed"):
        list_probes(tmp_path / "file")
    W1Tree(tmp_path)
    assert list_probes(tmp_path / "devices") == []
