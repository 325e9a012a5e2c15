"""``bottomheat record``: what a batch or a box went through, and what that means."""

from __future__ import annotations

import json
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

import click

from bottomheat.cli import config_option
from bottomheat.errors import InputError

if TYPE_CHECKING:
    from bottomheat.cli.record_data import Material
    from bottomheat.cli.record_text import Shown
    from bottomheat.cli.season_view import View
    from bottomheat.review.thermal_time import Model
    from bottomheat.review.verdict import Verdict
    from bottomheat.season.ledger import Batch
    from bottomheat.season.night import Hole

LAST_DAYS = 7
"""Of a box so much is shown where nobody says from when."""


@click.command(short_help="What a batch or a box went through, and what it means.")
@click.argument("batch", required=False)
@click.option("--chamber", metavar="CHAMBER", help="A box, against its setpoint.")
@click.option("--from", "from_when", metavar="WHEN", help="Begin: 2027-01-05, 5jan, 3d ago.")
@click.option("--to", "to_when", metavar="WHEN", help="End; a day counts as a whole.")
@click.option(
    "--warmth", metavar="BASE", help="Degree-days above BASE °C, or `gdh`: growing-degree-hours."
)
@click.option("--need", "need_value", type=float, help="With --warmth: what your own batches took.")
@click.option("--json", "as_json", is_flag=True, help="One JSON object instead of text.")
@click.option(
    "--log",
    type=click.Path(path_type=Path),
    metavar="FILE",
    help="Another log, judged by the config that it holds.",
)
@config_option
def command(
    batch: str | None,
    chamber: str | None,
    from_when: str | None,
    to_when: str | None,
    warmth: str | None,
    need_value: float | None,
    as_json: bool,
    log: Path | None,
    config_path: Path,
) -> None:
    """Show time in band, below, above and unknown, and hours beyond each limit of the species.

    A batch is followed from box to box and from stage to stage.  Every length of time comes with
    the least and most that the estimate's uncertainty allows.  Without a name: a few lines for each
    batch that is open, and for each box over the last seven days.

    Temperature alone decides nothing: each verdict says what to look at.
    """
    from bottomheat.cli.record_text import as_data, brief, render
    from bottomheat.cli.season_view import view

    if batch is not None and chamber is not None:
        raise InputError("name a batch or --chamber, not both.")
    model = _model(warmth, need_value)
    seen = view(config_path, None, log)
    from_ms, to_ms = _window(seen, from_when, to_when)
    if batch is not None:
        found = [_of_batch(seen, _known(seen, batch), from_ms, to_ms, model)]
    elif chamber is not None:
        found = [_of_box(seen, chamber, from_ms, to_ms, model)]
    else:
        found = _all(seen, from_ms, to_ms, model)
    one = batch is not None or chamber is not None
    shown = [each for each in found if each is not None]
    if not shown:
        raise InputError(
            f"{batch or chamber} was nowhere in that time."
            if one
            else "there is nothing in that time; give another --from or --to."
        )
    if as_json:
        data = as_data(shown[0]) if one else {"records": [as_data(each) for each in shown]}
        click.echo(json.dumps(data, ensure_ascii=False, indent=2))
        return
    closed = [each.name for each in seen.season.batches.values() if not each.open]
    click.echo(render(shown[0]) if one else brief(shown, None, closed))


def _model(warmth: str | None, need_value: float | None) -> Model | None:
    from bottomheat.review.thermal_time import Form, Model

    if warmth is None:
        if need_value is not None:
            raise InputError("--need goes with --warmth BASE.")
        return None
    if warmth.strip().casefold() == "gdh":
        return Model(Form.GDH, need=need_value)
    try:
        base_c = float(warmth)
    except ValueError:
        shown = "".join(c if c.isprintable() else "?" for c in warmth[:24])
        raise InputError(
            f"'{shown}' is no base: write --warmth 10 for degree-days above 10 °C, or --warmth gdh."
        ) from None
    return Model(base_c=base_c, need=need_value)


def _window(
    seen: View, from_when: str | None, to_when: str | None
) -> tuple[int | None, int | None]:
    """From when to when, UTC ms; None: not said.

    Raises:
        InputError: no time, or one after the other.
    """
    from bottomheat.cli.batch_when import edge_ms

    edge = partial(edge_ms, now_ms=seen.now_ms, clock_set=seen.clock_sure)
    from_ms = None if from_when is None else edge(from_when, end=False)
    to_ms = None if to_when is None else min(edge(to_when, end=True), seen.now_ms)
    if from_ms is not None and from_ms >= (seen.now_ms if to_ms is None else to_ms):
        raise InputError("--from must be before --to, and before now.")
    return from_ms, to_ms


def _known(seen: View, name: str) -> Batch:
    batch = next(
        (each for each in seen.season.batches.values() if each.name.casefold() == name.casefold()),
        None,
    )
    if batch is None:
        shown = "".join(c if c.isprintable() else "?" for c in name[:32])
        known = ", ".join(seen.season.batches) or "none yet"
        hint = (
            f"; to see the box: bottomheat record --chamber {shown}"
            if name in seen.config.chambers
            else ""
        )
        raise InputError(f"there is no batch {shown}; the season has: {known}{hint}.")
    return batch


def _of_batch(
    seen: View, batch: Batch, from_ms: int | None, to_ms: int | None, model: Model | None
) -> Shown | None:
    from bottomheat.cli.record_data import of_batch
    from bottomheat.review.verdict import judge

    made = of_batch(seen.path, seen.config, batch, seen.now_ms, from_ms, to_ms, model=model)
    if made is None:
        return None
    return _shown(seen, batch.name, made, batch, judge(made.record, batch))


def _of_box(
    seen: View, name: str, from_ms: int | None, to_ms: int | None, model: Model | None
) -> Shown | None:
    from bottomheat.cli.record_data import of_box
    from bottomheat.season.ledger import DAY_MS
    from bottomheat_drivers.log import LogReader

    if name not in seen.config.chambers:
        known = ", ".join(seen.config.chambers)
        shown = "".join(c if c.isprintable() else "?" for c in name[:32])
        raise InputError(f"there is no chamber {shown}; the config has: {known}.")
    end_ms = seen.now_ms if to_ms is None else to_ms
    begin_ms = from_ms
    if begin_ms is None:
        with LogReader(seen.path) as reader:
            first_ms = min((run.began_wall_ms for run in reader.runs()), default=0)
        begin_ms = max(end_ms - LAST_DAYS * DAY_MS, first_ms)
    made = of_box(seen.path, seen.config, name, begin_ms, end_ms, model=model)
    return None if made is None else _shown(seen, name, made)


def _all(
    seen: View, from_ms: int | None, to_ms: int | None, model: Model | None
) -> list[Shown | None]:
    batches = [each for each in seen.season.batches.values() if each.open]
    return [
        *(_of_batch(seen, each, from_ms, to_ms, model) for each in batches),
        *(_of_box(seen, name, from_ms, to_ms, model) for name in seen.config.chambers),
    ]


def _shown(
    seen: View,
    name: str,
    made: Material,
    batch: Batch | None = None,
    verdict: Verdict | None = None,
) -> Shown:
    from bottomheat.cli.record_text import Shown

    return Shown(
        name=name,
        record=made.record,
        batch=batch,
        verdict=verdict,
        holes=_holes(seen, made),
        sure=made.sure,
        warmth=made.warmth,
        in_use=batch is not None or seen.config.chambers[name].in_use,
    )


def _holes(seen: View, made: Material) -> tuple[Hole, ...]:
    """Stretches without data where there should have been some."""
    from bottomheat.cli.season_view import holes_of
    from bottomheat.season.night import Hole

    found = holes_of(seen.path, made.record.from_ms, made.record.to_ms)
    pieces = [part.piece for part in made.record.parts if part.piece.unmeasured is None]
    return tuple(
        Hole(max(hole.from_ms, piece.from_ms), min(hole.to_ms, piece.to_ms), hole.cause)
        for piece in pieces
        for hole in found
        if hole.from_ms < piece.to_ms and hole.to_ms > piece.from_ms
    )
