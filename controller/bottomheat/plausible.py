"""From what a probe sent to a reading that control may use, or the reason why not.

The check is two-sided: an impossibly cold value must not heat, an impossibly hot one must not be
trusted either, but a hot one stays on record as evidence (``Bad.evidence_c``), because a range
check that throws hot values away would hide a fire.

A probe's correction is added last: every test is of what the probe sent, because 85.0 and 127.94
are exact values, and because a correction that changes must look like no jump.  What counts towards
the cutoff is the warmer of the two.  A correction, at most 2 K, was found in a jar of ice or beside
another thermometer, and may be wrong by as much: a positive one says that it is hotter than it
reads, which is believed, and a negative one takes nothing off the heat that a limit sees.  That
costs no needless latch: the law holds corrected readings 3 K below the limits, and the check keeps
the limit of a callus probe that far above the setpoint.  The keeper's own probe stays uncorrected:
it is there for the case that this side is wrong.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

from bottomheat.model import Bad, Fault, Good, Raw, Reading, Sample

LOWEST_C = -20.0
HIGHEST_C = 125.0
"""Upper end of the DS18B20's range (datasheet 19-7487); the lower end is ours, for a cold shed."""

POWER_ON_C = 85.0
"""What the scratchpad holds before the first conversion (DS18B20 datasheet, table 1)."""

NO_CONVERSION_C = 127.9375
"""07FF hex: what a conversion that failed for lack of power leaves behind (kernel's w1_therm)."""

STALE_S = 30.0
"""A reading older than this says nothing about now: three cycles of 10 s."""

JUMP_K = 5.0
"""More than this between two readings is doubted until ``CONFIRMATIONS`` readings agree."""

AGREE_K = 2.0
CONFIRMATIONS = 3
FADE_K_PER_S = 0.5 / 3600.0
"""A correction that changes while running takes effect at 0.5 K/h: a step would look to the
detectors like a mat that warms with its relay open, or a probe that was moved.  Judgement."""

FORGET_S = 120.0
"""After so long without a good reading the last one no longer tells what is a jump."""


@dataclass(frozen=True, slots=True)
class History:
    """What is remembered of one probe.

    Attributes:
        last: the last good reading, as sent.
        doubted: values in doubt after a jump, as sent, °C.
        add_k: the correction in force, K; None before the first reading.
        judged_s: time of the last judgement, monotonic s.
    """

    last: Good | None = None
    doubted: tuple[float, ...] = ()
    add_k: float | None = None
    judged_s: float = 0.0


def judge(history: History, raw: Raw, now_s: float, add_k: float = 0.0) -> tuple[History, Reading]:
    """Judge one reading, and correct it.

    Args:
        history: what is remembered of this probe.
        raw: what the driver made of the probe's answer.
        now_s: monotonic time, s.
        add_k: the probe's correction, K.  The first reading is corrected by it at once; where it
            has changed since, it takes effect at ``FADE_K_PER_S``.

    Returns:
        The new history and ``Good`` or ``Bad``.  Never raises, whatever the numbers are.
    """
    if history.last is not None and history.add_k is not None and history.add_k != add_k:
        add_k = _faded(history.add_k, add_k, now_s - history.judged_s)
    after, reading = _judged(history, raw, now_s)
    after = History(after.last, after.doubted, add_k, now_s)
    return after, reading if add_k == 0.0 else _corrected(reading, add_k)


def _faded(from_k: float, to_k: float, dt_s: float) -> float:
    step_k = FADE_K_PER_S * max(dt_s, 0.0)
    if not step_k < abs(to_k - from_k):  # also where the clock is no number
        return to_k
    return from_k + math.copysign(step_k, to_k - from_k)


def _corrected(reading: Reading, add_k: float) -> Reading:
    if isinstance(reading, Good):
        evidence_c = reading.celsius if add_k < 0.0 else None
        return Good(reading.celsius + add_k, reading.at_s, evidence_c)
    if reading.evidence_c is None or add_k < 0.0:
        return reading
    return replace(reading, evidence_c=reading.evidence_c + add_k)


def _judged(history: History, raw: Raw, now_s: float) -> tuple[History, Reading]:
    if not isinstance(raw, Sample):
        return History(history.last), Bad(raw.fault, raw.at_s, raw.detail)
    celsius = raw.celsius
    if not math.isfinite(celsius) or not math.isfinite(raw.at_s):
        return History(history.last), Bad(Fault.NOT_FINITE, now_s)
    age_s = now_s - raw.at_s
    if not -1.0 <= age_s <= STALE_S:
        return History(history.last), Bad(Fault.STALE, raw.at_s, f"{age_s:.0f} s old")
    fault = _unusable(raw)
    if fault is not None:
        may_latch = fault is Fault.RANGE
        return History(history.last), Bad(fault, raw.at_s, f"{celsius:.2f} °C", celsius, may_latch)
    good = Good(celsius, raw.at_s)
    last = history.last
    if last is None or raw.at_s - last.at_s > FORGET_S or abs(celsius - last.celsius) <= JUMP_K:
        return History(good), good
    doubted = (*history.doubted[-CONFIRMATIONS:], celsius)
    if len(doubted) >= CONFIRMATIONS:
        recent = doubted[-CONFIRMATIONS:]
        if max(recent) - min(recent) <= AGREE_K:
            return History(good), good
    detail = f"from {last.celsius:.1f} to {celsius:.1f} °C"
    return History(last, doubted), Bad(Fault.JUMP, raw.at_s, detail, celsius, may_latch=True)


def _unusable(sample: Sample) -> Fault | None:
    if not sample.legal_configuration:
        return Fault.CONFIGURATION
    if sample.celsius == POWER_ON_C:
        return Fault.POWER_ON
    if sample.celsius == NO_CONVERSION_C:
        return Fault.NO_CONVERSION
    if not LOWEST_C <= sample.celsius <= HIGHEST_C:
        return Fault.RANGE
    return None
