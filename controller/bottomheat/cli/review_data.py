"""What ``review`` tells, put together from the log: a story, or an overview of many days."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, Final

from bottomheat.cli.review_load import AFTER_MS, BEFORE_MS, HOUR_MS, LONGEST_MS, Book
from bottomheat.review.causes import Cause
from bottomheat.review.diagnose import Diagnosis, diagnose
from bottomheat.review.episodes import NO_FAULT, Episode, Trouble, episodes
from bottomheat.review.story import (
    BatchToll,
    BoxGlance,
    BoxToll,
    Glance,
    Overview,
    Story,
    in_short,
    latched,
    stopped_by_hand,
    title,
    together,
)
from bottomheat.review.tally import Adding, Tally
from bottomheat.review.timeline import Entry, timeline

if TYPE_CHECKING:
    from bottomheat.season.ledger import Batch

SIGNS_WITHIN_MS: Final = 6 * HOUR_MS
"""A first sign of a cause is believed so long before the alarm."""
LOOKED_INTO: Final = 5
"""So many of the newest episodes of an overview are diagnosed, where it is of a week."""
SHORT_MS: Final = 8 * 24 * HOUR_MS
MOST_JUMPS: Final = 200
Progress = Callable[[str, float], None]


def story(book: Book, episode: Episode, before_ms: int | None, chamber: str | None) -> Story:
    """What there is to tell of an episode.

    Args:
        book: the log.
        episode: it.
        before_ms: where the episode before it ended, UTC ms; None: there was none.
        chamber: tell of this box alone; None: of all that it is about.

    Raises:
        LogError: the log cannot be read.
    """
    boxes = [name for name in episode.boxes if chamber in (None, name)]
    diagnoses: dict[str, Diagnosis] = {}
    for name in boxes:
        found = None if stopped_by_hand(episode) else _diagnosis(book, episode, before_ms, name)
        if found is not None:
            diagnoses[name] = found
    begins = {name: _since_ms(episode, name, diagnoses.get(name)) for name in boxes}
    tolls = [
        toll
        for name in boxes
        if (toll := book.toll(name, begins[name], _end_ms(episode, name))) is not None
    ]
    begin_ms = min(begins.values(), default=episode.from_ms)
    to_ms = max([episode.to_ms, *(toll.record.to_ms for toll in tolls)])
    return Story(
        from_ms=begin_ms,
        to_ms=episode.to_ms,
        episode=episode,
        found=together(diagnoses),
        tolls=tuple(tolls),
        entries=_entries(book, boxes, begin_ms - HOUR_MS, to_ms),
        latched=tuple(name for name in latched(episode) if chamber in (None, name)),
        sure=_sure(book, begin_ms, to_ms),
        now_ms=book.newest_ms,
    )


def quiet(book: Book, from_ms: int, to_ms: int, chamber: str | None) -> Story:
    """What there is to tell of a stretch of time without an alarm or a gap."""
    boxes = [name for name in book.configs.in_use(from_ms) if chamber in (None, name)]
    diagnoses: dict[str, Diagnosis] = {}
    tolls: list[BoxToll] = []
    for name in boxes:
        found = _quiet_diagnosis(book, name, from_ms, to_ms)
        if found is not None:
            diagnoses[name] = found
        if found is not None or book.reader.thinned(name, from_ms, to_ms)[0]:
            toll = book.toll_within(name, from_ms, to_ms)
            tolls += [toll] if toll is not None else []
    return Story(
        from_ms=from_ms,
        to_ms=to_ms,
        episode=None,
        found=together(diagnoses),
        tolls=tuple(tolls),
        entries=_entries(book, boxes, from_ms, to_ms),
        latched=(),
        sure=_sure(book, from_ms, to_ms),
        now_ms=book.newest_ms,
    )


def episodes_in(
    book: Book, from_ms: int, to_ms: int, chamber: str | None = None, reach_ms: int = 0
) -> tuple[Episode, ...]:
    """The episodes that reach into a stretch of time, whole, oldest first."""
    gaps = book.gaps(from_ms - reach_ms, to_ms)
    return _episodes(
        book, (*gaps, *book.alarms(from_ms - reach_ms, to_ms)), from_ms, to_ms, chamber
    )


def last_episode(book: Book, chamber: str | None) -> tuple[Episode, int | None] | None:
    """The newest episode and where the one before it ended; None: the log tells of none."""
    found: tuple[Episode, ...] = ()
    days = 8
    while True:
        from_ms = book.newest_ms - days * 24 * HOUR_MS
        found = episodes_in(book, from_ms, book.newest_ms, chamber)
        # One that reaches back to where the search begins may begin before it.
        if (len(found) > 1 and found[0].from_ms > from_ms) or from_ms <= book.first_ms:
            break
        days *= 4
    if not found:
        return None
    newest = max(found, key=lambda each: each.from_ms)
    return newest, before(found, newest)


def before(found: Sequence[Episode], episode: Episode) -> int | None:
    """Where the last episode ended that was over before this one began, UTC ms."""
    return max(
        (each.to_ms for each in found if each.to_ms < episode.from_ms and _share(each, episode)),
        default=None,
    )


def overview(
    book: Book,
    from_ms: int,
    to_ms: int,
    *,
    chamber: str | None = None,
    progress: Progress | None = None,
) -> Overview:
    """A stretch of time in few lines; of many days no row is kept in memory.

    Args:
        book: the log.
        from_ms: begin, UTC ms.
        to_ms: end, UTC ms.
        chamber: of this box alone.
        progress: is told how far it is.

    Raises:
        LogError: the log cannot be read.
    """
    jump_s = book.configs.longest_gap_s(from_ms, to_ms)
    adding: dict[str, Adding] = {}
    uses: dict[str, list[tuple[int, int]]] = {}
    for block in book.reader.blocks(from_ms, to_ms, progress):
        name = block.chamber
        if chamber not in (None, name):
            continue
        if name not in uses:
            uses[name] = book.configs.uses(name, from_ms, to_ms)
        for span in uses[name]:
            part = block.within(*span)
            if len(part.wall_ms):
                adding.setdefault(name, Adding(jump_s)).add(part)
    tallies = {name: adding[name].tally() for name in sorted(adding)}
    gaps = [gap for span in _spans(tallies) for gap in book.gaps(span[0] - 1000, span[1] + 1000)]
    troubles = (*gaps, *book.alarms(from_ms, to_ms))
    found = _episodes(book, troubles, from_ms, to_ms, chamber)
    short = to_ms - from_ms <= SHORT_MS
    return Overview(
        from_ms=from_ms,
        to_ms=to_ms,
        boxes=tuple(
            _box(book, name, tally, (from_ms, to_ms), batches=short)
            for name, tally in tallies.items()
        ),
        glances=tuple(
            Glance(each, _title(book, found, each) if short and number < LOOKED_INTO else "")
            for number, each in enumerate(reversed(found))
        )[::-1],
        gaps_h=sum((gap.to_ms or 0) - gap.from_ms for gap in gaps) / HOUR_MS,
        notes=_notes(troubles),
        batch=None,
        latched=tuple(dict.fromkeys(name for each in found for name in latched(each))),
        sure=_sure(book, from_ms, to_ms),
    )


def overview_of_batch(book: Book, batch: Batch) -> Overview | None:
    """What a batch stood through from its first day on; None: it has not stood anywhere.

    Raises:
        LogError: the log cannot be read.
    """
    if not batch.stays:
        return None
    now_ms = max(book.newest_ms, book.seen.now_ms)
    from_ms = max(batch.stays[0].from_ms, book.first_ms)
    to_ms = min(now_ms if batch.closed_ms is None else batch.closed_ms, now_ms)
    toll = book.batch_toll(batch, None, None)
    if toll is None or from_ms >= to_ms:
        return None
    gaps = book.gaps(from_ms, to_ms)
    found = [
        each
        for each in _episodes(book, (*gaps, *book.alarms(from_ms, to_ms)), from_ms, to_ms, None)
        if _was_there(batch, each)
    ]
    own = f"{batch.name}: "
    said = [
        replace(each, text=each.text.removeprefix(own))
        for each in book.said(from_ms, to_ms + 1)
        if each.text.startswith(own) and not each.text.startswith(f"{own}done: ")
    ]
    return Overview(
        from_ms=from_ms,
        to_ms=to_ms,
        boxes=(),
        glances=tuple(Glance(each, "") for each in found),
        gaps_h=0.0,
        notes=(),
        batch=toll,
        latched=tuple(dict.fromkeys(name for each in found for name in latched(each))),
        sure=_sure(book, from_ms, to_ms),
        entries=timeline(said, (), from_ms, to_ms + 1),
    )


def _episodes(
    book: Book, troubles: Sequence[Trouble], from_ms: int, to_ms: int, chamber: str | None
) -> tuple[Episode, ...]:
    found = episodes(troubles, book.configs.in_use, book.newest_ms)
    return tuple(
        each
        for each in found
        if each.from_ms < to_ms
        and each.to_ms >= from_ms
        and (chamber is None or chamber in each.boxes)
    )


def _diagnosis(book: Book, episode: Episode, before_ms: int | None, name: str) -> Diagnosis | None:
    own = episode.of(name) or episode.troubles
    begin_ms = min(each.from_ms for each in own)
    from_ms = begin_ms - BEFORE_MS
    if before_ms is not None and before_ms < begin_ms:
        from_ms = max(from_ms, before_ms + HOUR_MS // 2)
    # What it was like while nobody used it tells nothing.
    used = [each for each in book.configs.uses(name, from_ms, begin_ms + 1) if each[1] > begin_ms]
    from_ms = max([min(from_ms, begin_ms - HOUR_MS), *(each[0] for each in used)])
    to_ms = min(_end_ms(episode, name) + AFTER_MS, from_ms + LONGEST_MS)
    window = book.window(name, from_ms, to_ms)
    return None if window is None or not len(window.at_s) else diagnose(window)


def _quiet_diagnosis(book: Book, name: str, from_ms: int, to_ms: int) -> Diagnosis | None:
    """The first cause that is found in any part of that time; None: it has no rows."""
    none: Diagnosis | None = None
    for low_ms in range(from_ms, to_ms, LONGEST_MS):
        window = book.window(name, low_ms, min(low_ms + LONGEST_MS, to_ms))
        if window is None or not len(window.at_s):
            continue
        found = diagnose(window)
        if found.first.cause is not Cause.NONE:
            return found
        none = none or found
    return none


def _end_ms(episode: Episode, name: str) -> int:
    own = episode.of(name) or episode.troubles
    return max(episode.to_ms if each.to_ms is None else each.to_ms for each in own)


def _since_ms(episode: Episode, name: str, diagnosis: Diagnosis | None) -> int:
    """The first sign of it: the diagnosis may have seen one before the alarm."""
    begin_ms = min(each.from_ms for each in episode.of(name) or episode.troubles)
    since_s = None if diagnosis is None else diagnosis.first.since_s
    if since_s is None or not begin_ms - SIGNS_WITHIN_MS <= since_s * 1000 < begin_ms:
        return begin_ms
    return round(since_s * 1000)


def _entries(book: Book, boxes: Sequence[str], from_ms: int, to_ms: int) -> tuple[Entry, ...]:
    def ours(chamber: str | None) -> bool:
        return chamber is None or chamber in boxes

    said = [each for each in book.said(from_ms, to_ms) if ours(each.chamber)]
    both = (*book.gaps(from_ms, to_ms), *book.alarms(from_ms, to_ms))
    troubles = [each for each in both if ours(each.chamber)]
    return timeline(said, troubles, from_ms, to_ms)


def _title(book: Book, found: Sequence[Episode], episode: Episode) -> str:
    if stopped_by_hand(episode):
        return in_short(episode)
    diagnoses = {
        name: made
        for name in episode.boxes
        if (made := _diagnosis(book, episode, before(found, episode), name)) is not None
    }
    return title(episode, together(diagnoses))


def _box(
    book: Book, name: str, tally: Tally, span_ms: tuple[int, int], *, batches: bool
) -> BoxGlance:
    tolls: tuple[BatchToll, ...] = tuple(book.batch_tolls(name, *span_ms)) if batches else ()
    doubts = [
        None if each is None else book.reader.expanded_k(name, each[1], *span_ms)
        for each in (tally.low, tally.high)
    ]
    return BoxGlance(name, tally, doubts[0], doubts[1], tolls)


def _spans(tallies: dict[str, Tally]) -> list[tuple[int, int]]:
    """Where rows of some box lie far apart, without overlaps: the longest, if they are many."""
    jumps = {jump for tally in tallies.values() for jump in tally.jumps}
    longest = sorted(jumps, key=lambda jump: jump[0] - jump[1])[:MOST_JUMPS]
    made: list[tuple[int, int]] = []
    for from_ms, to_ms in sorted(longest):
        if made and from_ms <= made[-1][1] + 2000:
            made[-1] = made[-1][0], max(made[-1][1], to_ms)
        else:
            made.append((from_ms, to_ms))
    return made


def _notes(troubles: Sequence[Trouble]) -> tuple[str, ...]:
    said = Counter(
        f"{each.what}{'' if each.chamber is None else f' ({each.chamber})'}"
        for each in troubles
        if each.alarm in NO_FAULT
    )
    return tuple(f"{what}, {times} times" if times > 1 else what for what, times in said.items())


def _was_there(batch: Batch, episode: Episode) -> bool:
    return any(
        stay.place in episode.boxes
        and stay.from_ms < episode.to_ms
        and (stay.to_ms is None or stay.to_ms > episode.from_ms)
        for stay in batch.stays
    )


def _share(one: Episode, other: Episode) -> bool:
    return bool(set(one.boxes) & set(other.boxes))


def _sure(book: Book, from_ms: int, to_ms: int) -> bool:
    return all(
        run.sure
        for run in book.seen.runs
        if run.began_wall_ms < to_ms and run.last_wall_ms > from_ms
    )
