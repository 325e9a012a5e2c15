"""``bottomheat calibrate list``: the ledger of readings."""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING

import click

from bottomheat.cli import config_option

if TYPE_CHECKING:
    from collections.abc import Sequence

    from bottomheat.calibration.ageing import Ageing
    from bottomheat.calibration.ledger import Reference
    from bottomheat.config import Config
    from bottomheat.protect.tending import Lid
    from bottomheat_drivers.log import LogReader

KEYS = {"on": "offset", "ajar": "offset_ajar", "off": "offset_off"}
"""The config's key of the offset for each position of the lid."""


@click.command("list", short_help="The readings, and whether the estimate was right.")
@click.option("--chamber", metavar="CHAMBER", help="One box only.")
@click.option("--json", "as_json", is_flag=True, help="One JSON object instead of text.")
@config_option
def command(chamber: str | None, as_json: bool, config_path: Path) -> None:
    """Show every reading of your thermometer with what the service made of that moment.

    "Outside" means that reading and estimate differ by more than their uncertainties (k = 2)
    allow: |E_n| above 1 (ISO/IEC 17043).
    """
    from bottomheat.cli.calibrate_box import reader_of, the_box
    from bottomheat.cli.calibrate_text import as_data, listed
    from bottomheat_drivers.config_yaml import load_config

    config = load_config(config_path)
    with reader_of(config) as reader:
        if chamber is not None and chamber not in reader.chambers():
            the_box(config, chamber)
        readings = reader.ledger(chamber)
        ages = ages_of(config, reader, readings)
        bare = sum(chamber in (None, row.chamber) for row in reader.references()) - len(readings)
    if as_json:
        click.echo(json.dumps(as_data(readings, ages), ensure_ascii=False, indent=2))
        return
    click.echo(listed(readings, ages))
    if bare:
        click.echo(
            f"{bare} more {'was' if bare == 1 else 'were'} kept without what the probes showed "
            "then, by an older version say, and cannot be used.",
            err=True,
        )


def ages_of(
    config: Config, reader: LogReader, readings: Sequence[Reference]
) -> dict[tuple[str, str], Ageing]:
    """By box and position of the lid: how each calibration of the config stands."""
    from bottomheat.calibration.ageing import Change, ageing
    from bottomheat.cli.calibrate_box import fitted
    from bottomheat.protect.tending import Lid

    found = {}
    tendings = None
    for name, box in config.chambers.items():
        for lid in Lid:
            offset, own = box.offset_with(lid)
            if not own or not fitted(offset):
                continue
            if tendings is None:
                tendings = reader.tendings()
            found[name, lid.value] = ageing(
                readings,
                chamber=name,
                lid=lid.value,
                since_ms=_in_force_since(config, reader, name, lid),
                changes=[Change(t.wall_ms, t.doing) for t in tendings if t.chamber == name],
            )
    return found


def _in_force_since(config: Config, reader: LogReader, name: str, lid: Lid) -> int | None:
    """Since when the box has had its present offset, UTC ms; None where the log does not know."""
    from bottomheat.config_facts import facts_of
    from bottomheat_drivers.config_yaml import check_text

    present, _ = config.chambers[name].offset_with(lid)
    since = None
    for row in reversed(reader.configs()):
        # Kept without its secrets, so that it need not be right as a whole.
        plain = check_text(row.text).plain
        boxes = facts_of(None if plain is None else plain.data).chambers
        then = next((box.offsets.get(KEYS[lid.value]) for box in boxes if box.name == name), None)
        if then != present:
            break
        since = row.wall_ms
    return since
