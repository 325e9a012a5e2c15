"""What comes of a comparison of probes: into the log, and into the config where it is wanted."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING

import click

from bottomheat.cli.calibrate_box import fitted
from bottomheat.cli.calibrate_heat import boxes_of
from bottomheat.errors import BottomheatError
from bottomheat.protect.tending import Lid

if TYPE_CHECKING:
    from bottomheat.calibration.ledger import ProbeCheck
    from bottomheat.config import Config


def writable(path: Path) -> str:
    """The text of a config that may be replaced, looked at before anything is measured.

    Raises:
        InputError: it is write-protected.
        ConfigError: it cannot be read.
    """
    import os

    from bottomheat.errors import InputError
    from bottomheat_drivers.config_yaml import read_text

    text = read_text(path)
    target = Path(os.path.realpath(path))
    if not os.access(target, os.W_OK) or not target.stat().st_mode & 0o222:
        raise InputError(
            f"the config file {path} is write-protected for this user; use sudo, or chmod u+w, or "
            "leave --write out and write it yourself"
        )
    return text


def keep(config: Config, checks: Mapping[str, ProbeCheck]) -> None:
    """Note comparisons in the log; says so where one cannot be, and goes on."""
    from bottomheat.cli.calibrate_box import entered

    for check in checks.values():
        request = {
            "do": "probe-check",
            "probe": check.probe,
            "how": check.how,
            "add_k": check.add_k,
            "uncertainty_k": check.uncertainty_k,
            "at_c": check.at_c,
            "note": check.note,
        }
        try:
            entered(config, request)
        except BottomheatError as error:
            click.echo(f"(Not noted in the log: {error})", err=True)
            return


def write(
    path: Path,
    text: str,
    config: Config,
    checks: Mapping[str, ProbeCheck],
    apart_k: Mapping[str, float] | None = None,
) -> None:
    """Put corrections into the config, and say what changed.

    Args:
        path: the config file.
        text: its text, as it was before.
        config: what that text means.
        checks: by probe, what has to be added.
        apart_k: by probe, standard uncertainty of its difference from the others of a jar, K.

    Raises:
        InputError: it cannot be changed or replaced; nothing is changed then.
    """
    from bottomheat_drivers.config_edit import replace_config
    from bottomheat_drivers.config_edit_offset import with_corrections

    edit = with_corrections(
        text,
        {
            name: {
                "add": each.add_k,
                "uncertainty": each.uncertainty_k,
                **({} if apart_k is None else {"apart": apart_k[name]}),
            }
            for name, each in checks.items()
        },
    )
    if not edit.said:
        click.echo("The config says so already.")
        return
    for sentence in edit.said:
        click.echo("\n".join(f"  {part}" for part in sentence.split("; ")))
    kept = replace_config(path, text, edit.text)
    click.echo(
        f"Written to {path}; the file as it was is {kept}. A running service takes it over within "
        "a cycle."
    )
    boxes = [
        name
        for name in boxes_of(config, checks)
        if any(fitted(config.chambers[name].offset_with(lid)[0]) for lid in Lid)
    ]
    if boxes:
        click.echo(
            f"{', '.join(boxes)}: the offset was calibrated with these probes as they read before, "
            "so it is to be fitted again: bottomheat calibrate fit."
        )
