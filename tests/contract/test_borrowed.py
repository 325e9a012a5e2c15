"""One contract for every implementation of ``ports.BorrowedProbes``, and what only threads do."""

from __future__ import annotations

import os
import threading
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest

from bottomheat.model import Fault, Raw, Sample, Unread
from bottomheat.ports import BorrowedProbes
from bottomheat_drivers.borrowed import HUNG_S, MemoryBorrowed, W1Borrowed
from bottomheat_drivers.clock import ManualClock
from w1tree import W1Tree, answer, scratchpad

NORTH, SOUTH = "north-bench", "south-bench"
SPARE, OTHER = "28-0000000000aa", "28-0000000000bb"
EVERY_S = 0.02


@dataclass
class Bench:
    """An implementation, and how to set a probe of it or pull it out."""

    probes: BorrowedProbes
    set: Callable[[str, float], None]
    pull: Callable[[str], None]
    go: Callable[[], None]

    def comes(self, chamber: str, wanted: Callable[[Raw], bool]) -> Raw:
        """Look until the newest answer is as wanted."""
        for _ in range(1000):
            self.go()
            raw = self.probes.newest()[chamber]
            if wanted(raw):
                return raw
        raise AssertionError(f"never came; the newest is {raw}")


def shows(celsius: float) -> Callable[[Raw], bool]:
    return lambda raw: isinstance(raw, Sample) and raw.celsius == celsius


def fails(fault: Fault) -> Callable[[Raw], bool]:
    return lambda raw: isinstance(raw, Unread) and raw.fault is fault


def _pause() -> None:
    time.sleep(EVERY_S / 2)


@pytest.fixture(params=["w1", "memory"])
def bench(request, tmp_path: Path) -> Iterator[Bench]:
    clock = ManualClock(100.0)
    if request.param == "w1":
        tree = W1Tree(tmp_path)
        made = Bench(W1Borrowed(tree.devices, clock, EVERY_S), tree.set, tree.unplug, _pause)
    else:
        values: dict[str, float] = {}

        def says(probe: str) -> Callable[[float], Raw]:
            def read(now_s: float) -> Raw:
                celsius = values.get(probe)
                return Unread(Fault.ABSENT, now_s) if celsius is None else Sample(celsius, now_s)

            return read

        made = Bench(
            MemoryBorrowed(clock, {name: says(name) for name in (SPARE, OTHER)}),
            lambda probe, celsius: values.update({probe: celsius}),
            lambda probe: values.pop(probe, None) and None,
            lambda: clock.advance(5.0),
        )
    made.set(SPARE, 24.5)
    made.set(OTHER, 21.25)
    yield made
    made.probes.close()


def test_nothing_is_lent_at_first(bench: Bench) -> None:
    assert bench.probes.newest() == {}
    bench.probes.give_back(NORTH)
    assert bench.probes.newest() == {}


def test_the_newest_answer_follows_the_probe(bench: Bench) -> None:
    bench.probes.lend(NORTH, SPARE)
    assert set(bench.probes.newest()) == {NORTH}
    bench.comes(NORTH, shows(24.5))
    bench.set(SPARE, 24.75)
    bench.comes(NORTH, shows(24.75))
    bench.pull(SPARE)
    bench.comes(NORTH, fails(Fault.ABSENT))
    bench.set(SPARE, 25.0)
    bench.comes(NORTH, shows(25.0))


def test_each_box_has_its_own_and_another_takes_its_place(bench: Bench) -> None:
    bench.probes.lend(NORTH, SPARE)
    bench.probes.lend(SOUTH, OTHER)
    bench.comes(NORTH, shows(24.5))
    bench.comes(SOUTH, shows(21.25))
    bench.probes.give_back(NORTH)
    assert set(bench.probes.newest()) == {SOUTH}
    bench.probes.lend(SOUTH, SPARE)
    assert not shows(21.25)(bench.probes.newest()[SOUTH]), "the answer of the other one is gone"
    bench.comes(SOUTH, shows(24.5))
    bench.probes.give_back(SOUTH)
    bench.probes.give_back(SOUTH)
    assert bench.probes.newest() == {}


def test_a_probe_that_is_not_there_is_said_to_be_absent(bench: Bench) -> None:
    bench.probes.lend(NORTH, "28-0000000000ff")
    bench.comes(NORTH, fails(Fault.ABSENT))


def test_after_close_nothing_is_read(bench: Bench) -> None:
    bench.probes.lend(NORTH, SPARE)
    bench.probes.close()
    bench.probes.close()
    assert bench.probes.newest() == {}


class Threads:
    """The real reader on a fake bus, with its threads counted."""

    def __init__(self, folder: Path) -> None:
        self.clock = ManualClock(100.0)
        self.tree = W1Tree(folder)
        self.tree.set(SPARE, 24.5)
        self.probes = W1Borrowed(self.tree.devices, self.clock, EVERY_S)

        self._end: int | None = None

    def hang(self) -> None:
        """Lend the probe, and return when its thread is inside a read that does not return."""
        self.tree.hang(SPARE)
        self.probes.lend(NORTH, SPARE)
        self.until(self._hangs)

    def _hangs(self) -> bool:
        try:  # works once somebody has opened the other end, and then keeps it waiting for data
            fifo = self.tree.devices / SPARE / "w1_slave"
            self._end = os.open(fifo, os.O_WRONLY | os.O_NONBLOCK)
        except OSError:
            return False
        return True

    def release(self, late_celsius: float, then_celsius: float) -> None:
        """Let the read return; the next one finds another value."""
        assert self._end is not None
        os.write(self._end, answer(scratchpad(late_celsius)).encode())
        self.tree.set(SPARE, then_celsius)
        self.close()

    def close(self) -> None:
        """Let a read that still hangs go."""
        if self._end is not None:
            os.close(self._end)
            self._end = None

    def count(self) -> int:
        return sum(thread.name.startswith("borrowed ") for thread in threading.enumerate())

    def until(self, condition: Callable[[], bool]) -> None:
        for _ in range(1000):
            if condition():
                return
            _pause()
        raise AssertionError("never came")

    def fault(self) -> Fault | None:
        raw = self.probes.newest()[NORTH]
        return raw.fault if isinstance(raw, Unread) else None


@pytest.fixture
def threads(tmp_path: Path) -> Iterator[Threads]:
    made = Threads(tmp_path)
    made.until(lambda: made.count() == 0)  # the last test's are ending
    yield made
    made.tree.set(SPARE, 24.5)
    made.close()
    made.probes.close()
    made.until(lambda: made.count() == 0)


def test_a_read_that_hangs_is_said_to_and_its_late_answer_is_no_reading(threads: Threads) -> None:
    threads.hang()
    assert threads.fault() is Fault.NOT_READ
    threads.clock.advance(HUNG_S + 1.0)
    threads.until(lambda: threads.fault() is Fault.HUNG)
    threads.release(99.0, 24.75)
    seen = set()

    def well() -> bool:
        raw = threads.probes.newest()[NORTH]
        seen.add(raw.celsius if isinstance(raw, Sample) else raw.fault)
        return shows(24.75)(raw)

    threads.until(well)
    assert 99.0 not in seen


def test_a_probe_that_hangs_gets_no_second_thread_however_often_it_is_lent(
    threads: Threads,
) -> None:
    threads.hang()
    for _ in range(20):
        threads.probes.give_back(NORTH)
        threads.probes.lend(NORTH, SPARE)
    threads.probes.give_back(NORTH)
    threads.probes.lend(NORTH, SPARE)
    assert threads.count() == 1
    threads.release(24.5, 24.5)
    threads.until(lambda: shows(24.5)(threads.probes.newest()[NORTH]))
    threads.probes.give_back(NORTH)
    threads.until(lambda: threads.count() == 0)
    threads.probes.lend(NORTH, SPARE)
    threads.until(lambda: shows(24.5)(threads.probes.newest()[NORTH]))
    assert threads.count() == 1


def test_an_answer_from_before_it_was_lent_is_no_answer(threads: Threads) -> None:
    slow = W1Borrowed(threads.tree.devices, threads.clock, every_s=30.0)
    try:
        for _ in range(20):
            slow.lend(NORTH, SPARE)
            threads.until(lambda: shows(24.5)(slow.newest()[NORTH]))
            threads.clock.advance(5.0)
            slow.lend(NORTH, SPARE)
            raw = slow.newest()[NORTH]
            assert fails(Fault.NOT_READ)(raw) or raw.at_s == threads.clock.monotonic_s()
    finally:
        slow.close()


def test_its_threads_take_no_signal(threads: Threads) -> None:
    threads.probes.lend(NORTH, SPARE)
    threads.until(lambda: shows(24.5)(threads.probes.newest()[NORTH]))
    (reader,) = (each for each in threading.enumerate() if each.name.startswith("borrowed "))
    status = Path(f"/proc/self/task/{reader.native_id}/status").read_text()
    blocked = int(
        next(line for line in status.splitlines() if line.startswith("SigBlk")).split()[1], 16
    )
    for number in (1, 2, 15):  # SIGHUP, SIGINT, SIGTERM
        assert blocked >> (number - 1) & 1


@pytest.mark.parametrize("probe", ["10-0000000000aa", "3b-0000000000aa", "zz-0000000000aa"])
def test_a_probe_of_another_kind_is_never_decoded(threads: Threads, probe: str) -> None:
    threads.tree.set(probe, 24.5)
    threads.probes.lend(NORTH, probe)
    for _ in range(5):
        _pause()
        assert threads.fault() is Fault.NOT_READ
    assert threads.count() == 0
