"""The loop counts how often relays close, over restarts, and says when one is worn."""

from __future__ import annotations

from typing import Any

import pytest

from bottomheat import contacts
from bottomheat.config import Config
from bottomheat.model import Alarm, EventKind
from bottomheat.ports import Handler
from bottomheat.season.ledger import Dated, SeasonEntry, What
from bottomheat_drivers.desk_file import DeskFile, MemoryDesk, contacts_file
from loopbench import BOX, Bench, config

NOW_MS = 1_800_000_000_000
CHANGED = {"do": "season", "what": "done", "data": {"reminder": "relay"}, "target": BOX}


def rated(closings: int = 1000, **changes: Any) -> Config:
    heater = {"gpio": 17, "watts": 45.0, "rated_closings": closings, "window": 60}
    return config(heater=heater, callus_zone=18.0, **changes)  # as warm as the probes say


def in_series() -> Config:
    return rated(keeper={"series_relay": {"gpio": 27}})


def kept(closings: int, logged: int | None = None, which: str = "relay", **more: Any) -> MemoryDesk:
    count = {"ever": closings, "logged": logged, "begun_ms": None, "changes": [], "days": []}
    return MemoryDesk({"boxes": {BOX: {which: {**count, **more}}}})


def shown(bench: Bench, which: str = "relay") -> dict[str, Any]:
    answer = bench.loop.handle({"do": "status"})
    found: dict[str, Any] = answer["chambers"][0]["contacts"][which]
    return found


def closings(bench: Bench) -> int:
    """As the log has them."""
    return bench.journal.records[-1].closings


def logs(bench: Bench) -> list[str]:
    return [event.text for event in bench.journal.events if event.kind is EventKind.LOG]


def test_closings_are_counted_and_kept_at_the_end() -> None:
    memory = MemoryDesk()
    bench = Bench(turns=90, made=rated(), contacts=memory)
    bench.loop.run()
    assert closings(bench) >= 3
    assert shown(bench)["closings"] == closings(bench)
    assert memory.saved[-1]["boxes"][BOX]["relay"]["ever"] == closings(bench)
    again = Bench(turns=90, made=rated(), contacts=memory, logged={BOX: closings(bench)})
    again.loop.run()
    assert shown(again)["closings"] == closings(bench) + closings(again)


def test_after_a_kill_the_log_knows_what_closed_since() -> None:
    bench = Bench(turns=4, contacts=kept(700, logged=650), logged={BOX: 680})
    bench.loop.run()
    assert shown(bench)["closings"] == 730 + closings(bench)


def test_a_new_log_takes_nothing_away() -> None:
    bench = Bench(turns=4, contacts=kept(700, logged=650), logged={})
    bench.loop.run()
    assert shown(bench)["closings"] == 700 + closings(bench)


def test_a_new_log_is_known_as_such_from_the_first_turn_on() -> None:
    memory = kept(700, logged=650)
    bench = Bench(turns=9, made=rated(), contacts=memory, logged={BOX: 20})
    seen: list[Any] = []
    bench.desk.plan[0] = lambda _: seen.append(memory.saved[-1]["boxes"][BOX]["relay"])
    bench.loop.run()
    assert (seen[0]["ever"], seen[0]["logged"]) == (700, 20)
    killed = MemoryDesk({"boxes": {BOX: {"relay": seen[0]}}})
    again = Bench(turns=4, contacts=killed, logged={BOX: 25})
    again.loop.run()
    assert shown(again)["closings"] == 705 + closings(again)


def test_a_log_that_cannot_be_read_takes_nothing_away() -> None:
    bench = Bench(turns=4, contacts=kept(700, logged=650), logged=None, ledger_trouble="damaged")
    bench.loop.run()
    assert shown(bench)["closings"] == 700 + closings(bench)


def test_a_worn_relay_is_an_alarm_before_it_is_spent() -> None:
    bench = Bench(turns=4, made=rated(), contacts=kept(700))
    bench.loop.run()
    assert Alarm.RELAY_WORN not in bench.raised()
    bench = Bench(turns=9, made=rated(), contacts=kept(800))
    bench.loop.run()
    assert Alarm.RELAY_WORN in bench.raised()
    (alarm,) = bench.loop.handle({"do": "status"})["alarms"]
    assert (alarm["alarm"], alarm["level"], alarm["chamber"]) == ("relay-worn", "morning", BOX)
    assert f"closed {800 + closings(bench)} of 1 000 times" in alarm["text"]
    assert any(lease.heat for lease in bench.keeper.leases), "a worn relay heats on"
    for made in (rated(in_use=False), config(heater={"gpio": 17, "watts": 45.0, "rated_closings":
                 1000, "relay": "solid-state"})):  # fmt: skip
        bench = Bench(turns=4, made=made, contacts=kept(2000))
        bench.loop.run()
        assert Alarm.RELAY_WORN not in bench.raised()


def test_a_changed_relay_counts_from_nothing_and_ends_the_alarm() -> None:
    memory = kept(900)
    bench = Bench(turns=90, made=rated(), contacts=memory)
    answers: list[Any] = []
    bench.desk.plan[40] = lambda handler: answers.append(handler(CHANGED))
    bench.desk.plan[43] = lambda _: answers.append(len(memory.saved))
    bench.loop.run()
    assert answers[0]["ok"]
    assert answers[1] == 3, "kept at once, as at the start"
    cleared = [e.alarm for e in bench.journal.events if e.kind is EventKind.ALARM_CLEARED]
    assert Alarm.RELAY_WORN in cleared
    found = shown(bench)
    assert 0 < found["closings"] < closings(bench)
    assert found["since_ms"] is not None
    # A lost log, and with it the ledger: the change is still known.
    again = Bench(turns=4, made=rated(), contacts=memory, logged={})
    again.loop.run()
    assert shown(again)["closings"] == found["closings"] + closings(again)
    assert Alarm.RELAY_WORN not in again.raised()


def test_a_change_that_is_taken_back_is_no_change() -> None:
    done = SeasonEntry(What.DONE, None, BOX, {"reminder": "relay"})
    back = SeasonEntry(What.WITHDRAW, corrects=1)
    memory = kept(900, changes=[[NOW_MS - 9, 880]])
    ledger = [Dated(1, NOW_MS - 9, True, done)]
    bench = Bench(turns=4, made=rated(), contacts=memory, ledger=ledger)
    bench.loop.run()
    assert shown(bench)["closings"] == 20 + closings(bench)
    ledger.append(Dated(2, NOW_MS - 1, True, back))
    bench = Bench(turns=4, made=rated(), contacts=kept(900, changes=[[NOW_MS - 9, 880]]),
                  ledger=ledger)  # fmt: skip
    bench.loop.run()
    assert shown(bench)["closings"] == 900 + closings(bench)


@pytest.mark.parametrize("payload", [{"boxes": 5}, [], {"boxes": {BOX: {"relay": {"ever": -1}}}}])
def test_a_strange_count_is_said_and_the_log_is_gone_by(payload: Any) -> None:
    bench = Bench(turns=4, contacts=MemoryDesk(payload), logged={BOX: 4711})
    bench.loop.run()
    assert shown(bench)["closings"] == 4711 + closings(bench)
    assert any(
        "not what is kept there" in text or "count of a relay" in text for text in logs(bench)
    )
    assert any(lease.heat for lease in bench.keeper.leases[-8:])


def test_a_damaged_file_is_said_and_heat_goes_on(tmp_path) -> None:
    first = contacts_file(tmp_path)
    first.save({"boxes": {}})
    first.close()
    path = tmp_path / "contacts.json"
    path.write_bytes(path.read_bytes().replace(b"boxes", b"foxes"))
    store = contacts_file(tmp_path)
    assert isinstance(store, DeskFile)
    bench = Bench(turns=4, contacts=store)  # type: ignore[arg-type]
    bench.loop.run()
    store.close()
    assert sum("contacts.json" in text and "checksum" in text for text in logs(bench)) == 1
    found = shown(bench)
    assert found["closings"] == closings(bench)
    assert found["begun_ms"] is not None
    assert any(lease.heat for lease in bench.keeper.leases[-8:])
    assert contacts_file(tmp_path).load()["boxes"][BOX]["relay"]["ever"] == closings(bench)


def test_a_full_card_is_said_once() -> None:
    memory = MemoryDesk()
    bench = Bench(turns=8, contacts=memory)

    def fill(_: Handler) -> None:
        memory.failing = "the card is full"

    bench.desk.plan[2] = fill
    bench.loop.run()
    assert logs(bench) == ["the card is full"]


@pytest.mark.parametrize("part", ["closed", "life_of", "to_plain", "contacts_of"])
def test_a_fault_of_the_counts_own_leaves_the_heat_alone(part, monkeypatch) -> None:
    monkeypatch.setattr(contacts, part, lambda *_: 1 / 0)
    bench = Bench(turns=12, made=rated(), contacts=kept(2000))
    bench.loop.run()
    assert bench.service.cycles == 12
    assert any(lease.heat for lease in bench.keeper.leases[-8:])
    assert sum("no longer counted" in text for text in logs(bench)) == 1
    assert bench.loop.handle({"do": "status"})["ok"]


def test_the_series_relay_is_counted_as_the_keeper_says() -> None:
    memory = MemoryDesk()
    bench = Bench(turns=20, made=in_series(), contacts=memory)
    bench.keeper.series = True  # it was closed before this run: that is counted already

    def series(closed: bool) -> Any:
        return lambda _: setattr(bench.keeper, "series", closed)

    def new_keeper(_: Handler) -> None:
        bench.keeper.pid = 2

    bench.desk.plan |= {4: series(False), 6: series(True), 8: series(False), 10: series(True)}
    bench.desk.plan[14] = new_keeper  # it begins with an open line
    bench.loop.run()
    assert shown(bench, "series-relay")["closings"] == 3
    assert len(memory.saved) >= 3, "each at once: no log counts them"
    assert memory.saved[-1]["boxes"][BOX]["series-relay"]["ever"] == 3


def test_a_worn_series_relay_is_named() -> None:
    bench = Bench(turns=4, made=in_series(), contacts=kept(850, which="series-relay"))
    bench.loop.run()
    assert Alarm.RELAY_WORN in bench.raised()
    (alarm,) = bench.loop.handle({"do": "status"})["alarms"]
    assert "the series relay has closed 850 of 1 000 times" in alarm["text"]


def test_the_counts_of_a_box_that_is_gone_stay() -> None:
    memory = kept(5)
    memory.saved[-1]["boxes"]["attic"] = {"relay": memory.saved[-1]["boxes"][BOX]["relay"]}
    Bench(turns=90, made=rated(), contacts=memory).loop.run()
    assert len(memory.saved) > 1
    assert memory.saved[-1]["boxes"]["attic"]["relay"]["ever"] == 5
