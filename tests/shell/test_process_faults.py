"""Daemon and keeper killed and hung, as processes; the relay line is watched from outside.

The line keeps its level when its process dies, as on a stock Raspberry Pi kernel.  ``Units`` stands
in for systemd with what the unit files say.  Times go into the report as properties.
"""

from __future__ import annotations

import json
import os
import signal
import socket
import subprocess
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack, suppress
from itertools import pairwise
from pathlib import Path

import pytest

from service import LAYER, MAT, LineWatch, Service, gone, spread
from units import KEEPER, Units, setting

pytestmark = pytest.mark.process

Record = Callable[[str, object], None]
SHEDS = 3


class Shed:
    """Keeper and daemon as two units on one folder, with their line watched."""

    def __init__(self, folder: Path, stack: ExitStack) -> None:
        self.service = Service(folder)
        self.service.prove()
        self.units = Units(self.service)
        stack.callback(self.units.close)
        self.watch = LineWatch(self.service)
        stack.callback(self.watch.close)

    def wait_opened(self, since_s: float, longest_s: float) -> float:
        """Wait until the line has opened; returns how long after ``since_s`` it did."""

        def opened() -> bool:
            return self.watch.first(False, since_s) is not None

        self.service.wait(opened, longest_s)
        at_s = self.watch.first(False, since_s)
        assert at_s is not None
        return at_s - since_s


def sheds(folder: Path, stack: ExitStack, count: int) -> list[Shed]:
    """So many sheds side by side, all heating."""
    made = [Shed(folder / str(number), stack) for number in range(count)]
    for shed in made:
        shed.units.start()
    for shed in made:
        shed.service.wait(lambda shed=shed: shed.watch.closed)
    return made


@pytest.fixture
def stack() -> Iterator[ExitStack]:
    with ExitStack() as made:
        yield made


@pytest.fixture
def service(tmp_path: Path) -> Iterator[Service]:
    made = Service(tmp_path)
    made.prove()
    yield made
    made.end()


@pytest.fixture
def heating(service: Service) -> Service:
    service.start()
    service.wait(service.line)
    return service


@pytest.mark.slow
def test_either_process_that_dies_or_hangs_is_missed_by_the_other(
    tmp_path: Path, stack: ExitStack, record_property: Record
) -> None:
    """The keeper opens 20 s after the last word; the daemon raises its alarm after 30 s."""
    made = sheds(tmp_path, stack, 2 * SHEDS + 1)
    killed, hung, lone = made[:SHEDS], made[SHEDS : 2 * SHEDS], made[-1]
    lone.units.keeper.watched = False
    lone_s = lone.units.keeper.send(signal.SIGSTOP)
    at_s = {}
    for shed in (*killed, *hung):
        # just after a word, which is when it takes longest
        shed.service.wait(lambda shed=shed: shed.service.ask("status")["data_age_s"] < 0.1)
        at_s[shed] = shed.units.daemon.send(signal.SIGKILL if shed in killed else signal.SIGSTOP)
    took_s = {shed: shed.wait_opened(at_s[shed], 25.0) for shed in (*killed, *hung)}
    record_property("relay open after kill -9 of the daemon", spread([took_s[s] for s in killed]))
    record_property("relay open after SIGSTOP of the daemon", spread([took_s[s] for s in hung]))
    assert max(took_s.values()) <= 20.0 + 0.5, "the keeper looks twice a second"
    assert min(took_s.values()) > 15.0, "the lease and nothing else has opened it"
    for shed in hung:
        shed.units.daemon.send(signal.SIGCONT)
    for shed in hung:
        shed.service.wait(lambda shed=shed: shed.watch.closed)
        assert not shed.service.alarms()
        assert shed.service.chamber()["latched"] is None
    silent_s = lone.service.wait(lambda: "keeper-silent" in lone.service.alarms(), 45.0)
    assert silent_s < 45.0
    assert lone.units.keeper.petted(lone_s + 1.0) == 0, "so that a real watchdog acts"
    assert "does not answer" in lone.service.alarms()["keeper-silent"]
    assert lone.watch.closed, "nobody has opened it: that is what the watchdog is for"


def test_killed_daemon_of_a_terminal_takes_its_keeper_along(
    heating: Service, stack: ExitStack, record_property: Record
) -> None:
    """The keeper that ``run`` starts sees the end of its pipe, and need not wait for the lease."""
    watch = LineWatch(heating)
    stack.callback(watch.close)
    keeper = heating.ask("status")["keeper_pid"]
    at_s = time.monotonic()
    heating.stop(signal.SIGKILL)
    heating.process = None
    heating.wait(lambda: watch.first(False, at_s) is not None, 5.0)
    record_property("relay open after kill -9 of run", f"{watch.first(False, at_s) - at_s:.2f} s")
    gone(keeper)


def test_daemon_that_was_stopped_sends_no_old_word(service: Service) -> None:
    """After two turns left out there is one lease a cycle again, each fresh when it is sent."""
    service.run.mkdir(exist_ok=True)
    with ExitStack() as stack:
        keeper = stack.enter_context(socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM))
        keeper.bind(str(service.run / "keeper.sock"))
        keeper.settimeout(0.05)
        heard: list[tuple[float, float, bool]] = []

        def listen(for_s: float) -> list[tuple[float, float, bool]]:
            end_s, news = time.monotonic() + for_s, []
            while time.monotonic() < end_s:
                try:
                    lease = json.loads(keeper.recv(65536))
                except TimeoutError:
                    continue
                news.append((time.monotonic(), float(lease["sent_s"]), bool(lease["heat"])))
            heard.extend(news)
            return news

        service.start("--no-keeper")
        assert service.process is not None
        service.wait(lambda: bool(listen(0.1)) and len(heard) >= 2)
        for hangs in (False, True):
            if hangs:  # it is stopped in the middle of a turn: the read takes its 3 s
                service.tree.hang(MAT)
                listen(2.5)
            service.process.send_signal(signal.SIGSTOP)
            listen(0.5)  # what it sent before it stood
            assert listen(4.0) == []
            service.process.send_signal(signal.SIGCONT)
            news = listen(3.5)
            service.tree.set(MAT, 22.0)
            assert 1 <= len(news) <= 3, "one each cycle of 2 s, and none for the time it stood"
            assert all(arrived_s - sent_s < 0.5 for arrived_s, sent_s, _ in news)
            assert all(later[0] - earlier[0] > 0.3 for earlier, later in pairwise(news))


@pytest.mark.slow
def test_keeper_that_dies_or_hangs_has_its_lines_opened(
    tmp_path: Path, stack: ExitStack, record_property: Record
) -> None:
    """By ExecStopPost of the unit and its watchdog, which the stand-in plays, or by ``run``."""
    *killed, hung = sheds(tmp_path, stack, SHEDS + 1)
    children = [Service(tmp_path / f"run {number}") for number in range(SHEDS + 1)]
    for child in children:
        stack.callback(child.end)
        child.prove()
        child.start()
    for child in children:
        child.wait(child.line)
    *killed_children, hung_child = children
    hung_s = hung.units.keeper.send(signal.SIGSTOP)
    os.kill(hung_child.ask("status")["keeper_pid"], signal.SIGSTOP)
    hung_childs_s = time.monotonic()
    took_s = []
    for shed in killed:
        shed.units.keeper.restarts = True
        took_s.append(shed.wait_opened(shed.units.keeper.send(signal.SIGKILL), 10.0))
    record_property("lines open after kill -9 of the keeper's unit", spread(took_s))
    childs_s = []
    for child in killed_children:
        os.kill(child.ask("status")["keeper_pid"], signal.SIGKILL)
        childs_s.append(child.wait(lambda child=child: not child.line(), 10.0))
    record_property("lines open after kill -9 of run's keeper", spread(childs_s))
    assert max(took_s + childs_s) <= 5.0
    took_hung_s = hung.wait_opened(hung_s, 30.0)
    record_property("lines open after SIGSTOP of the keeper's unit", f"{took_hung_s:.2f} s")
    hung_child.wait(lambda: not hung_child.line(), 20.0)
    hung_childs_s = time.monotonic() - hung_childs_s
    record_property("lines open after SIGSTOP of run's keeper", f"{hung_childs_s:.2f} s")
    times = [float(setting(KEEPER, key)) for key in ("WatchdogSec", "TimeoutAbortSec")]
    assert max(took_hung_s, hung_childs_s) <= sum(times) + 2.0
    assert min(took_hung_s, hung_childs_s) > times[0] - 1.0, "the watchdog and nothing else"
    for shed in killed:
        shed.service.wait(lambda shed=shed: shed.watch.closed)
        assert shed.service.chamber()["latched"] is None
    assert not any(child.line() for child in children), "in a terminal, somebody has to look"


@pytest.mark.slow
def test_both_killed_and_started_again_heat_only_on_good_readings_and_a_lease(
    tmp_path: Path, stack: ExitStack, record_property: Record
) -> None:
    service = Service(tmp_path / "run")
    stack.callback(service.end)
    service.prove()
    service.start()
    (shed,) = sheds(tmp_path, stack, 1)
    service.wait(service.line)
    at_s = shed.units.daemon.send(signal.SIGKILL)
    shed.units.keeper.send(signal.SIGKILL)
    took_s = shed.wait_opened(at_s, 10.0)
    record_property("lines open after kill -9 of both units", f"{took_s:.2f} s")
    assert took_s <= 5.0
    service.kill_both()
    service.steady(service.line, 1.0)  # nobody is left who could open it
    watch = LineWatch(service)
    stack.callback(watch.close)
    for each in (shed.service, service):
        each.tree.empty(LAYER)
    assert shed.units.keeper.stopped.wait(60)
    shed.units.keeper.start()
    service.start()
    service.wait(lambda: not watch.closed)  # the keeper opens it before it does anything else
    shed.service.steady(lambda: not shed.watch.closed, 2.0)  # a keeper without a word
    shed.units.daemon.start()
    for each in (shed.service, service):
        each.wait(lambda each=each: "fault" in each.chamber()["readings"]["substrate"])
    service.steady(lambda: not (watch.closed or shed.watch.closed), 4.0)  # no good reading
    good_s = time.monotonic()
    for each in (shed.service, service):
        each.tree.set(LAYER, 20.0)
    for each, seen in ((shed.service, shed.watch), (service, watch)):
        each.wait(lambda seen=seen: seen.closed)
        closed_s = seen.first(True, good_s)
        assert closed_s is not None
        assert closed_s - good_s > 4.0, "three readings, 2 s apart"


def test_unread_standard_error_does_not_cost_the_heat(service: Service) -> None:
    """A terminal that is held, or a journal that is stuck, blocks whoever writes to it."""
    service.output.touch()
    reading, writing = os.pipe()
    try:
        os.set_blocking(writing, False)
        with suppress(BlockingIOError):
            while True:
                os.write(writing, b"x" * 4096)
        os.set_blocking(writing, True)
        command = [*Service.COMMAND, "run", "--config", str(service.config)]
        service.process = subprocess.Popen(
            command, env=service.environment(), stdin=subprocess.DEVNULL, stderr=writing, text=True
        )
        service.wait(service.line)
        service.tree.unplug(LAYER)
        service.wait(lambda: not service.line(), 12)
        assert "probe-lost" in service.alarms()
    finally:
        os.close(reading)
        os.close(writing)
