"""``bottomheat lid``: say how the lid of a box lies, because each position has its own offset."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from bottomheat.cli import config_option
from bottomheat.protect.tending import Lid

if TYPE_CHECKING:
    from bottomheat.config import ChamberConfig

_KEYS = {Lid.ON: "offset", Lid.AJAR: "offset_ajar", Lid.OFF: "offset_off"}


@click.command(short_help="Say how the lid lies: on, ajar or off.")
@click.argument("chamber")
@click.argument("lid", type=click.Choice([lid.value for lid in Lid]))
@click.option("--note", metavar="TEXT", help="Anything to keep with it in the log.")
@config_option
def command(chamber: str, lid: str, note: str | None, config_path: Path) -> None:
    """Say that the lid of CHAMBER lies on, ajar or off from now on.

    Each position of the lid is a calibration of its own: an open box loses heat another way, so
    the bases lie at another share of the way between room and wet layer.

    Opening it for a moment needs no word here; for work at the box there is bottomheat tend.
    """
    from bottomheat.app import control_path
    from bottomheat.errors import AlreadyRunningError, InputError, NotRunningError
    from bottomheat_drivers.config_yaml import load_config
    from bottomheat_drivers.control_socket import ask

    request = {"do": "tend", "chamber": chamber, "lid": lid}
    if note is not None:
        request["note"] = note
    config = load_config(config_path)
    running = True
    try:
        answer = ask(control_path(config), request)
    except NotRunningError as error:
        from bottomheat.offline import tend

        try:
            answer, running = tend(config, request), False
        except AlreadyRunningError:
            raise error from None  # it runs and does not answer: that is what to say
    if not answer.get("ok"):
        raise InputError(f"nothing is noted: {str(answer.get('error')).rstrip('.')}.")
    click.echo(told(answer, config.chambers.get(chamber), running=running))


def told(answer: Mapping[str, Any], box: ChamberConfig | None, *, running: bool) -> str:
    """What the position of the lid means for the grower.

    Args:
        answer: what the daemon said to a request that it took.
        box: the chamber's config; None where the file no longer has it.
        running: the service runs; otherwise only the log knows.
    """
    name, lid, before = answer["chamber"], Lid(answer["lid"]), Lid(answer["lid_before"])
    as_before = "still" if lid is before else "from now on"
    lines = [f"The lid of {name} counts as {lid.value} {as_before}."]
    if answer.get("tended"):
        lines.append("The tending that was said goes on.")
    if box is not None:
        lines += _calibration(name, lid, box)
    if lid is not Lid.ON:
        lines += [
            "An open lid costs heat and dries the wet layer: look at the water more often, and "
            "expect the box not to hold a cold night.",
            f"When it is on again: bottomheat lid {name} on",
        ]
    if not running:
        lines.append(
            "The service is not running: there is no heat and no alarm. This is kept in the log "
            "and counts when it starts."
        )
    return "\n".join(lines)


def _calibration(name: str, lid: Lid, box: ChamberConfig) -> list[str]:
    offset, own = box.offset_with(lid)
    key = _KEYS[lid]
    if offset.method == "direct":
        return ["The probe in the medium shows the bases however the lid lies."]
    each = "Each position of the lid is a calibration of its own"
    if not own:
        return [
            f"{each}, and the config has none for {lid.value} ({key}): the estimate of the bases "
            "goes by the one for the lid on, and is worth less. Keep a thermometer in, and add "
            f"readings with the lid {lid.value}: bottomheat calibrate add"
        ]
    if offset.calibrated:
        return [f"{each}; for {lid.value} the config has one, from readings in this box ({key})."]
    return [
        f"{each}; what the config has for {lid.value} ({key}) does not come from readings in this "
        f"box: keep a thermometer in at {name}."
    ]
