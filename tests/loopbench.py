"""The daemon's loop on working fakes and a clock that goes when it is told to."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import Any

from bottomheat import cycle
from bottomheat.borrowing import Session
from bottomheat.config import Config
from bottomheat.loop import Loop, Outside
from bottomheat.model import Alarm, Event, EventKind, Place, Raw, Sample
from bottomheat.ports import ConfigChange, Handler, KeeperStatus, Latch, Lease, LineStatus
from bottomheat.season.ledger import Dated
from bottomheat_drivers.borrowed import MemoryBorrowed
from bottomheat_drivers.clock import ManualClock
from bottomheat_drivers.desk_file import MemoryDesk
from bottomheat_drivers.latch_file import MemoryLatches
from bottomheat_drivers.log import MemoryJournal
from bottomheat_drivers.scripted import ScriptedProbes
from bottomheat_drivers.service_manager import NoServiceManager

BOX = "north-bench"
SPARE = "28-0000000000aa"


def config(house: Mapping[str, Any] | None = None, **changes: Any) -> Config:
    box = {
        "callus_zone": 25.0,
        "heater": {"gpio": 17, "watts": 45.0},
        "probes": {
            "substrate": "28-000000000001",
            "room": "28-000000000002",
            "mat": "28-000000000003",
        },
        "offset": {"method": "temperature-factor", "factor": 0.75},
        **changes,
    }
    return Config.model_validate({"chambers": {BOX: box}, **(house or {})})


class Keeper:
    """Takes leases and answers, unless it is silent."""

    def __init__(self, clock: ManualClock, history: list[str]) -> None:
        self.clock, self.history = clock, history
        self.leases: list[Lease] = []
        self.silent = False
        self.refuses = False
        self.latched = False
        self.closed = False
        self.pid = 1
        self.series: bool | None = None
        self._status: KeeperStatus | None = None

    def send(self, lease: Lease) -> bool:
        self.leases.append(lease)
        self.history.append("lease")
        if not self.silent:
            line = LineStatus(
                BOX,
                bool(lease.heat) and not self.refuses,
                0,
                self.latched,
                "mat hot",
                20.0,
                self.series,
            )
            self._status = KeeperStatus(self.clock.monotonic_s(), self.pid, (line,))
        return not self.silent

    def status(self) -> KeeperStatus | None:
        return self._status

    def close(self) -> None:
        self.closed = True


class Desk:
    """Control server and signals in one: lets time pass, and does what a test planned."""

    def __init__(self, clock: ManualClock, turns: int) -> None:
        self.clock, self.turns = clock, turns
        self.plan: dict[int, Callable[[Handler], None]] = {}
        self.waits: list[float] = []
        self.reload = False

    @property
    def stop_requested(self) -> bool:
        return len(self.waits) >= self.turns

    def take_reload(self) -> bool:
        asked, self.reload = self.reload, False
        return asked

    def serve_until(self, deadline_s: float, handler: Handler) -> bool:
        if self.reload:
            return True
        act = self.plan.pop(len(self.waits), None)
        if act is not None:
            act(handler)
            if self.reload:
                return True
        self.waits.append(deadline_s)
        self.clock.set(max(deadline_s, self.clock.monotonic_s()))
        return False

    def close(self) -> None:
        return


class Source:
    """A config file whose next content a test sets."""

    def __init__(self) -> None:
        self.next: ConfigChange | None = None
        self.accepted: list[ConfigChange] = []

    def poll(self, *, force: bool = False) -> ConfigChange | None:
        change, self.next = self.next, None
        return change

    def accept(self, change: ConfigChange) -> None:
        self.accepted.append(change)


class Proof:
    def __init__(self) -> None:
        self.saved: list[str] = []

    def matches(self, fingerprint: str) -> bool:
        return True

    def save(self, fingerprint: str) -> None:
        self.saved.append(fingerprint)


class Latches(MemoryLatches):
    """Tells the history when it is written."""

    def __init__(self, history: list[str]) -> None:
        super().__init__({})
        self.history = history

    def save(self, latches: Mapping[str, Latch]) -> None:
        self.history.append("latch")
        super().save(latches)


class Journal(MemoryJournal):
    def __init__(self, history: list[str]) -> None:
        super().__init__()
        self.history = history

    def record(self, records: Any, events: Any) -> None:
        self.history.append("record")
        super().record(records, events)


class Power:
    def __init__(self) -> None:
        self.text: str | None = None

    def undervoltage(self) -> str | None:
        return self.text


class Bench:
    def __init__(
        self,
        turns: int,
        mat: str = "22.0",
        memory: MemoryDesk | None = None,
        opening: Sequence[Event] = (),
        sessions: Mapping[str, Session] | None = None,
        made: Config | None = None,
        ledger: Sequence[Dated] = (),
        ledger_trouble: str | None = None,
        setpoints: MemoryDesk | None = None,
        contacts: MemoryDesk | None = None,
        logged: Mapping[str, int] | None = None,
        learned: MemoryDesk | None = None,
        top: str | None = None,
    ) -> None:
        self.history: list[str] = []
        self.clock = ManualClock(100.0, wall_ms=1_800_000_000_000)
        self.keeper = Keeper(self.clock, self.history)
        self.desk = Desk(self.clock, turns)
        self.source, self.proof = Source(), Proof()
        self.journal, self.latches = Journal(self.history), Latches(self.history)
        self.memory = MemoryDesk() if memory is None else memory
        self.power = Power()
        self.service = NoServiceManager()
        self.config = config() if made is None else made
        self.setpoints = MemoryDesk() if setpoints is None else setpoints
        self.contacts = MemoryDesk() if contacts is None else contacts
        told = {Place.SUBSTRATE: "20.0", Place.ROOM: "12.0", Place.MAT: mat}
        self.probes = ScriptedProbes({BOX: told if top is None else {**told, Place.TOP: top}})
        self.spare: Callable[[float], Raw] = lambda now_s: Sample(24.5, now_s)
        self.borrowed = MemoryBorrowed(self.clock, {SPARE: self._spare_says})
        outside = Outside(
            clock=self.clock,
            probes=self.probes,
            keeper=self.keeper,
            journal=self.journal,
            latches=self.latches,
            proof=self.proof,
            service=self.service,
            source=self.source,
            control=self.desk,
            signals=self.desk,
            desk=self.memory,
            power=self.power,
            borrowed=self.borrowed,
            setpoints=self.setpoints,
            contacts=self.contacts,
            learned=learned,
        )
        state = cycle.start(self.config, {}, proved=True)
        self.loop = Loop(
            outside,
            self.config,
            state,
            {},
            {},
            opening,
            sessions=sessions,
            ledger=ledger,
            ledger_trouble=ledger_trouble,
            logged=logged,
        )

    def _spare_says(self, now_s: float) -> Raw:
        return self.spare(now_s)

    def kinds(self) -> list[EventKind]:
        return [event.kind for event in self.journal.events]

    def raised(self) -> list[Alarm | None]:
        return [e.alarm for e in self.journal.events if e.kind is EventKind.ALARM_RAISED]
