"""What ``status`` shows, gathered from cycle to cycle; pure.

The loop hands every step to ``Board.take``; ``Board.answer`` is the JSON object that the control
socket returns and ``bottomheat status --json`` prints.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Any

from bottomheat import doubtful
from bottomheat.config import ChamberConfig, Config
from bottomheat.cycle import BAND_K, ControllerState, Step
from bottomheat.model import Good, Record
from bottomheat.ports import KeeperStatus
from bottomheat.state import ChamberState

HOURS_KEPT = 12


@dataclass(frozen=True, slots=True)
class Hour:
    """One clock hour (monotonic) of one chamber, in cycles.

    A cycle without an estimate counts as a cycle and not as one in band.
    """

    number: int
    cycles: int = 0
    in_band: int = 0
    heated: int = 0
    low_c: float | None = None
    high_c: float | None = None

    def take(self, record: Record) -> Hour:
        """Count one cycle."""
        low_c, high_c, in_band = self.low_c, self.high_c, self.in_band
        if record.estimate is not None:
            celsius = record.estimate.celsius
            low_c = celsius if low_c is None else min(low_c, celsius)
            high_c = celsius if high_c is None else max(high_c, celsius)
            in_band += _in_band(record)
        return Hour(self.number, self.cycles + 1, in_band, self.heated + record.heat, low_c, high_c)

    def unknown(self) -> Hour:
        """The same with what was estimated in it not known, because of a probe in doubt."""
        return replace(self, in_band=0, low_c=None, high_c=None)


@dataclass(frozen=True, slots=True)
class Board:
    """The last step, and since when things are as they are (monotonic s)."""

    started_s: float
    records: tuple[Record, ...] = ()
    in_band_since_s: Mapping[str, float] = field(default_factory=dict)
    hours: Mapping[str, tuple[Hour, ...]] = field(default_factory=dict)
    at_s: float | None = None

    def take(self, step: Step, now_s: float) -> Board:
        """Take a step into account."""
        in_band = {}
        hours = {}
        number = int(now_s // 3600)
        for record in step.records:
            name = record.chamber
            if _in_band(record):
                in_band[name] = self.in_band_since_s.get(name, now_s)
            kept = self.hours.get(name, ())
            if not kept or kept[-1].number != number:
                recent = tuple(hour for hour in kept if hour.number > number - HOURS_KEPT)
                kept = (*recent, Hour(number))
            hours[name] = (*kept[:-1], kept[-1].take(record))
        for event in step.events:
            doubted_s = doubtful.before_s(event)
            if doubted_s is not None and event.chamber in hours:
                first = (event.at_s - doubted_s) // 3600
                kept = hours[event.chamber]
                hours[event.chamber] = tuple(h.unknown() if h.number >= first else h for h in kept)
        return replace(self, records=step.records, in_band_since_s=in_band, hours=hours, at_s=now_s)

    def boxes(self) -> list[dict[str, Any]]:
        """Each chamber in one line of figures: now, and over about the last 12 hours.

        Temperatures of the callus zone in °C, fractions of the cycles that ran in that time: in
        band, and with heat asked for.
        """
        told = []
        for record in self.records:
            hours = self.hours.get(record.chamber, ())
            lows = [hour.low_c for hour in hours if hour.low_c is not None]
            highs = [hour.high_c for hour in hours if hour.high_c is not None]
            cycles = sum(hour.cycles for hour in hours)
            told.append(
                {
                    "name": record.chamber,
                    "condition": record.condition.value,
                    "estimate_c": None if record.estimate is None else record.estimate.celsius,
                    "setpoint_c": record.setpoint_c,
                    "low_c": min(lows, default=None),
                    "high_c": max(highs, default=None),
                    "in_band_frac": sum(h.in_band for h in hours) / cycles if cycles else None,
                    "heat_frac": sum(h.heated for h in hours) / cycles if cycles else None,
                }
            )
        return told

    def answer(
        self, state: ControllerState, config: Config, keeper: KeeperStatus | None, now_s: float
    ) -> dict[str, Any]:
        """The picture without its alarms as a plain JSON object; ages and durations in s."""
        chambers = []
        for record in self.records:
            chamber = config.chambers.get(record.chamber)
            kept = state.chambers.get(record.chamber)
            if chamber is None or kept is None:
                continue
            since_s = self.in_band_since_s.get(record.chamber)
            line = None if keeper is None else keeper.line(record.chamber)
            tending = kept.tending
            chambers.append(
                {
                    **_numbers(record),
                    **_offset(kept, chamber),
                    "heat_fraction": kept.relay.mean_duty,
                    "in_band_s": None if since_s is None else now_s - since_s,
                    "latched": kept.cutoff.latched,
                    "lid": kept.lid.value,
                    "learned": _learned(kept),
                    "tending": None
                    if tending is None
                    else {"doing": tending.doing.value, "left_s": tending.until_s - now_s},
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
        run = state.proving
        return {
            "data_age_s": None if self.at_s is None else now_s - self.at_s,
            "running_s": now_s - self.started_s,
            "proved": state.proved,
            "proving": None if run is None or run.finished else run.phase.value,
            "hold": state.hold,
            "chambers": chambers,
        }


def _in_band(record: Record) -> bool:
    estimate = record.estimate
    return estimate is not None and abs(estimate.celsius - record.setpoint_c) <= BAND_K


def _learned(state: ChamberState) -> dict[str, Any]:
    """What the detectors have learned of mat and wet layer at full power, K above."""
    layer = state.watch.layer
    return {
        "full_power_rise_k": layer.full_k,
        "full_power_lead_k": state.watch.lead.level_k,
        "hours": layer.learned_s / 3600.0,
    }


def _offset(state: ChamberState, chamber: ChamberConfig) -> dict[str, Any]:
    """By what the callus zone is worked out as the lid lies now."""
    offset, own = chamber.offset_with(state.lid)
    return {
        "method": offset.method,
        "calibrated": offset.calibrated,
        "lid_calibrated": own,
        "fallback": state.outlook.fallback,
        "doubt": state.outlook.doubt,
    }


def _numbers(record: Record) -> dict[str, Any]:
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
        "readings": readings,
        "substrate_setpoint_c": record.substrate_setpoint_c,
        "duty": record.duty,
        "heat": record.heat,
        "closings": record.closings,
    }
