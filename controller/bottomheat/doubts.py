"""Standard uncertainties (k = 1) that the estimate takes where no calibration says better."""

from __future__ import annotations

import math

U_PROBE_K = 0.5 / math.sqrt(3.0)
"""Standard uncertainty of an uncorrected probe: ±0.5 °C (DS18B20 datasheet) as a rectangular
distribution (JCGM 100:2008, 4.3.7)."""

U_ZONE_K = 0.25
"""Standard uncertainty for the callus zone's own gradient over ±10 mm of height; judgement."""

U_FACTOR = 0.06
U_FACTOR_CALIBRATED = 0.015
"""Standard uncertainty of f: spread over handbook properties (5-95 %: 0.59-0.83) and after a
calibration that states none."""

U_WEATHER_K = 0.1
U_WEATHER_LAGS_K = 0.06
"""Standard uncertainty from weather that two first-order lags do not follow: with default lags and
with measured ones.  RMS of the estimate's error on the bench of four calculated boxes, 0.06-0.12
and 0.02-0.05 K, rounded up; calculated, nobody has measured a box."""

U_FIXED_K = 1.0
"""Standard uncertainty of a fixed offset away from the room that it was measured in; judgement."""

FIXED_SLOPE = 1.0 / 3.0
"""A fixed offset is wrong by this share of how far the room is from the one that it was measured
in: (1/f - 1) at f = 0.75 (the temperature factor turned round; f is common practice, no source)."""

U_RESISTANCE_FRAC = 0.3
U_FLOW_K = 0.15
"""Heat-flow: standard uncertainty of an R that was not measured as a share of it, judgement; and
from weather that mean power does not follow.  RMS of the estimate's error on the bench of four
calculated boxes under heat-flow itself, 0.07-0.15 K."""

U_POWER_FRAC = 1.0 / math.sqrt(12.0)
U_POWER_BEFORE_FRAC = 0.1
"""Standard uncertainty of the mean power at a start as a share of the rating: it may have been any
(rectangular), or, after a short stop, what the last estimate before it implies (judgement)."""

U_ROOM_LOST_K = 3.0
U_ROOM_IMPLIED_K = 0.8
"""Standard uncertainty of the last day's mean room in place of the room, and of the room that the
heat implies.  40 boxes drawn within handbook ranges, in recorded weather, for four days after the
probe was lost: RMS 2.1 K (worst box 4.3) and 0.3 K (0.64); rounded up for a bed that changes."""

U_LID_K = 1.2
"""Standard uncertainty with the lid ajar or off and a calibration with it on: the offset of the
nominal box grows from 1.57 to 3.35 K in a room of 20.5 °C (calculated), taken as rectangular."""

U_LAG_FRAC = 0.43
U_LAG_MEASURED_FRAC = 0.15
"""Standard uncertainty from the wet layer's lag as a share of what the lag makes just now: the true
lag lies within a factor of 2 of the default one, 1.3 of a measured one (see ``pairing``), which for
a ramp is (2 - 1/2)/2 and (1.3 - 1/1.3)/2 of it, as rectangles.  It tells of a warm-up."""
