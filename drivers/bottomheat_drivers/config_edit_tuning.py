"""Puts tunings and a window into a config file, line by line; every note stays."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from bottomheat.config import Path
from bottomheat.errors import InputError
from bottomheat_drivers.config_edit_check import (
    Edit,
    Touched,
    box_of,
    readable,
    refuse_new_mistakes,
)
from bottomheat_drivers.config_lines import LaidOutOtherwiseError, as_flow, put
from bottomheat_drivers.config_yaml import check_text


def with_tuning(text: str, chamber: str, pid: Mapping[str, float], window_s: float | None) -> Edit:
    """Write tunings and the window they are for into the text of a config.

    Args:
        text: the config file as it is.
        chamber: name of the box.
        pid: keys of ``pid`` as the file has them.  Numbers are written as they are: round them.
        window_s: ``heater.window``, s; None leaves what stands there.

    Raises:
        InputError: the text is not YAML, there is no such box, the change would make a new mistake,
            or the file is laid out in a way that cannot be changed here; says which.
    """
    plain_text = text.replace("\r\n", "\n")
    before = check_text(plain_text)
    data = readable(before)
    box = box_of(data, chamber)
    wanted: dict[str, dict[str, Any]] = {"pid": _section(box, "pid", pid)}
    if window_s is not None:
        wanted["heater"] = _section(box, "heater", {"window": window_s})
    changed = [key for key, section in wanted.items() if box.get(key) != section]
    if not changed:
        return Edit(text, ())
    new_text = plain_text
    touched: list[Path] = []
    for key in changed:
        path: Path = ("chambers", chamber, key)
        box[key] = wanted[key]
        touched += [path, *((*path, name) for name in wanted[key])]
        try:
            new_text = put(new_text, path, wanted[key])
        except LaidOutOtherwiseError:
            new_text = ""
            break
    after = check_text(new_text)
    if after.plain is None or after.plain.data != data:
        raise InputError(
            "the config is laid out in a way that cannot be changed here without changing more; "
            f"below {chamber}, write pid: {as_flow(wanted['pid'])}"
            + ("" if window_s is None else f" and, under heater, window: {as_flow(window_s)}")
            + " by hand"
        )
    refuse_new_mistakes(before, after, Touched(tuple(touched)))
    said = tuple(f"{key} of {chamber} is now {as_flow(wanted[key])}" for key in changed)
    return Edit(new_text.replace("\n", "\r\n") if "\r\n" in text else new_text, said)


def _section(box: Mapping[str, Any], key: str, values: Mapping[str, object]) -> dict[str, Any]:
    held = box.get(key)
    return {**(held if isinstance(held, dict) else {}), **values}
