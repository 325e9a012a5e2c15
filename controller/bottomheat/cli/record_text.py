"""How a thermal record reads on screen, in 80 columns, and as data; pure."""

from __future__ import annotations

import math
import re
import textwrap
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from datetime import UTC, datetime, tzinfo
from typing import Any, Final

from bottomheat.review.exposure import WIDEST_K, Exposure, Extreme, Side
from bottomheat.review.parts import Beyond, Excursion, Part, Span, Unknown
from bottomheat.review.pieces import SETPOINT, TARGET
from bottomheat.review.record import ThermalRecord
from bottomheat.review.thermal_time import Form, Index
from bottomheat.review.verdict import RULES, Level, Verdict, length, stretch
from bottomheat.season.ledger import UNHEATED, Batch, Stage, Zone
from bottomheat.season.night import Hole
from bottomheat.season.said import made_of

WIDTH: Final = 80
_LABEL: Final = 11
_STUCK: Final = "\N{NO-BREAK SPACE}"
"""Holds a number and its unit on one line; printed as a space."""
_SHORT_H: Final = 1 / 60
_MINUTES_H: Final = 5 / 60
"""Thinned rows are of a minute or of ten."""
_MOST_HOLES: Final = 3
_CAUSES: Final = {
    "power": "power cut",
    "stopped": "service stopped",
    "log failed": "log not written",
    "unknown": "no data, cause not known",
}
_COMMAND: Final = re.compile(r"bottomheat [\w -]+")
LIMIT_WORDS: Final[Mapping[str, str]] = {
    "slow_below_c": "grows slowly",
    "stops_below_c": "hardly grows",
    "warm_limit_c": "too warm",
    "injury_c": "harm, if for a day",
    "kills_c": "death, if for hours",
    "frost_c": "frost",
    "cold_wet_c": "rot, if for days and wet",
    "hot_c": "harm to any, if for a day",
    "deadly_c": "death, if for hours",
    "ceiling_c": "wet layer at its ceiling",
}
THROW_NOTHING: Final = "Temperature alone is no reason to throw anything away: the test decides."


@dataclass(frozen=True, slots=True)
class Shown:
    """A record with what belongs to it on screen.

    Attributes:
        name: of the batch or box.
        record: it.
        batch: None: it is about a box.
        verdict: of a batch.
        holes: stretches of the window without data, with their causes.
        sure: whether a synchronised clock places the rows.
        warmth: the index, if it was asked for.
        in_use: of a box, whether the config has it in use.
    """

    name: str
    record: ThermalRecord
    batch: Batch | None = None
    verdict: Verdict | None = None
    holes: tuple[Hole, ...] = ()
    sure: bool = True
    warmth: Index | None = None
    in_use: bool = True


def render(shown: Shown, zone: tzinfo | None = None) -> str:
    """One record; ``zone`` None is this machine's."""
    lines = _head(shown, zone)
    if shown.verdict is not None:
        lines += ["", *_verdict(shown.verdict)]
    lines += ["", *_times(shown, zone)]
    if shown.record.limits:
        lines += ["", *_limits(shown.record, zone)]
    if shown.warmth is not None:
        lines += ["", *_warmth(shown.warmth)]
    if not shown.sure:
        lines += _wrapped(
            "! ", "The clock was not set for some of this: its dates may be wrong.", "  "
        )
    return "\n".join(lines)


def brief(shown: Sequence[Shown], zone: tzinfo | None = None, closed: Sequence[str] = ()) -> str:
    """A few lines for each record, and the names of the batches that are closed."""
    lines: list[str] = []
    for each in shown:
        lines += [*_head(each, zone)[:2]]
        if each.verdict is not None:
            lines += _row("Verdict", each.verdict.words)
            for finding in each.verdict.findings[:1]:
                lines += _wrapped("  - ", finding.words, "    ")
            if each.verdict.level >= Level.CHECK:
                lines += _row("Test", _whole(each.verdict.test))
        lines += _in_band(each.record)
        lines += _row(_part_of(each.batch), _extremes(each.record, zone))
        lines.append("")
    if closed:
        lines += _row("Closed", ", ".join(closed))
    lines.append("All of one:  bottomheat record NAME   or   bottomheat record --chamber NAME")
    return "\n".join(lines)


def as_data(shown: Shown) -> dict[str, Any]:
    """The record as plain data; times UTC ms, temperatures °C, lengths of time h."""
    record = shown.record
    batch = shown.batch
    data: dict[str, Any] = {
        "name": shown.name,
        "about": "box" if batch is None else "batch",
        "clock_sure": shown.sure,
        "in_band_fraction": record.in_band_frac,
        **asdict(record),
        "above": _exposure_data(record.above),
        "below": _exposure_data(record.below),
        "parts": [_part_data(each) for each in record.parts],
        "limits": [_limit_data(each, record) for each in record.limits],
        "gaps": [asdict(hole) for hole in shown.holes],
    }
    if batch is not None:
        data |= {"species": batch.species, "kind": batch.kind, "count": batch.count}
    if shown.verdict is not None:
        data["verdict"] = asdict(shown.verdict) | {"level": shown.verdict.level.name.lower()}
        data["verdict"]["findings"] = [
            asdict(each) | {"level": each.level.name.lower()} for each in shown.verdict.findings
        ]
    if shown.warmth is not None:
        data["warmth"] = {
            "form": shown.warmth.model.form,
            "base_c": shown.warmth.model.base_c,
            "need": shown.warmth.model.need,
            "amount": shown.warmth.amount,
            "share": shown.warmth.share,
        }
    found: dict[str, Any] = _plain(data)
    return found


def _plain(value: object) -> Any:
    """The same without what JSON has no word for."""
    if isinstance(value, Mapping):
        return {str(key): _plain(each) for key, each in value.items()}
    if isinstance(value, list | tuple):
        return [_plain(each) for each in value]
    if isinstance(value, float) and not math.isfinite(value):
        return None
    return value


def _part_data(part: Part) -> dict[str, Any]:
    piece = part.piece
    return {
        "place": piece.place,
        "stage": piece.stage,
        "from_ms": piece.from_ms,
        "to_ms": piece.to_ms,
        "band_c": piece.band_c,
        "band_by": piece.band_by,
        "unmeasured": piece.unmeasured,
        "known_h": part.known_h,
        "unknown_h": part.unknown_h,
        "in_band": asdict(part.in_band),
        "above": _exposure_data(part.above),
        "below": _exposure_data(part.below),
        "mean_c": part.mean_c,
        "energy_kwh": part.energy_kwh,
        "closings": part.closings,
        "excursions": [asdict(each) for each in part.excursions],
    }


def _limit_data(out: Beyond, record: ThermalRecord) -> dict[str, Any]:
    wants = next((p.piece.needs for p in record.parts if p.piece.stage is out.stage), None)
    source = None if wants is None else wants.sources.get(out.name)
    told = None if source is None else {"confidence": source.confidence, "text": source.text}
    data = asdict(out) | _exposure_data(out.out) | {"source": told}
    del data["out"]
    return data


def _exposure_data(out: Exposure) -> dict[str, Any]:
    """Without the stretches at its edges, which only matter for adding up."""
    return {
        "hours": out.hours,
        "degree_hours": out.degree_hours,
        "longest_h": out.longest_h,
        "first_ms": out.first_ms,
    }


def _head(shown: Shown, zone: tzinfo | None) -> list[str]:
    record, batch = shown.record, shown.batch
    if batch is None:
        title = f"{shown.name.upper()}, against its setpoint"
        if not shown.in_use:
            title += " (not in use now: no heat)"
    else:
        state = batch.stage if batch.open else "closed"
        made = made_of(batch.species, batch.kind, batch.count)
        title = f"{shown.name}  {made}, {state}"
    hours = (record.to_ms - record.from_ms) / 3_600_000
    lines = [
        *_wrapped("", title, "  "),
        f"{_date(record.from_ms, zone)} to {_date(record.to_ms, zone)} ({length(hours)})",
    ]
    if batch is not None:
        for part in record.parts:
            piece = part.piece
            place = "no heat" if piece.place == UNHEATED else piece.place
            lines += _wrapped("  ", f"{_day(piece.from_ms, zone)}  {place}, {piece.stage}", "    ")
    return lines


def _verdict(verdict: Verdict) -> list[str]:
    lines = _row("Verdict", verdict.words)
    for finding in verdict.findings:
        lines += _wrapped("  - ", finding.words, "    ")
    lines += _row("Test", _whole(verdict.test))
    lines += _wrapped("Not measured: ", "; ".join(verdict.not_measured), " " * _LABEL)
    if verdict.level >= Level.CHECK:
        lines += _wrapped("", THROW_NOTHING, "")
    return lines


def _times(shown: Shown, zone: tzinfo | None) -> list[str]:
    record = shown.record
    lines = _in_band(record)
    if record.known_h > 0:
        for label, span, out in (
            ("Below", record.below_span, record.below),
            ("Above", record.above_span, record.above),
        ):
            if out.hours >= _SHORT_H:
                lines += _row(label, f"{stretch(span)}, {out.degree_hours:.1f} K·h")
            else:
                lines += _row(label, _never(span))
    lines += _unknown(shown, zone)
    lines += _row(_part_of(shown.batch), _extremes(record, zone))
    worst, longest = record.worst, record.longest
    if worst is not None and worst.episode.hours >= _SHORT_H:
        lines += _row("Worst", _excursion(worst, record, zone))
        if longest is not None and longest is not worst:
            lines += _row("Longest", _excursion(longest, record, zone))
        if record.excursions > 1:
            lines += _row("", f"{record.excursions} times out of band in all")
    heated_h = record.known_h + record.unknown_h
    share = f"on {100 * record.heat_h / heated_h:.0f} % of the time, " if heated_h > 0 else ""
    of = "" if shown.batch is None else " (of its boxes, for all that stood in them)"
    energy = f"{record.energy_kwh:.2f}" if record.energy_kwh < 10 else f"{record.energy_kwh:.0f}"
    lines += _row("Heat", f"{share}{energy} kWh, {record.closings} closings{of}")
    return [*lines, *_thinned(record)]


def _thinned(record: ThermalRecord) -> list[str]:
    """What is not known as well as it was measured, because the log has thinned it."""
    if record.thinned_h < _SHORT_H:
        return []
    grain = "10 min" if record.grain_h > _MINUTES_H else "1 min"
    exact = "in band, below and above" if _by_setpoint(record) else "known, mean, coldest, hottest"
    return _row(
        "Thinned",
        f"of {length(record.thinned_h)} the log keeps a row each {grain}: {exact} are as measured, "
        f"hours beyond other limits lie between the bounds given, moments are right to {grain}",
    )


def _by_setpoint(record: ThermalRecord) -> bool:
    return all(part.piece.band_c is None for part in record.parts)


def _part_of(batch: Batch | None) -> str:
    return "Unions" if batch is not None and batch.zone is Zone.UNION else "Bases"


def _in_band(record: ThermalRecord) -> list[str]:
    if record.known_h <= 0.0 or record.in_band_frac is None:
        return _row("In band", "not known: nothing was measured")
    share = record.in_band_frac
    # Never 100 % where a minute was out of it.
    percent = 100 if share >= 1.0 - 1e-9 else min(99.9, math.floor(1000 * share) / 10)
    text = f"{stretch(record.in_band)}, {percent:g} % of what is known: {_bands(record)}"
    return _row("In band", text)


def _bands(record: ThermalRecord) -> str:
    found: dict[str, None] = {}
    for part in record.parts:
        piece = part.piece
        if piece.unmeasured is not None:
            continue
        stage = f" {piece.stage}" if piece.stage is not None else ""
        if piece.band_c is None or piece.band_by == SETPOINT:
            found[f"within 0.5 K of the setpoint{stage}"] = None
            continue
        mark = "" if piece.needs is None or piece.band_by == TARGET else piece.needs.mark("band_c")
        by = " with your own target" if piece.band_by == TARGET else f" {mark}"
        found[f"{piece.band_c[0]:g}-{piece.band_c[1]:g} °C{stage}{by}"] = None
    return ", ".join(found)


def _unknown(shown: Shown, zone: tzinfo | None) -> list[str]:
    record = shown.record
    lines: list[str] = []
    if record.unknown_h >= _SHORT_H:
        text = f"{length(record.unknown_h)}, counted neither in band nor out of it"
        lines += _row("Unknown", text)
        longest = sorted(record.unknown, key=lambda each: -each.hours)[:_MOST_HOLES]
        for each in sorted(longest, key=lambda each: each.from_ms):
            lines += _row("", _gap(each, shown.holes, zone))
        if len(record.unknown) > _MOST_HOLES:
            lines += _row("", f"{len(record.unknown) - _MOST_HOLES} shorter ones")
    if shown.batch is not None:
        lines += _boxes(record, zone)
    return lines


def _gap(each: Unknown, holes: Sequence[Hole], zone: tzinfo | None) -> str:
    inside = [hole for hole in holes if hole.from_ms < each.to_ms and hole.to_ms > each.from_ms]
    cause = max(inside, key=lambda hole: hole.hours).cause if inside else ""
    # Rows without an estimate are no hole of the log.
    what = _CAUSES.get(cause, "no data" if inside else each.why or "no estimate")
    text = f"{what} {_day(each.from_ms, zone)} to {_day(each.to_ms, zone)} ({length(each.hours)})"
    if each.before_c is not None and each.after_c is not None:
        text += f": {each.before_c:.1f} °C before, {each.after_c:.1f} after"
    return text


def _boxes(record: ThermalRecord, zone: tzinfo | None) -> list[str]:
    """Where to see what the boxes did while the batch stood at another height."""
    stays: list[tuple[str, int, int]] = []
    for part in record.parts:
        piece = part.piece
        if piece.unmeasured is None or piece.place == UNHEATED:
            continue
        if stays and stays[-1][0] == piece.place and stays[-1][2] == piece.from_ms:
            stays[-1] = (piece.place, stays[-1][1], piece.to_ms)
        else:
            stays.append((piece.place, piece.from_ms, piece.to_ms))
    lines = ["What its boxes did then:"] if stays else []
    for place, *window in stays:
        begin, end = (
            datetime.fromtimestamp(at_ms / 1000, UTC).astimezone(zone).date() for at_ms in window
        )
        lines.append(f"  bottomheat record --chamber {place} --from {begin} --to {end}")
    return lines


def _extremes(record: ThermalRecord, zone: tzinfo | None) -> str:
    if record.coldest is None or record.hottest is None or record.mean_c is None:
        return "not known"
    return (
        f"mean {record.mean_c:.1f}, coldest {_extreme(record.coldest, zone)}, "
        f"hottest {_extreme(record.hottest, zone)}"
    )


def _extreme(each: Extreme, zone: tzinfo | None) -> str:
    known = each.expanded_k < WIDEST_K
    doubt = f" ± {each.expanded_k:.1f} °C" if known else " °C, nobody knows how surely,"
    return f"{each.celsius:.1f}{doubt} {_day(each.at_ms, zone)}".replace(" ", _STUCK)


def _excursion(each: Excursion, record: ThermalRecord, zone: tzinfo | None) -> str:
    episode = each.episode
    side = "below" if episode.side is Side.BELOW else "above"
    edge = "the band" if each.edge_c is None else f"{each.edge_c:g} °C"
    edges = {at for part in record.parts for at in (part.piece.from_ms, part.piece.to_ms)}
    begun = "no data before" if episode.cut_start and episode.from_ms not in edges else ""
    ended = "no data after" if episode.cut_end and episode.to_ms not in edges else ""
    open_ended = ", ".join(word for word in (begun, ended) if word)
    cut = f"; {open_ended}" if open_ended else ""
    return (
        f"{episode.worst_k:.1f} K {side} {edge} in {each.place}, {_day(episode.from_ms, zone)} to "
        f"{_day(episode.to_ms, zone)} ({length(episode.hours)}{cut})"
    )


def _limits(record: ThermalRecord, zone: tzinfo | None) -> list[str]:
    lines = []
    for stage in {each.stage: None for each in record.limits}:
        lines += [f"Limits, {stage}", *_limits_of(stage, record, zone)]
    return lines


def _limits_of(stage: Stage, record: ThermalRecord, zone: tzinfo | None) -> list[str]:
    lines = []
    for out in record.limits:
        # What holds for any species is told where it was reached.
        general = out.name in ("frost_c", "cold_wet_c", "hot_c", "deadly_c")
        if out.stage is not stage or (general and out.span.hours < _SHORT_H):
            continue
        wants = next((p.piece.needs for p in record.parts if p.piece.stage is stage), None)
        mark = RULES[out.name].own if out.name in RULES else ""
        if wants is not None and out.name in wants.sources:
            mark = wants.mark(out.name)
        limit = f"{out.side} {out.limit_c:g} °C"
        text = f"{limit:<13} {LIMIT_WORDS[out.name]} {mark}".rstrip()
        lines += _wrapped("  ", f"{text}: {_beyond(out, zone)}", "    ")
    return lines


def _beyond(out: Beyond, zone: tzinfo | None) -> str:
    if out.span.hours < _SHORT_H:
        return _never(out.span)
    first = "" if out.first_ms is None else f", first {_day(out.first_ms, zone)}"
    return f"{stretch(out.span)}, {out.degree_hours:.1f} K·h{first}"


def _never(span: Span) -> str:
    if span.most_h < _SHORT_H:
        return "never"
    return f"not by the estimate; up to {length(span.most_h)} possible"


def _warmth(warmth: Index) -> list[str]:
    model = warmth.model
    if model.form is Form.LINEAR:
        text = f"{warmth.amount:.1f} degree-days above {model.base_c:g} °C"
    else:
        text = f"{warmth.amount:.0f} growing-degree-hours (Anderson et al. 1986, for buds)"
    if warmth.share is not None:
        text += f", {100 * warmth.share:.0f} % of your own figure of {model.need:g}"
    text += "; an index to compare your batches by, no forecast"
    return _row("Warmth", text)


def _row(label: str, text: str) -> list[str]:
    return _wrapped(f"{label:<{_LABEL}}", text, " " * _LABEL)


def _wrapped(first: str, text: str, later: str) -> list[str]:
    lines = textwrap.wrap(
        text,
        WIDTH,
        initial_indent=first,
        subsequent_indent=later,
        break_long_words=False,
        break_on_hyphens=False,
    )
    return [line.replace(_STUCK, " ") for line in lines]


def _whole(text: str) -> str:
    """Keep a command in the text on one line."""
    return _COMMAND.sub(lambda found: found[0].replace(" ", _STUCK), text)


def _date(wall_ms: int, zone: tzinfo | None) -> str:
    then = datetime.fromtimestamp(wall_ms / 1000, UTC).astimezone(zone)
    return f"{then:%a} {then.day} {then:%b %Y %H:%M}"


def _day(wall_ms: int, zone: tzinfo | None) -> str:
    then = datetime.fromtimestamp(wall_ms / 1000, UTC).astimezone(zone)
    return f"{then:%a} {then.day} {then:%b %H:%M}"
