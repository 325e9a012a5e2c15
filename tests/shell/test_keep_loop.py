"""The keeper's loop on working fakes: order of things, and faults of disk, line and reader."""

from __future__ import annotations

import os
from dataclasses import replace
from threading import Event

import pytest

from bottomheat.errors import DriverError, LatchError
from bottomheat.keep import LINE_REST_S, ChamberRelays, Keeper, ProbeReader
from bottomheat.keeper import KeeperLine, SeriesLine, identity
from bottomheat.model import Place, Sample
from bottomheat.ports import Latch, Lease
from bottomheat_drivers.clock import ManualClock
from bottomheat_drivers.latch_file import MemoryLatches
from bottomheat_drivers.service_manager import NoServiceManager
from bottomheat_drivers.simulated_relay import SimulatedRelay

NAME = "north-bench"
LINE = KeeperLine(NAME, 17, True, "28-000000000001", 60.0, SeriesLine(27, True))


class Leases:
    """A lease server that is handed leases instead of datagrams, and keeps the answers."""

    def __init__(self):
        self.waiting = None
        self.answers = []
        self._read, self._write = os.pipe()

    def fileno(self):
        return self._read

    def receive(self):
        lease, self.waiting = self.waiting, None
        return lease

    def reply(self, status):
        self.answers.append(status)

    def close(self):
        for fd in (self._read, self._write):
            if fd is not None:
                os.close(fd)
        self._read = self._write = None


class Reader:
    """A probe reader whose newest reading is set by hand."""

    def __init__(self):
        self.readings = {}
        self.dead = False

    def start(self):
        pass

    def latest(self):
        if self.dead:
            raise DriverError("the keeper's probe reader has stopped")
        return self.readings

    def close(self):
        pass


class RecordedRelay(SimulatedRelay):
    """Writes every change of level into a history that all relays share."""

    def __init__(self, name, history):
        super().__init__(name)
        self._history = history

    def set(self, closed):
        if closed is not self.is_closed:
            self._history.append((self._name, closed))
        super().set(closed)


class Bench:
    """A keeper with everything around it."""

    def __init__(self, latches):
        self.history = []
        self.wiring = identity((LINE,))
        self.heat = RecordedRelay("heat", self.history)
        self.series = RecordedRelay("series", self.history)
        self.sounder = RecordedRelay("sounder", self.history)
        self.server, self.reader, self.clock = Leases(), Reader(), ManualClock(100.0)
        self.latches, self.services = latches, NoServiceManager()
        self.keeper = Keeper(
            lines=(LINE,),
            relays={NAME: ChamberRelays(self.heat, self.series)},
            server=self.server,
            reader=self.reader,
            clock=self.clock,
            latches=latches,
            services=self.services,
            sounder=self.sounder,
        )

    def tick(self, celsius=30.0, *, reset=(), **words):
        self.clock.advance(1.0)
        now_s = self.clock.monotonic_s()
        heat = frozenset({NAME})
        self.server.waiting = Lease(now_s, heat, frozenset(reset), self.wiring, **words)
        self.reader.readings = {NAME: Sample(celsius, now_s)}
        self.keeper.tick()
        return self.server.answers[-1].lines[0]

    def warm(self):
        for _ in range(3):
            line = self.tick()
        assert line.closed
        return self


@pytest.fixture
def bench():
    bench = Bench(MemoryLatches({}))
    yield bench
    bench.keeper.close()


def test_series_closes_before_heat_and_opens_after_it(bench):
    bench.warm()
    bench.tick(61.0)
    assert bench.history == [("series", True), ("heat", True), ("heat", False), ("series", False)]


def test_the_series_relay_opens_when_the_lease_asks_for_it(bench):
    bench.warm()
    line = bench.tick(open_series=frozenset({NAME}))
    assert (line.closed, line.series_closed) == (True, False)
    line = bench.tick()
    assert (line.closed, line.series_closed) == (True, True)


def test_the_sounder_sounds_while_the_lease_asks_for_it(bench):
    bench.warm()
    assert not bench.sounder.is_closed
    bench.tick(sound=True)
    assert bench.sounder.is_closed
    bench.tick()
    assert not bench.sounder.is_closed


def test_the_sounder_sounds_when_the_controller_has_been_silent_for_five_minutes(bench):
    bench.warm()
    for _ in range(298):
        bench.clock.advance(1.0)
        bench.keeper.tick()
    assert not bench.sounder.is_closed
    bench.clock.advance(2.0)
    bench.keeper.tick()
    assert bench.sounder.is_closed
    bench.tick()
    assert not bench.sounder.is_closed


def test_a_failing_sounder_disturbs_no_relay_and_is_tried_again(bench):
    bench.warm()
    bench.sounder.refuse()
    for _ in range(3):
        line = bench.tick(sound=True)
        assert (line.closed, line.series_closed, line.reason) == (True, True, "heat allowed")
    assert not bench.tick(61.0, sound=True).closed
    bench.sounder.repair()
    for _ in range(int(LINE_REST_S)):
        bench.tick(30.0, sound=True)
    assert bench.sounder.is_closed


def test_the_sounder_is_switched_after_the_relays_and_silent_at_the_end(bench):
    bench.warm()
    bench.tick(sound=True)
    bench.tick(61.0, sound=True)
    bench.keeper.close()
    assert not bench.sounder.is_closed
    assert bench.history[:3] == [("series", True), ("heat", True), ("sounder", True)]


def test_a_lease_for_another_wiring_is_no_word_at_all(bench):
    bench.warm()
    bench.wiring = identity((replace(LINE, gpio=18),))
    assert "another wiring" in bench.tick().reason
    assert not bench.heat.is_closed


def test_a_latch_that_cannot_be_written_takes_the_clear_file_away(bench):
    """A restart before the disk is well must not find the old file, which reads as clear."""
    bench.warm()
    bench.latches.problem = "the disk is full"
    bench.tick(61.0)
    line = bench.tick(61.0)
    assert line.latched
    with pytest.raises(LatchError):
        bench.latches.load()


def test_status_says_what_is(bench):
    line = bench.warm().tick()
    assert (line.closed, line.series_closed, line.closings) == (True, True, 1)
    assert (line.probe_c, line.latched, line.reason) == (30.0, False, "heat allowed")
    assert bench.services.messages[-1] == f"status {NAME} on, heat allowed"
    assert bench.server.answers[-1].pid == os.getpid()


def test_a_latch_is_on_the_disk_before_it_is_reported(bench):
    bench.warm()
    bench.tick(61.0)
    seen = []
    reply = bench.server.reply
    bench.server.reply = lambda status: (
        seen.append((status.lines[0].latched, NAME in bench.latches.load())),
        reply(status),
    )
    assert bench.tick(61.0).latched
    assert seen == [(True, True)]
    assert bench.latches.load()[NAME].wall_ms == bench.clock.wall_ms()


def test_reset_closes_only_after_the_disk_has_it(bench):
    bench.warm()
    bench.tick(61.0)
    bench.tick(61.0)
    for _ in range(3):
        assert bench.tick().latched
    bench.latches.problem = "the disk is full"
    line = bench.tick(reset={NAME})
    assert not line.closed
    for _ in range(3):
        line = bench.tick()
        assert (line.closed, line.series_closed) == (False, False)
        assert line.reason == "the disk is full"
    assert NAME in bench.latches.load(), "a power cut now finds the latch"


def test_a_latch_that_cannot_be_written_is_no_heat(bench):
    bench.warm()
    bench.latches.problem = "the disk is full"
    bench.tick(61.0)
    assert bench.tick(61.0).latched
    for _ in range(5):
        line = bench.tick()
        assert (line.closed, line.series_closed) == (False, False)


def test_no_heat_at_start_unless_the_latch_file_takes_a_write():
    latches = MemoryLatches({})
    latches.problem = "the disk is read-only"
    bench = Bench(latches)
    lines = [bench.tick() for _ in range(5)]
    assert {(line.closed, line.series_closed, line.reason) for line in lines} == {
        (False, False, "the disk is read-only")
    }
    bench.keeper.close()


def test_a_missing_latch_file_latches_and_is_left_for_the_reset_to_write():
    bench = Bench(MemoryLatches())
    for _ in range(4):
        line = bench.tick()
        assert (line.latched, line.closed, line.series_closed) == (True, False, False)
    assert bench.latches.saved == []
    bench.tick(reset={NAME})
    assert bench.tick().closed
    assert bench.latches.saved == [{}]
    bench.keeper.close()


def test_latches_that_were_loaded_hold_and_keep_their_cause():
    old = Latch(NAME, "hot in June", 5)
    bench = Bench(MemoryLatches({NAME: old}))
    for _ in range(5):
        assert not bench.tick().closed
    assert bench.latches.load() == {NAME: old}
    bench.keeper.close()


def test_a_line_that_refuses_is_left_open_and_tried_again_later(bench):
    bench.warm()
    bench.heat.refuse()
    bench.tick()
    line = bench.tick()
    assert "did not take its level" in line.reason
    assert line.series_closed is False, "the series relay cuts what the heat relay does not"
    bench.heat.repair()
    assert not bench.tick().closed
    for _ in range(int(LINE_REST_S)):
        line = bench.tick()
    assert line.closed


def test_a_dead_reader_ends_the_keeper(bench):
    bench.warm()
    bench.reader.dead = True
    with pytest.raises(DriverError):
        bench.tick()
    bench.keeper.close()
    assert (bench.heat.is_closed, bench.series.is_closed) == (False, False)


def test_close_opens_every_line_and_may_be_called_twice(bench):
    bench.warm()
    bench.keeper.close()
    bench.keeper.close()
    assert (bench.heat.is_closed, bench.series.is_closed) == (False, False)
    assert bench.services.messages.count("stopping") >= 1


class HangingProbes:
    """Answers once, then hangs as a read stuck in the kernel does."""

    def __init__(self, clock):
        self._clock = clock
        self._asked = 0
        self.hung, self.released = Event(), Event()

    def read_all(self, now_s):
        self._asked += 1
        if self._asked > 1:
            self.hung.set()
            self.released.wait(60)
        return {NAME: {Place.MAT: Sample(30.0, now_s)}}

    def close(self):
        self.released.set()


def test_a_hung_read_holds_nobody_up():
    clock = ManualClock(100.0)
    probes = HangingProbes(clock)
    reader = ProbeReader(probes, clock, every_s=0.001)
    reader.start()
    assert probes.hung.wait(60)
    assert reader.latest() == {NAME: Sample(30.0, 100.0)}
    reader.close()


class BrokenProbes:
    """Raises, against its contract."""

    def read_all(self, _now_s):
        raise RuntimeError("a fault of ours")

    def close(self):
        pass


@pytest.mark.filterwarnings("ignore::pytest.PytestUnhandledThreadExceptionWarning")
def test_a_reader_that_has_died_is_an_error():
    reader = ProbeReader(BrokenProbes(), ManualClock(0.0))
    reader.start()
    reader._thread.join(60)
    with pytest.raises(DriverError, match="stopped"):
        reader.latest()
