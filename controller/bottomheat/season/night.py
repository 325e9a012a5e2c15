"""What a box was like over some hours, a night say, and which hours a night is.  Pure."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime, timedelta, tzinfo
from typing import Final

EVENING_H: Final = 18
MORNING_H: Final = 8
"""A night lasts from 18:00 to 08:00 by the grower's clock; judgement: the hours that nobody looks
at the boxes."""

WITHOUT_CLOCK_H: Final = 12.0
"""So long a stretch is told where no clock says when the night was, or in the evening."""

ALL_IN_BAND: Final = 0.995
"""From this share of the known time on it is "all in band", as in the message of the morning."""

MORE_THAN_A_SLIP_H: Final = 0.25
"""A gap that is shorter is not worth a line (judgement): a restart takes less."""


@dataclass(frozen=True, slots=True)
class Hole:
    """A stretch without data; ``cause`` is power, stopped, log failed or unknown."""

    from_ms: int
    to_ms: int
    cause: str

    @property
    def hours(self) -> float:
        """How long it lasted, h."""
        return (self.to_ms - self.from_ms) / 3_600_000


@dataclass(frozen=True, slots=True)
class Night:
    """What a box was like from ``from_ms`` to ``to_ms``, UTC ms.

    Temperatures of the callus zone as it was worked out, °C; "in band" is within 0.5 K of the
    setpoint of that moment.  Hours without an estimate are unknown: neither in band nor out of it.

    Attributes:
        from_ms: its beginning.
        to_ms: its end.
        known_h: time with an estimate, h.
        unknown_h: time without, h.
        in_band_h: of the known time, in band, h.
        below_h: of the known time, below the band, h.
        above_h: of the known time, above it, h.
        low_c: lowest estimate; None where nothing is known.
        low_ms: when.
        high_c: highest estimate.
        high_ms: when.
        expanded_k: widest expanded uncertainty (k = 2) of the estimates, K.
        estimate_c: the newest estimate.
        newest_ms: time of the newest row; None where there is no row.
        setpoint_c: the newest setpoint.
        setpoint_since_ms: since when it was that, as far as this stretch tells.
        room_low_c: coldest room; None where no room probe gave a reading.
        room_high_c: warmest room.
        heat_frac: share of the known time with heat commanded on.
        busiest_frac: the highest share of the time with heat on of any hour with data.
        rise_k: mean of wet layer less room, K; None where one of them gave no reading.
        closings: of the relay's contact.
    """

    from_ms: int
    to_ms: int
    known_h: float = 0.0
    unknown_h: float = 0.0
    in_band_h: float = 0.0
    below_h: float = 0.0
    above_h: float = 0.0
    low_c: float | None = None
    low_ms: int | None = None
    high_c: float | None = None
    high_ms: int | None = None
    expanded_k: float | None = None
    estimate_c: float | None = None
    newest_ms: int | None = None
    setpoint_c: float | None = None
    setpoint_since_ms: int | None = None
    room_low_c: float | None = None
    room_high_c: float | None = None
    heat_frac: float | None = None
    busiest_frac: float | None = None
    rise_k: float | None = None
    closings: int = 0

    @property
    def in_band_frac(self) -> float | None:
        """Share of the known time in band; None where nothing is known."""
        return self.in_band_h / self.known_h if self.known_h > 0 else None

    @property
    def all_in_band(self) -> bool:
        """Whether all of what is known was in band."""
        share = self.in_band_frac
        return share is not None and share >= ALL_IN_BAND


@dataclass(frozen=True, slots=True)
class Tops:
    """Air at the buds that has been above ``limit_c`` without a break; the warmest was ``high_c``.

    ``since_ms`` and ``seen_ms`` are when it was first and last seen so, UTC ms.
    """

    limit_c: float
    since_ms: int
    seen_ms: int
    high_c: float

    @property
    def hours(self) -> float:
        """How long, h."""
        return (self.seen_ms - self.since_ms) / 3_600_000


def day_words(wall_ms: int, zone: tzinfo | None) -> str:
    """A day as "16 Jan"; ``zone`` None is this machine's."""
    day = datetime.fromtimestamp(wall_ms / 1000, UTC).astimezone(zone)
    return f"{day.day} {day:%b}"


def at_hour(now_ms: int, zone: tzinfo | None, hour: int, days_before: int = 0) -> int:
    """UTC ms of a full hour on the local day of ``now_ms``, or some days before it.

    Args:
        now_ms: a moment of that day, UTC ms.
        zone: the grower's; None is this machine's.
        hour: 0 to 23 by the clock on the wall, which in spring may name an hour that is left out.
        days_before: how many days earlier.
    """
    local = datetime.fromtimestamp(now_ms / 1000, UTC).astimezone(zone)
    day = local.date() - timedelta(days=days_before)
    wall = datetime(day.year, day.month, day.day, hour, tzinfo=zone)
    # Without a zone the naive time is this machine's own, summer time and all.
    return round(wall.timestamp() * 1000)


def night_of(now_ms: int, zone: tzinfo | None, *, clock_sure: bool = True) -> tuple[int, int, bool]:
    """From when to when the night before ``now_ms`` was, UTC ms, and whether it is a night.

    Until 18:00 it is the night that ends, or ended, that morning; after it, and where the clock
    was never set, the last 12 hours.

    Args:
        now_ms: the moment to look back from, UTC ms.
        zone: the grower's; None is this machine's.
        clock_sure: whether the clock can be believed.
    """
    local = datetime.fromtimestamp(now_ms / 1000, UTC).astimezone(zone)
    if not clock_sure or local.hour >= EVENING_H:
        return now_ms - round(WITHOUT_CLOCK_H * 3_600_000), now_ms, False
    from_ms = at_hour(now_ms, zone, EVENING_H, 1)
    return from_ms, min(now_ms, at_hour(now_ms, zone, MORNING_H)), True
