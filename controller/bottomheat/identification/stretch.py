"""What identification looks at: one continuous run of a box, as arrays."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class Stretch:
    """A run of a box without gap, lid closed, nobody at it.

    All arrays have one entry a row, taken at ``time_s``; they need not be evenly spaced.

    Attributes:
        time_s: time of each row, s, rising.
        substrate_c: wet layer as read, °C.
        room_c: room as read, °C.
        heat_share: share of the time since the row before in which the mat was fed, 0...1.
        watts: what the mat takes while it is fed, W.
        callus_c: callus zone, estimate or probe, °C; nan where it is not known, None without any.
        mat_c: mat as read, °C; None without a probe there.
    """

    time_s: Floats
    substrate_c: Floats
    room_c: Floats
    heat_share: Floats
    watts: float
    callus_c: Floats | None = None
    mat_c: Floats | None = None

    def __post_init__(self) -> None:
        count = len(self.time_s)
        columns = (self.substrate_c, self.room_c, self.heat_share, self.callus_c, self.mat_c)
        if any(column is not None and len(column) != count for column in columns):
            raise ValueError("the columns of a stretch are not equally long")
        if count and not (np.all(np.isfinite(self.time_s)) and np.all(np.diff(self.time_s) > 0)):
            raise ValueError("the times of a stretch do not rise")
        if not self.watts > 0.0:
            raise ValueError(f"a mat of {self.watts} W heats nothing")

    @property
    def hours(self) -> float:
        """From first to last row, h."""
        return float(self.time_s[-1] - self.time_s[0]) / 3600.0 if len(self.time_s) else 0.0
