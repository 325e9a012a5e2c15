"""What ``prepare`` finds out about a box, and where it keeps why a step was left out."""

from __future__ import annotations

import json
import os
from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

from bottomheat.cli.prepare_walk import Facts, Step
from bottomheat.errors import InputError

if TYPE_CHECKING:
    from bottomheat.config import ChamberConfig, Config, Parsed

_ENDING = ".prepare"
"""Beside the config: the state folder stays empty until the service has started once."""


def facts_of(config_path: Path, name: str) -> Facts:
    """Look at a box: config, proof of the wiring, what its mat can do.

    Raises:
        ConfigError: the config is refused.
    """
    from bottomheat_drivers.config_yaml import load, refusal

    loaded = load(config_path)
    config = loaded.parsed.config
    if config is None:
        raise refusal(config_path, loaded.parsed)
    box = config.chambers[name]
    verdict, holds, measured, remedy = _capacity(config, name)
    return Facts(
        name=name,
        setpoint_c=box.callus_zone_c,
        room_c=config.coldest_room_c,
        proved=_proved(config),
        model=box.model is not None,
        tuned=box.pid.gain_per_k is not None,
        on_off=box.law == "hysteresis",
        verdict=verdict,
        holds=holds,
        measured=measured,
        remedy=remedy,
        wrong=_wrong(loaded.parsed, config, name, box),
        skipped=skipped(config_path).get(name, {}),
    )


def _proved(config: Config) -> bool | None:
    """Whether the wiring is proved: by its file, or by the service where that may not be seen."""
    from bottomheat.app import proof_path, state_folder
    from bottomheat.cli.calibrate_box import service_answer
    from bottomheat.config_wiring import fingerprint
    from bottomheat_drivers.proof_file import ProofFile

    path = proof_path(state_folder(config))
    try:
        there = path.exists()
        if not there and not path.parent.exists():
            return False  # the service has never run here
    except PermissionError:  # a folder above it is not this user's to look into
        there = None
    if there and os.access(path, os.R_OK):
        return ProofFile(path).matches(fingerprint(config))
    if there is False:
        return False
    answer = service_answer(config, {"do": "status"})
    return None if answer is None else bool(answer.get("proved"))


def _capacity(config: Config, name: str) -> tuple[str, bool | None, bool, str]:
    """What the mat can do in the coldest room: a sentence, yes or no, on what, what would do."""
    from bottomheat.capacity import capacity
    from bottomheat.cli.capacity_text import remedies, verdict
    from bottomheat.lift import Basis, lift_of

    box = config.chambers[name]
    lift = lift_of(box)
    found = capacity(box, lift, config.coldest_room_c)
    if found is None:
        return "the heat-flow offset asks for more heat than any room takes", None, False, ""
    measured = lift.basis is not Basis.NOMINAL
    ways = remedies(found, ())
    return verdict(found), found.holds, measured, ways[0] if ways and not found.holds else ""


def _wrong(parsed: Parsed, config: Config, name: str, box: ChamberConfig) -> tuple[str, ...]:
    """Warnings about limits and ceiling of the box, and what a cold night would do."""
    from bottomheat.cli.check_config import cold_night_findings
    from bottomheat.cli.findings import Level

    about = ("limits", "layer_ceiling", "callus_zone")
    found = [
        warning.message
        for warning in parsed.warnings
        if warning.path[:2] == ("chambers", name) and len(warning.path) > 2
        if warning.path[2] in about
    ]
    alone = config.model_copy(update={"chambers": {name: box}})
    found += [
        f"{finding.text}{f'; {finding.do}' if finding.do else ''}"
        for finding in cold_night_findings(alone)
        if finding.level is not Level.WELL
    ]
    return tuple(each.rstrip(".") for each in found)


def _path(config_path: Path) -> Path:
    return config_path.with_name(config_path.name + _ENDING)


def skipped(config_path: Path) -> dict[str, dict[Step, str]]:
    """Why steps were left out, by box; nothing where that cannot be read."""
    try:
        data: Any = json.loads(_path(config_path).read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return {}
    found: dict[str, dict[Step, str]] = {}
    for name, steps in data.items() if isinstance(data, Mapping) else ():
        if isinstance(steps, Mapping):
            found[str(name)] = {
                step: str(steps[step.value]) for step in Step if steps.get(step.value)
            }
    return found


def keep_skipped(config_path: Path, name: str, reasons: Mapping[Step, str]) -> str:
    """Keep why steps of a box were left out, for the next walk.

    Args:
        config_path: the config file, beside which it is kept.
        name: the box.
        reasons: by step, all of that box; the others stay.

    Returns:
        Why it could not be kept, or an empty string.
    """
    every = {**skipped(config_path), name: dict(reasons)}
    data = {
        box: {step.value: why for step, why in steps.items()}
        for box, steps in every.items()
        if steps
    }
    path = _path(config_path)
    spare = path.with_name(f".{path.name}.new")
    try:
        spare.write_text(json.dumps(data, ensure_ascii=False, indent=2), encoding="utf-8")
        os.replace(spare, path)
    except OSError as error:
        return f"{path}: {error.strerror or error}"
    return ""


def parsed_skips(words: tuple[str, ...]) -> dict[Step, str]:
    """``--skip STEP=REASON`` as given.

    Raises:
        InputError: no such step, or no reason.
    """
    found = {}
    for word in words:
        step, _, why = word.partition("=")
        if step not in [each.value for each in Step]:
            raise InputError(
                f"there is no step {step[:20]!r}; there are {', '.join(Step)}: write "
                '--skip identify="no time before Monday".'
            )
        why = " ".join(why.split())
        if not why or not why.isprintable():
            raise InputError(
                f"say why {step} is left out, so that it can be read in January: "
                f'--skip {step}="the reason".'
            )
        found[Step(step)] = why[:200].rstrip(".")
    return found
