"""The finders of what power, processes, probes and hands did.

The weights are judgement, tried on rehearsed faults (``tests/bench/diagnosis.py``).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from typing import Final

import numpy as np

from bottomheat.durations import words
from bottomheat.model import PLACE_WORDS, Alarm, EventKind, Fault, Place
from bottomheat.review.causes import Cause
from bottomheat.review.features import (
    HOUR_S,
    Candidate,
    Features,
    Mark,
    alarm_marks,
    runs,
    text_marks,
)
from bottomheat.review.window import Window

Finder = Callable[[Window, Features], Iterator[Candidate]]
_A = Alarm


DIED: Final = "the service died"
"""How the log tells that a run ended and nobody had ended it."""


# -- power and processes ---------------------------------------------------------------------


def _gaps(window: Window, _: Features) -> Iterator[Candidate]:
    for hole in window.holes:
        text = f"nothing was recorded for {words(max(60.0, hole.to_s - hole.from_s))}"
        if hole.cause == "power":
            marks = (Mark(8.0, f"{text}; the computer started anew after it", hole.from_s),)
            yield Candidate(Cause.POWER_CUT, None, marks)
        elif hole.cause in ("unknown", "log failed"):
            same = Mark(6.0, f"{text}, and the same run of the service went on", hole.from_s)
            yield Candidate(Cause.SERVICE_SILENT, None, (same,))
        elif hole.why.startswith(DIED):
            died = Mark(6.0, f"{text}: {hole.why}, and was started again", hole.from_s)
            yield Candidate(Cause.SERVICE_SILENT, None, (died,))


def _keeper(window: Window, _: Features) -> Iterator[Candidate]:
    marks = alarm_marks(window, 6.0, _A.KEEPER_SILENT)
    yield Candidate(Cause.KEEPER_SILENT, None, tuple(marks))
    refused = [
        Mark(6.0, e.text, e.at_s)
        for e in window.said
        if e.kind is EventKind.KEEPER
        and e.text.startswith("no heat: its probe")
        and "three good readings" not in e.text
        and "the limit is" not in e.text
    ][:1]
    yield Candidate(Cause.KEEPER_PROBE, None, tuple(refused))


# -- probes ----------------------------------------------------------------------------------


def _silent(_: Window, seen: Features) -> Iterator[Candidate]:
    for place, lost in seen.lost.items():
        if lost is None:
            continue
        from_s, to_s, why = lost
        if why is Fault.JUMP or (why is None and seen.jumped[place]):
            continue
        said = why.value if why is not None else "no good reading"
        weight = 5.0 if to_s - from_s >= 30.0 + 2 * seen.cycle_s else 1.0
        text = f"{PLACE_WORDS[place]}: {said}, for {words(max(60.0, to_s - from_s))}"
        yield Candidate(Cause.PROBE_SILENT, place, (Mark(weight + 2.0, text, from_s),))


def _frozen(window: Window, seen: Features) -> Iterator[Candidate]:
    for place in window.celsius:
        marks = text_marks(window, 6.0, f"{PLACE_WORDS[place]}: its probe stands still")
        long_s, since_s = seen.still_s(place)
        usual_s = _still_before(window, seen, place, since_s)
        if long_s >= 1.5 * HOUR_S and long_s >= (8.0 if place in _SLOW else 4.0) * usual_s:
            share = 4.0 if place is not Place.ROOM else 3.5
            if long_s >= 3 * HOUR_S and long_s >= 8.0 * usual_s:
                share += 1.0
            if place in _SLOW and _came_to_rest(window, place, since_s):
                share = 1.5  # it may well be as still as that
            text = (
                f"{PLACE_WORDS[place]}: the same reading for {words(long_s)}, "
                f"{words(usual_s)} at most before"
            )
            marks.append(Mark(share, text, since_s))
            doubted = [a for a in window.raised(Alarm.ROOM_DOUBTED) if a.at_s > since_s + HOUR_S]
            if place is Place.ROOM and doubted:
                marks.append(Mark(2.0, doubted[0].text, doubted[0].at_s))
        if marks and marks[0].at_s is not None:
            marks += _moves_again(window, place, marks[0].at_s)
        if marks and place is not Place.ROOM:
            elsewhere = _like_the_room(seen, place, long_s, since_s)
            if elsewhere is not None:
                marks.append(Mark(-8.0, elsewhere, since_s))
                yield Candidate(Cause.PROBE_DISPLACED, place, (Mark(5.0, elsewhere, since_s),))
        yield Candidate(Cause.PROBE_FROZEN, place, tuple(marks))


_SLOW: Final = (Place.ROOM, Place.CALLUS, Place.TOP)
"""Places that no window of heat reaches: they can stand still for hours by themselves."""
_FEW: Final = 6
_REVERSALS: Final = 0.3


def _came_to_rest(window: Window, place: Place, since_s: float) -> bool:
    """Whether a reading had slowed down before it stood still, as a place does that settles.

    A probe that breaks stops at once: its last changes follow each other as those before them, or
    the to and fro of its noise ends.
    """
    rows = window.between(since_s - 8 * HOUR_S, since_s + 1.0)
    values, times = window.at(place)[rows], window.at_s[rows]
    steps = np.diff(values)
    changed = np.flatnonzero((steps != 0.0) & ~np.isnan(steps))
    if len(changed) < _FEW:
        return False
    if np.mean(np.sign(steps[changed][1:]) != np.sign(steps[changed][:-1])) >= _REVERSALS:
        return False
    apart_s = np.diff(times[1:][changed])
    return float(np.mean(apart_s[-2:])) >= 2.0 * float(np.median(apart_s[:-2]))


def _moves_again(window: Window, place: Place, after_s: float) -> list[Mark]:
    """Against a frozen probe: later it moved by itself, over an hour or more."""
    times, values = window.at_s, window.at(place)
    moved = np.flatnonzero((np.diff(values) != 0.0) & (times[1:] > after_s + 60.0))
    if len(moved) < 10 or times[moved[-1]] - times[moved[0]] < HOUR_S:
        return []
    if window.raised(Alarm.CUTOFF):
        return []  # nobody may have left it alone
    text = f"{PLACE_WORDS[place]}: it moved again later, by itself"
    return [Mark(-5.0, text, float(times[moved[0] + 1]))]


def _like_the_room(seen: Features, place: Place, long_s: float, since_s: float) -> str | None:
    """What to say where a probe that stands still shows what the room shows, or None."""
    if math.isnan(since_s) or long_s < 600.0:
        return None
    there_c = seen.mean(place, since_s, since_s + long_s)
    room_c = seen.mean(Place.ROOM, since_s, since_s + long_s)
    before_c = seen.mean(place, since_s - 3 * HOUR_S, since_s - 2 * HOUR_S)
    if math.isnan(room_c) or abs(there_c - room_c) > 1.5 or abs(before_c - room_c) < 3.0:
        return None
    return f"{PLACE_WORDS[place]}: it shows what the room shows, {there_c:.1f} °C"


def _still_before(window: Window, seen: Features, place: Place, since_s: float) -> float:
    """The longest stretch of one reading before a time, s; at least a minute."""
    if math.isnan(since_s):
        return math.inf
    rows = window.between(-math.inf, since_s)
    values, times = window.at(place)[rows], window.at_s[rows]
    same = np.append(False, np.diff(values) == 0.0) if len(values) > 1 else np.zeros(0, bool)
    lengths = [float(times[last - 1] - times[first - 1]) for first, last in runs(same)]
    if not lengths or len(values) * seen.cycle_s < HOUR_S:
        return math.inf
    return max(60.0, *lengths)


def _displaced(window: Window, seen: Features) -> Iterator[Candidate]:
    marks = text_marks(window, 5.0, "the wet-layer probe is displaced")
    step = _sudden(window, seen, Place.SUBSTRATE)
    if marks and step is not None:
        text = f"it moved by {step[1]:+.1f} K from one reading to the next: a probe takes minutes"
        marks.append(Mark(-3.0, text, step[0]))
    yield Candidate(Cause.PROBE_DISPLACED, Place.SUBSTRATE, tuple(marks))
    marks = text_marks(window, 6.0, "the callus probe is displaced")
    yield Candidate(Cause.PROBE_DISPLACED, Place.CALLUS, tuple(marks))
    for place in window.celsius:
        if seen.jumped[place] and place is not Place.ROOM:
            at_s = next(at for at, p, f in window.faults if p is place and f is Fault.JUMP)
            text = f"{PLACE_WORDS[place]}: jumped from one reading to the next"
            yield Candidate(Cause.PROBE_DISPLACED, place, (Mark(4.0, text, at_s),))


# -- the rest ----------------------------------------------------------------------------------


def _others(window: Window, _: Features) -> Iterator[Candidate]:
    yield Candidate(Cause.CROSSED, None, tuple(alarm_marks(window, 7.0, _A.CROSSED)))
    yield Candidate(Cause.SERIES_STUCK, None, tuple(alarm_marks(window, 5.0, _A.SERIES_STUCK)))


def _swapped(window: Window, seen: Features) -> Iterator[Candidate]:
    """A place of two boxes that changed over, each to where the other had been."""
    for name, readings in window.beside.items():
        for place, least_k, span_s in (
            (Place.SUBSTRATE, 0.7, 300.0),
            (Place.MAT, 4.0, 600.0),  # a whole window of heat
        ):
            theirs = readings.get(place)
            if theirs is None or place not in window.celsius:
                continue
            found = _changed_over(window.at(place), theirs, seen.cycle_s, least_k, span_s)
            if found is not None:
                index, before_k, after_k = found
                text = (
                    f"{PLACE_WORDS[place]}: {before_k:+.1f} K against {name} before, "
                    f"{after_k:+.1f} K from one minute to the next"
                )
                mark = Mark(6.0, text, float(window.at_s[index]))
                yield Candidate(Cause.CROSSED, None, (mark,))


def _changed_over(
    ours: np.ndarray, theirs: np.ndarray, cycle_s: float, least_k: float, span_s: float
) -> tuple[int, float, float] | None:
    """Where a difference turned into its opposite at once, K before and after, or None.

    Both have to have moved, each by a fair part of the difference; and it was the same for half an
    hour before, because a bed that cools past another one crosses it slowly.

    Args:
        ours: readings of a place of this box, °C.
        theirs: of the other box.
        cycle_s: time between them, s.
        least_k: smaller differences say nothing, K.
        span_s: length of the means that are compared, s.
    """
    apart = ours - theirs
    span, near = max(1, round(span_s / cycle_s)), max(1, round(SETTLES_S / cycle_s))
    long = max(span, round(1800.0 / cycle_s))
    at = np.arange(long + span, len(apart) - near - span)
    if not len(at):
        return None
    good = np.where(np.isnan(apart), 0.0, apart)
    count = np.concatenate(([0], np.cumsum(~np.isnan(apart))))
    total = np.concatenate(([0.0], np.cumsum(good)))

    def mean(first: np.ndarray, last: np.ndarray) -> np.ndarray:
        with np.errstate(invalid="ignore", divide="ignore"):
            return np.asarray((total[last] - total[first]) / (count[last] - count[first]))

    before, after = mean(at - span, at), mean(at + near, at + near + span)
    early = mean(at - span - long, at - span)
    known = np.minimum(
        np.minimum(count[at] - count[at - span], count[at + near + span] - count[at + near]) * 2,
        (count[at - span] - count[at - span - long]) * 2 * span // long,
    )
    fits = (
        (known >= span)  # half of each, or it is not known
        & (np.abs(before) >= least_k)
        & (np.abs(after + before) <= 0.35 * np.abs(before))
        & (np.abs(early - before) <= 0.25 * np.abs(before))
    )
    for index in np.flatnonzero(fits):
        here, before_k = int(at[index]), float(before[index])
        if all(
            _moved(each, here, near, span) * sign * np.sign(before_k) >= 0.5 * abs(before_k)
            for each, sign in ((ours, -1.0), (theirs, 1.0))
        ):
            return here, before_k, float(after[index])
    return None


SETTLES_S: Final = 180.0
"""A probe that is moved shows its new place after so long (its lag is some 40 s)."""


def _moved(values: np.ndarray, at: int, near: int, span: int) -> float:
    """How far a reading went over a moment, K; NaN where it is not known."""
    after, before = values[at + near : at + near + span], values[at - span : at]
    if np.isnan(after).all() or np.isnan(before).all():
        return math.nan
    return float(np.nanmean(after) - np.nanmean(before))


def _opened(window: Window, seen: Features) -> Iterator[Candidate]:
    marks = text_marks(window, 4.0, "box opened, filled or watered")
    if window.tended:
        tended = window.tended[0]
        marks.append(Mark(4.0, f"the grower said so: {tended.doing}", tended.from_s))
    step = _sudden(window, seen, Place.SUBSTRATE)
    if step is not None and marks:
        at_s, step_k = step
        text = f"the wet layer moved by {step_k:+.1f} K from one reading to the next"
        marks.append(Mark(-2.5, f"{text}, which no bed does", at_s))
    yield Candidate(Cause.OPENED, None, tuple(marks))


def _wrong(window: Window, seen: Features) -> Iterator[Candidate]:
    for place in window.celsius:
        step = _sudden(window, seen, place)
        if step is None:
            continue
        at_s, step_k = step
        text = (
            f"{PLACE_WORDS[place]}: {step_k:+.1f} K from one reading to the next, and it stayed so"
        )
        yield Candidate(Cause.PROBE_WRONG, place, (Mark(4.5, text, at_s),))


def _filled(values: np.ndarray) -> np.ndarray:
    """Values with each gap filled by the one before it: a step shows across rejected readings."""
    index = np.where(np.isnan(values), 0, np.arange(len(values)))
    return np.asarray(values[np.maximum.accumulate(index)])


def _sudden(window: Window, seen: Features, place: Place) -> tuple[float, float] | None:
    """A step of a kelvin or more between two readings that then stays: when, and by how much."""
    values = _filled(window.at(place))
    steps = np.diff(values)
    steps[np.diff(window.at_s) > 5.0 * seen.cycle_s] = 0.0  # what happened in a hole is not known
    if not len(steps) or np.isnan(steps).all():
        return None
    index = int(np.nanargmax(np.abs(steps)))
    step_k = float(steps[index])
    others = np.delete(np.abs(steps), index)
    if abs(step_k) < 1.0 or abs(step_k) < 2.5 * float(np.nanmax(others, initial=0.0)):
        return None
    near = max(3, round(120.0 / seen.cycle_s))
    before = values[max(0, index - near) : index + 1]
    after = values[index + 1 : index + 1 + near]
    stayed = float(np.nanmean(after)) - float(np.nanmean(before))
    if abs(stayed) < 0.6 * abs(step_k) or stayed * step_k < 0:
        return None
    return float(window.at_s[index + 1]), step_k


def _layers(window: Window, seen: Features) -> Iterator[Candidate]:
    """Two probes on one layer that disagree: which one left the other."""
    marks = alarm_marks(window, 1.0, _A.SUBSTRATES_DISAGREE)
    if not marks or Place.SUBSTRATE_2 not in window.celsius:
        return
    apart = np.abs(window.at(Place.SUBSTRATE) - window.at(Place.SUBSTRATE_2))
    over = np.flatnonzero(apart > 1.0)
    if not len(over):
        return
    at_s = float(window.at_s[over[0]])
    pair = (Place.SUBSTRATE, Place.SUBSTRATE_2)
    moved = {place: abs(seen.step(place, at_s - 300.0, 600.0)) for place in pair}
    for place, moved_k in moved.items():
        if moved_k >= 0.8:
            text = f"{PLACE_WORDS[place]}: moved by {moved_k:.1f} K when the two parted"
            yield Candidate(Cause.PROBE_DISPLACED, place, (*marks, Mark(3.0, text, at_s)))
    if max(moved.values()) < 0.8:
        yield from _drifted(window, seen, marks, at_s)


def _drifted(window: Window, seen: Features, marks: list[Mark], at_s: float) -> Iterator[Candidate]:
    """Two probes that parted slowly: the mat, less its lead for that heat, tells which is right."""
    first_s, last_s = float(window.at_s[0]), float(window.at_s[-1])
    span_s = min(2 * HOUR_S, (last_s - first_s) / 4)
    early, late = (first_s, first_s + span_s), (last_s - span_s, last_s)
    pair = (Place.SUBSTRATE, Place.SUBSTRATE_2)
    duty, duty_then = seen.duty(*early), seen.duty(*late)
    lead_k = seen.mean(Place.MAT, *early) - sum(seen.mean(p, *early) for p in pair) / 2
    if math.isnan(lead_k) or not duty > _LEAST_DUTY:
        return
    layer_c = seen.mean(Place.MAT, *late) - lead_k * duty_then / duty
    off_k = {place: seen.mean(place, *late) - layer_c for place in pair}
    if any(math.isnan(k) for k in off_k.values()):
        return
    gone, right = sorted(pair, key=lambda place: -abs(off_k[place]))
    if abs(off_k[gone]) - abs(off_k[right]) < 0.3:
        return
    text = (
        f"{PLACE_WORDS[gone]}: in the end {off_k[gone]:+.1f} K off what mat and heat say, "
        f"the other {off_k[right]:+.1f}"
    )
    yield Candidate(Cause.PROBE_WRONG, gone, (*marks, Mark(3.0, text, at_s)))


_LEAST_DUTY: Final = 0.05


FINDERS: Final[tuple[Finder, ...]] = (
    _gaps,
    _keeper,
    _silent,
    _frozen,
    _displaced,
    _others,
    _swapped,
    _opened,
    _wrong,
    _layers,
)
