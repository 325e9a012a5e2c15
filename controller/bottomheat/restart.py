"""What holds from the run before: the first state of a run, and what its start has to tell.  Pure.

The service, a command without one, and every rehearsal begin a run here.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Protocol

from bottomheat import cycle, outage
from bottomheat.config import Config
from bottomheat.estimate_state import BEFORE_S
from bottomheat.model import Event, EventKind
from bottomheat.outage import Before
from bottomheat.protect import accused
from bottomheat.protect.tending import Lid, Tending
from bottomheat.protect.watch import AWAY


class Past(Protocol):
    """What is known of the time before a start; the log's own has more (``log.before.Past``)."""

    @property
    def before(self) -> Before | None:
        """The last that was recorded, or None where nothing is known."""

    @property
    def lids(self) -> Mapping[str, Lid]:
        """How the lids lie that were ever said to."""

    @property
    def tendings(self) -> Mapping[str, Tending]:
        """The newest spell of each chamber that was not ended, on this boot's clock."""

    @property
    def trouble(self) -> str | None:
        """Why a log that is there could not be read, or None."""


@dataclass(frozen=True, slots=True)
class Known:
    """A past that was not read from a log; see ``Past``."""

    before: Before | None = None
    lids: Mapping[str, Lid] = field(default_factory=dict)
    tendings: Mapping[str, Tending] = field(default_factory=dict)
    trouble: str | None = None


def restarted(
    config: Config,
    causes: Mapping[str, str],
    past: Past,
    start: outage.Start,
    *,
    proved: bool,
) -> cycle.ControllerState:
    """The first state of a run, with what holds from the run before.

    That is how the lids were last said to lie, the spells of tending that run, the last estimates,
    where they are so new that they tell how warmly a bed was heated, and of the same wiring which
    wet-layer probe had been found displaced, where a mat probe can tell that it is back.

    Args:
        config: the accepted config.
        causes: why chambers are latched, as the latch file has it.
        past: of the time before.
        start: this start.
        proved: the wiring is proved.
    """
    state = cycle.start(config, causes, proved=proved)
    now_s, before = start.at_s, past.before
    gap_s = None if before is None else outage.length_s(before, start)
    estimates = {}
    if before is not None and gap_s is not None and gap_s <= BEFORE_S:
        estimates = dict(before.estimates)
    chambers = dict(state.chambers)
    for name, chamber in chambers.items():
        tending = past.tendings.get(name)
        if tending is not None and not tending.since_s <= now_s < tending.until_s:
            tending = None
        lid = past.lids.get(name, chamber.lid)
        estimate = estimates.get(name)
        before_c = None if estimate is None else estimate.celsius
        estimator = replace(chamber.estimator, before_c=before_c)
        watch = chamber.watch
        box = config.chambers[name]
        seen = box.probes.mat is not None or box.keeper.probe is not None
        if before is not None and name in before.displaced and proved and seen:
            watch = accused.carried(watch, now_s)
        chambers[name] = replace(
            chamber, tending=tending, lid=lid, estimator=estimator, watch=watch
        )
    return replace(state, chambers=chambers)


def openings(past: Past, start: outage.Start) -> tuple[tuple[Event, ...], outage.Aftermath | None]:
    """What the past makes worth saying at this start, and what is to be told later."""
    event, aftermath = outage.opening(past.before, start)
    events: tuple[Event, ...] = () if event is None else (event,)
    for name in sorted(frozenset() if past.before is None else past.before.displaced):
        text = f"{AWAY}: found before this start, and not seen to agree since"
        events += (Event(EventKind.DIAGNOSED, start.at_s, name, text, durable=True),)
    if past.trouble is not None:
        text = (
            "the log could not be read at the start, so every lid is taken to be on and no "
            "borrowed probe goes on teaching: if a lid is not on, say so with bottomheat lid "
            f"({past.trouble.rstrip('.')})"
        )
        events += (Event(EventKind.TENDING, start.at_s, None, text, durable=True),)
    return events, aftermath
