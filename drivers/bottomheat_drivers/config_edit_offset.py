"""Puts what a calibration found into a config file: an offset, or the corrections of probes.

The file is changed line by line, so that every note, blank line and alignment stays.  A key that
goes is commented out where it has a note, and a commented-out key that comes back is uncommented.
Whatever is done here, the new text is read back by the checker's own reader, and its data must be
the old data with this one change.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from bottomheat.config import Path
from bottomheat.config_parse import offset_keys
from bottomheat.errors import InputError
from bottomheat.protect.tending import Lid
from bottomheat_drivers.config_edit_check import (
    Edit,
    Touched,
    box_of,
    readable,
    refuse_new_mistakes,
)
from bottomheat_drivers.config_lines import LaidOutOtherwiseError, as_flow, put
from bottomheat_drivers.config_yaml import Loaded, check_text

_KEY = {Lid.ON: "offset", Lid.AJAR: "offset_ajar", Lid.OFF: "offset_off"}

_OF_THE_BOX = frozenset({"zone_uncertainty", "room_lag", "substrate_lag"})
"""What is true of the box whatever the method."""


def with_offset(text: str, chamber: str, lid: Lid, values: Mapping[str, object]) -> Edit:
    """Write an offset into the text of a config.

    With the method that stood there, keys that are not given stay as they are; with another one
    only the lags and the spread of the box do, where the new method has them.

    Args:
        text: the config file as it is.
        chamber: name of the box.
        lid: position of the lid that the offset is for.
        values: keys of the offset as the file has them, ``method`` among them; None takes one out.
            Numbers are written as they are: round them.

    Raises:
        InputError: the text is not YAML, there is no such box, the change would make a new mistake,
            or the file is laid out in a way that cannot be changed here; says which.
    """
    key = _KEY[lid]
    path: Path = ("chambers", chamber, key)
    plain_text, before = _read(text)
    data = readable(before)
    box = box_of(data, chamber)
    wanted = _merged(box.get(key), values)
    if box.get(key) == wanted:
        return Edit(text, ())
    box[key] = wanted
    touched = Touched((path, *((*path, name) for name in wanted), ("chambers", chamber, "probes")))
    said = f"{key} of {chamber} is now {as_flow(wanted)}"
    return _edited(text, plain_text, before, data, path, touched, said)


def with_corrections(text: str, corrections: Mapping[str, Mapping[str, object] | None]) -> Edit:
    """Write corrections of probes into the text of a config; those of other probes stay.

    Args:
        text: the config file as it is.
        corrections: for each probe its keys as the file has them (``add``, ``uncertainty``), or
            None to take its correction out.  Numbers are written as they are: round them.

    Raises:
        InputError: as ``with_offset`` does.
    """
    plain_text, before = _read(text)
    data = readable(before)
    if not isinstance(data, dict):
        raise InputError("the config has no keys; start from the sample file")
    held = data.get("corrections")
    old = held if isinstance(held, dict) else {}
    wanted = {**old, **{probe: dict(keys) for probe, keys in corrections.items() if keys}}
    wanted = {p: keys for p, keys in wanted.items() if corrections.get(p, keys) is not None}
    if wanted == old:
        return Edit(text, ())
    data["corrections"] = wanted
    if not wanted:
        del data["corrections"]
    paths = [("corrections", probe, *rest) for probe in corrections for rest in ((), ("add",))]
    said = [
        f"{probe} has no correction now"
        if keys is None
        else f"{probe} is corrected by {as_flow(keys)}"
        for probe, keys in corrections.items()
        if old.get(probe) != wanted.get(probe)
    ]
    touched = Touched((("corrections",), *paths))
    return _edited(text, plain_text, before, data, ("corrections",), touched, "; ".join(said))


def _read(text: str) -> tuple[str, Loaded]:
    plain_text = text.replace("\r\n", "\n")
    return plain_text, check_text(plain_text)


def _merged(old: object, values: Mapping[str, object]) -> dict[str, object]:
    method = values.get("method")
    held = old if isinstance(old, dict) else {}
    known = offset_keys(str(method))
    stays = known if held.get("method") == method else known & _OF_THE_BOX
    merged = {key: value for key, value in held.items() if key in stays or key in values}
    merged = {"method": method, **merged, **values}
    return {key: value for key, value in merged.items() if value is not None}


def _edited(
    text: str,
    plain_text: str,
    before: Loaded,
    data: Any,
    path: Path,
    touched: Touched,
    said: str,
) -> Edit:
    wanted = data
    for key in path:
        wanted = wanted.get(key) if isinstance(wanted, dict) else None
    try:
        new_text = put(plain_text, path, wanted)
    except LaidOutOtherwiseError:
        new_text = ""
    after = check_text(new_text)
    if after.plain is None or after.plain.data != data:
        raise InputError(
            "the config is laid out in a way that cannot be changed here without changing more; "
            + _by_hand(path, wanted)
        )
    refuse_new_mistakes(before, after, touched)
    return Edit(new_text.replace("\n", "\r\n") if "\r\n" in text else new_text, (said,))


def _by_hand(path: Path, wanted: object) -> str:
    where = f"below {path[1]} " if len(path) > 1 else "at the top "
    if wanted is None:
        return f"take {path[-1]}: out {where}by hand"
    return f"write {path[-1]}: {as_flow(wanted)} {where}by hand"
