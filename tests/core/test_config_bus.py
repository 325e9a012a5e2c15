"""What `check` says of many probes on one bus."""

from __future__ import annotations

from typing import Any

import pytest

from bottomheat.config_parse import parse

PLACES = ("substrate", "mat", "callus", "top")


def house(boxes: int, places: int, **more: Any) -> dict[str, Any]:
    """Boxes that share a room probe; each has so many of its own."""
    return {
        **more,
        "chambers": {
            f"box-{box}": {
                "callus_zone": 25.0,
                "heater": {"gpio": 17 + box, "watts": 45},
                "probes": {
                    "room": "28-0000000000ff",
                    **{
                        place: f"28-0000000000{box}{number}"
                        for number, place in enumerate(PLACES[:places])
                    },
                },
                "offset": {"method": "temperature-factor", "factor": 0.75},
            }
            for box in range(boxes)
        },
    }


def said(data: dict[str, Any]) -> list[str]:
    parsed = parse(data)
    assert not parsed.problems
    return [each.message for each in parsed.warnings if "on one bus" in each.message]


@pytest.mark.parametrize(("boxes", "places"), [(1, 4), (2, 2), (2, 3), (3, 2)])
def test_a_usual_shed_is_told_nothing(boxes: int, places: int) -> None:
    assert said(house(boxes, places)) == []


@pytest.mark.parametrize(("boxes", "places"), [(3, 3), (3, 4), (4, 3)])
def test_many_probes_at_the_usual_cycle(boxes: int, places: int) -> None:
    (message,) = said(house(boxes, places))
    assert message.startswith(f"{boxes * places + 1} probes on one bus")
    assert "second bus" in message


def test_a_longer_cycle_gives_room() -> None:
    assert said(house(3, 3)) != []
    assert said(house(3, 3, cycle=15)) == []
    assert said(house(4, 4, cycle=15)) != []


def test_a_probe_of_the_keepers_own_is_read_by_it_alone() -> None:
    data = house(2, 3, cycle=8)
    before = said(data)
    for number, box in enumerate(data["chambers"].values()):
        box["keeper"] = {"probe": f"28-0000000000e{number}"}
    assert before[0].startswith("7 probes")
    assert said(data)[0].startswith("9 probes")
    assert "about 7 s" in said(data)[0]
    assert "about 7 s" in before[0]
