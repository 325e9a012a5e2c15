"""May a mat probe of the keeper's own be relied on?  Readings in, trust or doubt out.  Pure."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

from bottomheat.model import Raw, Sample, Unread
from bottomheat.plausible import HIGHEST_C, LOWEST_C, NO_CONVERSION_C, POWER_ON_C

PROBE_FRESH_S = 30.0
"""How long a good reading holds, s.  A mat under full power gains about 1 K a minute (calculated),
so that it cannot pass a limit unseen by much."""

HOT_READINGS = 2
"""Readings at the limit or above, running, that latch."""

AGREEING_READINGS = 3
AGREE_K = 3.0
"""How far three good readings running may lie apart, K: more than a mat gains while they are taken
(a design choice)."""

_SLACK_C = 0.001  # the kernel's millidegrees are cut off: 127.9375 arrives as 127.937


@dataclass(frozen=True, slots=True)
class ProbeTrack:
    """What is remembered of one probe.

    Attributes:
        seen_s: time of the newest reading looked at, so that none counts twice.
        recent: the last good readings running, (°C, s), three at most.
        hot_run: readings at the limit or above, running, that may latch.
        doubt: why the last reading, or the lack of one, is no ground for heat.
        trusted: whether the last decision relied on the probe.
    """

    seen_s: float | None = None
    recent: tuple[tuple[float, float], ...] = ()
    hot_run: int = 0
    doubt: str = "its probe has not been read yet"
    trusted: bool = False

    @property
    def words(self) -> str:
        """Why there is no heat by this probe, for a person."""
        if self.recent:
            return "its probe is waiting for three good readings that agree"
        return self.doubt


def look(track: ProbeTrack, raw: Raw | None, now_s: float, limit_c: float) -> ProbeTrack:
    """Take note of the newest reading, once, and let the last good one grow old.

    Args:
        track: as of the last look.
        raw: the newest reading, again and again until a newer one comes.
        now_s: monotonic time, s.
        limit_c: mat temperature at which heat is cut, °C.
    """
    track = _note(track, raw, now_s, limit_c)
    return replace(track, trusted=_trusted(track, limit_c))


def _note(track: ProbeTrack, raw: Raw | None, now_s: float, limit_c: float) -> ProbeTrack:
    if track.recent and now_s - track.recent[-1][1] >= PROBE_FRESH_S:
        track = replace(
            track, recent=(), doubt=f"its probe has not answered for {PROBE_FRESH_S:.0f} s or more"
        )
    if raw is None or raw.at_s == track.seen_s or not math.isfinite(raw.at_s):
        return track
    track = replace(track, seen_s=raw.at_s)
    match raw:
        case Unread():
            if len(track.recent) >= AGREEING_READINGS:
                return track  # silence: the last good reading holds until it is too old
            return replace(track, recent=(), doubt=f"its probe: {raw.fault.value}")
        case Sample():
            return _weigh(track, raw, now_s, limit_c)


def _weigh(track: ProbeTrack, sample: Sample, now_s: float, limit_c: float) -> ProbeTrack:
    celsius = sample.celsius
    flaw = _flaw(sample, now_s)
    if celsius >= limit_c and (flaw is None or flaw.may_latch):
        doubt = f"its probe reads {celsius:.1f} °C, and the limit is {limit_c:.1f} °C"
        return replace(track, recent=(), hot_run=track.hot_run + 1, doubt=doubt)
    if flaw is not None:
        return replace(track, recent=(), doubt=flaw.words)
    recent = track.recent
    if recent and not 0.0 <= sample.at_s - recent[-1][1] < PROBE_FRESH_S:
        recent = ()
    recent = (*recent, (celsius, sample.at_s))[-AGREEING_READINGS:]
    return replace(track, recent=recent, hot_run=0)


@dataclass(frozen=True, slots=True)
class _Flaw:
    words: str
    may_latch: bool


def _flaw(sample: Sample, now_s: float) -> _Flaw | None:
    """What makes a reading with the right checksum doubtful, if anything does."""
    celsius = sample.celsius
    if not math.isfinite(celsius):
        return _Flaw("its probe reads no number", may_latch=False)
    if not sample.legal_configuration:
        return _Flaw("its probe answers with an illegal configuration byte", may_latch=False)
    if abs(celsius - POWER_ON_C) < _SLACK_C:
        return _Flaw("its probe reads 85 °C, its power-on value", may_latch=False)
    if abs(celsius - NO_CONVERSION_C) < _SLACK_C:
        return _Flaw("its probe reads 127.94 °C: no conversion", may_latch=False)
    if not LOWEST_C <= celsius <= HIGHEST_C:
        return _Flaw(f"its probe reads an impossible {celsius:.1f} °C", may_latch=True)
    if sample.at_s > now_s:
        return _Flaw("its probe was read in the future", may_latch=True)
    if now_s - sample.at_s >= PROBE_FRESH_S:
        return _Flaw("its probe's reading is too old", may_latch=True)
    return None


def _trusted(track: ProbeTrack, limit_c: float) -> bool:
    """Whether the probe is a ground for heat: three good readings that agree, below the limit."""
    celsius = [reading[0] for reading in track.recent]
    return (
        len(celsius) == AGREEING_READINGS
        and max(celsius) - min(celsius) <= AGREE_K
        and celsius[-1] < limit_c
    )
