"""Lengths of time, in and out."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bottomheat.durations import LONGEST_S, parse_duration_s, words
from bottomheat.errors import InputError


@pytest.mark.parametrize(
    ("text", "seconds"),
    [
        ("30m", 1800),
        ("2h", 7200),
        ("1h30m", 5400),
        ("1.5h", 5400),
        (" 1 h 30 min ", 5400),
        ("90S", 90),
        ("2d", 172_800),
        ("2 days 3h", 183_600),
        ("1d2h3m4s", 93_784),
    ],
)
def test_what_people_write_is_understood(text: str, seconds: float) -> None:
    assert parse_duration_s(text) == seconds


@pytest.mark.parametrize(
    "text",
    [
        "",
        " ",
        "30",
        "m",
        "h30",
        "30m1h",
        "1h1h",
        "-5m",
        "1e3s",
        "nan",
        "inf",
        "٣m",
        "1,5h",
        "5 weeks",
    ],
)
def test_anything_else_is_refused_with_an_example(text: str) -> None:
    with pytest.raises(InputError, match="write it like 30m"):
        parse_duration_s(text)


@pytest.mark.parametrize("text", ["0m", "0h0m", "0.0s", "367d", "999999999d"])
def test_nothing_and_more_than_a_year_are_refused(text: str) -> None:
    with pytest.raises(InputError, match="must be"):
        parse_duration_s(text)


@given(st.text() | st.from_regex(r"[0-9.]{0,12} ?[dhms]{0,2}[0-9.]{0,4}[hms]?", fullmatch=True))
def test_any_text_gives_a_bounded_length_or_one_printable_sentence(text: str) -> None:
    said, seconds = None, 1.0
    try:
        seconds = parse_duration_s(text)
    except InputError as error:
        said = str(error)
    assert 0 < seconds <= LONGEST_S
    if said is not None:
        assert said.isprintable()
        assert len(said) < 160
        assert said.endswith(".")


@given(st.floats(1.0, LONGEST_S))
def test_words_read_back_as_nearly_the_same_length(seconds: float) -> None:
    step_s = 1 if seconds < 120 else 60 if seconds < 48 * 3600 else 3600
    assert abs(parse_duration_s(words(seconds)) - seconds) <= step_s


@pytest.mark.parametrize(
    ("seconds", "text"),
    [
        (0, "0 s"),
        (45, "45 s"),
        (119.4, "119 s"),
        (119.6, "2 min"),
        (1800, "30 min"),
        (59.6 * 60, "1 h"),
        (20_100, "5 h 35 min"),
        (47.999 * 3600, "2 days"),
        (76 * 3600, "3 days 4 h"),
        (-3, "0 s"),
        (math.nan, "an unknown time"),
        (math.inf, "an unknown time"),
    ],
)
def test_words(seconds: float, text: str) -> None:
    assert words(seconds) == text
