"""From what a probe sent to a reading that control may use, or the reason why not.

The check is two-sided: an impossibly cold value must not heat, an impossibly hot one must not be
trusted either, but a hot one stays on record as evidence (``Bad.evidence_c``), because a range
check that throws hot values away would hide a fire.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

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
FORGET_S = 120.0
"""After so long without a good reading the last one no longer tells what is a jump."""


@dataclass(frozen=True, slots=True)
class History:
    """What is remembered of one probe: the last good reading, and values in doubt after a jump."""

    last: Good | None = None
    doubted: tuple[float, ...] = ()


def judge(history: History, raw: Raw, now_s: float) -> tuple[History, Reading]:
    """Judge one reading.

    Args:
        history: what is remembered of this probe.
        raw: what the driver made of the probe's answer.
        now_s: monotonic time, s.

    Returns:
        The new history and ``Good`` or ``Bad``.  Never raises, whatever the numbers are.
    """
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
