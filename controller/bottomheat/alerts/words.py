"""What the messages say: to a grower, plainly, what is wrong, how long there is, what to do."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime, tzinfo

from bottomheat.alerts.answer import AlarmView, Answer, BoxView
from bottomheat.alerts.message import Message, Moment
from bottomheat.durations import words

LONGEST_TITLE = 120
MOST_LINES = 40
MOST_CHARACTERS = 4000

LATE_FROM_S = 90.0
"""Two polls and a slow send; sooner than that nothing is called late."""

ALL_IN_BAND = 0.995
TROUBLED = ("CUT OUT", "NO HEAT")

NEEDS_A_LOOK_BELOW = 0.5
"""A night with less than half its time in band is not "all well", alarm or not (judgement)."""


def clock_words(wall_ms: int, now_ms: int, zone: tzinfo | None) -> str:
    """A time as "03:12", with its day where that is longer ago or ahead than 18 hours."""
    local = datetime.fromtimestamp(wall_ms / 1000, UTC).astimezone(zone)
    near = abs(now_ms - wall_ms) < 18 * 3_600_000
    return local.strftime("%H:%M" if near else "%a %d %b %H:%M")


def sentence(text: str) -> str:
    """The text with a full stop, on one line."""
    joined = " ".join(text.split())
    return joined if not joined or joined[-1] in ".!?" else joined + "."


def shortened(text: str, length: int) -> str:
    """The text, cut with an ellipsis where it is too long."""
    return text if len(text) <= length else text[: length - 1].rstrip() + "…"


def _since(alarm: AlarmView, now: Moment, zone: tzinfo | None) -> str:
    if not now.synchronised:
        return ""
    return f"Since {clock_words(alarm.raised_ms, now.wall_ms, zone)}"


def _where(alarm: AlarmView) -> str:
    return f"{alarm.chamber}: " if alarm.chamber else ""


def _joined(lines: Sequence[str]) -> str:
    kept = [line for line in lines if line]
    if len(kept) > MOST_LINES:
        kept = [*kept[:MOST_LINES], f"and {len(kept) - MOST_LINES} lines more: bottomheat status"]
    return shortened("\n".join(kept), MOST_CHARACTERS)


def alarm_words(
    alarm: AlarmView, times: int, now: Moment, *, away: bool, zone: tzinfo | None
) -> tuple[str, str]:
    """Title and text of an alarm that is said when it comes; ``times`` it was said, this once."""
    helper = sentence(alarm.helper) if alarm.helper else ""
    how = "NOW" if alarm.level == "now" else "TODAY"
    title = shortened(f"{how} {_where(alarm)}{alarm.what.rstrip('.')}", LONGEST_TITLE)
    since = _since(alarm, now, zone)
    again = f"said {times} times, nobody has seen it" if times > 1 else ""
    lines = [
        helper if away else "",
        sentence(f"{_where(alarm)}{alarm.what}"),
        sentence(f"First: {alarm.first}") if alarm.first else "",
        sentence(f"How long: {alarm.how_long}") if alarm.how_long else "",
        sentence(", ".join(part for part in (since, again) if part)),
        f"A helper should: {helper}" if helper and not away else "",
        f"When you have seen it: bottomheat ack {alarm.id}",
    ]
    return title, _joined(lines)


def over_words(
    alarm: AlarmView | None,
    where_what: str,
    now: Moment,
    *,
    away: bool,
    told: bool,
    zone: tzinfo | None,
) -> tuple[str, str]:
    """Title and text where an alarm has gone before anybody has seen it.

    Args:
        alarm: the alarm, or None where the service no longer lists it.
        where_what: box and condition, as it was told.
        now: the time.
        away: the grower is away.
        told: a message had said that it stood.
        zone: time zone; None is this machine's.
    """
    what = where_what.rstrip(".")
    title = shortened(f"Over: {what}", LONGEST_TITLE)
    came = "" if told else "It came and went before it could be told. "
    since = "" if alarm is None else _since(alarm, now, zone)
    gone = ""
    if since and alarm is not None and alarm.gone_ms is not None:
        gone = f"{since}, over at {clock_words(alarm.gone_ms, now.wall_ms, zone)}."
    helper = "" if alarm is None or not alarm.helper else sentence(alarm.helper)
    lines = [
        helper if away else "",
        f"Over: {what}. {came}Look anyway: nobody has seen it.",
        gone,
        "" if alarm is None else f"When you have seen it: bottomheat ack {alarm.id}",
    ]
    return title, _joined(lines)


def _since_words(silent_s: float, now: Moment, *, from_start: bool, zone: tzinfo | None) -> str:
    said = f"for {words(silent_s)}"
    if now.synchronised:
        # Reckoned back from now, because the wall clock may have been set in between.
        since_ms = now.wall_ms - round(silent_s * 1000)
        said = f"since {clock_words(since_ms, now.wall_ms, zone)}"
    return f"{said}, when the alerts began" if from_start else said


def silent_words(
    silent_s: float,
    now: Moment,
    *,
    from_start: bool,
    helper: str | None,
    standing: Sequence[str],
    zone: tzinfo | None,
) -> tuple[str, str]:
    """Title and text where the service does not answer.

    Args:
        silent_s: how long ago the last answer was, or the start of the alerts, s.
        now: the time.
        from_start: it has not answered since the alerts began.
        helper: what a helper should do, where the grower is away.
        standing: what was wrong when it was last heard.
        zone: time zone; None is this machine's.
    """
    since = _since_words(silent_s, now, from_start=from_start, zone=zone)
    lines = [
        sentence(helper) if helper else "",
        f"bottomheat has not answered {since}: heat is off unless a relay contact has welded "
        "shut. Go and look.",
        "First: if the mat still warms, pull its plug, with dry hands. Then: systemctl status "
        "bottomheat",
        sentence("When last heard: " + "; ".join(standing)) if standing else "",
    ]
    return "NOW bottomheat does not answer", _joined(lines)


def answers_words(silent_s: float) -> tuple[str, str]:
    """Title and text where the service answers again after ``silent_s`` seconds."""
    text = (
        f"bottomheat answers again; it had not answered for {words(silent_s)}. "
        "Look at the boxes: what happened meanwhile was not told."
    )
    return "Over: bottomheat answers again", text


def _box_line(box: BoxView) -> str:
    parts = []
    if box.low_c is not None and box.high_c is not None:
        parts.append(f"{box.low_c:.1f}-{box.high_c:.1f} °C")
    else:
        parts.append("night not measured")
    if box.in_band_frac is not None:
        all_in = box.in_band_frac >= ALL_IN_BAND
        parts.append("all in band" if all_in else f"{int(100 * box.in_band_frac)} % in band")
    if box.heat_frac is not None:
        parts.append(f"heat on {100 * box.heat_frac:.0f} % of the time")
    now = "bases not known" if box.estimate_c is None else f"bases {box.estimate_c:.1f}"
    parts.append(f"now {box.condition}, {now}, set {box.setpoint_c:.1f}")
    return f"{box.name} {', '.join(parts)}."


def _alarm_line(alarm: AlarmView, now: Moment, zone: tzinfo | None) -> str:
    since = _since(alarm, now, zone).replace("Since", "since")
    how = {
        "new": since,
        "needs reset": f"needs reset, {since}" if since else "needs reset",
        "seen": "seen, still so",
        "paused": "paused",
        "gone but not seen": "is over, look anyway",
    }[alarm.state]
    if alarm.state == "paused" and alarm.paused_until_ms is not None and now.synchronised:
        how = f"paused until {clock_words(alarm.paused_until_ms, now.wall_ms, zone)}"
    mark = "NOW " if alarm.level == "now" and alarm.waits else ""
    what = f"! {mark}{_where(alarm)}{' '.join(alarm.what.split()).rstrip('.')}"
    first = f" {sentence(alarm.first)}" if alarm.first and alarm.waits else ""
    return f"{what}{f' ({how})' if how else ''}.{first}"


def all_well(answer: Answer) -> bool:
    """Whether there is no alarm, and no box whose state or night asks for a look."""
    return not answer.alarms and not any(
        box.condition in TROUBLED
        or box.estimate_c is None
        or (box.in_band_frac is not None and box.in_band_frac < NEEDS_A_LOOK_BELOW)
        for box in answer.boxes
    )


def morning_words(
    answer: Answer | None, now: Moment, *, morning: str, zone: tzinfo | None
) -> tuple[str, str]:
    """Title and text of the one message of the day; ``answer`` None: the service is silent."""
    unset = ""
    if not now.synchronised:
        unset = (
            f"The clock of the computer is not set, so this comes a day after the last one, not at "
            f"{morning}."
        )
    if answer is None:
        text = "bottomheat does not answer: nothing is known of the night. Go and look."
        return "Morning: bottomheat does not answer", _joined([text, unset])
    helpers: list[str] = []
    if answer.away is not None:
        helpers = [
            f"{_where(a)}{sentence(a.helper)}" for a in answer.alarms if a.helper and not a.seen
        ]
    until = ""
    if answer.away is not None and now.synchronised:
        until = f"Away until {clock_words(answer.away.until_ms, now.wall_ms, zone)}."
    order = sorted(answer.alarms, key=lambda a: (not a.waits, a.level != "now", a.id))
    lines = [
        *dict.fromkeys(helpers),
        "Overnight, at the bases:",
        *(_box_line(box) for box in answer.boxes),
        *(_alarm_line(alarm, now, zone) for alarm in order),
        "" if answer.alarms else "No alarms.",
        until,
        unset,
    ]
    if all_well(answer):
        title = "Morning: all well"
    elif answer.alarms:
        count = len(answer.alarms)
        title = f"Morning: {count} alarm{'s' if count > 1 else ''}"
    else:
        title = "Morning: no alarms, but look at the boxes"
    return title, _joined(lines)


def as_sent(
    message: Message, now: Moment, why_late: str | None, notes: Sequence[str]
) -> tuple[str, str, float]:
    """Title, text and lateness (s) of a message at the time when it is handed over.

    Args:
        message: the message.
        now: the time.
        why_late: why the attempt before this one failed, or None.
        notes: what is wrong with the telling itself, one sentence each.
    """
    late_s = message.late_s(now)
    lines = [message.text]
    if late_s >= LATE_FROM_S:
        because = f": {why_late}" if why_late else ""
        lines.append(sentence(f"Sent {words(late_s)} late{because}"))
    lines += [sentence(note) for note in notes]
    return message.title, "\n".join(lines), late_s if late_s >= LATE_FROM_S else 0.0
