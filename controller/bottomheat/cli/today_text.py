"""How ``today`` reads on screen: short, in 80 columns; pure."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, tzinfo
from typing import Any

from bottomheat.cli.status_text import stamp
from bottomheat.durations import words
from bottomheat.season.ledger import UNHEATED, Stage
from bottomheat.season.night import MORE_THAN_A_SLIP_H, Hole, Night, day_words
from bottomheat.season.today import BatchToday, BoxToday, Task, Today

WIDTH = 80
_INDENT = "     "
_CAUSES = {"power": "power cut", "stopped": "service stopped", "log failed": "log not written"}
_MOST_HOLES = 3
LATE_S = 1800.0
"""Rows older than this are said to be old: the log takes them every ten minutes."""


@dataclass(frozen=True, slots=True)
class Span:
    """From when to when the night was, UTC ms; ``is_night`` False: the last hours.

    ``rows_ms`` is when the log's rows begin and end, None where it has none; ``live`` says that the
    screen is about now; ``running`` whether the service answers.
    """

    from_ms: int
    to_ms: int
    is_night: bool
    rows_ms: tuple[int, int] | None
    live: bool = True
    running: bool = True


def render(found: Today, span: Span, zone: tzinfo | None = None) -> str:
    """The whole screen; ``zone`` None is this machine's."""
    lines = [*_head(found, span, zone), *_night(found, span, zone), ""]
    if found.alarms:
        lines += [*_alarms(found), ""]
    for box in found.boxes:
        lines += [*_box(box, zone), ""]
    if found.outside:
        lines += [*_outside(found, zone), ""]
    if found.house:
        lines += ["ALL", *(line for task in found.house for line in _due(task)), ""]
    if not any(box.batches for box in found.boxes) and not found.outside:
        lines += ["No batches. To add one: bottomheat batch add --help", ""]
    for title, steps in found.rules:
        lines += [title, *(line for step in steps for line in _wrapped("  - ", step)), ""]
    if found.before:
        lines += ["Before opening", f"  {found.before}"]
    if found.after:
        # Never broken, so that they can be copied.
        lines += ["Afterwards, of these", *(f"  {command}" for command in found.after)]
    for problem in found.problems:
        lines += _wrapped("! ", problem)
    return "\n".join(lines).rstrip()


def _head(found: Today, span: Span, zone: tzinfo | None) -> list[str]:
    lines = [stamp(found.now_ms, zone)]
    if not found.clock_sure:
        lines = ["CLOCK NOT SET"]
        lines += _wrapped(
            "  ", "no days are counted, nothing falls due; the last known stage goes on"
        )
    if span.live and not span.running:
        lines.append("The service does not answer: bottomheat status. What follows is the log's.")
    return lines


def _night(found: Today, span: Span, zone: tzinfo | None) -> list[str]:
    hours = f"{_clock(span.from_ms, zone)}-{_clock(span.to_ms, zone)}"
    title = f"Overnight {hours}" if span.is_night else "The last 12 h"
    boxes = [box for box in found.boxes if box.in_use]
    if not boxes:
        return ["No box is in use."]
    if all(box.night is None or box.night.newest_ms is None for box in boxes):
        return [f"{title}: no data. {_no_rows(span, zone)}"]
    width = max((len(box.name) for box in boxes), default=0)
    lines = [title]
    for box in boxes:
        lines += _wrapped(f"  {box.name:<{width}}  ", _night_words(box.night))
    lines += _wrapped("  ", " ".join(_sentences(found.holes, boxes, span, zone)))
    return lines


def _no_rows(span: Span, zone: tzinfo | None) -> str:
    if span.rows_ms is None:
        return "The log has no rows yet."
    first_ms, last_ms = span.rows_ms
    if last_ms < span.from_ms:
        return f"The newest row is of {stamp(last_ms, zone)}."
    if first_ms > span.to_ms:
        return f"The log begins on {stamp(first_ms, zone)}."
    return "The log has no rows of that time."


def _night_words(night: Night | None) -> str:
    if night is None or night.known_h <= 0.0 or night.low_c is None or night.high_c is None:
        return "not known"
    text = f"{night.low_c:.1f}-{night.high_c:.1f} °C, "
    beyond = [
        f"{_hours(hours)} {side}"
        for hours, side in ((night.below_h, "below"), (night.above_h, "above"))
        if hours >= 0.05
    ]
    if night.all_in_band:
        text += "all in band"
    else:
        share = night.in_band_frac or 0.0
        text += f"in band {int(100 * share)} %"
        text += f" ({', '.join(beyond)})" if beyond else ""
    if night.unknown_h >= MORE_THAN_A_SLIP_H:
        text += f", {_hours(night.unknown_h)} not known"
    return text


def _hours(hours: float) -> str:
    return f"{hours:.1f} h" if hours < 10 else f"{hours:.0f} h"


def _sentences(
    holes: Sequence[Hole], boxes: Sequence[BoxToday], span: Span, zone: tzinfo | None
) -> list[str]:
    long = [hole for hole in holes if hole.hours >= MORE_THAN_A_SLIP_H]
    found = [
        f"{_CAUSES.get(hole.cause, 'no data').capitalize()} {_clock(hole.from_ms, zone)}-"
        f"{_clock(hole.to_ms, zone)} ({words(hole.hours * 3600)})."
        for hole in long[:_MOST_HOLES]
    ]
    if len(long) > _MOST_HOLES:
        found.append(f"{len(long) - _MOST_HOLES} gaps more.")
    if not any(hole.cause in ("power", "unknown") for hole in holes):
        found.insert(0, "No power cut.")
    rooms = [
        box.night.room_low_c for box in boxes if box.night and box.night.room_low_c is not None
    ]
    if rooms:
        found.append(f"Room down to {min(rooms):.1f} °C.")
    if span.rows_ms is not None and (span.to_ms - span.rows_ms[1]) / 1000 > LATE_S:
        found.append(f"The newest row is of {stamp(span.rows_ms[1], zone)}.")
    return found


def _alarms(found: Today) -> list[str]:
    lines = ["ALARMS" if len(found.alarms) > 1 else "ALARM"]
    for alarm in found.alarms:
        where = f"{alarm.chamber}: " if alarm.chamber else ""
        lines += _wrapped("  ! ", f"{'NOW ' if alarm.urgent else ''}{where}{alarm.text}")
    return [*lines, "  What to do first: bottomheat alarms"]


def _box(box: BoxToday, zone: tzinfo | None) -> list[str]:
    state = _set(box) if box.in_use else "not in use"
    empty = "" if box.batches else ", no batch in it"
    lines = [f"{box.name.upper()}   {state}{empty}"]
    if box.why:
        lines += _wrapped("  rule: ", box.why)
    if box.warm_tops is not None:
        lines += _wrapped("  ! ", box.warm_tops.text)
    for task in box.conflicts:
        lines += _wrapped("  ! ", task.text)
        lines += [f"{_INDENT}{task.command}"] if task.command else []
    for batch in box.batches:
        lines += _batch(batch, zone)
    for task in box.tasks:
        lines += _due(task)
    return lines


def _set(box: BoxToday) -> str:
    wanted_c = box.order.setpoint_c
    lead = f" for {box.order.lead}" if box.order.lead else ""
    now_c = None if box.night is None else box.night.setpoint_c
    if now_c is None or abs(now_c - wanted_c) < 0.05:
        return f"set {wanted_c:.1f}{lead}"
    going = "going down" if now_c > wanted_c else "going up"
    return f"set {now_c:.1f}, {going} to {wanted_c:.1f}{lead}"


def _outside(found: Today, zone: tzinfo | None) -> list[str]:
    lines = ["NO HEAT"]
    for place, batch in found.outside:
        lines += _batch(batch, zone)
        if place != UNHEATED:
            lines += _wrapped(
                f"{_INDENT}! ", f"it is said to stand in {place}, and the config has no such box"
            )
    return lines


def _batch(each: BatchToday, zone: tzinfo | None) -> list[str]:
    lines = _wrapped(f"  {each.batch.name}  ", f"{each.made}, {_stage(each)}", "     ")
    if each.looked_ms is not None:
        seen = f"last look {day_words(each.looked_ms, zone)}: {each.looked}"
        lines += _wrapped(_INDENT, seen)
    if each.unmeasured:
        lines += _wrapped(_INDENT, each.unmeasured)
    if each.proposal is not None:
        lines += _wrapped(f"{_INDENT}DUE: ", each.proposal.text, f"{_INDENT}  ")
        lines += [f"{_INDENT}  {each.proposal.command}"] if each.proposal.command else []
    for task in each.notes:
        lines += _wrapped(f"{_INDENT}! " if task.urgent else _INDENT, task.text)
    for task in each.tasks:
        lines += _due(task, _INDENT)
    return lines


def _stage(each: BatchToday) -> str:
    """Its stage and days: "callusing, day 9 of 14-24 [from memory]"."""
    so_far = each.so_far
    stage = so_far.stage.value
    if so_far.day is None or so_far.stage_day is None:
        return f"{stage} (days are not counted)"
    text = f"{stage}, day {so_far.stage_day}"
    if so_far.stage is not Stage.CALLUSING:
        text = f"day {so_far.day}; {text}"
    if so_far.expected is not None:
        low, high = so_far.expected
        text += f" of {low}" if low == high else f" of {low}-{high}"
        text += f" {so_far.expected_mark}"
    return text


def _due(task: Task, indent: str = "  ") -> list[str]:
    return _wrapped(f"{indent}! " if task.urgent else indent, task.text, f"{indent}  ")


def _clock(wall_ms: int, zone: tzinfo | None) -> str:
    return datetime.fromtimestamp(wall_ms / 1000, UTC).astimezone(zone).strftime("%H:%M")


def _wrapped(first: str, text: str, rest: str | None = None) -> list[str]:
    return textwrap.wrap(
        text,
        WIDTH,
        initial_indent=first,
        subsequent_indent=" " * len(first) if rest is None else rest,
        break_long_words=False,
        break_on_hyphens=False,
    )


def as_data(found: Today, span: Span) -> dict[str, Any]:
    """The screen as plain data for JSON: times UTC ms, temperatures °C, lengths h and days."""
    return {
        "now_ms": found.now_ms,
        "clock_set": found.clock_sure,
        "running": span.running if span.live else None,
        "night": {
            "from_ms": span.from_ms,
            "to_ms": span.to_ms,
            "is_night": span.is_night,
            "newest_row_ms": None if span.rows_ms is None else span.rows_ms[1],
            "gaps": [
                {"from_ms": hole.from_ms, "to_ms": hole.to_ms, "cause": hole.cause}
                for hole in found.holes
            ],
        },
        "alarms": [
            {
                "alarm": None if each.alarm is None else each.alarm.value,
                "chamber": each.chamber,
                "level": "now" if each.urgent else "morning",
                "text": each.text,
            }
            for each in found.alarms
        ],
        "boxes": [_box_data(box) for box in found.boxes],
        "outside": [{"place": place, **_batch_data(each)} for place, each in found.outside],
        "house": [_task_data(task) for task in found.house],
        "steps": [{"title": title, "steps": list(steps)} for title, steps in found.rules],
        "before": found.before or None,
        "after": list(found.after),
        "problems": list(found.problems),
    }


def _box_data(box: BoxToday) -> dict[str, Any]:
    night = box.night
    known = night is not None and night.known_h > 0.0
    return {
        "name": box.name,
        "in_use": box.in_use,
        "setpoint_c": None if night is None else night.setpoint_c,
        "wanted_c": box.order.setpoint_c,
        "lead": box.order.lead,
        "why": box.order.why,
        "conflicts": [_task_data(task) for task in box.conflicts],
        "warm_tops": None if box.warm_tops is None else box.warm_tops.text,
        "night": None
        if night is None or not known
        else {
            "low_c": night.low_c,
            "high_c": night.high_c,
            "known_h": night.known_h,
            "unknown_h": night.unknown_h,
            "in_band_h": night.in_band_h,
            "below_h": night.below_h,
            "above_h": night.above_h,
            "room_low_c": night.room_low_c,
            "heat_frac": night.heat_frac,
        },
        "due": [_task_data(task) for task in box.tasks],
        "batches": [_batch_data(each) for each in box.batches],
    }


def _batch_data(each: BatchToday) -> dict[str, Any]:
    batch, so_far = each.batch, each.so_far
    return {
        "name": batch.name,
        "species": batch.species,
        "kind": batch.kind.value,
        "count": batch.count,
        "stage": so_far.stage.value,
        "day": so_far.day,
        "stage_day": so_far.stage_day,
        "expected_days": None if so_far.expected is None else list(so_far.expected),
        "expected_source": so_far.expected_mark.strip("[]") or None,
        "overdue": so_far.overdue,
        "light_due": so_far.light_due,
        "buds_ahead": so_far.buds_ahead,
        "last_look_ms": each.looked_ms,
        "last_look": each.looked or None,
        "measured": not each.unmeasured,
        "proposal": None if each.proposal is None else _task_data(each.proposal),
        "due": [_task_data(task) for task in each.tasks],
        "notes": [task.text for task in each.notes],
    }


def _task_data(task: Task) -> dict[str, Any]:
    return {"text": task.text, "command": task.command or None, "urgent": task.urgent}
