"""``bottomheat tend``: say that a box is open, so that its readings are taken for that."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import UTC, datetime, tzinfo
from pathlib import Path
from typing import Any

import click

from bottomheat.cli import config_option
from bottomheat.durations import parse_duration_s, words
from bottomheat.errors import InputError
from bottomheat.protect.tending import DOING_WORDS, Doing, Lid


@click.command(short_help="Say that you open a box: fill, water, look, move.")
@click.argument("chamber")
@click.option(
    "--doing", type=click.Choice([doing.value for doing in Doing]), help="What you do at the box."
)
@click.option("--for", "long", metavar="TIME", help="How long: 30m unless said; up to 12h.")
@click.option(
    "--lid", type=click.Choice([lid.value for lid in Lid]), help="How the lid lies from now on."
)
@click.option("--note", metavar="TEXT", help="Anything to keep with it in the log.")
@click.option("--done", is_flag=True, help="It is over, earlier than said.")
@config_option
def command(
    chamber: str,
    doing: str | None,
    long: str | None,
    lid: str | None,
    note: str | None,
    done: bool,
    config_path: Path,
) -> None:
    """Say that you open CHAMBER, before you do, and for what.

    With --doing look, say, or --doing water --for 1h --note "2 litres, lukewarm".

    Until then, and until the bed has recovered, alarms that an open box would set off wait.
    Limits, the cutoff and lost probes do not wait.  Forgetting it is fine: what follows is then
    taken for a box that was opened, and needs no reset.

    Water and mains are close together in a box: keep plugs and the relay dry, and pull the mat's
    plug before you reach under it.
    """
    from bottomheat.app import control_path
    from bottomheat.errors import AlreadyRunningError, NotRunningError
    from bottomheat_drivers.clock import SystemClock
    from bottomheat_drivers.config_yaml import load_config
    from bottomheat_drivers.control_socket import ask

    request = request_of(chamber, doing, long, lid, note, done=done)
    config = load_config(config_path)
    running = True
    try:
        answer = ask(control_path(config), request)
    except NotRunningError as error:
        from bottomheat.offline import tend

        try:
            answer, running = tend(config, request), False
        except AlreadyRunningError:
            raise error from None  # it runs and does not answer: that is what to say
    if not answer.get("ok"):
        raise InputError(f"nothing is noted: {str(answer.get('error')).rstrip('.')}.")
    click.echo(told(answer, running=running, clock_set=SystemClock().synchronised()))


def request_of(
    chamber: str,
    doing: str | None,
    long: str | None,
    lid: str | None,
    note: str | None,
    *,
    done: bool,
) -> dict[str, Any]:
    """The request for the daemon.

    Raises:
        InputError: the options do not go together, or a value is not usable.
    """
    request: dict[str, Any] = {"do": "tend", "chamber": chamber}
    if done:
        if doing is not None or long is not None:
            raise InputError("--done says that it is over: leave --doing and --for out.")
        request["done"] = True
    elif doing is None:
        raise InputError(f"say what you do: --doing {'|'.join(Doing)}, or --done when it is over.")
    else:
        request["doing"] = doing
        if long is not None:
            request["for_s"] = parse_duration_s(long)
    if lid is not None:
        request["lid"] = lid
    if note is not None:
        request["note"] = note
    return request


def told(
    answer: Mapping[str, Any], *, running: bool, clock_set: bool, zone: tzinfo | None = None
) -> str:
    """What the answer means for the grower.

    Args:
        answer: what the daemon said to a request that it took.
        running: the service runs; otherwise only the log knows.
        clock_set: the wall clock can be trusted to say until when.
        zone: time zone of the clock time; None is this machine's.
    """
    name = answer["chamber"]
    lines = []
    if answer["over"]:
        lines.append(
            f"{name} is no longer tended; alarms wait until the bed has recovered."
            if answer["was_tended"]
            else f"{name} was not being tended."
        )
    else:
        long = words(answer["for_s"])
        when = f"for {long}"
        if clock_set:
            until = datetime.fromtimestamp(answer["until_ms"] / 1000, UTC).astimezone(zone)
            when = f"until {until:%H:%M} ({long})"
        lines.append(f"Tending {name} {when}: {DOING_WORDS[Doing(answer['doing'])]}.")
        lines.append(
            "Until then and until the bed has recovered, alarms about displaced probes and "
            "missing heat wait; limits, cutoff and lost probes do not."
        )
    lines += _lid(answer)
    if not running:
        lines.append(
            "The service is not running: there is no heat and no alarm. This is kept in the log "
            "and counts when it starts."
        )
    return "\n".join(lines)


def _lid(answer: Mapping[str, Any]) -> list[str]:
    lid, before = Lid(answer["lid"]), Lid(answer["lid_before"])
    if lid is Lid.ON:
        return [] if before is Lid.ON else ["The lid is on again."]
    as_before = "is still taken to be" if lid is before else "counts from now on as"
    return [
        f"The lid {as_before} {lid.value}: each position of the lid is a calibration of its own, "
        "so the estimate of the bases is worth less. When it is on again: --lid on."
    ]
