"""Plays the scenarios of a test module at the same time, each on a service of its own.

A fault of a process takes its time to show, and waiting for one leaves the machine free for others.

    @pytest.fixture(scope="module")
    def played(request, tmp_path_factory):
        yield from play(request, tmp_path_factory)

    @pytest.mark.parametrize("scenario", [full_card, ...])
    def test_disk(scenario, played, record_property):
        outcome(played, scenario, record_property)
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import ExitStack
from pathlib import Path

import pytest

from service import Service

Measured = Mapping[str, str] | None
Scenario = Callable[[Service, ExitStack], Measured]
Played = Mapping[Scenario, "Future[Measured]"]


def play(request: pytest.FixtureRequest, folders: pytest.TempPathFactory) -> Iterator[Played]:
    """Begin every scenario of this module that the session has selected."""
    chosen: list[Scenario] = [
        item.callspec.params["scenario"]
        for item in request.session.items
        if isinstance(item, pytest.Function)
        and item.module is request.module
        and "scenario" in getattr(getattr(item, "callspec", None), "params", {})
    ]
    with ThreadPoolExecutor(len(chosen)) as pool:
        yield {each: pool.submit(_alone, each, folders.mktemp("service")) for each in chosen}


def outcome(
    played: Played, scenario: Scenario, record_property: Callable[[str, object], None]
) -> None:
    """Wait for a scenario, fail or skip as it did, and record what it measured."""
    for name, value in (played[scenario].result() or {}).items():
        record_property(name, value)


def _alone(scenario: Scenario, folder: Path) -> Measured:
    with ExitStack() as stack:
        service = Service(folder)
        stack.callback(service.end)
        return scenario(service, stack)
