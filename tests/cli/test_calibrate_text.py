"""How readings and comparisons read on screen."""

from __future__ import annotations

import json
import math
from dataclasses import replace
from datetime import UTC, datetime

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bottomheat.calibration.ageing import Advice, Ageing, Check
from bottomheat.calibration.comparing import ice_point, jar, stretch
from bottomheat.calibration.ledger import Reference, ReferenceEntry
from bottomheat.cli.calibrate_compare_text import in_config_k, one, to_write, whole_jar
from bottomheat.cli.calibrate_text import added, as_data, begun, far_off, listed, sessions
from bottomheat_drivers.config_yaml import check_text
from clibench import CONFIG, LAYER, ROOM
from log_tools import paired

TAKEN_MS = round(datetime(2026, 1, 16, 14, 20, tzinfo=UTC).timestamp() * 1000)


def entry(reading_c: float = 24.8, pairing=None, **over) -> ReferenceEntry:
    fields = {
        "chamber": "north-bench",
        "spot": "middle",
        "lid": "on",
        "reading_c": reading_c,
        "expanded_k": 0.2,
        "note": "",
        "ago_s": 0.0,
    }
    return ReferenceEntry(**{**fields, **over}, pairing=pairing or paired(calibrated=True))


def reading(number: int = 7, dropped=None, sure: bool = True, **over) -> Reference:
    return Reference(number, TAKEN_MS, sure, entry(**over), dropped)


def flat(text: str) -> str:
    """Without the breaks of lines."""
    return " ".join(text.split())


def test_a_reading_that_agrees_is_said_so_with_its_number():
    said = flat(added(entry(), 7, TAKEN_MS, None, UTC))
    assert "north-bench, middle, lid on, 16 Jan 2026 14:20: 24.8 ± 0.2 °C. It is no. 7." in said
    # 0.2 K below 25.0 ± 0.4: E_n = -0.2/sqrt(0.2^2 + 0.4^2) = -0.447
    assert "25.0 ± 0.4 °C: 0.2 K cooler as read, within what both allow (E_n -0.45)" in said
    assert "can be used for a fit" in said


def test_a_reading_outside_and_one_in_an_unsteady_box_are_said_so():
    said = flat(added(entry(23.5), None, TAKEN_MS, None, UTC))
    assert "1.5 K cooler as read, outside what both allow (E_n -3.35)" in said
    assert "no. " not in said
    why = "the box was opened 5 min before: read again 3 h after it was closed"
    unsteady = added(entry(pairing=paired(steady=False, why=why)), 1, TAKEN_MS, None, UTC)
    assert f"Not steady, so it is not used for a fit: {why}." in " ".join(unsteady.split())
    assert "came from no calibration" in unsteady
    bare = added(entry(pairing=paired(estimate_c=None, expanded_k=None)), 1, TAKEN_MS, None, UTC)
    assert "no estimate" in bare
    assert "no room probe" in added(entry(pairing=paired(room_c=None)), 1, TAKEN_MS, None, UTC)


def test_a_reading_elsewhere_in_the_box_is_not_held_against_its_calibration():
    age = Ageing((), Advice.FIT, "it leans")
    middle = added(entry(), 1, TAKEN_MS, age, UTC)
    corner = added(entry(spot="corner"), 1, TAKEN_MS, age, UTC)
    assert "FIT AGAIN" in middle
    assert "FIT AGAIN" not in corner
    assert "for the middle of the box" in corner


@pytest.mark.parametrize("zero", ["expanded_k", "reading"])
def test_no_screen_shows_an_uncertainty_of_nothing_where_there_is_one(zero):
    small = entry(expanded_k=0.02) if zero == "reading" else entry(pairing=paired(expanded_k=0.04))
    assert "± 0.0 " not in added(small, 1, TAKEN_MS, None, UTC)


def test_a_reading_far_off_is_doubted_with_what_it_may_have_been():
    assert far_off(entry(24.0)) == ""
    assert far_off(entry(28.9)) == ""
    hot = far_off(entry(31.0))
    assert "6 K above" in hot
    assert "25.0" in hot
    assert "°F" not in hot
    assert "3 K" not in far_off(entry(20.0))
    assert "77 °F would be 25.0 °C" in far_off(entry(77.0))
    # Without an estimate it is held against the wet layer.
    bare = paired(estimate_c=None, expanded_k=None)
    assert far_off(entry(28.0, pairing=bare)) == ""
    assert "below" in far_off(entry(20.0, pairing=bare))


def test_the_list_shows_every_reading_with_what_is_wrong_with_it():
    rows = [
        reading(1),
        reading(2, dropped="wrong box", reading_c=23.0),
        reading(3, dropped=""),
        reading(4, sure=False, pairing=paired(steady=False, why="the box was opened")),
        reading(5, spot="by the north wall", lid="ajar", note="two fingers deep"),
        reading(6, pairing=paired(estimate_c=None, expanded_k=None, room_c=None)),
    ]
    age = Ageing((Check(1, TAKEN_MS, -0.2, 0.447),), Advice.NONE, "")
    said = listed(rows, {("north-bench", "on"): age}, UTC)
    assert max(len(line) for line in said.splitlines()) <= 110
    lines = {line.split()[0]: line for line in said.splitlines() if line[:4].strip().isdigit()}
    assert set(lines) == {str(number) for number in range(1, 7)}
    assert "16 Jan 2026 14:20" in lines["1"]
    assert "24.8 ± 0.2" in lines["1"]
    assert "25.0 ± 0.4" in lines["1"]
    assert lines["1"].endswith("-0.2 K")
    assert lines["2"].endswith("-2.0 K  outside")
    assert "DROPPED: wrong box" in said
    assert "DROPPED\n" in said
    assert "not steady: the box was opened" in said
    assert "14:20?" in lines["4"]
    assert "? the clock" in said
    assert "note: two fingers deep" in said
    assert lines["6"].endswith("none")
    assert "holds by 1 reading since it was made" in said


def test_an_empty_ledger_says_how_to_begin():
    assert "calibrate add" in listed([], {})


def test_a_calibration_that_no_longer_holds_stands_out():
    for advice, word in (
        (Advice.FIT, "FIT AGAIN: it leans"),
        (Advice.READ, "read again: it leans"),
    ):
        said = listed([reading()], {("north-bench", "on"): Ageing((), advice, "it leans")}, UTC)
        assert word in said
    said = listed([reading()], {("north-bench", "on"): Ageing((), Advice.NONE, "")}, UTC)
    assert "no steady reading" in said


def test_the_list_as_json_keeps_all_and_is_json():
    bare = paired(estimate_c=25.0, expanded_k=0.0)
    rows = [reading(1), reading(2, expanded_k=0.0, pairing=bare)]
    age = Ageing((Check(1, TAKEN_MS, -0.2, 0.447),), Advice.READ, "why")
    data = json.loads(json.dumps(as_data(rows, {("north-bench", "on"): age}), allow_nan=False))
    first, second = data["readings"]
    assert first["taken"] == "2026-01-16T14:20:00+00:00"
    assert first["en"] == pytest.approx(-0.447, abs=0.001)
    assert first["pairing"]["lagged_room_c"] == 11.46
    assert second["en"] is None
    assert data["calibrations"] == [
        {"chamber": "north-bench", "lid": "on", "advice": "read again", "why": "why"}
        | {"readings": [1]}
    ]


def test_learning_says_where_to_put_the_probe_and_what_is_missing():
    said = " ".join(begun("north-bench", "28-0000000000aa", 172_800, [LAYER, LAYER]).split())
    for part in ("learns from 28-0000000000aa for 48 h", "depth of the callus", "middle"):
        assert part in said or part in said.replace("2 days", "48 h")
    assert "under the closed lid" in said
    assert "comes out again" in said
    assert said.count(LAYER) == 1
    assert "calibrate jar" in said
    assert "jar" not in begun("north-bench", "28-0000000000aa", 172_800, [])


def test_sessions_are_shown_with_what_is_wrong_with_the_probe():
    shown = {"probe": "28-0000000000aa", "left_s": 7200.0, "rows": 31, "last_c": 24.31}
    said = sessions({"north-bench": {**shown, "fault": None}})
    assert "24.3 °C; 2 h left, 31 minutes kept" in said
    assert "!" not in said
    lost = sessions({"north-bench": {**shown, "last_c": None, "fault": "empty answer"}})
    assert "no reading yet" in lost
    assert "! empty answer" in lost
    assert "calibrate learn" in sessions({})


@given(st.floats(0, 0.99))
def test_an_uncertainty_is_written_down_rounded_up(u_k):
    written = in_config_k(u_k)
    assert written >= u_k - 1e-9
    assert written <= u_k + 0.0101
    assert written == round(written, 2) > 0


def seen(celsius: float):
    found = stretch([(at_s * 2.0, celsius) for at_s in range(60)])
    assert found is not None
    return found


def test_a_probe_is_shown_with_the_parts_of_its_uncertainty():
    said = one(LAYER, "north-bench wet layer", ice_point(seen(0.3125)), (0.1, 0.06))
    assert f"{LAYER} (north-bench wet layer) reads 0.31 °C where it should read 0.00 °C" in said
    assert "add -0.31 K; standard uncertainty 0.09 K" in said
    assert said.count("0.058") == 2
    assert "in the config now: +0.10 K, uncertainty 0.06 K" in said


def test_what_is_to_be_written_is_what_the_config_takes():
    jar_of_two = jar({LAYER: seen(25.0), ROOM: seen(25.25)})
    text = to_write(jar_of_two.probes)
    block = "\n".join(line[2:] for line in text.splitlines()[1:])
    parsed = check_text(f"{block}\n{CONFIG.format(folder='/nowhere')}").parsed
    assert parsed.config is not None, parsed.problems
    corrections = parsed.config.corrections
    assert corrections[LAYER].add_k == pytest.approx(0.125, abs=0.006)
    assert corrections[ROOM].add_k == pytest.approx(-0.125, abs=0.006)
    assert corrections[ROOM].uncertainty_k >= jar_of_two.probes[ROOM].u_k


def test_a_jar_is_shown_with_every_doubt_and_what_it_cannot_show():
    lines = {LAYER: seen(25.0), ROOM: seen(25.25), "28-0000000000aa": seen(19.0)}
    said = whole_jar(jar(lines), lines, {LAYER: ["north-bench wet layer"]}, None)
    assert "3 probes in one jar at 25.12 °C (the mean of all)" in said
    assert "doubted" in said
    assert "! 28-0000000000aa: it reads 6.0 K below the others" in said
    assert "not in the config" in said
    assert "only their differences matter" in said
    good = {LAYER: seen(25.0), ROOM: seen(25.25)}
    worse = whole_jar(jar(good, 25.0, 1.0), good, {}, 1.0)
    assert "better without --reference" in worse
    better = whole_jar(jar(good, 25.0, 0.1), good, {}, 0.1)
    assert "(the thermometer)" in better
    assert "better without" not in better
    off = {LAYER: seen(25.0), ROOM: seen(27.0)}
    assert "nothing is noted or written" in whole_jar(jar(off), off, {}, None)


@given(st.floats(-10, 60), st.floats(0, 5), st.floats(-10, 60) | st.none(), st.booleans())
def test_every_reading_can_be_shown(reading_c, expanded_k, estimate_c, steady):
    pairing = paired(estimate_c=estimate_c, expanded_k=None if estimate_c is None else 0.4)
    made = entry(reading_c, expanded_k=expanded_k, pairing=replace(pairing, steady=steady, why="x"))
    said = added(made, 1, TAKEN_MS, None, UTC) + listed(
        [Reference(1, 0, True, made, None)], {}, UTC
    )
    assert "nan" not in said
    assert "inf" not in said
    if estimate_c is not None and not math.isclose(abs(reading_c - estimate_c), 4.0):
        assert bool(far_off(made)) is (abs(reading_c - estimate_c) > 4.0)
