"""Puts the name of a probe into a config file, and changes nothing else in it.

What a calibration found goes in by ``config_edit_offset``, which is offered here as well.

ruamel.yaml keeps comments, order and quotes through a round trip.  Whatever it does, the new text
is read back by the checker's own reader, and its data must be the old data with this one change.
"""

from __future__ import annotations

import contextlib
import os
import re
from io import StringIO
from pathlib import Path as File
from typing import Any

from bottomheat.config import Path
from bottomheat.errors import InputError
from bottomheat.model import PLACE_WORDS, Place
from bottomheat_drivers.config_edit_check import (
    Edit,
    Touched,
    box_of,
    readable,
    refuse_new_mistakes,
)
from bottomheat_drivers.config_edit_offset import with_corrections, with_offset
from bottomheat_drivers.config_lines import indents
from bottomheat_drivers.config_yaml import check_text, read_text

__all__ = ["Edit", "replace_config", "with_corrections", "with_offset", "with_probe"]

_LAYER = "substrate"
_OLD = ".before"
_NAME = re.compile(r"[0-9a-f]{2}-[0-9a-f]{12}")


def with_probe(text: str, chamber: str, place: Place, probe: str) -> Edit:
    """Name a probe for a place of a box, in the text of a config.

    Where the probe stood for another place before, that place takes over the name that stood here;
    where none did, it becomes empty.  The config may be incomplete: it may be refused before and
    after.

    Args:
        text: the config file as it is.
        chamber: name of the box.
        place: where the probe lies.
        probe: its name, such as 28-0000xxxxxxxx.

    Raises:
        InputError: the text is not YAML, there is no such box, a second probe on the wet layer has
            no first, or the change would make a new mistake; says which.
    """
    plain_text = text.replace("\r\n", "\n")
    before = check_text(plain_text)
    data = readable(before)
    said, touched = _change(data, chamber, place, probe)
    if not said:
        return Edit(text, ())
    new_text = _written(plain_text, chamber, place, probe)
    after = check_text(new_text)
    if after.plain is None or after.plain.data != data:
        raise InputError(
            "the config is laid out in a way that cannot be changed here without changing more; "
            f"write {_key(place)}: {probe} below probes: of {chamber} by hand"
        )
    refuse_new_mistakes(before, after, touched)
    return Edit(new_text.replace("\n", "\r\n") if "\r\n" in text else new_text, said)


def replace_config(path: File, old_text: str, new_text: str) -> File:
    """Replace a config file as a whole, and keep the old one beside it as FILE.before.

    Owner and mode stay as they are; after the return the change survives a power cut.

    Args:
        path: the config file; where it is a link, its target is replaced.
        old_text: what ``read_text`` gave; refused where the file has changed since.
        new_text: its new content.

    Returns:
        The copy of the old file.

    Raises:
        InputError: write-protected, changed meanwhile, or not written; the file is as it was.
    """
    target = File(os.path.realpath(path))
    try:
        status = target.stat()
        if not os.access(target, os.W_OK) or not status.st_mode & 0o222:
            raise InputError(
                f"the config file {path} is write-protected for this user; use sudo, or chmod u+w"
            )
        if read_text(target) != old_text:
            raise InputError(f"the config file {path} was changed meanwhile; run this again")
        kept = target.with_name(target.name + _OLD)
        _replace(kept, target.read_bytes(), status)
        _replace(target, new_text.encode(), status)
    except OSError as error:
        raise InputError(
            f"the config file {path} cannot be replaced ({error.strerror or error}); "
            "use sudo, or make the disk writable"
        ) from None
    return kept


def _replace(target: File, content: bytes, like: os.stat_result) -> None:
    spare = target.with_name(f".{target.name}.new")
    flags = os.O_WRONLY | os.O_CREAT | os.O_TRUNC | os.O_NOFOLLOW | os.O_CLOEXEC
    try:
        with open(os.open(spare, flags, 0o600), "wb") as file:
            file.write(content)
            with contextlib.suppress(PermissionError):  # only root may give a file away
                os.fchown(file.fileno(), like.st_uid, like.st_gid)
            os.fchmod(file.fileno(), like.st_mode & 0o7777)
            file.flush()
            os.fsync(file.fileno())
        os.replace(spare, target)
    except OSError:
        with contextlib.suppress(OSError):
            spare.unlink()
        raise
    folder = os.open(target.parent, os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC)
    try:
        os.fsync(folder)
    finally:
        os.close(folder)


def _key(place: Place) -> str:
    return _LAYER if place is Place.SUBSTRATE_2 else place.value


def _change(data: Any, chamber: str, place: Place, probe: str) -> tuple[tuple[str, ...], Touched]:
    """Change plain data in place; returns what changed, in sentences and as paths."""
    box = box_of(data, chamber)
    if not isinstance(box.get("probes"), dict):
        box["probes"] = {}
    displaced = _get(box["probes"], place)
    if displaced == probe:
        return (), Touched(())
    if place is Place.SUBSTRATE_2 and _get(box["probes"], Place.SUBSTRATE) in (None, probe):
        raise InputError(
            f"{chamber} has no first probe on its wet layer yet; give this one the place "
            f"{PLACE_WORDS[Place.SUBSTRATE]}"
        )
    formers = _formers(data, probe, place)
    _set(box["probes"], place, probe)
    said = [f"{probe} is now {chamber} {PLACE_WORDS[place]}"]
    paths: list[Path] = [_path(chamber, place)]
    if displaced is not None and not formers:
        said.append(f"{displaced}, which was there, has no place now")
    for name, old_place in formers:
        _set(box_of(data, name)["probes"], old_place, displaced)
        paths.append(_path(name, old_place))
        if displaced is None:
            paths.append(("chambers", name, "probes"))
        filler = "no probe" if displaced is None else displaced
        said.append(f"{name} {PLACE_WORDS[old_place]}, where it stood before, has {filler} now")
    is_name = isinstance(displaced, str) and _NAME.fullmatch(displaced) is not None
    excused = () if displaced is None or is_name else tuple(_path(*former) for former in formers)
    return tuple(said), Touched(tuple(paths), excused)


def _path(chamber: str, place: Place) -> Path:
    return ("chambers", chamber, "probes", _key(place))


def _formers(data: Any, probe: str, place: Place) -> list[tuple[str, Place]]:
    """Where the probe stands now and may not stay; boxes in one room share its room probe."""
    found = []
    for name, box in data["chambers"].items():
        probes = box.get("probes") if isinstance(box, dict) else None
        for old_place in Place:
            if not isinstance(probes, dict) or _get(probes, old_place) != probe:
                continue
            if not (place is Place.ROOM and old_place is Place.ROOM):
                found.append((str(name), old_place))
    return found


def _get(probes: dict[str, Any], place: Place) -> Any:
    value = probes.get(_key(place))
    if _key(place) != _LAYER:
        return value
    layer = value if isinstance(value, list) else [value]
    index = 1 if place is Place.SUBSTRATE_2 else 0
    return layer[index] if index < len(layer) else None


def _set(probes: Any, place: Place, probe: str | None) -> None:
    """Name a probe for a place, or none; works on plain data and on ruamel's."""
    key = _key(place)
    value = probes.get(key)
    if isinstance(value, list):
        index = 1 if place is Place.SUBSTRATE_2 else 0
        if probe is None:
            del value[index]
        elif index < len(value):
            value[index] = probe
        else:
            value.append(probe)
        if not value:
            del probes[key]
    elif place is Place.SUBSTRATE_2 and probe is not None:
        probes[key] = _pair(probes, value, probe)
    elif probe is None:
        probes.pop(key, None)
    elif key in probes or not hasattr(probes, "insert"):
        probes[key] = probe
    else:
        # Not at the end: comments below the last key would come to stand above the new one.
        probes.insert(max(len(probes) - 1, 0), key, probe)


def _pair(probes: Any, first: Any, second: str) -> Any:
    if not hasattr(probes, "insert"):
        return [first, second]
    from ruamel.yaml.comments import CommentedSeq

    pair = CommentedSeq([first, second])
    pair.fa.set_flow_style()
    return pair


def _written(text: str, chamber: str, place: Place, probe: str) -> str:
    """The new text: by ruamel, but a key that goes is taken out as a line of text.

    Together with a key ruamel would take out the comments below it.
    """
    from ruamel.yaml import YAML
    from ruamel.yaml.comments import CommentedMap
    from ruamel.yaml.error import YAMLError

    try:
        step, offset = indents(text)
        yaml = YAML()
        yaml.preserve_quotes = True
        yaml.width = 4096
        yaml.indent(mapping=step, sequence=offset + 2, offset=offset)
        document = yaml.load(text)
        formers = _formers(document, probe, place)
        box = document["chambers"][chamber]
        if not isinstance(box.get("probes"), dict):
            box["probes"] = CommentedMap()
        displaced = _get(box["probes"], place)
        goes: list[Path] = []
        for name, old_place in formers:
            probes = document["chambers"][name]["probes"]
            alone = not isinstance(probes[_key(old_place)], list)
            if displaced is None and alone and not probes.fa.flow_style():
                goes.append(_path(name, old_place))
            else:
                _set(probes, old_place, displaced)
        _set(box["probes"], place, probe)
        out = StringIO()
        yaml.dump(document, out)
    except (YAMLError, AttributeError, KeyError, TypeError, ValueError) as error:
        raise InputError(
            f"the config cannot be changed here ({type(error).__name__}); "
            f"write {_key(place)}: {probe} below probes: of {chamber} by hand"
        ) from error
    new = out.getvalue()
    for path in goes:
        new = _without_line(new, path)
    return new


def _without_line(text: str, path: Path) -> str:
    loaded = check_text(text)
    number = None if loaded.plain is None else loaded.plain.lines.get(path)
    lines = text.splitlines(keepends=True)
    if number is None or not re.match(rf"\s*{path[-1]}\s*:\s*[^\s#]+\s*(#.*)?$", lines[number - 1]):
        return text  # in brackets, say: the comparison of the data will refuse it
    return "".join(lines[: number - 1] + lines[number:])
