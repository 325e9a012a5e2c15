"""Probes that hang and vanish under the daemon as a process, and how heat comes back after it."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from pathlib import Path

import pytest

from bottomheat import cycle
from bottomheat_drivers.clock import ManualClock
from bottomheat_drivers.config_yaml import load_config
from bottomheat_drivers.w1 import W1Probes
from service import LAYER, SOUTH, SOUTH_LAYER, SOUTH_SECOND, LineWatch, Service
from side_by_side import Measured, Played, Scenario, outcome, play

pytestmark = pytest.mark.process


def of_process(pid: int, key: str) -> int:
    """A number from a process's status, such as Threads or VmRSS (kB)."""
    lines = Path(f"/proc/{pid}/status").read_text().splitlines()
    return next(int(line.split()[1]) for line in lines if line.startswith(f"{key}:"))


def reads_that_never_return(service: Service, stack: ExitStack) -> Measured:
    """The only probe of one chamber and one of the other's two: one is dark, the other goes on."""
    for name in (SOUTH_LAYER, SOUTH_SECOND):
        service.tree.set(name, 12.0)  # so cold that the law asks for heat all the time
    service.write_config(change=lambda text: text + SOUTH)
    service.prove()
    service.start()
    service.wait(lambda: service.line(17) and service.line(27))
    south = LineWatch(service, 27)
    stack.callback(south.close)
    assert service.process is not None
    pid = service.process.pid
    service.tree.hang(LAYER)
    service.tree.hang(SOUTH_SECOND)
    took_s = service.wait(lambda: not service.line(17), 20.0)
    assert took_s <= 2.0 + 3.0 + 3 * 2.0 + 1.0, "a turn, the read's 3 s, three cycles, a tick"
    assert service.chamber()["reason"] == "wet-layer probe lost"
    assert "did not return" in service.chamber()["readings"]["substrate"]["fault"]
    assert "did not return" in service.chamber("south-bench")["readings"]["substrate-2"]["fault"]
    threads, memory = of_process(pid, "Threads"), of_process(pid, "VmRSS")
    descriptors = len(os.listdir(f"/proc/{pid}/fd"))
    for _ in range(3):
        fresh = service.ask("status")["running_s"]
        service.wait(lambda fresh=fresh: service.ask("status")["running_s"] > fresh + 2.0)
        assert service.ask("status")["data_age_s"] < 2.0 + 1.0, "cycles keep their time"
    assert of_process(pid, "Threads") == threads, "a thread that hangs gets no second one"
    assert len(os.listdir(f"/proc/{pid}/fd")) <= descriptors + 1
    assert of_process(pid, "VmRSS") <= memory + 1024
    assert [level for _, level in south.changes] == [True], "its other probe is enough"
    service.tree.release(LAYER, 20.0)
    service.wait(lambda: "ten good minutes" in service.chamber()["reason"])
    assert service.stop() == 0
    return {"relay open after the only probe's read hangs": f"{took_s:.2f} s"}


def whole_folder_that_vanishes_and_comes_back(service: Service, _stack: ExitStack) -> None:
    """As when the bus driver is unloaded: all are lost at once, and heat does not come at once."""
    service.prove()
    service.start()
    service.wait(service.line)
    aside = service.tree.devices.with_name("gone")
    service.tree.devices.rename(aside)
    service.wait(lambda: not service.line(), 12.0)
    service.wait(lambda: "probe-lost" in service.alarms())
    assert service.chamber()["readings"]["substrate"]["fault"] == "probe folder is gone"
    assert service.chamber()["latched"] is None
    aside.rename(service.tree.devices)
    service.wait(lambda: "ten good minutes" in service.chamber()["reason"])
    service.steady(lambda: not service.line(), 2.5)


def test_heat_comes_back_after_ten_good_minutes_and_not_before(tmp_path: Path) -> None:
    """The rest of that story, on the real reader and a clock that goes when it is told to."""
    service = Service(tmp_path)
    config = load_config(service.config)
    wiring = {name: box.probes.by_place() for name, box in config.chambers.items()}
    clock = ManualClock(1000.0)
    probes = W1Probes(service.tree.devices, wiring, clock)
    state = cycle.start(config, {}, proved=True)

    def heat() -> bool:
        nonlocal state
        clock.advance(config.cycle_s)
        now_s = clock.monotonic_s()
        step = cycle.advance(state, probes.read_all(now_s), now_s, config)
        state = step.state
        assert not step.latched
        return bool(step.heat)

    try:
        assert [heat() for _ in range(4)] == [False, False, True, True]
        aside = service.tree.devices.with_name("gone")
        service.tree.devices.rename(aside)
        assert [heat() for _ in range(4)] == [True, True, False, False], "lost at the third"
        for minute in range(8):  # a loose plug: good for five minutes at a time
            aside.rename(service.tree.devices)
            assert not any(heat() for _ in range(int(300 / config.cycle_s)))
            service.tree.devices.rename(aside)
            assert not any(heat() for _ in range(1 + minute))
        aside.rename(service.tree.devices)
        good_s = clock.monotonic_s() + config.cycle_s
        while not heat():
            assert clock.monotonic_s() - good_s <= 600.0
        assert clock.monotonic_s() - good_s == pytest.approx(600.0, abs=config.cycle_s)
    finally:
        probes.close()


@pytest.fixture(scope="module")
def played(
    request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory
) -> Iterator[Played]:
    yield from play(request, tmp_path_factory)


@pytest.mark.slow
@pytest.mark.parametrize(
    "scenario", [reads_that_never_return, whole_folder_that_vanishes_and_comes_back]
)
def test_probes(
    scenario: Scenario, played: Played, record_property: Callable[[str, object], None]
) -> None:
    outcome(played, scenario, record_property)
