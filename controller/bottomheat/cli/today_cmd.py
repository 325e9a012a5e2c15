"""``bottomheat today``: the night, each batch, and what is due."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

import click

from bottomheat.cli import config_option

if TYPE_CHECKING:
    from bottomheat.cli.season_view import View
    from bottomheat.season.night import Night, Tops
    from bottomheat.season.today import Standing

LATELY_MS = 3_600_000
"""So far back the setpoint of now is looked for, ms."""
TOPS_DAYS = 7
"""So far back the air at the buds is looked at."""


@click.command(short_help="The night, each batch, and what is due.")
@click.option("--json", "as_json", is_flag=True, help="One JSON object instead of text.")
@click.option(
    "--at", "when", metavar="WHEN", help='Look back: 2027-01-16 (at 08:00), "2027-01-16 07:10".'
)
@click.option(
    "--log",
    type=click.Path(path_type=Path),
    metavar="FILE",
    help="Another log, looked at by the config that it holds.",
)
@config_option
def command(as_json: bool, when: str | None, log: Path | None, config_path: Path) -> None:
    """Show the night of every box in one line, each batch with its stage, and what is due.

    It proposes and reminds; what you see when you lift a bag decides.  Works while the service
    runs and without it.
    """
    from bottomheat.cli.relay_data import lives_of
    from bottomheat.cli.season_view import holes_of, view
    from bottomheat.cli.today_text import Span, as_data, render
    from bottomheat.season.night import night_of
    from bottomheat.season.today import today

    seen = view(config_path, when, log)
    from_ms, to_ms, is_night = night_of(seen.now_ms, None, clock_sure=seen.clock_sure)
    found = today(
        seen.config,
        seen.season,
        _nights(seen, from_ms, to_ms),
        seen.now_ms,
        clock_sure=seen.clock_sure,
        tops=_tops(seen),
        holes=holes_of(seen.path, from_ms, to_ms),
        alarms=_alarms(seen),
        lives=lives_of(seen.config, seen.path)[0] if seen.live else None,
    )
    span = Span(
        from_ms, to_ms, is_night, seen.rows_ms, live=seen.live, running=seen.status is not None
    )
    if as_json:
        click.echo(json.dumps(as_data(found, span), ensure_ascii=False, indent=2))
        return
    click.echo(render(found, span))


def _nights(seen: View, from_ms: int, to_ms: int) -> dict[str, Night]:
    from bottomheat.cli.season_view import rows_of
    from bottomheat.review.night import night

    def over(name: str, begin_ms: int, end_ms: int) -> Night:
        return night(rows_of(seen.path, name, begin_ms, end_ms), begin_ms, end_ms)

    found = {name: over(name, from_ms, to_ms) for name in seen.config.chambers}
    if to_ms < seen.now_ms:  # the setpoint may have changed since the morning
        for name, told in found.items():
            now = over(name, max(to_ms, seen.now_ms - LATELY_MS), seen.now_ms)
            if now.setpoint_c is not None:
                found[name] = replace(
                    told, setpoint_c=now.setpoint_c, setpoint_since_ms=now.setpoint_since_ms
                )
    return found


def _tops(seen: View) -> dict[str, Tops]:
    """Where dormant wood stands under a probe at its buds: since when the air there is warm."""
    from bottomheat.cli.season_view import rows_of
    from bottomheat.review.night import tops
    from bottomheat.season.ledger import DAY_MS
    from bottomheat.season.tops import dormant

    found = {}
    for name, chamber in seen.config.chambers.items():
        if chamber.probes.top is None or not any(map(dormant, seen.season.inside(name))):
            continue
        rows = rows_of(seen.path, name, seen.now_ms - TOPS_DAYS * DAY_MS, seen.now_ms)
        warm = tops(rows, seen.config.season.warn_top_above_c, seen.now_ms)
        if warm is not None:
            found[name] = warm
    return found


def _alarms(seen: View) -> list[Standing]:
    """What stands: as the service says, or as the log has it."""
    from bottomheat.alarm_words import TOLD, Level, sentence
    from bottomheat.cli.season_view import stood
    from bottomheat.model import Alarm
    from bottomheat.season.today import Standing

    if seen.status is not None:
        known = {alarm.value: alarm for alarm in Alarm}
        return [
            Standing(known.get(row["alarm"]), row["chamber"], row["level"] == "now", row["text"])
            for row in seen.status.get("alarms", ())
        ]
    rows = stood(seen.alarms, seen.runs, seen.now_ms, seen.now_ms)
    return [
        Standing(row.alarm, row.chamber, TOLD[row.alarm].level is Level.NOW, sentence(row.alarm))
        for row, over in rows
        if not over
    ]
