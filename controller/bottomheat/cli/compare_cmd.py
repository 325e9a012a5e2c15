"""``bottomheat compare``: batches, boxes or seasons side by side."""

from __future__ import annotations

import json
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import click

from bottomheat.cli import config_option
from bottomheat.errors import InputError

if TYPE_CHECKING:
    from bottomheat.cli.compare_text import Side
    from bottomheat.cli.season_view import View
    from bottomheat.season.ledger import Batch

MOST_SIDES = 12
"""More cannot be told apart by anybody."""


@click.command(short_help="Batches, boxes or seasons side by side: which did better?")
@click.argument("names", nargs=-1)
@click.option(
    "--by",
    type=click.Choice(["callused", "rooted", "potted", "alive"]),
    help="Which count decides. [default: rooted, where it was counted]",
)
@click.option("--json", "as_json", is_flag=True, help="One JSON object instead of text.")
@click.option(
    "--log",
    type=click.Path(path_type=Path),
    metavar="FILE",
    help="Another log, looked at by the config that it holds.",
)
@config_option
def command(
    names: tuple[str, ...], by: str | None, as_json: bool, log: Path | None, config_path: Path
) -> None:
    """Say first whether the counts can tell at all, then show what each went through.

    NAMES are batches (MUL-1 MUL-2), boxes (north-bench south-bench: the batches that callused
    there) or seasons that were closed (2025-26 2026-27).  Without any: all batches since the last
    season was closed.  Only batches of one species are compared; others stand beside each other.
    """
    from bottomheat.cli.compare_text import as_data, render
    from bottomheat.cli.season_view import view

    seen = view(config_path, None, log)
    groups = _sides(seen, names)
    if len(groups) < 2:
        raise InputError("it takes two to compare: name them, or finish a second batch first.")
    if len(groups) > MOST_SIDES:
        raise InputError(f"{len(groups)} are too many side by side; name up to {MOST_SIDES}.")
    sides = [_side(seen, name, batches) for name, batches in groups]
    if as_json:
        click.echo(json.dumps(as_data(sides, by), ensure_ascii=False, indent=2, allow_nan=False))
        return
    click.echo(render(sides, by))


def _sides(seen: View, names: Sequence[str]) -> list[tuple[str, tuple[Batch, ...]]]:
    """The sides that the names mean, all of one kind.

    Raises:
        InputError: a name means nothing, or twice the same.
    """
    from bottomheat.season.compare import callused_in, of_season, since_last_close

    season = seen.season
    if not names:
        return [(batch.name, (batch,)) for batch in since_last_close(season)]
    by_name = {name.casefold(): batch for name, batch in season.batches.items()}
    boxes = {name.casefold(): name for name in seen.config.chambers}
    found: list[tuple[str, tuple[Batch, ...]]] = []
    kinds = set()
    for name in names:
        key = name.casefold()
        closed = of_season(season, name)
        if key in by_name:
            kinds.add("batches")
            found.append((by_name[key].name, (by_name[key],)))
        elif key in boxes:
            kinds.add("boxes")
            inside = tuple(b for b in season.batches.values() if callused_in(b) == boxes[key])
            found.append((boxes[key], inside))
        elif closed is not None:
            kinds.add("seasons")
            found.append((name, closed))
        else:
            raise InputError(_unknown(seen, name))
    if len(kinds) > 1:
        raise InputError(f"{' and '.join(sorted(kinds))} cannot be compared with each other.")
    if len({name for name, _ in found}) < len(found):
        raise InputError("the same name stands there twice.")
    return found


def _unknown(seen: View, name: str) -> str:
    shown = "".join(c if c.isprintable() else "?" for c in name[:32])
    known = [*seen.season.batches, *seen.config.chambers, *(each for each, _ in seen.season.closed)]
    return f"there is no batch, box or closed season {shown}; there are: {', '.join(known[:20])}."


def _side(seen: View, name: str, batches: tuple[Batch, ...]) -> Side:
    from bottomheat.cli.compare_text import Side
    from bottomheat.cli.record_data import of_batch
    from bottomheat.review.thermal_time import Model

    made = [
        of_batch(seen.path, seen.config, batch, seen.now_ms, model=Model()) for batch in batches
    ]
    return Side(name, batches, tuple(each for each in made if each is not None))
