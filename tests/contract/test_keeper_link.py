"""The line between daemon and keeper, over real sockets."""

from __future__ import annotations

import json
import math
import socket
import stat

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bottomheat.errors import AlreadyRunningError, DriverError
from bottomheat.ports import KeeperStatus, Lease, LineStatus
from bottomheat_drivers.keeper_link import (
    MAX_BYTES,
    KeeperClient,
    KeeperServer,
    format_lease,
    format_status,
    parse_lease,
    parse_status,
)

WIRING = "north-bench:17:1:-"
NORTH = frozenset({"north-bench"})
STATUS = KeeperStatus(
    12.5,
    4711,
    (
        LineStatus("north-bench", True, 3, False, "heat allowed", 41.25, True),
        LineStatus("south-bench", False, 0, True, "cut out: 61.0 °C", None, None),
    ),
)


@pytest.fixture
def path(tmp_path):
    return tmp_path / "keeper.sock"


@pytest.fixture
def server(path):
    server = KeeperServer(path)
    yield server
    server.close()


@pytest.fixture
def client(path, tmp_path):
    client = KeeperClient(path, tmp_path / "daemon.sock", WIRING)
    yield client
    client.close()


def test_a_lease_goes_there_and_the_status_comes_back(server, client):
    assert server.receive() is None
    assert client.status() is None
    lease = Lease(
        12.5,
        NORTH,
        frozenset({"south-bench"}),
        WIRING,
        open_series=frozenset({"south-bench"}),
        sound=True,
    )
    assert client.send(lease)
    assert server.receive() == lease
    assert server.receive() is None
    server.reply(STATUS)
    assert client.status() == STATUS
    assert client.status() == STATUS, "the newest answer stays"


def test_the_newest_lease_wins_and_no_reset_is_lost(server, client):
    client.send(Lease(1.0, NORTH, NORTH))
    client.send(Lease(2.0, frozenset()))
    assert server.receive() == Lease(2.0, frozenset(), NORTH, wiring=WIRING)


def test_close_opens_everything(server, client):
    client.send(Lease(1.0, NORTH))
    client.close()
    client.close()
    assert server.receive() == Lease(1.0, frozenset(), wiring=WIRING)
    assert not client.send(Lease(2.0, NORTH))


def test_close_leaves_a_series_relay_open_that_had_to_open(server, client):
    client.send(Lease(1.0, NORTH, reset=NORTH, open_series=NORTH, sound=True))
    server.receive()
    client.close()
    assert server.receive() == Lease(1.0, frozenset(), wiring=WIRING, open_series=NORTH, sound=True)


def test_the_newest_lease_alone_says_which_series_relays_open(server, client):
    client.send(Lease(1.0, NORTH, open_series=NORTH, sound=True))
    client.send(Lease(2.0, NORTH))
    assert server.receive() == Lease(2.0, NORTH, wiring=WIRING)


def test_socket_is_for_user_and_group_and_goes_at_the_end(path):
    server = KeeperServer(path)
    assert stat.S_IMODE(path.stat().st_mode) == 0o660
    server.close()
    server.close()
    assert not path.exists()
    assert server.receive() is None


def test_either_side_may_be_restarted(path, tmp_path, client):
    assert not client.send(Lease(1.0, NORTH)), "no keeper yet"
    first = KeeperServer(path)
    assert client.send(Lease(2.0, NORTH))
    first.close()
    assert not client.send(Lease(3.0, NORTH))
    second = KeeperServer(path)
    assert client.send(Lease(4.0, NORTH))
    assert second.receive() == Lease(4.0, NORTH, wiring=WIRING)
    client.close()
    again = KeeperClient(path, tmp_path / "daemon.sock", WIRING)
    assert again.send(Lease(5.0, NORTH))
    second.receive()
    second.reply(STATUS)
    assert again.status() == STATUS
    again.close()
    second.close()


def test_a_socket_left_by_a_killed_keeper_is_replaced(path):
    dead = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
    dead.bind(str(path))
    dead.close()
    assert path.exists()
    KeeperServer(path).close()


def test_a_second_keeper_is_refused(server, path):
    with pytest.raises(AlreadyRunningError):
        KeeperServer(path)


def test_a_missing_folder_or_a_file_in_the_way_is_a_sentence(tmp_path):
    with pytest.raises(DriverError, match="check that the folder"):
        KeeperServer(tmp_path / "nowhere" / "keeper.sock")
    (tmp_path / "file").write_text("precious")
    with pytest.raises(DriverError):
        KeeperServer(tmp_path / "file")
    assert (tmp_path / "file").read_text() == "precious"


def test_the_client_never_raises_without_its_folder(path, tmp_path):
    client = KeeperClient(path, tmp_path / "nowhere" / "daemon.sock", WIRING)
    assert not client.send(Lease(1.0, NORTH))
    assert client.status() is None
    client.close()


def test_a_keeper_that_does_not_listen_does_not_block_the_daemon(server, client):
    sent = [client.send(Lease(float(i), NORTH)) for i in range(3000)]
    assert sent[0]
    assert not sent[-1], "the queue is full, and that is no reason to wait"


def test_a_daemon_that_does_not_listen_does_not_block_the_keeper(server, client):
    client.send(Lease(1.0, NORTH))
    server.receive()
    for _ in range(3000):
        server.reply(STATUS)
    assert client.status() is not None


def test_rubbish_is_dropped_and_a_lease_among_it_is_found(server, path):
    sock = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
    for data in (b"", b"\xff", b"null", b"[]", b"[" * 5000, b"{}", b"9" * 5000, b" " * MAX_BYTES):
        sock.sendto(data, str(path))
    sock.sendto(format_lease(Lease(7.0, NORTH)), str(path))
    sock.sendto(b"x" * (MAX_BYTES + 1), str(path))
    sock.close()
    assert server.receive() == Lease(7.0, NORTH)
    server.reply(STATUS)  # the sender has no address: nobody to answer


GOOD = {
    "version": 3,
    "sent_s": 1.0,
    "heat": ["north-bench"],
    "reset": [],
    "open_series": [],
    "sound": False,
    "wiring": "",
}


@pytest.mark.parametrize(
    "change",
    [
        {"version": 2},
        {"version": 4},
        {"open_series": None},
        {"open_series": "north-bench"},
        {"open_series": [1]},
        {"open_series": [["north-bench"]]},
        {"sound": None},
        {"sound": 1},
        {"sound": "true"},
        {"wiring": None},
        {"sent_s": True},
        {"sent_s": "1"},
        {"sent_s": None},
        {"sent_s": 10**400},
        {"heat": "north-bench"},
        {"heat": [1]},
        {"heat": [""]},
        {"heat": ["x" * 65]},
        {"heat": [f"c{i}" for i in range(17)]},
        {"heat": [["north-bench"]]},
        {"reset": None},
        {"more": 1},
    ],
)
def test_what_is_not_exactly_a_lease_is_none(change):
    assert parse_lease(json.dumps(GOOD).encode()) == Lease(1.0, NORTH)
    assert parse_lease(json.dumps({**GOOD, **change}).encode()) is None


@pytest.mark.parametrize("key", sorted(GOOD))
def test_a_lease_with_a_key_missing_is_none(key):
    """An older controller's lease has no open_series and no sound."""
    left = {name: value for name, value in GOOD.items() if name != key}
    assert parse_lease(json.dumps(left).encode()) is None


@pytest.mark.parametrize("number", ["NaN", "Infinity", "-Infinity", "1e999"])
def test_a_time_that_is_no_number_is_no_lease(number):
    text = json.dumps(GOOD).replace("1.0", number)
    assert parse_lease(text.encode()) is None


NAMES = st.frozensets(st.text(min_size=1, max_size=64), max_size=16)


@given(
    st.builds(
        Lease,
        st.floats(allow_nan=False, allow_infinity=False),
        NAMES,
        NAMES,
        st.text(max_size=200),
        NAMES,
        st.booleans(),
    )
)
def test_every_lease_survives_the_wire(lease):
    data = format_lease(lease)
    if len(data) <= MAX_BYTES:
        assert parse_lease(data) == lease


JSON = st.recursive(
    st.one_of(st.none(), st.booleans(), st.integers(), st.floats(), st.text(max_size=5)),
    lambda inner: st.one_of(
        st.lists(inner, max_size=3),
        st.dictionaries(
            st.sampled_from(["version", "sent_s", "heat", "reset", "at_s", "pid", "lines"]), inner
        ),
    ),
    max_leaves=10,
)


@settings(max_examples=300)
@given(st.one_of(st.binary(max_size=200), JSON.map(lambda value: json.dumps(value).encode())))
def test_parsing_never_raises(data):
    lease = parse_lease(data)
    assert lease is None or math.isfinite(lease.sent_s)
    status = parse_status(data)
    assert status is None or math.isfinite(status.at_s)


def test_the_largest_status_fits_one_datagram():
    line = LineStatus("x" * 31, True, 10**9, True, "°" * 120, -19.9375, True)
    status = KeeperStatus(1e9, 2**22, (line,) * 16)
    data = format_status(status)
    assert len(data) <= MAX_BYTES
    assert parse_status(data) == status
