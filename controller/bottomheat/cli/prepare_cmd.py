"""``bottomheat prepare``: one walk from a wired box to one that is known and ready for the cold."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import click

from bottomheat.cli import config_option
from bottomheat.cli.prepare_walk import AFTER_IDENTIFY, WHAT, Facts, Step
from bottomheat.errors import UNWELL, BottomheatError


@click.command(short_help="One walk: prove, identify, tune, capacity, limits.")
@click.option("--chamber", metavar="CHAMBER", help="The box; may be left out if there is one.")
@click.option(
    "--skip",
    "skips",
    metavar="STEP=REASON",
    multiple=True,
    help='Leave a step out, and why: --skip identify="runs since today".',
)
@click.option("--again", is_flag=True, help="Forget what was left out before.")
@click.option("--show", is_flag=True, help="Only say how it stands.")
@click.option("--yes", is_flag=True, help="Do not ask; never begins an experiment by itself.")
@click.option("--json", "as_json", is_flag=True, help="How it stands, as one JSON object.")
@config_option
def command(
    chamber: str | None,
    skips: tuple[str, ...],
    again: bool,
    show: bool,
    yes: bool,
    as_json: bool,
    config_path: Path,
) -> int:
    """Walk through all that makes a box ready, and say in three sentences what it comes to.

    \b
    1  prove     each relay heats the box that its probes lie in
    2  identify  how the box answers heat and room: from its log, or by a step
    3  tune      the heat is governed as this box needs it
    4  capacity  the mat holds on the coldest night
    5  limits    limits and ceiling fit the coldest night

    Break it off and run it again as you like: it goes on where it stood.  A step that you leave out
    keeps its reason.  Exit status 0: done or left out; 1: there is something to see to.
    """  # noqa: D301 (click takes the mark for: leave these lines as they are)
    from bottomheat.cli.calibrate_box import the_box
    from bottomheat.cli.prepare_facts import facts_of, keep_skipped, parsed_skips, skipped
    from bottomheat.cli.prepare_walk import as_data, closing, progress
    from bottomheat_drivers.config_yaml import load_config

    wanted = parsed_skips(skips)
    config = load_config(config_path)
    name = the_box(config, chamber)
    if again or wanted:
        before = {} if again else skipped(config_path).get(name, {})
        trouble = keep_skipped(config_path, name, {**before, **wanted})
        if trouble:
            said = f"(Why steps are left out could not be kept: {trouble}; call it with sudo)"
            click.echo(said, err=True)
    facts = _with(facts_of(config_path, name), wanted)
    if as_json:
        click.echo(json.dumps(as_data(facts), ensure_ascii=False, indent=2))
        return 0 if facts.well else UNWELL
    if not show:
        facts = _walk(config_path, facts, wanted, yes=yes)
    click.echo(progress(facts))
    click.echo()
    for sentence in closing(facts):
        click.echo(_wrapped(sentence))
    return 0 if facts.well else UNWELL


def _walk(config_path: Path, facts: Facts, wanted: dict[Step, str], *, yes: bool) -> Facts:
    """Do what is left, one after the other, until somebody says later."""
    from bottomheat.cli.prepare_facts import facts_of, keep_skipped
    from bottomheat.cli.prepare_walk import to_do

    tried: set[Step] = set()
    while left := [step for step in to_do(facts) if step not in tried]:
        step = left[0]
        tried.add(step)
        if step is Step.TUNE and not facts.model:
            click.echo(f"3  tune: {AFTER_IDENTIFY}.\n")
            continue
        choice = "yes" if yes else _asked(step)
        if choice == "later":
            break
        if choice == "skip":
            why = " ".join(str(click.prompt("Why is it left out")).split()).rstrip(".")
            wanted[step] = why
            trouble = keep_skipped(config_path, facts.name, {**facts.skipped, **wanted})
            if trouble:
                click.echo(f"(That could not be kept: {trouble})", err=True)
        else:
            _do(step, config_path, facts.name, yes=yes)
        click.echo()
        facts = _with(facts_of(config_path, facts.name), wanted)
    return facts


def _asked(step: Step) -> str:
    number = list(Step).index(step) + 1
    click.echo(f"{number}  {step.value}: {WHAT[step]}.")
    choice: str = click.prompt(
        "Do it now", type=click.Choice(["yes", "skip", "later"]), default="yes"
    )
    return choice


def _do(step: Step, config_path: Path, name: str, *, yes: bool) -> None:
    """Run the command of a step; what goes wrong is told, and the walk goes on."""
    try:
        match step:
            case Step.PROVE:
                from bottomheat.cli import prove_cmd

                _run(prove_cmd.command, config_path, yes=yes)
            case Step.IDENTIFY:
                _identify(config_path, name, yes=yes)
            case Step.TUNE:
                from bottomheat.cli import tune_cmd

                _run(tune_cmd.command, config_path, chamber=name, write=True)
            case _:
                pass
    except BottomheatError as error:
        click.echo(_wrapped(f"{step.value}: {error}"))
    except click.Abort:
        click.echo(f"\n{step.value}: broken off.")


def _identify(config_path: Path, name: str, *, yes: bool) -> None:
    """From the log; where that does not tell, from the last experiment, or by a new step."""
    from bottomheat.cli import identify_cmd

    command = identify_cmd.command
    try:
        _run(command, config_path, chamber=name, from_log=True, write=True)
    except BottomheatError as error:
        click.echo(_wrapped(str(error)))
    else:
        return
    try:
        _run(command, config_path, chamber=name, step=True, last=True, write=True)
    except BottomheatError:
        pass  # none was run yet, or it did not tell: then a new one
    else:
        return
    if yes:
        click.echo(
            _wrapped(
                f"A step would tell, and takes five hours or more: bottomheat identify --chamber "
                f"{name} --step, then bottomheat prepare again."
            )
        )
        return
    if click.confirm("A step of the heat tells it, in five hours or more. Begin one now?"):
        _run(command, config_path, chamber=name, step=True, write=True)


def _run(command: click.Command, config_path: Path, **given: Any) -> None:
    """Run another command as if it had been called with these options."""
    with click.Context(command, info_name=command.name) as context:
        context.invoke(command, config_path=config_path, **given)


def _with(facts: Facts, wanted: dict[Step, str]) -> Facts:
    """The facts with what is left out in this walk, should it not be kept anywhere."""
    skipped = {**facts.skipped, **wanted}
    if Step.IDENTIFY in skipped and not facts.model:
        skipped.setdefault(Step.TUNE, AFTER_IDENTIFY)
    return replace(facts, skipped=skipped)


def _wrapped(text: str) -> str:
    import textwrap

    return textwrap.fill(text, 80, break_long_words=False, break_on_hyphens=False)
