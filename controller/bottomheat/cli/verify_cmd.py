"""``bottomheat verify``: whether a log is whole, and what is missing in it."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

import click

from bottomheat.cli import config_option
from bottomheat.cli.findings import Finding, Group, all_well, as_plain, note, render, well, wrong
from bottomheat.durations import words
from bottomheat.errors import UNWELL

if TYPE_CHECKING:
    from bottomheat_drivers.log.checking import Checked

MOST_GAPS = 10
"""So many are listed, the longest ones."""


@click.command(short_help="Look through the log: is it whole, what is missing?")
@click.argument("file", required=False, type=click.Path(path_type=Path))
@click.option("--json", "as_json", is_flag=True, help="One JSON object instead of text.")
@config_option
def command(file: Path | None, as_json: bool, config_path: Path) -> int:
    """Look through the config's log, or through FILE: a backup, or a log from another machine.

    It reads every page, sees that rows, runs, events and alarms hold together, and lists when
    nothing was recorded, and why.  It changes nothing, and the service goes on.  Exit status 1 when
    something does not hold together; a gap is no defect.
    """
    from bottomheat.cli.log_file import log_path, progress
    from bottomheat_drivers.log.checking import check

    path = log_path(config_path, file)
    with progress(quiet=as_json) as tell:
        found = check(path, tell, own=file is None)
    groups = look(path, found)
    status = 0 if all_well(groups) else UNWELL
    if as_json:
        click.echo(json.dumps(as_data(groups, status, found), ensure_ascii=False, indent=2))
    else:
        click.echo(render(groups))
    return status


def look(path: Path, found: Checked) -> list[Group]:
    """What was found, as it is shown."""
    return [
        Group(f"The log {path}", tuple(_file(found))),
        Group("What it holds", tuple(_held(found))),
        Group("What is missing", tuple(_missing(found))),
    ]


def as_data(groups: list[Group], status: int, found: Checked) -> dict[str, object]:
    """The report as plain data, with every gap."""
    gaps = [
        {"from_ms": gap.from_ms, "to_ms": gap.to_ms, "cause": gap.cause.value, "why": gap.why}
        for gap in found.gaps
    ]
    return {
        **as_plain(groups, status),
        "format": found.format,
        "rows": found.rows,
        "thinned": found.thinned,
        "from_ms": found.from_ms,
        "to_ms": found.to_ms,
        "defects": list(found.defects),
        "gaps": gaps,
    }


def _file(found: Checked) -> Iterator[Finding]:
    size = f"format {found.format}, {found.size_bytes / 1e6:.1f} MB"
    if not found.defects:
        yield well(f"whole: every page was read, and what it holds fits together ({size})")
        return
    for defect in found.defects:
        yield wrong(
            defect,
            "keep a copy of the log with its -wal file before anything else; other rows may be "
            "right all the same",
        )


def _held(found: Checked) -> Iterator[Finding]:
    from bottomheat.cli.log_file import when

    if found.from_ms is None:
        return
    alarms, open_ = found.alarms
    older = f", and {_many(found.thinned, 'row')} of older times" if found.thinned else ""
    yield well(f"{when(found.from_ms)} to {when(found.to_ms)}: {_many(found.rows, 'row')}{older}")
    yield well(
        f"{_many(found.runs, 'run')} of the service, {_many(found.events, 'event')}, "
        f"{_many(alarms, 'alarm')}, {_many(found.entries, 'entry', 'entries')} on batches"
    )
    if open_:
        yield note(f"{_many(open_, 'alarm')} stood when a run ended: unknown for how long")
    if found.unplaced:
        yield note(
            f"{_many(found.unplaced, 'run')} without a clock that was set: those times are a guess"
        )
    if found.unclosed:
        yield note(f"{_many(found.unclosed, 'run')} ended without being stopped: power, or a fault")


def _missing(found: Checked) -> Iterator[Finding]:
    from bottomheat.cli.log_file import when

    if found.from_ms is None or found.to_ms is None:
        return
    if not found.gaps:
        yield well("nothing: no gap between its first row and its last")
        return
    whole_s = max((found.to_ms - found.from_ms) / 1000, 1.0)
    missed_s = sum(gap.length_s for gap in found.gaps)
    yield note(
        f"{words(missed_s)} in {_many(len(found.gaps), 'gap')}, "
        f"{100 * missed_s / whole_s:.1f} % of the time"
    )
    longest = sorted(found.gaps, key=lambda gap: gap.length_s, reverse=True)[:MOST_GAPS]
    for gap in sorted(longest, key=lambda each: each.from_ms):
        yield note(f"{when(gap.from_ms)}, for {words(gap.length_s)}: {gap.why}")
    if len(found.gaps) > MOST_GAPS:
        yield note(f"these are the {MOST_GAPS} longest; --json lists all")


def _many(count: int, one: str, more: str = "") -> str:
    return f"{count} {one if count == 1 else more or one + 's'}"
