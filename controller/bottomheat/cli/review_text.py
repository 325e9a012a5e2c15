"""How a review reads on screen, in 80 columns; pure."""

from __future__ import annotations

import textwrap
from datetime import tzinfo
from typing import Final

from bottomheat.cli.review_words import (
    CLOCK_UNSET,
    NOTHING_TO_RESET,
    STUCK,
    batch_words,
    box_words,
    clock,
    command,
    date,
    day,
    entry_words,
    gap_words,
    glance_words,
    headline,
    how_bad,
    needs_reset,
    not_measured,
    weekday,
    why,
)
from bottomheat.review.story import BatchToll, Overview, Story, reset, reset_command, steps
from bottomheat.review.timeline import short

WIDTH: Final = 80
_LABEL: Final = 9
_MOST_GLANCES: Final = 12


def render(story: Story, zone: tzinfo | None = None) -> str:
    """What happened, why, how bad it was and what to do; ``zone`` None is this machine's."""
    several = len(story.tolls) > 1
    lines = [*_head(story, zone), "", *_what(story, zone, several=several)]
    for number, (word, said) in enumerate(why(story, zone)):
        label = "Why" if number == 0 else "" if word == "why" else f"  {word}"
        lines += _row(label, said)
    for number, toll in enumerate(story.tolls):
        label = "How bad" if number == 0 else ""
        if several:
            lines.append(f"{label:<{_LABEL}}{toll.chamber}")
            label = ""
        for said in how_bad(toll, story, zone):
            lines += _row(label, said)
            label = ""
        lines += [line for batch in toll.batches for line in _batch(batch)]
    lines += _wrapped("Not measured: ", not_measured(story), " " * _LABEL)
    for number, step in enumerate(steps(story), 1):
        label = "Do now" if number == 1 else ""
        lines += _wrapped(f"{label:<{_LABEL}}{number} ", step, " " * (_LABEL + 2))
    if story.latched:
        lines += _row("Reset", f"{reset(story)} Then: {reset_command(story)}")
    if not story.sure:
        lines += _wrapped("! ", CLOCK_UNSET)
    return "\n".join(line.replace(STUCK, " ") for line in lines)


def render_overview(found: Overview, name: str, more: str = "", zone: tzinfo | None = None) -> str:
    """Many days in few lines.

    Args:
        found: them.
        name: what they are called: "The last 7 days".
        more: options that belong to every command that is printed.
        zone: the grower's; None is this machine's.
    """
    lines = [f"{name}: {date(found.from_ms, zone)} to {date(found.to_ms, zone)}"]
    if found.latched:
        lines += _wrapped("", needs_reset(found.latched))
    lines.append("")
    for box in found.boxes:
        lines.append(box.chamber)
        for said in box_words(box, zone):
            lines += _row("", said)
        lines += [line for batch in box.batches for line in _batch(batch)]
    if found.batch is not None:
        lines += [*_batch(found.batch), f"{'':<{_LABEL}}bottomheat record {found.batch.name}{more}"]
        for entry in found.entries:
            lines += _wrapped(f"  {day(entry.at_ms, zone)}  ", entry_words(entry), " " * _LABEL)
    elif not found.boxes:
        lines.append("No box was in use.")
    lines += ["", *_episodes(found, more, zone)]
    if found.notes:
        lines += _row("Also", "; ".join(found.notes))
    if not found.sure:
        lines += _wrapped("! ", CLOCK_UNSET)
    return "\n".join(line.replace(STUCK, " ") for line in lines)


def _head(story: Story, zone: tzinfo | None) -> list[str]:
    lines = _wrapped("", headline(story, zone))
    state = needs_reset(story.latched)
    room = WIDTH - len(lines[-1]) - len(state)
    if room < 2 or state != NOTHING_TO_RESET:
        return [*lines, *_wrapped("", state)]
    return [*lines[:-1], f"{lines[-1]}{' ' * room}{state}"]


def _what(story: Story, zone: tzinfo | None, *, several: bool) -> list[str]:
    kept, left = short(story.entries)
    if not kept:
        return _row("What", "No alarm, no gap, nothing entered.")
    lines: list[str] = []
    before = ""
    for entry in kept:
        new = weekday(entry.at_ms, zone)
        if new != before:
            lines.append(f"{'' if lines else 'What':<{_LABEL}}{new}")
            before = new
        when = f"  {clock(entry.at_ms, zone)}  "
        lines += _wrapped(when, entry_words(entry, several=several), " " * _LABEL)
    if left:
        lines.append(f"{'':<{_LABEL}}and {left} smaller things: --json has all")
    return lines


def _batch(batch: BatchToll) -> list[str]:
    verdict, reasons, test = batch_words(batch)
    name = f"  {batch.name}"
    first = f"{name:<{_LABEL}}" if len(name) < _LABEL else f"{name}  "
    lines = _wrapped(first, verdict, " " * _LABEL)
    for reason in reasons:
        lines += _wrapped(f"{'':<{_LABEL}}- ", reason, f"{'':<{_LABEL}}  ")
    return [*lines, *(_row("", test) if test is not None else [])]


def _episodes(found: Overview, more: str, zone: tzinfo | None) -> list[str]:
    number = len(found.glances)
    if not number:
        return ["No fault and no gap in that time."]
    kept = found.glances[-_MOST_GLANCES:]
    lines = [f"What happened: {number}, the newest last" if number > 1 else "What happened"]
    if number > len(kept):
        left = found.glances[:-_MOST_GLANCES]
        until = day(left[-1].episode.from_ms, zone)
        lines.append(f"  {len(left)} before that, up to {until}: ask for less time to see them")
    for each in kept:
        episode = each.episode
        lines += _wrapped(f"  {day(episode.from_ms, zone)}  ", glance_words(each), " " * _LABEL)
        # Never broken, so that it can be copied.
        lines.append(f"    {command(episode.from_ms, episode.to_ms, zone)}{more}")
    missing = gap_words(found)
    return [*lines, *(_wrapped("", missing) if missing is not None else [])]


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
