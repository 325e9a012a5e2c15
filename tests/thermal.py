"""Rows of a box for tests of the thermal record."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

HOUR_MS = 3_600_000
BEGAN_MS = 1_768_000_000_000
Array = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class Rows:
    """The columns that a record takes."""

    wall_ms: npt.NDArray[np.int64]
    estimate_c: Array
    expanded_k: Array
    setpoint_c: Array
    substrate_c: Array
    heat: npt.NDArray[np.bool_]
    closings: npt.NDArray[np.int64]

    @property
    def under_k(self) -> Array:
        """These are samples: the course is what they say."""
        return np.zeros(len(self.wall_ms))

    over_k = layer_under_k = layer_over_k = under_k

    @property
    def grain_ms(self) -> npt.NDArray[np.int64]:
        """And of no length."""
        return np.zeros(len(self.wall_ms), np.int64)


def rows(
    points: Sequence[tuple[float, float]],
    *,
    expanded_k: float = 0.0,
    setpoint_c: float = 25.0,
    layer_k: float = 4.0,
    on_from_h: float = 0.0,
    on_to_h: float = 0.0,
    step_min: float = 1.0,
    lost_h: Sequence[tuple[float, float]] = (),
) -> Rows:
    """A row every ``step_min`` along straight lines between (h, °C); none in ``lost_h``."""
    at_h = np.arange(points[0][0], points[-1][0] + 1e-9, step_min / 60)
    for low, high in lost_h:
        at_h = at_h[(at_h <= low + 1e-9) | (at_h >= high - 1e-9)]
    callus_c = np.interp(at_h, [h for h, _ in points], [c for _, c in points])
    heat = (at_h >= on_from_h - 1e-9) & (at_h < on_to_h - 1e-9)
    return Rows(
        wall_ms=BEGAN_MS + np.round(at_h * HOUR_MS).astype(np.int64),
        estimate_c=callus_c,
        expanded_k=np.full(at_h.size, expanded_k),
        setpoint_c=np.full(at_h.size, setpoint_c),
        substrate_c=callus_c + layer_k,
        heat=heat,
        closings=np.concatenate(([0], np.diff(heat.astype(np.int64)).clip(0))),
    )


def ms(hours: float) -> int:
    """UTC ms of a time of these rows."""
    return BEGAN_MS + round(hours * HOUR_MS)
