"""Experiments run by the real cycle on simulated boxes, with faults to order."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np

from beds import Beds, keys_of
from bottomheat.commission import experiment
from bottomheat.commission.experiment import Experiment, Plan
from bottomheat.identification.stretch import Stretch
from bottomheat.model import EventKind, Good, Place
from plant import config

SETPOINT_C = 25.0


class Trial:
    """One box under the real cycle, long at rest, that an experiment is asked of.

    Args:
        box: a box of either make.
        watts: of its mat.
        room_c: room, °C, or by time in s.
        keys: more keys of the chamber.
        more: more for ``Beds``.
    """

    def __init__(
        self,
        box: Any,
        watts: float = 45.0,
        room_c: float | Callable[[float], float] = 12.0,
        *,
        cycle_s: float = 30.0,
        keys: dict[str, Any] | None = None,
        settle_h: float = 12.0,
        **more: Any,
    ) -> None:
        named = keys_of(box)
        named["heater"] = {**named["heater"], "watts": watts}
        named |= keys or {}
        begin_c = room_c(0.0) if callable(room_c) else room_c
        self.plant = Beds(
            config(cycle_s, bench=named), {"bench": box}, start_c=begin_c, room_c=room_c, **more
        )
        # Weeks at the power that holds it, in one exact step: the law has only to find that.
        self._hold(box, begin_c)
        self.plant.run(settle_h)
        self.asked = len(self.plant.records["bench"])

    def _hold(self, box: Any, room_c: float) -> None:
        probe = 1.0
        box.advance(3600.0 * 2000.0, probe, room_c)
        gain = (box.temperature("callus") - room_c) / probe
        box.advance(3600.0 * 2000.0, max(0.0, (SETPOINT_C - room_c) / gain), room_c)

    @property
    def chamber(self) -> Any:
        """State of the chamber."""
        return self.plant.state.chambers["bench"]

    @property
    def experiment(self) -> Experiment:
        """The experiment that was asked for."""
        trial = self.chamber.experiment
        assert trial is not None
        return trial

    def ask(self, plan: Plan) -> None:
        """Begin one."""
        trial = experiment.begin(
            plan, self.plant.config.chambers["bench"], self.chamber.lid, self.plant.now_s
        )
        self.put(experiment=trial)
        self.asked = len(self.plant.records["bench"])

    def put(self, **changes: Any) -> None:
        """Change the chamber's state by hand."""
        state = self.plant.state
        chamber = replace(self.chamber, **changes)
        self.plant.state = replace(state, chambers={**state.chambers, "bench": chamber})

    def until_begun(self) -> None:
        """Let the box come to rest, until the experiment drives."""
        self.plant.until(lambda: self.experiment.drives or self.experiment.over is not None, 12.0)
        assert self.experiment.drives, self.experiment.over

    def until_over(self, most_h: float = 30.0) -> Experiment:
        """Let it run to its end."""
        self.plant.until(lambda: self.experiment.over is not None, most_h)
        return self.experiment

    def told(self) -> list[str]:
        """What the log holds of experiments."""
        return [e.text for e in self.plant.events if e.kind is EventKind.EXPERIMENT]

    def stretch(self, before_h: float = 2.0) -> Stretch:
        """The log from some time before it was asked for on."""
        records = self.plant.records["bench"]
        rows = records[max(0, self.asked - round(before_h * 3600 / self.plant.config.cycle_s)) :]
        heat = [0.0, *(float(row.heat) for row in rows[:-1])]
        return Stretch(
            np.array([row.at_s for row in rows]),
            np.array([_read(row, Place.SUBSTRATE) for row in rows]),
            np.array([_read(row, Place.ROOM) for row in rows]),
            np.array(heat),
            self.plant.config.chambers["bench"].heater.watts,
            np.array([math.nan if r.estimate is None else r.estimate.celsius for r in rows]),
        )

    def swing_k(self, place: Place) -> float:
        """Largest less smallest since it was asked for, K: the wet layer as read, else truly."""
        if place is Place.CALLUS:
            values = self.plant.callus_c["bench"][-self._rows() :]
        else:
            values = [_read(row, place) for row in self.plant.records["bench"][-self._rows() :]]
        return float(max(values) - min(values))

    def _rows(self) -> int:
        return len(self.plant.records["bench"]) - self.asked


def _read(row: Any, place: Place) -> float:
    reading = dict(row.readings).get(place)
    return reading.celsius if isinstance(reading, Good) else math.nan
