"""Changes a section in the text of a config, line by line, and leaves every other line alone.

It knows the layouts that people write: a key and its value on one line, a section as keys below it
or in braces on one line.  Anything else is refused, or done by ruamel.yaml where a whole box stands
in braces.  The caller reads the result back and compares.
"""

from __future__ import annotations

import json
import re
from collections.abc import Mapping
from io import StringIO
from typing import Any

from bottomheat.config import Path
from bottomheat_drivers.yaml_lines import Plain, RefusedTextError, read

_LONGEST = 100
_WORD = re.compile(r"[A-Za-z][\w-]*")
_LINE = re.compile(
    r"(?P<head>\s*[\w-]+\s*:)(?P<gap>[ ]*)"
    r"(?P<value>\{[^{}#]*\}|\"[^\"]*\"|'[^']*'|[^\s#{\[\"'|>][^#]*?)?"
    r"(?P<space>\s*)(?P<note>(?<=\s)#.*)?"
)


class LaidOutOtherwiseError(Exception):
    """The text is laid out in a way that cannot be changed line by line."""


def put(text: str, path: Path, wanted: object) -> str:
    """Make a key hold a value, or, with None, take it out.

    Args:
        text: a config as YAML, lines ending in a newline.
        path: of a section or a scalar; what it lies in must be there.
        wanted: scalars, or a mapping of them, or a mapping of such mappings.

    Raises:
        LaidOutOtherwiseError: this cannot be done here; or the text is not YAML.
    """
    plain = _plain(text)
    lines = text.split("\n")
    if not all(_is_block(lines, plain, path[:n]) for n in range(1, len(path))):
        return _by_ruamel(text, path, wanted)
    here = _value(plain.data, path)
    if path not in plain.lines:
        return text if wanted is None else _added(text, path, wanted)
    if wanted is None:
        return _taken_out(lines, plain, path)
    if isinstance(wanted, Mapping) and isinstance(here, Mapping) and _is_block(lines, plain, path):
        for key in here.keys() - wanted.keys():
            text = put(text, (*path, key), None)
        for key, value in wanted.items():
            if key not in here or here[key] != value:
                text = put(text, (*path, key), value)
        return text
    return _replaced(lines, plain, path, wanted)


def as_flow(value: object) -> str:
    """A scalar, or a mapping in braces, as YAML."""
    match value:
        case Mapping():
            return "{" + ", ".join(f"{key}: {as_flow(each)}" for key, each in value.items()) + "}"
        case bool():
            return "true" if value else "false"
        case str():
            return value if _WORD.fullmatch(value) and value not in _NO_TEXT else json.dumps(value)
        case None:
            return "null"
        case _:
            return repr(value)


_NO_TEXT = frozenset({"true", "True", "TRUE", "false", "False", "FALSE", "null", "Null", "NULL"})


def _plain(text: str) -> Plain:
    try:
        return read(text)
    except RefusedTextError as error:
        raise LaidOutOtherwiseError from error


def _value(data: object, path: Path) -> Any:
    for key in path:
        data = data.get(key) if isinstance(data, Mapping) else None
    return data


def _indent(line: str) -> int:
    return len(line) - len(line.lstrip(" "))


def _below(plain: Plain, path: Path) -> list[int]:
    """Lines on which something below a path begins, counted from 1."""
    n = len(path)
    return [line for at, line in plain.lines.items() if len(at) > n and at[:n] == path]


def _is_block(lines: list[str], plain: Plain, path: Path) -> bool:
    """Whether a section's keys stand below its own line, each on its own."""
    found = _LINE.fullmatch(lines[plain.lines[path] - 1]) if path in plain.lines else None
    if found is None or found["value"] is not None:
        return False
    value = _value(plain.data, path)
    if value is None:
        return True
    if not isinstance(value, Mapping) or not value:
        return False
    children = [plain.lines[(*path, key)] for key in value]
    return min(children) > plain.lines[path] and len(set(children)) == len(children)


def _replaced(lines: list[str], plain: Plain, path: Path, wanted: object) -> str:
    """The value on a key's own line."""
    number = plain.lines[path] - 1
    found = _LINE.fullmatch(lines[number])
    if found is None or any(line != number + 1 for line in _below(plain, path)):
        raise LaidOutOtherwiseError
    if isinstance(wanted, Mapping) and (
        found["value"] is None or len(f"{found['head']} {as_flow(wanted)}") > _LONGEST
    ):
        head = found["head"] if found["note"] is None else f"{found['head']}  {found['note']}"
        indent = _indent(lines[number])
        lines[number : number + 1] = [head, *_block(wanted, indent + indents("\n".join(lines))[0])]
        return "\n".join(lines)
    lines[number] = _with_note(f"{found['head']} {as_flow(wanted)}", lines[number], found)
    return "\n".join(lines)


def _with_note(line: str, old: str, found: re.Match[str]) -> str:
    """A line with the note of an old one, in its column where there is room."""
    if found["note"] is None:
        return line
    column = len(old) - len(found["note"])
    return line.ljust(column - 1) + " " + found["note"]


def _block(section: Mapping[str, object], indent: int) -> list[str]:
    return [f"{' ' * indent}{key}: {as_flow(value)}" for key, value in section.items()]


def _taken_out(lines: list[str], plain: Plain, path: Path) -> str:
    """Without a key: commented out where it has a note, so that the note goes on making sense."""
    first = plain.lines[path] - 1
    last = max([first + 1, *_below(plain, path)])
    here = [n for n in range(first, last) if not _is_note(lines[n])]
    shared = any(
        first < line <= last and at[: len(path)] != path and path[: len(at)] != at
        for at, line in plain.lines.items()
    )
    found = {n: _LINE.fullmatch(lines[n]) for n in here}
    if shared or None in found.values():
        raise LaidOutOtherwiseError
    indent = _indent(lines[first])
    noted = any(match and match["note"] for match in found.values())
    for n, match in reversed(found.items()):
        if match is None or not noted:
            del lines[n]
            continue
        bare = f"{match['head']}{match['gap']}{match['value'] or ''}"
        lines[n] = _with_note(f"{' ' * indent}# {bare[indent:]}", lines[n], match)
    return "\n".join(lines)


def _is_note(line: str) -> bool:
    return line.lstrip(" ").startswith("#")


def _added(text: str, path: Path, wanted: object) -> str:
    """With a key that was not there."""
    plain, lines = _plain(text), text.split("\n")
    parent, key = path[:-1], str(path[-1])
    if not parent:
        return _added_on_top(lines, plain, key, wanted)
    siblings = [plain.lines[(*parent, name)] - 1 for name in _value(plain.data, parent) or {}]
    header = plain.lines[parent] - 1
    indent = (
        _indent(lines[siblings[0]])
        if siblings
        else _indent(lines[header]) + indents("\n".join(lines))[0]
    )
    first, last = header + 1, max([header, *(line - 1 for line in _below(plain, parent))])
    end = _end_of_notes(lines, last + 1, indent)
    for n in range(first, end):
        # Commented out until now, with what there is to know of it.
        template = re.fullmatch(rf" {{{indent}}}# ?({re.escape(key)}: .*)", lines[n])
        found = _LINE.fullmatch(" " * indent + template[1]) if template else None
        if found and re.fullmatch(r"\{.*\}|\S+", found["value"] or ""):
            lines[n : n + 1] = _written(key, wanted, indent, lines, found, lines[n])
            return "\n".join(lines)
    at = _place(lines, plain, parent, key, last, indent)
    lines[at:at] = _written(key, wanted, indent, lines)
    return "\n".join(lines)


def _place(lines: list[str], plain: Plain, parent: Path, key: str, last: int, indent: int) -> int:
    """Where a new key belongs: below the sibling whose name it goes on from, or at the end."""
    names = [str(name) for name in _value(plain.data, parent) or {}]
    near = max((name for name in names if key.startswith(f"{name}_")), key=len, default=None)
    if near is not None:
        path = (*parent, near)
        last = max(plain.lines[path], *_below(plain, path), 0) - 1
    at = last + 1
    while at < len(lines) and _is_note(lines[at]) and _indent(lines[at]) > indent:
        at += 1  # the rest of the note on the line above
    return at


def _end_of_notes(lines: list[str], at: int, indent: int) -> int:
    while at < len(lines) and _is_note(lines[at]) and _indent(lines[at]) >= indent:
        at += 1
    return at


def _written(
    key: str,
    wanted: object,
    indent: int,
    lines: list[str],
    found: re.Match[str] | None = None,
    old: str = "",
) -> list[str]:
    line = f"{' ' * indent}{key}: {as_flow(wanted)}"
    if isinstance(wanted, Mapping) and len(line) > _LONGEST:
        head = f"{' ' * indent}{key}:"
        if found is not None and found["note"] is not None:
            head = f"{head}  {found['note']}"
        return [head, *_block(wanted, indent + indents("\n".join(lines))[0])]
    return [line if found is None else _with_note(line, old, found)]


def _added_on_top(lines: list[str], plain: Plain, key: str, wanted: object) -> str:
    """A new section at the top: below the notes about it, or above the boxes and their notes."""
    if not isinstance(wanted, Mapping):
        raise LaidOutOtherwiseError
    new = [f"{key}:", *_block(wanted, indents("\n".join(lines))[0])]
    for n, line in enumerate(lines):
        if re.match(rf"# ?{re.escape(key)}:", line):
            at = _end_of_notes(lines, n, 0)
            lines[at:at] = new
            return "\n".join(lines)
    if ("chambers",) not in plain.lines:
        raise LaidOutOtherwiseError
    at = plain.lines[("chambers",)] - 1
    while at > 0 and _is_note(lines[at - 1]):
        at -= 1
    lines[at:at] = [*new, ""]
    return "\n".join(lines)


def _by_ruamel(text: str, path: Path, wanted: object) -> str:
    """For a box in braces: by ruamel.yaml, and only where every note survives."""
    from ruamel.yaml import YAML
    from ruamel.yaml.comments import CommentedMap
    from ruamel.yaml.error import YAMLError

    def in_braces(value: object) -> object:
        if not isinstance(value, Mapping):
            return value
        made = CommentedMap({key: in_braces(each) for key, each in value.items()})
        made.fa.set_flow_style()
        return made

    yaml = YAML()
    yaml.preserve_quotes = True
    yaml.width = 4096
    step, offset = indents(text)
    yaml.indent(mapping=step, sequence=offset + 2, offset=offset)
    try:
        document = yaml.load(text)
        here = document
        for key in path[:-1]:
            here = here[key]
        if wanted is None:
            here.pop(path[-1], None)
        else:
            here[path[-1]] = in_braces(wanted)
        out = StringIO()
        yaml.dump(document, out)
    except (YAMLError, KeyError, TypeError, ValueError) as error:
        raise LaidOutOtherwiseError from error
    new = out.getvalue()
    if sorted(re.findall("#.*", new)) != sorted(re.findall("#.*", text)):
        raise LaidOutOtherwiseError
    return new


def indents(text: str) -> tuple[int, int]:
    """How far a section stands in, and how far a list's dash does: as the file itself has it."""
    step = re.search(r"^chambers:[^\n]*\n(?:\s*(?:#[^\n]*)?\n)*( +)[^\s#]", text, re.MULTILINE)
    dash = re.search(r"^( *)[^\s#-][^\n]*:\s*(?:#[^\n]*)?\n( *)- ", text, re.MULTILINE)
    offset = 0 if dash is None else max(len(dash[2]) - len(dash[1]), 0)
    return len(step[1]) if step else 2, offset
