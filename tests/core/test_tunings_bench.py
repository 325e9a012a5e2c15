"""The bench of tunings on two boxes: the code that its figures come from, and what it must show."""

from __future__ import annotations

import math
import sys
from pathlib import Path

import numpy as np
import pytest

from bottomheat.response import Response
from bottomheat.tuning import margins
from bottomheat.tuning.rules import Gains
from random_boxes import Box, Modes, draw_boxes

sys.path.append(str(Path(__file__).parents[1] / "bench"))
import tunings as bench


def test_a_step_and_a_relay_run_give_tunings_that_are_calm_on_the_true_box() -> None:
    every = list(bench.rows(2, 7, ("step", "relay"), 5.0))
    assert len(every) == 2 * (1 + 3 + 3)
    for row in every:
        if row.way != "not tuned" and row.true is not None:
            assert row.true.stable
            assert row.true.peak <= 2.0
    assert sum(row.true is not None for row in every) >= 8
    text = bench.table(every)
    assert "step simc" in text
    assert "relay relay" in text


def test_true_margins_are_those_of_the_model_where_the_box_is_the_model() -> None:
    """Sampling folded in by a sum over frequencies, against the exact pulse response."""
    model = Response(0.7, 33_000.0, 6500.0, 0.4, 40.0)  # the probe's lag is about a dead time
    rate = np.array([1 / model.slow_s, 1 / model.quick_s])
    heat = model.gain_k_per_w * np.array([0.6, 0.4]) * rate
    box = Box("two lags", object, 45.0, 5.0, Modes(rate, {"substrate": heat}, {}))
    gains = Gains(0.5, 3600.0, 200.0)
    true = bench.true_margins(box, gains, 600.0)
    found = margins.loop_margins(model, box.watts, gains, 600.0)
    assert true.peak == pytest.approx(found.peak, rel=0.02)
    assert true.gain_margin == pytest.approx(found.gain_margin, rel=0.02)
    assert true.phase_margin_deg == pytest.approx(found.phase_margin_deg, abs=1.0)


def test_a_tuning_that_swings_counts_as_one() -> None:
    box = draw_boxes(1, 3)[0]
    true = bench.true_margins(box, Gains(5.0, 3600.0), 600.0)
    assert not true.stable
    assert math.isinf(true.peak)
    row = bench.Row("a", "step simc", true)
    line = bench.table([row]).splitlines()[1].split()
    assert line[2:7] == ["1", "1", "0", "0.0%", "1"]
