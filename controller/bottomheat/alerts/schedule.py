"""Which messages are due: values and a time in, messages out.

An alarm of the level "now" is said at the poll that shows it, and again every ``repeat_s`` until
somebody has seen or paused it or it has gone; gone unseen is said once.  The rest is in the one
message of the day; what is of use beforehand only is also said once when it comes, and no more.  A
service that is silent for five minutes is an alarm of its own.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime, tzinfo

from bottomheat.alerts.answer import AlarmView, Answer, Frozen
from bottomheat.alerts.message import Kind, Message, Moment
from bottomheat.alerts.words import (
    LONGEST_TITLE,
    alarm_words,
    all_well,
    answers_words,
    morning_words,
    over_words,
    shortened,
    silent_words,
)

SILENT_AFTER_S = 300.0
"""Long enough for a restart of the service, short beside the hours that a bed takes to cool."""

DAY_S = 86_400.0
OVERDUE_S = 26 * 3600.0
"""A day is at most 25 h (clocks going back); after this the message of the day goes out anyhow."""

TWICE_A_MORNING_S = 4 * 3600.0
"""A message of the day this recent stands for the one that is due now (a clock set meanwhile)."""

SILENT_TOPIC = "house/daemon-silent"
MORNING_TOPIC = "house/morning"


@dataclass(frozen=True, slots=True)
class Settings:
    """What the config says about messages.

    Attributes:
        repeat_s: how often an unseen alarm is said again, s.
        morning: when the message of the day goes out, "07:30".
        daily: send it with nothing to say, too.
        helper: what a helper does when heat is lost, for a silent service.
        zone: time zone; None is this machine's.
    """

    repeat_s: float = 900.0
    morning: str = "07:30"
    daily: bool = True
    helper: str | None = None
    zone: tzinfo | None = None


class Told(Frozen):
    """An alarm said when it comes that the last answer showed, and what was said of it."""

    id: str
    serial: int
    where_what: str
    said_s: float | None
    times: int
    over: bool
    seen: bool
    quiet: bool = False
    """Said once and no more: nobody waits for its end."""


class Silent(Frozen):
    """The service is silent, and somebody has been told."""

    since_s: float
    from_start: bool
    said_s: float
    times: int


class Memory(Frozen):
    """What must not be forgotten from poll to poll; kept over restarts."""

    made: int = 0
    told: tuple[Told, ...] = ()
    silent: Silent | None = None
    away: bool = False
    morning_day: int | None = None
    morning_s: float | None = None
    morning_told: bool = False


@dataclass(frozen=True, slots=True)
class Heard:
    """The last valid answer since this process began, or its beginning."""

    at: Moment
    from_start: bool


def advance(
    memory: Memory, heard: Heard, answer: Answer | None, now: Moment, settings: Settings
) -> tuple[Memory, Heard, tuple[Message, ...]]:
    """Take one poll of the service.

    Args:
        memory: what is remembered.
        heard: when the service was last heard.
        answer: its checked answer, or None.
        now: the time of the poll.
        settings: what the config says.

    Returns:
        The new memory, when it was last heard, and the messages to send, oldest first.
    """
    made = _Maker(memory.made, now)
    if answer is not None:
        silent = memory.silent
        if silent is not None:
            made.add("answers", SILENT_TOPIC, answers_words(now.now_s - silent.since_s))
        told = _alarms(memory, answer, now, settings, made)
        memory = memory.model_copy(
            update={"silent": None, "told": told, "away": answer.away is not None}
        )
        heard = Heard(now, from_start=False)
    elif now.now_s - heard.at.now_s >= SILENT_AFTER_S:
        memory = _silent(memory, heard, now, settings, made)
    memory = _morning(memory, answer, now, settings, made)
    return memory.model_copy(update={"made": made.count}), heard, tuple(made.messages)


class _Maker:
    """Numbers and collects the messages of one poll."""

    def __init__(self, count: int, now: Moment) -> None:
        self.count = count
        self.messages: list[Message] = []
        self._now = now

    def add(
        self,
        kind: Kind,
        topic: str,
        words: tuple[str, str],
        *,
        urgent: bool = True,
        alarm: AlarmView | None = None,
    ) -> None:
        self.count += 1
        self.messages.append(
            Message(
                id=f"{topic}#{self.count}",
                topic=topic,
                kind=kind,
                urgent=urgent,
                title=words[0],
                text=words[1],
                made_s=self._now.now_s,
                made_ms=self._now.wall_ms,
                dated=self._now.synchronised,
                alarm=alarm,
            )
        )


def _alarms(
    memory: Memory, answer: Answer, now: Moment, settings: Settings, made: _Maker
) -> tuple[Told, ...]:
    before = {told.id: told for told in memory.told}
    listed = {(alarm.id, alarm.serial) for alarm in answer.alarms}
    for told in memory.told:
        if (told.id, told.serial) in listed or told.seen or told.over or not told.times:
            continue
        if told.quiet:
            continue
        if any(told.id == alarm.id and alarm.waits for alarm in answer.alarms):
            continue  # it has come again, which is said below
        words = over_words(
            None,
            told.where_what,
            now,
            away=answer.away is not None,
            told=True,
            zone=settings.zone,
        )
        made.add("over", told.id, words)
    return tuple(
        _alarm(alarm, before.get(alarm.id), answer, now, settings, made)
        for alarm in answer.alarms
        if alarm.level == "now" or alarm.at_once
    )


def _alarm(
    alarm: AlarmView,
    known: Told | None,
    answer: Answer,
    now: Moment,
    settings: Settings,
    made: _Maker,
) -> Told:
    if known is not None and known.serial != alarm.serial:
        known = None
    away = answer.away is not None
    where = f"{alarm.chamber}: " if alarm.chamber else ""
    told = Told(
        id=alarm.id,
        serial=alarm.serial,
        where_what=shortened(f"{where}{' '.join(alarm.what.split())}", LONGEST_TITLE),
        said_s=None if known is None else known.said_s,
        times=0 if known is None else known.times,
        over=alarm.over,
        seen=alarm.seen,
        quiet=alarm.level != "now",
    )
    if alarm.level != "now":
        if alarm.waits and not told.times:
            words = alarm_words(alarm, 1, now, away=away, zone=settings.zone)
            made.add("alarm", alarm.id, words, urgent=False, alarm=alarm)
            return told.model_copy(update={"said_s": now.now_s, "times": 1})
        return told
    if alarm.over and not alarm.seen:
        if known is None or not known.over:
            words = over_words(
                alarm, told.where_what, now, away=away, told=told.times > 0, zone=settings.zone
            )
            made.add("over", alarm.id, words, alarm=alarm)
        return told
    if not alarm.waits:
        return told
    back = known is not None and known.over  # gone, told so, and here again
    if not back and told.said_s is not None and now.now_s - told.said_s < settings.repeat_s:
        return told
    times = 1 if back else told.times + 1
    words = alarm_words(alarm, times, now, away=away, zone=settings.zone)
    made.add("alarm", alarm.id, words, alarm=alarm)
    return told.model_copy(update={"said_s": now.now_s, "times": times})


def _silent(memory: Memory, heard: Heard, now: Moment, settings: Settings, made: _Maker) -> Memory:
    silent = memory.silent
    if silent is None:
        silent = Silent(
            since_s=heard.at.now_s,
            from_start=heard.from_start,
            said_s=now.now_s,
            times=0,
        )
    elif now.now_s - silent.said_s < settings.repeat_s:
        return memory
    words = silent_words(
        now.now_s - silent.since_s,
        now,
        from_start=silent.from_start,
        helper=settings.helper if memory.away else None,
        standing=[
            told.where_what for told in memory.told if not (told.over or told.seen or told.quiet)
        ],
        zone=settings.zone,
    )
    made.add("silent", SILENT_TOPIC, words)
    told = silent.model_copy(update={"said_s": now.now_s, "times": silent.times + 1})
    return memory.model_copy(update={"silent": told})


def _morning(
    memory: Memory, answer: Answer | None, now: Moment, settings: Settings, made: _Maker
) -> Memory:
    day = _day(now, settings) if now.synchronised else None
    if memory.morning_s is None:  # the first poll ever: the first message is the next morning's
        return memory.model_copy(update={"morning_day": day, "morning_s": now.now_s})
    since_s = now.now_s - memory.morning_s
    if day is not None and memory.morning_day is None:
        # The first time that the date is known: today's morning counts as over if it is.
        memory = memory.model_copy(update={"morning_day": day if since_s < DAY_S else day - 1})
    if day is not None and memory.morning_day is not None and day < memory.morning_day:
        memory = memory.model_copy(update={"morning_day": day})  # the clock had run ahead
    due = since_s >= (OVERDUE_S if now.synchronised else DAY_S)
    if day is not None and memory.morning_day is not None and day > memory.morning_day:
        due = True
        if since_s < TWICE_A_MORNING_S and memory.morning_told:
            return memory.model_copy(update={"morning_day": day})
    if not due:
        return memory
    if answer is None and memory.silent is None:
        return memory  # not heard this time: wait for its answer, or until it counts as silent
    told = memory.model_copy(
        update={"morning_day": day, "morning_s": now.now_s, "morning_told": True}
    )
    daily = settings.daily or (answer is not None and answer.away is not None)
    if answer is None or daily or not all_well(answer):
        words = morning_words(answer, now, morning=settings.morning, zone=settings.zone)
        made.add("morning", MORNING_TOPIC, words, urgent=False)
    return told


def _day(now: Moment, settings: Settings) -> int:
    """Number of the day whose morning message is the newest that is due."""
    local = datetime.fromtimestamp(now.wall_ms / 1000, UTC).astimezone(settings.zone)
    return local.toordinal() - (local.strftime("%H:%M") < settings.morning)
