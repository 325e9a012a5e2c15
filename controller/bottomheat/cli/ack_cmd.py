"""``bottomheat ack``: say that alarms have been seen."""

from __future__ import annotations

from pathlib import Path

import click

from bottomheat.cli import config_option


@click.command(short_help="Say that you have seen the alarms.")
@click.argument("what", metavar="[CHAMBER|ALARM-ID|all]", default="all")
@config_option
def command(what: str, config_path: Path) -> None:
    """Say that you have seen all alarms, those of one box, or one alarm.

    The sounder stops and messages are no longer repeated.  It never brings heat back: what was cut
    stays cut until bottomheat reset cutoff.
    """
    from bottomheat.cli.alarms_ask import ask_service

    answer = ask_service(config_path, {"do": "ack", "what": what})
    seen = answer["seen"]
    if not seen:
        click.echo("Nothing new to see.")
    for name in seen:
        stands = "seen; it still stands" if name in answer["standing"] else "seen and over"
        click.echo(f"{name}: {stands}.")
    if answer["note"]:
        click.echo(answer["note"])
