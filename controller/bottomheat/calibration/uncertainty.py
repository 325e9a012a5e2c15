"""Standard uncertainties from bounds, and how many degrees of freedom a combined one has.

Plain arithmetic without numpy, so that the service may use it too.  Source: JCGM 100:2008, "Guide
to the expression of uncertainty in measurement", clauses 4.3.7 to 4.3.9, F.2.2.1, 5.1.2 and G.4.1.
"""

from __future__ import annotations

import math
from collections.abc import Sequence


def rectangular(half_width_value: float) -> float:
    """Standard uncertainty of what lies anywhere within ± half_width, in its unit (4.3.7)."""
    return _width(half_width_value) / math.sqrt(3.0)


def triangular(half_width_value: float) -> float:
    """Standard uncertainty of what lies within ± half_width, rather near the middle (4.3.9)."""
    return _width(half_width_value) / math.sqrt(6.0)


def arcsine(half_width_value: float) -> float:
    """Standard uncertainty of a cycle of amplitude half_width, caught at any time.

    The U-shaped distribution; JCGM 100 has it in its example H.1.3.4.
    """
    return _width(half_width_value) / math.sqrt(2.0)


def quantisation(step_value: float) -> float:
    """Standard uncertainty from a display or converter of this step (F.2.2.1): step/√12."""
    return rectangular(_width(step_value) / 2.0)


def combined(*parts: float) -> float:
    """Combined standard uncertainty of independent parts, each in the result's unit (5.1.2).

    Raises:
        ValueError: a part is negative or not a number.
    """
    return math.hypot(*(_width(part) for part in parts))


def effective_degrees_of_freedom(parts: Sequence[float], degrees: Sequence[float]) -> float:
    """Degrees of freedom of a combined uncertainty, by Welch and Satterthwaite (G.4.1, G.2b).

    Args:
        parts: independent standard uncertainties, each in the result's unit.
        degrees: degrees of freedom of each; inf where it is taken as exactly known.

    Returns:
        u⁴ / Σ(uᵢ⁴/νᵢ); inf where no part with a finite ν contributes.

    Raises:
        ValueError: not one ν > 0 for each part.
    """
    if len(parts) != len(degrees) or any(not each > 0.0 for each in degrees):
        raise ValueError("each part needs its degrees of freedom, above 0")
    # As shares of the whole, so that nothing under- or overflows.
    whole = combined(*parts)
    if whole == 0.0:
        return math.inf
    weight = sum((part / whole) ** 4 / each for part, each in zip(parts, degrees, strict=True))
    return 1.0 / weight if weight > 0.0 else math.inf


def _width(value: float) -> float:
    if not 0.0 <= value < math.inf:
        raise ValueError("an uncertainty is a number from 0 up")
    return value
