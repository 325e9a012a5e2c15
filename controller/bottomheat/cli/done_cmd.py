"""``bottomheat done``: what was asked for has been done; when it will be due again."""

from __future__ import annotations

import textwrap
from pathlib import Path
from typing import TYPE_CHECKING

import click

from bottomheat.cli import config_option
from bottomheat.cli.batch_send import enter, note_option, on_option

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from bottomheat.config import Config
    from bottomheat.season.ledger import Dated


@click.command(short_help="What is due has been done: layer, mist, mould, light ...")
@click.argument("reminder", required=False)
@click.argument("about", required=False)
@on_option
@note_option
@config_option
def command(
    reminder: str | None, about: str | None, on: str | None, note: str | None, config_path: Path
) -> None:
    """Say that REMINDER has been done for ABOUT, a box or a batch; left out, for all.

    \b
      bottomheat done layer north-bench
      bottomheat done light GRP-2
      bottomheat done mist

    Alone it shows what there is to do, how often, and when it was done last.  How often is set in
    the config under season: reminders.
    """  # noqa: D301
    if reminder is None:
        from bottomheat.cli.batch_list import entries_of
        from bottomheat_drivers.config_yaml import load_config

        config = load_config(config_path)
        click.echo("\n".join(reminders(config, entries_of(config))))
        return
    data = {"reminder": reminder}
    enter(config_path, {"what": "done", "data": data, "target": about, "note": note}, on)


def reminders(config: Config, entries: Sequence[Dated]) -> Iterator[str]:
    """Every reminder with how often it is due, and when it was last done, with its number."""
    from bottomheat.cli.batch_when import day_words
    from bottomheat.season.ledger import What, standing
    from bottomheat.season.reminders import REMINDERS, every_days

    last: dict[str, dict[str, Dated]] = {}
    for dated in standing(entries):
        if dated.entry.what is What.DONE:
            about = dated.entry.chamber or dated.entry.batch or "all"
            last.setdefault(str(dated.entry.data.get("reminder")), {})[about] = dated
    for each in REMINDERS:
        days = every_days(each, config)
        often = f"every {days:g} days" if days else "never"
        if each.once:
            often = "once" if days else "never"
        text = f"{each.name}  {often}: {each.words}"
        yield from textwrap.wrap(text, 80, subsequent_indent="  ", break_on_hyphens=False)
        for about, dated in last.get(each.name, {}).items():
            yield f"    {about}: {day_words(dated.at_ms, None)} (no. {dated.number})"
