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
    WARM_ROOM = "the room is too warm"
    COLD_ROOM = "the room is too cold for the mat"
    POWER_CUT = "the power was out"
    SERVICE_SILENT = "the service stood still"
    KEEPER_SILENT = "what drives the relays stood still"


@dataclass(frozen=True, slots=True)
class Advice:
    """What to do about a cause.

    Attributes:
        inspect: what to look at, in order.
        reset: whether a cutoff may be reset, and after what.
    """

    inspect: tuple[str, ...]
    reset: str


_LOOK: Final = "Reset only when you have found it and put it right."
_CLEAN: Final = "Nothing stands against a reset once what is named above is so."
_NONE: Final = "There is nothing to reset for this."
_PLUG: Final = "Pull the mat's plug first, with dry hands, before you reach under the box."

ADVICE: Final[Mapping[Cause, Advice]] = MappingProxyType(
    {
        Cause.NONE: Advice(("Nothing.",), _NONE),
        Cause.CANNOT_TELL: Advice(
            (
                _PLUG,
                "Look at each probe: in its place, dry plug, cable whole?",
                "Feel the mat, the box and the room: does what status shows agree?",
                "bottomheat prove, which heats one box at a time.",
            ),
            "Do not reset what you cannot explain: ask somebody who knows the wiring.",
        ),
        Cause.HEAT_UNASKED: Advice(
            (
                _PLUG,
                "Does the mat cool with the plug out? Then the relay's contact has welded: have it "
                "replaced by somebody licensed, with a second one in series.",
                "Is the mat's plug in a socket that nothing switches?",
            ),
            "Reset only with the relay replaced and bottomheat prove passed.",
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
                "Is part of the mat cold to the hand? Then it is partly dead: have it replaced.",
                "Is the plug of the right mat in this relay?",
                "Is the probe on the mat still where it was?",
            ),
            _CLEAN,
        ),
        Cause.PROBE_SILENT: Advice(
            (
                "Its plug and cable: wet, pulled, bitten?",
                "bottomheat probes shows which one answers.",
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
            ("Hang it in the shade, clear of the box and the mat.",), _NONE
        ),
        Cause.CROSSED: Advice(
            ("Put plugs and probes back to their own boxes.", "bottomheat prove."),
            "Reset each box, then prove the wiring: no heat before that.",
        ),
        Cause.SERIES_STUCK: Advice(
            ("Have the series relay replaced by somebody licensed.",),
            "Do not leave the box alone until then.",
        ),
        Cause.KEEPER_PROBE: Advice(
            ("The plug and cable of the keeper's own mat probe.", "bottomheat probes."), _CLEAN
        ),
        Cause.OPENED: Advice(("Is the lid on, the layer wet, each probe in its place?",), _NONE),
        Cause.WARM_FROM_OUTSIDE: Advice(
            ("Shade the box, or open the lid while it lasts.",),
            "Reset when the box has cooled below its limits.",
        ),
        Cause.WARM_ROOM: Advice(
            ("Vent the room or the box.",), "Reset when the box has cooled below its limits."
        ),
        Cause.COLD_ROOM: Advice(
            ("Blankets over the box, lid on.", "More insulation under and around it."), _NONE
        ),
        Cause.POWER_CUT: Advice(
            ("Has every box warmed again since?", "RCD and fuses: why was it out?"), _NONE
        ),
        Cause.SERVICE_SILENT: Advice(
            ("journalctl -u bottomheat: what was it doing?", "Card and power supply."), _NONE
        ),
        Cause.KEEPER_SILENT: Advice(
            ("journalctl -u bottomheat-keeper: what was it doing?",), _NONE
        ),
    }
)


def named(cause: Cause, place: Place | None) -> str:
    """A cause in words, with the probe that it is about."""
    if place is None:
        return cause.value
    return cause.value.replace("a probe", f"the {PLACE_WORDS[place]} probe")
