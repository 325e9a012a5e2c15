"""What lies between the last thing recorded and this start: how long, why, how cold.  Pure.

The monotonic clock tells the length within one boot.  Across boots only wall time does, and only
where it was synchronised on both sides; a Pi without a clock battery is often not yet when the
service starts, so the length is told later, when it is known, and so is the first estimate.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

from bottomheat.durations import words
from bottomheat.model import Estimate, Event, EventKind, Record

SHORT_S = 120.0
"""An orderly stop and a start within so long is a restart by hand and no outage."""

FIRST_WITHIN_S = 3600.0
"""A first estimate that comes later says little about the outage."""

_UNKNOWN_BOOT = "unknown"


@dataclass(frozen=True, slots=True)
class Before:
    """The last that was recorded before this start.

    Attributes:
        boot_id: of the kernel that ran then; "unknown..." where it had none.
        last_s: monotonic time of that boot, s.
        last_wall_ms: UTC ms; None where no synchronised clock places it.
        orderly: the service was stopped, not killed.
        estimates: the callus zone of each chamber then.
        displaced: chambers whose wet-layer probe had been found displaced and not agreed since.
    """

    boot_id: str
    last_s: float
    last_wall_ms: int | None
    orderly: bool
    estimates: tuple[tuple[str, Estimate | None], ...] = ()
    displaced: frozenset[str] = frozenset()


@dataclass(frozen=True, slots=True)
class Start:
    """This start; ``wall_ms`` is None while the wall clock is not synchronised."""

    boot_id: str
    at_s: float
    wall_ms: int | None


@dataclass(frozen=True, slots=True)
class Aftermath:
    """What remains to be told of an outage: its length, and each chamber's first estimate."""

    before: Before
    start: Start
    waiting: frozenset[str]
    length_told: bool

    def follow(
        self, records: Sequence[Record], now_s: float, wall_ms: int | None
    ) -> tuple[Aftermath | None, tuple[Event, ...]]:
        """Take a cycle into account; None when all has been told.

        Args:
            records: what the cycle saw.
            now_s: monotonic time, s.
            wall_ms: UTC ms, or None while the wall clock is not synchronised.
        """
        events = []
        waiting, told = self.waiting, self.length_told
        then = dict(self.before.estimates)
        for record in records:
            if record.chamber not in waiting or record.estimate is None:
                continue
            waiting -= {record.chamber}
            text = (
                f"first estimate after the outage: bases {_bases(record.estimate)}, "
                f"before it {_bases(then.get(record.chamber))}"
            )
            events.append(Event(EventKind.OUTAGE, now_s, record.chamber, text, durable=True))
        if not told and wall_ms is not None:
            told = True
            began_ms = wall_ms - round((now_s - self.start.at_s) * 1000)
            gap_s = length_s(self.before, replace(self.start, wall_ms=began_ms))
            if gap_s is not None:
                long = words(gap_s)
                text = f"the clock is set now: nothing was recorded for {long} before the start"
                events.append(Event(EventKind.OUTAGE, now_s, None, text, durable=True))
        if now_s - self.start.at_s > FIRST_WITHIN_S:
            waiting = frozenset()
        after = replace(self, waiting=waiting, length_told=told)
        return (after if waiting or not told else None), tuple(events)


def length_s(before: Before, start: Start) -> float | None:
    """How long nothing was recorded, s; None where that is not known."""
    if _same_boot(before, start):
        return max(start.at_s - before.last_s, 0.0)
    if before.last_wall_ms is None or start.wall_ms is None:
        return None
    gap_s = (start.wall_ms - before.last_wall_ms) / 1000
    return gap_s if gap_s >= 0 else None


def opening(before: Before | None, start: Start) -> tuple[Event | None, Aftermath | None]:
    """The event that opens a run after an outage, and what is still to be told of it.

    Args:
        before: what was recorded last, or None where nothing is known of it.
        start: this start.

    Returns:
        None and None after no outage: the first start of all, or an orderly restart.
    """
    if before is None:
        return None, None
    gap_s = length_s(before, start)
    same_boot = _same_boot(before, start)
    if before.orderly and same_boot and gap_s is not None and gap_s < SHORT_S:
        return None, None
    unknown = "nothing was recorded for a time; how long is not known:"
    if gap_s is not None:
        long = f"nothing was recorded for {words(gap_s)}"
    elif before.last_wall_ms is None or start.wall_ms is None:
        long = f"{unknown} the clock {'is' if start.wall_ms is None else 'was'} not set"
    else:
        long = f"{unknown} the clock went backwards"
    bases = ", ".join(f"{name} {_bases(estimate)}" for name, estimate in before.estimates)
    text = f"{long}; {_why(before, start, same_boot=same_boot)}" + (
        f"; bases when the record ended: {bases}" if bases else ""
    )
    event = Event(EventKind.OUTAGE, start.at_s, None, text, durable=True)
    waiting = frozenset(name for name, _ in before.estimates)
    knowable = gap_s is None and before.last_wall_ms is not None and start.wall_ms is None
    after = Aftermath(before, start, waiting, length_told=not knowable)
    return event, (after if waiting or knowable else None)


def _same_boot(before: Before, start: Start) -> bool:
    return _known(before.boot_id) and before.boot_id == start.boot_id


def _known(boot_id: str) -> bool:
    return bool(boot_id) and not boot_id.startswith(_UNKNOWN_BOOT)


def _why(before: Before, start: Start, *, same_boot: bool) -> str:
    if same_boot:
        return (
            "the service had been stopped" if before.orderly else "the service died or was killed"
        )
    if not (_known(start.boot_id) and _known(before.boot_id)):
        return "why is not known"
    if before.orderly:
        return "the service had been stopped in order, and the machine was off or restarted since"
    return "power was cut, or the machine crashed or was reset"


def _bases(estimate: Estimate | None) -> str:
    if estimate is None:
        return "not known"
    if not math.isfinite(estimate.expanded_k):
        return f"{estimate.celsius:.1f} °C, not to be trusted"
    return f"{estimate.celsius:.1f} ± {estimate.expanded_k:.1f} °C"
