"""Boxes with a season behind them, for tests of the page: made up, with all that happens."""

from __future__ import annotations

from dataclasses import dataclass, fields
from datetime import UTC, datetime
from zoneinfo import ZoneInfo

import numpy as np
import numpy.typing as npt

from bottomheat.review.report import (
    Grid,
    Mark,
    MarkKind,
    Points,
    Report,
    Section,
    Strip,
    Table,
    grid_for,
    strip_of,
)

ZONE = ZoneInfo("Europe/Berlin")
DAY_MS = 86_400_000
BEGIN_MS = round(datetime(2026, 10, 31, 23, tzinfo=UTC).timestamp() * 1000)
BOXES = ("north-bench", "south-bench", "long-box", "new-box")


@dataclass(frozen=True, slots=True)
class Rows:
    """Samples of one box."""

    wall_ms: npt.NDArray[np.int64]
    estimate_c: npt.NDArray[np.float64]
    expanded_k: npt.NDArray[np.float64]
    setpoint_c: npt.NDArray[np.float64]
    substrate_c: npt.NDArray[np.float64]
    room_c: npt.NDArray[np.float64]
    mat_c: npt.NDArray[np.float64]
    top_c: npt.NDArray[np.float64]
    heat: npt.NDArray[np.bool_]

    def where(self, keep: npt.NDArray[np.bool_]) -> Rows:
        return Rows(*(getattr(self, each.name)[keep] for each in fields(self)))


def rows(
    from_ms: int,
    to_ms: int,
    *,
    step_s: int = 10,
    box: int = 0,
    gaps: tuple[tuple[int, int], ...] = (),
) -> Rows:
    """A box between two moments, the same whichever moments are asked for."""
    step_ms = step_s * 1000
    at_ms = np.arange(-(-from_ms // step_ms) * step_ms, to_ms, step_ms, dtype=np.int64)
    day = (at_ms - BEGIN_MS) / DAY_MS
    cold = 4 * np.sin(day / 9 + 1) + 2 * np.sin(day / 2.7)
    room_c = 8 + 3.5 * np.sin(2 * np.pi * (day - 0.35)) - cold
    room_c = np.round((room_c + noise(at_ms, 0.1 + box)) * 16) / 16
    setpoint_c = np.where(day < 40, 25.0 - 4 * (box % 2), 20.0)
    wave = np.sin(2 * np.pi * day * 96)
    need = (setpoint_c - room_c) / (30.0 + 5 * box)
    short = np.maximum(need - 0.8, 0.0)
    estimate_c = setpoint_c - 12 * short + 0.15 * np.sin(2 * np.pi * day * 3) + 0.03 * wave
    estimate_c += noise(at_ms, 0.2)
    layer_c = room_c + (estimate_c - room_c) / 0.8 + 0.2 * wave + noise(at_ms, 0.3)
    mat_c = layer_c + 14 * np.clip(need, 0, 1) + 2.5 * wave + 5 * noise(at_ms, 0.4)
    heat = (at_ms // 1000) % 900 < 900 * np.clip(need, 0, 1)
    found = Rows(
        at_ms,
        estimate_c,
        np.full(len(at_ms), 0.4) + 0.4 * (day % 11 < 0.5),
        setpoint_c,
        layer_c,
        room_c,
        mat_c,
        np.full(len(at_ms), np.nan) if box else room_c + 1.5,
        heat,
    )
    keep = np.ones(len(at_ms), dtype=bool)
    for begin_ms, end_ms in gaps:
        keep &= (at_ms <= begin_ms) | (at_ms >= end_ms)
    return found.where(keep)


def noise(at_ms: npt.NDArray[np.int64], phase: float) -> npt.NDArray[np.float64]:
    """Up to a tenth of a kelvin either way, the same for the same moment, K."""
    return 0.1 * np.sin(1e4 * np.sin(at_ms / 1e4 % 7919 + phase))


def gaps_of(days: int) -> tuple[tuple[int, int], ...]:
    return tuple(
        (BEGIN_MS + n * DAY_MS + 7_800_000, BEGIN_MS + n * DAY_MS + 27_900_000)
        for n in range(2, days, 17)
    )


def marks_of(days: int, boxes: tuple[str, ...]) -> tuple[Mark, ...]:
    found = [
        Mark(MarkKind.GAP, begin_ms, end_ms, "Power was cut, or the machine crashed or was reset.")
        for begin_ms, end_ms in gaps_of(days)
    ]
    for number, name in enumerate(boxes):
        for day in range(1 + number, days, 6):
            at_ms = BEGIN_MS + day * DAY_MS + 9 * 3_600_000
            found.append(Mark(MarkKind.TENDING, at_ms, at_ms + 900_000, "Looked at.", name))
        for day in range(1, days, 13):
            at_ms = BEGIN_MS + day * DAY_MS + (4 + number) * 3_600_000
            text = f"Heat lost: the wet layer of {name} falls although heat is on."
            kind = MarkKind.URGENT if day % 2 else MarkKind.ALARM
            found.append(Mark(kind, at_ms, at_ms + 4 * 3_600_000, text, name))
        found.append(
            Mark(MarkKind.STAGE, BEGIN_MS, None, "GRP-1, grapevine bench grafts: callusing.", name)
        )
    return tuple(found)


SECTIONS = (
    Section(
        "What happened",
        (
            "Power cut, Thu 5 Nov 02:10 to 07:45 (5 h 35 min). Nothing to reset.",
            Points(("Lift a bag: layer wet, not flooded?", "Look for mould on 8 Nov."), True),
        ),
    ),
    Section(
        "How bad",
        (
            "Lowest bases 17.2 ± 0.5 °C, seen at restart.",
            Table(
                "Batches",
                ("Batch", "Stage", "What it means"),
                (("GRP-1", "callusing", "growth paused about 6 h; no harm expected"),),
            ),
        ),
    ),
)


def season(
    days: int = 120, boxes: tuple[str, ...] = BOXES, *, step_s: int = 10, block_days: int = 7
) -> Report:
    """A report of a season, made a week at a time."""
    end_ms = BEGIN_MS + days * DAY_MS
    grid = grid_for(BEGIN_MS, end_ms, ZONE, len(boxes))
    strips = tuple(strip(grid, name, n, days, step_s, block_days) for n, name in enumerate(boxes))
    return Report(
        f"Season: {', '.join(boxes)}",
        end_ms,
        ZONE,
        grid,
        SECTIONS,
        strips,
        marks_of(days, boxes),
    )


def strip(grid: Grid, name: str, box: int, days: int, step_s: int, block_days: int) -> Strip:
    gaps = gaps_of(days)
    whole = None
    for from_ms in range(grid.from_ms, grid.to_ms, block_days * DAY_MS):
        to_ms = min(from_ms + block_days * DAY_MS, grid.to_ms)
        near = rows(from_ms - 900_000, to_ms + 900_000, step_s=step_s, box=box, gaps=gaps)
        inside = (near.wall_ms >= grid.from_ms) & (near.wall_ms < grid.to_ms)
        made = strip_of(name, near.where(inside), grid, from_ms, to_ms, gaps)
        whole = made if whole is None else whole | made
    assert whole is not None
    return whole
