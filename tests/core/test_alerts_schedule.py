"""Which messages are due: alarms at once and again, the morning, a silent service."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import UTC, datetime, timedelta, timezone, tzinfo
from itertools import pairwise
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from alarms import START_MS, alarm, answer, box
from bottomheat.alarm_words import TOLD, Level
from bottomheat.alerts.answer import parse_answer
from bottomheat.alerts.message import Message, Moment
from bottomheat.alerts.schedule import (
    SILENT_TOPIC,
    Heard,
    Memory,
    Settings,
    advance,
)
from bottomheat.model import Alarm

POLL_S = 10.0
DAY_S = 86_400.0
ZONE = timezone(timedelta(hours=1))  # START_MS is 07:50 there


class Alerts:
    """The schedule polled over time, with a wall clock that can be set and a restart in between."""

    def __init__(self, *, synchronised: bool = True, **options: Any) -> None:
        self.settings = Settings(**{"zone": ZONE, "daily": False, **options})
        self.now_s = 0.0
        self.offset_ms = START_MS
        self.synchronised = synchronised
        self.memory = Memory()
        self.heard = Heard(self.now, from_start=True)
        self.all: list[Message] = []

    @property
    def now(self) -> Moment:
        return Moment(self.now_s, self.offset_ms + round(self.now_s * 1000), self.synchronised)

    def poll(self, data: Mapping[str, Any] | None, after_s: float = POLL_S) -> list[Message]:
        self.now_s += after_s
        self.memory, self.heard, made = advance(
            self.memory, self.heard, parse_answer(data), self.now, self.settings
        )
        self.all += made
        return list(made)

    def polls(self, data: Mapping[str, Any] | None, for_s: float, every_s: float = POLL_S) -> None:
        for _ in range(round(for_s / every_s)):
            self.poll(data, every_s)

    def restart(self) -> None:
        self.memory = Memory.model_validate_json(self.memory.model_dump_json())
        self.heard = Heard(self.now, from_start=True)

    def kinds(self) -> list[str]:
        return [message.kind for message in self.all]


def test_an_urgent_alarm_is_said_at_once_and_every_quarter_of_an_hour() -> None:
    alerts = Alerts()
    (first,) = alerts.poll(answer(alarm()))
    assert (first.kind, first.urgent) == ("alarm", True)
    assert first.title == "NOW north-bench: The relay is stuck on"
    for part in ("First: Unplug the mat.", "How long: About 3 hours.", "Since 07:50.", "grey plug"):
        assert part in first.text
    assert "bottomheat ack north-bench/relay-stuck-on" in first.text
    alerts.polls(answer(alarm()), 3600)
    times_s = [message.made_s for message in alerts.all]
    assert times_s == [10, 910, 1810, 2710, 3610]
    assert "said 5 times, nobody has seen it" in alerts.all[-1].text


@pytest.mark.parametrize(
    "after",
    [
        alarm(seen=True, state="seen"),
        alarm(seen=True, state="needs reset"),
        alarm(state="paused", paused_until_ms=START_MS),
    ],
)
def test_seen_or_paused_ends_the_repeats(after: dict[str, Any]) -> None:
    alerts = Alerts()
    alerts.poll(answer(alarm()))
    alerts.polls(answer(after), 7200)
    assert alerts.kinds() == ["alarm"]


def test_the_end_of_a_pause_says_it_again() -> None:
    alerts = Alerts()
    alerts.poll(answer(alarm()))
    alerts.polls(answer(alarm(state="paused")), 3600)
    alerts.poll(answer(alarm()))
    assert alerts.kinds() == ["alarm", "alarm"]


def test_gone_unseen_is_said_once() -> None:
    alerts = Alerts()
    alerts.poll(answer(alarm()))
    gone = alarm(state="gone but not seen", active=False, gone_ms=START_MS + 60_000)
    alerts.polls(answer(gone), 7200)
    assert alerts.kinds() == ["alarm", "over"]
    assert "Over: north-bench: The relay is stuck on. Look anyway" in alerts.all[1].text
    assert "Since 07:50, over at 07:51." in alerts.all[1].text
    alerts.poll(answer(alarm()))
    assert alerts.kinds() == ["alarm", "over", "alarm"], "here again is news"
    assert "said" not in alerts.all[2].text


def test_come_and_gone_between_two_polls_is_said_all_the_same() -> None:
    alerts = Alerts()
    alerts.polls(answer(alarm(state="gone but not seen", active=False)), 60)
    assert alerts.kinds() == ["over"]
    assert "came and went" in alerts.all[0].text


def test_no_longer_listed_is_over_unless_somebody_had_seen_it() -> None:
    unseen, seen = Alerts(), Alerts()
    unseen.poll(answer(alarm()))
    unseen.polls(answer(), 60)
    assert unseen.kinds() == ["alarm", "over"]
    seen.poll(answer(alarm()))
    seen.poll(answer(alarm(seen=True, state="seen")))
    seen.polls(answer(), 60)
    assert seen.kinds() == ["alarm"]


def test_a_new_serial_is_a_new_alarm() -> None:
    alerts = Alerts()
    alerts.poll(answer(alarm()))
    alerts.poll(answer(alarm(serial=2)))
    assert alerts.kinds() == ["alarm", "alarm"]


def test_an_alarm_that_turns_urgent_is_said_at_once() -> None:
    alerts = Alerts()
    alerts.polls(answer(alarm(level="morning")), 600)
    assert alerts.all == []
    alerts.poll(answer(alarm()))
    assert alerts.kinds() == ["alarm"]


def test_away_puts_the_helper_first() -> None:
    alerts = Alerts()
    away = {"until_ms": START_MS + 3 * 86_400_000, "since_ms": START_MS}
    (message,) = alerts.poll(answer(alarm(), away=away))
    assert message.text.startswith("Unplug the grey plug, leave the lid on.\n")
    alerts.polls(answer(alarm(), away=away), 2 * DAY_S, 600)
    mornings = [m for m in alerts.all if m.kind == "morning"]
    assert len(mornings) == 2, "away, the message comes each day whatever the config says"
    assert mornings[0].text.startswith("north-bench: Unplug the grey plug, leave the lid on.\n")
    assert "Away until Mon 19 Jan 07:50." in mornings[0].text


def test_without_a_set_clock_no_time_of_day_is_told() -> None:
    alerts = Alerts(synchronised=False)
    (message,) = alerts.poll(answer(alarm()))
    assert "Since" not in message.text
    alerts.polls(None, 400)
    assert "for 5 min" in alerts.all[-1].text


def test_a_silent_service_is_said_after_five_minutes_and_again_and_when_it_is_over() -> None:
    alerts = Alerts(helper="Lay the two blankets over the box.")
    alerts.poll(answer(alarm()), 70)
    alerts.polls(None, 290)
    assert alerts.kinds() == ["alarm"]
    alerts.poll(None)
    silent = alerts.all[-1]
    assert (silent.kind, silent.urgent, silent.made_s) == ("silent", True, 370)
    assert "bottomheat has not answered since 07:51: heat is off unless" in silent.text
    assert "When last heard: north-bench: The relay is stuck on." in silent.text
    assert "blankets" not in silent.text
    alerts.polls(None, 1800)
    assert alerts.kinds() == ["alarm", "silent", "silent", "silent"]
    alerts.poll(answer(alarm(seen=True, state="seen")))
    assert alerts.kinds()[4:] == ["answers"]
    assert "it had not answered for 35 min" in alerts.all[-1].text
    alerts.polls(answer(), 600)
    assert len(alerts.all) == 5


def test_a_silent_service_while_away_names_what_the_helper_does() -> None:
    alerts = Alerts(helper="Lay the two blankets over the box.")
    alerts.poll(answer(away={"until_ms": START_MS + 10**9, "since_ms": START_MS}))
    alerts.restart()
    alerts.polls(None, 400)
    assert alerts.all[-1].text.startswith("Lay the two blankets over the box.\n")


def test_silence_is_not_said_sooner_than_five_minutes_after_its_own_start() -> None:
    alerts = Alerts()
    for _ in range(5):
        alerts.restart()
        alerts.polls(None, 290)
    assert alerts.all == []
    alerts.poll(None)
    assert "when the alerts began" in alerts.all[-1].text


def test_silence_that_was_told_is_not_told_again_by_a_restart() -> None:
    alerts = Alerts()
    alerts.poll(answer())
    alerts.polls(None, 310)
    alerts.restart()
    alerts.polls(None, 800)
    assert alerts.kinds() == ["silent"]
    alerts.polls(None, 200)
    assert alerts.kinds() == ["silent", "silent"]
    alerts.restart()
    alerts.poll(answer())
    assert alerts.kinds() == ["silent", "silent", "answers"]


def local(message: Message, zone: tzinfo = ZONE) -> str:
    utc = datetime.fromtimestamp(message.made_ms / 1000, UTC)
    return utc.astimezone(zone).strftime("%d %H:%M")


def test_one_message_each_morning_with_the_night_of_each_box() -> None:
    alerts = Alerts(daily=True)
    boxes = [box(), box("south-bench", low_c=None, high_c=None, in_band_frac=0.996)]
    alerts.polls(answer(boxes=boxes), 3 * DAY_S, 60)
    assert [local(m) for m in alerts.all] == ["17 07:30", "18 07:30", "19 07:30"]
    first = alerts.all[0]
    assert (first.kind, first.urgent, first.title) == ("morning", False, "Morning: all well")
    assert first.text.splitlines() == [
        "Overnight, at the bases:",
        "north-bench 24.7-25.2 °C, all in band, heat on 58 % of the time, "
        "now HOLDING, bases 25.0, set 25.0.",
        "south-bench night not measured, all in band, heat on 58 % of the time, "
        "now HOLDING, bases 25.0, set 25.0.",
        "No alarms.",
    ]


def test_not_daily_is_silent_when_all_is_well_and_not_otherwise() -> None:
    alerts = Alerts(daily=False)
    alerts.polls(answer(), 2 * DAY_S, 60)
    assert alerts.all == []
    lost = alarm("north-bench/room-lost", level="morning", what="room probe lost", first="Look")
    alerts.polls(answer(lost), DAY_S, 60)
    (message,) = alerts.all
    assert message.title == "Morning: 1 alarm"
    assert "! north-bench: room probe lost (since Fri 16 Jan 07:50). Look." in message.text


@pytest.mark.parametrize(
    "odd", [box(condition="CUT OUT"), box(estimate_c=None), box(in_band_frac=0.3)]
)
def test_all_well_is_not_said_of_a_box_that_is_not(odd: dict[str, Any]) -> None:
    alerts = Alerts()
    alerts.polls(answer(boxes=[box("south-bench"), odd]), DAY_S, 60)
    assert [m.title for m in alerts.all] == ["Morning: no alarms, but look at the boxes"]


def test_ninety_nine_percent_is_not_rounded_up() -> None:
    alerts = Alerts(daily=True)
    alerts.polls(answer(boxes=[box(in_band_frac=0.9949)]), DAY_S, 60)
    assert "99 % in band" in alerts.all[0].text


def test_first_start_before_the_morning_gets_its_message_on_the_same_day() -> None:
    alerts = Alerts(daily=True, morning="08:00")
    alerts.polls(answer(), 3600)
    assert [local(m) for m in alerts.all] == ["16 08:00"]


def test_morning_of_a_silent_service_does_not_say_that_all_is_well() -> None:
    alerts = Alerts(daily=True, morning="08:00")
    alerts.polls(answer(), 540)
    alerts.polls(None, 300)
    alerts.polls(None, 600)
    assert alerts.kinds() == ["silent", "morning"]
    assert "nothing is known of the night" in alerts.all[1].text


def test_one_missed_answer_only_puts_the_morning_off() -> None:
    alerts = Alerts(daily=True, morning="08:00")
    alerts.polls(answer(), 590)
    alerts.polls(None, 60)
    alerts.poll(answer())
    assert alerts.kinds() == ["morning"]


def test_without_a_set_clock_the_message_comes_a_day_after_the_last_and_says_so() -> None:
    alerts = Alerts(synchronised=False, daily=True)
    alerts.polls(answer(), 3 * DAY_S + 120, 60)
    assert [round(m.made_s / DAY_S, 2) for m in alerts.all] == [1.0, 2.0, 3.0]
    assert "The clock of the computer is not set" in alerts.all[0].text


def test_a_clock_that_is_set_soon_after_does_not_bring_a_second_message() -> None:
    alerts = Alerts(synchronised=False, daily=True)
    alerts.polls(answer(), DAY_S + 120, 60)
    assert len(alerts.all) == 1
    alerts.synchronised = True
    alerts.offset_ms = START_MS - 25 * 60_000  # now 07:27
    alerts.polls(answer(), 3600, 60)
    assert len(alerts.all) == 1
    alerts.polls(answer(), DAY_S, 60)
    assert len(alerts.all) == 2


def test_a_clock_that_was_a_year_ahead_does_not_end_the_messages() -> None:
    alerts = Alerts(daily=True)
    alerts.offset_ms += 365 * 86_400_000
    alerts.polls(answer(), DAY_S, 60)
    alerts.offset_ms = START_MS
    alerts.polls(answer(), 5 * DAY_S, 60)
    gaps_h = [(after.made_s - before.made_s) / 3600 for before, after in pairwise(alerts.all)]
    assert len(alerts.all) >= 5
    assert max(gaps_h) <= 26.02


def test_a_restart_after_the_morning_sends_what_was_missed_and_nothing_twice() -> None:
    alerts = Alerts(daily=True)
    alerts.polls(answer(), DAY_S, 60)
    alerts.now_s += 0.5 * DAY_S
    alerts.restart()
    alerts.polls(answer(), 600, 60)
    assert len(alerts.all) == 1
    alerts.now_s += 0.9 * DAY_S  # off over the next morning
    alerts.restart()
    alerts.polls(answer(), 600, 60)
    assert len(alerts.all) == 2
    alerts.restart()
    alerts.polls(answer(), 600, 60)
    assert len(alerts.all) == 2


class Summer(tzinfo):
    """An hour ahead from a given time on, as where clocks are changed in spring."""

    def __init__(self, from_ms: int, before_h: int, after_h: int) -> None:
        self.change = datetime.fromtimestamp(from_ms / 1000, UTC).replace(tzinfo=None)
        self.before, self.after = timedelta(hours=before_h), timedelta(hours=after_h)

    def fromutc(self, when: datetime) -> datetime:
        shift = self.after if when.replace(tzinfo=None) >= self.change else self.before
        return when + shift

    def utcoffset(self, when: datetime | None) -> timedelta:
        return self.before

    def dst(self, when: datetime | None) -> timedelta:
        return timedelta(0)


@pytest.mark.parametrize(
    ("before_h", "after_h", "days"), [(0, 1, "16 17 18 19 20"), (1, 0, "17 18 19")]
)
def test_a_change_of_the_clocks_neither_skips_nor_doubles_a_morning(
    before_h: int, after_h: int, days: str
) -> None:
    zone = Summer(START_MS + 36 * 3_600_000, before_h, after_h)
    alerts = Alerts(daily=True, zone=zone)
    alerts.polls(answer(), 4 * DAY_S, 60)
    assert [local(m, zone) for m in alerts.all] == [f"{day} 07:30" for day in days.split()]


IDS = ["north-bench/relay-stuck-on", "south-bench/cutoff", "house/log-failed"]
action = st.tuples(
    st.sampled_from(["raise", "raise", "see", "pause", "resume", "go", "silence", "restart", "-"]),
    st.sampled_from(IDS),
    st.sampled_from(["now", "now", "morning"]),
    st.integers(1, 150),
)


@settings(max_examples=120, deadline=None)
@given(st.lists(action, max_size=25))
def test_every_urgent_alarm_is_said_within_one_poll_and_again_until_seen(
    actions: list[tuple[str, str, str, int]],
) -> None:
    alerts = Alerts()
    standing: dict[str, dict[str, Any]] = {}
    said: dict[tuple[str, int], list[float]] = {}
    over: list[tuple[str, int]] = []
    serial, silent = 0, False
    for what, name, level, polls in actions:
        one = standing.get(name)
        if what == "raise" and one is None:
            serial += 1
            standing[name] = alarm(name, serial=serial, level=level)
        elif what == "see" and one is not None:
            if one["state"] == "gone but not seen":
                del standing[name]
            else:
                one.update(seen=True, state="seen")
        elif what == "pause" and one is not None and one["state"] == "new":
            one.update(state="paused")
        elif what == "resume" and one is not None and one["state"] == "paused":
            one.update(state="new")
        elif what == "go" and one is not None:
            if one["seen"]:
                del standing[name]
            else:
                one.update(state="gone but not seen", active=False)
        elif what == "silence":
            silent = not silent
        elif what == "restart":
            alerts.restart()
        for _ in range(polls):
            made = alerts.poll(None if silent else answer(*standing.values()))
            for message in made:
                if message.kind in ("alarm", "over"):
                    assert not silent
                    view = message.alarm
                    if view is None:
                        continue
                    assert view.level == "now"
                    if message.kind == "alarm":
                        assert standing[view.id]["state"] == "new"
                        said.setdefault((view.id, view.serial), []).append(alerts.now_s)
                    else:
                        assert standing[view.id]["state"] == "gone but not seen"
                        over.append((view.id, view.serial))
            for one in standing.values():
                key = (one["id"], one["serial"])
                if silent or one["level"] != "now":
                    continue
                if one["state"] == "new":
                    assert alerts.now_s - said[key][-1] < alerts.settings.repeat_s
                if one["state"] == "gone but not seen":
                    assert over.count(key) == 1
    for times_s in said.values():
        gaps_s = [b - a for a, b in pairwise(times_s)]
        assert all(gap_s >= alerts.settings.repeat_s for gap_s in gaps_s)
    ids = [message.id for message in alerts.all]
    assert len(ids) == len(set(ids))
    assert not any(m.topic == SILENT_TOPIC and m.kind == "alarm" for m in alerts.all)


def tonight(**changes: Any) -> dict[str, Any]:
    return alarm(
        **{
            "id": "north-bench/tonight",
            "alarm": "tonight",
            "level": "morning",
            "at_once": True,
            "what": "The mat will not hold the box tonight",
            **changes,
        }
    )


def test_it_is_said_once_and_not_as_something_urgent() -> None:
    alerts = Alerts()
    (first,) = alerts.poll(answer(tonight()))
    assert (first.kind, first.urgent) == ("alarm", False)
    assert first.title == "TODAY north-bench: The mat will not hold the box tonight"
    assert "First: " in first.text
    alerts.polls(answer(tonight()), 6 * 3600, 60.0)
    assert alerts.kinds() == ["alarm"]


def test_its_end_and_a_restart_send_nothing_and_its_coming_again_does() -> None:
    alerts = Alerts()
    alerts.poll(answer(tonight()))
    alerts.restart()
    alerts.polls(answer(tonight()), 600)
    alerts.polls(answer(tonight(state="gone but not seen", active=False)), 600)
    alerts.polls(answer(), 600)
    assert alerts.kinds() == ["alarm"]
    alerts.poll(answer(tonight(serial=9)))
    assert alerts.kinds() == ["alarm", "alarm"]


def test_what_has_been_seen_or_is_paused_is_not_said() -> None:
    alerts = Alerts()
    alerts.polls(answer(tonight(state="seen", seen=True)), 600)
    alerts.polls(answer(tonight(state="paused")), 600)
    assert alerts.all == []


def test_the_rest_of_the_morning_waits_for_the_morning() -> None:
    alerts = Alerts()
    alerts.polls(answer(tonight(at_once=False)), 600)
    assert alerts.all == []


def test_a_service_of_before_that_says_nothing_of_it_is_understood() -> None:
    alerts = Alerts()
    plain = tonight()
    del plain["at_once"]
    alerts.polls(answer(plain), 600)
    assert alerts.all == []


def test_only_what_waits_for_the_morning_otherwise_is_marked_so() -> None:
    marked = {kind for kind, told in TOLD.items() if told.at_once}
    assert marked == {Alarm.TONIGHT}
    assert all(TOLD[kind].level is Level.MORNING for kind in marked)
