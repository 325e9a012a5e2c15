"""What ``status`` shows, gathered from cycle to cycle; pure.

The loop hands every step to ``Board.take``; ``Board.answer`` is the JSON object that the control
socket returns and ``bottomheat status --json`` prints.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Any

from bottomheat.config import ChamberConfig, Config
from bottomheat.cycle import BAND_K, ControllerState, Step
from bottomheat.model import Alarm, Good, Record
from bottomheat.ports import KeeperStatus


@dataclass(frozen=True, slots=True)
class Board:
    """The last step, and since when things are as they are (monotonic s)."""

    started_s: float
    records: tuple[Record, ...] = ()
    in_band_since_s: Mapping[str, float] = field(default_factory=dict)
    alarm_since_s: Mapping[tuple[str | None, Alarm], float] = field(default_factory=dict)
    alarm_text: Mapping[Alarm, str] = field(default_factory=dict)
    at_s: float | None = None

    def take(self, step: Step, house: Mapping[Alarm, str], now_s: float) -> Board:
        """Take a step, and the alarms of the house that no chamber owns, into account."""
        in_band = {}
        present: set[tuple[str | None, Alarm]] = {(None, alarm) for alarm in house}
        for record in step.records:
            name = record.chamber
            estimate = record.estimate
            if estimate is not None and abs(estimate.celsius - record.setpoint_c) <= BAND_K:
                in_band[name] = self.in_band_since_s.get(name, now_s)
            present.update((name, alarm) for alarm in record.alarms)
        since = {key: self.alarm_since_s.get(key, now_s) for key in present}
        return replace(
            self,
            records=step.records,
            in_band_since_s=in_band,
            alarm_since_s=since,
            alarm_text=dict(house),
            at_s=now_s,
        )

    def answer(
        self,
        state: ControllerState,
        config: Config,
        keeper: KeeperStatus | None,
        now_s: float,
        words: Mapping[Alarm, str],
    ) -> dict[str, Any]:
        """The whole picture as a plain JSON object; ages and durations in s, temperatures in °C."""
        chambers = []
        for record in self.records:
            chamber = config.chambers.get(record.chamber)
            kept = state.chambers.get(record.chamber)
            if chamber is None or kept is None:
                continue
            since_s = self.in_band_since_s.get(record.chamber)
            line = None if keeper is None else keeper.line(record.chamber)
            chambers.append(
                {
                    **_numbers(record, chamber),
                    "heat_fraction": kept.relay.mean_duty,
                    "in_band_s": None if since_s is None else now_s - since_s,
                    "latched": kept.cutoff.latched,
                    "keeper": None
                    if line is None
                    else {
                        "closed": line.closed,
                        "closings": line.closings,
                        "latched": line.latched,
                        "reason": line.reason,
                        "probe_c": line.probe_c,
                        "series_closed": line.series_closed,
                    },
                }
            )
        alarms = [
            {
                "chamber": name,
                "alarm": alarm.value,
                "text": self.alarm_text.get(alarm) if name is None else words.get(alarm),
                "for_s": now_s - since_s,
            }
            for (name, alarm), since_s in sorted(
                self.alarm_since_s.items(), key=lambda item: (item[0][0] or "", item[0][1])
            )
        ]
        run = state.proving
        return {
            "data_age_s": None if self.at_s is None else now_s - self.at_s,
            "running_s": now_s - self.started_s,
            "proved": state.proved,
            "proving": None if run is None or run.finished else run.phase.value,
            "hold": state.hold,
            "alarms": alarms,
            "chambers": chambers,
        }


def _numbers(record: Record, chamber: ChamberConfig) -> dict[str, Any]:
    estimate = record.estimate
    readings: dict[str, Any] = {}
    for place, reading in record.readings:
        readings[place.value] = (
            {"celsius": reading.celsius}
            if isinstance(reading, Good)
            else {"fault": reading.fault.value, "detail": reading.detail}
        )
    return {
        "name": record.chamber,
        "condition": record.condition.value,
        "reason": record.reason,
        "setpoint_c": record.setpoint_c,
        "estimate_c": None if estimate is None else estimate.celsius,
        "expanded_k": None if estimate is None else estimate.expanded_k,
        "method": chamber.offset.method,
        "calibrated": chamber.offset.calibrated,
        "readings": readings,
        "substrate_setpoint_c": record.substrate_setpoint_c,
        "duty": record.duty,
        "heat": record.heat,
        "closings": record.closings,
    }
