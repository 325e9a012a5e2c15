"""``bottomheat calibrate add``: a reading of a trusted thermometer at the bases."""

from __future__ import annotations

import sys
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from bottomheat.cli import config_option
from bottomheat.cli.calibrate_number import Number

if TYPE_CHECKING:
    from bottomheat.calibration.ageing import Ageing
    from bottomheat.calibration.ledger import Pairing, ReferenceEntry
    from bottomheat.calibration.pairing import Seen
    from bottomheat.config import ChamberConfig, Config, Correction
    from bottomheat_drivers.log import LogReader, SampleRow

USUAL_K = 0.5
"""A household thermometer, k = 2."""

BEFORE_MS = 72 * 3_600_000
AFTER_MS = 180_000
"""How much of the log a pairing looks at, before and after the reading, ms."""

PATIENCE_S = 5.0
LOOK_S = 0.1
"""How long the newest rows are waited for, and how often it is looked, s."""


@click.command(short_help="A reading of your thermometer at the bases.")
@click.option("--chamber", metavar="CHAMBER", help="The box; may be left out if there is one.")
@click.option(
    "--reference", "reading_c", type=Number(), required=True, metavar="°C", help="What it reads."
)
@click.option(
    "--uncertainty",
    "expanded_k",
    type=Number(0, 5),
    metavar="K",
    help=f"How far it may be off (k = 2); {USUAL_K:g} unless said, a household thermometer.",
)
@click.option("--spot", default="middle", show_default=True, help="middle, corner, or your word.")
@click.option("--depth-note", metavar="TEXT", default="", help="How deep the tip was, say.")
@click.option("--at", "when", metavar="TIME", help='14:20, "yesterday 14:20", "20m ago"; now.')
@click.option("--yes", is_flag=True, help="Do not ask, even if it is far from the estimate.")
@config_option
def command(
    chamber: str | None,
    reading_c: float,
    expanded_k: float | None,
    spot: str,
    depth_note: str,
    when: str | None,
    yes: bool,
    config_path: Path,
) -> None:
    """Keep what a thermometer that you trust reads at the bases, with what the probes showed then.

    Put its tip at the depth of the callus, in the middle of the box, close the lid over it and
    wait until it stands still, ten minutes say.  Read it as you lift the lid, not after.

    One reading on a mild day and one on a cold day say more than ten on the same day.
    """
    from bottomheat.calibration.ledger import ReferenceEntry
    from bottomheat.cli.calibrate_box import reader_of, service_answer, the_box
    from bottomheat.cli.calibrate_text import added, far_off
    from bottomheat.cli.calibrate_when import parse_ago_s
    from bottomheat.errors import RefusedError
    from bottomheat_drivers.clock import SystemClock
    from bottomheat_drivers.config_yaml import load_config

    clock = SystemClock()
    asked_ms = clock.wall_ms()
    ago_s = parse_ago_s(when or "now", asked_ms, None, clock_set=clock.synchronised())
    taken_ms = asked_ms - round(ago_s * 1000)
    config = load_config(config_path)
    name = the_box(config, chamber)
    _check(reading_c)
    if running := service_answer(config, {"do": "write-soon"}) is not None:
        _wait_for_rows(config, name, taken_ms)
    with reader_of(config) as reader:
        lid = reader.lid_at(name, taken_ms)
        entry = ReferenceEntry(
            chamber=name,
            spot=spot.strip().lower() or "middle",
            lid=lid,
            reading_c=reading_c,
            expanded_k=USUAL_K if expanded_k is None else expanded_k,
            note=depth_note,
            ago_s=0.0,
            pairing=_pairing(config, reader, name, lid, taken_ms),
        )
    if doubt := far_off(entry):
        click.echo(doubt)
        if sys.stdin.isatty() and not yes and not click.confirm("Keep it?", default=False):
            raise RefusedError("nothing is noted, as you wish.")
    _send(config, entry, (clock.wall_ms() - taken_ms) / 1000)
    number, age = _placed(config, entry, taken_ms)
    click.echo(added(entry, number, taken_ms, age))
    if doubt and number is not None:
        click.echo(f"  If it was wrong: bottomheat calibrate drop {number} --note wrong")
    if expanded_k is None:
        click.echo(
            f"  --uncertainty was not given: ±{USUAL_K:g} K is taken, as for a household "
            "thermometer. With it the bases can be known to about ±0.7 °C at this spot; with one "
            "that is good to ±0.1 K, to about ±0.3 °C."
        )
    if not running:
        click.echo("  The service is not running: there is no heat and no alarm. The log has it.")


def _check(reading_c: float) -> None:
    """Refuse a number that no bed can have.

    Raises:
        InputError: says what it may have been.
    """
    from bottomheat.cli.calibrate_text import in_celsius
    from bottomheat.errors import InputError
    from bottomheat.reference_request import READING_C

    lowest, highest = READING_C
    if lowest <= reading_c <= highest:
        return
    celsius = in_celsius(reading_c)
    hint = "" if celsius is None else f": {reading_c:g} °F would be {celsius:.1f} °C"
    raise InputError(
        f"a bed of {reading_c:g} °C is not possible; readings are in °C, {lowest:g} to "
        f"{highest:g}{hint}."
    )


def _wait_for_rows(config: Config, name: str, taken_ms: int) -> None:
    """Wait until what the service has just been asked to write can be read; says where it is not.

    Rows come once a cycle, so that the newest is about a cycle old.
    """
    from bottomheat.cli.calibrate_box import reader_of
    from bottomheat_drivers.clock import SystemClock

    clock = SystemClock()
    wanted_ms = min(taken_ms + AFTER_MS, clock.wall_ms()) - round(1500 * config.cycle_s)
    until_s = clock.monotonic_s() + PATIENCE_S
    newest: SampleRow | None = None
    while clock.monotonic_s() < until_s:
        with reader_of(config) as reader:
            newest = reader.last_sample(name)
        if newest is not None and newest.wall_ms >= wanted_ms:
            return
        clock.wait(LOOK_S)
    if newest is not None:
        click.echo("(The newest rows of the service have not reached the log yet.)", err=True)


def _pairing(config: Config, reader: LogReader, name: str, lid: str, taken_ms: int) -> Pairing:
    """What the log knew when the thermometer was read.

    Raises:
        InputError: it knew nothing near that time.
    """
    from bottomheat.calibration.pairing import pair
    from bottomheat.cli.in_doubt import InDoubt
    from bottomheat.protect.tending import Lid

    box, corrections = as_then(config, reader, name, taken_ms)
    offset, own = box.offset_with(Lid(lid))
    places = box.probes.by_place()
    rows = reader.samples(name, taken_ms - BEFORE_MS, taken_ms + AFTER_MS)
    tended_s = [row.wall_ms / 1000 for row in reader.tendings() if row.chamber == name]
    paired = pair(
        seen_of(sorted(rows, key=lambda row: row.wall_ms)),
        taken_ms / 1000,
        offset=offset,
        watts=box.heater.watts,
        probes={place.value: probe for place, probe in places.items()},
        corrections_k={
            place.value: corrections[probe].add_k
            for place, probe in places.items()
            if probe in corrections
        },
        calibrated=own and offset.calibrated,
        tended_s=tended_s,
    )
    if not InDoubt(reader, name).at(taken_ms, known=paired.estimate_c is not None):
        return paired
    return replace(
        paired,
        steady=False,
        why="the wet-layer probe was in doubt then: put it right, and read again once the bases "
        "are known",
    )


def as_then(
    config: Config, reader: LogReader, name: str, taken_ms: int
) -> tuple[ChamberConfig, Mapping[str, Correction]]:
    """The box and the corrections that were in force at a time, as far as the log kept them.

    The log keeps a config without its secrets, so that it need not be right as a whole.
    """
    from pydantic import ValidationError

    from bottomheat.config import ChamberConfig, Correction
    from bottomheat_drivers.config_yaml import check_text

    accepted = [row for row in reader.configs() if row.wall_ms <= taken_ms]
    plain = check_text(accepted[-1].text).plain if accepted else None
    data: Any = None if plain is None else plain.data
    try:
        box = ChamberConfig.model_validate(data["chambers"][name])
        corrections = {
            probe: Correction.model_validate(keys)
            for probe, keys in (data.get("corrections") or {}).items()
        }
    except (ValidationError, KeyError, TypeError, AttributeError):
        return config.chambers[name], config.corrections
    return box, corrections


def seen_of(rows: list[SampleRow]) -> list[Seen]:
    """The rows of the log as a pairing takes them: two wet-layer probes become one temperature."""
    from bottomheat.calibration.pairing import Seen
    from bottomheat.estimate import Estimator, control_substrate
    from bottomheat.model import Good, Place

    estimator, found = Estimator(), []
    for row in rows:
        good = {place: r.celsius for place, r in row.readings if isinstance(r, Good)}
        estimator, layer_c = control_substrate(
            estimator, good.get(Place.SUBSTRATE), good.get(Place.SUBSTRATE_2)
        )
        found.append(
            Seen(
                at_s=row.wall_ms / 1000,
                substrate_c=layer_c,
                room_c=good.get(Place.ROOM),
                heat=float(row.heat),
                estimate=row.estimate,
                setpoint_c=row.setpoint_c,
            )
        )
    return found


def _send(config: Config, entry: ReferenceEntry, ago_s: float) -> Mapping[str, Any]:
    from bottomheat.calibration.ledger import to_plain
    from bottomheat.cli.calibrate_box import entered

    request = {
        "do": "reference",
        "chamber": entry.chamber,
        "spot": entry.spot,
        "lid": entry.lid,
        "reading_c": entry.reading_c,
        "expanded_k": entry.expanded_k,
        "note": entry.note,
        "ago_s": ago_s,
        "pairing": to_plain(entry.pairing),
    }
    answer, _ = entered(config, request)
    return answer


def _placed(
    config: Config, entry: ReferenceEntry, taken_ms: int
) -> tuple[int | None, Ageing | None]:
    """The number that the reading got, and how its calibration stands with it.

    The service writes it at once, in a thread of its own; where it cannot be seen soon, None.
    """
    from bottomheat.cli.calibrate_box import reader_of
    from bottomheat.cli.calibrate_list import ages_of
    from bottomheat_drivers.clock import SystemClock

    clock = SystemClock()
    until_s = clock.monotonic_s() + PATIENCE_S
    while True:
        with reader_of(config) as reader:
            readings = reader.ledger(entry.chamber)
            mine = [
                reading
                for reading in readings
                if abs(reading.wall_ms - taken_ms) < AFTER_MS
                and abs(reading.entry.reading_c - entry.reading_c) < 0.001
            ]
            if mine:
                ages = ages_of(config, reader, readings)
                number = max(reading.number for reading in mine)
                return number, ages.get((entry.chamber, entry.lid))
        if clock.monotonic_s() > until_s:
            return None, None
        clock.wait(LOOK_S)
