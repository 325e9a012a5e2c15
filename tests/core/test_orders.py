"""How the rule's setpoint comes into force: up at once, down by so much a day."""

from __future__ import annotations

import itertools
import json
from collections.abc import Iterator
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bottomheat.config import Config
from bottomheat.model import Event
from bottomheat.season import orders
from bottomheat.season.ledger import Dated, Season, SeasonEntry, Stage, What, fold
from bottomheat.season.orders import Orders
from plant import chamber_keys

BOX, OTHER = "north-bench", "south-bench"
DAY0 = 1_796_000_000_000
DAY_S = 86_400.0


def config(*, season: dict[str, Any] | None = None, **keys: Any) -> Config:
    boxes = {BOX: chamber_keys(**keys), OTHER: chamber_keys(1)}
    return Config.model_validate({"chambers": boxes, "season": dict(season or {})})


def add(name: str, species: str = "mulberry", stage: str = "callusing", **data: Any) -> SeasonEntry:
    data = {"species": species, "kind": "cuttings", "count": 40, "stage": stage, **data}
    return SeasonEntry(What.ADD, name, BOX, data)


class Course:
    """The orders of a box over days."""

    def __init__(self, made: Config, *entries: SeasonEntry) -> None:
        self.config = made
        self.state = Orders()
        self.now_s = 5000.0
        self.entries: list[Dated] = []
        self.season: Season = fold(())
        self.events: list[Event] = []
        self.sure = True
        for entry in entries:
            self.enter(entry)

    @property
    def wall_ms(self) -> int:
        return DAY0 + round((self.now_s - 5000.0) * 1000)

    def enter(self, entry: SeasonEntry) -> None:
        self.entries.append(Dated(len(self.entries) + 1, self.wall_ms, True, entry))
        self.season = fold(self.entries)

    def step(self) -> float:
        wall_ms = self.wall_ms if self.sure else 0
        self.state, found, events = orders.advance(
            self.state, self.config, self.season, self.now_s, wall_ms, clock_sure=self.sure
        )
        self.events += events
        return found.chambers[BOX].callus_zone_c

    def days(self, days: float, every_s: float = 600.0) -> Iterator[float]:
        for _ in range(round(days * DAY_S / every_s)):
            self.now_s += every_s
            yield self.step()


def stage(name: str, to: Stage) -> SeasonEntry:
    return SeasonEntry(What.STAGE, name, data={"stage": to.value})


def test_without_batches_all_is_as_written_and_nothing_is_said() -> None:
    course = Course(config())
    assert course.step() == 25.0
    assert list(course.days(1.0)) == [25.0] * 144
    assert not course.events


def test_a_step_of_the_stage_lowers_by_the_day_and_says_so_once() -> None:
    course = Course(config(), add("MUL-1"))
    assert course.step() == 25.0
    course.events.clear()
    course.enter(stage("MUL-1", Stage.HARDENING))
    assert course.step() == 25.0
    (event,) = course.events
    assert event.durable
    assert "from 25 to 18" in event.text
    assert "1.5 K a day" in event.text
    seen = list(course.days(5.0))
    assert seen == sorted(seen, reverse=True)
    assert seen[143] == pytest.approx(25.0 - 1.5)
    assert seen[2 * 144 - 1] == pytest.approx(25.0 - 3.0)
    assert seen[-1] == 18.0
    assert max(a - b for a, b in itertools.pairwise(seen)) < 0.11
    assert len(course.events) == 2
    assert "18 °C reached" in course.events[1].text


def test_a_new_batch_that_calluses_raises_it_at_once() -> None:
    course = Course(config(), add("MUL-1", stage="rooting"))
    assert course.step() == 20.0
    course.enter(add("GRP-2", "grapevine"))
    assert course.step() == 25.0


def test_the_first_batch_of_a_box_gets_what_it_wants_at_once() -> None:
    course = Course(config())
    assert course.step() == 25.0
    course.enter(add("PEA-1", "peach"))
    assert course.step() == 20.0


def test_a_batch_that_stands_no_warmth_is_not_kept_waiting() -> None:
    course = Course(config(), add("GRP-2", "grapevine"))
    assert course.step() == 25.0
    course.enter(add("PEA-1", "peach"))
    assert course.step() == 22.0, "its warm limit, at once"


def test_an_edit_of_the_config_counts_at_once() -> None:
    course = Course(config(), add("GRP-2", "grapevine"))
    course.step()
    course.config = config(callus_zone=24.0)
    assert course.step() == 24.0
    course.config = config(callus_zone=24.0, season={"room_low": 1})
    assert course.step() == 24.0
    course.config = config(callus_zone=24.0, in_use=False)
    assert course.step() == 24.0


def test_another_edit_during_a_step_down_does_not_end_it() -> None:
    course = Course(config(), add("MUL-1"))
    course.step()
    course.enter(stage("MUL-1", Stage.HARDENING))
    list(course.days(1.0))
    course.config = config(season={"room_low": 1})
    assert course.step() == pytest.approx(23.5)


def test_the_other_box_and_the_config_itself_are_left_alone() -> None:
    course = Course(config(), add("MUL-1", stage="rooting"))
    course.step()
    found = course.state.in_force
    assert found is not None
    assert found.chambers[OTHER] == course.config.chambers[OTHER]
    changed = {k for k, v in found.chambers[BOX] if v != getattr(course.config.chambers[BOX], k)}
    assert changed == {"callus_zone_c", "layer_ceiling_c"}
    assert found.chambers[BOX].layer_ceiling_c == 28.0


def test_the_config_in_force_is_one_object_while_nothing_changes() -> None:
    course = Course(config(), add("MUL-1"))
    course.step()
    first = course.state.in_force
    list(course.days(0.2))
    assert course.state.in_force is first


def test_while_the_clock_is_not_set_the_season_stands_still_and_a_step_down_goes_on() -> None:
    course = Course(config(), add("MUL-1", at_latest="lower-to 18"))
    course.step()
    list(course.days(40.0, 3600.0))
    course.sure = False
    assert set(course.days(30.0, 3600.0)) == {25.0}, "day 51 never comes"
    course.sure = True
    course.now_s += 60.0
    assert course.step() == 25.0
    course.sure = False
    seen = list(course.days(6.0, 3600.0))
    assert seen[-1] == 18.0


def test_a_restart_goes_on_with_what_was_in_force() -> None:
    course = Course(config(), add("MUL-1"))
    course.step()
    course.enter(stage("MUL-1", Stage.HARDENING))
    list(course.days(2.0))
    kept = json.loads(json.dumps(orders.to_plain(course.state)))
    course.state = orders.from_plain(kept)
    course.now_s = 20.0  # another boot
    assert course.step() == pytest.approx(22.0)
    course.sure = False
    assert next(course.days(1.0, DAY_S)) == pytest.approx(20.5)


def test_a_restart_with_the_config_edited_meanwhile_takes_the_edit() -> None:
    course = Course(config(), add("GRP-2", "grapevine"))
    course.step()
    course.state = orders.from_plain(orders.to_plain(course.state))
    course.config = config(callus_zone=24.0)
    assert course.step() == 24.0


def test_with_the_ledger_unreadable_the_setpoints_stay() -> None:
    course = Course(config(), add("PEA-1", "peach"))
    course.step()
    kept = orders.from_plain(orders.to_plain(course.state))
    found = orders.as_kept(kept, config())
    assert found.chambers[BOX].callus_zone_c == 20.0
    assert found.chambers[OTHER].callus_zone_c == 25.0
    assert orders.as_kept(Orders(), config()) == config()
    lower = config(callus_zone=18.0)
    assert orders.as_kept(kept, lower).chambers[BOX].callus_zone_c == 18.0
    higher = config(callus_zone=28.0)
    assert orders.as_kept(kept, higher).chambers[BOX].callus_zone_c == 20.0


def test_with_the_ledger_unreadable_the_layers_ceiling_stays_too() -> None:
    course = Course(config(), add("MUL-1", stage="rooting"))
    course.step()
    kept = orders.from_plain(json.loads(json.dumps(orders.to_plain(course.state))))
    assert orders.as_kept(kept, config()).chambers[BOX].layer_ceiling_c == 28.0
    assert orders.as_kept(kept, config()).chambers[OTHER].layer_ceiling_c == 34.0
    assert orders.as_kept(course.state, config()).chambers[BOX].layer_ceiling_c == 28.0


def test_a_ledger_that_lost_all_of_a_box_does_not_warm_it() -> None:
    course = Course(config(), add("PEA-1", "peach"))
    course.step()
    again = Course(config())
    again.state = orders.from_plain(orders.to_plain(course.state))
    assert again.step() == 20.0
    (event,) = again.events
    assert "no batch is known" in event.text
    assert set(again.days(2.0)) == {20.0}
    twice = Course(config())
    twice.state = orders.from_plain(orders.to_plain(again.state))
    assert twice.step() == 20.0, "nor at the start after that"
    again.enter(add("GRP-2", "grapevine"))
    assert again.step() == 25.0
    by_hand = Course(config(callus_zone=24.0))
    by_hand.state = orders.from_plain(orders.to_plain(course.state))
    assert by_hand.step() == 24.0, "the grower has spoken"


def test_a_box_whose_batch_was_closed_meanwhile_goes_by_the_config_and_says_so() -> None:
    course = Course(config(), add("PEA-1", "peach"))
    course.step()
    course.enter(SeasonEntry(What.CLOSE, "PEA-1"))
    course.state = orders.from_plain(orders.to_plain(course.state))
    course.events.clear()
    assert course.step() == 25.0
    assert len(course.events) == 1


def test_a_limit_that_comes_in_during_a_step_down_is_told() -> None:
    course = Course(config(), add("MUL-1"))
    course.step()
    course.enter(stage("MUL-1", Stage.ROOTING))
    course.step()
    course.events.clear()
    course.enter(add("BLC-1", "blackcurrant", stage="rooting"))
    assert course.step() == 22.0
    assert course.events


@pytest.mark.parametrize(
    "payload",
    [
        None,
        [],
        {},
        {"known_ms": "today", "boxes": {}},
        {"known_ms": True, "boxes": {}},
        {"known_ms": 5, "boxes": {BOX: [25.0]}},
        {"known_ms": 5, "boxes": {BOX: ["warm", 25.0, 34.0, True]}},
        {"known_ms": 5, "boxes": {BOX: [float("nan"), 25.0, 34.0, True]}},
        {"known_ms": 5, "boxes": [1]},
    ],
)
def test_a_strange_memory_is_refused(payload: Any) -> None:
    with pytest.raises(ValueError, match="not the setpoints"):
        orders.from_plain(payload)


@given(
    st.lists(
        st.tuples(
            st.sampled_from([*Stage, "peach", "grapevine", "out"]), st.floats(60.0, 3 * DAY_S)
        ),
        max_size=8,
    ),
    st.booleans(),
)
def test_it_never_falls_faster_than_asked_but_for_a_limit_and_never_passes_it(
    acts: list[tuple[str, float]], sure: bool
) -> None:
    course = Course(config(), add("MUL-1"))
    before_c = course.step()
    course.sure, had_lead = sure, True
    for number, (act, wait_s) in enumerate(acts):
        if act in set(Stage):
            course.enter(stage("MUL-1", Stage(act)))
        elif act == "out":
            course.enter(SeasonEntry(What.MOVE, "MUL-1", "unheated"))
        else:
            course.enter(add(f"N-{number}", act))
        course.now_s += wait_s
        now_c = course.step()
        order = course.state.boxes[BOX].order
        assert now_c <= order.cap_c + 1e-9
        assert now_c >= order.setpoint_c - 1e-9
        led = course.state.boxes[BOX].order.lead is not None and had_lead
        had_lead = order.lead is not None
        if now_c < before_c and led and before_c <= order.cap_c:
            assert before_c - now_c <= 1.5 * wait_s / DAY_S + 0.1 + 1e-9
        before_c = now_c
