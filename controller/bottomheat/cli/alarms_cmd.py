"""``bottomheat alarms``: what needs a person, how long there is, what to do first."""

from __future__ import annotations

import json
from pathlib import Path

import click

from bottomheat.cli import config_option


@click.command(short_help="What needs you, how long you have, what to do first.")
@config_option
@click.option("--json", "as_json", is_flag=True, help="One JSON object instead of text.")
@click.option("--all", "every", is_flag=True, help="Also those that you have seen or paused.")
def command(config_path: Path, as_json: bool, every: bool) -> None:
    """Show the alarms that nobody has seen, and in one line each the others.

    An alarm is new, seen, gone but not seen, paused until a time, or needs reset.  To have seen it
    stops the sounder and the repeated messages; it never brings heat back.
    """
    from bottomheat.cli.alarms_ask import ask_service
    from bottomheat.cli.alarms_text import render

    answer = ask_service(config_path, {"do": "alarms"})
    if as_json:
        click.echo(json.dumps(answer, ensure_ascii=False, indent=2))
        return
    click.echo(render(answer, every=every))
