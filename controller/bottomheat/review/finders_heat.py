"""The finders of what heat, room and sun did.

The weights are judgement, tried on rehearsed faults (``tests/bench/diagnosis.py``).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from typing import Final

import numpy as np

from bottomheat.model import Alarm, EventKind, Place
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


# -- heat ------------------------------------------------------------------------------------


def _unasked(window: Window, seen: Features) -> Iterator[Candidate]:
    marks = alarm_marks(window, 6.0, _A.RELAY_STUCK_ON)
    if not marks:
        marks = text_marks(window, 5.0, "the mat warms with its relay open")
    off = _mat_warms_unasked(window, seen)
    if off is not None:
        at_s, rise_k = off
        text = f"the mat rose by {rise_k:.1f} K in 20 min with heat off"
        marks.append(Mark(2.5, text, at_s))
    if window.raised(_A.CUTOFF, _A.KEEPER_LATCHED) and off is not None:
        marks += alarm_marks(window, 2.0, _A.CUTOFF, _A.KEEPER_LATCHED)
    yield Candidate(Cause.HEAT_UNASKED, None, tuple(marks))


def _mat_warms_unasked(window: Window, seen: Features) -> tuple[float, float] | None:
    """When the mat first rose by 1.5 K in 20 min with its relay open all the while, and by what."""
    mat_c = window.at(Place.MAT)
    if np.isnan(mat_c).all():
        return None
    span = max(1, round(1200.0 / seen.cycle_s))
    if len(mat_c) <= span:
        return None
    heated = np.concatenate(([0], np.cumsum(window.heat)))
    off = (heated[span:-1] - heated[: -span - 1]) == 0
    rise_k = mat_c[span:] - mat_c[:-span]
    layer_c = window.at(Place.SUBSTRATE)
    warm = off & (rise_k >= 1.5) & (mat_c[span:] > layer_c[span:])
    hits = np.flatnonzero(warm)
    if not len(hits):
        return None
    return float(window.at_s[hits[0]]), float(np.nanmax(rise_k[warm]))


def _no_heat(window: Window, seen: Features) -> Iterator[Candidate]:
    weak = text_marks(window, 5.0, "gives less than two thirds of the heat")
    yield Candidate(Cause.WEAK_HEAT, None, tuple(weak))
    marks = text_marks(window, 3.0, "heat is switched on and the mat does not warm")
    doubted = window.raised(_A.NO_EFFECT, _A.SHORTFALL)
    share = _lead_share(window, doubted[0].at_s) if doubted else None
    if share is not None:
        at_s, left = share
        text = f"for the same heat the mat led the wet layer by {100 * left:.0f} % of what it did"
        if left <= 0.25:
            marks.append(Mark(3.0, text, at_s))
        elif left <= 0.75:
            yield Candidate(Cause.WEAK_HEAT, None, (Mark(6.0, text, at_s),))
            marks.append(Mark(-3.0, text, at_s))
    if not marks:
        marks = alarm_marks(window, 1.5, _A.NO_EFFECT)
    if not marks or marks[0].at_s is None:
        return
    at_s = marks[0].at_s
    fall_k = seen.mean(Place.SUBSTRATE, at_s - 900.0, at_s + 900.0) - seen.mean(
        Place.SUBSTRATE, at_s - 3 * HOUR_S, at_s - 2.5 * HOUR_S
    )
    if fall_k <= -0.4:
        text = f"the wet layer fell by {-fall_k:.1f} K in the hours around it, with heat asked for"
        marks.append(Mark(2.0, text, at_s))
    elif fall_k > -0.2:
        text = "the wet layer held its temperature all the same"
        marks.append(Mark(-3.0, text, at_s))
        moved = Mark(4.0, f"the mat's probe sees no heat, and {text}", at_s)
        yield Candidate(Cause.PROBE_DISPLACED, Place.MAT, (moved,))
    yield Candidate(Cause.NO_HEAT, None, tuple(marks))


def _lead_share(window: Window, at_s: float) -> tuple[float, float] | None:
    """How much of its lead over the layer a mat has kept for the same heat, from 0 to 1.

    By quarters of an hour with heat in them: those from a quarter before the alarm to the third
    hour after it, or until it ended, against those of the hours before.  None where too few are
    known.
    """
    lead_k = window.at(Place.MAT) - window.at(Place.SUBSTRATE)
    ended_s = min(
        (
            said.at_s
            for said in window.said
            if said.kind is EventKind.ALARM_CLEARED
            and said.alarm in (_A.NO_EFFECT, _A.SHORTFALL)
            and said.at_s > at_s
        ),
        default=math.inf,
    )
    early: list[float] = []
    late: list[float] = []
    if not len(window.at_s):
        return None
    for number in range(int(window.at_s[0] // 900), int(window.at_s[-1] // 900)):
        from_s = 900.0 * number
        rows = window.between(from_s, from_s + 900.0)
        part, heat = lead_k[rows], window.heat[rows]
        if not len(heat) or heat.mean() < 0.15 or np.isnan(part).mean() > 0.2:
            continue
        ratio = float(np.nanmean(part) / heat.mean())
        if from_s < at_s - 1.5 * HOUR_S:
            early.append(ratio)
        elif at_s - 900.0 <= from_s < min(ended_s - 900.0, at_s + 3 * HOUR_S):
            late.append(ratio)
    if len(early) < 6 or len(late) < 2 or float(np.median(early)) <= 0:
        return None
    return at_s, float(np.median(late) / np.median(early))


# -- the room and the outside ------------------------------------------------------------------


def _room_probe(window: Window, seen: Features) -> Iterator[Candidate]:
    marks = alarm_marks(window, 4.0, _A.ROOM_DOUBTED)
    still_s, _ = seen.still_s(Place.ROOM)
    if marks and still_s >= 3 * HOUR_S:
        text = f"it repeated itself for {still_s / HOUR_S:.0f} h, which warm air does not do"
        marks.append(Mark(-3.0, text))
    yield Candidate(Cause.ROOM_PROBE_WARMED, None, tuple(marks))


def _warm(window: Window, seen: Features) -> Iterator[Candidate]:
    marks = alarm_marks(window, 3.0, _A.WARM_WITHOUT_HEAT)
    marks += alarm_marks(window, 1.0, _A.CALLUS_HOT)
    at_s = _warmed_s(window, seen)
    if at_s is not None:
        text = "without heat for more than an hour the bed did not cool"
        marks.append(Mark(4.0, text, at_s))
    rise = _room_rise(window, seen)
    if not marks and rise is not None:
        high_k = _off_after(window, rise[0], HOUR_S, seen)
        if high_k > 0.3:
            text = f"the room rose by {rise[1]:.0f} K within three hours, the bases by {high_k:.1f}"
            yield Candidate(Cause.WARM_ROOM, None, (Mark(4.0, text, rise[0]),))
    if not marks or marks[0].at_s is None:
        return
    at_s = marks[0].at_s
    change_k = max(
        (seen.room_change(at_s, hours) for hours in (2.0, 4.0, 6.0)),
        key=lambda k: -math.inf if math.isnan(k) else k,
    )
    if change_k >= 4.0:
        text = f"the room had warmed by {change_k:.0f} K"
        yield Candidate(Cause.WARM_ROOM, None, (*marks, Mark(2.0, text, at_s)))
        marks.append(Mark(-1.0, text, at_s))
    else:
        marks.append(Mark(1.0, "the room had not warmed", at_s))
    yield Candidate(Cause.WARM_FROM_OUTSIDE, None, tuple(marks))


COOL_OFF_S: Final = 4500.0
"""Without heat for so long any bed has cooled by a tenth of its warmth or more."""


def _warmed_s(window: Window, seen: Features) -> float | None:
    """Since when the bed has kept its warmth without heat, or None.

    The mat, where it is measured, has to have kept near the layer: one that cools alone says that
    the layer's probe is not to be believed.
    """
    layer_c, mat_c, room_c = (window.at(p) for p in (Place.SUBSTRATE, Place.MAT, Place.ROOM))
    need = max(1, round(COOL_OFF_S / seen.cycle_s))
    for first, last in runs(~window.heat):
        if last - first < need:
            continue
        end = first + need - 1
        warmth_k = layer_c[first] - room_c[first]
        if math.isnan(warmth_k) or warmth_k < 3.0:
            continue
        kept = layer_c[end] >= layer_c[first] - 0.02 * warmth_k
        if mat_c[end] > layer_c[end] + 1.0:
            continue  # then it comes from the mat
        if kept and not mat_c[end] < layer_c[end] - max(2.0, 0.3 * warmth_k):
            return float(window.at_s[first])
    return None


def _cold(window: Window, seen: Features) -> Iterator[Candidate]:
    marks = alarm_marks(window, 3.0, _A.SHORTFALL)
    drop = _room_drop(window, seen)
    if drop is not None:
        at_s, drop_k = drop
        marks.append(Mark(2.5, f"the room fell by {drop_k:.0f} K within three hours", at_s))
        low_k = _off_after(window, at_s, HOUR_S, seen)
        if low_k < -0.3:
            marks.append(Mark(1.5, f"after it the bases were {-low_k:.1f} K low", at_s))
    elif marks:
        marks.append(Mark(-1.0, "the room had not grown colder", marks[0].at_s))
        if seen.duty(marks[0].at_s or 0.0, window.at_s[-1]) > 0.9:
            marks.append(Mark(0.5, "heat was on all the time", marks[0].at_s))
    yield Candidate(Cause.COLD_ROOM, None, tuple(marks))


def _off_after(window: Window, at_s: float, long_s: float, seen: Features) -> float:
    """How far off the setpoint the estimate was for an hour at a time after ``at_s``, at most, K.

    Signed; 0 where nothing is known.
    """
    rows = window.between(at_s, math.inf)
    off_k = (window.estimate_c - window.setpoint_c)[rows]
    size = max(1, round(long_s / seen.cycle_s))
    whole = len(off_k) // size
    if whole == 0 or np.isnan(off_k).all():
        return 0.0
    means = [
        float(np.nanmean(part))
        for part in np.array_split(off_k[: whole * size], whole)
        if not np.isnan(part).all()
    ]
    return max(means, key=abs, default=0.0)


def _room_rise(window: Window, seen: Features) -> tuple[float, float] | None:
    """When the room had risen by 5 K within three hours, and by how much at most."""
    return _room_moved(-window.at(Place.ROOM), window, seen)


def _room_drop(window: Window, seen: Features) -> tuple[float, float] | None:
    """When the room had fallen by 5 K within three hours, and by how much at most."""
    return _room_moved(window.at(Place.ROOM), window, seen)


def _room_moved(room_c: np.ndarray, window: Window, seen: Features) -> tuple[float, float] | None:
    span = round(3 * HOUR_S / seen.cycle_s)
    if len(room_c) <= span:
        return None
    fall_k = room_c[:-span] - room_c[span:]
    if np.isnan(fall_k).all() or np.nanmax(fall_k) < 5.0:
        return None
    first = int(np.flatnonzero(fall_k >= 5.0)[0])
    return float(window.at_s[first + span]), float(np.nanmax(fall_k))


FINDERS: Final[tuple[Finder, ...]] = (_unasked, _no_heat, _room_probe, _warm, _cold)
