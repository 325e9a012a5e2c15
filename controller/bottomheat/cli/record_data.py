"""The rows that a thermal record is made of, out of the log."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

from bottomheat.review.exposure import MAX_GAP_S, trace
from bottomheat.review.parts import part
from bottomheat.review.pieces import Piece, piece_of_box, pieces_in
from bottomheat.review.record import ThermalRecord, together
from bottomheat.review.stitch import blocks, stitched
from bottomheat.review.thermal_time import Index, Model, warmth
from bottomheat.season.ledger import UNHEATED

if TYPE_CHECKING:
    from bottomheat.config import Config
    from bottomheat.season.ledger import Batch
    from bottomheat_drivers.log.columns import Columns

_NEEDED = ("estimate_c", "expanded_k", "substrate_c")


@dataclass(frozen=True, slots=True, eq=False)
class Material:
    """A record and what goes with it.

    Attributes:
        record: it.
        sure: whether a synchronised clock places all of its rows.
        warmth: how much warmth there was where it was measured, if it was asked for.
    """

    record: ThermalRecord
    sure: bool
    warmth: Index | None = None


def of_batch(
    path: Path,
    config: Config,
    batch: Batch,
    now_ms: int,
    from_ms: int | None = None,
    to_ms: int | None = None,
    *,
    model: Model | None = None,
) -> Material | None:
    """What a batch went through; None: it was nowhere in that time.

    Args:
        path: the log.
        config: its boxes, and the grower's own numbers.
        batch: it.
        now_ms: the present, UTC ms.
        from_ms: begin of the window, UTC ms; None: its first day.
        to_ms: end of the window, UTC ms; None: now or its last day.
        model: how to count warmth, if at all.

    Raises:
        LogError: the log cannot be read.
    """
    pieces = pieces_in(config, batch, now_ms, from_ms, to_ms)
    return _made(path, config, pieces, model) if pieces else None


def of_box(
    path: Path,
    config: Config,
    name: str,
    from_ms: int,
    to_ms: int,
    *,
    model: Model | None = None,
) -> Material | None:
    """What a box did against its setpoint; None: no time at all.

    Args:
        path: the log.
        config: for the power of its mat.
        name: of the box.
        from_ms: begin, UTC ms.
        to_ms: end, UTC ms.
        model: how to count warmth, if at all.

    Raises:
        LogError: the log cannot be read.
    """
    if from_ms >= to_ms:
        return None
    return _made(path, config, [piece_of_box(name, from_ms, to_ms)], model)


def _made(path: Path, config: Config, pieces: Iterable[Piece], model: Model | None) -> Material:
    watts = {name: chamber.heater.watts for name, chamber in config.chambers.items()}
    parts, sure, amount = [], True, 0.0
    for piece in pieces:
        if piece.place == UNHEATED:
            parts.append(part(piece, None, 0.0))
            continue
        made = []
        for block in blocks(piece):
            rows = _rows(path, block)
            made.append(part(block, rows, watts.get(piece.place, 0.0)))
            sure = sure and bool(rows.sure.all())
            if model is not None and piece.unmeasured is None:
                line = trace(rows.wall_ms, rows.estimate_c, block.from_ms, block.to_ms)
                amount += warmth(line, model)
        parts.append(stitched(made))
    found = None if model is None else Index(model, amount)
    return Material(_explained(path, together(parts)), sure, found)


def _explained(path: Path, record: ThermalRecord) -> ThermalRecord:
    """The record with what was wrong with the probe where the time is unknown for that."""
    from bottomheat_drivers.log import LogReader

    with LogReader(path) as log:
        doubts = log.doubted()
    if not doubts:
        return record
    return replace(
        record,
        unknown=tuple(
            replace(each, why=doubt.why)
            if (
                doubt := next(
                    (
                        doubt
                        for doubt in doubts.get(each.place, ())
                        if doubt.from_ms < each.to_ms and doubt.to_ms >= each.from_ms
                    ),
                    None,
                )
            )
            else each
            for each in record.unknown
        ),
    )


def _rows(path: Path, piece: Piece) -> Columns:
    """The rows of a piece, and those a little before and after it."""
    from bottomheat_drivers.log.columns import columns

    edge_ms = round(MAX_GAP_S * 1000)
    low_ms, high_ms = piece.from_ms - edge_ms, piece.to_ms + edge_ms
    return columns(path, piece.place, low_ms, high_ms, only=_NEEDED)
