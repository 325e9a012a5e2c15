"""The mat's rise over the wet layer and its swing; how long nothing rises after a step."""

from __future__ import annotations

import random
from dataclasses import replace
from functools import cache
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import idlog
from bottomheat.errors import RefusedError
from bottomheat.identification.first_rise import LOOK_S, first_rise_s
from bottomheat.identification.found import Mat
from bottomheat.identification.mat import mat_found
from bottomheat.identification.stretch import Stretch
from bottomheat.tuning.offers import check_dead_time
from calibration_world import random_biases, shed_room
from experiment_runs import step_run
from ordinary_log import run
from random_boxes import Box, draw_boxes

BOXES = draw_boxes(6, 21)


@cache
def running(days: float = 3.0) -> Stretch:
    return idlog.live(days)


@settings(max_examples=20, deadline=None)
@given(gain_k_per_w=st.floats(0.2, 1.2), apart_k=st.floats(-0.6, 0.6), seed=st.integers(1, 10**6))
def test_rise_and_swing_of_a_known_mat(gain_k_per_w: float, apart_k: float, seed: int) -> None:
    """Whatever the two probes differ by, as far as a datasheet lets them."""
    found = mat_found([idlog.with_mat(running(), gain_k_per_w, apart_k, seed)])
    assert isinstance(found, Mat)
    assert found.gain.holds(gain_k_per_w)
    assert found.gain.holds(found.gain_k_per_w)
    assert found.swing_k_per_w == pytest.approx(idlog.mat_swing(gain_k_per_w), rel=0.1)


@pytest.mark.parametrize("from_h", [30.0, 44.0])
def test_six_hours_of_a_box_that_was_held_before_are_enough(from_h: float) -> None:
    """A step or a relay run with the rest before it; from a cold box they would not be."""
    whole = idlog.with_mat(running())
    rows = slice(round(from_h * 60.0), round((from_h + 6.0) * 60.0))
    columns = ("time_s", "substrate_c", "room_c", "heat_share", "callus_c", "mat_c")
    part = replace(whole, **{name: getattr(whole, name)[rows] for name in columns})
    found = mat_found([part], rested=True)
    assert found is not None
    assert found.gain.holds(0.5)
    assert found.gain_k_per_w == pytest.approx(0.5, rel=0.05)
    assert mat_found([part]) is None


def test_two_runs_tell_as_much_as_one() -> None:
    whole = idlog.with_mat(running())
    middle = len(whole.time_s) // 2

    def part(rows: slice) -> Stretch:
        columns = ("time_s", "substrate_c", "room_c", "heat_share", "callus_c", "mat_c")
        return replace(whole, **{name: getattr(whole, name)[rows] for name in columns})

    found = mat_found([part(slice(0, middle - 60)), part(slice(middle, None))])
    assert found is not None
    assert found.gain.holds(0.5)


@pytest.mark.parametrize("window_s", [60.0, 120.0])
def test_a_log_of_short_windows_tells_the_swing_of_long_ones(window_s: float) -> None:
    """A relay that switched more often, with the rows of the service, ten seconds apart."""
    rng = random.Random(5)
    rows = np.arange(1, 24 * 360 + 1) * 10.0
    duty = np.where(rows > 6 * 3600.0, 0.5, 1.0) - 0.1 * (rows > 15 * 3600.0)
    heat = ((rows - 10.0) % window_s < duty * window_s).astype(float)
    layer_c = np.round((25.0 + np.array([rng.gauss(0.0, 0.02) for _ in rows])) * 16.0) / 16.0
    room_c = 10.0 + np.sin(rows / 14_000.0)
    found = mat_found([idlog.with_mat(Stretch(rows, layer_c, room_c, heat, 45.0))])
    assert found is not None
    assert found.swing_k_per_w == pytest.approx(idlog.mat_swing(0.5), rel=0.25)


@pytest.mark.parametrize("number", [0, 1, 3])
def test_rise_and_swing_of_boxes_of_two_models(number: int) -> None:
    """The exact steady rise within its interval; the swing as the probe reads it."""
    box = BOXES[number]
    rng = random.Random(f"mat {number}")
    log = run(box, shed_room(rng, 2.0), 2.0, rng, biases=random_biases(rng)).stretch
    found = mat_found([log])
    assert found is not None
    assert found.gain.holds(box.gain("mat") - box.gain_k_per_w)
    assert log.mat_c is not None
    duty = log.heat_share.reshape(-1, 10).mean(axis=1)
    window_c = log.mat_c.reshape(-1, 10)
    peak_k = window_c.max(axis=1) - window_c.mean(axis=1)
    usual = (duty > 0.3) & (duty < 0.7) & (np.arange(len(duty)) > 36)
    assert usual.sum() > 12
    duty, peak_k = duty[usual], peak_k[usual]
    seen = np.mean(peak_k / (4.0 * duty * (1.0 - duty) * box.watts))
    assert found.swing_k_per_w == pytest.approx(seen, rel=0.25)


def without_heat(stretch: Stretch) -> Stretch:
    return replace(idlog.with_mat(replace(stretch, heat_share=np.zeros_like(stretch.heat_share))))


@pytest.mark.parametrize(
    "stretch",
    [
        running(),
        replace(running(), mat_c=np.full_like(running().time_s, np.nan)),
        without_heat(running()),
        idlog.with_mat(idlog.live(0.2)),
    ],
    ids=["no probe", "a silent one", "no heat", "too short"],
)
def test_where_the_record_does_not_tell_there_is_no_number(stretch: Stretch) -> None:
    assert mat_found([stretch]) is None


@pytest.mark.parametrize("number", range(6))
def test_nothing_is_called_felt_before_it_can_be(number: int) -> None:
    """Never later than the dead time of the box's best two lags, by more than noise."""
    box: Box = BOXES[number]
    run = step_run(box, 50 + number, 0.5)
    told_s = first_rise_s(run.stretch(), 7200.0)
    assert told_s is None or 0.0 <= told_s <= 1.1 * box.two_lags().dead_s


def test_a_deep_bed_answers_late_and_a_model_that_says_otherwise_is_refused() -> None:
    deep = draw_boxes(2, 8)[1]
    told_s = first_rise_s(step_run(deep, 800_001, 0.5).stretch(), 7200.0)
    assert told_s is not None
    assert told_s > 300.0
    response: Any = deep.two_lags()
    check_dead_time(response, told_s)
    with pytest.raises(RefusedError, match="too sharp"):
        check_dead_time(replace(response, dead_s=60.0), told_s)


def test_without_a_change_of_the_heat_or_enough_around_it_nothing_is_told() -> None:
    stretch = step_run(BOXES[0], 1, 0.0).stretch()
    assert first_rise_s(stretch, 14_000.0) is None  # nothing was changed there
    assert first_rise_s(stretch, float(stretch.time_s[-1]) - LOOK_S / 2) is None
    assert first_rise_s(stretch, 600.0) is None
