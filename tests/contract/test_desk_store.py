"""What the loop relies on in a memory of the alarm desk, on the file and on the one in memory."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from bottomheat.ports import DeskStore
from bottomheat_drivers.desk_file import DeskFile, MemoryDesk, desk_path

PAYLOAD: dict[str, Any] = {"next": 3, "away": None, "entries": [{"detail": "61 °C"}]}


@pytest.fixture(params=["file", "memory"])
def store(request: pytest.FixtureRequest, tmp_path: Path) -> DeskFile | MemoryDesk:
    return DeskFile(desk_path(tmp_path)) if request.param == "file" else MemoryDesk()


@pytest.fixture
def again(store: DeskFile | MemoryDesk, tmp_path: Path) -> Callable[[], DeskStore]:
    """The same memory at the next start."""

    def opened() -> DeskStore:
        store.close()
        return DeskFile(desk_path(tmp_path)) if isinstance(store, DeskFile) else store

    return opened


def test_begins_empty_and_without_a_complaint(store: DeskStore) -> None:
    assert store.load() is None
    assert store.failure() is None


def test_next_start_finds_what_was_saved_last(
    store: DeskStore, again: Callable[[], DeskStore]
) -> None:
    for number in range(20):
        store.save({**PAYLOAD, "next": number})
    store.save(PAYLOAD)
    assert again().load() == PAYLOAD
    assert store.failure() is None
