"""How a comparison reads on screen, in 80 columns, and as data; pure."""

from __future__ import annotations

import textwrap
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

from bottomheat.season.compare import (
    DONE_WORDS,
    ENDINGS,
    Pair,
    Tally,
    Told,
    between_words,
    by_species,
    counted_by_all,
    pairs,
    sentence,
    total,
    wilson,
)
from bottomheat.season.stages import ahead

if TYPE_CHECKING:
    from bottomheat.cli.record_data import Material
    from bottomheat.season.ledger import Batch

WIDTH: Final = 80
_LABEL: Final = 14
_COLUMN: Final = 22
_A_BLOCK: Final = 3
"""Sides in one row of the table."""
NO_CAUSE: Final = (
    "Counts tell that two differ, not why: wood, month and hands differ as well as warmth."
)
INDEX: Final = "degree-days above 10 °C, of the time that was measured: an index, no forecast"


@dataclass(frozen=True, slots=True, eq=False)
class Side:
    """One side of a comparison: a batch, a box's batches or a season's, and what they went through.

    ``made`` holds the records of those that were anywhere.
    """

    name: str
    batches: tuple[Batch, ...]
    made: tuple[Material, ...]


@dataclass(frozen=True, slots=True)
class Verdict:
    """What the counts of one species tell.

    Attributes:
        species: which.
        by: which count; None: there is none that all sides have.
        pairs: every side against every other.
    """

    species: str
    by: str | None
    pairs: tuple[Pair, ...]


def verdicts(sides: Sequence[Side], by: str | None) -> list[Verdict]:
    """What the counts tell, species by species; only sides of one species are compared."""
    found = []
    for species in by_species(batch for side in sides for batch in side.batches):
        groups = [
            (side.name, [batch for batch in side.batches if batch.species == species])
            for side in sides
        ]
        groups = [(name, batches) for name, batches in groups if batches]
        if len(groups) < 2:
            continue
        chosen = counted_by_all(batches for _, batches in groups) if by is None else by
        tallies: list[Tally] = []
        if chosen is not None:
            made = (total(name, batches, chosen) for name, batches in groups)
            tallies = [tally for tally in made if tally is not None]
        found.append(Verdict(species, chosen, pairs(tallies)))
    return found


def render(sides: Sequence[Side], by: str | None) -> str:
    """The screen: what the counts tell, then the numbers."""
    told = verdicts(sides, by)
    lines: list[str] = []
    for verdict in told:
        lines += _verdict(verdict, several=len(told) > 1)
    alone = [side.name for side in sides if not _compared(side, told)]
    if alone and told:
        lines += _wrapped(f"Shown beside them, not compared: {', '.join(alone)}.")
    elif not told:
        lines += _wrapped("No two of these are of one species: nothing is compared.")
    if any(pair.told is not Told.CANNOT for verdict in told for pair in verdict.pairs):
        lines += _wrapped(NO_CAUSE)
    for start in range(0, len(sides), _A_BLOCK):
        lines += ["", *_table(sides[start : start + _A_BLOCK])]
    notes = f"Warmth: {INDEX}.  Energy: of the whole box while they stood in it."
    lines += ["", *_wrapped(f"{notes}  In brackets: 95 %.")]
    return "\n".join(lines)


def _verdict(verdict: Verdict, *, several: bool) -> Iterator[str]:
    if several:
        yield verdict.species.upper()
    if not verdict.pairs:
        by = f"how many were {DONE_WORDS[verdict.by]}" if verdict.by else "anything"
        yield from _wrapped(
            f"Nothing to compare yet: {by} has to be counted on both sides "
            "(bottomheat batch count NAME)."
        )
        return
    for pair in verdict.pairs:
        names = f"{pair.first.name}, {pair.second.name}"
        yield from _wrapped(f"{names}: {sentence(pair, verdict.by or ENDINGS[0])}.")
        more = between_words(pair)
        if pair.of_each is not None:
            more += f"; it would take about {pair.of_each} of each, at least, to tell"
        yield from _wrapped(f"{more[0].upper()}{more[1:]}.", "  ")


def _compared(side: Side, told: Sequence[Verdict]) -> bool:
    return any(
        side.name in (pair.first.name, pair.second.name)
        for verdict in told
        for pair in verdict.pairs
    )


def _wrapped(text: str, indent: str = "") -> list[str]:
    return textwrap.wrap(text, WIDTH, initial_indent=indent, subsequent_indent=indent)


def _table(sides: Sequence[Side]) -> Iterator[str]:
    yield _row("", [side.name for side in sides])
    for label, tell in _ROWS:
        cells = [tell(side) for side in sides]
        if any(cell != "" for cell in cells):
            yield _row(label, cells)


def _row(label: str, cells: Sequence[str]) -> str:
    shown = "".join(f"{_cut(cell):<{_COLUMN}}" for cell in cells)
    return f"{label:<{_LABEL}}{shown}".rstrip()


def _cut(cell: str) -> str:
    return cell if len(cell) < _COLUMN else f"{cell[: _COLUMN - 2]}\N{HORIZONTAL ELLIPSIS}"


def _made(side: Side) -> str:
    count = sum(batch.count for batch in side.batches)
    species = list(by_species(side.batches))
    what = species[0] if len(species) == 1 else f"{len(species)} species"
    return f"{count} {what}"


def _batch_count(side: Side) -> str:
    return str(len(side.batches)) if len(side.batches) != 1 else ""


def _counted(by: str) -> Callable[[Side], str]:
    def tell(side: Side) -> str:
        tally = total(side.name, side.batches, by)
        if tally is None:
            return ""
        sure = wilson(tally.hits, tally.count)
        return (
            f"{tally.hits}/{tally.count} {100 * tally.share:.0f} % "
            f"({100 * sure.low:.0f}-{100 * sure.high:.0f})"
        )

    return tell


def _known_h(side: Side) -> float:
    return sum(each.record.known_h for each in side.made)


def _known(side: Side) -> str:
    return f"{_known_h(side) / 24:.1f} days"


def _unknown(side: Side) -> str:
    unknown_h = sum(each.record.unknown_h for each in side.made)
    return f"{unknown_h:.1f} h" if unknown_h < 48 else f"{unknown_h / 24:.1f} days"


def _unmeasured(side: Side) -> str:
    return f"{sum(each.record.unmeasured_h for each in side.made) / 24:.1f} days"


def _mean(side: Side) -> str:
    known_h = _known_h(side)
    weighed = sum(
        each.record.known_h * each.record.mean_c
        for each in side.made
        if each.record.mean_c is not None
    )
    return f"{weighed / known_h:.1f} °C" if known_h > 0 else "not known"


def _in_band(side: Side) -> str:
    known_h = _known_h(side)
    if known_h <= 0:
        return "not known"
    return f"{100 * sum(each.record.in_band.hours for each in side.made) / known_h:.1f} %"


def _below(side: Side) -> str:
    return _beyond(side, [each.record.below for each in side.made])


def _above(side: Side) -> str:
    return _beyond(side, [each.record.above for each in side.made])


def _beyond(side: Side, found: Sequence[Any]) -> str:
    if _known_h(side) <= 0:
        return "not known"
    hours = sum(each.hours for each in found)
    return f"{hours:.0f} h, {sum(each.degree_hours for each in found):.0f} K·h"


def _warmth(side: Side) -> str:
    found = [each.warmth.amount for each in side.made if each.warmth is not None]
    return f"{sum(found):.0f}" if found and _known_h(side) > 0 else "not known"


def _energy(side: Side) -> str:
    return f"{sum(each.record.energy_kwh for each in side.made):.1f} kWh"


def _buds(side: Side) -> str:
    looks = sum(1 for batch in side.batches for look in batch.looks if ahead(look))
    return f"at {looks} looks" if looks > 1 else "at 1 look" if looks else ""


_ROWS: Final[Sequence[tuple[str, Callable[[Side], str]]]] = (
    ("made", _made),
    ("batches", _batch_count),
    *((DONE_WORDS[by], _counted(by)) for by in ENDINGS),
    ("measured", _known),
    ("in band", _in_band),
    ("below", _below),
    ("above", _above),
    ("mean", _mean),
    ("warmth", _warmth),
    ("not known", _unknown),
    ("not measured", _unmeasured),
    ("energy", _energy),
    ("buds ahead", _buds),
)


def as_data(sides: Sequence[Side], by: str | None) -> dict[str, Any]:
    """The comparison as plain data."""
    return {
        "compared": [
            {
                "species": verdict.species,
                "by": verdict.by,
                "pairs": [_pair_data(pair, verdict.by) for pair in verdict.pairs],
            }
            for verdict in verdicts(sides, by)
        ],
        "sides": [_side_data(side) for side in sides],
    }


def _pair_data(pair: Pair, by: str | None) -> dict[str, Any]:
    return {
        "says": sentence(pair, by or ENDINGS[0]),
        "told": pair.told.name.lower(),
        "first": pair.first.name,
        "second": pair.second.name,
        "difference": [pair.between.low, pair.between.high],
        "confidence": pair.confidence,
        "needed_of_each": pair.of_each,
    }


def _side_data(side: Side) -> dict[str, Any]:
    counts: dict[str, Any] = {}
    for by in ENDINGS:
        tally = total(side.name, side.batches, by)
        if tally is not None:
            sure = wilson(tally.hits, tally.count)
            counts[by] = {"hits": tally.hits, "count": tally.count, "share": [sure.low, sure.high]}
    known_h = _known_h(side)
    records = [each.record for each in side.made]
    found = [each.warmth.amount for each in side.made if each.warmth is not None]
    return {
        "name": side.name,
        "batches": [batch.name for batch in side.batches],
        "made": sum(batch.count for batch in side.batches),
        "counts": counts,
        "known_h": known_h,
        "unknown_h": sum(record.unknown_h for record in records),
        "unmeasured_h": sum(record.unmeasured_h for record in records),
        "in_band_h": sum(record.in_band.hours for record in records),
        "below_h": sum(record.below.hours for record in records),
        "below_kh": sum(record.below.degree_hours for record in records),
        "above_h": sum(record.above.hours for record in records),
        "above_kh": sum(record.above.degree_hours for record in records),
        "degree_days_above_10": sum(found) if known_h > 0 else None,
        "energy_kwh": sum(record.energy_kwh for record in records),
    }
