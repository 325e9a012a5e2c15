"""``bottomheat capacity``: will the mat hold on the coldest night, and what does a winter take?"""

from __future__ import annotations

import json
import math
from pathlib import Path
from typing import TYPE_CHECKING

import click

from bottomheat.cli import config_option
from bottomheat.errors import InputError

if TYPE_CHECKING:
    from collections.abc import Mapping
    from typing import Any

    from bottomheat.capacity import Learned, Lift
    from bottomheat.cli.capacity_text import Asked
    from bottomheat.config import ChamberConfig, Config
    from bottomheat.rooms import RoomSeries
    from bottomheat.season.ledger import Season

COLDEST_C, WARMEST_C = -60.0, 40.0
SHED_LAG_H = 8.0
"""Of an unheated shed behind outdoor air: judgement, 4 to 12 h; nobody measured one."""


@click.command(short_help="Will the mat hold on the coldest night? What does a winter take?")
@click.option("--chamber", metavar="NAME", help="The box. [default: every box]")
@click.option(
    "--room",
    "room_c",
    type=float,
    metavar="°C",
    help="The room to ask about. [default: coldest_room of the config]",
)
@click.option(
    "--winter",
    "winter_path",
    type=click.Path(path_type=Path),
    help="CSV file of a winter's room: columns hours,room_c, as for rehearse --room.",
)
@click.option(
    "--outdoors",
    is_flag=True,
    help="The file is outdoor air, and the boxes stand in an unheated shed.",
)
@click.option(
    "--shed-lag",
    "shed_lag_h",
    type=float,
    help=f"With --outdoors: how far the shed lags behind, in hours. [default: {SHED_LAG_H:g}]",
)
@click.option(
    "--tariff", "tariff_per_kwh", type=float, metavar="PRICE", help="Price of a kWh, for the cost."
)
@click.option(
    "--from",
    "found_path",
    type=click.Path(path_type=Path),
    help="Go by what identify --json wrote, which has intervals, instead of the config.",
)
@click.option("--json", "as_json", is_flag=True, help="One JSON object instead of text.")
@config_option
def command(
    chamber: str | None,
    room_c: float | None,
    winter_path: Path | None,
    outdoors: bool,
    shed_lag_h: float | None,
    tariff_per_kwh: float | None,
    found_path: Path | None,
    as_json: bool,
    config_path: Path,
) -> None:
    """Say what each box needs in a cold room, and what its mat can carry.

    How much heat the setpoint takes there, the coldest room that can be carried and what binds in
    it, and what would do where it is not enough.  With a winter's course of the room: its energy
    and cost.  It is asked for the setpoint in force and, where batches stand in the box, for their
    next stage.
    """
    from dataclasses import replace

    from bottomheat.capacity import capacity, lift_of
    from bottomheat.cli import capacity_text as text
    from bottomheat.cli.calibrate_box import the_box
    from bottomheat.energy import energy
    from bottomheat_drivers.config_yaml import load_config

    config = load_config(config_path)
    names = list(config.chambers) if chamber is None else [the_box(config, chamber)]
    asked_c = _room(config, room_c)
    winter, course = _winter(winter_path, shed_lag_h, tariff_per_kwh, outdoors=outdoors)
    learned = _learned(config)
    told = None
    if found_path is not None:
        if len(names) > 1:
            raise InputError(f"{found_path} is about one box: say which with --chamber.")
        told = lift_in(found_path, names[0])
    season, now_ms = _season(config)
    boxes = []
    for name in names:
        chamber_now = config.chambers[name]
        lift = lift_of(chamber_now, learned.get(name))
        if told is not None:
            if told.mat_k_per_w is None:
                told = replace(
                    told,
                    mat_k_per_w=lift.mat_k_per_w,
                    mat_k_per_w_half=lift.mat_k_per_w_half,
                    mat_swing_k_per_w=lift.mat_swing_k_per_w,
                )
            lift = told
        asked: list[Asked] = []
        for whose, each in _setpoints(config, name, season, now_ms):
            spent = None
            if course is not None:
                spent = energy(each, lift, course.hours, course.celsius, tariff_per_kwh)
            asked.append(text.Asked(whose, capacity(each, lift, asked_c), spent))
        boxes.append(text.Box(name, chamber_now.heater.watts, lift, tuple(asked)))
    if as_json:
        data = text.as_data(boxes, asked_c, winter)
        click.echo(json.dumps(data, ensure_ascii=False, indent=2))
        return
    insulating: text.Insulating = ()
    if any(
        one.found is not None and one.found.remedy is not None for b in boxes for one in b.asked
    ):
        from bottomheat.insulation import measures

        insulating = (
            ("if there is only card", measures()),
            ("if 30 mm lie under the mat already", measures(30)),
        )
    click.echo(text.render(boxes, insulating, winter))


def _room(config: Config, room_c: float | None) -> float:
    if room_c is None:
        room_c = config.coldest_room_c
    if not (math.isfinite(room_c) and COLDEST_C <= room_c <= WARMEST_C):
        raise InputError(f"a room of {room_c:g} is not possible; give °C from -60 to 40.")
    return room_c


def _winter(
    path: Path | None,
    shed_lag_h: float | None,
    tariff_per_kwh: float | None,
    *,
    outdoors: bool,
) -> tuple[Any, RoomSeries | None]:
    from bottomheat.cli.capacity_text import Winter
    from bottomheat.cli.rehearse_inputs import read_room
    from bottomheat.rooms import damped

    if path is None:
        for option, given in (
            ("--outdoors", outdoors),
            ("--shed-lag", shed_lag_h is not None),
            ("--tariff", tariff_per_kwh is not None),
        ):
            if given:
                raise InputError(f"{option} is about a winter: give its file with --winter.")
        return None, None
    if tariff_per_kwh is not None and not 0.0 <= tariff_per_kwh < math.inf:
        raise InputError(f"--tariff {tariff_per_kwh:g} is no price of a kWh; give 0 or more.")
    if shed_lag_h is not None and not outdoors:
        raise InputError("--shed-lag is about outdoor air: say --outdoors too.")
    lag_h = SHED_LAG_H if shed_lag_h is None else shed_lag_h
    if not 0.0 < lag_h <= 240.0:
        raise InputError(f"--shed-lag {lag_h:g}: give hours above 0, 240 at most.")
    course = read_room(path)
    if len(course.hours) < 2:
        raise InputError(f"the room {path} has one line only; a winter needs two at least.")
    if outdoors:
        course = damped(course.hours, course.celsius, lag_h)
    return Winter(path.name, lag_h if outdoors else None, tariff_per_kwh), course


def lift_in(path: Path, name: str) -> Lift:
    """What ``identify --json`` wrote of a box, with its intervals.

    Raises:
        InputError: it is not that, it holds no model, or it is about another box.
    """
    from bottomheat.capacity import Basis, Lift

    try:
        data = json.loads(path.read_text(encoding="utf-8"))
    except OSError as error:
        raise InputError(f"{path} cannot be read ({error.strerror or error}).") from None
    except ValueError:
        data = None
    match data:
        case {"chamber": str(about)} if about != name:
            raise InputError(f"{path} is about {about}, not about {name}: --chamber {about}.")
        case {"found": {"response": {"gain_k_per_w": gain, **rest}, **more}}:
            pass
        case {"found": {"reasons": _}} | {"reasons": _}:
            raise InputError(
                f"{path} holds no model, because the record did not tell enough: identify again."
            )
        case _:
            raise InputError(f"{path} is not what bottomheat identify --json writes.")
    intervals = more.get("intervals")
    gain_k_per_w, load_k = _number(gain), _number(rest.get("load_k")) or 0.0
    mat = more.get("mat")
    if not isinstance(mat, dict) or (_number(mat.get("gain_k_per_w")) or 0.0) <= 0.0:
        mat = {}
    if gain_k_per_w is None or gain_k_per_w <= 0.0:
        raise InputError(f"the model in {path} cannot be true: its gain has to be above 0.")
    return Lift(
        gain_k_per_w,
        Basis.FILE,
        load_k,
        k_per_w_half=_half(intervals, "gain_k_per_w"),
        load_half_k=_half(intervals, "load_k") or 0.0,
        mat_k_per_w=_number(mat.get("gain_k_per_w")),
        mat_k_per_w_half=_half(mat, "interval"),
        mat_swing_k_per_w=_number(mat.get("swing_k_per_w")),
    )


def _half(intervals: object, name: str) -> float | None:
    match intervals.get(name) if isinstance(intervals, dict) else None:
        case [low, high] | {"low": low, "high": high}:
            ends = _number(low), _number(high)
        case _:
            return None
    if ends[0] is None or ends[1] is None or ends[1] < ends[0]:
        return None
    return 0.5 * (ends[1] - ends[0])


def _number(value: object) -> float | None:
    if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
        return None
    return float(value)


def _learned(config: Config) -> Mapping[str, Learned]:
    """What the running service has learned of each box; nothing where none answers."""
    from bottomheat.capacity import Learned
    from bottomheat.cli.calibrate_box import service_answer

    answer = service_answer(config, {"do": "status"}) or {}
    found = {}
    for chamber in answer.get("chambers", ()):
        match chamber.get("learned"):
            case {
                "full_power_rise_k": rise,
                "full_power_lead_k": lead,
                "hours": int() | float() as hours,
            }:
                found[str(chamber.get("name"))] = Learned(rise, lead, float(hours))
            case _:
                pass
    return found


def _season(config: Config) -> tuple[Season | None, int]:
    """The season in the log and the time; None where the log tells of none."""
    from bottomheat.cli.calibrate_box import reader_of
    from bottomheat.errors import LogError
    from bottomheat.season.ledger import fold
    from bottomheat_drivers.clock import SystemClock

    now_ms = SystemClock().wall_ms()
    try:
        with reader_of(config) as reader:
            return fold(reader.season_entries(), None), now_ms
    except LogError:
        return None, now_ms


def _setpoints(
    config: Config, name: str, season: Season | None, now_ms: int
) -> list[tuple[str, ChamberConfig]]:
    """The box at its present setpoint, and at the next stage's where that differs."""
    from dataclasses import replace

    from bottomheat.season.ledger import Spell
    from bottomheat.season.setpoint import lead_of, rule
    from bottomheat.season.stages import following

    box = config.chambers[name]
    inside = () if season is None else season.inside(name)
    lead = lead_of(inside, box.lead)
    if season is None or lead is None or box.setpoint_by == "config":
        return [("As the config says", box)]
    order = rule(config, name, season, now_ms)
    found = [
        (
            f"{lead.name} ({lead.species}, {lead.stage})",
            _at(box, order.setpoint_c, order.ceiling_c),
        )
    ]
    step = following(lead)
    if step is not None:
        later = replace(lead, stages=(*lead.stages, Spell(step, now_ms)))
        then = rule(
            config, name, replace(season, batches={**season.batches, lead.name: later}), now_ms
        )
        if (then.setpoint_c, then.ceiling_c) != (order.setpoint_c, order.ceiling_c):
            leads = then.lead or lead.name
            whose = f"Next, {step}" if leads == lead.name else f"Next, when {leads} leads"
            found.append((whose, _at(box, then.setpoint_c, then.ceiling_c)))
    return found


def _at(box: ChamberConfig, setpoint_c: float, ceiling_c: float) -> ChamberConfig:
    return box.model_copy(update={"callus_zone_c": setpoint_c, "layer_ceiling_c": ceiling_c})
