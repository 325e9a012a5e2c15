"""``bottomheat alerts``: tells somebody of alarms."""

from __future__ import annotations

from pathlib import Path

import click

from bottomheat.cli import config_option
from bottomheat.errors import UNWELL


@click.command("alerts", short_help="Send alarms to people, until stopped.")
@config_option
@click.option(
    "--test", "only_test", is_flag=True, help="Only send a test message through every way out, now."
)
def command(config_path: Path, only_test: bool) -> int:
    """Send alarms to the addresses and the command that the config names.

    Normally started by the service manager.  It asks the running service for its alarms every 10
    seconds.  What needs somebody at once is sent at once, and again until somebody has seen it;
    the rest is in the one message of the morning.  It controls nothing, and a power cut stops it:
    no message by the usual time means go and look.

    A command gets each message as one JSON object on its standard input, with the keys id, kind
    (alarm, over, silent, answers, morning, test), urgent, title, text, made_ms, clock_set, late_s
    and alarm; its exit status 0 says that it has taken the message, within 30 seconds.

    With --test, exit status 1 means that one did not take the message.
    """
    from bottomheat.app_alerts import run_alerts, try_alerts

    if not only_test:
        run_alerts(config_path)
        return 0
    tried, trouble = try_alerts(config_path)
    for number, one in enumerate(tried, start=1):
        click.echo(f"{number}  {one.name}: {'taken' if one.taken else f'NOT TAKEN: {one.detail}'}")
    if trouble:
        click.echo(trouble, err=True)
    return UNWELL if trouble or not all(one.taken for one in tried) else 0
