"""May the relay be closed?  The keeper's answer: a fresh lease and, where there is one, its probe.

Pure.  The keeper is the last program before the relay and trusts nobody: the daemon's word runs out
after 20 s, and a probe of the keeper's own on the mat outvotes it.  A second relay in series obeys
that probe alone.

=====================================  ==========  ============  =============================
what is seen                           heat relay  series relay  until
=====================================  ==========  ============  =============================
no fresh lease that names the chamber  open        as it is      the next lease
no good reading for 30 s               open        open          three good ones that agree
a doubtful reading                     open        open          three good ones that agree
one reading at the limit or above      open        open          three good ones that agree
two of them running                    open        open          a reset, 5 K below the limit
time goes backwards, or is no number   open        open          a new lease
=====================================  ==========  ============  =============================

Doubtful means: checksum right, and yet 85.0 (the power-on value), 127.94 (no conversion), an
illegal configuration byte, outside -20 to 125 °C, from the future, or at odds with its neighbours.
An answer that did not arrive is no doubt, only silence; a long cable has them every day.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from types import MappingProxyType

from bottomheat.model import Alarm, Event, EventKind, Raw, Sample, Unread
from bottomheat.plausible import HIGHEST_C, LOWEST_C, NO_CONVERSION_C, POWER_ON_C
from bottomheat.ports import Lease

LEASE_S = 20.0
"""How long the daemon's word holds, s: two cycles, so that one slow cycle does not drop the relay
(a design choice)."""

PROBE_FRESH_S = 30.0
"""How long a good reading holds, s.  A mat under full power gains about 1 K a minute (calculated),
so that it cannot pass a limit unseen by much."""

HOT_READINGS = 2
"""Readings at the limit or above, running, that latch."""

AGREEING_READINGS = 3
AGREE_K = 3.0
"""How far three good readings running may lie apart, K: more than a mat gains while they are taken
(a design choice)."""

RESET_MARGIN_K = 5.0
"""A latch is cleared only this far below the limit, K."""

_SLACK_C = 0.001  # the kernel's millidegrees are cut off: 127.9375 arrives as 127.937


@dataclass(frozen=True, slots=True)
class SeriesLine:
    """The GPIO line of the second relay in series."""

    gpio: int
    active_high: bool


@dataclass(frozen=True, slots=True)
class KeeperLine:
    """What the keeper knows of one chamber.

    Attributes:
        chamber: its name.
        gpio: GPIO number (BCM) of the heat relay.
        active_high: True if the contact closes when the line is high.
        probe: name of the keeper's own probe, or None.
        limit_c: mat temperature at which heat is cut, °C.
        series: the second relay in series, or None; it never closes without a probe.
    """

    chamber: str
    gpio: int
    active_high: bool
    probe: str | None
    limit_c: float
    series: SeriesLine | None = None


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


@dataclass(frozen=True, slots=True)
class KeeperState:
    """What the keeper carries from one decision to the next.

    Attributes:
        latched: cause by chamber; also of chambers that are not wired at present.
        at_s: time of the last decision, s.
        tracks: memory of each probe, by chamber.
        refused: the lease that was held when time went backwards; it never counts again.
        reset_s: sending time of the last lease whose resets were looked at.
        leased: whether the last decision had a fresh lease.
    """

    latched: Mapping[str, str] = field(default_factory=lambda: MappingProxyType({}))
    at_s: float | None = None
    tracks: Mapping[str, ProbeTrack] = field(default_factory=lambda: MappingProxyType({}))
    refused: Lease | None = None
    reset_s: float | None = None
    leased: bool = False


@dataclass(frozen=True, slots=True)
class LineCommand:
    """What one chamber's relays have to do, and why.

    Attributes:
        chamber: its name.
        heat: True: close the heat relay.
        series: True: close the series relay; None where there is none.
        latched: whether a cutoff is latched.
        reason: why heat may or may not flow, for a person.
        probe_c: the keeper's own probe, °C, or None while it is not trusted.
    """

    chamber: str
    heat: bool
    series: bool | None
    latched: bool
    reason: str
    probe_c: float | None


@dataclass(frozen=True, slots=True)
class Decision:
    """The outcome of one decision; ``latches_changed`` must reach the disk first."""

    state: KeeperState
    commands: tuple[LineCommand, ...]
    latches_changed: bool
    events: tuple[Event, ...]


def decide(
    state: KeeperState,
    lease: Lease | None,
    readings: Mapping[str, Raw],
    now_s: float,
    lines: Sequence[KeeperLine],
    wiring: str = "",
) -> Decision:
    """Decide what every relay has to do; total, never raises.

    Args:
        state: from the last decision, or a fresh one with the latches that were loaded.
        lease: the newest one received, again and again until a newer one comes.
        readings: the newest reading of each chamber's own probe, likewise; a chamber may be
            missing.
        now_s: monotonic time, s.
        lines: the wiring.
        wiring: the same as ``identity`` puts it; a lease for another one allows nothing.
    """
    time_runs = math.isfinite(now_s) and (state.at_s is None or now_s >= state.at_s)
    if not time_runs:
        state = replace(
            state,
            at_s=now_s if math.isfinite(now_s) else state.at_s,
            tracks={name: replace(track, recent=()) for name, track in state.tracks.items()},
            refused=lease if lease is not None else state.refused,
            reset_s=None,
        )
    refusal = "the clock went backwards" if not time_runs else _refusal(lease, state, now_s, wiring)
    allowed = lease.heat if lease is not None and not refusal else frozenset[str]()
    asked = lease if lease is not None and not refusal and _unheard(lease, state) else None

    latched = dict(state.latched)
    tracks: dict[str, ProbeTrack] = {}
    commands: list[LineCommand] = []
    events = _lease_events(state, refusal, now_s)
    for line in lines:
        before = state.tracks.get(line.chamber, ProbeTrack())
        raw = readings.get(line.chamber) if line.probe is not None else None
        track = _look(before, raw, now_s, line) if time_runs else before
        track = replace(track, trusted=_trusted(track, line) and time_runs)
        tracks[line.chamber] = track
        cause = latched.get(line.chamber)
        if track.hot_run >= HOT_READINGS and cause is None:
            cause = track.doubt
            latched[line.chamber] = cause
            events.append(_cutoff(line, cause, now_s))
        elif asked is not None and cause is not None and line.chamber in asked.reset:
            obstacle = _obstacle_to_reset(track, line)
            if obstacle is None:
                del latched[line.chamber]
                cause = None
            events.append(_reset_event(line, obstacle, now_s))
        events.extend(_probe_events(before, track, line, now_s))
        commands.append(
            _command(line, track, cause, refusal, line.chamber in allowed, time_runs=time_runs)
        )
    after = replace(
        state,
        latched=latched,
        at_s=now_s if time_runs else state.at_s,
        tracks=tracks,
        reset_s=asked.sent_s if asked is not None else state.reset_s,
        leased=not refusal,
    )
    return Decision(after, tuple(commands), latched != state.latched, tuple(events))


def identity(lines: Sequence[KeeperLine]) -> str:
    """What is wired to what, as text that daemon and keeper compare; limits are not in it."""
    return ";".join(
        f"{line.chamber}:{line.gpio}:{line.active_high:d}:{line.probe or '-'}"
        + ("" if line.series is None else f":{line.series.gpio}:{line.series.active_high:d}")
        for line in sorted(lines, key=lambda line: line.chamber)
    )


def _refusal(lease: Lease | None, state: KeeperState, now_s: float, wiring: str) -> str:
    """Why this lease allows nothing; empty if it counts."""
    if lease is None:
        return "the controller has not asked for heat yet"
    if not math.isfinite(lease.sent_s) or lease.sent_s > now_s:
        return "the controller's word has an impossible time"
    if lease.wiring != wiring:
        return "the controller runs on another wiring: restart both, then prove"
    if lease == state.refused:
        return "the clock went backwards and the controller has not spoken since"
    if now_s - lease.sent_s >= LEASE_S:
        return f"the controller has been silent for {LEASE_S:.0f} s or more"
    return ""


def _unheard(lease: Lease, state: KeeperState) -> bool:
    return state.reset_s is None or lease.sent_s > state.reset_s


def _look(track: ProbeTrack, raw: Raw | None, now_s: float, line: KeeperLine) -> ProbeTrack:
    """Take note of the newest reading, once, and let the last good one grow old."""
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
            return _weigh(track, raw, now_s, line)


def _weigh(track: ProbeTrack, sample: Sample, now_s: float, line: KeeperLine) -> ProbeTrack:
    celsius = sample.celsius
    flaw = _flaw(sample, now_s)
    if celsius >= line.limit_c and (flaw is None or flaw.may_latch):
        doubt = f"its probe reads {celsius:.1f} °C, and the limit is {line.limit_c:.1f} °C"
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


def _trusted(track: ProbeTrack, line: KeeperLine) -> bool:
    """Whether the probe is a ground for heat: three good readings that agree, below the limit."""
    celsius = [reading[0] for reading in track.recent]
    return (
        len(celsius) == AGREEING_READINGS
        and max(celsius) - min(celsius) <= AGREE_K
        and celsius[-1] < line.limit_c
    )


def _obstacle_to_reset(track: ProbeTrack, line: KeeperLine) -> str | None:
    if line.probe is None:
        return None
    if not track.trusted:
        return _doubt(track)
    if not track.recent[-1][0] <= line.limit_c - RESET_MARGIN_K:
        return (
            f"its probe reads {track.recent[-1][0]:.1f} °C; a reset needs "
            f"{line.limit_c - RESET_MARGIN_K:.1f} °C or less"
        )
    return None


def _doubt(track: ProbeTrack) -> str:
    if track.recent:
        return "its probe is waiting for three good readings that agree"
    return track.doubt


def _command(
    line: KeeperLine,
    track: ProbeTrack,
    cause: str | None,
    refusal: str,
    named: bool,
    *,
    time_runs: bool,
) -> LineCommand:
    probe_ok = line.probe is not None and track.trusted
    may_flow = time_runs and cause is None and (probe_ok or line.probe is None)
    if cause is not None:
        reason = f"cut out and latched: {cause}"
    elif line.probe is not None and time_runs and not track.trusted:
        reason = _doubt(track)
    elif line.series is not None and line.probe is None:
        reason = "the series relay has no probe to go by"
    elif refusal:
        reason = refusal
    else:
        reason = "heat allowed" if named else "no heat asked for"
    return LineCommand(
        chamber=line.chamber,
        heat=may_flow and named and not refusal,
        series=None if line.series is None else may_flow and probe_ok,
        latched=cause is not None,
        reason=reason,
        probe_c=track.recent[-1][0] if probe_ok else None,
    )


def _lease_events(state: KeeperState, refusal: str, now_s: float) -> list[Event]:
    if state.leased == (not refusal):
        return []
    text = f"no heat: {refusal}" if refusal else "the controller has spoken: heat may be asked for"
    return [Event(EventKind.KEEPER, now_s, None, text)]


def _probe_events(
    before: ProbeTrack, track: ProbeTrack, line: KeeperLine, now_s: float
) -> list[Event]:
    if line.probe is None or before.trusted == track.trusted:
        return []
    text = "the keeper's probe is good" if track.trusted else f"no heat: {_doubt(track)}"
    return [Event(EventKind.KEEPER, now_s, line.chamber, text)]


def _cutoff(line: KeeperLine, cause: str, now_s: float) -> Event:
    return Event(
        EventKind.CUTOFF,
        now_s,
        line.chamber,
        f"the keeper cut the heat and latched: {cause}",
        alarm=Alarm.KEEPER_LATCHED,
        durable=True,
    )


def _reset_event(line: KeeperLine, obstacle: str | None, now_s: float) -> Event:
    text = "the keeper's latch was reset" if obstacle is None else f"reset refused: {obstacle}"
    return Event(EventKind.RESET, now_s, line.chamber, text, durable=True)
