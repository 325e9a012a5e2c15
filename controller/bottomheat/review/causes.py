"""What can have happened to a box: the causes a diagnosis chooses from, in words.  Pure."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum
from types import MappingProxyType
from typing import Final

from bottomheat.model import PLACE_WORDS, Place


class Cause(StrEnum):
    """Causes that rows and events of one box can tell apart."""

    NONE = "no fault"
    CANNOT_TELL = "cannot tell"
    HEAT_UNASKED = "heat that nobody asked for"
    NO_HEAT = "no heat reaches the mat"
    WEAK_HEAT = "the mat gives too little heat"
    PROBE_SILENT = "a probe gives no good reading"
    PROBE_FROZEN = "a probe repeats itself"
    PROBE_DISPLACED = "a probe is out of its place"
    PROBE_WRONG = "a probe reads wrong"
    ROOM_PROBE_WARMED = "the room probe is warmed by sun or box"
    CROSSED = "plugs or probes of two boxes are swapped"
    SERIES_STUCK = "the second relay does not open"
    KEEPER_PROBE = "the keeper's own probe gives no good reading"
    OPENED = "the box was opened"
    WARM_FROM_OUTSIDE = "sun or a lamp on the box"
    WARM_ROOM = "a warm room"
    COLD_ROOM = "a cold room"
    POWER_CUT = "the power was out"
    SERVICE_SILENT = "the service stood still or died"
    KEEPER_SILENT = "what drives the relays stood still"


@dataclass(frozen=True, slots=True)
class Advice:
    """What to do about a cause.

    Attributes:
        inspect: what to look at, in order.
        reset: whether it is safe to reset a cutoff, and after what.
    """

    inspect: tuple[str, ...]
    reset: str


_LOOK: Final = "Not safe before you have found it and put it right."
_CLEAN: Final = "Safe once what is named above has been put right."
COOLED: Final = "Safe once the box has cooled below its limits."
NO_RESET: Final = "There is nothing to reset for this."
PLUG: Final = "Pull the mat's plug first, with dry hands, before you reach under the box."
NOT_SAFE: Final = "Not safe"
"""How advice against a reset begins."""

ADVICE: Final[Mapping[Cause, Advice]] = MappingProxyType(
    {
        Cause.NONE: Advice(("Nothing.",), NO_RESET),
        Cause.CANNOT_TELL: Advice(
            (
                PLUG,
                "Look at each probe: in its place, plug dry, cable whole?",
                "Feel the mat, the box and the room: does what status shows agree?",
                "Stand by and run bottomheat prove: it heats one box at a time.",
            ),
            "Not safe: what nobody can explain may come again. Ask somebody who knows the wiring.",
        ),
        Cause.HEAT_UNASKED: Advice(
            (
                PLUG,
                "Was it in a socket that nothing switches? Then the wiring was wrong, not a relay.",
                "If not, a relay's contact has welded: have it replaced by somebody licensed, and "
                "a second one put in series where there is none. Leave the plug out until then.",
                "After that reset, then bottomheat prove.",
            ),
            "Not safe before the relay has been replaced or the socket put right.",
        ),
        Cause.NO_HEAT: Advice(
            (
                "Is the mat's plug in? Are fuse and RCD on? One that has tripped stays off: have "
                "the mat and its wiring looked at first.",
                "Is the mat's own cutout open? It had a reason: look for folds, weight, damp.",
                "Does the relay click? Have relay and mat measured by somebody licensed.",
            ),
            _CLEAN,
        ),
        Cause.WEAK_HEAT: Advice(
            (
                "Is part of the mat cold to a dry hand? Then it is partly dead: have it replaced.",
                "Is the plug of the right mat in this relay?",
                "Does the probe on the mat still lie where it did?",
            ),
            _CLEAN,
        ),
        Cause.PROBE_SILENT: Advice(
            (
                "Its plug and cable: wet, pulled, bitten?",
                "bottomheat probes shows which ones answer.",
                "Swap it for a spare, then bottomheat prove.",
            ),
            _CLEAN,
        ),
        Cause.PROBE_FROZEN: Advice(
            (
                "Unplug the probe and plug it in again; does it move in your hand?",
                "If it repeats itself again, replace it, then bottomheat prove.",
            ),
            _CLEAN,
        ),
        Cause.PROBE_DISPLACED: Advice(
            ("Put the probe back into its place and fix its cable.", "Watch it for an hour."),
            _LOOK,
        ),
        Cause.PROBE_WRONG: Advice(
            (
                "Lay a thermometer that you trust beside it.",
                "Off by more than half a kelvin: bottomheat calibrate probe, or replace it.",
            ),
            _LOOK,
        ),
        Cause.ROOM_PROBE_WARMED: Advice(
            ("Hang it in the shade, clear of the box and the mat.",), NO_RESET
        ),
        Cause.CROSSED: Advice(
            (
                "Pull the plugs of both mats, with dry hands.",
                "Put plugs and probes back to their own boxes; mark them.",
                "Reset, then bottomheat prove: no heat before that.",
            ),
            "Not safe before plugs and probes are back in their own boxes.",
        ),
        Cause.SERIES_STUCK: Advice(
            (
                "Have the series relay replaced by somebody licensed.",
                "Until then do not leave the box alone: nothing cuts the heat if the first relay "
                "sticks.",
            ),
            "Not safe to leave alone before the series relay is replaced.",
        ),
        Cause.KEEPER_PROBE: Advice(
            (
                "The plug and cable of the keeper's own mat probe: wet, pulled, bitten?",
                "bottomheat probes shows which ones answer.",
            ),
            _CLEAN,
        ),
        Cause.OPENED: Advice(("Is the lid on, the layer wet, each probe in its place?",), NO_RESET),
        Cause.WARM_FROM_OUTSIDE: Advice(
            ("Shade the box, or open the lid while it lasts.",), COOLED
        ),
        Cause.WARM_ROOM: Advice(("Vent the room or the box.",), COOLED),
        Cause.COLD_ROOM: Advice(
            ("Lid on, blankets over the box.", "More insulation under and around it."), NO_RESET
        ),
        Cause.POWER_CUT: Advice(
            ("Has every box warmed again since?", "RCD and fuses: why was it out?"), NO_RESET
        ),
        Cause.SERVICE_SILENT: Advice(
            (
                "Is the computer's power supply strong enough, its card sound?",
                "journalctl -u bottomheat tells what it did: keep it for whoever helps you.",
            ),
            NO_RESET,
        ),
        Cause.KEEPER_SILENT: Advice(
            (
                "Does status show heat again?",
                "journalctl -u bottomheat-keeper tells what it did: keep it for whoever helps you.",
            ),
            NO_RESET,
        ),
    }
)


def named(cause: Cause, place: Place | None) -> str:
    """A cause in words, with the probe that it is about."""
    if place is None:
        return cause.value
    return cause.value.replace("a probe", f"the {PLACE_WORDS[place]} probe")
