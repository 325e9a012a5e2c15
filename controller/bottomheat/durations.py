"""Lengths of time as people write and read them: "1h30m" in, "1 h 30 min" out.  Pure."""

from __future__ import annotations

import math
import re

from bottomheat.errors import InputError

LONGEST_S = 366 * 86_400.0
"""A longer one is a slip of the finger; a season lasts four months."""

_UNITS_S = (86_400.0, 3600.0, 60.0, 1.0)
_NUMBER = r"([0-9]{1,9}(?:\.[0-9]{1,6})?)"
_FORM = re.compile(
    rf"(?:{_NUMBER}\s*d(?:ays?)?)?\s*(?:{_NUMBER}\s*h)?\s*(?:{_NUMBER}\s*m(?:in)?)?\s*"
    rf"(?:{_NUMBER}\s*s)?",
    re.ASCII | re.IGNORECASE,
)
_EXAMPLES = "write it like 30m, 2h or 1h30m"


def parse_duration_s(text: str) -> float:
    """The length of time that ``text`` names, in s: "30m", "2h", "1h30m", "1.5h", "2d".

    Units are d, h, m (or min) and s, each at most once and the largest first.

    Raises:
        InputError: it names none, or one that is not above zero and at most a year.
    """
    found = _FORM.fullmatch(text.strip()) if len(text) <= 64 else None
    parts = () if found is None else found.groups()
    shown = "".join(c if c.isprintable() else "?" for c in text.strip()[:24])
    if not any(parts):
        raise InputError(f"'{shown}' is not a length of time: {_EXAMPLES}.")
    seconds = sum(
        float(part) * unit_s for part, unit_s in zip(parts, _UNITS_S, strict=True) if part
    )
    if not 0 < seconds <= LONGEST_S:
        bound = "longer than nothing" if seconds <= 0 else "a year at most"
        raise InputError(f"'{shown}' must be {bound}: {_EXAMPLES}.")
    return seconds


def words(seconds: float) -> str:
    """A length of time in at most two units: "45 s", "30 min", "5 h 35 min", "3 days 4 h".

    Rounded to the last unit shown; one that is not a number is "an unknown time".
    """
    if not math.isfinite(seconds):
        return "an unknown time"
    seconds = max(seconds, 0.0)
    if seconds < 119.5:
        return f"{seconds:.0f} s"
    minutes = round(seconds / 60)
    if minutes < 60:
        return f"{minutes} min"
    if minutes < 48 * 60:
        hours, rest = divmod(minutes, 60)
        return f"{hours} h {rest} min" if rest else f"{hours} h"
    days, rest = divmod(round(seconds / 3600), 24)
    return f"{days} days {rest} h" if rest else f"{days} days"
