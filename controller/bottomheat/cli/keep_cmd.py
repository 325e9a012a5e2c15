"""``bottomheat keep``: the process that owns the relay lines."""

from __future__ import annotations

from pathlib import Path

import click

from bottomheat.cli import config_option


@click.command("keep")
@config_option
@click.option(
    "--with-parent",
    "parent_fd",
    type=click.IntRange(min=0),
    default=None,
    metavar="FD",
    help="Open all lines and end as soon as this pipe ends (0: standard input).",
)
def command(config_path: Path, parent_fd: int | None) -> None:
    """Own the relay lines: heat only on the service's fresh word.

    The service sends its word every cycle; 20 seconds without it, or a mat probe that is lost or at
    its limit, opens the relay.  Normally started by the service manager, or by "bottomheat run".
    """
    from bottomheat.app_keeper import keep

    keep(config_path, parent_fd=parent_fd)
