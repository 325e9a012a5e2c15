"""How the sheet for the shed door reads as plain text: one page of 66 lines of 80; pure."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence

from bottomheat.season.sheet import BoxOnSheet, Group, Sheet

WIDTH = 80
PAGE_LINES = 66
_ID_WIDTH = 22
CALL = "Call: ______________________________    or: ______________________________"


def render(page: Sheet) -> str:
    """The page, no longer than a sheet of paper; what does not fit is said to be left out.

    What a helper does is never left out: many boxes with sentences of their own make it longer.
    """
    head = [f"{'bottomheat: for the shed door':<60}{page.printed:>20}".rstrip(), CALL, ""]
    boxes, rest = _boxes(page.boxes, page.outside), _rest(page, brief=False)
    if len(head) + len(boxes) + len(rest) > PAGE_LINES:
        rest = _rest(page, brief=True)
    room = PAGE_LINES - len(head) - len(rest)
    if len(boxes) > room:
        kept = max(room - 2, 1)
        left = len(boxes) - 1 - kept
        boxes = [*boxes[:kept], f"  and {left} lines more: bottomheat today", ""]
    return "\n".join([*head, *boxes, *rest])


def _boxes(boxes: Sequence[BoxOnSheet], outside: Sequence[str]) -> list[str]:
    lines = ["IN THE BOXES"]
    for box in boxes:
        normal = f"; {box.normal}" if box.normal else ""
        lines += _wrapped("  ", f"{box.name}: {box.setpoint}{normal}")
        for batch in box.batches:
            lines += _wrapped("    ", batch)
    if outside:
        lines.append("  outside, no heat:")
        for batch in outside:
            lines += _wrapped("    ", batch)
    return [*lines, ""]


def _rest(page: Sheet, *, brief: bool) -> list[str]:
    sounds = ", and the sounder sounds" if page.sounder else ""
    lines = [f'A MESSAGE SAYS "NOW"{sounds}']
    for group in page.urgent:
        lines += _group(group, brief=brief)
    lines += ["", *_group(page.later, brief=brief), ""]
    for text in page.notes:
        lines += _wrapped("* ", text)
    lines += ["", "CARE"]
    for text in page.cautions:
        lines += _wrapped("* ", text)
    return lines


def _group(group: Group, *, brief: bool) -> list[str]:
    lines, alarms = [group.title], group.brief if brief else group.alarms
    for text in group.do:
        lines += _wrapped("  DO: ", text)
    lines += [f"    {name:<{_ID_WIDTH}}{what}" for name, what in alarms]
    return lines


def _wrapped(first: str, text: str) -> list[str]:
    return textwrap.wrap(
        text,
        WIDTH,
        initial_indent=first,
        subsequent_indent=" " * len(first),
        break_long_words=False,
        break_on_hyphens=False,
    )
