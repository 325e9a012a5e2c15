"""The words of the controller: readings, command, events, and what a cycle reports.

Everything here is frozen.  A reading is a union and never a magic number: a probe that says nothing
is ``Bad`` with its reason, not 0 °C, because 0 °C would read as "very cold" and close the relay.
Times called ``*_s`` are seconds on the monotonic clock of this run; wall time is a label that the
log adds.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import StrEnum
from types import MappingProxyType
from typing import TypeAlias


class Place(StrEnum):
    """Where a probe lies."""

    SUBSTRATE = "substrate"
    SUBSTRATE_2 = "substrate-2"
    ROOM = "room"
    MAT = "mat"
    CALLUS = "callus"
    TOP = "top"


PLACE_WORDS = MappingProxyType(
    {
        Place.SUBSTRATE: "wet layer",
        Place.SUBSTRATE_2: "wet layer, second probe",
        Place.ROOM: "room",
        Place.MAT: "mat",
        Place.CALLUS: "callus probe",
        Place.TOP: "air at buds",
    }
)
"""What the screen calls each place."""


class Fault(StrEnum):
    """Why there is no good reading."""

    NOT_READ = "not read yet"
    ABSENT = "probe folder is gone"
    NO_ANSWER = "empty answer"
    PARTIAL = "answer cut short"
    GARBLED = "answer not in the kernel's format"
    CRC = "checksum wrong"
    ALL_ZERO = "all bytes zero: data line shorted"
    CONFIGURATION = "illegal configuration byte"
    PERMISSION = "not allowed to read it"
    TOO_MANY_FILES = "no file descriptors left"
    IO_ERROR = "input/output error"
    HUNG = "read did not return"
    NOT_FINITE = "not a number"
    POWER_ON = "85 °C power-on value"
    NO_CONVERSION = "127.94 °C: conversion failed"
    RANGE = "outside -20 to 125 °C"
    JUMP = "jumped"
    STALE = "too old"


@dataclass(frozen=True, slots=True)
class Sample:
    """A temperature whose checksum is right, as the probe sent it; not yet judged."""

    celsius: float
    at_s: float
    legal_configuration: bool = True


@dataclass(frozen=True, slots=True)
class Unread:
    """The probe gave no temperature."""

    fault: Fault
    at_s: float
    detail: str = ""


Raw: TypeAlias = Sample | Unread


@dataclass(frozen=True, slots=True)
class Good:
    """A reading that control may use, with the probe's correction.

    ``evidence_c`` is what counts towards the cutoff where that is warmer: what the probe itself
    said, if its correction makes the reading cooler.  None where there is no such correction.
    """

    celsius: float
    at_s: float
    evidence_c: float | None = None


@dataclass(frozen=True, slots=True)
class Bad:
    """No reading that control may use, and why.

    ``evidence_c`` is the rejected temperature where its checksum was right, as sent or corrected,
    whichever is warmer: a hot value counts towards the cutoff however implausible it is.
    ``may_latch`` is False for values that a fault of the probe itself produces (85.0, 127.94,
    illegal configuration byte): these open the relay and do not latch.
    """

    fault: Fault
    at_s: float
    detail: str = ""
    evidence_c: float | None = None
    may_latch: bool = False


Reading: TypeAlias = Good | Bad


@dataclass(frozen=True, slots=True)
class Estimate:
    """Callus-zone temperature with its expanded uncertainty (coverage factor k = 2)."""

    celsius: float
    expanded_k: float


@dataclass(frozen=True, slots=True)
class Feedback:
    """What the keeper says that it did with a chamber's relays.

    Attributes:
        closed: the heat relay's line is driven to closed (the contact may be another matter).
        latched: the keeper's own cutoff is latched.
        probe_c: the keeper's own mat probe, °C, or None where it has none that it trusts.
        series_closed: the same of the series relay; None where there is none.
    """

    closed: bool
    latched: bool = False
    probe_c: float | None = None
    series_closed: bool | None = None


class Alarm(StrEnum):
    """Conditions that need a person."""

    CUTOFF = "cutoff"
    CALLUS_HOT = "callus-hot"
    PROBE_LOST = "probe-lost"
    SUBSTRATES_DISAGREE = "substrates-disagree"
    ROOM_LOST = "room-lost"
    SHORTFALL = "shortfall"
    NOT_PROVED = "not-proved"
    CONFIG_REFUSED = "config-refused"
    CONFIG_FALLBACK = "config-fallback"
    LOG_FAILED = "log-failed"
    KEEPER_SILENT = "keeper-silent"
    KEEPER_LATCHED = "keeper-latched"
    KEEPER_HOLDS = "keeper-holds"
    LATCH_UNWRITABLE = "latch-unwritable"
    RELAY_STUCK_ON = "relay-stuck-on"
    WARM_WITHOUT_HEAT = "warm-without-heat"
    NO_EFFECT = "heater-without-effect"
    HEAT_LOST = "heat-lost"
    PROBE_FROZEN = "probe-frozen"
    PROBE_DISPLACED = "probe-displaced"
    ROOM_DOUBTED = "room-doubted"
    CROSSED = "crossed"
    SERIES_STUCK = "series-stuck"
    UNDERVOLTAGE = "undervoltage"
    TOP_WARM = "top-warm"
    ROOM_LOW = "room-low"
    RELAY_WORN = "relay-worn"
    TONIGHT = "tonight"
    DAEMON_SILENT = "daemon-silent"


class Condition(StrEnum):
    """What a chamber is doing, in one word for the screen."""

    STARTING = "STARTING"
    WARMING = "WARMING UP"
    HOLDING = "HOLDING"
    HELD_LOW = "HELD LOW"
    COOLING = "COOLING"
    NO_HEAT = "NO HEAT"
    PROVING = "PROVING"
    CUT_OUT = "CUT OUT"


class EventKind(StrEnum):
    """What a row of the log's event table is about."""

    STARTED = "started"
    STOPPED = "stopped"
    GAP = "gap"
    CUTOFF = "cutoff"
    RESET = "reset"
    ALARM_RAISED = "alarm-raised"
    ALARM_CLEARED = "alarm-cleared"
    HEAT_HELD = "heat-held"
    HEAT_RELEASED = "heat-released"
    READING_REJECTED = "reading-rejected"
    CONFIG_ACCEPTED = "config-accepted"
    CONFIG_REFUSED = "config-refused"
    CLOCK_STEPPED = "clock-stepped"
    KEEPER = "keeper"
    PROVED = "proved"
    LOG = "log"
    TENDING = "tending"
    DIAGNOSED = "diagnosed"
    DOUBTED = "doubted"
    OUTAGE = "outage"
    ALARM_SEEN = "alarm-seen"
    ALARM_PAUSED = "alarm-paused"
    AWAY = "away"
    CALIBRATION = "calibration"
    SEASON = "season"
    EXPERIMENT = "experiment"


@dataclass(frozen=True, slots=True)
class Event:
    """Something that happened, for the log and the screen.

    ``durable`` events (alarms, latch changes, config, the grower's own entries) are written to the
    card at once; the rest travel with the next batch of samples.
    """

    kind: EventKind
    at_s: float
    chamber: str | None
    text: str
    alarm: Alarm | None = None
    durable: bool = False


@dataclass(frozen=True, slots=True)
class Record:
    """What one cycle saw and decided in one chamber: a row of the log."""

    chamber: str
    at_s: float
    readings: tuple[tuple[Place, Reading], ...]
    estimate: Estimate | None
    setpoint_c: float
    substrate_setpoint_c: float | None
    duty: float
    heat: bool
    condition: Condition
    reason: str
    alarms: frozenset[Alarm] = field(default_factory=frozenset)
    closings: int = 0
