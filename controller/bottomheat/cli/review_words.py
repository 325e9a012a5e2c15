"""What a review says, in sentences; for the screen and for the page.  Pure."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from datetime import UTC, datetime, tzinfo
from typing import Final

from bottomheat.durations import words
from bottomheat.model import Place
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
    rivals,
    ruled_out,
    stopped_by_hand,
    sure,
    title,
)
from bottomheat.review.timeline import Entry, plain
from bottomheat.review.verdict import Level, length

NOTHING_TO_RESET: Final = "Nothing to reset."
CLOCK_UNSET: Final = "The clock was not set for some of this: its dates may be wrong."
STUCK: Final = "\N{NO-BREAK SPACE}"
"""Holds a value and its time on one line; printed as a space."""
_SHORT_H: Final = 1 / 60
_SECOND_H: Final = 1 / 3600
_MOST_MARKS: Final = 4


# -- one episode


def headline(story: Story, zone: tzinfo | None) -> str:
    """What, when, how long, where."""
    from_ms, to_ms = story.from_ms, story.to_ms
    boxes = story.episode.boxes if story.episode is not None else [t.chamber for t in story.tolls]
    where = ", ".join(boxes) or "no box in use"
    still = ", still so" if story.standing else ""
    end = clock(to_ms, zone) if _same_day(from_ms, to_ms, zone) else day(to_ms, zone)
    when = f"{day(from_ms, zone)}-{end} ({words((to_ms - from_ms) / 1000)}{still})"
    return f"{title(story.episode, story.found)}, {when}, {where}."


def needs_reset(latched: Sequence[str]) -> str:
    """Which boxes wait for a reset, or that none does."""
    return f"NEEDS RESET: {', '.join(latched)}" if latched else NOTHING_TO_RESET


def entry_words(entry: Entry, *, several: bool = False) -> str:
    """A line of the timeline without its time; ``several``: it has to say of which box."""
    box = f"{entry.chamber}: " if several and entry.chamber is not None else ""
    notes = [f"{entry.times} times"] if entry.times > 1 else []
    if entry.to_ms is not None and entry.to_ms - entry.at_ms >= 60_000:
        in_all = " in all" if entry.times > 1 else ""
        notes.append(f"{words((entry.to_ms - entry.at_ms) / 1000)}{in_all}")
    if entry.standing:
        notes.append("still so at the end")
    note = f" ({', '.join(notes)})" if notes else ""
    return f"{box}{entry.text}{note}"


def why(story: Story, zone: tzinfo | None) -> Iterator[tuple[str, str]]:
    """The cause, box by box, and what speaks for and against it.

    Yields:
        A word before each sentence, and it: "why", "for", "but" (against it), "or" (another cause
        that is possible) or "not" (one that is not).
    """
    if stopped_by_hand(story.episode):
        yield "why", "Somebody stopped the service: no heat in that time."
    elif not story.found:
        yield "why", "Cannot tell: the log keeps no single readings of that time."
    for each in story.found:
        where = f"{', '.join(each.boxes)}: " if len(story.found) > 1 else ""
        yield "why", f"{where}{_cause(each, story)}"
        yield from _evidence(each, zone)


def how_bad(toll: BoxToll, story: Story, zone: tzinfo | None) -> list[str]:
    """What a box went through, in sentences."""
    record = toll.record
    if record.coldest is None or record.hottest is None:
        said = ["Bases: not known, nothing was measured."]
    else:
        low, high = _extreme(record.coldest, zone), _extreme(record.hottest, zone)
        said = [f"Bases lowest {low}, highest {high}.", _band(record)]
        if (doubt := _doubted(toll, story, zone)) is not None:
            said.append(doubt)
    rest = [_back(toll, story, zone)] if story.episode is not None else []
    if toll.room_c is not None:
        rest.append(f"Room {toll.room_c[0]:.1f} to {toll.room_c[1]:.1f} °C.")
    if record.unknown_h >= _SHORT_H:
        rest.append(f"{words(record.unknown_h * 3600)} {_unknown(record)}.")
    return [*said, *([" ".join(filter(None, rest))] if any(rest) else [])]


def _unknown(record: ThermalRecord) -> str:
    """Why time is not known, and that it does not count."""
    said = dict.fromkeys(each.why for each in record.unknown if each.why is not None)
    if not said:
        return "unmeasured, not counted as in band"
    others = any(each.why is None and each.hours >= _SHORT_H for each in record.unknown)
    first = "unmeasured or not known" if others else "not known"
    return f"{first} ({', '.join(said)}), not counted as in band"


_MISREAD: Final = frozenset(
    {Cause.PROBE_FROZEN, Cause.PROBE_DISPLACED, Cause.PROBE_WRONG, Cause.CROSSED}
)
_ACCUSED: Final = _MISREAD - {Cause.PROBE_WRONG}
_LAYERS: Final = frozenset({None, Place.SUBSTRATE, Place.SUBSTRATE_2})
_LEADS: Final = frozenset({None, Place.SUBSTRATE, Place.SUBSTRATE_2, Place.CALLUS, Place.ROOM})
"""Probes that the estimate comes from; none is named where two boxes are crossed."""


def _doubted(toll: BoxToll, story: Story, zone: tzinfo | None) -> str | None:
    """That the estimate of that time came from a probe that is in doubt, or None."""
    left_out = any(each.why is not None for each in toll.record.unknown)
    for each in story.found:
        first = each.diagnosis.first
        if left_out and first.cause in _ACCUSED and first.place in _LAYERS:
            continue  # that time counts as unknown
        if toll.chamber in each.boxes and first.cause in _MISREAD and first.place in _LEADS:
            since = (
                ""
                if first.since_s is None
                else f" from {day(round(first.since_s * 1000), zone)} on"
            )
            return (
                f"Do not rely on that{since}: it comes from the probe that is in doubt, and the "
                "bases may have been warmer or colder."
            )
    return None


def batch_words(batch: BatchToll) -> tuple[str, tuple[str, ...], str | None]:
    """A batch and its verdict; why; the test to make, or None where nothing asks for one."""
    verdict = batch.verdict
    test = f"Test: {verdict.test}." if verdict.level > Level.NO_HARM else None
    return f"{batch.words}: {verdict.words}", tuple(f.words for f in verdict.findings[:2]), test


def not_measured(story: Story) -> str:
    """What nobody knows."""
    found: dict[str, None] = {}
    for toll in story.tolls:
        for batch in toll.batches:
            said = batch.verdict.not_measured
            found |= dict.fromkeys(each for each in said if "without data" not in each)
    return f"{'; '.join(found) or 'moisture'}."


def _cause(each: Found, story: Story) -> str:
    first = each.diagnosis.first
    if first.cause is Cause.NONE:
        if story.episode is None:
            return "No fault: nothing in the readings or the events speaks of one."
        return "No cause in box, wiring or power that the record shows; what was said stands above."
    if first.cause is Cause.CANNOT_TELL:
        return "Cannot tell: something is wrong, and no cause has enough that speaks for it."
    name = named(first.cause, first.place)
    near = rivals(each.diagnosis)
    if near:
        rest = ", or ".join(named(one.cause, one.place) for one in near)
        return f"Cannot tell which: {name}, or {rest}."
    name = name[:1].upper() + name[1:]
    return f"{name}." if sure(each.diagnosis) else f"{name}, most likely."


def _evidence(each: Found, zone: tzinfo | None) -> Iterator[tuple[str, str]]:
    diagnosis = each.diagnosis
    for candidate in (diagnosis.first, *rivals(diagnosis)):
        for word, sign in (("for", 1.0), ("but", -1.0)):
            marks = [mark for mark in candidate.marks if sign * mark.weight > 0]
            for mark in _distinct(marks)[:_MOST_MARKS]:
                yield word, _mark(mark, zone)
    for candidate in others(diagnosis):
        yield "or", f"{named(candidate.cause, candidate.place)}: {_best(candidate)}"
    for candidate in ruled_out(diagnosis)[:2]:
        against = [mark.text for mark in candidate.marks if mark.weight < 0]
        yield "not", f"{named(candidate.cause, candidate.place)}: {plain(against[0])}"


def _distinct(marks: Sequence[Mark]) -> list[Mark]:
    return list({plain(mark.text): mark for mark in reversed(marks)}.values())[::-1]


def _mark(mark: Mark, zone: tzinfo | None) -> str:
    when = "" if mark.at_s is None else f"{day(round(mark.at_s * 1000), zone)} "
    return f"{when}{plain(mark.text)}"


def _best(candidate: Candidate) -> str:
    marks = sorted(candidate.marks, key=lambda mark: -mark.weight)
    but = f", but {plain(marks[-1].text)}" if marks[-1].weight < 0 else ""
    return f"{plain(marks[0].text)}{but}"


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
    # Each in its own unit: "0 h (between 0 and 14)" is no way to say half an hour.
    shown, least, most = (length(each) for each in (span.hours, span.least_h, span.most_h))
    return f"{side} {shown}" + ("" if least == most else f" (between {least} and {most})")


def _back(toll: BoxToll, story: Story, zone: tzinfo | None) -> str:
    record = toll.record
    out = max(record.below.hours, record.above.hours) >= _SHORT_H
    if not out and (toll.back_ms is not None or record.unknown_h < _SHORT_H):
        return ""
    if toll.back_ms is not None:
        return f"Back in band {day(toll.back_ms, zone)}."
    if record.to_ms >= story.now_ms - 60_000:
        return "Not back in band yet." if out else "Not known to be in band yet."
    return "Not back in band within two days after it."


# -- many days


def box_words(box: BoxGlance, zone: tzinfo | None) -> list[str]:
    """A box over many days, in sentences."""
    tally = box.tally
    share = tally.in_band_frac
    if share is None or tally.low is None or tally.high is None:
        return ["No estimate in that time."]
    # Never 100 % where a minute was out of it.
    percent = 100.0 if share >= 1.0 - 1e-9 else min(99.9, math.floor(1000 * share) / 10)
    low, high = _value(*tally.low, box.low_k, zone), _value(*tally.high, box.high_k, zone)
    beyond = [
        f"{words(hours * 3600)} {side}" if hours >= _SECOND_H else f"never {side}"
        for side, hours in (("below", tally.below_h), ("above", tally.above_h))
    ]
    said = f"{', '.join(beyond).capitalize()}."
    if tally.room_c is not None:
        said += f" Room {tally.room_c[0]:.1f} to {tally.room_c[1]:.1f} °C."
    if tally.heat_frac is not None:
        said += f" Heat on {100 * tally.heat_frac:.0f} % of the time."
    return [f"In band {percent:g} % of what is known. Lowest {low}, highest {high}.", said]


def glance_words(each: Glance) -> str:
    """An episode in a line, without its time."""
    episode = each.episode
    long = words((episode.to_ms - episode.from_ms) / 1000)
    still = ", still so" if episode.standing else ""
    return f"{each.title or in_short(episode)}; {', '.join(episode.boxes)} ({long}{still})"


def gap_words(found: Overview) -> str | None:
    """How long nothing was recorded; None: no time."""
    if found.gaps_h < _SHORT_H:
        return None
    return f"Nothing was recorded for {words(found.gaps_h * 3600)} in all."


def command(from_ms: int, to_ms: int, zone: tzinfo | None = None) -> str:
    """The command that tells of one episode."""
    begin, end = local(from_ms, zone), local(to_ms + 59_999, zone)
    return f"bottomheat review --from {begin:%Y-%m-%dT%H:%M} --to {end:%Y-%m-%dT%H:%M}"


# -- values and times


def _extreme(each: Extreme, zone: tzinfo | None) -> str:
    known = each.expanded_k if each.expanded_k < WIDEST_K else None
    return _value(each.celsius, each.at_ms, known, zone)


def _value(celsius: float, at_ms: int, expanded_k: float | None, zone: tzinfo | None) -> str:
    doubt = " °C (doubt not known)" if expanded_k is None else f" ± {expanded_k:.1f} °C"
    return f"{celsius:.1f}{doubt} {day(at_ms, zone)}".replace(" ", STUCK)


def local(wall_ms: int, zone: tzinfo | None) -> datetime:
    """A moment on the grower's clock; ``zone`` None is this machine's."""
    return datetime.fromtimestamp(wall_ms / 1000, UTC).astimezone(zone)


def clock(wall_ms: int, zone: tzinfo | None) -> str:
    """A moment as "07:10"."""
    return f"{local(wall_ms, zone):%H:%M}"


def weekday(wall_ms: int, zone: tzinfo | None) -> str:
    """A day as "Thu 16 Jan"."""
    then = local(wall_ms, zone)
    return f"{then:%a} {then.day} {then:%b}"


def day(wall_ms: int, zone: tzinfo | None) -> str:
    """A moment as "Thu 16 Jan 07:10"."""
    return f"{weekday(wall_ms, zone)} {clock(wall_ms, zone)}"


def date(wall_ms: int, zone: tzinfo | None) -> str:
    """A moment with its year."""
    then = local(wall_ms, zone)
    return f"{then:%a} {then.day} {then:%b %Y %H:%M}"


def _same_day(one_ms: int, other_ms: int, zone: tzinfo | None) -> bool:
    return local(one_ms, zone).date() == local(other_ms, zone).date()
