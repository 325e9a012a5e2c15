"""Reading probes until they are steady, in time that passes when it is told to."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping

import pytest

from bottomheat.calibration.comparing import jar_unsteady, unsteady
from bottomheat.cli.calibrate_reads import LOOK_S, SILENT_S, until_steady
from bottomheat.errors import BottomheatError, DriverError, RefusedError
from bottomheat_drivers.clock import ManualClock

COUNT_K = 0.0625


class Pace(ManualClock):
    """Passes as soon as it is waited for."""

    def wait(self, seconds: float) -> None:
        self.advance(seconds)


def run(of_s: Callable[[float], Mapping[str, float | str]], *, why_not=None, **how):
    pace = Pace(500.0)
    said: list[str] = []
    looks: list[float] = []

    def read() -> Mapping[str, float | str]:
        return {
            name: value if isinstance(value, str) else round(value / COUNT_K) * COUNT_K
            for name, value in of_s(pace.monotonic_s() - 500.0).items()
        }

    def look() -> None:
        looks.append(pace.monotonic_s() - 500.0)

    options = {"window_s": 120.0, "every_s": 2.0, "timeout_s": 1200.0, "may_go_on": look}
    found = until_steady(
        read,
        pace,
        why_not or (lambda lines: unsteady(lines["a"])),
        names=list(of_s(0.0)),
        say=said.append,
        **{**options, **how},
    )
    return found, pace.monotonic_s() - 500.0, said, looks


def test_a_probe_that_is_steady_takes_one_stretch():
    found, took_s, _, _ = run(lambda _: {"a": 0.25})
    assert took_s == pytest.approx(120, abs=2)
    assert found["a"].mean_c == 0.25
    assert found["a"].many == 61


def test_only_the_last_stretch_counts_so_that_the_way_there_is_left_out():
    found, took_s, _, _ = run(lambda t: {"a": 0.3125 + 18 * math.exp(-t / 40)})
    assert 240 < took_s < 500
    assert found["a"].mean_c == pytest.approx(0.3125, abs=COUNT_K)


def test_what_never_comes_to_rest_is_given_up_with_the_reason():
    with pytest.raises(BottomheatError, match="not steady within 20 min: still rising"):
        run(lambda t: {"a": 10 + t / 100})


def test_a_probe_without_a_good_reading_is_given_up_after_a_minute():
    with pytest.raises(DriverError, match=r"b has given no good reading for 62 s .*empty answer"):
        run(lambda _: {"a": 25.0, "b": "empty answer"}, why_not=jar_unsteady)
    # One that comes back in time costs nothing but its own readings.
    found, _, _, _ = run(
        lambda t: {"a": 25.0, "b": "empty answer" if t < SILENT_S - 5 else 25.25},
        why_not=jar_unsteady,
    )
    assert found["b"].mean_c == 25.25


def test_it_is_told_how_it_goes_and_looked_whether_it_may_go_on():
    _, took_s, said, looks = run(lambda t: {"a": 0.3125 + 18 * math.exp(-t / 40)})
    assert 10 <= len(said) <= took_s / 15
    assert "still falling" in said[0]
    quiet = run(lambda _: {"a": 0.3125})[2]
    assert "0.31 °C   steady so far" in quiet[-1]
    assert looks[-1] == took_s
    gaps = [after - before for before, after in zip([0.0, *looks], looks, strict=False)]
    assert max(gaps) <= LOOK_S + 2.0


def test_heat_that_comes_on_ends_it():
    def refuse() -> None:
        raise RefusedError("the service may heat")

    with pytest.raises(RefusedError):
        run(lambda _: {"a": 0.25}, may_go_on=refuse)
