"""The story of the rehearsed season: it can happen as it is told, and the shed is a shed."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from functools import cache
from itertools import pairwise
from pathlib import Path

import pytest

from bottomheat.config import Config
from bottomheat.rehearse_season import change_of
from bottomheat.season import request
from bottomheat.season.ledger import UNHEATED, Dated, Season, fold
from bottomheat.season.season_story import (
    BATCHES,
    BEGINS,
    CUT_AT,
    DRY_RUN_AT,
    ENDS,
    LAST,
    NORTH,
    SEASON,
    SOUTH,
    Cut,
    Put,
    Say,
    Use,
    story,
    to_ms,
    winter_shed,
)

LOG = Path("/nowhere/log.sqlite")


def config(*, north: bool = True, south: bool = True) -> Config:
    found = change_of(LOG, {NORTH: north, SOUTH: south}).config
    assert found is not None
    return found


@cache
def played(until: datetime = ENDS) -> tuple[list[Dated], list[str], list[str]]:
    """The ledger after the story's commands, what was refused, and the conflicts that were said."""
    boxes = {NORTH: False, SOUTH: False}
    now = config(north=False, south=False)
    entries: list[Dated] = []
    refused, conflicts, last = [], [], None
    for act in story():
        if act.at > until:
            break
        if isinstance(act, Use):
            boxes[act.box] = act.in_use
            now = config(north=boxes[NORTH], south=boxes[SOUTH])
        if not isinstance(act, Say) or act.request["do"] != "season":
            continue
        asked = dict(act.request)
        if asked.get("corrects") == LAST:
            asked["corrects"] = last
        done = request.handle(entries, now, asked, to_ms(act.at), 0.0, clock_sure=True)
        if not done.answer["ok"] or not done.answer["kept"]:
            refused.append(f"{act.at} {asked}: {done.answer}")
        conflicts += done.answer.get("conflicts", [])
        last = done.answer.get("number", last)
        for entry in done.entries:
            entries.append(Dated(len(entries) + 1, to_ms(act.at), True, entry))
    return entries, refused, conflicts


@pytest.fixture(scope="module")
def season() -> Season:
    entries, refused, _ = played()
    assert refused == []
    return fold(entries)


def test_every_command_is_taken_and_says_something_new(season: Season) -> None:
    assert season.problems == ()
    assert tuple(season.batches) == BATCHES
    assert [name for name, _ in season.closed] == [SEASON]


def test_the_story_is_told_in_order_and_within_its_time() -> None:
    times = [act.at for act in story()]
    assert all(early <= late for early, late in pairwise(times))
    assert times[0] > BEGINS
    assert times[-1] < ENDS
    assert timedelta(days=230) < ENDS - BEGINS < timedelta(days=250)


def test_it_has_what_a_season_may_bring(season: Season) -> None:
    acts = story()
    assert sum(isinstance(act, Cut) for act in acts) == 1
    assert any(isinstance(act, Say) and act.request["do"] == "away" for act in acts)
    looks = [look for batch in season.batches.values() for look in batch.looks]
    assert any(look.mould for look in looks)
    for batch in season.batches.values():
        assert len(batch.looks) >= 5
        assert len(batch.stages) == 3
        assert batch.stays[-1].place == UNHEATED
        assert not batch.open
        assert set(batch.endings) == {"callused", "rooted", "potted", "alive"}
    places = {stay.place for batch in season.batches.values() for stay in batch.stays}
    assert places == {NORTH, SOUTH, UNHEATED}
    assert season.batches["GRP-1"].at_latest == "lower-to 18"


def test_after_mould_it_is_looked_for_every_day_of_a_week(season: Season) -> None:
    batch = season.batches["BLC-1"]
    first = next(look.at_ms for look in batch.looks if look.mould)
    days = {(look.at_ms - first + 43_200_000) // 86_400_000 for look in batch.looks}
    assert set(range(8)) <= days


def test_the_look_that_was_wrong_is_corrected_and_both_stay() -> None:
    entries, _, _ = played()
    wrong = [dated for dated in entries if dated.entry.data.get("rooted") == 9]
    mended = [dated for dated in entries if dated.entry.corrects is not None]
    assert len(mended) == 1
    assert mended[0].entry.corrects in {dated.number for dated in wrong}
    held = {look.at_ms: look.rooted for look in fold(entries).batches["MUL-1"].looks}
    assert held[to_ms(datetime(2027, 2, 7, 10, 25, tzinfo=UTC))] == 4


def test_two_that_want_different_things_are_said_to_and_not_averaged() -> None:
    _, _, conflicts = played(datetime(2027, 2, 1, 9, tzinfo=UTC))
    assert len(conflicts) == 1
    assert "MUL-1 (mulberry, rooting) wants 18 to 20" in conflicts[0]
    assert "stays at 24 for GRP-1: move it" in conflicts[0]


def test_nothing_lies_in_a_box_that_is_not_in_use_or_not_filled() -> None:
    entries, _, _ = played()
    filled, in_use = set[str](), set[str]()
    for act in story():
        match act:
            case Put(what="fill"):
                filled.add(act.box)
            case Put(what="clear"):
                filled.discard(act.box)
            case Use():
                (in_use.add if act.in_use else in_use.discard)(act.box)
            case _:
                pass
        now = fold(entries, to_ms(act.at))
        for box in (NORTH, SOUTH):
            if now.inside(box):
                assert box in filled, (act.at, box)
                assert box in in_use, (act.at, box)


def test_the_box_runs_48_hours_before_the_first_batch(season: Season) -> None:
    first = min(batch.made_ms for batch in season.batches.values())
    warm_up_h = 20.0
    assert first - to_ms(DRY_RUN_AT) >= (48 + warm_up_h) * 3_600_000
    assert to_ms(CUT_AT) > first


@pytest.mark.parametrize("seed", [1, 2, 7])
def test_the_shed_is_cold_in_january_and_mild_in_may(seed: int) -> None:
    room = winter_shed(seed)
    assert -2.0 < room.coldest_c < 4.0
    assert 14.0 < room.warmest_c < 23.0

    def mean_c(month: int, year: int) -> float:
        start = (datetime(year, month, 1, tzinfo=UTC) - BEGINS) / timedelta(hours=1)
        return sum(room(start + hour) for hour in range(24 * 28)) / (24 * 28)

    january, may, october = mean_c(1, 2027), mean_c(5, 2027), mean_c(10, 2026)
    assert january < 8.0 < october < 14.0
    assert january < may
    # Warmest in the afternoon, on most days.
    warm = sum(room(24.0 * day + 15.0) > room(24.0 * day + 4.0) for day in range(240))
    assert warm > 220


def test_the_same_seed_gives_the_same_shed() -> None:
    one, same, other = winter_shed(3), winter_shed(3), winter_shed(4)
    assert [one(h) for h in range(0, 5000, 7)] == [same(h) for h in range(0, 5000, 7)]
    assert one(100.0) != other(100.0)


def test_the_config_of_the_story_differs_by_what_is_in_use_alone() -> None:
    one, other = config(north=False), config(south=False)
    assert (one.chambers[NORTH].in_use, one.chambers[SOUTH].in_use) == (False, True)
    assert (other.chambers[NORTH].in_use, other.chambers[SOUTH].in_use) == (True, False)
    assert one.chambers[NORTH].callus_zone_c == other.chambers[NORTH].callus_zone_c
