"""The alerts as a process: what arrives, what does not, and what it survives."""

from __future__ import annotations

import signal
import socket
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from alarms import START_MS, alarm, answer
from alertstand import Hung, Stand, Web

pytestmark = pytest.mark.process


@pytest.fixture
def stand(tmp_path: Path) -> Iterator[Stand]:
    made = Stand(tmp_path)
    yield made
    made.end()


@pytest.fixture
def web() -> Iterator[Web]:
    made = Web()
    yield made
    made.stop()


@pytest.fixture
def hung() -> Iterator[Hung]:
    made = Hung()
    yield made
    made.stop()


def test_an_alarm_reaches_the_command_as_json_and_not_again_after_a_restart(stand: Stand) -> None:
    stand.service.say(answer(alarm()))
    stand.start()
    stand.wait(lambda: stand.kinds() == ["alarm"])
    (one,) = stand.got()
    assert one["title"] == "NOW north-bench: The relay is stuck on"
    assert one["urgent"] is True
    assert one["late_s"] == 0
    assert one["alarm"]["id"] == "north-bench/relay-stuck-on"
    asked = stand.service.asked
    stand.wait(lambda: stand.service.asked >= asked + 2)
    assert stand.stop() == 0
    stand.start()
    asked = stand.service.asked
    stand.wait(lambda: stand.service.asked >= asked + 3)
    assert stand.process is not None
    stand.process.kill()
    stand.process.wait(60)
    stand.start()
    stand.wait(lambda: stand.service.asked >= asked + 6)
    assert stand.kinds() == ["alarm"]


def test_gone_before_it_was_seen_comes_as_a_second_message(stand: Stand) -> None:
    stand.service.say(answer(alarm()))
    stand.start()
    stand.wait(lambda: stand.kinds() == ["alarm"])
    stand.service.say(answer(alarm(state="gone but not seen", active=False)))
    stand.wait(lambda: stand.kinds() == ["alarm", "over"])


def test_a_dead_service_is_told_and_its_return_too(stand: Stand) -> None:
    stand.silent_s = 2.0
    stand.start()
    stand.wait(lambda: stand.service.asked >= 2)
    stand.service.stop()
    stand.wait(lambda: stand.kinds() == ["silent"])
    assert "heat is off unless a relay contact has welded" in stand.got()[0]["text"]
    stand.service.start()
    stand.wait(lambda: stand.kinds() == ["silent", "answers"])


@pytest.mark.parametrize("garbage", [b"", b"\n", b"{}\n", b"\xff\xfe", b"[" * 50_000, b"[1]\n"])
def test_a_garbled_answer_is_none(stand: Stand, garbage: bytes) -> None:
    stand.silent_s = 1.0
    stand.service.say(garbage)
    stand.start()
    stand.wait(lambda: stand.kinds() == ["silent"])


def test_what_could_not_be_sent_is_sent_later_and_says_how_late(stand: Stand, web: Web) -> None:
    pytest.importorskip("apprise")
    web.stop()
    stand.alerts(addresses=[web.address], command=stand.script())
    stand.service.say(answer(alarm()))
    stand.start()
    stand.wait(lambda: stand.kinds() == ["alarm"])
    stand.wait(lambda: "address 1: not taken: no network" in stand.output.read_text())
    stand.stop()
    stand.service.say(answer(alarm(state="seen", seen=True)))
    kept = stand.state / "alerts.json"
    text = kept.read_text()
    assert '"urgent":true' in text
    # Two hours pass: as if it had been made two hours ago (sealed anew by its own code).
    subprocess.run(
        [
            sys.executable,
            "-c",
            "import sys; from pathlib import Path\n"
            "from bottomheat_drivers.alert_store import AlertStore\n"
            "store = AlertStore(Path(sys.argv[1])); kept, _ = store.load()\n"
            "saved = kept.saved.model_copy(update={'monotonic_s': kept.saved.monotonic_s - 7800})\n"
            "print(store.save(kept.model_copy(update={'saved': saved})))",
            str(stand.state),
        ],
        env=stand.environment(),
        check=True,
    )
    web.start()
    stand.start()
    stand.wait(lambda: len(web.posts) == 1)
    assert "Sent 2 h 10 min late: no network, or nobody answers there." in web.posts[0]["message"]
    assert stand.kinds() == ["alarm"], "the command had taken it before the restart"
    asked = stand.service.asked
    stand.wait(lambda: stand.service.asked >= asked + 3)
    assert len(web.posts) == 1


def test_a_hung_address_delays_neither_the_others_nor_the_end(
    stand: Stand, web: Web, hung: Hung
) -> None:
    pytest.importorskip("apprise")
    stand.alerts(addresses=[hung.address, web.address], command=stand.script())
    stand.service.say(answer(alarm()))
    stand.start()
    took_s = stand.wait(lambda: bool(web.posts) and stand.kinds() == ["alarm"])
    assert took_s < 60
    asked = stand.service.asked
    stand.wait(lambda: stand.service.asked >= asked + 2)
    began = time.monotonic()
    assert stand.stop() == 0
    assert time.monotonic() - began < 60


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Path]:
    """A mounted file system of 64 KiB."""
    folder = tmp_path / "small"
    folder.mkdir()
    tried = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", "size=64k", "tmpfs", str(folder)],
        capture_output=True,
        text=True,
        check=False,
    )
    if tried.returncode != 0:
        pytest.skip(f"mounting is not possible here: {tried.stderr.strip()}")
    yield folder
    subprocess.run(["umount", "--lazy", str(folder)], check=True)


def fill(path: Path) -> None:
    """Write to a file until its disk is full, which ends in an error."""
    with path.open("wb", buffering=0) as file:
        while True:
            file.write(b"x" * 4096)


def test_a_full_disk_stops_no_message_and_the_message_says_so(
    stand: Stand, small_disk: Path
) -> None:
    stand.more_environment["STATE_DIRECTORY"] = str(small_disk)
    filler = small_disk / "filler"
    stand.start()
    stand.wait((small_disk / "alerts.json").exists)
    with pytest.raises(OSError, match="No space"):
        fill(filler)
    stand.service.say(answer(alarm()))
    stand.wait(lambda: stand.kinds() == ["alarm"])
    assert "messages cannot be kept on the disk" in stand.got()[0]["text"]
    assert "No space left on device" in stand.got()[0]["text"]
    filler.unlink()
    asked = stand.service.asked
    stand.wait(lambda: stand.service.asked >= asked + 3)
    stand.service.say(answer(alarm(), alarm("south-bench/cutoff")))
    stand.wait(lambda: len(stand.kinds()) == 2)
    assert "cannot be kept" not in stand.got()[1]["text"]


def test_a_damaged_file_is_set_aside_told_and_what_stands_is_sent_again(stand: Stand) -> None:
    stand.service.say(answer(alarm()))
    stand.start()
    stand.wait(lambda: stand.kinds() == ["alarm"])
    stand.stop()
    kept = stand.state / "alerts.json"
    kept.write_bytes(kept.read_bytes().replace(b"relay", b"delay", 1))
    stand.start()
    stand.wait(lambda: stand.kinds() == ["alarm", "alarm"])
    assert "its checksum does not fit" in stand.got()[1]["text"]
    assert (stand.state / "alerts.damaged").exists()


def test_a_new_address_counts_at_once_and_a_lost_file_loses_nothing(stand: Stand, web: Web) -> None:
    pytest.importorskip("apprise")
    file = stand.folder / "addresses"
    file.write_text("# none yet\n")
    stand.alerts(addresses_file=str(file), command=stand.script())
    stand.start()
    stand.wait(lambda: stand.service.asked >= 2)
    file.write_text(f"{web.address}\n")
    asked = stand.service.asked
    stand.wait(lambda: stand.service.asked >= asked + 2)
    file.unlink()
    stand.wait(lambda: "cannot be opened" in stand.output.read_text())
    stand.service.say(answer(alarm()))
    stand.wait(lambda: len(web.posts) == 1 and stand.kinds() == ["alarm"])
    assert "the addresses file" in web.posts[0]["message"]


def test_a_refused_config_leaves_the_last_and_a_good_one_counts(stand: Stand) -> None:
    stand.start()
    stand.wait(lambda: stand.service.asked >= 2)
    good = stand.config.read_text()
    stand.config.write_text(good.replace("callus_zone: 25", "callus_zone: 77"))
    stand.wait(lambda: "is refused" in stand.output.read_text())
    stand.service.say(answer(alarm()))
    stand.wait(lambda: stand.kinds() == ["alarm"])
    stand.alerts(command=stand.script(f"cat >> {stand.taken}.other", "other"))
    asked = stand.service.asked
    stand.wait(lambda: stand.service.asked >= asked + 3)
    stand.service.say(answer(alarm("south-bench/cutoff")))
    stand.wait(lambda: Path(f"{stand.taken}.other").exists())


def test_a_config_that_is_refused_at_the_start_falls_to_the_service_s_copy(stand: Stand) -> None:
    program = (
        "import sys; from pathlib import Path\n"
        "from bottomheat_drivers.config_watch import YamlConfigSource\n"
        "source = YamlConfigSource(Path(sys.argv[1]), Path(sys.argv[2]))\n"
        "source.accept(source.poll(force=True))"
    )
    stand.state.parent.mkdir(exist_ok=True)
    subprocess.run(
        [sys.executable, "-c", program, str(stand.config), str(stand.state.parent)],
        env=stand.environment(),
        check=True,
    )
    stand.config.write_text(stand.config.read_text().replace("watts: 45", "wats: 45"))
    stand.service.say(answer(alarm()))
    stand.start()
    stand.wait(lambda: stand.kinds() == ["alarm"])
    assert "go on with the last config that was accepted" in stand.output.read_text()


def test_a_heartbeat_goes_out_only_while_the_service_answers(stand: Stand, web: Web) -> None:
    address = f"http://127.0.0.1:{web.port}/beat"
    stand.service.stop()
    stand.alerts(heartbeat=address, heartbeat_every=1)
    stand.start()
    stand.wait(lambda: stand.state.exists() and (stand.state / "alerts.json").exists())
    time.sleep(1.5)  # several polls without an answer
    assert web.gets == []
    stand.service.start()
    stand.wait(lambda: web.gets == ["/beat"])


def test_ready_alive_and_stopping_reach_the_service_manager(stand: Stand) -> None:
    path = stand.folder / "notify"
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as listener:
        listener.bind(str(path))
        listener.settimeout(10)
        stand.more_environment["NOTIFY_SOCKET"] = str(path)
        stand.start()
        seen: list[str] = []
        while seen.count("WATCHDOG=1") < 3:
            seen.append(listener.recv(4096).decode())
        assert seen.index("READY=1") < seen.index("WATCHDOG=1")
        assert any(line.startswith("STATUS=service answers") for line in seen)
        assert stand.stop() == 0
        while seen[-1] != "STOPPING=1":
            seen.append(listener.recv(4096).decode())


def test_a_second_one_on_the_same_folder_is_refused(stand: Stand) -> None:
    stand.start()
    stand.wait(lambda: stand.service.asked >= 1)
    done = stand.command("alerts")
    assert done.returncode == 7
    assert "already in use by process" in done.stderr
    assert "Traceback" not in done.stderr


def test_a_signal_to_read_again_is_no_end(stand: Stand) -> None:
    stand.start()
    stand.wait(lambda: stand.service.asked >= 1)
    assert stand.process is not None
    stand.process.send_signal(signal.SIGHUP)
    asked = stand.service.asked
    stand.wait(lambda: stand.service.asked >= asked + 2)
    assert stand.process.poll() is None


def test_a_service_that_trickles_is_no_answer(stand: Stand) -> None:
    """Asks a peer that sends a byte now and then: the whole exchange has one deadline."""
    from bottomheat_drivers import alarm_link
    from bottomheat_drivers.clock import SystemClock

    path = stand.folder / "trickle.sock"
    with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as listener:
        listener.bind(str(path))
        listener.listen(1)
        program = (
            "import socket, sys, time\n"
            "client, _ = socket.socket(fileno=0).accept()\n"
            "for _ in range(100):\n    client.send(b' '); time.sleep(0.1)\n"
        )
        child = subprocess.Popen(
            [sys.executable, "-c", program], stdin=listener, stderr=subprocess.DEVNULL
        )
        before = alarm_link.PATIENCE_S
        alarm_link.PATIENCE_S = 1.0
        try:
            began = time.monotonic()
            assert alarm_link.AlarmLink(path, SystemClock()).alarms() is None
            assert time.monotonic() - began < 8
        finally:
            alarm_link.PATIENCE_S = before
            child.kill()
            child.wait(60)


def test_away_message_from_the_process_begins_with_the_helper(stand: Stand) -> None:
    stand.service.say(answer(alarm(), away={"until_ms": START_MS, "since_ms": START_MS}))
    stand.start()
    stand.wait(lambda: stand.kinds() == ["alarm"])
    assert stand.got()[0]["text"].startswith("Unplug the grey plug, leave the lid on.\n")
