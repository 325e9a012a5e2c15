"""Probes that say what a script tells them to say, reading by reading."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final, TypeAlias

from bottomheat.errors import InputError
from bottomheat.model import Fault, Place, Raw, Sample, Unread

Script: TypeAlias = str | Sequence[float | Fault | str]
"""One probe's answers in order: numbers in °C, faults, and words of the language below."""

_WORD: Final = re.compile(r"([^*!]+)(!?)(?:\*([1-9][0-9]{0,5}))?")


@dataclass(frozen=True, slots=True)
class _Entry:
    """One answer: a temperature in °C, or a fault."""

    says: float | Fault
    legal_configuration: bool = True

    def raw(self, at_s: float) -> Raw:
        if isinstance(self.says, Fault):
            return Unread(self.says, at_s, "scripted")
        return Sample(self.says, at_s, self.legal_configuration)


class ScriptedProbes:
    """A working stand-in for the probes of all chambers.

    Each probe has a script and takes the next entry at every ``read_all``; at its end it keeps the
    last entry.  A script is a list of numbers in °C and faults, or a text of words parted by
    spaces, or a list with such words in it:

    * ``25.5``: that temperature, °C;
    * ``85!``: that temperature, and an illegal configuration byte with it;
    * ``crc``, ``all-zero``, ``HUNG``: the fault of that name;
    * ``25.5*30``, ``absent*3``: the same thirty times, three times.

    For example ``"25.5*6 hung*2 25.4"``.  An empty script is a probe that is never read.

    Args:
        scripts: script by chamber and place.

    Raises:
        InputError: a word of a script is not understood.
    """

    def __init__(self, scripts: Mapping[str, Mapping[Place, Script]]) -> None:
        self._entries = {
            chamber: {
                place: _parse(script, f"{place} of {chamber}") for place, script in places.items()
            }
            for chamber, places in scripts.items()
        }
        self._closed = False
        self.reads = 0
        """Calls of ``read_all`` so far."""

    def read_all(self, now_s: float) -> Mapping[str, Mapping[Place, Raw]]:
        """Give every probe's next answer, stamped ``now_s`` (monotonic, s); never raises."""
        index = self.reads
        self.reads += 1
        return {
            chamber: {place: self._at(entries, index, now_s) for place, entries in places.items()}
            for chamber, places in self._entries.items()
        }

    def close(self) -> None:
        """Stop reading: from now on nothing is read; idempotent."""
        self._closed = True

    def _at(self, entries: Sequence[_Entry], index: int, now_s: float) -> Raw:
        if self._closed or not entries:
            return Unread(Fault.NOT_READ, now_s)
        return entries[min(index, len(entries) - 1)].raw(now_s)


def _parse(script: Script, where: str) -> list[_Entry]:
    entries: list[_Entry] = []
    for item in [script] if isinstance(script, str) else script:
        # A Fault is a str too, so it goes first.
        if isinstance(item, Fault):
            entries.append(_Entry(item))
        elif isinstance(item, str):
            for word in item.split():
                entries.extend(_parse_word(word, where))
        else:
            entries.append(_Entry(float(item)))
    return entries


def _parse_word(word: str, where: str) -> list[_Entry]:
    match = _WORD.fullmatch(word)
    if match is None:
        raise _not_understood(word, where)
    value, mark, times = match.groups()
    try:
        entry = _Entry(float(value), legal_configuration=not mark)
    except ValueError:
        name = value.upper().replace("-", "_")
        if mark or name not in Fault.__members__:
            raise _not_understood(word, where) from None
        entry = _Entry(Fault[name])
    return [entry] * int(times or 1)


def _not_understood(word: str, where: str) -> InputError:
    names = ", ".join(name.lower().replace("_", "-") for name in Fault.__members__)
    return InputError(
        f"The script for {where} has the word {word!r}, which is neither a number in °C nor a "
        f"fault; write for example 25.5*3 or one of: {names}."
    )
