"""The rows that a thermal record is made of, out of the log."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from bottomheat.review.exposure import MAX_GAP_S, trace
from bottomheat.review.pieces import Piece, extents, piece_of_box, pieces_in
from bottomheat.review.record import ThermalRecord, record
from bottomheat.review.thermal_time import Index, Model, index

if TYPE_CHECKING:
    from bottomheat.config import Config
    from bottomheat.season.ledger import Batch
    from bottomheat_drivers.log.columns import Columns

_NEEDED = ("estimate_c", "expanded_k", "substrate_c")


@dataclass(frozen=True, slots=True, eq=False)
class Material:
    """A record and what it was made of.

    Attributes:
        record: it.
        rows: of each box.
        sure: whether a synchronised clock places all of them.
    """

    record: ThermalRecord
    rows: Mapping[str, Columns]
    sure: bool

    def warmth(self, model: Model) -> Index:
        """How much warmth there was where it was measured, by a model."""
        lines = [
            trace(rows.wall_ms, rows.estimate_c, part.piece.from_ms, part.piece.to_ms)
            for part in self.record.parts
            if part.piece.unmeasured is None
            and (rows := self.rows.get(part.piece.place)) is not None
        ]
        return index(lines, model)


def of_batch(
    path: Path,
    config: Config,
    batch: Batch,
    now_ms: int,
    from_ms: int | None = None,
    to_ms: int | None = None,
) -> Material | None:
    """What a batch went through; None: it was nowhere in that time.

    Args:
        path: the log.
        config: its boxes, and the grower's own numbers.
        batch: it.
        now_ms: the present, UTC ms.
        from_ms: begin of the window, UTC ms; None: its first day.
        to_ms: end of the window, UTC ms; None: now or its last day.

    Raises:
        LogError: the log cannot be read.
    """
    pieces = pieces_in(config, batch, now_ms, from_ms, to_ms)
    return _made(path, config, pieces) if pieces else None


def of_box(path: Path, config: Config, name: str, from_ms: int, to_ms: int) -> Material | None:
    """What a box did against its setpoint; None: no time at all.

    Args:
        path: the log.
        config: for the power of its mat.
        name: of the box.
        from_ms: begin, UTC ms.
        to_ms: end, UTC ms.

    Raises:
        LogError: the log cannot be read.
    """
    return _made(path, config, [piece_of_box(name, from_ms, to_ms)]) if from_ms < to_ms else None


def _made(path: Path, config: Config, pieces: Iterable[Piece]) -> Material:
    from bottomheat_drivers.log.columns import columns

    pieces = list(pieces)
    edge_ms = round(MAX_GAP_S * 1000)
    rows = {
        name: columns(path, name, low_ms - edge_ms, high_ms + edge_ms, only=_NEEDED)
        for name, (low_ms, high_ms) in extents(pieces).items()
    }
    watts = {name: chamber.heater.watts for name, chamber in config.chambers.items()}
    found = {name: each for name, each in rows.items() if len(each)}
    return Material(
        record(pieces, found, watts), rows, all(bool(each.sure.all()) for each in rows.values())
    )
