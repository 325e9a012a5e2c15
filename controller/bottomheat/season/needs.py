"""What plants of a species want in one stage, each number with where it comes from.  Pure."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, fields
from enum import StrEnum
from typing import Final

from bottomheat.season.ledger import Stage

NOT_KNOWN: Final = "not known"
"""What stands where a number would, if there were one."""


class Confidence(StrEnum):
    """How far a number can be trusted; a value of several parts has that of its weakest part."""

    LITERATURE = "literature"
    """Read in the source that is named."""
    SECOND_HAND = "quoted second-hand"
    """A handbook's figure, read where others quote it."""
    MEMORY = "from memory"
    """A handbook's or common figure, written down without looking it up."""
    PRACTICE = "common practice, no source"
    """What growers are said to do."""
    JUDGEMENT = "judgement"
    """Ours, reasoned from the other numbers."""
    WEAK = "weak"
    """Hardly more than a guess: never to be shown as a fact."""
    OWN = "your own"
    """The grower's, from the config; it wins."""


@dataclass(frozen=True, slots=True)
class Source:
    """Where a number comes from: how far to trust it, and the words for it."""

    confidence: Confidence
    text: str


@dataclass(frozen=True, slots=True)
class Needs:
    """What a species wants in one stage.  Temperatures are of the callus zone, but ceiling_c.

    Attributes:
        band_c: what it should feel, from and to, °C; None: not known.
        slow_below_c: below this it goes on slowly, °C.
        stops_below_c: below this next to nothing happens, °C.
        warm_limit_c: above this it is too warm for it, °C: soft growth, early buds, mould.
        injury_c: above this for a day or more it is harmed, °C.
        kills_c: above this for hours it dies, °C.
        ceiling_c: the warmest that is asked of the wet layer under it, °C.
        days: how long the stage usually takes, from and to, days.
        latest_days: a stage that has lasted so long has been forgotten, days.
        until: what ends the stage, in words.
        sources: of each of these by its name; those that are not known have none.
    """

    band_c: tuple[float, float] | None = None
    slow_below_c: float | None = None
    stops_below_c: float | None = None
    warm_limit_c: float | None = None
    injury_c: float | None = None
    kills_c: float | None = None
    ceiling_c: float | None = None
    days: tuple[int, int] | None = None
    latest_days: int | None = None
    until: str = ""
    sources: Mapping[str, Source] = field(default_factory=dict)

    def mark(self, name: str) -> str:
        """How far the named value can be trusted, to stand behind it, as "[from memory]"."""
        source = self.sources.get(name)
        return f"[{NOT_KNOWN if source is None else source.confidence.value}]"

    def weak(self, name: str) -> bool:
        """Whether the named value is hardly more than a guess."""
        source = self.sources.get(name)
        return source is not None and source.confidence is Confidence.WEAK

    def said(self, name: str) -> str:
        """The named value with its unit and its mark, as "18 to 20 °C [from memory]"."""
        value = getattr(self, name)
        if value is None:
            return NOT_KNOWN
        return f"{'perhaps ' if self.weak(name) else ''}{plain(name, value)} {self.mark(name)}"


VALUES: Final = tuple(f.name for f in fields(Needs) if f.name not in ("until", "sources"))
"""The names of the numbers."""


@dataclass(frozen=True, slots=True)
class Species:
    """A row of the table.

    Attributes:
        name: as it is written in the config and in commands.
        words: the same, as it is spoken.
        stages: what it wants in each.
        on_rooted_stock: its grafts are made on stocks with roots, so that they need no rooting.
        notes: what a number cannot say, each a sentence.
    """

    name: str
    words: str
    stages: Mapping[Stage, Needs]
    on_rooted_stock: bool = False
    notes: tuple[str, ...] = ()


def plain(name: str, value: object) -> str:
    """A value of ``Needs`` with its unit."""
    unit = "days" if name in ("days", "latest_days") else "°C"
    if isinstance(value, tuple):
        low, high = value
        text = f"{low:g}" if low == high else f"{low:g} to {high:g}"
        return f"{text} {unit}"
    return f"{value:g} {unit}"
