"""Where ``tune`` has its model from: the config, or what ``identify`` said."""

from __future__ import annotations

import json
import math
from collections.abc import Mapping
from dataclasses import dataclass, fields
from pathlib import Path
from typing import Any

from bottomheat.config import ChamberConfig
from bottomheat.config_sections import Model
from bottomheat.errors import InputError
from bottomheat.response import Response
from bottomheat.tuning.margins import Ultimate
from bottomheat.tuning.offers import Doubt, check_dead_time, doubt_of, early_slope_k_per_s

_NAMES = tuple(field.name for field in fields(Response))
Z_95 = 1.959963984540054
_NEEDED = ("gain_k_per_w", "slow_s", "quick_s", "quick_share", "dead_s")


@dataclass(frozen=True, slots=True)
class Source:
    """A model and what is known of it.

    Attributes:
        response: of the wet layer.
        doubt: how far it may be off.
        measured: ultimate gain and period of a relay run; None without one.
        said: where it comes from, for the screen.
        assumed: the doubt is an assumption, because nobody said how sure the model is.
    """

    response: Response
    doubt: Doubt
    measured: Ultimate | None
    said: str
    assumed: bool


def model_of(name: str, box: ChamberConfig, file: Path | None) -> Source:
    """The model that is to be tuned by.

    Args:
        name: the box.
        box: its config.
        file: what ``identify --json`` said; None for the model in the config.

    Raises:
        InputError: there is no model, or the file holds none for this box.
        RefusedError: the model answers sooner than the bed was seen to.
    """
    if file is not None:
        return _from_file(name, file)
    if box.model is None:
        raise InputError(
            f"{name} has no model yet, so nobody knows how it answers heat: run bottomheat "
            f"identify --chamber {name} --write first, or give its answer with --from FILE."
        )
    response, bounds = box.model.response, bounds_of(box.model)
    doubt = doubt_of(response, bounds, relay=box.model.method == "relay")
    return Source(response, doubt, None, "the model in the config", not bounds)


def bounds_of(model: Model) -> dict[str, tuple[float, float]]:
    """The 95 % intervals that a model in the config carries, by name as ``identify`` has them.

    None of these can be below 0, so that an uncertainty is taken as one of the logarithm.
    """
    response = model.response
    slope = early_slope_k_per_s(response, 1.0)
    told = {
        "gain_k_per_w": (response.gain_k_per_w, model.gain_uncertainty_k_per_w),
        "slope": (slope, _times(model.slope_uncertainty_frac, slope)),
        "dead_s": (response.dead_s, _times(model.dead_uncertainty_h, 3600.0)),
    }
    found = {}
    for name, (value, uncertainty) in told.items():
        if uncertainty is not None and value > 0.0:
            reach = math.exp(min(3.0, Z_95 * uncertainty / value))
            found[name] = (value / reach, value * reach)
    return found


def _times(value: float | None, factor: float) -> float | None:
    return None if value is None else value * factor


def _from_file(name: str, file: Path) -> Source:
    data = _read(file)
    chamber = data.get("chamber")
    if isinstance(chamber, str) and chamber != name:
        raise InputError(f"{file} is about {chamber}, not about {name}: give --chamber {chamber}.")
    found = data.get("found") if isinstance(data.get("found"), Mapping) else data
    assert isinstance(found, Mapping)  # noqa: S101 (one of two mappings)
    if "reasons" in found:
        raise InputError(
            f"{file} holds no model, because the record did not tell enough: identify again."
        )
    response = _response(file, found.get("response"))
    check_dead_time(response, _number(found.get("first_rise_s")))
    bounds = _bounds(found.get("intervals"))
    doubt = doubt_of(response, bounds, relay=found.get("method") == "relay")
    return Source(response, doubt, _measured(data), file.name, not bounds)


def _read(file: Path) -> Mapping[str, Any]:
    try:
        data = json.loads(file.read_text(encoding="utf-8"))
    except OSError as error:
        raise InputError(f"{file} cannot be read ({error.strerror or error}).") from None
    except ValueError:
        data = None
    if not isinstance(data, Mapping):
        raise InputError(f"{file} is not what bottomheat identify --json writes: identify again.")
    return data


def _response(file: Path, data: object) -> Response:
    values = data if isinstance(data, Mapping) else {}
    numbers = {name: _number(values.get(name)) for name in _NAMES}
    missing = [name for name in _NEEDED if numbers[name] is None]
    if missing:
        raise InputError(
            f"{file} lacks {', '.join(missing)}: give what bottomheat identify --json wrote."
        )
    try:
        return Response(**{name: value for name, value in numbers.items() if value is not None})
    except ValueError as error:
        raise InputError(f"the model in {file} cannot be true: {error}.") from None


def _number(value: object) -> float | None:
    if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
        return None
    return float(value)


def _bounds(data: object) -> dict[str, tuple[float, float]]:
    """Intervals by name, as [low, high] or {low, high}; what is none is left out."""
    found = {}
    for name, value in data.items() if isinstance(data, Mapping) else ():
        ends = [value.get("low"), value.get("high")] if isinstance(value, Mapping) else value
        if isinstance(ends, list) and len(ends) == 2:
            low, high = _number(ends[0]), _number(ends[1])
            if low is not None and high is not None and low <= high:
                found[str(name)] = (low, high)
    return found


def _measured(data: Mapping[str, Any]) -> Ultimate | None:
    relay = data.get("relay")
    if not isinstance(relay, Mapping):
        return None
    gain, period_s = _number(relay.get("ku_per_k")), _number(relay.get("period_s"))
    if gain is None or period_s is None or gain <= 0.0 or period_s <= 0.0:
        return None
    return Ultimate(gain, period_s)
