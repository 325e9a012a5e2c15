"""The entries of ``bottomheat batch`` that put others right."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from bottomheat.cli import config_option
from bottomheat.cli.batch_send import (
    ENDED,
    LOOKED,
    Options,
    count_or_none,
    counts,
    enter,
    figure_or_none,
    given,
    note_option,
    on_option,
    word_or_none,
)


def _fields(function: Any) -> Any:
    """What is known of a batch, each as an option."""
    options: tuple[Options, ...] = (
        click.option("--species", metavar="SPECIES", help="What it is."),
        click.option("--kind", metavar="KIND", help="cuttings or grafts."),
        click.option("--count", type=int, metavar="N", help="How many were made."),
        click.option("--made", metavar="DAY", help="The day it was made."),
        click.option("--zone", metavar="ZONE", help="What is to be warm: base or union."),
        click.option("--height", "height_mm", type=figure_or_none, metavar="MM", help="Or none."),
        click.option("--target", "target_c", type=figure_or_none, metavar="°C", help="Or none."),
        click.option("--at-latest", type=word_or_none, metavar="WHAT", help="keep, 18, none."),
    )
    for option in reversed(options):
        function = option(function)
    return function


def _data(values: dict[str, Any]) -> dict[str, Any]:
    from bottomheat.cli.batch_when import parse_when
    from bottomheat_drivers.clock import SystemClock

    made = values.pop("made", None)
    data = given(values)
    if made is not None:
        clock = SystemClock()
        now_ms = clock.wall_ms()
        when = parse_when(made, now_ms, None, clock_set=clock.synchronised())
        data["made_ms"] = now_ms if when is None else when.at_ms
    return data


@click.command("change", short_help="What is known of a batch: count, target, note ...")
@click.argument("name")
@_fields
@note_option
@config_option
def change_step(name: str, note: str | None, config_path: Path, **values: Any) -> None:
    """Change what is known of the batch NAME; "none" takes a target, height or at-latest back.

    For where it stands there is batch move, for how far it is batch stage.
    """
    enter(config_path, {"what": "change", "batch": name, "data": _data(values), "note": note})


@click.command("correct", short_help="Put right what an entry says, by its number.")
@click.argument("number", type=click.IntRange(min=1))
@counts(LOOKED, count_or_none)
@counts({key: text for key, text in ENDED.items() if key not in LOOKED}, count_or_none)
@click.option("--stage", metavar="STAGE", help="The stage that was meant.")
@click.option("--in", "--to", "place", metavar="BOX", help="The place that was meant.")
@click.option("--batch", metavar="NAME", help="The batch that was meant.")
@_fields
@on_option
@note_option
@config_option
def correct_step(
    number: int,
    batch: str | None,
    place: str | None,
    on: str | None,
    note: str | None,
    config_path: Path,
    **values: Any,
) -> None:
    """Put right what entry NUMBER of batch show says: give what is different, the rest stays.

    \b
      bottomheat batch correct 14 --callused 7
      bottomheat batch correct 14 --on yesterday
      bottomheat batch correct 14 --mould none      (was not counted)

    The entry as it was stays in the list.
    """  # noqa: D301
    request = {
        "corrects": number,
        "batch": batch,
        "chamber": place,
        "data": _data(values),
        "note": note,
    }
    enter(config_path, request, on)


@click.command("withdraw", short_help="Take an entry back, by its number.")
@click.argument("number", type=click.IntRange(min=1))
@note_option
@config_option
def withdraw_step(number: int, note: str | None, config_path: Path) -> None:
    """Take entry NUMBER of batch show back, as if it had not been entered.

    It stays in the list, marked.  To put right only a part of it there is batch correct.
    """
    enter(config_path, {"what": "withdraw", "corrects": number, "note": note})
