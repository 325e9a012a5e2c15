"""Which stretches of time a record is made of: place by place and stage by stage.  Pure."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING, Final

from bottomheat.season.ledger import UNHEATED, Batch, Stage, Zone
from bottomheat.season.setpoint import measured
from bottomheat.season.species import needs
from bottomheat.telling import BAND_K

if TYPE_CHECKING:
    from bottomheat.config import Config
    from bottomheat.season.needs import Needs

STOOD_UNHEATED: Final = "stood unheated"
SETPOINT: Final = "setpoint"
SPECIES: Final = "species"
TARGET: Final = "target"

_HOUR_MS: Final = 3_600_000.0


@dataclass(frozen=True, slots=True)
class Piece:
    """A stretch of time in one place and, of a batch, in one stage.

    Attributes:
        place: a box, or ``UNHEATED``.
        from_ms: begin, UTC ms.
        to_ms: end, UTC ms.
        stage: of the batch; None: the record is about the box.
        needs: what the batch wants in that stage; None: the record is about the box.
        band_c: what counts as in band, °C; None: within 0.5 K of the setpoint of the moment.
        band_by: ``SPECIES``, ``TARGET`` (the batch's own) or ``SETPOINT``.
        unmeasured: why the box's estimate says nothing of the batch; None: it does.
    """

    place: str
    from_ms: int
    to_ms: int
    stage: Stage | None = None
    needs: Needs | None = None
    band_c: tuple[float, float] | None = None
    band_by: str = SETPOINT
    unmeasured: str | None = None

    @property
    def hours(self) -> float:
        """Its length, h."""
        return (self.to_ms - self.from_ms) / _HOUR_MS


def piece_of_box(place: str, from_ms: int, to_ms: int) -> Piece:
    """The piece for the record of a box itself, against its setpoint."""
    return Piece(place, from_ms, to_ms)


def pieces_of_batch(
    batch: Batch,
    now_ms: int,
    needs_of: Callable[[Stage], Needs],
    unmeasured: Callable[[str], str | None],
    from_ms: int | None = None,
    to_ms: int | None = None,
) -> tuple[Piece, ...]:
    """Where the batch was and in which stage, oldest first, within a window.

    Args:
        batch: it.
        now_ms: the present, UTC ms: where what is still open ends.
        needs_of: what it wants in a stage.
        unmeasured: why a box's estimate is not about this batch, or None.
        from_ms: begin of the window, UTC ms; None: its first day.
        to_ms: end of the window, UTC ms; None: now or its last day.
    """
    cuts = {stay.from_ms for stay in batch.stays} | {spell.from_ms for spell in batch.stages}
    last_ms = now_ms if batch.closed_ms is None else batch.closed_ms
    end_ms = last_ms if to_ms is None else min(to_ms, last_ms)
    first_ms = min(cuts, default=end_ms)
    begin_ms = first_ms if from_ms is None else max(from_ms, first_ms)
    if begin_ms >= end_ms:
        return ()
    edges = sorted({begin_ms, end_ms, *(cut for cut in cuts if begin_ms < cut < end_ms)})
    made = []
    for start_ms, stop_ms in pairwise(edges):
        stays = [each for each in batch.stays if each.from_ms <= start_ms]
        spells = [each for each in batch.stages if each.from_ms <= start_ms]
        place = stays[-1].place if stays else UNHEATED
        stage = spells[-1].stage if spells else Stage.CALLUSING
        wants = needs_of(stage)
        # Only its last target is known, and that is of the stage it is in.
        target_c = batch.target_c if len(spells) == len(batch.stages) else None
        band_c, band_by = _band(target_c, wants)
        why = STOOD_UNHEATED if place == UNHEATED else unmeasured(place)
        made.append(Piece(place, start_ms, stop_ms, stage, wants, band_c, band_by, why))
    return tuple(made)


def pieces_in(
    config: Config,
    batch: Batch,
    now_ms: int,
    from_ms: int | None = None,
    to_ms: int | None = None,
) -> tuple[Piece, ...]:
    """Where the batch was, judged by the boxes and species of a config.

    Args:
        config: what the boxes' estimates are about, and the grower's own numbers.
        batch: it.
        now_ms: the present, UTC ms.
        from_ms: begin of the window, UTC ms; None: its first day.
        to_ms: end of the window, UTC ms; None: now or its last day.
    """
    return pieces_of_batch(
        batch,
        now_ms,
        lambda stage: needs(batch.species, stage, config.season.species),
        lambda place: unmeasured_in(config, batch, place),
        from_ms,
        to_ms,
    )


def unmeasured_in(config: Config, batch: Batch, place: str) -> str | None:
    """Why a box's estimate says nothing of a batch, or None."""
    chamber = config.chambers.get(place)
    if chamber is None:
        return f"the config has no {place}, so the height that its estimate was of is not known"
    if measured(batch, chamber):
        return None
    part = "unions" if batch.zone is Zone.UNION else "bases"
    high = "" if batch.height_mm is None else f" are {batch.height_mm:g} mm up and"
    return f"its {part}{high} were not measured in {place}, which tells of another height"


def _band(target_c: float | None, wants: Needs) -> tuple[tuple[float, float] | None, str]:
    """The band of the species, made wider where the batch's own target lies outside it."""
    if wants.band_c is None:
        if target_c is None:
            return None, SETPOINT
        return (target_c - BAND_K, target_c + BAND_K), TARGET
    low_c, high_c = wants.band_c
    if target_c is None or low_c <= target_c <= high_c:
        return wants.band_c, SPECIES
    return (min(low_c, target_c - BAND_K), max(high_c, target_c + BAND_K)), TARGET
