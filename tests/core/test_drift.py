"""Drift: what is told of a box that has changed, and of one that has not."""

from __future__ import annotations

import json
import math
import random
from collections.abc import Callable
from dataclasses import asdict, replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bottomheat import drift
from bottomheat.drift import Drift, advance_hour, afresh
from bottomheat.drift_words import _LOOK, _WOULD_TELL, Cause, Change, cause, words
from bottomheat.hourly import Hour
from bottomheat.response import Response, advance, rested

RATED_W = 50.0
BOX = Response(0.7, 8.0 * 3600.0, 1.5 * 3600.0, 0.35, 900.0, load_k=0.2)
LEAD_K_PER_W = 0.5


def hours(
    days: float,
    seed: int = 1,
    *,
    gain: Callable[[float], float] = lambda _: 1.0,
    lead: Callable[[float], float] = lambda _: 1.0,
    room: Callable[[float], float] | None = None,
    calm: Callable[[int], bool] = lambda _: True,
    mat: bool = True,
) -> list[Hour]:
    """A box that is held in swinging weather; ``gain`` and ``lead`` are shares by day."""
    rng = random.Random(seed)
    twin, made, layer_c = rested(BOX, 28.0, 8.0), [], 28.0
    front_k = 0.0
    for number in range(round(24 * days)):
        day = number / 24.0
        front_k += rng.gauss(0.0, 0.5) - 0.02 * front_k
        room_c = 8.0 + 3.0 * math.cos(2.0 * math.pi * (number - 15) / 24.0) + front_k
        if room is not None:
            room_c = room(day)
        wanted_c = room_c + (25.0 - room_c) / 0.75
        watts = BOX.watts_for(wanted_c, room_c) + 2.0 * (wanted_c - layer_c)
        watts = min(RATED_W, max(0.0, watts + rng.gauss(0.0, 1.0)))
        twin = advance(twin, BOX, 3600.0, watts * gain(day), room_c)
        layer_c = twin.place_c(BOX) + rng.gauss(0.0, 0.03)
        mat_c = layer_c + LEAD_K_PER_W * watts * lead(day) + rng.gauss(0.0, 0.1)
        made.append(
            Hour(
                number,
                layer_c,
                room_c,
                watts,
                mat_c if mat else None,
                25.0,
                25.0,
                calm(number),
            )
        )
    return made


def told(lived: list[Hour], state: Drift | None = None) -> tuple[Drift, list[tuple[float, Change]]]:
    state = Drift() if state is None else state
    found = []
    for hour in lived:
        state, change = advance_hour(state, hour, BOX, RATED_W)
        if change is not None:
            found.append((hour.number / 24.0, change))
    return state, found


def after(day: float, share: float) -> Callable[[float], float]:
    return lambda now: share if now >= day else 1.0


@pytest.mark.parametrize("seed", range(6))
def test_a_box_that_does_not_change_is_never_spoken_of(seed):
    assert told(hours(70, seed))[1] == []


def test_a_mat_that_fades_is_told_while_it_fades_and_called_so():
    def fading(day: float) -> float:
        return 1.0 - 0.2 * min(1.0, max(0.0, (day - 20.0) / 42.0))

    found = told(hours(62, gain=fading, lead=fading))[1]
    assert 1 <= len(found) <= 3
    day, first = found[0]
    assert 30.0 < day < 55.0
    assert first.cause is Cause.MAT_LESS
    assert first.lift_share == pytest.approx(-0.09, abs=0.04)


@pytest.mark.parametrize(
    ("gain", "lead", "why"),
    [
        (0.8, 1.0, Cause.LOSES_MORE),
        (1.2, 1.0, Cause.LOSES_LESS),
        (0.8, 0.8, Cause.MAT_LESS),
        (1.2, 1.2, Cause.MAT_MORE),
        (1.0, 1.3, Cause.LAYER_DRIER),
        (1.0, 0.75, Cause.LAYER_WETTER),
    ],
)
def test_a_sudden_change_is_told_once_with_its_size_and_where_to_look(gain, lead, why):
    found = told(hours(50, gain=after(25.0, gain), lead=after(25.0, lead)))[1]
    assert len(found) == 1
    day, change = found[0]
    assert 26.0 < day < 36.0
    assert change.cause is why
    assert change.lift_share == pytest.approx(gain - 1.0, abs=0.03)
    assert change.lead_share == pytest.approx(lead - 1.0, abs=0.03)
    assert change.since_day < 10


def test_without_a_mat_probe_the_causes_are_not_told_apart():
    found = told(hours(50, gain=after(25.0, 0.8), mat=False))[1]
    assert [change.cause for _, change in found] == [Cause.UNKNOWN]
    assert found[0][1].lead_share is None


def test_one_odd_day_is_not_told():
    def odd(day: float) -> float:
        return 0.75 if 25.0 <= day < 26.0 else 1.0

    assert told(hours(50, gain=odd, lead=odd))[1] == []


def test_a_change_that_has_gone_again_when_it_is_confirmed_is_not_told():
    def brief(day: float) -> float:
        return 0.8 if 25.0 <= day < 26.5 else 1.0

    assert told(hours(50, gain=brief))[1] == []


def test_hours_that_mislead_do_not_count():
    def busy(number: int) -> bool:
        return not 25 * 24 <= number < 40 * 24

    def opened(day: float) -> float:
        return 0.6 if 25.0 <= day < 39.0 else 1.0

    assert told(hours(60, gain=opened, calm=busy))[1] == []


def test_a_box_that_is_filled_anew_is_held_to_what_it_then_is():
    lived = hours(60, gain=after(25.0, 0.75))
    state, found = told(lived[: 24 * 25])
    assert found == []
    state, found = told(lived[24 * 25 :], afresh(state))
    assert found == []


def test_nothing_is_told_while_hardly_any_heat_is_needed():
    found = told(hours(60, gain=after(25.0, 0.5), room=lambda _: 23.8))[1]
    assert found == []


def test_another_mat_or_other_lags_begin_anew():
    lived = hours(50)
    state, _ = told(lived[: 24 * 25])
    assert state.lift.reference is not None
    state, _ = advance_hour(state, lived[24 * 25], BOX, RATED_W * 2.0)
    assert state.lift.reference is None


def test_what_is_kept_goes_on_over_a_restart_as_if_there_had_been_none():
    lived = hours(50, gain=after(25.0, 0.8))
    whole = told(lived)[1]
    state, _ = told(lived[: 24 * 27])
    kept = json.loads(json.dumps(drift.to_plain(state)))
    later = 24 * 3
    moved = [replace(hour, number=hour.number + later) for hour in lived[24 * 27 :]]
    _, found = told(moved, drift.from_plain(kept, later))
    assert [change.cause for _, change in found] == [change.cause for _, change in whole]
    assert found[0][0] == pytest.approx(whole[0][0] + 3.0)
    assert found[0][1].since_day == whole[0][1].since_day + 3


def test_a_restart_of_unknown_length_keeps_the_reference_and_loses_the_day():
    state, _ = told(hours(20))
    again = drift.from_plain(drift.to_plain(state), None)
    assert again.lift == state.lift
    assert again.at is None
    assert again.hours == 0
    _, found = told(hours(30, gain=lambda _: 0.8), again)
    assert [change.cause for _, change in found] == [Cause.LOSES_MORE]


@pytest.mark.parametrize(
    "data",
    [
        None,
        {},
        [],
        {**drift.to_plain(Drift()), "lags": [1.0]},
        {**drift.to_plain(Drift()), "lift": {**asdict(Drift().lift), "up": math.nan}},
        {**drift.to_plain(Drift()), "lead": {**asdict(Drift().lead), "reference": "a"}},
    ],
)
def test_what_is_none_of_ours_is_refused(data):
    with pytest.raises(ValueError, match="drift"):
        drift.from_plain(data, 0)


@given(st.floats(-0.5, 0.5), st.one_of(st.none(), st.floats(-0.5, 0.5)))
def test_every_change_has_a_cause_and_words(lift, lead):
    share = None if lead is None else math.expm1(lead)
    text = words(Change(math.expm1(lift), share, cause(lift, lead), 3), "5 November")
    assert "5 November" in text
    assert text.removesuffix(_WOULD_TELL).endswith(tuple(_LOOK.values()))


@pytest.mark.parametrize(
    ("lift", "lead", "loose", "why"),
    [
        (-0.36, 0.12, 0.02, Cause.LOSES_MORE),  # lids off, as the bench had them
        (-0.28, 0.27, 0.02, Cause.LOSES_MORE),
        (-0.09, -0.05, 0.04, Cause.UNKNOWN),  # a draught: the probes' errors may be the lead's
        (-0.11, -0.03, 0.09, Cause.UNKNOWN),
        (-0.11, -0.02, 0.01, Cause.LOSES_MORE),
        (-0.09, -0.09, 0.02, Cause.MAT_LESS),
        (0.08, -0.03, 0.02, Cause.LOSES_LESS),
        (0.01, 0.12, 0.02, Cause.LAYER_DRIER),
        (0.04, -0.20, 0.02, Cause.LAYER_WETTER),
    ],
)
def test_what_two_ratios_point_to(lift, lead, loose, why):
    assert cause(lift, lead, loose) is why


def test_words_as_a_grower_reads_them():
    change = Change(-0.12, 0.01, Cause.LOSES_MORE, 3)
    assert words(change, "5 November") == (
        "since about 5 November a watt lifts the wet layer 12 % less, and the mat over it as "
        "before: the box loses more heat: is the lid on and tight, does it stand in a draught, is "
        "the medium wetter or the foam wet?"
    )


numbers = st.floats(-30.0, 60.0)


@given(
    st.lists(
        st.tuples(numbers, numbers, st.floats(0.0, 50.0), numbers, st.booleans()),
        min_size=30,
        max_size=200,
    )
)
def test_never_raises_and_stays_finite(rows):
    state = Drift()
    for number, (layer_c, room_c, watts, mat_c, calm) in enumerate(rows):
        hour = Hour(number, layer_c, room_c, watts, mat_c, None, 25.0, calm)
        state, _ = advance_hour(state, hour, BOX, RATED_W)
    assert drift.from_plain(json.loads(json.dumps(drift.to_plain(state))), 0).key == state.key
