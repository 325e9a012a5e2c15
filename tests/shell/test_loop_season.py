"""The season in the daemon's loop: what is entered counts, is kept, and moves the setpoint."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import pytest

from bottomheat.model import Alarm, EventKind
from bottomheat.ports import ConfigChange, Handler
from bottomheat.season import orders
from bottomheat.season.ledger import Dated, SeasonEntry, What, fold
from bottomheat_drivers.desk_file import MemoryDesk
from loopbench import BOX, Bench, config

NOW_MS = 1_800_000_000_000
ADDED = {
    "do": "season",
    "what": "add",
    "batch": "PEA-1",
    "chamber": BOX,
    "data": {"species": "peach", "kind": "cuttings", "count": 40},
}


def asks(bench: Bench, turn: int, request: Mapping[str, Any]) -> list[Mapping[str, Any]]:
    """Have something asked after a turn; returns where the answer will be."""
    answers: list[Mapping[str, Any]] = []
    bench.desk.plan[turn] = lambda handler: answers.append(handler(request))
    return answers


def setpoints(bench: Bench) -> list[float]:
    return [record.setpoint_c for record in bench.journal.records]


def written(**batch: Any) -> dict[str, Any]:
    line = {"species": "mulberry", "count": 40, "made": "2027-01-05", "chamber": BOX, **batch}
    return {"batches": {"MUL-1": line}}


def test_a_batch_that_is_added_moves_the_setpoint_at_the_next_cycle() -> None:
    bench = Bench(turns=6)
    answers = asks(bench, 3, ADDED)
    bench.loop.run()
    assert answers[0]["ok"], answers
    assert setpoints(bench) == [25.0] * 4 + [20.0] * 2
    (entry,) = bench.journal.season
    assert (entry.what, entry.batch, entry.chamber) == (What.ADD, "PEA-1", BOX)
    told = [e for e in bench.journal.events if e.kind is EventKind.SEASON]
    assert all(event.durable for event in told)
    assert any("20" in event.text and "PEA-1" in event.text for event in told)


def test_one_that_is_refused_changes_nothing() -> None:
    bench = Bench(turns=6)
    answers = asks(bench, 3, {**ADDED, "data": {"species": "peach", "count": -4}})
    bench.loop.run()
    assert not answers[0]["ok"]
    assert not bench.journal.season
    assert set(setpoints(bench)) == {25.0}


def test_status_says_who_rules() -> None:
    bench = Bench(turns=6)
    asks(bench, 2, ADDED)
    answers = asks(bench, 4, {"do": "status"})
    bench.loop.run()
    season = answers[0]["chambers"][0]["season"]
    assert (season["lead"], season["wanted_c"]) == ("PEA-1", 20.0)


def test_what_the_file_says_is_entered_once_over_restarts() -> None:
    first = Bench(turns=3, made=config(written()))
    first.loop.run()
    ledger = [Dated(n, NOW_MS, True, e) for n, e in enumerate(first.journal.season, 1)]
    assert set(fold(ledger).batches) == {"MUL-1"}
    again = Bench(turns=3, made=config(written()), ledger=ledger)
    again.loop.run()
    assert not again.journal.season
    assert setpoints(again) == setpoints(first)


def test_an_edit_of_the_file_moves_a_batch_on_while_it_runs() -> None:
    bench = Bench(turns=8, made=config(written()))

    def edit(_: Handler) -> None:
        changed = config(written(stage="rooting"))
        bench.source.next = ConfigChange(changed, "text", "sum", ())

    bench.desk.plan[3] = edit
    bench.loop.run()
    assert [e.what for e in bench.journal.season].count(What.STAGE) == 1
    told = [e.text for e in bench.journal.events if e.kind is EventKind.SEASON]
    assert any("lowered from 25 to 20" in text for text in told)
    accepted = [e.text for e in bench.journal.events if e.kind is EventKind.CONFIG_ACCEPTED]
    assert len(accepted) == 1
    assert "callus_zone" not in accepted[0], "what is in force is no edit of the grower's"
    assert "batches.MUL-1.stage: callusing -> rooting" in accepted[0]


def test_a_setpoint_on_its_way_down_goes_on_after_a_restart() -> None:
    memory = MemoryDesk({"known_ms": NOW_MS, "boxes": {BOX: [22.4, 25.0, 28.0, True]}})
    add = SeasonEntry(What.ADD, "MUL-1", BOX, {**ADDED["data"], "species": "mulberry"})  # type: ignore[dict-item]
    stage = SeasonEntry(What.STAGE, "MUL-1", data={"stage": "hardening-off"})
    ledger = [Dated(1, NOW_MS - 2, True, add), Dated(2, NOW_MS - 1, True, stage)]
    bench = Bench(turns=3, ledger=ledger, setpoints=memory)
    bench.loop.run()
    assert setpoints(bench) == [22.4] * 3


def test_an_unreadable_ledger_keeps_the_setpoints_and_refuses_entries() -> None:
    memory = MemoryDesk({"known_ms": NOW_MS, "boxes": {BOX: [18.0, 25.0, 28.0, True]}})
    bench = Bench(turns=6, setpoints=memory, ledger_trouble="it is damaged", made=config(written()))
    answers = asks(bench, 3, ADDED)

    def edit(_: Handler) -> None:
        changed = config(written(stage="rooting"))
        bench.source.next = ConfigChange(changed, "text", "sum", ())

    bench.desk.plan[4] = edit
    bench.loop.run()
    assert set(setpoints(bench)) == {18.0}
    assert not answers[0]["ok"]
    assert "damaged" in answers[0]["error"]
    assert not bench.journal.season, "nothing of the file is entered a second time"
    assert memory.saved == [{"known_ms": NOW_MS, "boxes": {BOX: [18.0, 25.0, 28.0, True]}}]


def test_that_it_is_unreadable_is_told_with_what_stays() -> None:
    memory = MemoryDesk({"known_ms": NOW_MS, "boxes": {BOX: [18.0, 25.0, 28.0, True]}})
    bench = Bench(turns=3, setpoints=memory, ledger_trouble="it is damaged")
    bench.loop.run()
    (event,) = (e for e in bench.journal.events if e.kind is EventKind.SEASON)
    assert event.durable
    assert "18 °C" in event.text
    assert "28" in event.text


def test_a_fault_of_the_seasons_own_leaves_the_heat_and_the_setpoints_alone(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    bench = Bench(turns=12)
    asks(bench, 2, ADDED)

    def break_it(_: Handler) -> None:
        monkeypatch.setattr(orders, "rule", lambda *_: 1 / 0)

    bench.desk.plan[4] = break_it
    answers = asks(bench, 11, ADDED)
    bench.clock.set(bench.clock.monotonic_s())
    bench.loop.run()
    assert setpoints(bench)[-1] == 20.0
    assert bench.service.cycles == 12
    assert bench.keeper.leases[-1].heat
    assert not answers[0]["ok"]


def test_setpoints_that_cannot_be_kept_are_told() -> None:
    memory = MemoryDesk()
    memory.failing = "the card is full"
    bench = Bench(turns=3, setpoints=memory)
    bench.loop.run()
    assert [e.text for e in bench.journal.events if e.kind is EventKind.LOG] == ["the card is full"]


def test_a_strange_memory_of_setpoints_begins_anew_by_the_rule() -> None:
    bench = Bench(turns=3, setpoints=MemoryDesk({"boxes": "warm"}))
    bench.loop.run()
    assert set(setpoints(bench)) == {25.0}


def test_a_warm_day_at_the_buds_is_told() -> None:
    probes = {
        "substrate": "28-000000000001",
        "room": "28-000000000002",
        "mat": "28-000000000003",
        "top": "28-000000000006",
    }
    made = config({**written(), "cycle": 60}, probes=probes)
    bench = Bench(turns=25 * 60, made=made)
    bench.loop.run()
    assert Alarm.TOP_WARM not in bench.raised(), "the probe says nothing"
    bench = Bench(turns=25 * 60, made=made, top="14.0")
    bench.loop.run()
    assert Alarm.TOP_WARM in bench.raised()


def test_what_was_entered_before_the_clock_was_set_is_placed_once_it_is() -> None:
    bench = Bench(turns=9)
    bench.clock.set_wall(5_000, synchronised=False)
    asks(bench, 2, ADDED)

    def set_clock(_: Handler) -> None:
        bench.clock.set_wall(NOW_MS, synchronised=True)

    bench.desk.plan[4] = set_clock
    bench.loop.run()
    (batch,) = bench.loop._seasonal._season.batches.values()
    entered_ms = batch.stays[0].from_ms
    assert NOW_MS - 60_000 < entered_ms < NOW_MS, "some cycles before the clock was set"
