"""The course of a box as a chart in the terminal: 80 columns, no colour.  Needs numpy, plotext."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import tzinfo
from typing import Any, Final

import numpy as np
import numpy.typing as npt

from bottomheat.review.report import Grid, Mark, MarkKind, Strip, local
from bottomheat.review.thinning import Floats, coarser
from bottomheat.telling import BAND_K

WIDTH: Final = 80
LINES: Final = 22
COLUMNS: Final = 70
"""Across the chart itself, at the most: a bucket each."""
_ROWS: Final = (
    ("no data", "x", (MarkKind.GAP,)),
    ("open", "t", (MarkKind.TENDING,)),
    ("alarm", "!", (MarkKind.URGENT, MarkKind.ALARM)),
)
_DAY_MS: Final = 86_400_000
_HOUR_MS: Final = 3_600_000
_TICKS_H: Final = (1, 2, 3, 6, 12, 24, 48, 72, 168, 336, 672)
_MOST_TICKS: Final = 8


def chart(strip: Strip, grid: Grid, marks: Sequence[Mark] = (), zone: tzinfo | None = None) -> str:
    """Draw bases, wet layer and room with the target band, and below them what happened.

    Args:
        strip: the box.
        grid: how it is cut.
        marks: alarms, gaps and tendings; those of other boxes are left out.
        zone: the grower's clock; None is this machine's.
    """
    import plotext

    many = -(-len(strip.setpoint_c) // COLUMNS)
    course = strip.chart
    middle_h = _middles_h(grid, many)
    target_c = strip.setpoint_c[::many][: len(middle_h)]
    bases, layer, room = (
        coarser(each, many) for each in (course.estimate_c, course.layer_c, course.room_c)
    )
    every = np.concatenate(
        (bases.low, bases.high, layer.mean, room.mean, target_c - BAND_K, target_c + BAND_K)
    )
    every = every[~np.isnan(every)]
    if not len(every):
        return f"{strip.name}: no data in this time."
    low_c, high_c = float(every.min()), float(every.max())
    rung_c = max(high_c - low_c, 1.0) / (LINES - 3 - len(_ROWS))

    figure = plotext.figure
    figure.clear()
    figure.plot_size(WIDTH, LINES)
    figure.theme("colorless")
    for values, marker in (
        (target_c - BAND_K, "-"), (target_c + BAND_K, "-"), (room.mean, "."), (layer.mean, "+"),
        (bases.low, "o"), (bases.high, "o"), (bases.mean, "o"),
    ):  # fmt: skip
        for run in _runs(values):
            _draw(figure, middle_h[run], values[run], marker)
    rows_c = {word: low_c - (n + 1) * rung_c for n, (word, _, _) in enumerate(_ROWS)}
    for word, marker, kinds in _ROWS:
        hit = _hit(strip, grid, marks, kinds, middle_h)
        for run in _runs(np.where(hit, rows_c[word], np.nan)):
            _draw(figure, middle_h[run], np.full(run.stop - run.start, rows_c[word]), marker)
    ticks_ms = _ticks_ms(grid, zone)
    labels = [_label(each, grid, zone) for each in ticks_ms]
    figure.ruler("x").lim(0.0, (grid.to_ms - grid.from_ms) / _HOUR_MS)
    figure.ruler("x").ticks([(each - grid.from_ms) / _HOUR_MS for each in ticks_ms], labels)
    rungs = _rungs(low_c, high_c)
    places, words = [*rows_c.values(), *rungs], [*rows_c, *(f"{rung:g}" for rung in rungs)]
    figure.ruler("y").lim(low_c - (len(_ROWS) + 0.5) * rung_c, high_c + rung_c / 2)
    figure.ruler("y").ticks(places, words)
    drawn = plotext.uncolorize(str(figure.build()))
    figure.clear()
    caption = f"°C  o bases   - target ± {BAND_K:g}   + wet layer   . room   {strip.name}"
    return "\n".join(
        (caption[:WIDTH], *(line.rstrip() for line in drawn.splitlines() if line.strip()))
    )


def _draw(figure: Any, at_h: Floats, values: Floats, marker: str) -> None:
    signal = figure.signal(at_h.tolist(), values.tolist(), marker=marker)
    signal.lines(len(values) > 1)
    figure.draw(signal)


def _middles_h(grid: Grid, many: int) -> Floats:
    """The middle of each bucket of a column, h from the begin of the window."""
    edges_ms = grid.edges_ms[:-1:many].astype(np.float64)
    ends_ms = np.append(edges_ms[1:], grid.edges_ms[-1])
    middle_ms: Floats = np.maximum((edges_ms + ends_ms) / 2 - grid.from_ms, 0.0)
    return middle_ms / _HOUR_MS


def _runs(values: Floats) -> Iterator[slice]:
    """Stretches of what is known: a gap stays a gap."""
    known = np.concatenate(([False], ~np.isnan(values), [False])).astype(np.int8)
    edges = np.flatnonzero(np.diff(known))
    yield from (slice(int(a), int(b)) for a, b in zip(edges[::2], edges[1::2], strict=True))


def _hit(
    strip: Strip, grid: Grid, marks: Sequence[Mark], kinds: Sequence[MarkKind], middle_h: Floats
) -> npt.NDArray[np.bool_]:
    """In which columns something of these kinds lies; each that lies in the window has one."""
    width_h = float(grid.edges_ms[1] - grid.edges_ms[0]) / _HOUR_MS
    width_h *= -(-(len(grid.edges_ms) - 1) // len(middle_h))
    hit = np.zeros(len(middle_h), dtype=bool)
    for mark in marks:
        to_ms = mark.from_ms if mark.to_ms is None else mark.to_ms
        if mark.kind not in kinds or mark.box not in (None, strip.name):
            continue
        if to_ms < grid.from_ms or mark.from_ms >= grid.to_ms:
            continue
        from_h, to_h = ((each - grid.from_ms) / _HOUR_MS for each in (mark.from_ms, to_ms))
        hit |= (middle_h + width_h / 2 > from_h) & (middle_h - width_h / 2 <= to_h)
    return hit


def _ticks_ms(grid: Grid, zone: tzinfo | None) -> list[int]:
    """Moments that are round on the grower's clock."""
    length_h = (grid.to_ms - grid.from_ms) / _HOUR_MS
    step_h = next((each for each in _TICKS_H if length_h / each <= _MOST_TICKS), None)
    if step_h is None:
        step_h = 24 * -(-int(length_h / 24) // _MOST_TICKS)
    offset = local(grid.from_ms, zone).utcoffset()
    ahead_ms = 0 if offset is None else round(offset.total_seconds() * 1000)
    step_ms = step_h * _HOUR_MS
    first_ms = -(-(grid.from_ms + ahead_ms) // step_ms) * step_ms - ahead_ms
    if step_ms > _DAY_MS:
        first_ms = -(-(grid.from_ms + ahead_ms) // _DAY_MS) * _DAY_MS - ahead_ms
    return list(range(first_ms, grid.to_ms, step_ms))


def _label(at_ms: int, grid: Grid, zone: tzinfo | None) -> str:
    then = local(at_ms, zone)
    if grid.to_ms - grid.from_ms > _MOST_TICKS * _DAY_MS or (then.hour, then.minute) == (0, 0):
        return f"{then.day} {then:%b}"
    return f"{then:%H:%M}"


def _rungs(low_c: float, high_c: float) -> list[float]:
    step_c = next(s for s in (0.2, 0.5, 1, 2, 5, 10, 20, 50, 100) if (high_c - low_c) / s <= 6)
    first = int(np.ceil(low_c / step_c))
    return [round(n * step_c, 6) for n in range(first, int(np.floor(high_c / step_c)) + 1)]
