"""The cutoff: temperatures above which heat is cut and stays cut until a person has looked.

Evidence is any temperature whose checksum was right, judged good or not.  One hot value opens the
relay, two running latch, unless the value is one that a faulty probe makes by itself (85.0 and
127.94 °C, or an illegal configuration byte): such a value opens the relay while it lasts, and
neither adds to the count nor clears it.  "Running" means with no cool value between them: a silent
probe does not clear the suspicion.  Of a reading as sent and the same corrected, the warmer counts.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace

from bottomheat.config import Limits
from bottomheat.model import PLACE_WORDS, Estimate, Fault, Good, Place, Reading

RUNNING = 2
ESTIMATE_HOT_S = 600.0
ESTIMATE_LATCH_K = 2.0
ESTIMATE_CLEAR_K = 0.5
RESET_MARGIN_K = 1.0


@dataclass(frozen=True, slots=True)
class Cutoff:
    """What the cutoff remembers of one chamber.

    Attributes:
        hot: readings running above the limit, by place.
        latching: of these, readings running that may latch.
        estimate_hot_since_s: since when the estimate is above the callus limit.
        estimate_far: cycles running with the estimate 2 K above it.
        estimate_held: heat is off because the estimate was above the limit for ten minutes.
        latched: the cause in words, or None.
    """

    hot: Mapping[Place, int]
    latching: Mapping[Place, int]
    estimate_hot_since_s: float | None = None
    estimate_far: int = 0
    estimate_held: bool = False
    latched: str | None = None


CLEAR = Cutoff({}, {})


def limit_of(place: Place, limits: Limits) -> float | None:
    """The limit that a probe at this place is held to, °C; None for room and air at buds."""
    match place:
        case Place.SUBSTRATE | Place.SUBSTRATE_2:
            return limits.substrate_c
        case Place.MAT:
            return limits.mat_c
        case Place.CALLUS:
            return limits.callus_c
        case Place.ROOM | Place.TOP:
            return None


def evidence(reading: Reading) -> tuple[float | None, bool, bool]:
    """What a reading bears witness to.

    Returns:
        Its temperature, °C, or None; whether that may latch, where hot; whether it clears a
        suspicion, where cool: a value that a healthy probe cannot send clears nothing.
    """
    if isinstance(reading, Good):
        return _warmest_c(reading), True, True
    return reading.evidence_c, reading.may_latch, reading.fault is Fault.JUMP


def _warmest_c(reading: Good) -> float:
    """A correction is somebody's comparison in a jar, and may be wrong: it hides no heat."""
    return reading.celsius if reading.evidence_c is None else reading.evidence_c


def watch(
    cutoff: Cutoff, readings: Iterable[tuple[Place, Reading]], limits: Limits
) -> tuple[Cutoff, str | None]:
    """Weigh one cycle's readings against the limits.

    Returns:
        The new state, and why heat must be off now, or None.  Once latched it stays latched.
    """
    hot, latching = cutoff.hot, cutoff.latching
    latched, why = cutoff.latched, None
    for place, reading in readings:
        limit_c = limit_of(place, limits)
        if limit_c is None:
            continue
        celsius, may_latch, may_clear = evidence(reading)
        if celsius is None or not (celsius >= limit_c or may_clear):
            # A probe that dies often sends 85.0 last: that alone must not hold heat off for good.
            if latching.get(place):
                why = why or f"{PLACE_WORDS[place]} was above its limit and is silent since"
            continue
        if not celsius >= limit_c:
            if place in hot:
                hot = {k: v for k, v in hot.items() if k is not place}
                latching = {k: v for k, v in latching.items() if k is not place}
            continue
        hot = {**hot, place: hot.get(place, 0) + 1}
        if may_latch:
            latching = {**latching, place: latching.get(place, 0) + 1}
        why = f"{PLACE_WORDS[place]} at {celsius:.1f} °C, limit {limit_c:g}"
        if latched is None and latching.get(place, 0) >= RUNNING:
            latched = why
    return replace(cutoff, hot=hot, latching=latching, latched=latched), latched or why


def watch_estimate(
    cutoff: Cutoff,
    estimate: Estimate | None,
    substrate_c: float | None,
    room_c: float | None,
    limits: Limits,
    now_s: float,
    *,
    heated: bool = True,
    evidence: Estimate | None = None,
) -> tuple[Cutoff, str | None]:
    """Hold the estimate to the callus limit, where no probe lies in the callus zone.

    Ten minutes above the limit switch heat off until it is half a kelvin below again; two kelvin
    above latch.  Only an estimate that the wet layer itself bears out counts: the mat cannot make
    the callus zone warmer than the layer below it.  With a room reading above the wet layer it is
    not the mat that warms the box, or the sun lies on the room probe: that never latches.

    Args:
        cutoff: state of the cycle before.
        estimate: of the callus zone.
        substrate_c: wet layer, °C.
        room_c: room as read, °C; None without one.
        limits: the chamber's limits.
        now_s: monotonic time, s.
        evidence: what would come of a probe that is not believed, where there is no estimate: hot
            it counts like one, cool it clears nothing.
        heated: heat has flowed within the last hours, or flows unasked; without any it is the sun
            or a warm shed, and a latch would only leave the bed cold at night.
    """
    limit_c = limits.callus_c
    if estimate is None and evidence is not None and substrate_c is not None:
        if min(evidence.celsius, substrate_c) > limit_c:
            estimate = evidence
        elif cutoff.estimate_far:
            cutoff = replace(cutoff, estimate_far=0)
    if estimate is None or substrate_c is None:
        held = cutoff.estimate_held
        return cutoff, "estimate was above the callus limit and is not known now" if held else None
    value_c = min(estimate.celsius, substrate_c)
    if value_c <= limit_c:
        held = cutoff.estimate_held and value_c > limit_c - ESTIMATE_CLEAR_K
        if not (held or cutoff.estimate_held or cutoff.estimate_hot_since_s is not None):
            return cutoff, None
        cutoff = replace(cutoff, estimate_hot_since_s=None, estimate_far=0, estimate_held=held)
        return cutoff, _words(value_c, limit_c) if held else None
    since = now_s if cutoff.estimate_hot_since_s is None else cutoff.estimate_hot_since_s
    by_heat = heated and (room_c is None or room_c < substrate_c)
    far = cutoff.estimate_far + 1 if by_heat and value_c >= limit_c + ESTIMATE_LATCH_K else 0
    held = cutoff.estimate_held or now_s - since >= ESTIMATE_HOT_S
    latched = cutoff.latched
    if latched is None and far >= RUNNING:
        latched = _words(value_c, limit_c)
    cutoff = replace(
        cutoff,
        estimate_hot_since_s=since,
        estimate_far=far,
        estimate_held=held,
        latched=latched,
    )
    return cutoff, latched or (_words(value_c, limit_c) if held else None)


def forget_estimate(cutoff: Cutoff) -> Cutoff:
    """The cutoff while a probe lies in the callus zone: the estimate has no say then."""
    if cutoff.estimate_hot_since_s is None and not cutoff.estimate_held:
        return cutoff
    return replace(cutoff, estimate_hot_since_s=None, estimate_far=0, estimate_held=False)


def _words(value_c: float, limit_c: float) -> str:
    return f"callus zone worked out at {value_c:.1f} °C, limit {limit_c:g}"


def may_reset(
    readings: Iterable[tuple[Place, Reading]],
    estimate: Estimate | None,
    limits: Limits,
    evidence: Estimate | None = None,
) -> tuple[bool, tuple[str, ...]]:
    """Whether the cause of a latch is gone, with the proof or what stands against it, in words.

    Args:
        readings: of all probes.
        estimate: of the callus zone, or None where it is not known.
        limits: the chamber's limits.
        evidence: what would come of a probe that is not believed; it speaks against a reset only.
    """
    lines: list[str] = []
    fit = True
    for place, reading in readings:
        limit_c = limit_of(place, limits)
        if limit_c is None:
            continue
        name = PLACE_WORDS[place]
        if not isinstance(reading, Good):
            fit = False
            lines.append(f"{name}: no good reading ({reading.fault.value})")
        elif (warm_c := _warmest_c(reading)) > limit_c - RESET_MARGIN_K:
            fit = False
            lines.append(f"{name}: {warm_c:.1f} °C, still near its limit of {limit_c:g}")
        else:
            lines.append(f"{name}: {warm_c:.1f} °C, limit {limit_c:g}")
    if not lines:
        return False, ("no reading yet: wait for the first cycle",)
    if estimate is not None:
        hot = estimate.celsius > limits.callus_c
        fit = fit and not hot
        lines.append(
            f"callus zone: {estimate.celsius:.1f} ± {estimate.expanded_k:.1f} °C, "
            f"limit {limits.callus_c:g}" + (": still above it" if hot else "")
        )
    elif evidence is not None:
        hot = evidence.celsius > limits.callus_c
        fit = fit and not hot
        lines.append(
            "callus zone: not known, the wet-layer probe is in doubt"
            + (f" and makes it {evidence.celsius:.1f} °C, limit {limits.callus_c:g}" if hot else "")
        )
    return fit, tuple(lines)
