"""``bottomheat calibrate learn``: a borrowed probe at the bases teaches for some days."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from bottomheat.cli import config_option

if TYPE_CHECKING:
    from collections.abc import Mapping
    from typing import Any

    from bottomheat.config import Config

USUAL = "48h"


@click.command(short_help="Let a borrowed probe at the bases teach for two days.")
@click.option("--chamber", metavar="CHAMBER", help="The box; may be left out if there is one.")
@click.option("--probe", metavar="PROBE", help="The borrowed probe, such as 28-0000000000aa.")
@click.option("--for", "long", metavar="TIME", help=f"How long: {USUAL} unless said.")
@click.option("--stop", "stopping", is_flag=True, help="It is over, earlier than said.")
@config_option
def command(
    chamber: str | None,
    probe: str | None,
    long: str | None,
    stopping: bool,
    config_path: Path,
) -> None:
    """Read a spare probe at the bases for some days beside the service, which never heats by it.

    Without --probe and --stop: how the sessions under way stand.

    Put it at the depth of the callus, in the middle of the box, among the cuttings, its cable out
    under the closed lid.  A cold night and a mild day in those days teach more than a week of the
    same weather.  It comes out again afterwards: it is a borrowed probe, not part of the box.
    """
    from bottomheat.cli.calibrate_box import the_box
    from bottomheat.cli.calibrate_text import begun, sessions
    from bottomheat.durations import parse_duration_s
    from bottomheat_drivers.config_yaml import load_config

    if stopping and (probe is not None or long is not None):
        raise click.UsageError("--stop says that it is over: leave --probe and --for out.")
    if probe is None and long is not None:
        raise click.UsageError("--for goes with --probe.")
    config = load_config(config_path)
    if probe is None and not stopping:
        name = None if chamber is None else the_box(config, chamber)
        answer = _asked(config, {"do": "learning"})
        there = dict(answer.get("sessions") or {})
        click.echo(sessions({k: v for k, v in there.items() if name in (None, k)}))
        return
    name = the_box(config, chamber)
    if stopping:
        _asked(config, {"do": "learn-stop", "chamber": name})
        click.echo(
            f"{name}: the borrowed probe teaches no longer; take it out. What it taught is kept in "
            "the log."
        )
        return
    assert probe is not None  # noqa: S101 (neither stopping nor asking: it was given)
    for_s = parse_duration_s(USUAL if long is None else long)
    _check_probe(config, probe)
    _asked(config, {"do": "learn", "chamber": name, "probe": probe, "for_s": for_s})
    box = config.chambers[name]
    places = box.probes.by_place()
    bare = [p for p in (probe, *places.values()) if p not in config.corrections]
    click.echo(begun(name, probe, for_s, bare))


def _asked(config: Config, request: Mapping[str, Any]) -> Mapping[str, Any]:
    """The service's answer.

    Raises:
        NotRunningError: it does not run; nobody else reads a borrowed probe for days.
        RefusedError: it refuses, with its reason.
    """
    from bottomheat.app import control_path
    from bottomheat.errors import NotRunningError, RefusedError
    from bottomheat_drivers.control_socket import ask

    try:
        answer = ask(control_path(config), request)
    except NotRunningError as error:
        raise NotRunningError(f"a borrowed probe is read by the running service: {error}") from None
    if not answer.get("ok"):
        why = str(answer.get("error", "the service gave no reason")).rstrip(".")
        raise RefusedError(f"{why}.")
    return answer


def _check_probe(config: Config, probe: str) -> None:
    """Refuse a probe that is not there, before the service waits for it.

    Raises:
        InputError: it is not on the bus, cannot be read, or has a place already.
    """
    from bottomheat.cli.calibrate_heat import places_of
    from bottomheat.errors import InputError
    from bottomheat_drivers.w1 import list_probes

    if probe in (where := places_of(config)):
        raise InputError(
            f"{probe} has a place already ({', '.join(where[probe])}) and cannot be borrowed; take "
            "a spare one."
        )
    found = {each.name: each for each in list_probes(Path(config.w1_devices))}
    spare = sorted(name for name in found if name not in where and found[name].supported)
    if probe not in found:
        hint = f"; spare ones there: {', '.join(spare)}" if spare else ""
        raise InputError(f"{probe} is not on the bus: plug it in, and see bottomheat probes{hint}.")
    if not found[probe].supported:
        raise InputError(f"{probe} is of a kind that cannot be read here: take a DS18B20.")
