"""What ``identify`` says: how the box answers, how sure that is, and what goes into the config."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import asdict
from typing import TYPE_CHECKING, Any, Final

from bottomheat.tuning.offers import early_slope_k_per_s

if TYPE_CHECKING:
    from bottomheat.identification.found import Found, Interval, Mat, NotEnough, Whiteness

WIDTH: Final = 80
Z_95: Final = 1.959963984540054
_HOW: Final = {
    "log": "from {hours} of ordinary running",
    "step": "from a step of {hours}",
    "relay": "from a relay run of {hours}",
}


def as_text(name: str, found: Found, chart: str, notes: Sequence[str]) -> str:
    """The answer of a box in words, 80 columns.

    Args:
        name: of the box.
        found: the answer.
        chart: measured and model; may be empty.
        notes: what was left out of the record.
    """
    parts = [_head(name, found), "\n".join(_table(found))]
    parts.append("\n".join(_wrapped(line) for line in (_left_over(found), *notes, *found.notes)))
    if chart:
        parts.append(chart)
    parts.append("\n".join(("In the config, below " + name + ":", *config_lines(found))))
    return "\n\n".join(parts)


def not_enough(name: str, answer: NotEnough, notes: Sequence[str]) -> str:
    """Why there is no answer, one sentence for a message on stderr."""
    why = "; ".join(answer.reasons)
    also = "".join(f" ({note.rstrip('.')})" for note in notes)
    return f"{name}: not enough to know how the box answers: {why}{also}."


def as_data(name: str, found: Found, notes: Sequence[str]) -> dict[str, Any]:
    """The answer as plain data; ``tune --from`` reads it."""
    return {
        "chamber": name,
        "found": {
            "method": found.method,
            "hours": round(found.hours, 3),
            "rows": found.rows,
            "response": asdict(found.response),
            "callus": None if found.callus is None else asdict(found.callus),
            "mat": None if found.mat is None else _mat(found.mat),
            "first_rise_s": found.first_rise_s,
            "intervals": {key: [each.low, each.high] for key, each in found.intervals.items()},
            "confidence": 0.95,
            "residual_rms_k": found.residual_rms_k,
            "whiteness": None if found.whiteness is None else asdict(found.whiteness),
            "white": found.white,
            "notes": [*notes, *found.notes],
        },
        "config": {"model": model_keys(found)},
    }


def _mat(mat: Mat) -> dict[str, Any]:
    return {
        "gain_k_per_w": mat.gain_k_per_w,
        "interval": [mat.gain.low, mat.gain.high],
        "swing_k_per_w": mat.swing_k_per_w,
    }


def without_answer(name: str, answer: NotEnough, notes: Sequence[str]) -> dict[str, Any]:
    """That there is no answer, as plain data."""
    return {"chamber": name, "found": {"reasons": list(answer.reasons), "notes": list(notes)}}


def model_keys(found: Found) -> dict[str, float | str]:
    """What the config has of an answer: hours and K/W, rounded to what is worth keeping.

    An uncertainty is a standard one (k = 1) and reaches the upper end of its interval, which in a
    gain, a slope and a dead time is the end that counts.
    """
    r, ends, mat = found.response, found.intervals, found.mat
    values: dict[str, float] = {
        "gain": _figures(r.gain_k_per_w, 4),
        "slow_lag": _figures(r.slow_s / 3600.0, 4),
        "quick_lag": _figures(r.quick_s / 3600.0, 4),
        "quick_share": round(r.quick_share, 3),
        "dead_time": round(r.dead_s / 3600.0, 3),
        "room_quick_share": round(r.room_quick_share, 3),
        "load": round(r.load_k, 2),
    }
    if "gain_k_per_w" in ends:
        log = _log_uncertainty(ends["gain_k_per_w"], r.gain_k_per_w)
        values["gain_uncertainty"] = _figures(log * r.gain_k_per_w, 3)
    if "slope" in ends:
        values["slope_uncertainty"] = _figures(
            _log_uncertainty(ends["slope"], early_slope_k_per_s(r, 1.0)), 3
        )
    if "dead_s" in ends and r.dead_s > 0.0:
        log = _log_uncertainty(ends["dead_s"], r.dead_s)
        values["dead_time_uncertainty"] = _figures(log * r.dead_s / 3600.0, 3)
    if "load_k" in ends:
        values["load_uncertainty"] = _figures(_half(ends["load_k"]) / Z_95, 3)
    if mat is not None:
        values["mat_gain"] = _figures(mat.gain_k_per_w, 4)
        values["mat_gain_uncertainty"] = _figures(_half(mat.gain) / Z_95, 3)
        values["mat_swing"] = _figures(mat.swing_k_per_w, 3)
    # No minus before a zero.
    return {**{key: value + 0.0 for key, value in values.items()}, "method": found.method}


def config_lines(found: Found) -> list[str]:
    """The lines that go below the box in the config."""
    return [
        "  model:",
        *(
            f"    {key}: {value if isinstance(value, str) else format(value, 'g')}"
            for key, value in model_keys(found).items()
        ),
    ]


def _log_uncertainty(interval: Interval, value: float) -> float:
    """Standard uncertainty of a logarithm, by the upper end of an interval about the value."""
    return max(0.0, math.log(interval.high / value)) / Z_95


def _half(interval: Interval) -> float:
    return 0.5 * (interval.high - interval.low)


def _figures(value: float, count: int) -> float:
    return float(f"{value:.{count}g}")


def _head(name: str, found: Found) -> str:
    hours = f"{found.hours / 24.0:.1f} days" if found.hours >= 48.0 else f"{found.hours:.0f} h"
    how = _HOW[found.method].format(hours=hours)
    return _wrapped(f"{name}: how the box answers heat and room, {how}.")


def _table(found: Found) -> list[str]:
    """One line a number: what it says, the number, and between what it lies."""
    r = found.response
    rows = [
        ("a watt lifts the wet layer", "gain_k_per_w", r.gain_k_per_w, 1.0, "K"),
        ("its slow lag", "slow_s", r.slow_s, 3600.0, "h"),
        ("its quick lag", "quick_s", r.quick_s, 3600.0, "h"),
        ("of the heat comes quickly", "quick_share", r.quick_share, 0.01, "%"),
        ("until heat is first felt", "dead_s", r.dead_s, 60.0, "min"),
        ("of the room comes quickly", "room_quick_share", r.room_quick_share, 0.01, "%"),
        ("without heat, above the room", "load_k", r.load_k, 1.0, "K"),
    ]
    if (c := found.callus) is not None:
        rows += [
            ("a watt lifts the bases", "callus.gain_k_per_w", c.gain_k_per_w, 1.0, "K"),
            ("their slow lag", "callus.slow_s", c.slow_s, 3600.0, "h"),
            ("until heat is first felt there", "callus.dead_s", c.dead_s, 60.0, "min"),
        ]
    told = dict(found.intervals)
    if found.mat is not None:
        told["mat"] = found.mat.gain
        words = "a watt lifts mat over wet layer"
        rows.append((words, "mat", found.mat.gain_k_per_w, 1.0, "K"))
    return [
        _row(words, value / unit, _over(told.get(key), unit), sign)
        for words, key, value, unit, sign in rows
    ]


def _over(interval: Interval | None, unit_share: float) -> tuple[float, float] | None:
    if interval is None:
        return None
    return interval.low / unit_share, interval.high / unit_share


def _row(words: str, value: float, between: tuple[float, float] | None, unit: str) -> str:
    if between is None:
        return f"  {words:<31} {value:>8.2f} {unit:<4} the record does not tell".rstrip()
    low, high = between
    digits = _digits(high - low)
    said = f"between {low:.{digits}f} and {high:.{digits}f}"
    return f"  {words:<31} {value:>8.{digits}f} {unit:<4} {said}"


def _digits(width_value: float) -> int:
    """Decimals that are worth showing: the last one is about a tenth of the interval."""
    if width_value <= 0.0:
        return 2
    return min(4, max(0, 1 - math.floor(math.log10(width_value))))


def _left_over(found: Found) -> str:
    what = "means of five minutes" if found.method == "log" else "means"
    rms = f"{found.residual_rms_k:.3f} K (RMS over {found.rows} {what})"
    return (
        f"The truth lies between the two numbers 95 times in 100. Model and wet layer differ by "
        f"{rms}; {_white(found.whiteness)}."
    )


def _white(whiteness: Whiteness | None) -> str:
    if whiteness is None:
        return "too few of them to see whether a pattern is left"
    if whiteness.white:
        return "no pattern is left in that"
    return "a pattern is left in that, for which the intervals make allowance"


def _wrapped(text: str) -> str:
    import textwrap

    return textwrap.fill(text, WIDTH, break_on_hyphens=False)
