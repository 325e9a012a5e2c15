"""What ``check`` says about the config file, cold nights, and how heat can be cut; pure."""

from __future__ import annotations

from pathlib import Path

from bottomheat.cli.findings import Finding, in_two, note, well, wrong
from bottomheat.config import LIMIT_MARGIN_K, MAT_RISE_PER_LAYER_RISE, ChamberConfig, Config, Parsed
from bottomheat.cycle import layer_cap
from bottomheat.operating_point import mat_ripple_k, operating_point
from bottomheat.regulate import tuning


def config_findings(parsed: Parsed, path: Path) -> list[Finding]:
    """Every problem and every warning of a config file, in the order of its lines."""
    found = [wrong(*in_two(problem.text())) for problem in parsed.problems]
    found += [note(*in_two(warning.text())) for warning in parsed.warnings]
    if parsed.config is None:
        return found
    boxes = ", ".join(parsed.config.chambers)
    return [well(f"{path} is accepted; it describes {boxes}"), *found]


def cold_night_findings(config: Config) -> list[Finding]:
    """Where each box works in the coldest room of the config, and on its way to the setpoint."""
    return [
        finding
        for name, box in config.chambers.items()
        for finding in (
            _cold_room(name, box, config.coldest_room_c),
            _warm_up(name, box, config),
        )
    ]


def relay_findings(config: Config) -> list[Finding]:
    """How heat can be cut in each box, by its relays and by who watches its mat."""
    return [
        finding
        for name, box in config.chambers.items()
        for finding in (_relays(name, box), *_mat_watched(name, box))
    ]


def _relays(name: str, box: ChamberConfig) -> Finding:
    if box.keeper.series_relay is None:
        return note(
            f"{name}: one relay. If its contact welds shut, no program can cut the heat: one relay "
            "is not enough to leave this box alone",
            "have somebody licensed to put a second relay in series, and name it under "
            "keeper.series_relay",
        )
    probe = (
        "the same mat probe as the service"
        if box.keeper.probe is None
        else "a mat probe of its own"
    )
    return well(
        f"{name}: two relays in series; the keeper opens the second by a rule of its own, on "
        f"{probe}"
    )


def _mat_watched(name: str, box: ChamberConfig) -> list[Finding]:
    """What cannot be seen in a box without a probe on its mat."""
    if box.probes.mat is not None or box.keeper.probe is not None:
        return []
    return [
        note(
            f"{name}: no probe lies on the mat, so a welded contact cannot be told from sun on the "
            "box, and a wet-layer probe that slips is noticed later",
            "put a probe on the mat and name it under probes.mat",
        )
    ]


def _cold_room(name: str, box: ChamberConfig, room_c: float) -> Finding:
    point = operating_point(box, room_c)
    ripple_k = mat_ripple_k(box.heater.window, box.heater.watts, box.model)
    swing = f" ± {ripple_k:.0f}" if ripple_k >= 1 else ""
    needs = (
        f"{name}: to feel {box.callus_zone_c:g} °C in a room of {room_c:g} °C, wet layer "
        f"{point.substrate_c:.0f} °C (ceiling {box.layer_ceiling_c:g}, limit "
        f"{box.limits.substrate_c:g}), mat {point.mat_c:.0f}{swing} °C"
        f" (limit {box.limits.mat_c:g})"
    )
    if point.duty is not None:
        needs += f", heat on {100 * min(point.duty, 1):.0f} % of the time"
    capped = point.substrate_c > layer_cap(box)
    return note(f"{needs}: more than its ceiling allows") if capped else well(needs)


def _warm_up(name: str, box: ChamberConfig, config: Config) -> Finding:
    """The mat near the end of a warm-up: full power under a wet layer that is nearly there.

    Full power keeps the mat above the wet layer by what was identified, else by
    (``MAT_RISE_PER_LAYER_RISE`` - 1) of the rise that it gives the layer in the end; that rise is
    the law's own figure.
    """
    layer_c = min(operating_point(box, config.coldest_room_c).substrate_c, layer_cap(box))
    lead_k = (MAT_RISE_PER_LAYER_RISE - 1) * tuning(box).rise_k
    identified = box.model is not None and box.model.mat_gain_k_per_w is not None
    if box.model is not None and box.model.mat_gain_k_per_w is not None:
        lead_k = box.model.mat_gain_k_per_w * box.heater.watts
    mat_c = layer_c + lead_k
    held_c = box.limits.mat_c - LIMIT_MARGIN_K
    known = "" if box.heater.full_power_rise_k or identified else ", calculated for a usual box"
    text = f"{name}: warming up at full power, mat up to {mat_c:.0f} °C{known}"
    if mat_c < held_c:
        return well(text)
    if box.probes.mat is not None:
        return well(
            f"{text}, so heat is held back at {held_c:g} °C, {LIMIT_MARGIN_K:g} below its limit"
        )
    return note(
        f"{text}: past its limit of {box.limits.mat_c:g} °C, less {LIMIT_MARGIN_K:g}, and no "
        "probe lies on the mat to hold it back",
        "put a probe on the mat and name it under probes.mat",
    )
