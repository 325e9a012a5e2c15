"""Has the heat contact welded?  The keeper's own rule: relay open, and its mat gets warmer.

Pure.  The keeper knows its commands and one mat probe, nothing of the bed.  After real heat a mat
falls towards the layer within minutes of the opening; under full power it rises, quickly at first
and then for hours.  A mat that rises, or fails to fall, with its relay open is a *suspicion*: the
keeper holds the heat relay open and watches.  What else warms a mat fails the watch: water and a
warm box are used up within minutes, sun and a lamp are slower.  A suspicion that fails ends without
an alarm, and the next one waits an hour, because a bed without heat for a sixth of the time is
hardly colder.

==========  ======================================================================================
suspicion   relay open, mat at 28 °C or more, and it rose 0.5 K within 6 minutes; or it did not
            fall in the last off phase (in the last two, where it never fell by much)
watch       12 minutes with the relay open
welded, if  it rose 1.0 K or more, with 0.35 K and a seventh of the whole in the last third; without
            any heat in the half hour before, the first third also has to bring more than the last,
            because heat from above comes through the bed late
or, if      it had been heated for 35 % of the half hour before, answered by falling until 2 hours
            ago at most, is 0.25 K or more above where it was then, and rose 0.15 K: a mat that is
            heated so much has to fall, and one whose heater has died is far below
==========  ======================================================================================

The numbers come from simulation on two chamber models: mats of 15 to 150 W, probe lag 40 s, noise
up to 0.1 K, water of 8 to 35 °C, bags, lids, sun, sheds that warm by 4 K/h.  Nobody has welded a
contact for them.  What they cannot see, off phases of less than 100 s one after the other and mats
that lead the layer by little, the controller has to find with its model and its other probes.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

POINT_S = 30.0
"""Readings are averaged over this long, s: several of them even at one in 10 s."""

KEPT_S = 780.0
"""How long averages are kept, s: the watch and one more minute."""

SETTLE_S = 75.0
"""A probe in its sleeve goes on rising so long after the opening, s: about two of its lags."""

FLOOR_C = 28.0
"""Below this mat a weld does no harm, and water, bags and boxes may well be warmer than it."""

RISE_K = 0.5
RISE_WITHIN_S = 360.0
"""Together 5 K/h: faster than a shed warms."""

PHASE_S = 100.0
HEATED_S = 60.0
PHASES = 2
CLEAR_FALL_K = 0.4
"""An off phase counts from ``PHASE_S`` on, after ``HEATED_S`` of heat.  So many running without a
fall are suspect; one is, where the mat fell by ``CLEAR_FALL_K`` before."""

WATCH_S = 720.0
CONFIRM_K = 1.0
LAST_K = 0.35
LAST_SHARE = 0.14
"""Length of the watch, the rise in it, and what of that its last third has to bring."""

STAYS_SHARE = 0.35
ANSWERED_WITHIN_S = 7200.0
ABOVE_K = 0.25
STAYS_K = 0.15
"""What makes a mat that hardly rises a welded one: see the table."""

COLD_S = 1800.0
"""Without heat for so long, s, the lead of the mat is gone (slow time constant half an hour)."""

REST_S = 3600.0
"""After a watch that found nothing, s, before the next one."""

STILL_RISING_K = 0.3
RISING_WITHIN_S = 600.0
"""A reset waits while the mat has risen by so much in so long."""

CHECKING = "checking whether its relay opens"
"""The first words of the reason while a suspicion is watched."""

WELDED = "the contact has welded, or another source heats it"
"""The words by which a latch of this rule is known, after a restart too."""


@dataclass(frozen=True, slots=True)
class Watch:
    """What is remembered of one mat and its relay.

    Attributes:
        closed: whether the relay was last commanded closed.
        live: whether heat could flow through a welded contact: the series relay is not open.
        since_s: since when, or since ``live`` changed, s; None before the first look.
        heated_s: length of the last spell of heat, s.
        warm_until_s: end of the last spell of heat, s; None if there was none.
        points: averages of the mat, (time of the middle in s, °C), oldest first.
        filling: the average in the making: its start in s, sum in °C, number of readings.
        seen_s: time of the newest reading taken in.
        unfallen: off phases running in which the mat did not fall.
        suspected_s: when the watch began, or None.
        from_c: mat at that time, °C.
        cold: whether no heat had been asked for before that.
        rest_until_s: no new suspicion before, s.
        armed: whether the mat has stood still, or been heated, since the last watch.
        share: share of the time with heat, a slow mean, 0...1.
        share_then: the same when the watch began.
        answered_s: opening of the last off phase in which the mat fell, s; None if there was none.
        answered_c: mat at that time, °C.
        fall_k: by how much it falls in an off phase, K; a quick mean.
    """

    closed: bool = False
    live: bool = True
    since_s: float | None = None
    heated_s: float = 0.0
    warm_until_s: float | None = None
    points: tuple[tuple[float, float], ...] = ()
    filling: tuple[float, float, int] | None = None
    seen_s: float | None = None
    unfallen: int = 0
    suspected_s: float | None = None
    from_c: float = 0.0
    cold: bool = False
    rest_until_s: float = -math.inf
    armed: bool = True
    share: float = 0.0
    share_then: float = 0.0
    answered_s: float | None = None
    answered_c: float = 0.0
    fall_k: float = 0.0


def commanded(watch: Watch, closed: bool, now_s: float, *, live: bool = True) -> Watch:
    """Note what the relays are told to do from now on.

    Args:
        watch: as of the last look.
        closed: what the heat relay is told.
        now_s: monotonic time, s.
        live: False while the series relay is open; a watch would show nothing then, and ends.
    """
    if live is not watch.live:
        heated = watch.closed and not live
        watch = replace(
            watch,
            live=live,
            since_s=now_s,
            warm_until_s=now_s if heated else watch.warm_until_s,
            suspected_s=None,
        )
    if watch.since_s is None:
        return replace(watch, closed=closed, since_s=now_s)
    if closed is watch.closed:
        return watch
    if closed:
        return replace(_weigh_phase(watch, now_s), closed=True, since_s=now_s)
    return replace(
        watch,
        closed=False,
        since_s=now_s,
        heated_s=now_s - watch.since_s if watch.live else 0.0,
        warm_until_s=now_s if watch.live else watch.warm_until_s,
        armed=True,
    )


def look(watch: Watch, reading: tuple[float, float] | None, now_s: float) -> tuple[Watch, str]:
    """Take in the newest trusted reading; the text is the cause of a latch, else empty.

    Args:
        watch: as of the last look.
        reading: °C and its time in s; None while the probe is not trusted, which ends a watch.
        now_s: monotonic time, s.
    """
    if reading is None:
        if not watch.points and watch.filling is None:
            return watch, ""
        return replace(watch, points=(), filling=None, unfallen=0, suspected_s=None), ""
    celsius, at_s = reading
    if watch.seen_s is not None and at_s <= watch.seen_s:
        return watch, ""
    before = watch.points
    watch = _take(replace(watch, seen_s=at_s), celsius, at_s)
    if watch.points is before or watch.closed or not watch.live or watch.since_s is None:
        return watch, ""
    if watch.suspected_s is not None:
        return _judge(watch, watch.suspected_s, now_s)
    return _suspect(watch, watch.since_s, now_s), ""


def forget(watch: Watch) -> Watch:
    """Begin afresh after the clock broke; nothing timed before can be compared."""
    return Watch(closed=watch.closed)


def checking(watch: Watch, now_s: float) -> str:
    """Why heat has to wait for a suspicion, and how long; empty without one."""
    if watch.suspected_s is None:
        return ""
    minutes = math.ceil(max(1.0, watch.suspected_s + WATCH_S + POINT_S - now_s) / 60.0)
    return f"{CHECKING}: {minutes} minute{'' if minutes == 1 else 's'} to go"


def obstacle_to_reset(watch: Watch) -> str | None:
    """Why a latch of this rule is not cleared yet, as far as the last 10 minutes are known."""
    if not watch.points:
        return None
    last_s, last_c = watch.points[-1]
    known = [point for point in watch.points if last_s - point[0] <= RISING_WITHIN_S]
    rise_k = last_c - known[0][1]
    if rise_k < STILL_RISING_K:
        return None
    minutes = (last_s - known[0][0]) / 60.0
    return (
        f"its mat is still getting warmer, by {rise_k:.1f} K in {minutes:.0f} minutes; "
        "unplug it and wait"
    )


def _take(watch: Watch, celsius: float, at_s: float) -> Watch:
    filling = watch.filling
    if filling is None:
        return replace(watch, filling=(at_s, celsius, 1))
    start_s, sum_c, count = filling
    if at_s - start_s < POINT_S:
        return replace(watch, filling=(start_s, sum_c + celsius, count + 1))
    point = (start_s + 0.5 * POINT_S, sum_c / count)
    kept = [each for each in watch.points if each[0] > point[0] - KEPT_S]
    heated = float(watch.closed and watch.live)
    share = watch.share + (heated - watch.share) * -math.expm1(-POINT_S / COLD_S)
    return replace(watch, points=(*kept, point), filling=(at_s, celsius, 1), share=share)


def _suspect(watch: Watch, opened_s: float, now_s: float) -> Watch:
    last_s, last_c = watch.points[-1]
    after_s = max(opened_s + SETTLE_S, last_s - RISE_WITHIN_S)
    seen = [celsius for at_s, celsius in watch.points if at_s >= after_s]
    if not seen:
        return watch
    rise_k = last_c - min(seen)
    if not watch.armed:
        long_enough = last_s - after_s >= RISE_WITHIN_S - POINT_S
        return replace(watch, armed=True) if long_enough and rise_k < 0.5 * RISE_K else watch
    unfallen = watch.unfallen >= (1 if watch.fall_k >= CLEAR_FALL_K else PHASES)
    if last_c < FLOOR_C or now_s < watch.rest_until_s or not (rise_k >= RISE_K or unfallen):
        return watch
    cold = watch.warm_until_s is None or now_s - watch.warm_until_s >= COLD_S
    return replace(
        watch,
        suspected_s=last_s,
        from_c=_at(watch, last_s),
        cold=cold,
        unfallen=0,
        share_then=watch.share,
    )


def _judge(watch: Watch, began_s: float, now_s: float) -> tuple[Watch, str]:
    last_s = watch.points[-1][0]
    if last_s - began_s < WATCH_S:
        return watch, ""
    last_c = _at(watch, last_s)
    rise_k = last_c - watch.from_c
    first_k = _at(watch, began_s + WATCH_S / 3.0) - watch.from_c
    last_k = last_c - _at(watch, began_s + WATCH_S * 2.0 / 3.0)
    rises = rise_k >= CONFIRM_K and last_k >= max(LAST_K, LAST_SHARE * rise_k)
    if watch.cold and last_k >= first_k:
        rises = False
    stays = rise_k >= STAYS_K and last_k >= 0.0 and _stays(watch, last_c, began_s)
    rested = replace(watch, suspected_s=None, rest_until_s=now_s + REST_S, armed=False)
    if not (rises or stays):
        return rested, ""
    minutes = (last_s - began_s) / 60.0
    return rested, (
        f"mat warmed by {rise_k:.1f} K in {minutes:.0f} minutes with its relay open: {WELDED}; "
        "unplug the mat"
    )


def _stays(watch: Watch, last_c: float, began_s: float) -> bool:
    """Whether a mat that was heated much, and answered until lately, is above where it was then.

    One whose heater has died would be far below; one that is heated less would have no reason to
    fall.
    """
    return (
        watch.share_then >= STAYS_SHARE
        and watch.answered_s is not None
        and began_s - watch.answered_s <= ANSWERED_WITHIN_S
        and last_c >= watch.answered_c + ABOVE_K
    )


def _at(watch: Watch, at_s: float) -> float:
    """Mat at a time, °C: the mean of two averages, against noise."""
    near = sorted(watch.points, key=lambda point: abs(point[0] - at_s))[:2]
    return sum(celsius for _, celsius in near) / len(near)


def _weigh_phase(watch: Watch, now_s: float) -> Watch:
    """Whether the mat fell in the off phase that ends now."""
    opened_s = watch.since_s
    if not watch.live or opened_s is None:
        return watch
    if now_s - opened_s < PHASE_S or watch.heated_s < HEATED_S:
        return watch
    phase = [celsius for at_s, celsius in watch.points if at_s >= opened_s + 0.5 * POINT_S]
    if len(phase) < 2:
        return watch
    if phase[-1] >= phase[0]:
        return replace(watch, unfallen=watch.unfallen + 1)
    fall_k = watch.fall_k + 0.5 * (phase[0] - phase[-1] - watch.fall_k)
    return replace(watch, unfallen=0, answered_s=opened_s, answered_c=phase[0], fall_k=fall_k)
