"""``bottomheat calibrate fit``: the offset that readings or a borrowed probe support."""

from __future__ import annotations

import json
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import click

from bottomheat.cli import config_option

if TYPE_CHECKING:
    from bottomheat.calibration.advice import Beside, Next, Trust
    from bottomheat.calibration.outcome import Outcome, Zone
    from bottomheat.cli.calibrate_fit_data import Material
    from bottomheat.config import Offset
    from bottomheat_drivers.config_edit import Edit

_METHODS = ("temperature-factor", "heat-flow", "fixed")
_LIDS = ("on", "ajar", "off")


@dataclass(frozen=True, slots=True, eq=False)
class Report:
    """What a fit says.

    Attributes:
        material: what it was made of.
        outcome: what to write.
        trust: how far to trust it; None where it is out of bounds.
        following: the one more reading that tells most; None where nothing says so.
        checks: readings beside a borrowed probe's answer.
        against: all readings together against it; None without any.
        wrong: why the config would refuse it, in sentences.
    """

    material: Material
    outcome: Outcome
    trust: Trust | None
    following: Next | None
    checks: tuple[Beside, ...]
    against: Beside | None
    wrong: tuple[str, ...]

    @property
    def disagree(self) -> bool:
        """Whether readings and borrowed probe disagree beyond what both allow."""
        return self.against is not None and self.against.outside


@click.command(short_help="What to set, how far to trust it, when to read again.")
@click.option("--chamber", metavar="CHAMBER", help="The box; may be left out if there is one.")
@click.option("--lid", type=click.Choice(_LIDS), help="Position of the lid; as it lies now.")
@click.option(
    "--method", type=click.Choice(_METHODS), help="What to set; the best for the box's probes."
)
@click.option("--details", is_flag=True, help="Every reading with its residual, and statistics.")
@click.option("--write", is_flag=True, help="Put it into the config; its comments stay.")
@click.option("--json", "as_json", is_flag=True, help="One JSON object instead of text.")
@config_option
def command(
    chamber: str | None,
    lid: str | None,
    method: str | None,
    details: bool,
    write: bool,
    as_json: bool,
    config_path: Path,
) -> None:
    """Work out the offset of a box from what you read, or from what a borrowed probe taught.

    A borrowed probe's session comes first where there is one since the box was filled or moved;
    readings of your thermometer are its checks then.  Each position of the lid is a calibration of
    its own.  With --write the service takes it over from its next cycle.
    """
    from bottomheat.cli.calibrate_box import reader_of, the_box
    from bottomheat.cli.calibrate_fit_data import gather
    from bottomheat.cli.calibrate_fit_json import as_data
    from bottomheat.cli.calibrate_fit_text import report_text
    from bottomheat.cli.calibrate_keep import writable
    from bottomheat.errors import InputError
    from bottomheat.protect.tending import Lid
    from bottomheat_drivers.clock import SystemClock
    from bottomheat_drivers.config_yaml import load_config

    config = load_config(config_path)
    name = the_box(config, chamber)
    text = writable(config_path) if write else ""
    with reader_of(config) as reader:
        position = None if lid is None else Lid(lid)
        material = gather(config, reader, name, position, SystemClock().wall_ms() / 1000)
    offset, own = material.box.offset_with(material.lid)
    if offset.method == "direct" and method is None:
        raise InputError(
            f"{name} goes by the probe in its medium (direct), so there is nothing to fit; "
            "readings are its checks (bottomheat calibrate list). To go by wet layer and room "
            "instead, say --method temperature-factor."
        )
    report = report_of(material, offset if own else None, method)
    edit = _edited(text, report) if write else None
    written = None
    if edit is not None and edit.said:
        from bottomheat_drivers.config_edit import replace_config

        written = (config_path, replace_config(config_path, text, edit.text))
    if as_json:
        data = as_data(report) | {"written": None if written is None else str(config_path)}
        click.echo(json.dumps(data, ensure_ascii=False, indent=2))
        return
    click.echo(report_text(report, offset, details=details, asked=write))
    if edit is not None and written is None:
        click.echo("\nThe config says so already.")
    elif written is not None:
        on = "" if material.lid is Lid.ON else f", while the lid is {material.lid}"
        click.echo(
            f"\nWritten to {written[0]}; the file as it was is {written[1]}. The service takes it "
            f"over from its next cycle{on}."
        )


def report_of(material: Material, offset: Offset | None, method: str | None) -> Report:
    """Put together what a fit says.

    Args:
        material: what it is made of.
        offset: the config's own for this position of the lid; None where there is none.
        method: what to set, or None for the best that the box's probes allow.

    Raises:
        InputError: there is nothing to fit, or the method asked for cannot be.
    """
    from bottomheat.calibration import advice
    from bottomheat.calibration.outcome import FACTOR, zone_of

    zone = zone_of(material.made, None if offset is None else offset.zone_uncertainty_k)
    outcome = _outcome(material, offset, method, zone)
    made, rows = material.made, material.rows
    checks: tuple[Beside, ...] = ()
    against = None
    if outcome.source == "borrowed probe" and rows and outcome.method == FACTOR:
        checks = tuple(advice.beside(outcome, rows))
        against = advice.apart(outcome, rows)
        if against is not None and against.outside:
            outcome = outcome.beside(against.difference_k)
    wrong = tuple(outcome.out_of_bounds())
    if wrong:
        return Report(material, outcome, None, None, checks, against, wrong)
    setpoint_c = material.box.callus_zone_c
    trust = advice.trust(outcome, setpoint_c, rooms_of(material, outcome), material.coldest_c)
    following = None
    if made is not None and outcome.source == "readings" and outcome.method == FACTOR:
        following = advice.next_reading(made, outcome, setpoint_c, material.coldest_c)
    return Report(material, outcome, trust, following, checks, against, ())


def rooms_of(material: Material, outcome: Outcome) -> tuple[float, float] | None:
    """Coldest and warmest room that an outcome was measured in, °C; None without a room probe."""
    if outcome.source == "borrowed probe" and material.taught is not None:
        return material.taught.rooms_c
    if material.box.probes.room is None:
        return None
    rooms = [row.room_c for row in material.rows]
    return min(rooms), max(rooms)


def _outcome(material: Material, offset: Offset | None, method: str | None, zone: Zone) -> Outcome:
    """What to set, by the best source that there is.

    Raises:
        InputError: there is none, or the method asked for cannot be.
    """
    from bottomheat.calibration import outcome as made_of
    from bottomheat.cli.calibrate_fit_text import nothing_to_fit
    from bottomheat.config import TemperatureFactor
    from bottomheat.errors import InputError

    has_room = material.box.probes.room is not None
    made, taught = material.made, material.taught
    if method == made_of.FACTOR and not has_room:
        raise InputError(
            f"{material.name} has no room probe, which a temperature factor needs; take heat-flow "
            "or fixed, or put a probe into the room."
        )
    if made is None and taught is None:
        raise InputError(nothing_to_fit(material))
    wanted = method or (made_of.FACTOR if has_room else None)
    if wanted in (made_of.FLOW, None):
        flow = made_of.flow_from_probe(taught.learned, zone) if taught is not None else None
        if flow is None and made is not None:
            flow = made_of.flow_from_readings(made, zone)
        if flow is not None:
            return flow
        if wanted is not None:
            raise InputError(
                "the power of the mat is not known with all of these readings, or was zero, so "
                "heat-flow cannot be fitted; take temperature-factor or fixed."
            )
    if wanted == made_of.FACTOR:
        if taught is not None:
            return made_of.factor_from_probe(taught.learned, zone)
        assert made is not None  # noqa: S101 (one of the two is there)
        lags_measured = (
            isinstance(offset, TemperatureFactor)
            and offset.room_lag_h is not None
            and offset.substrate_lag_h is not None
        )
        return made_of.factor_from_readings(made, zone, lags_measured=lags_measured)
    if taught is not None:
        return made_of.fixed_from_probe(taught.learned, taught.room_c, zone)
    return made_of.fixed_from_readings(material.rows, material.doubts, zone)


def _edited(text: str, report: Report) -> Edit:
    """The config with the outcome in it.

    Raises:
        InputError: the values are out of bounds, or the config cannot be changed; nothing is.
    """
    from bottomheat.errors import InputError
    from bottomheat_drivers.config_edit import with_offset

    if report.wrong:
        raise InputError(
            f"nothing is written: {'; '.join(report.wrong)}. Without --write this command says "
            "more."
        )
    material = report.material
    return with_offset(text, material.name, material.lid, report.outcome.values)
