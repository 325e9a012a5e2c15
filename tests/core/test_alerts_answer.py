"""What the service says is checked strictly, and unknown keys are no fault."""

from __future__ import annotations

import json
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from alarms import alarm, answer, box
from bottomheat.alerts.answer import parse_answer


def test_a_whole_answer_is_taken_with_keys_that_are_not_known() -> None:
    data = answer(alarm(colour="red"), away={"until_ms": 5, "since_ms": 3}, more={"x": [1]})
    taken = parse_answer(data)
    assert taken is not None
    assert taken.alarms[0].id == "north-bench/relay-stuck-on"
    assert taken.boxes[0].heat_frac == 0.58
    assert taken.away is not None
    assert taken.away.until_ms == 5


@pytest.mark.parametrize(
    "data",
    [
        None,
        {},
        {"ok": False, "error": "not known"},
        answer() | {"ok": "true"},
        answer() | {"now_ms": 1.5},
        answer() | {"synchronised": 1},
        answer() | {"running_s": float("nan")},
        answer() | {"running_s": -1.0},
        answer() | {"away": "yes"},
        answer() | {"alarms": {}},
        answer() | {"boxes": [box(estimate_c=float("inf"))]},
        answer() | {"boxes": [box(in_band_frac=1.5)]},
        answer(alarm(level="later")),
        answer(alarm(state="NEW")),
        answer(alarm(seen=0)),
        answer(alarm(id="")),
        answer(alarm(serial="1")),
        answer(alarm(what=None)),
        answer(alarm(what="\ud800")),
        answer(alarm(), alarm()),
        answer(*(alarm(f"north-bench/n{n}") for n in range(1001))),
        {key: value for key, value in answer().items() if key != "boxes"},
    ],
)
def test_anything_else_is_no_answer(data: Any) -> None:
    assert parse_answer(data) is None


def test_a_very_long_sentence_is_cut_and_does_not_silence_the_service() -> None:
    taken = parse_answer(answer(alarm(what="x" * 9000)))
    assert taken is not None
    assert len(taken.alarms[0].what) == 1000


plain = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=8),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=8), inner),
    max_leaves=8,
)


@settings(max_examples=200)
@given(
    st.sampled_from([*answer(), *alarm(), *box()]),
    plain,
)
def test_no_garbled_answer_raises(key: str, value: Any) -> None:
    data = json.loads(json.dumps(answer(alarm())))
    for part in (data, data["alarms"][0], data["boxes"][0]):
        if key in part:
            part[key] = value
            break
    taken = parse_answer(data)
    assert taken is None or taken.model_dump_json()
