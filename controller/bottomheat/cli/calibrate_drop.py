"""``bottomheat calibrate drop``: mark a reading as not to be used."""

from __future__ import annotations

from pathlib import Path

import click

from bottomheat.cli import config_option


@click.command(short_help="Mark a reading as wrong; it is kept.")
@click.argument("number", type=click.IntRange(min=1))
@click.option("--note", metavar="TEXT", default="", help="Why: wrong box, wrong spot, misread ...")
@config_option
def command(number: int, note: str, config_path: Path) -> None:
    """Mark the reading NUMBER of "calibrate list", so that nothing is fitted to it.

    It stays in the list with the reason.  To use it after all, add it again.
    """
    from bottomheat.cli.calibrate_box import entered, reader_of
    from bottomheat.errors import InputError
    from bottomheat_drivers.config_yaml import load_config

    config = load_config(config_path)
    with reader_of(config) as reader:
        there = {each.number: each for each in reader.ledger(None)}
    if number not in there:
        hint = "there is none yet" if not there else "bottomheat calibrate list shows all"
        raise InputError(f"there is no reading no. {number}: {hint}.")
    reading = there[number]
    if reading.dropped is not None:
        why = f" ({reading.dropped})" if reading.dropped else ""
        click.echo(f"No. {number} was dropped before{why}: nothing changed.")
        return
    request = {
        "do": "reference-drop",
        "number": number,
        "chamber": reading.entry.chamber,
        "note": note,
    }
    _, running = entered(config, request)
    entry = reading.entry
    click.echo(
        f"No. {number} ({entry.chamber}, {entry.spot}, {entry.reading_c:.1f} °C) is dropped and "
        "stays in the list."
    )
    if not running:
        click.echo("The service is not running; the log has it.")
