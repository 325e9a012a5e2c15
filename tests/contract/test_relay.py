"""One contract for every implementation of ``ports.Relay``, and what only real lines have."""

from __future__ import annotations

import importlib
import json
import os
import signal
import subprocess
import sys
import types
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import pytest
from gpiozero.pins.mock import MockPin

from bottomheat.errors import AlreadyRunningError, DriverError
from bottomheat.ports import Relay
from bottomheat_drivers import pins
from bottomheat_drivers.pins import mirrored_levels, pin_factory, pin_kind
from bottomheat_drivers.process_lock import lock_line
from bottomheat_drivers.relay import GpioRelay, open_lines
from bottomheat_drivers.simulated_relay import SimulatedRelay

GPIO = 17


@dataclass
class Case:
    """A relay with a way to look at the contact from outside."""

    relay: Relay
    contact_closed: Callable[[], bool]


@pytest.fixture(params=["simulated", "active-high", "active-low", "sounder"])
def case(request, monkeypatch):
    monkeypatch.delenv(pins.MOCK_PINS, raising=False)
    if request.param == "simulated":
        simulated = SimulatedRelay()
        yield Case(simulated, lambda: simulated.contact_closed)
        return
    active_high = request.param != "active-low"
    factory = pin_factory("mock")
    relay = GpioRelay(GPIO, active_high, factory, sounder=request.param == "sounder")
    line = factory.pin(GPIO)
    yield Case(relay, lambda: line.state is active_high)
    relay.close()
    factory.close()


def test_open_at_the_start(case):
    assert (case.contact_closed(), case.relay.is_closed, case.relay.closings) == (False, False, 0)


def test_follows_and_reads_back(case):
    seen = []
    for closed in (True, False, True, True, False):
        case.relay.set(closed)
        seen.append((case.contact_closed(), case.relay.is_closed))
    assert seen == [(c, c) for c in (True, False, True, True, False)]


def test_counts_closings_and_never_edges(case):
    counts = []
    for closed in (False, True, True, False, False, True, False):
        case.relay.set(closed)
        counts.append(case.relay.closings)
    assert counts == [0, 1, 1, 1, 1, 2, 2]


def test_close_opens_once_and_for_all(case):
    case.relay.set(True)
    case.relay.close()
    case.relay.close()
    assert (case.contact_closed(), case.relay.is_closed) == (False, False)
    with pytest.raises(DriverError):
        case.relay.set(True)
    assert not case.contact_closed()


@pytest.fixture
def no_mirror(monkeypatch):
    monkeypatch.delenv(pins.MOCK_PINS, raising=False)


@pytest.mark.parametrize("active_high", [True, False])
def test_whole_history_of_the_line(active_high, no_mirror):
    """gpiozero's own assert_states passes on too short a history, so the whole list is compared."""
    factory = pin_factory("mock")
    line = factory.pin(GPIO)
    with GpioRelay(GPIO, active_high, factory) as relay:
        for closed in (False, True, True, False, True):
            relay.set(closed)
    on, off = active_high, not active_high
    first = [False] if off is False else [False, off]  # a mock line floats low before it is claimed
    assert [state.state for state in line.states] == [*first, on, off, on, off]


def test_a_line_that_does_not_take_its_level_is_an_error(no_mirror):
    class StuckPin(MockPin):
        def _set_state(self, _value):
            super()._set_state(False)

    factory = pin_factory("mock")
    factory.pin_class = StuckPin
    relay = GpioRelay(GPIO, True, factory)
    with pytest.raises(DriverError, match="reads back the other level"):
        relay.set(True)
    assert (relay.is_closed, relay.closings) == (False, 0)
    relay.close()


@pytest.mark.parametrize(
    ("sounder", "cure", "other"),
    [(False, "switch the mat off", "sounding"), (True, "if it goes on sounding", "mat")],
)
def test_a_line_that_stays_closed_at_the_end_is_said_with_what_to_do(
    no_mirror, caplog, sounder, cure, other
):
    class StuckPin(MockPin):
        def _set_state(self, value):
            super()._set_state(bool(value) or self.state)

    factory = pin_factory("mock")
    factory.pin_class = StuckPin
    relay = GpioRelay(GPIO, True, factory, sounder=sounder)
    relay.set(True)
    relay.close()
    [said] = caplog.messages
    assert cure in said
    assert other not in said


def test_a_line_in_use_is_an_error(no_mirror):
    factory = pin_factory("mock")
    with GpioRelay(GPIO, True, factory), pytest.raises(DriverError, match="GPIO 17"):
        GpioRelay(GPIO, True, factory)


@pytest.mark.parametrize("active_high", [True, False])
def test_mirrored_level_stays_when_the_line_is_let_go(tmp_path, monkeypatch, active_high):
    file = tmp_path / "pins.json"
    monkeypatch.setenv(pins.MOCK_PINS, str(file))
    factory = pin_factory("mock")
    relay = GpioRelay(GPIO, active_high, factory)
    other = GpioRelay(22, True, factory)
    assert mirrored_levels(file) == {GPIO: not active_high, 22: False}
    relay.set(True)
    factory.pin(GPIO).close()  # as at the end of a process: nobody opened it first
    assert mirrored_levels(file) == {GPIO: active_high, 22: False}
    monkeypatch.setenv("GPIOZERO_PIN_FACTORY", "mock")
    open_lines([(GPIO, active_high)])
    assert mirrored_levels(file) == {GPIO: not active_high, 22: False}
    for each in (relay, other):
        each.close()


def test_only_two_kinds_of_pins(monkeypatch):
    monkeypatch.setenv("GPIOZERO_PIN_FACTORY", "native")
    with pytest.raises(DriverError, match="native"):
        pin_kind()
    with pytest.raises(DriverError, match="rpigpio"):
        pin_factory("rpigpio")


EXIT = """
import os, signal, sys
sys.path[:0] = {path!r}
from bottomheat_drivers.pins import pin_factory
from bottomheat_drivers.relay import GpioRelay, exit_on_signals
exit_on_signals()
relay = GpioRelay(17, {active_high}, pin_factory("mock"))
relay.set(True)
print("closed", flush=True)
{ending}
"""


@pytest.mark.process
@pytest.mark.parametrize("active_high", [True, False])
@pytest.mark.parametrize(
    ("ending", "sent", "status", "opens"),
    [
        ("", None, 0, True),
        ("raise ValueError", None, 1, True),
        ("sys.exit(3)", None, 3, True),
        ("signal.pause()", signal.SIGTERM, 0, True),
        ("signal.pause()", signal.SIGHUP, 0, True),
        ("signal.pause()", signal.SIGINT, 0, True),
        # no exit path of Python: the line stays as it is, as on a Pi, and open_lines is needed
        ("signal.pause()", signal.SIGKILL, -9, False),
    ],
)
def test_every_end_that_python_sees_opens(tmp_path, active_high, ending, sent, status, opens):
    file = tmp_path / "pins.json"
    text = EXIT.format(path=sys.path, active_high=active_high, ending=ending)
    process = subprocess.Popen(
        [sys.executable, "-c", text],
        stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL,
        env={**os.environ, pins.MOCK_PINS: str(file)},
    )
    with process:
        assert process.stdout is not None
        assert process.stdout.readline() == b"closed\n"
        if sent is not None:
            assert mirrored_levels(file) == {GPIO: active_high}
            process.send_signal(sent)
        assert process.wait(20) == status
    assert (mirrored_levels(file)[GPIO] is not active_high) is opens


class FakeLgpio(types.ModuleType):
    """A stand-in for the module lgpio that keeps every call and the level of every line.

    Functions, constants and the exception are those of lgpio 0.2.2.0 as far as gpiozero and we
    use them.
    """

    SET_BIAS_DISABLE = SET_PULL_NONE = 128
    SET_BIAS_PULL_UP = SET_PULL_UP = 32
    SET_BIAS_PULL_DOWN = SET_PULL_DOWN = 64
    RISING_EDGE, FALLING_EDGE, BOTH_EDGES = 1, 2, 3

    class error(Exception):  # noqa: N801, N818
        """lgpio's own exception."""

    class callback:  # noqa: N801
        """Only its name is used."""

    def __init__(self, *, busy=(), openable=True):
        super().__init__("lgpio")
        self.calls = []
        self.levels = []
        self._outputs = {}
        self._busy = busy
        self._openable = openable

    def gpiochip_open(self, chip):
        if not self._openable:
            raise self.error("can not open gpiochip")
        self.calls.append(("open", chip))
        return 5

    def gpiochip_close(self, handle):
        self.calls.append(("close", handle))

    def gpio_claim_input(self, _handle, gpio, _flags=0):
        self._claim(gpio)
        self._outputs.pop(gpio, None)
        self.calls.append(("claim_input", gpio))

    def gpio_claim_output(self, _handle, gpio, level=0, _flags=0):
        self._claim(gpio)
        self.calls.append(("claim_output", gpio, level))
        self._drive(gpio, level)

    def gpio_write(self, _handle, gpio, level):
        self.calls.append(("write", gpio, int(level)))
        self._drive(gpio, int(level))

    def gpio_read(self, _handle, gpio):
        return self._outputs.get(gpio, 0)

    def gpio_get_mode(self, _handle, gpio):
        return 2 if gpio in self._outputs else 0

    def gpio_free(self, _handle, gpio):
        if gpio not in self._outputs:
            raise self.error("GPIO not allocated")
        self.calls.append(("free", gpio))
        del self._outputs[gpio]

    def _claim(self, gpio):
        if gpio in self._busy:
            raise self.error("GPIO busy")

    def _drive(self, gpio, level):
        self._outputs[gpio] = level
        self.levels.append(level)


def install(monkeypatch, module):
    """Put a fake lgpio and a fresh import of gpiozero's pins on it in place, on a "Pi"."""
    local = importlib.import_module("gpiozero.pins.local")
    monkeypatch.setattr(local, "get_pi_revision", lambda: 0x902120)  # a Zero 2 W
    local.LocalPiFactory.pins.clear()  # gpiozero shares both among all local factories
    local.LocalPiFactory._reservations.clear()
    monkeypatch.setitem(sys.modules, "lgpio", module)
    monkeypatch.delitem(sys.modules, "gpiozero.pins.lgpio", raising=False)
    monkeypatch.setenv("GPIOZERO_PIN_FACTORY", "lgpio")


@pytest.fixture
def lgpio(monkeypatch):
    module = FakeLgpio()
    install(monkeypatch, module)
    yield module
    sys.modules.pop("gpiozero.pins.lgpio", None)


@pytest.mark.parametrize("active_high", [True, False])
def test_no_glitch_on_a_real_line(lgpio, active_high):
    off, on = (0, 1) if active_high else (1, 0)
    relay = GpioRelay(GPIO, active_high, pin_factory("lgpio"))
    assert lgpio.calls == [("open", 0), ("claim_input", GPIO), ("claim_output", GPIO, off)]
    relay.set(True)
    assert relay.is_closed
    relay.close()
    assert lgpio.levels == [off, on, off]
    assert lgpio.calls[-2:] == [("write", GPIO, off), ("free", GPIO)]


def test_gpiozero_alone_would_glitch(lgpio):
    """Why the pin class is ours: the day that this fails, ours may go."""
    from gpiozero import OutputDevice
    from gpiozero.pins.lgpio import LGPIOFactory

    OutputDevice(GPIO, active_high=False, initial_value=False, pin_factory=LGPIOFactory()).close()
    assert lgpio.levels[0] == 0, "0 closes an active-low relay"


def test_open_lines_claims_each_line_open_and_nothing_else(lgpio):
    open_lines([(17, True), (22, False)], chip=0)
    assert lgpio.calls == [
        ("open", 0),
        ("claim_output", 17, 0),
        ("claim_output", 22, 1),
        ("close", 5),
    ]


def test_open_lines_finds_the_chip_and_goes_on_after_a_busy_line(monkeypatch):
    module = FakeLgpio(busy=(17,))
    install(monkeypatch, module)
    with pytest.raises(DriverError, match=r"GPIO 17 .*busy"):
        open_lines([(17, True), (22, True)])
    assert ("claim_output", 22, 0) in module.calls


def test_a_busy_line_is_a_sentence(monkeypatch):
    install(monkeypatch, FakeLgpio(busy=(GPIO,)))
    factory = pin_factory("lgpio")
    with pytest.raises(DriverError, match="another program drives it"):
        GpioRelay(GPIO, True, factory)


def test_a_missing_gpio_chip_is_a_sentence(monkeypatch):
    install(monkeypatch, FakeLgpio(openable=False))
    with pytest.raises(DriverError, match="group gpio"):
        pin_factory("lgpio")


def test_missing_lgpio_is_a_sentence(monkeypatch):
    monkeypatch.setitem(sys.modules, "lgpio", None)
    monkeypatch.delitem(sys.modules, "gpiozero.pins.lgpio", raising=False)
    with pytest.raises(DriverError, match="lgpio"):
        pin_factory("lgpio")
    monkeypatch.setenv("GPIOZERO_PIN_FACTORY", "lgpio")
    with pytest.raises(DriverError, match="lgpio"):
        open_lines([(GPIO, True)], chip=0)


def test_the_lock_names_the_process_in_the_way(tmp_path):
    first = lock_line(tmp_path, GPIO)
    with pytest.raises(AlreadyRunningError, match=f"GPIO 17 .* process {os.getpid()} "):
        lock_line(tmp_path, GPIO)
    lock_line(tmp_path, 18).close()
    first.close()
    first.close()
    lock_line(tmp_path, GPIO).close()


def test_the_lock_does_not_follow_a_link(tmp_path):
    target = tmp_path / "precious"
    target.write_text("precious")
    (tmp_path / "bottomheat-gpio-17.lock").symlink_to(target)
    with pytest.raises(DriverError):
        lock_line(tmp_path, GPIO)
    assert target.read_text() == "precious"


def test_no_lock_folder_is_a_sentence(tmp_path):
    with pytest.raises(DriverError, match=r"gpio-17\.lock: cannot make this lock file"):
        lock_line(tmp_path / "nowhere", GPIO)


def test_mirror_file_is_plain_json(tmp_path):
    file = Path(tmp_path) / "pins.json"
    pins.mirror_level(file, 22, True)
    pins.mirror_level(file, 17, False)
    assert json.loads(file.read_text()) == {"17": 0, "22": 1}
