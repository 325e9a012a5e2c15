"""Composition root of the daemon: makes the parts, ties them together and lets them run."""

from __future__ import annotations

import logging
import os
import subprocess
import sys
import threading
from collections.abc import Callable
from contextlib import ExitStack
from dataclasses import replace
from pathlib import Path

from bottomheat import __version__, cycle
from bottomheat.config import Config
from bottomheat.config_wiring import fingerprint
from bottomheat.errors import ConfigError, DriverError, LatchError
from bottomheat.keeper import identity
from bottomheat.loop import Loop, Outside
from bottomheat.model import Alarm
from bottomheat.ports import ConfigChange, Latch
from bottomheat.wiring import wiring_of
from bottomheat_drivers.clock import SystemClock
from bottomheat_drivers.config_watch import YamlConfigSource, start_config
from bottomheat_drivers.control_socket import ControlSocket, ProcessSignals
from bottomheat_drivers.keeper_link import KeeperClient
from bottomheat_drivers.latch_file import LatchFile, begin_clear, latch_path
from bottomheat_drivers.log import SqliteJournal, boot_id
from bottomheat_drivers.process_lock import lock_state
from bottomheat_drivers.proof_file import ProofFile
from bottomheat_drivers.service_manager import service_manager
from bottomheat_drivers.w1 import W1Probes

_log = logging.getLogger("bottomheat")

CHILD_ENDS_S = 10.0


def state_folder(config: Config) -> Path:
    """The folder of the log, the latches and the proof of the wiring."""
    return Path(config.log).absolute().parent


def control_path(config: Config) -> Path:
    """Where the daemon listens for commands."""
    return Path(config.run_folder) / "control.sock"


def proof_path(folder: Path) -> Path:
    """The proof of the wiring."""
    return folder / "wiring-proof.json"


def make_folders(config: Config) -> Path:
    """Make the state and run folders where they are missing; returns the state folder.

    In a fresh state folder the latch files begin clear, which gives no heat by itself, because
    the wiring is not proved yet.

    Raises:
        DriverError: a folder cannot be made.
    """
    folder = state_folder(config)
    for path in (folder, Path(config.run_folder)):
        try:
            path.mkdir(parents=True, exist_ok=True)
        except OSError as error:
            raise DriverError(
                f"{path}: cannot make this folder ({error.strerror or error}); make it, or give "
                "the service write access above it."
            ) from error
    begin_clear(folder)
    return folder


def run_daemon(config_path: Path, *, start_keeper: bool) -> None:
    """Run the daemon until SIGTERM or SIGINT; the relay is open when this returns or raises.

    Args:
        config_path: the config file.
        start_keeper: start a keeper as a child, and end it with the daemon.

    Raises:
        ConfigError: no usable config.
        AlreadyRunningError: another daemon runs on this state folder.
        DriverError: a folder, socket or probe reader cannot be made.
    """
    signals = ProcessSignals()
    config, fallback = start_config(config_path, _state_folder_hint(config_path))
    folder = make_folders(config)
    with ExitStack() as stack:
        stack.callback(lock_state(folder).close)
        latches = LatchFile(latch_path(folder))
        latched = _read_latches(latches, config)
        house: dict[Alarm, str] = {}
        if fallback is not None:
            house[Alarm.CONFIG_FALLBACK] = fallback
        proof = ProofFile(proof_path(folder))
        clock = SystemClock()
        run_folder = Path(config.run_folder)
        journal = SqliteJournal(Path(config.log), run_folder, clock, __version__, boot_id())
        stack.callback(journal.close)
        control = ControlSocket(control_path(config), clock, signals)
        stack.callback(control.close)
        source = _watched(config_path, folder, config, journal.note_config)
        wiring = {name: box.probes.by_place() for name, box in config.chambers.items()}
        probes = W1Probes(Path(config.w1_devices), wiring, clock)
        stack.callback(probes.close)
        if start_keeper:
            stack.callback(_keeper_child(config_path, config))
        keeper = KeeperClient(
            run_folder / "keeper.sock",
            run_folder / "daemon.sock",
            identity(wiring_of(config, config_path).lines),
        )
        stack.callback(keeper.close)
        causes = {name: latch.cause for name, latch in latched.items()}
        state = cycle.start(config, causes, proved=proof.matches(fingerprint(config)))
        try:
            latches.save(latched)  # a latch that could not be kept later would be lost
        except LatchError as error:
            state = replace(state, hold=str(error))
            house[Alarm.LATCH_UNWRITABLE] = str(error)
        outside = Outside(
            clock=clock,
            probes=probes,
            keeper=keeper,
            journal=journal,
            latches=latches,
            proof=proof,
            service=service_manager(),
            source=source,
            control=control,
            signals=signals,
        )
        Loop(outside, config, state, latched, house).run()


def _watched(
    path: Path, folder: Path, config: Config, note: Callable[[str, str], None]
) -> YamlConfigSource:
    """The watched config file, with what was started with taken as known and accepted."""
    source = YamlConfigSource(path, folder)
    change: ConfigChange | None = source.poll(force=True)
    if change is None or change.config is None:
        return source
    if change.config != config:  # edited since: let the loop find it as a change
        return YamlConfigSource(path, folder)
    try:
        source.accept(change)
    except ConfigError as error:
        _log.warning("%s", error)
    note(change.text, change.checksum)
    return source


def _read_latches(store: LatchFile, config: Config) -> dict[str, Latch]:
    """The latches at start; a file in doubt latches every chamber."""
    try:
        return dict(store.load())
    except LatchError as error:
        _log.critical("%s", error)
        cause = "the latch file was missing or damaged at start"
        return {name: Latch(name, cause, 0) for name in config.chambers}


def _state_folder_hint(config_path: Path) -> Path:
    """Where an accepted copy would lie, even if the config itself cannot be used."""
    named: str | None = os.environ.get("STATE_DIRECTORY")
    if named:
        return Path(named.split(":")[0])
    try:
        for line in config_path.read_text(encoding="utf-8", errors="replace").splitlines():
            if line.startswith("log:"):
                text = line.removeprefix("log:").split("#")[0].strip().strip("'\"")
                return Path(text).absolute().parent
    except OSError:
        pass
    return Path("/var/lib/bottomheat")


def _keeper_child(config_path: Path, config: Config) -> Callable[[], None]:
    """Start a keeper that ends with us; returns what ends it, with every line open.

    It has a session of its own, so that Ctrl-Z in the terminal stops the daemon alone and the
    lease runs out.  A keeper that dies by itself leaves its lines as they are on a stock kernel:
    they are opened from here.
    """
    environment = {
        # Where it finds the wiring of its last start, should the config be refused by now.
        "STATE_DIRECTORY": str(state_folder(config)),
        "RUNTIME_DIRECTORY": str(Path(config.run_folder).absolute()),
        **{k: v for k, v in os.environ.items() if k not in ("NOTIFY_SOCKET", "WATCHDOG_USEC")},
    }

    def keeper_command(action: str, *more: str) -> list[str]:
        return [sys.executable, "-m", "bottomheat.keep_main", action, str(config_path), *more]

    child = subprocess.Popen(
        keeper_command("keep", "--with-parent", "0"),
        stdin=subprocess.PIPE,
        env=environment,
        start_new_session=True,
    )
    ended = threading.Lock()

    def open_after_death() -> None:
        if child.wait() == 0 or not ended.acquire(blocking=False):
            return
        _log.critical("the keeper has died: its lines are opened; start the service again")
        subprocess.run(keeper_command("open-lines"), env=environment, check=False)

    threading.Thread(target=open_after_death, name="keeper watch", daemon=True).start()

    def end() -> None:
        if child.stdin is not None:
            child.stdin.close()  # the keeper opens every line when this pipe ends
        try:
            code = child.wait(CHILD_ENDS_S)
        except subprocess.TimeoutExpired:
            child.kill()
            code = child.wait()
        if code != 0 and ended.acquire(blocking=False):
            subprocess.run(keeper_command("open-lines"), env=environment, check=False)

    return end
