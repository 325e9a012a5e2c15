"""``bottomheat reset cutoff``: clear a latched cutoff, after its cause and the proof are shown."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

import click

from bottomheat.cli import config_option
from bottomheat.cli.status_text import stamp
from bottomheat.errors import RefusedError


@click.group(short_help="Let heat flow again after a cutoff.")
def command() -> None:
    """Clear what has latched, after you have looked."""


@command.command("cutoff", short_help="Clear the cutoff of one box.")
@click.argument("chamber")
@config_option
@click.option("--yes", is_flag=True, help="Do not ask: I have been at the box and looked.")
def cutoff(chamber: str, config_path: Path, yes: bool) -> None:
    """Show why CHAMBER was cut out and whether the cause is gone, ask, and let heat flow again.

    Look before you do: is the mat whole and dry, does each probe lie where it should, did the
    relay open?  With one relay a welded contact cannot be opened by software: pull the plug.
    Nothing is cleared while a probe is near its limit or gives no good reading.
    """
    from bottomheat.app import control_path
    from bottomheat.errors import NotRunningError
    from bottomheat_drivers.config_yaml import load_config
    from bottomheat_drivers.control_socket import ask

    config = load_config(config_path)
    path = control_path(config)

    def request(confirmed: bool) -> Mapping[str, Any]:
        return ask(path, {"do": "reset", "chamber": chamber, "confirmed": confirmed})

    try:
        seen = request(False)
    except NotRunningError:
        from bottomheat.offline import OfflineReset

        with OfflineReset(config, config_path, chamber) as offline:
            _walk(offline.request, chamber, yes=yes)
        return
    _walk(request, chamber, yes=yes, seen=seen)


def _walk(request: Any, chamber: str, *, yes: bool, seen: Mapping[str, Any] | None = None) -> None:
    answer = request(False) if seen is None else seen
    cause, keeper = answer.get("latched"), answer.get("keeper_latched")
    if answer.get("ok") and cause is None and keeper is None:
        click.echo(f"{chamber} is not cut out: nothing to reset.")
        return
    if "fit" in answer:
        since = answer.get("since_ms")
        when = f" on {stamp(since, None)}" if since else ""
        if cause is not None:
            click.echo(f"{chamber} was cut out{when}: {cause}.")
        if keeper is not None:
            click.echo(f"The keeper has cut it out by its own probe: {keeper}.")
        click.echo("Now:")
        for line in answer["proof"]:
            click.echo(f"  {line}")
    if not answer.get("ok"):
        raise RefusedError(f"{chamber} stays cut out: {answer.get('error')}.")
    if not yes and not click.confirm("Have you looked, and may heat flow again?"):
        raise RefusedError(f"{chamber} stays cut out, as you wish.")
    done = request(True)
    if not done.get("ok") or not done.get("done"):
        raise RefusedError(f"{chamber} stays cut out: {done.get('error', 'it changed meanwhile')}.")
    click.echo(f"{chamber}: cleared. Heat comes back by itself; watch it for an hour.")
