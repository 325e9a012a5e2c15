"""Cool tops, warm bases: the air at the buds, and the room of what stands outside.  Pure.

Dormant wood callused with warm tops opens its buds before it has roots.  The control law does not
know of this; a person vents, shades, or finds a cooler room (common practice, no source).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Final

from bottomheat.config import Config
from bottomheat.model import Alarm, Good, Place, Record
from bottomheat.season.ledger import UNHEATED, Batch, Season, Stage

WARM_FOR_S: Final = 24 * 3600.0
"""Above the bound for so long, without a break, before it is told."""
BACK_K: Final = 0.5
"""So far below the bound it counts as cool again."""
BLIND_S: Final = 3600.0
"""Without a good reading for so long nothing is known, and counting begins anew."""


@dataclass(frozen=True, slots=True)
class Warm:
    """Air that has been warm since ``since_s``, last seen so at ``seen_s``, monotonic s."""

    since_s: float
    seen_s: float


def dormant(batch: Batch) -> bool:
    """Whether the buds of a batch are to stay closed: no roots have been seen yet."""
    return batch.stage is Stage.CALLUSING and not any(look.rooted for look in batch.looks)


def follow(
    warm: Mapping[str, Warm], records: Sequence[Record], config: Config, season: Season
) -> dict[str, Warm]:
    """Boxes with dormant wood whose air at the buds is warm, brought up to date by one cycle.

    Args:
        warm: of the cycle before.
        records: what the cycle saw.
        config: the accepted config.
        season: what the ledger comes to.
    """
    bound_c = config.season.warn_top_above_c
    found: dict[str, Warm] = {}
    for record in records:
        before = warm.get(record.chamber)
        reading = dict(record.readings).get(Place.TOP)
        if not any(dormant(batch) for batch in season.inside(record.chamber)):
            continue
        if not isinstance(reading, Good):
            if before is not None and record.at_s - before.seen_s < BLIND_S:
                found[record.chamber] = before
        elif reading.celsius > bound_c:
            since_s = record.at_s if before is None else before.since_s
            found[record.chamber] = Warm(since_s, record.at_s)
        elif before is not None and reading.celsius > bound_c - BACK_K:
            found[record.chamber] = replace(before, seen_s=record.at_s)
    return found


def conditions(
    warm: Mapping[str, Warm],
    records: Sequence[Record],
    config: Config,
    season: Season,
    now_s: float,
) -> dict[tuple[str | None, Alarm], str]:
    """The alarms of the season that stand, each with what this case adds to its sentence."""
    found: dict[tuple[str | None, Alarm], str] = {}
    for name, spell in warm.items():
        if now_s - spell.since_s >= WARM_FOR_S:
            names = ", ".join(batch.name for batch in season.inside(name) if dormant(batch))
            bound_c = config.season.warn_top_above_c
            found[name, Alarm.TOP_WARM] = f"above {bound_c:g} °C with {names} still dormant"
    low_c = config.season.room_low_c
    outside = [b for b in season.inside(UNHEATED) if b.stage is Stage.HARDENING]
    rooms = [
        reading.celsius
        for record in records
        for place, reading in record.readings
        if place is Place.ROOM and isinstance(reading, Good)
    ]
    if low_c is not None and outside and rooms and min(rooms) < low_c:
        names = ", ".join(batch.name for batch in outside)
        found[None, Alarm.ROOM_LOW] = f"{min(rooms):.1f} °C, below {low_c:g}; outside: {names}"
    return found
