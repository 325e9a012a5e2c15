"""How a review reads on screen, in 80 columns; pure."""

from __future__ import annotations

import math
import textwrap
from collections.abc import Iterator, Sequence
from datetime import UTC, datetime, tzinfo
from typing import Final

from bottomheat.durations import words
from bottomheat.review.causes import Cause, named
from bottomheat.review.exposure import WIDEST_K, Extreme
from bottomheat.review.features import Candidate, Mark
from bottomheat.review.parts import Span
from bottomheat.review.record import ThermalRecord
from bottomheat.review.story import (
    BatchToll,
    BoxGlance,
    BoxToll,
    Found,
    Glance,
    Overview,
    Story,
    in_short,
    others,
    reset,
    rivals,
    ruled_out,
    steps,
    stopped_by_hand,
    sure,
    title,
)
from bottomheat.review.timeline import Entry, plain, short
from bottomheat.review.verdict import Level, stretch

WIDTH: Final = 80
_LABEL: Final = 9
_SHORT_H: Final = 1 / 60
_MOST_GLANCES: Final = 12
_MOST_MARKS: Final = 4
_STUCK: Final = "\N{NO-BREAK SPACE}"


def render(story: Story, zone: tzinfo | None = None) -> str:
    """What happened, why, how bad it was and what to do; ``zone`` None is this machine's."""
    several = len(story.tolls) > 1 or (story.episode is not None and len(story.episode.boxes) > 1)
    lines = [*_head(story, zone), ""]
    lines += _what(story, zone, several=several)
    lines += _why(story, zone)
    for number, toll in enumerate(story.tolls):
        lines += _bad("How bad" if number == 0 else "", toll, story, zone, several=several)
    lines += _not_measured(story)
    lines += _do(story)
    if not story.sure:
        lines += _wrapped("! ", "The clock was not set for some of this: its dates may be wrong.")
    return "\n".join(line.replace(_STUCK, " ") for line in lines)


def render_overview(found: Overview, name: str, more: str = "", zone: tzinfo | None = None) -> str:
    """Many days in few lines.

    Args:
        found: them.
        name: what they are called: "The last 7 days".
        more: options that belong to every command that is printed.
        zone: the grower's; None is this machine's.
    """
    lines = [f"{name}: {_date(found.from_ms, zone)} to {_date(found.to_ms, zone)}"]
    if found.latched:
        lines += _wrapped("", f"NEEDS RESET: {', '.join(found.latched)}")
    lines.append("")
    for box in found.boxes:
        lines += _glance_box(box, zone)
    if not found.boxes and found.batch is None:
        lines.append("No box was in use.")
    if found.batch is not None:
        lines += [*_batch(found.batch), f"{'':<{_LABEL}}bottomheat record {found.batch.name}{more}"]
    lines += [line for entry in found.entries for line in _entry(entry, zone, dated=True)]
    if found.boxes or found.batch is not None:
        lines.append("")
    lines += _episodes(found, more, zone)
    if found.notes:
        lines += _row("Also", "; ".join(found.notes))
    if not found.sure:
        lines += _wrapped("! ", "The clock was not set for some of this: its dates may be wrong.")
    return "\n".join(line.replace(_STUCK, " ") for line in lines)


def command(from_ms: int, to_ms: int, zone: tzinfo | None = None) -> str:
    """The command that tells of one episode."""
    begin, end = _local(from_ms, zone), _local(to_ms + 59_999, zone)
    return f"bottomheat review --from {begin:%Y-%m-%dT%H:%M} --to {end:%Y-%m-%dT%H:%M}"


# -- one episode


def _head(story: Story, zone: tzinfo | None) -> list[str]:
    from_ms, to_ms = story.from_ms, story.to_ms
    boxes = story.episode.boxes if story.episode is not None else [t.chamber for t in story.tolls]
    where = ", ".join(boxes) or "no box in use"
    long = words((to_ms - from_ms) / 1000)
    still = ", still so" if story.standing else ""
    end = _clock(to_ms, zone) if _same_day(from_ms, to_ms, zone) else _day(to_ms, zone)
    text = f"{title(story.episode, story.found)}, {_day(from_ms, zone)}-{end} ({long}{still})"
    text = f"{text}, {where}."
    if story.latched:
        return [*_wrapped("", text), f"NEEDS RESET: {', '.join(story.latched)}"]
    lines = _wrapped("", text)
    nothing = "Nothing to reset."
    room = WIDTH - len(lines[-1]) - len(nothing)
    if room < 2:
        return [*lines, nothing]
    return [*lines[:-1], f"{lines[-1]}{' ' * room}{nothing}"]


def _what(story: Story, zone: tzinfo | None, *, several: bool) -> list[str]:
    kept, left = short(story.entries)
    if not kept:
        return _row("What", "No alarm, no gap, nothing entered.")
    lines: list[str] = []
    day = ""
    for entry in kept:
        new = f"{_local(entry.at_ms, zone):%a} {_day_of(entry.at_ms, zone)}"
        if new != day:
            lines.append(f"{'What' if not lines else '':<{_LABEL}}{new}")
            day = new
        lines += _entry(entry, zone, several=several)
    if left:
        lines.append(f"{'':<{_LABEL}}and {left} smaller things: --json has all")
    return lines


def _entry(
    entry: Entry, zone: tzinfo | None, *, several: bool = False, dated: bool = False
) -> list[str]:
    box = f"{entry.chamber}: " if several and entry.chamber is not None else ""
    notes = [f"{entry.times} times"] if entry.times > 1 else []
    if entry.to_ms is not None and entry.to_ms - entry.at_ms >= 60_000:
        until = "in all" if entry.times > 1 else ""
        notes.append(f"{words((entry.to_ms - entry.at_ms) / 1000)} {until}".strip())
    if entry.standing:
        notes.append("still so at the end")
    note = f" ({', '.join(notes)})" if notes else ""
    when = _day(entry.at_ms, zone) if dated else _clock(entry.at_ms, zone)
    return _wrapped(f"  {when}  ", f"{box}{entry.text}{note}", " " * _LABEL)


def _why(story: Story, zone: tzinfo | None) -> list[str]:
    if stopped_by_hand(story.episode):
        return _row("Why", "Somebody stopped the service: no heat in that time.")
    if not story.found:
        return _row("Why", "Not known: there are no rows of that time.")
    lines: list[str] = []
    for number, each in enumerate(story.found):
        where = f"{', '.join(each.boxes)}: " if len(story.found) > 1 else ""
        lines += _row("Why" if number == 0 else "", f"{where}{_cause(each, story)}")
        lines += _evidence(each, zone)
    return lines


def _cause(each: Found, story: Story) -> str:
    first = each.diagnosis.first
    name = named(first.cause, first.place)
    name = name[:1].upper() + name[1:]
    if first.cause is Cause.NONE:
        if story.episode is None:
            return "No fault: nothing in the readings or the events speaks of one."
        return "No cause in box, wiring or power that the record shows; what was said stands above."
    if first.cause is Cause.CANNOT_TELL:
        return "Cannot tell: something is wrong, and no cause has enough that speaks for it."
    near = rivals(each.diagnosis)
    if near:
        rest = ", or ".join(named(one.cause, one.place) for one in near)
        return f"Cannot tell which: {name[:1].lower() + name[1:]}, or {rest}."
    return f"{name}." if sure(each.diagnosis) else f"{name}, most likely."


def _evidence(each: Found, zone: tzinfo | None) -> Iterator[str]:
    diagnosis = each.diagnosis
    for candidate in (diagnosis.first, *rivals(diagnosis)):
        speaks = [mark for mark in candidate.marks if mark.weight > 0]
        for mark in _distinct(speaks)[:_MOST_MARKS]:
            yield from _row("  for", _mark(mark, zone))
        for mark in _distinct([m for m in candidate.marks if m.weight < 0])[:_MOST_MARKS]:
            yield from _row("  but", _mark(mark, zone))
    for candidate in others(diagnosis):
        yield from _row("  or", f"{named(candidate.cause, candidate.place)}: {_best(candidate)}")
    for candidate in ruled_out(diagnosis)[:2]:
        against = [mark.text for mark in candidate.marks if mark.weight < 0]
        told = f"{named(candidate.cause, candidate.place)}: {plain(against[0])}"
        yield from _row("  not", told)


def _distinct(marks: Sequence[Mark]) -> list[Mark]:
    return list({plain(mark.text): mark for mark in marks}.values())


def _mark(mark: Mark, zone: tzinfo | None) -> str:
    when = "" if mark.at_s is None else f"{_day(round(mark.at_s * 1000), zone)} "
    return f"{when}{plain(mark.text)}"


def _best(candidate: Candidate) -> str:
    marks = sorted(candidate.marks, key=lambda mark: -mark.weight)
    but = f", but {plain(marks[-1].text)}" if marks[-1].weight < 0 else ""
    return f"{plain(marks[0].text)}{but}"


def _bad(
    label: str, toll: BoxToll, story: Story, zone: tzinfo | None, *, several: bool
) -> list[str]:
    record = toll.record
    lines = _row(label, toll.chamber) if several else []
    label = "" if several else label
    if record.coldest is None or record.hottest is None:
        lines += _row(label, "Bases: not known, nothing was measured.")
    else:
        low, high = _extreme(record.coldest, zone), _extreme(record.hottest, zone)
        lines += _row(label, f"Bases lowest {low}, highest {high}.")
        lines += _row("", _band(record))
    back = "" if story.episode is None else _back(toll, story, zone)
    said = [back] if back else []
    if toll.room_c is not None:
        said.append(f"Room {toll.room_c[0]:.1f} to {toll.room_c[1]:.1f} °C.")
    if record.unknown_h >= _SHORT_H:
        long = words(record.unknown_h * 3600)
        said.append(f"{long} unmeasured, not counted as in band.")
    lines += _row("", " ".join(said)) if said else []
    for batch in toll.batches:
        lines += _batch(batch)
    return lines


def _band(record: ThermalRecord) -> str:
    if max(record.below.hours, record.above.hours) < _SHORT_H:
        return "All of what is known within 0.5 K of the setpoint, by the estimate."
    beyond = [
        _beyond(side, span)
        for side, span in (("below", record.below_span), ("above", record.above_span))
    ]
    return f"Of the band of 0.5 K around the setpoint: {', '.join(beyond)}."


def _beyond(side: str, span: Span) -> str:
    if span.hours < _SHORT_H:
        return f"never {side}" if span.most_h < _SHORT_H else f"not {side} by the estimate"
    return f"{side} {stretch(span)}"


def _back(toll: BoxToll, story: Story, zone: tzinfo | None) -> str:
    if toll.back_ms is None:
        return (
            "Not back in band yet."
            if toll.record.to_ms >= story.now_ms - 60_000
            else ("Not back in band within two days after it.")
        )
    if max(toll.record.below.hours, toll.record.above.hours) < _SHORT_H:
        return ""
    return f"Back in band {_day(toll.back_ms, zone)}."


def _batch(batch: BatchToll) -> list[str]:
    verdict = batch.verdict
    name = f"  {batch.name}"
    first = f"{name:<{_LABEL}}" if len(name) < _LABEL else f"{name}  "
    lines = _wrapped(first, f"{batch.words}: {verdict.words}", " " * _LABEL)
    for finding in verdict.findings[:2]:
        lines += _wrapped(f"{'':<{_LABEL}}- ", finding.words, f"{'':<{_LABEL}}  ")
    if verdict.level > Level.NO_HARM:
        lines += _row("", f"Test: {verdict.test}.")
    return lines


def _not_measured(story: Story) -> list[str]:
    found: dict[str, None] = {}
    for toll in story.tolls:
        for batch in toll.batches:
            found |= dict.fromkeys(
                each for each in batch.verdict.not_measured if "without data" not in each
            )
    return _wrapped("Not measured: ", f"{'; '.join(found) or 'moisture'}.", " " * _LABEL)


def _do(story: Story) -> list[str]:
    lines: list[str] = []
    for number, step in enumerate(steps(story), 1):
        label = "Do now" if number == 1 else ""
        lines += _wrapped(f"{label:<{_LABEL}}{number} ", step, " " * (_LABEL + 2))
    if story.latched:
        lines += _row("Reset", f"{reset(story)} Then: bottomheat reset cutoff")
    return lines


# -- many days


def _glance_box(box: BoxGlance, zone: tzinfo | None) -> list[str]:
    tally = box.tally
    lines = [box.chamber]
    share = tally.in_band_frac
    if share is None or tally.low is None or tally.high is None:
        return [*lines, *_row("", "No estimate in that time.")]
    # Never 100 % where a minute was out of it.
    percent = 100.0 if share >= 1.0 - 1e-9 else min(99.9, math.floor(1000 * share) / 10)
    low = _value(*tally.low, box.low_k, zone)
    high = _value(*tally.high, box.high_k, zone)
    lines += _row(
        "  bases", f"In band {percent:g} % of what is known. Lowest {low}, highest {high}."
    )
    beyond = [
        f"{words(hours * 3600)} {side}" if hours >= _SHORT_H else f"never {side}"
        for side, hours in (("below", tally.below_h), ("above", tally.above_h))
    ]
    said = f"{', '.join(beyond).capitalize()}."
    if tally.room_c is not None:
        said += f" Room {tally.room_c[0]:.1f} to {tally.room_c[1]:.1f} °C."
    if tally.heat_frac is not None:
        said += f" Heat on {100 * tally.heat_frac:.0f} % of the time."
    lines += _row("", said)
    for batch in box.batches:
        lines += _batch(batch)
    return lines


def _value(celsius: float, at_ms: int, expanded_k: float | None, zone: tzinfo | None) -> str:
    doubt = " °C (doubt not known)" if expanded_k is None else f" ± {expanded_k:.1f} °C"
    return f"{celsius:.1f}{doubt} {_day(at_ms, zone)}".replace(" ", _STUCK)


def _episodes(found: Overview, more: str, zone: tzinfo | None) -> list[str]:
    if not found.glances:
        return ["No fault and no gap in that time."]
    number = len(found.glances)
    kept = found.glances[-_MOST_GLANCES:]
    lines = [f"What happened: {number}, the newest last" if number > 1 else "What happened"]
    if number > len(kept):
        left = found.glances[:-_MOST_GLANCES]
        until = _day(left[-1].episode.from_ms, zone)
        lines.append(f"  {len(left)} before that, up to {until}: ask for less time to see them")
    for each in kept:
        lines += _glance(each, more, zone)
    if found.gaps_h >= _SHORT_H:
        lines += _wrapped("", f"Nothing was recorded for {words(found.gaps_h * 3600)} in all.")
    return lines


def _glance(each: Glance, more: str, zone: tzinfo | None) -> list[str]:
    episode = each.episode
    long = words((episode.to_ms - episode.from_ms) / 1000)
    still = ", still so" if episode.standing else ""
    what = each.title or in_short(episode)
    where = ", ".join(episode.boxes) or "no box in use"
    text = f"{what}; {where} ({long}{still})"
    lines = _wrapped(f"  {_day(episode.from_ms, zone)}  ", text, " " * _LABEL)
    # Never broken, so that it can be copied.
    return [*lines, f"    {command(episode.from_ms, episode.to_ms, zone)}{more}"]


# -- words


def _extreme(each: Extreme, zone: tzinfo | None) -> str:
    known = each.expanded_k if each.expanded_k < WIDEST_K else None
    return _value(each.celsius, each.at_ms, known, zone)


def _row(label: str, text: str) -> list[str]:
    return _wrapped(f"{label:<{_LABEL}}", text, " " * _LABEL)


def _wrapped(first: str, text: str, later: str = "  ") -> list[str]:
    return textwrap.wrap(
        text,
        WIDTH,
        initial_indent=first,
        subsequent_indent=later,
        break_long_words=False,
        break_on_hyphens=False,
    )


def _local(wall_ms: int, zone: tzinfo | None) -> datetime:
    return datetime.fromtimestamp(wall_ms / 1000, UTC).astimezone(zone)


def _same_day(one_ms: int, other_ms: int, zone: tzinfo | None) -> bool:
    return _local(one_ms, zone).date() == _local(other_ms, zone).date()


def _day_of(wall_ms: int, zone: tzinfo | None) -> str:
    then = _local(wall_ms, zone)
    return f"{then.day} {then:%b}"


def _clock(wall_ms: int, zone: tzinfo | None) -> str:
    return f"{_local(wall_ms, zone):%H:%M}"


def _day(wall_ms: int, zone: tzinfo | None) -> str:
    return f"{_local(wall_ms, zone):%a} {_day_of(wall_ms, zone)} {_clock(wall_ms, zone)}"


def _date(wall_ms: int, zone: tzinfo | None) -> str:
    then = _local(wall_ms, zone)
    return f"{then:%a} {then.day} {then:%b %Y %H:%M}"
