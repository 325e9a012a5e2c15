"""``bottomheat tune``: tunings from how the box answers, seen on the model before they are used."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

import click

from bottomheat.cli import config_option

if TYPE_CHECKING:
    from collections.abc import Mapping

    from bottomheat.config import Config
    from bottomheat.tuning.offers import Rule
    from bottomheat.tuning.study import Study


@click.command(short_help="Work out how the heat is to be governed, and try it out.")
@click.option("--chamber", metavar="CHAMBER", help="The box; may be left out if there is one.")
@click.option(
    "--from",
    "source",
    metavar="FILE",
    type=click.Path(path_type=Path),
    help="What bottomheat identify --json said; else the model in the config.",
)
@click.option(
    "--rule",
    type=click.Choice(["simc", "amigo", "relay"]),
    default="simc",
    show_default=True,
    help="simc: brisk; amigo: gentler; relay: Tyreus-Luyben, from the swing of a relay run.",
)
@click.option(
    "--window",
    "window_s",
    metavar="S",
    type=click.FloatRange(10, 3600),
    help="A window of your own, s; else one that suits relay and bed.",
)
@click.option("--write", is_flag=True, help="Put it into the config, which keeps its comments.")
@click.option("--details", is_flag=True, help="The figures and the curves too.")
@click.option("--json", "as_json", is_flag=True, help="One JSON object instead of text.")
@config_option
def command(
    chamber: str | None,
    source: Path | None,
    rule: str,
    window_s: float | None,
    write: bool,
    details: bool,
    as_json: bool,
    config_path: Path,
) -> None:
    """Tune the PID of a box to how the box answers heat, by a published rule.

    It needs a model of the box: bottomheat identify finds one.  Whatever the rule says is tried on
    the model first, and on all that the model may be; what would swing is made gentler or refused.
    Nothing changes without --write.
    """
    from bottomheat.cli.calibrate_box import the_box
    from bottomheat.cli.calibrate_keep import writable
    from bottomheat.cli.tune_source import model_of
    from bottomheat.cli.tune_text import as_data, lines_of, render
    from bottomheat.tuning.study import study
    from bottomheat_drivers.config_yaml import load_config, read_text

    text = writable(config_path) if write else read_text(config_path)
    config = load_config(config_path)
    name = the_box(config, chamber)
    box = config.chambers[name]
    model = model_of(name, box, source)
    asked = (box, model.response, _rule(rule))
    found = study(*asked, doubt=model.doubt, measured=model.measured, window_s=window_s)
    if window_s is None and not _may_be(text, name, found.window.window_s):
        # A longer window swings the mat further: not where its limit leaves no room for that.
        usual_s = box.heater.window
        found = study(*asked, doubt=model.doubt, measured=model.measured, window_s=usual_s)
        reason = "as it is, because a longer one would bring the mat to its limit on a cold night"
        found = replace(found, window=replace(found.window, reason=reason))
    if as_json:
        click.echo(json.dumps(as_data(name, found, model), ensure_ascii=False, indent=2))
    else:
        click.echo(render(name, box, found, model, details=details, written=write))
    if write:
        _write(config_path, text, config, name, found, lines_of(found), quiet=as_json)


def _rule(word: str) -> Rule:
    from bottomheat.tuning.offers import RULES

    return next(rule for rule in RULES if rule == word)


def _may_be(text: str, name: str, window_s: float) -> bool:
    """Whether the config would take such a window."""
    from bottomheat.errors import InputError
    from bottomheat_drivers.config_edit_tuning import with_tuning

    try:
        with_tuning(text, name, {}, round(window_s))
    except InputError:
        return False
    return True


def _write(
    path: Path,
    text: str,
    config: Config,
    name: str,
    found: Study,
    pid: Mapping[str, float],
    *,
    quiet: bool,
) -> None:
    """Put the tunings into the config, and say what changed.

    Raises:
        InputError: it cannot be changed or replaced; nothing is changed then.
    """
    from bottomheat_drivers.config_edit import replace_config
    from bottomheat_drivers.config_edit_tuning import with_tuning

    window_s = found.window.window_s
    same = config.chambers[name].heater.window == window_s
    edit = with_tuning(text, name, pid, None if same else round(window_s))
    if not edit.said:
        click.echo("The config says so already.", err=quiet)
        return
    kept = replace_config(path, text, edit.text)
    for sentence in edit.said:
        click.echo(f"  {sentence}", err=quiet)
    click.echo(
        f"Written to {path}; the file as it was is {kept}. A running service takes it over within "
        "a cycle, without a jump in the heat.",
        err=quiet,
    )
