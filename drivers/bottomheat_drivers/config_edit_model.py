"""Puts what ``identify`` found into a config file, line by line; every note stays."""

from __future__ import annotations

from collections.abc import Mapping

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


def with_model(text: str, chamber: str, values: Mapping[str, float | str]) -> Edit:
    """Write a model into the text of a config; keys of it that are not given go.

    Args:
        text: the config file as it is.
        chamber: name of the box.
        values: keys of ``model`` as the file has them.  Numbers are written as they are: round
            them.

    Raises:
        InputError: the text is not YAML, there is no such box, the change would make a new mistake,
            or the file is laid out in a way that cannot be changed here; says which.
    """
    plain_text = text.replace("\r\n", "\n")
    before = check_text(plain_text)
    data = readable(before)
    box = box_of(data, chamber)
    wanted: dict[str, float | str] = dict(values)
    if box.get("model") == wanted:
        return Edit(text, ())
    path: Path = ("chambers", chamber, "model")
    box["model"] = wanted
    try:
        new_text = put(plain_text, path, wanted)
    except LaidOutOtherwiseError:
        new_text = ""
    after = check_text(new_text)
    if after.plain is None or after.plain.data != data:
        raise InputError(
            "the config is laid out in a way that cannot be changed here without changing more; "
            f"write model: {as_flow(wanted)} below {chamber} by hand"
        )
    refuse_new_mistakes(before, after, Touched((path, *((*path, name) for name in wanted))))
    said = f"model of {chamber} is now {as_flow(wanted)}"
    return Edit(new_text.replace("\n", "\r\n") if "\r\n" in text else new_text, (said,))
