"""One contract for every implementation of ``ports.LatchStore``."""

from __future__ import annotations

import pytest

from bottomheat.errors import LatchError
from bottomheat.ports import Latch
from bottomheat_drivers.latch_file import LatchFile, MemoryLatches

HOT = Latch("north-bench", "probe 61.0 °C, limit 60.0 °C", 1_760_000_000_000)
OLD = Latch("south-bench", 'a line with\nbreaks, "quotes" and ℃', 0)


@pytest.fixture(params=["file", "memory"])
def empty(request, tmp_path):
    return LatchFile(tmp_path / "latch.json") if request.param == "file" else MemoryLatches()


def test_nothing_saved_is_an_error_and_not_a_clear_state(empty):
    with pytest.raises(LatchError):
        empty.load()


@pytest.mark.parametrize("latches", [{}, {"north-bench": HOT}, {"a": HOT, "south-bench": OLD}])
def test_reads_back_what_was_saved_last(empty, latches):
    latches = {name: Latch(name, latch.cause, latch.wall_ms) for name, latch in latches.items()}
    empty.save({"elsewhere": OLD})
    empty.save(latches)
    assert empty.load() == latches
