"""The rig for its tests: an image that is built once, machines that boot it, a shed that heats."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest

from rig.image import CannotBuildError, Image, build
from rig.machine import Machine
from rig.shed import CONFIG, proved_disk


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Mark everything in this folder; it starts machines."""
    here = Path(__file__).parent
    for item in items:
        if here in item.path.parents:
            item.add_marker(pytest.mark.rig)
            item.add_marker(pytest.mark.slow)


@pytest.fixture(scope="session")
def image() -> Iterator[Image]:
    """The disk image, or a skip that says why this machine cannot have one."""
    try:
        built = build()
    except CannotBuildError as error:
        pytest.skip(f"no rig: {error}.")
    with built.held:
        yield built


@pytest.fixture(scope="session")
def proved(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A data disk with latches clear and the wiring of ``CONFIG`` proved."""
    path = tmp_path_factory.mktemp("disk") / "data.img"
    proved_disk(path, CONFIG)
    return path


@pytest.fixture(scope="module")
def shed(image: Image, proved: Path, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Machine]:
    """One machine for all tests of a module, which put right what they break."""
    folder = tmp_path_factory.mktemp("shed")
    data = folder / "data.img"
    shutil.copy(proved, data)
    machine = Machine(image, folder, data=data)
    yield machine
    machine.power_cut()
