"""``bottomheat calibrate``: probes against each other, the box against a thermometer."""

from __future__ import annotations

import importlib

import click

STEPS = ("jar", "probe", "add", "list", "drop", "learn", "fit", "budget")
"""In the order in which a grower needs them; each lives in ``cli/calibrate_<name>.py``."""


class Steps(click.Group):
    """Loads a step's module when it is called, and lists the steps in their order."""

    def list_commands(self, ctx: click.Context) -> list[str]:  # noqa: ARG002
        """Every step's name."""
        return list(STEPS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:  # noqa: ARG002
        """The named step, or None."""
        if cmd_name not in STEPS:
            return None
        command: click.Command = importlib.import_module(
            f"bottomheat.cli.calibrate_{cmd_name}"
        ).command
        return command


@click.group(cls=Steps, short_help="Measure how much cooler the bases are than the probe says.")
def command() -> None:
    """Measure what the wet layer and the room say about the bases of your cuttings.

    \b
    1  jar     all probes in one jar of water: what each has to be corrected by
    2  add     read a thermometer you trust at the bases: on a mild day, and on a cold one
    3  fit     what to set, how far to trust it, when to read once more
    4  list    what was read, and whether the estimate was right

    A borrowed probe that lies at the bases for two days teaches the same faster: learn.
    """  # noqa: D301 (click takes the mark for: leave these lines as they are)
