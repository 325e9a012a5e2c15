"""``bottomheat calibrate probe``: one probe against ice or a thermometer."""

from __future__ import annotations

from pathlib import Path

import click

from bottomheat.cli import config_option
from bottomheat.cli.calibrate_number import Number

USUAL_K = 0.5
"""A household thermometer, k = 2."""


@click.command(short_help="One probe in melting ice, or beside a thermometer.")
@click.argument("probe")
@click.option("--ice-point", "ice", is_flag=True, help="It lies in melting ice: 0 °C.")
@click.option(
    "--against",
    "reference_c",
    type=Number(-10, 60),
    metavar="°C",
    help="What the thermometer beside it reads.",
)
@click.option(
    "--uncertainty",
    "expanded_k",
    type=Number(0, 5),
    metavar="K",
    help=f"How far that thermometer may be off (k = 2); {USUAL_K:g} unless said.",
)
@click.option("--in-place", is_flag=True, help="The probe stays where it belongs: heat may go on.")
@click.option("--write", "writing", is_flag=True, help="Put the correction into the config.")
@click.option("--note", metavar="TEXT", default="", help="Anything to keep with it in the log.")
@click.option("--for", "long", metavar="TIME", default="2m", show_default=True, help="How long.")
@click.option("--timeout", metavar="TIME", default="20m", show_default=True, help="At the most.")
@click.option(
    "--every", "every_s", type=click.FloatRange(min=0.05), default=2.0, show_default=True, help="s"
)
@config_option
def command(
    probe: str,
    ice: bool,
    reference_c: float | None,
    expanded_k: float | None,
    in_place: bool,
    writing: bool,
    note: str,
    long: str,
    timeout: str,
    every_s: float,
    config_path: Path,
) -> None:
    """Find what has to be added to the readings of PROBE, and how well that is known.

    --ice-point: fill a thermos with finely crushed ice and a little cold water, more ice than
    water, stir, and put the tip deep into the middle without touching the wall.  It tells the
    error at 0 °C; at 25 °C that is right to about 0.1 K.

    --against: put the probe's tip at the bulb of a thermometer that you trust, best in a jar of
    stirred water at about 25 °C, and give what it reads at the end.

    Electronics stay dry: only the sealed steel tip of a probe goes into the water.
    """
    from bottomheat.calibration.comparing import against, ice_point, unsteady
    from bottomheat.calibration.ledger import ProbeCheck
    from bottomheat.cli.calibrate_compare_text import in_config_k, one, to_write
    from bottomheat.cli.calibrate_heat import places_of, refuse_heat
    from bottomheat.cli.calibrate_keep import keep, writable, write
    from bottomheat.cli.calibrate_reads import found_probes, raw_reader, until_steady
    from bottomheat.durations import parse_duration_s, words
    from bottomheat.errors import RefusedError
    from bottomheat_drivers.clock import SystemClock
    from bottomheat_drivers.config_yaml import load_config

    if ice == (reference_c is not None):
        raise click.UsageError("say either --ice-point or --against with the thermometer's °C.")
    if ice and (expanded_k is not None or in_place):
        raise click.UsageError("--uncertainty and --in-place go with --against.")
    window_s, timeout_s = parse_duration_s(long), parse_duration_s(timeout)
    config = load_config(config_path)
    text = writable(config_path) if writing else ""
    devices = Path(config.w1_devices)
    bits = found_probes(devices, [probe])[probe].resolution_bits

    def may_go_on(*, begun: bool = True) -> None:
        if not in_place:
            refuse_heat(config, [probe], begun=begun)

    may_go_on(begun=False)
    click.echo(f"Reading {probe} until it has been steady for {words(window_s)}.")
    with raw_reader(devices, [probe]) as read:
        seen = until_steady(
            read,
            SystemClock(),
            lambda lines: unsteady(lines[probe]),
            names=[probe],
            window_s=window_s,
            every_s=every_s,
            timeout_s=timeout_s,
            may_go_on=may_go_on,
        )[probe]
    if reference_c is None:
        found, how, at_c = ice_point(seen, bits=bits), "ice point", 0.0
    else:
        if expanded_k is None:
            click.echo(
                f"--uncertainty was not given: ±{USUAL_K:g} K is taken, as for a household "
                "thermometer."
            )
        expanded_k = USUAL_K if expanded_k is None else expanded_k
        found, how, at_c = against(seen, reference_c, expanded_k, bits=bits), "against", reference_c
    where = places_of(config)
    before = config.corrections.get(probe)
    stands = None if before is None else (before.add_k, before.uncertainty_k)
    click.echo(one(probe, ", ".join(where.get(probe, ())), found, stands))
    if found.doubt:
        raise RefusedError(f"this is not noted and not written: {found.doubt}.")
    check = ProbeCheck(probe, how, round(found.add_k, 2), in_config_k(found.u_k), at_c, note)
    keep(config, {probe: check})
    if writing:
        write(config_path, text, config, {probe: check})
    else:
        click.echo(to_write({probe: found}))
    if probe in where and not in_place:
        click.echo("Put it back into its own place before the service starts.")
