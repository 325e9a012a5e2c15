"""What a cycle says: why heat is held, what is short, what an alarm asks for."""

from __future__ import annotations

from collections.abc import Mapping

from bottomheat.config import (
    LIMIT_MARGIN_K,
    ChamberConfig,
    Direct,
    HeatFlow,
    Offset,
    TemperatureFactor,
)
from bottomheat.estimate import Outlook
from bottomheat.model import Alarm, Place
from bottomheat.protect.supply import Standing, Supply

ALARM_WORDS: Mapping[Alarm, str] = {
    Alarm.CUTOFF: "heat is cut and stays off until someone has looked: bottomheat reset cutoff",
    Alarm.CALLUS_HOT: "callus zone worked out above its limit: heat is off until it has cooled",
    Alarm.PROBE_LOST: "a probe gives no good reading: look at its cable and plug",
    Alarm.SUBSTRATES_DISAGREE: "the two wet-layer probes disagree: the warmer one rules",
    Alarm.ROOM_LOST: "room probe lost: what stands in for it is less exact, look at its cable",
    Alarm.SHORTFALL: "heat is at its bound and the bed cools: the room is too cold for this mat",
    Alarm.RELAY_STUCK_ON: "the mat warms with its relay open: unplug it",
    Alarm.WARM_WITHOUT_HEAT: "too warm without heat: shade, vent or move the box",
    Alarm.NO_EFFECT: "heat has no effect: look at the mat, its plug, its cutout and the relay",
    Alarm.HEAT_LOST: "no heat, and the callus zone will be 3 K low within six hours",
    Alarm.PROBE_FROZEN: "a probe stands still while the bed moves: look at it",
    Alarm.PROBE_DISPLACED: "a probe in the bed does not lie where it should: put it back",
    Alarm.ROOM_DOUBTED: "the room probe cannot be believed: shade it, hang it clear of the box",
    Alarm.CROSSED: "two boxes answer to each other's heat: put plugs or probes right, then prove",
    Alarm.SERIES_STUCK: "the series relay does not open: have it changed",
    Alarm.TOP_WARM: "the air at the buds has been warm for a day: vent, shade, a cooler room",
    Alarm.NOT_PROVED: "the wiring has not been proved: run bottomheat prove",
}


def mat_held(chamber: ChamberConfig) -> str:
    """Which bound the mat is held at."""
    return f"mat held at {chamber.limits.mat_c - LIMIT_MARGIN_K:g} °C, 3 K below its limit"


def held_low(chamber: ChamberConfig, offset: Offset, short_k: float) -> str:
    """What the chamber is held at, with the wet layer ``short_k`` below what it would need.

    By heat-flow and by a fixed offset the callus zone is short by as much as the wet layer, at the
    power that flows.

    Args:
        chamber: its config.
        offset: the one in force.
        short_k: how much the wet layer is short of what it would need, K.
    """
    factor = offset.factor if isinstance(offset, TemperatureFactor | Direct) else 1.0
    held_c = chamber.callus_zone_c - factor * short_k
    return (
        f"held at {held_c:.1f}, not {chamber.callus_zone_c:g}: wet layer at its ceiling, "
        "room too cold; insulate the box"
    )


def unreliable(offset: Offset, supplies: Mapping[Place, Supply], outlook: Outlook) -> str | None:
    """Why the probes do not allow heat with the offset in force, or None."""
    layers = [s for p in (Place.SUBSTRATE, Place.SUBSTRATE_2) if (s := supplies.get(p)) is not None]
    if not any(s.usable is not None for s in layers):
        return _waiting("wet-layer probe", layers)
    mat = supplies.get(Place.MAT)
    if mat is not None and mat.usable is None:
        return _waiting("mat probe", [mat])
    if outlook.substrate_setpoint_c is None:
        if isinstance(offset, HeatFlow):
            return outlook.fallback or "mean power of the mat not known yet"
        if isinstance(offset, Direct):
            callus = supplies.get(Place.CALLUS)
            return _waiting("callus probe", [] if callus is None else [callus])
        room = supplies.get(Place.ROOM)
        return _waiting("room probe", [] if room is None else [room])
    if isinstance(offset, Direct) and outlook.estimate is None:
        return "callus probe lost and no room probe to work it out from"
    return None


def _waiting(what: str, supplies: list[Supply]) -> str:
    if any(s.standing is Standing.LOST for s in supplies):
        if any(s.good_since_s is not None for s in supplies):
            return f"{what} is back: waiting for ten good minutes"
        return f"{what} lost"
    if any(s.lost for s in supplies) or not supplies:
        return f"{what} gives no good reading"
    return f"waiting for three agreeing readings of the {what}"
