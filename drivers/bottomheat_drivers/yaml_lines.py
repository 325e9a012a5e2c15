"""YAML text to plain data, with the line of every key.

PyYAML does the scanning and parsing.  What it would read in a way that surprises a grower is read
by the core schema of YAML 1.2 instead: ``22:30``, ``no`` and ``on`` are text.  Duplicate keys are
problems, and so are aliases, tags and deep nesting, which a config has no use for.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from typing import Any

import yaml
from yaml.composer import ComposerError
from yaml.constructor import SafeConstructor
from yaml.nodes import MappingNode, Node, ScalarNode, SequenceNode
from yaml.reader import ReaderError
from yaml.resolver import BaseResolver

from bottomheat.config import Path, Problem

_DEEPEST = 12
"""A config nests five deep; the bound keeps a hostile file from exhausting the stack."""

_LONGEST_NUMBER = 40

_FLOAT = re.compile(
    r"[-+]?(?:\.[0-9]+|[0-9]+(?:\.[0-9]*)?)(?:[eE][-+]?[0-9]+)?|[-+]?\.(?:inf|Inf|INF)"
    r"|\.(?:nan|NaN|NAN)"
)
_INT = re.compile(r"[-+]?[0-9]+")


class RefusedTextError(Exception):
    """The text cannot be read as YAML; holds the line and one plain sentence."""

    def __init__(self, line: int | None, sentence: str) -> None:
        super().__init__(sentence)
        self.line = line
        self.sentence = sentence


class _Loader(
    yaml.reader.Reader,
    yaml.scanner.Scanner,
    yaml.parser.Parser,
    yaml.composer.Composer,
    SafeConstructor,
    BaseResolver,
):
    """Composes nodes and nothing else; every plain scalar stays text until we read it."""

    def __init__(self, text: str) -> None:
        yaml.reader.Reader.__init__(self, text)
        yaml.scanner.Scanner.__init__(self)
        yaml.parser.Parser.__init__(self)
        yaml.composer.Composer.__init__(self)
        SafeConstructor.__init__(self)
        BaseResolver.__init__(self)
        self._depth = 0

    def compose_node(self, parent: Node | None, index: int) -> Node | None:
        event: Any = self.peek_event()  # type: ignore[no-untyped-call]
        line = event.start_mark.line + 1
        if isinstance(event, yaml.AliasEvent):
            raise RefusedTextError(
                line, f"*{event.anchor} repeats another part; write the keys out in full here"
            )
        if getattr(event, "tag", None) not in (None, "!"):
            raise RefusedTextError(line, "tags such as !!str have no use here; take the tag out")
        if self._depth >= _DEEPEST:
            raise RefusedTextError(line, "this nests too deeply; a config nests five deep at most")
        self._depth += 1
        try:
            return super().compose_node(parent, index)
        finally:
            self._depth -= 1


@dataclass(slots=True)
class Plain:
    """Plain data, where each path starts (1-based lines), and the keys that stand twice."""

    data: object
    lines: dict[Path, int] = field(default_factory=dict)
    problems: list[Problem] = field(default_factory=list)


def read(text: str) -> Plain:
    """Read YAML text.

    Raises:
        RefusedTextError: the text is not one YAML document of plain keys and values.
    """
    try:
        loader = _Loader(text)
        node = loader.get_single_node()
    except yaml.YAMLError as error:
        raise _in_plain_words(error, text) from error
    plain = Plain(None)
    plain.data = None if node is None else _plain(node, (), plain)
    return plain


def _plain(node: Node, path: Path, into: Plain) -> object:
    into.lines.setdefault(path, node.start_mark.line + 1)
    if isinstance(node, MappingNode):
        return _mapping(node, path, into)
    if isinstance(node, SequenceNode):
        return [_plain(item, (*path, n), into) for n, item in enumerate(node.value)]
    return _scalar(node)


def _mapping(node: MappingNode, path: Path, into: Plain) -> dict[str, object]:
    found: dict[str, object] = {}
    for key_node, value_node in node.value:
        line = key_node.start_mark.line + 1
        if not isinstance(key_node, ScalarNode):
            raise RefusedTextError(line, "a key is one word, and here stands a list or a section")
        key = str(key_node.value)
        here = (*path, key)
        if key in found:
            first = into.lines[here]
            message = f"this key stands twice, on lines {first} and {line}; take one of them out"
            into.problems.append(Problem(here, line, message))
            continue
        into.lines[here] = line
        found[key] = _plain(value_node, here, into)
    return found


def _scalar(node: Node) -> object:
    """Read a scalar by the core schema of YAML 1.2.2, section 10.3.2, decimal numbers only."""
    text = str(node.value)
    if getattr(node, "style", None) is not None:
        return text
    if text in ("", "~", "null", "Null", "NULL"):
        return None
    if text in ("true", "True", "TRUE", "false", "False", "FALSE"):
        return text[0] in "tT"
    if len(text) <= _LONGEST_NUMBER:
        if _INT.fullmatch(text):
            return int(text)
        if _FLOAT.fullmatch(text):
            # Python writes the same words without the dot.
            return float(re.sub(r"\.(?=[inIN])", "", text))
    return text


_PLAIN_WORDS = (
    (r"'\\t'", "the line has a tab where YAML wants spaces; indent with spaces only"),
    (
        r"mapping values are not allowed",
        "there is one colon too many, or the indentation is off; "
        "write one key: value on a line, level with its neighbours",
    ),
    (r"could not find expected ':'", "a key has no colon after it; write key: value"),
    (r"expected <block end>", "the indentation is off; set this line level with its neighbours"),
    (
        r"expected ',' or",
        "a bracket is not closed, or a comma is missing; look at this line and the ones above",
    ),
    (
        r"scanning a quoted scalar|unexpected end of stream",
        "a quotation mark is not closed; close it",
    ),
    (
        r"expected a single document|document start",
        "a second document starts here; keep one, without --- lines inside",
    ),
    (r"cannot start any token", "a character here cannot start a value; put the value in quotes"),
    (
        r"undefined alias|alias",
        "a word that starts with * has another meaning in YAML; put it in quotes",
    ),
    (r"anchor", "a word that starts with & has another meaning in YAML; put it in quotes"),
    (r"tag", "a word that starts with ! has another meaning in YAML; put it in quotes"),
    (
        r"sequence entries are not allowed",
        "a list starts in the wrong place; start it on a line of its own",
    ),
)


def _line(mark: yaml.Mark | None) -> int | None:
    return None if mark is None else int(mark.line) + 1


def _in_plain_words(error: yaml.YAMLError, text: str) -> RefusedTextError:
    if isinstance(error, ReaderError):
        at = text.count("\n", 0, error.position) + 1
        return RefusedTextError(
            at, "there is an invisible control character here; type the line again"
        )
    ended, opened = (getattr(error, name, None) for name in ("problem_mark", "context_mark"))
    line = _line(ended) or _line(opened)
    own = f"{getattr(error, 'context', '') or ''} {getattr(error, 'problem', '') or ''}"
    for pattern, words in _PLAIN_WORDS:
        if re.search(pattern, own):
            # What is not closed is found at its end, and mended where it opens.
            return RefusedTextError(_line(opened) if "not closed" in words else line, words)
    if isinstance(error, ComposerError):
        return RefusedTextError(
            line, "this is not one plain section of keys; compare with the sample"
        )
    return RefusedTextError(line, "this is not laid out as YAML; write key: value, one on a line")
