"""How ``capacity`` reads on screen, and as plain data; pure."""

from __future__ import annotations

import math
import textwrap
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final

from bottomheat.capacity import HIGH_DUTY, Basis, Bound, Capacity, Lift, Limit, Spread
from bottomheat.energy import Energy
from bottomheat.insulation import FOAM_W_PER_MK, Measure, least
from bottomheat.lift import mat_k_per_w

WIDTH: Final = 80
_INDENT: Final = 2
_COLDEST_SHOWN_C: Final = -40.0

RUN_IDENTIFY: Final = "Not measured: run bottomheat identify"


@dataclass(frozen=True, slots=True)
class Asked:
    """One setpoint of a box that was asked about.

    Attributes:
        whose: whose setpoint it is, in words.
        found: what the box can do with it; None: the heat-flow offset runs away.
        energy: what a winter takes, or None where none was given.
    """

    whose: str
    found: Capacity | None
    energy: Energy | None = None


@dataclass(frozen=True, slots=True)
class Box:
    """One box with the setpoints that were asked about, the present one first."""

    name: str
    watts: float
    lift: Lift
    asked: tuple[Asked, ...]


@dataclass(frozen=True, slots=True)
class Winter:
    """The course of the room that energy was asked for.

    Attributes:
        name: of its file.
        lag_h: the shed's lag on outdoor air, h; None: the file is the room itself.
        tariff_per_kwh: price of a kWh, or None.
    """

    name: str
    lag_h: float | None
    tariff_per_kwh: float | None


Insulating = tuple[tuple[str, Sequence[Measure]], ...]
"""What lies under the mat now, in words, and what more would do: as ``insulation.measures``."""


def render(boxes: Sequence[Box], insulating: Insulating, winter: Winter | None) -> str:
    """The whole screen.

    Args:
        boxes: what was asked about.
        insulating: what foam does.
        winter: the course that energy is about, or None.
    """
    lines: list[str] = []
    for box in boxes:
        lines += [*_box(box, insulating, winter), ""]
    lines += _wrapped(
        0,
        "Worked out for a cold that lasts. A few cold hours at night are milder: the box gives "
        "back heat meanwhile. Lid on.",
    )
    return "\n".join(lines)


def _box(box: Box, insulating: Insulating, winter: Winter | None) -> list[str]:
    rests_on = _rests_on(box.lift)
    if any(
        bound.limit is Limit.MAT_LIMIT
        for asked in box.asked
        if asked.found is not None
        for bound in asked.found.bounds
    ):
        rests_on += _mat_rests_on(box.lift)
    lines = [f"{box.name}   mat {box.watts:g} W", *_wrapped(_INDENT, rests_on)]
    for asked in box.asked:
        lines.append("")
        if asked.found is None:
            lines += _wrapped(
                _INDENT,
                f"{asked.whose}: the heat-flow offset asks for more heat than any room takes; see "
                "bottomheat check",
            )
            continue
        lines += _one(asked, asked.found, insulating)
        if asked.energy is not None and winter is not None:
            lines += _wrapped(_INDENT + 2, energy_words(asked.energy, winter))
    return lines


def _one(asked: Asked, found: Capacity, insulating: Insulating) -> list[str]:
    lines = _wrapped(_INDENT, f"{asked.whose}: {verdict(found)}.")
    lines += _wrapped(_INDENT + 2, coldest_words(found))
    ways = remedies(found, insulating)
    if ways:
        title = "For more in hand, one of these" if found.holds else "What would do"
        lines += [" " * (_INDENT + 2) + title]
        lines += [line for way in ways for line in _wrapped(_INDENT + 2, f"- {way}")]
    return lines


def verdict(found: Capacity) -> str:
    """Whether the box holds its setpoint in the room asked about, one sentence."""
    room = f"in a room of {found.room_c:g} °C"
    set_to = f"{found.setpoint_c:g} °C"
    if found.watts.value <= 0.0:
        return f"{set_to} {room} takes no heat"
    need = f"heat on {_percent(found.duty)} of the time ({_about(found.watts, 0)} W)"
    if found.holds:
        tight = found.duty.value > HIGH_DUTY and found.binds is Limit.POWER
        more = ", which leaves little for a colder night" if tight else ""
        return f"{set_to} {room} takes {need}{more}"
    left = f"it stays at about {_about(found.callus_c, 1)} °C"
    if found.duty.value > 1.0:
        return f"{set_to} {room} would take {need}: {left}"
    return f"{set_to} {room} is not held, {_because(found)}: {left}"


def _because(found: Capacity) -> str:
    match found.binds:
        case Limit.POWER:
            return "full power is not enough"
        case Limit.CEILING:
            return f"the wet layer would have to be at {found.layer_c:.1f} °C, above its ceiling"
        case Limit.LAYER_LIMIT:
            return f"the wet layer would have to be at {found.layer_c:.1f} °C, too near its limit"
        case Limit.MAT_LIMIT:
            return f"the mat would have to be at {found.mat_c:.0f} °C, too near its limit"


def coldest_words(found: Capacity) -> str:
    """The coldest room that the box carries, what binds there, and what would bind next."""
    first, *rest = found.bounds
    later = [each for each in rest if each.room_c.value > _COLDEST_SHOWN_C]
    if first.room_c.value == math.inf:
        text = f"No room is warm enough for it: {_binds(first)}"
    elif first.room_c.value <= _COLDEST_SHOWN_C:
        return f"It carries any room down to {_COLDEST_SHOWN_C:g} °C"
    else:
        text = f"Coldest room it carries: {_about(first.room_c, 1)} °C; there {_binds(first)}"
    if later:
        then = [f"{_called(each)} at {each.room_c.value:.1f} °C" for each in later]
        text += f". Next would bind {' and '.join(then)}"
    return text + "."


def _binds(bound: Bound) -> str:
    match bound.limit:
        case Limit.POWER:
            return "the mat is on all the time"
        case Limit.CEILING:
            return "the wet layer is at its ceiling"
        case Limit.LAYER_LIMIT:
            return "the wet layer is 3 K below its limit"
        case Limit.MAT_LIMIT:
            return "the mat is 3 K below its limit"


def _called(bound: Bound) -> str:
    match bound.limit:
        case Limit.POWER:
            return "full power"
        case Limit.CEILING:
            return "the ceiling"
        case Limit.LAYER_LIMIT:
            return "the wet layer's limit"
        case Limit.MAT_LIMIT:
            return "the mat's limit"


def remedies(found: Capacity, insulating: Insulating) -> list[str]:
    """What would hold the setpoint there, each in words; what saves heat first."""
    remedy = found.remedy
    if remedy is None:
        return []
    ways = []
    now = found.lift.k_per_w
    if remedy.k_per_w_easy is not None and remedy.k_per_w_easy > now:
        share = now / remedy.k_per_w_easy
        ways.append(
            f"insulate until {100 * share:.0f} % of the heat loss is left, so that a watt lifts "
            f"the wet layer by {remedy.k_per_w_easy:.2f} K (now {now:.2f}); "
            f"{_foam(share, insulating)}"
        )
    rated = found.watts.value / found.duty.value if found.duty.value > 0.0 else math.inf
    if remedy.watts_easy is not None and remedy.watts_easy > rated:
        easy_w = 5.0 * math.ceil(remedy.watts_easy / 5.0 - 1e-9)
        ways.append(
            f"a mat of {easy_w:.0f} W ({math.ceil(remedy.watts_least or 0.0)} W would be on all "
            "the time), if its maker, the fuse and your local code allow it there"
        )
    if remedy.ceiling_c is not None:
        ways.append(
            f"{'and in any case ' if ways else ''}a ceiling of the wet layer of "
            f"{remedy.ceiling_c:.1f} °C, if the roots allow: the callus zone needs it there. Foam "
            "on sides and lid brings it down; calibrate again after that"
        )
    if remedy.setpoint_c < found.setpoint_c - 0.05:
        ways.append(
            f"{'or, with the box as it is, ' if ways else ''}a setpoint of "
            f"{math.floor(remedy.setpoint_c * 2.0) / 2.0:g} °C on such nights"
        )
    return ways


def _foam(share: float, insulating: Insulating) -> str:
    told = []
    for now, found in insulating:
        measure = least(found, share)
        if measure is not None:
            told.append(f"{_measure(measure)} {now}")
    if not told:
        return "that is more than 50 mm of foam all round"
    return f"{', '.join(told)} (calculated, foam of {FOAM_W_PER_MK:g} W/(m·K))"


def _measure(measure: Measure) -> str:
    if not measure.round_mm:
        return f"{measure.under_mm} mm of foam board under the mat"
    if measure.round_mm == measure.under_mm:
        return f"{measure.round_mm} mm of foam under the mat, round the sides and on the lid"
    return f"{measure.round_mm} mm of foam round the sides and on the lid"


def _rests_on(lift: Lift) -> str:
    per_w = f"a watt lifts the wet layer by {_about(_lift(lift), 3)} K"
    match lift.basis:
        case Basis.FULL_POWER:
            return f"Rests on full_power_rise in the config: {per_w}."
        case Basis.MODEL:
            load = ""
            if abs(lift.load_k) >= 0.05:
                load = f", and without heat it settles {lift.load_k:+.1f} K from the room"
            return f"Rests on the model in the config, from identify: {per_w}{load}."
        case Basis.FILE:
            return f"Rests on what identify found, with 95 % intervals: {per_w}."
        case Basis.LEARNED:
            return (
                f"Rests on what the service has learned in {lift.hours or 0.0:.0f} h: {per_w}. "
                "bottomheat identify tells it with an interval."
            )
        case Basis.NOMINAL:
            return (
                f"{RUN_IDENTIFY}. Until then figures are of the calculated box, where {per_w}; "
                "yours may differ by half."
            )


def _mat_rests_on(lift: Lift) -> str:
    if lift.mat_k_per_w is not None:
        return f" It lifts the mat by {_about(_mat(lift), 2)} K more than that."
    if lift.measured:
        return (
            " How far the mat is above the wet layer is calculated for a usual one: bottomheat "
            "identify finds it."
        )
    return ""


def _lift(lift: Lift) -> Spread:
    return _either_way(lift.k_per_w, lift.k_per_w_half)


def _mat(lift: Lift) -> Spread:
    return _either_way(mat_k_per_w(lift), lift.mat_k_per_w_half)


def _either_way(value: float, half: float | None) -> Spread:
    return Spread(value) if half is None else Spread(value, value - half, value + half)


def energy_words(found: Energy, winter: Winter) -> str:
    """What a winter takes, in words."""
    what = "the room" if winter.lag_h is None else "outdoor air"
    through = (
        ""
        if winter.lag_h is None
        else f", taken through a shed that lags {winter.lag_h:g} h behind it"
    )
    text = (
        f"{winter.name} as {what}{through}: {found.hours / 24.0:.0f} days, room "
        f"{found.mean_room_c:.1f} °C in the mean and {found.coldest_c:.1f} at the coldest; "
        f"{_about(found.kwh, 0)} kWh, heat on {100 * found.mean_duty:.0f} % of the time"
    )
    if found.cost is not None:
        text += f", {_about(found.cost, 2)} at {winter.tariff_per_kwh:g} a kWh"
    if found.short_hours >= 0.5:
        text += f". Full power is not enough for {found.short_hours:.0f} h of it"
    return text + "."


def _percent(spread: Spread) -> str:
    text = f"{100 * spread.value:.0f} %"
    if spread.low is None or spread.high is None:
        return text
    return f"{text} ({100 * spread.low:.0f} to {100 * spread.high:.0f})"


def _about(spread: Spread, digits: int) -> str:
    text = f"{spread.value:.{digits}f}"
    if spread.low is None or spread.high is None:
        return text
    low, high = f"{spread.low:.{digits}f}", f"{spread.high:.{digits}f}"
    return text if low == high else f"{text} ({low} to {high})"


def _wrapped(indent: int, text: str) -> list[str]:
    pad = " " * indent
    return textwrap.wrap(
        text,
        WIDTH,
        initial_indent=pad,
        subsequent_indent=pad + "  " * (indent > 0),
        break_long_words=False,
        break_on_hyphens=False,
    )


def as_data(boxes: Sequence[Box], room_c: float, winter: Winter | None) -> dict[str, Any]:
    """The same as plain data; °C, K, W, K/W, h, kWh, shares 0...1; intervals are 95 %.

    A coldest room that is null is one that never binds, or always does: see ``holds``.

    Args:
        boxes: what was asked about.
        room_c: the room asked about, °C.
        winter: the course that energy is about, or None.
    """
    return {
        "room_c": room_c,
        "winter": None
        if winter is None
        else {
            "file": winter.name,
            "outdoors": winter.lag_h is not None,
            "shed_lag_h": winter.lag_h,
            "tariff_per_kwh": winter.tariff_per_kwh,
        },
        "boxes": [
            {
                "chamber": box.name,
                "watts": box.watts,
                "rests_on": box.lift.basis.value,
                "measured": box.lift.measured,
                "gain_k_per_w": _plain(_lift(box.lift)),
                "load_k": box.lift.load_k,
                "mat_gain_k_per_w": _plain(_mat(box.lift)),
                "mat_measured": box.lift.mat_k_per_w is not None,
                "learned_h": box.lift.hours,
                "setpoints": [_asked(asked) for asked in box.asked],
            }
            for box in boxes
        ],
    }


def _asked(asked: Asked) -> dict[str, Any]:
    found, energy = asked.found, asked.energy
    if found is None:
        return {"whose": asked.whose, "problem": "the heat-flow offset runs away"}
    remedy = found.remedy
    return {
        "whose": asked.whose,
        "setpoint_c": found.setpoint_c,
        "holds": found.holds,
        "layer_c": found.layer_c,
        "mat_c": found.mat_c,
        "watts": _plain(found.watts),
        "duty": _plain(found.duty),
        "callus_c": _plain(found.callus_c),
        "coldest_room_c": _plain(found.coldest_c),
        "binds": found.binds.value,
        "bounds": [
            {"limit": each.limit.value, "at": each.at, "coldest_room_c": _plain(each.room_c)}
            for each in found.bounds
        ],
        "remedy": None
        if remedy is None
        else {
            "watts_least": remedy.watts_least,
            "watts_easy": remedy.watts_easy,
            "gain_least_k_per_w": remedy.k_per_w_least,
            "gain_easy_k_per_w": remedy.k_per_w_easy,
            "setpoint_c": remedy.setpoint_c,
            "ceiling_c": remedy.ceiling_c,
        },
        "energy": None
        if energy is None
        else {
            "hours": energy.hours,
            "kwh": _plain(energy.kwh),
            "cost": None if energy.cost is None else _plain(energy.cost),
            "mean_duty": energy.mean_duty,
            "coldest_room_c": energy.coldest_c,
            "mean_room_c": energy.mean_room_c,
            "short_h": energy.short_hours,
            "short_k_h": energy.short_k_h,
        },
    }


def _plain(spread: Spread) -> dict[str, float | None]:
    numbers = {"value": spread.value, "low": spread.low, "high": spread.high}
    return {
        key: number if number is not None and math.isfinite(number) else None
        for key, number in numbers.items()
    }
