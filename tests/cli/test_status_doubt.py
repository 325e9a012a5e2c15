"""What ``status`` says of the bases while nobody knows how warm they are: that, and why."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC

import pytest

from beds import HOUR, Beds, warmed
from bottomheat.board import Board
from bottomheat.cli.status_text import render
from bottomheat.model import Alarm, Place
from bottomheat.protect import accused


def shown(beds: Beds) -> tuple[str, dict]:
    """The screen after one more cycle, and what it is made of."""
    step = beds.step()
    board = Board(started_s=0.0).take(step, beds.now_s)
    answer = board.answer(step.state, beds.config, None, beds.now_s)
    answer |= {"wall_ms": 0, "synchronised": True, "alarms": [], "gone": []}
    return render(answer, {}, UTC), answer["chambers"][0]


@pytest.mark.parametrize("kind", ["displaced", "frozen"])
def test_of_a_probe_that_stands_accused_no_bases_are_told(kind: str) -> None:
    beds = warmed()
    said, told = shown(beds)
    assert "bases 25.0 ±" in said
    assert told["doubt"] is None
    if kind == "frozen":
        beds.freeze(Place.SUBSTRATE)
    else:
        beds.lies["bench", Place.SUBSTRATE] = lambda box, room_c: room_c
    wanted = {Alarm.PROBE_DISPLACED, Alarm.PROBE_FROZEN}
    beds.until(lambda: bool(beds.alarms() & wanted), 4.0)
    said, told = shown(beds)
    why = accused.DISPLACED if kind == "displaced" else accused.FROZEN
    (head,) = [line for line in said.splitlines() if line.startswith("bench")]
    assert head.endswith(f"bases not known: {why}")
    assert len(head) <= 80
    assert "±" not in said
    assert told["estimate_c"] is None
    assert told["expanded_k"] is None
    assert told["doubt"] == why
    (box,) = Board(0.0).take(beds.step(), beds.now_s).boxes()
    assert box["estimate_c"] is None, "nor in a message"


def test_hours_in_which_it_was_wrong_already_do_not_count_as_held() -> None:
    beds = warmed()
    board = Board(started_s=0.0)
    for _ in range(3 * HOUR):
        board = board.take(beds.step(), beds.now_s)
    assert board.boxes()[0]["in_band_frac"] == 1.0
    wrong_s = beds.now_s
    beds.lies["bench", Place.SUBSTRATE] = lambda box, room_c: (
        (box.temperature("substrate") + room_c) / 2.0
    )
    while Alarm.PROBE_DISPLACED not in beds.alarms():
        board = board.take(beds.step(), beds.now_s)
    hours = board.hours["bench"]
    wrong = [hour for hour in hours if hour.number >= (wrong_s + 300.0) // 3600]
    assert wrong
    assert all((hour.in_band, hour.low_c, hour.high_c) == (0, None, None) for hour in wrong)
    assert board.boxes()[0]["low_c"] > 24.5, "what it made of the bases is not told"
    assert 0.0 < board.boxes()[0]["in_band_frac"] < 1.0


def test_before_the_first_reading_no_probe_is_blamed() -> None:
    beds = warmed()
    box = beds.state.chambers["bench"]
    outlook = replace(box.outlook, estimate=None)
    beds.state = replace(beds.state, chambers={"bench": replace(box, outlook=outlook)})
    board = Board(0.0, tuple(replace(r, estimate=None) for r in beds.step().records))
    state = replace(beds.state, chambers={"bench": replace(box, outlook=outlook)})
    answer = board.answer(state, beds.config, None, beds.now_s)
    answer |= {"wall_ms": 0, "synchronised": True, "alarms": [], "gone": []}
    said = render(answer, {}, UTC)
    assert "bases not known\n" in said
