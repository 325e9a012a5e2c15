"""Probes compared with something trusted, or with each other in one jar of water: the arithmetic.

All readings are the probes' own, uncorrected: a correction is what has to be added to these.
Uncertainties are standard uncertainties (k = 1) put together as JCGM 100:2008, 5.1.2, says.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from statistics import fmean, median

COUNT_K = 0.0625
"""One count of a DS18B20 at 12 bits, K (datasheet 19-7487, Table 1)."""

LIKELY_HALF_K = 0.5
"""Accuracy of a DS18B20 from -10 to 85 °C: ±0.5 °C (datasheet 19-7487)."""

USE_C = 25.0
"""Where the corrected probes are used, °C."""

CURVE_K = 0.1
"""How far the error of a probe changes over 25 K, as a half width: the typical curve of the
datasheet moves by 0.1 to 0.2 K between 0 and 30 °C (from memory)."""

ICE_HALF_K = 0.1
"""Half width of an ice point made in a kitchen, K: 0.05 to 0.1 (judgement); shaved ice of distilled
water in an insulated vessel is ten times better (ASTM E563)."""

JAR_HALF_K = 0.05
"""Half width of the differences in stirred water with all tips together, K; judgement."""

LAG_S = 20.0
"""Half width of the difference between two probes' time constants in stirred water, s; judgement
for steel capsules."""

ALIKE_K = 0.15
"""Standard uncertainty of what probes of one make err alike, K; judgement from the offset of the
typical curve in the datasheet."""

FEWEST = 5
"""Readings below which nothing is said of steadiness."""

RESTLESS_COUNTS = 3.0
"""A steady probe stays within three counts about its own line: noise plus rounding; judgement."""

DRIFT_COUNTS = 1.6
"""A single probe is steady once its line moves by less than this over the stretch: one flip of the
last bit, which says nothing, tilts the line by 1.5 counts where it comes half way (calculated)."""

JAR_DRIFT_K_PER_MIN = 0.1
"""Water that changes faster shows the lags of the probes as differences: 0.1 K/min x 20 s = 0.03 K.
A litre in an open jar, 15 K warmer than the room, loses about that (calculated)."""

DOUBTED_K = 1.0
"""Two probes within ±0.5 °C differ by 1 K at most, and one is within 0.5 K of ice."""

MOST_ADD_K = 2.0
"""Largest correction that a config may hold."""


@dataclass(frozen=True, slots=True)
class Stretch:
    """The readings of one probe over some time, as a line.

    Attributes:
        mean_c: their mean, °C.
        slope_k_per_s: slope of the least-squares line, K/s.
        scatter_k: standard deviation about that line, K.
        spread_k: from the lowest to the highest about that line, K.
        many: how many readings.
        long_s: from the first to the last, s.
    """

    mean_c: float
    slope_k_per_s: float
    scatter_k: float
    spread_k: float
    many: int
    long_s: float

    @property
    def drift_k(self) -> float:
        """How far the line moves over the stretch, K."""
        return self.slope_k_per_s * self.long_s


@dataclass(frozen=True, slots=True)
class Part:
    """One part of an uncertainty budget: where it comes from, and its standard uncertainty, K."""

    what: str
    u_k: float


@dataclass(frozen=True, slots=True)
class Compared:
    """What a comparison says of one probe.

    Attributes:
        mean_c: its own reading, °C.
        add_k: what has to be added to that, K.
        parts: the budget of the corrected reading.
        doubt: why it should not be used; empty where it may.
    """

    mean_c: float
    add_k: float
    parts: tuple[Part, ...]
    doubt: str = ""

    @property
    def u_k(self) -> float:
        """Standard uncertainty of the corrected reading (k = 1), K."""
        return combined_k(self.parts)


@dataclass(frozen=True, slots=True)
class Jar:
    """All probes of one jar.

    Attributes:
        at_c: temperature of the water, °C: the reference, or the mean of the probes not doubted.
        probes: each probe's comparison.
        spread_k: from the lowest to the highest of the probes not doubted, K.
        together_k: standard uncertainty of what all corrected probes have in common, K.
    """

    at_c: float
    probes: Mapping[str, Compared]
    spread_k: float
    together_k: float


def combined_k(parts: Sequence[Part]) -> float:
    """Combined standard uncertainty of independent parts, K (JCGM 100:2008, 5.1.2)."""
    return math.hypot(*(part.u_k for part in parts))


def rectangular_k(half_k: float) -> float:
    """Standard uncertainty of a value that lies within ± ``half_k`` (JCGM 100:2008, 4.3.7), K."""
    return half_k / math.sqrt(3.0)


def stretch(points: Sequence[tuple[float, float]]) -> Stretch | None:
    """The least-squares line through readings, or None where there are fewer than two times.

    Args:
        points: time in s and temperature in °C of each.
    """
    if len(points) < 2:
        return None
    mean_s = fmean(at_s for at_s, _ in points)
    mean_c = fmean(celsius for _, celsius in points)
    across = sum((at_s - mean_s) ** 2 for at_s, _ in points)
    if across <= 0:
        return None
    slope = sum((at_s - mean_s) * (celsius - mean_c) for at_s, celsius in points) / across
    left = [celsius - mean_c - slope * (at_s - mean_s) for at_s, celsius in points]
    scatter_k = math.sqrt(sum(each**2 for each in left) / max(len(points) - 2, 1))
    times = [at_s for at_s, _ in points]
    return Stretch(
        mean_c, slope, scatter_k, max(left) - min(left), len(points), max(times) - min(times)
    )


def unsteady(seen: Stretch | None) -> str:
    """Why a single probe is not steady yet, in words; empty where it is.

    Args:
        seen: its readings over the whole stretch that will be averaged.
    """
    if seen is None or seen.many < FEWEST:
        return "too few readings yet"
    # A curve on its way leaves a spread about its line as well, and is not restless.
    if seen.spread_k > max(RESTLESS_COUNTS * COUNT_K, abs(seen.drift_k)):
        return "restless"
    if seen.spread_k > RESTLESS_COUNTS * COUNT_K or abs(seen.drift_k) > DRIFT_COUNTS * COUNT_K:
        return "still rising" if seen.slope_k_per_s > 0 else "still falling"
    return ""


def jar_unsteady(seen: Mapping[str, Stretch | None]) -> str:
    """Why a jar of probes is not steady yet, in words; empty where it is.

    The water may drift a little, as long as all probes follow it.
    """
    lines = {name: line for name, line in seen.items() if line is not None and line.many >= FEWEST}
    if len(lines) < len(seen) or not lines:
        missing = sorted(set(seen) - set(lines))
        return f"too few readings yet of {', '.join(missing)}" if missing else "no readings yet"
    for name, line in lines.items():
        if line.spread_k > RESTLESS_COUNTS * COUNT_K:
            return f"{name} is restless"
    common = median(line.slope_k_per_s for line in lines.values())
    long_s = median(line.long_s for line in lines.values())
    if abs(common) * min(long_s, 60.0) > JAR_DRIFT_K_PER_MIN:
        return f"the water still {'warms' if common > 0 else 'cools'}"
    for name, line in lines.items():
        apart_k = abs(line.slope_k_per_s - common) * line.long_s
        if apart_k > RESTLESS_COUNTS * COUNT_K and not _stood_still(name, lines):
            return f"{name} does not follow the others yet"
    return ""


def against(
    seen: Stretch, reference_c: float, expanded_k: float, *, bits: int | None = 12
) -> Compared:
    """Compare one probe with a thermometer beside it.

    Args:
        seen: the probe's readings, not corrected.
        reference_c: the thermometer, °C.
        expanded_k: its expanded uncertainty (k = 2), K.
        bits: the probe's resolution.
    """
    parts = (Part("the thermometer", expanded_k / 2), *_own(seen, reference_c, bits))
    return _compared(seen, reference_c, parts, "")


def ice_point(seen: Stretch, *, bits: int | None = 12) -> Compared:
    """Compare one probe with melting ice: 0 °C.

    Args:
        seen: the probe's readings, not corrected.
        bits: its resolution.
    """
    parts = (
        Part("the ice, as a kitchen makes it", rectangular_k(ICE_HALF_K)),
        *_own(seen, 0.0, bits),
    )
    doubt = ""
    if abs(seen.mean_c) > DOUBTED_K:
        doubt = (
            f"it is {abs(seen.mean_c):.1f} K off, and a good one is within {LIKELY_HALF_K:g}: more "
            "ice than water, finely crushed, stirred, the tip deep in it? If all that is so, the "
            "probe is no good"
        )
    return _compared(seen, 0.0, parts, doubt)


def jar(
    seen: Mapping[str, Stretch],
    reference_c: float | None = None,
    expanded_k: float = 0.0,
    bits: Mapping[str, int | None] | None = None,
) -> Jar:
    """Compare probes that lie together in one jar of water.

    A probe more than 1 K from the middle one is doubted and takes no part in the mean.  So is one
    that stood still while the others moved.

    Args:
        seen: each probe's readings over the same time, not corrected.
        reference_c: a thermometer in the same jar, °C; None: the mean of the probes is taken.
        expanded_k: the thermometer's expanded uncertainty (k = 2), K.
        bits: the probes' resolutions.

    Raises:
        ValueError: there are fewer than two probes.
    """
    if len(seen) < 2:
        raise ValueError("one probe alone has nothing to be compared with")
    middle_c = median(line.mean_c for line in seen.values())
    doubts = {name: _doubt(name, seen, middle_c) for name in seen}
    good = [seen[name] for name, doubt in doubts.items() if not doubt]
    if not good:
        good = list(seen.values())
    mean_c = fmean(line.mean_c for line in good)
    if reference_c is None:
        at_c, shared_k = mean_c, together_k(len(good))
        common = Part("what all probes err together", shared_k)
    else:
        at_c, shared_k = reference_c, expanded_k / 2
        common = Part("the thermometer", shared_k)
    probes = {}
    for name, line in seen.items():
        own = (
            Part("the jar, stirred", rectangular_k(JAR_HALF_K)),
            Part("lags in drifting water", rectangular_k(abs(line.slope_k_per_s) * LAG_S)),
            *_own(line, at_c, (bits or {}).get(name, 12)),
        )
        probes[name] = _compared(line, at_c, (common, *own), doubts[name])
    spread_k = max(line.mean_c for line in good) - min(line.mean_c for line in good)
    return Jar(at_c, probes, spread_k, shared_k)


def together_k(many: int) -> float:
    """Standard uncertainty of the mean of uncorrected probes, K.

    Each lies within ±0.5 °C of the truth, and probes of one make err partly alike, so that many of
    them are hardly better than a few.

    Args:
        many: how many there are, at least one.
    """
    each_k = rectangular_k(LIKELY_HALF_K)
    return min(math.hypot(ALIKE_K, each_k / math.sqrt(many)), each_k)


def apart_k(compared: Compared) -> float:
    """Standard uncertainty of a probe's difference from the others of its jar, K.

    What all have in common, the first part of the budget, is left out.
    """
    return combined_k(compared.parts[1:])


def _own(seen: Stretch, at_c: float, bits: int | None) -> tuple[Part, ...]:
    count_k = COUNT_K * 2 ** (12 - (bits or 12))
    away = min(abs(at_c - USE_C) / USE_C, 1.0)
    return (
        Part("resolution of the probe", rectangular_k(count_k / 2)),
        Part("scatter of its readings", seen.scatter_k / math.sqrt(seen.many)),
        Part(f"its error at {USE_C:g} °C may be another", rectangular_k(CURVE_K * away)),
    )


def _compared(seen: Stretch, at_c: float, parts: tuple[Part, ...], doubt: str) -> Compared:
    add_k = at_c - seen.mean_c
    if not doubt and abs(add_k) > DOUBTED_K:
        doubt = (
            f"it is {abs(add_k):.1f} K off, and a good one is within {LIKELY_HALF_K:g}: look "
            "whether it lies where the thermometer lies, and at the thermometer"
        )
    return Compared(seen.mean_c, round(add_k, 3), parts, doubt)


def _doubt(name: str, seen: Mapping[str, Stretch], middle_c: float) -> str:
    line = seen[name]
    away_k = line.mean_c - middle_c
    if abs(away_k) > DOUBTED_K:
        return (
            f"it reads {abs(away_k):.1f} K {'above' if away_k > 0 else 'below'} the others: is it "
            "in the jar? If it is, it is no good"
        )
    if len(seen) == 2 and 2 * abs(away_k) > DOUBTED_K:
        return f"the two differ by {2 * abs(away_k):.1f} K: one of them is no good"
    if _stood_still(name, seen):
        return "it stood still while the others moved with the water"
    return ""


def _stood_still(name: str, seen: Mapping[str, Stretch]) -> bool:
    others = [each.drift_k for other, each in seen.items() if other != name]
    common_k = abs(median(others)) if others else 0.0
    moved = common_k > RESTLESS_COUNTS * COUNT_K
    return moved and abs(seen[name].drift_k) < common_k / 4
