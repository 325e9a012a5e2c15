"""``bottomheat backup``: a whole copy of the log, while the service goes on."""

from __future__ import annotations

from pathlib import Path

import click

from bottomheat.cli import config_option
from bottomheat.errors import InputError


@click.command(short_help="Copy the whole log to a file; the service goes on.")
@click.argument("target", metavar="FILE", type=click.Path(path_type=Path))
@click.option(
    "--log", type=click.Path(path_type=Path), metavar="FILE", help="Another log than the config's."
)
@click.option(
    "--salvage", is_flag=True, help="Of a damaged log, given with --log: what can still be read."
)
@config_option
def command(target: Path, log: Path | None, salvage: bool, config_path: Path) -> None:
    """Copy the log to FILE, or into a folder under a name with the date.

    The copy is one file, as the log was when it began, looked through before it gets its name.
    Nothing is ever written over.  To use it: `bottomheat record --log FILE` and its like; to put it
    back, stop the service, move the log and its -wal and -shm files away, and copy FILE to the
    log's place for the service's user to own.

    A damaged log is set aside by the service, as log.sqlite.damaged- and a date, and what you
    entered goes on in a new one.  Its temperatures are read out by --salvage.
    """
    from bottomheat.cli.log_file import have_written, log_path, progress, stamp, when
    from bottomheat_drivers.clock import SystemClock
    from bottomheat_drivers.log.copying import backup, rescue

    if salvage and log is None:
        raise InputError("--salvage needs the damaged log: --log /var/lib/.../log.sqlite.damaged-…")
    path = log_path(config_path, log)
    if target.is_dir():
        target = target / f"bottomheat-log-{stamp(SystemClock().wall_ms())}.sqlite"
    if log is None:
        have_written(config_path, path)
    with progress() as tell:
        found = rescue(path, target, tell) if salvage else backup(path, target, tell)
    size = f"{found.size_bytes / 1e6:.1f} MB, {found.rows} rows"
    how = "what could be read" if salvage else "looked through and whole"
    click.echo(f"Copied {path} to {found.path}: {size}, {how}.")
    if found.from_ms is not None:
        click.echo(f"It holds {when(found.from_ms)} to {when(found.to_ms)}.")
