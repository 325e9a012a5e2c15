"""``bottomheat pause``: silence one alarm for a time."""

from __future__ import annotations

from pathlib import Path

import click

from bottomheat.cli import config_option


@click.command(short_help="Silence one alarm for a time, 24 h at most.")
@click.argument("alarm", metavar="ALARM-ID")
@click.option("--for", "length", metavar="TIME", help="For how long: 30m, 2h, 1h30m.")
@click.option("--end", is_flag=True, help="End a pause before its time.")
@config_option
def command(alarm: str, length: str | None, end: bool, config_path: Path) -> None:
    """Silence ALARM-ID (as bottomheat alarms shows it) for a time, 24 hours at most.

    What still stands when the pause ends is told anew.  A pause never brings heat back.
    """
    from bottomheat.cli.alarms_ask import ask_service
    from bottomheat.cli.status_text import stamp
    from bottomheat.durations import parse_duration_s

    if end == (length is not None):
        raise click.UsageError("say how long, --for 2h, or --end.")
    request: dict[str, object] = {"do": "pause", "id": alarm}
    request |= {"end": True} if length is None else {"for_s": parse_duration_s(length)}
    answer = ask_service(config_path, request)
    until_ms = answer["paused_until_ms"]
    if until_ms is None:
        click.echo(f"{answer['id']}: the pause is over.")
        return
    click.echo(f"{answer['id']}: paused until {stamp(until_ms, None)}.")
    if answer["note"]:
        click.echo(answer["note"])
