"""``bottomheat open-lines``: the last resort after the keeper has died."""

from __future__ import annotations

from pathlib import Path

import click

from bottomheat.cli import config_option


@click.command("open-lines")
@config_option
def command(config_path: Path) -> None:
    """Open every relay line and end.

    For the moment after the keeper has died; the service manager does it by itself.  While a keeper
    runs, its lines cannot be touched from here: stop the service instead.
    """
    from bottomheat.app_keeper import open_all

    open_all(config_path)
