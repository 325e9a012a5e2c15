"""``bottomheat identify``: how a box answers heat and room, from its own log."""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING

import click

from bottomheat.cli import config_option

if TYPE_CHECKING:
    from collections.abc import Sequence

    from bottomheat.commission.experiment import Kind
    from bottomheat.config import Config
    from bottomheat.identification.found import Found
    from bottomheat.identification.relay_found import RelayFound

USUAL_DAYS = 7.0


@click.command(short_help="Find out how a box answers heat and room.")
@click.option("--chamber", metavar="CHAMBER", help="The box; may be left out if there is one.")
@click.option("--from-log", is_flag=True, help="From its ordinary running: so unless said.")
@click.option(
    "--days",
    type=click.FloatRange(1.5, 30.0),
    metavar="DAYS",
    default=USUAL_DAYS,
    show_default=True,
    help="How far back to look in the log.",
)
@click.option("--step", is_flag=True, help="By a small step of the heat: about 5 hours.")
@click.option("--relay", is_flag=True, help="By heat on and off: 4 to 13 hours.")
@click.option("--last", is_flag=True, help="The last step or relay in the log, not a new one.")
@click.option("--stop", "stopping", is_flag=True, help="Break off the one that is under way.")
@click.option(
    "--hours", type=click.FloatRange(2.0, 12.0), metavar="H", help="Length of the step: 4 h."
)
@click.option(
    "--swing",
    "swing_k",
    type=click.FloatRange(0.2, 1.5),
    metavar="K",
    help="How far the step may move the bases as worked out: 0.6 K.",
)
@click.option("--periods", type=click.IntRange(3, 8), metavar="N", help="Periods of the relay: 4.")
@click.option("--yes", is_flag=True, help="Do not ask: the box is closed and left in peace.")
@click.option("--write", is_flag=True, help="Put it into the config, which keeps its comments.")
@click.option("--json", "as_json", is_flag=True, help="One JSON object instead of text.")
@config_option
def command(
    chamber: str | None,
    from_log: bool,
    days: float,
    step: bool,
    relay: bool,
    last: bool,
    stopping: bool,
    hours: float | None,
    swing_k: float | None,
    periods: int | None,
    yes: bool,
    write: bool,
    as_json: bool,
    config_path: Path,
) -> None:
    """Find out how far a watt lifts the wet layer, how slowly, and what the room does.

    From the log, nothing is done to the box: ordinary running is enough, five days of it with a
    warm-up or a cold night.  Hours with the lid open or under an alarm are left out.  Where the
    record does not tell, it says so and gives no number.

    --step and --relay are experiments that the running service makes, under all its protection; it
    says before how long they take and how far the bases will move.  They show in some hours how
    the box begins to answer, which is what tunings need.
    """
    from bottomheat.cli.calibrate_box import the_box
    from bottomheat.cli.calibrate_keep import writable
    from bottomheat_drivers.config_yaml import load_config

    kind = _kind(from_log=from_log, step=step, relay=relay)
    _check(kind, last=last, stopping=stopping, hours=hours, swing_k=swing_k, periods=periods)
    config = load_config(config_path)
    name = the_box(config, chamber)
    if stopping:
        from bottomheat.cli.identify_experiment import stop_experiment

        stop_experiment(config, name)
        return
    text = writable(config_path) if write else ""
    seen: RelayFound | None = None
    if kind is None:
        found, chart, notes = _from_log(config, config_path, name, days, as_json=as_json)
    else:
        from bottomheat.cli.identify_experiment import Wish, answer, run_experiment

        if not last:
            wish = Wish(kind, hours, swing_k, periods, yes=yes, quiet=as_json)
            run_experiment(config, name, wish)
        found, chart, notes, seen = answer(config, config_path, name, kind, as_json=as_json)
    show(name, found, chart, notes, as_json=as_json, seen=seen)
    if write:
        keep(config_path, text, name, found, quiet=as_json)
    elif not as_json:
        click.echo("\nWith --write this goes into the config; then: bottomheat tune.")


def _kind(*, from_log: bool, step: bool, relay: bool) -> Kind | None:
    """The experiment that is meant; None: the log."""
    from bottomheat.commission.experiment import Kind

    if from_log + step + relay > 1:
        raise click.UsageError("say one of --from-log, --step and --relay.")
    if step:
        return Kind.STEP
    return Kind.RELAY if relay else None


def _check(
    kind: Kind | None,
    *,
    last: bool,
    stopping: bool,
    hours: float | None,
    swing_k: float | None,
    periods: int | None,
) -> None:
    """Refuse options that do not go together."""
    from bottomheat.commission.experiment import Kind

    if last and kind is None:
        raise click.UsageError("--last goes with --step or --relay.")
    if last and stopping:
        raise click.UsageError("--stop breaks off; --last reads what is over: say one of them.")
    if (hours is not None or swing_k is not None) and kind is not Kind.STEP:
        raise click.UsageError("--hours and --swing go with --step.")
    if periods is not None and kind is not Kind.RELAY:
        raise click.UsageError("--periods goes with --relay.")


def show(
    name: str,
    found: Found,
    chart: str,
    notes: Sequence[str],
    *,
    as_json: bool,
    seen: RelayFound | None = None,
) -> None:
    """Say what was found; ``seen`` is the limit cycle of a relay run."""
    from bottomheat.cli.identify_text import as_data, as_text

    if as_json:
        data = as_data(name, found, notes)
        if seen is not None:
            from bottomheat.cli.identify_experiment import relay_plain

            data["relay"] = relay_plain(seen)
        click.echo(json.dumps(data, ensure_ascii=False, indent=2))
    else:
        click.echo(as_text(name, found, chart, notes))


def keep(path: Path, text: str, name: str, found: Found, *, quiet: bool) -> None:
    """Put the model into the config, and say what changed.

    Where an experiment says nothing of the mat, what a log said of it stays.

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

    keys = model_keys(found)
    if found.method != "log" and found.mat is None:
        keys = {**_mat_keys(text, name), **keys}
    edit = with_model(text, name, keys)
    if not edit.said:
        click.echo("\nThe config says so already.", err=quiet)
        return
    kept = replace_config(path, text, edit.text)
    click.echo(
        f"\nWritten to {path}; the file as it was is {kept}. A running service takes it over "
        "within a cycle.",
        err=quiet,
    )


def _mat_keys(text: str, name: str) -> dict[str, float]:
    """What the config's model of a box says of its mat; nothing where there is none."""
    from bottomheat_drivers.config_yaml import check_text

    config = check_text(text).parsed.config
    model = None if config is None else config.chambers[name].model
    if model is None:
        return {}
    told = model.model_dump(by_alias=True, exclude_none=True)
    return {key: value for key, value in told.items() if key.startswith("mat_")}


def _from_log(
    config: Config, config_path: Path, name: str, days: float, *, as_json: bool
) -> tuple[Found, str, tuple[str, ...]]:
    """What ordinary running says, a chart of it, and what was left out.

    Raises:
        InputError: the record does not tell; with ``as_json`` that goes to stdout as well.
        LogError: the log cannot be read.
    """
    import os

    # Before numpy is loaded: one core is enough, and the service needs its own.
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

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
