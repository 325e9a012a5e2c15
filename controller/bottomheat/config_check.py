"""Rules across the fields of a config.

The rules look at plain data through ``facts_of``, which leaves out what is wrong by itself: a slip
in one key hides no contradiction between others.
"""

from __future__ import annotations

from collections.abc import Iterator

from pydantic import ValidationError

from bottomheat import config_offsets
from bottomheat.config import LIMIT_MARGIN_K, Path, Problem
from bottomheat.config_alarms import Sounder
from bottomheat.config_facts import ChamberFacts, HouseFacts, facts_of
from bottomheat.config_nights import cold_night
from bottomheat.config_season_check import review_season
from bottomheat.keeper import LEASE_S
from bottomheat.operating_point import OperatingPoint, operating_point

__all__ = ["OperatingPoint", "operating_point", "review"]

EACH_READ_S = 0.78
"""A 12-bit conversion and its transfer, where the kernel reads a bus's probes one after the other:
measured on kernel 6.1.192 in an emulated machine.  Six probes are well there at a cycle of 10 s;
twelve leave the keeper's own without an answer for so long that it opens the relay."""
BUS_SHARE = 0.8
"""Of a cycle, for reading the service's probes and the keeper's once each (judgement)."""

_GAINS_AGREE_FRAC = 0.15
"""Further apart than this a configured rise and the model's are not the same box; judgement."""

_MAT_GAINS_K_PER_W = (0.1, 2.0)
"""Mats within handbook ranges have 0.17 to 1.15 K/W (calculated); beyond nearly twice of that on
either side a slip is likelier than such a mat (judgement)."""

_SHORT_CONTACT_LIFE_DAYS = 120.0  # one winter's rooting: judgement


def review(data: object) -> tuple[list[Problem], list[Problem]]:
    """Apply every rule across fields; gives problems and warnings, without lines."""
    house = facts_of(data)
    problems = [*_taken_twice(house), *_cycle(house), *_sounder(data, house)]
    warnings = [*config_offsets.about_corrections(house), *_bus_time(house)]
    for chamber in house.chambers:
        problems += _contradictions(chamber)
        problems += config_offsets.problems(house, chamber)
        problems += _missing_probes(chamber)
        problems += _times(chamber, house.cycle_s)
        warnings += config_offsets.warnings(chamber)
        warnings += _wiring_hints(chamber)
        warnings += _contact_life(chamber)
        warnings += _warm_up(chamber)
        warnings += _two_gains(chamber)
        warnings += _mat_gain(chamber)
        if house.coldest_room_c is not None:
            errors, notes = cold_night(chamber, house.coldest_room_c)
            problems += errors
            warnings += notes
    errors, notes = review_season(data, house)
    return [*problems, *errors], [*warnings, *notes]


def _taken_twice(house: HouseFacts) -> Iterator[Problem]:
    lines: dict[int, Path] = {}
    probes: dict[str, Path] = {}
    for chamber in house.chambers:
        for path, gpio in chamber.gpios:
            if gpio in lines:
                yield Problem(
                    path,
                    None,
                    f"gpio {gpio} already drives {_say(lines[gpio])}; "
                    "give each relay a line of its own",
                )
            lines.setdefault(gpio, path[:-1])
        for path, probe in chamber.probe_claims:
            shared_room = path[-1] == "room" and probes.get(probe, path)[-1] == "room"
            if probe in probes and not shared_room:
                yield Problem(
                    path,
                    None,
                    f"probe {probe} is already {_say(probes[probe])}; "
                    "a probe lies in one place of one box (only boxes in one room share a room "
                    "probe)",
                )
            probes.setdefault(probe, path)


def _sounder(data: object, house: HouseFacts) -> Iterator[Problem]:
    """A sounder on a relay's line would switch heat with every alarm."""
    try:
        gpio = Sounder.model_validate(data["sounder"]).gpio  # type: ignore[index]
    except (KeyError, TypeError, ValidationError):
        return  # none, or wrong by itself
    for chamber in house.chambers:
        for path, taken in chamber.gpios:
            if taken == gpio:
                yield Problem(
                    ("sounder", "gpio"),
                    None,
                    f"gpio {gpio} already drives {_say(path[:-1])}; give the sounder a line of "
                    "its own",
                )


def _say(path: Path) -> str:
    return Problem(path, None, "").where


def _cycle(house: HouseFacts) -> Iterator[Problem]:
    longest = 0.75 * LEASE_S
    if house.cycle_s is not None and house.cycle_s > longest:
        yield Problem(
            ("cycle",),
            None,
            f"{house.cycle_s:g} s is too long, because the relay opens by itself {LEASE_S:g} s "
            f"after the last decision; write 2 to {longest:g} s",
        )


def _bus_time(house: HouseFacts) -> Iterator[Problem]:
    claims = [probe for box in house.chambers for _, probe in box.probe_claims]
    mats = sum(not box.has_keeper_probe and "mat" in box.probes for box in house.chambers)
    own = sum(box.has_keeper_probe for box in house.chambers)
    probes = len(set(claims)) - own  # the keeper's own are read by it alone
    needed_s = EACH_READ_S * (probes + mats + own)
    if house.cycle_s is not None and needed_s > BUS_SHARE * house.cycle_s:
        yield Problem(
            ("cycle",),
            None,
            f"{len(set(claims))} probes on one bus take about {needed_s:.0f} s to read where the "
            "kernel reads them one after the other, which may leave the keeper without readings "
            "and the boxes without heat: put one box's probes on a second bus, or write a longer "
            "cycle, 15 s at most",
        )


def _contradictions(chamber: ChamberFacts) -> Iterator[Problem]:
    set_c, ceiling_c = chamber.setpoint_c, chamber.ceiling_c
    substrate_c, mat_c, callus_c = chamber.substrate_c, chamber.mat_c, chamber.callus_c
    if set_c is not None and callus_c is not None:
        lowest_c = set_c + config_offsets.SETPOINT_TO_CALLUS_LIMIT_K
        if callus_c < lowest_c:
            yield chamber.problem(
                ("limits", "callus"),
                f"the limit of {callus_c:g} °C is too near the setpoint of {set_c:g} °C; "
                f"write {lowest_c:g} °C or more, or lower callus_zone",
            )
    if set_c is not None and ceiling_c is not None and ceiling_c < set_c:
        yield chamber.problem(
            ("layer_ceiling",),
            f"{ceiling_c:g} °C is below the setpoint of {set_c:g} °C, and the wet layer is always "
            f"the warmer of the two; write {set_c:g} °C or more, or lower callus_zone",
        )
    if ceiling_c is not None and substrate_c is not None:
        highest_c = substrate_c - LIMIT_MARGIN_K
        if ceiling_c > highest_c:
            yield chamber.problem(
                ("layer_ceiling",),
                f"{ceiling_c:g} °C is too near the wet layer's limit of {substrate_c:g} °C; "
                f"write {highest_c:g} °C or less, or raise limits.substrate",
            )
    if mat_c is not None and substrate_c is not None and mat_c <= substrate_c:
        yield chamber.problem(
            ("limits", "mat"),
            f"{mat_c:g} °C is not above the wet layer's limit of {substrate_c:g} °C, and the mat "
            "is always the warmer of the two; raise limits.mat if the mat's rating allows, or "
            "lower limits.substrate",
        )


def _missing_probes(chamber: ChamberFacts) -> Iterator[Problem]:
    if not chamber.probes_read:
        return
    if chamber.series_relay and not (chamber.has_probe("mat") or chamber.has_keeper_probe):
        yield chamber.problem(
            ("keeper", "series_relay"),
            "the series relay is driven by the keeper's own mat probe, and there is none; "
            "add keeper.probe or probes.mat",
        )


def _times(chamber: ChamberFacts, cycle_s: float | None) -> Iterator[Problem]:
    window_s = chamber.window_s
    if window_s is None:
        return
    if chamber.min_on_s is not None and chamber.min_off_s is not None:
        least_s = chamber.min_on_s + chamber.min_off_s
        if least_s > window_s:
            yield chamber.problem(
                ("heater", "window"),
                f"min_on {chamber.min_on_s:g} s and min_off {chamber.min_off_s:g} s do not fit "
                f"in a window of {window_s:g} s; write {least_s:g} s or more",
            )
    if cycle_s is not None and window_s < 2 * cycle_s:
        yield chamber.problem(
            ("heater", "window"),
            f"a window of {window_s:g} s is too short for a cycle of {cycle_s:g} s; "
            f"write {2 * cycle_s:g} s or more",
        )


def _wiring_hints(chamber: ChamberFacts) -> Iterator[Problem]:
    for path, gpio in chamber.gpios:
        pulled_up = gpio <= 8
        active_high = chamber.active_high(path)
        if active_high is None:
            continue
        if pulled_up and active_high:
            yield Problem(
                path,
                None,
                f"gpio {gpio} is pulled up at power-on, so the relay may close until the service "
                "runs; choose 9 to 27, and fit a pull-down at the driver input",
            )
        elif not pulled_up and not active_high:
            yield Problem(
                path,
                None,
                f"gpio {gpio} is pulled down at power-on, so a relay that closes on low may close "
                "until the service runs; choose a driver that closes on high",
            )
    for path, probe in chamber.probe_claims:
        if not probe.startswith("28-"):
            yield Problem(
                path,
                None,
                f"{probe} is not of family 28, the only one whose readings are checked in full; "
                "look at the name again",
            )
    if chamber.probes_read and not (chamber.has_probe("mat") or chamber.has_keeper_probe):
        yield chamber.problem(
            ("probes",),
            "no probe lies on the mat, so nothing here watches the mat's limit; add mat: with the "
            "name of a probe",
        )


def _contact_life(chamber: ChamberFacts) -> Iterator[Problem]:
    if chamber.relay != "mechanical" or not chamber.window_s or not chamber.rated_closings:
        return
    per_day = 86_400.0 / chamber.window_s
    days = chamber.rated_closings / per_day
    if days < _SHORT_CONTACT_LIFE_DAYS:
        yield chamber.problem(
            ("heater", "window"),
            f"up to {per_day:.0f} closings a day use up the contact's {chamber.rated_closings} in "
            f"{days:.0f} days; write a longer window, such as 600",
        )


def _warm_up(chamber: ChamberFacts) -> Iterator[Problem]:
    """What a fast warm-up lacks: it is a gentle one then."""
    if not chamber.warms_fast:
        return
    lacks = []
    if chamber.model is None:
        lacks.append("a model of the box (bottomheat identify)")
    if chamber.probes_read and "mat" not in chamber.probes:
        lacks.append("a mat probe, to see the mat's limit")
    if chamber.probes_read and "room" not in chamber.probes:
        lacks.append("a room probe")
    if chamber.offset is not None and chamber.offset.method not in ("temperature-factor", "direct"):
        lacks.append("an offset by temperature-factor, or direct")
    if lacks:
        yield chamber.problem(
            ("warm_up",),
            f"fast needs {' and '.join(lacks)}; until then the warm-up is gentle",
        )


def _two_gains(chamber: ChamberFacts) -> Iterator[Problem]:
    """A rise and a model that cannot both be right."""
    full_k, model, watts = chamber.full_power_rise_k, chamber.model, chamber.watts
    if full_k is None or model is None or watts is None:
        return
    modelled_k = model.gain_k_per_w * watts
    if abs(full_k - modelled_k) > _GAINS_AGREE_FRAC * modelled_k:
        yield chamber.problem(
            ("heater", "full_power_rise"),
            f"full power lifts the wet layer by {modelled_k:.0f} K according to model, by "
            f"{full_k:g} K according to this line, which counts; leave out the one that is old",
        )


def _mat_gain(chamber: ChamberFacts) -> Iterator[Problem]:
    """A mat that no mat is like: what is said of cold nights would be wrong."""
    gain = None if chamber.model is None else chamber.model.mat_gain_k_per_w
    least, most = _MAT_GAINS_K_PER_W
    if gain is None or least <= gain <= most:
        return
    yield chamber.problem(
        ("model", "mat_gain"),
        f"a watt lifts a mat by {least:g} to {most:g} K above the wet layer, not by {gain:g}; what "
        "is said of cold nights goes by this line: look for a slip, or run bottomheat identify "
        "again",
    )
