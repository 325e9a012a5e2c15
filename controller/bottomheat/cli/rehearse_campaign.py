"""``bottomheat rehearse --campaign`` and ``--seasons``: many runs, shared among processes."""

from __future__ import annotations

import json
import sys
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

import click

from bottomheat.errors import InputError

USUAL_DAYS = 120.0


@dataclass(frozen=True, slots=True)
class Request:
    """What to do: faulted runs, fault-free seasons, or both."""

    runs: int
    seasons: int
    days: float
    seed: int
    jobs: int
    boxes: tuple[str, ...] = ()


def run(request: Request, *, as_json: bool) -> str:
    """Do it, and write the screen or one JSON object.

    Raises:
        InputError: a number is out of bounds, or a chamber failed.
    """
    from bottomheat import campaign
    from bottomheat.campaign_tables import campaign_plain, seasons_plain
    from bottomheat.cli import campaign_text
    from bottomheat.rehearse import LONGEST_DAYS
    from bottomheat_drivers.clock import SystemClock

    if not 0.0 < request.days <= LONGEST_DAYS:
        raise InputError(f"--days is {request.days:g}; give more than 0 and at most 400.")
    began_s = SystemClock().monotonic_s()
    boxes = request.boxes or None
    batches = campaign.draw(request.runs, request.seed, boxes) if request.runs else ()
    scenes = campaign.draw_seasons(request.seasons, request.seed, boxes)
    plain: dict[str, Any] = {"simulation": True, "seed": request.seed}
    parts = []
    if batches:
        tell = _progress(len(batches), "scene", quiet=as_json)
        done = campaign.share_out(campaign.do_batch, batches, request.jobs, tell)
        parts.append(campaign_text.render(done, request.seed))
        plain["campaign"] = campaign_plain(done)
    if scenes:
        seasons = [campaign.Season(scene, request.days) for scene in scenes]
        tell = _progress(len(seasons), "season", quiet=as_json)
        lived = campaign.share_out(campaign.do_season, seasons, request.jobs, tell)
        parts.append(campaign_text.seasons(lived))
        plain["seasons"] = seasons_plain(lived)
    wall_s = SystemClock().monotonic_s() - began_s
    if as_json:
        return json.dumps({**plain, "wall_s": wall_s}, allow_nan=False, ensure_ascii=False)
    return "\n\n".join((*parts, f"Calculated in {wall_s:.0f} s."))


def refuse(given: Sequence[str]) -> None:
    """Refuse what only a single rehearsal takes.

    Raises:
        InputError: something of it was given.
    """
    if given:
        raise InputError(
            f"{', '.join(given)} cannot go with --campaign or --seasons, which draw boxes, rooms "
            "and faults themselves; leave it out."
        )


def _progress(count: int, word: str, *, quiet: bool) -> Callable[[object], None]:
    """Say how far it is, on stderr, each tenth."""
    done = told = 0

    def tell(_: object) -> None:
        nonlocal done, told
        done += 1
        tenth = 10 * done // count
        if not quiet and tenth > told:
            told = tenth
            click.echo(f"{word} {done} of {count}", err=True)
            sys.stderr.flush()

    return tell
