"""How a season reads on screen, in 80 columns, and as data; pure."""

from __future__ import annotations

import textwrap
from collections.abc import Iterator, Sequence
from datetime import UTC, datetime, tzinfo
from typing import Any, Final

from bottomheat.cli.record_text import Shown, brief
from bottomheat.cli.record_text import as_data as record_data
from bottomheat.season.closing import CLEAN, OCTOBER, Closing, stands_where
from bottomheat.season.compare import DONE_WORDS, counted, wilson
from bottomheat.season.ledger import ENDINGS, Batch
from bottomheat.season.said import made_of

WIDTH: Final = 80


def render(
    found: Closing,
    shown: Sequence[Shown],
    zone: tzinfo | None = None,
    *,
    closed_as: str | None = None,
) -> str:
    """The screen, with the lists for May and October where nothing is missing.

    Args:
        found: the season.
        shown: the record of each batch.
        zone: of the days shown; None is this machine's.
        closed_as: the name under which it has just been closed, or None.
    """
    now = closed_as is not None
    lines = [f"Season {closed_as}, closed now" if now else f"Season {found.name}"]
    lines[0] += "" if now else _closed(found, zone)
    lines.append("")
    for batch in found.batches:
        lines += _counts(batch)
    if found.missing:
        lines += ["", *missing(found)]
    if shown:
        lines += ["", "WHAT THEY WENT THROUGH", "", brief(shown, zone)]
    if now or not found.waits:
        lines += ["", *_lists(found)]
    return "\n".join(lines)


def _closed(found: Closing, zone: tzinfo | None) -> str:
    if found.closed_ms is None:
        return ", not closed yet"
    day = datetime.fromtimestamp(found.closed_ms / 1000, UTC).astimezone(zone)
    return f", closed {day.day} {day:%b %Y}"


def _counts(batch: Batch) -> Iterator[str]:
    made = made_of(batch.species, batch.kind, batch.count)
    where = f", {stands_where(batch)}" if batch.open else ""
    yield from _wrapped(f"{batch.name}  {made}{where}", "  ")
    for by in ENDINGS:
        tally = counted(batch, by)
        if tally is not None:
            sure = wilson(tally.hits, tally.count)
            yield (
                f"  {DONE_WORDS[by]:<12} {tally.hits:>5} of {tally.count:<5} "
                f"{100 * tally.share:3.0f} %, of many it would be {100 * sure.low:.0f} to "
                f"{100 * sure.high:.0f} %"
            )


def missing(found: Closing) -> Iterator[str]:
    """What is not counted yet, each as a command."""
    yield "STILL TO COUNT"
    for each in found.missing:
        yield from _wrapped(f"{each.batch}: {each.words}", "  ")
        yield f"    {each.command}"


def _lists(found: Closing) -> Iterator[str]:
    yield "CLEAN NOW"
    for line in CLEAN:
        yield from _wrapped(line, "  ", "- ")
    for box in found.not_cleaned:
        yield f"    then: bottomheat done clean {box}"
    if found.in_use:
        yield from _wrapped(f"Still in use by the config: {', '.join(found.in_use)}.", "  ", "! ")
    yield ""
    yield "CHECK IN OCTOBER"
    for line in OCTOBER:
        yield from _wrapped(line, "  ", "- ")
    for worn in found.worn:
        due = "change it" if worn.due else "good for another winter"
        yield from _wrapped(
            f"relay of {worn.box}: closed {worn.closings} times of {worn.rated} that it is made "
            f"for: {due}",
            "  ",
            "! " if worn.due else "- ",
        )


def _wrapped(text: str, indent: str, mark: str = "") -> list[str]:
    return textwrap.wrap(
        text,
        WIDTH,
        initial_indent=f"{indent if mark else ''}{mark}",
        subsequent_indent=indent + " " * len(mark),
        break_on_hyphens=False,
    )


def as_data(found: Closing, shown: Sequence[Shown]) -> dict[str, Any]:
    """The season as plain data."""
    return {
        "name": found.name,
        "closed_ms": found.closed_ms,
        "waits": found.waits,
        "batches": [
            {
                "name": batch.name,
                "species": batch.species,
                "kind": str(batch.kind),
                "count": batch.count,
                "open": batch.open,
                "endings": dict(batch.endings),
            }
            for batch in found.batches
        ],
        "missing": [
            {
                "batch": each.batch,
                "counts": list(each.counts),
                "command": each.command,
                "needed": each.needed,
            }
            for each in found.missing
        ],
        "in_use": list(found.in_use),
        "not_cleaned": list(found.not_cleaned),
        "relays": [
            {"chamber": worn.box, "closings": worn.closings, "rated": worn.rated, "due": worn.due}
            for worn in found.worn
        ],
        "records": [record_data(each) for each in shown],
    }
