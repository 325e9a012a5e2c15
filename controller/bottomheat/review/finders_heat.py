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
    APART_K,
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
        text = (
            f"for the same heat the mat is {100 * left:.0f} % as far above the wet layer as it was"
        )
        if left < 0.05:
            text = "heat makes the mat no warmer than the wet layer"
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
    off = _off_the_mat(seen, at_s)
    if off is not None:
        yield Candidate(Cause.PROBE_DISPLACED, Place.MAT, (Mark(6.0, off, at_s),))
        yield Candidate(Cause.NO_HEAT, None, (*marks, Mark(-8.0, off, at_s)))
        return
    fall_k = _layer_fall_k(window, seen, at_s)
    if fall_k <= -0.4:
        text = f"the wet layer fell by {-fall_k:.1f} K in the hours around it, with heat asked for"
        marks.append(Mark(2.0, text, at_s))
    elif fall_k > -0.2:
        text = "the wet layer held its temperature all the same"
        marks.append(Mark(-3.0, text, at_s))
        moved = Mark(4.0, f"the mat's probe sees no heat, and {text}", at_s)
        yield Candidate(Cause.PROBE_DISPLACED, Place.MAT, (moved,))
    yield Candidate(Cause.NO_HEAT, None, tuple(marks))


def _layer_fall_k(window: Window, seen: Features, at_s: float) -> float:
    """How far the wet layer moved around an alarm with heat asked for, K.

    From three hours before it to two hours after it, for a deep bed takes its time; nearer where
    heat was asked for no longer, or the window ends.
    """
    ends_s = float(window.at_s[-1]) if len(window.at_s) else at_s
    later_s = min(at_s + 2 * HOUR_S, ends_s - 900.0)
    if seen.duty(at_s, later_s) < 0.7 * seen.duty(at_s - 3 * HOUR_S, at_s):
        later_s = at_s
    before_c = seen.mean(Place.SUBSTRATE, at_s - 3 * HOUR_S, at_s - 2.5 * HOUR_S)
    return seen.mean(Place.SUBSTRATE, later_s - 900.0, later_s + 900.0) - before_c


OFF_THE_MAT: Final = 0.5
"""A mat without heat lies under a warm layer, and keeps more than this of the layer's warmth."""


def _off_the_mat(seen: Features, at_s: float) -> str | None:
    """What to say where the mat's probe is colder than the mat under that layer can be."""
    share = seen.between_room_and_layer(Place.MAT, at_s, at_s + 1800.0)
    if math.isnan(share) or share > OFF_THE_MAT:
        return None
    mat_c, layer_c = (seen.mean(p, at_s, at_s + 1800.0) for p in (Place.MAT, Place.SUBSTRATE))
    return (
        f"the mat's probe shows {mat_c:.0f} °C under a wet layer of {layer_c:.0f}, which no mat "
        "does that lies under it"
    )


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
    still_s, since_s = seen.still_s(Place.ROOM)
    on_s = since_s + still_s
    if marks and still_s >= 3 * HOUR_S and on_s > (marks[0].at_s or 0.0) + 1800.0:
        text = f"it repeated itself for {still_s / HOUR_S:.0f} h, which warm air does not do"
        marks.append(Mark(-3.0, text))
    warmed_s = marks[0].at_s if marks else None
    told = None if warmed_s is None else _room_by_heat(window, seen, warmed_s)
    if told is not None:
        read_c, needed_c = told
        text = f"it read {read_c:.0f} °C, and the box took the heat of a room at {needed_c:.0f}"
        warmed = needed_c < read_c - NEAR_K
        marks.append(Mark(1.0 if warmed else -4.0, text, warmed_s))
        if not warmed:
            yield Candidate(Cause.WARM_ROOM, None, (Mark(4.0, text, warmed_s),))
    yield Candidate(Cause.ROOM_PROBE_WARMED, None, tuple(marks))


NEAR_K: Final = 3.0
"""Two rooms that differ by less are one, as far as the heat of a box can tell (judgement)."""


def _room_by_heat(window: Window, seen: Features, at_s: float) -> tuple[float, float] | None:
    """What the room read after it had warmed, and what it was by the heat that the box took, °C.

    In steady state heat flows in proportion to what the wet layer is above the room; so the duty of
    before gives the scale.  Looked at from one to four hours after, while the reading stays high;
    None where the duty of before says little, or the reading came back within that time.
    """
    from_s, to_s = at_s - 3.5 * HOUR_S, at_s - 0.5 * HOUR_S
    layer_k = seen.mean(Place.SUBSTRATE, from_s, to_s) - seen.mean(Place.ROOM, from_s, to_s)
    duty = seen.duty(from_s, to_s)
    if math.isnan(layer_k) or math.isnan(duty) or layer_k < APART_K or duty < LEAST_DUTY:
        return None
    before_c = seen.mean(Place.ROOM, at_s - 3.5 * HOUR_S, at_s - HOUR_S)
    high_c = seen.mean(Place.ROOM, at_s, at_s + 900.0)
    rows = window.between(at_s + HOUR_S, at_s + 4 * HOUR_S)
    room_c = window.at(Place.ROOM)[rows]
    back = np.flatnonzero(room_c < (before_c + high_c) / 2)
    end = int(back[0]) if len(back) else len(room_c)
    if high_c < before_c + NEAR_K or end * seen.cycle_s < 1800.0:
        return None
    layer_c, heat = window.at(Place.SUBSTRATE)[rows][:end], window.heat[rows][:end]
    if np.isnan(layer_c).all() or np.isnan(room_c[:end]).all():
        return None
    read_c, on = float(np.nanmean(room_c[:end])), float(heat.mean())
    needed_c = float(np.nanmean(layer_c)) - on * layer_k / duty
    if on < NO_DUTY:
        needed_c = max(needed_c, read_c)  # without heat it is as warm as that at least
    return read_c, needed_c


NO_DUTY: Final = 0.02
LEAST_DUTY: Final = 0.08
"""With less heat than that there is nothing to scale by (judgement)."""


def _warm(window: Window, seen: Features) -> Iterator[Candidate]:
    marks = alarm_marks(window, 3.0, _A.WARM_WITHOUT_HEAT)
    marks += alarm_marks(window, 1.0, _A.CALLUS_HOT)
    at_s = _warmed_s(window, seen)
    if at_s is not None:
        text = "without heat for more than an hour the bed did not cool"
        marks.append(Mark(4.0, text, at_s))
    lifted = _lifted(window, seen)
    if lifted is not None and not marks:
        at_s, high_k, share = lifted
        text = (
            f"the bases came {high_k:.1f} K above their setpoint on {100 * share:.0f} % of the "
            "heat that this room asks for"
        )
        yield Candidate(Cause.WARM_FROM_OUTSIDE, None, (Mark(3.5, text, at_s),))
    rise = _room_rise(window, seen)
    if not marks and rise is not None:
        high_k = _off_after(window, rise[0], HOUR_S, seen)
        if high_k > 0.3:
            text = f"the room rose by {rise[1]:.0f} K within three hours, the bases by {high_k:.1f}"
            said = [Mark(4.0, text, rise[0]), *_only_the_probe(window, seen, rise[0])]
            yield Candidate(Cause.WARM_ROOM, None, tuple(said))
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
    elif (room_c := seen.mean(Place.ROOM, at_s - 900.0, at_s)) > _set_c(window, at_s) - NEAR_K:
        text = f"with the room at {room_c:.0f} °C the bed cannot cool"
        yield Candidate(Cause.WARM_ROOM, None, (*marks, Mark(2.0, text, at_s)))
    else:
        marks.append(Mark(1.0, "the room had not warmed", at_s))
    yield Candidate(Cause.WARM_FROM_OUTSIDE, None, tuple(marks))


LIFTED_K: Final = 0.5
LIFTED_SHARE: Final = 0.6


def _lifted(window: Window, seen: Features) -> tuple[float, float, float] | None:
    """When the bases were above their setpoint for an hour though heat had been cut back.

    Against two hours before: the wet layer is as warm or warmer, the mat has cooled, and the heat
    is well below what the difference of layer and room asks for.  Then something else warms the
    bed.  With it: how far above, K, and the share of that heat.
    """
    span_s = 1800.0
    if not len(window.at_s):
        return None
    first_s, last_s = float(window.at_s[0]), float(window.at_s[-1])
    off_k = window.estimate_c - window.setpoint_c
    for number in range(int((last_s - first_s) / span_s) - 5):
        early = first_s + number * span_s, first_s + (number + 1) * span_s
        late = early[0] + 4 * span_s, early[1] + 4 * span_s
        part = off_k[window.between(late[0], late[0] + 2 * span_s)]
        if not len(part) or np.isnan(part).any() or float(part.min()) < LIFTED_K:
            continue
        layer_c, room_c, mat_c = (
            [seen.mean(place, *when) for when in (early, late)]
            for place in (Place.SUBSTRATE, Place.ROOM, Place.MAT)
        )
        duty = seen.duty(*early)
        apart_k = layer_c[0] - room_c[0]
        if not (duty >= LEAST_DUTY and apart_k >= APART_K and mat_c[1] <= mat_c[0] - 2.0):
            continue
        share = seen.duty(*late) / (duty * (layer_c[1] - room_c[1]) / apart_k)
        if layer_c[1] >= layer_c[0] - 0.1 and 0.0 <= share <= LIFTED_SHARE:
            return late[0], float(part.max()), share
    return None


def _set_c(window: Window, at_s: float) -> float:
    """The setpoint at a time, °C; NaN where there are no rows."""
    if not len(window.setpoint_c):
        return math.nan
    index = int(np.searchsorted(window.at_s, at_s))
    return float(window.setpoint_c[min(index, len(window.setpoint_c) - 1)])


def _only_the_probe(window: Window, seen: Features, at_s: float) -> list[Mark]:
    """Against a warm room: the box went on taking the heat of the room of before."""
    doubted = window.raised(_A.ROOM_DOUBTED)
    told = _room_by_heat(window, seen, doubted[0].at_s if doubted else at_s)
    if told is None or told[1] >= told[0] - NEAR_K:
        return []
    text = f"the box took the heat of a room at {told[1]:.0f} °C, not {told[0]:.0f}"
    return [Mark(-4.0, text, at_s)]


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
        if np.ptp(layer_c[first : end + 1]) == 0.0:
            continue  # a probe that repeats itself tells of no warmth
        kept = layer_c[end] >= layer_c[first] - 0.02 * warmth_k
        if mat_c[end] > layer_c[end] + 1.0:
            continue  # then it comes from the mat
        if kept and not mat_c[end] < layer_c[end] - max(2.0, 0.3 * warmth_k):
            return float(window.at_s[first])
    return None


def _cold(window: Window, seen: Features) -> Iterator[Candidate]:
    marks = alarm_marks(window, 3.0, _A.SHORTFALL)
    short = window.raised(_A.SHORTFALL)
    drop = _room_drop(window, seen)
    if drop is not None:
        at_s, drop_k = drop
        marks.append(Mark(2.5, f"the room fell by {drop_k:.0f} K within three hours", at_s))
        low_k = _off_after(window, at_s, HOUR_S, seen)
        if low_k < -0.3:
            marks.append(Mark(1.5, f"after it the bases were {-low_k:.1f} K low", at_s))
    elif marks:
        marks.append(Mark(-1.0, "the room had not grown colder", marks[0].at_s))
    bound = _at_its_bound(window, seen)
    if bound is not None:
        at_s, low_k = bound
        text = f"heat was on all the time for hours, and the bases stayed {low_k:.1f} K low"
        marks.append(Mark(1.5 if marks else 3.0, text, at_s))
    elif short and seen.duty(short[0].at_s - 2 * HOUR_S, short[0].at_s) > 0.97:
        marks.append(Mark(1.5, "heat had been on all the time for hours", short[0].at_s))
    yield Candidate(Cause.COLD_ROOM, None, tuple(marks))


AT_BOUND_S: Final = 3 * HOUR_S


def _at_its_bound(window: Window, seen: Features) -> tuple[float, float] | None:
    """Since when heat was on all the time for three hours and the bases low and not rising."""
    span, quarter = round(AT_BOUND_S / seen.cycle_s), max(1, round(900.0 / seen.cycle_s))
    low_k = window.setpoint_c - window.estimate_c
    on = np.concatenate(([0], np.cumsum(window.heat)))
    for first in range(0, len(low_k) - span, quarter):
        if on[first + span] - on[first] < 0.97 * span:
            continue
        part = low_k[first : first + span]
        begin, end = part[:quarter], part[-quarter:]
        if np.isnan(begin).all() or np.isnan(end).all() or np.nanmin(part) < 0.5:
            continue
        if np.nanmean(end) > np.nanmean(begin) - 0.3:
            return float(window.at_s[first]), float(np.nanmean(part))
    return None


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
    # A room that only comes back to where it was has not turned cold, or warm.
    lowest_c = np.fmin.accumulate(room_c)[:-span]
    fall_k = np.where(lowest_c - room_c[span:] >= NEAR_K, fall_k, 0.0)
    if np.isnan(fall_k).all() or np.nanmax(fall_k) < 5.0:
        return None
    first = int(np.flatnonzero(fall_k >= 5.0)[0])
    return float(window.at_s[first + span]), float(np.nanmax(fall_k))


FINDERS: Final[tuple[Finder, ...]] = (_unasked, _no_heat, _room_probe, _warm, _cold)
