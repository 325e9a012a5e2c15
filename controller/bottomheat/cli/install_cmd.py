"""``bottomheat install``: makes the program a service of this machine."""

from __future__ import annotations

import os
from collections.abc import Iterable
from pathlib import Path
from typing import TYPE_CHECKING

import click

from bottomheat.errors import DriverError, RefusedError

if TYPE_CHECKING:
    from bottomheat.installing import Step
    from bottomheat_drivers.installer import Installer

root_option = click.option(
    "--root",
    type=click.Path(path_type=Path),
    default=Path("/"),
    metavar="DIR",
    help="The tree of another machine, as when an image is made; nothing is started.",
)
dry_option = click.option("--dry-run", is_flag=True, help="Only say what would be done.")
yes_option = click.option("--yes", is_flag=True, help="Do not ask.")


@click.command(short_help="Make it a service that starts at boot, or bring it up to date.")
@dry_option
@yes_option
@root_option
def command(dry_run: bool, yes: bool, root: Path) -> None:
    """Install units, users, folders and, where there is none, a sample config.

    It says first what it is going to do, and asks.  A second run does only what is missing.  After
    an update of the program it restarts the service.  A config that is there is never touched, and
    the service is started only on a config that you have edited.
    """
    from bottomheat.installing import after_install, to_install
    from bottomheat_drivers.installer import Installer, refuse

    installer = Installer(root)
    found = installer.look()
    steps = to_install(found)
    for sentence in installer.doubts():
        click.echo(f"Note: {sentence}", err=True)
    if steps:
        say_steps(steps)
    else:
        click.echo("Nothing to do: it is installed.")
    obstacles = installer.install_obstacles()
    if dry_run:
        for sentence in obstacles:
            click.echo(f"It could not be done: {sentence}")
        return
    refuse(obstacles)
    if steps:
        ask(yes)
        carry_out(installer, steps)
        click.echo("Done.")
    for line in after_install(found, os.environ.get("SUDO_USER")):
        click.echo(line)


def say_steps(steps: Iterable[Step]) -> None:
    """Print what is going to be done."""
    click.echo("To do:")
    for step in steps:
        click.echo(f"  {step.words}")


def ask(yes: bool) -> None:
    """Go on only when somebody has said so.

    Raises:
        RefusedError: nobody has.
    """
    if not yes and not click.confirm("Do it?"):
        raise RefusedError("nothing was done, as you wish.")


def carry_out(installer: Installer, steps: Iterable[Step]) -> DriverError | None:
    """Do the steps one after the other; the first that fails ends it.

    Lines that do not open hold nothing up: what is left would keep the rest from being removed.
    That error is returned, to be said last.
    """
    from bottomheat.installing import Do

    trouble = None
    for step in steps:
        try:
            installer.do(step)
        except DriverError as error:
            if step.do is not Do.OPEN:
                raise
            trouble = error
    return trouble
