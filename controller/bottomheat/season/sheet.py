"""The sheet for the shed door: what is inside, what alarms mean, what to do.  Pure."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import tzinfo
from types import MappingProxyType
from typing import Final

from bottomheat.alarm_words import TOLD, Danger, Level
from bottomheat.config import ChamberConfig, Config
from bottomheat.model import Alarm
from bottomheat.season.ledger import UNHEATED, Batch, Season
from bottomheat.season.night import day_words
from bottomheat.season.said import made_of
from bottomheat.season.setpoint import Order

SHORT: Final[Mapping[Alarm, str]] = MappingProxyType(
    {
        Alarm.CUTOFF: "heat is cut and stays off until somebody has looked",
        Alarm.CALLUS_HOT: "the bases are too warm; heat is off meanwhile",
        Alarm.PROBE_LOST: "a probe gives no reading: plug, cable?",
        Alarm.SUBSTRATES_DISAGREE: "two wet-layer probes disagree: one has moved",
        Alarm.ROOM_LOST: "the room probe gives no reading: plug, cable?",
        Alarm.SHORTFALL: "the room is too cold for the mat: blankets help",
        Alarm.NOT_PROVED: "no heat until the wiring is proved",
        Alarm.CONFIG_REFUSED: "a mistake in the config file; the one before is used",
        Alarm.CONFIG_FALLBACK: "a mistake in the config file; a kept copy is used",
        Alarm.LOG_FAILED: "the log is not written; heat goes on",
        Alarm.KEEPER_SILENT: "what drives the relays does not answer",
        Alarm.KEEPER_LATCHED: "heat is cut by the mat's own probe until reset",
        Alarm.KEEPER_HOLDS: "the relay is held open although heat is wanted",
        Alarm.LATCH_UNWRITABLE: "the card cannot be written, so there is no heat",
        Alarm.RELAY_STUCK_ON: "the mat heats although it was told to stop",
        Alarm.WARM_WITHOUT_HEAT: "sun or a lamp on the box: shade it, vent it",
        Alarm.NO_EFFECT: "heat is on and nothing warms: no power at the mat?",
        Alarm.HEAT_LOST: "there is no heat and the bases get too cold",
        Alarm.PROBE_FROZEN: "a probe always says the same, so heat is off",
        Alarm.PROBE_DISPLACED: "a probe has slipped, so heat is off: put it back",
        Alarm.ROOM_DOUBTED: "the room probe hangs in the sun or over the mat",
        Alarm.CROSSED: "plugs or probes of two boxes are swapped; both off",
        Alarm.SERIES_STUCK: "the second relay does not open: have it changed",
        Alarm.UNDERVOLTAGE: "the computer's power supply is weak",
        Alarm.TOP_WARM: "warm at the buds for a day: vent, shade",
        Alarm.ROOM_LOW: "too cold for the plants outside the boxes: cover them",
        Alarm.RELAY_WORN: "a relay is worn and will have to be changed",
        Alarm.TONIGHT: "too cold tonight for the mat: blankets help",
        Alarm.DAEMON_SILENT: "what controls the heat does not answer",
    }
)
"""Every alarm in a few words for somebody who has never seen it; ``alarm_words`` has the whole."""

FOR_HANDS: Final = frozenset(
    {
        Alarm.PROBE_LOST,
        Alarm.SHORTFALL,
        Alarm.WARM_WITHOUT_HEAT,
        Alarm.PROBE_FROZEN,
        Alarm.PROBE_DISPLACED,
        Alarm.SERIES_STUCK,
        Alarm.TOP_WARM,
        Alarm.ROOM_LOW,
        Alarm.TONIGHT,
    }
)
"""Of those that can wait, the ones that somebody without the computer can do something about."""

UNSAID: Final[Mapping[Danger, str]] = MappingProxyType(
    {
        Danger.TOO_HOT: "Pull the mat's plug, with dry hands. Leave the lid on. Call.",
        Danger.TOO_COLD: "Is the mat still warm? Pull its plug. Blankets over the box. Call.",
        Danger.OTHER: "Nothing at once. Call in the morning.",
    }
)
"""What a helper does where the config says nothing."""

SILENCE: Final = (
    "A power cut stops the messages too. No all's-well by 08:00: go and look. Power gone: blankets "
    "over the boxes, lids on; heat comes back by itself. Dormant wood stands one cold night."
)
CAUTIONS: Final = (
    "This program controls and warns; it is no safety device. The mat's own cutout, its fuse and "
    "the RCD are, and only someone licensed works on them.",
    "Water and mains are close together here: dry hands, and pull the mat's plug before you "
    "reach under a box. A fuse or RCD that has tripped stays off: call.",
    "Smoke, a smell of burning, a scorched plug: switch off at the main switch, get out, call the "
    "fire brigade. No cutting is worth a look.",
)
BEFORE_OPENING: Final = (
    "Before opening a box, if you can: bottomheat tend {box} --doing look. Forgot it? No harm."
)
RESET: Final = (
    "Heat that was cut comes back only after somebody has looked: bottomheat reset cutoff BOX. "
    "If you do not know why it was cut, do not reset it: call."
)


@dataclass(frozen=True, slots=True)
class BoxOnSheet:
    """A box: what it is set to, why, and what stands in it."""

    name: str
    setpoint: str
    normal: str
    batches: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Group:
    """Alarms with the same answer: a title, what a helper does, and each alarm in a few words.

    ``brief`` is a shorter list, of those that a helper's hands can mend, for a crowded page.
    """

    title: str
    do: tuple[str, ...]
    alarms: tuple[tuple[str, str], ...]
    brief: tuple[tuple[str, str], ...]


@dataclass(frozen=True, slots=True)
class Sheet:
    """Everything on the page, in words.

    Attributes:
        printed: the day, or empty where no clock was set.
        boxes: each heated box.
        outside: batches that stand in none.
        urgent: alarms that wake somebody.
        later: those that wait for the morning.
        notes: what else a helper has to know.
        cautions: about heat, mains and water.
        sounder: whether a buzzer or lamp sounds for the urgent ones.
    """

    printed: str
    boxes: tuple[BoxOnSheet, ...]
    outside: tuple[str, ...]
    urgent: tuple[Group, ...]
    later: Group
    notes: tuple[str, ...]
    cautions: tuple[str, ...]
    sounder: bool


def sheet(
    config: Config,
    season: Season,
    orders: Mapping[str, Order],
    now_ms: int | None,
    zone: tzinfo | None = None,
) -> Sheet:
    """Put the page together.

    Args:
        config: the accepted config.
        season: what the ledger comes to.
        orders: what the setpoint's rule asks of each box.
        now_ms: UTC ms; None where no clock was set.
        zone: the grower's; None is this machine's.
    """
    first = next(iter(config.chambers))
    return Sheet(
        printed="" if now_ms is None else day_words(now_ms, zone),
        boxes=tuple(
            _box(name, chamber, orders[name], season, zone)
            for name, chamber in config.chambers.items()
        ),
        outside=tuple(_batch(batch, zone) for batch in season.inside(UNHEATED)),
        urgent=tuple(
            _group(title, Level.NOW, danger, config)
            for title, danger in (
                ("TOO HOT: heat is on that should be off, or was just cut", Danger.TOO_HOT),
                ("TOO COLD: heat is lost", Danger.TOO_COLD),
            )
        ),
        later=_group("CAN WAIT FOR THE MORNING", Level.MORNING, None, config),
        notes=(SILENCE, RESET, BEFORE_OPENING.format(box=first)),
        cautions=CAUTIONS,
        sounder=config.sounder is not None,
    )


def _box(
    name: str, chamber: ChamberConfig, order: Order, season: Season, zone: tzinfo | None
) -> BoxOnSheet:
    if not chamber.in_use:
        return BoxOnSheet(name, "not in use, no heat", "", ())
    lead = f" for {order.lead}" if order.lead is not None else ""
    limits = chamber.limits
    return BoxOnSheet(
        name,
        f"{order.setpoint_c:.1f} ± 0.5 °C at the bases{lead}",
        f"cut at wet layer {limits.substrate_c:g}"
        + (f", mat {limits.mat_c:g}" if chamber.keeper_probe else ""),
        tuple(_batch(batch, zone) for batch in season.inside(name)),
    )


def _batch(batch: Batch, zone: tzinfo | None) -> str:
    made = made_of(batch.species, batch.kind, batch.count)
    return f"{batch.name}  {made}, made {day_words(batch.made_ms, zone)}, {batch.stage.value}"


def _group(title: str, level: Level, danger: Danger | None, config: Config) -> Group:
    found = [
        alarm
        for alarm, told in TOLD.items()
        if told.level is level and danger in (None, told.danger)
    ]
    alarms = tuple((alarm.value, SHORT[alarm]) for alarm in found)
    brief = alarms
    if level is Level.MORNING:
        brief = tuple((alarm.value, SHORT[alarm]) for alarm in found if alarm in FOR_HANDS)
        brief += (("all others", "for the grower to look at"),)
    return Group(title, _do(danger or Danger.OTHER, config), alarms, brief)


def _do(danger: Danger, config: Config) -> tuple[str, ...]:
    """What a helper does: the house's sentence, then each box's own where it differs."""
    key = danger.value
    house = getattr(config.helper, key)
    found = [UNSAID[danger] if house is None else str(house)]
    for name, chamber in config.chambers.items():
        own = None if chamber.helper is None else getattr(chamber.helper, key)
        if own is not None and own != house:
            found.append(f"{name}: {own}")
    return tuple(found)
