"""How bad it was, in sentences: what comes from a probe in doubt is said to, and back is back."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC

import pytest

from bottomheat.cli.review_words import how_bad
from bottomheat.model import Alarm, Place
from bottomheat.review.causes import Cause
from bottomheat.review.diagnose import Diagnosis
from bottomheat.review.episodes import Episode, Trouble
from bottomheat.review.features import Candidate, Mark
from bottomheat.review.parts import Unknown
from bottomheat.review.pieces import piece_of_box
from bottomheat.review.record import ThermalRecord, record
from bottomheat.review.story import BoxToll, Found, Story
from thermal import ms, rows

NORTH = "north-bench"


def of_box(*points: tuple[float, float]) -> ThermalRecord:
    box = rows(points)
    box = replace(box, setpoint_c=box.setpoint_c * 0 + 25.0)
    piece = piece_of_box(NORTH, ms(0), ms(points[-1][0]))
    return record((piece,), {NORTH: box}, {NORTH: 45.0})


def told(made: ThermalRecord, cause: Cause, place: Place | None, back_ms: int | None) -> str:
    mark = Mark(6.0, "seen", ms(1) / 1000)
    first = Candidate(cause, place, (mark,))
    toll = BoxToll(NORTH, made, back_ms, None, ())
    still = Trouble(ms(1), None, NORTH, "w", Alarm.PROBE_DISPLACED)
    episode = Episode(ms(1), made.to_ms, True, (NORTH,), (still,))
    found = (Found((NORTH,), Diagnosis(first, (first,))),)
    story = Story(ms(0), made.to_ms, episode, found, (toll,), (), (), True, made.to_ms)
    return " ".join(how_bad(toll, story, UTC))


HELD = ((0.0, 25.0), (2.0, 25.1), (4.0, 25.0))
FELL = ((0.0, 25.0), (1.0, 25.0), (1.5, 14.0), (4.0, 14.0))


def unknown_for(made: ThermalRecord, why: str) -> ThermalRecord:
    """The record with time that is not known because of a probe."""
    return replace(
        made,
        unknown_h=1.5,
        unknown=(Unknown(NORTH, ms(1.5), ms(3), 25.0, 24.0, why),),
    )


@pytest.mark.parametrize(
    ("cause", "place", "doubted"),
    [
        (Cause.PROBE_DISPLACED, Place.SUBSTRATE, False),
        (Cause.PROBE_FROZEN, Place.SUBSTRATE_2, False),
        (Cause.CROSSED, None, False),
        (Cause.PROBE_WRONG, Place.SUBSTRATE, True),  # nobody accused it while it ran
        (Cause.PROBE_FROZEN, Place.ROOM, True),
    ],
)
def test_where_the_time_in_doubt_is_not_counted_its_reason_is_said_instead(
    cause: Cause, place: Place | None, doubted: bool
) -> None:
    said = told(unknown_for(of_box(*HELD), "wet-layer probe displaced"), cause, place, None)
    assert ("Do not rely on that" in said) is doubted
    assert "1 h 30 min not known (wet-layer probe displaced), not counted as in band." in said


@pytest.mark.parametrize(
    ("cause", "place", "doubted"),
    [
        (Cause.PROBE_DISPLACED, Place.SUBSTRATE, True),
        (Cause.PROBE_FROZEN, Place.SUBSTRATE, True),
        (Cause.PROBE_WRONG, Place.ROOM, True),
        (Cause.CROSSED, None, True),
        (Cause.PROBE_DISPLACED, Place.MAT, False),  # no estimate comes from it
        (Cause.NO_HEAT, None, False),
    ],
)
def test_what_a_probe_in_doubt_says_is_not_to_be_relied_on(
    cause: Cause, place: Place | None, doubted: bool
) -> None:
    said = told(of_box(*FELL), cause, place, None)
    assert ("Do not rely on that" in said) is doubted
    assert "Bases lowest 14.0" in said


def test_what_never_left_the_band_is_not_said_to_have_to_come_back() -> None:
    assert "ack in band" not in told(of_box(*HELD), Cause.PROBE_DISPLACED, Place.MAT, None)
    assert "Not back in band yet." in told(of_box(*FELL), Cause.NO_HEAT, None, None)
    assert "Back in band" in told(of_box(*FELL), Cause.NO_HEAT, None, ms(3))
