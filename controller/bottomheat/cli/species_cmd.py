"""``bottomheat species``: what each species wants, and how well that is known."""

from __future__ import annotations

import json
from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING

import click

from bottomheat.cli import config_option

if TYPE_CHECKING:
    from bottomheat.config_season import OwnSpecies


@click.command(short_help="What each species wants, and how well that is known.")
@click.argument("name", required=False)
@click.option("--json", "as_json", is_flag=True, help="One JSON object instead of text.")
@config_option
def command(name: str | None, as_json: bool, config_path: Path) -> None:
    """Show the numbers of all species, or all numbers of NAME with their sources.

    Each number says how far it can be trusted.  Your own, from season.species in the config, win.
    """
    from bottomheat.cli.species_text import as_plain, listed, names, one
    from bottomheat.errors import InputError

    own, missing = _own(config_path)
    known = names(own)
    if name is not None and name not in known:
        shown = "".join(c if c.isprintable() else "?" for c in name[:40])
        raise InputError(f"there is no species '{shown}'; there are {', '.join(known)}.")
    if as_json:
        chosen = known if name is None else [name]
        found = {"species": [as_plain(each, own) for each in chosen], "config_read": not missing}
        click.echo(json.dumps(found, ensure_ascii=False, indent=2))
        return
    click.echo(listed(own) if name is None else one(name, own))
    if missing:
        click.echo(f"There is no config {config_path}: numbers of your own are not among these.")


def _own(config_path: Path) -> tuple[Mapping[str, OwnSpecies], bool]:
    """The grower's numbers, and whether there is no config that could have any.

    Raises:
        ConfigError: there is a config, and it cannot be read or is refused.
    """
    from bottomheat_drivers.config_yaml import load_config

    if not config_path.exists():
        return {}, True
    return load_config(config_path).season.species, False
