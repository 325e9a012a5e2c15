"""``bottomheat ready``: may the first batch go in?"""

from __future__ import annotations

import json
import os
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

import click

from bottomheat.cli import config_option
from bottomheat.errors import UNWELL

if TYPE_CHECKING:
    from bottomheat.config import Config
    from bottomheat.season.ready import Seen

HOUR_MS = 3_600_000


@click.command(short_help="Is a box ready for its first batch?")
@click.argument("chamber")
@click.option("--json", "as_json", is_flag=True, help="One JSON object instead of text.")
@config_option
def command(chamber: str, as_json: bool, config_path: Path) -> int:
    """Say whether CHAMBER is ready for its first batch, and why.

    Before: 48 h at its target, with damp bags as the cuttings will lie and no cuttings.  Exit
    status 0: ready; 1: not ready.
    """
    from bottomheat.cli.calibrate_box import the_box
    from bottomheat.cli.ready_text import as_data, render
    from bottomheat.season.ready import judge
    from bottomheat_drivers.config_yaml import load_config

    config = load_config(config_path)
    name = the_box(config, chamber)
    found = judge(name, config, _seen(config_path, config, name))
    if as_json:
        click.echo(json.dumps(as_data(found), ensure_ascii=False, indent=2))
    else:
        click.echo(render(found))
    return 0 if found.ready else UNWELL


def _seen(config_path: Path, config: Config, name: str) -> Seen:
    from bottomheat.cli.season_view import holes_of, rows_of, stood, view
    from bottomheat.errors import LogError
    from bottomheat.review.night import night
    from bottomheat.season.ready import SOAK_H, Seen, Stood
    from bottomheat_drivers.clock import SystemClock

    clock = SystemClock()
    alerts = config.alerts
    seen = Seen(
        now_ms=clock.wall_ms(),
        night=None,
        proved=_proved(config),
        latched=_latched(config, name),
        clock_sure=clock.synchronised(),
        told=alerts is not None
        and bool(alerts.addresses or alerts.addresses_file or alerts.command),
    )
    try:
        there = view(config_path, None, None)
        from_ms, to_ms = there.now_ms - round(SOAK_H * HOUR_MS), there.now_ms
        seen = replace(
            seen,
            now_ms=there.now_ms,
            night=night(rows_of(there.path, name, from_ms, to_ms), from_ms, to_ms),
            holes=holes_of(there.path, from_ms, to_ms),
            running=there.status is not None,
            inside=tuple(batch.name for batch in there.season.inside(name)),
        )
        stand = stood(there.alarms, there.runs, from_ms, to_ms)
        alarms = tuple(Stood(row.alarm, over) for row, over in stand if row.chamber in (name, None))
        return _logged(replace(seen, alarms=alarms), config, name, from_ms)
    except LogError as error:
        return replace(seen, log_problem=str(error))


def _logged(seen: Seen, config: Config, name: str, from_ms: int) -> Seen:
    """What else the log knows of the box."""
    from bottomheat.calibration.ageing import Advice
    from bottomheat.cli.calibrate_box import reader_of
    from bottomheat.cli.calibrate_list import ages_of
    from bottomheat.cli.relay_data import lives_of
    from bottomheat.season.relays import HEAT

    with reader_of(config) as reader:
        lid = reader.lid_at(name, seen.now_ms)
        age = ages_of(config, reader, reader.ledger()).get((name, lid))
        opened = [
            row
            for row in reader.tendings()
            if row.chamber == name and row.doing != "done" and row.wall_ms >= from_ms
        ]
        return replace(
            seen,
            opened=len(opened),
            lid=lid,
            ageing="" if age is None or age.advice is Advice.NONE else age.why,
            closings_ever=lives_of(config)[0][name, HEAT].closings,
        )


def _proved(config: Config) -> bool | None:
    """Whether the wiring is proved; None where this user may not see."""
    from bottomheat.app import proof_path, state_folder
    from bottomheat.config_wiring import fingerprint
    from bottomheat_drivers.proof_file import ProofFile

    path = proof_path(state_folder(config))
    if not _may_see(path):
        return None
    return ProofFile(path).matches(fingerprint(config))


def _latched(config: Config, name: str) -> tuple[str, ...] | None:
    """Why heat is cut in the box, by service or keeper; None where this user may not see."""
    from bottomheat.app import state_folder
    from bottomheat.errors import LatchError
    from bottomheat_drivers.latch_file import LatchFile, keeper_latch_path, latch_path

    folder = state_folder(config)
    found = []
    for path in (latch_path(folder), keeper_latch_path(folder)):
        if not _may_see(path):
            return None
        try:
            latch = LatchFile(path).load().get(name)
        except LatchError:
            found.append(f"{path.name} is missing or damaged (bottomheat check)")
        else:
            found += [latch.cause] if latch is not None else []
    return tuple(found)


def _may_see(path: Path) -> bool:
    """Whether this user may read a file, or see that it is not there."""
    if path.exists():
        return os.access(path, os.R_OK)
    return os.access(path.parent, os.X_OK)
