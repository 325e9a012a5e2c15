"""``bottomheat batch``: what was made, where it stands, what was seen of it."""

from __future__ import annotations

import importlib
from typing import Final

import click

STEPS: Final = {
    "add": "batch_enter",
    "look": "batch_enter",
    "stage": "batch_enter",
    "move": "batch_enter",
    "list": "batch_list",
    "show": "batch_list",
    "close": "batch_enter",
    "count": "batch_enter",
    "change": "batch_mend",
    "correct": "batch_mend",
    "withdraw": "batch_mend",
}
"""In the order of a season, each with its module."""


class Steps(click.Group):
    """Loads a step's module when it is called, and lists the steps in their order."""

    def list_commands(self, ctx: click.Context) -> list[str]:  # noqa: ARG002
        """Every step's name."""
        return list(STEPS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:  # noqa: ARG002
        """The named step, or None."""
        if cmd_name not in STEPS:
            return None
        module = importlib.import_module(f"bottomheat.cli.{STEPS[cmd_name]}")
        command: click.Command = getattr(module, f"{cmd_name}_step")
        return command


@click.group(cls=Steps, short_help="Your batches: add, look, next stage, move, close.")
def command() -> None:
    """Keep a diary of your batches; the box's temperature follows from it.

    \b
      bottomheat batch add MUL-1 mulberry 40 --in north-bench
      bottomheat batch look MUL-1 --sampled 10 --callused 8
      bottomheat batch stage MUL-1 rooting
      bottomheat batch move MUL-1 --to south-bench
      bottomheat batch close MUL-1 --rooted 31 --potted 30

    Names of batches and boxes may be in any case, without hyphens, or only begun: mul for MUL-1.
    Nothing is lost: what was entered wrongly is corrected or withdrawn by its number, and stays.
    """  # noqa: D301 (click takes the mark for: leave these lines as they are)
