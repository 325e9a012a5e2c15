"""Tunings go into a config; nothing else changes, and every note stays."""

from __future__ import annotations

import copy
import re
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bottomheat.errors import InputError
from bottomheat_drivers.config_edit_tuning import with_tuning
from bottomheat_drivers.config_yaml import check_text
from clibench import CONFIG, ROOT

SAMPLE = (ROOT / "config" / "chamber.yaml").read_text()
SHED = CONFIG.format(folder="/nowhere")
IN_BRACES = re.sub(  # the whole of the second box on one line
    r"  south-bench:\n((?:    .*\n)+)",
    lambda m: (
        "  south-bench: {"
        + ", ".join(line.strip() for line in m[1].splitlines() if line.strip())
        + "}   # hardening off\n"
    ),
    SHED,
)
TUNED = SHED.replace(
    "    limits: {substrate: 42, mat: 65}",
    "    limits: {substrate: 42, mat: 65}\n    pid:   # by hand\n      gain: 0.2   # per K\n"
    "      # slow\n      integral_time: 3",
)
TEXTS = [
    SAMPLE,
    SHED,
    IN_BRACES,
    TUNED,
    SAMPLE.replace("  ", "    "),
    SHED.replace("\n", "\r\n"),
]
numbers = st.integers(60, 900).map(lambda n: n / 1000)
pids = st.fixed_dictionaries(
    {"gain": numbers, "integral_time": numbers.map(lambda x: 10 * x)},
    optional={"derivative_time": st.integers(0, 1000).map(lambda n: n / 1000)},
)


def data(text: str) -> Any:
    plain = check_text(text).plain
    assert plain is not None
    return plain.data


def notes(text: str) -> list[str]:
    return sorted(re.sub(r"\s+", " ", each) for each in re.findall(r"#.*", text))


@settings(max_examples=40, deadline=None)
@given(
    st.sampled_from(TEXTS),
    st.sampled_from(["north-bench", "south-bench"]),
    pids,
    st.none() | st.integers(60, 600),
)
def test_only_pid_and_window_change_and_every_note_stays(
    text: str, box: str, pid: dict[str, float], window_s: int | None
) -> None:
    edit = with_tuning(text, box, pid, window_s)
    wanted = copy.deepcopy(data(text))
    section = wanted["chambers"][box]
    section["pid"] = {**section.get("pid", {}), **pid}
    if window_s is not None:
        section["heater"]["window"] = window_s
    assert data(edit.text) == wanted
    assert notes(edit.text) == notes(text)
    assert ("\r\n" in edit.text) == ("\r\n" in text)
    again = with_tuning(edit.text, box, pid, window_s)
    assert again.text == edit.text
    assert again.said == ()


def test_it_says_what_is_new() -> None:
    edit = with_tuning(TUNED, "north-bench", {"gain": 0.15, "integral_time": 3}, 900)
    assert edit.said == (
        "pid of north-bench is now {gain: 0.15, integral_time: 3}",
        "heater of north-bench is now {gpio: 17, watts: 45, window: 900}",
    )
    assert re.search(r"^      gain: 0\.15 +# per K$", edit.text, re.M)
    assert not check_text(edit.text).parsed.problems


@pytest.mark.parametrize(
    ("text", "box", "pid", "window_s", "said"),
    [
        (SHED, "west-bench", {"gain": 0.1}, None, "there is no box west-bench"),
        (SHED, "north-bench", {"gain": 99.0}, None, "it would be refused"),
        (SHED, "north-bench", {"gain": 0.1}, 5.0, "it would be refused"),
        ("chambers: [", "north-bench", {"gain": 0.1}, None, "cannot be changed before"),
    ],
)
def test_what_cannot_be_is_refused_with_its_reason(
    text: str, box: str, pid: dict[str, float], window_s: float | None, said: str
) -> None:
    with pytest.raises(InputError, match=said):
        with_tuning(text, box, pid, window_s)
