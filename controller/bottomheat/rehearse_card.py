"""What a power cut leaves of a rehearsed service: what had reached the card by then.  Pure."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any, Final

from bottomheat.foresight import SAVE_EVERY_H, Boxes
from bottomheat.hourly import HOUR_S
from bottomheat.model import Record
from bottomheat.outage import Before, Start
from bottomheat.restart import Known
from bottomheat.state import ControllerState

WRITTEN_EVERY_S: Final = 600.0
"""Rows go to the card so often, s; what came later is lost (``log.writer.COMMIT_EVERY_S``)."""


@dataclass(frozen=True, slots=True)
class Card:
    """What lies there.

    Attributes:
        before: the last rows that were written, or None.
        written_s: when that was, s.
        learned: what foresight had learned, at the hour ``learned_h``.
        learned_h: that hour, of the world's clock.
        boots: starts of the machine so far.
    """

    before: Before | None = None
    written_s: float = 0.0
    learned: Mapping[str, Any] = field(default_factory=dict)
    learned_h: int = 0
    boots: int = 1

    def kept(self, records: Sequence[Record], boxes: Boxes, now_s: float) -> Card:
        """The card after a cycle.

        Args:
            records: the cycle's rows.
            boxes: what is foretold of each box.
            now_s: time from the start, s.
        """
        hour = int(now_s // HOUR_S)
        rows, learned = now_s - self.written_s >= WRITTEN_EVERY_S, hour - self.learned_h
        if not rows and learned < SAVE_EVERY_H:
            return self
        before, written_s = self.before, self.written_s
        if rows:
            estimates = tuple((record.chamber, record.estimate) for record in records)
            before, written_s = Before(self.boot, now_s, _wall_ms(now_s), False, estimates), now_s
        if learned < SAVE_EVERY_H:
            return Card(before, written_s, self.learned, self.learned_h, self.boots)
        return Card(before, written_s, boxes.to_plain(), hour, self.boots)

    @property
    def boot(self) -> str:
        """This boot of the machine."""
        return f"rehearsal-{self.boots}"

    def booted(self, state: ControllerState, now_s: float) -> tuple[Card, Known, Start]:
        """The mains come back: the card from now on, and what the next run finds.

        The clock is set, as where a network or a battery sets it.  A spell of tending is on the
        clock of the boot before and ends with it; how a lid lies holds.

        Args:
            state: of the run before; of it counts what was written at once: the lids, and which
                probe was found displaced.
            now_s: time from the start, s.
        """
        card = Card(self.before, self.written_s, self.learned, self.learned_h, self.boots + 1)
        lids = {name: chamber.lid for name, chamber in state.chambers.items()}
        away = [n for n, chamber in state.chambers.items() if chamber.watch.displaced is not None]
        before = self.before
        before = None if before is None else replace(before, displaced=frozenset(away))
        return card, Known(before, lids), Start(card.boot, now_s, _wall_ms(now_s))

    def boxes(self, names: Mapping[str, object]) -> Boxes:
        """What is foretold of each box, with what was kept of it."""
        boxes = Boxes()
        boxes.take_up(self.learned, 0, names)  # the world's hours go on over a cut
        return boxes


def _wall_ms(now_s: float) -> int:
    return round(now_s * 1000)
