"""sd_notify over real sockets, and the clocks."""

from __future__ import annotations

import socket
import uuid

import pytest

from bottomheat_drivers.clock import ManualClock, SystemClock
from bottomheat_drivers.service_manager import NoServiceManager, Systemd, service_manager


@pytest.fixture(params=["path", "abstract"])
def listener(request, tmp_path):
    name = str(tmp_path / "notify") if request.param == "path" else f"@bottomheat-{uuid.uuid4()}"
    sock = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
    sock.bind("\0" + name[1:] if name.startswith("@") else name)
    sock.settimeout(5)
    yield name, sock
    sock.close()


def test_every_message_is_one_datagram_in_utf_8(listener):
    name, sock = listener
    systemd = Systemd(name)
    systemd.ready()
    systemd.status("north-bench 25.0 °C → 26 °C\nsecond line")
    systemd.alive()
    systemd.reloading(12.3456789)
    systemd.stopping()
    assert [sock.recv(4096).decode() for _ in range(5)] == [
        "READY=1",
        "STATUS=north-bench 25.0 °C → 26 °C second line",
        "WATCHDOG=1",
        "RELOADING=1\nMONOTONIC_USEC=12345679",
        "STOPPING=1",
    ]


def test_nobody_listening_is_no_error(tmp_path):
    systemd = Systemd(str(tmp_path / "nobody"))
    for _ in range(3):
        systemd.alive()


def test_a_full_queue_does_not_block(listener):
    name, _sock = listener
    systemd = Systemd(name)
    for _ in range(3000):
        systemd.alive()


@pytest.mark.parametrize(
    ("address", "kind"),
    [
        (None, NoServiceManager),
        ("", NoServiceManager),
        ("vsock:2:1", NoServiceManager),
        ("/run/systemd/notify", Systemd),
        ("@notify", Systemd),
    ],
)
def test_the_environment_decides(monkeypatch, address, kind):
    monkeypatch.delenv("NOTIFY_SOCKET", raising=False)
    if address is not None:
        monkeypatch.setenv("NOTIFY_SOCKET", address)
    assert type(service_manager()) is kind


def test_the_stand_in_remembers(monkeypatch):
    fake = NoServiceManager()
    fake.ready()
    fake.status("a")
    fake.status("b")
    fake.alive()
    fake.reloading(1.5)
    fake.stopping()
    assert fake.messages == ["ready", "status b", "reloading 1.5", "stopping"]
    assert fake.cycles == 1


def test_manual_clock_goes_forward_only():
    clock = ManualClock(10.0, wall_ms=1_000_000)
    clock.advance(2.5)
    assert (clock.monotonic_s(), clock.wall_ms()) == (12.5, 1_002_500)
    clock.set(20.0)
    clock.set_wall(5_000, synchronised=False)
    clock.advance(1.0)
    assert (clock.monotonic_s(), clock.wall_ms(), clock.synchronised()) == (21.0, 6_000, False)
    for wrong in (20.9, float("nan")):
        with pytest.raises(ValueError, match="cannot go"):
            clock.set(wrong)
    for wrong in (-0.1, float("nan")):
        with pytest.raises(ValueError, match="cannot advance"):
            clock.advance(wrong)


def test_system_clock_never_goes_backwards():
    clock = SystemClock()
    times = [clock.monotonic_s() for _ in range(1000)]
    assert times == sorted(times)
    assert clock.wall_ms() > 1_700_000_000_000
    assert clock.synchronised() in (True, False)
