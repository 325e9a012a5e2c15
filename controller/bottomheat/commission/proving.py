"""Proving the wiring: heat one chamber with a pulse, and see whose probes answer.

Only its own probes may answer, the mat before the wet layer, the room not.  Crossed probes or
crossed plugs would otherwise heat one box by the other's temperature, which nothing in the law can
notice in time.  A pulse ends when the mat has answered, or after its longest time; every
protection stays on throughout.

A box that was being heated cools as soon as proving keeps it off, faster than a short pulse warms
it.  So a rise is counted from the lowest value since the pulse began, and a box whose wet layer
falls is heated until that turns.

Thresholds come from a 45 W mat under 25 mm of damp vermiculite (calculated): the mat rises
5 K in about two minutes, the wet layer half a kelvin in about half an hour; a wet layer that was
held 27 K above its room for days falls by 4 to 7 K/h and turns within the hour.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from enum import StrEnum

from bottomheat.model import PLACE_WORDS, Good, Place, Reading

BASELINE_S = 300.0
PULSE_S = 1200.0
LONG_PULSE_S = 3600.0
"""Longest pulse for a box that cools, and only while its own mat probe shows the heat."""

SETTLE_S = 3600.0
"""Longest wait for the chamber heated before to stop rising."""

FALLING_K = 0.15
WATCH_S = 5400.0
MAT_RISE_K = 5.0
LAYER_RISE_K = 0.75
FOREIGN_MAT_K = 1.5
FOREIGN_LAYER_K = 0.5
ROOM_RISE_K = 2.0
MOST_DRIFT_K_PER_S = 2.0 / 3600.0

Readings = Mapping[str, tuple[tuple[Place, Reading], ...]]
Key = tuple[str, Place]


class Phase(StrEnum):
    """Where a pulse stands."""

    BASELINE = "measuring before the pulse"
    PULSE = "heating"
    WATCH = "waiting for the wet layer"


@dataclass(frozen=True, slots=True)
class Verdict:
    """The outcome for one chamber, with its evidence in words."""

    chamber: str
    passed: bool
    lines: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Proving:
    """A proving run.

    Attributes:
        waiting: chambers still to be heated, the first one is under test.
        phase: of the chamber under test.
        phase_s: when the phase began.
        first: first good reading of each probe in the baseline (°C, s).
        base: last good reading of the baseline (°C, s).
        lowest: lowest value since the pulse began, °C, less the drift expected, by probe.
        peak: highest rise over ``lowest`` so far, K, by probe.
        settle_s: when the wait for other chambers to settle began.
        answered_s: when the mat and the wet layer under test answered.
        verdicts: of the chambers done.
        cancelled: why the run was broken off, or None.
    """

    waiting: tuple[str, ...]
    phase: Phase = Phase.BASELINE
    phase_s: float | None = None
    first: Mapping[Key, tuple[float, float]] = field(default_factory=dict)
    base: Mapping[Key, tuple[float, float]] = field(default_factory=dict)
    lowest: Mapping[Key, float] = field(default_factory=dict)
    peak: Mapping[Key, float] = field(default_factory=dict)
    settle_s: float | None = None
    answered_s: Mapping[Place, float] = field(default_factory=dict)
    verdicts: tuple[Verdict, ...] = ()
    cancelled: str | None = None

    @property
    def finished(self) -> bool:
        """Whether every chamber has its verdict, or the run was broken off."""
        return not self.waiting or self.cancelled is not None

    @property
    def passed(self) -> bool:
        """Whether the wiring of every chamber is proved."""
        return not self.waiting and self.cancelled is None and all(v.passed for v in self.verdicts)

    def proves(self, before: bool) -> bool:
        """Whether the wiring counts as proved after a finished run, having been so ``before``.

        A run broken off says nothing, but for the chambers that had failed by then.
        """
        if self.cancelled is None:
            return self.passed
        return before and all(v.passed for v in self.verdicts)

    @property
    def summary(self) -> str:
        """The outcome in one line."""
        if self.cancelled is not None:
            return f"proving broken off: {self.cancelled}"
        bad = [v.chamber for v in self.verdicts if not v.passed]
        if bad:
            return f"wiring not proved: {', '.join(bad)}"
        return f"wiring proved: {', '.join(v.chamber for v in self.verdicts)}"

    def heats(self, chamber: str) -> bool | None:
        """True: this chamber is to be heated; False: kept off; None: the run is over."""
        if self.finished:
            return None
        return self.phase is Phase.PULSE and chamber == self.waiting[0]


def begin(chambers: tuple[str, ...]) -> Proving:
    """A run over these chambers, one at a time."""
    return Proving(chambers)


def advance(run: Proving, readings: Readings, now_s: float) -> Proving:
    """One cycle of a proving run."""
    if run.finished:
        return run
    if run.phase_s is None:
        run = replace(run, phase_s=now_s)
    since_s = now_s - (run.phase_s or 0.0)
    good = {
        (chamber, place): reading.celsius
        for chamber, places in readings.items()
        for place, reading in places
        if isinstance(reading, Good)
    }
    name = run.waiting[0]
    if run.phase is Phase.BASELINE:
        return _baseline(run, good, since_s, now_s)
    run = _follow(run, name, good, now_s)
    has_mat = (name, Place.MAT) in run.base
    foreign = _foreign(run, name)
    answered = run.answered_s
    if run.phase is Phase.PULSE:
        if foreign or Place.SUBSTRATE in answered or since_s >= _longest_pulse_s(run, name):
            return replace(run, phase=Phase.WATCH, phase_s=now_s)
        return run
    silent = has_mat and Place.MAT not in answered
    if Place.SUBSTRATE in answered or foreign or silent or since_s >= WATCH_S:
        return _finish(run, name, foreign, has_mat=has_mat)
    return run


def _baseline(run: Proving, good: Mapping[Key, float], since_s: float, now_s: float) -> Proving:
    """Measure before the pulse, and again while a bed still rises from the pulse before."""
    now = {key: (value, now_s) for key, value in good.items()}
    settle_s = now_s if run.settle_s is None else run.settle_s
    run = replace(run, first={**now, **run.first}, base={**run.base, **now}, settle_s=settle_s)
    if since_s < BASELINE_S:
        return run
    rising = any(
        _drift_k_per_s(run, key) > MOST_DRIFT_K_PER_S
        for key in run.base
        if key[1] not in (Place.ROOM, Place.TOP)
    )
    if rising and now_s - settle_s < SETTLE_S:
        return replace(run, phase_s=now_s, first=now, base=now)
    return replace(run, phase=Phase.PULSE, phase_s=now_s, lowest={}, peak={}, answered_s={})


def _follow(run: Proving, name: str, good: Mapping[Key, float], now_s: float) -> Proving:
    """Take one cycle's readings into account while heating or waiting."""
    lowest, peak = dict(run.lowest), dict(run.peak)
    for key, value in good.items():
        if key not in run.base:
            continue
        value -= _expected_k(run, key, now_s)
        low = lowest[key] = min(value, lowest.get(key, run.base[key][0]))
        peak[key] = max(value - low, peak.get(key, 0.0))
    answered = dict(run.answered_s)
    for place, least in ((Place.MAT, MAT_RISE_K), (Place.SUBSTRATE, LAYER_RISE_K)):
        if place not in answered and peak.get((name, place), 0.0) >= least:
            answered[place] = now_s
    return replace(run, lowest=lowest, peak=peak, answered_s=answered)


def _longest_pulse_s(run: Proving, name: str) -> float:
    """How long to heat if the wet layer does not answer, s."""
    layer = (name, Place.SUBSTRATE)
    if Place.MAT not in run.answered_s or layer not in run.lowest:
        return PULSE_S
    if _fell_k(run, layer) > FALLING_K:
        return LONG_PULSE_S
    strong = run.peak[name, Place.MAT] >= 2 * MAT_RISE_K
    return PULSE_S / 2 if strong else PULSE_S


def _fell_k(run: Proving, key: Key) -> float:
    return run.base[key][0] - run.lowest[key]


def _drift_k_per_s(run: Proving, key: Key) -> float:
    """Drift of a probe over its baseline; 0 where that was too short to tell."""
    value, at_s = run.base[key]
    first, first_s = run.first[key]
    return 0.0 if at_s - first_s < BASELINE_S / 2 else (value - first) / (at_s - first_s)


def _expected_k(run: Proving, key: Key, now_s: float) -> float:
    """How far a probe would have risen since its baseline without the pulse, by its own drift."""
    drift = max(0.0, min(MOST_DRIFT_K_PER_S, _drift_k_per_s(run, key)))
    return drift * min(now_s - run.base[key][1], PULSE_S)


def _foreign(run: Proving, name: str) -> tuple[str, ...]:
    """Probes that answered and should not have."""
    found = []
    for (chamber, place), rise in run.peak.items():
        if chamber == name and place is not Place.ROOM:
            continue
        if place in (Place.ROOM, Place.TOP):
            most, why = ROOM_RISE_K, "is that probe in a box, or did the room warm meanwhile?"
        else:
            most = FOREIGN_MAT_K if place is Place.MAT else FOREIGN_LAYER_K
            why = "are plugs or probes crossed?"
        if rise >= most:
            found.append(
                f"heating {name} warmed the probe that the config calls {chamber} "
                f"{PLACE_WORDS[place]}, by {rise:.1f} K: {why}"
            )
    return tuple(found)


def _finish(run: Proving, name: str, foreign: tuple[str, ...], *, has_mat: bool) -> Proving:
    lines = list(foreign)
    mat_s, layer_s = run.answered_s.get(Place.MAT), run.answered_s.get(Place.SUBSTRATE)
    if foreign:
        pass
    elif layer_s is not None and has_mat and (mat_s is None or layer_s < mat_s):
        lines.append(f"{name}: the wet layer answered before the mat: are these two swapped?")
    elif has_mat and mat_s is None:
        rise = run.peak.get((name, Place.MAT), 0.0)
        lines.append(
            f"{name}: mat probe rose {rise:.1f} K of {MAT_RISE_K:g}: is the mat plugged in, "
            "the relay wired, the probe on this mat?"
        )
    elif layer_s is None:
        lines.append(f"{name}: wet-layer probe did not answer: does it lie in this box?")
    layer = (name, Place.SUBSTRATE)
    if lines and not foreign and layer in run.lowest and _fell_k(run, layer) > FALLING_K:
        lines.append(f"{name}: it was still warm: if in doubt, let it cool and prove again")
    passed = not lines
    if passed:
        lines.append(f"{name}: its own probes answered, no other did")
    return replace(
        run,
        waiting=run.waiting[1:],
        phase=Phase.BASELINE,
        phase_s=None,
        first={},
        base={},
        lowest={},
        peak={},
        settle_s=None,
        answered_s={},
        verdicts=(*run.verdicts, Verdict(name, passed, tuple(lines))),
    )
