"""A start in a rehearsal is the service's own: what the card held is known again, no more."""

from __future__ import annotations

import copy
from dataclasses import replace
from pathlib import Path

import pytest

from bottomheat import cycle
from bottomheat.campaign_boxes import Scene, config_of, scene_world
from bottomheat.cli.rehearse_log import RehearsedLog
from bottomheat.outage import Start
from bottomheat.protect.tending import Doing, Lid, Tending
from bottomheat.rehearse_card import WRITTEN_EVERY_S
from bottomheat.rehearse_world import World
from bottomheat.restart import restarted
from bottomheat_drivers.clock import ManualClock
from bottomheat_drivers.log.before import look_back
from bottomheat_drivers.log.writer import COMMIT_EVERY_S

NORTH = "north-bench"
ALONE = Scene(("nominal",), "10", (45.0,), 7)


@pytest.fixture(scope="module")
def _warm() -> World:
    """A box, 3 h 5 min after a cold start: the last rows were written five minutes ago."""
    world = scene_world(ALONE, 2.0)
    run(world, 185)
    return world


@pytest.fixture
def world(_warm: World) -> World:
    return copy.deepcopy(_warm)


def run(world: World, minutes: float) -> None:
    for _ in range(round(minutes * 6)):
        world.step()


def before_c(world: World) -> float | None:
    return world.state.chambers[NORTH].estimator.before_c


def outage(world: World, minutes: float) -> None:
    world.cut_power()
    run(world, minutes)
    world.restore_power()


def test_rows_reach_the_card_as_often_as_the_service_writes_them() -> None:
    assert WRITTEN_EVERY_S == COMMIT_EVERY_S


def test_the_last_estimate_is_known_again_where_the_cut_was_short(world: World) -> None:
    estimate = world.records[0].estimate
    assert estimate is not None
    outage(world, 30)
    known_c = before_c(world)
    # Of the last rows that were written, up to ten minutes before the cut.
    assert known_c == pytest.approx(estimate.celsius, abs=0.3)
    assert known_c != estimate.celsius


def test_after_long_it_tells_nothing_any_more(world: World) -> None:
    outage(world, 61)
    assert before_c(world) is None


def test_a_lid_lies_as_it_was_said_to_and_tending_ends_with_its_boot(world: World) -> None:
    tending = Tending(Doing.LOOK, world.now_s, world.now_s + 36_000.0)
    world.state = cycle.tend(world.state, NORTH, tending)
    box = replace(world.state.chambers[NORTH], lid=Lid.AJAR)
    world.state = replace(world.state, chambers={NORTH: box})
    outage(world, 5)
    after = world.state.chambers[NORTH]
    assert (after.lid, after.tending) == (Lid.AJAR, None)


def test_the_log_of_a_rehearsal_says_the_same_to_a_real_start(tmp_path: Path) -> None:
    world, clock = scene_world(ALONE, 1.0), ManualClock(wall_ms=1_764_547_200_000)
    path = tmp_path / "r.sqlite"
    log = RehearsedLog(path, clock, "text", "sum", cuts=True)
    for _ in range(95 * 6):
        events = world.step()
        clock.set(world.now_s)
        log.record(world.records, events)
    world.cut_power()
    log.look(world)  # what was not written is lost
    run(world, 20)
    clock.set(world.now_s)
    past = look_back(path, tmp_path / "none", "another boot")
    start = Start("another boot", world.now_s, clock.wall_ms())
    real = restarted(config_of(ALONE), {}, past, start, proved=True)
    world.restore_power()
    mine = world.state.chambers[NORTH]
    assert before_c(world) is not None
    # The log keeps thousandths of a degree.
    assert before_c(world) == pytest.approx(real.chambers[NORTH].estimator.before_c, abs=0.0006)
    assert (mine.lid, mine.tending) == (real.chambers[NORTH].lid, real.chambers[NORTH].tending)
    log.look(world)
    log.close()


def test_what_was_foretold_of_nights_outlives_a_cut(world: World) -> None:
    run(world, 6 * 60)
    known = world._boxes.to_plain()[NORTH]["night"]["rooms"]
    assert len(known) > 6
    outage(world, 5)
    kept = world._boxes.to_plain()[NORTH]["night"]["rooms"]
    # Six hours' worth was kept at the sixth hour; what came after is lost.
    assert kept == known[: len(kept)]
    assert len(kept) >= 5


def test_latches_hold_over_a_cut(world: World) -> None:
    world._latched[NORTH] = "hot"
    outage(world, 5)
    assert world.state.chambers[NORTH].cutoff.latched == "hot"
