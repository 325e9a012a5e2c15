"""All finders of causes."""

from __future__ import annotations

from typing import Final

from bottomheat.review import finders_heat, finders_probes
from bottomheat.review.finders_heat import Finder

FINDERS: Final[tuple[Finder, ...]] = (*finders_probes.FINDERS, *finders_heat.FINDERS)
