"""What ``check`` finds, and how it reads on screen; pure."""

from __future__ import annotations

import textwrap
from collections.abc import Iterable
from dataclasses import dataclass
from enum import StrEnum
from typing import Any

WIDTH = 96
_INDENT = 10


class Level(StrEnum):
    """How much a finding matters."""

    WELL = "well"
    NOTE = "note"
    WRONG = "wrong"


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing that was looked at: what it is like, and what to do about it."""

    level: Level
    text: str
    do: str = ""


@dataclass(frozen=True, slots=True)
class Group:
    """Findings about one part of the installation."""

    title: str
    findings: tuple[Finding, ...]


def well(text: str) -> Finding:
    """Something that is as it should be."""
    return Finding(Level.WELL, text)


def note(text: str, do: str = "") -> Finding:
    """Something to know, which stops nothing."""
    return Finding(Level.NOTE, text, do)


def wrong(text: str, do: str) -> Finding:
    """Something that needs attention."""
    return Finding(Level.WRONG, text, do)


def in_two(sentence: str, mark: str = "; ") -> tuple[str, str]:
    """Part a sentence of ours into what is wrong and, after the last ``mark``, what to do."""
    text, found, remedy = sentence.rstrip(".").rpartition(mark)
    return (text, remedy) if found else (remedy, "")


def all_well(groups: Iterable[Group]) -> bool:
    """Whether nothing needs attention."""
    return all(f.level is not Level.WRONG for group in groups for f in group.findings)


def render(groups: Iterable[Group]) -> str:
    """The whole report: a title for each group, one paragraph for each finding, then the sum."""
    groups = tuple(groups)
    lines: list[str] = []
    for group in groups:
        if not group.findings:
            continue
        lines.append(group.title)
        for finding in group.findings:
            lines += _lines(finding)
        lines.append("")
    count = sum(f.level is Level.WRONG for group in groups for f in group.findings)
    if count:
        lines.append(f"{count} thing{'s' if count > 1 else ''} marked WRONG: see the arrows.")
    else:
        lines.append("All well.")
    return "\n".join(lines)


def _lines(finding: Finding) -> list[str]:
    mark = "WRONG" if finding.level is Level.WRONG else finding.level.value
    found = _wrapped(f"  {mark:<6}  ", finding.text)
    if finding.do:
        found += _wrapped(f"{'':<{_INDENT - 2}}→ ", finding.do)
    return found


def _wrapped(first: str, text: str) -> list[str]:
    return textwrap.wrap(
        text,
        WIDTH,
        initial_indent=first,
        subsequent_indent=" " * _INDENT,
        break_long_words=False,
        break_on_hyphens=False,
    )


def as_plain(groups: Iterable[Group], exit_status: int) -> dict[str, Any]:
    """The report as plain data for JSON."""
    groups = tuple(groups)
    return {
        "ok": all_well(groups),
        "exit_status": exit_status,
        "groups": [
            {
                "title": group.title,
                "findings": [
                    {"level": f.level.value, "text": f.text, "do": f.do} for f in group.findings
                ],
            }
            for group in groups
        ],
    }
