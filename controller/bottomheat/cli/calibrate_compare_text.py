"""How comparisons of probes read on screen; pure."""

from __future__ import annotations

import textwrap
from collections.abc import Mapping, Sequence

from bottomheat.calibration.comparing import Compared, Jar, Stretch, apart_k, together_k
from bottomheat.durations import words

WIDTH = 96
ROUND_UP_K = 0.005
LEAST_K = 0.01


def in_config_k(u_k: float) -> float:
    """An uncertainty as it is written down: two decimals, rounded up, never nothing."""
    return max(round(u_k + ROUND_UP_K - 1e-9, 2), LEAST_K)


def one(name: str, where: str, compared: Compared, before: tuple[float, float] | None) -> str:
    """One probe's comparison with the parts of its uncertainty.

    Args:
        name: of the probe.
        where: its place in words, or empty.
        compared: the comparison.
        before: correction and standard uncertainty that the config has now, K.
    """
    place = f" ({where})" if where else ""
    lines = [
        f"{name}{place} reads {compared.mean_c:.2f} °C where it should read "
        f"{compared.mean_c + compared.add_k:.2f} °C.",
        f"  add {compared.add_k:+.2f} K; standard uncertainty {in_config_k(compared.u_k):.2f} K "
        "(k = 1), made of:",
    ]
    width = max(len(part.what) for part in compared.parts)
    lines += [f"    {part.what:<{width}}   {part.u_k:.3f}" for part in compared.parts]
    if before is not None:
        lines.append(f"  in the config now: {before[0]:+.2f} K, uncertainty {before[1]:.2f} K")
    return "\n".join(lines)


def to_write(compared: Mapping[str, Compared], *, together: bool = False) -> str:
    """What belongs into the config.

    Args:
        compared: each probe's comparison.
        together: they lay in one jar, so that their differences are known better than each.
    """
    lines = ["In the config, not indented (or let --write do it):", "  corrections:"]
    for name, each in compared.items():
        apart = f", apart: {in_config_k(apart_k(each)):g}" if together else ""
        add = f"add: {round(each.add_k, 2):g}, uncertainty: {in_config_k(each.u_k):g}{apart}"
        lines.append(f"    {name}: {{{add}}}")
    return "\n".join(lines)


def whole_jar(
    found: Jar,
    seen: Mapping[str, Stretch],
    where: Mapping[str, Sequence[str]],
    expanded_k: float | None,
) -> str:
    """All probes of a jar.

    Args:
        found: the comparison.
        seen: their readings.
        where: their places in words.
        expanded_k: of the thermometer in the jar (k = 2), K; None where there was none.
    """
    first = next(iter(seen.values()))
    drift = first.slope_k_per_s * 60
    moved = (
        ""
        if abs(drift) < 0.01
        else f", the water {'warmed' if drift > 0 else 'cooled'} "
        + (f"by {abs(drift):.2f} K a minute")
    )
    by = "the mean of all" if expanded_k is None else "the thermometer"
    lines = [
        f"{len(seen)} probes in one jar at {found.at_c:.2f} °C ({by}), over "
        f"{words(first.long_s)}, {first.many} readings each{moved}.",
        "",
    ]
    places = {name: ", ".join(where.get(name, ())) or "not in the config" for name in seen}
    wide = max(len(each) for each in places.values())
    lines.append(f"{'probe':<15}   {'where':<{wide}}   reads    add      uncertainty (k = 1)")
    for name, each in found.probes.items():
        end = f"{each.add_k:+.2f} K   {in_config_k(each.u_k):.2f} K"
        if each.doubt:
            end = "doubted"
        lines.append(f"{name:<15}   {places[name]:<{wide}}   {each.mean_c:5.2f}   {end}")
    lines += [f"! {name}: {each.doubt}." for name, each in found.probes.items() if each.doubt]
    for text in _meaning(found, expanded_k):
        lines += ["", *textwrap.wrap(text, WIDTH)]
    return "\n".join(lines)


def _meaning(found: Jar, expanded_k: float | None) -> list[str]:
    good = [each for each in found.probes.values() if not each.doubt]
    if not good:
        return ["None of them can be relied on: nothing is noted or written."]
    apart = max(apart_k(each) for each in good)
    lines = [
        f"From the lowest to the highest they differ by {found.spread_k:.2f} K. Corrected, they "
        f"agree within {2 * apart:.2f} K (k = 2)."
    ]
    if expanded_k is None:
        lines.append(
            f"What all of them err together (up to {2 * found.together_k:.1f} K) no jar can show. "
            "For how far the bases lie between room and wet layer only their differences matter; "
            "a thermometer in the jar (--reference) narrows the rest."
        )
    elif expanded_k / 2 > together_k(len(good)):
        lines.append(
            f"The mean of these probes is known better (±{2 * together_k(len(good)):.1f} K) than a "
            f"thermometer that is good to ±{expanded_k:g} K: better without --reference."
        )
    return lines
