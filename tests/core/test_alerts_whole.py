"""Schedule and outbox together: what a person gets, whatever fails on the way."""

from __future__ import annotations

from typing import Any

from hypothesis import given, settings
from hypothesis import strategies as st

from alarms import START_MS, alarm, answer
from bottomheat.alerts import outbox as boxes
from bottomheat.alerts.answer import parse_answer
from bottomheat.alerts.kept import Kept, Saved
from bottomheat.alerts.message import Message, Moment, Outcome
from bottomheat.alerts.outbox import Outbox
from bottomheat.alerts.schedule import Heard, Memory, Settings, advance

POLL_S = 10.0
CHANNELS = ("address-a", "command")
SETTINGS = Settings(repeat_s=900.0, daily=False)
SAVED = Saved(boot="b", monotonic_s=0, now_s=0, wall_ms=0, synchronised=True)


class World:
    """A service, the alerts, and two channels that work or do not."""

    def __init__(self) -> None:
        self.now_s = 0.0
        self.memory, self.outbox = Memory(), Outbox()
        self.heard = Heard(self.now, from_start=True)
        self.works = dict.fromkeys(CHANNELS, True)
        self.got: dict[str, list[tuple[float, Message]]] = {key: [] for key in CHANNELS}
        self.alarms: dict[str, dict[str, Any]] = {}
        self.silent = False
        self.new: set[tuple[str, int]] = set()
        self.shown: set[tuple[str, int]] = set()

    @property
    def now(self) -> Moment:
        return Moment(self.now_s, START_MS + round(self.now_s * 1000), True)

    def poll(self) -> None:
        self.now_s += POLL_S
        said = None if self.silent else parse_answer(answer(*self.alarms.values()))
        self.memory, self.heard, made = advance(self.memory, self.heard, said, self.now, SETTINGS)
        self.outbox = boxes.add(self.outbox, made, CHANNELS)
        self.restore()  # what is sent next is what the disk holds
        while found := boxes.due(self.outbox, (), self.now):
            for due in found:
                outcome = Outcome.TAKEN if self.works[due.channel] else Outcome.UNREACHABLE
                if outcome is Outcome.TAKEN:
                    self.got[due.channel].append((self.now_s, due.message))
                self.outbox = boxes.note(
                    self.outbox, due.channel, due.message.id, outcome, self.now
                )
        if not self.silent:
            self.new = {
                (one["id"], one["serial"]) for one in self.alarms.values() if one["state"] == "new"
            }
            self.shown |= self.new

    def told(self, key: str) -> set[tuple[str, int]]:
        """Alarms that a channel has been told of."""
        return {
            (message.alarm.id, message.alarm.serial)
            for _, message in self.got[key]
            if message.kind == "alarm" and message.alarm is not None
        }

    def restore(self) -> None:
        kept = Kept(saved=SAVED, memory=self.memory, outbox=self.outbox)
        again = Kept.model_validate_json(kept.model_dump_json())
        self.memory, self.outbox = again.memory, again.outbox

    def restart(self) -> None:
        self.restore()
        self.heard = Heard(self.now, from_start=True)


action = st.tuples(
    st.sampled_from(
        ["raise", "raise", "see", "go", "break", "mend", "restart", "silence", "answer", "-"]
    ),
    st.sampled_from(["north-bench/relay-stuck-on", "south-bench/cutoff", "house/keeper-silent"]),
    st.sampled_from(CHANNELS),
    st.integers(1, 120),
)


@settings(max_examples=80, deadline=None)
@given(st.lists(action, max_size=20))
def test_each_urgent_alarm_reaches_each_channel_and_no_message_comes_twice(
    actions: list[tuple[str, str, str, int]],
) -> None:
    world, serial = World(), 0
    for what, name, channel, polls in actions:
        one = world.alarms.get(name)
        if what == "raise" and (one is None or one["state"] == "gone but not seen"):
            serial += 1
            world.alarms[name] = alarm(name, serial=serial)
        elif what == "see" and one is not None:
            one.update(state="seen", seen=True)
        elif what == "go" and one is not None:
            if one["seen"]:
                del world.alarms[name]
            else:
                one.update(state="gone but not seen", active=False)
        elif what in ("break", "mend"):
            world.works[channel] = what == "mend"
        elif what in ("silence", "answer"):
            world.silent = what == "silence"
        elif what == "restart":
            world.restart()
        for _ in range(polls):
            world.poll()
            for key in CHANNELS:
                if not world.outbox.channels[key].failures:
                    assert world.new <= world.told(key), "said by the poll that showed it"
    world.silent = False
    world.works = dict.fromkeys(CHANNELS, True)
    for one in world.alarms.values():
        one.update(state="seen", seen=True)
    for _ in range(400):  # more than an hour: past the longest wait for a retry
        world.poll()
    assert world.outbox.waiting == ()
    for key in CHANNELS:
        ids = [message.id for _, message in world.got[key]]
        assert len(ids) == len(set(ids))
        assert world.told(key) == world.shown
        if world.got[key]:
            last_silent = [m.kind for _, m in world.got[key] if m.kind in ("silent", "answers")]
            assert not last_silent or last_silent[-1] == "answers"
