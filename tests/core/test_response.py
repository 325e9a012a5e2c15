"""The response of a place and its twin against scipy's simulation of the same transfer function."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.signal import lsim

from bottomheat.response import Response, advance, rested

HOUR_S = 3600.0
NOMINAL = Response(0.712, 9.2 * HOUR_S, 1.8 * HOUR_S, 0.38, 900.0, 0.1, 0.4)

responses = st.builds(
    Response,
    gain_k_per_w=st.floats(0.2, 2.0),
    slow_s=st.floats(2e4, 8e4),
    quick_s=st.floats(1e3, 1.9e4),
    quick_share=st.floats(0.0, 1.0),
    dead_s=st.floats(0.0, 3600.0),
    room_quick_share=st.floats(-0.5, 1.0),
    load_k=st.floats(-3.0, 3.0),
)


@given(responses, st.floats(0.0, 60.0), st.lists(st.floats(1.0, 7200.0), min_size=1, max_size=8))
def test_the_twin_of_a_step_is_the_step_whatever_its_pieces(response, watts, pieces):
    twin, after_s = rested(response, 10.0 + response.load_k, 10.0), 0.0
    for piece_s in pieces:
        twin = advance(twin, response, piece_s, watts, 10.0)
        after_s += piece_s
    expected_c = 10.0 + response.load_k + response.step_k(watts, after_s)
    assert twin.place_c(response) == pytest.approx(expected_c, abs=1e-9)


def test_power_and_room_against_scipys_simulation_of_the_transfer_function():
    # [b/(quick s + 1) + (1 - b)/(slow s + 1)] from scipy.signal.lsim, no dead time.
    r = Response(0.712, 9.2 * HOUR_S, 1.8 * HOUR_S, 0.38, 0.0, 0.1, 0.0)
    time_s = np.arange(0.0, 40 * HOUR_S, 60.0)
    watts = 20.0 + 10.0 * np.sign(np.sin(time_s / 7000.0))
    room_c = 12.0 + 4.0 * np.sin(time_s / 20000.0)

    def answer(share: float, drive: np.ndarray) -> np.ndarray:
        slow, quick = r.slow_s, r.quick_s
        top = [share * slow + (1 - share) * quick, 1.0]
        bottom = [slow * quick, slow + quick, 1.0]
        return lsim((top, bottom), drive, time_s, interp=False)[1]

    expected_c = 5.0 + answer(0.1, room_c - 5.0) + 0.712 * answer(0.38, watts)
    twin = rested(r, 5.0, 5.0)
    worst_k = 0.0
    for step in range(time_s.size - 1):
        twin = advance(twin, r, 60.0, float(watts[step]), float(room_c[step]))
        worst_k = max(worst_k, abs(twin.place_c(r) - expected_c[step + 1]))
    assert worst_k < 1e-9


@given(responses, st.floats(-5.0, 25.0), st.floats(0.0, 45.0))
def test_it_settles_where_it_says_and_the_watts_that_hold_it_are_those(response, room_c, watts):
    place_c = response.settled_c(watts, room_c)
    assert response.watts_for(place_c, room_c) == pytest.approx(watts, abs=1e-9)
    twin = rested(response, 30.0, 0.0)
    twin = advance(twin, response, 40 * response.slow_s, watts, room_c)
    assert twin.place_c(response) == pytest.approx(place_c, abs=1e-6)


def test_the_step_of_the_nominal_box():
    # A fit to 37 states calculated for it, at 45 W after 15 min of dead time:
    # 32 K [0.62 (1 - e^(-t/9.2 h)) + 0.38 (1 - e^(-t/1.8 h))].
    after_s = 6 * HOUR_S
    t_h = 5.75
    expected_k = 32.04 * (0.62 * (1 - math.exp(-t_h / 9.2)) + 0.38 * (1 - math.exp(-t_h / 1.8)))
    assert NOMINAL.step_k(45.0, after_s) == pytest.approx(expected_k, rel=1e-9)


@pytest.mark.parametrize(
    "wrong",
    [
        {"gain_k_per_w": 0.0},
        {"quick_s": 4e4, "slow_s": 3e4},
        {"dead_s": -1.0},
        {"load_k": math.nan},
    ],
)
def test_nonsense_is_refused(wrong):
    given = {"gain_k_per_w": 0.7, "slow_s": 3e4, "quick_s": 6e3, "quick_share": 0.4, "dead_s": 9.0}
    with pytest.raises(ValueError, match="a response"):
        Response(**{**given, **wrong})
