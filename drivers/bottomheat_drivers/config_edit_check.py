"""What every edit of a config file keeps to: what it may change, and what refuses it."""

from __future__ import annotations

import copy
from dataclasses import dataclass
from typing import Any

from bottomheat.config import Path, Problem
from bottomheat.errors import InputError
from bottomheat_drivers.config_yaml import Loaded


@dataclass(frozen=True, slots=True)
class Edit:
    """A changed config: its new text, and what changed in sentences; none where nothing did."""

    text: str
    said: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Touched:
    """Paths that a change is about, and those that took over a name that was none."""

    paths: tuple[Path, ...]
    excused: tuple[Path, ...] = ()


def box_of(data: Any, chamber: str) -> dict[str, Any]:
    """A box of plain data.

    Raises:
        InputError: there is no such box, or nothing is written in it.
    """
    boxes = data.get("chambers") if isinstance(data, dict) else None
    named = boxes if isinstance(boxes, dict) else {}
    if chamber not in named:
        there = ", ".join(str(name) for name in named) or "none"
        raise InputError(f"there is no box {chamber} in the config; there are: {there}")
    box = named[chamber]
    if not isinstance(box, dict):
        raise InputError(f"nothing is written below {chamber} in the config; write its keys first")
    return box


def readable(before: Loaded) -> Any:
    """A copy of the plain data of a config that is to be changed.

    Raises:
        InputError: it is not YAML; says why.
    """
    if before.plain is None:
        told = "; ".join(problem.text() for problem in before.parsed.problems)
        raise InputError(f"the config cannot be changed before this is right: {told}")
    return copy.deepcopy(before.plain.data)


def refuse_new_mistakes(before: Loaded, after: Loaded, touched: Touched) -> None:
    """Refuse a change that spoils a good config, or adds a mistake of its own to an unfinished one.

    Filling in what was missing may show mistakes elsewhere that could not be seen before, and a
    placeholder that moves is no new mistake.

    Raises:
        InputError: says which mistakes.
    """
    old = {(p.path, p.message) for p in before.parsed.problems}
    new = [p for p in after.parsed.problems if (p.path, p.message) not in old]
    if before.parsed.problems:
        new = [p for p in new if _is_about(p, touched.paths) and p.path not in touched.excused]
    if new:
        told = "; ".join(problem.text() for problem in new)
        raise InputError(f"the config was not changed, because it would be refused: {told}")


def _is_about(problem: Problem, paths: tuple[Path, ...]) -> bool:
    return any(
        problem.path == path or (len(path) == 4 and problem.path[:4] == path) for path in paths
    )
