"""How ``ready`` reads on screen: one page; pure."""

from __future__ import annotations

import textwrap
from datetime import tzinfo
from typing import Any

from bottomheat.cli.status_text import stamp
from bottomheat.season.ready import ONLY_YOU, SOAK_H, Mark, Point, Ready

WIDTH = 80
_TITLES = ((Mark.NOT, "Why not"), (Mark.NOTE, "To know"), (Mark.WELL, "Well"))


def render(found: Ready, zone: tzinfo | None = None) -> str:
    """The page; ``zone`` None is this machine's."""
    lines = [
        f"{found.chamber}, the {SOAK_H:.0f} h up to {stamp(found.now_ms, zone)}: "
        f"{'READY' if found.ready else 'NOT READY'}",
        "",
    ]
    for mark, title in _TITLES:
        points = found.marked(mark)
        if points:
            lines += [title, *(line for point in points for line in _lines(point)), ""]
    if found.until_ms is not None and not found.ready:
        lines += [f"The 48 h are full on {stamp(found.until_ms, zone)}: look again then.", ""]
    lines += ["Only you can see", *(line for each in ONLY_YOU for line in _wrapped("  [ ] ", each))]
    return "\n".join(lines)


def as_data(found: Ready) -> dict[str, Any]:
    """The verdict as plain data for JSON; times are UTC ms, temperatures °C, lengths h."""
    night = found.night
    return {
        "chamber": found.chamber,
        "ready": found.ready,
        "now_ms": found.now_ms,
        "again_ms": found.until_ms,
        "points": [
            {"mark": point.mark.value.lower(), "text": point.text, "do": point.do}
            for point in found.points
        ],
        "measured": None
        if night is None
        else {
            "from_ms": night.from_ms,
            "to_ms": night.to_ms,
            "known_h": night.known_h,
            "in_band_h": night.in_band_h,
            "low_c": night.low_c,
            "high_c": night.high_c,
            "expanded_k": night.expanded_k,
            "setpoint_c": night.setpoint_c,
            "room_low_c": night.room_low_c,
            "heat_frac": night.heat_frac,
            "busiest_frac": night.busiest_frac,
            "closings": night.closings,
        },
        "only_you": list(ONLY_YOU),
    }


def _lines(point: Point) -> list[str]:
    found = _wrapped("  ", point.text)
    return found + (_wrapped("    → ", point.do) if point.do else [])


def _wrapped(first: str, text: str) -> list[str]:
    return textwrap.wrap(
        text,
        WIDTH,
        initial_indent=first,
        subsequent_indent=" " * len(first),
        break_long_words=False,
        break_on_hyphens=False,
    )
