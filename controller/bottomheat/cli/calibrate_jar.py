"""``bottomheat calibrate jar``: all probes together in one jar of water."""

from __future__ import annotations

from pathlib import Path

import click

from bottomheat.cli import config_option
from bottomheat.cli.calibrate_number import Number

USUAL_K = 0.5
"""A household thermometer, k = 2."""


@click.command(short_help="All probes in one jar of water: correct each.")
@click.argument("probes", nargs=-1, metavar="[PROBE ...]")
@click.option(
    "--reference",
    "reference_c",
    type=Number(0, 50),
    metavar="°C",
    help="What a thermometer in the same jar reads in the middle of it.",
)
@click.option(
    "--uncertainty",
    "expanded_k",
    type=Number(0, 5),
    metavar="K",
    help=f"How far that thermometer may be off (k = 2); {USUAL_K:g} unless said.",
)
@click.option("--write", "writing", is_flag=True, help="Put the corrections into the config.")
@click.option("--note", metavar="TEXT", default="", help="Anything to keep with it in the log.")
@click.option("--for", "long", metavar="TIME", default="10m", show_default=True, help="How long.")
@click.option("--timeout", metavar="TIME", default="60m", show_default=True, help="At the most.")
@click.option(
    "--every", "every_s", type=click.FloatRange(min=0.05), default=2.0, show_default=True, help="s"
)
@config_option
def command(
    probes: tuple[str, ...],
    reference_c: float | None,
    expanded_k: float | None,
    writing: bool,
    note: str,
    long: str,
    timeout: str,
    every_s: float,
    config_path: Path,
) -> None:
    """Compare all probes on the bus, or the named ones, in one jar of water at about 25 °C.

    Do it before the probes go into the boxes, in a warm kitchen.  Tie all tips together, hang them
    into the middle of a litre of water, stir now and then.  Borrowed probes belong in too.

    There must be no heat meanwhile: with its probes in a jar nobody measures the bed.  Stop the
    service before (systemctl stop bottomheat) and start it when every probe is back.

    Electronics stay dry: only the sealed steel tips go into the water.
    """
    from bottomheat.calibration.comparing import apart_k, jar, jar_unsteady
    from bottomheat.calibration.ledger import ProbeCheck
    from bottomheat.cli.calibrate_compare_text import in_config_k, to_write, whole_jar
    from bottomheat.cli.calibrate_heat import places_of, refuse_heat
    from bottomheat.cli.calibrate_keep import keep, writable, write
    from bottomheat.cli.calibrate_reads import found_probes, raw_reader, until_steady
    from bottomheat.durations import parse_duration_s, words
    from bottomheat.errors import InputError, RefusedError
    from bottomheat_drivers.clock import SystemClock
    from bottomheat_drivers.config_yaml import load_config

    if reference_c is None and expanded_k is not None:
        raise click.UsageError("--uncertainty goes with --reference.")
    window_s, timeout_s = parse_duration_s(long), parse_duration_s(timeout)
    config = load_config(config_path)
    text = writable(config_path) if writing else ""
    devices = Path(config.w1_devices)
    where = places_of(config)
    found_on_bus = found_probes(devices, probes)
    missing = [] if probes else [name for name in where if name not in found_on_bus]
    if missing:
        told = ", ".join(f"{name} ({', '.join(where[name])})" for name in missing)
        raise InputError(
            f"not on the bus: {told}. Look at plug and cable, or name the probes that are in the "
            "jar."
        )
    names = list(found_on_bus)
    if len(names) < 2:
        raise InputError(
            "there is one probe only, and nothing to compare it with: bottomheat calibrate probe "
            "compares it with ice or a thermometer."
        )
    refuse_heat(config, names)
    click.echo(
        f"Reading {len(names)} probes until they have been steady for {words(window_s)}. "
        "Stir now and then."
    )
    with raw_reader(devices, names) as read:
        seen = until_steady(
            read,
            SystemClock(),
            jar_unsteady,
            names=names,
            window_s=window_s,
            every_s=every_s,
            timeout_s=timeout_s,
            may_go_on=lambda: refuse_heat(config, names, begun=True),
        )
    if reference_c is not None and expanded_k is None:
        expanded_k = USUAL_K
        click.echo(
            f"--uncertainty was not given: ±{USUAL_K:g} K is taken, as for a household thermometer."
        )
    bits = {name: each.resolution_bits for name, each in found_on_bus.items()}
    found = jar(seen, reference_c, expanded_k or 0.0, bits)
    click.echo(whole_jar(found, seen, where, expanded_k))
    good = {name: each for name, each in found.probes.items() if not each.doubt}
    if not good:
        raise RefusedError("nothing is noted and nothing is written: every probe is doubted.")
    checks = {
        name: ProbeCheck(name, "jar", round(c.add_k, 2), in_config_k(c.u_k), found.at_c, note)
        for name, c in good.items()
    }
    apart = {name: in_config_k(apart_k(each)) for name, each in good.items()}
    keep(config, checks)
    if writing:
        write(config_path, text, config, checks, apart)
    else:
        click.echo(to_write(good, together=True))
    if any(name in where for name in names):
        click.echo(
            "Put every probe back into its own place before the service starts: bottomheat probes "
            "--find tells which is which. Then prove the wiring again: bottomheat prove."
        )
