"""The page in a real browser: on a phone, a desk and paper, and it asks the network nothing."""

from __future__ import annotations

import io
import subprocess
import sys
from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from html.parser import HTMLParser
from pathlib import Path

import numpy as np
import pytest
from PIL import Image
from playwright.sync_api import Browser, Page, sync_playwright

import browser
import report_world
from bottomheat.errors import InputError
from bottomheat.review import page
from bottomheat.review.charts import MOST_MARKS
from bottomheat.review.report import Mark, MarkKind, Report, Section, grid_for, strip_of
from report_world import BEGIN_MS, DAY_MS, ZONE

MOST_BYTES = 2_000_000
NASTY = "</script><script>document.title='taken'</script><img src=x onerror=\"document.title='x'\">"
PHONE, DESK = (390, 844), (1280, 900)
PAPER_PX = 718
"""What A4 upright leaves between margins of 10 mm, in CSS pixels."""


@dataclass
class Opened:
    """A page in the browser, and all that it said and asked for."""

    page: Page
    said: list[str] = field(default_factory=list)
    asked: list[str] = field(default_factory=list)

    def ranges(self) -> set[tuple[float, float]]:
        """The time that each chart shows, but for the one that chooses it."""
        found = self.page.evaluate(
            """() => [...Bokeh.documents[0]._all_models.values()]
                .filter(m => m.type == "Figure")
                .map(m => [m.x_range.id, m.x_range.start, m.x_range.end])"""
        )
        often = [each[0] for each in found]
        shared = max(set(often), key=often.count)
        return {(each[1], each[2]) for each in found if each[0] == shared}


@pytest.fixture(scope="module")
def chromium() -> Iterator[Browser]:
    try:
        path = browser.find()
    except browser.NoBrowserError as error:
        pytest.skip(f"{error}.")
    with sync_playwright() as play:
        opened = play.chromium.launch(executable_path=path, args=list(browser.ARGUMENTS))
        yield opened
        opened.close()


@pytest.fixture(scope="module")
def season() -> Report:
    return report_world.season(step_s=120)


@pytest.fixture(scope="module")
def season_file(season: Report, tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("page") / "season.html"
    path.write_text(page.build(season), encoding="utf-8")
    return path


@pytest.fixture(scope="module")
def fault() -> Report:
    """Two days of two boxes, with words that would like to be more than words."""
    report = report_world.season(2, report_world.BOXES[:2], step_s=60)
    strip = replace(report.strips[0], name=f"north{NASTY}")
    marks = (*report.marks, Mark(MarkKind.ALARM, BEGIN_MS + DAY_MS, None, NASTY))
    return replace(
        report,
        title=f"Fault {NASTY}",
        strips=(strip, report.strips[1]),
        marks=marks,
        sections=(*report.sections, Section(NASTY, (NASTY,))),
    )


def opened(chromium: Browser, path: Path, size: tuple[int, int], *, phone: bool = False) -> Opened:
    context = chromium.new_context(
        viewport={"width": size[0], "height": size[1]}, is_mobile=phone, has_touch=phone
    )
    found = Opened(context.new_page())
    found.page.on("console", lambda each: found.said.append(f"{each.type}: {each.text}"))
    found.page.on("pageerror", lambda each: found.said.append(f"error: {each}"))
    context.on("request", lambda each: found.asked.append(each.url))
    found.page.goto(path.as_uri())
    found.page.wait_for_function(
        "window.Bokeh && Bokeh.documents.length == 1 && Bokeh.documents[0].is_idle"
    )
    return found


def colours(png: bytes) -> dict[str, int]:
    """How many pixels of a picture have the colours of the lines."""
    picture = np.asarray(Image.open(io.BytesIO(png)).convert("RGB")).reshape(-1, 3)
    wanted = {"bases": (0, 114, 178), "wet layer": (213, 94, 0), "room": (0, 158, 115)}
    return {
        word: int((np.abs(picture.astype(int) - rgb).max(axis=1) < 12).sum())
        for word, rgb in wanted.items()
    }


@pytest.mark.slow
@pytest.mark.parametrize(("size", "phone"), [(PHONE, True), (DESK, False)], ids=["390", "1280"])
def test_a_season_opens_without_a_word_to_console_or_network(
    chromium: Browser, season_file: Path, size: tuple[int, int], phone: bool
) -> None:
    seen = opened(chromium, season_file, size, phone=phone)
    assert seen.asked == [season_file.as_uri()]
    assert [each for each in seen.said if not each.startswith("log: [bokeh")] == []
    wide = seen.page.evaluate("document.documentElement.scrollWidth")
    assert wide == size[0]
    figures = seen.page.locator("figure")
    assert figures.count() == 5
    for each in figures.all():
        box = each.bounding_box()
        assert box is not None
        assert box["width"] > 0.9 * min(size[0], 960)
        assert box["height"] > 100
        assert each.get_attribute("aria-label")
    drawn = colours(figures.nth(1).screenshot())
    assert min(drawn.values()) > 100, drawn


def test_the_page_of_a_season_stays_below_2_mb(season: Report) -> None:
    assert len(season.grid.edges_ms) > 1400
    many = tuple(
        Mark(MarkKind.ALARM, BEGIN_MS + n * 3_600_000, BEGIN_MS + (n + 1) * 3_600_000,
             f"{n}: the wet layer of this box falls although heat is on: look at mat and relay.")
        for n in range(3 * MOST_MARKS)
    )  # fmt: skip
    text = page.build(replace(season, marks=(*season.marks, *many)))
    assert len(text.encode()) < MOST_BYTES
    assert f"{len(season.marks) + 2 * MOST_MARKS} more are left out here" in text
    # What weighs most stays: no gap and no urgent alarm is left out.
    for mark in season.marks:
        if mark.kind in (MarkKind.GAP, MarkKind.URGENT):
            assert mark.text in text


@pytest.mark.slow
def test_a_window_on_the_narrow_chart_moves_all_others(
    chromium: Browser, season_file: Path
) -> None:
    seen = opened(chromium, season_file, DESK)
    (whole,) = seen.ranges()
    narrow = seen.page.locator("figure.overview")
    narrow.scroll_into_view_if_needed()
    box = narrow.bounding_box()
    assert box is not None
    y = box["y"] + box["height"] / 2
    # The window is the whole: narrow it from its right edge.
    edge_x = box["x"] + box["width"] - 16
    seen.page.mouse.move(edge_x, y)
    seen.page.mouse.down()
    seen.page.mouse.move(box["x"] + 0.5 * box["width"], y, steps=8)
    seen.page.mouse.up()
    (after,) = seen.ranges()
    assert after[0] == whole[0]
    assert after[1] == pytest.approx((whole[0] + whole[1]) / 2, abs=0.1 * (whole[1] - whole[0]))
    # The buttons over one box move the others too, and the round arrow shows the whole again.
    seen.page.get_by_title("Zoom In").first.click()
    (closer,) = seen.ranges()
    assert closer[1] - closer[0] < 0.9 * (after[1] - after[0])
    seen.page.get_by_title("Reset").first.click()
    assert seen.ranges() == {whole}


@pytest.mark.slow
def test_pointing_at_a_chart_tells_all_values_and_marks_the_moment_in_all_charts(
    chromium: Browser, season_file: Path
) -> None:
    seen = opened(chromium, season_file, (1280, 2400))
    first, other = seen.page.locator("figure").nth(1), seen.page.locator("figure").nth(2)
    first.scroll_into_view_if_needed()
    box = first.bounding_box()
    assert box is not None
    before = other.screenshot()
    seen.page.mouse.move(box["x"] + 0.6 * box["width"], box["y"] + 200)
    seen.page.get_by_text("heat on:").first.wait_for()
    for word in ("bases", "wet layer", "mat", "room"):
        assert seen.page.get_by_text(f"{word}:").count() >= 1
    assert other.screenshot() != before


@pytest.mark.slow
def test_a_finger_on_a_chart_scrolls_the_page(chromium: Browser, season_file: Path) -> None:
    seen = opened(chromium, season_file, PHONE, phone=True)
    chart = seen.page.locator("figure").nth(1)
    chart.scroll_into_view_if_needed()
    seen.page.evaluate("window.scrollTo(0, document.querySelectorAll('figure')[1].offsetTop - 200)")
    before, shown = seen.page.evaluate("window.scrollY"), seen.ranges()
    finger = seen.page.context.new_cdp_session(seen.page)
    finger.send(
        "Input.dispatchTouchEvent", {"type": "touchStart", "touchPoints": [{"x": 200, "y": 600}]}
    )
    for y in range(575, 275, -25):
        move = {"type": "touchMove", "touchPoints": [{"x": 200, "y": y}]}
        finger.send("Input.dispatchTouchEvent", move)
        seen.page.wait_for_timeout(16)
    finger.send("Input.dispatchTouchEvent", {"type": "touchEnd", "touchPoints": []})
    seen.page.wait_for_function(f"window.scrollY > {before + 200}")
    assert seen.ranges() == shown


@pytest.mark.slow
def test_charts_are_whole_on_paper(chromium: Browser, season_file: Path) -> None:
    seen = opened(chromium, season_file, DESK)
    seen.page.emulate_media(media="print")
    for each in seen.page.locator("figure").all():
        box = each.bounding_box()
        assert box is not None
        assert box["width"] <= PAPER_PX
    assert seen.page.locator("details tbody tr").first.is_visible()


def pale_blue(picture: Image.Image) -> int:
    """How many pixels of a picture have the colour of where the bases may be."""
    rgb = np.asarray(picture.convert("RGB")).reshape(-1, 3).astype(int)
    return int((np.abs(rgb - (204, 227, 240)).max(axis=1) < 6).sum())


@pytest.mark.slow
def test_nothing_is_drawn_across_a_gap(chromium: Browser, tmp_path: Path) -> None:
    grid = grid_for(BEGIN_MS, BEGIN_MS + 3 * DAY_MS, ZONE)
    gap = (BEGIN_MS + DAY_MS, BEGIN_MS + 2 * DAY_MS)
    rows = report_world.rows(grid.from_ms, grid.to_ms, step_s=60, gaps=(gap,))
    doubtful = replace(rows, expanded_k=np.full(len(rows.wall_ms), 2.0))
    strip = strip_of("north-bench", doubtful, grid)
    path = tmp_path / "gap.html"
    path.write_text(page.build(Report("A gap", grid.to_ms, ZONE, grid, (), (strip,))), "utf-8")
    seen = opened(chromium, path, (1280, 1800))
    shot = Image.open(io.BytesIO(seen.page.locator("figure").nth(1).screenshot()))
    third = (shot.width - 80) // 3
    before, inside, after = (
        shot.crop((64 + n * third + 30, 70, 64 + (n + 1) * third - 30, shot.height))
        for n in range(3)
    )
    assert pale_blue(before) > 1000
    assert pale_blue(after) > 1000
    assert pale_blue(inside) == 0


@pytest.mark.slow
def test_words_stay_words(chromium: Browser, fault: Report, tmp_path: Path) -> None:
    path = tmp_path / "fault.html"
    path.write_text(page.build(fault), encoding="utf-8")
    seen = opened(chromium, path, (1280, 2600))
    assert seen.page.title() == fault.title
    assert seen.asked == [path.as_uri()]
    assert [each for each in seen.said if not each.startswith("log: [bokeh")] == []
    # Where the pointer finds the mark, its text is text as well.
    happened = seen.page.locator("figure").nth(1)
    happened.scroll_into_view_if_needed()
    box = happened.bounding_box()
    assert box is not None
    tip = seen.page.get_by_text("onerror=")
    told = tip.count()
    for y in range(int(box["height"]) - 140, int(box["height"]) - 40, 3):
        seen.page.mouse.move(box["x"] + 64 + (box["width"] - 80) / 2, box["y"] + y)
        if tip.count() > told:
            break
    assert tip.count() > told
    assert seen.page.title() == fault.title
    assert seen.page.locator("img").count() == 0


class Tables(HTMLParser):
    """The cells of all tables of a page."""

    def __init__(self) -> None:
        super().__init__()
        self.tables: list[list[list[str]]] = []
        self.cell = False

    def handle_starttag(self, tag: str, attrs: object) -> None:
        if tag == "table":
            self.tables.append([])
        elif tag == "tr":
            self.tables[-1].append([])
        elif tag in ("td", "th"):
            self.cell = True
            self.tables[-1][-1].append("")

    def handle_endtag(self, tag: str) -> None:
        if tag in ("td", "th"):
            self.cell = False

    def handle_data(self, data: str) -> None:
        if self.cell:
            self.tables[-1][-1][-1] += data


def tables(text: str) -> list[list[list[str]]]:
    parser = Tables()
    parser.feed(text)
    return parser.tables


def test_the_tables_say_what_the_charts_show(season: Report, season_file: Path) -> None:
    batches, what, *boxes = tables(season_file.read_text(encoding="utf-8"))
    assert batches[1] == ["GRP-1", "callusing", "growth paused about 6 h; no harm expected"]
    assert len(what) - 1 == len(season.marks)
    assert what[0] == ["From", "For", "Box", "What"]
    assert ["3 Nov 02:10", "5 h 35 min", "all"] in [row[:3] for row in what]
    assert len(boxes) == 4
    for strip, rows in zip(season.strips, boxes, strict=True):
        assert rows[0] == list(page.HEAD)
        assert len(rows) == 121
        lowest = min(float(row[1]) for row in rows[1:])
        assert lowest == pytest.approx(np.nanmin(strip.chart.estimate_c.low), abs=0.051)
        hottest = max(float(row[7]) for row in rows[1:])
        assert hottest == pytest.approx(np.nanmax(strip.chart.mat_c.high), abs=0.051)
        assert rows[3][0] == "Tue 3 Nov"
        assert float(rows[3][5]) == pytest.approx(5.6, abs=0.051)


def test_a_day_without_data_has_dashes_and_is_not_in_band() -> None:
    grid = grid_for(BEGIN_MS, BEGIN_MS + 5 * DAY_MS, ZONE)
    gap = (BEGIN_MS + 2 * DAY_MS - 60_000, BEGIN_MS + 3 * DAY_MS)
    rows = report_world.rows(grid.from_ms, grid.to_ms, step_s=60, gaps=(gap,))
    strip = strip_of("north-bench", rows, grid)
    report = Report("A gap", grid.to_ms, ZONE, grid, (), (strip,))
    cells = page.rows_of(report, strip)[2]
    assert cells[1:5] == ("–",) * 4
    assert cells[5] == "24.0"
    assert cells[6:11] == ("–",) * 5


def test_a_report_of_words_alone_needs_no_charts() -> None:
    grid = grid_for(BEGIN_MS, BEGIN_MS + DAY_MS, ZONE)
    report = Report("No box", grid.to_ms, ZONE, grid, (Section("Why", ("Nothing ran.",)),))
    text = page.build(report)
    assert "Nothing ran." in text
    assert "<script" not in text


def test_without_the_library_one_sentence_says_what_to_install(
    monkeypatch: pytest.MonkeyPatch, season: Report
) -> None:
    monkeypatch.setitem(sys.modules, "bokeh", None)
    with pytest.raises(InputError, match=r"bokeh.*\.\[report\]") as caught:
        page.build(season)
    assert str(caught.value).count("\n") == 0


def test_neither_service_nor_commands_load_it() -> None:
    words = "import sys, bottomheat.app, bottomheat.cli, bottomheat.keep_main as k; "
    check = "print([m for m in ('bokeh', 'jinja2', 'plotext', 'numpy') if m in sys.modules])"
    done = subprocess.run(
        [sys.executable, "-c", words + check], capture_output=True, text=True, check=True
    )
    assert done.stdout.strip() == "[]"
