"""``bottomheat uninstall``: the service is gone, its lines are open, what it knew is kept."""

from __future__ import annotations

from pathlib import Path

import click

from bottomheat.cli.install_cmd import (
    ask,
    carry_out,
    dry_option,
    root_option,
    say_steps,
    yes_option,
)


@click.command(short_help="Stop the service, open its lines, remove its units.")
@dry_option
@yes_option
@root_option
def command(dry_run: bool, yes: bool, root: Path) -> None:
    """Remove what ``bottomheat install`` has installed, and nothing else.

    The services are stopped first, and the relay lines opened.  Config, log, latches and users
    stay; where they are, and how they are removed, is said at the end.
    """
    from bottomheat.installing import after_uninstall, to_uninstall
    from bottomheat_drivers.installer import Installer, refuse

    installer = Installer(root)
    found = installer.look()
    steps = to_uninstall(found)
    if steps:
        say_steps(steps)
    else:
        click.echo("Nothing to do: it is not installed.")
    obstacles = installer.obstacles()
    if dry_run:
        for sentence in obstacles:
            click.echo(f"It could not be done: {sentence}")
        return
    refuse(obstacles)
    trouble = None
    if steps:
        ask(yes)
        trouble = carry_out(installer, steps)
        click.echo("Done.")
    for line in after_uninstall(found):
        click.echo(line)
    if trouble is not None:
        raise trouble
