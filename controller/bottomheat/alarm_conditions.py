"""Which alarm conditions stand after a cycle, each with what this case adds to its words; pure."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from bottomheat.alarm_desk import Key
from bottomheat.alarm_words import TOLD
from bottomheat.model import PLACE_WORDS, Alarm, Bad, Place, Record
from bottomheat.ports import KeeperStatus
from bottomheat.state import ChamberState, ControllerState


def conditions(
    state: ControllerState, records: Sequence[Record], house: Mapping[Alarm, str]
) -> dict[Key, str]:
    """Every condition, of the chambers and of the house."""
    found: dict[Key, str] = {(None, alarm): text for alarm, text in house.items()}
    for record in records:
        chamber = state.chambers.get(record.chamber)
        for alarm in record.alarms:
            found[record.chamber, alarm] = "" if chamber is None else _detail(alarm, chamber)
    return found


def latched_chambers(state: ControllerState, keeper: KeeperStatus | None) -> frozenset[str]:
    """Chambers that the daemon or the keeper has cut out and nobody has reset."""
    lines = () if keeper is None else keeper.lines
    return frozenset(
        {name for name, chamber in state.chambers.items() if chamber.cutoff.latched is not None}
        | {line.chamber for line in lines if line.latched}
    )


def resting(state: ControllerState) -> dict[str, float]:
    """Chambers that are open, and until when (monotonic s) their alarms wait for that."""
    return {
        name: chamber.tending.until_s
        for name, chamber in state.chambers.items()
        if chamber.tending is not None
    }


def _detail(alarm: Alarm, chamber: ChamberState) -> str:
    if TOLD[alarm].latching:
        return chamber.cutoff.latched or ""
    match alarm:
        case Alarm.PROBE_LOST:
            return ", ".join(
                _lost(place, chamber)
                for place, supply in chamber.supplies.items()
                if supply.lost and place is not Place.ROOM
            )
        case Alarm.ROOM_LOST:
            return _lost(Place.ROOM, chamber)
        case Alarm.HEAT_LOST:
            return chamber.no_heat or ""
        case _:
            return ""


def _lost(place: Place, chamber: ChamberState) -> str:
    reading = dict(chamber.readings).get(place)
    why = f" ({reading.fault.value})" if isinstance(reading, Bad) else ""
    return f"{PLACE_WORDS[place]}{why}"
