"""A fit as one JSON object; pure."""

from __future__ import annotations

import math
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any

from bottomheat.cli.calibrate_fit_text import notes, opening

if TYPE_CHECKING:
    from bottomheat.cli.calibrate_fit import Report
    from bottomheat.cli.calibrate_fit_data import Material


def as_data(report: Report) -> dict[str, Any]:
    """The answer as one JSON object; temperatures °C, differences and uncertainties K."""
    material, outcome, trust = report.material, report.outcome, report.trust
    more, taught = report.following, material.taught
    return {
        "chamber": material.name,
        "lid": material.lid.value,
        "method": outcome.method,
        "source": outcome.source,
        "lines": opening(report),
        "notes": notes(report),
        "set": {key: value for key, value in outcome.values.items() if value is not None},
        "possible": not report.wrong,
        "wrong": list(report.wrong),
        "zone": {"u_k": outcome.zone.u_k, "source": outcome.zone.source},
        "trust": None
        if trust is None
        else {
            "rooms_c": trust.rooms_c,
            "expanded_k": trust.expanded_k,
            "coldest_room_c": trust.coldest_c,
            "expanded_coldest_k": trust.coldest_k,
        },
        "one_more": None
        if more is None
        else {
            "needed": more.needed,
            "room_c": more.room_c,
            "at_room_c": more.at_c,
            "expanded_now_k": more.now_k,
            "expanded_then_k": more.then_k,
            "expanded_with_room_k": {f"{room_c:g}": k for room_c, k in more.tried.items()},
        },
        "disagree": None
        if report.against is None
        else {
            "difference_k": report.against.difference_k,
            "expanded_k": report.against.expanded_k,
            "outside": report.against.outside,
        },
        "borrowed_probe": None
        if taught is None
        else {
            "probe": taught.probe,
            "begin": datetime.fromtimestamp(taught.begin_s, UTC).isoformat(),
            "end": datetime.fromtimestamp(taught.end_s, UTC).isoformat(),
            "running": taught.running,
            "hours": taught.learned.hours,
            "rooms_c": taught.rooms_c,
            "residual_rms_k": taught.learned.residual_rms_k,
            "checks": [
                {
                    "number": check.number,
                    "difference_k": check.difference_k,
                    "expanded_k": check.expanded_k,
                    "outside": check.outside,
                }
                for check in report.checks
            ],
        },
        **_rows_data(material),
    }


def _rows_data(material: Material) -> dict[str, Any]:
    made = material.made
    found: dict[str, Any] = {
        "left_out": [{"number": out.number, "why": out.why} for out in material.left_out],
        "rows": [],
        "fit": None,
        "methods": [],
    }
    if made is None:
        return found
    for row, residual_k, z in zip(made.rows, made.residuals_k, made.standardised, strict=True):
        found["rows"].append(
            {
                "number": row.number,
                "spot": row.spot,
                "room_c": row.room_c if math.isfinite(row.room_c) else None,
                "difference_k": row.x_k if math.isfinite(row.room_c) else None,
                "residual_k": residual_k,
                "standardised": z,
                "outlier": row.number in made.outliers,
            }
        )
    found["fit"] = {
        "factor": made.line.factor,
        "factor_error": made.factor_error,
        "intercept_k": made.line.intercept_k,
        "with_intercept": made.with_intercept,
        "birge": made.birge,
        "zone_u_k": made.zone_k,
    }
    found["methods"] = [
        {
            "name": method.name,
            "value": method.value,
            "error": method.error,
            "chi_square": method.chi_square,
            "freedom": method.freedom,
            "p_value": method.p_value,
            "aic": method.aic,
        }
        for method in made.methods
    ]
    return found
