"""One self-contained HTML page from a report.  Needs the extra ``report`` (bokeh).

The page asks the network for nothing and forbids itself to (Content-Security-Policy): library and
data are inside.  Whoever cannot see the charts finds the same in tables.
"""

from __future__ import annotations

from importlib.resources import files
from importlib.util import find_spec
from typing import Any, Final

import numpy as np

from bottomheat import __version__
from bottomheat.durations import words
from bottomheat.errors import InputError
from bottomheat.review.report import Mark, MarkKind, Points, Report, Strip, Table, local, when

HEAD: Final = (
    "From", "Bases lowest", "Bases mean", "Bases highest", "In band, h", "No data, h",
    "Wet layer highest", "Mat highest", "Room lowest", "Room highest", "Heat on, %", "Alarms",
)  # fmt: skip
MISSING: Final = (
    "a page with charts needs the library bokeh, which is not installed; install it into "
    "bottomheat's own environment, in the folder that you copied: "
    "sudo /opt/bottomheat/bin/pip install -q '.[report]'"
)
_NOTHING: Final = "–"
_ALARMS: Final = (MarkKind.URGENT, MarkKind.ALARM)
_HOUR_MS: Final = 3_600_000.0


def build(report: Report) -> str:
    """Write the page.

    Args:
        report: what to show.

    Raises:
        InputError: bokeh is not installed.
    """
    if find_spec("bokeh") is None:
        raise InputError(f"{MISSING}.")
    from jinja2 import Environment  # comes with bokeh

    from bottomheat.review.charts import chosen

    template = Environment(autoescape=True, trim_blocks=False).from_string(
        files("bottomheat.review").joinpath("page.html").read_text(encoding="utf-8")
    )
    grid, zone = report.grid, report.zone
    marks = chosen(report.marks)
    drawn: dict[str, Any] = _drawn(report) if report.strips else {"charts": False, "box_charts": []}
    charts: list[str] = drawn.pop("box_charts")
    return template.render(
        title=report.title,
        version=__version__,
        window=f"{_long(grid.from_ms, zone)} to {_long(grid.to_ms, zone)}",
        zone=_zone(report),
        made=_long(report.made_ms, zone),
        sections=[
            {"heading": each.heading, "blocks": [_block(block) for block in each.blocks]}
            for each in report.sections
        ],
        bucket=words(float(grid.edges_ms[1] - grid.edges_ms[0]) / 1000),
        period=grid.period,
        head=HEAD,
        boxes=[
            {
                "name": strip.name,
                "rows": rows_of(report, strip),
                "chart": charts[number],
            }
            for number, strip in enumerate(report.strips)
        ],
        marks=[_told(report, each) for each in marks],
        left_out=len(report.marks) - len(marks),
        **drawn,
    )


def rows_of(report: Report, strip: Strip) -> list[tuple[str, ...]]:
    """The table of one box: a row for each hour, day or week, cells as in ``HEAD``."""
    grid, course = report.grid, strip.table
    begins_ms, ends_ms = grid.periods_ms[:-1], grid.periods_ms[1:]
    unknown_h = (ends_ms - begins_ms) / _HOUR_MS - course.estimate_c.known_s / 3600
    found: list[tuple[str, ...]] = []
    for row, (from_ms, to_ms) in enumerate(zip(begins_ms.tolist(), ends_ms.tolist(), strict=True)):
        alarms = sum(
            each.kind in _ALARMS
            and each.box in (None, strip.name)
            and each.from_ms < to_ms
            and (each.from_ms if each.to_ms is None else each.to_ms) >= from_ms
            for each in report.marks
        )
        found.append(
            (
                _begin(from_ms, grid.period, report),
                _number(course.estimate_c.low[row]),
                _number(course.estimate_c.mean[row]),
                _number(course.estimate_c.high[row]),
                _number(strip.in_band_h[row]) if course.estimate_c.known_s[row] > 0 else _NOTHING,
                _number(unknown_h[row]),
                _number(course.layer_c.high[row]),
                _number(course.mat_c.high[row]),
                _number(course.room_c.low[row]),
                _number(course.room_c.high[row]),
                _number(100 * course.heat.mean[row], 0),
                str(alarms),
            )
        )
    return found


def _drawn(report: Report) -> dict[str, Any]:
    """Library, script and places of the charts, as safe HTML."""
    from bokeh.embed import components
    from bokeh.resources import Resources
    from markupsafe import Markup

    from bottomheat.review.charts import charts

    made = charts(report)
    script, places = components((made.overview, *made.boxes))
    library = Resources(mode="inline", components=["bokeh"], log_level="error").render()
    return {
        "charts": True,
        "library": Markup(library),  # noqa: S704 bokeh's own
        "script": Markup(script),  # noqa: S704 bokeh's own, our texts in it as JSON
        "overview": Markup(places[0]),  # noqa: S704 bokeh's own
        "box_charts": [Markup(place) for place in places[1:]],  # noqa: S704 bokeh's own
    }


def _block(block: str | Points | Table) -> dict[str, Any]:
    if isinstance(block, Points):
        return {"kind": "points", "tag": "ol" if block.ordered else "ul", "points": block.items}
    if isinstance(block, Table):
        return {"kind": "table", "table": block}
    return {"kind": "text", "text": block}


def _told(report: Report, mark: Mark) -> dict[str, str]:
    lasting = "" if mark.to_ms is None else words((mark.to_ms - mark.from_ms) / 1000)
    return {
        "at": when(mark.from_ms, report.zone),
        "lasting": lasting,
        "box": "all" if mark.box is None else mark.box,
        "kind": mark.kind.value,
        "text": mark.text,
    }


def _begin(at_ms: int, period: str, report: Report) -> str:
    if period == "hour":
        return when(at_ms, report.zone)
    then = local(at_ms, report.zone)
    return f"{then:%a} {then.day} {then:%b}"


def _long(at_ms: int, zone: Any) -> str:
    then = local(at_ms, zone)
    return f"{then:%a} {then.day} {then:%b %Y %H:%M}"


def _zone(report: Report) -> str:
    """How the clock goes at both ends of the window: "UTC+01:00", or both."""
    names = []
    for at_ms in (report.grid.from_ms, report.grid.to_ms):
        offset = local(at_ms, report.zone)
        name = f"UTC{offset:%z}"
        name = f"{name[:-2]}:{name[-2:]}"
        if name not in names:
            names.append(name)
    return ", later ".join(names)


def _number(value: float, digits: int = 1) -> str:
    """A number for a cell; one that is not known is a dash."""
    if np.isnan(value):
        return _NOTHING
    text = f"{value:.{digits}f}"
    return text.removeprefix("-") if float(text) == 0 else text
