"""Winter weeks with recorded air temperatures around the shed, instead of a room we made up.

Source: hourly air temperatures of Seattle, as shipped in the package vega-datasets
(``data.seattle_temps``, 8759 rows of °F; read from the installed package, no network).  An unheated
shed follows outdoor air as a first-order lag of 8 h: judgement, nobody measured a shed.
"""

from __future__ import annotations

import csv
from pathlib import Path

import pytest
from vega_datasets import data

from bottomheat.chamber import Chamber
from bottomheat.config import Config
from bottomheat.model import Place
from bottomheat.rehearse import GuardedModel, Stand, rehearse
from bottomheat.rooms import RoomSeries, damped
from bottomheat.wiring import wiring_of
from bottomheat_drivers.simulated import SimulatedProbes
from bottomheat_drivers.simulated_relay import SimulatedRelay
from chambers import DeepBox

SHED_HOURS = 8.0
DAYS = 10.0


def winter_air_c() -> list[float]:
    """The record's first weeks, January, °C by the hour."""
    path = Path(data.seattle_temps.filepath)
    with path.open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    january = [row for row in rows if row["date"].startswith("2010/01/")]
    assert january[0]["date"] == "2010/01/01 00:00"
    return [(float(row["temp"]) - 32.0) / 1.8 for row in january[: int(DAYS * 24) + 1]]


def shed() -> RoomSeries:
    """The room of the shed."""
    air_c = winter_air_c()
    return damped([float(hour) for hour in range(len(air_c))], air_c, SHED_HOURS)


@pytest.mark.slow
@pytest.mark.parametrize(
    ("kind", "factor"),
    # The true factor of each model; the lags are the defaults, as before any identification.
    [(Chamber, 0.7432), (DeepBox, DeepBox.factor())],
    ids=["built-in", "DeepBox"],
)
def test_the_callus_zone_is_held_through_winter_weeks(kind: type, factor: float) -> None:
    room = shed()
    # The record is a winter's: cold enough that the mat works hard, and it moves.
    assert -5.0 < room.coldest_c < room.warmest_c < 15.0
    config = Config.model_validate(
        {
            "chambers": {
                "bench": {
                    "callus_zone": 25.0,
                    "heater": {"gpio": 17, "watts": 45.0},
                    "probes": {
                        "substrate": "28-000000000001",
                        "room": "28-000000000002",
                        "mat": "28-000000000003",
                    },
                    "offset": {"method": "temperature-factor", "factor": factor},
                }
            }
        }
    )
    model = GuardedModel(kind(), kind.__name__)
    outcome = rehearse(
        config,
        wiring_of(config, Path("test")).lines,
        {"bench": Stand(model, SimulatedRelay("bench"))},
        SimulatedProbes({"bench": model}, {"bench": config.chambers["bench"].probes.by_place()}, 1),
        SimulatedProbes({"bench": model}, {"bench": (Place.MAT,)}, 2),
        room,
        DAYS,
    )["bench"]
    score = outcome.score
    print(score, room.coldest_c, room.warmest_c)
    assert outcome.alarms == ()
    assert score.warm_up_hours is not None
    assert score.scored_hours >= 8 * 24.0
    assert score.in_band_fraction is not None
    assert score.in_band_fraction >= 0.995
    assert score.rms_k is not None
    assert score.rms_k <= 0.2
    assert score.closings_per_day <= 150.0
