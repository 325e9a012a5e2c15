"""Faults to order: each does to the simulated world what it says, and nonsense is refused."""

from __future__ import annotations

import copy
import math
from collections.abc import Callable

import pytest

from bottomheat.campaign_boxes import Scene, scene_world
from bottomheat.chamber import Chamber
from bottomheat.model import Alarm, EventKind, Fault, Place, Raw, Sample, Unread
from bottomheat.protect.tending import Doing
from bottomheat.rehearse_acts import KEEPER, Order
from bottomheat.rehearse_faults import Sabotage, make_order
from bottomheat.rehearse_kinds import KINDS, allowed_alarms, right_alarms
from bottomheat.rehearse_world import World

NORTH, SOUTH = "north-bench", "south-bench"
PAIR = Scene(("nominal", "shallow"), "10", (45.0, 45.0), 7, second_probe=True, callus_probe=True)
CYCLE_S = 10.0


@pytest.fixture(scope="module")
def _warm() -> World:
    """Two boxes with everything, an hour after a cold start: both are heated all the time."""
    world = scene_world(PAIR, 2.0)
    run(world, 60)
    assert world.heated_s == {NORTH: CYCLE_S, SOUTH: CYCLE_S}
    return world


@pytest.fixture
def world(_warm: World) -> World:
    return copy.deepcopy(_warm)


def run(world: World, minutes: float, *orders: Order) -> list[float]:
    """Go on; returns how long each mat of the north bench was heated, cycle by cycle."""
    sabotage, heated = Sabotage(orders), []
    for _ in range(round(minutes * 6)):
        sabotage(world)
        world.step()
        heated.append(world.heated_s[NORTH])
    return heated


def order(world: World, kind: str, place: str | None = None, **more: float | None) -> Order:
    """Order it for now, in the north bench."""
    return make_order(kind, world.now_s, NORTH, place=place, **more)


def read(world: World, place: Place, chamber: str = NORTH) -> Raw:
    return world.probes.read_all(world.now_s)[chamber][place]


def celsius(world: World, place: Place, chamber: str = NORTH) -> float:
    raw = read(world, place, chamber)
    assert isinstance(raw, Sample)
    return raw.celsius


def truth(world: World, place: str, chamber: str = NORTH) -> float:
    return world.stands[chamber].model.temperature(place)


def box(world: World) -> Chamber:
    model = world.stands[NORTH].model._model
    assert isinstance(model, Chamber)
    return model


# --- each kind ----------------------------------------------------------------------------------


def welded_at_once(world: World) -> None:
    run(world, 1, order(world, "relay-stuck-on-at-once"))
    world.hang_daemon()
    # The lease runs out after 20 s; the series relay opens only after a minute.
    assert run(world, 5 / 6) == [CYCLE_S] * 5
    assert not world.stands[NORTH].heat.is_closed


def welded_at_the_next_closing(world: World) -> None:
    run(world, 1, order(world, "relay-stuck-on"))
    world.hang_daemon()
    assert run(world, 5 / 6)[-1] == 0.0  # it opens once more
    world.wake_daemon()
    run(world, 20)
    assert world.stands[NORTH].heat.is_closed
    world.hang_daemon()
    # The lease runs out after 20 s; the series relay opens only after a minute.
    assert run(world, 5 / 6) == [CYCLE_S] * 5
    assert not world.stands[NORTH].heat.is_closed


def coil_dead(world: World) -> None:
    assert run(world, 2, order(world, "relay-stuck-off")) == [0.0] * 12
    assert world.stands[NORTH].heat.is_closed


def mat_dead(world: World) -> None:
    mat_c = truth(world, "mat")
    assert run(world, 10, order(world, "mat-dead", lasts_s=300.0)) == [0.0] * 30 + [CYCLE_S] * 30
    assert world.stands[NORTH].heat.contact_closed
    assert truth(world, "mat") < mat_c


def mat_weak(world: World) -> None:
    twin = copy.deepcopy(world)
    run(twin, 10)
    run(world, 10, order(world, "mat-weak"))
    assert world.watts(NORTH) == 22.5
    assert truth(world, "mat") < truth(twin, "mat") - 1.0
    assert truth(world, "mat", SOUTH) == truth(twin, "mat", SOUTH)


def unread(kind: str, fault: Fault) -> Callable[[World], None]:
    def act(world: World) -> None:
        for place in (Place.SUBSTRATE, Place.SUBSTRATE_2, Place.ROOM, Place.MAT, Place.CALLUS):
            broken = order(world, kind, place, lasts_s=60.0)
            run(world, 0.5, broken)
            raw = read(world, place)
            assert isinstance(raw, Unread)
            assert raw.fault is fault
            assert not isinstance(read(world, place, SOUTH), Unread)

    return act


def sends_85(world: World) -> None:
    run(world, 0.5, order(world, "probe-85"))
    assert celsius(world, Place.SUBSTRATE) == 85.0
    assert celsius(world, Place.SUBSTRATE_2) != 85.0


def frozen(world: World) -> None:
    run(world, 0.5, order(world, "probe-frozen", Place.MAT))
    held_c, true_c = celsius(world, Place.MAT), truth(world, "mat")
    world.cut_power()
    run(world, 30)
    assert celsius(world, Place.MAT) == held_c
    assert truth(world, "mat") < true_c - 5.0


def lies(kind: str, place: Place, where: Callable[[World], float]) -> Callable[[World], None]:
    def act(world: World) -> None:
        run(world, 10, order(world, kind, place))
        # The probe lags by 40 s, which is 0.4 K on a mat that still warms.
        assert celsius(world, place) == pytest.approx(where(world), abs=0.5)
        assert abs(truth(world, place) - where(world)) > 1.0
        run(world, 10, order(world, kind, place, lasts_s=30.0))
        assert celsius(world, place) == pytest.approx(truth(world, place), abs=0.5)

    return act


def between(share: float) -> Callable[[World], float]:
    def where(world: World) -> float:
        near_c, far_c = truth(world, "room"), truth(world, "substrate")
        return near_c + share * (far_c - near_c)

    return where


def drifts(world: World) -> None:
    twin = copy.deepcopy(world)
    run(twin, 60)
    run(world, 60, order(world, "probe-drift", Place.CALLUS, value=-48.0))
    assert celsius(world, Place.CALLUS) - celsius(twin, Place.CALLUS) == pytest.approx(-2, abs=0.2)


def is_off(world: World) -> None:
    run(world, 1, order(world, "probe-offset", Place.SUBSTRATE_2, value=3.0))
    apart_k = celsius(world, Place.SUBSTRATE_2) - truth(world, "substrate")
    assert apart_k == pytest.approx(3.0, abs=0.3)


def sunlit(world: World) -> None:
    run(world, 60, order(world, "room-sunlit", value=6.0, lasts_s=3600.0))
    assert celsius(world, Place.ROOM) == pytest.approx(truth(world, "room") + 6.0, abs=0.2)
    run(world, 10, order(world, "room-sunlit", lasts_s=30.0))
    assert celsius(world, Place.ROOM) == pytest.approx(truth(world, "room"), abs=0.2)


def crossed_plugs(world: World) -> None:
    world.stands[NORTH].heat.kill_coil()  # so the north's relay heats nothing...
    heated = run(world, 5, order(world, "crossed-plugs"))
    assert heated == [CYCLE_S] * 30  # ... and yet its mat is fed, by the south's relay
    assert world.heated_s[SOUTH] == 0.0
    run(world, 1, order(world, "crossed-plugs", lasts_s=10.0))
    assert world.heated_s == {NORTH: 0.0, SOUTH: CYCLE_S}


def crossed_probes(world: World) -> None:
    run(world, 10, order(world, "crossed-probes", Place.MAT))
    world.mat_share[SOUTH] = 0.0
    run(world, 30)
    assert celsius(world, Place.MAT) == pytest.approx(truth(world, "mat", SOUTH), abs=1.0)
    assert celsius(world, Place.MAT, SOUTH) == pytest.approx(truth(world, "mat"), abs=1.0)
    assert truth(world, "mat") > truth(world, "mat", SOUTH) + 5.0


def series_welded(world: World) -> None:
    run(world, 1, order(world, "series-stuck"))
    world.cut_power()
    run(world, 1)
    series = world.stands[NORTH].series
    assert series is not None
    assert (series.is_closed, series.contact_closed) == (False, True)


def lid(kind: str, state: str) -> Callable[[World], None]:
    def act(world: World) -> None:
        lifted = order(world, kind, lasts_s=300.0)
        sabotage = Sabotage([lifted])
        sabotage(world)
        assert box(world).lid == state
        run(world, 6)
        sabotage(world)
        assert box(world).lid == "on"

    return act


def watered(world: World) -> None:
    before_c = truth(world, "substrate")
    sabotage = Sabotage([order(world, "water", value=1.0)])
    sabotage(world)
    assert box(world).lid == "off"
    # A litre of 8 °C into a layer of 6.6 kJ/K: 39 % of the way for its cells.
    assert truth(world, "substrate") < before_c - 0.2 * (before_c - 8.0)


def bags_placed(world: World) -> None:
    callus_c, layer_c = truth(world, "callus"), box(world)._state[box(world)._net.layer].copy()
    Sabotage([order(world, "bags")])(world)
    share = 6.0 / box(world).construction.medium_kg
    assert truth(world, "callus") == pytest.approx(callus_c + share * (4.0 - callus_c))
    assert list(box(world)._state[box(world)._net.layer]) == list(layer_c)


def sun_and_lamp(world: World) -> None:
    sabotage = Sabotage([order(world, "sun", value=40.0, lasts_s=7200.0)])
    seen = []
    for _ in range(721):
        sabotage(world)
        seen.append(float(box(world)._state[-2]))
        world.step()
    assert max(seen) == pytest.approx(40.0)
    assert seen[180] == pytest.approx(40.0 * math.sin(math.pi / 4))
    assert seen[-1] == 0.0


def lamp(world: World) -> None:
    sabotage = Sabotage([order(world, "lamp", value=12.0, lasts_s=60.0)])
    sabotage(world)
    assert box(world)._state[-2] == 12.0
    run(world, 1)
    sabotage(world)
    assert box(world)._state[-2] == 0.0


def shed(kind: str, kelvin: float) -> Callable[[World], None]:
    def act(world: World) -> None:
        before_c = truth(world, "room")
        run(world, 360, order(world, kind, value=kelvin, lasts_s=5 * 3600.0))
        assert truth(world, "room") == before_c  # it is over
        run(world, 240, order(world, kind, value=kelvin))
        for chamber in (NORTH, SOUTH):
            assert truth(world, "room", chamber) == pytest.approx(before_c + kelvin, abs=0.3)

    return act


def power_cut(world: World) -> None:
    world._latched[SOUTH] = "it had been hot"
    cut = order(world, "power-cut", lasts_s=600.0)
    sabotage = Sabotage([cut])
    for _ in range(60):
        sabotage(world)
        assert world.step() == ()
        assert (world.heated_s, world.records) == ({NORTH: 0.0, SOUTH: 0.0}, ())
    at_s = world.now_s
    sabotage(world)
    world.step()
    assert world.state.at_s == at_s + CYCLE_S
    assert len(world.records) == 2
    assert world.state.chambers[SOUTH].cutoff.latched == "it had been hot"
    assert world.state.chambers[NORTH].cutoff.latched is None
    assert run(world, 30)[-1] == CYCLE_S
    assert world.heated_s[SOUTH] == 0.0


def daemon_hangs(world: World) -> None:
    hung = order(world, "daemon-hang", lasts_s=600.0)
    sabotage, alarms, heated = Sabotage([hung]), [], []
    for _ in range(60):
        sabotage(world)
        alarms += [event.alarm for event in world.step() if event.kind is EventKind.ALARM_RAISED]
        heated.append(world.heated_s[NORTH])
        assert world.records == ()
    # The lease holds for 20 s, of which a cycle had gone by when the next did not come.
    assert heated == [CYCLE_S, CYCLE_S] + [0.0] * 58
    assert alarms == [Alarm.DAEMON_SILENT]
    sabotage(world)
    assert Alarm.DAEMON_SILENT in [event.alarm for event in world.step()]  # cleared
    assert len(world.records) == 2


def keeper_hangs(world: World) -> None:
    hung = order(world, "keeper-hang", lasts_s=600.0)
    sabotage, alarms, heated = Sabotage([hung]), [], []
    for _ in range(60):
        sabotage(world)
        alarms += [event.alarm for event in world.step() if event.kind is EventKind.ALARM_RAISED]
        heated.append(world.heated_s[NORTH])
    assert heated == [CYCLE_S] + [0.0] * 59  # killed by its watchdog after 10 s
    assert alarms[0] is Alarm.KEEPER_SILENT
    assert not world.stands[NORTH].heat.is_closed
    sabotage(world)
    assert run(world, 30)[-1] == CYCLE_S


def tended(world: World) -> None:
    Sabotage([order(world, "tend", Doing.WATER, lasts_s=1200.0)])(world)
    tending = world.state.chambers[NORTH].tending
    assert tending is not None
    assert (tending.doing, tending.until_s) == (Doing.WATER, world.now_s + 1200.0)
    assert world.state.chambers[SOUTH].tending is None


def cold_night(world: World) -> None:
    chamber = copy.deepcopy(box(world))
    sabotage = Sabotage([order(world, "cold-night", value=2.0)])
    rooms_c, first = [], world.cycles
    for hour in range(22):  # the boxes need not live through it
        world.cycles = first + hour * 360
        sabotage(world)
        rooms_c.append(room_c(world))
    carried_c = min(rooms_c)
    assert rooms_c[0] == rooms_c[20] == rooms_c[21] == 10.0
    assert rooms_c[:9] == sorted(rooms_c[:9], reverse=True)
    assert rooms_c[8:15] == pytest.approx([carried_c] * 7)
    assert rooms_c[14:21] == sorted(rooms_c[14:21])
    # In that room, for ever, all the heat leaves the bases two kelvins low.
    assert chamber.settled("callus", 45.0, carried_c) == pytest.approx(23.0, abs=0.3)


def room_c(world: World) -> float:
    """The room of the next cycle."""
    twin = copy.deepcopy(world)
    twin._warm(twin.now_s, CYCLE_S, dict.fromkeys(twin.stands, 0.0))
    return truth(twin, "room")


CHECKS: dict[str, Callable[[World], None]] = {
    "relay-stuck-on": welded_at_the_next_closing,
    "relay-stuck-on-at-once": welded_at_once,
    "relay-stuck-off": coil_dead,
    "mat-dead": mat_dead,
    "mat-weak": mat_weak,
    "probe-lost": unread("probe-lost", Fault.ABSENT),
    "probe-85": sends_85,
    "probe-shorted": unread("probe-shorted", Fault.ALL_ZERO),
    "probe-garbled": unread("probe-garbled", Fault.CRC),
    "probe-frozen": frozen,
    "probe-displaced": lies("probe-displaced", Place.SUBSTRATE, lambda w: truth(w, "room")),
    "probe-displaced-top": lies("probe-displaced-top", Place.MAT, lambda w: truth(w, "top")),
    "probe-displaced-half": lies("probe-displaced-half", Place.SUBSTRATE, between(0.5)),
    "probe-drift": drifts,
    "probe-offset": is_off,
    "room-sunlit": sunlit,
    "room-near-box": lies("room-near-box", Place.ROOM, between(0.6)),
    "crossed-plugs": crossed_plugs,
    "crossed-probes": crossed_probes,
    "series-stuck": series_welded,
    "lid-off": lid("lid-off", "off"),
    "lid-ajar": lid("lid-ajar", "ajar"),
    "water": watered,
    "bags": bags_placed,
    "sun": sun_and_lamp,
    "lamp": lamp,
    "warm-shed": shed("warm-shed", 15.0),
    "cold-snap": shed("cold-snap", -12.0),
    "cold-night": cold_night,
    "power-cut": power_cut,
    "daemon-hang": daemon_hangs,
    "keeper-hang": keeper_hangs,
    "tend": tended,
}


def test_every_kind_is_checked_below() -> None:
    assert CHECKS.keys() == KINDS.keys()


@pytest.mark.parametrize("kind", CHECKS)
def test_a_kind_does_to_the_world_what_it_says(world: World, kind: str) -> None:
    CHECKS[kind](world)


def test_a_mat_probe_that_both_processes_read_fails_for_both() -> None:
    shared = scene_world(Scene(("nominal",), "10", (45.0,), 7, keeper_probe=False), 1.0)
    run(shared, 1, order(shared, "probe-lost", Place.MAT))
    for probes in (shared.probes, shared.keeper_probes):
        assert isinstance(probes.read_all(shared.now_s)[NORTH][Place.MAT], Unread)


def test_the_keepers_own_probe_fails_for_the_keeper_alone(world: World) -> None:
    run(world, 1, order(world, "probe-lost", KEEPER))
    assert isinstance(world.keeper_probes.read_all(world.now_s)[NORTH][Place.MAT], Unread)
    assert isinstance(read(world, Place.MAT), Sample)


# --- copies -------------------------------------------------------------------------------------


def test_a_copy_goes_on_like_the_original_and_a_fault_in_it_stays_there(world: World) -> None:
    twin, spoiled = copy.deepcopy(world), copy.deepcopy(world)
    run(
        spoiled,
        5,
        order(spoiled, "lid-off"),
        order(spoiled, "mat-dead"),
        order(spoiled, "probe-frozen"),
        order(spoiled, "sun"),
        order(spoiled, "crossed-plugs"),
        order(spoiled, "relay-stuck-off"),
    )
    for _ in range(60):
        assert world.step() == twin.step()
        assert world.records == twin.records
    for place in ("substrate", "callus", "mat", "top"):
        assert truth(world, place) == truth(twin, place) != truth(spoiled, place)
    assert (world.mat_share[NORTH], spoiled.mat_share[NORTH]) == (1.0, 0.0)
    assert (box(world).lid, box(spoiled).lid) == ("on", "off")


# --- which alarms are right ---------------------------------------------------------------------


@pytest.mark.parametrize("kind", KINDS.values(), ids=lambda kind: kind.name)
def test_right_and_allowed_alarms_fit_the_kind(kind: object) -> None:
    name = kind.name  # type: ignore[attr-defined]
    for place in KINDS[name].places or (None,):
        ordered = make_order(name, 0.0, NORTH, place=place)
        assert right_alarms(ordered) <= allowed_alarms(ordered)
        # A fault that must be known has to have an alarm that says it.
        assert right_alarms(ordered) or not KINDS[name].sure


def test_sun_is_never_rightly_called_a_stuck_relay() -> None:
    for kind in ("sun", "lamp", "warm-shed", "lid-off", "water", "bags"):
        allowed = allowed_alarms(make_order(kind, 0.0, NORTH))
        assert not allowed & {Alarm.RELAY_STUCK_ON, Alarm.CUTOFF, Alarm.PROBE_DISPLACED}
        assert not KINDS[kind].may_latch
