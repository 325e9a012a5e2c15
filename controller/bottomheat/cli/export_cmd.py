"""``bottomheat export``: the log as tables for a spreadsheet."""

from __future__ import annotations

from functools import partial
from pathlib import Path

import click

from bottomheat.cli import config_option
from bottomheat.errors import InputError


@click.command(short_help="Write the log as tables (CSV, Parquet) for other programs.")
@click.argument("chamber", required=False)
@click.option("--all", "every", is_flag=True, help="Every box that the log knows.")
@click.option(
    "--csv",
    "folder",
    type=click.Path(path_type=Path, file_okay=False),
    metavar="DIR",
    help="A folder for all tables as text; made where it is missing.",
)
@click.option(
    "--parquet",
    "file",
    type=click.Path(path_type=Path),
    metavar="FILE",
    help="A new file for the samples in Parquet's format; needs one more library.",
)
@click.option("--from", "from_when", metavar="WHEN", help="Begin: 2027-01-05, 5jan, 3d ago.")
@click.option("--to", "to_when", metavar="WHEN", help="End; a day counts as a whole.")
@click.option(
    "--log", type=click.Path(path_type=Path), metavar="FILE", help="Another log than the config's."
)
@config_option
def command(
    chamber: str | None,
    every: bool,
    folder: Path | None,
    file: Path | None,
    from_when: str | None,
    to_when: str | None,
    log: Path | None,
    config_path: Path,
) -> None:
    """Write the log as tables for a spreadsheet, or for another program.

    --csv writes samples, events, alarms, gaps, tending, thermometer readings and batches to DIR,
    one file each, the samples one a box.  Times are UTC; time_ms is milliseconds since 1970, and
    clock_set is 0 where the time is a guess.  An empty cell is a value that was not there.  Old
    samples are a file of their own, thinned-BOX: means of minutes, with the lowest and highest.

    --parquet writes the samples, of all boxes that you ask for, to one FILE; every column carries
    its unit, and rows with a span_s are old ones.  It is there only once it is whole.  Files that
    exist are never written over.
    """
    from bottomheat.cli.batch_when import edge_ms
    from bottomheat.cli.log_file import have_written, log_path, progress
    from bottomheat_drivers.clock import SystemClock

    if folder is None and file is None:
        raise InputError("say --csv DIR, --parquet FILE, or both.")
    if (chamber is None) == (not every):
        raise InputError("name one box, or say --all.")
    path = log_path(config_path, log)
    if log is None:
        have_written(config_path, path)
    clock = SystemClock()
    edge = partial(edge_ms, now_ms=clock.wall_ms(), clock_set=clock.synchronised())
    from_ms = None if from_when is None else edge(from_when, end=False)
    to_ms = None if to_when is None else edge(to_when, end=True)
    if from_ms is not None and to_ms is not None and from_ms >= to_ms:
        raise InputError("--from must be before --to.")
    boxes = [] if chamber is None else [chamber]
    with progress() as tell:
        if file is not None:
            from bottomheat_drivers.log.parquet import export_parquet

            _say(file, export_parquet(path, boxes, file, from_ms, to_ms, tell))
        if folder is not None:
            from bottomheat_drivers.log.exporting import export_csv

            for name, count in export_csv(path, boxes, folder, from_ms, to_ms, tell).items():
                _say(folder / name, count)


def _say(path: Path, count: int) -> None:
    click.echo(f"{path}: {count} row{'' if count == 1 else 's'}")
