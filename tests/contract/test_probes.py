"""One contract for every implementation of ``ports.Probes``."""

from __future__ import annotations

import math
import random
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest

from bottomheat.errors import DriverError, InputError
from bottomheat.model import Fault, Place, Sample, Unread
from bottomheat.ports import Probes
from bottomheat_drivers.clock import ManualClock
from bottomheat_drivers.scripted import ScriptedProbes
from bottomheat_drivers.simulated import (
    ProbeFault,
    SimulatedProbes,
    SimulatedRelay,
    SimulatedThermometer,
)
from bottomheat_drivers.w1 import W1Probes, usual_deadline_s
from w1tree import W1Tree

NORTH, SOUTH = "north-bench", "south-bench"
WIRING = {
    NORTH: {
        Place.SUBSTRATE: "28-000000000001",
        Place.SUBSTRATE_2: "28-000000000002",
        Place.ROOM: "28-00000000000f",
    },
    SOUTH: {Place.SUBSTRATE: "28-000000000003", Place.ROOM: "28-00000000000f"},
}
TRUE_C = {
    (NORTH, Place.SUBSTRATE): 26.5,
    (NORTH, Place.SUBSTRATE_2): 26.5,
    (NORTH, Place.ROOM): 5.25,
    (SOUTH, Place.SUBSTRATE): 21.0,
    (SOUTH, Place.ROOM): 5.25,
}


class Still:
    """A chamber that keeps its temperatures."""

    def __init__(self, **places_c: float) -> None:
        self.places_c = places_c

    def advance(self, seconds: float, heater_watts: float, room_c: float) -> None:
        del seconds, heater_watts
        self.places_c["room"] = room_c

    def temperature(self, place: str) -> float:
        return self.places_c[place]


@dataclass
class Bench:
    """An implementation, and how to pull one probe and plug it in again in it."""

    probes: Probes
    clock: ManualClock
    lose: Callable[[], None]
    restore: Callable[[], None]

    def read(self):
        self.clock.advance(10.0)
        return self.probes.read_all(self.clock.monotonic_s())


@pytest.fixture(params=["w1", "scripted", "simulated"])
def bench(request, tmp_path: Path) -> Iterator[Bench]:
    clock = ManualClock(100.0)
    if request.param == "w1":
        made = _on_w1(tmp_path, clock)
    elif request.param == "scripted":
        made = _scripted(clock)
    else:
        made = _simulated(clock)
    yield made
    made.probes.close()


def _on_w1(tmp_path: Path, clock: ManualClock) -> Bench:
    tree = W1Tree(tmp_path)
    for (chamber, place), celsius in TRUE_C.items():
        tree.set(WIRING[chamber][place], celsius)
    name = WIRING[NORTH][Place.SUBSTRATE]
    return Bench(
        W1Probes(tree.devices, WIRING, clock),
        clock,
        lambda: tree.unplug(name),
        lambda: tree.replug(name, TRUE_C[NORTH, Place.SUBSTRATE]),
    )


def _scripted(clock: ManualClock) -> Bench:
    # The contract takes two readings, loses the probe for two, and takes the rest.
    scripts = {c: {p: [TRUE_C[c, p]] for p in places} for c, places in WIRING.items()}
    scripts[NORTH][Place.SUBSTRATE] = "26.5*2 absent*2 26.5"
    return Bench(ScriptedProbes(scripts), clock, lambda: None, lambda: None)


def _simulated(clock: ManualClock) -> Bench:
    chambers = {
        NORTH: Still(substrate=26.5, room=5.25),
        SOUTH: Still(substrate=21.0, room=5.25),
    }
    probes = SimulatedProbes(chambers, WIRING, 1)
    probes.advance(10.0)
    lost = probes.thermometer(NORTH, Place.SUBSTRATE)
    return Bench(probes, clock, lambda: lost.fail(ProbeFault.UNPLUGGED), lost.repair)


def test_every_place_of_the_wiring_and_no_other(bench):
    readings = bench.read()
    assert {c: set(places) for c, places in readings.items()} == {
        c: set(places) for c, places in WIRING.items()
    }


def test_readings_are_near_the_truth_and_of_this_read(bench):
    for _ in range(2):
        for chamber, places in bench.read().items():
            for place, raw in places.items():
                assert isinstance(raw, Sample)
                assert raw.legal_configuration
                # One count of rounding and five standard deviations of the simulated noise.
                assert abs(raw.celsius - TRUE_C[chamber, place]) <= 0.0625 + 5 * 0.02
                assert math.remainder(raw.celsius, 0.0625) == 0
                assert raw.at_s == bench.clock.monotonic_s()


def test_a_lost_probe_is_unread_and_the_others_go_on(bench):
    bench.read(), bench.read()
    bench.lose()
    for _ in range(2):
        readings = bench.read()
        lost = readings[NORTH][Place.SUBSTRATE]
        assert isinstance(lost, Unread)
        assert lost.fault is Fault.ABSENT
        assert lost.at_s == bench.clock.monotonic_s()
        others = [
            raw
            for chamber, places in readings.items()
            for place, raw in places.items()
            if (chamber, place) != (NORTH, Place.SUBSTRATE)
        ]
        assert len(others) == 4
        assert all(isinstance(raw, Sample) for raw in others)
    bench.restore()
    assert isinstance(bench.read()[NORTH][Place.SUBSTRATE], Sample)


def test_after_close_nothing_is_read_and_closing_again_is_harmless(bench):
    bench.read()
    bench.probes.close()
    bench.probes.close()
    faults = {raw.fault for places in bench.read().values() for raw in places.values()}
    assert faults == {Fault.NOT_READ}


# What is particular to one implementation and needs no machine.


def test_a_script_says_each_word_in_turn_and_keeps_the_last():
    probes = ScriptedProbes({"a": {Place.MAT: "20 85! hung*2 nan all-zero -0.5"}})
    said = [probes.read_all(float(n))["a"][Place.MAT] for n in range(9)]
    assert said[:2] == [Sample(20.0, 0.0), Sample(85.0, 1.0, legal_configuration=False)]
    assert [raw.fault for raw in (said[2], said[3], said[5])] == [
        Fault.HUNG,
        Fault.HUNG,
        Fault.ALL_ZERO,
    ]
    assert isinstance(said[4], Sample)
    assert math.isnan(said[4].celsius)
    assert said[6:] == [Sample(-0.5, 6.0), Sample(-0.5, 7.0), Sample(-0.5, 8.0)]


def test_a_list_may_mix_numbers_faults_and_words():
    probes = ScriptedProbes({"a": {Place.MAT: [20, Fault.CRC, "21*2", 22.5], Place.TOP: []}})
    said = [probes.read_all(0.0)["a"] for _ in range(5)]
    shown = [s[Place.MAT].celsius if isinstance(s[Place.MAT], Sample) else "bad" for s in said]
    assert shown == [20.0, "bad", 21.0, 21.0, 22.5]
    assert {s[Place.TOP].fault for s in said} == {Fault.NOT_READ}


@pytest.mark.parametrize("script", ["warm", "20*0", "crc!", "20**2", "20*-1", "*3", "!"])
def test_a_script_that_is_not_understood_is_refused_with_its_word(script):
    with pytest.raises(InputError, match="mat of a") as caught:
        ScriptedProbes({"a": {Place.MAT: f"20 {script}"}})
    assert repr(script) in str(caught.value)


def quiet(tau_s: float = 40.0) -> SimulatedThermometer:
    return SimulatedThermometer(random.Random(1), tau_s, sigma_k=0.0)


@pytest.mark.parametrize("dt_s", [0.5, 10.0, 60.0])
def test_lag_after_a_step_is_the_exponential_at_any_step_length(dt_s):
    probe = quiet()
    probe.advance(dt_s, 20.0)
    probe.advance(1e-9, 30.0)  # the surroundings jump
    for _ in range(round(120 / dt_s)):
        probe.advance(dt_s, 30.0)
    assert probe.tip_c == pytest.approx(30.0 - 10.0 * math.exp(-120 / 40), abs=1e-6)


@pytest.mark.parametrize("dt_s", [1.0, 20.0])
def test_lag_on_a_ramp_settles_at_slope_times_time_constant(dt_s):
    probe = quiet()
    slope = 0.01
    for n in range(round(1000 / dt_s) + 1):
        probe.advance(dt_s, 20.0 + slope * n * dt_s)
    assert 30.0 - probe.tip_c == pytest.approx(slope * 40.0, abs=1e-6)


@pytest.mark.parametrize(
    ("true_c", "shown_c"),
    [
        (20.03, 20.0),
        (20.04, 20.0625),
        (-0.04, -0.0625),
        (-0.02, 0.0),
        (140.0, 125.0),
        (-80.0, -55.0),
    ],
)
def test_the_register_is_the_nearest_count_within_the_range_of_the_part(true_c, shown_c):
    probe = quiet()
    probe.advance(1.0, true_c)
    assert probe.read(0.0) == Sample(shown_c, 0.0)


def test_noise_has_the_size_asked_for_and_comes_from_the_seed():
    def series(seed):
        probes = SimulatedProbes({"a": Still(substrate=20.0)}, {"a": [Place.SUBSTRATE]}, seed)
        probes.advance(1.0)
        return [probes.read_all(0.0)["a"][Place.SUBSTRATE].celsius for _ in range(4000)]

    first = series(7)
    assert first == series(7)
    assert first != series(8)
    mean = sum(first) / len(first)
    variance = sum((value - mean) ** 2 for value in first) / len(first)
    # At 20 °C, in the middle of a count, 0.02 K leaves it when beyond 1/32 K, which is 1.5625
    # standard deviations: a share 2·(1 - Φ(1.5625)) = 0.118 of readings, one count away.
    assert abs(mean - 20.0) < 0.002
    assert variance == pytest.approx(0.118 * 0.0625**2, rel=0.2)


def test_adding_a_probe_does_not_change_another_ones_noise():
    def series(places):
        probes = SimulatedProbes({"a": Still(substrate=20.03, mat=40.0)}, {"a": places}, 3)
        probes.advance(1.0)
        return [probes.read_all(0.0)["a"][Place.SUBSTRATE] for _ in range(50)]

    assert series([Place.SUBSTRATE]) == series([Place.MAT, Place.SUBSTRATE])


@pytest.mark.parametrize(
    ("fault", "shows"),
    [
        (ProbeFault.UNPLUGGED, Fault.ABSENT),
        (ProbeFault.SHORTED, Fault.ALL_ZERO),
        (ProbeFault.CRC, Fault.CRC),
        (ProbeFault.HUNG, Fault.HUNG),
        (ProbeFault.POWER_ON, 85.0),
        (ProbeFault.NO_CONVERSION, 127.9375),
    ],
)
def test_each_simulated_fault_shows_and_is_repaired(fault, shows):
    probe = quiet()
    probe.advance(1.0, 20.0)
    probe.fail(fault)
    raw = probe.read(5.0)
    assert (raw.fault if isinstance(raw, Unread) else raw.celsius) == shows
    probe.repair()
    assert probe.read(6.0) == Sample(20.0, 6.0)


def test_every_simulated_fault_is_in_the_test_above_or_below():
    assert set(ProbeFault) - {ProbeFault.FROZEN} == {
        ProbeFault.UNPLUGGED,
        ProbeFault.SHORTED,
        ProbeFault.CRC,
        ProbeFault.HUNG,
        ProbeFault.POWER_ON,
        ProbeFault.NO_CONVERSION,
    }


def test_a_frozen_probe_stays_while_its_time_stamps_go_on():
    probe = quiet(tau_s=0.0)
    probe.advance(1.0, 20.0)
    probe.read(0.0)
    probe.fail(ProbeFault.FROZEN)
    probe.advance(10.0, 35.0)
    assert [probe.read(t) for t in (1.0, 2.0)] == [Sample(20.0, 1.0), Sample(20.0, 2.0)]
    probe.fail(ProbeFault.FROZEN, at_c=31.0)
    assert probe.read(3.0) == Sample(31.0, 3.0)


def test_an_offset_is_added_and_a_model_gone_wrong_is_no_number():
    probe = quiet(tau_s=0.0)
    probe.advance(1.0, 20.0)
    probe.offset_k = -0.5
    assert probe.read(0.0) == Sample(19.5, 0.0)
    probe.advance(1.0, math.nan)
    raw = probe.read(1.0)
    assert isinstance(raw, Unread)
    assert raw.fault is Fault.NOT_FINITE


def test_a_displaced_probe_reads_the_other_place_and_crossed_chambers_each_other():
    chambers = {NORTH: Still(substrate=26.0, room=6.0), SOUTH: Still(substrate=21.0, room=6.0)}
    probes = SimulatedProbes(chambers, WIRING, 1, tau_s=0.0, sigma_k=0.0)
    probes.displace(NORTH, Place.SUBSTRATE, Place.ROOM)
    probes.displace(SOUTH, Place.SUBSTRATE, Place.SUBSTRATE, to_chamber=NORTH)
    probes.advance(1.0)
    readings = probes.read_all(0.0)
    assert readings[NORTH][Place.SUBSTRATE] == Sample(6.0, 0.0)
    assert readings[NORTH][Place.SUBSTRATE_2] == Sample(26.0, 0.0)
    assert readings[SOUTH][Place.SUBSTRATE] == Sample(26.0, 0.0)
    probes.put_back(SOUTH, Place.SUBSTRATE)
    probes.advance(1.0)
    assert probes.read_all(1.0)[SOUTH][Place.SUBSTRATE] == Sample(21.0, 1.0)


def test_a_probe_that_has_seen_nothing_yet_is_not_read():
    probes = SimulatedProbes({"a": Still(substrate=20.0)}, {"a": [Place.SUBSTRATE]}, 1)
    assert probes.read_all(0.0) == {"a": {Place.SUBSTRATE: Unread(Fault.NOT_READ, 0.0)}}


def test_a_simulated_relay_keeps_truth_and_command_apart():
    relay = SimulatedRelay()
    relay.set(True)
    relay.set(True)
    assert (relay.is_closed, relay.contact_closed, relay.closings) == (True, True, 1)
    relay.weld()
    relay.set(False)
    assert (relay.is_closed, relay.contact_closed) == (False, True)
    relay.repair()
    relay.kill_coil()
    relay.set(True)
    assert (relay.is_closed, relay.contact_closed, relay.closings) == (True, False, 2)
    relay.repair()
    relay.refuse()
    with pytest.raises(DriverError, match="does not take its level"):
        relay.set(False)
    assert relay.contact_closed
    relay.close()
    relay.close()
    assert (relay.is_closed, relay.contact_closed) == (False, False)
    with pytest.raises(DriverError, match="let go"):
        relay.set(True)


def test_the_deadline_grows_with_the_bus_and_stays_below_the_usual_cycle():
    """Where reads follow each other, 0.77 s each, the last of them has to be waited for."""
    for probes in range(1, 9):
        assert 0.77 * (probes + 1) <= usual_deadline_s(probes) <= 8.0
    assert usual_deadline_s(1) == 3.0
    assert usual_deadline_s(64) < 10.0
