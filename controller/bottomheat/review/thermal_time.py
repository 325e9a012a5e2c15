"""Thermal time: degree-days and growing-degree-hours.  Pure; needs numpy.

No validated model of callus by thermal time was found for the species of the table, so that this is
an index that a grower may keep from year to year, never a forecast: how much warmth a batch had by
a formula, and what share that is of a figure that the grower gives.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import StrEnum
from typing import Final

import numpy as np
import numpy.typing as npt

from bottomheat.errors import InputError
from bottomheat.review.exposure import Array, Side, Trace, beyond

GDH_BASE_C: Final = 4.0
GDH_OPTIMUM_C: Final = 25.0
GDH_CRITICAL_C: Final = 36.0
"""Anderson et al. 1986 (Acta Hort. 184, from memory): for buds of fruit trees, not for callus."""

_STEPS_K: Final = 0.25
"""A segment that climbs more is cut up before its curve is summed, K."""


class Form(StrEnum):
    """How warmth is counted."""

    LINEAR = "degree-days"
    GDH = "growing-degree-hours"


@dataclass(frozen=True, slots=True)
class Model:
    """How a grower counts warmth.

    Attributes:
        form: by degree-days above ``base_c``, or by growing-degree-hours.
        base_c: below it nothing counts, °C; of no use to growing-degree-hours.
        need: how much the grower's own batches took, in K·day or growing-degree-hours; None: not
            known.

    Raises:
        InputError: a base or a need that makes no sense.
    """

    form: Form = Form.LINEAR
    base_c: float = 10.0
    need: float | None = None

    def __post_init__(self) -> None:
        if not -10.0 <= self.base_c <= 40.0:
            raise InputError(f"a base of {self.base_c:g} °C is no base: give -10 to 40.")
        if self.need is not None and not 0.0 < self.need < math.inf:
            raise InputError(f"{self.need:g} is no sum of warmth: give one above 0.")


def growing_degree_hours(celsius: Array) -> Array:
    """Growing-degree-hours per hour at each temperature (array of any shape, °C), 0 to 21.

    Two half cosines that rise from 4 to 25 °C and fall to 0 at 36 °C: Anderson et al.
    1986; formula as published in the R package ChillModels.
    """
    height = GDH_OPTIMUM_C - GDH_BASE_C
    fall = GDH_CRITICAL_C - GDH_OPTIMUM_C
    rising = height / 2 * (1 + np.cos(np.pi + np.pi * (celsius - GDH_BASE_C) / height))
    falling = height * (1 + np.cos(np.pi / 2 + np.pi / 2 * (celsius - GDH_OPTIMUM_C) / fall))
    # Outside its range a branch would begin to rise again.
    return np.where(
        (celsius > GDH_BASE_C) & (celsius <= GDH_OPTIMUM_C),
        rising,
        np.where((celsius > GDH_OPTIMUM_C) & (celsius < GDH_CRITICAL_C), falling, 0.0),
    )


def warmth(line: Trace, model: Model) -> float:
    """The warmth of the known time, in K·day or growing-degree-hours; unknown time adds none."""
    if model.form is Form.LINEAR:
        return beyond(line, model.base_c, Side.ABOVE).degree_hours / 24.0
    return _summed(line)


@dataclass(frozen=True, slots=True)
class Index:
    """The warmth of some known time by a model, in K·day or growing-degree-hours."""

    model: Model
    amount: float

    @property
    def share(self) -> float | None:
        """What share of the grower's own figure that is; None: no figure given."""
        return None if self.model.need is None else self.amount / self.model.need


def _summed(line: Trace) -> float:
    climbs = np.abs(line.end_c - line.start_c)
    pieces = np.maximum(np.ceil(climbs / _STEPS_K), 1).astype(np.int64)
    which = np.repeat(np.arange(pieces.size), pieces)
    number = np.arange(which.size) - np.repeat(np.cumsum(pieces) - pieces, pieces)
    share = 1.0 / pieces[which]

    def rates(step_share: float) -> npt.NDArray[np.float64]:
        at = (number + step_share) * share
        return growing_degree_hours(line.start_c[which] * (1 - at) + line.end_c[which] * at)

    # Simpson's rule on each piece.
    mean = (rates(0.0) + 4.0 * rates(0.5) + rates(1.0)) / 6.0
    return float(np.sum(mean * share * line.hours[which]))


# -- from a day's lowest and highest temperature, for comparison with published tables


def simple_average_days(low_c: float, high_c: float, base_c: float) -> float:
    """Degree-days of a day as its mean less the base, never below 0, K·day (UC IPM)."""
    return max((low_c + high_c) / 2 - base_c, 0.0)


def four_case_days(low_c: float, high_c: float, base_c: float) -> tuple[float, float]:
    """Degree-days above and below the base of a day, K·day.

    The four cases of the United Kingdom's and Ireland's meteorological offices, by where the base
    lies between lowest, mean and highest temperature.
    """
    mean_c = (low_c + high_c) / 2
    over_k, under_k = high_c - base_c, base_c - low_c
    if under_k <= 0.0:
        return mean_c - base_c, 0.0
    if over_k <= 0.0:
        return 0.0, base_c - mean_c
    if mean_c >= base_c:
        return over_k / 2 - under_k / 4, under_k / 4
    return over_k / 4, under_k / 2 - over_k / 4


def single_sine_days(low_c: float, high_c: float, base_c: float) -> float:
    """Degree-days above the base of a day that follows a sine, K·day.

    Baskerville & Emin 1969, Ecology 50:514.
    """
    mean_c, half_k = (low_c + high_c) / 2, (high_c - low_c) / 2
    if low_c >= base_c:
        return mean_c - base_c
    if high_c <= base_c:
        return 0.0
    cross = math.asin((base_c - mean_c) / half_k)
    return ((mean_c - base_c) * (math.pi / 2 - cross) + half_k * math.cos(cross)) / math.pi
