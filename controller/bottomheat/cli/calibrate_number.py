"""Numbers as growers type them: with a point or a comma."""

from __future__ import annotations

import math
from typing import Any

import click


class Number(click.FloatRange):
    """A finite number within bounds; "24,8" is 24.8."""

    name = "number"

    def convert(
        self, value: Any, param: click.Parameter | None, ctx: click.Context | None
    ) -> float:
        """The number that was typed."""
        if isinstance(value, str):
            value = value.strip().replace(",", ".")
        number: float = super().convert(value, param, ctx)
        if not math.isfinite(number):
            self.fail(f"{value} is not a number.", param, ctx)
        return number
