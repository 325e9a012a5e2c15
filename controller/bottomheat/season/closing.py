"""The end of a season: what is still open, what to clean, what to check in October.  Pure.

The lists are common practice, without a source, unless something else is said.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime, tzinfo
from typing import TYPE_CHECKING, Final

from bottomheat.season.compare import of_season, since_last_close
from bottomheat.season.ledger import UNHEATED, Batch, Season

if TYPE_CHECKING:
    from bottomheat.config import Config

ASKED_AT_CLOSE: Final = ("callused", "rooted")
"""What has to be counted of every batch, or nobody can compare it with another."""
ASKED_LATER: Final = ("potted", "alive")
"""What is worth counting weeks later."""
WORN_SHARE: Final = 0.7
"""A relay that has closed for this share of its rated closings is changed before the next winter
(judgement)."""
_NEW_SEASON_MONTH: Final = 8
"""From August on a batch belongs to the winter to come (judgement)."""

CLEAN: Final = (
    "Pull the plugs of the mats, and keep them in sight while you work.",
    "Everything out: bags, old layer, labels; none of it goes back in next winter.",
    "Wash and disinfect boxes, lids and probes, by the product's label; keep plugs and joints dry.",
    "Let all of it dry in the open, mats too.  Store a mat flat, or rolled as its maker says.",
    "Wipe the tools with alcohol, away from mat and flame; sharpen, oil.",
    "Write in_use: false for each box in the config, so that nothing heats and nothing alarms.",
    "Copy the log to another place (bottomheat backup): it is the only record of this winter.",
)
"""What is done in May."""

OCTOBER: Final = (
    "Look at every mat, cable, plug and cutout: what is damaged is not used again.",
    "Press the test button of the RCD.  Fuses, cutout and mains wiring: by somebody licensed, to "
    "your local code.",
    "Change relays that have worn (below), and prove the wiring: bottomheat prove.",
    "Probes in melting ice, or all in one jar of water: bottomheat calibrate.",
    "Fresh battery in the thermometer that you trust; it has to be in date.",
    "Alarms: bottomheat alerts --test sends one; have your helper read it.",
    "Read what changed in the program since, then bottomheat check.",
    "Fresh layer, probes in their places, calibrate again on a mild day and on a cold one.",
    "48 h with damp bags and no cuttings, then bottomheat ready BOX.",
)
"""What is checked before the next winter."""


@dataclass(frozen=True, slots=True)
class Missing:
    """A batch of which something is not counted.

    Attributes:
        batch: its name.
        counts: which counts are missing.
        command: what to type; N stands for a number.
        words: what for.
        needed: whether the season waits for it.
    """

    batch: str
    counts: tuple[str, ...]
    command: str
    words: str
    needed: bool


@dataclass(frozen=True, slots=True)
class Worn:
    """A relay's closings over its life, against what it is rated for."""

    box: str
    closings: int
    rated: int

    @property
    def share(self) -> float:
        """Of its rated closings."""
        return self.closings / self.rated if self.rated > 0 else 0.0

    @property
    def due(self) -> bool:
        """Whether to change it before the next winter."""
        return self.share >= WORN_SHARE


@dataclass(frozen=True, slots=True)
class Closing:
    """A season at its end.

    Attributes:
        name: as it is called, such as "2026-27".
        closed_ms: when it was closed, UTC ms; None: it is not.
        batches: of it.
        missing: what is not counted yet; what the season waits for comes first.
        in_use: boxes that the config still has in use.
        not_cleaned: boxes that were not cleaned since the last batch left.
        worn: each relay that wears.
    """

    name: str
    closed_ms: int | None
    batches: tuple[Batch, ...]
    missing: tuple[Missing, ...]
    in_use: tuple[str, ...]
    not_cleaned: tuple[str, ...]
    worn: tuple[Worn, ...]

    @property
    def waits(self) -> bool:
        """Whether something has to be counted before it can be closed."""
        return any(each.needed for each in self.missing)


def usual_name(made_ms: int, zone: tzinfo | None) -> str:
    """The winter that a day belongs to, such as "2026-27".

    Args:
        made_ms: the day, UTC ms.
        zone: of the day; None is this machine's.
    """
    day = datetime.fromtimestamp(made_ms / 1000, UTC).astimezone(zone)
    first = day.year if day.month >= _NEW_SEASON_MONTH else day.year - 1
    return f"{first}-{(first + 1) % 100:02d}"


def closing(
    season: Season,
    config: Config,
    closings: Mapping[str, int],
    name: str | None = None,
    zone: tzinfo | None = None,
) -> Closing | None:
    """What there is to do at the end of a season.

    Args:
        season: what the ledger comes to.
        config: for boxes in use and relays that wear.
        closings: of each heat relay since it was put in.
        name: a closed season; None: the one that is not closed yet, or the last.
        zone: of the days; None is this machine's.

    Returns:
        None where there is no season of that name, or no batch at all.
    """
    closed = dict(season.closed)
    if name is None:
        batches = since_last_close(season)
        if not batches:
            return None
        made = usual_name(max(batch.made_ms for batch in batches), zone)
        is_closed = bool(season.closed) and batches[-1].made_ms <= season.closed[-1][1]
        name = season.closed[-1][0] if is_closed else made
        closed_ms = closed[name] if is_closed else None
    else:
        named = next(
            (each for each, _ in season.closed if each.casefold() == name.casefold()), None
        )
        found = None if named is None else of_season(season, named)
        if named is None or found is None:
            return None
        name, batches, closed_ms = named, found, closed[named]
    return Closing(
        name=name,
        closed_ms=closed_ms,
        batches=batches,
        missing=tuple(sorted(_missing(batches), key=lambda each: not each.needed)),
        in_use=tuple(box for box, chamber in config.chambers.items() if chamber.in_use),
        not_cleaned=tuple(_not_cleaned(season, config)),
        worn=tuple(_worn(config, closings)),
    )


def _missing(batches: Iterable[Batch]) -> Iterator[Missing]:
    for batch in batches:
        here = tuple(each for each in ASKED_AT_CLOSE if each not in batch.endings)
        later = tuple(each for each in ASKED_LATER if each not in batch.endings)
        if batch.open:
            yield Missing(
                batch.name, here, _command("close", batch, here), "is not closed", needed=True
            )
        elif here:
            words = f"how many were {' and '.join(here)}"
            yield Missing(batch.name, here, _command("count", batch, here), words, needed=True)
        if later:
            words = f"when you know: how many were {' and '.join(later)}"
            yield Missing(batch.name, later, _command("count", batch, later), words, needed=False)


def _command(do: str, batch: Batch, counts: Iterable[str]) -> str:
    options = "".join(f" --{each} N" for each in counts)
    return f"bottomheat batch {do} {batch.name}{options}"


def _not_cleaned(season: Season, config: Config) -> Iterator[str]:
    for box in config.chambers:
        left = [
            stay.to_ms
            for batch in season.batches.values()
            for stay in batch.stays
            if stay.place == box and stay.to_ms is not None
        ]
        done = [
            at_ms
            for (reminder, about), at_ms in season.done.items()
            if reminder == "clean" and about in (box, None)
        ]
        if left and not season.inside(box) and max(left) > max(done, default=0):
            yield box


def _worn(config: Config, closings: Mapping[str, int]) -> Iterator[Worn]:
    for box, chamber in config.chambers.items():
        if chamber.heater.relay == "mechanical" and box in closings:
            yield Worn(box, closings[box], chamber.heater.rated_closings)


def stands_where(batch: Batch) -> str:
    """Where an open batch stands, in words."""
    return "stands without heat" if batch.place == UNHEATED else f"stands in {batch.place}"
