"""Does a calibration still hold?  Later readings against what the service made of the same moment.

A reading with its uncertainty and an estimate with its own agree where

    E_n = (reading - estimate) / sqrt(U_reading^2 + U_estimate^2)

is between -1 and 1, with expanded uncertainties (k = 2): the E_n number of ISO 13528 and
ISO/IEC 17043.  It holds for a reading that the calibration has not seen, so that only readings
since the present offset came into force count here.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum

from bottomheat.calibration.ledger import USUAL_SPOT, Reference
from bottomheat.protect.tending import Doing

SATISFACTORY = 1.0
"""Largest |E_n| of two results that agree (ISO/IEC 17043; ISO 13528)."""

LEANING = 0.5
"""|E_n| of one standard uncertainty, as U is two of them."""

FAR_OFF_K = 4.0
"""So far from the estimate a reading is rather of another box, spot or scale than of a box that
has changed; judgement: common lids and fillings move the callus zone by up to 3 K."""

_CHANGES = {Doing.FILL.value: "filled", Doing.MOVE.value: "moved"}


class Advice(StrEnum):
    """What to do about a calibration."""

    NONE = "none"
    READ = "read again"
    FIT = "fit again"


@dataclass(frozen=True, slots=True)
class Check:
    """One reading against the estimate of its moment.

    Attributes:
        number: the reading's number in the ledger.
        wall_ms: when it was taken, UTC ms since 1970.
        difference_k: reading less estimate, K.
        expanded_k: expanded uncertainty (k = 2) of that difference, K.
    """

    number: int
    wall_ms: int
    difference_k: float
    expanded_k: float

    @property
    def en(self) -> float:
        """E_n, dimensionless."""
        return normalised_error(self.difference_k, self.expanded_k)

    @property
    def outside(self) -> bool:
        """Whether the two do not agree within their uncertainties."""
        return abs(self.en) > SATISFACTORY


@dataclass(frozen=True, slots=True)
class Ageing:
    """What the later readings say of a calibration.

    Attributes:
        checks: the readings that count, oldest first.
        advice: what to do.
        why: the reason in a sentence; empty where nothing is to be done.
    """

    checks: tuple[Check, ...]
    advice: Advice
    why: str


@dataclass(frozen=True, slots=True)
class Change:
    """Something that was done at a box: ``doing`` as the log has it, when in UTC ms."""

    wall_ms: int
    doing: str


def normalised_error(difference_k: float, expanded_k: float) -> float:
    """E_n of a difference whose expanded uncertainty (k = 2) is ``expanded_k``.

    Infinite where there is a difference and no uncertainty, 0 where there is neither.

    Raises:
        ValueError: a value is not a number, or the uncertainty is negative.
    """
    if math.isnan(difference_k) or math.isinf(difference_k) or not expanded_k >= 0:
        raise ValueError(f"no E_n of {difference_k} K with an uncertainty of {expanded_k} K")
    if expanded_k == 0:
        return math.copysign(math.inf, difference_k) if difference_k else 0.0
    return difference_k / expanded_k


def check(reference: Reference) -> Check | None:
    """One reading against the estimate of its moment; None where there was no estimate then."""
    entry = reference.entry
    estimate_c, expanded_k = entry.pairing.estimate_c, entry.pairing.expanded_k
    if estimate_c is None or expanded_k is None:
        return None
    both_k = math.hypot(entry.expanded_k, expanded_k)
    return Check(reference.number, reference.wall_ms, entry.reading_c - estimate_c, both_k)


def ageing(
    references: Sequence[Reference],
    *,
    chamber: str,
    lid: str,
    since_ms: int | None = None,
    changes: Sequence[Change] = (),
) -> Ageing:
    """Judge a calibration by the readings that came after it.

    Only readings count that were steady, taken in the middle of the box with this position of the
    lid, not dropped, and made while a calibrated offset was in force.

    Two rules of control charts say when to fit again, because one reading in twenty lies outside
    by chance: two of the last three beyond two standard uncertainties on one side, or four of the
    last five beyond one (Western Electric, Statistical Quality Control Handbook, 1956; also
    NIST/SEMATECH e-Handbook, 6.3.2).  A thermometer's own error shifts all its readings alike, so
    that the second rule may speak too soon; to fit again costs nothing.

    Args:
        references: readings of any box, in any order.
        chamber: name of the box.
        lid: position of the lid that the calibration is for.
        since_ms: since when its offset has been in force, UTC ms; None: from the beginning.
        changes: what was done at this box.
    """
    checks = tuple(
        found
        for reference in sorted(references, key=lambda r: (r.wall_ms, r.number))
        if _counts(reference, chamber, lid, since_ms)
        and (found := check(reference)) is not None
        and not math.isinf(found.expanded_k)
    )
    for most, needed, beyond in ((3, 2, SATISFACTORY), (5, 4, LEANING)):
        recent = [each.en for each in checks[-most:]]
        for side, word in ((1, "warmer"), (-1, "cooler")):
            there = sum(side * en > beyond for en in recent)
            if there >= needed:
                return Ageing(checks, Advice.FIT, _leaning(there, len(recent), word, beyond))
    return Ageing(checks, *_look_again(checks, since_ms, changes))


def _counts(reference: Reference, chamber: str, lid: str, since_ms: int | None) -> bool:
    entry = reference.entry
    return (
        entry.chamber == chamber
        and entry.lid == lid
        and entry.spot == USUAL_SPOT
        and reference.dropped is None
        and entry.pairing.steady
        and entry.pairing.calibrated
        and (since_ms is None or reference.wall_ms >= since_ms)
    )


def _leaning(many: int, of: int, word: str, beyond: float) -> str:
    how = "outside what both allow" if beyond >= SATISFACTORY else "by more than half of it"
    return f"{many} of the last {of} readings were {word} than the estimate, {how}"


def _look_again(
    checks: Sequence[Check], since_ms: int | None, changes: Sequence[Change]
) -> tuple[Advice, str]:
    known = [each for each in (since_ms, *(c.wall_ms for c in checks)) if each is not None]
    last_ms = max(known, default=None)
    for change in sorted(changes, key=lambda c: c.wall_ms, reverse=True):
        word = _CHANGES.get(change.doing)
        if word is not None and (last_ms is None or change.wall_ms > last_ms):
            return Advice.READ, f"the box was {word} after the last steady reading"
    if checks and checks[-1].outside:
        return Advice.READ, (
            "the last reading was outside what both allow; one in twenty is by chance"
        )
    return Advice.NONE, ""
