"""Whether a probe can be relied on now: start-up, lost, and come back.

Three rules:

* at start a probe counts after three good readings running that agree;
* with no good reading for three cycles it is lost; one or two bad readings are bridged with the
  last good one, because a mains spike on the cable must not cost a relay closing;
* a lost probe counts again after ten minutes of good readings.

After a gap in which no cycle ran, every probe starts again: what it said before is too old to
bridge a bad reading with.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from bottomheat.model import Good, Reading

START_READINGS = 3
START_AGREE_K = 2.0
LOST_CYCLES = 3
RETURN_S = 600.0


class Standing(StrEnum):
    """How far a probe can be relied on."""

    STARTING = "starting"
    SOUND = "sound"
    LOST = "lost"


@dataclass(frozen=True, slots=True)
class Supply:
    """One probe's standing, and the value that control may use."""

    standing: Standing = Standing.STARTING
    value: Good | None = None
    misses: int = 0
    agreeing: tuple[float, ...] = ()
    good_since_s: float | None = None

    @property
    def lost(self) -> bool:
        """Whether a person should be told."""
        return self.standing is Standing.LOST or self.misses >= LOST_CYCLES

    @property
    def usable(self) -> float | None:
        """Temperature to control on, °C, or None while the probe cannot be relied on."""
        if self.standing is Standing.SOUND and self.value is not None:
            return self.value.celsius
        return None


def restart(supply: Supply) -> Supply:
    """The probe after a gap without cycles: it starts again, or is lost as before."""
    if supply.standing is Standing.LOST:
        return Supply(Standing.LOST, supply.value, supply.misses)
    return Supply()


def follow(supply: Supply, reading: Reading, now_s: float) -> Supply:
    """Take one cycle's reading into account; never raises."""
    if not isinstance(reading, Good):
        misses = supply.misses + 1
        standing = supply.standing
        if standing is Standing.SOUND and misses >= LOST_CYCLES:
            standing = Standing.LOST
        return Supply(standing, supply.value, misses)
    match supply.standing:
        case Standing.SOUND:
            return Supply(Standing.SOUND, reading)
        case Standing.STARTING:
            recent = (*supply.agreeing[-(START_READINGS - 1) :], reading.celsius)
            if len(recent) >= START_READINGS and max(recent) - min(recent) <= START_AGREE_K:
                return Supply(Standing.SOUND, reading)
            return Supply(Standing.STARTING, reading, agreeing=recent)
        case Standing.LOST:
            since = now_s if supply.good_since_s is None else supply.good_since_s
            if now_s - since >= RETURN_S:
                return Supply(Standing.SOUND, reading)
            return Supply(Standing.LOST, reading, good_since_s=since)
