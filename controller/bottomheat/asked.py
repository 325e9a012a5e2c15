"""What a client of the control socket asked, checked.  Pure.

A request may hold anything.  Every function here gives a value that can be used, or raises
``InputError`` with one sentence that says what was wrong with it.
"""

from __future__ import annotations

import re
from collections.abc import Collection, Mapping
from typing import Any

from bottomheat.errors import InputError

LONGEST_NOTE = 200
"""Characters: with it an event still fits its slot of the ring file."""

_PROBE = re.compile(r"[0-9a-f]{2}-[0-9a-f]{12}", re.ASCII)
_READABLE = "28-"
"""The family whose readings are checked in full (DS18B20)."""


def known_fields(request: Mapping[str, Any], fields: Collection[str]) -> None:
    """Refuse a request that holds more than the service understands.

    Raises:
        InputError: there is another field.
    """
    if not set(fields).issuperset(request):
        raise InputError("the service does not know all that was asked: is it as new as this?")


def chamber_of(request: Mapping[str, Any], known: Collection[str]) -> str:
    """The chamber that is meant.

    Raises:
        InputError: there is none of that name.
    """
    name = request.get("chamber")
    if not isinstance(name, str) or name not in known:
        raise InputError(f"there is no such chamber; the config has: {', '.join(known)}.")
    return name


def number_of(
    request: Mapping[str, Any], key: str, bounds: tuple[float, float], sentence: str
) -> float:
    """A number within bounds, both included.

    Args:
        request: what the client sent.
        key: name of the field.
        bounds: lowest and highest.
        sentence: what to say where it is missing, no number, or not within.

    Raises:
        InputError: that sentence.
    """
    value = request.get(key)
    lowest, highest = bounds
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise InputError(sentence)
    if not lowest <= value <= highest:  # NaN is not within either
        raise InputError(sentence)
    return float(value)


def word_of(request: Mapping[str, Any], key: str, words: Collection[str], what: str) -> str:
    """One of the words that are allowed.

    Raises:
        InputError: it is another, or missing.
    """
    value = request.get(key)
    if not isinstance(value, str) or value not in set(words):
        raise InputError(f"{what} must be one of: {', '.join(words)}.")
    return value


def text_of(request: Mapping[str, Any], key: str, longest: int, what: str) -> str:
    """A text in one line, cleaned; empty where it is missing.

    Raises:
        InputError: it is no text, or longer than ``longest`` characters.
    """
    text = request.get(key)
    if text is None:
        return ""
    if not isinstance(text, str):
        raise InputError(f"{what} must be text.")
    if len(text) > longest:
        raise InputError(f"{what} is longer than {longest} characters: shorten it.")
    return in_one_line(text)


def note_of(request: Mapping[str, Any]) -> str:
    """The grower's note; empty where there is none.

    Raises:
        InputError: it is no text, or too long.
    """
    return text_of(request, "note", LONGEST_NOTE, "the note")


def probe_of(request: Mapping[str, Any]) -> str:
    """The name of a probe.

    Raises:
        InputError: it is none, or one of a family whose readings are not checked in full.
    """
    name = request.get("probe")
    if not isinstance(name, str) or not _PROBE.fullmatch(name):
        raise InputError(
            "that is not the name of a probe: it looks like 28-0123456789ab; "
            "bottomheat probes lists those on the bus."
        )
    if not name.startswith(_READABLE):
        raise InputError(f"{name} is not of family 28, the only one that bottomheat reads in full.")
    return name


def in_one_line(text: str) -> str:
    """The text without anything that would move a cursor, and without half a surrogate pair."""
    return " ".join("".join(c if c.isprintable() else " " for c in text).split())
