"""Pieces that the charts of a page have in common: colours, axes, legends.  Needs bokeh, numpy."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from bokeh.models import DatetimeTickFormatter, NumeralTickFormatter, Range1d
from bokeh.models.annotations import Legend, LegendItem

from bottomheat.review.thinning import Floats

BLACK, BLUE, VERMILION, PURPLE, GREEN, SKY, ORANGE = (
    "#000000", "#0072B2", "#D55E00", "#CC79A7", "#009E73", "#56B4E9", "#E69F00",
)  # fmt: skip
GREY: Final = "#767676"
_PHONE_PX: Final = 290
_SAMPLE_PX: Final = 30
_LETTER_PX: Final = 6.0
"""The width of a chart on a phone of 390 px, of a sample of a line, and of a letter of 12 px."""
ROW_PX: Final = 26


@dataclass(frozen=True, slots=True)
class Line:
    """How a temperature is drawn: its word, colour and dash."""

    word: str
    color: str
    dash: str
    width: float = 1.5


def pale(color: str, share: float) -> str:
    """So much of a colour on white."""
    parts = (int(color[at : at + 2], 16) for at in (1, 3, 5))
    return "#" + "".join(f"{round(255 - share * (255 - part)):02x}" for part in parts)


def axes(plot: Any, unit: str, ticks: int = 5) -> None:
    """Time below, and a unit at the left; an empty one: words."""
    plot.xaxis.formatter = DatetimeTickFormatter(
        minutes="%H:%M", hourmin="%H:%M", hours="%H:%M", days="%d %b", months="%b %Y",
        context=DatetimeTickFormatter(
            minutes="%d %b", hourmin="%d %b", hours="%d %b", days="", months=""
        ),
        context_which="all", context_location="below", hide_repeats=True,
    )  # fmt: skip
    plot.xaxis.ticker.desired_num_ticks = 5
    plot.xaxis.ticker.num_minor_ticks = 0
    plot.axis.major_label_text_font_size = "12px"
    if unit:
        plot.yaxis.axis_label = unit
        plot.yaxis.axis_label_text_font_style = "normal"
        plot.yaxis.ticker.desired_num_ticks = ticks
        plot.yaxis.formatter = NumeralTickFormatter(format="0[.]0")


def legend(plot: Any, items: Mapping[str, list[Any]]) -> int:
    """Say above a chart what is what; how many rows that takes."""
    # So many side by side as a phone has room for: bokeh breaks no lines.
    wide = [_SAMPLE_PX + _LETTER_PX * len(word) for word in items]
    fitting = len(items) if sum(wide) <= _PHONE_PX else max(1, int(_PHONE_PX / max(wide)))
    made = Legend(
        items=[LegendItem(label=word, renderers=drawn) for word, drawn in items.items()],
        orientation="horizontal",
        ncols=fitting,
        click_policy="hide",
        border_line_color=None,
        margin=0,
        spacing=6,
        glyph_width=18,
        label_standoff=4,
        label_text_font_size="12px",
    )
    plot.add_layout(made, "above")
    return -(-len(items) // fitting)


def around(values: Iterable[Floats], doubt: Iterable[Floats] = (), most_k: float = 0.0) -> Range1d:
    """A range with a little room around all values, and as much of the doubt as is allowed."""
    every, more = _known(values), _known(doubt)
    if not len(every):
        return Range1d(start=0, end=1)
    low, high = float(every.min()), float(every.max())
    if len(more):
        low = min(low, max(float(more.min()), low - most_k))
        high = max(high, min(float(more.max()), high + most_k))
    room = max(0.06 * (high - low), 0.3)
    return Range1d(start=low - room, end=high + room)


def _known(values: Iterable[Floats]) -> Floats:
    every: Floats = np.concatenate([np.zeros(0), *values])
    return every[~np.isnan(every)]
