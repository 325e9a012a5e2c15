"""Estimates of a time that was in doubt when the probe was found out.  It imports numpy."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from bottomheat.doubtful import Doubt


def believed(
    values: npt.NDArray[np.float64],
    wall_ms: npt.NDArray[np.int64],
    spans: Sequence[Doubt],
) -> npt.NDArray[np.float64]:
    """The values, and NaN where they are not to be believed.

    Args:
        values: one at each time.
        wall_ms: the times, UTC ms.
        spans: the stretches that are in doubt, each with its begin and without its end.
    """
    doubted = np.zeros(len(wall_ms), np.bool_)
    for span in spans:
        doubted |= (wall_ms >= span.from_ms) & (wall_ms < span.to_ms)
    return np.where(doubted, np.nan, values) if doubted.any() else values
