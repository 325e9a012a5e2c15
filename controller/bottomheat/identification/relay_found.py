"""What a relay run shows of a box.  Plain Python."""

from __future__ import annotations

from dataclasses import dataclass, field

from bottomheat.identification.found import Found


@dataclass(frozen=True, slots=True)
class LimitCycle:
    """Mean of the relay periods, the room's drift removed.

    Attributes:
        period_s: from one switching on to the next, s.
        on_s: heat on, s.
        off_s: heat off, s.
        amplitude_k: half of peak to peak of the wet layer, K.
        hysteresis_k: half of the difference between switching off and on, as read, K.
        peak_k: highest above the middle between switching off and on, K.
        trough_k: lowest, against the same, K, below 0.
        gain_k: amplitude of the wet layer's fundamental for full power on and off, K for a whole
            duty: the size of the exact answer at this period.
        phase_rad: its phase, rad, below 0.
        periods: how many.
        drift_k_per_h: what was removed, K/h.
        on_duty: duty while heat was on, 0...1; below 1 it was given in turns.
    """

    period_s: float
    on_s: float
    off_s: float
    amplitude_k: float
    hysteresis_k: float
    peak_k: float
    trough_k: float
    gain_k: float
    phase_rad: float
    periods: int
    drift_k_per_h: float
    on_duty: float = 1.0

    @property
    def on_share(self) -> float:
        """Share of the time with heat, 0...1."""
        return self.on_s / self.period_s


@dataclass(frozen=True, slots=True)
class FirstOrder:
    """One lag and a delay that give the same limit cycle: good near its period only.

    Attributes:
        gain_k: K for a whole duty.
        lag_s: s.
        dead_s: s.
    """

    gain_k: float
    lag_s: float
    dead_s: float


@dataclass(frozen=True, slots=True)
class RelayFound:
    """What a relay run shows.

    Attributes:
        ku_per_k: ultimate gain by the describing function, duty per K.  For one lag that is long
            against its delay it is up to 19 % low (exact limit cycle), for random boxes 16 to 35 %
            (calculated): both err to the safe side.
        period_s: the period of an even relay, s, from the one measured; with hysteresis longer than
            the ultimate one, by a tenth to a third (calculated).
        amplitude_k: half of peak to peak, K.
        cycle: the limit cycle behind these.
        first_order: from one mean cycle; None where it gives none.
        found: two lags, dead time and room fitted to the whole run; None where that is too unsure.
        notes: what a reader should know, in plain words.
    """

    ku_per_k: float
    period_s: float
    amplitude_k: float
    cycle: LimitCycle
    first_order: FirstOrder | None
    found: Found | None
    notes: tuple[str, ...] = field(default=())
