"""The sheet for the shed door: everything on it, one page, safe to print."""

from __future__ import annotations

from datetime import UTC
from html.parser import HTMLParser

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bottomheat.alarm_words import TOLD, Level
from bottomheat.cli import sheet_html
from bottomheat.cli.sheet_text import PAGE_LINES, WIDTH, render
from bottomheat.config import Config
from bottomheat.model import Alarm
from bottomheat.season.ledger import UNHEATED, Dated, SeasonEntry, What, fold
from bottomheat.season.setpoint import rule
from bottomheat.season.sheet import CAUTIONS, SHORT, UNSAID, Sheet, sheet
from plant import chamber_keys

NOW_MS = 1_768_547_400_000
NORTH = "north-bench"
HELPER = {"too_hot": "Unplug the grey plug.", "too_cold": "Lay the blankets over the box."}


def config(boxes: int = 2, **keys) -> Config:
    named = {NORTH: chamber_keys(0)} | {f"box-{n}": chamber_keys(n % 9) for n in range(1, boxes)}
    for name, own in keys.pop("own", {}).items():
        named[name].update(own)
    return Config.model_validate({"chambers": named, **keys})


def season(*batches: tuple[str, str]):
    data = {"species": "grapevine", "kind": "grafts", "count": 60}
    return fold(
        Dated(n, NOW_MS - 9 * 86_400_000, True, SeasonEntry(What.ADD, name, place, data))
        for n, (name, place) in enumerate(batches, 1)
    )


def page(made: Config | None = None, ledger=None, now_ms: int | None = NOW_MS) -> Sheet:
    made = made or config(helper=HELPER)
    ledger = season(("GRP-2", NORTH)) if ledger is None else ledger
    orders = {name: rule(made, name, ledger, now_ms) for name in made.chambers}
    return sheet(made, ledger, orders, now_ms, UTC)


def flat(text: str) -> str:
    return " ".join(text.split())


def test_every_alarm_has_a_few_words_that_fit_a_line():
    assert set(SHORT) == set(Alarm)
    assert max(map(len, SHORT.values())) <= WIDTH - 26
    assert len(set(SHORT.values())) == len(SHORT)


def test_every_alarm_stands_on_the_page_once_and_under_its_level():
    text = render(page())
    urgent, _, later = text.partition("CAN WAIT FOR THE MORNING")
    for alarm, told in TOLD.items():
        here, there = (urgent, later) if told.level is Level.NOW else (later, urgent)
        assert here.count(f"    {alarm.value} ") == 1, alarm
        assert f"    {alarm.value} " not in there, alarm


def test_what_is_in_the_boxes():
    text = render(page(ledger=season(("GRP-2", NORTH), ("MUL-1", UNHEATED))))
    assert "north-bench: 25.0 ± 0.5 °C at the bases for GRP-2; cut at wet layer 40, mat 60" in text
    assert "    GRP-2  60 grapevine bench grafts, made 7 Jan, callusing" in text
    assert "  outside, no heat:\n    MUL-1  60 grapevine" in text
    assert "16 Jan" in text.splitlines()[0]


def test_without_a_clock_no_day_is_printed():
    assert "Jan" not in render(page(now_ms=None)).splitlines()[0]


def test_a_helper_finds_what_to_do_for_hot_and_for_cold():
    own = {"box-1": {"helper": {"too_hot": "Unplug the white plug."}}}
    text = render(page(config(helper=HELPER, own=own)))
    hot, _, cold = text.partition("TOO COLD")
    assert "  DO: Unplug the grey plug.\n  DO: box-1: Unplug the white plug.\n" in hot
    assert "  DO: Lay the blankets over the box.\n" in cold
    assert "white plug" not in cold


def test_where_the_config_says_nothing_the_sheet_still_does():
    text = flat(render(page(config())))
    for said in UNSAID.values():
        assert said in text


def test_cautions_are_on_every_page():
    for made, ledger in (
        (config(), season()),
        (config(16), season(*((f"B-{n}", NORTH) for n in range(60)))),
    ):
        text = flat(render(page(made, ledger)))
        for caution in CAUTIONS:
            assert caution in text
        assert "No all's-well by 08:00: go and look" in text


@pytest.mark.parametrize("batches", [0, 3, 12, 60])
@pytest.mark.parametrize("boxes", [1, 4, 16])
def test_it_is_one_page_whatever_lies_in_the_boxes(boxes, batches):
    made = config(
        boxes, helper=dict.fromkeys(("too_hot", "too_cold", "other"), "go and look " * 16)
    )
    places = list(made.chambers)
    ledger = season(*((f"B-{n}", places[n % boxes]) for n in range(batches)))
    lines = render(page(made, ledger)).splitlines()
    assert len(lines) <= PAGE_LINES
    assert max(map(len, lines)) <= WIDTH
    if batches == 60:
        assert any("lines more: bottomheat today" in line for line in lines)


def test_what_a_helper_does_at_each_box_is_never_cut_off():
    told = {f"box-{n}": {"helper": {"too_hot": f"Unplug plug {n}."}} for n in range(1, 16)}
    text = render(page(config(16, own=told)))
    for n in range(1, 16):
        assert f"  DO: box-{n}: Unplug plug {n}.\n" in text


def test_a_crowded_page_keeps_all_that_is_urgent_and_what_hands_can_mend():
    ledger = season(*((f"B-{n}", NORTH) for n in range(12)))
    text = render(page(config(helper=HELPER), ledger))
    for alarm, told in TOLD.items():
        if told.level is Level.NOW:
            assert f"    {alarm.value} " in text
    assert "probe-displaced" in text
    assert "config-refused" not in text
    assert "all others            for the grower to look at" in text


def test_a_box_that_is_not_in_use_says_so():
    text = render(page(config(own={NORTH: {"in_use": False}}), season()))
    assert "north-bench: not in use, no heat" in text
    assert "cut at" not in text.split("box-1")[0]


def test_the_sounder_is_told_of_where_there_is_one():
    assert "and the sounder sounds" in render(page(config(sounder={"gpio": 25})))
    assert "sounder" not in render(page())


class Page(HTMLParser):
    """Tags opened and closed, attributes, and the words."""

    VOID = frozenset({"meta", "br"})

    def __init__(self, text: str) -> None:
        super().__init__()
        self.open: list[str] = []
        self.tags: list[str] = []
        self.attributes: list[tuple[str, str | None]] = []
        self.words: list[str] = []
        self.feed(text)

    def handle_starttag(self, tag, attrs):
        self.tags.append(tag)
        self.attributes += attrs
        if tag not in self.VOID:
            self.open.append(tag)

    def handle_endtag(self, tag):
        assert self.open.pop() == tag

    def handle_data(self, data):
        self.words.append(data)


def test_the_web_page_holds_the_same_and_needs_nothing_from_outside():
    made = page(ledger=season(("GRP-2", NORTH), ("MUL-1", UNHEATED)))
    text = sheet_html.render(made)
    found = Page(text)
    assert found.open == []
    assert not {"script", "link", "img", "iframe", "form", "a"} & set(found.tags)
    assert not any(name.startswith("on") or name in ("href", "src") for name, _ in found.attributes)
    assert "http" not in text.replace("http-equiv", "")
    assert "url(" not in text
    assert ("name", "viewport") in found.attributes
    assert "@media print" in text
    words = flat(" ".join(found.words))
    for alarm in Alarm:
        assert alarm.value in words
        assert flat(SHORT[alarm]) in words
    for said in (*made.notes, *made.cautions, HELPER["too_hot"], HELPER["too_cold"]):
        assert flat(said) in words
    assert "GRP-2 60 grapevine bench grafts" in words
    assert "MUL-1" in words


@given(st.text(min_size=1, max_size=60))
def test_no_sentence_of_the_grower_breaks_the_web_page(said):
    made = page(config(helper={"too_hot": said}))
    found = Page(sheet_html.render(made))
    assert found.open == []
    assert found.tags == Page(sheet_html.render(page(config(helper=HELPER)))).tags


def test_a_sentence_that_looks_like_markup_is_shown_as_it_was_written():
    made = page(config(helper={"too_hot": "<script>alert(1)</script> & run"}))
    text = sheet_html.render(made)
    assert "<script" not in text
    assert "<script>alert(1)</script> & run" in "".join(Page(text).words)
