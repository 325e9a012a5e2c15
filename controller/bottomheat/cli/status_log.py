"""What ``status`` shows while the service does not run: the last rows of the log."""

from __future__ import annotations

import json
from pathlib import Path

from bottomheat.cli.status_text import stamp
from bottomheat.config import Config
from bottomheat.errors import LogError
from bottomheat_drivers.log import LogReader


def last_seen(config: Config, *, as_json: bool) -> str:
    """The last known row of every box, as text or as one JSON object."""
    path = Path(config.log)
    seen: dict[str, dict[str, object]] = {}
    problem = None
    try:
        with LogReader(path) as reader:
            for name in config.chambers:
                row = reader.last_sample(name)
                if row is not None:
                    seen[name] = {
                        "wall_ms": row.wall_ms,
                        "estimate_c": None if row.estimate is None else row.estimate.celsius,
                        "condition": row.condition.value,
                    }
    except LogError as error:
        problem = str(error)
    if as_json:
        return json.dumps({"ok": False, "last": seen, "log": problem}, ensure_ascii=False, indent=2)
    lines = [f"{name}: last row {_row(row)}" for name, row in seen.items()]
    if problem is not None:
        lines.append(problem)
    return "\n".join(lines or ["The log has no rows yet."])


def _row(row: dict[str, object]) -> str:
    wall_ms, estimate = row["wall_ms"], row["estimate_c"]
    when = stamp(wall_ms, None) if isinstance(wall_ms, int) else "at an unknown time"
    bases = f"bases {estimate:.1f} °C" if isinstance(estimate, float) else "bases not known"
    return f"{when}, {bases}, {row['condition']}"
