"""A borrowed probe that teaches the daemon as a process: killed, pulled out, hung.

The bed's own probes say the same all the while, so that the relay has to go on as it was.
"""

from __future__ import annotations

import os
import signal
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from pathlib import Path

import pytest

from bottomheat.model import EventKind
from bottomheat_drivers.clock import SystemClock
from bottomheat_drivers.log import LogReader, SqliteJournal, boot_id
from service import LAYER, LineWatch, Service
from side_by_side import Measured, Played, Scenario, outcome, play

pytestmark = pytest.mark.process

BOX, SPARE = "north-bench", "28-0000000000aa"


def learning(service: Service) -> dict[str, object]:
    """The session as status gives it; empty where there is none."""
    return dict(service.chamber()["learning"] or {})


def told(service: Service) -> list[str]:
    with LogReader(service.state / "log.sqlite") as log:
        return [row.event.text for row in log.events(kind=EventKind.CALIBRATION)]


def begun_before(service: Service, for_s: float) -> None:
    """What a service leaves that was killed when its session had so long to go."""
    service.prove()
    log = service.state / "log.sqlite"
    journal = SqliteJournal(log, None, SystemClock(), "1", boot_id(), background=False)
    journal.note_borrowing(BOX, SPARE, for_s)
    assert journal.failure() is None
    journal.close()


def threads_of(service: Service) -> int:
    assert service.process is not None
    return len(os.listdir(f"/proc/{service.process.pid}/task"))


def learns_and_goes_on_after_a_kill(service: Service, stack: ExitStack) -> Measured:
    """The session, its rows and the heat come back; nothing is lost but the time between."""
    service.tree.set(SPARE, 23.5)
    service.prove()
    service.start()
    service.wait(service.line)
    before = threads_of(service)
    refused = service.ask("learn", chamber=BOX, probe=LAYER, for_s=7200)
    assert "in use already (north-bench, wet layer)" in refused["error"]
    assert service.ask("learn", chamber=BOX, probe=SPARE, for_s=7200)["ok"]
    took_s = service.wait(lambda: learning(service).get("last_c") == 23.5)
    assert threads_of(service) == before + 1
    service.tree.set(SPARE, 23.75)
    service.wait(lambda: learning(service)["last_c"] == 23.75)
    rows = learning(service)["rows"]
    assert rows in (1, 2)
    service.stop(signal.SIGKILL)
    service.start()
    service.wait(lambda: learning(service).get("last_c") == 23.75)
    service.wait(service.line, 40)
    again = learning(service)
    assert again["probe"] == SPARE
    left_s = 7200.0 - 60.0 * int(str(rows))
    assert left_s - 60.0 < float(str(again["left_s"])) <= left_s
    shown = service.command("status").stdout
    assert f"learns from the borrowed probe {SPARE}: now 23.8, 2 h left" in shown or (
        f"learns from the borrowed probe {SPARE}: now 23.8, 119 min left" in shown
    )
    assert service.ask("learn-stop", chamber=BOX)["was_learning"]
    assert learning(service) == {}
    service.wait(lambda: threads_of(service) <= before)
    assert service.stop() == 0
    with LogReader(service.state / "log.sqlite") as log:
        assert [(row.probe, row.for_s) for row in log.borrowings()] == [
            (SPARE, 7200.0),
            (SPARE, None),
        ]
        kept = [celsius for _, celsius in log.borrowed(BOX, 0, 2**53)]
    assert len(kept) == int(str(rows)) + int(str(again["rows"]))
    assert set(kept) <= {23.5, 23.75}
    texts = told(service)
    assert [text.split(" from ")[0] for text in texts] == [
        "learns",
        "goes on learning",
        "no longer learns",
    ]
    return {"first reading of a borrowed probe after it was lent": f"{took_s:.2f} s"}


def probe_pulled_out_half_way(service: Service, stack: ExitStack) -> Measured:
    """Its fault is shown, the session ends by itself and is told once; the relay goes on."""
    service.tree.set(SPARE, 23.5)
    begun_before(service, 75.0)
    service.start()
    service.wait(service.line)
    service.wait(lambda: learning(service).get("last_c") == 23.5)
    relay = LineWatch(service)
    stack.callback(relay.close)
    service.tree.unplug(SPARE)
    service.wait(lambda: learning(service)["fault"] == "probe folder is gone")
    assert service.alarms() == {}
    took_s = service.wait(lambda: learning(service) == {}, 90.0)
    assert took_s <= 75.0
    assert service.alarms() == {}
    assert [level for _, level in relay.changes] == [True]
    assert service.stop() == 0
    texts = told(service)
    assert len(texts) == 2
    assert "its time is up, and it gives no reading now (probe folder is gone)" in texts[1]
    return None


def read_of_the_borrowed_probe_that_never_returns(service: Service, stack: ExitStack) -> Measured:
    """Not a cycle waits for it; the service ends although the read does not."""
    service.tree.set(SPARE, 23.5)
    service.tree.hang(SPARE)
    begun_before(service, 7200.0)
    service.start()
    service.wait(service.line)
    relay = LineWatch(service)
    stack.callback(relay.close)
    service.wait(lambda: learning(service)["fault"] == "read did not return")
    worst_s = 0.0
    for _ in range(5):
        fresh = service.ask("status")["running_s"]
        service.wait(lambda fresh=fresh: service.ask("status")["running_s"] > fresh + 2.0)
        worst_s = max(worst_s, service.ask("status")["data_age_s"])
    assert worst_s < 2.0 + 1.0, "cycles keep their time"
    assert learning(service)["rows"] == 0
    assert [level for _, level in relay.changes] == [True]
    assert service.stop() == 0
    service.tree.release(SPARE, 23.5)
    return {"oldest data while a borrowed probe's read hangs": f"{worst_s:.2f} s"}


@pytest.fixture(scope="module")
def played(
    request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory
) -> Iterator[Played]:
    yield from play(request, tmp_path_factory)


@pytest.mark.slow
@pytest.mark.parametrize(
    "scenario",
    [
        learns_and_goes_on_after_a_kill,
        probe_pulled_out_half_way,
        read_of_the_borrowed_probe_that_never_returns,
    ],
)
def test_learning(
    scenario: Scenario, played: Played, record_property: Callable[[str, object], None]
) -> None:
    outcome(played, scenario, record_property)


def test_a_probe_that_the_config_uses_now_ends_the_session_at_the_start(tmp_path: Path) -> None:
    service = Service(tmp_path)
    try:
        service.tree.set(SPARE, 23.5)
        begun_before(service, 7200.0)
        service.write_config(change=lambda text: text.replace(LAYER, SPARE))
        service.start()
        service.wait(lambda: service.chamber()["readings"]["substrate"].get("celsius") == 23.5)
        assert learning(service) == {}
        assert service.stop() == 0
        assert "in use already (north-bench, wet layer)" in told(service)[0]
        with LogReader(service.state / "log.sqlite") as log:
            assert [row.for_s for row in log.borrowings()] == [7200.0, None]
    finally:
        service.end()
