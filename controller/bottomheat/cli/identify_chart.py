"""Measured and model of a box as a chart in the terminal: 80 columns, no colour."""

from __future__ import annotations

from datetime import UTC, datetime, tzinfo
from typing import TYPE_CHECKING, Final

import numpy as np

if TYPE_CHECKING:
    from bottomheat.identification.stretch import Floats

WIDTH: Final = 80
LINES: Final = 18
COLUMNS: Final = 70


def chart(time_s: Floats, measured_c: Floats, model_c: Floats, zone: tzinfo | None = None) -> str:
    """Draw the wet layer as measured and as the model makes it from heat and room alone.

    Args:
        time_s: of each mean, wall time, s.
        measured_c: measured, °C.
        model_c: model, °C.
        zone: the grower's clock; None is this machine's.
    """
    import plotext

    if not len(time_s):
        return ""
    edges = np.linspace(time_s[0], time_s[-1] + 1.0, COLUMNS + 1)
    of = np.clip(np.searchsorted(edges, time_s, side="right") - 1, 0, COLUMNS - 1)
    count = np.bincount(of, minlength=COLUMNS)
    there = np.flatnonzero(count)
    middle = 0.5 * (edges[1:] + edges[:-1])
    figure = plotext.figure
    figure.clear()
    figure.plot_size(WIDTH, LINES)
    figure.theme("colorless")
    # Measured last, so that it is seen where both are; the model shows where it is off.
    for values, marker in ((model_c, "-"), (measured_c, "o")):
        mean = np.bincount(of, weights=values, minlength=COLUMNS)[there] / count[there]
        signal = figure.signal(middle[there].tolist(), mean.tolist(), marker=marker)
        signal.lines(False)
        figure.draw(signal)
    ticks = np.linspace(time_s[0], time_s[-1], 6)[:-1]
    figure.ruler("x").ticks(ticks.tolist(), [_label(each, zone) for each in ticks.tolist()])
    drawn = plotext.uncolorize(str(figure.build()))
    figure.clear()
    caption = "wet layer, °C   o measured   - model, from heat and room alone"
    return "\n".join((caption, *(line.rstrip() for line in drawn.splitlines() if line.strip())))


def _label(at_s: float, zone: tzinfo | None) -> str:
    then = datetime.fromtimestamp(at_s, UTC).astimezone(zone)
    return f"{then.day} {then:%b %H:%M}"
