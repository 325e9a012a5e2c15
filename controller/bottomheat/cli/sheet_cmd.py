"""``bottomheat sheet``: one page for the shed door."""

from __future__ import annotations

from pathlib import Path

import click

from bottomheat.cli import config_option


@click.command(short_help="One page for the shed door.")
@click.option(
    "--html", metavar="FILE", help="Write it as a web page, for paper and phones; - is the screen."
)
@config_option
def command(html: str | None, config_path: Path) -> None:
    """Print what is in the boxes, what the alarms mean and what a helper does.

    What a helper does comes from "helper" in the config; print it again when batches move.
    """
    from bottomheat.cli.season_view import View, view
    from bottomheat.cli.sheet_html import render as as_html
    from bottomheat.cli.sheet_text import render
    from bottomheat.errors import InputError, LogError
    from bottomheat.season.ledger import Season
    from bottomheat.season.setpoint import rule
    from bottomheat.season.sheet import sheet
    from bottomheat_drivers.clock import SystemClock
    from bottomheat_drivers.config_yaml import load_config

    try:
        seen: View | None = view(config_path, None, None)
    except LogError as error:
        click.echo(f"Without batches: {error}", err=True)
        seen = None
    config = load_config(config_path) if seen is None else seen.config
    season = Season() if seen is None else seen.season
    clock = SystemClock()
    now_ms = clock.wall_ms() if clock.synchronised() else None
    orders = {name: rule(config, name, season, now_ms) for name in config.chambers}
    page = sheet(config, season, orders, now_ms)
    if html is None:
        click.echo(render(page))
        return
    text = as_html(page)
    if html == "-":
        click.echo(text, nl=False)
        return
    try:
        Path(html).write_text(text, encoding="utf-8")
    except (OSError, ValueError) as error:
        why = (error.strerror if isinstance(error, OSError) else None) or error
        raise InputError(f"{html} cannot be written ({why}); give another file.") from None
    click.echo(f"Written to {html}: print it from a browser.")
