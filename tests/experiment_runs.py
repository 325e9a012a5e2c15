"""Steps and relay runs on random boxes, exact and fast: what an experiment's log would hold.

The box is run in its exact modes (`random_boxes`), its probes have a lag, noise and steps of 1/16 K
and a constant error, the room drifts.  No controller: the heat is given (step) or switched by the
wet layer as read (relay).  `experiment_world` runs the same by the real cycle.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import numpy.typing as npt

from bottomheat.commission.relay_heat import LEAST, TIMES, TURN_S
from bottomheat.identification.stretch import Stretch
from random_boxes import Box

Floats = npt.NDArray[np.float64]

ROW_S = 10.0
WINDOW_S = 600.0
PROBE_LAG_S = 40.0
NOISE_K = 0.02
COUNT_K = 1.0 / 16.0
ERROR_K = 0.5


class Run:
    """A box in its modes, resting for long at a mean power before its first row.

    Args:
        box: the box.
        duty: mean duty it rests at.
        room_c: room at the start, °C.
        drift_k_per_h: of the room from the start on, K/h.
        drifted_h: how long the room has drifted so before, h.
        seed: of noise and constant errors.
    """

    def __init__(
        self,
        box: Box,
        duty: float,
        room_c: float,
        drift_k_per_h: float,
        drifted_h: float = 0.0,
        seed: int = 1,
    ) -> None:
        self._box, self._room_c, self._drift_k_per_h = box, room_c, drift_k_per_h
        modes = box.modes
        rate = modes.rate_per_s
        self._heat, self._room = modes.heat["substrate"], modes.room["substrate"]
        self._keep = np.exp(-rate * ROW_S)
        self._gain = -np.expm1(-rate * ROW_S) / rate
        drift = drift_k_per_h / 3600.0
        begin_c = room_c - drift * drifted_h * 3600.0
        # A ramp's steady answer lags by rate; exact after any time of drift from rest.
        gone = np.exp(-rate * drifted_h * 3600.0)
        ramp_c = room_c - drift / rate * (1.0 - gone) if drifted_h else begin_c
        self._state = self._heat * duty * box.watts / rate + self._room / rate * ramp_c
        self._rng = np.random.default_rng(seed)
        self._errors_k = self._rng.uniform(-ERROR_K, ERROR_K, 2)
        self._probe_c: float | None = None
        self.now_s = 0.0
        self.rows: list[tuple[float, float, float, float]] = []

    @property
    def true_c(self) -> float:
        """The wet layer, °C."""
        return float(self._state.sum())

    def row(self, heat: float) -> float:
        """Let one row pass with the mat on (1), off (0) or for a share; the wet layer as read."""
        room_c = self._room_c + self._drift_k_per_h * (self.now_s + ROW_S / 2) / 3600.0
        drive = self._heat * heat * self._box.watts + self._room * room_c
        self._state = self._state * self._keep + drive * self._gain
        self.now_s += ROW_S
        true_c = self.true_c
        before_c = true_c if self._probe_c is None else self._probe_c
        self._probe_c = before_c + (true_c - before_c) * -math.expm1(-ROW_S / PROBE_LAG_S)
        layer_c = self._read(self._probe_c + self._errors_k[0])
        self.rows.append((self.now_s, layer_c, self._read(room_c + self._errors_k[1]), heat))
        return layer_c

    def _read(self, celsius: float) -> float:
        noisy = celsius + float(self._rng.normal(0.0, NOISE_K))
        return round(noisy / COUNT_K) * COUNT_K

    def windows(self, duty: float, hours: float) -> None:
        """Share a duty out over windows of ten minutes."""
        given_s = owed_s = 0.0
        for count in range(round(hours * 3600.0 / ROW_S)):
            if count % round(WINDOW_S / ROW_S) == 0:
                owed_s += duty * WINDOW_S - given_s
                given_s = 0.0
            on = given_s < owed_s - ROW_S / 2
            given_s += ROW_S if on else 0.0
            self.row(1.0 if on else 0.0)

    def relay(
        self,
        centre_c: float,
        half_k: float,
        periods: int,
        follow_k_per_h: float = 0.0,
        high: float = 1.0,
    ) -> bool:
        """Switch heat around a temperature as read; whether all periods came in 16 h.

        Args:
            centre_c: the temperature, °C.
            half_k: half the width between the switching points, K.
            periods: how many.
            follow_k_per_h: how the temperature moves, K/h.
            high: duty while on; below 1 it is given in turns, as the service gives it.
        """
        on, switched, start_s, on_s = True, 0, self.now_s, self.now_s
        smooth_c: float | None = None
        while switched <= periods and self.now_s - start_s < 16 * 3600.0:
            in_turn_s = (self.now_s - on_s) % TURN_S
            read_c = self.row(1.0 if on and in_turn_s < high * TURN_S - ROW_S / 2 else 0.0)
            smooth_c = (
                read_c
                if smooth_c is None
                else smooth_c + (read_c - smooth_c) * -math.expm1(-ROW_S / 60.0)
            )
            at_c = centre_c + follow_k_per_h * (self.now_s - start_s) / 3600.0
            if on and smooth_c >= at_c + half_k:
                on = False
            elif not on and smooth_c <= at_c - half_k:
                on, on_s = True, self.now_s
                switched += 1
        return switched > periods

    def stretch(self, **more: Any) -> Stretch:
        """What was logged."""
        columns = np.array(self.rows).T
        return Stretch(columns[0], columns[1], columns[2], columns[3], self._box.watts, **more)


def step_run(
    box: Box, seed: int, drift_k_per_h: float, *, hours: float = 4.0, before_h: float = 2.0
) -> Run:
    """A step that would warm or cool the callus zone by half a kelvin in its hours.

    Args:
        box: the box.
        seed: of the room and the probes.
        drift_k_per_h: of the room, either way, K/h.
        hours: of the step, h.
        before_h: at rest before, h.
    """
    rng = np.random.default_rng(seed)
    room_c = float(rng.uniform(box.coldest_c + 1.0, 18.0))
    duty = min(0.9, max(0.1, (25.0 - room_c) / (box.gain("callus") * box.watts)))
    moved_k = float(box.step_k(hours * 3600.0, "callus")) * box.watts
    size = min(0.25, 0.5 / moved_k) * float(rng.uniform(0.6, 1.4))
    size = -size if duty - size > 0.1 else size
    drift_k_per_h *= 1.0 if rng.random() < 0.5 else -1.0
    run = Run(box, duty, room_c, drift_k_per_h, float(rng.uniform(0.0, 4.0)), seed)
    run.windows(duty, before_h)
    run.windows(duty + size, hours)
    return run


def relay_run(
    box: Box,
    seed: int,
    drift_k_per_h: float,
    *,
    periods: int = 4,
    half_k: float = 0.08,
    before_h: float = 2.0,
) -> tuple[Run, float]:
    """Relay periods around where the wet layer rests; also when the relay began, s.

    Heat is twice what the box rests at, as the service has it where no bound is near.
    """
    rng = np.random.default_rng(seed)
    room_c = float(rng.uniform(box.coldest_c + 1.0, 18.0))
    duty = min(0.85, max(0.1, (25.0 - room_c) / (box.gain("callus") * box.watts)))
    drift_k_per_h *= 1.0 if rng.random() < 0.5 else -1.0
    run = Run(box, duty, room_c, drift_k_per_h, float(rng.uniform(0.0, 4.0)), seed)
    run.windows(duty, before_h)
    begun_s = run.now_s
    centre_c = run.rows[-1][1]
    # The wet layer's setpoint follows the room: up as the room cools.
    follow = -drift_k_per_h * (1.0 / box.factor - 1.0)
    run.relay(centre_c, half_k, periods, follow, min(1.0, max(LEAST, TIMES * duty)))
    return run, begun_s
