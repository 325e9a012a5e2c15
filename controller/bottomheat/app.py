"""Composition root of the daemon: makes the parts, ties them together and lets them run."""

from __future__ import annotations

import logging
import os
from collections.abc import Callable
from contextlib import ExitStack
from dataclasses import replace
from pathlib import Path

from bottomheat import __version__, borrowing, outage
from bottomheat.borrowing import Session
from bottomheat.config import Config
from bottomheat.config_wiring import fingerprint
from bottomheat.errors import ConfigError, DriverError, LatchError
from bottomheat.keeper import identity
from bottomheat.loop import Loop, Outside
from bottomheat.model import Alarm, Event
from bottomheat.ports import ConfigChange, Journal, Latch
from bottomheat.restart import openings, restarted
from bottomheat.wiring import wiring_of
from bottomheat_drivers.background_log import background_logging
from bottomheat_drivers.borrowed import W1Borrowed
from bottomheat_drivers.clock import SystemClock
from bottomheat_drivers.config_watch import YamlConfigSource, start_config
from bottomheat_drivers.control_socket import ControlSocket, ProcessSignals
from bottomheat_drivers.desk_file import (
    DeskFile,
    contacts_file,
    desk_path,
    learned_file,
    setpoints_file,
)
from bottomheat_drivers.keeper_child import KeeperChild
from bottomheat_drivers.keeper_link import KeeperClient
from bottomheat_drivers.latch_file import LatchFile, begin_clear, latch_path
from bottomheat_drivers.log import SqliteJournal, boot_id
from bottomheat_drivers.log.before import Past, look_back
from bottomheat_drivers.power_flag import PowerFlag
from bottomheat_drivers.process_lock import lock_state
from bottomheat_drivers.proof_file import ProofFile
from bottomheat_drivers.service_manager import service_manager
from bottomheat_drivers.w1 import W1Probes

_log = logging.getLogger("bottomheat")


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
        stack.enter_context(background_logging())
        stack.callback(lock_state(folder).close)
        latches = LatchFile(latch_path(folder))
        latched = _read_latches(latches, config)
        house: dict[Alarm, str] = {}
        if fallback is not None:
            house[Alarm.CONFIG_FALLBACK] = fallback
        proof = ProofFile(proof_path(folder))
        clock = SystemClock()
        run_folder = Path(config.run_folder)
        boot = boot_id()
        past = look_back(Path(config.log), run_folder, boot)
        keep_s = config.keep_raw_days * 86_400.0
        journal = SqliteJournal(
            Path(config.log), run_folder, clock, __version__, boot, keep_raw_s=keep_s
        )
        stack.callback(journal.close)
        desk = DeskFile(desk_path(folder))
        stack.callback(desk.close)
        setpoints = setpoints_file(folder)
        stack.callback(setpoints.close)
        contacts = contacts_file(folder)
        stack.callback(contacts.close)
        learned = learned_file(folder)
        stack.callback(learned.close)
        control = ControlSocket(control_path(config), clock, signals)
        stack.callback(control.close)
        source = _watched(config_path, folder, config, journal.note_config)
        wiring = {name: box.probes.by_place() for name, box in config.chambers.items()}
        probes = W1Probes(Path(config.w1_devices), wiring, clock)
        stack.callback(probes.close)
        borrowed = W1Borrowed(Path(config.w1_devices), clock)
        stack.callback(borrowed.close)
        if start_keeper:
            child = KeeperChild(config_path, folder, run_folder)
            stack.callback(child.close)
        keeper = KeeperClient(
            run_folder / "keeper.sock",
            run_folder / "daemon.sock",
            identity(wiring_of(config, config_path).lines),
        )
        stack.callback(keeper.close)
        causes = {name: latch.cause for name, latch in latched.items()}
        start = outage.Start(
            boot, clock.monotonic_s(), clock.wall_ms() if clock.synchronised() else None
        )
        state = restarted(config, causes, past, start, proved=proof.matches(fingerprint(config)))
        opening, aftermath = openings(past, start)
        sessions, told = lessons(past, config, start.at_s, journal)
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
            desk=desk,
            power=PowerFlag(clock),
            borrowed=borrowed,
            setpoints=setpoints,
            contacts=contacts,
            learned=learned,
            zone=clock.zone(),
        )
        loop = Loop(
            outside,
            config,
            state,
            latched,
            house,
            (*opening, *told),
            aftermath,
            sessions,
            past.season,
            past.trouble,
            past.closings,
        )
        loop.run()


def lessons(
    past: Past, config: Config, now_s: float, journal: Journal
) -> tuple[dict[str, Session], tuple[Event, ...]]:
    """The borrowed probes that go on teaching, and what is worth saying of them.

    Those that cannot are ended in the log.
    """
    lent = {name: (each.probe, each.left_s) for name, each in past.borrowings.items()}
    sessions, ended, told = borrowing.resume(lent, config, now_s)
    for row in ended:
        journal.note_borrowing(*row)
    return sessions, told


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
