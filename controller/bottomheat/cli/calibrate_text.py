"""How readings and learning sessions read on screen; pure."""

from __future__ import annotations

import math
import textwrap
from collections.abc import Mapping, Sequence
from datetime import UTC, datetime, tzinfo
from typing import Any

from bottomheat.calibration.ageing import FAR_OFF_K, Advice, Ageing, check
from bottomheat.calibration.ledger import USUAL_SPOT, Reference, ReferenceEntry, to_plain
from bottomheat.durations import words

WIDTH = 96
_FAHRENHEIT_C = (50.0, 100.0)
"""Numbers that could be °F from a shed."""


def moment(wall_ms: int, zone: tzinfo | None) -> str:
    """A wall time with its year: "16 Jan 2026 14:20"; ``zone`` None is this machine's."""
    return datetime.fromtimestamp(wall_ms / 1000, UTC).astimezone(zone).strftime("%d %b %Y %H:%M")


def listed(
    readings: Sequence[Reference],
    ages: Mapping[tuple[str, str], Ageing],
    zone: tzinfo | None = None,
) -> str:
    """The ledger, box by box.

    Args:
        readings: in order of time.
        ages: by box and position of the lid, how each calibration of the config stands.
        zone: time zone; None is this machine's.
    """
    if not readings:
        return (
            "No reading yet. Read a thermometer that you trust at the bases, in the middle of the "
            "box, and say: bottomheat calibrate add --reference 24.8"
        )
    lines = []
    for name in dict.fromkeys(reading.entry.chamber for reading in readings):
        own = [reading for reading in readings if reading.entry.chamber == name]
        lines += [name, *_table(own, zone)]
        lines += [
            line
            for (chamber, lid), age in ages.items()
            if chamber == name
            for line in standing(lid, age)
        ]
        lines.append("")
    if any(not reading.sure for reading in readings):
        lines.append("? the clock of this machine was not set then: the time may be wrong.")
    return "\n".join(lines).rstrip()


def _table(readings: Sequence[Reference], zone: tzinfo | None) -> list[str]:
    spots = max(4, *(len(reading.entry.spot) for reading in readings))
    lines = [
        f" no.  {'when':<18}  {'spot':<{spots}}  {'lid':<4}  room  layer  "
        f"{'read':<12}  {'estimate then':<13}  difference"
    ]
    for reading in readings:
        entry = reading.entry
        seen = check(reading)
        mark = "" if reading.sure else "?"
        when = moment(reading.wall_ms, zone) + mark
        read = _with(entry.reading_c, entry.expanded_k)
        estimate, apart = "none", ""
        if seen is not None:
            estimate = _with(entry.pairing.estimate_c, entry.pairing.expanded_k)
            apart = f"{seen.difference_k:+.1f} K" + ("  outside" if seen.outside else "")
        lines.append(
            f"{reading.number:>4}  {when:<18}  {entry.spot:<{spots}}  {entry.lid:<4}  "
            f"{_one(entry.pairing.room_c):>4}  {_one(entry.pairing.substrate_c):>5}  "
            f"{read:<12}  {estimate:<13}  {apart}".rstrip()
        )
        if reading.dropped is not None:
            lines += _under(f"DROPPED{': ' if reading.dropped else ''}{reading.dropped}")
        elif not entry.pairing.steady:
            lines += _under(f"not steady: {entry.pairing.why}")
        if entry.note:
            lines += _under(f"note: {entry.note}")
    return lines


def _under(text: str) -> list[str]:
    return textwrap.wrap(text, WIDTH, initial_indent="      ", subsequent_indent="        ")


def _with(celsius: float | None, expanded_k: float | None) -> str:
    if celsius is None:
        return "?"
    if expanded_k is None or not math.isfinite(expanded_k):
        return f"{celsius:.1f}"
    return f"{celsius:.1f} ± {_uncertainty(expanded_k)}"


def _uncertainty(expanded_k: float) -> str:
    """Two decimals where one would be 0.0 or hide half of it."""
    return f"{expanded_k:.1f}" if expanded_k >= 0.095 else f"{expanded_k:.2f}"


def _one(celsius: float | None) -> str:
    return "-" if celsius is None else f"{celsius:.1f}"


def standing(lid: str, age: Ageing) -> list[str]:
    """What the later readings say of one calibration."""
    many = len(age.checks)
    head = f"calibration with the lid {lid}: "
    if age.advice is Advice.FIT:
        text = f"FIT AGAIN: {age.why}."
    elif age.advice is Advice.READ:
        text = f"read again: {age.why}."
    elif many:
        newest = age.checks[-1]
        text = (
            f"holds by {many} reading{'' if many == 1 else 's'} since it was made (the newest "
            f"{newest.difference_k:+.1f} K off, E_n {newest.en:+.1f})."
        )
    else:
        text = "no steady reading from the middle of the box since it was made."
    return textwrap.wrap(head + text, WIDTH, initial_indent="  ", subsequent_indent="    ")


def as_data(
    readings: Sequence[Reference], ages: Mapping[tuple[str, str], Ageing]
) -> dict[str, Any]:
    """The ledger as one JSON object; temperatures °C, times UTC."""
    rows = []
    for reading in readings:
        entry, seen = reading.entry, check(reading)
        rows.append(
            {
                "number": reading.number,
                "taken": datetime.fromtimestamp(reading.wall_ms / 1000, UTC).isoformat(),
                "clock_sure": reading.sure,
                "chamber": entry.chamber,
                "spot": entry.spot,
                "lid": entry.lid,
                "reading_c": entry.reading_c,
                "expanded_k": entry.expanded_k,
                "note": entry.note,
                "dropped": reading.dropped,
                "difference_k": None if seen is None else seen.difference_k,
                "en": None if seen is None or math.isinf(seen.en) else seen.en,
                "outside": None if seen is None else seen.outside,
                "pairing": to_plain(entry.pairing),
            }
        )
    return {
        "readings": rows,
        "calibrations": [
            {
                "chamber": chamber,
                "lid": lid,
                "advice": age.advice.value,
                "why": age.why,
                "readings": [each.number for each in age.checks],
            }
            for (chamber, lid), age in ages.items()
        ],
    }


def added(
    entry: ReferenceEntry,
    number: int | None,
    taken_ms: int,
    age: Ageing | None,
    zone: tzinfo | None = None,
) -> str:
    """A reading that was just kept, and what it says.

    Args:
        entry: the reading.
        number: its number in the ledger, where it could be seen there.
        taken_ms: when it was taken, UTC ms.
        age: how the calibration that it speaks for stands now; None where there is none.
        zone: time zone; None is this machine's.
    """
    kept = "" if number is None else f" It is no. {number}."
    lines = [
        f"{entry.chamber}, {entry.spot}, lid {entry.lid}, {moment(taken_ms, zone)}: "
        f"{_with(entry.reading_c, entry.expanded_k)} °C.{kept}"
    ]
    pairing = entry.pairing
    room = "no room probe" if pairing.room_c is None else f"room {pairing.room_c:.1f}"
    lines.append(f"  wet layer {pairing.substrate_c:.1f}   {room}")
    elsewhere = entry.spot != USUAL_SPOT
    seen = check(Reference(0, taken_ms, True, entry, None))
    if seen is None:
        lines.append("  The service had no estimate of the bases then.")
    else:
        lines += _said(entry, seen.difference_k, seen.en, outside=seen.outside)
    if elsewhere:
        lines += _wrapped(
            "The estimate is for the middle of the box; a reading elsewhere shows the spread."
        )
    if pairing.steady:
        lines.append("  The box was steady: the reading can be used for a fit.")
    else:
        lines += _wrapped(f"Not steady, so it is not used for a fit: {pairing.why}.")
    if age is not None and not elsewhere:
        lines += standing(entry.lid, age)
    return "\n".join(lines)


def _said(entry: ReferenceEntry, difference_k: float, en: float, *, outside: bool) -> list[str]:
    pairing = entry.pairing
    estimate = _with(pairing.estimate_c, pairing.expanded_k)
    way = "as read"
    if abs(difference_k) >= 0.05:
        way = f"{abs(difference_k):.1f} K {'warmer' if difference_k > 0 else 'cooler'} as read"
    verdict = "outside what both allow" if outside else "within what both allow"
    number = "" if math.isinf(en) else f" (E_n {en:+.2f})"
    lines = _wrapped(f"The service took the bases for {estimate} °C: {way}, {verdict}{number}.")
    if not pairing.calibrated:
        lines += _wrapped(
            "That estimate came from no calibration for this lid: a difference is expected."
        )
    return lines


def far_off(entry: ReferenceEntry) -> str:
    """What to think of when a reading is far from the estimate; empty where it is not."""
    estimate_c = entry.pairing.estimate_c
    if estimate_c is None:
        estimate_c = entry.pairing.substrate_c
    away_k = entry.reading_c - estimate_c
    if abs(away_k) < FAR_OFF_K:
        return ""
    way = "above" if away_k > 0 else "below"
    text = (
        f"{entry.reading_c:.1f} °C is {abs(away_k):.0f} K {way} what the service took the bases "
        f"for ({estimate_c:.1f} °C). Was it {entry.chamber}, the right spot, the tip deep enough "
        "and left for some minutes"
    )
    celsius = in_celsius(entry.reading_c)
    if celsius is not None and abs(celsius - estimate_c) < FAR_OFF_K:
        return f"{text}, and °C? {entry.reading_c:g} °F would be {celsius:.1f} °C."
    return f"{text}?"


def in_celsius(reading: object) -> float | None:
    """What a number would be in °C if it was meant in °F; None where it cannot be."""
    if not isinstance(reading, int | float) or not _FAHRENHEIT_C[0] <= reading <= _FAHRENHEIT_C[1]:
        return None
    return (reading - 32.0) / 1.8


def begun(name: str, probe: str, for_s: float, bare: Sequence[str]) -> str:
    """A learning session that has begun.

    Args:
        name: of the box.
        probe: the borrowed one.
        for_s: how long it teaches, s.
        bare: probes of the box, and the borrowed one, that were never compared.
    """
    lines = [
        f"{name} learns from {probe} for {words(for_s)}; nothing is heated by it.",
        "  Put it at the depth of the callus, in the middle of the box, its cable out under the "
        "closed lid.",
        "  Leave the box closed as it usually is, and say when you open it (bottomheat tend).",
        "  It comes out again when the time is over.",
    ]
    if bare:
        lines += _wrapped(
            f"Not compared in one jar: {', '.join(dict.fromkeys(bare))}. Each may be 0.5 K off, "
            "and with the wet layer 10 K above the room two such errors can make f wrong by "
            "0.1. Better stop, put all of them into one jar (bottomheat calibrate jar), and "
            "begin again."
        )
    return "\n".join(lines)


def sessions(there: Mapping[str, Mapping[str, Any]]) -> str:
    """The learning sessions under way."""
    if not there:
        return (
            "No borrowed probe teaches at present. To begin: bottomheat calibrate learn --chamber "
            "BOX --probe 28-... --for 48h"
        )
    lines = []
    for name, each in there.items():
        last = each.get("last_c")
        now = "no reading yet" if last is None else f"{last:.1f} °C"
        lines.append(
            f"{name}: {each.get('probe')} reads {now}; {words(each.get('left_s') or 0.0)} left, "
            f"{each.get('rows', 0)} minutes kept"
        )
        if each.get("fault"):
            lines.append(f"  ! {each['fault']}: look at its plug and cable")
    return "\n".join(lines)


def _wrapped(text: str) -> list[str]:
    return textwrap.wrap(text, WIDTH, initial_indent="  ", subsequent_indent="    ")
