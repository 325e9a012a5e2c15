"""What the controller remembers from cycle to cycle, and what a cycle hands to the shell."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from bottomheat import regulate
from bottomheat.commission import proving
from bottomheat.estimate import Estimator, Outlook
from bottomheat.model import Alarm, Event, Fault, Place, Reading, Record
from bottomheat.modulate import Modulator
from bottomheat.plausible import History
from bottomheat.protect import cutoff as cut
from bottomheat.protect.cutoff import Cutoff
from bottomheat.protect.supply import Supply
from bottomheat.protect.tending import Lid, Tending
from bottomheat.protect.watch import Watch

if TYPE_CHECKING:  # few boxes ever see one, and the daemon is small
    from bottomheat.commission.experiment import Experiment


@dataclass(frozen=True, slots=True)
class ChamberState:
    """Everything that is remembered of one chamber from cycle to cycle."""

    histories: Mapping[Place, History] = field(default_factory=dict)
    supplies: Mapping[Place, Supply] = field(default_factory=dict)
    readings: tuple[tuple[Place, Reading], ...] = ()
    rejected: Mapping[Place, tuple[Fault, float]] = field(default_factory=dict)
    cutoff: Cutoff = cut.CLEAR
    estimator: Estimator = field(default_factory=Estimator)
    law: regulate.Law = field(default_factory=regulate.Law)
    relay: Modulator = field(default_factory=Modulator)
    outlook: Outlook = field(default_factory=lambda: Outlook(None, None, None, None))
    alarms: frozenset[Alarm] = frozenset()
    no_heat: str | None = "starting"
    tending: Tending | None = None
    lid: Lid = Lid.ON
    idle_s: float | None = None
    watch: Watch = field(default_factory=Watch)
    experiment: Experiment | None = None


@dataclass(frozen=True, slots=True)
class ControllerState:
    """The whole controller.

    Attributes:
        chambers: by name.
        at_s: time of the last cycle.
        proved: the wiring of this config has been proved.
        proving: the proving run under way, if any.
        hold: why no chamber may be heated, or None (set by the shell: a latch file that cannot be
            written, a config whose wiring changed).
    """

    chambers: Mapping[str, ChamberState]
    at_s: float | None = None
    proved: bool = False
    proving: proving.Proving | None = None
    hold: str | None = None


@dataclass(frozen=True, slots=True)
class Step:
    """What one cycle decided.

    ``latched`` holds the cutoffs that latched in this cycle: the shell writes them to the latch
    file before it does anything else.
    """

    state: ControllerState
    heat: frozenset[str]
    events: tuple[Event, ...]
    records: tuple[Record, ...]
    latched: Mapping[str, str]
    open_series: frozenset[str] = frozenset()
