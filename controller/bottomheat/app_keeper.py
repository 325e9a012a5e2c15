"""Composition root of the keeper: makes the parts, ties them together and lets them run."""

from __future__ import annotations

import logging
import socket
from collections.abc import Iterator, Mapping
from contextlib import ExitStack, contextmanager
from pathlib import Path
from typing import Any

from bottomheat.errors import AlreadyRunningError, ConfigError, DriverError, LatchError
from bottomheat.keep import ChamberRelays, Keeper, ProbeReader
from bottomheat.model import Place, Raw
from bottomheat.ports import Clock, Probes, Relay
from bottomheat.wiring import SounderLine, Wiring
from bottomheat_drivers.background_log import background_logging
from bottomheat_drivers.clock import SystemClock
from bottomheat_drivers.keeper_link import KeeperServer
from bottomheat_drivers.latch_file import LatchFile, begin_clear
from bottomheat_drivers.pins import pin_factory, pin_kind
from bottomheat_drivers.process_lock import LOCK_FOLDER, lock_line
from bottomheat_drivers.relay import GpioRelay, exit_on_signals, open_lines
from bottomheat_drivers.service_manager import service_manager
from bottomheat_drivers.wiring_store import keep_wiring, kept_wiring, wiring_from_config

logger = logging.getLogger(__name__)


def keep(config: Path, *, parent_fd: int | None = None) -> None:
    """Run the keeper until a signal, or the end of the pipe ``parent_fd``, ends it.

    Every line is open when this returns or raises.

    Raises:
        ConfigError: the config is refused and no wiring was kept from an earlier start.
        DriverError: a line, a socket or the probe reader does not work.
        AlreadyRunningError: another process drives one of the lines.
    """
    exit_on_signals()
    wiring = _wiring(config, alone=parent_fd is None)
    kind = pin_kind()
    try:
        begin_clear(Path(wiring.state_folder))
    except LatchError as error:
        logger.critical("%s", error)  # the missing file latches, which is the safe side
    with ExitStack() as stack:
        folder = Path(wiring.run_folder) if kind == "mock" else LOCK_FOLDER
        for gpio, _ in wiring.outputs:
            stack.callback(lock_line(folder, gpio).close)
        factory = pin_factory(kind)
        stack.callback(factory.close)
        relays = {
            line.chamber: ChamberRelays(
                heat=stack.enter_context(GpioRelay(line.gpio, line.active_high, factory)),
                series=None
                if line.series is None
                else stack.enter_context(
                    GpioRelay(line.series.gpio, line.series.active_high, factory)
                ),
            )
            for line in wiring.lines
        }
        for problem in keep_wiring(wiring.with_chip(getattr(factory, "chip", None))):
            logger.warning("%s", problem)
        sounder = _sounder(wiring.sounder, folder, factory, stack)
        with background_logging(), _keeper(wiring, relays, sounder) as keeper:
            keeper.run(parent_fd)


def open_all(config: Path) -> None:
    """Open every line of the wiring, for the time after a keeper has died.

    Needs neither the daemon nor the log, nor the config where a keeper has kept its wiring.

    Raises:
        ConfigError: no wiring was kept and the config is refused.
        DriverError: a line could not be opened.
    """
    wiring = kept_wiring(config) or wiring_from_config(config)
    try:
        open_lines(wiring.outputs, chip=wiring.chip)
    finally:
        if wiring.sounder is not None:
            _silence(wiring.sounder, wiring.chip)


def _silence(line: SounderLine, chip: int | None) -> None:
    try:
        open_lines([(line.gpio, line.active_high)], chip=chip)
    except DriverError:
        logger.warning("GPIO %d: the sounder may go on sounding; unplug it.", line.gpio)


def _sounder(
    line: SounderLine | None, folder: Path, factory: Any, stack: ExitStack
) -> Relay | None:
    """The sounder's line, silent; None where there is none or it does not work.

    Heat does not depend on it, so that the keeper goes on without.
    """
    if line is None:
        return None
    try:
        stack.callback(lock_line(folder, line.gpio).close)
        return stack.enter_context(GpioRelay(line.gpio, line.active_high, factory, sounder=True))
    except (AlreadyRunningError, DriverError) as error:
        logger.critical("%s\nThe keeper goes on without its sounder.", error)
        return None


def _wiring(config: Path, *, alone: bool) -> Wiring:
    """The wiring of the config, or, where that is refused, of the last one that was not.

    A keeper that restarts ``alone`` beside a running daemon keeps the wiring that the daemon runs
    on: a file edited meanwhile has not been accepted, let alone proved.
    """
    kept = kept_wiring(config)
    try:
        wiring = wiring_from_config(config)
    except ConfigError as error:
        if kept is None:
            raise
        logger.critical("%s\nThe keeper goes on with the wiring of its last start.", error)
        return kept
    if alone and kept is not None and kept.lines != wiring.lines and _daemon_runs(kept):
        logger.critical(
            "The wiring in %s has changed while the service runs: the keeper goes on with the "
            "wiring of its last start; restart the service, then prove.",
            config,
        )
        return kept
    return wiring


def _daemon_runs(wiring: Wiring) -> bool:
    """Whether somebody listens on the daemon's control socket."""
    with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as client:
        client.settimeout(1.0)
        try:
            client.connect(str(Path(wiring.run_folder) / "control.sock"))
        except OSError:
            return False
    return True


class _NoProbes:
    """Stands in where no chamber has a probe for the keeper, and saves loading their library."""

    def read_all(self, now_s: float) -> Mapping[str, Mapping[Place, Raw]]:  # noqa: ARG002
        return {}

    def close(self) -> None:
        return


def _probes(wiring: Wiring, clock: Clock) -> Probes:
    named = {line.chamber: {Place.MAT: line.probe} for line in wiring.lines if line.probe}
    if not named:
        return _NoProbes()
    from bottomheat_drivers.w1 import W1Probes

    return W1Probes(Path(wiring.w1_devices), named, clock)


@contextmanager
def _keeper(
    wiring: Wiring, relays: dict[str, ChamberRelays], sounder: Relay | None
) -> Iterator[Keeper]:
    clock = SystemClock()
    server = KeeperServer(wiring.socket)
    try:
        reader = ProbeReader(_probes(wiring, clock), clock)
        keeper = Keeper(
            lines=wiring.lines,
            relays=relays,
            server=server,
            reader=reader,
            clock=clock,
            latches=LatchFile(wiring.latch_file),
            services=service_manager(),
            sounder=sounder,
        )
    except BaseException:
        server.close()
        raise
    try:
        yield keeper
    finally:
        keeper.close()
