"""What a calibration found goes into a config; nothing else changes, and every note stays."""

from __future__ import annotations

import copy
import re
from collections import Counter
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bottomheat.config_parse import offset_keys
from bottomheat.errors import InputError
from bottomheat.protect.tending import Lid
from bottomheat_drivers.config_edit import Edit, with_corrections, with_offset
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
WITH_BLOCKS = SHED.replace(
    "coldest_room: 8\n",
    "coldest_room: 8\ncorrections:   # from the jar\n  # the left one\n  28-000000000001:\n"
    "    add: 0.1    # K\n    uncertainty: 0.05\n  28-000000000002: {add: -0.2}  # ice\n\n",
)
TEXTS = [
    SAMPLE,
    SHED,
    IN_BRACES,
    WITH_BLOCKS,
    SAMPLE.replace("  ", "    "),
    SHED.replace("\n", "\r\n"),
    WITH_BLOCKS.replace("\n", "\r\n"),
]
KEY = {Lid.ON: "offset", Lid.AJAR: "offset_ajar", Lid.OFF: "offset_off"}
PROBES = ["28-000000000001", "28-000000000002", "28-000000000003", "28-00000000beef"]

small = st.integers(0, 40).map(lambda n: n / 1000)
calibrated = {
    "uncertainty": small,
    "zone_uncertainty": small,
    "calibrated": st.booleans(),
}
factors = st.fixed_dictionaries(
    {
        "method": st.just("temperature-factor"),
        "factor": st.integers(700, 1000).map(lambda n: n / 1000),
    },
    optional={
        **calibrated,
        "factor_uncertainty": small,
        "measured_difference": st.integers(-10, 300).map(lambda n: n / 10),
        "intercept": small | st.none(),
        "room_lag": small | st.none(),
        "substrate_lag": small,
    },
)
flows = st.fixed_dictionaries(
    {"method": st.just("heat-flow"), "resistance": st.integers(10, 200).map(lambda n: n / 1000)},
    optional={**calibrated, "resistance_uncertainty": small, "memory": st.just(2.3)},
)
fixed = st.fixed_dictionaries(
    {"method": st.just("fixed"), "kelvin": st.integers(0, 30).map(lambda n: n / 10)},
    optional={**calibrated, "measured_room": st.just(17)},
)
offsets = st.tuples(
    st.just("offset"),
    st.sampled_from(["north-bench", "south-bench"]),
    st.sampled_from(list(Lid)),
    factors | flows | fixed,
)
corrections = st.tuples(
    st.just("corrections"),
    st.dictionaries(
        st.sampled_from(PROBES),
        st.none() | st.fixed_dictionaries({"add": small}, optional={"uncertainty": small}),
        min_size=1,
        max_size=3,
    ),
)


def data(text: str) -> Any:
    plain = check_text(text).plain
    assert plain is not None
    return plain.data


def notes(text: str) -> Counter[str]:
    """Every note, without what was commented out and may come back: its own note stays."""
    found: Counter[str] = Counter()
    for line in text.replace("\r", "").splitlines():
        note = re.search(r"(?:(?<=\s)|^)#.*", line)
        if note is None:
            continue
        out = re.fullmatch(r"# *[a-z_0-9-]+: ?(?:\{.*\}|\S+)?\s*(#.*)?", note[0])
        said = note[0] if out is None else out[1]
        if said:
            found[re.sub(r"\s+", " ", said)] += 1
    return found


def attempt(text: str, kind: str, what: list[Any]) -> tuple[Edit | None, str]:
    try:
        if kind == "offset":
            return with_offset(text, *what), ""
        return with_corrections(text, *what), ""
    except InputError as error:
        return None, str(error)


@given(st.sampled_from(TEXTS), st.lists(offsets | corrections, min_size=1, max_size=3))
def test_only_what_was_asked_for_changes_and_every_note_stays(
    text: str, steps: list[tuple[Any, ...]]
) -> None:
    for kind, *given_ in steps:
        before = data(text)
        edit, refused = attempt(text, kind, given_)
        if edit is None:
            assert "would be refused" in refused
            continue
        after = data(edit.text)
        if kind == "offset":
            chamber, lid, values = given_
            now = after["chambers"][chamber].pop(KEY[lid])
            was = before["chambers"][chamber].pop(KEY[lid], {})
            for key, value in now.items():
                assert value == values.get(key, was.get(key))
                assert key in offset_keys(values["method"])
            for key, value in values.items():
                assert now.get(key) == value
            if was.get("method") == values["method"]:
                assert was.keys() - values.keys() <= now.keys()
        else:
            now, was = after.pop("corrections", {}), before.pop("corrections", {})
            wanted = {**was, **given_[0]}
            assert now == {p: keys for p, keys in wanted.items() if keys is not None}
        assert after == before
        assert check_text(edit.text).parsed.config is not None
        assert notes(edit.text) == notes(text)
        assert ("\r\n" in edit.text) is ("\r\n" in text)
        assert bool(edit.said) is (edit.text != text)
        text = edit.text


def test_a_value_changes_in_its_place_and_the_note_keeps_its_column() -> None:
    edit = with_offset(
        SAMPLE, "north-bench", Lid.ON, {"method": "temperature-factor", "factor": 0.7312}
    )
    assert edit.text == SAMPLE.replace(
        "factor: 0.75                    # f, between",
        "factor: 0.7312                  # f, between",
    )
    assert edit.said == (
        "offset of north-bench is now "
        "{method: temperature-factor, factor: 0.7312, calibrated: false}",
    )


def test_a_key_that_waits_commented_out_is_uncommented() -> None:
    values = {
        "method": "temperature-factor",
        "factor": 0.75,
        "uncertainty": 0.1,
        "calibrated": True,
    }
    edit = with_offset(SAMPLE, "north-bench", Lid.ON, values)
    assert edit.text == SAMPLE.replace("calibrated: false ", "calibrated: true  ").replace(
        "# uncertainty: 0.12             # K, at", "uncertainty: 0.1                # K, at"
    )


def test_there_and_back_again_is_where_it_was() -> None:
    there = with_offset(SAMPLE, "north-bench", Lid.ON, {"method": "heat-flow", "resistance": 0.18})
    assert "      # factor: 0.75                  # f, between 0.2 and 1" in there.text
    back = with_offset(
        there.text,
        "north-bench",
        Lid.ON,
        {"method": "temperature-factor", "factor": 0.75, "calibrated": False},
    )
    assert back.text == SAMPLE


def test_another_method_takes_over_what_is_true_of_the_box_alone() -> None:
    first = {
        "method": "temperature-factor",
        "factor": 0.75,
        "calibrated": True,
        "uncertainty": 0.1,
        "zone_uncertainty": 0.2,
    }
    text = with_offset(SHED, "north-bench", Lid.ON, first).text
    text = with_offset(text, "north-bench", Lid.ON, {"method": "fixed", "kelvin": 1.5}).text
    assert data(text)["chambers"]["north-bench"]["offset"] == {
        "method": "fixed",
        "kelvin": 1.5,
        "zone_uncertainty": 0.2,
    }


def test_an_offset_for_the_open_lid_stands_below_that_for_the_closed_one() -> None:
    edit = with_offset(SHED, "north-bench", Lid.OFF, {"method": "fixed", "kelvin": 3.4})
    line = "    offset: {method: temperature-factor, factor: 0.75}\n"
    assert edit.text == SHED.replace(
        line, line + "    offset_off: {method: fixed, kelvin: 3.4}\n", 1
    )


def test_a_long_offset_in_braces_becomes_lines() -> None:
    values = {
        "method": "temperature-factor",
        "factor": 0.732,
        "factor_uncertainty": 0.013,
        "uncertainty": 0.12,
        "measured_difference": 9.5,
        "calibrated": True,
    }
    text = with_offset(SHED, "north-bench", Lid.ON, values).text
    assert "    offset:\n      method: temperature-factor\n      factor: 0.732\n" in text


def test_a_box_in_braces_is_changed_all_the_same() -> None:
    edit = with_offset(IN_BRACES, "south-bench", Lid.AJAR, {"method": "fixed", "kelvin": 2})
    assert "# hardening off" in edit.text
    assert data(edit.text)["chambers"]["south-bench"]["offset_ajar"] == {
        "method": "fixed",
        "kelvin": 2,
    }


def test_corrections_stand_above_the_boxes_and_below_their_own_note() -> None:
    new = {"28-000000000001": {"add": 0.19, "uncertainty": 0.06}}
    line = "corrections:\n  28-000000000001: {add: 0.19, uncertainty: 0.06}\n"
    assert with_corrections(SHED, new).text == SHED.replace("chambers:", f"{line}\nchambers:")
    edit = with_corrections(SAMPLE, new)
    example = "#   28-000000000001: {add: 0.19, uncertainty: 0.2, apart: 0.04}   # K\n"
    assert edit.text == SAMPLE.replace(example, example + line)
    assert edit.said == ("28-000000000001 is corrected by {add: 0.19, uncertainty: 0.06}",)


def test_corrections_of_other_probes_stay() -> None:
    edit = with_corrections(
        WITH_BLOCKS, {"28-000000000001": {"add": 0.3}, "28-000000000003": {"add": -0.1}}
    )
    assert data(edit.text)["corrections"] == {
        "28-000000000001": {"add": 0.3},
        "28-000000000002": {"add": -0.2},
        "28-000000000003": {"add": -0.1},
    }
    assert "    add: 0.3    # K\n" in edit.text


def test_an_empty_section_is_filled() -> None:
    for empty in ("corrections:\n", "corrections: {}   # none yet\n"):
        text = SHED.replace("chambers:", f"{empty}chambers:")
        edit = with_corrections(text, {"28-000000000001": {"add": 0.1}})
        assert data(edit.text)["corrections"] == {"28-000000000001": {"add": 0.1}}
        assert notes(edit.text) == notes(text)


def test_nothing_to_do_is_nothing_done() -> None:
    values = {"method": "temperature-factor", "factor": 0.75}
    assert with_offset(SHED, "north-bench", Lid.ON, values).said == ()
    assert with_corrections(SHED, {"28-000000000001": None}) == with_corrections(SHED, {})


@pytest.mark.parametrize(
    ("text", "chamber", "values", "sentence"),
    [
        ("chambers: [\n", "north-bench", {"method": "fixed", "kelvin": 1}, "before this is right"),
        (SHED, "west-bench", {"method": "fixed", "kelvin": 1}, "there is no box west-bench"),
        (SHED, "north-bench", {"method": "direct"}, "no callus probe"),
        (SHED, "north-bench", {"method": "fixed"}, "write kelvin: 1.5"),
        (SHED, "north-bench", {"method": "linear"}, "is not known here"),
        (SHED, "north-bench", {"kelvin": 1}, "no method is named"),
        (
            SHED,
            "north-bench",
            {"method": "temperature-factor", "factor": 0.45},
            "will cut out on a night",
        ),
        (
            SHED.replace(
                "offset: {method: temperature-factor, factor: 0.75}\n    limits",
                "offset: {method: temperature-factor,\n      factor: 0.75}\n    limits",
            ),
            "north-bench",
            {"method": "fixed", "kelvin": 1.5},
            "write offset: {method: fixed, kelvin: 1.5} below north-bench by hand",
        ),
    ],
)
def test_refusals(text: str, chamber: str, values: dict[str, Any], sentence: str) -> None:
    with pytest.raises(InputError, match=re.escape(sentence)):
        with_offset(text, chamber, Lid.ON, values)


@pytest.mark.parametrize(
    ("corrections", "sentence"),
    [
        ({"28-000000000001": {"add": 3}}, "3 K is too high"),
        ({"layer": {"add": 0.1}}, "is not the name of a probe"),
        ({"28-000000000001": {"uncertainty": 0.1}}, "write add: 0.19"),
    ],
)
def test_corrections_that_are_refused(corrections: dict[str, Any], sentence: str) -> None:
    with pytest.raises(InputError, match=re.escape(sentence)):
        with_corrections(SHED, corrections)


def test_an_unfinished_config_may_be_calibrated() -> None:
    unfinished = copy.copy(SHED).replace("    callus_zone: 17\n", "")
    edit = with_offset(unfinished, "south-bench", Lid.ON, {"method": "fixed", "kelvin": 1.5})
    assert data(edit.text)["chambers"]["south-bench"]["offset"]["kelvin"] == 1.5
    with pytest.raises(InputError, match="too high"):
        with_offset(unfinished, "south-bench", Lid.ON, {"method": "fixed", "kelvin": 99})
