"""Which relays the boxes have, when each was changed, and what is due."""

from __future__ import annotations

import pytest

from bottomheat.relay_life import Count, Life, to_plain
from bottomheat.season import reminders, request
from bottomheat.season.ledger import Dated, Season, SeasonEntry, What, fold
from bottomheat.season.relays import contacts_of, counts_of, life_of, told
from bottomheat.season.today import today
from loopbench import BOX, config

NOW_MS = 1_800_000_000_000
HEAT = (BOX, "relay")
SERIES = (BOX, "series-relay")


def done(number: int, at_ms: int, which: str = "relay", box: str | None = BOX) -> Dated:
    entry = SeasonEntry(What.DONE, None, box, {"reminder": which})
    return Dated(number, at_ms, True, entry)


def withdrawn(number: int, of: int) -> Dated:
    return Dated(number, NOW_MS, True, SeasonEntry(What.WITHDRAW, corrects=of))


def two_relays():
    return config(keeper={"series_relay": {"gpio": 27}})


def test_a_box_has_one_relay_or_two():
    assert contacts_of(config()) == (HEAT,)
    assert contacts_of(two_relays()) == (HEAT, SERIES)


def test_the_last_change_counts_and_what_was_taken_back_does_not():
    entries = [done(1, 5), done(2, 9), done(3, 7, "series-relay"), done(4, 8, "layer")]
    assert told(entries) == {HEAT: 9, SERIES: 7}
    assert told([*entries, withdrawn(5, 2)]) == {HEAT: 5, SERIES: 7}
    assert told([*entries, withdrawn(5, 2), withdrawn(6, 1)]) == {HEAT: None, SERIES: 7}
    assert told([done(1, 5, box=None)]) == {}


def test_what_the_ledger_has_lost_the_count_remembers():
    count = Count(500, changes=((3, 100), (5, 480)))
    assert life_of(HEAT, count, config(), {}, None).closings == 20
    assert life_of(HEAT, count, config(), {HEAT: 3}, None).closings == 400
    assert life_of(HEAT, count, config(), {HEAT: None}, None).closings == 500


def test_a_relay_without_a_contact_has_no_rated_life():
    heater = {"gpio": 17, "watts": 45.0, "relay": "solid-state"}
    assert life_of(HEAT, Count(10**9), config(heater=heater), {}, None).rated is None


def test_what_was_kept_is_read_back_or_refused():
    count = Count(5, 4)
    assert counts_of({"boxes": {BOX: {"relay": to_plain(count)}}}) == {HEAT: count}
    assert counts_of(None) == {}
    for payload in ([], 5, {}, {"boxes": 5}, {"boxes": {BOX: []}}, {"boxes": {BOX: {"relay": 5}}}):
        with pytest.raises(ValueError, match="kept there"):
            counts_of(payload)


def test_a_worn_relay_is_due_until_it_is_changed():
    lives = {HEAT: Life(81_240, 100_000), SERIES: Life(10, 100_000)}
    (due,) = reminders.due(Season(), two_relays(), NOW_MS, lives)
    assert (due.place, due.batch, due.urgent) == (BOX, None, False)
    assert due.words == (
        "the relay is worn: have it changed by somebody licensed, with the power off "
        "(closed 81 240 of 100 000 times)"
    )
    assert reminders.due(Season(), two_relays(), NOW_MS, {HEAT: Life(5, 100_000)}) == []
    assert reminders.due(Season(), two_relays(), NOW_MS) == []
    assert len(reminders.due(Season(), two_relays(), None, lives)) == 1, "it goes by no day"
    quiet = config({"season": {"reminders": {"relay": 0}}})
    assert reminders.due(Season(), quiet, NOW_MS, lives | {SERIES: Life(1, 2)}) == []


def test_today_says_it_with_the_command_and_does_not_ask_to_open_the_box():
    lives = {HEAT: Life(100_001, 100_000)}
    found = today(config(), Season(), {}, NOW_MS, clock_sure=True, lives=lives)
    (task,) = found.boxes[0].tasks
    assert task.command == f"bottomheat done relay {BOX}"
    assert found.before == ""
    assert found.rules == ()


def asked(made, **what):
    return request.handle([], made, {"do": "season", "what": "done", **what}, NOW_MS, 5.0,
                          clock_sure=True, in_force_c={})  # fmt: skip


def test_a_change_is_entered_for_its_box():
    answer = asked(config(), data={"reminder": "relay"})
    assert answer.answer["ok"]
    (entry,) = answer.entries
    assert (entry.what, entry.chamber, entry.batch) == (What.DONE, BOX, None)
    assert told([Dated(1, NOW_MS, True, entry)]) == {HEAT: NOW_MS}
    assert asked(two_relays(), data={"reminder": "series-relay"}, target=BOX).answer["ok"]
    refused = asked(config(), data={"reminder": "series-relay"}, target=BOX)
    assert "no box has a series relay" in refused.answer["error"]
    assert refused.entries == ()


def test_of_several_boxes_the_one_has_to_be_said():
    one = config().model_dump(mode="json", by_alias=True)["chambers"][BOX]
    other = {
        **one,
        "heater": {"gpio": 22, "watts": 45.0},
        "probes": {"substrate": "28-0000000000bb"},
    }
    made = type(config()).model_validate({"chambers": {BOX: one, "south-bench": other}})
    refused = asked(made, data={"reminder": "relay"})
    assert "of which box" in refused.answer["error"]
    assert (
        asked(made, data={"reminder": "relay"}, target="south").entries[0].chamber == "south-bench"
    )


def test_a_fold_of_it_is_no_trouble():
    season = fold([done(1, 5), withdrawn(2, 1)])
    assert season.problems == ()
