"""``bottomheat review``: what happened, why, how bad it was, what to do now."""

from __future__ import annotations

import json
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Final

import click

from bottomheat.cli import config_option
from bottomheat.errors import InputError

if TYPE_CHECKING:
    from bottomheat.cli.review_load import Book
    from bottomheat.cli.season_view import View
    from bottomheat.review.report import Report
    from bottomheat.review.story import Overview, Story
    from bottomheat.season.ledger import Batch

USUAL_DAYS: Final = 7
DAY_MS: Final = 86_400_000
IN_FULL_MS: Final = 2 * DAY_MS
"""A stretch of time up to this is told in full."""
ONE_IN_FULL_MS: Final = 7 * DAY_MS
"""One up to this too, if one thing happened in it."""
MOST_IN_FULL: Final = 3


@click.command(short_help="What happened, why, how bad it was, what to do now.")
@click.option("--last-fault", is_flag=True, help="The newest fault or power cut.")
@click.option("--from", "from_when", metavar="WHEN", help="Begin: 2027-01-05, 5jan, 3d ago.")
@click.option("--to", "to_when", metavar="WHEN", help="End; a day counts as a whole.")
@click.option("--batch", "batch_name", metavar="NAME", help="Of all that this batch stood through.")
@click.option("--chamber", metavar="CHAMBER", help="Of one box alone.")
@click.option("--json", "as_json", is_flag=True, help="One JSON object instead of text.")
@click.option("--chart", is_flag=True, help="Draw the course of each box below the text.")
@click.option(
    "--html",
    "page",
    type=click.Path(path_type=Path),
    metavar="FILE",
    help="One page with charts into this file, instead of text.",
)
@click.option(
    "--log",
    type=click.Path(path_type=Path),
    metavar="FILE",
    help="Another log, judged by the config that it holds.",
)
@config_option
def command(
    last_fault: bool,
    from_when: str | None,
    to_when: str | None,
    batch_name: str | None,
    chamber: str | None,
    as_json: bool,
    chart: bool,
    page: Path | None,
    log: Path | None,
    config_path: Path,
) -> None:
    """Tell what happened, why, how bad it was and what to do now.

    A timeline; the cause, with what speaks for it and against it; how warm and how cold the bases
    were; what that means for each batch; what to look at, in order, and whether to reset.

    Without --last-fault, --from or --batch: the last seven days in a few lines, and each thing that
    happened with the command that tells all of it.

    Where nothing was measured nothing is claimed.  Temperature alone decides nothing: each verdict
    says what to look at.
    """
    from bottomheat.cli.review_load import Book
    from bottomheat.cli.season_view import view

    ways = [last_fault, from_when is not None or to_when is not None, batch_name is not None]
    if sum(ways) > 1:
        raise InputError("give one of --last-fault, --from with --to, or --batch.")
    if batch_name is not None and chamber is not None:
        raise InputError("a batch is followed from box to box: leave --chamber out.")
    seen = view(config_path, None, log)
    _check(seen, chamber)
    book = Book(seen)
    try:
        way = _Way("" if log is None else f" --log {log}", page, as_json=as_json, chart=chart)
        if last_fault:
            _stories(book, [_last(book, chamber)], way)
        elif batch_name is not None:
            _batch(book, batch_name, way)
        else:
            _time(book, from_when, to_when, chamber, way)
    finally:
        book.close()


@dataclass(frozen=True, slots=True)
class _Way:
    """How it is told; ``more``: options that belong to every command that is printed."""

    more: str
    page: Path | None
    as_json: bool
    chart: bool

    @property
    def draws(self) -> bool:
        """Whether the course of the boxes is needed."""
        return self.page is not None or (self.chart and not self.as_json)


def _check(seen: View, chamber: str | None) -> None:
    if seen.rows_ms is None:
        raise InputError("the log has no rows yet: there is nothing to review.")
    if chamber is not None and chamber not in seen.config.chambers:
        known = ", ".join(seen.config.chambers)
        raise InputError(f"there is no chamber {_shown(chamber)}; the config has: {known}.")


def _last(book: Book, chamber: str | None) -> Story:
    from bottomheat.cli.review_data import last_episode, story

    found = last_episode(book, chamber)
    if found is None:
        of = "" if chamber is None else f" of {chamber}"
        raise InputError(
            f"the log tells of no fault and no gap{of}: bottomheat review shows the last 7 days."
        )
    return story(book, found[0], found[1], chamber)


def _batch(book: Book, name: str, way: _Way) -> None:
    from bottomheat.cli.review_data import overview_of_batch

    batches = book.seen.season.batches
    batch: Batch | None = next(
        (each for each in batches.values() if each.name.casefold() == name.casefold()), None
    )
    if batch is None:
        known = ", ".join(batches) or "none yet"
        raise InputError(f"there is no batch {_shown(name)}; the season has: {known}.")
    found = overview_of_batch(book, batch)
    if found is None:
        raise InputError(f"{batch.name} has not stood anywhere yet: there is nothing to review.")
    _show(book, found, batch.name, way)


def _time(
    book: Book,
    from_when: str | None,
    to_when: str | None,
    chamber: str | None,
    way: _Way,
) -> None:
    from bottomheat.cli.log_file import progress
    from bottomheat.cli.review_data import before, episodes_in, overview, quiet, story
    from bottomheat.durations import words

    from_ms, to_ms = _window(book, from_when, to_when)
    if from_when is not None and to_ms - from_ms <= ONE_IN_FULL_MS:
        around = episodes_in(book, from_ms, to_ms, chamber, reach_ms=DAY_MS)
        # A minute is as exact as it is written: what ends in it is not asked for.
        found = [each for each in around if each.from_ms < to_ms and each.to_ms >= from_ms]
        if not found and to_ms - from_ms <= IN_FULL_MS:
            _stories(book, [quiet(book, from_ms, to_ms, chamber)], way)
            return
        if len(found) == 1 or (found and len(found) <= MOST_IN_FULL and _short(from_ms, to_ms)):
            told = [story(book, each, before(around, each), chamber) for each in found]
            _stories(book, told, way)
            return
    with progress(quiet=way.as_json) as tell:
        shown = overview(book, from_ms, to_ms, chamber=chamber, progress=tell)
    name = "In that time" if from_when or to_when else f"The last {words((to_ms - from_ms) / 1000)}"
    _show(book, shown, name, way)


def _short(from_ms: int, to_ms: int) -> bool:
    return to_ms - from_ms <= IN_FULL_MS


def _window(book: Book, from_when: str | None, to_when: str | None) -> tuple[int, int]:
    """From when to when, UTC ms, no further than the log reaches.

    Raises:
        InputError: no time, or one after the other, or none that the log has rows of.
    """
    from bottomheat.cli.batch_when import edge_ms

    seen = book.seen
    edge = partial(edge_ms, now_ms=seen.now_ms, clock_set=seen.clock_sure)
    to_ms = seen.now_ms if to_when is None else edge(to_when, end=True)
    to_ms = min(to_ms, max(book.newest_ms, seen.now_ms))
    from_ms = to_ms - USUAL_DAYS * DAY_MS
    if from_when is not None:
        from_ms = edge(from_when, end=False)
    if from_ms >= to_ms:
        raise InputError("--from must be before --to, and before now.")
    if to_ms <= book.first_ms or from_ms >= book.newest_ms:
        raise InputError("the log has no rows of that time; give another --from or --to.")
    return max(from_ms, book.first_ms), to_ms


def _stories(book: Book, told: list[Story], way: _Way) -> None:
    from bottomheat.cli.review_json import story_data
    from bottomheat.cli.review_text import render

    if way.as_json:
        data = {"episodes": [story_data(each) for each in told]}
        click.echo(json.dumps(data, ensure_ascii=False, indent=2))
    elif way.page is None:
        click.echo(f"\n\n{'-' * 80}\n\n".join(render(each) for each in told))
    if way.draws:
        from bottomheat.cli.log_file import progress
        from bottomheat.cli.review_page import page_of_stories

        with progress(quiet=way.as_json) as tell:
            report = page_of_stories(book, told, tell)
        _draw(report, way)


def _show(book: Book, found: Overview, name: str, way: _Way) -> None:
    from bottomheat.cli.review_json import overview_data
    from bottomheat.cli.review_text import render_overview

    if way.as_json:
        click.echo(json.dumps(overview_data(found), ensure_ascii=False, indent=2))
    elif way.page is None:
        click.echo(render_overview(found, name, way.more))
    if way.draws:
        from bottomheat.cli.log_file import progress
        from bottomheat.cli.review_page import page_of_overview

        with progress(quiet=way.as_json) as tell:
            report = page_of_overview(book, found, name, tell)
        _draw(report, way)


def _draw(report: Report, way: _Way) -> None:
    if way.chart and not way.as_json:
        from bottomheat.review.terminal_chart import chart

        for strip in report.strips:
            click.echo(f"\n{chart(strip, report.grid, report.marks)}")
    if way.page is not None:
        from bottomheat.cli.review_page import write

        size = write(way.page, report)
        click.echo(f"{way.page} written, {size / 1e6:.1f} MB: open it in any browser.", err=True)


def _shown(text: str) -> str:
    return "".join(c if c.isprintable() else "?" for c in text[:32])
