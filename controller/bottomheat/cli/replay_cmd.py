"""``bottomheat replay``: the logged readings through the controller again."""

from __future__ import annotations

import json
from pathlib import Path

import click

from bottomheat.cli import config_option


@click.command(short_help="What this version, or another setting, would have done.")
@config_option
@click.option(
    "--log", "log_path", type=click.Path(path_type=Path), help="Another log than the config's."
)
@click.option("--from", "since", metavar="TIME", help="Begin: 2027-01-16, 3d ago, 16jan.")
@click.option("--to", "until", metavar="TIME", help="End there; the end of the log.")
@click.option(
    "--last-fault", is_flag=True, help="The six hours before the last alarm and the six after."
)
@click.option(
    "--with",
    "other",
    type=click.Path(path_type=Path),
    help="Another config to decide by, its setpoints too.",
)
@click.option("--json", "as_json", is_flag=True, help="One JSON object instead of text.")
def command(
    config_path: Path,
    log_path: Path | None,
    since: str | None,
    until: str | None,
    last_fault: bool,
    other: Path | None,
    as_json: bool,
) -> None:
    """Send what the probes said through the controller again, and list where it differs.

    Without --from or --last-fault the last 24 hours of the log.  The first two hours after each
    start of the service do not count: the controller learns again what it knew then.

    The box is not simulated: its temperatures are those of the heat that really flowed.  So this
    shows where decisions part, not where the box would have gone.  Nothing is switched.
    """
    from bottomheat.cli.replay_data import load
    from bottomheat.cli.replay_text import as_data, rendered

    outcome = load(config_path, log_path, since, until, last_fault=last_fault, other=other)
    if as_json:
        click.echo(json.dumps(as_data(outcome), ensure_ascii=False, indent=2))
    else:
        click.echo(rendered(outcome, another=other is not None))
