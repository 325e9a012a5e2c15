"""The daemon and its keeper as processes, on a fake 1-Wire folder, with mock pins.

The folder holds what a real kernel writes; the test unplugs, shorts, corrupts and heats it.
"""

from __future__ import annotations

import contextlib
import json
import os
import signal
import socket
import sqlite3
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

from bottomheat_drivers.control_socket import ask
from bottomheat_drivers.log import EventRow, LogReader
from service import LAYER, MAT, ROOT, Service

pytestmark = pytest.mark.process


@pytest.fixture
def service(tmp_path: Path) -> Iterator[Service]:
    made = Service(tmp_path)
    yield made
    made.end()


@pytest.fixture
def heating(service: Service) -> Service:
    service.prove()
    service.start()
    service.wait(service.line)
    return service


def test_no_heat_before_the_wiring_is_proved(service: Service) -> None:
    service.start()
    service.wait(lambda: service.chamber()["estimate_c"] is not None)
    service.wait(lambda: service.chamber()["reason"] == "wiring not proved: run bottomheat prove")
    assert not service.line()


def test_lost_probe_opens_the_relay_and_is_named(heating: Service) -> None:
    heating.tree.unplug(LAYER)
    heating.wait(lambda: not heating.line(), 12)
    seen = heating.chamber()
    assert seen["reason"] == "wet-layer probe lost"
    assert seen["readings"]["substrate"]["fault"] == "probe folder is gone"
    heating.tree.replug(LAYER, 20.0)
    heating.wait(lambda: "ten good minutes" in heating.chamber()["reason"])
    assert not heating.line()


@pytest.mark.parametrize(
    ("break_it", "fault"),
    [
        ("short", "all bytes zero: data line shorted"),
        ("corrupt", "checksum wrong"),
        ("empty", "empty answer"),
        ("one_line", "answer cut short"),
        ("power_on", "85 °C power-on value"),
    ],
)
def test_bad_answers_end_the_heat_with_their_reason(
    heating: Service, break_it: str, fault: str
) -> None:
    getattr(heating.tree, break_it)(LAYER)
    heating.wait(lambda: not heating.line(), 12)
    heating.wait(lambda: heating.chamber()["readings"]["substrate"].get("fault") == fault)
    assert heating.chamber()["latched"] is None


def test_hung_read_opens_the_relay_and_leaves_the_daemon_alive(heating: Service) -> None:
    heating.tree.hang(LAYER)
    heating.wait(lambda: not heating.line(), 25)
    heating.wait(lambda: "did not return" in heating.chamber()["readings"]["substrate"]["fault"])
    assert heating.stop() == 0


def test_cutoff_latches_over_a_restart_until_it_is_reset(heating: Service) -> None:
    heating.tree.set(MAT, 61.0)
    heating.wait(lambda: heating.chamber()["latched"] is not None, 12)
    assert not heating.line()
    heating.stop(signal.SIGKILL)
    heating.tree.set(MAT, 22.0)
    heating.start()
    heating.wait(lambda: heating.chamber()["condition"] == "CUT OUT")
    heating.tree.set(MAT, 59.5)
    heating.wait(lambda: heating.chamber()["readings"]["mat"].get("celsius") == 59.5)
    refused = heating.command("reset", "cutoff", "north-bench", "--yes")
    assert refused.returncode == 8, refused
    assert "still near its limit of 60" in refused.stdout
    heating.tree.set(MAT, 22.0)
    heating.wait(lambda: heating.chamber()["readings"]["mat"].get("celsius") == 22.0)
    # If it latched as well before the kill, no reset is taken until its own probe is good.
    heating.wait(lambda: heating.keeper().get("probe_c") == 22.0)
    cleared = heating.command("reset", "cutoff", "north-bench", said="y\n")
    assert cleared.returncode == 0, cleared
    assert "mat at 61.0 °C, limit 60" in cleared.stdout
    heating.wait(heating.line, 40)
    events = [row.event.kind.value for row in read_events(heating)]
    assert events.count("cutoff") == 1
    assert events.count("reset") == 1


def test_reset_without_a_daemon_takes_its_lock(heating: Service) -> None:
    heating.tree.set(MAT, 61.0)
    heating.wait(lambda: heating.chamber()["latched"] is not None, 12)
    heating.stop()
    hot = heating.command("reset", "cutoff", "north-bench", "--yes")
    assert hot.returncode == 8
    heating.tree.set(MAT, 22.0)
    assert heating.command("reset", "cutoff", "north-bench", "--yes").returncode == 0
    again = heating.command("reset", "cutoff", "north-bench", "--yes")
    assert again.returncode == 0
    assert "nothing to reset" in again.stdout
    heating.start()
    heating.wait(heating.line)


@pytest.mark.parametrize("content", [None, b"", b"garbage", b'{"format": "bottomheat latches"}'])
def test_latch_file_in_doubt_means_no_heat(heating: Service, content: bytes | None) -> None:
    heating.stop()
    latch = heating.state / "daemon-latch.json"
    latch.unlink()
    if content is not None:
        latch.write_bytes(content)
    heating.start()
    heating.wait(lambda: heating.chamber()["condition"] == "CUT OUT")
    assert not heating.line()


def test_sigterm_ends_with_the_relay_open(heating: Service) -> None:
    assert heating.stop(signal.SIGTERM) == 0
    assert not heating.line()
    assert not (heating.run / "control.sock").exists()


def test_killed_daemon_loses_its_word_within_twenty_seconds(heating: Service) -> None:
    """The child keeper sees the end of its pipe at once; the lease is what a unit's keeper has."""
    heating.stop(signal.SIGKILL)
    heating.process = None
    assert heating.wait(lambda: not heating.line(), 21) <= 20.5


def test_killed_keeper_has_its_lines_opened(heating: Service) -> None:
    """The mock pins keep their level when a process dies, as a stock kernel's do."""
    keeper = heating.ask("status")["keeper_pid"]
    os.kill(keeper, signal.SIGKILL)
    assert heating.wait(lambda: not heating.line(), 10) <= 5


def test_keeper_that_restarts_alone_keeps_the_wiring_that_the_daemon_runs_on(
    service: Service,
) -> None:
    service.prove()
    service.start("--no-keeper")
    keepers = []
    try:
        for _ in range(2):
            command = [sys.executable, "-m", "bottomheat.keep_main", "keep", str(service.config)]
            folders = {"STATE_DIRECTORY": str(service.state), "RUNTIME_DIRECTORY": str(service.run)}
            keepers.append(subprocess.Popen(command, env={**service.environment(), **folders}))
            service.wait(service.line)
            keepers[-1].terminate()
            keepers[-1].wait(120)
            assert not service.line()
            service.write_config(change=lambda text: text.replace("gpio: 17", "gpio: 18"))
    finally:
        for keeper in keepers:
            keeper.kill()
    assert not service.line(18)


def test_second_daemon_is_refused(heating: Service) -> None:
    second = heating.command("run")
    assert second.returncode == 7
    assert "already" in second.stderr
    assert heating.line()


def test_setpoint_change_is_picked_up_and_a_bad_file_is_refused(heating: Service) -> None:
    heating.write_config(setpoint=14.0)  # the wet layer is far warmer than that needs
    heating.wait(lambda: heating.chamber()["setpoint_c"] == 14.0, 12)
    heating.wait(lambda: not heating.line(), 12)
    heating.write_config(setpoint=77.0)
    heating.wait(lambda: bool(heating.ask("status")["alarms"]), 12)
    alarm = heating.ask("status")["alarms"][0]
    assert alarm["alarm"] == "config-refused"
    assert "line 7" in alarm["text"]
    assert "°F" in alarm["text"]
    assert heating.chamber()["setpoint_c"] == 14.0
    heating.write_config(setpoint=25.0)
    assert heating.process is not None
    heating.process.send_signal(signal.SIGHUP)
    heating.wait(lambda: heating.chamber()["setpoint_c"] == 25.0, 12)
    heating.wait(lambda: not heating.ask("status")["alarms"], 12)
    heating.wait(heating.line, 30)


def test_wiring_change_waits_for_a_restart_and_a_new_proof(heating: Service) -> None:
    heating.write_config(change=lambda text: text.replace("gpio: 17", "gpio: 18"))
    heating.wait(lambda: bool(heating.ask("status")["alarms"]), 12)
    assert "restart" in heating.ask("status")["alarms"][0]["text"]
    assert heating.line()
    heating.stop()
    heating.start()
    heating.wait(lambda: "not proved" in heating.chamber()["reason"])
    assert not heating.line(18)


def test_refused_file_at_start_falls_back_to_the_accepted_one(heating: Service) -> None:
    heating.stop()
    heating.write_config(setpoint=99.0)
    heating.start()
    heating.wait(heating.line)
    assert heating.chamber()["setpoint_c"] == 25.0
    assert heating.ask("status")["alarms"][0]["alarm"] == "config-fallback"


def test_log_that_cannot_be_written_does_not_stop_control(service: Service) -> None:
    service.prove()
    for path in service.state.glob("log.sqlite*"):
        path.unlink()
    (service.state / "log.sqlite").mkdir()
    service.start()
    service.wait(service.line)
    service.wait(lambda: any(a["alarm"] == "log-failed" for a in service.ask("status")["alarms"]))
    assert service.line()


def test_log_holds_what_happened(heating: Service) -> None:
    heating.tree.unplug(LAYER)
    heating.wait(lambda: not heating.line(), 12)
    heating.stop()
    kinds = [row.event.kind.value for row in read_events(heating)]
    assert kinds[0] == "started"
    assert kinds[-1] == "stopped"
    assert "alarm-raised" in kinds
    with LogReader(heating.state / "log.sqlite") as reader:
        last = reader.last_sample("north-bench")
        assert last is not None
        assert not last.heat
        assert reader.closings("north-bench") >= 1
    with sqlite3.connect(heating.state / "log.sqlite") as connection:
        assert connection.execute("PRAGMA integrity_check").fetchone() == ("ok",)


def test_control_socket_stands_hostile_clients(heating: Service) -> None:
    path = str(heating.run / "control.sock")
    with contextlib.ExitStack() as silent:
        for _ in range(12):
            silent.enter_context(socket.socket(socket.AF_UNIX)).connect(path)
        for hostile in (b"\xff\x00{not json\n", b"[" * 50_000 + b"\n", b"x" * 200_000):
            # The server may hang up on it before it has said all, or anything.
            with socket.socket(socket.AF_UNIX) as client, contextlib.suppress(OSError):
                client.connect(path)
                client.sendall(hostile)
    heating.wait(lambda: heating.ask("status")["data_age_s"] < 5)
    assert ask(heating.run / "control.sock", {"do": "nonsense"})["ok"] is False
    assert heating.line()


def test_status_reads_like_a_sentence_and_as_json(heating: Service) -> None:
    text = heating.command("status").stdout
    assert "north-bench" in text
    assert "wet layer 20.0" in text
    assert "not calibrated: keep a thermometer in" in text
    assert json.loads(heating.command("status", "--json").stdout)["chambers"][0]["heat"] is True
    heating.stop()
    gone = heating.command("status")
    assert gone.returncode == 6
    assert "does not answer" in gone.stderr
    assert "north-bench: last row" in gone.stdout


def test_systemd_hears_ready_status_and_watchdog(service: Service, tmp_path: Path) -> None:
    notify = tmp_path / "notify"
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as listener:
        listener.bind(str(notify))
        listener.settimeout(20)
        process = subprocess.Popen(
            [sys.executable, "-m", "bottomheat", "run", "--config", service.config, "--no-keeper"],
            env={**service.environment(), "NOTIFY_SOCKET": str(notify)},
            cwd=ROOT,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )
        try:
            heard = ""
            while "WATCHDOG=1" not in heard or "READY=1" not in heard or "STATUS=" not in heard:
                heard += listener.recv(4096).decode() + "\n"
            process.send_signal(signal.SIGTERM)
            while "STOPPING=1" not in heard:
                heard += listener.recv(4096).decode() + "\n"
            assert process.wait(120) == 0
        finally:
            process.kill()
    assert heard.index("READY=1") < heard.index("STOPPING=1")


def test_bad_config_is_one_clear_sentence(service: Service) -> None:
    service.write_config(change=lambda text: text.replace("watts: 45", "wats: 45"))
    done = service.command("run")
    assert done.returncode == 3
    assert "wats" in done.stderr
    assert "watts" in done.stderr
    assert "Traceback" not in done.stderr
    os.unlink(service.config)
    missing = service.command("run")
    assert missing.returncode == 3
    assert "there is no config file" in missing.stderr


def read_events(service: Service) -> list[EventRow]:
    with LogReader(service.state / "log.sqlite") as reader:
        return list(reader.events())


def test_offline_reset_goes_by_the_keepers_own_margin(heating: Service) -> None:
    """Without daemon and keeper: the keeper's latch wants its own probe 5 K below the limit."""
    heating.tree.set(MAT, 61.0)
    heating.wait(lambda: heating.chamber()["latched"] is not None, 12)
    heating.wait(lambda: heating.chamber()["keeper"]["latched"])
    heating.stop()
    heating.tree.set(MAT, 57.0)  # enough for the daemon's own latch, not for the keeper's
    refused = heating.command("reset", "cutoff", "north-bench", "--yes")
    assert refused.returncode == 8
    assert "a reset needs 55 or less" in refused.stdout
    heating.tree.set(MAT, 54.0)
    assert heating.command("reset", "cutoff", "north-bench", "--yes").returncode == 0
    heating.start()
    heating.wait(heating.line)
