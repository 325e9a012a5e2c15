"""Every message until each channel has taken it: who gets what next, and when to try again."""

from __future__ import annotations

import json
from collections.abc import Collection, Iterable
from dataclasses import dataclass

from pydantic import Field

from bottomheat.alerts.answer import Frozen
from bottomheat.alerts.message import Message, Moment, Outcome

FIRST_RETRY_S = 10.0
LONGEST_RETRY_S = 600.0
MOST_MESSAGES = 200
MOST_BYTES = 700_000
"""Of all messages, as they are written; the rest of the file is far smaller."""

KEPT_S = 3 * 86_400.0
"""A message that is not urgent is of no use after three days."""


class Waiting(Frozen):
    """A message, and the channels that have not taken it, each with its attempts so far."""

    message: Message
    channels: dict[str, int]


class Channel(Frozen):
    """How a channel does: failures running, when it may be tried again, why it failed."""

    failures: int = 0
    next_s: float = 0.0
    why: Outcome | None = None
    failing_since_s: float | None = None


class Outbox(Frozen):
    """All that waits, oldest first.

    Attributes:
        waiting: the messages.
        channels: by a channel's key, how it does; a key is no address.
        dropped: messages that were given up because there were too many.
    """

    waiting: tuple[Waiting, ...] = ()
    channels: dict[str, Channel] = Field(default={})
    dropped: int = 0


@dataclass(frozen=True, slots=True)
class Due:
    """Hand this message to this channel now."""

    channel: str
    message: Message
    why_late: Outcome | None


def add(outbox: Outbox, messages: Iterable[Message], channels: Collection[str]) -> Outbox:
    """Keep new messages for every channel.

    One that says again what a channel has not taken yet does not go to that channel: the earlier
    one still will, and says how late it is.  A new urgent one is tried at once, whatever the
    channel's waiting time.
    """
    waiting = list(outbox.waiting)
    doing = {key: outbox.channels.get(key, Channel()) for key in channels}
    for message in messages:
        held = _held_by(waiting, message)
        goes = [key for key in channels if key not in held]
        if not goes:
            continue
        waiting.append(Waiting(message=message, channels=dict.fromkeys(goes, 0)))
        if message.urgent:
            for key in goes:
                doing[key] = doing[key].model_copy(update={"next_s": message.made_s})
    return _bounded(outbox.model_copy(update={"waiting": tuple(waiting), "channels": doing}))


def due(outbox: Outbox, busy: Collection[str], now: Moment) -> list[Due]:
    """What to hand over now: at most one message a channel that is not busy.

    Urgent before the rest, a message not tried yet before one that failed, older before newer; of
    one topic always the oldest first.
    """
    found: list[Due] = []
    for key, channel in outbox.channels.items():
        if key in busy or now.now_s < channel.next_s:
            continue
        first_of_topic: dict[str, Waiting] = {}
        for waiting in outbox.waiting:
            if key in waiting.channels:
                first_of_topic.setdefault(waiting.message.topic, waiting)
        if first_of_topic:
            best = min(
                first_of_topic.values(),
                key=lambda w: (not w.message.urgent, w.channels[key], w.message.made_s),
            )
            found.append(Due(key, best.message, channel.why))
    return found


def note(outbox: Outbox, channel: str, message_id: str, outcome: Outcome, now: Moment) -> Outbox:
    """Take the outcome of one attempt."""
    before = outbox.channels.get(channel, Channel())
    taken = outcome is Outcome.TAKEN
    if taken:
        after = Channel(next_s=now.now_s)
    else:
        after = Channel(
            failures=before.failures + 1,
            next_s=now.now_s + retry_after_s(before.failures + 1),
            why=outcome,
            failing_since_s=(
                now.now_s if before.failing_since_s is None else before.failing_since_s
            ),
        )
    waiting = []
    for kept in outbox.waiting:
        if kept.message.id == message_id and channel in kept.channels:
            channels = dict(kept.channels)
            if taken:
                del channels[channel]
            else:
                channels[channel] += 1
            kept = kept.model_copy(update={"channels": channels})
        if kept.channels:
            waiting.append(kept)
    return outbox.model_copy(
        update={"waiting": tuple(waiting), "channels": {**outbox.channels, channel: after}}
    )


def retry_after_s(failures: int) -> float:
    """How long to wait after so many failures running, s: 10, 20, 40 … 600."""
    return float(min(LONGEST_RETRY_S, FIRST_RETRY_S * 2 ** min(max(failures, 1) - 1, 16)))


def tidy(outbox: Outbox, channels: Collection[str], now: Moment) -> Outbox:
    """Drop what is too old, and what waits for a channel that is no longer in the config."""
    waiting = []
    for kept in outbox.waiting:
        if not kept.message.urgent and kept.message.late_s(now) > KEPT_S:
            continue
        left = {key: tries for key, tries in kept.channels.items() if key in channels}
        if left:
            waiting.append(kept if left == kept.channels else _with(kept, left))
    doing = {key: outbox.channels.get(key, Channel()) for key in channels}
    if tuple(waiting) == outbox.waiting and doing == outbox.channels:
        return outbox
    return outbox.model_copy(update={"waiting": tuple(waiting), "channels": doing})


def _with(kept: Waiting, channels: dict[str, int]) -> Waiting:
    return kept.model_copy(update={"channels": channels})


def _held_by(waiting: Iterable[Waiting], message: Message) -> frozenset[str]:
    """Channels that still have to take a message that says the same, with nothing said since."""
    if message.kind not in ("alarm", "silent"):
        return frozenset()
    keys: set[str] = set()
    for other in waiting:
        if other.message.topic != message.topic:
            continue
        if other.message.kind == message.kind and _episode(other.message) == _episode(message):
            keys |= set(other.channels)
        else:
            keys = set()
    return frozenset(keys)


def _episode(message: Message) -> int | None:
    return None if message.alarm is None else message.alarm.serial


def _bounded(outbox: Outbox) -> Outbox:
    """Give up the oldest that are not urgent, then the oldest, until it is small enough."""
    sizes = {w.message.id: len(json.dumps(w.model_dump(mode="json"))) for w in outbox.waiting}
    waiting = list(outbox.waiting)
    dropped = outbox.dropped
    total = sum(sizes.values())
    while waiting and (len(waiting) > MOST_MESSAGES or total > MOST_BYTES):
        place = next((n for n, kept in enumerate(waiting) if not kept.message.urgent), 0)
        total -= sizes[waiting.pop(place).message.id]
        dropped += 1
    if dropped == outbox.dropped:
        return outbox
    return outbox.model_copy(update={"waiting": tuple(waiting), "dropped": dropped})
