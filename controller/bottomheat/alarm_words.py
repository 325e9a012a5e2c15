"""Every alarm in plain words, with its level and its dead-band in time; pure data.

Two levels: ``now`` wakes somebody, ``morning`` waits for the one message of the day.  ``now`` is
heat where it should be off, a cutoff, and heat lost with plants in danger within about six hours.

How long there is was calculated on a model of a box with a 45 W mat from 25.0 °C at the bases, room
and mat as said in each sentence; nobody has measured a box, a shallow one is about 15 % faster, and
the bases go on warming for about 46 minutes after the heat is off.  Stuck on in a room of 20 °C:
28 °C after 2.4 h, 30 °C after 3.5 h, 32 °C after 4.8 h (100 W: 1.4, 1.9 and 2.3 h).  No heat: 22 °C
after 2.3 h in a room of 5 °C, 2.8 h at 10 °C, 3.9 h at 15 °C; 18 °C after 4.5 h, 6.2 h and 11 h.

What warmth and cold do to callus: Hartmann & Kester, Plant Propagation, grafting chapter, second
hand (grapevine slow below 20 °C, soft above 29 °C); the hours at 28 to 35 °C are from memory.

Delays keep an alarm that comes and goes from telling again and again: it is told after its
condition has stood for ``on_s`` without a break, and is over after ``off_s`` without it.  The
detectors wait by themselves until they are sure, so most begin at once; the times are a judgement.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum
from types import MappingProxyType

from bottomheat.config import Config
from bottomheat.model import Alarm


class Level(StrEnum):
    """How soon somebody has to know."""

    NOW = "now"
    MORNING = "morning"


class Danger(StrEnum):
    """Which of the helper's sentences applies."""

    TOO_HOT = "too_hot"
    TOO_COLD = "too_cold"
    OTHER = "other"


@dataclass(frozen=True, slots=True)
class Told:
    """What is said of one alarm.

    Attributes:
        what: what is wrong, one sentence.
        how_long: how long there is to do something, with what that depends on.
        first: what to do first.
        on_s: dead-band in time before it is told, s.
        off_s: dead-band in time before it is over, s.
        latching: it stays until somebody resets it.
        rests_while_tending: an open box fools it, so it waits until tending is over.
        at_once: of the level ``morning``, and of use beforehand only: also sent once when it comes.
    """

    level: Level
    danger: Danger
    what: str
    how_long: str
    first: str
    on_s: float = 0.0
    off_s: float = 0.0
    latching: bool = False
    rests_while_tending: bool = False
    at_once: bool = False


_COLD = (
    "Without heat the bases go from 25 to 22 °C in about 2 h in a room of 5 °C, in 4 h in one of "
    "15 °C (calculated). Dormant wood stands one cold night."
)
_HOT = (
    "If heat is still on, about 3 h from 25 to 30 °C at the bases (45 W mat, room at 20 °C, "
    "calculated); under 2 h with 100 W."
)
_LOOK = (
    "Does the mat still warm (bottomheat status)? Then pull its plug, with dry hands. Look at mat, "
    "relay and probes, then: bottomheat reset cutoff."
)
_NO_HURRY = "Hours to days: control goes on as before."

TOLD: Mapping[Alarm, Told] = MappingProxyType(
    {
        Alarm.CUTOFF: Told(
            Level.NOW,
            Danger.TOO_HOT,
            "Heat is cut and stays off until somebody has looked",
            f"{_HOT} If the relay has opened, the box cools. {_COLD}",
            _LOOK,
            latching=True,
        ),
        Alarm.CALLUS_HOT: Told(
            Level.NOW,
            Danger.TOO_HOT,
            "The bases are worked out to be above their limit: heat is off until they have cooled",
            "Hours: some of them at 28 to 32 °C make callus soft and mouldy, a day at 32 to 35 °C "
            "stops it. By calculation stored heat lifts the bases for 46 minutes more.",
            "Is the sun or a lamp on the box? Shade it, open the lid. Does the mat warm although "
            "heat is off (bottomheat status)? Then pull its plug, with dry hands.",
            off_s=600.0,
        ),
        Alarm.PROBE_LOST: Told(
            Level.MORNING,
            Danger.TOO_COLD,
            "A probe gives no good reading",
            f"With its wet-layer or mat probe lost the box has no heat. {_COLD}",
            "Look at its plug and cable: wet, pulled, bitten? bottomheat probes shows which one.",
            off_s=600.0,
            rests_while_tending=True,
        ),
        Alarm.SUBSTRATES_DISAGREE: Told(
            Level.MORNING,
            Danger.OTHER,
            "The two wet-layer probes disagree: the warmer one rules",
            "Days, as long as the bases stay warm enough: one of the two has moved or drifts.",
            "Push both back into place at the same depth, then watch for an hour.",
            on_s=600.0,
            off_s=1800.0,
            rests_while_tending=True,
        ),
        Alarm.ROOM_LOST: Told(
            Level.MORNING,
            Danger.OTHER,
            "The room probe is lost: the heat of the mat stands in for it",
            "Days: calculated boxes stay within 0.7 K; within half a day of a start, a room that "
            "swings by 10 K costs up to 2.5 K.",
            "Look at its plug and cable.",
            off_s=600.0,
            rests_while_tending=True,
        ),
        Alarm.SHORTFALL: Told(
            Level.MORNING,
            Danger.TOO_COLD,
            "The mat gives all it may and the bases do not reach their setpoint",
            "As long as the room is this cold; grapevine callus is slow below 20 °C, other kinds "
            "differ, and dormant wood is not harmed by it.",
            "Insulate the box: blankets over the lid, boards under the mat.",
            on_s=600.0,
            off_s=1800.0,
            rests_while_tending=True,
        ),
        Alarm.NOT_PROVED: Told(
            Level.MORNING,
            Danger.TOO_COLD,
            "The wiring has not been proved, so there is no heat",
            _COLD,
            "Run bottomheat prove; somebody stays with the boxes while it runs.",
        ),
        Alarm.CONFIG_REFUSED: Told(
            Level.MORNING,
            Danger.OTHER,
            "The config file is refused, the last accepted one stays in force",
            _NO_HURRY,
            "Correct what is named here; bottomheat check shows every problem at once.",
        ),
        Alarm.CONFIG_FALLBACK: Told(
            Level.MORNING,
            Danger.OTHER,
            "The config file was refused at start, the last accepted copy is used",
            _NO_HURRY,
            "Correct the file; bottomheat check shows every problem at once.",
        ),
        Alarm.LOG_FAILED: Told(
            Level.MORNING,
            Danger.OTHER,
            "The log is not being written; control goes on without it",
            "Rows are kept in memory for a while, then the oldest are lost.",
            "See whether the card is full or failing: bottomheat check.",
            off_s=60.0,
        ),
        Alarm.KEEPER_SILENT: Told(
            Level.NOW,
            Danger.TOO_COLD,
            "The keeper, which owns the relays, does not answer",
            f"Its relays should be open; a stock kernel may have left one closed. {_COLD}",
            "Does a mat still warm? Pull its plug, with dry hands. Then: systemctl restart "
            "bottomheat-keeper.",
            off_s=60.0,
        ),
        Alarm.KEEPER_LATCHED: Told(
            Level.NOW,
            Danger.TOO_HOT,
            "The keeper has cut the heat by its own probe, and it stays off until reset",
            f"{_HOT} If the relay has opened, the box cools. {_COLD}",
            _LOOK,
            latching=True,
        ),
        Alarm.KEEPER_HOLDS: Told(
            Level.NOW,
            Danger.TOO_COLD,
            "The keeper holds the relay open although heat is asked for",
            _COLD,
            "Look at the reason given here: most often it is the keeper's own probe.",
            off_s=60.0,
        ),
        Alarm.LATCH_UNWRITABLE: Told(
            Level.NOW,
            Danger.TOO_COLD,
            "The latch file cannot be written, so there is no heat",
            _COLD,
            "Free or replace the card: bottomheat check.",
        ),
        Alarm.RELAY_STUCK_ON: Told(
            Level.NOW,
            Danger.TOO_HOT,
            "The mat heats although its relay has been told to open: the contact may be welded",
            f"{_HOT} A series relay, where there is one, has been told to open.",
            "Pull the mat's plug, with dry hands, and leave the lid on: with one relay no program "
            "can open the contact. Have the relay replaced, then: bottomheat reset cutoff.",
            latching=True,
        ),
        Alarm.WARM_WITHOUT_HEAT: Told(
            Level.MORNING,
            Danger.TOO_HOT,
            "Too warm although heat is off: sun, a lamp or a warm shed",
            "As long as the sun is on it; above 30 °C another alarm says so at once.",
            "Shade the box, vent it or move it.",
            off_s=900.0,
            rests_while_tending=True,
        ),
        Alarm.NO_EFFECT: Told(
            Level.NOW,
            Danger.TOO_COLD,
            "Heat is on and nothing gets warmer: no power at the mat, or a probe out of its place",
            f"If a probe has come out, the mat may be hot unseen. {_COLD}",
            "Pull the plug before you touch anything. Mat cold: its fuse, RCD or thermal cutout "
            "may have opened. Mat hot: put the probe back in its place.",
            off_s=600.0,
            rests_while_tending=True,
        ),
        Alarm.HEAT_LOST: Told(
            Level.NOW,
            Danger.TOO_COLD,
            "There is no heat, and the bases will be 3 K too cold within six hours",
            _COLD,
            "Does the mat still warm (bottomheat status)? Then pull its plug. Else cover the box "
            "with blankets, lid on, and look at the other alarms for the cause.",
            off_s=600.0,
        ),
        Alarm.PROBE_FROZEN: Told(
            Level.MORNING,
            Danger.TOO_COLD,
            "A probe repeats the same value where it should move, so heat is off",
            _COLD,
            "Unplug that probe and plug it in again; replace it if it does so once more.",
            off_s=600.0,
            rests_while_tending=True,
        ),
        Alarm.PROBE_DISPLACED: Told(
            Level.MORNING,
            Danger.TOO_COLD,
            "A probe no longer answers to heat as it did: it has most likely moved, so heat is off",
            _COLD,
            "Put the probe back on the wet layer, under a pot or bag, and fasten it.",
            off_s=600.0,
            rests_while_tending=True,
        ),
        Alarm.ROOM_DOUBTED: Told(
            Level.MORNING,
            Danger.OTHER,
            "The room probe is not believed: it follows the box or the sun, or does not move",
            "Days in steady weather; the estimate is wider meanwhile.",
            "Hang it in the shade, beside the box and not over the mat.",
            off_s=1800.0,
            rests_while_tending=True,
        ),
        Alarm.CROSSED: Told(
            Level.NOW,
            Danger.TOO_HOT,
            "One box answers to another's heat: probes or plugs are crossed, so both are off",
            f"Heat is off in both. {_COLD}",
            "Put plugs and probes back, then bottomheat reset cutoff for each box and bottomheat "
            "prove.",
            latching=True,
        ),
        Alarm.SERIES_STUCK: Told(
            Level.MORNING,
            Danger.OTHER,
            "The second relay does not open: only the first one can cut the heat now",
            "Days; until it is replaced a welded first relay heats without end.",
            "Do not leave the box alone. Have the series relay replaced, then prove again.",
        ),
        Alarm.UNDERVOLTAGE: Told(
            Level.MORNING,
            Danger.OTHER,
            "The Raspberry Pi's supply voltage drops: probes misread and cards are damaged by it",
            "It may hang at any time; relays open when it does, so there would be no heat.",
            "Fit the maker's power supply and a short, thick cable.",
            off_s=3600.0,
        ),
        Alarm.TOP_WARM: Told(
            Level.MORNING,
            Danger.OTHER,
            "The air at the buds has been warm for a day: buds may move before the callus does",
            "Days, fewer towards spring: buds that open before there are roots use up the wood.",
            "Vent or shade the box, or a cooler room. Do not lower the heat at the bases before "
            "you have looked at the callus.",
            off_s=3600.0,
            rests_while_tending=True,
        ),
        Alarm.ROOM_LOW: Told(
            Level.MORNING,
            Danger.TOO_COLD,
            "The room is colder than what you set for plants that stand outside the boxes",
            "Hours: it depends on the plant and on how well it has hardened off.",
            "Cover them or bring them in; a wet, frozen pot is worse than a dry one.",
            on_s=600.0,
            off_s=3600.0,
        ),
        Alarm.RELAY_WORN: Told(
            Level.MORNING,
            Danger.OTHER,
            "A relay has used up most of the closings that its maker rates it for, or all",
            "Weeks to months (bottomheat check says): a worn contact may weld shut or stay open.",
            "Have it changed by somebody licensed, with the power off; then bottomheat done relay.",
        ),
        Alarm.TONIGHT: Told(
            Level.MORNING,
            Danger.TOO_COLD,
            "The mat will not hold the box tonight",
            "Until it is cold. Taken from last night and how much colder it has become since: no "
            "forecast is fetched. Callus is slower for it, and dormant wood is not harmed.",
            "Before dark: lid on, blankets over the box, boards round it; or lower the setpoint. "
            "bottomheat capacity says what would carry such nights for good.",
            off_s=1800.0,
            rests_while_tending=True,
            at_once=True,
        ),
        Alarm.DAEMON_SILENT: Told(
            Level.NOW,
            Danger.TOO_COLD,
            "The service that controls the heat does not answer",
            f"The relays open about 20 seconds after its last word, so there is no heat. {_COLD}",
            "Restart it: systemctl restart bottomheat. If it does not come, look at the machine.",
        ),
    }
)
"""Every alarm; the order is that of ``model.Alarm``."""

LATCH_SENTENCE = (
    "To have seen it does not bring heat back: after you have looked, bottomheat reset cutoff does."
)


def sentence(alarm: Alarm, detail: str = "") -> str:
    """What is wrong, with what this case adds to it, as one sentence."""
    what = TOLD[alarm].what
    end = detail.strip().rstrip(".")
    said = f"{what}: {end}" if end else what
    return said if said.endswith("?") else f"{said}."


def helper_sentence(config: Config, chamber: str | None, alarm: Alarm) -> str | None:
    """What somebody else should do, from the config; the box's own sentence before the house's."""
    kind = TOLD[alarm].danger.value
    box = None if chamber is None else config.chambers.get(chamber)
    own = None if box is None or box.helper is None else getattr(box.helper, kind)
    house = getattr(config.helper, kind)
    found = own if own is not None else house
    return None if found is None else str(found)
