"""``bottomheat batch list`` and ``show``: the batches, and every entry with its number."""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING

import click

from bottomheat.cli import config_option

if TYPE_CHECKING:
    from bottomheat.config import Config
    from bottomheat.season.ledger import Dated


@click.command("list", short_help="The batches: where, how far, last look.")
@click.option("--all", "whole", is_flag=True, help="Also those that are closed.")
@click.option("--json", "as_json", is_flag=True, help="One JSON object instead of text.")
@config_option
def list_step(whole: bool, as_json: bool, config_path: Path) -> None:
    """Show the batches by the place where they stand.

    For what is due there is bottomheat today.
    """
    from bottomheat.cli.batch_list_text import as_data, listed
    from bottomheat.season.ledger import fold
    from bottomheat_drivers.clock import SystemClock
    from bottomheat_drivers.config_yaml import load_config

    config, clock = load_config(config_path), SystemClock()
    season = fold(entries_of(config))
    if as_json:
        data = as_data(season, clock.wall_ms(), whole=whole, clock_set=clock.synchronised())
        click.echo(json.dumps(data, ensure_ascii=False, indent=2))
        return
    click.echo(listed(season, clock.wall_ms(), whole=whole, clock_set=clock.synchronised()))


@click.command("show", short_help="One batch with every entry and its number.")
@click.argument("name")
@click.option("--json", "as_json", is_flag=True, help="One JSON object instead of text.")
@config_option
def show_step(name: str, as_json: bool, config_path: Path) -> None:
    """Show the batch NAME: what it is, where it stood, and every entry with its number.

    Entries that were corrected or withdrawn are there too, marked.
    """
    from bottomheat.cli.batch_list_text import entries_as_data, one_as_data, shown
    from bottomheat.season.asked import batch_of
    from bottomheat.season.ledger import fold
    from bottomheat_drivers.clock import SystemClock
    from bottomheat_drivers.config_yaml import load_config

    config, clock = load_config(config_path), SystemClock()
    entries = entries_of(config)
    batch = batch_of(fold(entries), name)
    now_ms, clock_set = clock.wall_ms(), clock.synchronised()
    if as_json:
        data = one_as_data(batch, now_ms, clock_set=clock_set)
        data["entries"] = entries_as_data(entries, batch.name)
        click.echo(json.dumps(data, ensure_ascii=False, indent=2))
        return
    click.echo(shown(config, batch, entries, now_ms, clock_set=clock_set))


def entries_of(config: Config) -> list[Dated]:
    """The ledger in the log; none where there is no log yet.

    Raises:
        LogError: it cannot be read.
    """
    from bottomheat.cli.calibrate_box import reader_of

    if not Path(config.log).exists():
        return []
    with reader_of(config) as reader:
        return reader.season_entries()
