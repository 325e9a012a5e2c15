"""What dead runs left in their ring files and the log does not hold yet, before it is added.

The journal adds it when it opens the file, in a thread of its own; what a start has to know at once
is read here.  Read-only.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from bottomheat.season.ledger import Dated
from bottomheat_drivers.log import ring
from bottomheat_drivers.log.codec import ClockItem, Item, SeasonItem, from_bytes, season_entry
from bottomheat_drivers.log.placing import Pair, Placing, Span, place


@dataclass(frozen=True, slots=True)
class Left:
    """A dead run's ring file: its first moment, and the rows that the log lacks."""

    key: str
    boot_id: str
    began_ms: int
    wall_ms: int
    synchronised: bool
    items: tuple[Item, ...]


def left_rows(folder: Path, kept: Mapping[str, int]) -> list[Left]:
    """What dead runs left, in the order in which the journal will add it.

    Args:
        folder: where the ring files lie.
        kept: the number of the newest row that the log holds of each run, by the run's key.
    """
    try:
        paths = ring.others(folder, None)
    except OSError:
        return []
    found: list[Left] = []
    for path in paths:
        try:
            remains = ring.read(path)
            if remains is None:
                continue
            header = remains.header
            key = str(header["key"])
            items = (from_bytes(data) for data in remains.rows)
            found.append(
                Left(
                    key,
                    str(header["boot_id"]),
                    int(str(header["began_ms"])),
                    int(str(header["wall_ms"])),
                    bool(header["synchronised"]),
                    tuple(
                        item for item in items if item is not None and item.seq > kept.get(key, 0)
                    ),
                )
            )
        except (ring.RingDamagedError, KeyError, ValueError, OSError):
            continue  # the journal sets it aside and says so
    return found


def season_left(
    left: Sequence[Left],
    newest: int,
    runs: Mapping[str, Span],
    pairs: Iterable[Pair],
) -> list[Dated]:
    """The entries of the season's ledger among these rows, with the numbers that they will get.

    Args:
        left: as ``left_rows`` gives it.
        newest: the number of the newest entry in the log, 0 for none.
        runs: the log's runs by key.
        pairs: the log's pairs of times.

    Raises:
        ValueError: a word that this version does not know.
    """
    spans = dict(runs)
    all_pairs = list(pairs)
    next_run = max((span.run for span in spans.values()), default=0) + 1
    for each in left:
        last_ms = max((item.t_ms for item in each.items), default=each.began_ms)
        span = spans.get(each.key)
        if span is None:
            span = Span(next_run, each.boot_id, each.began_ms, last_ms)
            next_run += 1
            all_pairs.append(Pair(span.run, each.began_ms, each.wall_ms, each.synchronised))
        else:
            span = Span(span.run, span.boot_id, span.began_ms, max(span.last_ms, last_ms))
        spans[each.key] = span
        all_pairs += [
            Pair(span.run, item.t_ms, item.wall_ms, bool(item.synchronised))
            for item in each.items
            if isinstance(item, ClockItem)
        ]
    placings = place(sorted(spans.values(), key=lambda span: span.run), all_pairs)
    found: list[Dated] = []
    for each in left:
        placing = placings[spans[each.key].run]
        for item in each.items:
            if isinstance(item, SeasonItem):
                found.append(_dated(newest + len(found) + 1, placing, item))
    return found


def _dated(number: int, placing: Placing, item: SeasonItem) -> Dated:
    return Dated(number, placing.wall_ms(item.t_ms), placing.sure, season_entry(item))
