"""``bottomheat season``: what a winter came to, and how it is closed."""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING

import click

from bottomheat.cli import config_option
from bottomheat.errors import InputError

if TYPE_CHECKING:
    from bottomheat.cli.record_text import Shown
    from bottomheat.cli.season_view import View
    from bottomheat.season.closing import Closing
    from bottomheat.season.ledger import Batch

log_option = click.option(
    "--log",
    type=click.Path(path_type=Path),
    metavar="FILE",
    help="Another log, looked at by the config that it holds.",
)


@click.group(short_help="What a winter came to; close it in May.")
def command() -> None:
    """Show what a season came to, and close it: counts, record, what to clean and to check."""


@command.command(short_help="What a season came to, and what is still to count.")
@click.argument("name", required=False)
@click.option("--json", "as_json", is_flag=True, help="One JSON object instead of text.")
@log_option
@config_option
def show(name: str | None, as_json: bool, log: Path | None, config_path: Path) -> None:
    """Show a season: every batch with its counts and its record, and what is missing.

    NAME is a season that was closed, such as 2025-26; left out, it is the present one.
    """
    from bottomheat.cli.season_text import as_data, render
    from bottomheat.cli.season_view import view

    seen = view(config_path, None, log)
    found = _closing(seen, name)
    shown = _records(seen, found.batches)
    if as_json:
        data = as_data(found, shown)
        click.echo(json.dumps(data, ensure_ascii=False, indent=2, allow_nan=False))
        return
    click.echo(render(found, shown))


@command.command(short_help="Close the season: counts, record, clean, October.")
@click.option("--name", metavar="NAME", help="What it is called. [default: such as 2026-27]")
@click.option("--as-it-is", is_flag=True, help="Close it although batches are open or not counted.")
@config_option
def close(name: str | None, as_it_is: bool, config_path: Path) -> None:
    """Close the season that is not closed yet.

    Says first which counts are missing, each as a command to type: without them nobody can tell
    next year what worked.  Then shows the record, what to clean now and what to check in October.
    Nothing is deleted, and counts can be added later.
    """
    from bottomheat.cli.batch_send import enter
    from bottomheat.cli.season_text import missing, render
    from bottomheat.cli.season_view import view

    seen = view(config_path, None, None)
    found = _closing(seen, None)
    if found.closed_ms is not None:
        raise InputError(f"{found.name} is closed, and no batch has been made since.")
    if name is not None and any(
        name.casefold() == each.casefold() for each, _ in seen.season.closed
    ):
        raise InputError(f"there is a season {name} already; give --name another.")
    if found.waits and not as_it_is:
        click.echo("\n".join(missing(found)))
        raise InputError(
            "the season is not closed yet: enter these counts first, or close it without them "
            "with --as-it-is."
        )
    called = name or found.name
    enter(config_path, {"what": "season", "data": {"name": called}})
    click.echo("")
    click.echo(render(found, _records(seen, found.batches), closed_as=called))


def _closing(seen: View, name: str | None) -> Closing:
    """The season that is meant.

    Raises:
        InputError: there is none.
    """
    from bottomheat.cli.relay_data import lives_of
    from bottomheat.season.closing import closing
    from bottomheat.season.relays import HEAT

    lives, _ = lives_of(seen.config, seen.path)
    closings = {box: life.closings for (box, which), life in lives.items() if which == HEAT}
    found = closing(seen.season, seen.config, closings, name)
    if found is None:
        if name is None:
            raise InputError("there is no batch yet, so there is no season: bottomheat batch add.")
        shown = "".join(c if c.isprintable() else "?" for c in name[:32])
        known = ", ".join(each for each, _ in seen.season.closed) or "none yet"
        raise InputError(f"there is no closed season {shown}; closed are: {known}.")
    return found


def _records(seen: View, batches: tuple[Batch, ...]) -> list[Shown]:
    from bottomheat.cli.record_data import of_batch
    from bottomheat.cli.record_text import Shown
    from bottomheat.review.verdict import judge

    found = []
    for batch in batches:
        made = of_batch(seen.path, seen.config, batch, seen.now_ms)
        if made is not None:
            verdict = judge(made.record, batch)
            found.append(Shown(batch.name, made.record, batch, verdict, sure=made.sure))
    return found
