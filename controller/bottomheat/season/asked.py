"""Names, dates and counts that a grower entered, checked and taken for what they mean.  Pure.

A name may be written in any case, without its hyphens, or only as far as nothing else can be meant.
"""

from __future__ import annotations

import difflib
import re
from collections.abc import Collection, Iterable, Mapping
from typing import Any, Final

from bottomheat.asked import in_one_line
from bottomheat.config import Config
from bottomheat.durations import words
from bottomheat.errors import InputError
from bottomheat.season.ledger import (
    DAY_MS,
    EARLIEST_MS,
    LATEST_MS,
    UNHEATED,
    Batch,
    Season,
)
from bottomheat.season.species import SPECIES

NAME: Final = re.compile(r"[A-Za-z0-9][A-Za-z0-9-]{0,30}", re.ASCII)
MOST: Final = 100_000
"""Cuttings of one batch, as the config takes them."""
TARGET_C: Final = (5.0, 30.0)
HEIGHT_MM: Final = (0.0, 500.0)
SLACK_MS: Final = 60_000
"""A clock on the wall that goes a minute fast is no look from the future."""
DAY_OPEN_MS: Final = DAY_MS // 2
"""Where only the day is known it is taken for noon, and this much either way is open."""

_LOWER = re.compile(r"lower-to ([0-9]{1,2}(?:\.[0-9]{1,2})?)", re.ASCII)
_SHOWN = 8


def batch_of(season: Season, asked: object, *, still_open: bool = False) -> Batch:
    """The batch that is meant.

    Args:
        season: the batches there are.
        asked: its name, or the beginning of it.
        still_open: only a batch that is not closed can be meant by a beginning.

    Raises:
        InputError: there is none, or there are several.
    """
    if not season.batches:
        raise InputError("there is no batch yet: bottomheat batch add MUL-1 mulberry 40")
    shown = [each.name for each in season.batches.values() if each.open]
    hint = _there(shown) if shown else "all are closed: bottomheat batch list --all"
    if still_open and isinstance(asked, str):
        text = _plain(asked)
        begun = [name for name in shown if text and _begins(_plain(name), text)]
        if len(begun) == 1 and all(_plain(name) != text for name in season.batches):
            return season.batches[begun[0]]
    return season.batches[_pick(asked, season.batches, "batch", hint)]


def place_of(config: Config, asked: object) -> str:
    """The box that is meant, or ``UNHEATED``.

    Raises:
        InputError: there is none of that name, or there are several.
    """
    places = [*config.chambers, UNHEATED]
    return _pick(asked, places, "place", _there(places))


def target_of(season: Season, config: Config, asked: object) -> str:
    """The open batch or the box that is meant.

    Raises:
        InputError: there is none of that name, or there are several.
    """
    names = [*config.chambers, *(each.name for each in season.batches.values() if each.open)]
    return _pick(asked, names, "box or batch", _there(names))


def word_meant(asked: object, known: Collection[str], what: str) -> str:
    """One of the words that are allowed, or the beginning of one.

    Raises:
        InputError: it is another, or none.
    """
    return _pick(asked, known, what, _there(known))


def species_of(config: Config, asked: object) -> str:
    """The species that is meant: of the table, or of the config.

    Raises:
        InputError: it is not known.
    """
    known = [*SPECIES, *(name for name in config.season.species if name not in SPECIES)]
    if not isinstance(asked, str) or not asked.strip():
        raise InputError(f"say of which species: {', '.join(known)}.")
    text = "-".join(asked.split())
    like = difflib.get_close_matches(text.casefold(), known, 1)
    hint = f"do you mean {like[0]}? " if like else ""
    rest = f"{hint}There are {', '.join(known)}; your own goes under season: species: in the config"
    return _pick(text, known, "species", rest)


def _pick(asked: object, names: Collection[str], what: str, hint: str) -> str:
    if not isinstance(asked, str) or not _plain(asked):
        raise InputError(f"say which {what}: {hint}.")
    if asked in names:
        return asked
    text = _plain(asked)
    found = [name for name in names if _plain(name) == text]
    if not found:
        found = [name for name in names if _begins(_plain(name), text)]
    if len(found) == 1:
        return found[0]
    shown = in_one_line(asked)[:40]
    if found:
        raise InputError(f"'{shown}' may be {_listed(found)}: write more of the name.")
    raise InputError(f"there is no {what} '{shown}': {hint}.")


def _begins(name: str, text: str) -> bool:
    """Whether ``text`` is a beginning that cannot be taken for another whole name.

    MUL-1 is not short for MUL-10: who writes a number means it.
    """
    if len(text) >= len(name) or not name.startswith(text):
        return False
    return not (text[-1].isdigit() and name[len(text)].isdigit())


def _plain(name: str) -> str:
    return "".join(c for c in name.casefold() if c not in "-_ ")


def _there(names: Collection[str]) -> str:
    return f"there {'is' if len(names) == 1 else 'are'} {_listed(names)}"


def _listed(names: Iterable[str]) -> str:
    listed = list(names)
    more = f" and {len(listed) - _SHOWN} more" if len(listed) > _SHOWN else ""
    return ", ".join(listed[:_SHOWN]) + more


def new_name(season: Season, asked: object) -> str:
    """The name of a new batch.

    Raises:
        InputError: it is no name, or may be taken for one that is there.
    """
    if not isinstance(asked, str) or not NAME.fullmatch(asked):
        raise InputError(
            "name the batch with letters, digits and hyphens, 31 at most, such as MUL-1."
        )
    if _plain(asked) == UNHEATED:
        raise InputError(f"{UNHEATED} is the place without a box: choose another name.")
    like = [name for name in season.batches if _plain(name) == _plain(asked)]
    if like:
        raise InputError(
            f"{like[0]} is there already: choose another name, or put that one right with "
            f"bottomheat batch change {like[0]}."
        )
    return asked


def count_of(data: Mapping[str, Any], key: str, least: int = 0) -> int:
    """A count.

    Raises:
        InputError: it is no whole number, or out of bounds.
    """
    value = data.get(key)
    if isinstance(value, bool) or not isinstance(value, int) or not least <= value <= MOST:
        raise InputError(f"{key} must be a whole number from {least} to {MOST}.")
    return value


def number_of(data: Mapping[str, Any], key: str, bounds: tuple[float, float], what: str) -> float:
    """A number within bounds, both included.

    Raises:
        InputError: it is none.
    """
    value = data.get(key)
    lowest, highest = bounds
    if (
        isinstance(value, bool)
        or not isinstance(value, int | float)
        or not lowest <= value <= highest  # NaN is not within either
    ):
        raise InputError(f"{what} must be from {lowest:g} to {highest:g}.")
    return float(value)


def at_latest_of(data: Mapping[str, Any]) -> str:
    """What is to be done when a stage has lasted too long: "keep", or "lower-to 18".

    Raises:
        InputError: it is neither.
    """
    value = data.get("at_latest")
    if isinstance(value, str):
        text = " ".join(value.replace("=", " ").casefold().split())
        text = re.sub(r"^(lower-to-|lower to |lower-to )?(?=[0-9])", "lower-to ", text)
        found = _LOWER.fullmatch(text)
        if text == "keep" or (found and TARGET_C[0] <= float(found[1]) <= TARGET_C[1]):
            return text
    raise InputError(
        f"at latest must be keep, or lower-to and a temperature from {TARGET_C[0]:g} to "
        f"{TARGET_C[1]:g}, such as lower-to 18."
    )


def time_of(
    data: Mapping[str, Any], key: str, now_ms: int, open_ms: int, *, clock_sure: bool
) -> int | None:
    """When something happened, UTC ms; None where it was not said.

    Args:
        data: where it stands.
        key: name of the field.
        now_ms: the wall clock, UTC ms.
        open_ms: how much of the time is left open, either way.
        clock_sure: the wall clock is set; else nothing can be called still to come.

    Raises:
        InputError: it is no time, or cannot be meant.
    """
    value = data.get(key)
    if value is None:
        return None
    if isinstance(value, bool) or not isinstance(value, int):
        raise InputError(f"{key} must be a whole number of milliseconds.")
    if not EARLIEST_MS <= value < LATEST_MS:
        raise InputError("that day cannot be meant: is the year right?")
    if not clock_sure or value <= now_ms + SLACK_MS:
        return value
    if value - open_ms <= now_ms:
        return now_ms  # earlier on that day
    raise InputError(f"that is still to come, in {words((value - now_ms) / 1000)}: is it right?")


def open_of(asked: Mapping[str, Any]) -> int:
    """How much of the time of a request is left open, ms.

    Raises:
        InputError: it is no length of time of a day at most.
    """
    value = asked.get("open_ms", 0)
    if isinstance(value, bool) or not isinstance(value, int) or not 0 <= value <= DAY_MS:
        raise InputError("open_ms must be a whole number of milliseconds, a day at most.")
    return value
