"""``bottomheat identify``: how a box answers heat and room, from its own log."""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING

import click

from bottomheat.cli import config_option

if TYPE_CHECKING:
    from collections.abc import Sequence

    from bottomheat.config import Config
    from bottomheat.identification.found import Found

USUAL_DAYS = 7.0


@click.command(short_help="Find out how a box answers heat and room.")
@click.option("--chamber", metavar="CHAMBER", help="The box; may be left out if there is one.")
@click.option("--from-log", is_flag=True, help="From its ordinary running: so unless said.")
@click.option(
    "--days",
    type=click.FloatRange(1.0, 60.0),
    metavar="DAYS",
    default=USUAL_DAYS,
    show_default=True,
    help="How far back to look in the log.",
)
@click.option("--write", is_flag=True, help="Put it into the config, which keeps its comments.")
@click.option("--json", "as_json", is_flag=True, help="One JSON object instead of text.")
@config_option
def command(
    chamber: str | None,
    from_log: bool,  # noqa: ARG001 (the only way, until there is another)
    days: float,
    write: bool,
    as_json: bool,
    config_path: Path,
) -> None:
    """Find out from the log how far a watt lifts the wet layer, how slowly, and what the room does.

    Nothing is done to the box: ordinary running is enough, five days of it with a warm-up or a
    cold night.  Hours with the lid open or under an alarm are left out.  Where the record does not
    tell, it says so and gives no number.
    """
    from bottomheat.cli.calibrate_box import the_box
    from bottomheat.cli.calibrate_keep import writable
    from bottomheat_drivers.config_yaml import load_config

    config = load_config(config_path)
    name = the_box(config, chamber)
    text = writable(config_path) if write else ""
    found, chart, notes = _from_log(config, config_path, name, days, as_json=as_json)
    show(name, found, chart, notes, as_json=as_json)
    if write:
        keep(config_path, text, name, found, quiet=as_json)
    elif not as_json:
        click.echo("\nWith --write this goes into the config; then: bottomheat tune.")


def show(name: str, found: Found, chart: str, notes: Sequence[str], *, as_json: bool) -> None:
    """Say what was found."""
    from bottomheat.cli.identify_text import as_data, as_text

    if as_json:
        click.echo(json.dumps(as_data(name, found, notes), ensure_ascii=False, indent=2))
    else:
        click.echo(as_text(name, found, chart, notes))


def keep(path: Path, text: str, name: str, found: Found, *, quiet: bool) -> None:
    """Put the model into the config, and say what changed.

    Args:
        path: the config file.
        text: its text, as it was before anything was fitted.
        name: of the box.
        found: the model.
        quiet: say it on stderr.

    Raises:
        InputError: it cannot be changed or replaced; nothing is changed then.
    """
    from bottomheat.cli.identify_text import model_keys
    from bottomheat_drivers.config_edit import replace_config
    from bottomheat_drivers.config_edit_model import with_model

    edit = with_model(text, name, model_keys(found.response))
    if not edit.said:
        click.echo("\nThe config says so already.", err=quiet)
        return
    kept = replace_config(path, text, edit.text)
    click.echo(
        f"\nWritten to {path}; the file as it was is {kept}. A running service takes it over "
        "within a cycle.",
        err=quiet,
    )


def _from_log(
    config: Config, config_path: Path, name: str, days: float, *, as_json: bool
) -> tuple[Found, str, tuple[str, ...]]:
    """What ordinary running says, a chart of it, and what was left out.

    Raises:
        InputError: the record does not tell; with ``as_json`` that goes to stdout as well.
        LogError: the log cannot be read.
    """
    from bottomheat.cli.identify_chart import chart
    from bottomheat.cli.identify_log import running
    from bottomheat.cli.identify_text import not_enough, without_answer
    from bottomheat.cli.log_file import have_written
    from bottomheat.errors import InputError
    from bottomheat.identification.found import NotEnough
    from bottomheat.identification.passive import identify
    from bottomheat_drivers.clock import SystemClock

    have_written(config_path, Path(config.log))
    record = running(config, name, days, SystemClock().wall_ms())
    answer = identify(record.stretches)
    if isinstance(answer, NotEnough):
        if as_json:
            data = without_answer(name, answer, record.notes)
            click.echo(json.dumps(data, ensure_ascii=False, indent=2))
        raise InputError(not_enough(name, answer, record.notes))
    drawn = "" if as_json else chart(answer.time_s, answer.measured_c, answer.model_c)
    return answer.found, drawn, record.notes
