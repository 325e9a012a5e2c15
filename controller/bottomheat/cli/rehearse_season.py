"""``bottomheat rehearse --season``: a whole season on two boxes, and how to look on."""

from __future__ import annotations

import contextlib
import json
import logging
import shlex
import tempfile
import textwrap
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, tzinfo
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from bottomheat.errors import InputError

if TYPE_CHECKING:
    from bottomheat.cli.record_text import Shown
    from bottomheat.rehearse_season import Told

_WIDTH: Final = 80
_SETPOINT: Final = "setpoint "


@dataclass(frozen=True, slots=True)
class Change:
    """A setpoint that changed, or whose reason did: when, UTC ms, in which box, and the words."""

    at_ms: int
    box: str
    words: str


@dataclass(frozen=True, slots=True, eq=False)
class Season:
    """What there is to show of a season that was rehearsed."""

    log: Path
    seed: int
    batches: Sequence[Shown]
    changes: Sequence[Change]
    told: Told
    wall_s: float


def refuse(given: Mapping[str, object]) -> None:
    """Refuse what does not go with a season that has a story of its own.

    Raises:
        InputError: something of it was given.
    """
    found = [option for option, value in given.items() if value]
    if found:
        raise InputError(
            f"{', '.join(found)} cannot go with --season, whose boxes, shed and story are its own; "
            "leave it out."
        )


def run(
    log: Path | None, seed: int, *, as_json: bool, tell: Callable[[float], None] | None = None
) -> str:
    """Rehearse the season, and write the screen or one JSON object.

    Args:
        log: keep the log in this file; None: it is thrown away at the end.
        seed: of the weather and of the probes' noise.
        as_json: one JSON object instead of text.
        tell: told the days done.

    Raises:
        InputError: the log cannot be written.
    """
    with contextlib.ExitStack() as stack:
        path = log
        if path is None:
            folder = stack.enter_context(tempfile.TemporaryDirectory(prefix="bottomheat-"))
            path = Path(folder) / "season.sqlite"
        found = played(path, seed, tell)
    kept = log is not None
    if as_json:
        return json.dumps(as_data(found, kept=kept), allow_nan=False, ensure_ascii=False)
    return render(found, kept=kept)


def played(log: Path, seed: int, tell: Callable[[float], None] | None = None) -> Season:
    """Rehearse the season, and read back what came of it.

    Args:
        log: where it is kept.
        seed: of the weather and of the probes' noise.
        tell: told the days done.

    Raises:
        InputError: the log cannot be written.
    """
    from bottomheat import rehearse_season
    from bottomheat.cli.rehearse_inputs import require_free
    from bottomheat.errors import LogError
    from bottomheat_drivers.clock import SystemClock

    require_free(log)
    began_s = SystemClock().monotonic_s()
    try:
        with _quiet():
            told = rehearse_season.rehearse_season(log, seed=seed, on_day=tell)
    except LogError as error:
        raise InputError(f"the log of the rehearsal cannot be written: {error}") from None
    wall_s = SystemClock().monotonic_s() - began_s
    return Season(log, seed, _batches(log), setpoint_changes(log), told, wall_s)


@contextlib.contextmanager
def _quiet() -> Iterator[None]:
    """What the daemon says to its service manager is in the log; here it would be a flood."""
    daemon = logging.getLogger("bottomheat")
    level = daemon.level
    daemon.setLevel(logging.CRITICAL)
    try:
        yield
    finally:
        daemon.setLevel(level)


def _batches(path: Path) -> list[Shown]:
    """The record of every batch, as ``bottomheat record`` makes it."""
    from bottomheat.cli.record_data import of_batch
    from bottomheat.cli.record_text import Shown
    from bottomheat.cli.season_view import view
    from bottomheat.review.verdict import judge

    seen = view(path, None, path)  # the config is the one that the log holds
    found = []
    for batch in seen.season.batches.values():
        made = of_batch(seen.path, seen.config, batch, seen.now_ms)
        if made is not None:
            verdict = judge(made.record, batch)
            found.append(Shown(batch.name, made.record, batch, verdict, sure=made.sure))
    return found


def setpoint_changes(path: Path) -> list[Change]:
    """What the log says of setpoints, each with the rule's words, oldest first.

    Raises:
        LogError: the log cannot be read.
    """
    from bottomheat.model import EventKind
    from bottomheat_drivers.log import LogReader

    with LogReader(path) as reader:
        return [
            Change(row.wall_ms, row.event.chamber, row.event.text)
            for row in reader.events()
            if row.event.kind is EventKind.SEASON
            and row.event.chamber is not None
            and row.event.text.startswith(_SETPOINT)
        ]


def render(found: Season, *, kept: bool, zone: tzinfo | None = UTC) -> str:
    """The screen.

    Args:
        found: what there is to show.
        kept: whether the log stays.
        zone: of the times shown; None is this machine's.
    """
    from bottomheat.cli.record_text import brief
    from bottomheat.rehearse_season import CYCLE_S
    from bottomheat.season.season_story import BEGINS, ENDS, SEASON

    head = (
        f"Season {SEASON}, {BEGINS:%d %b %Y} to {ENDS:%d %b %Y}: two boxes in an invented cold "
        f"shed (seed {found.seed}). All of it is calculated; nobody has measured a real box "
        f"against it. Here the controller decides every {CYCLE_S / 60:g} minutes instead of every "
        "10 s, and the keeper only obeys. Times are UTC."
    )
    lines = [*textwrap.wrap(head, _WIDTH), "", brief(found.batches, zone), ""]
    lines += ["Setpoints of the callus zone, and why"]
    for change in found.changes:
        when = datetime.fromtimestamp(change.at_ms / 1000, UTC).astimezone(zone)
        start = f"{when:%d %b %H:%M}  {change.box.replace('-', ' '):<12}  "
        lines += textwrap.wrap(
            change.words, _WIDTH, initial_indent=start, subsequent_indent=" " * 28
        )
    if found.told.refused:
        lines += ["", "Not taken"]
        for sentence in found.told.refused:
            lines += textwrap.wrap(sentence, _WIDTH, initial_indent="  ", subsequent_indent="  ")
    lines += ["", *(_look_on(found.log) if kept else _look_on(None))]
    lines += ["", f"Calculated in {found.wall_s:.0f} s."]
    return "\n".join(lines)


def _look_on(log: Path | None) -> list[str]:
    if log is None:
        return ["To look at any of its days: keep the log, bottomheat rehearse --season --log FILE"]
    shown = shlex.quote(str(log))
    return [
        "Look on:",
        f"  bottomheat today --log {shown} --at 2027-02-13",
        f"  bottomheat record MUL-1 --log {shown}",
        f"  bottomheat compare MUL-1 MUL-2 --log {shown}",
        f"  bottomheat season show --log {shown}",
    ]


def as_data(found: Season, *, kept: bool) -> dict[str, Any]:
    """The season as plain data.

    Args:
        found: what there is to show.
        kept: whether the log stays.
    """
    from bottomheat.cli.record_text import as_data as record_data
    from bottomheat.season.season_story import BEGINS, ENDS, SEASON, to_ms

    return {
        "simulation": True,
        "season": SEASON,
        "from_ms": to_ms(BEGINS),
        "to_ms": to_ms(ENDS),
        "seed": found.seed,
        "log": str(found.log) if kept else None,
        "batches": [record_data(shown) for shown in found.batches],
        "setpoints": [
            {"at_ms": change.at_ms, "chamber": change.box, "text": change.words}
            for change in found.changes
        ],
        "commands": len(found.told.said),
        "not_taken": found.told.refused,
        "wall_s": found.wall_s,
    }
