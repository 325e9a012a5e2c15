"""``bottomheat status``: a borrowed probe that teaches, and what the estimate falls back on."""

from __future__ import annotations

from typing import Any

import pytest

from bottomheat.cli.status_text import render

CHAMBER: dict[str, Any] = {
    "name": "north-bench",
    "condition": "HOLDING",
    "reason": "",
    "setpoint_c": 25.0,
    "estimate_c": 25.0,
    "expanded_k": 0.3,
    "method": "temperature-factor",
    "calibrated": True,
    "readings": {"substrate": {"celsius": 27.1}},
    "heat": True,
    "heat_fraction": 0.4,
    "closings": 3,
    "in_band_s": None,
    "lid": "on",
    "tending": None,
    "keeper": None,
    "learning": None,
    "fallback": None,
}
SESSION = {
    "probe": "28-0000000000aa",
    "left_s": 86_400.0,
    "rows": 12,
    "last_c": 24.46,
    "fault": None,
}


def screen(**changes: Any) -> str:
    return shown({**CHAMBER, **changes})


def shown(chamber: dict[str, Any]) -> str:
    answer = {
        "data_age_s": 2.0,
        "synchronised": True,
        "wall_ms": 0,
        "running_s": 60.0,
        "proving": None,
        "alarms": [],
        "gone": [],
        "chambers": [chamber],
    }
    return render(answer, {})


@pytest.mark.parametrize(
    ("session", "part"),
    [
        ({}, "learns from the borrowed probe 28-0000000000aa: now 24.5, 24 h left"),
        ({"last_c": None}, "aa: no reading yet, 24 h left"),
        ({"last_c": None, "fault": "read did not return"}, "no reading yet (read did not return)"),
        ({"fault": "probe folder is gone"}, "aa: ? (probe folder is gone), 24 h left"),
    ],
)
def test_a_session_is_shown_with_what_its_probe_says(session, part):
    assert part in screen(learning={**SESSION, **session})


def test_nothing_is_shown_where_nothing_is():
    plain = screen()
    assert "borrowed" not in plain
    older = {key: value for key, value in CHAMBER.items() if key not in ("learning", "fallback")}
    assert shown(older) == plain


def test_what_the_estimate_falls_back_on_is_said_once():
    text = "room probe lost: the last day's mean room is used"
    assert f"  ! {text}\n" in screen(fallback=text)
    assert screen(fallback=text, reason=text).count(text) == 1


def test_a_position_of_the_lid_without_its_own_calibration_is_said():
    text = screen(lid="ajar", lid_calibrated=False)
    assert "  no calibration with the lid ajar: keep a thermometer in\n" in text
    assert "not calibrated" not in screen(lid="ajar", lid_calibrated=False, calibrated=False)
    assert "thermometer" not in screen(lid="ajar", lid_calibrated=False, method="direct")
    assert "thermometer" not in screen(lid="ajar", lid_calibrated=True)


SEASON = {
    "lead": "GRP-2",
    "wanted_c": 25.0,
    "why": "GRP-2 (grapevine, callusing) leads and wants 24 to 27: as the config says",
    "conflicts": ["MUL-1 (mulberry, rooting) wants 18 to 20 and this box stays at 25: move it"],
}


def test_what_rules_the_setpoint_is_told_in_lines_that_fit() -> None:
    text = screen(season=SEASON)
    assert "GRP-2 (grapevine, callusing) leads" in text
    assert "! MUL-1" in text
    assert max(len(line) for line in text.splitlines()) <= 80
    lowered = screen(season={**SEASON, "wanted_c": 18.0})
    assert "being lowered to 18.0" in lowered


def test_without_a_batch_nothing_is_said_of_it() -> None:
    empty = {"lead": None, "wanted_c": 25.0, "why": "no batch in the box", "conflicts": []}
    assert screen(season=empty) == screen(season=None) == screen()
