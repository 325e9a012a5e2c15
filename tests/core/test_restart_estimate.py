"""After an outage nobody has seen how warm the bed stayed: the estimate says so, and is right."""

import copy
from dataclasses import replace

import pytest

from beds import CYCLE_S, HOUR, MAKES, Beds, keys_of
from bottomheat import cycle
from plant import config

ROOM_C = 4.5


@pytest.fixture(scope="module", params=sorted(MAKES))
def held(request):
    box = MAKES[request.param]()
    beds = Beds(config(CYCLE_S, bench=keys_of(box)), {"bench": box}, room_c=ROOM_C)
    beds.run(40.0)
    return beds


def restarted(held, hours, *, remembered):
    """The box after so many hours without power, and the service started anew."""
    beds = copy.deepcopy(held)
    last = beds.records["bench"][-1].estimate
    beds.boxes["bench"].advance(hours * 3600.0, 0.0, ROOM_C)
    beds.heat, beds.now_s = frozenset(), beds.now_s + hours * 3600.0
    beds._probe_c.clear()
    beds.state = cycle.start(beds.config, {}, proved=True)
    if remembered:  # as the daemon does where that was less than an hour ago
        box = beds.state.chambers["bench"]
        estimator = replace(box.estimator, before_c=last.celsius)
        beds.state = replace(beds.state, chambers={"bench": replace(box, estimator=estimator)})
    beds.forget()
    return beds


def followed(beds, hours=8.0):
    """Error and expanded uncertainty of each cycle's estimate, K."""
    found = []
    for _ in range(round(hours * HOUR)):
        beds.step()
        estimate = beds.records["bench"][-1].estimate
        if estimate is not None:
            true_c = beds.boxes["bench"].temperature("callus")
            found.append((abs(estimate.celsius - true_c), estimate.expanded_k))
    return found


@pytest.mark.parametrize("hours", [2.0, 5.6, 12.0])
def test_the_interval_holds_after_hours_without_power(held, hours):
    found = followed(restarted(held, hours, remembered=False))
    outside = sum(error_k > expanded_k for error_k, expanded_k in found) / len(found)
    assert outside <= 0.02
    assert max(error_k for error_k, _ in found) > 0.5, "else nothing was at stake"
    before_k = held.records["bench"][-1].estimate.expanded_k
    assert found[-1][1] < before_k + 1.0, "and it narrows again within hours"


@pytest.mark.parametrize("hours", [0.05, 0.9])
def test_a_short_gap_goes_on_from_the_estimate_before_it(held, hours):
    found = followed(restarted(held, hours, remembered=True), 4.0)
    assert max(error_k for error_k, _ in found) < 1.2
    assert all(error_k <= expanded_k for error_k, expanded_k in found)
