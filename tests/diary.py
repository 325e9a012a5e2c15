"""A season's ledger that is written by requests alone, as the service keeps it."""

from __future__ import annotations

from typing import Any

from bottomheat.config import Config
from bottomheat.season.ledger import (
    DAY_MS,
    Batch,
    Dated,
    Season,
    fold,
)
from bottomheat.season.request import Outcome, entered_ms, handle
from plant import chamber_keys, config

CONFIG = config(
    north_bench=chamber_keys(), south_bench=chamber_keys(1, callus_zone=17.0, in_use=True)
)
NOW_MS = 1_800_000_000_000  # 2027-01-15
HOUR_MS = 3_600_000


class Diary:
    """A ledger that is written by requests alone, as the service keeps it."""

    def __init__(self, box_config: Config = CONFIG) -> None:
        self.config = box_config
        self.entries: list[Dated] = []
        self.now_ms = NOW_MS
        self.clock_sure = True
        self.in_force_c: dict[str, float] = {}

    def ask(self, what: str | None = None, batch: str | None = None, **more: Any) -> Outcome:
        fields = {"do": "season", "what": what, "batch": batch, **more}
        given = {key: value for key, value in fields.items() if value is not None}
        return self.send(given)

    def send(self, request: dict[str, Any]) -> Outcome:
        outcome = handle(
            self.entries,
            self.config,
            request,
            self.now_ms,
            50.0,
            clock_sure=self.clock_sure,
            in_force_c=self.in_force_c,
        )
        for entry in outcome.entries:
            at_ms = entered_ms(self.entries, self.now_ms, clock_sure=self.clock_sure)
            self.entries.append(Dated(len(self.entries) + 1, at_ms, self.clock_sure, entry))
        return outcome

    def keep(self, *words: Any, **more: Any) -> dict[str, Any]:
        """A request that has to be taken; the answer."""
        answer = self.ask(*words, **more).answer
        assert answer["ok"], answer
        return answer

    def refuse(self, *words: Any, **more: Any) -> str:
        """A request that has to be refused without a trace; the sentence."""
        before = list(self.entries)
        outcome = self.ask(*words, **more)
        assert outcome.answer["ok"] is False, outcome.answer
        assert (outcome.entries, outcome.events, self.entries) == ((), (), before)
        return str(outcome.answer["error"])

    @property
    def season(self) -> Season:
        return fold(self.entries)

    def batch(self, name: str = "MUL-1") -> Batch:
        return self.season.batches[name]


def added(name: str = "MUL-1", place: str = "north-bench", **data: Any) -> Diary:
    """A diary with one batch, ten days old."""
    diary = Diary()
    whole = {"species": "mulberry", "count": 40, **data}
    diary.keep("add", name, chamber=place, data=whole, about_ms=NOW_MS - 10 * DAY_MS)
    return diary
