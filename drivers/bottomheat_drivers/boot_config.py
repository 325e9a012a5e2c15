"""The Raspberry Pi's ``config.txt``: which overlays and parameters this board takes from it.

Only what a check of this service asks for is understood: ``dtparam``, ``dtoverlay``, ``gpio``,
``include`` and the filters in brackets.  Sources: the Raspberry Pi documentation's pages on
config.txt, its conditional filters and device tree (scope of ``dtparam``); the overlays' README for
the parameters of w1-gpio.  The names of the filters are from memory.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field
from typing import Final

_DEEPEST_INCLUDE: Final = 5
_OFF: Final = frozenset({"off", "n", "no", "0", "false"})

_FAMILIES: Final[tuple[tuple[str, frozenset[str]], ...]] = (
    (r"Pi Compute Module 5", frozenset({"pi5", "cm5"})),
    (r"Pi 500", frozenset({"pi5", "pi500"})),
    (r"Pi 5\b", frozenset({"pi5"})),
    (r"Pi Compute Module 4S", frozenset({"pi4", "cm4s"})),
    (r"Pi Compute Module 4", frozenset({"pi4", "cm4"})),
    (r"Pi 400", frozenset({"pi4", "pi400"})),
    (r"Pi 4\b", frozenset({"pi4"})),
    (r"Pi 3 Model [AB] Plus", frozenset({"pi3", "pi3+"})),
    (r"Pi (3\b|Compute Module 3)", frozenset({"pi3"})),
    (r"Pi Zero 2", frozenset({"pi0", "pi0w", "pi02"})),
    (r"Pi Zero W", frozenset({"pi0", "pi0w"})),
    (r"Pi Zero", frozenset({"pi0"})),
    (r"Pi 2\b", frozenset({"pi2"})),
    (r"Pi ", frozenset({"pi1"})),
)
_MODEL_FILTERS: Final = frozenset().union(*(names for _, names in _FAMILIES))


@dataclass(frozen=True, slots=True)
class Overlay:
    """One ``dtoverlay`` line with its parameters, its own and those of the lines after it."""

    name: str
    parameters: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class BootConfig:
    """What this board takes from its config.txt.

    Attributes:
        path: the file, as a person would open it.
        overlays: the overlays in their order.
        parameters: every ``dtparam``, also those that an overlay may have taken for its own.
        lines: attributes such as ``op`` and ``dh`` by GPIO number, from ``gpio=`` lines.
    """

    path: str
    overlays: tuple[Overlay, ...] = ()
    parameters: Mapping[str, str] = field(default_factory=dict)
    lines: Mapping[int, tuple[str, ...]] = field(default_factory=dict)

    def is_on(self, parameter: str) -> bool:
        """Whether a base parameter is switched on."""
        value = self.parameters.get(parameter)
        return value is not None and value.lower() not in _OFF


def read_boot_config(
    path: str, text: str, model: str, included: Callable[[str], str | None]
) -> BootConfig:
    """Read a config.txt as the firmware of one board would; never raises.

    Args:
        path: the file's name, for messages.
        text: its content.
        model: the board, such as "Raspberry Pi 4 Model B Rev 1.5".
        included: gives the content of a file that an ``include`` names, or None.
    """
    overlays: list[tuple[str, dict[str, str]]] = []
    parameters: dict[str, str] = {}
    lines: dict[int, tuple[str, ...]] = {}
    scope: dict[str, str] | None = None
    for key, value in _settings(text, _board_filters(model), included, 0):
        if key == "dtparam":
            given = _pairs(value)
            parameters |= given
            if scope is not None:
                scope |= given
        elif key == "dtoverlay":
            name, *rest = re.split(r"[,:]", value, maxsplit=1)
            scope = None
            if name:
                scope = _pairs(rest[0] if rest else "")
                overlays.append((name, scope))
        elif key == "gpio":
            numbers, *attributes = value.split("=", 1)
            given_attributes = tuple(attributes[0].split(",")) if attributes else ()
            for number in _numbers(numbers):
                lines[number] = given_attributes
    return BootConfig(
        path, tuple(Overlay(name, given) for name, given in overlays), parameters, lines
    )


def _settings(
    text: str, board: frozenset[str], included: Callable[[str], str | None], depth: int
) -> Iterator[tuple[str, str]]:
    """Every ``key=value`` that applies to the board, in order.

    ``[all]`` ends all filters.  A filter that is not about the model (a serial number, a screen, a
    line's level) cannot be decided here and counts as met: the kernel's own state is looked at
    where it matters.
    """
    applies = True
    for line in text.splitlines():
        line = line.strip()
        if line.startswith("[") and line.endswith("]"):
            name = line[1:-1].strip().lower()
            if name == "all":
                applies = True
            elif name == "none":
                applies = False
            elif name in _MODEL_FILTERS:
                applies = name in board
        elif applies and not line.startswith("#"):
            if line.startswith("include ") and depth < _DEEPEST_INCLUDE:
                more = included(line.split(None, 1)[1])
                if more is not None:
                    yield from _settings(more, board, included, depth + 1)
            key, found, value = line.partition("=")
            if found:
                yield key.strip().lower(), value.strip()


def _board_filters(model: str) -> frozenset[str]:
    return next((names for word, names in _FAMILIES if re.search(word, model)), frozenset())


def _pairs(text: str) -> dict[str, str]:
    """``a=1,b`` as a mapping; a parameter without a value is on."""
    parts = (part.strip().partition("=") for part in text.split(",") if part.strip())
    return {name.strip(): value.strip() if found else "on" for name, found, value in parts}


def _numbers(text: str) -> Iterator[int]:
    """GPIO numbers of ``17``, ``17,18`` or ``5-8``."""
    for part in text.split(","):
        first, found, last = part.strip().partition("-")
        if first.isdecimal() and (not found or last.isdecimal()):
            yield from range(int(first), min(int(last or first), 63) + 1)
