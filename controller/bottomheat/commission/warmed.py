"""Which of several identical probes is being warmed in a hand; pure.

A hand warms a probe by ten kelvin in a minute while the others hardly move.  A probe is named when
it has risen far enough above its own baseline, at least twice as far as any other, in two rounds
of readings running, so that a single wrong reading names nothing.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

RISE_K = 1.5
"""Rise over the baseline that counts: 24 counts of a DS18B20, far above its noise (judgement)."""

LEAD = 2.0
"""How many times further the warmest must have risen than the next (judgement)."""

ROUNDS = 2
BASELINE_ROUNDS = 3
STEADY_K = 0.25
"""A probe that moves more than this during the baseline is still settling."""

MOST_BASELINE_ROUNDS = 15


@dataclass(frozen=True, slots=True)
class Watch:
    """What is known so far.

    Attributes:
        rounds: good readings of the baseline, °C, by probe, the newest last.
        taken: rounds of the baseline taken.
        base_c: baseline by probe, °C; empty while it is being measured.
        restless: probes that were still changing when the baseline was closed.
        rise_k: rise over the baseline at the last round, K, by probe with a good reading.
        leader: probe that leads clearly.
        led: rounds running in which it has.
        together: probes that have been warm together for as many rounds as ``together_for`` says.
    """

    rounds: Mapping[str, tuple[float, ...]] = field(default_factory=dict)
    taken: int = 0
    base_c: Mapping[str, float] = field(default_factory=dict)
    restless: tuple[str, ...] = ()
    rise_k: Mapping[str, float] = field(default_factory=dict)
    leader: str | None = None
    led: int = 0
    together: tuple[str, ...] = ()
    together_for: int = 0

    @property
    def ready(self) -> bool:
        """Whether the baseline is there."""
        return bool(self.base_c)

    @property
    def found(self) -> str | None:
        """The probe that was warmed, once it is certain."""
        return self.leader if self.led >= ROUNDS else None

    @property
    def confused(self) -> tuple[str, ...]:
        """Probes that warm together, so that none can be named."""
        return self.together if self.together_for >= ROUNDS else ()


def advance(watch: Watch, readings_c: Mapping[str, float | None]) -> Watch:
    """Take one round of readings.

    Args:
        watch: what is known so far.
        readings_c: temperature by probe, °C, or None where there is no good reading.
    """
    good = {name: value for name, value in readings_c.items() if value is not None}
    if not watch.ready:
        return _baseline(watch, good)
    base_c = {**good, **watch.base_c}  # a probe that comes late starts from where it is
    rise_k = {name: value - base_c[name] for name, value in good.items()}
    warm = _warm(rise_k)
    leader = warm[0] if len(warm) == 1 and _leads(warm[0], rise_k) else None
    together = tuple(sorted(warm)) if len(warm) > 1 else ()
    return replace(
        watch,
        base_c=base_c,
        rise_k=rise_k,
        leader=leader,
        led=0 if leader is None else watch.led + 1 if leader == watch.leader else 1,
        together=together,
        together_for=watch.together_for + 1 if together else 0,
    )


def _baseline(watch: Watch, good: Mapping[str, float]) -> Watch:
    rounds = {
        name: (*watch.rounds.get(name, ()), value)[-BASELINE_ROUNDS:]
        for name, value in good.items()
    }
    taken = watch.taken + 1
    restless = tuple(sorted(name for name, values in rounds.items() if not _steady(values)))
    watch = replace(watch, rounds=rounds, taken=taken, restless=restless)
    late = taken >= MOST_BASELINE_ROUNDS
    if not rounds or taken < BASELINE_ROUNDS or (restless and not late):
        return watch
    return replace(watch, base_c={name: values[-1] for name, values in rounds.items()})


def _steady(values: Sequence[float]) -> bool:
    return len(values) >= BASELINE_ROUNDS and max(values) - min(values) <= STEADY_K


def _warm(rise_k: Mapping[str, float]) -> list[str]:
    """Probes that have risen far enough, without those that another leads clearly."""
    most = max(rise_k.values(), default=0.0)
    return [name for name, rise in rise_k.items() if rise >= RISE_K and rise * LEAD > most]


def _leads(name: str, rise_k: Mapping[str, float]) -> bool:
    others = [rise for other, rise in rise_k.items() if other != name]
    return all(rise_k[name] >= LEAD * rise for rise in others)
