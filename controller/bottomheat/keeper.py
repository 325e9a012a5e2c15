"""May the relays be closed?  The keeper's answer: a fresh lease and, where there is one, its probe.

Pure.  The keeper is the last program before the relays and trusts nobody: the daemon's word runs
out after 20 s, and a probe of the keeper's own on the mat outvotes it.  A second relay in series
closes by that probe alone, while the daemon is alive; anybody may have it opened.

======================================  ==========  ============  ==============================
what is seen                            heat relay  series relay  until
======================================  ==========  ============  ==============================
no fresh lease that names the chamber   open        as it is      the next lease
no fresh lease yet, or for 60 s         open        open          the next lease
the lease asks for the series relay     as it is    open          a lease that does not
no good reading for 30 s                open        open          three good ones that agree
a doubtful reading                      open        open          three good ones that agree
one reading at the limit or above       open        open          three good ones that agree
two of them running                     open        open          a reset, 5 K below the limit
mat not cooler with its relay open      open        as it is      12 minutes have told
still warmer after those: welded        open        open          a reset, the mat not warmer now
time goes backwards, or is no number    open        open          a new lease
======================================  ==========  ============  ==============================

Doubtful means: checksum right, and yet 85.0 (the power-on value), 127.94 (no conversion), an
illegal configuration byte, outside -20 to 125 °C, from the future, or at odds with its neighbours.
An answer that did not arrive is no doubt, only silence; a long cable has them every day.  What
"welded" means is in ``keeper_weld``.

The sounder is on while a fresh lease asks for it.  Without a fresh lease it is on where the keeper
has latched, and after 300 s without one in any case: then nobody else is left to tell.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from types import MappingProxyType

from bottomheat import keeper_weld as weld
from bottomheat import keeper_words as words
from bottomheat.keeper_probe import HOT_READINGS, PROBE_FRESH_S, ProbeTrack, look
from bottomheat.model import Event, Raw
from bottomheat.ports import Lease

__all__ = [
    "LEASE_S",
    "PROBE_FRESH_S",
    "RESET_MARGIN_K",
    "SERIES_S",
    "SILENT_S",
    "Decision",
    "KeeperLine",
    "KeeperState",
    "LineCommand",
    "ProbeTrack",
    "SeriesLine",
    "decide",
    "identity",
]

LEASE_S = 20.0
"""How long the daemon's word holds, s: two cycles, so that one slow cycle does not drop the relay
(a design choice)."""

EXPIRES_S = LEASE_S - 0.6
"""When the keeper acts on it, s: it looks twice a second, and 20 s are promised from outside."""

SERIES_S = 60.0
"""Without a word for so long the series relay opens, s: long after the heat relay, so that it
breaks no current and wears no contact, and soon enough for a welded one."""

SILENT_S = 300.0
"""Without a word for so long the sounder sounds, s: a restart of the controller is over by then."""

RESET_MARGIN_K = 5.0
"""A latch is cleared only this far below the limit, K."""


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
class KeeperState:
    """What the keeper carries from one decision to the next.

    Attributes:
        latched: cause by chamber; also of chambers that are not wired at present.
        at_s: time of the last decision, s.
        tracks: memory of each probe, by chamber.
        refused: the lease that was held when time went backwards; it never counts again.
        reset_s: sending time of the last lease whose resets were looked at.
        leased: whether the last decision had a fresh lease.
        word_s: sending time of the newest lease that counted, s; None if there was none.
        begun_s: time of the first decision, s.
        watches: what is known of each heat contact, by chamber.
    """

    latched: Mapping[str, str] = field(default_factory=lambda: MappingProxyType({}))
    at_s: float | None = None
    tracks: Mapping[str, ProbeTrack] = field(default_factory=lambda: MappingProxyType({}))
    refused: Lease | None = None
    reset_s: float | None = None
    leased: bool = False
    word_s: float | None = None
    begun_s: float | None = None
    watches: Mapping[str, weld.Watch] = field(default_factory=lambda: MappingProxyType({}))


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
    """The outcome of one decision; ``latches_changed`` must reach the disk first.

    ``sound`` says whether the sounder, where there is one, has to sound.
    """

    state: KeeperState
    commands: tuple[LineCommand, ...]
    latches_changed: bool
    events: tuple[Event, ...]
    sound: bool = False


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
        state = _begin_again(state, lease, now_s)
    refusal = "the clock went backwards" if not time_runs else _refusal(lease, state, now_s, wiring)
    word = lease if not refusal else None
    asked = word if word is not None and _unheard(word, state) else None
    state = replace(
        state,
        begun_s=now_s if time_runs and state.begun_s is None else state.begun_s,
        word_s=state.word_s if word is None else word.sent_s,
    )
    hears = _Hears(
        refusal=refusal,
        heat=frozenset() if word is None else word.heat,
        # Opening is always right, so that even a stale word for it counts.
        open_series=frozenset() if lease is None else lease.open_series,
        alive=state.word_s is not None and now_s - state.word_s < SERIES_S,
        time_runs=time_runs,
    )
    latched = dict(state.latched)
    tracks: dict[str, ProbeTrack] = {}
    watches: dict[str, weld.Watch] = {}
    commands: list[LineCommand] = []
    events = words.lease_event(state.leased, refusal, now_s)
    for line in lines:
        name = line.chamber
        before, watched = state.tracks.get(name, ProbeTrack()), state.watches.get(name)
        watched = weld.Watch() if watched is None else watched
        raw = readings.get(name) if line.probe is not None else None
        track = look(before, raw, now_s, line.limit_c) if time_runs else before
        track = replace(track, trusted=track.trusted and time_runs)
        reading = track.recent[-1] if track.trusted else None
        watch, welded = weld.look(watched, reading, now_s)
        cause = latched.get(name)
        new = track.doubt if track.hot_run >= HOT_READINGS else welded
        if cause is None and new:
            cause = latched[name] = new
            events.append(words.cutoff_event(name, cause, now_s))
        elif asked is not None and cause is not None and name in asked.reset:
            obstacle = _obstacle_to_reset(track, watch, cause, line)
            if obstacle is None:
                del latched[name]
                cause = None
            events.append(words.reset_event(name, obstacle, now_s))
        events.extend(words.probe_event(name, before, track, now_s))
        events.extend(words.weld_event(name, watched, watch, cause, now_s))
        command = _command(line, track, watch, cause, hears, now_s)
        tracks[name] = track
        if time_runs:
            live = command.series is not False
            watch = weld.commanded(watch, command.heat, now_s, live=live)
        watches[name] = watch
        commands.append(command)
    after = replace(
        state,
        latched=latched,
        at_s=now_s if time_runs else state.at_s,
        tracks=tracks,
        reset_s=asked.sent_s if asked is not None else state.reset_s,
        leased=word is not None,
        watches=watches,
    )
    sound = _sound(after, word, any(command.latched for command in commands), now_s)
    return Decision(after, tuple(commands), latched != state.latched, tuple(events), sound)


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
    if now_s - lease.sent_s >= EXPIRES_S:
        return f"the controller has been silent for {LEASE_S:.0f} s or more"
    return ""


def _unheard(lease: Lease, state: KeeperState) -> bool:
    return state.reset_s is None or lease.sent_s > state.reset_s


def _begin_again(state: KeeperState, lease: Lease | None, now_s: float) -> KeeperState:
    """Forget what was timed by a clock that has broken."""
    return replace(
        state,
        at_s=now_s if math.isfinite(now_s) else state.at_s,
        tracks={
            name: replace(track, recent=(), trusted=False) for name, track in state.tracks.items()
        },
        refused=lease if lease is not None else state.refused,
        reset_s=None,
        word_s=None,
        begun_s=now_s if math.isfinite(now_s) else state.begun_s,
        watches={name: weld.forget(watch) for name, watch in state.watches.items()},
    )


@dataclass(frozen=True, slots=True)
class _Hears:
    """What the daemon's word comes to in one decision."""

    refusal: str
    heat: frozenset[str]
    open_series: frozenset[str]
    alive: bool
    time_runs: bool


def _obstacle_to_reset(
    track: ProbeTrack, watch: weld.Watch, cause: str, line: KeeperLine
) -> str | None:
    if line.probe is None:
        return None
    if not track.trusted:
        return track.words
    if not track.recent[-1][0] <= line.limit_c - RESET_MARGIN_K:
        return (
            f"its probe reads {track.recent[-1][0]:.1f} °C; a reset needs "
            f"{line.limit_c - RESET_MARGIN_K:.1f} °C or less"
        )
    return weld.obstacle_to_reset(watch) if weld.WELDED in cause else None


def _command(
    line: KeeperLine,
    track: ProbeTrack,
    watch: weld.Watch,
    cause: str | None,
    hears: _Hears,
    now_s: float,
) -> LineCommand:
    named = line.chamber in hears.heat
    probe_ok = line.probe is not None and track.trusted
    may_flow = hears.time_runs and cause is None and (probe_ok or line.probe is None)
    checking = weld.checking(watch, now_s)
    if cause is not None:
        reason = f"cut out and latched: {cause}"
    elif line.probe is not None and hears.time_runs and not track.trusted:
        reason = track.words
    elif line.series is not None and line.probe is None:
        reason = "the series relay has no probe to go by"
    elif hears.refusal:
        reason = hears.refusal
    elif checking:
        reason = checking
    elif line.series is not None and line.chamber in hears.open_series:
        reason = "the controller keeps the series relay open"
    else:
        reason = "heat allowed" if named else "no heat asked for"
    series = may_flow and probe_ok and hears.alive and line.chamber not in hears.open_series
    return LineCommand(
        chamber=line.chamber,
        heat=may_flow and named and not hears.refusal and not checking,
        series=None if line.series is None else series,
        latched=cause is not None,
        reason=reason,
        probe_c=track.recent[-1][0] if probe_ok else None,
    )


def _sound(state: KeeperState, word: Lease | None, latched: bool, now_s: float) -> bool:
    """Whether the sounder has to sound."""
    if word is not None:
        return word.sound
    since_s = state.begun_s if state.word_s is None else state.word_s
    silent_s = 0.0 if since_s is None else now_s - since_s
    return silent_s >= SILENT_S or (latched and silent_s >= LEASE_S)
