"""The statistics of a fit, in 80 columns; pure."""

from __future__ import annotations

import math
import textwrap
from collections.abc import Mapping
from datetime import UTC, datetime, tzinfo
from typing import TYPE_CHECKING

from bottomheat.calibration.outcome import FACTOR

if TYPE_CHECKING:
    from bottomheat.calibration.advice import Next
    from bottomheat.calibration.fit import Fit
    from bottomheat.cli.calibrate_fit import Report
    from bottomheat.cli.calibrate_fit_data import Material, Taught

NORMAL_95 = 1.96
"""Quantile of the normal distribution: every uncertainty is known beforehand, none is estimated."""

NO_FIT = 0.001
"""A method whose scatter chance makes more seldom than this does not fit at all."""

WIDTH = 80


def details_text(report: Report, zone: tzinfo | None = None) -> list[str]:
    """Rows, residuals, intervals and methods.

    Args:
        report: what a fit says.
        zone: time zone; None is this machine's.
    """
    material = report.material
    lines = []
    if report.outcome.source == "borrowed probe" and material.taught is not None:
        lines += [*_session(report, material.taught, zone), ""]
    if material.made is not None:
        if lines:
            lines += ["Your readings by themselves, for comparison", ""]
        lines += [*_rows(material, material.made, zone), ""]
    if material.left_out:
        lines += ["Not used"]
        for out in material.left_out:
            lines += _wrapped(f"{out.number:>4}  {out.why}", "      ")
        lines.append("")
    if material.made is not None:
        lines += _statistics(report, material.made)
    return lines


def _when(material: Material, zone: tzinfo | None) -> Mapping[int, str]:
    return {
        each.number: datetime.fromtimestamp(each.wall_ms / 1000, UTC)
        .astimezone(zone)
        .strftime("%d %b %Y %H:%M")
        for each in material.references
    }


def _rows(material: Material, made: Fit, zone: tzinfo | None) -> list[str]:
    when = _when(material, zone)
    has_room = material.box.probes.room is not None
    lines = _wrapped(
        "Readings. x: wet layer less room, y: thermometer less room, both as the bases feel them; "
        "residual: reading less fit, in K and in its own standard deviations."
        if has_room
        else "Readings. y: thermometer less wet layer; residual: reading less their mean, in K and "
        "in its own standard deviations."
    )
    lines.append(
        f"{'no.':>4}  {'when':<17}  {'spot':<8}  {'room':>5}  {'x':>6}  {'y':>6}  {'U':>4}  "
        f"{'residual':>8}  {'s.d.':>5}"
    )
    for row, residual_k, z in zip(made.rows, made.residuals_k, made.standardised, strict=True):
        mark = "  !" if row.number in made.outliers else ""
        room = f"{row.room_c:.1f}" if has_room else "-"
        x = f"{row.x_k:.2f}" if has_room else "-"
        y = row.y_k if has_room else row.y_k - row.x_k
        lines.append(
            f"{row.number:>4}  {when.get(row.number, ''):<17}  {row.spot[:8]:<8}  {room:>5}  "
            f"{x:>6}  {y:>6.2f}  {2 * row.thermometer_k:>4.2f}  {residual_k:>+8.3f}  "
            f"{z:>+5.1f}{mark}"
        )
    return lines


def _statistics(report: Report, made: Fit) -> list[str]:
    material, line = report.material, made.line
    lines: list[str] = []
    one = next(method for method in made.methods if method.name == FACTOR)
    if material.box.probes.room is not None:
        half = NORMAL_95 * made.factor_error
        constant = f", constant part {line.intercept_k:+.3f} K" if made.with_intercept else ""
        lines += _wrapped(
            f"f = {line.factor:.4f}{constant}. f alone: standard error {made.factor_error:.4f}, "
            f"95 % from {line.factor - half:.4f} to {line.factor + half:.4f} (1.96, normal, as all "
            "uncertainties are known beforehand)."
        )
        rooms = {round(min(row.room_c for row in made.rows)): "coldest read in"}
        if material.coldest_c is not None:
            rooms[round(material.coldest_c)] = "coldest on record"
        for room_c, word in rooms.items():
            x_k = line.x_at(material.box.callus_zone_c, room_c)
            lines += _wrapped(
                f"Room of {room_c} °C ({word}): bases at the spot "
                f"± {NORMAL_95 * line.u_k(x_k):.2f} K, one more reading with the same "
                f"thermometer ± {NORMAL_95 * made.prediction_k(x_k):.2f} K (95 %, 1.96)."
            )
    if report.following is not None:
        lines += _rooms(report.following)
    if one.freedom:
        ratio = math.sqrt(one.chi_square / one.freedom)
        widened = "all is widened by it" if made.birge > 1.0 else "nothing is widened"
        lines += _wrapped(
            f"Scatter: chi-square {one.chi_square:.2f}, degrees of freedom {one.freedom} "
            f"(p = {one.p_value:.3f}), Birge ratio {ratio:.2f}: {widened}."
        )
    else:
        lines.append("Scatter: one reading says nothing of it.")
    if len(made.spots) > 1 and made.zone_k is not None:
        lines.append(
            f"Spots: {', '.join(made.spots)}; spread over the box ± {2 * made.zone_k:.2f} K "
            "(k = 2)."
        )
    lines += ["", "Methods on the same readings (AIC of heat-flow is not to be compared)"]
    lines.append(
        f"  {'':<29} {'value':>8}  {'s.e.':>6}  {'chi-sq.':>7}  {'free':>4}  {'p':>5}  {'AIC':>6}"
    )
    for method in made.methods:
        if material.box.probes.room is None and method.name.startswith(FACTOR):
            continue
        p = "-" if method.p_value is None else f"{method.p_value:.3f}"
        # What a method that does not fit at all makes of correlated errors is no offset.
        fits = method.p_value is None or method.p_value >= NO_FIT
        value, error = (f"{method.value:.4f}", f"{method.error:.4f}") if fits else ("-", "-")
        lines.append(
            f"  {method.name:<29} {value:>8}  {error:>6}  "
            f"{method.chi_square:>7.2f}  {method.freedom:>4}  {p:>5}  {method.aic:>6.2f}"
        )
    return lines


def _rooms(more: Next) -> list[str]:
    """What one more reading would do, by its room."""
    rooms = sorted(more.tried)
    shown = [*rooms[:: max(1, len(rooms) // 5)], more.room_c]
    told = ", ".join(f"{room_c:.0f} °C ± {more.tried[room_c]:.2f}" for room_c in sorted(set(shown)))
    return _wrapped(
        f"The whole box in a room of {more.at_c:.0f} °C: ± {more.now_k:.2f} K now (k = 2); with "
        f"one more reading in a room of {told} K."
    )


def _session(report: Report, taught: Taught, zone: tzinfo | None) -> list[str]:
    learned = taught.learned
    half = NORMAL_95 * learned.factor_uncertainty
    lines = _wrapped(
        f"Borrowed probe {taught.probe}: {learned.hours:.0f} h used, {learned.before_h:.0f} h of "
        f"record before it, rooms spanned {learned.room_span_k:.1f} K, wet layer "
        f"{learned.difference_k:.1f} K above the room on average."
    )
    lines += _wrapped(
        f"f = {learned.factor:.4f}, standard uncertainty {learned.factor_uncertainty:.4f}, 95 % "
        f"from {learned.factor - half:.4f} to {learned.factor + half:.4f} (1.96, normal); constant "
        f"part {learned.intercept_k:+.3f} K; lags {learned.room_lag_h:.2f} h (room) and "
        f"{learned.substrate_lag_h:.2f} h (wet layer)."
    )
    lines += _wrapped(
        f"Estimate about the borrowed probe: {learned.residual_rms_k:.3f} K RMS; scatter that "
        f"nothing explains {learned.scatter_k:.2f} K."
    )
    if learned.warm_up_h >= 0.5:
        lines.append(f"Left out: the first {learned.warm_up_h:.0f} h, while the bed warmed up.")
    for stretch in learned.left_out:
        moment = datetime.fromtimestamp(stretch.start_s, UTC).astimezone(zone)
        hours = (stretch.end_s - stretch.start_s) / 3600
        lines += _wrapped(f"Left out: {moment:%d %b %H:%M}, {hours:.1f} h: {stretch.why}.")
    for check in report.checks:
        word = "outside" if check.outside else "inside"
        lines.append(
            f"Reading no. {check.number}: {check.difference_k:+.2f} K, {word} ± "
            f"{check.expanded_k:.2f} K (k = 2)"
        )
    return lines


def _wrapped(text: str, indent: str = "  ") -> list[str]:
    return textwrap.wrap(text, WIDTH, subsequent_indent=indent)
