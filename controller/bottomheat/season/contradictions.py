"""What an entry of the season may not do: contradict others, or itself.  Pure."""

from __future__ import annotations

import re
from typing import Final

from bottomheat.errors import InputError
from bottomheat.season import asked, said
from bottomheat.season.ledger import SHARES, Batch, Season

_SHOWN: Final = 5
_HANGING: Final = re.compile(r"entry ([0-9]+) \((\S+)\)")


def refuse_contradictions(before: Season, after: Season, number: int) -> None:
    """Refuse an entry that contradicts others, or leaves one without what it is about.

    Raises:
        InputError: with what is wrong.
    """
    problems = [text for text in after.problems if text not in before.problems]
    own = [text for text in problems if text.startswith(f"entry {number} ")]
    if own:
        raise InputError(f"{own[0].partition(': ')[2]}.")
    hanging = sorted(int(found[1]) for text in problems if (found := _HANGING.match(text)))
    if hanging:
        listed = ", ".join(str(each) for each in hanging[:_SHOWN])
        raise InputError(
            f"{'entry' if len(hanging) == 1 else 'entries'} {listed} would be about something that "
            "is not there then: correct or withdraw that first, bottomheat batch withdraw "
            f"{hanging[-1]}."
        )
    for name, batch in after.batches.items():
        old = () if name not in before.batches else faults(before.batches[name])
        new = [text for key, text in faults(batch) if (key, text) not in old]
        if new:
            raise InputError(new[0])


def faults(batch: Batch) -> tuple[tuple[int, str], ...]:
    """What cannot be so of a batch: the number of the look or 0, and a sentence."""
    found = []
    for look in batch.looks:
        for key in SHARES[1:]:
            count = getattr(look, key)
            if count is None:
                continue
            most = look.sampled
            if most is None and key == "mould":
                most = batch.count
            if most is None:
                found.append((look.number, f"say of how many: --sampled, {key} is a part of them."))
            elif count > most:
                found.append((look.number, f"{count} {said.COUNTED[key]} of {most} cannot be."))
        if look.sampled is not None and look.sampled > batch.count:
            text = f"{look.sampled} looked at, and {batch.name} has {batch.count}: count again."
            found.append((look.number, text))
    for key, count in batch.endings.items():
        if count > batch.count:
            found.append((0, f"{count} {key}, and {batch.name} has {batch.count}: count again."))
    if batch.stays and batch.made_ms > batch.stays[0].from_ms + asked.DAY_OPEN_MS:
        found.append(
            (0, f"{batch.name} would have been in its place before it was made: look at the dates.")
        )
    return tuple(found)
