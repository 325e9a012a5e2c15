"""Tending: the box is open, and a person has said so."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from types import MappingProxyType

LONGEST_S = 12 * 3600.0
USUAL_S = 30 * 60.0
SHORTEST_S = 60.0


class Doing(StrEnum):
    """What is being done."""

    FILL = "fill"
    WATER = "water"
    LOOK = "look"
    MOVE = "move"


DOING_WORDS = MappingProxyType(
    {
        Doing.FILL: "filling",
        Doing.WATER: "watering",
        Doing.LOOK: "looking",
        Doing.MOVE: "moving",
    }
)
"""What the screen says while it is done."""


class Lid(StrEnum):
    """How the lid lies; each is a calibration of its own."""

    ON = "on"
    AJAR = "ajar"
    OFF = "off"


@dataclass(frozen=True, slots=True)
class Tending:
    """One spell of tending; times on the monotonic clock, s."""

    doing: Doing
    since_s: float
    until_s: float
    note: str = ""
