"""Handing a message over: in a child, with a time limit, without a word of an address."""

from __future__ import annotations

import os
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from alertstand import Hung, Web
from bottomheat.alerts.message import Outcome
from bottomheat.config import Alerts
from bottomheat.errors import InputError
from bottomheat_drivers import alert_channels
from bottomheat_drivers.alert_channels import (
    Channel,
    Deliveries,
    Result,
    channels_of,
    look_at_file,
    program_found,
    read_addresses,
)

CONTENT = {"title": "title", "text": "25.0 °C, text", "urgent": True, "id": "1"}


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


def script(folder: Path, text: str) -> Channel:
    path = folder / "bell"
    path.write_text(f"#!/bin/sh\n{text}\n")
    path.chmod(0o700)
    return Channel("command", "command", argv=(str(path), "one word", "$HOME"))


def run(*channels: Channel, longest_s: float = 120.0) -> dict[str, Result]:
    deliveries = Deliveries()
    began = time.monotonic()
    for channel in channels:
        deliveries.start(channel, "1", CONTENT, time.monotonic())
    found: dict[str, Result] = {}
    while len(found) < len(channels) and time.monotonic() - began < longest_s:
        for result in deliveries.finished(time.monotonic()):
            found[result.channel.key] = result
        time.sleep(0.02)
    return found


def address(text: str, key: str = "address-1") -> Channel:
    return Channel(key, "address 1", address=text)


@pytest.mark.process
def test_an_address_gets_title_and_text(web: Web) -> None:
    pytest.importorskip("apprise")
    result = run(address(web.address))["address-1"]
    assert result.outcome is Outcome.TAKEN
    (post,) = web.posts
    assert (post["title"], post["message"], post["type"]) == ("title", "25.0 °C, text", "failure")


@pytest.mark.process
def test_each_failure_of_an_address_has_its_outcome(web: Web) -> None:
    pytest.importorskip("apprise")
    web.status = 500
    gone = Web()
    gone.stop()
    found = run(
        address(web.address, "refused"),
        address(gone.address, "unreachable"),
        address("nosuch://host", "not-understood"),
        address("", "empty"),
    )
    assert {key: result.outcome for key, result in found.items()} == {
        "refused": Outcome.REFUSED,
        "unreachable": Outcome.UNREACHABLE,
        "not-understood": Outcome.NOT_UNDERSTOOD,
        "empty": Outcome.NOT_UNDERSTOOD,
    }


@pytest.mark.process
def test_without_the_library_that_is_what_is_said(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "apprise.py").write_text("raise ImportError('not here')")
    before = os.environ.get("PYTHONPATH", "")
    monkeypatch.setenv("PYTHONPATH", f"{tmp_path}{os.pathsep}{before}")
    assert run(address("json://127.0.0.1:1"))["address-1"].outcome is Outcome.NO_LIBRARY


@pytest.mark.process
def test_a_hung_address_is_ended_and_delays_no_other(
    web: Web, hung: Hung, monkeypatch: pytest.MonkeyPatch
) -> None:
    pytest.importorskip("apprise")
    monkeypatch.setattr(alert_channels, "WORKER_S", 15.0)
    deliveries = Deliveries()
    began = time.monotonic()
    deliveries.start(address(hung.address, "hung"), "1", CONTENT, began)
    deliveries.start(address(web.address, "well"), "1", CONTENT, began)
    assert deliveries.busy == {"hung", "well"}
    ended_s: dict[str, float] = {}
    found: dict[str, Result] = {}
    while len(found) < 2 and time.monotonic() - began < 120:
        for result in deliveries.finished(time.monotonic()):
            found[result.channel.key] = result
            ended_s[result.channel.key] = time.monotonic() - began
        time.sleep(0.02)
    assert found["well"].outcome is Outcome.TAKEN
    assert found["hung"].outcome is Outcome.TOO_SLOW
    assert ended_s["well"] < ended_s["hung"]
    assert 15.0 <= ended_s["hung"] < 60.0


@pytest.mark.process
def test_addresses_that_keep_failing_leave_room_for_the_others(hung: Hung) -> None:
    deliveries = Deliveries()
    for number in range(alert_channels.MOST_FAILING):
        assert deliveries.room(failing=True)
        channel = address(hung.address, f"hung-{number}")
        deliveries.start(channel, "1", CONTENT, 0.0, failing=True)
    assert not deliveries.room(failing=True)
    assert deliveries.room(failing=False)
    for number in range(alert_channels.MOST_AT_ONCE - alert_channels.MOST_FAILING):
        deliveries.start(address(hung.address, f"new-{number}"), "1", CONTENT, 0.0)
    assert not deliveries.room(failing=False)
    deliveries.close(time.sleep, 0.0)


@pytest.mark.process
def test_the_worker_ends_by_itself_when_its_time_is_up(
    hung: Hung, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The kernel's alarm ends it even where its parent has died."""
    pytest.importorskip("apprise")
    (tmp_path / "sitecustomize.py").write_text(
        "import signal\nset_alarm = signal.alarm\nsignal.alarm = lambda s: set_alarm(s and 1)\n"
    )
    monkeypatch.setenv("PYTHONPATH", f"{tmp_path}{os.pathsep}{os.environ.get('PYTHONPATH', '')}")
    began = time.monotonic()
    result = run(address(hung.address))["address-1"]
    assert result.outcome is Outcome.TOO_SLOW
    assert time.monotonic() - began < alert_channels.WORKER_S, "not its parent that ends it then"


@pytest.mark.process
def test_a_command_gets_json_its_arguments_as_they_are_and_no_shell(tmp_path: Path) -> None:
    out = tmp_path / "out"
    result = run(script(tmp_path, f'cat > {out}; echo "|$1|$2|" >> {out}'))["command"]
    assert result.outcome is Outcome.TAKEN
    assert out.read_text().endswith("|one word|$HOME|\n")
    assert '"text": "25.0 \\u00b0C, text"' in out.read_text()


@pytest.mark.process
@pytest.mark.parametrize(
    ("text", "detail"),
    [
        ("exit 3", "the program ended with an error (exit status 3)"),
        ("kill -9 $$", "the program ended with an error (ended by signal 9)"),
    ],
)
def test_a_command_that_fails_says_how(tmp_path: Path, text: str, detail: str) -> None:
    result = run(script(tmp_path, text))["command"]
    assert (result.outcome, result.detail) == (Outcome.FAILED, detail)


@pytest.mark.process
@pytest.mark.parametrize("argv", [("/no/such/program",), ("/",), ("bell\0",), ("",)])
def test_a_command_that_cannot_start_is_no_exception(argv: tuple[str, ...]) -> None:
    result = run(Channel("command", "command", argv=argv))["command"]
    assert result.outcome is Outcome.NOT_STARTED


@pytest.mark.process
def test_a_command_that_does_not_read_is_no_trouble(tmp_path: Path) -> None:
    deliveries = Deliveries()
    began = time.monotonic()
    big = {**CONTENT, "text": "x" * 2_000_000}
    deliveries.start(script(tmp_path, "sleep 300"), "1", big, began)
    assert time.monotonic() - began < 60.0
    deliveries.close(time.sleep, 0.0)


@pytest.mark.process
def test_a_command_that_hangs_is_ended_with_all_that_it_started(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(alert_channels, "COMMAND_S", 1.0)
    pids = tmp_path / "pids"
    channel = script(tmp_path, f"trap '' TERM\nsleep 300 &\necho $$ $! > {pids}\nwait")
    result = run(channel)["command"]
    assert result.outcome is Outcome.TOO_SLOW
    deadline = time.monotonic() + 60
    for pid in pids.read_text().split():
        while os.path.exists(f"/proc/{pid}") and time.monotonic() < deadline:
            if Path(f"/proc/{pid}/stat").read_text().split()[2] == "Z":  # ended, not reaped
                break
            time.sleep(0.02)
        else:
            assert not os.path.exists(f"/proc/{pid}")


@pytest.mark.process
def test_close_is_bounded_and_ends_what_hangs(tmp_path: Path) -> None:
    deliveries = Deliveries()
    deliveries.start(script(tmp_path, "sleep 300"), "1", CONTENT, time.monotonic())
    began = time.monotonic()
    (result,) = deliveries.close(time.sleep, 0.5)
    assert result.outcome is Outcome.TOO_SLOW
    assert time.monotonic() - began < 30
    assert deliveries.busy == frozenset()


@pytest.mark.process
def test_a_heartbeat_is_one_plain_get(web: Web) -> None:
    beat = Channel("heartbeat", "heartbeat", address=f"http://127.0.0.1:{web.port}/beat/abc")
    assert run(beat)["heartbeat"].outcome is Outcome.TAKEN
    assert web.gets == ["/beat/abc"]
    web.status = 404
    assert run(beat)["heartbeat"].outcome is Outcome.REFUSED
    web.stop()
    assert run(beat)["heartbeat"].outcome is Outcome.UNREACHABLE
    for wrong in ("file:///etc/passwd", "ftp://127.0.0.1/", "http://[", "http://a b/", "nothing"):
        result = run(Channel("heartbeat", "heartbeat", address=wrong))["heartbeat"]
        assert result.outcome in (Outcome.NOT_UNDERSTOOD, Outcome.UNREACHABLE), wrong


def test_addresses_come_from_both_places_once_and_are_numbered(tmp_path: Path) -> None:
    file = tmp_path / "addresses"
    file.write_text("\ufeff# the shed's\n\n  json://b  \njson://a\n", encoding="utf-8")
    alerts = Alerts(addresses=["json://a"], addresses_file=str(file), command=["bell"])
    channels = channels_of(alerts)
    assert [c.name for c in channels.outward] == ["address 1", "address 2", "command"]
    assert [c.address for c in channels.outward] == ["json://a", "json://b", None]
    assert channels.trouble is None
    again = channels_of(Alerts(addresses=["json://b", "json://a"]))
    keys = {c.address: c.key for c in channels.outward}
    assert {c.address: c.key for c in again.outward} == {
        a: keys[a] for a in ("json://b", "json://a")
    }


def test_an_addresses_file_that_cannot_be_used_is_told_and_the_rest_works(tmp_path: Path) -> None:
    alerts = Alerts(addresses=["json://a"], addresses_file=str(tmp_path / "none"))
    channels = channels_of(alerts)
    assert [c.name for c in channels.outward] == ["address 1"]
    assert channels.trouble is not None
    assert "cannot be opened" in channels.trouble


@pytest.mark.parametrize("kind", ["folder", "pipe", "binary", "long", "many", "control"])
def test_no_file_of_addresses(tmp_path: Path, kind: str) -> None:
    path = tmp_path / "addresses"
    if kind == "folder":
        path.mkdir()
    elif kind == "pipe":
        os.mkfifo(path)
    else:
        content = {
            "binary": b"json://SECRET\xff\n",
            "long": b"json://SECRET\n" * 2000,
            "many": b"".join(b"json://SECRET%d\n" % n for n in range(33)),
            "control": b"json://SECRET\x1b[2J\n",
        }
        path.write_bytes(content[kind])
    with pytest.raises(InputError) as caught:
        read_addresses(path)
    assert "SECRET" not in str(caught.value)
    assert str(path) in str(caught.value)


def test_no_address_in_a_repr() -> None:
    channels = channels_of(
        Alerts(addresses=["json://SECRET"], heartbeat="http://SECRET", command=["bell", "SECRET"])
    )
    assert "SECRET" not in repr(channels)
    result = Result(channels.outward[0], "1", Outcome.REFUSED, "refused")
    assert "SECRET" not in repr(result)


def test_looking_at_a_file_with_secrets(tmp_path: Path) -> None:
    path = tmp_path / "addresses"
    assert not look_at_file(path).exists
    path.write_text("json://a\n")
    path.chmod(0o644)
    assert look_at_file(path, addresses=True).open_to_all
    path.chmod(0o640)
    looked = look_at_file(path, addresses=True)
    assert (looked.exists, looked.readable, looked.open_to_all, looked.trouble) == (
        True,
        True,
        False,
        None,
    )
    path.write_text("# none yet\n")
    assert "holds no address" in (look_at_file(path, addresses=True).trouble or "")


def test_a_program_is_found_by_its_path_or_its_name(tmp_path: Path) -> None:
    assert program_found(("sh", "-c"))
    path = tmp_path / "bell"
    path.write_text("#!/bin/sh\n")
    assert not program_found((str(path),))
    path.chmod(0o755)
    assert program_found((str(path),))
