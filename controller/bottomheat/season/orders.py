"""From the rule to the setpoint in force: raised at once, lowered by so much a day.  Pure.

The dates of a season come from the wall clock.  While that is not synchronised the season stands
still at the last time that was known; a step that is under way goes on, by the monotonic clock.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Any, Final

from bottomheat.config import ChamberConfig, Config
from bottomheat.model import Event, EventKind
from bottomheat.season.ledger import Season
from bottomheat.season.setpoint import BELOW_LIMIT_K, Order, rule

EVERY_S: Final = 60.0
"""How often the rule is looked at again, s; a change of config or ledger is looked at at once."""
STEP_K: Final = 0.1
_DAY_S: Final = 86_400.0
_SAME_K: Final = 1e-6


@dataclass(frozen=True, slots=True)
class Kept:
    """What of a box outlives a restart, °C; ``led``: a batch ruled."""

    setpoint_c: float
    written_c: float
    ceiling_c: float
    led: bool


@dataclass(frozen=True, slots=True)
class InForce:
    """What holds in one box.

    Attributes:
        setpoint_c: of the callus zone, °C.
        written_c: the config's own setpoint when that was decided: a change of it counts at once.
        order: the rule's answer.
        lowered_s: when the last step down was made, monotonic s.
        held: it stays as in the run before, because the ledger knows nothing of the box any more.
    """

    setpoint_c: float
    written_c: float
    order: Order
    lowered_s: float
    held: bool = False


@dataclass(frozen=True, slots=True)
class Orders:
    """What is remembered from turn to turn.

    Attributes:
        boxes: by chamber.
        known_ms: the last time at which the wall clock was synchronised, UTC ms.
        kept: what held at the end of the run before, by chamber.
    """

    boxes: Mapping[str, InForce] = field(default_factory=dict)
    known_ms: int | None = None
    kept: Mapping[str, Kept] = field(default_factory=dict)
    config: Config | None = None
    season: Season | None = None
    looked_s: float = -math.inf
    in_force: Config | None = None


def advance(
    state: Orders,
    config: Config,
    season: Season,
    now_s: float,
    wall_ms: int,
    *,
    clock_sure: bool,
) -> tuple[Orders, Config, tuple[Event, ...]]:
    """Bring the setpoints in force up to date.

    Args:
        state: of the turn before.
        config: the accepted config, as written.
        season: what the ledger comes to; a new object whenever an entry was added.
        now_s: monotonic time, s.
        wall_ms: UTC ms.
        clock_sure: the wall clock is synchronised.

    Returns:
        The new state, the config with the setpoints and ceilings in force, and what is new.
    """
    news = config is not state.config or season is not state.season
    if not news and state.in_force is not None and 0.0 <= now_s - state.looked_s < EVERY_S:
        return state, state.in_force, ()
    known_ms = wall_ms if clock_sure else _known_ms(state, season)
    boxes: dict[str, InForce] = {}
    events: list[Event] = []
    for name, chamber in config.chambers.items():
        order = rule(config, name, season, known_ms)
        before = state.boxes.get(name)
        kept = state.kept.get(name)
        held = _held(before, kept, order, chamber, season, name, again=season is state.season)
        box = held or _box(before, kept, order, chamber, config, now_s)
        boxes[name] = box
        text = _told(before, kept, box, config.season.lower_per_day_k)
        if text is not None:
            events.append(Event(EventKind.SEASON, now_s, name, text, durable=True))
    in_force = _applied(state, config, boxes)
    new = Orders(boxes, known_ms, {}, config, season, now_s, in_force)
    return new, in_force, tuple(events)


def _known_ms(state: Orders, season: Season) -> int | None:
    """The last time that was known: of a synchronised clock, else of the newest entry."""
    begun = [spell.from_ms for batch in season.batches.values() for spell in batch.stages]
    return max(begun if state.known_ms is None else [*begun, state.known_ms], default=None)


def _held(
    before: InForce | None,
    kept: Kept | None,
    order: Order,
    chamber: ChamberConfig,
    season: Season,
    name: str,
    *,
    again: bool,
) -> InForce | None:
    """The box as in the run before, where a batch ruled it and the ledger has lost all of it.

    What stands there may stand no more warmth: it stays until there is an entry, or an edit of the
    config.
    """
    written_c = chamber.callus_zone_c
    if before is not None:
        return before if before.held and again and before.written_c == written_c else None
    if kept is None or not kept.led or order.lead is not None or kept.written_c != written_c:
        return None
    if any(stay.place == name for batch in season.batches.values() for stay in batch.stays):
        return None
    set_c = min(kept.setpoint_c, order.cap_c)
    if set_c >= order.setpoint_c:
        return None
    why = "no batch is known in the box any more, so it stays as it was; enter what stands there"
    as_it_was = replace(
        order, setpoint_c=set_c, ceiling_c=min(kept.ceiling_c, order.ceiling_c), why=why
    )
    return InForce(set_c, written_c, as_it_was, 0.0, held=True)


def _box(
    before: InForce | None,
    kept: Kept | None,
    order: Order,
    chamber: ChamberConfig,
    config: Config,
    now_s: float,
) -> InForce:
    want_c, written_c = order.setpoint_c, chamber.callus_zone_c
    if before is not None:
        had_c, had_written_c, lowered_s = before.setpoint_c, before.written_c, before.lowered_s
    elif kept is not None:
        had_c, had_written_c, lowered_s = kept.setpoint_c, kept.written_c, now_s
    else:
        return InForce(want_c, written_c, order, now_s)
    was_empty = before is not None and before.order.lead is None
    by_hand = order.lead is None or had_written_c != written_c
    if want_c >= had_c - _SAME_K or by_hand or was_empty:
        return InForce(want_c, written_c, order, now_s)
    if had_c > order.cap_c + _SAME_K:
        # No batch waits below its warm limit for a slow step down.
        capped_c = max(want_c, math.floor(order.cap_c / STEP_K + _SAME_K) * STEP_K)
        return InForce(round(capped_c, 1), written_c, order, now_s)
    step_s = STEP_K / config.season.lower_per_day_k * _DAY_S
    steps = max(0, int((now_s - lowered_s) / step_s + _SAME_K))
    set_c = max(want_c, had_c - steps * STEP_K)
    return InForce(round(set_c, 1), written_c, order, lowered_s + steps * step_s)


def _told(before: InForce | None, kept: Kept | None, now: InForce, rate_k: float) -> str | None:
    """What to say of the change, or None where nothing is new."""
    order = now.order
    as_kept = kept is None or not kept.led or kept.setpoint_c == now.setpoint_c
    if before is None and order.lead is None and as_kept and not now.held:
        return None
    old = None if before is None else before.order
    same = old is not None and (old.setpoint_c, old.lead, old.ceiling_c, old.why) == (
        order.setpoint_c,
        order.lead,
        order.ceiling_c,
        order.why,
    )
    if same:
        if before is not None and now.setpoint_c < before.setpoint_c - STEP_K - _SAME_K:
            return f"setpoint {now.setpoint_c:g} °C at once, a batch stands no more: {order.why}"
        if before is not None and before.setpoint_c != now.setpoint_c == order.setpoint_c:
            return f"setpoint {now.setpoint_c:g} °C reached: {order.why}"
        return None
    layer = f", wet layer at most {order.ceiling_c:g} °C"
    if now.setpoint_c > order.setpoint_c + _SAME_K:
        return (
            f"setpoint lowered from {now.setpoint_c:g} to {order.setpoint_c:g} °C by {rate_k:g} K "
            f"a day{layer}: {order.why}"
        )
    return f"setpoint {now.setpoint_c:g} °C{layer}: {order.why}"


def _applied(state: Orders, config: Config, boxes: Mapping[str, InForce]) -> Config:
    """The config with what is in force; the one of before where that is the same."""
    old = state.in_force
    if old is not None and config is state.config:
        same = all(
            box.setpoint_c == old.chambers[name].callus_zone_c
            and box.order.ceiling_c == old.chambers[name].layer_ceiling_c
            for name, box in boxes.items()
        )
        if same:
            return old
    changed = {}
    for name, chamber in config.chambers.items():
        update = {
            "callus_zone_c": boxes[name].setpoint_c,
            "layer_ceiling_c": boxes[name].order.ceiling_c,
        }
        changed[name] = chamber.model_copy(update=update)
    return config.model_copy(update={"chambers": changed})


def as_kept(state: Orders, config: Config) -> Config:
    """The config with setpoints and ceilings of the run before: the ledger cannot be read.

    What the config file lowers meanwhile counts; what it raises does not, because nobody knows what
    stands in the box.
    """
    changed = {}
    for name, chamber in config.chambers.items():
        kept = known(state).get(name)
        set_c, ceiling_c = chamber.callus_zone_c, chamber.layer_ceiling_c
        if kept is not None:
            ceiling_c = min(ceiling_c, kept.ceiling_c)
            edited = set_c != kept.written_c
            set_c = min(set_c, kept.setpoint_c) if edited else kept.setpoint_c
        update = {
            "callus_zone_c": min(set_c, chamber.limits.callus_c - BELOW_LIMIT_K),
            "layer_ceiling_c": ceiling_c,
        }
        changed[name] = chamber.model_copy(update=update)
    return config.model_copy(update={"chambers": changed})


def known(state: Orders) -> dict[str, Kept]:
    """What holds, or held last, by chamber."""
    now = {
        name: Kept(
            box.setpoint_c,
            box.written_c,
            box.order.ceiling_c,
            box.held or box.order.lead is not None,
        )
        for name, box in state.boxes.items()
    }
    return {**state.kept, **now}


def to_plain(state: Orders) -> dict[str, Any]:
    """What outlives a restart, as plain JSON data."""
    boxes = {
        name: [kept.setpoint_c, kept.written_c, kept.ceiling_c, kept.led]
        for name, kept in known(state).items()
    }
    return {"known_ms": state.known_ms, "boxes": boxes}


def from_plain(data: Any) -> Orders:
    """What was kept.

    Raises:
        ValueError: it is not that.
    """
    try:
        known_ms = data["known_ms"]
        kept = {str(name): _kept(*each) for name, each in data["boxes"].items()}
    except (TypeError, KeyError, AttributeError, ValueError) as error:
        raise ValueError(f"not the setpoints that were kept: {error}") from None
    if known_ms is not None and (isinstance(known_ms, bool) or not isinstance(known_ms, int)):
        raise ValueError("not the setpoints that were kept: its time is no whole number")
    return Orders(known_ms=known_ms, kept=kept)


def _kept(set_c: Any, written_c: Any, ceiling_c: Any, led: Any) -> Kept:
    kept = Kept(float(set_c), float(written_c), float(ceiling_c), bool(led))
    if not all(map(math.isfinite, (kept.setpoint_c, kept.written_c, kept.ceiling_c))):
        raise ValueError("a setpoint is no number")
    return kept


def essence(state: Orders) -> object:
    """What is worth a write to the card when it changes; the time alone is not."""
    return tuple(known(state).items())
