"""What one run of the daemon works with: the ports, and what it keeps from turn to turn."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import UTC, tzinfo

from bottomheat.alarm_desk import Desk
from bottomheat.board import Board
from bottomheat.borrowing import Session
from bottomheat.config import Config
from bottomheat.model import Alarm
from bottomheat.ports import (
    BorrowedProbes,
    Clock,
    ConfigSource,
    ControlServer,
    DeskStore,
    Journal,
    KeeperLink,
    Latch,
    LatchStore,
    PowerSupply,
    Probes,
    ProofStore,
    ServiceManager,
    Signals,
)
from bottomheat.state import ControllerState


@dataclass(frozen=True, slots=True)
class Outside:
    """Every port that the loop uses; those from ``desk`` on may be missing.

    ``zone`` is that of the days in the config file.
    """

    clock: Clock
    probes: Probes
    keeper: KeeperLink
    journal: Journal
    latches: LatchStore
    proof: ProofStore
    service: ServiceManager
    source: ConfigSource
    control: ControlServer
    signals: Signals
    desk: DeskStore | None = None
    power: PowerSupply | None = None
    borrowed: BorrowedProbes | None = None
    setpoints: DeskStore | None = None
    contacts: DeskStore | None = None
    learned: DeskStore | None = None
    zone: tzinfo = UTC


@dataclass(slots=True)
class Run:
    """What changes while the daemon runs; the loop and its answers to commands share it.

    Attributes:
        config: the config in force: the accepted one with the setpoints of the season.
        written: the accepted config as the file has it.
        state: the controller's state after the last cycle.
        latched: what the latch file holds.
        house: alarms that no chamber owns, each with what this case adds to its sentence.
        board: what ``status`` shows.
        desk: the alarms, with what a person did about them.
        reset: chambers whose reset the keeper has not heard of yet.
        sessions: the borrowed probes that teach, by chamber; control does not know of them.
        proving_told: the outcome of the proving run has been kept.
    """

    config: Config
    written: Config
    state: ControllerState
    latched: dict[str, Latch]
    house: dict[Alarm, str]
    board: Board
    desk: Desk
    reset: set[str] = field(default_factory=set)
    sessions: dict[str, Session] = field(default_factory=dict)
    proving_told: bool = True
