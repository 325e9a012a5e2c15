"""From the log to what a review looks at: troubles, windows, how bad it was."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path
from typing import TYPE_CHECKING, Final

import numpy as np

from bottomheat.cli.kept_config import kept_config
from bottomheat.cli.record_data import of_batch, of_box
from bottomheat.model import Bad, Fault, Good, Place
from bottomheat.review.episodes import Trouble, holes
from bottomheat.review.story import BatchToll, BoxToll
from bottomheat.review.timeline import alarm_words
from bottomheat.review.verdict import judge
from bottomheat.review.window import Floats, Hole, Said, Tended, Window
from bottomheat.season.said import made_of
from bottomheat.telling import BAND_K
from bottomheat_drivers.log.blocks import BlockReader

if TYPE_CHECKING:
    from bottomheat.cli.season_view import View
    from bottomheat.config import ChamberConfig, Config
    from bottomheat.season.ledger import Batch
    from bottomheat_drivers.log.rows import AlarmRow, EventRow, SampleRow

HOUR_MS: Final = 3_600_000
BEFORE_MS: Final = 10 * HOUR_MS
"""So much of before the trouble the diagnosis sees, to know how the box was when all was well."""
AFTER_MS: Final = 2 * HOUR_MS
LONGEST_MS: Final = 24 * HOUR_MS
"""A diagnosis looks at no more than this: a cause shows when it begins, not days later; it was
tried on windows of that length."""
BACK_WITHIN_MS: Final = 48 * HOUR_MS
"""So long after an episode a box may be on its way back into the band."""
STEADY_MS: Final = HOUR_MS // 2
"""In band for so long: it is back (judgement)."""
_LEAST_GAP_S: Final = 120.0
_NEAR_S: Final = 60.0
_KEPT_BOXES: Final = 4
_MINUTES_S: Final = 120.0
"""A diagnosis takes what older samples were thinned to, as long as those are rows of a minute."""


@dataclass(frozen=True, slots=True)
class Configs:
    """The configs of the log, the oldest first, and what stands in where it has none of use."""

    known: tuple[tuple[int, Config], ...]
    fallback: Config

    def at(self, wall_ms: int) -> Config:
        """The config in force at a time, UTC ms; before the first one: the first."""
        found = self.known[0][1] if self.known else self.fallback
        for since_ms, config in self.known:
            if since_ms <= wall_ms:
                found = config
        return found

    def in_use(self, wall_ms: int) -> tuple[str, ...]:
        """The boxes in use at a time, UTC ms."""
        return tuple(n for n, box in self.at(wall_ms).chambers.items() if box.in_use)

    def uses(self, chamber: str, from_ms: int, to_ms: int) -> list[tuple[int, int]]:
        """From when to when a box was in use within a stretch of time, UTC ms, oldest first."""
        edges = [from_ms, *(since for since, _ in self.known if from_ms < since < to_ms), to_ms]
        made: list[tuple[int, int]] = []
        for begin_ms, end_ms in pairwise(edges):
            if chamber not in self.in_use(begin_ms):
                continue
            if made and made[-1][1] == begin_ms:
                begin_ms = made.pop()[0]
            made.append((begin_ms, end_ms))
        return made

    def longest_gap_s(self, from_ms: int, to_ms: int) -> float:
        """Between rows further apart something is missing in that time, s."""
        at = {self.at(from_ms).cycle_s, self.at(to_ms).cycle_s}
        at |= {c.cycle_s for since_ms, c in self.known if from_ms <= since_ms < to_ms}
        return max(_LEAST_GAP_S, 3.0 * max(at))


class Book:
    """A log that is open, with what is asked for again and again read once.

    Args:
        seen: which log, its config, season, runs and alarms.
    """

    def __init__(self, seen: View) -> None:
        self.seen = seen
        self.path: Path = seen.path
        self.reader = BlockReader(seen.path)
        self.newest_ms = seen.rows_ms[1] + 1 if seen.rows_ms is not None else seen.now_ms
        self.first_ms = seen.rows_ms[0] if seen.rows_ms is not None else seen.now_ms
        self.configs = self._configs()
        self._boxes: dict[tuple[str, tuple[int, int]], _Box] = {}
        self._events: list[EventRow] | None = None
        self._tended: list[tuple[str, Tended]] | None = None

    def close(self) -> None:
        """Close the log's file."""
        self.reader.close()

    def gaps(self, from_ms: int, to_ms: int) -> tuple[Trouble, ...]:
        """When nothing was recorded, oldest first; what lies after the newest row is none."""
        longest_s = self.configs.longest_gap_s(from_ms, to_ms)
        found = self.reader.gaps(
            max(from_ms, self.first_ms), min(to_ms, self.newest_ms), round(longest_s * 1000)
        )
        return holes(
            [Trouble(gap.from_ms, gap.to_ms, None, gap.why, gap=gap.cause.value) for gap in found]
        )

    def alarms(self, from_ms: int, to_ms: int) -> tuple[Trouble, ...]:
        """The alarms that stood from one time to another, UTC ms."""
        return tuple(
            each
            for row in self.seen.alarms
            if (each := self._alarm(row)).from_ms < to_ms
            and (each.to_ms is None or each.to_ms >= from_ms)
        )

    def said(self, from_ms: int, to_ms: int) -> list[Said]:
        """The events of a stretch of time, UTC ms, oldest first."""
        if self._events is None:
            self._events = self.reader.events()
        return [
            Said(
                row.wall_ms / 1000,
                row.event.kind,
                row.event.chamber,
                row.event.text,
                row.event.alarm,
            )
            for row in self._events
            if from_ms <= row.wall_ms < to_ms
        ]

    def window(self, chamber: str, from_ms: int, to_ms: int) -> Window | None:
        """A box as a diagnosis looks at it; None: the config of then has no such box."""
        config = self.configs.at(to_ms).chambers.get(chamber)
        if config is None:
            return None
        to_ms = min(to_ms, self.newest_ms)
        said = self.said(from_ms, to_ms)
        tended = [
            each
            for name, each in self._all_tended()
            if name == chamber and each.from_s * 1000 < to_ms and each.to_s * 1000 > from_ms
        ]
        missing = [
            Hole(gap.from_ms / 1000, gap.to_ms / 1000, gap.gap or "", gap.what)
            for gap in self.gaps(from_ms, to_ms)
            if gap.to_ms is not None and gap.from_ms > self.first_ms
        ]
        span = from_ms, to_ms
        own = self._box(chamber, config, span)
        boxes = self.configs.at(to_ms).chambers
        beside = {
            name: _at_times(self._box(name, other, span), own.at_s)
            for name, other in boxes.items()
            if name != chamber
        }
        return _window(config, own, span, said=said, tended=tended, holes=missing, beside=beside)

    def toll(self, chamber: str, from_ms: int, end_ms: int) -> BoxToll | None:
        """How bad it was in a box, from the first sign until it was back in band."""
        last_ms = max(min(end_ms + BACK_WITHIN_MS, self.newest_ms), from_ms + 1)
        back_ms = self._back_ms(chamber, end_ms, last_ms)
        # A little of the time after it too, so that what was seen at a restart counts.
        to_ms = min(end_ms if back_ms is None else back_ms + STEADY_MS, self.newest_ms)
        if back_ms is None and end_ms < self.newest_ms:
            to_ms = last_ms
        to_ms = max(to_ms, from_ms + 60_000)
        return self.toll_within(chamber, from_ms, to_ms, back_ms)

    def toll_within(
        self, chamber: str, from_ms: int, to_ms: int, back_ms: int | None = None
    ) -> BoxToll | None:
        """How bad it was in a box in exactly that time; None: no time at all."""
        made = of_box(self.path, self.configs.at(from_ms), chamber, from_ms, to_ms)
        if made is None:
            return None
        room_c = self._room_c(chamber, from_ms, to_ms)
        tolls = tuple(self.batch_tolls(chamber, from_ms, to_ms))
        return BoxToll(chamber, made.record, back_ms, room_c, tolls)

    def batch_tolls(self, chamber: str, from_ms: int, to_ms: int) -> Iterable[BatchToll]:
        """What the batches that stood in a box went through in that time."""
        for batch in self.seen.season.batches.values():
            stays = [
                stay
                for stay in batch.stays
                if stay.place == chamber
                and stay.from_ms < to_ms
                and (stay.to_ms is None or stay.to_ms > from_ms)
            ]
            toll = self.batch_toll(batch, from_ms, to_ms) if stays else None
            if toll is not None:
                yield toll

    def batch_toll(self, batch: Batch, from_ms: int | None, to_ms: int | None) -> BatchToll | None:
        """What a batch went through; None: it was nowhere in that time."""
        config = self.configs.at(self.newest_ms if to_ms is None else to_ms)
        now_ms = max(self.newest_ms, self.seen.now_ms)
        made = of_batch(self.path, config, batch, now_ms, from_ms, to_ms)
        if made is None:
            return None
        words = made_of(batch.species, batch.kind, batch.count)
        return BatchToll(batch.name, words, made.record, judge(made.record, batch))

    def _box(self, chamber: str, config: ChamberConfig, span_ms: tuple[int, int]) -> _Box:
        """A box's rows; the last few are kept, because each box is also looked at beside others."""
        key = chamber, span_ms
        if key not in self._boxes:
            found = self.reader.samples(chamber, *span_ms, longest_row_s=_MINUTES_S)
            rows = sorted(found, key=lambda row: row.wall_ms)
            while len(self._boxes) >= _KEPT_BOXES:
                del self._boxes[next(iter(self._boxes))]
            self._boxes[key] = _box(chamber, config, rows)
        return self._boxes[key]

    def _alarm(self, row: AlarmRow) -> Trouble:
        to_ms = row.cleared_wall_ms
        if to_ms is None and self.seen.runs and row.run != self.seen.runs[-1].run:
            # Its run ended; the next one raised it again where it still held.
            to_ms = next(run.last_wall_ms for run in self.seen.runs if run.run == row.run)
            to_ms = max(to_ms, row.raised_wall_ms)
        return Trouble(row.raised_wall_ms, to_ms, row.chamber, alarm_words(row.alarm), row.alarm)

    def _configs(self) -> Configs:
        parsed: dict[str, Config | None] = {}
        known: list[tuple[int, Config]] = []
        for row in self.reader.configs():
            if row.checksum not in parsed:
                parsed[row.checksum] = kept_config(row.text)
            config = parsed[row.checksum]
            if config is not None and (not known or known[-1][1] is not config):
                known.append((row.wall_ms, config))
        return Configs(tuple(known), self.seen.config)

    def _all_tended(self) -> list[tuple[str, Tended]]:
        if self._tended is None:
            self._tended = [
                (
                    row.chamber,
                    Tended(row.wall_ms / 1000, row.wall_ms / 1000 + row.for_s, row.doing),
                )
                for row in self.reader.tendings()
                if row.for_s is not None and row.doing != "done"
            ]
        return self._tended

    def _back_ms(self, chamber: str, end_ms: int, last_ms: int) -> int | None:
        """Since when the box has been in band for good, or None."""
        wall_ms: list[np.ndarray] = []
        good: list[np.ndarray] = []
        for block in self.reader.blocks(end_ms, last_ms):
            if block.chamber == chamber:
                # Where samples were thinned, some of what is drawn tells of other things.
                told = np.isfinite(block.estimate_c) | ~block.whole
                wall_ms.append(block.wall_ms[told])
                good.append((np.abs(block.estimate_c - block.setpoint_c) <= BAND_K)[told])
        if not wall_ms:
            return None
        times, flags = np.concatenate(wall_ms), np.concatenate(good)
        begin: int | None = None
        for at_ms, inside in zip(times.tolist(), flags.tolist(), strict=True):
            if not inside:
                begin = None
            elif begin is None:
                begin = at_ms
            elif at_ms - begin >= STEADY_MS:
                return begin
        return None

    def _room_c(self, chamber: str, from_ms: int, to_ms: int) -> tuple[float, float] | None:
        found = [
            (float(good.min()), float(good.max()))
            for block in self.reader.blocks(from_ms, to_ms)
            if block.chamber == chamber and (good := block.room_c[np.isfinite(block.room_c)]).size
        ]
        if not found:
            return None
        return min(low for low, _ in found), max(high for _, high in found)


@dataclass(frozen=True, slots=True, eq=False)
class _Box:
    """The rows of one box, and its readings by place, °C."""

    chamber: str
    rows: list[SampleRow]
    at_s: Floats
    celsius: dict[Place, Floats]
    faults: list[tuple[float, Place, Fault]]


def _box(chamber: str, config: ChamberConfig, rows: list[SampleRow]) -> _Box:
    celsius = {place: np.full(len(rows), np.nan) for place in config.probes.by_place()}
    faults: list[tuple[float, Place, Fault]] = []
    last: dict[Place, Fault] = {}
    for index, row in enumerate(rows):
        for place, reading in row.readings:
            match reading:
                case Good(celsius=value) if place in celsius:
                    celsius[place][index] = value
                    last.pop(place, None)
                case Bad(fault=fault) if last.get(place) is not fault:
                    last[place] = fault
                    faults.append((row.wall_ms / 1000, place, fault))
    at_s = np.array([row.wall_ms / 1000 for row in rows], dtype=np.float64)
    return _Box(chamber, rows, at_s, celsius, faults)


def _at_times(box: _Box, at_s: Floats) -> dict[Place, Floats]:
    """A box's readings at the times of another's rows; NaN where it has none near."""
    if not len(box.at_s) or not len(at_s):
        return {place: np.full(len(at_s), np.nan) for place in box.celsius}
    after = np.clip(np.searchsorted(box.at_s, at_s), 1, max(len(box.at_s) - 1, 1))
    after = np.minimum(after, len(box.at_s) - 1)
    before = np.maximum(after - 1, 0)
    nearer = np.abs(box.at_s[before] - at_s) <= np.abs(box.at_s[after] - at_s)
    near = np.where(nearer, before, after)
    far = np.abs(box.at_s[near] - at_s) > _NEAR_S
    return {p: np.where(far, np.nan, values[near]) for p, values in box.celsius.items()}


def _window(
    config: ChamberConfig,
    box: _Box,
    span_ms: tuple[int, int],
    *,
    said: Sequence[Said],
    tended: Sequence[Tended],
    holes: Sequence[Hole],
    beside: Mapping[str, Mapping[Place, Floats]],
) -> Window:
    rows, chamber, nan = box.rows, box.chamber, float("nan")
    return Window(
        chamber=chamber,
        config=config,
        at_s=box.at_s,
        celsius=box.celsius,
        estimate_c=np.array(
            [nan if row.estimate is None else row.estimate.celsius for row in rows], np.float64
        ),
        setpoint_c=np.array(
            [nan if row.setpoint_c is None else row.setpoint_c for row in rows], np.float64
        ),
        duty=np.array([nan if row.duty is None else row.duty for row in rows], np.float64),
        heat=np.array([row.heat for row in rows], dtype=np.bool_),
        condition=[row.condition for row in rows],
        faults=box.faults,
        said=[each for each in said if each.chamber in (None, chamber)],
        others=[each for each in said if each.chamber not in (None, chamber)],
        beside=beside,
        tended=tended,
        holes=holes,
        ends_s=span_ms[1] / 1000,
    )
