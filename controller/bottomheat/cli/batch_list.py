"""``bottomheat batch list`` and ``show``: the batches, and every entry with its number."""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple

import click

from bottomheat.cli import config_option

if TYPE_CHECKING:
    from bottomheat.config import Config
    from bottomheat.season.ledger import Dated

_log_option = click.option(
    "--log",
    type=click.Path(path_type=Path),
    metavar="FILE",
    help="Another log, looked at as at its end.",
)


@click.command("list", short_help="The batches: where, how far, last look.")
@click.option("--all", "whole", is_flag=True, help="Also those that are closed.")
@click.option("--json", "as_json", is_flag=True, help="One JSON object instead of text.")
@_log_option
@config_option
def list_step(whole: bool, as_json: bool, log: Path | None, config_path: Path) -> None:
    """Show the batches by the place where they stand.

    For what is due there is bottomheat today.
    """
    from bottomheat.cli.batch_list_text import as_data, listed
    from bottomheat.season.ledger import fold

    book = _open(config_path, log)
    season = fold(book.entries)
    if as_json:
        data = as_data(season, book.now_ms, whole=whole, clock_set=book.clock_set)
        click.echo(json.dumps(data, ensure_ascii=False, indent=2))
        return
    click.echo(listed(season, book.now_ms, whole=whole, clock_set=book.clock_set))


@click.command("show", short_help="One batch with every entry and its number.")
@click.argument("name")
@click.option("--json", "as_json", is_flag=True, help="One JSON object instead of text.")
@_log_option
@config_option
def show_step(name: str, as_json: bool, log: Path | None, config_path: Path) -> None:
    """Show the batch NAME: what it is, where it stood, and every entry with its number.

    Entries that were corrected or withdrawn are there too, marked.
    """
    from bottomheat.cli.batch_list_text import entries_as_data, one_as_data, shown
    from bottomheat.season.asked import batch_of
    from bottomheat.season.ledger import fold

    book = _open(config_path, log)
    batch = batch_of(fold(book.entries), name)
    if as_json:
        data = one_as_data(batch, book.now_ms, clock_set=book.clock_set)
        data["entries"] = entries_as_data(book.entries, batch.name)
        click.echo(json.dumps(data, ensure_ascii=False, indent=2))
        return
    click.echo(shown(book.config, batch, book.entries, book.now_ms, clock_set=book.clock_set))


class _Book(NamedTuple):
    """The ledger of a log, with what it is looked at by."""

    config: Config
    entries: list[Dated]
    now_ms: int
    clock_set: bool


def _open(config_path: Path, log: Path | None) -> _Book:
    """The ledger of the config's log, or of another, which is looked at as at its end.

    Raises:
        ConfigError: no usable config.
        LogError: the log cannot be read.
    """
    from bottomheat_drivers.clock import SystemClock
    from bottomheat_drivers.config_yaml import load_config

    if log is None:
        config, clock = load_config(config_path), SystemClock()
        return _Book(config, entries_of(config), clock.wall_ms(), clock.synchronised())
    from bottomheat.cli.season_view import view
    from bottomheat_drivers.log import LogReader

    seen = view(config_path, None, log)
    with LogReader(log) as reader:
        entries = reader.season_entries()
    return _Book(seen.config, entries, seen.now_ms, seen.clock_sure)


def entries_of(config: Config) -> list[Dated]:
    """The ledger in the log; none where there is no log yet.

    Raises:
        LogError: it cannot be read.
    """
    from bottomheat.cli.calibrate_box import reader_of

    try:
        there = Path(config.log).exists()
    except PermissionError:
        there = True  # the reader says what may not be looked into
    if not there:
        return []
    with reader_of(config) as reader:
        return reader.season_entries()
