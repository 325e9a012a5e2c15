"""``bottomheat prove``: heat one box at a time and see whose probes answer."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

import click

from bottomheat.cli import config_option
from bottomheat.commission.proving import BASELINE_S, PULSE_S, WATCH_S, Phase
from bottomheat.errors import NotRunningError, RefusedError
from bottomheat.model import PLACE_WORDS, Place

Ask = Callable[[str], Mapping[str, Any]]
"""Sends the service one request, by what it is to do."""

TOLD_RISE_K = 0.1
"""Smallest rise that is worth a word: more than one count of a probe."""


@click.command(short_help="Heat one box at a time: do its own probes answer?")
@config_option
@click.option("--yes", is_flag=True, help="Do not ask: the boxes are at rest and closed.")
@click.option("--stop", "stopping", is_flag=True, help="Break off a proving run under way.")
@click.option(
    "--every",
    "every_s",
    type=click.FloatRange(min=0.05),
    default=5.0,
    show_default=True,
    help="How often to look, s.",
)
def command(config_path: Path, yes: bool, stopping: bool, every_s: float) -> None:
    """Prove that each relay heats the box that its probes lie in, and no other.

    There is no heat until the wiring is proved, and it is to be proved again when a probe, a plug
    or a relay has been moved.  Needs the running service.  Exit status 0: proved; 8: not proved, or
    refused, with the reason.
    """
    from bottomheat_drivers.control_socket import ask

    path = _control(config_path, must_be_right=not stopping)

    def request(do: str) -> Mapping[str, Any]:
        return ask(path, {"do": do})

    if stopping:
        request("prove-stop")
        click.echo("Proving is broken off; the relays are open, the wiring is as proved as before.")
        return
    try:
        _begin(request, yes=yes)
        answer = _follow(request, every_s)
    except KeyboardInterrupt:
        request("prove-stop")
        raise RefusedError(
            "proving was stopped by hand and the relay is open; start again with: bottomheat prove"
        ) from None
    _tell(answer)


def _control(config_path: Path, *, must_be_right: bool) -> Path:
    """Where the service listens; to stop, a config that is being worked on is good enough."""
    from bottomheat_drivers.config_yaml import load, refusal

    loaded = load(config_path)
    config = loaded.parsed.config
    if config is not None:
        return Path(config.run_folder) / "control.sock"
    if must_be_right:
        raise refusal(config_path, loaded.parsed)
    data = None if loaded.plain is None else loaded.plain.data
    named = data.get("run_folder") if isinstance(data, dict) else None
    return Path(named if isinstance(named, str) else "/run/bottomheat") / "control.sock"


def _begin(request: Ask, *, yes: bool) -> None:
    """Explain, ask and start; joins a run that is under way.

    Raises:
        RefusedError: the grower or the service does not want to, with the reason.
    """
    status = request("status")
    if status.get("proving"):
        click.echo("Proving is under way already; this shows how it goes. Ctrl-C stops it.")
        return
    if any(alarm.get("alarm") == "config-refused" for alarm in status.get("alarms") or ()):
        raise RefusedError(
            "the service still works by an older config, so the old wiring would be proved: "
            "restart it first (systemctl restart bottomheat), then prove"
        )
    click.echo(_explanation([box["name"] for box in status.get("chambers") or ()]))
    if status.get("proved"):
        click.echo("The wiring is proved already; if it now fails, heat stays off.")
    if not yes and not click.confirm("Are the boxes at rest and closed, and may it begin?"):
        raise RefusedError("nothing was started, as you wish; the wiring is as proved as before")
    answer = request("prove")
    if not answer.get("ok"):
        raise RefusedError(f"proving was not started: {answer.get('error')}")


def _explanation(chambers: list[str]) -> str:
    """What is going to happen, and how long it takes at most."""
    most_min = (BASELINE_S + PULSE_S + WATCH_S) / 60
    boxes = f"One after the other ({', '.join(chambers)})" if len(chambers) > 1 else "The box"
    each = "a box " if len(chambers) > 1 else ""
    return (
        f"{boxes} will be watched for {BASELINE_S / 60:.0f} minutes and heated for up to "
        f"{PULSE_S / 60:.0f} minutes; then we wait until the wet layer answers.\n"
        f"That takes {most_min:.0f} minutes {each}at most, and goes on as soon as it has "
        "answered.\nNo other box is heated meanwhile, and all protection stays on.\n"
        "The boxes should be at rest: closed, not watered or opened for an hour, not in the sun.\n"
        "Stay near: if a mat gets warm that should not, pull its plug. Ctrl-C stops it; closing "
        "this window does not."
    )


def _follow(request: Ask, every_s: float) -> Mapping[str, Any]:
    """Show how it goes until it is finished; returns the last answer."""
    from bottomheat_drivers.clock import SystemClock

    clock = SystemClock()
    start_s = clock.monotonic_s()
    told: tuple[str, ...] = ()
    verdicts = 0
    while True:
        try:
            answer = request("proving")
        except NotRunningError as error:
            raise NotRunningError(
                f"the service stopped answering while proving: {error}; then prove again"
            ) from None
        for verdict in list(answer.get("chambers") or ())[verdicts:]:
            verdicts += 1
            _verdict(verdict)
        if answer.get("finished"):
            return answer
        line = progress(answer)
        if line != told:
            told = line
            minutes = (clock.monotonic_s() - start_s) / 60
            click.echo(f"  {minutes:4.0f} min  {'   '.join(line)}")
        clock.wait(every_s)


def progress(answer: Mapping[str, Any]) -> tuple[str, ...]:
    """How a proving run stands, in pieces of a line; pure.

    Rises are told in half kelvins, so that a line is new only when something has happened.
    """
    pieces = [f"{answer.get('under_test')}: {answer.get('phase')}"]
    if answer.get("no_heat"):
        pieces.append(f"no heat at present: {answer['no_heat']}")
    if answer.get("phase") == Phase.BASELINE.value:
        return tuple(pieces)
    rises = answer.get("rises") or {}
    for key, rise_k in sorted(rises.items(), key=lambda item: -item[1]):
        half_k = round(rise_k * 2) / 2
        if half_k > TOLD_RISE_K:
            pieces.append(f"{_spoken(key)} +{half_k:.1f} K")
    return tuple(pieces)


def _spoken(key: str) -> str:
    chamber, _, place = key.rpartition(" ")
    try:
        return f"{chamber} {PLACE_WORDS[Place(place)]}"
    except ValueError:
        return key


def _verdict(verdict: Mapping[str, Any]) -> None:
    mark = "proved" if verdict.get("passed") else "NOT PROVED"
    click.echo(f"{verdict.get('chamber')}: {mark}")
    for line in verdict.get("lines") or ():
        click.echo(f"    {line}")


def _tell(answer: Mapping[str, Any]) -> None:
    """The end of it.

    Raises:
        RefusedError: not proved.
    """
    if "summary" not in answer:
        raise RefusedError(
            "the service was restarted while proving, so the run is lost: prove again"
        )
    if answer.get("passed"):
        click.echo("The wiring is proved: heat may flow. Watch the boxes for the first hours.")
        return
    raise RefusedError(
        f"{answer['summary']}; there is no heat until it is: look at the probes and plugs that are "
        "named above, put them right and prove again"
    )
