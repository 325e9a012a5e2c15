"""``bottomheat calibrate budget``: where the uncertainty of the callus zone comes from."""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from bottomheat.cli import config_option

if TYPE_CHECKING:
    from bottomheat.calibration.budget import Budget, Source


@click.command(short_help="Where the uncertainty of the bases comes from.")
@click.option("--chamber", metavar="CHAMBER", help="The box; may be left out if there is one.")
@click.option(
    "--lid", type=click.Choice(("on", "ajar", "off")), help="Position of the lid; as it lies now."
)
@click.option(
    "--room",
    "room_c",
    type=click.FloatRange(-30, 40),
    metavar="°C",
    help="For this room; the coldest on record unless said.",
)
@click.option("--json", "as_json", is_flag=True, help="One JSON object instead of text.")
@config_option
def command(
    chamber: str | None,
    lid: str | None,
    room_c: float | None,
    as_json: bool,
    config_path: Path,
) -> None:
    """Show every source of uncertainty of the callus zone at its setpoint, in one room.

    After JCGM 100:2008: standard uncertainties, sensitivities, contributions, and what they make
    together, for the spot where you read and for the estimate of the whole box.
    """
    from bottomheat.calibration.advice import budget_of
    from bottomheat.calibration.outcome import FACTOR
    from bottomheat.cli.calibrate_box import reader_of, the_box
    from bottomheat.cli.calibrate_fit import report_of, rooms_of
    from bottomheat.cli.calibrate_fit_data import gather
    from bottomheat.errors import InputError
    from bottomheat.protect.tending import Lid
    from bottomheat_drivers.clock import SystemClock
    from bottomheat_drivers.config_yaml import load_config

    config = load_config(config_path)
    name = the_box(config, chamber)
    with reader_of(config) as reader:
        position = None if lid is None else Lid(lid)
        material = gather(config, reader, name, position, SystemClock().wall_ms() / 1000)
    if material.box.probes.room is None:
        raise InputError(
            f"{name} has no room probe, and the budget is about a factor between room and wet "
            "layer; bottomheat calibrate fit says what the bases are known to."
        )
    offset, own = material.box.offset_with(material.lid)
    report = report_of(material, offset if own else None, FACTOR)
    if report.wrong:
        raise InputError(f"there is no budget yet: {'; '.join(report.wrong)}.")
    on_record = room_c is None and material.coldest_c is not None
    if room_c is None:
        rooms_c = rooms_of(material, report.outcome)
        room_c = material.coldest_c if rooms_c is None or on_record else rooms_c[0]
    if room_c is None:
        raise InputError("say for which room: --room with its temperature in °C.")
    found = budget_of(report.outcome, material.made, material.box.callus_zone_c, room_c)
    if as_json:
        head = {"chamber": name, "lid": material.lid.value, "source": report.outcome.source}
        click.echo(json.dumps(head | budget_data(found), ensure_ascii=False, indent=2))
        return
    word = ", the coldest on record" if on_record else ""
    click.echo(
        f"{name}, lid {material.lid}: bases at {material.box.callus_zone_c:g} °C, room of "
        f"{room_c:.1f} °C{word}"
    )
    click.echo("\n".join(budget_text(found)))


def budget_text(found: Budget) -> list[str]:
    """The budget as a table of at most 80 columns."""
    whole = found.combined_k**2
    lines = [
        f"wet layer {found.difference_k:.1f} K above the room; all in K, k = 1 unless said",
        "",
        f"{'source':<26}  {'distribution':<12}  {'u':>6}  {'sens.':>6}  {'contr.':>6}  "
        f"{'share':>6}",
    ]
    lines += [_line(source, whole) for source in found.spot]
    lines += _sums("at the spot", found.spot_k, whole)
    lines += [_line(source, whole) for source in found.service]
    lines += _sums("estimate for the box", found.combined_k, whole)
    return lines[:-1]


def _line(source: Source, whole: float) -> str:
    share = source.contribution_k**2 / whole if whole > 0.0 else 0.0
    return (
        f"{source.name:<26}  {source.distribution:<12}  {source.u_k:>6.3f}  "
        f"{source.sensitivity:>6.2f}  {source.contribution_k:>6.3f}  {100 * share:>4.0f} %"
    )


def _sums(word: str, combined_k: float, whole: float) -> list[str]:
    share = combined_k**2 / whole if whole > 0.0 else 0.0
    return [
        f"{word + ', combined':<56}  {combined_k:>6.3f}  {100 * share:>4.0f} %",
        f"{word + ', expanded (k = 2)':<56}  {2 * combined_k:>6.3f}",
        "",
    ]


def budget_data(found: Budget) -> dict[str, Any]:
    """The budget as JSON data; K and °C."""

    def plain(source: Source) -> dict[str, Any]:
        return {
            "source": source.name,
            "distribution": source.distribution,
            "type": source.kind,
            "u": source.u_k,
            "sensitivity": source.sensitivity,
            "contribution_k": source.contribution_k,
            "variance_share": source.contribution_k**2 / found.combined_k**2,
        }

    return {
        "room_c": found.room_c,
        "difference_k": found.difference_k,
        "spot": [plain(source) for source in found.spot],
        "service": [plain(source) for source in found.service],
        "spot_combined_k": found.spot_k,
        "spot_expanded_k": 2 * found.spot_k,
        "combined_k": found.combined_k,
        "expanded_k": found.expanded_k,
    }
