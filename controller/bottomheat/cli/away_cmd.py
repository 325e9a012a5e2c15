"""``bottomheat away``: the grower is away, and a helper reads the messages."""

from __future__ import annotations

from datetime import date, datetime, time, timedelta
from pathlib import Path

import click

from bottomheat.cli import config_option


@click.command(short_help="Say that you are away, and until when.")
@click.option("--until", metavar="DATE", help="The last day away, as 2027-01-03.")
@click.option("--back", is_flag=True, help="You are back.")
@config_option
def command(until: str | None, back: bool, config_path: Path) -> None:
    """Say that you are away until the end of a day, or back; without options, say which it is.

    While you are away the morning's message and the all's-well go on, and each message says what
    your helper should do, from helper in the config.
    """
    from bottomheat.cli.alarms_ask import ask_service
    from bottomheat.cli.status_text import stamp

    if back and until is not None:
        raise click.UsageError("say --until DATE or --back, not both.")
    request: dict[str, object] = {"do": "away"}
    if back:
        request["back"] = True
    elif until is not None:
        request["until_ms"] = _end_of(until)
    until_ms = ask_service(config_path, request)["until_ms"]
    if until_ms is None:
        click.echo("You are here: messages are for you.")
        return
    click.echo(f"Away until {stamp(until_ms, None)}: messages say what your helper should do.")


def _end_of(text: str) -> int:
    """The end of a day by this machine's time zone, ms of UTC since 1970.

    Raises:
        InputError: it is no date.
    """
    from bottomheat.errors import InputError

    try:
        day = date.fromisoformat(text)
        midnight = datetime.combine(day + timedelta(days=1), time()).astimezone()
        return round(midnight.timestamp() * 1000)
    except (ValueError, OverflowError, OSError):
        shown = "".join(c if c.isprintable() else "?" for c in text[:24])
        raise InputError(f"'{shown}' is not a date: write it like 2027-01-03.") from None
