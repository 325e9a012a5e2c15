"""The setpoint of a box, from the batches that stand in it.  Pure.

One batch leads: the one that the config names, or the youngest that still calluses.  The box gets
what the lead wants, and never more than the lowest warm limit of any batch inside.  Where batches
want different things nothing is averaged: the rule says who has to move.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from bottomheat.config import (
    TOO_COLD_TO_CALLUS_C,
    TOO_HOT_FOR_CUTTINGS_C,
    ChamberConfig,
    Config,
)
from bottomheat.season.ledger import Batch, Season, Stage, Zone
from bottomheat.season.species import Needs, needs
from bottomheat.season.stages import LowerTo, latest_action

SAME_HEIGHT_MM: Final = 5.0
"""Heights closer than this count as one: 5 mm are 0.5 to 2.3 K in a box (calculated)."""
BELOW_LIMIT_K: Final = 2.0
"""The setpoint stays this far below the callus limit, as the config's own check demands."""
_STEP_K: Final = 0.1
_SLACK_K: Final = 0.05
_ORDER: Final = (Stage.CALLUSING, Stage.ROOTING, Stage.HARDENING)


@dataclass(frozen=True, slots=True)
class Order:
    """What the rule asks of a box.

    Attributes:
        setpoint_c: of the callus zone, °C.
        ceiling_c: of the wet layer, °C.
        cap_c: the setpoint may not be above this for a moment, °C.
        lead: the batch that rules, or None where the config does.
        why: the rule applied, in words.
        conflicts: what does not go together, each a sentence with what to do.
    """

    setpoint_c: float
    ceiling_c: float
    cap_c: float
    lead: str | None = None
    why: str = ""
    conflicts: tuple[str, ...] = ()


def measured(batch: Batch, chamber: ChamberConfig) -> bool:
    """Whether the box's estimate is about the height that this batch is to be warm at."""
    if batch.zone.value != (chamber.zone or Zone.BASE):
        return False
    if batch.height_mm is None or chamber.zone_height_mm is None:
        return True
    return abs(batch.height_mm - chamber.zone_height_mm) <= SAME_HEIGHT_MM


def lead_of(inside: Sequence[Batch], named: str | None) -> Batch | None:
    """The batch that rules.

    Args:
        inside: the open batches in the box.
        named: the config's ``lead``, or None.

    Returns:
        The named one where it is inside; else the youngest of those that are least far on.
    """
    for batch in inside:
        if named is not None and batch.name.casefold() == named.casefold():
            return batch
    return min(inside, key=lambda b: (_ORDER.index(b.stage), -b.made_ms, b.name), default=None)


def rule(config: Config, name: str, season: Season, now_ms: int | None) -> Order:
    """Apply the rule to one box.

    Args:
        config: the accepted config.
        name: a chamber of it.
        season: what the ledger comes to.
        now_ms: UTC ms; None: the date was never known, so nothing is due by it.
    """
    chamber = config.chambers[name]
    written_c = chamber.callus_zone_c
    inside = season.inside(name)
    lead = lead_of(inside, chamber.lead)
    if lead is None or chamber.setpoint_by == "config":
        why = "as the config says" if lead else "no batch in the box: as the config says"
        plain = Order(written_c, chamber.layer_ceiling_c, TOO_HOT_FOR_CUTTINGS_C, None, why)
        return _with_conflicts(plain, config, inside, None)
    wants = {batch.name: _needs(batch, config) for batch in inside}
    want_c, why, lowered = _wanted(lead, wants[lead.name], chamber, config, now_ms)
    cap_c, capped_by = _cap(inside, wants, chamber)
    set_c = max(TOO_COLD_TO_CALLUS_C, round(min(want_c, cap_c) / _STEP_K) * _STEP_K)
    if set_c > cap_c:  # rounded up past it
        set_c -= _STEP_K
    if want_c > cap_c + 1e-9:
        why += f"; held at {cap_c:g} by {capped_by}"
    ceilings = [needs.ceiling_c for needs in wants.values() if needs.ceiling_c is not None]
    ceiling_c = min([chamber.layer_ceiling_c, *ceilings])
    order = Order(round(set_c, 1), ceiling_c, cap_c, lead.name, why)
    return _with_conflicts(order, config, inside, chamber.lead, lowered=lowered)


def _needs(batch: Batch, config: Config) -> Needs:
    return needs(batch.species, batch.stage, config.season.species)


def _wanted(
    lead: Batch, wants: Needs, chamber: ChamberConfig, config: Config, now_ms: int | None
) -> tuple[float, str, bool]:
    """What the lead wants, °C, why, and whether that is because its stage was forgotten."""
    written_c = chamber.callus_zone_c
    lowered = False
    called = f"{lead.name} ({lead.species}, {lead.stage})"
    if lead.target_c is not None and lead.stage is not Stage.HARDENING:
        want_c, why = lead.target_c, f"{called} leads: its own target"
    elif wants.band_c is None:
        want_c, why = written_c, f"{called} leads; no band is known for it: as the config says"
    else:
        low_c, high_c = wants.band_c
        band = f"{low_c:g} to {high_c:g} {wants.mark('band_c')}"
        want_c = min(max(written_c, low_c), high_c)
        if want_c == written_c:
            why = f"{called} leads and wants {band}: as the config says"
        else:
            why = f"{called} leads and wants {band}; the config's {written_c:g} does not suit it"
    if now_ms is not None:
        action = latest_action(lead, wants, config.season, now_ms)
        if isinstance(action, LowerTo) and action.celsius < want_c:
            want_c, lowered = action.celsius, True
            why += f"; its stage has lasted longer than its latest day: lower to {want_c:g}"
    return want_c, why, lowered


def _cap(
    inside: Sequence[Batch], wants: dict[str, Needs], chamber: ChamberConfig
) -> tuple[float, str]:
    """The highest setpoint allowed, °C, and by what."""
    caps = [
        (TOO_HOT_FOR_CUTTINGS_C, "the highest setpoint there is"),
        (chamber.limits.callus_c - BELOW_LIMIT_K, "the box's callus limit"),
    ]
    for batch in inside:
        limit_c = wants[batch.name].warm_limit_c
        if limit_c is not None:
            caps.append((limit_c, f"{batch.name} ({batch.species}, {batch.stage}): warm limit"))
    return min(caps, key=lambda each: each[0])


def _with_conflicts(
    order: Order,
    config: Config,
    inside: Sequence[Batch],
    named: str | None,
    *,
    lowered: bool = False,
) -> Order:
    """The order with what does not go together; ``lowered``: cooler than its lead by intent."""
    found = []
    if named is not None and order.lead is not None and named.casefold() != order.lead.casefold():
        found.append(f"the config names {named} to lead, which is not in this box")
    for_lead = f" for {order.lead}" if order.lead is not None else ""
    for batch in inside:
        if lowered and batch.name == order.lead:
            continue
        text = _unsuited(batch, _needs(batch, config), order, for_lead)
        if text is not None:
            found.append(text)
    return Order(
        order.setpoint_c, order.ceiling_c, order.cap_c, order.lead, order.why, tuple(found)
    )


def _unsuited(batch: Batch, wants: Needs, order: Order, for_lead: str) -> str | None:
    set_c = order.setpoint_c
    called = f"{batch.name} ({batch.species}, {batch.stage})"
    if batch.target_c is not None and batch.stage is not Stage.HARDENING:
        low_c = high_c = batch.target_c
        band = f"{low_c:g} as you said"
    elif wants.band_c is not None:
        low_c, high_c = wants.band_c
        band = f"{low_c:g} to {high_c:g} {wants.mark('band_c')}"
    elif wants.warm_limit_c is None:
        return (
            f"nothing is known of {called}, so no warm limit guards it: give it a target, or "
            f"numbers of your own (season: species: {batch.species})"
        )
    else:
        return None
    if set_c > high_c + _SLACK_K:
        limit_c = wants.warm_limit_c
        above = " and is above its warm limit" if limit_c is not None and set_c > limit_c else ""
        if batch.name == order.lead:
            return f"{called} wants {band} and this box is at {set_c:g}{above}: move it"
        return f"{called} wants {band} and this box stays at {set_c:g}{for_lead}{above}: move it"
    if set_c < low_c - _SLACK_K:
        slow_c = wants.slow_below_c
        slow = " hardly grows" if slow_c is not None and set_c < slow_c else " grows more slowly"
        return f"{called} wants {band} and{slow} in this box at {set_c:g}: a warmer box suits it"
    return None
