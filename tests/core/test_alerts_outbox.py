"""The outbox: order, retries, bounds; nothing lost and nothing twice."""

from __future__ import annotations

import json

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from alarms import START_MS, alarm
from bottomheat.alerts import outbox as boxes
from bottomheat.alerts.answer import AlarmView
from bottomheat.alerts.kept import Kept, Saved, count_now_s
from bottomheat.alerts.message import Kind, Message, Moment, Outcome
from bottomheat.alerts.outbox import Outbox, add, due, note, tidy
from bottomheat.alerts.words import as_sent

A, B = "address-a", "address-b"


def at(now_s: float) -> Moment:
    return Moment(now_s, START_MS + round(now_s * 1000), True)


def message(
    number: int,
    topic: str = "north-bench/relay-stuck-on",
    kind: Kind = "alarm",
    *,
    at_s: float = 0.0,
    serial: int = 1,
    text: str = "text",
) -> Message:
    view = AlarmView.model_validate(alarm(serial=serial)) if kind in ("alarm", "over") else None
    return Message(
        id=f"{topic}#{number}",
        topic=topic,
        kind=kind,
        urgent=kind != "morning",
        title="title",
        text=text,
        made_s=at_s,
        made_ms=at(at_s).wall_ms,
        dated=True,
        alarm=view,
    )


def numbers(outbox: Outbox, key: str) -> list[str]:
    return [w.message.id.partition("#")[2] for w in outbox.waiting if key in w.channels]


def test_each_channel_gets_each_message_once_and_in_order() -> None:
    outbox = add(Outbox(), [message(1), message(2, kind="over")], [A, B])
    for key in (A, B):
        for number in ("1", "2"):
            (one,) = [d for d in due(outbox, (), at(1)) if d.channel == key]
            assert one.message.id.endswith(f"#{number}")
            outbox = note(outbox, key, one.message.id, Outcome.TAKEN, at(1))
    assert outbox.waiting == ()
    assert due(outbox, (), at(1000)) == []


def test_a_busy_channel_waits_and_the_others_do_not() -> None:
    outbox = add(Outbox(), [message(1)], [A, B])
    assert [d.channel for d in due(outbox, {A}, at(0))] == [B]


def test_retries_begin_after_ten_seconds_and_double_to_ten_minutes() -> None:
    outbox = add(Outbox(), [message(1)], [A])
    now_s, waits = 0.0, []
    for _ in range(9):
        outbox = note(outbox, A, message(1).id, Outcome.UNREACHABLE, at(now_s))
        begun = now_s
        while not due(outbox, (), at(now_s)):
            now_s += 1.0
        waits.append(now_s - begun)
    assert waits == [10, 20, 40, 80, 160, 320, 600, 600, 600]
    outbox = note(outbox, A, message(1).id, Outcome.TAKEN, at(now_s))
    assert outbox.channels[A].failures == 0


def test_a_new_urgent_message_does_not_wait_for_a_failing_channel() -> None:
    outbox = add(Outbox(), [message(1)], [A])
    for _ in range(7):
        outbox = note(outbox, A, message(1).id, Outcome.UNREACHABLE, at(0))
    assert due(outbox, (), at(100)) == []
    outbox = add(outbox, [message(2, "south-bench/cutoff", at_s=100)], [A])
    assert [d.message.topic for d in due(outbox, (), at(100))] == ["south-bench/cutoff"]
    quiet = add(outbox.model_copy(), [message(3, "house/morning", "morning", at_s=100)], [B])
    assert quiet.channels[B].next_s == 0.0


def test_a_message_that_is_always_refused_does_not_block_the_next() -> None:
    outbox = add(Outbox(), [message(1)], [A])
    outbox = note(outbox, A, message(1).id, Outcome.REFUSED, at(0))
    outbox = add(outbox, [message(2, "south-bench/cutoff")], [A])
    (one,) = due(outbox, (), at(10))
    assert one.message.id.endswith("#2")


def test_said_again_is_not_sent_twice_to_a_channel_that_still_holds_it() -> None:
    outbox = add(Outbox(), [message(1)], [A, B])
    outbox = note(outbox, B, message(1).id, Outcome.TAKEN, at(0))
    outbox = add(outbox, [message(2, at_s=900)], [A, B])
    assert (numbers(outbox, A), numbers(outbox, B)) == (["1"], ["2"])
    outbox = add(outbox, [message(3, serial=2, at_s=950)], [A, B])  # it has come again: news
    assert numbers(outbox, A) == ["1", "3"]
    outbox = add(outbox, [message(4, kind="over", serial=2, at_s=960)], [A, B])
    outbox = add(outbox, [message(5, serial=2, at_s=970)], [A, B])  # and again after it was over
    assert numbers(outbox, A) == ["1", "3", "4", "5"]


def test_urgent_ones_are_kept_for_ever_and_the_rest_for_three_days() -> None:
    outbox = add(Outbox(), [message(1), message(2, "house/morning", "morning")], [A])
    days_s = 86_400.0
    assert numbers(tidy(outbox, [A], at(3 * days_s)), A) == ["1", "2"]
    assert numbers(tidy(outbox, [A], at(3 * days_s + 1)), A) == ["1"]
    assert numbers(tidy(outbox, [A], at(400 * days_s)), A) == ["1"]


def test_what_waits_for_a_channel_that_left_the_config_is_dropped() -> None:
    outbox = tidy(add(Outbox(), [message(1)], [A, B]), [B], at(0))
    assert numbers(outbox, A) == []
    assert numbers(outbox, B) == ["1"]
    assert set(outbox.channels) == {B}


def test_at_most_two_hundred_and_the_oldest_that_can_wait_go_first() -> None:
    outbox = add(Outbox(), [message(0, "house/morning", "morning")], [A])
    outbox = add(outbox, [message(n, f"north-bench/n{n}") for n in range(1, 206)], [A])
    assert len(outbox.waiting) == 200
    assert outbox.dropped == 6
    assert numbers(outbox, A) == [str(n) for n in range(6, 206)]


@pytest.mark.parametrize("letter", ["x", "°", "\U0001f33f"])
def test_at_most_a_megabyte_on_disk(letter: str) -> None:
    many = [message(n, f"north-bench/n{n}", text=letter * 4000) for n in range(200)]
    outbox = add(Outbox(), many, [A, B])
    saved = Saved(boot="b", monotonic_s=0, now_s=0, wall_ms=0, synchronised=True)
    size = len(json.dumps(Kept(saved=saved, outbox=outbox).model_dump(mode="json")))
    assert size < 1_000_000
    assert outbox.waiting


def test_late_says_how_late_and_why() -> None:
    late = as_sent(message(1), at(7800), Outcome.UNREACHABLE.value, ["the disk is full"])
    assert late[1].splitlines()[1:] == [
        "Sent 2 h 10 min late: no network, or nobody answers there.",
        "the disk is full.",
    ]
    assert late[2] == 7800
    assert as_sent(message(1), at(30), None, []) == ("title", "text", 0.0)


def test_lateness_over_a_restart_is_by_the_wall_clock_where_it_can_be_believed() -> None:
    after = Moment(10.0, START_MS + 7_200_000, True)
    assert message(1).late_s(after) == 7200
    assert message(1).late_s(Moment(10.0, START_MS + 7_200_000, False)) == 10
    assert message(1).late_s(Moment(10.0, START_MS - 7_200_000, True)) == 10


wall = st.integers(min_value=0, max_value=2 * 10**12)


@given(st.floats(0, 1e8), st.floats(0, 1e8), st.booleans(), wall, wall, st.booleans())
def test_the_count_of_seconds_never_goes_back(
    kept_s: float, monotonic_s: float, same: bool, before: int, after: int, believed: bool
) -> None:
    saved = Saved(boot="a", monotonic_s=1e6, now_s=kept_s, wall_ms=before, synchronised=believed)
    boot = "a" if same else "b"
    counted_s = count_now_s(saved, boot, monotonic_s, Moment(0, after, True))
    assert counted_s >= kept_s
    if same:
        assert counted_s == pytest.approx(kept_s + max(0, monotonic_s - 1e6))
    elif believed and after > before:
        assert counted_s == pytest.approx(kept_s + (after - before) / 1000)


step = st.tuples(
    st.sampled_from(["alarm", "over", "morning", "try", "try", "try"]),
    st.integers(0, 2),
    st.sampled_from([1.0, 10.0, 100.0, 1000.0]),
    st.booleans(),
    st.booleans(),
)


@settings(max_examples=150, deadline=None)
@given(st.lists(step, max_size=60))
def test_nothing_is_lost_or_sent_twice_when_channels_fail_and_come_back(
    steps: list[tuple[Kind | str, int, float, bool, bool]],
) -> None:
    """Whatever fails: each channel takes each message once, or an equal one that came before."""
    outbox, now_s, made = Outbox(), 0.0, []
    taken: dict[str, list[str]] = {A: [], B: []}
    owed: dict[str, set[str]] = {A: set(), B: set()}

    def attempt(now_s: float, works: dict[str, bool]) -> None:
        nonlocal outbox
        for one in due(outbox, (), at(now_s)):
            outcome = Outcome.TAKEN if works[one.channel] else Outcome.UNREACHABLE
            if outcome is Outcome.TAKEN:
                taken[one.channel].append(one.message.id)
            outbox = note(outbox, one.channel, one.message.id, outcome, at(now_s))
            outbox = Outbox.model_validate_json(outbox.model_dump_json())  # a restart

    for what, place, wait_s, a_works, b_works in steps:
        now_s += wait_s
        if what != "try":
            topic = "house/morning" if what == "morning" else f"north-bench/n{place}"
            made.append(message(len(made), topic, what, at_s=now_s))  # type: ignore[arg-type]
            outbox = add(outbox, [made[-1]], [A, B])
            for key in (A, B):
                if made[-1].id in [w.message.id for w in outbox.waiting if key in w.channels]:
                    owed[key].add(made[-1].id)
                else:  # left out only where the same is still on its way to it
                    before = [w.message for w in outbox.waiting if key in w.channels]
                    assert [m.kind for m in before if m.topic == topic][-1] == what == "alarm"
        attempt(now_s, {A: a_works, B: b_works})
    for _ in range(len(made) * 2 + 2):
        now_s += boxes.LONGEST_RETRY_S
        attempt(now_s, {A: True, B: True})
    assert outbox.waiting == ()
    for key in (A, B):
        assert sorted(taken[key]) == sorted(owed[key])
        for topic in {m.topic for m in made}:
            of_topic = [int(i.partition("#")[2]) for i in taken[key] if i.startswith(f"{topic}#")]
            assert of_topic == sorted(of_topic)
