"""What the log gives back: frozen rows, placed in wall time.

``wall_ms`` is UTC in ms since 1970, and ``sure`` says whether a synchronised clock ties it.
"""

from __future__ import annotations

from dataclasses import dataclass

from bottomheat.calibration.ledger import Pairing, ProbeCheck
from bottomheat.model import Alarm, Condition, Estimate, Event, Place, Reading


@dataclass(frozen=True, slots=True)
class RunRow:
    """One start of the daemon.  Wall times are UTC ms; ``sure`` if the clock was synchronised."""

    run: int
    boot_id: str
    version: str
    began_wall_ms: int
    last_wall_ms: int
    sure: bool
    closed: bool


@dataclass(frozen=True, slots=True)
class SampleRow:
    """One chamber's cycle.  ``closings`` are those since this chamber's row before.

    With ``grain_s`` it is the mean of a thinned row of that length, s, at its middle, and ``duty``
    the share of it with heat on.
    """

    run: int
    t_ms: int
    wall_ms: int
    sure: bool
    chamber: str
    readings: tuple[tuple[Place, Reading], ...]
    estimate: Estimate | None
    setpoint_c: float | None
    substrate_setpoint_c: float | None
    duty: float | None
    heat: bool
    condition: Condition
    closings: int
    grain_s: float = 0.0


@dataclass(frozen=True, slots=True)
class EventRow:
    """An event and when it was."""

    run: int
    wall_ms: int
    sure: bool
    event: Event


@dataclass(frozen=True, slots=True)
class AlarmRow:
    """How long an alarm stood; ``cleared_wall_ms`` None: still standing, or its run ended first."""

    alarm: Alarm
    chamber: str | None
    run: int
    raised_wall_ms: int
    cleared_wall_ms: int | None
    sure: bool


@dataclass(frozen=True, slots=True)
class ConfigRow:
    """A config that was accepted."""

    run: int
    wall_ms: int
    sure: bool
    checksum: str
    text: str


@dataclass(frozen=True, slots=True)
class ReferenceRow:
    """A reading of a trusted thermometer, °C ± K (k = 2), taken at ``wall_ms``.

    ``number`` is what ``drop`` calls it by, ``ago_s`` how long before its entry it was taken,
    ``dropped`` why it no longer counts (None: it does).  ``pairing`` is None where a version of
    before format 3 kept the row, or where it is damaged: such a reading enters no fit.
    """

    number: int
    run: int
    wall_ms: int
    sure: bool
    chamber: str
    spot: str
    reading_c: float
    expanded_k: float | None
    note: str
    lid: str | None
    ago_s: float
    pairing: Pairing | None
    dropped: str | None


@dataclass(frozen=True, slots=True)
class ProbeCheckRow:
    """A probe was compared with something trusted."""

    number: int
    run: int
    wall_ms: int
    sure: bool
    check: ProbeCheck


@dataclass(frozen=True, slots=True)
class BorrowingRow:
    """A borrowed probe began to teach for ``for_s``, or ended (None)."""

    run: int
    t_ms: int
    wall_ms: int
    sure: bool
    chamber: str
    probe: str
    for_s: float | None
    note: str


@dataclass(frozen=True, slots=True)
class TendingRow:
    """The box was opened, or a spell of it was over early (``doing`` is "done").

    ``for_s`` is how long it was to last, ``lid`` how the lid lay from then on; None: not kept.
    """

    run: int
    t_ms: int
    wall_ms: int
    sure: bool
    chamber: str
    doing: str
    note: str
    for_s: float | None
    lid: str | None
