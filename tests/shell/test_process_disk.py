"""Disks and files that fail under daemon and keeper as processes; the relay line is watched.

Log, latches and the accepted config share the state folder, so that a full or read-only card takes
all of them at once.
"""

from __future__ import annotations

import os
import subprocess
from collections.abc import Callable, Iterator
from contextlib import ExitStack, suppress
from pathlib import Path

import pytest

from bottomheat.errors import LogError
from bottomheat_drivers.log import LogReader
from service import MAT, LineWatch, Service
from side_by_side import Played, Scenario, outcome, play

pytestmark = pytest.mark.process


class Card:
    """A small mounted file system of its own as a state folder.

    It is ext4 in a file, because that can be made to turn read-only under its users, as it does by
    itself after an error (ext4(5), ``errors=remount-ro`` and ``abort``).
    """

    def __init__(self, folder: Path, stack: ExitStack) -> None:
        self.folder = folder
        folder.mkdir()
        image = folder.with_suffix(".img")
        with image.open("wb") as file:
            file.truncate(10 * 2**20)
        # No journal, to leave room: the reserve of 1 MiB has to find four times its size free
        words = ("-q", "-F", "-b", "4096", "-m", "0", "-O", "^has_journal", str(image))
        for command in (("mkfs.ext4", *words), ("mount", "-o", "loop", str(image), str(folder))):
            try:
                run(*command)
            except (OSError, subprocess.CalledProcessError) as error:
                pytest.skip(f"a file system cannot be made and mounted here: {error}")
        stack.callback(run, "umount", "--lazy", str(folder))
        (folder / "lost+found").rmdir()  # a state folder has to be empty at its first start

    def fill(self) -> None:
        """Take every block that is left."""
        with suppress(OSError), (self.folder / "photographs").open("ab", buffering=0) as file:
            while True:
                file.write(bytes(4096))

    def free(self) -> None:
        """Remove what filled it."""
        (self.folder / "photographs").unlink()

    def turn_read_only(self) -> None:
        """As after an error of the disk; files that are open stay open, and cannot be written."""
        run("mount", "-o", "remount,abort", str(self.folder))
        with pytest.raises(OSError, match="Read-only"):
            (self.folder / "trial").touch()


def run(*words: str) -> None:
    subprocess.run(words, capture_output=True, check=True)


def spoil(*paths: Path) -> None:
    """Overwrite the middle of files in place, as a dying card does."""
    for path in paths:
        size = path.stat().st_size
        with path.open("r+b") as file:
            file.seek(min(20, size // 2))
            file.write(os.urandom(max(size - 20, 20)))


def events(service: Service) -> list[str]:
    """What the log tells; nothing while it is spoilt."""
    with suppress(LogError), LogReader(service.state / "log.sqlite") as reader:
        return [row.event.text for row in reader.events()]
    return []


def full_card(service: Service, stack: ExitStack) -> None:
    """Heat goes on until a latch cannot be kept; then there is none, whatever is started again."""
    card = Card(service.state, stack)
    service.prove()
    service.start()
    service.wait(service.line)
    watch = LineWatch(service)
    stack.callback(watch.close)
    for setpoint in (26.0, 25.0):  # each is written at once; the first takes the reserve
        card.fill()
        service.write_config(setpoint=setpoint)
        service.wait(lambda setpoint=setpoint: service.chamber()["setpoint_c"] == setpoint)
        service.wait(lambda: "log-failed" in service.alarms())
    assert "full" in service.alarms()["log-failed"]
    card.fill()
    service.steady(lambda: watch.closed, 3.0)
    service.tree.set(MAT, 61.0)
    service.wait(lambda: not watch.closed, 12.0)
    service.wait(lambda: service.chamber()["latched"] is not None)
    service.kill_both()
    card.fill()
    service.tree.set(MAT, 22.0)
    service.start()
    service.wait(lambda: service.chamber()["condition"] == "CUT OUT")
    service.steady(lambda: not watch.closed, 3.0)
    service.kill_both()
    card.free()
    service.start()
    service.wait(lambda: service.chamber()["condition"] == "CUT OUT")
    service.wait(lambda: service.chamber()["readings"]["mat"].get("celsius") == 22.0)
    service.wait(lambda: service.keeper().get("probe_c") == 22.0)
    assert not watch.closed
    done = service.command("reset", "cutoff", "north-bench", "--yes")
    assert done.returncode == 0, done
    service.wait(lambda: watch.closed)
    service.wait(lambda: any("cutoff reset by hand" in text for text in events(service)))


def card_that_turns_read_only(service: Service, stack: ExitStack) -> None:
    """Heat goes on; at the next start no latch could be kept, so there is none, and it says so."""
    card = Card(service.state, stack)
    service.prove()
    service.start()
    service.wait(service.line)
    watch = LineWatch(service)
    stack.callback(watch.close)
    card.turn_read_only()
    service.write_config(setpoint=26.0)
    service.wait(lambda: service.chamber()["setpoint_c"] == 26.0)
    service.wait(lambda: "log-failed" in service.alarms())
    service.steady(lambda: watch.closed, 3.0)
    service.tree.set(MAT, 61.0)
    service.wait(lambda: not watch.closed, 12.0)
    service.wait(lambda: "latch-unwritable" in service.alarms())
    service.kill_both()
    service.tree.set(MAT, 22.0)
    service.start()
    service.wait(lambda: service.chamber()["estimate_c"] is not None)
    service.wait(lambda: {"latch-unwritable", "log-failed"} <= service.alarms().keys())
    service.steady(lambda: not watch.closed, 4.0)
    assert "Read-only" in service.chamber()["reason"]
    assert "Traceback" not in service.output.read_text()


def log_spoilt_under_the_daemon_then_a_trip_and_a_power_cut(
    service: Service, stack: ExitStack
) -> None:
    """A latch is none of the log's business: it stands without it."""
    log = service.state / "log.sqlite"
    service.prove()
    service.start()
    service.wait(service.line)
    watch = LineWatch(service)
    stack.callback(watch.close)
    begun = len(watch.changes)
    service.wait((service.state / "log.sqlite-wal").exists)
    spoil(log, service.state / "log.sqlite-wal", service.state / "log.sqlite-shm")
    for setpoint in (26.0, 25.0):
        service.write_config(setpoint=setpoint)
        service.wait(lambda setpoint=setpoint: service.chamber()["setpoint_c"] == setpoint)
    service.wait(lambda: bool(list(service.state.glob("log.sqlite.damaged-*"))))
    service.wait(lambda: any("damaged" in text for text in events(service)))
    assert len(watch.changes) == begun, "the heat has not noticed"

    service.tree.set(MAT, 61.0)
    service.wait(lambda: service.chamber()["latched"] is not None, 12.0)
    assert not watch.closed
    spoil(log, service.state / "log.sqlite-wal")
    for ring in service.run.glob("*.ring"):
        spoil(ring)
    service.kill_both()
    service.tree.set(MAT, 59.5)
    service.start()
    service.wait(lambda: service.chamber()["condition"] == "CUT OUT")
    service.wait(lambda: service.chamber()["readings"]["mat"].get("celsius") == 59.5)
    refused = service.command("reset", "cutoff", "north-bench", "--yes")
    assert refused.returncode == 8, refused
    assert "mat at 61.0 °C, limit 60" in refused.stdout, "the cause is known without the log"
    service.tree.set(MAT, 22.0)
    service.wait(lambda: service.chamber()["readings"]["mat"].get("celsius") == 22.0)
    assert len(watch.changes) == begun + 1
    service.wait(lambda: service.keeper().get("probe_c") == 22.0)
    assert service.command("reset", "cutoff", "north-bench", "--yes").returncode == 0
    service.wait(lambda: watch.closed)


def what_is_spoilt_besides_the_latches_costs_no_heat_and_what_is_in_them_does(
    service: Service, stack: ExitStack
) -> None:
    """First log, ring files, accepted config and copies of the wiring at once, then the latches."""
    service.prove()
    service.start()
    service.wait(service.line)
    watch = LineWatch(service)
    stack.callback(watch.close)
    service.kill_both()
    kept = [*service.state.glob("log.sqlite*"), *service.run.glob("*.ring")]
    kept += [*service.state.glob("keeper-wiring.json"), *service.run.glob("keeper-wiring.json")]
    kept += [service.state / "accepted-config.yaml"]
    assert len(kept) >= 6
    spoil(*(path for path in kept if path.stat().st_size))
    (service.run / "log-0123456789abcdef.ring").write_bytes(b"nonsense" * 100)
    service.start()
    service.wait(lambda: not watch.closed)
    service.wait(lambda: watch.closed)
    service.wait(lambda: any("set aside" in text for text in events(service)))

    spoil(service.state / "daemon-latch.json", service.state / "keeper-latch.json")
    service.steady(lambda: watch.closed, 2.5)  # they are read at the next start
    service.kill_both()
    service.start()
    service.wait(lambda: service.chamber()["condition"] == "CUT OUT")
    service.wait(lambda: service.keeper().get("latched") is True)
    service.wait(lambda: service.keeper()["probe_c"] is not None)
    assert not watch.closed
    assert service.command("reset", "cutoff", "north-bench", "--yes").returncode == 0
    service.wait(lambda: watch.closed)


@pytest.fixture(scope="module")
def played(
    request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory
) -> Iterator[Played]:
    yield from play(request, tmp_path_factory)


@pytest.mark.slow
@pytest.mark.parametrize(
    "scenario",
    [
        full_card,
        card_that_turns_read_only,
        log_spoilt_under_the_daemon_then_a_trip_and_a_power_cut,
        what_is_spoilt_besides_the_latches_costs_no_heat_and_what_is_in_them_does,
    ],
)
def test_disk(
    scenario: Scenario, played: Played, record_property: Callable[[str, object], None]
) -> None:
    outcome(played, scenario, record_property)
