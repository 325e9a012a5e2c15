"""``bottomheat run``: the daemon."""

from __future__ import annotations

import os
from pathlib import Path

import click

from bottomheat.cli import config_option


@click.command(short_help="Run the service that reads, decides and logs.")
@config_option
@click.option(
    "--keeper/--no-keeper",
    "start_keeper",
    default=None,
    help="Start a keeper as a child (default: yes, but not under systemd).",
)
def command(config_path: Path, start_keeper: bool | None) -> None:
    """Hold every chamber of the config at its setpoint, until stopped with Ctrl-C or SIGTERM.

    The relay itself is in the hands of the keeper, a second small process.  In a terminal it is
    started along with this one; under systemd it is a unit of its own.
    """
    from bottomheat.app import run_daemon

    if start_keeper is None:
        start_keeper = "NOTIFY_SOCKET" not in os.environ
    run_daemon(config_path, start_keeper=start_keeper)
