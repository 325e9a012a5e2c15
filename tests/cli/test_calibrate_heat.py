"""No heat while a probe is out of its place: when the service may heat a box."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bottomheat.cli.calibrate_heat import boxes_of, may_heat, places_of
from bottomheat_drivers.config_yaml import check_text
from clibench import CONFIG, LAYER, MAT, ROOM, SOUTH_LAYER, SOUTH_MAT, status

BOTH = ("north-bench", "south-bench")


def config(change=str):
    parsed = check_text(change(CONFIG.format(folder="/nowhere"))).parsed
    assert parsed.config is not None, parsed.problems
    return parsed.config


def test_a_service_that_runs_may_heat_and_one_that_does_not_run_may_not():
    assert may_heat(status(), BOTH) == list(BOTH)
    assert may_heat(None, BOTH) == []


@pytest.mark.parametrize(
    ("more", "hot"),
    [
        ({"proved": False}, ()),
        ({"proved": False, "proving": "pulse"}, BOTH),
        ({"hold": "the latch file cannot be written"}, BOTH),
        ({"chambers": [{"name": "north-bench", "condition": "CUT OUT"}]}, ("south-bench",)),
        ({"chambers": [{"name": "north-bench", "latched": "wet layer too hot"}]}, ("south-bench",)),
        ({"chambers": [{"name": "north-bench", "condition": "NO HEAT"}]}, BOTH),
        ({"chambers": [{"name": "north-bench", "tending": {"left_s": 900}}]}, BOTH),
        ({"chambers": None}, BOTH),
        ({"chambers": ["?"]}, BOTH),
    ],
)
def test_only_an_unproved_wiring_or_a_latched_cutoff_is_as_good_as_no_service(more, hot):
    assert may_heat(status(**more), BOTH) == list(hot)


simple = st.none() | st.booleans() | st.integers() | st.text(max_size=5)
answers = st.dictionaries(
    st.sampled_from(["ok", "proved", "proving", "hold", "chambers"]),
    simple | st.lists(st.dictionaries(st.sampled_from(["name", "condition"]), simple), max_size=3),
)


@given(answers)
def test_an_answer_that_does_not_say_clearly_that_there_is_no_heat_counts_as_heat(answer):
    if answer.get("proved") is not False:
        assert may_heat(answer, BOTH) == list(BOTH)


def test_a_box_counts_by_every_probe_it_has_and_by_the_keepers_own():
    plain = config()
    assert boxes_of(plain, [LAYER]) == ["north-bench"]
    assert boxes_of(plain, [ROOM]) == ["north-bench", "south-bench"]
    assert boxes_of(plain, [SOUTH_LAYER, MAT]) == ["north-bench", "south-bench"]
    assert boxes_of(plain, ["28-0000000000aa"]) == []
    own = config(
        lambda text: text.replace(
            "    limits: {substrate", "    keeper: {probe: 28-0000000000aa}\n    limits: {substrate"
        )
    )
    assert boxes_of(own, ["28-0000000000aa"]) == ["north-bench"]
    where = places_of(own)
    assert where["28-0000000000aa"] == ["north-bench mat, the keeper's own"]
    assert where[ROOM] == ["north-bench room", "south-bench room"]
    assert where[SOUTH_MAT] == ["south-bench mat"]
