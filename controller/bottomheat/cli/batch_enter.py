"""The entries of ``bottomheat batch`` in the course of a season."""

from __future__ import annotations

from pathlib import Path

import click

from bottomheat.cli import config_option
from bottomheat.cli.batch_send import (
    ENDED,
    LOOKED,
    count_or_part,
    counts,
    enter,
    figure,
    given,
    in_sample,
    note_option,
    on_option,
)
from bottomheat.errors import InputError


def either(argument: object, option: object, what: str) -> object:
    """What was given as an argument or as an option.

    Raises:
        InputError: both were given.
    """
    if argument is not None and option is not None and argument != option:
        raise InputError(f"{what} is said twice: '{argument}' and '{option}'.")
    return option if argument is None else argument


@click.command("add", short_help="A new batch: name, species, how many.")
@click.argument("name")
@click.argument("species", required=False)
@click.argument("count", required=False, type=int)
@click.option("--species", "species_option", hidden=True)
@click.option("--count", "count_option", type=int, hidden=True)
@click.option(
    "--in", "--to", "--chamber", "place", metavar="BOX", help="Where it stands, or unheated."
)
@click.option("--kind", metavar="KIND", help="cuttings unless said, or grafts.")
@click.option("--made", metavar="DAY", help="When it was made; today unless said.")
@click.option("--on", "on", metavar="DAY", help="When it came into the box; as --made unless said.")
@click.option("--stage", metavar="STAGE", help="callusing unless said; rooting, hardening-off.")
@click.option("--zone", metavar="ZONE", help="What is to be warm: base, or union of a graft.")
@click.option("--height", "height_mm", type=figure, metavar="MM", help="How high that is.")
@click.option("--target", "target_c", type=figure, metavar="°C", help="Instead of the species'.")
@click.option("--at-latest", metavar="WHAT", help="If it is forgotten: keep, or 18 for 18 °C.")
@note_option
@config_option
def add_step(
    name: str,
    species: str | None,
    count: int | None,
    species_option: str | None,
    count_option: int | None,
    place: str | None,
    kind: str | None,
    made: str | None,
    on: str | None,
    stage: str | None,
    zone: str | None,
    height_mm: float | None,
    target_c: float | None,
    at_latest: str | None,
    note: str | None,
    config_path: Path,
) -> None:
    """Add the batch NAME: COUNT cuttings or grafts of SPECIES, made together.

    \b
      bottomheat batch add MUL-1 mulberry 40 --in north-bench
      bottomheat batch add GRP-2 grapevine 60 --kind grafts --made 5jan

    bottomheat species lists what is known of which, and how far to trust it.
    """  # noqa: D301
    data = given(
        {
            "species": either(species, species_option, "the species"),
            "count": either(count, count_option, "how many"),
            "kind": kind,
            "made_ms": _day_ms(made),
            "stage": stage,
            "zone": zone,
            "height_mm": height_mm,
            "target_c": target_c,
            "at_latest": at_latest,
        }
    )
    if "species" not in data or "count" not in data:
        raise InputError(f"say what it is and how many: bottomheat batch add {name} mulberry 40.")
    request = {"what": "add", "batch": name, "chamber": place, "data": data, "note": note}
    enter(config_path, request, on)


def _day_ms(text: str | None) -> int | None:
    """The day that is named, UTC ms; None where none is, or today."""
    from bottomheat.cli.batch_when import parse_when
    from bottomheat_drivers.clock import SystemClock

    if text is None:
        return None
    clock = SystemClock()
    when = parse_when(text, clock.wall_ms(), None, clock_set=clock.synchronised())
    return None if when is None else when.at_ms


@click.command("look", short_help="What you saw: callus, roots, buds, mould.")
@click.argument("name")
@click.argument("part", required=False, metavar="[CALLUSED/OF]")
@counts(LOOKED, count_or_part)
@on_option
@note_option
@config_option
def look_step(
    name: str,
    part: str | None,
    on: str | None,
    note: str | None,
    config_path: Path,
    **seen: int | tuple[int, int] | None,
) -> None:
    """Keep what you saw of the batch NAME, as counts of a few that you lifted.

    \b
      bottomheat batch look MUL-1 8/10 --rooted 3 --mould 0
      bottomheat batch look MUL-1 --sampled 10 --callused 8 --rooted 3 --mould 0

    8/10 is 8 callused of 10 looked at.  What you did not count is left out.  Say bottomheat tend
    before you open the box.
    """  # noqa: D301
    if part is not None:
        seen["callused"] = _part(part, seen["callused"])
    request = {"what": "look", "batch": name, "data": given(in_sample(seen)), "note": note}
    enter(config_path, request, on)


def _part(text: str, option: object) -> tuple[int, int]:
    """What was said as "8/10".

    Raises:
        InputError: it is no such thing, or --callused says something else.
    """
    try:
        found = count_or_part(text)
    except ValueError:
        found = 0
    if not isinstance(found, tuple):
        raise InputError("say what has callused as 8/10: 8 of 10 looked at; the rest by options.")
    either(None if option in (None, *found[:1]) else option, text, "what has callused")
    return found


@click.command("stage", short_help="The next stage, as you decide.")
@click.argument("name")
@click.argument("stage", required=False)
@click.option("--to", "to", hidden=True)
@on_option
@note_option
@config_option
def stage_step(
    name: str,
    stage: str | None,
    to: str | None,
    on: str | None,
    note: str | None,
    config_path: Path,
) -> None:
    """Say that the batch NAME is in STAGE now: callusing, rooting or hardening-off.

    bottomheat batch look proposes the step; you take it, by what you see.  It may go back as well.
    """
    data = given({"stage": either(stage, to, "the stage")})
    enter(config_path, {"what": "stage", "batch": name, "data": data, "note": note}, on)


@click.command("move", short_help="To another box, or out of the heat.")
@click.argument("name")
@click.argument("place", required=False)
@click.option("--to", "to", metavar="BOX", help="A box, or unheated.")
@on_option
@note_option
@config_option
def move_step(
    name: str,
    place: str | None,
    to: str | None,
    on: str | None,
    note: str | None,
    config_path: Path,
) -> None:
    """Say that the batch NAME stands somewhere else: --to a box, or --to unheated.

    Say bottomheat tend for both boxes before you open them.
    """
    where = either(place, to, "the place")
    enter(config_path, {"what": "move", "batch": name, "chamber": where, "note": note}, on)


@click.command("close", short_help="It is done: final counts.")
@click.argument("name")
@counts(ENDED)
@on_option
@note_option
@config_option
def close_step(
    name: str, on: str | None, note: str | None, config_path: Path, **ends: int | None
) -> None:
    """Close the batch NAME, with what you count; more counts may follow with batch count.

    Its box goes by the batches that are left.  It stays in the record and can be compared.
    """
    enter(config_path, {"what": "close", "batch": name, "data": given(ends), "note": note}, on)


@click.command("count", short_help="Final counts, also later: potted, alive.")
@click.argument("name")
@counts(ENDED)
@on_option
@note_option
@config_option
def count_step(
    name: str, on: str | None, note: str | None, config_path: Path, **ends: int | None
) -> None:
    """Add a final count to the batch NAME, open or closed; the newest of each counts.

    \b
      bottomheat batch count MUL-1 --alive 27 --note "in May, outside"
    """  # noqa: D301
    enter(config_path, {"what": "count", "batch": name, "data": given(ends), "note": note}, on)
