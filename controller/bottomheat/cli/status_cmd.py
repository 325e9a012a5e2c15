"""``bottomheat status``: what every box is doing now."""

from __future__ import annotations

import json
from pathlib import Path

import click

from bottomheat.cli import config_option


@click.command(short_help="What every box is doing now.")
@config_option
@click.option("--json", "as_json", is_flag=True, help="One JSON object instead of text.")
def command(config_path: Path, as_json: bool) -> None:
    """Show temperatures (°C), heat, alarms and the age of the data of every box.

    "Bases" is the callus zone as worked out from the probes, with its expanded uncertainty
    (k = 2).  Where the service does not run, the last rows of the log are shown.
    """
    from bottomheat.app import control_path
    from bottomheat.cli.status_calibration import calibrations
    from bottomheat.cli.status_text import cold_night, render
    from bottomheat.errors import NotRunningError
    from bottomheat_drivers.config_yaml import load_config
    from bottomheat_drivers.control_socket import ask

    config = load_config(config_path)
    try:
        answer = ask(control_path(config), {"do": "status"})
    except NotRunningError as error:
        from bottomheat.cli.status_log import last_seen

        click.echo(last_seen(config, as_json=as_json))
        raise error from None
    if as_json:
        click.echo(json.dumps(answer, ensure_ascii=False, indent=2))
        return
    cold = {}
    for shown in answer["chambers"]:
        box = config.chambers.get(shown["name"])
        if box is not None:
            box = box.model_copy(update={"callus_zone_c": shown["setpoint_c"]})
            words = cold_night(box, config.coldest_room_c)
            if words is not None:
                cold[shown["name"]] = words
    click.echo(render(answer, cold, calibrated=calibrations(config, answer)))
