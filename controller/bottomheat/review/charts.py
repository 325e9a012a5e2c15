"""The charts of a page, put together from the pieces of bokeh.  Needs numpy and bokeh.

Colours are those of Okabe and Ito (2008), made to be told apart by colour-blind eyes; each line
also has a dash of its own, and each kind of mark a shape and a row of its own.  The time axis shows
the grower's clock: bokeh knows no time zones, so every moment is moved by its own offset.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import tzinfo
from typing import Any, Final

import numpy as np
import numpy.typing as npt
from bokeh.layouts import gridplot
from bokeh.models import (
    BoxZoomTool,
    CDSView,
    ColumnDataSource,
    CrosshairTool,
    FactorRange,
    GridPlot,
    HoverTool,
    IndexFilter,
    PanTool,
    Range1d,
    RangeTool,
    ResetTool,
    WheelZoomTool,
    ZoomInTool,
    ZoomOutTool,
)
from bokeh.models.annotations import Span
from bokeh.models.glyphs import HBar, Quad, Scatter, VBar, VSpan, VStrip
from bokeh.models.glyphs import Line as LineGlyph
from bokeh.plotting import figure

from bottomheat.review.chart_parts import (
    BLACK,
    BLUE,
    GREEN,
    GREY,
    ORANGE,
    PURPLE,
    ROW_PX,
    SKY,
    VERMILION,
    Line,
    around,
    axes,
    legend,
    pale,
)
from bottomheat.review.report import Course, Mark, MarkKind, Report, Strip, local
from bottomheat.review.thinning import Floats, Integers, Thinned, spread
from bottomheat.telling import BAND_K

_PARTS: Final = 32.0
"""Values are rounded to this part of a degree, half of what a probe can tell: binary numbers
with few digits, which bokeh packs to less than half."""
_HEAT_S: Final = 3600.0
"""The relay switches every few minutes: less than an hour tells nothing of how busy the heat is."""
_SHORT_MS: Final = 6 * 3_600_000
"""In so short a window each closing of the relay can be seen."""
_EDGE: Final = 0.01
"""Left and right of the window, as a share of it, so that a shape at its edge is whole."""
_BEYOND_K: Final = 4.0
"""Doubt that reaches further beyond everything else is cut: it would press the rest flat."""
_UNSEEN: Final = "unseen"
_LEFT: Final = 64
_RIGHT: Final = 16
_NARROW_PX: Final = 100
MOST_MARKS: Final = 300
"""More would fill the page, and nobody reads them."""


PLACES: Final[Mapping[str, Line]] = {
    "mat": Line("mat", PURPLE, "dashed"),
    "layer": Line("wet layer", VERMILION, "solid"),
    "top": Line("air at buds", SKY, "dotdash"),
    "room": Line("room", GREEN, "dotted", 2.0),
}
BASES: Final = Line("bases", BLUE, "solid", 2.0)
_DASHES: Final = ("solid", "dashed", "dotted", "dotdash")
_RANK: Final = (
    MarkKind.URGENT, MarkKind.GAP, MarkKind.ALARM, MarkKind.STAGE, MarkKind.NOTE, MarkKind.TENDING,
)  # fmt: skip
_ROWS: Final = ("notes", "box open", "no data", "alarm")
_SHAPES: Final[Mapping[MarkKind, tuple[str, str, str]]] = {
    MarkKind.URGENT: ("alarm", "inverted_triangle", BLACK),
    MarkKind.ALARM: ("alarm", "triangle", VERMILION),
    MarkKind.GAP: ("no data", "square", GREY),
    MarkKind.TENDING: ("box open", "circle", SKY),
    MarkKind.STAGE: ("notes", "diamond", GREEN),
    MarkKind.NOTE: ("notes", "plus", BLACK),
}
"""The row of each kind of mark, its shape and its colour."""


def chosen(marks: Sequence[Mark]) -> tuple[Mark, ...]:
    """The marks that a page shows, by time: those that weigh most where there are too many."""
    ranked = sorted(marks, key=lambda each: (_RANK.index(each.kind), each.from_ms))
    return tuple(sorted(ranked[:MOST_MARKS], key=lambda each: each.from_ms))


@dataclass(frozen=True, slots=True)
class Charts:
    """The charts of a report: one above all, and one for each box."""

    overview: Any
    boxes: tuple[GridPlot, ...]


@dataclass(slots=True)
class _Columns:
    """Columns of one source for all boxes; what is there already is not put there twice."""

    data: dict[str, npt.NDArray[Any]]
    seen: dict[bytes, str] = field(default_factory=dict)

    def name(self, wanted: str, values: Floats) -> str:
        """The name under which these values are to be found."""
        small = (np.round(values * _PARTS) / _PARTS).astype(np.float32)
        known = self.seen.setdefault(small.tobytes(), wanted)
        if known == wanted:
            self.data[wanted] = small
        return known


@dataclass(frozen=True, slots=True)
class _Shared:
    """What all charts of a page have in common."""

    source: ColumnDataSource
    span: Range1d
    pointer: Span
    zone: tzinfo | None
    when_ms: Floats
    begin_ms: float
    end_ms: float
    bucket_ms: float
    together: int
    marks: Sequence[Mark]
    marked: ColumnDataSource


def charts(report: Report) -> Charts:
    """Put the charts of a report together.

    Args:
        report: it; with at least one strip.
    """
    edges_ms = report.grid.edges_ms
    middles_ms = (edges_ms[:-1] + edges_ms[1:]) // 2
    columns = _Columns({"when": _clock_ms(middles_ms, report.zone)})
    bucket_s = float(edges_ms[1] - edges_ms[0]) / 1000
    short = report.grid.to_ms - report.grid.from_ms <= _SHORT_MS
    together = 1 if short else max(1, round(_HEAT_S / bucket_s))
    names = [_named(columns, index, each, together) for index, each in enumerate(report.strips)]
    ends_ms = np.array([report.grid.from_ms, report.grid.to_ms])
    begin_ms, end_ms = _clock_ms(ends_ms, report.zone).tolist()
    room_ms = _EDGE * (end_ms - begin_ms)
    begin_ms, end_ms = begin_ms - room_ms, end_ms + room_ms
    when_ms = columns.data["when"]
    marks = chosen(report.marks)
    shared = _Shared(
        ColumnDataSource(columns.data),
        Range1d(start=begin_ms, end=end_ms, bounds=(begin_ms, end_ms), min_interval=300_000.0),
        Span(dimension="height", line_color=BLACK, line_width=1, line_dash="dotted"),
        report.zone,
        when_ms,
        begin_ms,
        end_ms,
        1000 * bucket_s,
        together,
        marks,
        _marked(marks, report.zone),
    )
    return Charts(
        _overview(report, shared, names),
        tuple(_box(strip, shared, name) for strip, name in zip(report.strips, names, strict=True)),
    )


def _clock_ms(at_ms: Integers, zone: tzinfo | None) -> Floats:
    """Moments as the grower's clock shows them, for an axis that knows UTC alone."""
    moved = []
    for each in at_ms.tolist():
        offset = local(each, zone).utcoffset()
        moved.append(each + (0 if offset is None else offset.total_seconds() * 1000))
    return np.array(moved, dtype=np.float64)


def _named(columns: _Columns, index: int, strip: Strip, together: int) -> dict[str, str]:
    """The columns of a box, by what they are; the heat is that of so many buckets together."""
    course = strip.chart
    names = {
        "bases_least": columns.name(f"{index}bl", course.least_c.low),
        "bases_most": columns.name(f"{index}bm", course.most_c.high),
        "heat": columns.name(f"{index}h", 100 * spread(course.heat, together)),
    }
    for word, thinned in {"bases": course.estimate_c, **_places(course)}.items():
        names[word] = columns.name(f"{index}{word}", thinned.mean)
        names[f"{word}_low"] = columns.name(f"{index}{word}l", thinned.low)
        names[f"{word}_high"] = columns.name(f"{index}{word}h", thinned.high)
    return names


def _places(course: Course) -> dict[str, Thinned]:
    """The places that have a probe."""
    all_of_them = {
        "mat": course.mat_c,
        "layer": course.layer_c,
        "top": course.top_c,
        "room": course.room_c,
    }
    return {word: each for word, each in all_of_them.items() if not np.isnan(each.mean).all()}


def _overview(report: Report, shared: _Shared, names: Sequence[Mapping[str, str]]) -> Any:
    """All boxes in one narrow chart, with a window on it that moves all others."""
    plot = figure(
        height=_NARROW_PX,
        x_axis_type="datetime",
        x_range=Range1d(start=shared.begin_ms, end=shared.end_ms),
        tools="",
        toolbar_location=None,
        sizing_mode="stretch_width",
        min_border_left=_LEFT,
        min_border_right=_RIGHT,
    )
    drawn = {}
    for number, (strip, name) in enumerate(zip(report.strips, names, strict=True)):
        line = LineGlyph(
            x="when", y=name["bases"], line_color=(BLUE, VERMILION, GREEN, PURPLE)[number % 4],
            line_dash=_DASHES[number % 4], line_width=1.5,
        )  # fmt: skip
        drawn[strip.name] = [plot.add_glyph(shared.source, line)]
    plot.height = _NARROW_PX + ROW_PX * legend(plot, drawn)
    tool = RangeTool(x_range=shared.span, start_gesture="pan")
    tool.overlay.fill_color = BLUE
    tool.overlay.fill_alpha = 0.15
    plot.add_tools(tool)
    axes(plot, "°C", ticks=3)
    return plot


def _box(strip: Strip, shared: _Shared, names: Mapping[str, str]) -> GridPlot:
    tips = _tips(names)
    marks = [each for each in shared.marks if each.box in (None, strip.name)]
    holes = ColumnDataSource(_holes(marks, shared.zone))
    urgent = ColumnDataSource(
        {"at": _clock_ms(_begins_ms(m for m in marks if m.kind is MarkKind.URGENT), shared.zone)}
    )
    plots = [
        _bases(strip, shared, names),
        _temperatures(strip, shared, names),
        _heat(shared, names),
    ]
    for plot in plots:
        plot.add_glyph(
            holes,
            VStrip(
                x0="from", x1="to", fill_color=GREY, fill_alpha=0.15, line_color=GREY,
                line_alpha=0.6, hatch_pattern="right_diagonal_line", hatch_color=GREY,
                hatch_alpha=0.6,
            ),
            level="underlay",
        )  # fmt: skip
        plot.add_glyph(urgent, VSpan(x="at", line_color=BLACK, line_dash="dashed"))
        # Rows without an estimate have a tip too: it hangs on a line that nobody sees, which has
        # a range of its own, because a tip outside its chart is not shown.
        plot.extra_y_ranges = {_UNSEEN: Range1d(start=-5, end=105)}
        unseen = plot.add_glyph(
            shared.source,
            LineGlyph(x="when", y=names["heat"], line_alpha=0.0),
            y_range_name=_UNSEEN,
        )
        plot.add_tools(
            HoverTool(
                renderers=[unseen], tooltips=tips, mode="vline", line_policy="nearest",
                formatters={"@when": "datetime"},
            )
        )  # fmt: skip
    plots.append(_happened(shared, strip.name))
    for plot in plots:
        plot.add_tools(
            CrosshairTool(overlay=shared.pointer),
            PanTool(dimensions="width"),
            BoxZoomTool(dimensions="width"),
            WheelZoomTool(dimensions="width", modifiers={"ctrl": True}),
            ZoomInTool(dimensions="width"),
            ZoomOutTool(dimensions="width"),
            ResetTool(),
        )
        # A finger that moves over a chart scrolls the page, until a tool is chosen.
        plot.toolbar.active_drag = None
    return gridplot(
        [[plot] for plot in plots],
        sizing_mode="stretch_width",
        toolbar_location="above",
        toolbar_options={"logo": None},
        merge_tools=True,
    )


def _tips(names: Mapping[str, str]) -> list[tuple[str, str]]:
    tips = [("", "@when{%a %d %b %H:%M}")]
    words = {"bases": BASES.word} | {key: line.word for key, line in PLACES.items()}
    for key, word in words.items():
        if key in names:
            low, high = names[f"{key}_low"], names[f"{key}_high"]
            tips.append(
                (word, f"@{{{names[key]}}}{{0.0}} (@{{{low}}}{{0.0}} to @{{{high}}}{{0.0}})")
            )
    least, most = names["bases_least"], names["bases_most"]
    tips.insert(2, ("with doubt", f"@{{{least}}}{{0.0}} to @{{{most}}}{{0.0}}"))
    return [*tips, ("heat on", f"@{{{names['heat']}}}{{0}} %")]


def _blank(shared: _Shared, height: int, y_range: Any) -> Any:
    return figure(
        height=height,
        x_axis_type="datetime",
        x_range=shared.span,
        y_range=y_range,
        tools="",
        sizing_mode="stretch_width",
        min_border_left=_LEFT,
        min_border_right=_RIGHT,
    )


def _bases(strip: Strip, shared: _Shared, names: Mapping[str, str]) -> Any:
    course = strip.chart
    wanted = (strip.setpoint_c - BAND_K, strip.setpoint_c + BAND_K)
    known = (course.estimate_c.low, course.estimate_c.high, *wanted)
    doubt = (course.least_c.low, course.most_c.high)
    plot = _blank(shared, 260, around(known, doubt, _BEYOND_K))
    begins, ends, lows, highs = _steps(strip.setpoint_c, shared.when_ms)
    doubt = _filled(plot, shared, names["bases_least"], names["bases_most"], pale(BLUE, 0.2))
    target = plot.add_glyph(
        ColumnDataSource({"left": begins, "right": ends, "bottom": lows, "top": highs}),
        Quad(fill_color=GREEN, fill_alpha=0.18, line_color=GREEN, line_dash="dashed"),
    )
    line = _drawn(plot, shared, names, "bases", BASES)
    axes(plot, "°C")
    legend(plot, {"bases": line, "may be": [doubt], f"target ± {BAND_K:g}": [target]})
    return plot


def _temperatures(strip: Strip, shared: _Shared, names: Mapping[str, str]) -> Any:
    places = _places(strip.chart)
    plot = _blank(shared, 260, around([a for t in places.values() for a in (t.low, t.high)]))
    axes(plot, "°C")
    legend(plot, {PLACES[w].word: _drawn(plot, shared, names, w, PLACES[w]) for w in places})
    return plot


def _heat(shared: _Shared, names: Mapping[str, str]) -> Any:
    plot = _blank(shared, 130, Range1d(start=0, end=105))
    area = _filled(plot, shared, {"value": 0.0}, names["heat"], pale(ORANGE, 0.5))
    line = plot.add_glyph(shared.source, LineGlyph(x="when", y=names["heat"], line_color="#8A5A00"))
    axes(plot, "%", ticks=3)
    of = "the time" if shared.together == 1 else "each hour"
    legend(plot, {f"heat on, share of {of}": [area, line]})
    return plot


def _marked(marks: Sequence[Mark], zone: tzinfo | None) -> ColumnDataSource:
    """All marks: each text is in the page once, whatever the number of boxes that it is about."""
    looks = [_SHAPES[each.kind] for each in marks]
    ends_ms = np.array([m.from_ms if m.to_ms is None else m.to_ms for m in marks], np.int64)
    return ColumnDataSource(
        {
            "from": _clock_ms(_begins_ms(marks), zone),
            "to": _clock_ms(ends_ms, zone),
            "row": [row for row, _, _ in looks],
            "shape": [shape for _, shape, _ in looks],
            "color": [color for _, _, color in looks],
            "kind": [each.kind.value for each in marks],
            "text": [each.text for each in marks],
        }
    )


def _happened(shared: _Shared, box: str) -> Any:
    """Marks in rows by kind: a bar for how long, a shape for where it begins."""
    plot = _blank(shared, 150, FactorRange(factors=list(_ROWS)))
    those = [n for n, each in enumerate(shared.marks) if each.box in (None, box)]
    view = CDSView(filter=IndexFilter(indices=those))
    bar = HBar(
        y="row", left="from", right="to", height=0.5, fill_color="color", fill_alpha=0.35,
        line_color="color",
    )  # fmt: skip
    shape = Scatter(x="from", y="row", marker="shape", size=9, fill_color="color", line_color=BLACK)
    drawn = [plot.add_glyph(shared.marked, glyph, view=view) for glyph in (bar, shape)]
    plot.add_tools(
        HoverTool(
            renderers=drawn, point_policy="follow_mouse", formatters={"@from": "datetime"},
            tooltips=[("@kind", "@from{%a %d %b %H:%M}"), ("", "@text")], limit=4,
        )
    )  # fmt: skip
    axes(plot, "")
    plot.ygrid.grid_line_color = None
    return plot


def _drawn(
    plot: Any, shared: _Shared, names: Mapping[str, str], word: str, line: Line
) -> list[Any]:
    """Lowest to highest as a pale band, and the mean as a line upon it."""
    low, high = names[f"{word}_low"], names[f"{word}_high"]
    area = _filled(plot, shared, low, high, pale(line.color, 0.3))
    drawn = plot.add_glyph(
        shared.source,
        LineGlyph(
            x="when", y=names[word], line_color=line.color, line_dash=line.dash,
            line_width=line.width,
        ),
    )  # fmt: skip
    return [area, drawn]


def _filled(plot: Any, shared: _Shared, low: Any, high: Any, color: str) -> Any:
    """All between two values, bucket by bucket: an area would be drawn right across a gap.

    Not transparent, and with an edge of its own colour, so that no seam shows between buckets.
    """
    bar = VBar(
        x="when", width=shared.bucket_ms, bottom=low, top=high, fill_color=color, line_color=color
    )
    return plot.add_glyph(shared.source, bar)


def _steps(setpoint_c: Floats, when_ms: Floats) -> tuple[Floats, Floats, Floats, Floats]:
    """Where each setpoint begins and ends, and its band."""
    width = float(np.median(np.diff(when_ms))) if len(when_ms) > 1 else 0.0
    coded = np.nan_to_num(setpoint_c, nan=-1e6)
    first = np.flatnonzero(np.concatenate(([True], np.diff(coded) != 0)))
    last = np.concatenate((first[1:], [len(coded)])) - 1
    known = ~np.isnan(setpoint_c[first])
    first, last = first[known], last[known]
    middle = setpoint_c[first]
    return (
        when_ms[first] - width / 2, when_ms[last] + width / 2, middle - BAND_K, middle + BAND_K
    )  # fmt: skip


def _holes(marks: Sequence[Mark], zone: tzinfo | None) -> dict[str, Floats]:
    gaps = [each for each in marks if each.kind is MarkKind.GAP]
    ends_ms = np.array([m.from_ms if m.to_ms is None else m.to_ms for m in gaps], np.int64)
    return {"from": _clock_ms(_begins_ms(gaps), zone), "to": _clock_ms(ends_ms, zone)}


def _begins_ms(marks: Iterable[Mark]) -> Integers:
    return np.array([each.from_ms for each in marks], dtype=np.int64)
