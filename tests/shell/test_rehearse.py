"""The rehearsal's loop: what the chamber is given, what is scored, and who may stop the heat.

The chambers are made by hand, so that every figure can be worked out on paper.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest

from bottomheat.chamber import Chamber
from bottomheat.config import Config
from bottomheat.errors import InputError
from bottomheat.model import Alarm, Event, Place, Record
from bottomheat.rehearse import GuardedModel, Outcome, Stand, as_plain, rehearse
from bottomheat.rooms import RoomSeries
from bottomheat.wiring import wiring_of
from bottomheat_drivers.simulated import ProbeFault, SimulatedProbes
from bottomheat_drivers.simulated_relay import SimulatedRelay

ROOM_C = 10.0


class Recorder:
    """Remembers what it was given; its temperatures are functions of the hour."""

    def __init__(self, **places: Callable[[float], float] | float) -> None:
        self.places = {"substrate": 28.0, "callus": 25.0, "mat": 30.0, **places}
        self.given: list[tuple[float, float, float]] = []
        self.now_s = 0.0

    def advance(self, seconds: float, heater_watts: float, room_c: float) -> None:
        self.given.append((seconds, heater_watts, room_c))
        self.now_s += seconds

    def temperature(self, place: str) -> float:
        if place == "room":
            return self.given[-1][2]
        value = self.places[place]
        return value(self.now_s / 3600.0) if callable(value) else value


def config_of(names: Sequence[str] = ("bench",), **more: Any) -> Config:
    probes = {
        "substrate": "28-00000000000{}",
        "room": "28-00000000001{}",
        "mat": "28-00000000002{}",
    }
    chamber = {
        "callus_zone": 25.0,
        "offset": {"method": "temperature-factor", "factor": 0.75},
        **more,
    }
    return Config.model_validate(
        {
            "chambers": {
                name: {
                    "heater": {"gpio": 17 + index, "watts": 45.0},
                    "probes": {place: form.format(index) for place, form in probes.items()},
                    **chamber,
                }
                for index, name in enumerate(names)
            }
        }
    )


class Rig:
    """One rehearsal with everything within reach."""

    def __init__(self, models: Mapping[str, Any], config: Config) -> None:
        self.config = config
        self.lines = wiring_of(config, Path("test")).lines
        guarded = {name: GuardedModel(model, name) for name, model in models.items()}
        self.stands = {
            name: Stand(
                guarded[name],
                SimulatedRelay(name),
                SimulatedRelay(name) if config.chambers[name].keeper.series_relay else None,
            )
            for name in models
        }
        self.probes = SimulatedProbes(
            guarded, {name: tuple(c.probes.by_place()) for name, c in config.chambers.items()}, 1
        )
        self.keeper_probes = SimulatedProbes(guarded, dict.fromkeys(models, (Place.MAT,)), 2)

    def run(
        self, days: float, room_c: Callable[[float], float] = lambda _: ROOM_C, **more: Any
    ) -> Mapping[str, Outcome]:
        return rehearse(
            self.config,
            self.lines,
            self.stands,
            self.probes,
            self.keeper_probes,
            room_c,
            days,
            **more,
        )


def steps(start_h: float, end_h: float) -> int:
    return round((end_h - start_h) * 360)


def test_the_score_of_a_callus_zone_that_is_known_on_paper() -> None:
    # (from hour, °C): first in band at 2 h, highest 0.3 K over, then scored from 26 h on.
    course = [(0.0, 15.0), (2.0, 24.8), (3.0, 25.3), (4.0, 25.1), (30.0, 24.2), (31.0, 25.0)]

    def callus_c(hour: float) -> float:
        # A step's value is read at its end, so hour 2.0 exactly still belongs to the span before.
        return next(c for start, c in reversed(course) if hour > start + 1e-6 or start == 0.0)

    rig = Rig({"bench": Recorder(callus=callus_c)}, config_of())
    score = rig.run(2.0)["bench"].score
    assert score.warm_up_hours == pytest.approx(2.0 + 10.0 / 3600.0)
    assert score.overshoot_k == pytest.approx(0.3)
    # Scored: 26-30 h at +0.1, 30-31 h at -0.8, 31-48 h at 0; the entry was one step after 2 h.
    scored = steps(26, 48)
    assert score.scored_hours == pytest.approx(22.0)
    squares = (steps(26, 30)) * 0.1**2 + steps(30, 31) * 0.8**2
    assert score.rms_k == pytest.approx(math.sqrt(squares / scored), rel=1e-9)
    assert score.worst_k == pytest.approx(-0.8)
    assert score.in_band_fraction == pytest.approx(1.0 - steps(30, 31) / scored)
    assert score.max_c == {"substrate": 28.0, "callus": 25.3, "mat": 30.0, "room": ROOM_C}
    assert score.hours == pytest.approx(48.0)


def test_the_estimate_is_scored_against_the_truth() -> None:
    # 10 + 0.75 (28 - 10) = 23.5: the estimate is 1.5 K below a callus zone of 25.
    score = Rig({"bench": Recorder()}, config_of()).run(1.5)["bench"].score
    assert score.estimate_bias_k == pytest.approx(-1.5, abs=0.02)
    assert score.estimate_rms_k == pytest.approx(1.5, abs=0.02)


def test_a_callus_zone_that_never_warms_has_no_figures() -> None:
    plain = as_plain(Rig({"bench": Recorder(callus=12.0)}, config_of()).run(0.2)["bench"])
    unknown = ("warm_up_hours", "overshoot_k", "rms_k", "worst_k", "in_band_fraction")
    assert [plain[key] for key in unknown] == [None] * 5


def test_the_first_step_has_no_heat_and_tells_the_room_and_the_room_moves_on() -> None:
    box = Recorder()
    room = RoomSeries([0.0, 1.0], [4.0, 8.0])
    Rig({"bench": box}, config_of()).run(1.0 / 24.0, room)
    assert box.given[0] == (10.0, 0.0, 4.0)
    assert [given[2] for given in box.given] == pytest.approx(
        [4.0 + 4.0 * step / 360 for step in range(360)]
    )


def test_heat_energy_and_closings_are_what_the_chamber_was_given() -> None:
    box = Recorder(substrate=lambda hour: 30.0 - 2.0 * math.sin(hour))
    score = Rig({"bench": box}, config_of()).run(1.0)["bench"].score
    watts = [given[1] for given in box.given]
    assert set(watts) == {0.0, 45.0}
    assert score.energy_kwh == pytest.approx(sum(watts) * 10.0 / 3.6e6)
    assert score.mean_duty == pytest.approx(sum(w > 0 for w in watts) / len(watts))
    closings = sum(now > before for before, now in pairwise(watts))
    # The last decision is not heated any more, so one closing may be missing from the history.
    assert score.closings - closings in (0, 1)
    assert score.closings_per_day == pytest.approx(score.closings)


def cold() -> Recorder:
    return Recorder(substrate=12.0, callus=11.0, mat=12.0)


def test_a_cold_bed_is_heated() -> None:
    box = cold()
    # Not for longer: this box never warms, which is a fault that bounds the heat.
    Rig({"bench": box}, config_of()).run(0.01)
    # Three agreeing readings first, for controller and keeper.
    assert [watts for _, watts, _ in box.given[3:]] == [45.0] * (len(box.given) - 3)


def test_a_relay_that_does_not_close_heats_nothing_and_a_welded_one_always() -> None:
    dead = cold()
    rig = Rig({"bench": dead}, config_of())
    rig.stands["bench"].heat.kill_coil()
    assert rig.run(0.1)["bench"].score.energy_kwh == 0.0

    welded = Recorder(substrate=33.9, mat=45.0)
    rig = Rig({"bench": welded}, config_of())
    rig.stands["bench"].heat.weld()
    assert rig.run(0.1)["bench"].score.mean_duty == 1.0
    assert {watts for _, watts, _ in welded.given} == {45.0}


def test_within_a_long_cycle_the_lease_runs_out() -> None:
    # A cycle of 60 s is refused by the config's check; here it shows that the keeper looks in
    # between: of six looks the lease of 20 s covers two.
    box = cold()
    config = config_of().model_copy(update={"cycle_s": 60.0})
    score = Rig({"bench": box}, config).run(0.5)["bench"].score
    assert {seconds for seconds, _, _ in box.given} == {10.0}
    assert score.mean_duty == pytest.approx(1 / 3, abs=0.01)


SERIES = {"series_relay": {"gpio": 25}}


def test_with_a_series_relay_heat_needs_both() -> None:
    box = cold()
    rig = Rig({"bench": box}, config_of(keeper=SERIES))
    assert rig.run(0.01)["bench"].score.mean_duty > 0.9

    rig = Rig({"bench": cold()}, config_of(keeper=SERIES))
    series = rig.stands["bench"].series
    assert series is not None
    series.kill_coil()
    assert rig.run(0.1)["bench"].score.energy_kwh == 0.0


def test_the_keepers_own_probe_has_the_last_word() -> None:
    # The controller sees a cold mat; the keeper's probe on the same mat reads 70 °C.
    box = cold()
    rig = Rig({"bench": box}, config_of(keeper=SERIES))
    rig.keeper_probes.thermometer("bench", Place.MAT).fail(ProbeFault.FROZEN, 70.0)
    rig.stands["bench"].heat.weld()
    outcome = rig.run(0.1)["bench"]
    assert outcome.score.energy_kwh == 0.0
    # Without heat the bed is too cold as well, which is told a quarter of an hour later.
    assert [alarm.alarm for alarm in outcome.alarms] == [Alarm.KEEPER_LATCHED, Alarm.HEAT_LOST]
    assert outcome.alarms[0].cleared_hours is None


def test_a_probe_lost_for_an_hour_is_an_alarm_from_then_to_then() -> None:
    rig = Rig({"bench": cold()}, config_of())
    room = rig.probes.thermometer("bench", Place.ROOM)

    def at(now_s: float) -> None:
        if now_s == 3600.0:
            room.fail(ProbeFault.UNPLUGGED)
        if now_s == 7200.0:
            room.repair()

    outcome = rig.run(0.2, on_cycle=at)["bench"]
    # This box never warms, which is told too.
    (alarm,) = (a for a in outcome.alarms if a.alarm is Alarm.ROOM_LOST)
    assert {a.alarm for a in outcome.alarms} <= {
        Alarm.ROOM_LOST,
        Alarm.NO_EFFECT,
        Alarm.HEAT_LOST,
    }
    assert 1.0 < alarm.raised_hours < 1.05
    assert alarm.cleared_hours is not None
    assert 2.0 < alarm.cleared_hours < 2.3
    assert any("probe folder is gone" in note.text for note in outcome.events)


def test_two_chambers_stand_in_one_room_and_do_not_touch() -> None:
    # 36 °C is above the ceiling of the wet layer, so nothing may be heated there.
    cold_box, warm_box = cold(), Recorder(substrate=36.0, callus=29.0)
    rig = Rig({"cold": cold_box, "warm": warm_box}, config_of(("cold", "warm")))
    outcomes = rig.run(0.1, RoomSeries([0.0, 3.0], [4.0, 9.0]))
    assert [g[2] for g in cold_box.given] == [g[2] for g in warm_box.given]
    # The cold one never warms, so that its heat is bounded after a while.
    assert outcomes["cold"].score.mean_duty > 0.3
    assert outcomes["warm"].score.mean_duty == 0.0


class Silent:
    """A journal that keeps nothing; whoever opened it writes its head and closes it."""

    def record(self, records: Sequence[Record], events: Sequence[Event]) -> None: ...

    def note_clock(self, *_: object) -> None:
        raise AssertionError

    def note_config(self, *_: object) -> None:
        raise AssertionError

    def note_tending(self, *_: object) -> None:
        raise AssertionError

    def failure(self) -> str | None:
        return None

    def close(self) -> None:
        raise AssertionError


def test_the_built_in_chamber_is_held_with_the_journal_and_the_hours_told() -> None:
    class Rows(Silent):
        def __init__(self) -> None:
            self.records: list[Record] = []
            self.events: list[Event] = []

        def record(self, records: Sequence[Record], events: Sequence[Event]) -> None:
            self.records += records
            self.events += events

    rows, hours = Rows(), []
    rig = Rig({"bench": Chamber()}, config_of())
    score = rig.run(1.0, journal=rows, on_hour=hours.append)["bench"].score
    assert score.warm_up_hours is not None
    assert [record.at_s for record in rows.records] == [10.0 * n for n in range(1, 8641)]
    assert rows.records[-1].closings == pytest.approx(score.closings, abs=1)
    assert hours == [float(hour) for hour in range(1, 25)]
    assert rows.events


def test_a_log_that_cannot_be_written_ends_the_rehearsal() -> None:
    class Broken(Silent):
        def failure(self) -> str | None:
            return "The card is full."

    with pytest.raises(InputError, match="The card is full"):
        Rig({"bench": cold()}, config_of()).run(1.0, journal=Broken())


@pytest.mark.parametrize("days", [0.0, -1.0, 401.0, math.nan, math.inf])
def test_a_length_out_of_bounds_is_refused(days: float) -> None:
    with pytest.raises(InputError, match="400 days"):
        Rig({"bench": cold()}, config_of()).run(days)


def test_a_chamber_that_breaks_down_half_way_is_named() -> None:
    box = Recorder(callus=lambda hour: 20.0 if hour < 1.0 else math.nan)
    with pytest.raises(InputError, match="chamber bench gives nan °C for 'callus'"):
        Rig({"bench": box}, config_of()).run(0.1)


def test_a_probe_at_the_buds_needs_a_chamber_that_knows_the_place() -> None:
    probes = {"substrate": "28-000000000001", "room": "28-000000000002", "top": "28-000000000003"}
    with pytest.raises(InputError, match=r"buds \(top\) of bench, but the chamber"):
        Rig({"bench": cold()}, config_of(probes=probes)).run(0.1)
    rig = Rig({"bench": Recorder(top=14.0)}, config_of(probes=probes))
    assert rig.run(0.1)["bench"].score.max_c["top"] == 14.0
