"""A review as one page with charts: what is said, the course of each box, marks."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from typing import Final

from bottomheat.alarm_words import TOLD, Level
from bottomheat.cli.review_load import HOUR_MS, Book
from bottomheat.cli.review_words import (
    CLOCK_UNSET,
    STUCK,
    batch_words,
    box_words,
    day,
    entry_words,
    gap_words,
    glance_words,
    headline,
    how_bad,
    needs_reset,
    not_measured,
    why,
)
from bottomheat.errors import InputError
from bottomheat.model import EventKind
from bottomheat.review.episodes import Trouble
from bottomheat.review.exposure import MAX_GAP_S
from bottomheat.review.report import (
    Grid,
    Mark,
    MarkKind,
    Points,
    Report,
    Section,
    Strip,
    Table,
    grid_for,
    strip_of,
)
from bottomheat.review.stitch import BLOCK_MS
from bottomheat.review.story import BatchToll, Overview, Story, reset, reset_command, steps
from bottomheat.review.timeline import Entry, plain
from bottomheat.review.window import Said

AROUND_MS: Final = 12 * HOUR_MS
"""So much of before and after an episode is in its charts."""
Progress = Callable[[str, float], None]
_WORDS: Final = {"why": "", "for": "for: ", "but": "against: ", "or": "or: ", "not": "not: "}
_STAGES: Final = (": stage: ", ": added: ", ": moved ", ": look: ", ": closed")


def page_of_stories(book: Book, told: Sequence[Story], progress: Progress) -> Report:
    """The page of some episodes, or of a quiet time.

    Args:
        book: the log.
        told: what to tell, at least one.
        progress: is told how far it is.

    Raises:
        LogError: the log cannot be read.
    """
    from_ms = min(each.from_ms for each in told) - AROUND_MS
    to_ms = max(toll.record.to_ms for each in told for toll in each.tolls or ())
    to_ms = max([to_ms, *(each.to_ms for each in told)]) + AROUND_MS
    boxes = dict.fromkeys(toll.chamber for each in told for toll in each.tolls)
    title = headline(told[0], None)
    if len(told) > 1:
        title = f"{title} And {len(told) - 1} more."
    sections = [section for each in told for section in _story(each, several=len(told) > 1)]
    return _report(book, title, (from_ms, to_ms), list(boxes), sections, progress)


def page_of_overview(book: Book, found: Overview, name: str, progress: Progress) -> Report:
    """The page of many days.

    Args:
        book: the log.
        found: what to tell.
        name: what it is called.
        progress: is told how far it is.

    Raises:
        LogError: the log cannot be read.
    """
    boxes = [each.chamber for each in found.boxes]
    if found.batch is not None:
        places = (part.piece.place for part in found.batch.record.parts)
        known = book.reader.chambers()
        boxes = list(dict.fromkeys(place for place in places if place in known))
    span = (found.from_ms, found.to_ms)
    return _report(book, name, span, boxes, list(_overview(found)), progress)


def write(path: Path, report: Report) -> int:
    """Write the page of a report into a file; its size in bytes.

    Raises:
        InputError: the library is not installed, or the file cannot be written.
    """
    from bottomheat.review.page import build

    text = build(report).encode()
    try:
        path.write_bytes(text)
    except OSError as error:
        raise InputError(f"{path} cannot be written ({error.strerror}): give another.") from None
    return len(text)


def _report(
    book: Book,
    title: str,
    span_ms: tuple[int, int],
    boxes: Sequence[str],
    sections: list[Section],
    progress: Progress,
) -> Report:
    from_ms, to_ms = max(span_ms[0], book.first_ms), min(span_ms[1], book.newest_ms)
    if from_ms >= to_ms:
        raise InputError("the log has no rows of that time: there is nothing to draw.")
    grid = grid_for(from_ms, to_ms, None, len(boxes))
    gaps = book.gaps(from_ms, to_ms)
    holes = [(gap.from_ms, gap.to_ms) for gap in gaps if gap.to_ms is not None]
    strips = [
        strip
        for number, name in enumerate(boxes)
        if (strip := _strip(book.path, name, grid, holes, _part(progress, number, len(boxes))))
    ]
    alarms = [a for a in book.alarms(from_ms, to_ms) if a.chamber in (None, *boxes)]
    said = [e for e in book.said(from_ms, to_ms) if e.chamber in (None, *boxes)]
    return Report(
        title=title,
        made_ms=book.seen.now_ms,
        zone=None,
        grid=grid,
        sections=tuple(sections),
        strips=tuple(strips),
        marks=tuple(_marks(said, (*gaps, *alarms), (from_ms, to_ms))),
    )


def _part(progress: Progress, number: int, of: int) -> Callable[[float], None]:
    return lambda share: progress("drawing", (number + share) / of)


def _strip(
    path: Path,
    name: str,
    grid: Grid,
    holes: Sequence[tuple[int, int]],
    progress: Callable[[float], None],
) -> Strip | None:
    """The course of a box, a week at a time, so that no season enters memory."""
    from bottomheat_drivers.log.columns import columns

    edge_ms = round(MAX_GAP_S * 1000)
    whole: Strip | None = None
    for low_ms in range(grid.from_ms, grid.to_ms, BLOCK_MS):
        progress((low_ms - grid.from_ms) / (grid.to_ms - grid.from_ms))
        high_ms = min(low_ms + BLOCK_MS, grid.to_ms)
        rows = columns(path, name, low_ms - edge_ms, high_ms + edge_ms)
        strip = strip_of(name, rows, grid, low_ms, high_ms, holes)
        whole = strip if whole is None else whole | strip
    return whole


def _marks(
    said: Sequence[Said], troubles: Sequence[Trouble], span_ms: tuple[int, int]
) -> Iterator[Mark]:
    for each in troubles:
        kind = MarkKind.GAP
        if each.alarm is not None:
            urgent = TOLD[each.alarm].level is Level.NOW
            kind = MarkKind.URGENT if urgent else MarkKind.ALARM
        to_ms = span_ms[1] if each.to_ms is None else min(each.to_ms, span_ms[1])
        yield Mark(kind, max(each.from_ms, span_ms[0]), to_ms, each.what, each.chamber)
    for event in said:
        at_ms = round(event.at_s * 1000)
        text = plain(event.text)
        if event.kind is EventKind.TENDING:
            yield Mark(MarkKind.TENDING, at_ms, None, text, event.chamber)
        elif event.kind is EventKind.SEASON and any(part in text for part in _STAGES):
            yield Mark(MarkKind.STAGE, at_ms, None, text, event.chamber)
        elif event.kind in _NOTED:
            yield Mark(MarkKind.NOTE, at_ms, None, text, event.chamber)


_NOTED: Final = frozenset(
    {
        EventKind.CUTOFF,
        EventKind.RESET,
        EventKind.CONFIG_ACCEPTED,
        EventKind.CLOCK_STEPPED,
        EventKind.DIAGNOSED,
        EventKind.DOUBTED,
    }
)


def _story(story: Story, *, several: bool) -> Iterator[Section]:
    head = f"{headline(story, None)} " if several else ""
    tolls = len(story.tolls) > 1
    state = f"{head}{needs_reset(story.latched)}"
    what: list[str | Points | Table] = [state]
    if story.entries:
        what.append(_timeline(story.entries, several=tolls))
    yield Section("What", tuple(what))
    causes = tuple(f"{_WORDS[word]}{said}" for word, said in why(story, None))
    yield Section("Why", (Points(causes),))
    bad: list[str | Points | Table] = []
    for toll in story.tolls:
        box = f"{toll.chamber}: " if tolls else ""
        bad.append(f"{box}{_words(how_bad(toll, story, None))}")
        bad += [_batch(each) for each in toll.batches]
    bad.append(f"Not measured: {not_measured(story)}")
    yield Section("How bad", tuple(bad))
    do: list[str | Points | Table] = [Points(steps(story), ordered=True)]
    if story.latched:
        do.append(f"Reset: {reset(story)} Then: {reset_command(story)}")
    if not story.sure:
        do.append(CLOCK_UNSET)
    yield Section("Do now", tuple(do))


def _overview(found: Overview) -> Iterator[Section]:
    boxes: list[str | Points | Table] = []
    if found.latched:
        boxes.append(needs_reset(found.latched))
    for box in found.boxes:
        boxes.append(f"{box.chamber}: {_words(box_words(box, None))}")
        boxes += [_batch(each) for each in box.batches]
    if found.batch is not None:
        boxes.append(_batch(found.batch))
    yield Section("How it went", tuple(boxes) or ("No box was in use.",))
    happened: list[str | Points | Table] = []
    if found.glances:
        rows = tuple((day(g.episode.from_ms, None), glance_words(g)) for g in found.glances)
        happened.append(Table("Faults and gaps", ("From", "What"), rows))
    else:
        happened.append("No fault and no gap in that time.")
    happened += [said for said in (gap_words(found),) if said is not None]
    if found.notes:
        happened.append(f"Also: {'; '.join(found.notes)}.")
    if found.entries:
        happened.append(_timeline(found.entries, several=False))
    if not found.sure:
        happened.append(CLOCK_UNSET)
    yield Section("What happened", tuple(happened))


def _timeline(entries: Sequence[Entry], *, several: bool) -> Table:
    rows = tuple((day(e.at_ms, None), entry_words(e, several=several)) for e in entries)
    return Table("What happened, in order", ("When", "What"), rows)


def _batch(each: BatchToll) -> Points:
    verdict, reasons, test = batch_words(each)
    return Points((f"{each.name}: {verdict}", *reasons, *([test] if test is not None else [])))


def _words(said: Sequence[str]) -> str:
    return " ".join(said).replace(STUCK, " ")
