"""Rules across the fields of a config that are about offsets and the corrections of probes."""

from __future__ import annotations

from collections.abc import Iterator

from bottomheat.alike import alike
from bottomheat.config import Direct, FixedOffset, HeatFlow, Path, Problem, TemperatureFactor
from bottomheat.config_facts import ChamberFacts, HouseFacts
from bottomheat.operating_point import LEAST_FACTOR, runs_away

DATASHEET_K = 0.5
"""What a probe may be wrong by as it is sold, K: ±0.5 °C from -10 to +85 °C (DS18B20 datasheet)."""

SETPOINT_TO_CALLUS_LIMIT_K = 2.0
"""The least from setpoint to callus limit, K, so that an overshoot is no fault (judgement)."""

_ALIKE = 0.9


def problems(house: HouseFacts, chamber: ChamberFacts) -> Iterator[Problem]:
    """What is wrong with the offsets of a box, without lines."""
    yield from _missing_probes(chamber)
    yield from _run_away(chamber, measured=True)
    yield from _hidden_heat(house, chamber)


def warnings(chamber: ChamberFacts) -> Iterator[Problem]:
    """What a grower should know about the offsets of a box, without lines."""
    yield from _run_away(chamber, measured=False)
    for key, offset in chamber.offsets.items():
        if isinstance(offset, Direct):
            continue
        if offset.uncertainty_k is not None and not offset.calibrated:
            yield chamber.problem(
                (key, "uncertainty"),
                "this comes from a calibration, and nothing says that there was one; "
                "write calibrated: true below it, or take it out",
            )
        where = _where(offset)
        if where is not None and offset.uncertainty_k is None:
            yield chamber.problem(
                (key, where),
                f"{where} says where uncertainty counts, and there is no uncertainty; "
                "copy both from the calibration, or take it out",
            )


def _where(offset: FixedOffset | TemperatureFactor | HeatFlow) -> str | None:
    """The key that says where the callus zone is known best, where it is written."""
    match offset:
        case TemperatureFactor(measured_difference_k=float()):
            return "measured_difference"
        case HeatFlow(measured_power_w=float()):
            return "measured_power"
        case _:
            return None


def _missing_probes(chamber: ChamberFacts) -> Iterator[Problem]:
    if not chamber.probes_read:
        return
    for key, offset in chamber.offsets.items():
        under = "" if key == "offset" else f" under {key}"
        if isinstance(offset, TemperatureFactor) and not chamber.has_probe("room"):
            yield chamber.problem(
                ("probes",),
                f"temperature-factor{under} needs to know the room, and there is no room probe; "
                "add room: with the name of a probe, or write "
                f"{key}: {{method: fixed, kelvin: 1.5}}",
            )
        if isinstance(offset, Direct) and not chamber.has_probe("callus"):
            yield chamber.problem(
                ("probes",),
                f"direct{under} needs a probe in the medium, and there is no callus probe; "
                "add callus: with the name of a probe, or choose another offset method",
            )


def _run_away(chamber: ChamberFacts, *, measured: bool) -> Iterator[Problem]:
    """A resistance by which every watt asks for as much as it gives, or nearly.

    It is wrong for certain only where ``full_power_rise`` was measured.
    """
    if measured is (chamber.full_power_rise_k is None):
        return
    highest = (1.0 - LEAST_FACTOR) * chamber.rise_k_per_w
    says = (
        f"full_power_rise of {chamber.full_power_rise_k:g} K"
        if chamber.full_power_rise_k is not None
        else "a usual box"
    )
    for key, offset in chamber.offsets.items():
        if isinstance(offset, HeatFlow) and runs_away(offset, chamber.rise_k_per_w):
            yield chamber.problem(
                (key, "resistance"),
                f"{offset.resistance_k_per_w:g} K/W is more than {says} allows, and each watt "
                "would only ask for another until the wet layer is at its ceiling; write "
                f"{highest:.2f} or less, or measure full_power_rise again",
            )


def _hidden_heat(house: HouseFacts, chamber: ChamberFacts) -> Iterator[Problem]:
    """The cutoff goes by the warmer of a reading and the corrected one."""
    correction = house.corrections.get(chamber.probes.get("callus", ""))
    set_c, limit_c = chamber.setpoint_c, chamber.callus_c
    if correction is None or set_c is None or limit_c is None or correction.add_k >= 0:
        return
    lowest_c = set_c + SETPOINT_TO_CALLUS_LIMIT_K
    if lowest_c <= limit_c < lowest_c - correction.add_k:
        yield chamber.problem(
            ("limits", "callus"),
            f"the callus probe reads {-correction.add_k:g} K high by its correction, and a limit "
            f"goes by what a probe reads: {limit_c:g} °C is too near the setpoint of {set_c:g} °C; "
            f"write {lowest_c - correction.add_k:g} °C or more",
        )


def about_corrections(house: HouseFacts) -> Iterator[Problem]:
    """What a grower should know about the corrections, without lines."""
    claims = [claim for chamber in house.chambers for claim in chamber.probe_claims]
    used = {probe for path, probe in claims if "keeper" not in path}
    kept = {probe for path, probe in claims if "keeper" in path}
    for probe, correction in house.corrections.items():
        path: Path = ("corrections", probe)
        if abs(correction.add_k) > DATASHEET_K:
            yield Problem(
                (*path, "add"),
                None,
                f"{correction.add_k:+g} K is more than the ±{DATASHEET_K:g} °C of the probe's data "
                "sheet; compare it again: a counterfeit probe or a wet joint reads like this",
            )
        if probe in used:
            continue
        if probe in kept:
            yield Problem(
                path,
                None,
                "only the keeper uses this probe, and it goes by what the probe reads, without any "
                "correction; take this out",
            )
            continue
        close = alike(probe, used, _ALIKE)
        meant = f"did you mean {close[0]}?" if close else "leave it if it is lent now and then"
        yield Problem(path, None, f"no box uses this probe; {meant}")
